"""What to do about a gap that fuses in printing: what of a recipe can have made it, with the size that would leave it open."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil, floor
from typing import Any

from mountgen.features.part import SoftZone
from mountgen.recipe import PhoneShelfRecipe, TrayRecipe
from mountgen.recipe_tables import BlockBody
from mountgen.service.case import Case

SPARE = 0.05  # mm by which a gap is made wider than a line
ALIKE = 0.1  # mm by which a gap may differ from the size of the recipe that made it: its grid, and facets
BESIDE = 2.0  # mm beside a feature that still count as its place
AT_LEAST = 0.4  # mm of a wall that is made thinner so that a gap becomes wider


def advise_gap(case: Case, gap: float, middle: tuple[float, float, float], *, name: str) -> str:
    """Return what opens a gap, made again and found open; else what makes it and what can be done instead.

    Args:
        case: the part.
        gap: mm.
        middle: of the gap, part frame.
        name: of the check it failed.
    """
    recipe, choices = case.recipe, list(list_wider(case, gap, middle))
    found = case.find_mending(name, choices)
    if found:
        return found
    keys = sorted({key for each in choices for key in each})
    if keys:
        return f"widen the feature there ({', '.join(keys)}), or let it fuse if nothing has to go in"
    asked = recipe.fit.clearance
    wanted = ceil(20.0 * (asked + 0.5 * (recipe.printer.line_width + SPARE - gap)) - 1e-6) / 20.0  # both its faces stand back
    if 2.0 * asked < recipe.printer.line_width:
        return f"it follows the recess there: set fit.clearance = {wanted:g}, or let it fuse if nothing has to go in"
    return (
        "no key of the recipe made it, it follows the recess there: let it fuse if nothing has to go in, or cut it open "
        "with a knife"
    )


def list_wider(case: Case, gap: float, middle: tuple[float, float, float]) -> Iterator[dict[str, Any]]:
    """Yield settings by key that may widen a gap to a line and a little, what is surest to have made it first."""
    recipe = case.recipe
    wanted = recipe.printer.line_width + SPARE
    if isinstance(recipe, PhoneShelfRecipe):
        yield from _list_shelf(recipe, case.part.soft, gap, middle, wanted)
    if isinstance(recipe, TrayRecipe):
        yield from _list_tray(recipe, gap, wanted)
    wall = recipe.body.wall
    if isinstance(recipe.body, BlockBody) and wall is not None:
        if recipe.body.ribs:
            yield {"body.ribs": recipe.body.ribs - 1}
        thinner = floor(10.0 * (wall - (wanted - gap)) + 1e-6) / 10.0
        if thinner >= max(AT_LEAST, recipe.printer.line_width):
            yield {"body.wall": thinner}
        yield {"body.wall": False} | ({"body.ribs": 0} if recipe.body.ribs else {})


def _list_shelf(
    recipe: PhoneShelfRecipe, soft: tuple[SoftZone, ...], gap: float, middle: tuple[float, float, float], wanted: float
) -> Iterator[dict[str, Any]]:
    cable, lip, tabs = recipe.cable, recipe.lip, recipe.tabs
    if cable is not None and abs(cable.width - gap) < ALIKE and abs(middle[0] - cable.place) < 0.5 * cable.width + BESIDE:
        yield {"cable.width": _up(wanted)}
    if recipe.drains is not None and abs(recipe.drains.diameter - gap) < ALIKE:
        yield {"drains.diameter": _up(wanted + ALIKE)}
    if tabs is not None and any(_holds(zone, middle) for zone in soft if "tab" in zone.name):
        yield {"tabs.thickness": _up(tabs.thickness + wanted - gap)}
    if lip is not None and lip.scoop > 0.0 and abs(middle[0] - recipe.device.place) < 0.5 * lip.scoop + BESIDE:
        yield {"lip.scoop": 0.0}
    yield {"device.play": _up(recipe.device.play + wanted - gap)}


def _list_tray(recipe: TrayRecipe, gap: float, wanted: float) -> Iterator[dict[str, Any]]:
    tongue, dividers, wall = recipe.pull_tab, recipe.dividers, recipe.body.wall
    if tongue is not None:
        thinner = floor(10.0 * (tongue.thickness - (wanted - gap)) + 1e-6) / 10.0
        if thinner >= max(2.0 * recipe.body.edge_radius, recipe.printer.line_width):
            yield {"pull_tab.thickness": thinner}
    if dividers is not None:
        for key in ("count_x", "count_y"):
            if count := getattr(dividers, key):
                yield {f"dividers.{key}": count - 1} if dividers.count_x + dividers.count_y > 1 else {"dividers": False}
    thinner = floor(10.0 * (wall - 0.5 * (wanted - gap)) + 1e-6) / 10.0
    if thinner >= max(AT_LEAST, recipe.printer.line_width):
        yield {"body.wall": thinner}


def _holds(zone: SoftZone, point: tuple[float, float, float]) -> bool:
    return all(low - BESIDE <= v <= high + BESIDE for v, low, high in zip(point, zone.low, zone.high, strict=True))


def _up(size: float) -> float:
    """Return a size rounded up to a tenth."""
    return ceil(10.0 * size - 1e-6) / 10.0
