"""The survey's picture: the recess from its mouth inside a clock dial, and two sections with dimensions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess, lid_height
from mountgen.drawing2d import (
    FINE,
    GREY,
    INK,
    UNSEEN,
    Point,
    Sheet,
    choose_length,
    draw_area,
    draw_arrow,
    draw_badge,
    draw_colour_bar,
    draw_dial,
    draw_dimension,
    draw_line,
    draw_scale_bar,
    draw_text,
    hatch_stripes,
    open_sheet,
    paste_pixels,
    shorten,
)
from mountgen.picture import shade
from mountgen.ramp import ramp_depth
from mountgen.raster import EMPTY, fill_loop, raster_faces
from mountgen.scene import Camera, Item, Plane, View, cut_lines, look

if TYPE_CHECKING:
    from mountgen.survey import Survey

SIZE = (1600, 1000)  # pixels, as are all places below
DIAL_MIDDLE, DIAL_RADIUS = (425.0, 512.0), 338.0
DIAL_MARGIN = 1.06  # the dial's ring lies this much further out than the rim's furthest point
COLOUR_BAR = (852.0, 226.0, 880.0, 726.0)
SECTION_LEFT, SECTION_WIDTH, DIMENSION_X = 990.0, 450.0, 1462.0
SECTION_TOPS, GROUND_TOP, GROUND_HEIGHT = (100.0, 510.0), 128.0, 212.0
LEGEND_Y = 968.0
COLUMNS = 2  # of a section's ground for each pixel
ROOM = (222, 234, 246)  # pale blue
DASH, BRIDGE = (12.0, 7.0), (6.0, 5.0)  # dash and gap of the mouth, and of the line over what was not seen
VISIBLE = 1.0  # mm; a hole's border further than this behind what the camera sees is hidden by it
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


def draw_survey(survey: Survey, recess: Recess) -> Sheet:
    """Draw the whole picture.

    Args:
        survey: the figures.
        recess: what to draw.

    Returns:
        Sheet: SIZE pixels.

    Raises:
        Nothing.
    """
    sheet = open_sheet(SIZE)
    draw_text(sheet, (40, 36), f"Survey of {shorten(survey.file, 60)}", size=30)
    draw_text(
        sheet,
        (40, 76),
        f"{survey.triangles:,} triangles, read as {survey.unit}   ·   "
        f"mouth {survey.mouth_width:.1f} x {survey.mouth_height:.1f} mm   ·   {survey.depth:.1f} mm deep"
        f"   ·   point spacing {survey.spacing:.2f} mm, noise {survey.noise:.3f} mm",
        size=20,
        colour=GREY,
    )
    draw_mouth(sheet, recess)
    draw_line(sheet, [(958, 112), (958, 900)], colour=(208, 211, 215), width=1)
    for axis, top in zip((UPRIGHT, ACROSS), SECTION_TOPS, strict=True):
        draw_section(sheet, recess, axis, top)
    _draw_legend(sheet, survey)
    return sheet


def mouth_scale(recess: Recess) -> float:
    """Return the scale of the mouth's picture, pixels per mm; the part frame's origin is at DIAL_MIDDLE."""
    return DIAL_RADIUS / (DIAL_MARGIN * float(np.linalg.norm(recess.rim[:, :2], axis=1).max()))


def draw_mouth(sheet: Sheet, recess: Recess) -> None:
    """Draw the recess from its mouth: depth in colour, rim, what nobody saw, dial, colour and scale bars."""
    scale = mouth_scale(recess)
    side = round(2 * DIAL_RADIUS * FINE)
    corner = (DIAL_MIDDLE[0] - DIAL_RADIUS, DIAL_MIDDLE[1] - DIAL_RADIUS)
    camera = Camera(np.zeros(3), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]), scale * FINE)
    ramp = ramp_depth(recess.depth)
    within = _is_inside(recess, recess.vertices[:, :2])
    below = lid_height(recess.lid, recess.vertices[:, 0], recess.vertices[:, 1]) - recess.vertices[:, 2]
    item = Item(recess.vertices, recess.faces, values=np.where(within, below, np.nan), ramp=ramp, smooth=True)
    view = look([item], camera, size=(side, side))
    row, col = np.indices((side, side)) + 0.5
    disc = np.hypot(row - side / 2, col - side / 2) < side / 2
    paste_pixels(sheet, shade([item], camera, view), corner, mask=disc)
    paste_pixels(sheet, hatch_stripes(disc), corner, mask=_unseen_pixels(view, recess, scale * FINE) & disc)
    for piece in _hole_borders(recess, within, view, camera):
        draw_line(sheet, piece / FINE + corner, colour=UNSEEN, width=2)
    rim = camera.project(recess.rim, (side, side))[:, :2] / FINE + corner
    draw_line(sheet, rim, colour=(255, 255, 255), width=5, closed=True)
    draw_line(sheet, rim, colour=INK, width=2.5, closed=True)
    draw_dial(sheet, DIAL_MIDDLE, DIAL_RADIUS)
    draw_text(sheet, (40, 122), "Looking into the mouth", size=24)
    step = choose_length(1.0, longest=recess.depth / 3.0)
    ticks = [(v, f"{v:g}") for v in np.arange(0.0, recess.depth * 0.94, step).tolist()]
    draw_text(sheet, (COLOUR_BAR[0], 178), "depth", size=20)
    draw_text(sheet, (COLOUR_BAR[0], 202), "in mm", size=20)
    draw_colour_bar(
        sheet, COLOUR_BAR, ramp, ticks=[*ticks, (recess.depth, f"{recess.depth:.1f}")], falling=True
    )
    draw_scale_bar(sheet, (650, 928), scale, longest=240.0)


def draw_section(sheet: Sheet, recess: Recess, axis: Axis, top: float) -> None:
    """Draw one section with the mouth upwards, its depth and the mouth's size along it dimensioned."""
    right = np.array([*axis.right, 0.0])
    across = np.array([-right[1], right[0], 0.0])
    first, last = _cross_rim(recess, right, across)
    margin = max(SURROUND * (last - first), 5.0)
    span = (first - margin, last + margin)
    lines = cut_lines(recess.vertices, recess.faces, Plane(np.zeros(3), across))
    lines = np.stack([lines @ right, lines[:, :, 2]], axis=2)  # (N, 2, 2): along the drawing, out
    middle = np.linspace(first, last, 200)
    mouth = np.column_stack([middle, lid_height(recess.lid, middle * right[0], middle * right[1])])
    low, high = (span[0], -np.inf), (span[1], float(mouth[:, 1].max()) + margin)  # not what floats above
    lines = lines[((lines >= low) & (lines <= high)).all(axis=(1, 2))]
    levels = np.concatenate([lines[:, :, 1].ravel(), mouth[:, 1]])
    scale = min(SECTION_WIDTH / (span[1] - span[0]), GROUND_HEIGHT / float(np.ptp(levels)))
    left = SECTION_LEFT + (SECTION_WIDTH - scale * (span[1] - span[0])) / 2
    corner, highest = np.array([left, top + GROUND_TOP]), float(levels.max())

    def place(points: Floats) -> Floats:
        return np.asarray(corner + scale * (np.atleast_2d(points) - (span[0], highest)) * (1, -1))

    along, ground = _lay_row(recess, right, across, first, last, (last - first) * scale * COLUMNS)
    lid = lid_height(recess.lid, along * right[0], along * right[1])
    seen = ~np.isnan(ground)
    for run in _find_runs(seen):
        edge = np.column_stack([along[run], np.minimum(ground[run], lid[run])])
        upper = np.column_stack([along[run], lid[run]])[::-1]
        if len(edge) > 1:
            draw_area(sheet, place(np.concatenate([edge, upper])), colour=ROOM)
    for run in _find_runs(~seen):
        ends = [k for k in (run.start - 1, run.stop) if 0 <= k < len(along)]
        if len(ends) == 2 and along[ends[1]] - along[ends[0]] > VISIBLE:
            bridge = place(np.column_stack([along[ends], ground[ends]]))
            draw_line(sheet, bridge, colour=UNSEEN, width=3, dash=BRIDGE)
    draw_line(sheet, place(mouth), colour=INK, width=1.5, dash=DASH)
    for piece in lines:
        draw_line(sheet, place(piece), colour=INK, width=2.5)

    draw_text(sheet, (SECTION_LEFT, top + 22), f"Section {axis.ends[0]} to {axis.ends[1]} o'clock", size=24)
    draw_text(
        sheet,
        (SECTION_LEFT, top + 50),
        f"through the middle, seen from {axis.viewer} o'clock",
        size=20,
        colour=GREY,
    )
    draw_text(sheet, (1528, top + 40), "draw direction", size=20, anchor="rm")
    draw_arrow(sheet, (1548, top + 84), (1548, top + 8), width=4, tip=22)
    rims = place(mouth[[0, -1]])
    row = top + 104
    for (x, y), words, inset in zip(rims, axis.ends, (20.0, SECTION_WIDTH - 20.0), strict=True):
        draw_line(sheet, [(x, y), (x, row - 8)], colour=GREY, width=1)
        draw_badge(sheet, (SECTION_LEFT + inset, row), words)
    draw_dimension(sheet, (float(rims[0, 0]), row), (float(rims[1, 0]), row), f"{last - first:.1f} mm")
    deepest = int(np.nanargmax(lid - ground))
    tips = place(np.array([[along[deepest], lid[deepest]], [along[deepest], ground[deepest]]]))
    for x, y in tips:
        draw_line(sheet, [(x, y), (DIMENSION_X + 8, y)], colour=GREY, width=1)
    words = f"{lid[deepest] - ground[deepest]:.1f} mm"
    draw_dimension(sheet, (DIMENSION_X, float(tips[0, 1])), (DIMENSION_X, float(tips[1, 1])), words)
    bottom = top + GROUND_TOP + scale * float(np.ptp(levels))
    draw_scale_bar(sheet, (SECTION_LEFT, bottom + 48), scale, longest=160.0)


def _draw_legend(sheet: Sheet, survey: Survey) -> None:
    draw_text(sheet, (40, 940), "Which number is the vehicle's up? Write it in the", size=20)
    draw_text(sheet, (40, 968), "recipe:  up = number,  under [mouth]", size=20)
    y = LEGEND_Y
    not_seen = f"not seen, {survey.unseen_area:.0f} sq mm in plan" if survey.unseen else "not seen"
    draw_line(sheet, [(545, y), (585, y)], width=2.5)
    draw_text(sheet, (595, y), "rim", size=20)
    swatch = np.ones((20 * FINE, 40 * FINE), dtype=np.bool_)
    paste_pixels(sheet, hatch_stripes(swatch), (650, y - 10))
    draw_text(sheet, (700, y), not_seen, size=20)
    draw_line(sheet, [(990, y), (1030, y)], width=2.5)
    draw_text(sheet, (1038, y), "scan", size=20)
    draw_line(sheet, [(1100, y), (1140, y)], width=1.5, dash=DASH)
    draw_text(sheet, (1148, y), "mouth", size=20)
    draw_area(sheet, [(1228, y - 10), (1268, y - 10), (1268, y + 10), (1228, y + 10)], colour=ROOM)
    draw_text(sheet, (1276, y), "way in", size=20)
    draw_line(sheet, [(1364, y), (1404, y)], colour=UNSEEN, width=3, dash=BRIDGE)
    draw_text(sheet, (1412, y), "not seen", size=20)


def _is_inside(recess: Recess, points: Floats) -> Bools:
    """Return which of points (N, 2) lie within the rim, seen along the draw direction."""
    import shapely

    return np.asarray(
        shapely.contains_xy(shapely.Polygon(recess.rim[:, :2]), points[:, 0], points[:, 1]), dtype=np.bool_
    )


def _unseen_pixels(view: View, recess: Recess, px_per_mm: float) -> Bools:
    """Return the pixels inside the rim, or inside the scan's outline, that see nothing."""
    from scipy import ndimage

    rows, cols = view.item.shape
    # the picture's rows run down: look at it as a grid with y = -row
    rim = recess.rim[:, :2] * (1, -1)
    origin = (-(cols / 2 - 0.5) / px_per_mm, -(rows / 2 - 0.5) / px_per_mm)
    inside = fill_loop(rim, origin=origin, pitch=1.0 / px_per_mm, shape=(rows, cols))
    hit = view.item >= 0
    return np.asarray((inside | ndimage.binary_fill_holes(hit)) & ~hit, dtype=np.bool_)


def _hole_borders(recess: Recess, within: Bools, view: View, camera: Camera) -> Floats:
    """Return the scan's border edges inside the rim that the camera sees, (N, 2, 2) pixels of the view."""
    faces = recess.faces.astype(np.int64)
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    key, count = np.unique(edges[:, 0] * len(recess.vertices) + edges[:, 1], return_counts=True)
    border = np.stack(np.divmod(key[count == 1], len(recess.vertices)), axis=1)
    border = border[within[border].all(axis=1)]
    rows, cols = view.item.shape
    ends = camera.project(recess.vertices[border.ravel()], (cols, rows)).reshape(-1, 2, 3)
    middle = ends.mean(axis=1)
    col = np.clip(middle[:, 0].astype(int), 0, cols - 1)
    row = np.clip(middle[:, 1].astype(int), 0, rows - 1)
    return np.asarray(ends[middle[:, 2] < view.depth[row, col] + VISIBLE][:, :, :2])


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
) -> tuple[Floats, Floats]:
    """Return places along a section and the highest material over each, mm; NaN where nothing was seen."""
    turned = np.ascontiguousarray(
        np.column_stack([recess.vertices @ right, recess.vertices @ across, recess.vertices[:, 2]])
    )
    count = max(2, round(columns))
    pitch = (last - first) / (count - 1)
    height = raster_faces(turned, recess.faces, origin=(first, 0.0), pitch=pitch, shape=(1, count))[0].astype(
        np.float64
    )
    height[height <= EMPTY] = np.nan
    return np.asarray(first + pitch * np.arange(count), dtype=np.float64), height


def _find_runs(mask: Bools) -> list[slice]:
    """Return the runs of set values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [slice(a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)]
