"""The steps that a scan's coordinates come in: a file with too few digits, or single precision far from the origin, rounds them.

Rounded so, a wall is a flight of stairs. Its treads are smooth to whoever measures noise beside them, so the step is looked for
in the numbers themselves.
"""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.rows import extent

SAMPLES = 20_000  # points looked at
FEWEST = 1000  # points below which round coordinates are those of a drawing
ALIKE = 0.02  # of a step: what two coordinates may differ by beyond whole steps
MOSTLY = 0.98  # share of the differences that are whole steps
SMALLEST = 0.02  # quantile of the differences that is the step; a stray number may lie between
WIDEST = 0.7  # of the spacing; with wider steps the points lie on a grid, as those of a height map do


def measure_grain(vertices: Floats, *, spacing: float) -> float:
    """Return the step that a scan's coordinates come in, 0 where they come in none that can be told.

    A step is believed if all three axes come in steps: along two of them points may lie in rows because they were scanned so.
    What single precision can hold at a distance is known, and believed along one.

    Args:
        vertices: (V, 3) float64, as in the file.
        spacing: between points, in the same unit.

    Returns:
        The widest step, in the unit of the vertices: a point lies within half of that of where it was seen, along each axis.

    References:
        IEEE 754-2019, 3.3: single precision has 24 binary digits.
    """
    some = vertices[:: -(-len(vertices) // SAMPLES)] if len(vertices) else vertices
    some = some[np.isfinite(some).all(axis=1)]
    if len(some) < FEWEST:
        return 0.0
    step = min(_find_step(some[:, axis]) for axis in range(3))
    return max(step if step < WIDEST * spacing else 0.0, _find_single(some))


def _find_single(points: Floats) -> float:
    """Return the step of single precision at the points furthest out, 0 where they have more digits."""
    if not (points.astype(np.float32) == points).all():
        return 0.0
    return float(np.spacing(np.float32(max(np.abs(each).max() for each in extent(points)))))


def _find_step(values: Floats) -> float:
    """Return the step that values come in, 0 for none."""
    found = np.unique(values)
    apart = np.diff(found)
    if len(found) < 3:
        return 0.0
    step = float(np.quantile(apart, SMALLEST))
    whole = np.abs(apart / step - np.rint(apart / step)) < ALIKE
    return step if whole.mean() > MOSTLY else 0.0
