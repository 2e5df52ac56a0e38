"""The finished part in its recess, coloured by the gap to the scan: four views on one sheet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.drawing2d import (
    FINE,
    GREY,
    INK,
    Colour,
    Point,
    Sheet,
    draw_area,
    draw_colour_bar,
    draw_line,
    draw_scale_bar,
    draw_text,
    encode_png,
    finish_sheet,
    open_sheet,
    paste_pixels,
    shorten,
)
from mountgen.kernel import Mesh
from mountgen.picture import shade
from mountgen.ramp import COLLISION, FAR, NEUTRAL, ramp_gap
from mountgen.safe_write import write_file
from mountgen.scene import Camera, Item, Plane, cut_lines, look

SIZE = (1600, 1180)  # pixels, as are all places below
CELL = (660, 470)
CORNERS: tuple[Point, ...] = ((30.0, 140.0), (720.0, 140.0), (30.0, 680.0), (720.0, 680.0))
COLOUR_BAR = (1424.0, 190.0, 1452.0, 590.0)
FILLED = 0.94  # of a cell's width or height is taken by what it shows
SURROUND = 0.16  # share of the mouth's size shown of the panel around it
LAMP = (-0.35, 0.5, 0.9)  # over the viewer's left shoulder, as is usual in drawings
SCAN: Colour = (198, 184, 160)
GAP_EDGE = 2.0  # mm; a gap changes little over this
INSIDE: Colour = (153, 163, 176)


@dataclass(frozen=True)
class _Look:
    """One view: `forward` from the eye into the scene; `cut` takes away what lies towards 3 o'clock."""

    title: str
    forward: tuple[float, float, float]
    scan: bool = True
    cut: bool = False


LOOKS = (
    _Look("In place, looking into the mouth", (0.0, 0.0, -1.0)),
    _Look("In place, from upper right", (-0.55, -0.5, -0.8)),
    _Look("In place, cut open from 12 to 6 o'clock", (-0.85, -0.3, -0.45), cut=True),
    _Look("Taken out, seen from behind and below", (0.5, 0.4, 0.8), scan=False),
)


def picture_part(part: Mesh, recess: Recess, gap: Floats, out: Path, *, clearance: float) -> Path:
    """Draw the finished part in its recess, coloured by the gap to the scan.

    Args:
        part: the finished mesh, part frame.
        recess: the scan in the part frame.
        gap: (V,) mm, distance of each vertex of the part to the scan, negative inside the panel; NaN
            where nothing was scanned near it.
        out: the PNG to write; its folder is made if missing.
        clearance: mm, the gap that was asked for; the middle of the colours.

    Returns:
        Path: `out`.

    Raises:
        ValueError: `gap` has not one value for each vertex.
        ExportError: the picture cannot be written.
    """
    if np.shape(gap) != (len(part.vertices),):
        raise ValueError(f"gap must be ({len(part.vertices)},), not {np.shape(gap)}")
    sheet = draw_part(part, recess, gap, name=out.stem, clearance=clearance)
    return write_file(out, encode_png(finish_sheet(sheet)))


def measure_gap(part: Mesh, recess: Recess) -> tuple[Mesh, Floats]:
    """Measure the gap all over a part, for its picture.

    A part has few points where it is flat, and between them its gap would be guessed: long edges are split.

    Args:
        part: the finished mesh, part frame; a mesh that is not closed is measured at the points it has.
        recess: the scan in the part frame.

    Returns:
        The part with edges of about GAP_EDGE, and the gap at each of its vertices, (V,) mm: negative inside
        the panel, NaN where the nearest of the scan is its border, so that the side is not known.
    """
    import manifold3d

    from mountgen.surface import surface_of

    solid = manifold3d.Manifold(manifold3d.Mesh64(part.vertices.copy(), part.faces.astype(np.uint64)))
    if solid.status() == manifold3d.Error.NoError:
        fine = solid.refine_to_length(GAP_EDGE).to_mesh64()
        part = Mesh(fine.vert_properties[:, :3], fine.tri_verts.astype(np.int32))
    measured = surface_of(recess).measure(part.vertices)
    return part, np.where(measured.border, np.nan, measured.gap)


def draw_part(part: Mesh, recess: Recess, gap: Floats, *, name: str, clearance: float) -> Sheet:
    """Draw the sheet that `picture_part` writes; the same arguments, and the part's name for its heading."""
    ramp = ramp_gap(clearance)
    body = Item(part.vertices, part.faces, values=gap, ramp=ramp, inside=_to_share(INSIDE), edges=True)
    sheet = open_sheet(SIZE)
    draw_text(sheet, (40, 36), shorten(name, 60), size=30)
    draw_text(
        sheet,
        (40, 76),
        f"gap between part and scan, clearance asked for: {clearance:g} mm   ·   12 o'clock is upwards",
        size=20,
        colour=GREY,
    )
    surround = _crop_surround(recess)
    for view, corner in zip(LOOKS, CORNERS, strict=True):
        _draw_look(sheet, view, body, surround, corner)
    _draw_legend(sheet, clearance)
    return sheet


def _crop_surround(recess: Recess) -> Item:
    """Return the scan without the panel further than SURROUND from the rim."""
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    margin = max(SURROUND * float((high - low).max()), 6.0)
    near = ((recess.vertices[:, :2] > low - margin) & (recess.vertices[:, :2] < high + margin)).all(axis=1)
    faces = recess.faces[near[recess.faces].all(axis=1)]
    used, at = np.unique(faces, return_inverse=True)
    return Item(
        recess.vertices[used], at.reshape(-1, 3).astype(np.int32), colour=_to_share(SCAN), smooth=True
    )


def _draw_look(sheet: Sheet, view: _Look, body: Item, surround: Item, corner: Point) -> None:
    items = [body, surround] if view.scan else [body]
    cut = Plane(np.zeros(3), np.array([1.0, 0.0, 0.0])) if view.cut else None
    shown = np.concatenate([item.vertices for item in items])
    if cut is not None:
        shown = shown[shown[:, 0] <= 0.0] if (shown[:, 0] <= 0.0).any() else shown
    camera, scale = _aim(shown, view.forward)
    size = (CELL[0] * FINE, CELL[1] * FINE)
    seen = look(items, camera, size=size, cut=cut)
    paste_pixels(sheet, shade(items, camera, seen, cut=cut), corner)
    if cut is not None:
        for piece in cut_lines(surround.vertices, surround.faces, cut):
            draw_line(sheet, camera.project(piece, size)[:, :2] / FINE + corner, colour=INK, width=2.5)
    draw_text(sheet, (corner[0] + 10, corner[1] - 14), view.title, size=22)
    draw_scale_bar(sheet, (corner[0] + 10, corner[1] + CELL[1] + 22), scale, longest=120.0)


def _aim(points: Floats, forward: tuple[float, float, float]) -> tuple[Camera, float]:
    """Return a camera that shows points (N, 3) as large as the cell allows, and its scale, px per mm."""
    up = np.array([0.0, 1.0, 0.0])
    axes = Camera(np.zeros(3), np.asarray(forward), up, 1.0).axes()
    local = points @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    scale = FILLED * float(min(CELL / np.maximum(high - low, 1e-6)[:2]))
    target = (low + high) / 2 @ axes
    return Camera(target, np.asarray(forward), up, scale * FINE, LAMP), scale


def _draw_legend(sheet: Sheet, clearance: float) -> None:
    left, top, right, bottom = COLOUR_BAR
    draw_text(sheet, (left, top - 38), "gap in mm", size=20)
    shares = ((0.0, "touches"), (0.5, ""), (1.0, "asked"), (1.5, ""), (2.0, "or more"))
    ticks = [(share * clearance, f"{share * clearance:.2f} {word}".rstrip()) for share, word in shares]
    draw_colour_bar(sheet, COLOUR_BAR, ramp_gap(clearance), ticks=ticks)
    for y, colour, first, second in (
        (bottom + 50, COLLISION, "inside", "the panel"),
        (bottom + 110, NEUTRAL, f"over {FAR * clearance:g}", "or unseen"),
        (bottom + 170, SCAN, "scan", ""),
        (bottom + 230, INSIDE, "cut", ""),
    ):
        draw_area(sheet, [(left, y - 14), (right, y - 14), (right, y + 14), (left, y + 14)], colour=colour)
        draw_text(sheet, (right + 12, y - (12 if second else 0)), first, size=20)
        if second:
            draw_text(sheet, (right + 12, y + 12), second, size=20)


def _to_share(colour: Colour) -> tuple[float, float, float]:
    return colour[0] / 255.0, colour[1] / 255.0, colour[2] / 255.0
