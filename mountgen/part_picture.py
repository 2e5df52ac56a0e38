"""The finished part in its recess, coloured by the gap to the scan: a picture each of several views."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

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
from mountgen.faces import average_normals
from mountgen.gap import Standing
from mountgen.kernel import Mesh
from mountgen.picture import shade
from mountgen.ramp import COLLISION, FAR, LEAST_MIDDLE, NEUTRAL, ramp_gap, scale_gap
from mountgen.scene import Camera, Item, Plane, cut_lines, look
from mountgen.solid_mesh import load_solid
from mountgen.surface import lies_behind
from mountgen.verdict import format_number

SIZE = (1020, 700)  # pixels, as are all places below
CELL = (750, 520)
CORNER: Point = (30.0, 114.0)
COLOUR_BAR = (836.0, 160.0, 862.0, 440.0)
FILLED = 0.94  # of a cell's width or height is taken by what it shows
SURROUND = 0.16  # share of the mouth's size shown of the panel around it
LAMP = (-0.35, 0.5, 0.9)  # over the viewer's left shoulder, as is usual in drawings
SCAN: Colour = (198, 184, 160)
GAP_EDGE = 2.0  # mm; a gap changes little over this
INSIDE: Colour = (153, 163, 176)


@dataclass(frozen=True)
class Look:
    """One view: `forward` from the eye into the scene; `cut` takes away what lies towards 3 o'clock."""

    title: str
    forward: tuple[float, float, float]
    scan: bool = True
    cut: bool = False


LOOKS: Mapping[str, Look] = {  # by the ending of their files
    "mouth": Look("in place, looking into the mouth", (0.0, 0.0, -1.0)),
    "three-quarter": Look("in place, from upper right", (-0.55, -0.5, -0.8)),
    "section": Look("in place, cut open from 12 to 6 o'clock", (-0.85, -0.3, -0.45), cut=True),
    "behind": Look("taken out, seen from behind and below", (0.5, 0.4, 0.8), scan=False),
}


@dataclass(frozen=True, eq=False)
class Gauged:
    """A part with its gap to the scan, ready to be drawn.

    mesh  : part frame, with edges of about GAP_EDGE.
    gap   : (V,) mm, of each vertex to the scan, negative inside the panel; NaN where the nearest of the scan is its border, so
            that the side is not known, and where it is near but behind the part's own wall, such as under the inside of a tray.
    asked : (V,) mm, the gap asked for there.
    """

    mesh: Mesh
    gap: Floats
    asked: Floats

    def __post_init__(self) -> None:
        for values in (self.gap, self.asked):
            if np.shape(values) != (len(self.mesh.vertices),):
                raise ValueError(f"gaps must be ({len(self.mesh.vertices)},), not {np.shape(values)}")


def picture_part(gauged: Gauged, recess: Recess, *, name: str, zones: Mapping[str, float]) -> dict[str, bytes]:
    """Draw the finished part in its recess, coloured by the gap to the scan, once for each of LOOKS.

    Args:
        gauged: the finished part with its gap.
        recess: the scan in the part frame.
        name: of the part, for the headings.
        zones: zone of the scan to the gap asked for there, mm.

    Returns:
        PNG by the key of LOOKS; the same arguments give the same bytes.
    """
    return {key: encode_png(finish_sheet(draw_look(key, gauged, recess, name=name, zones=zones))) for key in LOOKS}


def measure_gap(part: Mesh, standing: Standing) -> Gauged:
    """Measure the gap all over a part, for its picture.

    A part has few points where it is flat, and between them its gap would be guessed: long edges are split.

    Args:
        part: the finished mesh, part frame; a mesh that is not closed is measured at the points it has.
        standing: the scan about the part, as the gauge made it.
    """
    import manifold3d

    solid = load_solid(part)
    if solid.status() == manifold3d.Error.NoError:
        fine = solid.refine_to_length(GAP_EDGE).to_mesh64()
        part = Mesh(fine.vert_properties[:, :3], fine.tri_verts.astype(np.int32))
    measured = standing.surface.measure(part.vertices)
    asked = standing.clearance[measured.face]
    near = measured.gap <= FAR * np.maximum(asked, LEAST_MIDDLE)  # else it has no colour anyway
    behind = near & lies_behind(part.vertices, average_normals(part.vertices, part.faces), measured)
    return Gauged(part, np.where(measured.border | behind, np.nan, measured.gap), asked)


def draw_look(key: str, gauged: Gauged, recess: Recess, *, name: str, zones: Mapping[str, float]) -> Sheet:
    """Draw one sheet of `picture_part`; the same arguments, and the key of its look."""
    view = LOOKS[key]
    values, ramp = scale_gap(gauged.gap, gauged.asked)
    mesh = gauged.mesh
    body = Item(mesh.vertices, mesh.faces, values=values, ramp=ramp, inside=_to_share(INSIDE), edges=True)
    sheet = open_sheet(SIZE)
    draw_text(sheet, (40, 38), f"{shorten(name, 40)}: {view.title}", size=28)
    words = f"colour: gap between part and scan, asked for: {word_zones(zones)}; 12 o'clock is upwards"
    draw_text(sheet, (40, 78), words, size=20, colour=GREY)
    _draw_view(sheet, view, body, _crop_surround(recess))
    _draw_legend(sheet, view, zones)
    return sheet


def word_zones(zones: Mapping[str, float]) -> str:
    """Return the gaps asked for in words: one where all are the same, else one a zone."""
    if len(set(zones.values())) <= 1:
        return f"{format_number(next(iter(zones.values()), 0.0))} mm"
    return ", ".join(f"{zone} {format_number(gap)}" for zone, gap in zones.items()) + " mm"


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


def _draw_view(sheet: Sheet, view: Look, body: Item, surround: Item) -> None:
    items = [body, surround] if view.scan else [body]
    cut = Plane(np.zeros(3), np.array([1.0, 0.0, 0.0])) if view.cut else None
    shown = np.concatenate([item.vertices for item in items])
    if cut is not None:
        shown = shown[shown[:, 0] <= 0.0] if (shown[:, 0] <= 0.0).any() else shown
    camera, scale = _aim(shown, view.forward)
    size = (CELL[0] * FINE, CELL[1] * FINE)
    seen = look(items, camera, size=size, cut=cut)
    paste_pixels(sheet, shade(items, camera, seen, cut=cut), CORNER)
    if cut is not None:
        for piece in cut_lines(surround.vertices, surround.faces, cut):
            draw_line(sheet, camera.project(piece, size)[:, :2] / FINE + CORNER, colour=INK, width=2.5)
    draw_scale_bar(sheet, (CORNER[0] + 10, CORNER[1] + CELL[1] + 34), scale, longest=150.0)


def _aim(points: Floats, forward: tuple[float, float, float]) -> tuple[Camera, float]:
    """Return a camera that shows points (N, 3) as large as the cell allows, and its scale, px per mm."""
    up = np.array([0.0, 1.0, 0.0])
    axes = Camera(np.zeros(3), np.asarray(forward), up, 1.0).axes()
    local = points @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    scale = FILLED * float(min(CELL / np.maximum(high - low, 1e-6)[:2]))
    target = (low + high) / 2 @ axes
    return Camera(target, np.asarray(forward), up, scale * FINE, LAMP), scale


def _draw_legend(sheet: Sheet, view: Look, zones: Mapping[str, float]) -> None:
    left, top, right, bottom = COLOUR_BAR
    gaps = {max(gap, LEAST_MIDDLE) for gap in zones.values()}
    in_mm = len(gaps) == 1
    middle = gaps.pop() if in_mm else 1.0
    draw_text(sheet, (left, top - 30), "gap in mm" if in_mm else "gap / asked", size=20)
    asked = "asked" if not in_mm or middle in zones.values() else ""
    shares = ((0.0, "touches"), (0.5, ""), (1.0, asked), (1.5, ""), (2.0, "or more"))
    ticks = [(share * middle, f"{share * middle:.2f} {word}".rstrip()) for share, word in shares]
    draw_colour_bar(sheet, COLOUR_BAR, ramp_gap(middle), ticks=ticks)
    far = f"over {FAR * middle:g}" + ("" if in_mm else " asked")
    keys = [(bottom + 44, COLLISION, "inside", "the panel"), (bottom + 98, NEUTRAL, far, "or unseen")]
    if view.scan:
        keys.append((bottom + 148, SCAN, "scan", ""))
    if view.cut:
        keys.append((bottom + 192, INSIDE, "cut", ""))
    for y, colour, first, second in keys:
        draw_area(sheet, [(left, y - 14), (right, y - 14), (right, y + 14), (left, y + 14)], colour=colour)
        draw_text(sheet, (right + 12, y - (12 if second else 0)), first, size=20)
        if second:
            draw_text(sheet, (right + 12, y + 12), second, size=20)


def _to_share(colour: Colour) -> tuple[float, float, float]:
    return colour[0] / 255.0, colour[1] / 255.0, colour[2] / 255.0
