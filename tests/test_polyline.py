"""Nearest points on closed loops, against the library's distances."""

from __future__ import annotations

import numpy as np
import shapely

from mountgen.polyline import find_feet


def test_the_nearest_point_of_several_loops_is_that_of_the_library() -> None:
    rng = np.random.default_rng(2)
    turn = np.linspace(0.0, 2.0 * np.pi, 301)[:-1]
    radius = 20.0 + 4.0 * np.sin(7 * turn) + rng.normal(0.0, 0.2, len(turn))
    wavy = radius[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    square = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 0.0], [5.0, 5.0], [0.0, 5.0]])  # one of its segments has no length
    points = rng.uniform(-40.0, 40.0, (2000, 2))
    feet, away = find_feet((wavy, square), points)
    lines = shapely.MultiLineString([shapely.LinearRing(loop) for loop in (wavy, square)])
    np.testing.assert_allclose(away, shapely.distance(lines, shapely.points(points)), atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(feet - points, axis=1), away, atol=1e-9)
    assert shapely.distance(lines, shapely.points(feet)).max() < 1e-9


def test_without_loops_nothing_is_near() -> None:
    points = np.array([[1.0, 2.0]])
    feet, away = find_feet((), points)
    np.testing.assert_array_equal(feet, points)
    assert np.isinf(away).all()
