"""A section through a recess as a dimensioned drawing: the scan's line, the mouth, what is free."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.datum import Recess, lid_height
from mountgen.drawing2d import (
    FLAT,
    GREY,
    INK,
    UNSEEN,
    Point,
    Sheet,
    draw_area,
    draw_arrow,
    draw_badge,
    draw_dimension,
    draw_line,
    draw_scale_bar,
    draw_text,
)
from mountgen.grid import EMPTY
from mountgen.raster import raster_faces
from mountgen.scene import Plane, cut_lines
from mountgen.survey_holes import Hole

if TYPE_CHECKING:
    from mountgen.survey_verdicts import Quality

SECTION_LEFT, SECTION_WIDTH, DIMENSION_X = 990.0, 450.0, 1462.0  # pixels of the sheet
GROUND_TOP, GROUND_HEIGHT = 128.0, 212.0  # pixels; below the section's own top
COLUMNS = 2  # of a section's ground for each pixel
ROOM = (222, 234, 246)  # pale blue
DASH, BRIDGE = (12.0, 7.0), (6.0, 5.0)  # dash and gap of the mouth, and of the line over what was not seen
FLAT_WIDTH = 9.0  # pixels; of the band behind a wall that is only seen flat
SHORTEST = 1.0  # mm; what is less is neither bridged nor dimensioned
SURROUND = 0.14  # share of the mouth that a section shows beyond the rim on either side


@dataclass(frozen=True)
class Axis:
    """A section through the mouth's centre: `right` (x, y in the part frame) is to the right in its drawing.

    ends: clock positions at the drawing's left and right ends; viewer: where one stands to see it so.
    """

    right: Point
    ends: tuple[str, str]
    viewer: str


UPRIGHT = Axis((0.0, 1.0), ("6", "12"), "3")
ACROSS = Axis((1.0, 0.0), ("9", "3"), "6")


def draw_section(sheet: Sheet, recess: Recess, axis: Axis, top: float, *, quality: Quality) -> None:
    """Draw one section with the mouth upwards, its depth and the mouth's size along it dimensioned."""
    cut = _cut_recess(recess, axis, top)
    _draw_room(sheet, cut)
    for piece in _cut_faces(recess, axis, recess.faces[quality.flat]):
        draw_line(sheet, cut.place(piece), colour=FLAT, width=FLAT_WIDTH)
    for hole in quality.wide_holes:
        for across in _cross_hole(hole, axis):
            if np.ptp(across[:, 1]) > max(np.ptp(across[:, 0]), SHORTEST):  # flatter ones show in the ground already
                draw_line(sheet, cut.place(across), colour=UNSEEN, width=3, dash=BRIDGE)
    draw_line(sheet, cut.place(cut.mouth), colour=INK, width=1.5, dash=DASH)
    for piece in cut.lines:
        draw_line(sheet, cut.place(piece), colour=INK, width=2.5)
    draw_text(sheet, (SECTION_LEFT, top + 22), f"Section {axis.ends[0]} to {axis.ends[1]} o'clock", size=24)
    where = f"through the middle, seen from {axis.viewer} o'clock"
    draw_text(sheet, (SECTION_LEFT, top + 50), where, size=20, colour=GREY)
    draw_text(sheet, (1528, top + 40), "draw direction", size=20, anchor="rm")
    draw_arrow(sheet, (1548, top + 84), (1548, top + 8), width=4, tip=22)
    _draw_dimensions(sheet, cut, axis, top + 104)
    draw_scale_bar(sheet, (SECTION_LEFT, cut.bottom + 48), cut.scale, longest=160.0)


@dataclass(frozen=True, eq=False)
class _Cut:
    """A section's lines, (..., 2) mm, along the drawing and out of the recess, and their place on the sheet.

    lines   : (N, 2, 2) pieces of the scan.
    mouth   : (M, 2) the lid from rim to rim.
    room    : (C, 2) the highest material under the mouth, NaN where nothing was seen.
    lid     : (C,) mm, the lid over `room`.
    corner  : pixels, the drawing's top left; there lies what is `first` along the drawing and `highest`, mm.
    bottom  : pixels, its lower end.
    scale   : pixels per mm.
    """

    lines: Floats
    mouth: Floats
    room: Floats
    lid: Floats
    corner: Point
    first: float
    highest: float
    bottom: float
    scale: float

    def place(self, points: Floats) -> Floats:
        """Return points (N, 2) in pixels of the sheet."""
        return np.asarray(
            self.corner + self.scale * (np.atleast_2d(points) - (self.first, self.highest)) * (1, -1)
        )


def _cut_recess(recess: Recess, axis: Axis, top: float) -> _Cut:
    right = np.array([*axis.right, 0.0])
    across = np.array([-right[1], right[0], 0.0])
    first, last = _cross_rim(recess, right, across)
    margin = max(SURROUND * (last - first), 5.0)
    span = (first - margin, last + margin)
    lines = _cut_faces(recess, axis, recess.faces)
    along = np.linspace(first, last, 200)
    mouth = np.column_stack([along, lid_height(recess.lid, along * right[0], along * right[1])])
    low, high = (span[0], -np.inf), (span[1], float(mouth[:, 1].max()) + margin)  # not what floats above
    lines = lines[((lines >= low) & (lines <= high)).all(axis=(1, 2))]
    levels = np.concatenate([lines[:, :, 1].ravel(), mouth[:, 1]])
    tall = float(np.ptp(levels))
    scale = min(SECTION_WIDTH / (span[1] - span[0]), GROUND_HEIGHT / max(tall, 1e-6))
    room = _lay_row(recess, right, across, first, last, (last - first) * scale * COLUMNS)
    return _Cut(
        lines=lines,
        mouth=mouth,
        room=room,
        lid=lid_height(recess.lid, room[:, 0] * right[0], room[:, 0] * right[1]),
        corner=(SECTION_LEFT + (SECTION_WIDTH - scale * (span[1] - span[0])) / 2, top + GROUND_TOP),
        first=span[0],
        highest=float(levels.max()),
        bottom=top + GROUND_TOP + scale * tall,
        scale=scale,
    )


def _cut_faces(recess: Recess, axis: Axis, faces: Ints) -> Floats:
    """Return where a section cuts faces (F, 3): lines (N, 2, 2), mm along the drawing and out of the recess."""
    right = np.array([*axis.right, 0.0])
    pieces = cut_lines(recess.vertices, faces, Plane(np.zeros(3), np.array([-right[1], right[0], 0.0])))
    return np.stack([pieces @ right, pieces[:, :, 2]], axis=2)


def _cross_hole(hole: Hole, axis: Axis) -> Floats:
    """Return the lines across a hole where a section meets it: (N, 2, 2) mm, along the drawing and out of the recess."""
    met = [np.zeros((0, 2))]
    for border in hole.borders:
        along, off = border[:, :2] @ axis.right, border[:, :2] @ (-axis.right[1], axis.right[0])
        line = np.column_stack([along, border[:, 2]])
        cut = np.flatnonzero((off >= 0) != (np.roll(off, -1) >= 0))
        share = (off[cut] / (off[cut] - np.roll(off, -1)[cut]))[:, None]
        met.append(line[cut] + share * (np.roll(line, -1, axis=0)[cut] - line[cut]))
    ends = np.concatenate(met)
    ends = ends[np.argsort(ends[:, 0], kind="stable")]
    return ends.reshape(-1, 2, 2)


def _draw_room(sheet: Sheet, cut: _Cut) -> None:
    """Fill what is free along the draw direction, and bridge what was not seen."""
    seen = ~np.isnan(cut.room[:, 1])
    for run in _find_runs(seen):
        floor = np.column_stack([cut.room[run, 0], np.minimum(cut.room[run, 1], cut.lid[run])])
        ceiling = np.column_stack([cut.room[run, 0], cut.lid[run]])[::-1]
        if len(floor) > 1:
            draw_area(sheet, cut.place(np.concatenate([floor, ceiling])), colour=ROOM)
    for run in _find_runs(~seen):
        if run.start > 0 and run.stop < len(seen):
            ends = cut.room[[run.start - 1, run.stop]]
            if ends[1, 0] - ends[0, 0] > SHORTEST:
                draw_line(sheet, cut.place(ends), colour=UNSEEN, width=3, dash=BRIDGE)


def _draw_dimensions(sheet: Sheet, cut: _Cut, axis: Axis, row: float) -> None:
    """Dimension the mouth at height `row`, between the ends' clock positions, and the depth at the right."""
    ends = cut.place(cut.mouth[[0, -1]])
    for (x, y), words, inset in zip(ends, axis.ends, (20.0, SECTION_WIDTH - 20.0), strict=True):
        draw_line(sheet, [(x, y), (x, row - 8)], colour=GREY, width=1)
        draw_badge(sheet, (SECTION_LEFT + inset, row), words)
    size = f"{cut.mouth[-1, 0] - cut.mouth[0, 0]:.1f} mm"
    draw_dimension(sheet, (float(ends[0, 0]), row), (float(ends[1, 0]), row), size)
    depth = np.nan_to_num(cut.lid - cut.room[:, 1], nan=0.0)
    deepest = int(np.argmax(depth))
    if depth[deepest] < SHORTEST:
        return  # the whole section is a hole of the scan
    tips = cut.place(np.array([[cut.room[deepest, 0], cut.lid[deepest]], cut.room[deepest]]))
    for x, y in tips:
        draw_line(sheet, [(x, y), (DIMENSION_X + 8, y)], colour=GREY, width=1)
    first, last = ((DIMENSION_X, float(y)) for y in tips[:, 1])
    draw_dimension(sheet, first, last, f"{depth[deepest]:.1f} mm")


def _cross_rim(recess: Recess, right: Floats, across: Floats) -> Point:
    """Return where a line through the mouth's centre meets the rim, mm along `right`, or the rim's reach."""
    along, off = recess.rim @ right, recess.rim @ across
    ahead = np.roll(off, -1)
    cut = (off >= 0) != (ahead >= 0)
    if not cut.any():
        return float(along.min()), float(along.max())
    share = off[cut] / (off[cut] - ahead[cut])
    at = along[cut] + share * (np.roll(along, -1)[cut] - along[cut])
    return float(at.min()), float(at.max())


def _lay_row(
    recess: Recess, right: Floats, across: Floats, first: float, last: float, columns: float
) -> Floats:
    """Return places along a section and the highest material there, (C, 2) mm; NaN where nothing was seen."""
    turned = np.column_stack([recess.vertices @ right, recess.vertices @ across, recess.vertices[:, 2]])
    count = max(2, round(columns))
    pitch = (last - first) / (count - 1)
    height = raster_faces(turned, recess.faces, origin=(first, 0.0), pitch=pitch, shape=(1, count))[0]
    return np.column_stack([np.linspace(first, last, count), np.where(height > EMPTY, height, np.nan)])


def _find_runs(mask: Bools) -> list[slice]:
    """Return the runs of set values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [slice(a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)]
