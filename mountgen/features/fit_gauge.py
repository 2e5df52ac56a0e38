"""The fit gauge: the largest insertable body cut down to thin plates, the cheapest print that proves the fit.

A frame just below the mouth carries three or four upright plates across, joined by a spine, an upright plate along the mouth.
All of them are cut out of the body with planes, so their edges are its own surface, with its clearance, on floor, walls and
outline, and what goes in as the body goes in as the gauge. It is printed standing on its frame: draft makes every plate lean
inwards from there, and windows end in pitched roofs, so that nothing needs support. Dropped: plates across the draw direction,
which hang in the air (more support than plastic). A skin of the contact surface (`skin_gauge`) is heavier.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
import shapely.affinity

from mountgen.arrays import Floats
from mountgen.block import make_block
from mountgen.datum import lid_height
from mountgen.errors import FeatureError
from mountgen.features.part import Part
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Mesh, Solid, combine_many, tessellate
from mountgen.letters import write_text
from mountgen.loft import Shell
from mountgen.outline import Facing, chain_pieces, cut_flat, fill_rings
from mountgen.place import clock_position
from mountgen.shape import Axes, extrude, make_box, require_one_solid, round_polygon

RING, STRUT = 4.5, 4.0  # mm, width of what is left around windows, and between two of them
PAD = 7.5  # mm beside a plate on which it is labelled
LINES = 3  # printed lines side by side that a plate is thick
RAISED, LETTER, LETTER_LINES = 0.6, 4.6, 2  # mm the text stands up, mm its height, printed lines a stroke
UNDER_LID = 0.2  # mm from the lid's lowest point to the frame, which is flat
SHARES = {3: (0.15, 0.5, 0.85), 4: (0.1, 0.37, 0.63, 0.9)}  # of the mouth's length at which plates stand
LONG = 120.0  # mm; a mouth longer than that gets four plates
LEAST_DEPTH = 4.0  # plate thicknesses; a shallower body is hardly more than the frame
WIDEST_WINDOW = 24.0  # mm; its roof then takes 12 mm
LEAST_WINDOW = 40.0  # mm² that are worth leaving out
PLACES = 60  # tried for a label, from where it belongs towards the middle
COARSE = 0.1  # mm, chord of the mesh from which windows are drawn
BEYOND = 5.0  # mm by which the tool is larger than the body
CHOP = 0.35  # mm by which a window's outline is simplified
ACROSS, UP, OUT = np.eye(3)


@dataclass(frozen=True)
class Plate:
    """One upright plate.

    axis : 0 or 1, of the part frame, that it is square to; at: where its middle is, mm.
    clock: hours at its two ends.
    area : of the body's section there, mm².
    """

    axis: int
    at: float
    clock: tuple[int, int]
    area: float


@dataclass(frozen=True, eq=False)
class FitGauge:
    """A fit gauge.

    part : what is printed.
    plates, thickness: those across, then the spine; mm, of each.
    skin : area of the whole body's surface without its lid, mm².
    labelled: whether it has its numbers.
    """

    part: Part
    plates: tuple[Plate, ...]
    thickness: float
    skin: float
    labelled: bool = True


@dataclass(frozen=True, eq=False)
class _Body:
    """What the plates are cut from. mesh: coarse; bounds: of the part in plan; top: z of the frame's upper face, mm."""

    mesh: Mesh
    bounds: Any
    top: float
    thickness: float

    def across(self, z: float) -> Any:
        """Return the section at a height, as a region of x and y."""
        return self._cut(2, z, Facing(ACROSS, UP, "")).intersection(self.bounds)

    def upright(self, axis: int, at: float) -> Any:
        """Return the section square to x (0) or y (1), as a region of the other one and z, up to the frame."""
        along = 1 - axis
        low, high = self.bounds.bounds[along], self.bounds.bounds[along + 2]
        room = shapely.box(low, float(self.mesh.vertices[:, 2].min()) - 1.0, high, self.top)
        return self._cut(axis, at, Facing(np.eye(3)[along], OUT, "")).intersection(room)

    def _cut(self, axis: int, at: float, facing: Facing) -> Any:
        lines = chain_pieces(cut_flat(self.mesh, axis, at, facing))
        rings = [line[:-1] for line in lines if len(line) > 3 and (line[0] == line[-1]).all()]
        return fill_rings(rings) if rings else shapely.Polygon()


def make_fit_gauge(
    shell: Shell | None, space: InsertableSpace, *, low: Floats, high: Floats, reach: float | None, line_width: float
) -> FitGauge:
    """Make the fit gauge of a part.

    Args:
        shell: wall and floor fitted to the space; None where that failed.
        space: the insertable space.
        low, high: (2,) mm, corners of the part in plan; the gauge is no larger.
        reach: how deep from the mouth's plane the part goes, mm; None for all the way.
        line_width: of the printer, mm.

    Returns:
        FitGauge.

    Raises:
        FeatureError: the body is too shallow for plates.
        KernelError: the kernel refuses.
    """
    block = make_block(shell, space, reach=reach)
    mesh = tessellate(block.solid, chord=COARSE)
    lid = float(lid_height(space.lid, space.mouth[:, 0], space.mouth[:, 1]).min())
    body = _Body(mesh, shapely.box(*(low - COARSE), *(high + COARSE)), lid - UNDER_LID, LINES * line_width)
    depth = body.top - float(mesh.vertices[:, 2].min())
    if depth < LEAST_DEPTH * body.thickness:
        what = f"a fit gauge has no room for plates: below the mouth's edge the body is only {max(depth, 0.0):.1f} mm deep"
        raise FeatureError(what, "fit gauge", "print the part itself: it is hardly more than a gauge")
    middle = body.across(body.top - 0.5 * depth)
    size = np.array(middle.bounds[2:]) - middle.bounds[:2]
    along = int(size[1] > size[0])  # the spine runs along this axis
    spine = round(float(shapely.get_coordinates(shapely.maximum_inscribed_circle(middle, tolerance=0.5))[0][1 - along]))
    shares = SHARES[4 if size[along] > LONG else 3]
    places = [round(float(middle.bounds[along] + share * size[along])) for share in shares]
    standing = [*((along, float(at), (float(spine),)) for at in places), (1 - along, float(spine), tuple(map(float, places)))]
    plates = [_describe(body, axis, at) for axis, at, _ in standing]
    slabs, windows = _make_frame(body, along, places, spine)
    texts: list[Solid] = []
    for plate, (axis, at, crossing) in zip(plates, standing, strict=True):
        slab, holes = _make_upright(body, axis, at, crossing)
        slabs.append(slab)
        windows += holes
        if axis == along:
            texts += _label(body, along, plate, spine, LETTER_LINES * line_width)
    grid = combine_many(slabs[0], slabs[1:], "fuse", what="plates and spine")
    # windows and text come last: against the body's splines every face of the tool would cost as much as a cut
    solid = combine_many(block.solid, [grid], "common", what="fit gauge")
    solid = combine_many(solid, windows, "cut", what="fit gauge's windows")
    solid = combine_many(solid, texts, "fuse", what="fit gauge's labels")
    solid = require_one_solid(solid, what="fit gauge's plates", remedy="print the whole part instead")
    made = Body(solid=solid, mesh=tessellate(solid), faceted=block.faceted, notes=block.notes)
    return FitGauge(Part(body=made), tuple(plates), body.thickness, _measure_skin(mesh, space))


def _describe(body: _Body, axis: int, at: float) -> Plate:
    region = body.upright(axis, at)
    low, high = region.bounds[0], region.bounds[2]
    ends = [(at, end) if axis == 0 else (end, at) for end in (low, high)]
    first, second = (round(clock_position(*end)) or 12 for end in ends)
    return Plate(axis, at, (first, second), float(region.area))


def _make_frame(body: _Body, along: int, places: Sequence[float], spine: float) -> tuple[list[Solid], list[Solid]]:
    """Return the frame's slab, and its windows between the feet of the plates and the pads for their labels."""
    floor = body.top - body.thickness
    kept = [_strip(body, along, at - STRUT / 2.0, at + body.thickness / 2.0 + PAD) for at in places]
    kept.append(_strip(body, 1 - along, spine - STRUT / 2.0, spine + STRUT / 2.0))
    windows = _tidy(body.across(floor).buffer(-RING).difference(shapely.union_all(kept)))
    (left, low), (right, high) = np.array(body.bounds.bounds).reshape(2, 2)
    slab = make_box((left, low, floor), (right, high, body.top))
    below = Axes((floor - 1.0) * OUT, ACROSS, UP)
    return [slab], [_extrude(window, below, body.thickness + 2.0) for window in windows]


def _make_upright(body: _Body, axis: int, at: float, crossing: Sequence[float]) -> tuple[Solid, list[Solid]]:
    """Return the slab of an upright plate square to an axis, its middle at `at`, and its windows between those that cross it."""
    along = 1 - axis
    region = body.upright(axis, at)
    ground = float(body.mesh.vertices[:, 2].min()) - BEYOND
    low, high = body.bounds.bounds[along], body.bounds.bounds[along + 2]
    side = np.eye(3)[axis]
    face = at - body.thickness / 2.0
    start = Axes(face * side, np.eye(3)[along], OUT)
    rise = 1.0 if float(start.normal @ side) > 0.0 else -1.0
    slab = extrude(
        round_polygon([(low, ground), (high, ground), (high, body.top), (low, body.top)], 0.0),
        axes=start, height=rise * body.thickness,
    )  # fmt: skip
    before = Axes((face - 1.0) * side, start.right, start.up)
    windows = _pitch(region, body.top - body.thickness - 1.0, crossing, body.thickness)
    return slab, [_extrude(each, before, rise * (body.thickness + 2.0)) for each in windows]


def _pitch(region: Any, top: float, crossing: Sequence[float], thickness: float) -> list[Any]:
    """Return the windows of an upright plate: none under a crossing plate, each with a roof of 45 degrees towards the floor."""
    room = region.buffer(-RING, join_style="mitre").intersection(shapely.box(-1e4, -1e4, 1e4, top - RING))
    if room.is_empty:
        return []
    left, _, right, _ = room.bounds
    half = (thickness + STRUT) / 2.0
    feet = (v for at in sorted(crossing) for v in (at - half, at + half))
    edges = [left - STRUT, *feet, right + STRUT]
    found = []
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        first, last = max(start, left), min(end, right)
        if last - first < STRUT:
            continue
        count = int(np.ceil((last - first + STRUT) / (WIDEST_WINDOW + STRUT)))
        wide = (last - first - (count - 1) * STRUT) / count
        for k in range(count):
            a = first + k * (wide + STRUT)
            column = room.intersection(shapely.box(a, -1e4, a + wide, 1e4))
            if column.is_empty:
                continue
            deepest = _find_roof(column)
            house = shapely.Polygon([
                (a, top), (a + wide, top), (a + wide, deepest + wide / 2.0), (a + wide / 2.0, deepest), (a, deepest + wide / 2.0)
            ])  # fmt: skip
            found += _tidy(column.intersection(house)) if deepest + wide / 2.0 < top - RING else []
    return found


def _find_roof(column: Any) -> float:
    """Return the lowest height down to which a column is open over all of its width but its corners."""
    points = np.vstack([shapely.get_coordinates(part.exterior) for part in shapely.get_parts(column)])
    left, right = points[:, 0].min(), points[:, 0].max()
    lows = []
    for x in np.linspace(left, right, 9)[1:-1]:
        line = shapely.linestrings([(x, -1e4), (x, 1e4)]).intersection(column)
        if not line.is_empty:
            lows.append(line.bounds[1])
    return float(max(lows, default=points[:, 1].max()))


def _label(body: _Body, along: int, plate: Plate, spine: float, stroke: float) -> list[Solid]:
    """Return the tools of what is written beside a plate on the frame's back: where it stands, and the clock at its ends.

    It is to be read from behind, as the gauge lies on the printer, with 12 o'clock up.
    """
    floor = body.top - body.thickness
    half = body.thickness / 2.0
    pad = _strip(body, along, plate.at + half, plate.at + half + PAD)
    room = body.across(floor).buffer(-0.8).intersection(pad.buffer(-0.6))
    room = room.difference(_strip(body, 1 - along, spine - half - 0.8, spine + half + 0.8))
    beside = plate.at + half + PAD / 2.0
    low, high = room.bounds[1 - along], room.bounds[3 - along]
    words = [(str(plate.clock[0]), low, spine), (str(plate.clock[1]), high, spine), (f"{plate.at:g}", spine + STRUT, high)]
    texts: list[Any] = []
    for text, start, end in words:
        flat = write_text(text, height=LETTER, stroke=stroke)
        if along == 0 and flat.bounds[2] - flat.bounds[0] > PAD - 1.2:
            flat = shapely.transform(flat, lambda points: points[:, ::-1] * (-1.0, 1.0))
        flat = shapely.transform(flat, lambda points: points * (-1.0, 1.0))  # seen from behind
        for at in np.linspace(start, end, PLACES):  # as near to where it belongs as there is room
            placed = shapely.affinity.translate(flat, *((beside, at) if along == 0 else (at, beside)))
            if room.covers(placed) and all(placed.distance(other) > stroke for other in texts):
                texts.append(placed)
                break
    back = Axes((floor - RAISED) * OUT, ACROSS, UP)
    return [_extrude(part, back, RAISED + 0.5 * body.thickness) for text in texts for part in shapely.get_parts(text)]


def _tidy(region: Any) -> list[Any]:
    """Return what of a region is worth leaving out, as polygons with few corners and without holes."""
    found: list[Any] = []
    for part in shapely.get_parts(region.buffer(-0.6).buffer(0.6, join_style="mitre").simplify(CHOP)):
        if part.area < LEAST_WINDOW:
            continue
        if not len(part.interiors):
            found.append(part)
            continue
        x = shapely.Polygon(part.interiors[0]).centroid.x  # what stands in it is held by a strut
        found += _tidy(part.difference(shapely.box(x - STRUT / 2.0, -1e4, x + STRUT / 2.0, 1e4)))
    return found


def _strip(body: _Body, along: int, start: float, end: float) -> Any:
    low, high = list(body.bounds.bounds[:2]), list(body.bounds.bounds[2:])
    low[along], high[along] = start, end
    return shapely.box(*low, *high)


def _extrude(polygon: Any, axes: Axes, height: float) -> Solid:
    """Return the prism over a polygon and its holes."""
    outer, *holes = (
        extrude(round_polygon(np.asarray(ring.coords)[:-1], 0.0), axes=axes, height=height)
        for ring in (polygon.exterior, *polygon.interiors)
    )
    return combine_many(outer, holes, "cut", what="text")


def _measure_skin(mesh: Mesh, space: InsertableSpace) -> float:
    """Return the area of the body's surface without its lid, mm²."""
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    middle = corners.mean(axis=1)
    lid = lid_height(space.lid, middle[:, 0], middle[:, 1]) - middle[:, 2] < COARSE
    return float(0.5 * np.linalg.norm(normal[~lid], axis=1).sum())
