"""Points near a place, held against the library's tree."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from mountgen.cells import Cells


@pytest.mark.parametrize("reach", [0.5, 3.0, 40.0])
@pytest.mark.parametrize("size", [(20.0, 15.0, 8.0), (30.0, 0.0, 0.0)])
def test_near_are_those_that_the_library_finds(reach: float, size: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(-1.0, 1.0, (700, 3)) * size
    places = np.vstack([points[:50], rng.uniform(-1.6, 1.6, (200, 3)) * size, [[1e4, -1e4, 0.0]]])  # some beside them all
    start, near = Cells(points, reach).find(places)
    wanted = cKDTree(points).query_ball_point(places, reach)
    assert len(start) == len(places) + 1
    assert len(near) == start[-1] > 0
    for k, those in enumerate(wanted):
        assert sorted(near[start[k] : start[k + 1]]) == sorted(those)


def test_one_point_is_near_itself() -> None:
    start, near = Cells(np.ones((1, 3)), 2.0).find(np.array([[1.0, 1.0, 2.5], [1.0, 1.0, 3.5]]))
    assert start.tolist() == [0, 1, 1]
    assert near.tolist() == [0]
