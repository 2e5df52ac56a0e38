"""Closed loops in the plane, as points of which the first is not repeated: the area inside, equal steps along. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats


def signed_area(loop: Floats) -> float:
    """Return the area inside a closed loop (K, 2), mm, in mm²; positive where it runs counter-clockwise.

    The shoelace formula.
    """
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def resample_loop(loop: Floats, *, step: float) -> Floats:
    """Return a closed loop (K, 2), mm, with points at equal arc length of about `step` mm; 16 of them at least."""
    closed = np.vstack([loop, loop[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(16, int(along[-1] / step))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in range(2)])
