"""Extents, boxes, products and lengths column by column are those of the array library along the short axis, digit by digit."""

from __future__ import annotations

import numpy as np
import pytest

from mountgen.rows import dot, extent, lengths, lies_within


@pytest.mark.parametrize("size", [2, 3])
def test_the_same_as_along_the_short_axis(size: int) -> None:
    rng = np.random.default_rng(1)
    points, others = rng.normal(0.0, 30.0, (2, 5000, size))
    low, high = extent(points)
    assert np.array_equal(low, points.min(axis=0))
    assert np.array_equal(high, points.max(axis=0))
    assert np.array_equal(dot(points, others), (points * others).sum(axis=1))
    assert np.array_equal(lengths(points), np.linalg.norm(points, axis=1))
    low, high = points[7], np.maximum(points[7], points[8])  # both on the box's faces
    assert np.array_equal(lies_within(points, low, high), ((points >= low) & (points <= high)).all(axis=1))
    assert lies_within(points, low, high)[7]


def test_products_over_a_grid_and_with_one_vector() -> None:
    rng = np.random.default_rng(2)
    grid, others = rng.normal(0.0, 1.0, (2, 40, 30, 2))
    assert np.array_equal(dot(grid, others), (grid * others).sum(axis=2))
    assert np.array_equal(dot(grid, others[0, 0]), (grid * others[0, 0]).sum(axis=2))
