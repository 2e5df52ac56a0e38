"""Height fields on a grid, and what is read from them: values between nodes, nodes in a loop, free volume. A leaf.

All fields are (R, C) float32 in mm: row r is y = origin[1] + r*pitch, column c is x = origin[0] + c*pitch. A node that nothing
has reached holds EMPTY. The loops are compiled and release the interpreter lock.
"""

from __future__ import annotations

from math import ceil, cos, floor, sin

import numpy as np

from mountgen.arrays import Bools, Floats, Singles
from mountgen.compiled import compiled
from mountgen.threads import share_parts

EMPTY = np.float32(-1.0e9)  # mm; height of a node nothing has reached
SUMS = 4  # parts in which a sum is taken, whatever threads there are, so that it is the same on every machine
_jit = compiled(fastmath=False)


@_jit
def _place(points, i, x0, y0, pitch, rows, cols):  # type: ignore[no-untyped-def]
    """Return the node (row, column) before a point, and how far the point lies from there to the next, as shares."""
    fx = min(max((points[i, 0] - x0) / pitch, 0.0), cols - 1.001)
    fy = min(max((points[i, 1] - y0) / pitch, 0.0), rows - 1.001)
    c, r = int(fx), int(fy)
    return r, c, fx - c, fy - r


@_jit
def _mix(field, r, c, tx, ty):  # type: ignore[no-untyped-def]
    low = field[r, c] * (1.0 - tx) + field[r, c + 1] * tx
    high = field[r + 1, c] * (1.0 - tx) + field[r + 1, c + 1] * tx
    return low * (1.0 - ty) + high * ty


@_jit
def _bilinear(field, points, x0, y0, pitch, out):  # type: ignore[no-untyped-def]
    rows, cols = field.shape
    for i in range(points.shape[0]):
        r, c, tx, ty = _place(points, i, x0, y0, pitch, rows, cols)
        out[i] = _mix(field, r, c, tx, ty)


@_jit
def _bilinear_both(first, second, points, x0, y0, pitch, one, other):  # type: ignore[no-untyped-def]
    rows, cols = first.shape
    for i in range(points.shape[0]):
        r, c, tx, ty = _place(points, i, x0, y0, pitch, rows, cols)
        one[i], other[i] = _mix(first, r, c, tx, ty), _mix(second, r, c, tx, ty)


@_jit
def _look_around(height, border, empty, todo, reach, out):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    for i in range(todo.shape[0]):
        r, c = todo[i, 0], todo[i, 1]
        best = empty
        for k in range(16):
            angle = k * np.pi / 8.0
            dr, dc = np.sin(angle), np.cos(angle)
            for step in range(1, reach):
                rr = round(r + step * dr)
                cc = round(c + step * dc)
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                    break
                if height[rr, cc] > empty:
                    best = max(best, border[rr, cc] if border[rr, cc] > empty else height[rr, cc])
                    break
        out[i] = best


@_jit
def _fill_rows(loop, x0, y0, pitch, inside):  # type: ignore[no-untyped-def]
    rows, cols = inside.shape
    count = loop.shape[0]
    cuts = np.empty(count)
    for r in range(rows):
        y = y0 + r * pitch
        found = 0
        for i in range(count):
            ay, by = loop[i, 1], loop[(i + 1) % count, 1]
            if (ay > y) != (by > y):
                ax, bx = loop[i, 0], loop[(i + 1) % count, 0]
                cuts[found] = ax + (y - ay) * (bx - ax) / (by - ay)
                found += 1
        cuts[:found].sort()
        for i in range(0, found - 1, 2):
            first = max(0, ceil((cuts[i] - x0) / pitch))
            last = min(cols - 1, floor((cuts[i + 1] - x0) / pitch))
            for c in range(first, last + 1):
                inside[r, c] = not inside[r, c]


@_jit
def _sum_free(height, first, stop, empty, mouth, lid, sx, sy, level, cosine, sine, x0, y0, pitch, steps):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    total = 0.0
    for r in range(first, stop):
        for c in range(cols):
            if not height[r, c] > empty:
                continue
            u, v = x0 + pitch * c, y0 + pitch * r
            x, y = cosine * u - sine * v - level * sx, sine * u + cosine * v - level * sy
            above = level
            for _ in range(steps):
                px, py = x + above * sx, y + above * sy
                above = lid[0] + lid[1] * px + lid[2] * py + lid[3] * px * px + lid[4] * px * py + lid[5] * py * py
            free = above - height[r, c]
            if free > 0.0:
                k, q = round((cosine * px + sine * py - x0) / pitch), round((cosine * py - sine * px - y0) / pitch)
                if 0 <= q < rows and 0 <= k < cols and mouth[q, k]:
                    total += free
    return total


def empty_field(shape: tuple[int, int]) -> Singles:
    """Return a field that nothing has reached."""
    return np.full(shape, EMPTY, dtype=np.float32)


def fill_loop(loop: Floats, *, origin: tuple[float, float], pitch: float, shape: tuple[int, int]) -> Bools:
    """Return the nodes inside a closed loop (K, 2), mm, by the even-odd rule, (R, C) bool."""
    inside: Bools = np.zeros(shape, dtype=np.bool_)
    _fill_rows(np.ascontiguousarray(loop, dtype=np.float64), origin[0], origin[1], pitch, inside)
    return inside


def sum_free(
    height: Singles, mouth: Bools, lid: Floats, *, slope: Floats, level: float, turn: float, origin: tuple[float, float],
    pitch: float, steps: int,
) -> float:
    """Return the volume over a height field that is free up to a lid and left through a mouth along (slope, 1), mm³.

    Args:
        height: (R, C) float32, of a mesh sheared by minus the slope, so that the way out is upright; what is EMPTY is not free.
        mouth: (R, C) bool, nodes where the lid may be passed.
        lid: (6,) terms of its height in x and y, as in `lid.lid_height`.
        slope: (2,) mm sideways per mm of height.
        level: mm, height at which the shear leaves things in their place.
        turn: radians from the lid's x axis to the grid's.
        origin, pitch: the grid, as for `raster_faces`.
        steps: in which the place is found where a line meets the lid.
    """

    def work(part: slice) -> float:
        free: float = _sum_free(
            height, part.start, part.stop, EMPTY, mouth, lid, float(slope[0]), float(slope[1]), level, cos(turn), sin(turn),
            *origin, pitch, steps,
        )  # fmt: skip
        return free

    return sum(share_parts(work, len(height), parts=SUMS)) * pitch * pitch


def sample_grid(field: Singles, points: Floats, *, origin: tuple[float, float], pitch: float) -> Floats:
    """Return a field's values at points (..., 2), mm, bilinear between nodes; beyond its edge that of the edge."""
    flat = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
    out = np.empty(len(flat))
    _bilinear(field, flat, origin[0], origin[1], pitch, out)
    return out.reshape(points.shape[:-1])


def sample_both(
    first: Singles, second: Singles, points: Floats, *, origin: tuple[float, float], pitch: float
) -> tuple[Floats, Floats]:
    """Return two fields' values at points (N, 2), mm, each as `sample_grid` does, in two thirds of the time."""
    flat = np.ascontiguousarray(points, dtype=np.float64)
    values = np.empty(len(flat)), np.empty(len(flat))
    _bilinear_both(first, second, flat, origin[0], origin[1], pitch, *values)
    return values


def look_around(height: Singles, border: Singles, wanted: Bools, *, reach: float, pitch: float) -> Singles:
    """Return, for each wanted node (in np.argwhere order), the highest of the surfaces met first in 16 directions of the plan.

    Args:
        height: (R, C), EMPTY where there is no surface.
        border: (R, C), height of the surface's own border where that runs past the node, else EMPTY. It stands in for the
            surface there: a pitch into a steep wall the surface is much higher than where it ends.
        wanted: (R, C), the nodes to look from.
        reach: how far to look, mm.
        pitch: of the nodes, mm.
    """
    todo = np.argwhere(wanted).astype(np.int32)
    out = np.full(len(todo), EMPTY, dtype=np.float32)
    _look_around(height, border, EMPTY, todo, max(2, ceil(reach / pitch)), out)
    return out
