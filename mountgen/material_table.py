"""The material table as rows of text, for people: every value with its range and how sure it is. A leaf."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from math import isfinite

from mountgen.heat import Softening
from mountgen.material import Material, Quantity, Rating, Tag

MARKS: dict[Tag, str] = {"read": "", "common practice": " c", "from memory": " m", "our rule": " r"}
LEGEND = (
    "no mark: its source was read; c: common practice, from trade pages; m: from memory, unverified; r: our rule. "
    "A dash: not known."
)
ABOUT = (
    "Values of moulded or bulk plastic where a material's own page does not say printed. Checks take the cautious end of a "
    "range. Deflection temperatures compare plastics and are no rating. Your spool's own values go into a sheet: "
    "a TOML file with [asa] and below it, for example, hdt_045 = 98; name it with sheet in the recipe, or with --sheet."
)
HEAT = (
    ("deflects at\n0.45 MPa", "hdt_045"),
    ("at 1.80\nMPa", "hdt_180"),
    ("glass\ntransition", "glass_transition"),
    ("\nVicat", "vicat"),
    ("service\nlimit", "service_limit"),
    ("sun-\nlight", "sun"),
)
LOAD = (
    ("modulus\nMPa", "modulus"),
    ("strength\nflat, MPa", "strength_xy"),
    ("upright\nMPa", "strength_z"),
    ("snap strain\nonce, %", "snap_once_pct"),
    ("repeated\n%", "snap_repeated_pct"),
)
SIZE = (
    ("density\ng/cm³", "density"),
    ("shrinkage\n%", "shrinkage_pct"),
    ("expansion\nµm/(m·K)", "expansion"),
    ("surface\nenergy, mN/m", "surface_energy"),
)


@dataclass(frozen=True)
class Grid:
    """A table of text. right: numbers of the columns that are set to the right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()


def tabulate_materials(materials: Mapping[str, Material]) -> tuple[Grid, ...]:
    """Return all materials: what they bear of heat, what of load, and how their size and surface behave."""
    grids = []
    for title, columns in (("heat, °C, and sun", HEAT), ("load", LOAD), ("size and surface", SIZE)):
        rows = [(key, *(word_value(getattr(each, name)) for _, name in columns)) for key, each in materials.items()]
        titles = ("material", *(words for words, _ in columns))
        grids.append(Grid(title, titles, tuple(rows), frozenset(range(1, len(titles)))))
    return tuple(grids)


def tabulate_material(material: Material) -> Grid:
    """Return one material, a value a row with its source."""
    rows = []
    for field in fields(Material):
        value = getattr(material, field.name)
        if isinstance(value, Quantity | Rating):
            source = f"{value.source}; {value.note}" if value.note else value.source
            unit = value.unit if isinstance(value, Quantity) else ""
            rows.append((field.name, word_value(value).removesuffix(MARKS[value.tag]), unit, value.tag, source))
    title = f"{material.name} ({material.key}), {material.structure}"
    return Grid(title, ("key", "value", "unit", "how sure", "source"), tuple(rows), frozenset({1}))


def tabulate_ranking(ranked: Sequence[Softening]) -> Grid:
    """Return materials as `heat.rank_materials` ranks them, with their margins and why."""
    rows = []
    for each in ranked:
        passes = f"{each.pass_to_c:g}" if isfinite(each.pass_to_c) else "-"
        margin = f"{each.margin_k:+.0f}" if isfinite(each.margin_k) else "-"
        why = f"{each.why} ({each.tag})" if isfinite(each.pass_to_c) else each.why
        rows.append((each.verdict, each.material, passes, margin, why))
    return Grid("", ("verdict", "material", "passes to, °C", "margin, K", "what decides"), tuple(rows), frozenset({2, 3}))


def word_value(value: Quantity | Rating | None) -> str:
    """Return a value with its range and its mark, or a dash."""
    if value is None:
        return "-"
    if isinstance(value, Rating):
        return f"{value.value}{MARKS[value.tag]}"
    if value.low == value.high:
        return f"{value.value:g}{MARKS[value.tag]}"
    joint = " to " if value.low < 0.0 else "-"
    return f"{value.low:g}{joint}{value.high:g}{MARKS[value.tag]}"
