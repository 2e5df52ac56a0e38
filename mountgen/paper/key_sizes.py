"""The key sizes of a part, each read off from the finished mesh: where a drawing puts dimension lines beside the overall ones.

The recipe says only where to look. What is drawn and written is what a line through the mesh meets there, so a drawing never
shows a size that the part does not have; a size that is not to be found where it should be is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import degrees
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Floats
from mountgen.mesh_measure import measure_bounds
from mountgen.outline import Facing, cut_flat
from mountgen.paper.probe import Span, probe_line
from mountgen.paper.views import ABOVE, FRONT, LEFT, Look

if TYPE_CHECKING:
    from mountgen.kernel import Mesh
    from mountgen.recipe import PhoneShelfRecipe
    from mountgen.recipe_tables import Dividers
    from mountgen.service.case import Case

X, Y, Z = np.eye(3)
ROUND = "\N{LATIN CAPITAL LETTER O WITH STROKE}"  # stands for a diameter; the usual sign is in none of the PDF's own fonts
INSIDE = 1.5  # mm inside an edge at which what ends there is measured
BESIDE = 2.0  # mm beside a feature at which what goes on there is measured
THICKEST = 20.0  # mm; a wall is no thicker, or the body is solid
SQUARE = 0.2  # sine of the angle to the normal; what a line meets more askew is no thickness and no width
WHOLE = 0.8  # of the part's depth; what is thicker is no floor
SLIGHT = 0.3  # mm by which a size must differ from an overall one to be told


@dataclass(frozen=True, eq=False)
class Size:
    """A length between two points of the part, to be drawn along one axis of a view.

    look: the view; start, end: (3,) mm; level: whether it is measured from left to right there, or from bottom to top.
    outwards: 1 if its line stands above or at the right of the view, -1 below or at the left.
    """

    look: Look
    start: Floats
    end: Floats
    level: bool
    outwards: int


@dataclass(frozen=True, eq=False)
class Lean:
    """An angle in a view. apex: (3,) mm; first, second: (3,) unit, its legs; deg: between them."""

    look: Look
    apex: Floats
    first: Floats
    second: Floats
    deg: float


@dataclass(frozen=True, eq=False)
class Callout:
    """Words that point at a place of a view. point: (3,) mm."""

    look: Look
    point: Floats
    words: str


Shown = Size | Lean | Callout


def find_key_sizes(case: Case) -> tuple[Shown, ...]:
    """Return what a drawing dimensions besides the overall sizes.

    Args:
        case: the part in its recess, as made.

    Returns:
        Sizes, angles and callouts, measured on the finished mesh; none of what is not there.
    """
    recipe, mesh = case.recipe, case.part.body.mesh
    found: list[Shown] = []
    if recipe.kind == "phone-shelf":
        found += _measure_shelf(case, mesh)
    else:
        hollow = recipe.kind == "tray" or recipe.body.wall is not None
        found += _measure_mouth(mesh, getattr(recipe, "dividers", None) if recipe.kind == "tray" else None, hollow=hollow)
    found += _call_out(case)
    return tuple(found)


def _solid(spans: Sequence[Span], at: int = 0) -> Span | None:
    solids = [span for span in spans if span.solid]
    return solids[at] if len(solids) > abs(at) or (at < 0 and solids) else None


def _void_about(spans: Sequence[Span], point: Floats, along: Floats) -> Span | None:
    """Return the gap of a line in which a point lies."""
    for span in spans:
        low, high = sorted((float(span.start @ along), float(span.end @ along)))
        if not span.solid and low <= float(point @ along) <= high:
            return span
    return None


# --- phone shelf ---


def _measure_shelf(case: Case, mesh: Mesh) -> Iterator[Shown]:
    from mountgen.features.phone_shelf import plan_shelf
    from mountgen.features.seat import pose_device
    from mountgen.recipe import PhoneShelfRecipe

    recipe = case.recipe
    assert isinstance(recipe, PhoneShelfRecipe)
    profile = plan_shelf(case.recess, recipe)
    pose = pose_device(profile, recipe.device)

    def place(x: float, s: float, h: float) -> Floats:
        return np.asarray(profile.place(np.array([x]), np.array([[s, h]]))[0])

    back = profile.lip_back(pose.low, pose.high)
    plain = _find_plain(recipe, pose.low)
    deck = profile.deck(back + 1.0)
    if profile.lip_height and plain is not None:
        half = 0.5 * profile.lip_height
        across = _void_about(probe_line(mesh, place(0.0, back + 0.8, deck + half), X), place(plain, back, deck), X)
        if across is not None:
            yield Size(ABOVE, across.start, across.end, level=True, outwards=-1)
        lip = _solid(probe_line(mesh, place(plain, 0.0, deck + half), profile.inwards))
        seat = _solid(probe_line(mesh, place(plain, back + 0.8, 0.0), -profile.up))
        if lip is not None and seat is not None and lip.length < THICKEST:
            top = _solid(probe_line(mesh, 0.5 * (lip.start + lip.end), -profile.up))
            yield Size(LEFT, lip.end, lip.start, level=True, outwards=-1)
            if top is not None:
                yield Size(LEFT, seat.start, top.start, level=False, outwards=1)
                yield Size(LEFT, seat.end, seat.start, level=False, outwards=1)
    if recipe.cable is not None:
        front = float(profile.front_edge(np.array([recipe.cable.place]), -2.0)[0, 0])
        at = place(recipe.cable.place, front + 0.5 * max(profile.lip_depth, 3.0), deck - 2.0)
        slot = _void_about(probe_line(mesh, at, X), at, X)
        if slot is not None:
            yield Size(FRONT, slot.start, slot.end, level=True, outwards=-1)
    if recipe.device.pose == "leaning" and plain is not None:
        yield from _measure_lean(mesh, place(plain, 0.0, 0.0), profile.up, profile.inwards, deck + 3.0)


def _find_plain(recipe: PhoneShelfRecipe, low: float) -> float | None:
    """Return an x under the device's left half where neither scoop nor slot is, mm; None where they leave no room."""
    ends = []
    if recipe.lip is not None and recipe.lip.scoop > 0.0:
        ends.append(recipe.device.place - 0.5 * recipe.lip.scoop - 4.0)
    if recipe.cable is not None:
        ends.append(recipe.cable.place - 0.5 * recipe.cable.width - 2.0)
    first, last = low + BESIDE, min([recipe.device.place, *ends])
    return None if last < first else 0.3 * first + 0.7 * last


def _measure_lean(mesh: Mesh, origin: Floats, up: Floats, inwards: Floats, low: float) -> Iterator[Lean]:
    """Measure how far the rest leans back, from where two level lines meet it.

    origin: any point, its x counts; low: height of the lower line along `up`, above that of the mouth's lowest point, mm.
    """
    met = []
    for height in (low + 8.0, low + 20.0):
        span = _solid(probe_line(mesh, origin + height * up, inwards), -1)
        if span is None:
            return
        met.append(span.start)
    leg = (met[1] - met[0]) / np.linalg.norm(met[1] - met[0])
    deg = degrees(np.arccos(np.clip(leg @ up, -1.0, 1.0)))
    if deg > 1.0:
        yield Lean(LEFT, met[0] - (met[0] @ up - origin @ up - low) / max(float(leg @ up), 0.1) * leg, up, leg, deg)


# --- plug and tray ---


def _measure_mouth(mesh: Mesh, dividers: Dividers | None, *, hollow: bool) -> Iterator[Shown]:
    """Measure what is bounded by a flange or the mouth: neck, flange, walls, rooms, floor."""
    low, high = (np.asarray(v) for v in measure_bounds(mesh))
    counts = (1, 1) if dividers is None else (dividers.count_x + 1, dividers.count_y + 1)
    outermost = mesh.vertices[mesh.vertices[:, 0] < low[0] + 0.1 * INSIDE]
    column = probe_line(mesh, np.array([low[0] + INSIDE, outermost[:, 1].mean(), 0.0]), Z)
    plate = _solid(column, -1)
    flanged = plate is not None and len(column) == 1 and plate.length < min(THICKEST, 0.5 * (high[2] - low[2]))
    flanged = flanged and plate is not None and plate.askew < SQUARE  # or it is a side that leans
    brow = float(high[2]) if plate is None else float(plate.end[2])  # of flange or wall: a tongue may stand higher
    top = float(plate.start[2]) - 1.0 if flanged and plate is not None else brow - 3.0
    if flanged and plate is not None:
        yield Size(LEFT, plate.start, plate.end, level=True, outwards=-1)
    yield from _measure_neck(mesh, low, high, top)
    if not hollow:
        return
    level = low[2] + 0.5 * (top - low[2])
    for axis, is_level in ((0, True), (1, False)):
        yield from _measure_rooms(mesh, low, high, level, axis, counts[1 - axis], is_level)
    yield from _measure_depth(mesh, low, high, counts, plate, flanged=flanged)


def _measure_rooms(
    mesh: Mesh, low: Floats, high: Floats, level: float, axis: int, count: int, is_level: bool
) -> Iterator[Size]:
    """Measure the walls and the rooms between them where a line along an axis meets them squarely.

    count: of rooms that the line may run through, side by side.
    """
    across = 1 - axis
    for share in _list_shares(count):
        origin = np.array([0.0, 0.0, level])
        origin[across] = low[across] + share * (high - low)[across]
        spans = probe_line(mesh, origin, np.eye(3)[axis])
        wall, inner = _solid(spans), [span for span in spans if not span.solid]
        if wall is None or not inner or wall.length > THICKEST or max(span.askew for span in (wall, *inner)) > SQUARE:
            continue
        if is_level:
            yield Size(FRONT, wall.start, wall.end, level=True, outwards=-1)
        for span in inner:
            yield Size(FRONT, span.start, span.end, level=is_level, outwards=-1 if is_level else 1)
        return


def _list_shares(count: int) -> list[float]:
    """Return where to look for the middles of rooms side by side, as shares of the whole, those in the middle first."""
    middles = [(k + 0.5) / count for k in range(count)]
    return sorted((*middles, 0.25, 0.35, 0.65, 0.75), key=lambda share: abs(share - 0.5))


def _measure_neck(mesh: Mesh, low: Floats, high: Floats, top: float) -> Iterator[Size]:
    """Measure the width below the mouth or flange, and at the bottom, where draft has made it narrower."""
    told = [float(high[0] - low[0])]
    for z, side in ((top, -1), (low[2] + 0.15 * (top - low[2]), 1)):
        pieces = cut_flat(mesh, 2, float(z), Facing(X, Y, "")).reshape(-1, 2)
        if len(pieces) == 0:
            continue
        start, end = (np.array([*pieces[at], z]) for at in (np.argmin(pieces[:, 0]), np.argmax(pieces[:, 0])))
        width = float(end[0] - start[0])
        if min(abs(width - other) for other in told) > SLIGHT:
            told.append(width)
            yield Size(ABOVE, start, end, level=True, outwards=side)


def _measure_depth(
    mesh: Mesh, low: Floats, high: Floats, counts: tuple[int, int], edge: Span | None, *, flanged: bool
) -> Iterator[Size]:
    """Measure floor and room above it, or the lid of what is hollow below, unless the flange says the same.

    edge: what stands at the outermost edge, the flange or the wall; up to there a room counts.
    """
    for x, y in ((u, v) for u in _list_shares(counts[0]) for v in _list_shares(counts[1])):
        place = np.array([*(low + np.array([x, y, 0.0]) * (high - low))[:2], 0.0])
        plate = _solid(probe_line(mesh, place, Z))
        if plate is None or plate.length > min(THICKEST, WHOLE * float(high[2] - low[2])) or plate.askew > SQUARE:
            continue
        if not flanged or edge is None or abs(plate.length - edge.length) > 0.05:
            yield Size(LEFT, plate.start, plate.end, level=True, outwards=-1)
        if edge is not None and float(plate.end[2]) < edge.end[2] - 1.0:  # open at the mouth
            yield Size(LEFT, plate.end, edge.end, level=True, outwards=-1)
        return


# --- words ---


def _call_out(case: Case) -> Iterator[Callout]:
    recipe, part = case.recipe, case.part
    drains, tape = getattr(recipe, "drains", None), getattr(recipe, "tape", None)
    if drains is not None and recipe.kind == "phone-shelf":
        at = _find_drain(case)
        if at is not None:
            yield Callout(ABOVE, at, f"{drains.count} \N{MULTIPLICATION SIGN} {ROUND}{drains.diameter:g}")
    if part.pads and tape is not None:
        pad = part.pads[-1]
        corner = pad.middle + 0.5 * tape.length * pad.spot.right
        count = f"{len(part.pads)} \N{MULTIPLICATION SIGN} " if len(part.pads) > 1 else ""
        yield Callout(FRONT, corner, f"{count}tape {tape.length:g} \N{MULTIPLICATION SIGN} {tape.width:g}")


def _find_drain(case: Case) -> Floats | None:
    """Return the edge of the drain hole that is farthest to the right; None where a line finds no hole of that size there."""
    from mountgen.features.drain import place_drains
    from mountgen.features.phone_shelf import plan_shelf
    from mountgen.features.seat import pose_device
    from mountgen.recipe import PhoneShelfRecipe

    recipe = case.recipe
    assert isinstance(recipe, PhoneShelfRecipe)
    assert recipe.drains is not None
    profile = plan_shelf(case.recess, recipe)
    pose = pose_device(profile, recipe.device)
    x = max(place_drains(pose, recipe.drains, cable=recipe.cable))
    side = pose.outline()
    low_s, high_s = float(side[:, 0].min()), float(pose.foot[0])
    for s in np.linspace(low_s, high_s, 60):
        at = np.asarray(profile.place(np.array([x]), np.array([[s, profile.deck(float(s)) - 2.0]]))[0])
        hole = _void_about(probe_line(case.part.body.mesh, at, X), at, X)
        if hole is not None and abs(hole.length - recipe.drains.diameter) < 0.15:
            return np.asarray(0.5 * (hole.start + hole.end) + 0.5 * hole.length * X)
    return None
