"""Nearest points on closed polylines in the plane. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.compiled import compiled

RUN = 12  # segments one after the other that share a box, and boxes that share one
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
    boxes = _bound_runs(np.minimum(ends[:, :2], ends[:, 2:]), np.maximum(ends[:, :2], ends[:, 2:]))
    feet, away = np.empty((len(points), 2)), np.empty(len(points))
    _find_feet(ends, boxes, _bound_runs(boxes[:, :2], boxes[:, 2:]), np.ascontiguousarray(points), feet, away)
    return feet, away


def _bound_runs(low: Floats, high: Floats) -> Floats:
    """Return the boxes (M, 4) around each RUN of boxes with corners (N, 2)."""
    starts = np.arange(0, len(low), RUN)
    return np.hstack([np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)])


@_jit
def _find_feet(ends, boxes, wide, points, feet, away):  # type: ignore[no-untyped-def]
    last = 0  # run in which the nearest to the point before was found: it is looked at first
    for n in range(points.shape[0]):
        best, here = _look_along(ends, last, points[n], np.inf, feet[n]), last
        for group in range(wide.shape[0]):
            if _box_square(wide[group], points[n]) >= best:
                continue
            for run in range(group * RUN, min(boxes.shape[0], group * RUN + RUN)):
                if run != last and _box_square(boxes[run], points[n]) < best:
                    square = _look_along(ends, run, points[n], best, feet[n])
                    if square < best:
                        best, here = square, run
        away[n], last = np.sqrt(best), here


@_jit
def _box_square(box, point):  # type: ignore[no-untyped-def]
    dx = max(box[0] - point[0], 0.0, point[0] - box[2])
    dy = max(box[1] - point[1], 0.0, point[1] - box[3])
    return dx * dx + dy * dy


@_jit
def _look_along(ends, run, point, best, foot):  # type: ignore[no-untyped-def]
    """Return the squared distance of a point from a run, and put the foot there, if it is less than `best`; else that."""
    for k in range(run * RUN, min(ends.shape[0], run * RUN + RUN)):
        ax, ay = ends[k, 0], ends[k, 1]
        along_x, along_y = ends[k, 2] - ax, ends[k, 3] - ay
        square = along_x * along_x + along_y * along_y
        t = ((point[0] - ax) * along_x + (point[1] - ay) * along_y) / square if square > 0.0 else 0.0
        t = min(max(t, 0.0), 1.0)
        off_x, off_y = ax + t * along_x - point[0], ay + t * along_y - point[1]
        if off_x * off_x + off_y * off_y < best:
            best = off_x * off_x + off_y * off_y
            foot[0], foot[1] = point[0] + off_x, point[1] + off_y
    return best
