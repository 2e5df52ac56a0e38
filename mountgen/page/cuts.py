"""Sections through the part in its recess, drawn to scale with the gap dimensioned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.kernel import Mesh
from mountgen.outline import chain_pieces, cut_flat, face_plane
from mountgen.page.layers import crop_scan
from mountgen.page.markup import Markup, element
from mountgen.rows import extent
from mountgen.surface import surface_of
from mountgen.verdict import format_number

AROUND = 8.0  # mm shown about the part
STEP = 0.7  # mm between the points of the outline at which the gap is measured
SEVERAL = 8  # gaps dimensioned in a section at most, the least among them
ASKEW = 0.7  # of a gap that may run along the outline; more, and it is no gap of that surface
CONTACT = 3.0  # clearances; a wider gap is none that was meant
LETTER = 3.4  # mm of the drawing, height of letters
WORD = 2.8  # letters that the size of a gap is wide, with some room
LEADER = 2.2  # letters from the scan to the size of a gap
BORDER = (2.9, 1.2)  # letters beside and above what is drawn, for the dimensions
SMALL = 480.0  # pixels; a drawing no wider than that may shrink to a phone's width, wider ones are shifted there
SCALE, WIDEST = 4.0, 1000.0  # pixels a mm, at most; pixels of the widest drawing
DEEPER = 1.2  # of the way from the scan to the part, at which a section through a gap is cut
OBLIQUE = 0.2  # of a gap that may run across the plane it is shown in before this is said; it looks 2 % wider there
WAYS = ("12 to 6 o'clock", "9 to 3 o'clock")  # of planes square to x and to y
APART = 3.0  # mm; planes nearer to each other show the same


@dataclass(frozen=True, eq=False)
class Cut:
    """One section as lines in its own plane: `right` and `up` on paper, mm.

    title, caption: what is cut and how one looks at it.
    scan : polylines, (K, 2) each.   part: closed ones.
    gaps : (N, 2, 2), from the part to the nearest of the scan in this plane; the least first.
    """

    title: str
    caption: str
    scan: tuple[Floats, ...]
    part: tuple[Floats, ...]
    gaps: Floats


def cut_part(part: Mesh, recess: Recess, *, clearance: float, least: Sequence[float]) -> tuple[Cut, ...]:
    """Cut a part in its recess through its middle, along and across, below the mouth, and where the gap is least.

    Args:
        part: the finished mesh. recess: the scan. Both in the part frame.
        clearance: asked for, mm.
        least: (3,) mm, where on the part the gap is least.
    """
    scan = Mesh(*crop_scan(recess))
    low, high = extent(part.vertices)
    x, y, _ = (float(v) for v in (low + high) / 2.0)
    z = float(low[2] + min(high[2], 0.0)) / 2.0
    planes = [
        (0, x, f"Through the middle, {WAYS[0]}"),
        (1, y, f"Through the middle, {WAYS[1]}"),
        (2, z, f"Across, {format_number(round(-z, 1))} mm below the mouth"),
    ]
    gap = np.vstack([surface_of(each).measure(np.array([least], dtype=np.float64)).foot for each in (part, recess)])
    axis = int(np.argmin(np.abs(gap[1] - gap[0])[:2]))  # of the upright planes the one that the gap runs along more
    at = float(gap[1, axis] + DEEPER * (gap[0] - gap[1])[axis])  # where there is part, if the gap leads off a corner of it
    if abs(at - planes[axis][1]) > APART:
        planes.insert(axis + 1, (axis, at, f"Through the least gap, {WAYS[axis]}"))
    cuts = [_cut(part, scan, axis, at, title, recess.up, clearance) for axis, at, title in planes]
    if len(planes) > len(WAYS) + 1:
        cuts[axis + 1] = _show_least(cuts[axis + 1], gap, axis, recess.up)
    return tuple(cut for cut in cuts if cut.part)


def _show_least(cut: Cut, gap: Floats, axis: int, up: Floats) -> Cut:
    """Return a section with the least gap, (2, 3) from part to scan, in it, or told of where it runs askew to the section.

    Sections find gaps by themselves, but beside a hole of the scan there may be no line to find them by.
    """
    size = float(np.linalg.norm(gap[1] - gap[0]))
    if abs(gap[1, axis] - gap[0, axis]) > OBLIQUE * size:
        return replace(cut, caption=f"{cut.caption} The least gap, {size:.2f} mm, runs askew to it.")
    facing = face_plane(axis, up)
    return replace(cut, gaps=np.concatenate([[gap @ np.array([facing.right, facing.up]).T], cut.gaps]))


def draw_cuts(cuts: Sequence[Cut]) -> Markup:
    """Draw sections as figures, all to one scale."""
    sizes = [_measure(cut) for cut in cuts]
    scale = min(SCALE, WIDEST / max((float(high[0] - low[0]) for low, high in sizes), default=WIDEST))
    letter = LETTER * SCALE / scale  # the same on the screen, whatever the scale
    return element("div", *(_draw(cut, scale, letter) for cut in cuts), class_="cuts")


def _measure(cut: Cut) -> tuple[Floats, Floats]:
    """Return the corners of what is drawn, mm, low and high."""
    outline = np.concatenate(cut.part)
    return outline.min(axis=0) - AROUND, outline.max(axis=0) + AROUND


def _draw(cut: Cut, scale: float, letter: float) -> Markup:
    (left, bottom), (right, top) = (corner.tolist() for corner in _measure(cut))
    beside, above = (letters * letter for letters in BORDER)
    gaps = _choose_gaps(cut.gaps, letter)

    def place(points: Floats) -> Floats:
        return np.asarray((points - (left - beside, top + above)) * (1.0, -1.0))

    def path(lines: Sequence[Floats], closed: str) -> str:
        texts = []
        for line in lines:
            texts.append("M" + "L".join(f"{u:.2f} {v:.2f}" for u, v in place(line).tolist()) + closed)
        return "".join(texts)

    width = right - left + 2.0 * beside
    base = top - bottom + 2.0 * above + letter
    height = base + 1.5 * letter
    bar = 10.0 if width < 150.0 else 20.0
    drawing = element(
        "svg",
        element("title", cut.title),
        element("path", class_="part", d=path(cut.part, "Z"), fill_rule="evenodd"),
        element("path", class_="scan", d=path(cut.scan, "")),
        element("g", *(_draw_gap(place(gap), letter) for gap in gaps), class_="gap"),
        element("path", class_="bar", d=f"M{letter:.2f} {base:.2f}h{bar:g}m0 -1.2v2.4m-{bar:g} 0v-2.4"),
        element("text", f"{bar:g} mm", x=1.5 * letter + bar, y=base + letter / 3),
        viewBox=f"0 0 {width:.2f} {height:.2f}",
        width=round(width * scale),
        height=round(height * scale),
        font_size=letter,
        class_="small" if width * scale <= SMALL else None,
        role="img",
        aria_label=f"{cut.title}. {_say_gaps(gaps)}",
    )
    return element(
        "figure",
        element("div", drawing, class_="wide", tabindex="0", role="group", aria_label=f"Drawing: {cut.title}"),
        element("figcaption", element("strong", cut.title), f". {cut.caption} {_say_gaps(gaps)}"),
    )


def _choose_gaps(gaps: Floats, letter: float) -> Floats:
    """Return the gaps whose sizes can be written without one hiding another, the first of them in any case."""
    chosen: list[Floats] = []
    labels: list[Floats] = []
    for gap in gaps:
        way = _direction(gap)
        aside = {"start": 0.5, "end": -0.5, "middle": 0.0}[_anchor(float(way[0]))] * WORD
        label = gap[1] + letter * (LEADER * way + (0.3 * way[0] + aside, 0.5 * way[1]))  # its middle, as drawn
        if all((np.abs(label - other) > (WORD * letter, 1.2 * letter)).any() for other in labels):
            chosen.append(gap)
            labels.append(label)
    return np.array(chosen[:SEVERAL]).reshape(-1, 2, 2)


def _anchor(dx: float) -> str:
    """Return which end of a gap's size stands on its line, which leads `dx` to the right."""
    return "start" if dx > 0.4 else "end" if dx < -0.4 else "middle"


def _direction(gap: Floats) -> Floats:
    """Return the unit vector from the part to the scan; down where they touch."""
    way = gap[1] - gap[0]
    size = float(np.hypot(*way))
    return np.asarray(way / size) if size > 1e-9 else np.array([0.0, -1.0])


def _say_gaps(gaps: Floats) -> str:
    if not len(gaps):
        return "No surface of the part is near the scan here."
    sizes = np.linalg.norm(gaps[:, 1] - gaps[:, 0], axis=1)
    return f"Gaps in this plane, mm: {', '.join(f'{size:.2f}' for size in sizes)}; the least comes first."


def _draw_gap(gap: Floats, letter: float) -> Markup:
    """Draw a ring around a gap, and its size on a line that leads away from the part; places on the drawing, mm."""
    (x, y), (u, v) = gap.tolist()
    size = float(np.hypot(u - x, v - y))
    dx, dy = _direction(gap).tolist()
    end = (u + LEADER * letter * dx, v + LEADER * letter * dy)
    at = (end[0] + 0.3 * letter * dx, end[1] + letter * (0.35 + 0.5 * dy))
    return element(
        "g",
        element("path", d=f"M{x:.2f} {y:.2f}L{end[0]:.2f} {end[1]:.2f}"),
        element("circle", cx=(x + u) / 2, cy=(y + v) / 2, r=max(size / 2.0, 0.25 * letter)),
        element("text", f"{size:.2f}", x=at[0], y=at[1], text_anchor=_anchor(dx)),
    )


def _cut(part: Mesh, scan: Mesh, axis: int, at: float, title: str, up: Floats, clearance: float) -> Cut:
    facing = face_plane(axis, up)
    own, ground = (cut_flat(mesh, axis, at, facing) for mesh in (part, scan))
    if len(own):
        low, high = own.min(axis=(0, 1)) - AROUND, own.max(axis=(0, 1)) + AROUND
        ground = ground[((ground > low) & (ground < high)).any(axis=1).all(axis=1)]
    rings = tuple(line for line in chain_pieces(own) if len(line) > 3)
    return Cut(
        title=title,
        caption=f"Cut at {'xyz'[axis]} = {format_number(round(at, 1))} mm, seen from {facing.viewer}.",
        scan=chain_pieces(ground),
        part=rings,
        gaps=_find_gaps(rings, ground, reach=CONTACT * clearance),
    )


def _find_gaps(rings: Sequence[Floats], ground: Floats, *, reach: float) -> Floats:
    """Return gaps (N, 2, 2) between outlines and the scan's pieces (M, 2, 2), the least first, then spread out."""
    if not rings or not len(ground):
        return np.zeros((0, 2, 2))
    points, ahead = (np.concatenate(each) for each in zip(*(_walk(ring) for ring in rings), strict=True))
    foot = _nearest_on(points, ground)
    size = np.linalg.norm(foot - points, axis=1)
    across = np.abs(((foot - points) * ahead).sum(axis=1)) <= ASKEW * size
    near = np.flatnonzero((size <= reach) & across)
    if not len(near):
        return np.zeros((0, 2, 2))
    chosen = [int(near[np.argmin(size[near])])]
    while len(chosen) < 2 * SEVERAL:  # the next is the one furthest from all so far
        away = np.min([np.linalg.norm(points[near] - points[k], axis=1) for k in chosen], axis=0)
        if away.max() < 4.0 * reach:
            break
        chosen.append(int(near[np.argmax(away)]))
    return np.stack([points[chosen], foot[chosen]], axis=1)


def _walk(line: Floats) -> tuple[Floats, Floats]:
    """Return points along a polyline, STEP apart, and which way it runs there, both (N, 2)."""
    way = np.diff(line, axis=0)
    length = np.linalg.norm(way, axis=1)
    along = np.concatenate([[0.0], np.cumsum(length)])
    count = max(2, int(along[-1] / STEP))
    at = (np.arange(count) + 0.5) * (along[-1] / count)
    piece = np.searchsorted(along, at, side="right") - 1
    ahead = way[piece] / length[piece, None]
    return line[piece] + (at - along[piece])[:, None] * ahead, ahead


def _nearest_on(points: Floats, pieces: Floats) -> Floats:
    """Return the nearest places (N, 2) to points (N, 2) on straight pieces (M, 2, 2)."""
    import shapely

    piece = shapely.STRtree(shapely.linestrings(pieces)).nearest(shapely.points(points))
    start, way = pieces[piece, 0], pieces[piece, 1] - pieces[piece, 0]
    share = ((points - start) * way).sum(axis=1) / np.maximum((way**2).sum(axis=1), 1e-12)
    return np.asarray(start + np.clip(share, 0.0, 1.0)[:, None] * way)
