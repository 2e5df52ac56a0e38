"""Closed level lines of a height field on a grid, by marching squares. A leaf.

A wall is traced through a hundred and more sections of one field: a second of a cold run with a contouring library, which looks
at the whole grid at leisure for each of them, and a tenth of that here. Lines of small grids are left to the library.

References:
    W. E. Lorensen, H. E. Cline (1987), Marching cubes: a high resolution 3D surface construction algorithm,
    SIGGRAPH Comput. Graph. 21:163 (here in the plane; where a square's corners leave two ways, its middle decides).
"""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats, Singles
from mountgen.compiled import compiled

FEWEST = 3  # points of a loop
AS_LIBRARY = 2  # points after that in which a loop is met first, row by row, the contouring library begins it, and so do we:
# where a wall's markers lie moves the worst place of its fit by 0.01 mm
# a square's edges are 0 below, 1 on the right, 2 above, 3 on the left; by which of its corners are high (1 lower left, 2 lower
# right, 4 upper right, 8 upper left) the one or two lines through it, each from edge to edge with the lower ground on its left
_LINES = np.array([
    (-1, -1, -1, -1), (3, 0, -1, -1), (0, 1, -1, -1), (3, 1, -1, -1), (1, 2, -1, -1), (3, 0, 1, 2), (0, 2, -1, -1),
    (3, 2, -1, -1), (2, 3, -1, -1), (2, 0, -1, -1), (0, 1, 2, 3), (2, 1, -1, -1), (1, 3, -1, -1), (1, 0, -1, -1),
    (0, 3, -1, -1), (-1, -1, -1, -1), (1, 0, 3, 2), (0, 3, 2, 1),  # the last two: 5 and 10 with a high middle
], dtype=np.int8)  # fmt: skip
_jit = compiled(error_model="numpy")  # no division here is by zero: an edge that is crossed has ends of different heights


def trace_level(x: Floats, y: Floats, height: Singles | Floats, level: float) -> tuple[Floats, ...]:
    """Return the closed lines along which a height field, linear along the grid's lines, has a level.

    Args:
        x: (C,) rising, mm, of the columns.
        y: (R,) rising, mm, of the rows.
        height: (R, C) float32 or float64, mm, finite.
        level: mm; a node exactly at it counts as below.

    Returns:
        Loops of points (K, 2) float64, mm, the first not repeated, with the lower ground on their left: counter-clockwise around
        low ground, clockwise around high ground. Lines that leave the grid are left out.
    """
    points, ends = _trace_level(x, y, np.ascontiguousarray(height), level, _LINES)
    loops = [loop for loop in np.split(points, ends)[:-1] if len(loop) >= FEWEST]
    return tuple(np.roll(loop, -AS_LIBRARY, axis=0) for loop in loops)


@_jit
def _trace_level(x, y, height, level, lines):  # type: ignore[no-untyped-def]
    """Edge 2 n goes from node n along its row, edge 2 n + 1 along its column."""
    rows, cols = height.shape
    after = np.full(2 * rows * cols, -1, dtype=np.int32)  # to which edge the line through an edge goes on
    begun = np.empty(4 * rows * cols, dtype=np.int32)
    count = 0
    for r in range(rows - 1):
        left = (height[r, 0] > level) + 8 * (height[r + 1, 0] > level)
        for c in range(cols - 1):
            right = 2 * (height[r, c + 1] > level) + 4 * (height[r + 1, c + 1] > level)
            code = left + right
            left = (right & 2) // 2 + 2 * (right & 4)
            if code == 0 or code == 15:
                continue
            if code == 5 or code == 10:
                middle = 0.25 * (height[r, c] + height[r, c + 1] + height[r + 1, c] + height[r + 1, c + 1])
                code = (16 + code // 10) if middle > level else code
            node = r * cols + c
            edges = (2 * node, 2 * node + 3, 2 * (node + cols), 2 * node + 1)
            for k in range(0, 4, 2):
                if lines[code, k] >= 0:
                    begun[count] = edges[lines[code, k]]
                    after[begun[count]] = edges[lines[code, k + 1]]
                    count += 1
    points, ends = np.empty((count, 2)), np.empty(count, dtype=np.int64)
    filled, loops = 0, 0
    for k in range(count):
        edge, at = begun[k], filled
        while after[edge] >= 0:
            r, c = edge // 2 // cols, edge // 2 % cols
            low = np.float64(height[r, c])
            if edge % 2 == 0:
                share = (level - low) / (np.float64(height[r, c + 1]) - low)
                points[at, 0], points[at, 1] = x[c] + share * (x[c + 1] - x[c]), y[r]
            else:
                share = (level - low) / (np.float64(height[r + 1, c]) - low)
                points[at, 0], points[at, 1] = x[c], y[r] + share * (y[r + 1] - y[r])
            at += 1
            after[edge], edge = -1, after[edge]
            if edge == begun[k]:
                ends[loops] = filled = at
                loops += 1
                break
    return points[:filled], ends[:loops]
