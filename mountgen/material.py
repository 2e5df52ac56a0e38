"""Printing plastics: one row a material, every value with its range, its source and how sure that is. A leaf.

The table is `data/materials.toml`. A user's own sheet (that of the spool) is a file of the same form which
replaces single values of a row or adds rows; in it a bare number is enough.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib import resources
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, cast, get_args

from mountgen.errors import EnduranceError, MaterialError

__all__ = [
    "Material",
    "Quantity",
    "Rating",
    "Structure",
    "Tag",
    "find_material",
    "load_materials",
    "require_number",
]

Tag = Literal["read", "common practice", "from memory", "our rule"]
Structure = Literal["amorphous", "semicrystalline", "elastomer"]
Sun = Literal["poor", "fair", "good"]
OWN_SHEET: Tag = "read"  # the user read it on the spool


@dataclass(frozen=True)
class Quantity:
    """One property with its range.

    value : the number taken where one is needed; the middle of the range unless the table says otherwise.
    low, high : ends of the range over the sources; equal where only one number is known.
    unit  : of all three.  source: where they stand, in words.
    tag   : "read", "common practice", "from memory" or "our rule"; that of `low` where the ends differ.
    note  : what else to know; "" if nothing.
    """

    value: float
    low: float
    high: float
    unit: str
    source: str
    tag: Tag
    note: str = ""


@dataclass(frozen=True)
class Rating:
    """A property in words: poor, fair or good, with its source as in `Quantity`."""

    value: Sun
    source: str
    tag: Tag
    note: str = ""


@dataclass(frozen=True)
class Material:
    """One row of the material table. Units are those of each `Quantity`; what was not found is None.

    key : what a recipe says, e.g. "asa".  name: for people.
    remark : a warning that belongs to the material; "" if none.
    structure : "amorphous", "semicrystalline" or "elastomer": which limits against heat hold.
    hdt_045, hdt_180 : deflection temperature under 0.45 and 1.80 MPa.
    strength_xy, strength_z : tensile strength in the layers and across them.
    snap_once_pct, snap_repeated_pct : strain a snap arm lying in the layers may see once, and over and over.
    """

    key: str
    name: str
    structure: Structure
    sun: Rating
    density: Quantity
    remark: str = ""
    glass_transition: Quantity | None = None
    hdt_045: Quantity | None = None
    hdt_180: Quantity | None = None
    vicat: Quantity | None = None
    service_limit: Quantity | None = None
    modulus: Quantity | None = None
    strength_xy: Quantity | None = None
    strength_z: Quantity | None = None
    snap_once_pct: Quantity | None = None
    snap_repeated_pct: Quantity | None = None
    shrinkage_pct: Quantity | None = None
    expansion: Quantity | None = None
    surface_energy: Quantity | None = None


# Unit of each property, what is physically possible, and what a value outside of that usually means.
_TEMP = ("°C", (-150.0, 400.0), "was it given in °F or K?")
_STRENGTH = ("MPa", (1.0, 1000.0), "was it given in Pa or psi?")
_LIMITS: dict[str, tuple[str, tuple[float, float], str]] = {
    "density": ("g/cm³", (0.3, 5.0), "1070 kg/m³ is 1.07 g/cm³"),
    "glass_transition": _TEMP,
    "hdt_045": _TEMP,
    "hdt_180": _TEMP,
    "vicat": _TEMP,
    "service_limit": _TEMP,
    "modulus": ("MPa", (5.0, 100e3), "was it given in GPa or Pa?"),
    "strength_xy": _STRENGTH,
    "strength_z": _STRENGTH,
    "snap_once_pct": ("%", (0.05, 60.0), "a strain of 0.019 is 1.9 %"),
    "snap_repeated_pct": ("%", (0.05, 60.0), "a strain of 0.011 is 1.1 %"),
    "shrinkage_pct": ("%", (0.0, 10.0), "a shrinkage of 0.005 is 0.5 %"),
    "expansion": ("µm/(m·K)", (1.0, 400.0), "9e-5 per K is 90 µm/(m·K)"),
    "surface_energy": ("mN/m", (10.0, 80.0), ""),
}
_WORDS = ("name", "structure", "remark")


def load_materials(extra: Path | None = None) -> Mapping[str, Material]:
    """Return all materials by key: those shipped, then those of the user's own sheet over them.

    Args:
        extra: a TOML file of the shipped table's form. A row of a known key replaces only the values it
            gives; a new key with `like = "asa"` starts from that row; a value may be a bare number, then its
            source is the file, or the text that the row gives as `source`.

    Returns:
        Read-only mapping from key to Material, in the order of the table.

    Raises:
        MaterialError: `extra` cannot be read, is not TOML, has an unknown key, or a value that cannot be.
    """
    shipped = _read_shipped()
    if extra is None:
        return shipped
    return MappingProxyType(_read_table(_parse(extra), dict(shipped), str(extra)))


@cache
def _read_shipped() -> Mapping[str, Material]:
    text = resources.files("mountgen.data").joinpath("materials.toml").read_text(encoding="utf-8")
    return MappingProxyType(_read_table(tomllib.loads(text), {}, "materials.toml"))


def find_material(key: str, materials: Mapping[str, Material] | None = None) -> Material:
    """Return the material of that key; case, blanks and hyphens do not matter.

    Args:
        key: as in a recipe, e.g. "asa" or "PA-CF".
        materials: what `load_materials` returned; the shipped table if left out.

    Returns:
        Material.

    Raises:
        MaterialError: no material has this key; the remedy names the nearest spelling and all keys.
    """
    table = load_materials() if materials is None else materials
    plain = {_strip(k): k for k in table}
    if (found := plain.get(_strip(key))) is not None:
        return table[found]
    near = difflib.get_close_matches(_strip(key), plain, n=1)
    guess = f'did you mean "{plain[near[0]]}"? ' if near else ""
    raise MaterialError(f'unknown material "{key}"', "material", f"{guess}known are: {', '.join(table)}")


def require_number(
    value: float, what: str, *, low: float = 0.0, high: float = math.inf, unit: str = "", hint: str = ""
) -> float:
    """Return `value`, or say why it cannot be: not a number, not finite, or outside of what is possible.

    Args:
        value: what the user gave.
        what: its name in the user's terms, e.g. "device mass".
        low, high: the possible range; `low` itself counts as possible, `high` too.
        unit: of value and range.
        hint: what a value outside usually means; becomes part of the remedy.

    Returns:
        The value as float.

    Raises:
        EnduranceError: it is not a finite number between `low` and `high`.
    """
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
        raise EnduranceError(
            f"{what} is {value!r}, not a number", what, f"give a number{' in ' + unit if unit else ''}"
        )
    if low <= value <= high:
        return float(value)
    room = f"between {low:g} and {high:g}" if math.isfinite(high) else f"of {low:g} or more"
    remedy = f"give a value {room} {unit}".rstrip()
    raise EnduranceError(
        f"{what} is {value:g} {unit}".rstrip(), what, f"{remedy}; {hint}" if hint else remedy
    )


def _strip(key: str) -> str:
    return re.sub(r"[^a-z0-9+]", "", key.lower())


def _parse(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as problem:
        reason = problem.strerror or str(problem)
        raise MaterialError(
            f"the sheet cannot be read: {reason}", str(path), "check the path of the file"
        ) from problem
    except UnicodeDecodeError as problem:
        raise MaterialError(
            "the sheet is not UTF-8 text", str(path), "save it as plain UTF-8 text"
        ) from problem
    except tomllib.TOMLDecodeError as problem:
        remedy = "write it as materials.toml is written, e.g. [asa] and below it hdt_045 = 98"
        raise MaterialError(f"the sheet is not valid TOML: {problem}", str(path), remedy) from problem


def _read_table(raw: dict[str, Any], base: dict[str, Material], file: str) -> dict[str, Material]:
    raw = dict(raw)
    texts = raw.pop("source", {})
    if not isinstance(texts, dict):
        raise MaterialError(
            "source must be a table of texts", f"{file}, source", 'write [source] and below it key = "text"'
        )
    plain = {_strip(k): k for k in base}
    for key, row in raw.items():
        if not isinstance(row, dict):
            raise MaterialError(
                f'"{key}" is not a material row', file, f"write [{key}] and the values below it"
            )
        row = dict(row)
        like = row.pop("like", None)
        start = find_material(like, base) if isinstance(like, str) else base.get(plain.get(_strip(key), ""))
        name = start.key if start is not None and like is None else key
        base[name] = _read_row(name, row, start, texts, file)
        plain[_strip(name)] = name
    return base


def _read_row(
    key: str, row: dict[str, Any], start: Material | None, texts: dict[str, Any], file: str
) -> Material:
    where = f"{file}, [{key}]"
    default = row.pop("source", file)
    known = [*_LIMITS, *_WORDS, "sun"]
    have: dict[str, Any] = {} if start is None else {f.name: getattr(start, f.name) for f in fields(Material)}
    have["key"] = key
    for name, value in row.items():
        place = f"{where} {name}"
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            guess = f'did you mean "{near[0]}"? ' if near else ""
            raise MaterialError(
                f'unknown key "{name}"', where, f"{guess}allowed are: {', '.join([*known, 'like', 'source'])}"
            )
        if name in _WORDS:
            have[name] = _read_word(name, value, place)
        elif name == "sun":
            cell = _read_cell({"value": value} if isinstance(value, str) else value, default, texts, place)
            if cell["value"] not in get_args(Sun):
                raise MaterialError(
                    f'sun is "{cell["value"]}"', place, f"use one of {', '.join(get_args(Sun))}"
                )
            have[name] = Rating(cell["value"], cell["source"], cell["tag"], cell["note"])
        else:
            have[name] = _read_quantity(name, value, default, texts, place)
    missing = [f for f in ("name", "structure", "sun", "density") if f not in have]
    if missing:
        raise MaterialError(
            f"a new material lacks {', '.join(missing)}",
            where,
            'give them, or start from a known row with like = "asa"',
        )
    material = Material(**have)
    _check_order(material, where)
    return material


def _read_word(name: str, value: Any, place: str) -> str:
    if not isinstance(value, str):
        raise MaterialError(f"{name} is {value!r}, not a text", place, f'write {name} = "..."')
    if name == "structure" and value not in get_args(Structure):
        raise MaterialError(f'structure is "{value}"', place, f"use one of {', '.join(get_args(Structure))}")
    return value


def _read_cell(value: Any, default: str, texts: dict[str, Any], place: str) -> dict[str, Any]:
    """Bring a cell to { value/low/high, source in words, tag, note }."""
    if not isinstance(value, dict):
        value = {"value": value}
    allowed = ("value", "low", "high", "source", "tag", "note")
    for name in value:
        if name not in allowed:
            raise MaterialError(f'unknown key "{name}"', place, f"allowed are: {', '.join(allowed)}")
    source = str(value.get("source", default))
    words = source.split()
    if words and all(w in texts for w in words):
        source = "; ".join(str(texts[w]) for w in words)
    tag = value.get("tag", OWN_SHEET)
    if tag not in get_args(Tag):
        raise MaterialError(f'tag is "{tag}"', place, f"use one of {', '.join(get_args(Tag))}")
    return {**value, "source": source, "tag": tag, "note": str(value.get("note", ""))}


def _read_quantity(name: str, value: Any, default: str, texts: dict[str, Any], place: str) -> Quantity:
    cell = _read_cell(value, default, texts, place)
    unit, (lowest, highest), slip = _LIMITS[name]
    numbers = {k: cell[k] for k in ("value", "low", "high") if k in cell}
    for k, number in numbers.items():
        if not isinstance(number, (int, float)) or isinstance(number, bool):
            raise MaterialError(
                f"{name} is {number!r}, not a number", place, f"give {k} as a number in {unit}"
            )
        if not lowest <= number <= highest:
            remedy = f"give it in {unit}, between {lowest:g} and {highest:g}" + (f"; {slip}" if slip else "")
            raise MaterialError(f"{name} is {number:g}", place, remedy)
    if "value" not in numbers and not {"low", "high"} <= numbers.keys():
        raise MaterialError(f"{name} has no value", place, "give value, or low and high")
    low = float(numbers.get("low", numbers.get("value", math.nan)))
    high = float(numbers.get("high", numbers.get("value", math.nan)))
    middle = float(numbers.get("value", (low + high) / 2.0))
    if not low <= middle <= high:
        raise MaterialError(
            f"{name} runs from {low:g} over {middle:g} to {high:g}", place, "order them low, value, high"
        )
    return Quantity(middle, low, high, unit, cell["source"], cast(Tag, cell["tag"]), cell["note"])


def _check_order(material: Material, where: str) -> None:
    """More load bends a bar at a lower temperature, and a strain allowed again and again is allowed once."""
    pairs = (("hdt_180", "hdt_045"), ("snap_repeated_pct", "snap_once_pct"))
    for small, large in pairs:
        a, b = getattr(material, small), getattr(material, large)
        if a is not None and b is not None and a.low > b.low:
            raise MaterialError(
                f"{small} {a.low:g} is above {large} {b.low:g}",
                where,
                f"check the two; if only one is new, give {small} as well as {large}",
            )
