"""Sections of a part as templates: outlines at true size, with what says where in the recess they belong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from string import ascii_uppercase

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.errors import ExportError
from mountgen.kernel import Mesh
from mountgen.outline import chain_pieces, cut_flat, face_plane
from mountgen.verdict import format_number

SHARES = (0.08, 0.36, 0.64, 0.92)  # of the part's depth at which it is cut, unless the user says where
COARSE, FINE = 1.0, 0.5  # mm to which these are rounded, for parts deeper and shallower than SHALLOW
SHALLOW = 20.0  # mm
LEAST_AREA = 0.05  # of the largest section; a smaller one is not worth cutting
MIDST = 0.25  # of the part's size from either side; a plane through the dial's middle is taken where it lies within that
CROWDED = 6.5  # mm; numbers of depths nearer to each other than this would touch, so every other one stands at the other end
AROUND = 6.0  # mm of the recess shown beyond the outline


@dataclass(frozen=True)
class Mark:
    """Where another section crosses: a straight line on paper, mm, and what is written at its ends ("" for nothing)."""

    start: tuple[float, float]
    end: tuple[float, float]
    words: tuple[str, str]


@dataclass(frozen=True, eq=False)
class Template:
    """One section at true size. Lengths are mm on paper, x to the right, y up.

    code   : letter by which sheets name it.
    label  : what is written on the card: its depth, or the clock positions that it joins.
    title  : what is cut; caption: at which coordinate, and how one looks at it.
    outline: (K, 2) each, closed, first point not repeated; what is inside an odd number of them is the part.
    recess : (K, 2) each, lines of the scan about it.
    marks  : where the other sections cross.
    """

    code: str
    label: str
    title: str
    caption: str
    outline: tuple[Floats, ...]
    recess: tuple[Floats, ...]
    marks: tuple[Mark, ...]

    def bounds(self) -> tuple[Floats, Floats]:
        """Return the outline's corners, low and high, (2,) mm."""
        points = np.concatenate(self.outline)
        return points.min(axis=0), points.max(axis=0)


def cut_templates(part: Mesh, recess: Recess, *, stations: Sequence[float] = ()) -> tuple[Template, ...]:
    """Cut a part across at some depths, and twice upright.

    Args:
        part: the finished mesh. recess: the scan. Both in the part frame.
        stations: depths below the mouth's plane, mm; chosen if none are given.

    Returns:
        The sections across, the one nearest to the mouth first, then that from 12 to 6 o'clock and that from 9 to 3.

    Raises:
        ExportError: the part is not cut at a depth that was asked for.
    """
    low, high = part.vertices.min(axis=0), part.vertices.max(axis=0)
    x, y = (_choose_middle(float(low[k]), float(high[k])) for k in (0, 1))
    depths = _check_depths(part, recess, stations) if stations else _choose_depths(part, recess)
    codes = iter(ascii_uppercase)
    found = []
    for depth in depths:
        words = format_number(depth)
        title = f"{words} mm below the mouth" if depth >= 0.0 else f"{format_number(-depth)} mm above the mouth"
        marks = [(0, x, ("6", "12")), (1, y, ("9", "3"))]
        found.append(_cut(part, recess, 2, -depth, next(codes), f"{words} mm", title, marks))
    levels = [(2, -depth, words) for depth, words in zip(depths, _write_depths(depths), strict=True)]
    for axis, at, label, other in ((0, x, "12 - 6", (1, y, ("", ""))), (1, y, "9 - 3", (0, x, ("", "")))):
        title = f"Upright, {label.replace(' - ', ' to ')} o'clock"
        found.append(_cut(part, recess, axis, at, next(codes), label, title, [*levels, other]))
    return tuple(each for each in found if each.outline)


def _write_depths(depths: Sequence[float]) -> list[tuple[str, str]]:
    """Return what stands at the two ends of the lines that mark ascending depths."""
    crowded = any(lower - upper < CROWDED for upper, lower in pairwise(depths))
    told = [format_number(depth) for depth in depths]
    return [(words, "") if crowded and k % 2 else ("", words) for k, words in enumerate(told)]


def _choose_middle(low: float, high: float) -> float:
    """Return the dial's middle where it lies well inside the part, else the part's."""
    share = -low / (high - low)
    return 0.0 if MIDST <= share <= 1.0 - MIDST else round((low + high) / 2.0, 1)


def _find_range(part: Mesh) -> tuple[float, float]:
    """Return the depths of the part's upper and lower end, mm; what stands out of the mouth is no part of it."""
    z = part.vertices[:, 2]
    return max(0.0, -float(z.max())), -float(z.min())


def _choose_depths(part: Mesh, recess: Recess) -> list[float]:
    first, last = _find_range(part)
    step = COARSE if last - first > SHALLOW else FINE
    depths = sorted({round((first + share * (last - first)) / step) * step for share in SHARES})
    areas = [_measure_area(_outline(part, recess, 2, -depth)) for depth in depths]
    return [depth for depth, area in zip(depths, areas, strict=True) if area > LEAST_AREA * max(areas)]


def _check_depths(part: Mesh, recess: Recess, stations: Sequence[float]) -> list[float]:
    low, high = (-float(v) for v in (part.vertices[:, 2].max(), part.vertices[:, 2].min()))
    for depth in stations:
        if not _outline(part, recess, 2, -depth):
            least, most = np.ceil(10.0 * low) / 10.0 + 0.0, np.floor(10.0 * high) / 10.0
            remedy = f"give depths below the mouth between {least:g} and {most:g} mm"
            raise ExportError(f"{depth:g} mm below the mouth nothing of the part is cut", f"--station {depth:g}", remedy)
    if len(set(stations)) > len(ascii_uppercase) - 2:
        what = f"{len(set(stations))} sections are more than the alphabet has letters for"
        raise ExportError(what, "--station", f"give {len(ascii_uppercase) - 2} at most, and run again for the others")
    return sorted(set(stations))


def _measure_area(rings: Sequence[Floats]) -> float:
    """Return what the largest of closed lines encloses, mm²."""
    turns = (r[:, 0] * np.roll(r[:, 1], -1) - np.roll(r[:, 0], -1) * r[:, 1] for r in rings)
    return max((abs(0.5 * float(turn.sum())) for turn in turns), default=0.0)


def _outline(part: Mesh, recess: Recess, axis: int, at: float) -> tuple[Floats, ...]:
    lines = chain_pieces(cut_flat(part, axis, at, face_plane(axis, recess.up)))
    return tuple(line[:-1] for line in lines if len(line) > 3 and (line[0] == line[-1]).all())


def _cut(
    part: Mesh, recess: Recess, axis: int, at: float, code: str, label: str, title: str,
    crossing: Sequence[tuple[int, float, tuple[str, str]]],
) -> Template:  # fmt: skip
    facing = face_plane(axis, recess.up)
    outline = _outline(part, recess, axis, at)
    caption = f"{'xyz'[axis]} = {at:.1f} mm, seen from {facing.viewer}"
    if not outline:
        return Template(code, label, title, caption, (), (), ())
    points = np.concatenate(outline)
    low, high = points.min(axis=0) - AROUND, points.max(axis=0) + AROUND
    ground = cut_flat(Mesh(recess.vertices, recess.faces), axis, at, facing)
    ground = ground[((ground > low) & (ground < high)).all(axis=(1, 2))]
    marks = []
    for other, value, words in crossing:
        place = value * np.array([facing.right[other], facing.up[other]])
        along = int(np.argmin(np.abs([facing.right[other], facing.up[other]])))  # the line runs along this axis of the paper
        ends = np.array([place, place])
        ends[:, along] = (low + 0.5 * AROUND)[along], (high - 0.5 * AROUND)[along]
        if low[1 - along] < place[1 - along] < high[1 - along]:
            (a, b), (c, d) = ends.tolist()
            marks.append(Mark((a, b), (c, d), words))
    return Template(code, label, title, caption, outline, chain_pieces(ground), tuple(marks))
