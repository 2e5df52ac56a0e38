"""Nearest points on closed polylines in the plane. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.compiled import compiled

RUN = 16  # segments one after the other that share a box
_jit = compiled(error_model="numpy")


def find_feet(loops: tuple[Floats, ...], points: Floats) -> tuple[Floats, Floats]:
    """Return the point nearest to each of some points on closed loops.

    Args:
        loops: of points (K, 2) each, mm, the first not repeated.
        points: (N, 2) mm; quicker where neighbours follow each other.

    Returns:
        (N, 2) the nearest points, and (N,) how far they are, mm; the points themselves and inf where there are no loops.
    """
    if not loops:
        return points, np.full(len(points), np.inf)
    ends = np.concatenate([np.hstack([loop, np.roll(loop, -1, axis=0)]) for loop in loops])
    starts = np.arange(0, len(ends), RUN)
    low = np.minimum.reduceat(np.minimum(ends[:, :2], ends[:, 2:]), starts)
    high = np.maximum.reduceat(np.maximum(ends[:, :2], ends[:, 2:]), starts)
    feet, away = np.empty((len(points), 2)), np.empty(len(points))
    _find_feet(ends, np.hstack([low, high]), np.ascontiguousarray(points), feet, away)
    return feet, away


@_jit
def _find_feet(ends, boxes, points, feet, away):  # type: ignore[no-untyped-def]
    count = ends.shape[0]
    last = 0  # run in which the nearest to the point before was found: it is looked at first
    for n in range(points.shape[0]):
        x, y, best, here = points[n, 0], points[n, 1], np.inf, last
        for turn in range(boxes.shape[0] + 1):
            run = last if turn == 0 else turn - 1
            dx = max(boxes[run, 0] - x, 0.0, x - boxes[run, 2])
            dy = max(boxes[run, 1] - y, 0.0, y - boxes[run, 3])
            if dx * dx + dy * dy >= best:
                continue
            for k in range(run * RUN, min(count, run * RUN + RUN)):
                ax, ay = ends[k, 0], ends[k, 1]
                along_x, along_y = ends[k, 2] - ax, ends[k, 3] - ay
                square = along_x * along_x + along_y * along_y
                t = ((x - ax) * along_x + (y - ay) * along_y) / square if square > 0.0 else 0.0
                t = min(max(t, 0.0), 1.0)
                off_x, off_y = ax + t * along_x - x, ay + t * along_y - y
                if off_x * off_x + off_y * off_y < best:
                    best, here = off_x * off_x + off_y * off_y, run
                    feet[n, 0], feet[n, 1] = x + off_x, y + off_y
        away[n], last = np.sqrt(best), here
