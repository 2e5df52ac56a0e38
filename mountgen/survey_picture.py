"""The survey's picture: the recess from its mouth inside a clock dial, and two sections with dimensions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess, lid_height
from mountgen.drawing2d import (
    FINE,
    FLAT,
    GREY,
    INK,
    PAPER,
    UNSEEN,
    Colour,
    Sheet,
    choose_length,
    draw_area,
    draw_colour_bar,
    draw_dial,
    draw_line,
    draw_scale_bar,
    draw_text,
    hatch_flat,
    hatch_stripes,
    open_sheet,
    paste_pixels,
    shorten,
)
from mountgen.grid import fill_loop
from mountgen.picture import shade
from mountgen.ramp import ramp_depth
from mountgen.scene import Camera, Item, View, look
from mountgen.survey_points import is_inside
from mountgen.survey_section import ACROSS, BRIDGE, DASH, FLAT_WIDTH, ROOM, UPRIGHT, draw_section
from mountgen.survey_sight import WANTED
from mountgen.survey_verdicts import COARSE, NOISIEST, TWICE

if TYPE_CHECKING:
    from mountgen.survey import Survey
    from mountgen.survey_verdicts import Quality

SIZE = (1600, 1040)  # pixels, as are all places below
DIAL_MIDDLE, DIAL_RADIUS = (425.0, 512.0), 338.0
FAILED: Colour = (178, 24, 24)
DIAL_MARGIN = 1.06  # the dial's ring lies this much further out than the rim's furthest point
COLOUR_BAR = (852.0, 226.0, 880.0, 726.0)
SECTION_TOPS = (100.0, 510.0)
LEGEND_Y, SECOND_Y = 968.0, 1006.0
THIN_OFF = 9.0  # how far outside the rim it is marked where too little panel was scanned
VISIBLE = 1.0  # mm; a hole's border further than this behind what the camera sees is hidden by it


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
    words, colour = _sum_up(survey)
    draw_text(sheet, (1560, 36), words, size=24, colour=colour, anchor="rm")
    draw_mouth(sheet, recess, survey.quality)
    _label_places(sheet, survey, mouth_scale(recess))
    draw_line(sheet, [(958, 112), (958, 900)], colour=(208, 211, 215), width=1)
    for axis, top in zip((UPRIGHT, ACROSS), SECTION_TOPS, strict=True):
        draw_section(sheet, recess, axis, top, quality=survey.quality)
    _draw_legend(sheet, survey)
    return sheet


def mouth_scale(recess: Recess) -> float:
    """Return the scale of the mouth's picture, pixels per mm; the part frame's origin is at DIAL_MIDDLE."""
    return DIAL_RADIUS / (DIAL_MARGIN * float(np.linalg.norm(recess.rim[:, :2], axis=1).max()))


def draw_mouth(sheet: Sheet, recess: Recess, quality: Quality) -> None:
    """Draw the recess from its mouth: depth in colour, rim, what was not seen well or not at all, dial, colour and scale bars."""
    scale = mouth_scale(recess)
    side = round(2 * DIAL_RADIUS * FINE)
    corner = (DIAL_MIDDLE[0] - DIAL_RADIUS, DIAL_MIDDLE[1] - DIAL_RADIUS)
    camera = Camera(np.zeros(3), np.array([0.0, 0.0, -1.0]), np.array([0.0, 1.0, 0.0]), scale * FINE)
    ramp = ramp_depth(recess.depth)
    within = is_inside(recess, recess.vertices[:, :2])
    below = lid_height(recess.lid, recess.vertices[:, 0], recess.vertices[:, 1]) - recess.vertices[:, 2]
    item = Item(recess.vertices, recess.faces, values=np.where(within, below, np.nan), ramp=ramp, smooth=True)
    view = look([item], camera, size=(side, side))
    row, col = np.indices((side, side)) + 0.5
    disc = np.hypot(row - side / 2, col - side / 2) < side / 2
    paste_pixels(sheet, shade([item], camera, view), corner, mask=disc)
    flat = (view.item >= 0) & quality.flat[np.maximum(view.face, 0)]
    paste_pixels(sheet, hatch_flat(disc), corner, mask=flat & disc)
    paste_pixels(sheet, hatch_stripes(disc), corner, mask=_unseen_pixels(view, recess, scale * FINE) & disc)
    for piece in _hole_borders(recess, within, view, camera):
        draw_line(sheet, piece / FINE + corner, colour=UNSEEN, width=2)
    rim = camera.project(recess.rim, (side, side))[:, :2] / FINE + corner
    draw_line(sheet, rim, colour=(255, 255, 255), width=5, closed=True)
    draw_line(sheet, rim, colour=INK, width=2.5, closed=True)
    for hole in quality.bridged_holes:
        border = camera.project(hole.borders[0], (side, side))[:, :2] / FINE + corner
        if np.linalg.norm(border - DIAL_MIDDLE, axis=1).max() < DIAL_RADIUS:  # beyond the dial no panel is drawn either
            draw_line(sheet, border, colour=UNSEEN, width=1.5, closed=True)
    _draw_short(sheet, rim, quality.border.short)
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


def _draw_short(sheet: Sheet, rim: Floats, short: Bools) -> None:
    """Mark beside the rim (K, 2), pixels, where too little panel was scanned (K,)."""
    along = np.roll(rim, -1, axis=0) - np.roll(rim, 1, axis=0)
    out = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
    beside = rim + THIN_OFF * out
    for k in np.flatnonzero(short & np.roll(short, -1)):
        draw_line(sheet, beside[[k, (k + 1) % len(rim)]], colour=UNSEEN, width=5)


def _label_places(sheet: Sheet, survey: Survey, scale: float) -> None:
    """Say on the recess itself where it is noisy, coarse or there twice, if a verdict minds."""
    bad = {check.name for check in survey.checks if check.verdict != "pass"}
    quality = survey.quality
    places = [
        (quality.points.noisiest, "noisy", NOISIEST),
        (quality.coarse_place, "coarse", COARSE),
        (quality.twin.place, "twice", TWICE),
    ]
    marks = [(patch, words) for patch, words, name in places if patch is not None and name in bad]
    for k, (patch, words) in enumerate(marks):
        x, y = DIAL_MIDDLE[0] + scale * patch.x, DIAL_MIDDLE[1] - scale * patch.y
        side = -1.0 if patch.x > 0 else 1.0  # towards the middle, where there is room
        label = (x + side * 62.0, y + 30.0 * (k - 0.5 * (len(marks) - 1)))
        draw_line(sheet, [(x, y), label], colour=PAPER, width=5)
        draw_line(sheet, [(x, y), label], width=2)
        box = [(label[0] + 36 * right, label[1] + 13 * down) for right, down in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        draw_area(sheet, box, colour=PAPER)
        draw_line(sheet, box, width=1.5, closed=True)
        draw_text(sheet, label, words, size=20, anchor="mm")


def _sum_up(survey: Survey) -> tuple[str, Colour]:
    """Return in a few words whether the scan will do, and the colour to say it in."""
    failed, doubts = (sum(check.verdict == verdict for check in survey.checks) for verdict in ("fail", "caution"))
    if failed:
        return f"scan again: {failed} of {len(survey.checks)} verdicts failed", FAILED
    if doubts:
        return f"will do, with {doubts} caution{'s' if doubts > 1 else ''}", INK
    return "will do", INK


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
    y = SECOND_Y
    draw_line(sheet, [(40, y), (80, y)], colour=UNSEEN, width=5)
    draw_text(sheet, (90, y), f"less than {WANTED:g} mm of panel scanned beside the rim", size=20)
    draw_line(sheet, [(545, y), (585, y)], colour=UNSEEN, width=1.5)
    draw_text(sheet, (595, y), "hole, spanned", size=20)
    paste_pixels(sheet, hatch_flat(swatch), (745, y - 10))
    draw_text(sheet, (795, y), "seen flat only", size=20)
    draw_line(sheet, [(990, y), (1030, y)], colour=FLAT, width=FLAT_WIDTH)
    draw_line(sheet, [(990, y), (1030, y)], width=2.5)
    draw_text(sheet, (1038, y), "seen flat only: trust it less", size=20)


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
