"""Recipe files: read with all mistakes named at once, inherit from a base, override, write.

A recipe is a stack of layers, each laid over the one before: the starter or file that `base` names (and its
own base), the file itself, the `--set` values, the `--scan` file. Tables merge key by key; `false` takes out
a key or table that the layers below gave. Every mistake is traced to the layer that made it.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date, time
from difflib import get_close_matches
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import ValidationError

from mountgen.errors import ExportError, RecipeError
from mountgen.length import describe_value
from mountgen.recipe import RECIPES, AnyRecipe, Recipe
from mountgen.recipe_fields import AUTO, Table, read_name
from mountgen.recipe_mistakes import FileLayer, Layer, OptionLayer, join_mistakes, translate_errors
from mountgen.toml_source import TomlSource, parse_toml, read_toml

STARTERS = "mountgen.starters"  # package of the starter files


def load_recipe(path: Path, *, overrides: Sequence[str] = (), scan: Path | None = None) -> AnyRecipe:
    """Read a recipe file with all it inherits.

    Args:
        path: the recipe file, TOML.
        overrides: values that replace those of the file, each as "fit.clearance=0.6". The value is read as
            TOML, or taken as a text where it is not. A relative scan.file or sheet counts from the current folder.
        scan: scan file that replaces the recipe's.

    Returns:
        AnyRecipe: complete; scan.file and sheet are absolute, or None.

    Raises:
        RecipeError: a file cannot be read, or values are wrong; all wrong values are listed.
    """
    layers: list[Layer] = list(_stack_files(path))
    layers += [_read_override(text) for text in overrides]
    if scan is not None:
        layers.append(OptionLayer(f"--scan {scan}", {"scan": {"file": _anchor(str(scan), Path.cwd())}}))
    merged: dict[str, Any] = {}
    for layer in layers:
        merged = _merge(merged, layer.data)
    merged.setdefault("name", make_name(path.stem))
    recipe_type = _choose_type(merged, layers)
    try:
        return recipe_type.model_validate(merged)
    except ValidationError as error:
        mistakes = translate_errors(error, recipe_type, layers)
    raise join_mistakes(mistakes, path)


def starter_names() -> tuple[str, ...]:
    """Return the names of the starters, sorted."""
    files = _starter_folder().iterdir()
    return tuple(sorted(file.name.removesuffix(".toml") for file in files if file.name.endswith(".toml")))


def read_starter(starter: str) -> str:
    """Return the text of a starter.

    Raises:
        RecipeError: there is none of this name; gives the nearest spelling.
    """
    names = starter_names()
    if starter not in names:
        raise RecipeError(
            f"there is no starter '{starter}'", "the starter's name", _advise_name(starter, names)
        )
    return _starter_folder().joinpath(f"{starter}.toml").read_text("utf-8")


def write_starter(starter: str, scan: Path, *, target: Path | None = None) -> Path:
    """Write a commented recipe for a scan.

    Args:
        starter: name of the starter.
        scan: the scan file, which must be there.
        target: file to write; default `<scan's name>-<starter>.toml` beside the scan.

    Returns:
        Path: the file written.

    Raises:
        RecipeError: no such starter or scan.
        ExportError: the file is there already, or cannot be written.
    """
    text = read_starter(starter)
    if not scan.is_file():
        what = "this is a folder" if scan.is_dir() else "there is no such scan file"
        raise RecipeError(what, f"--scan {scan}", "give the scan's file: STL, PLY, OBJ or 3MF")
    name = make_name(f"{scan.stem}-{starter}")
    target = scan.with_name(f"{name}.toml") if target is None else target
    text = _fill_in(text, "name", name)
    text = _fill_in(text, "file", _relate(scan.absolute(), target.absolute().parent))
    try:
        with open(target, "x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError as error:
        remedy = "rename or remove it first, if it is no longer wanted"
        raise ExportError("this file is there already and is not overwritten", str(target), remedy) from error
    except OSError as error:
        reason = error.strerror or type(error).__name__
        remedy = "check that its folder is there and may be written to"
        raise ExportError(f"the recipe cannot be written ({reason})", str(target), remedy) from error
    return target


def dump_recipe(recipe: Recipe, *, folder: Path | None = None) -> str:
    """Return a complete recipe as commented TOML, which loads again to an equal recipe.

    Args:
        recipe: any recipe.
        folder: where the text will be saved; paths of files are written relative to it, else absolute.

    Returns:
        str: TOML, ends with a line end.
    """
    lines = [
        "# Complete recipe: every key with the value that was used. Lengths in mm, angles in degrees.",
        "",
    ]
    tables: list[str] = []
    for key, info in type(recipe).model_fields.items():
        value = getattr(recipe, key)
        about = info.description or ""
        if isinstance(value, Table):
            tables += ["", f"[{key}]  # {about}", *_dump_table(value, folder)]
        elif _is_list_of_tables(info.annotation):
            tables += [] if value else ["", f"# [[{key}]] is not used: {about}"]
            for each in value:
                tables += ["", f"[[{key}]]  # {about}", *_dump_table(each, folder)]
        elif value is None and any(_is_table(kind) for kind in get_args(info.annotation)):
            tables += ["", f"# [{key}] is not used: {about}"]
        else:
            lines.append(_dump_line(key, value, about, folder))
    return "\n".join(lines + tables) + "\n"


def _starter_folder() -> Traversable:
    try:
        return resources.files(STARTERS)
    except ModuleNotFoundError:  # run from a checkout without having been installed
        return Path(__file__).resolve().parent.parent / "recipes"


def make_name(text: str) -> str:
    """Return a name that is safe in file names, made of any text."""
    name = re.sub(r"[^A-Za-z0-9_.-]+", "-", text).strip("-.")[:80].strip("-.")
    try:
        return read_name(name)
    except ValueError:
        return f"part-{name}"[:80].rstrip("-.")


# reading the layers


def _stack_files(path: Path) -> tuple[FileLayer, ...]:
    """Return the layers of a recipe file, the deepest base first."""
    layers: list[FileLayer] = []
    seen: list[Path] = []
    following: Path | str | None = path
    asked_by = ""
    while following is not None:
        if isinstance(following, str):
            source = parse_toml(read_starter(following), name=f"starter {following}")
            folder = None
        else:
            real = _real(following)
            if real in seen:
                chain = " -> ".join(p.name for p in (*seen[seen.index(real) :], real))
                raise RecipeError(f"the bases go round in a circle: {chain}", asked_by, "take one base out")
            seen.append(real)
            source = _read_base(following, asked_by) if asked_by else read_toml(following)
            folder = following.parent
        data = dict(source.data)
        base = data.pop("base", None)
        if layers:
            data.pop("name", None)  # a part is called by its own file, never by its base
        if folder is not None:
            data = _anchor_files(data, folder)
        layers.insert(0, FileLayer(source, data))
        line = source.find_line(("base",))
        asked_by = f"{source.name}:{line}, base"
        following = None if base is None else _find_base(base, folder, asked_by)
    return tuple(layers)


def _find_base(base: object, folder: Path | None, where: str) -> Path | str:
    names = starter_names()
    if not isinstance(base, str) or not base.strip():
        what = f"found {describe_value(base)} where a base is needed"
        raise RecipeError(what, where, f"give a starter ({', '.join(names)}) or the path of a recipe file")
    if base in names:
        return base
    if base.endswith(".toml") or "/" in base or "\\" in base:
        return (folder or Path()) / base
    raise RecipeError(
        f"there is no starter '{base}'", where, _advise_name(base, names) + "; a file ends in .toml"
    )


def _read_base(path: Path, asked_by: str) -> TomlSource:
    try:
        return read_toml(path)
    except RecipeError as error:
        if error.where == str(path):  # the file as such, not a place in it
            raise RecipeError(
                f"the base '{path}' cannot be used: {error.what}", asked_by, error.remedy
            ) from error
        raise


def _advise_name(name: str, names: Sequence[str]) -> str:
    near = get_close_matches(name.lower(), names, n=1, cutoff=0.5)
    return (f"did you mean '{near[0]}'? " if near else "") + f"starters are {', '.join(names)}"


def _read_override(text: str) -> OptionLayer:
    """Read one `--set` value."""
    key, equals, raw = text.partition("=")
    where = f"--set {text}"
    keys = [part.strip() for part in key.split(".")]
    if not equals or not all(keys):
        raise RecipeError(f"'{text}' is not KEY=VALUE", where, "write such as --set fit.clearance=0.6")
    if keys[0] == "base":
        raise RecipeError("a base cannot be set here", where, "set base in the recipe file")
    value = _read_value(raw.strip())
    info = Recipe.model_fields.get(keys[0]) if len(keys) == 1 else None
    if info is not None and info.annotation is str and not isinstance(value, str):
        value = raw.strip()  # a name such as 12 is a text all the same
    data: Any = value
    for part in reversed(keys):
        data = {part: data}
    return OptionLayer(where, _anchor_files(data, Path.cwd()))


def _read_value(raw: str) -> Any:
    """Return a value as TOML reads it; as a plain text where it is not TOML, or a date (no key is one)."""
    try:
        found = tomllib.loads(f"value = {raw}")
    except (ValueError, RecursionError):
        return raw
    value = found.get("value")
    return raw if len(found) != 1 or isinstance(value, date | time) else value


def _anchor_files(data: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Return the data with its scan file, its material sheet and its keep-out meshes counted from `folder`."""
    if isinstance(data.get("keep_out"), list):
        data = {**data, "keep_out": [_anchor_mesh(each, folder) for each in data["keep_out"]]}
    if isinstance(data.get("sheet"), str):
        data = {**data, "sheet": _anchor(data["sheet"], folder)}
    scan = data.get("scan")
    if not isinstance(scan, dict) or not isinstance(scan.get("file"), str):
        return data
    return {**data, "scan": {**scan, "file": _anchor(scan["file"], folder)}}


def _anchor_mesh(table: Any, folder: Path) -> Any:
    if not isinstance(table, dict) or not isinstance(table.get("file"), str):
        return table
    return {**table, "file": _anchor(table["file"], folder)}


def _anchor(file: str, folder: Path) -> str:
    """Return a file's absolute path. The file's own link is kept: its ending counts."""
    if not file.strip() or "\0" in file:
        return file  # refused by the model
    path = folder.absolute() / file
    return str(_real(path.parent) / path.name)


def _real(path: Path) -> Path:
    """Return a path without links; one that names itself stays, where `Path.resolve` would be no error of ours."""
    return Path(os.path.realpath(path))


def _merge(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables laid over each other key by key; lists and values are replaced."""
    merged = dict(below)
    for key, value in above.items():
        old = merged.get(key)
        merged[key] = _merge(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return merged


def _choose_type(merged: Mapping[str, Any], layers: Sequence[Layer]) -> type[AnyRecipe]:
    kinds = ", ".join(f'"{kind}"' for kind in RECIPES)
    given = [(layer, layer.data["kind"]) for layer in layers if "kind" in layer.data]
    if not given:
        where = layers[0].locate(())[0]
        raise RecipeError(
            "the recipe does not say what to make", f"{where}, kind", f"set kind to one of {kinds}"
        )
    for layer, kind in given:
        if not isinstance(kind, str) or kind not in RECIPES:
            near = get_close_matches(kind.lower(), RECIPES, n=1, cutoff=0.5) if isinstance(kind, str) else []
            advice = (f'did you mean "{near[0]}"? ' if near else "") + f"kinds are {kinds}"
            raise RecipeError(
                f"unknown kind {describe_value(kind)}", f"{layer.locate(('kind',))[0]}, kind", advice
            )
    (first, kind), (last, wanted) = given[0], given[-1]
    if kind != wanted:
        what = f"the recipe is a {wanted}, but {first.locate(('kind',))[0]} that it builds on is a {kind}"
        remedy = f'build on a {wanted}, or set kind = "{kind}"'
        raise RecipeError(what, f"{last.locate(('kind',))[0]}, kind", remedy)
    return RECIPES[str(merged["kind"])]


# writing


def _is_table(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, Table)


def _is_list_of_tables(annotation: object) -> bool:
    return get_origin(annotation) is tuple and _is_table(get_args(annotation)[0])


def _dump_table(table: Table, folder: Path | None) -> list[str]:
    lines = []
    for key, info in type(table).model_fields.items():
        lines.append(_dump_line(key, getattr(table, key), info.description or "", folder))
    return lines


def _dump_line(key: str, value: object, about: str, folder: Path | None) -> str:
    if value is None:
        return f"# {key} is not set: {about}"
    if isinstance(value, Path):
        value = _relate(value.absolute(), folder.absolute() if folder else None)
    return f"{f'{key} = {_encode(value)}':<32}  # {about}"


def _encode(value: object) -> str:
    """Return a value as TOML."""
    import tomlkit

    if value == AUTO:
        value = "auto"
    if isinstance(value, Table):
        inner = ", ".join(f"{key} = {_encode(item)}" for key, item in value)
        return f"{{ {inner} }}"
    if isinstance(value, tuple):
        return f"[{', '.join(_encode(item) for item in value)}]"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return tomlkit.item(value).as_string()


def _relate(path: Path, folder: Path | None) -> str:
    """Return an absolute path with forward slashes, seen from `folder` where it can be."""
    text = path.as_posix()
    if folder is not None:
        try:
            text = Path(os.path.relpath(_real(path.parent) / path.name, _real(folder))).as_posix()
        except ValueError:  # on another drive
            text = path.as_posix()
    return text.encode("utf-8", "replace").decode("utf-8")  # names that are no text cannot stand in a recipe


def _fill_in(text: str, key: str, value: str) -> str:
    """Return a starter's text with the value of a key that it has only as a comment."""
    filled, count = re.subn(
        rf"^# {key} = \"[^\"]*\"", lambda _: f"{key} = {_encode(value)}", text, count=1, flags=re.MULTILINE
    )
    if count != 1:
        raise ValueError(f"the starter has no line '# {key} = \"...\"'")
    return filled
