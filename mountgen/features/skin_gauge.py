"""The fit gauge as a skin: the contact surface itself, 1.2 mm thick, where plates would miss the spot that binds.

It is a tray of the body with an even wall, cut down to what the part takes of the mouth, so it goes in as the body does. Raised
inside are the hours of the dial, and in the middle how deep the skin reaches there.
"""

from __future__ import annotations

from math import cos, radians, sin
from typing import Any

import numpy as np
import shapely
import shapely.affinity

from mountgen.arrays import Floats
from mountgen.datum import lid_height
from mountgen.errors import FeatureError, KernelError
from mountgen.features.assemble import make_body
from mountgen.features.cavity import Cavity, hollow_inside
from mountgen.features.fit_gauge import COARSE, LETTER, LETTER_LINES, RAISED, UNDER_LID, FitGauge
from mountgen.features.part import Part
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Solid, combine_many, tessellate
from mountgen.letters import write_text
from mountgen.loft import Shell
from mountgen.mesh_measure import measure_volume
from mountgen.section import sample_height
from mountgen.shape import Axes, extrude, make_box, require_one_solid, round_polygon

SKIN = 1.2  # mm, the thinnest skin of the contact surface that prints soundly (common practice: three lines of 0.4 mm)
ROOTED = 0.25  # mm of skin that is left below a letter's foot
FLAT = 0.8  # mm by which the ground below a letter may differ: no letter climbs a wall
HOURS = (12, 3, 6, 9)
PLACES = 40  # tried for an hour, from the edge towards the middle
DEEP = 1000.0  # mm; past any body
WHOLE = 4.0 * SKIN  # mm
LABELS = "skin's labels"
ACROSS, UP, OUT = np.eye(3)


def make_skin_gauge(
    shell: Shell | None, space: InsertableSpace, *, low: Floats, high: Floats, reach: float | None, line_width: float
) -> FitGauge:
    """Make a skin of the body's contact surface; arguments as for `make_fit_gauge`.

    Returns:
        FitGauge: without plates.

    Raises:
        FeatureError: the walls leave no room, or the skin falls apart.
        KernelError: the kernel refuses.
    """
    cavity = hollow_inside(shell, space, wall=SKIN, reach=reach)
    block = make_body(shell, space, reach=reach, cavity=cavity)
    top = float(lid_height(space.lid, space.mouth[:, 0], space.mouth[:, 1]).min()) - UNDER_LID
    # where the part reaches to the mouth's own edge, or nearly so, the wall is left whole
    edge = space.mouth.min(axis=0), space.mouth.max(axis=0)
    start, end = np.where(low - edge[0] < WHOLE, -DEEP, low - COARSE), np.where(edge[1] - high < WHOLE, DEEP, high + COARSE)
    box = make_box((*start, -DEEP), (*end, top))
    solid = combine_many(block.solid, [box], "common", what="skin")
    solid = require_one_solid(solid, what="skin", remedy="leave --skin out: plates on a spine hold together")
    room = shapely.Polygon(space.mouth).buffer(-2.0 * SKIN).intersection(shapely.box(*low, *high))
    texts = _write_inside(space, cavity, room, LETTER_LINES * line_width, reach)
    notes, labelled = block.notes, True
    try:
        solid = require_one_solid(combine_many(solid, texts, "fuse", what=LABELS), what=LABELS, remedy="leave --skin out")
    except (FeatureError, KernelError):  # it shows as well without them whether the part will fit
        labelled = False
        notes = (*notes, "the skin has no numbers: the solid kernel does not get them onto it; mark 12 o'clock on the print")
    mesh = tessellate(solid)
    made = Body(solid=solid, mesh=mesh, faceted=block.faceted, notes=notes)
    return FitGauge(Part(body=made), (), SKIN, measure_volume(mesh) / SKIN, labelled)


def _write_inside(space: InsertableSpace, cavity: Cavity, room: Any, stroke: float, reach: float | None) -> list[Solid]:
    """Return what is raised on the skin's inner floor: hours towards their places on the dial, the depth in the middle."""
    left, low, right, high = room.bounds
    middle = np.array([0.5 * (left + right), 0.5 * (low + high)])
    half = 0.5 * np.array([right - left, high - low])
    there = float(sample_height(space, middle[None])[0])
    depth = -there if reach is None else min(-there, reach)
    wanted = [(f"{depth:.0f}", middle, np.zeros(2))]
    for hour in HOURS:
        way = np.array([sin(radians(30.0 * hour)), cos(radians(30.0 * hour))])
        wanted.append((str(hour), middle, way * half))
    placed: list[tuple[Any, float, float]] = []
    for text, start, way in wanted:
        flat = write_text(text, height=LETTER, stroke=stroke)
        for share in np.linspace(0.9, 0.25, PLACES) if way.any() else (0.0,):
            moved = shapely.affinity.translate(flat, *(start + share * way))
            foot = _find_foot(space, cavity, moved, reach)
            if foot is not None and room.covers(moved) and all(moved.distance(other) > LETTER / 2.0 for other, _, _ in placed):
                placed.append((moved, *foot))
                break
    if not placed:
        what = "the skin has no flat place for its labels"
        raise FeatureError(what, "fit gauge", "leave --skin out: plates have room for theirs")
    return [_raise_letter(part, start, end) for text, start, end in placed for part in shapely.get_parts(text)]


def _find_foot(space: InsertableSpace, cavity: Cavity, text: Any, reach: float | None) -> tuple[float, float] | None:
    """Return from where to where a text stands up, z in mm, so that all of it has its foot in the skin; None where it has not."""
    points = shapely.get_coordinates(shapely.segmentize(text.envelope, 0.5))
    outer, inner = sample_height(space, points), sample_height(cavity.space, points)
    if reach is not None:
        outer, inner = np.maximum(outer, -reach), np.maximum(inner, SKIN - reach)
    start = float(outer.max()) + ROOTED
    if not np.isfinite(start) or start > float(inner.min()) - ROOTED or float(np.ptp(inner)) > FLAT:
        return None
    return start, float(inner.max()) + RAISED


def _raise_letter(polygon: Any, start: float, end: float) -> Solid:
    axes = Axes(start * OUT, ACROSS, UP)
    outer, *holes = (
        extrude(round_polygon(np.asarray(ring.coords)[:-1], 0.0), axes=axes, height=end - start)
        for ring in (polygon.exterior, *polygon.interiors)
    )
    return combine_many(outer, holes, "cut", what="text")
