"""The pull tab: a tongue at the upper side of a tray that stands out of the mouth."""

from __future__ import annotations

from math import ceil
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import lid_height
from mountgen.errors import FeatureError
from mountgen.features.flange import Border
from mountgen.features.rounding import TWO_EDGES, round_edges
from mountgen.field import InsertableSpace
from mountgen.kernel import Solid, combine_many, solids_of
from mountgen.recipe_tables import PullTab
from mountgen.shape import UPRIGHT, Axes, Outline, extrude, make_cylinder, round_polygon

ROOTS = (6.0, 4.0, 2.5)  # mm below the mouth; how deep the tongue is rooted in the tray's wall, the first that has room
INSET = 0.03  # mm by which it keeps inside the tray's own outer surface
WIDEST, NARROWEST = 18.0, 8.0  # mm; of a tongue whose width is left open
STEP = 0.25  # mm between the places tried
SAG = 3.0  # mm by which the mouth's edge may curve away behind the tongue, or the tongue's thickness where that is more
AIM = 0.02  # mm of height that a place may lose for each mm it is nearer to the middle
HOLE, BRIDGE = (9.0, 22.0), 4.0  # mm; a finger's hole, least and largest, and what must be left around it
EASED = 0.3  # of a flange's rounding by which what fills up beside it ends below its top: there the rounding slopes by 45 degrees
LAP = 0.1  # mm below the mouth from which the filling reaches as far out as the mouth
BEAD = 1.2  # mm by which a bead without room for a hole stands out, towards the inside


def make_pull_tab(
    space: InsertableSpace, outline: Floats, tab: PullTab, *, wall: float, radius: float, border: Border | None = None,
    root: float = ROOTS[0],
) -> Solid:  # fmt: skip
    """Make the tongue, to be united with the tray.

    Args:
        space: the tray's insertable space.
        outline: (K, 2) mm, the tray's outer outline `root` below the mouth: the tongue keeps inside it over its whole length.
        tab: the recipe's table.
        wall: the tray's wall, mm.
        radius: rounding of its edges, mm.
        border: the tray's flange.
        root: mm below the mouth; how deep it is rooted in the tray's wall.

    Raises:
        FeatureError: the mouth's upper side is too narrow or too curved; says the largest width that would fit.
    """
    import shapely

    region = shapely.make_valid(shapely.Polygon(outline)).buffer(-INSET)
    x, top, bottom = _upper_edge(region)
    width, (middle, outer) = _place_tongue(x, top, bottom, tab)
    tab = tab.model_copy(update={"width": width})
    low, high = middle - 0.5 * width, middle + 0.5 * width
    edge = np.column_stack([np.linspace(low, high, 41), np.full(41, outer)])
    level = lid_height(space.lid, edge[:, 0], edge[:, 1])
    foot, brow = float(level.min()) - root, float(level.max())
    side = _side(outer, tab, wall, foot, brow + tab.length, radius)
    across = Axes(np.array([low, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    tongue = extrude(side, axes=across, height=width)
    front = _front(low, high, foot, brow + tab.length, min(0.35 * width, 0.8 * tab.length))
    facing = Axes(np.array([0.0, outer + 20.0, 0.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]))
    tongue = combine_many(tongue, [extrude(front, axes=facing, height=60.0)], "common", what="pull tab")
    hole = find_hole(tab)
    if hole > 0.0:
        base = np.array([middle, outer + 20.0, brow + tab.length - BRIDGE - 0.5 * hole])
        bore = make_cylinder(base, np.array([0.0, -1.0, 0.0]), radius=0.5 * hole, height=60.0)
        tongue = combine_many(tongue, [bore], "cut", what="pull tab")
    tongue = _round_tongue(tongue, brow, min(radius, TWO_EDGES * tab.thickness))
    strip = shapely.box(low, outer - 0.5 * min(tab.thickness, wall), high, region.bounds[3] + SAG)
    fills = [_fill(region, strip, foot, float(level.min()))]
    if border is not None:  # or a slot would be left between the tongue's back and the flange's edge, narrow where they meet
        ledge = border.top_height(edge[:, 0], edge[:, 1]).min() - EASED * min(border.radius, border.thickness)
        mouth = shapely.make_valid(shapely.Polygon(space.mouth)).buffer(-INSET)
        if ledge > brow:
            fills = [_fill(region, strip, foot, float(ledge)), _fill(mouth, strip, brow - LAP, float(ledge))]
    return combine_many(tongue, fills, "fuse", what="pull tab")


def _round_tongue(tongue: Solid, brow: float, radius: float) -> Solid:
    """Return a tongue with all edges rounded that stand out of the mouth, those of its hole too."""
    (solid,) = solids_of(tongue)[:1] or [tongue]
    return round_edges(solid, lambda points: bool(points[:, 2].max() > brow), radius=radius)


def find_hole(tab: PullTab) -> float:
    """Return the diameter of the finger's hole that a tongue has room for, mm; 0 for none, then it gets a bead."""
    room = min((tab.width or WIDEST) - 2.0 * BRIDGE, tab.length - 2.0 * BRIDGE, HOLE[1])
    return room if room >= HOLE[0] else 0.0


def _upper_edge(region: Any) -> tuple[Floats, Floats, Floats]:
    """Return x (N,), and the region's highest and next lower y above each x, (N,) mm."""
    import shapely

    x0, y0, x1, y1 = region.bounds
    x = np.arange(x0 + 0.1, x1 - 0.05, STEP)
    top, bottom = np.full(len(x), -np.inf), np.full(len(x), np.inf)
    for k, at in enumerate(x):
        cut = shapely.intersection(region, shapely.LineString([(at, y0 - 1.0), (at, y1 + 1.0)]))
        spans = [g.bounds for g in shapely.get_parts(cut) if g.length > 0.0]
        if spans:
            span = max(spans, key=lambda b: b[3])
            top[k], bottom[k] = span[3], span[1]
    return x, top, bottom


def _place_tongue(x: Floats, top: Floats, bottom: Floats, tab: PullTab) -> tuple[float, tuple[float, float]]:
    """Return a tongue's width, mm, the greatest with room where it is left open, and its place as `_find_place` does.

    Raises:
        FeatureError: it has no room; says the largest width that would fit.
    """
    widest = WIDEST if tab.width is None else tab.width
    for width in (widest, *np.arange(0.5 * ceil(2.0 * widest) - 0.5, 2.0, -0.5).tolist()):
        place = _find_place(x, top, bottom, width, tab.thickness)
        if place is None:
            continue
        if width == widest or (tab.width is None and width >= NARROWEST):
            return width, place
        break
    least = NARROWEST if tab.width is None else widest
    remedy = "leave the tab out" if place is None else f"give {width:g} mm or less"
    raise FeatureError(f"a tongue {least:g} mm wide has no room at the mouth's upper side", "pull_tab.width", remedy)


def _find_place(x: Floats, top: Floats, bottom: Floats, width: float, thickness: float) -> tuple[float, float] | None:
    """Return the tongue's middle and the y of its outer face: the highest place, near the middle, where it fits."""
    from numpy.lib.stride_tricks import sliding_window_view

    count = int(np.ceil(width / STEP)) + 1
    if count > len(x):
        return None
    spans = sliding_window_view(top, count)
    outer, sag = spans.min(axis=1), np.ptp(spans, axis=1)
    room = outer - sliding_window_view(bottom, count).max(axis=1)
    middle = sliding_window_view(x, count).mean(axis=1)
    fits = (sag <= max(SAG, thickness)) & (room >= thickness + 3.0)
    if not fits.any():
        return None
    best = int(np.argmax(np.where(fits, outer - AIM * np.abs(middle), -np.inf)))
    return float(middle[best]), float(outer[best])


def _side(outer: float, tab: PullTab, wall: float, foot: float, tip: float, radius: float) -> Outline:
    """Return the tongue seen from the side, (y, z): its foot runs out into the wall; a bead where no hole fits."""
    inner = outer - tab.thickness
    sunk = outer - 0.5 * min(tab.thickness, wall)
    edge = min(radius, 0.49 * tab.thickness)
    points = [(sunk, foot), (outer, foot), (outer, tip)]
    radii = [0.0, 0.0, 0.0]
    if find_hole(tab) > 0.0 or tab.length < 4.0 * BEAD:
        points += [(inner, tip)]
        radii += [0.0]
    else:
        points += [(inner - BEAD, tip), (inner - BEAD, tip - 2.0 * BEAD), (inner, tip - 3.0 * BEAD)]
        radii += [min(BEAD, 1.5 * edge), min(0.5 * BEAD, edge), edge]
    points.append((inner, foot + (sunk - inner)))  # 45 degrees: it prints without support
    return round_polygon(points, [*radii, 0.0])


def _front(low: float, high: float, foot: float, tip: float, corner: float) -> Outline:
    return round_polygon([(low, foot - 1.0), (high, foot - 1.0), (high, tip), (low, tip)], [0.0, 0.0, corner, corner])


def _fill(region: Any, strip: Any, foot: float, brow: float) -> Solid:
    """Return what of a region, in plan, lies between a tongue and a curved wall, filled from one height up to another."""
    import shapely

    parts = [g for g in shapely.get_parts(shapely.intersection(region, strip)) if g.geom_type == "Polygon"]
    plan = max(parts, key=lambda g: g.area).simplify(0.5 * INSET)
    block = round_polygon(np.asarray(plan.exterior.coords)[:-1, :2], 0.0)
    axes = Axes(np.array([0.0, 0.0, foot]), UPRIGHT.right, UPRIGHT.up)
    return extrude(block, axes=axes, height=brow - foot - INSET)
