"""The tree over triangles and its queries against measuring to every triangle, and against an independent library."""

from __future__ import annotations

import numpy as np
import pytest

from mountgen.arrays import Floats, Ints
from mountgen.nearest import LEAF, build_tree, find_nearest, is_within


def _soup(count: int, seed: int, *, alike: bool) -> tuple[Floats, Ints]:
    """Return triangles anywhere in a box, each with its own corners; `alike`: all middles in a few places."""
    rng = np.random.default_rng(seed)
    middle = rng.integers(0, 2, (count, 1, 3)).astype(float) if alike else rng.uniform(0.0, 30.0, (count, 1, 3))
    corners = middle + rng.normal(0.0, 0.8, (count, 3, 3)) * (not alike or rng.integers(0, 2, (count, 1, 1)))
    return corners.reshape(-1, 3), np.arange(3 * count, dtype=np.int32).reshape(-1, 3)


def _measure_all(points: Floats, vertices: Floats, faces: Ints) -> Floats:
    """Return the distance of each point to its nearest triangle by trimesh's closest points, pair by pair."""
    from trimesh.triangles import closest_point

    least = np.full(len(points), np.inf)
    for triangle in vertices[faces]:
        foot = closest_point(np.repeat(triangle[None], len(points), axis=0), points)
        least = np.minimum(least, np.linalg.norm(points - foot, axis=1))
    return least


@pytest.mark.parametrize("alike", [False, True])
@pytest.mark.parametrize("count", [1, 2, LEAF + 1, 17, 64, 257])
def test_the_nearest_triangle_is_found_whatever_their_number_and_place(count: int, alike: bool) -> None:
    vertices, faces = _soup(count, count, alike=alike)
    points = np.random.default_rng(1).uniform(-5.0, 35.0, (200, 3))
    tree = build_tree(vertices, faces)
    assert np.array_equal(np.sort(tree.faces), np.arange(count))
    expected = _measure_all(points, vertices, faces)
    found = find_nearest(tree, points, travel=0.0, bound=np.full(200, np.inf))
    assert found.distance == pytest.approx(expected, abs=1e-9)
    near = is_within(tree, points, travel=0.0, bound=np.full(200, float(np.median(expected))))
    assert np.array_equal(near, expected < np.median(expected))


def test_every_node_holds_what_lies_together() -> None:
    """A flat sheet halved at medians: the boxes of each level cover it once, but for their triangles' own size."""
    x, y = np.meshgrid(np.arange(65.0), np.arange(65.0))
    vertices = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])
    first = (np.arange(64)[:, None] * 65 + np.arange(64)).ravel()
    faces = np.vstack([np.column_stack([first, first + 1, first + 65]), np.column_stack([first + 1, first + 66, first + 65])])
    tree = build_tree(vertices, faces.astype(np.int32))
    for level in range(6):  # boxes of 64 to 8 mm
        boxes = tree.boxes[2**level - 1 : 2 ** (level + 1) - 1]
        size = boxes[:, 3:5] - boxes[:, :2]
        assert size.prod(axis=1).sum() < 64.0**2 * (1.0 + 1.0 / size.min()) ** 2
