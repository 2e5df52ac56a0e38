"""Mistakes in a recipe, in the words of whoever wrote it: place, key, what was found, what is allowed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Protocol, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from mountgen.errors import RecipeError
from mountgen.length import MISTAKE, Quantity, describe_value
from mountgen.recipe import RECIPES, Recipe
from mountgen.recipe_fields import CONFLICTS, Table
from mountgen.toml_source import KeyPath, TomlSource


class Layer(Protocol):
    """One source of values."""

    @property
    def data(self) -> dict[str, Any]: ...

    def locate(self, path: KeyPath) -> tuple[str, int]:
        """Return the place of a key in the user's terms, and its line for sorting."""


@dataclass(frozen=True)
class FileLayer:
    source: TomlSource
    data: dict[str, Any]

    def locate(self, path: KeyPath) -> tuple[str, int]:
        line = self.source.find_line(path)
        return (self.source.name, 0) if line is None else (f"{self.source.name}:{line}", line)


@dataclass(frozen=True)
class OptionLayer:
    option: str
    data: dict[str, Any]

    def locate(self, path: KeyPath) -> tuple[str, int]:
        return self.option, 0


@dataclass(frozen=True)
class Mistake:
    """One thing that is wrong in a recipe. order: its place in the stack of layers, then its line."""

    what: str
    where: str
    remedy: str
    order: tuple[int, int] = (0, 0)


def translate_errors(
    error: ValidationError, recipe_type: type[Recipe], layers: Sequence[Layer]
) -> list[Mistake]:
    """Return all mistakes in the user's terms, in the order of the layers and lines."""
    found = []
    for details in error.errors(include_url=False):
        if details["type"] == CONFLICTS:
            for key, what, remedy in details["ctx"]["conflicts"]:
                found.append((details["loc"] + tuple(key.split(".")), what, remedy))
        else:
            found.append((details["loc"], *_explain(details, recipe_type)))
    return sorted((_place(*each, layers) for each in found), key=lambda mistake: mistake.order)


def _place(path: KeyPath, what: str, remedy: str, layers: Sequence[Layer]) -> Mistake:
    """Name the place of a mistake: the topmost layer that has the key, or else most of the way to it."""
    depth, index = max((_depth(layer.data, path), n) for n, layer in enumerate(layers))
    if depth == 0:
        index = max((n for n, layer in enumerate(layers) if isinstance(layer, FileLayer)), default=0)
    place, line = layers[index].locate(path)
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
    return Mistake(what, f"{place}, {key}", remedy, (index, line))


def _depth(data: Any, path: KeyPath) -> int:
    """Return how many steps of a path exist in the data."""
    for n, part in enumerate(path):
        known = range(len(data)) if isinstance(data, list) else data if isinstance(data, dict) else ()
        if part not in known:
            return n
        data = data[part]
    return len(path)


def _explain(details: ErrorDetails, recipe_type: type[Recipe]) -> tuple[str, str]:
    """Return what is wrong and what to do, for one finding of the model."""
    path, kind, found = details["loc"], details["type"], describe_value(details["input"])
    if kind == MISTAKE:
        return details["ctx"]["what"], details["ctx"]["remedy"]
    table = _find_table(recipe_type, path[:-1])
    key = str(path[-1]) if path else ""
    if kind == "extra_forbidden" and table is not None:
        return _explain_unknown(key, path[:-1], table, recipe_type)
    if kind == "missing":
        return _explain_missing(key, path, recipe_type)
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        inner = _find_table(recipe_type, path)
        keys = ", ".join(inner.model_fields) if inner is not None else ""
        return f"found {found} where a table is needed", f"write it as [{key}] with keys of {keys}"
    if kind in ("tuple_type", "list_type"):
        one = f'"{key}.0" names one entry of it, which --set cannot change; ' if isinstance(details["input"], dict) else ""
        return f"found {found} where a list is needed", f"{one}write {key} in the recipe file, all of it"
    if kind == "literal_error":
        choices = details["ctx"]["expected"].replace("'", '"')
        names = re.findall(r'"([^"]*)"', choices)
        text = details["input"]
        near = get_close_matches(text.lower(), names, n=1, cutoff=0.5) if isinstance(text, str) else []
        return f"{found} is not one of the choices", (
            f'did you mean "{near[0]}"? ' if near else ""
        ) + f"give {choices}"
    if kind == "string_type":
        return f"found {found} where a text is needed", "put it in quotes"
    return details["msg"], f"found {found}; see the starters for an example"


def _explain_unknown(
    key: str, path: KeyPath, table: type[Table], recipe_type: type[Recipe]
) -> tuple[str, str]:
    names = [part for part in path if isinstance(part, str)]
    here = f"[{names[-1]}]" if names else "the recipe"
    allowed = f"allowed in {here}: {', '.join(table.model_fields)}"
    kind = recipe_type.model_fields["kind"].default
    others = []
    for name, other in RECIPES.items():
        twin = _find_table(other, path)
        if twin is not None and key in twin.model_fields:
            others.append(name)
    if others:
        label = f"[{key}]" if not path else f"'{key}' in {here}"
        return (
            f"{label} does not belong to a {kind}, only to a {' or '.join(others)}",
            f"take it out; {allowed}",
        )
    near = get_close_matches(key.lower(), table.model_fields, n=1)
    if near:
        return f"unknown key '{key}'", f"did you mean '{near[0]}'? {allowed}"
    homes = [
        name
        for name in recipe_type.model_fields
        if (inner := _find_table(recipe_type, (name,))) is not None and key in inner.model_fields
    ]
    if homes:
        return (
            f"unknown key '{key}'",
            f"'{key}' belongs under {' or '.join(f'[{h}]' for h in homes)}; {allowed}",
        )
    return f"unknown key '{key}'", allowed


def _explain_missing(key: str, path: KeyPath, recipe_type: type[Recipe]) -> tuple[str, str]:
    inner = _find_table(recipe_type, path)
    if inner is not None:
        needed = ", ".join(name for name, info in inner.model_fields.items() if info.is_required())
        kind = recipe_type.model_fields["kind"].default
        return f"[{key}] is missing, which a {kind} needs", f"add a table [{key}] with at least {needed}"
    table = _find_table(recipe_type, path[:-1])
    info = None if table is None else table.model_fields.get(key)
    about = "" if info is None else f" ({info.description})"
    allowed = next(
        (item.allowed for item in (info.metadata if info else ()) if isinstance(item, Quantity)), ""
    )
    return f"'{key}' is missing{about}", f"add {key} = " + (allowed or "its value")


def _find_table(recipe_type: type[Table], path: KeyPath) -> type[Table] | None:
    """Return the type of the table at a path of a recipe, or None where there is none."""
    here: type[Table] | None = recipe_type
    for part in path:
        if isinstance(part, int):  # an item of a list of tables
            continue
        info = None if here is None else here.model_fields.get(str(part))
        if info is None:
            return None
        options = get_args(info.annotation) or (info.annotation,)
        here = next((t for t in options if isinstance(t, type) and issubclass(t, Table)), None)
    return here


def join_mistakes(mistakes: Sequence[Mistake], path: Path) -> RecipeError:
    """Return one error for all mistakes."""
    if len(mistakes) == 1:
        return RecipeError(mistakes[0].what, mistakes[0].where, mistakes[0].remedy)
    rows = "".join(f"\n  {m.where}: {m.what}\n      {m.remedy}" for m in mistakes)
    return RecipeError(
        f"{len(mistakes)} mistakes in the recipe:{rows}", str(path), "mend each as its line says"
    )
