"""Welding against a search tree and numpy, merging in cells against sorting."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from mountgen.weld import merge_in_cells, weld_points
from tests.test_links import same_partition


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e4])
def test_weld_against_a_search_tree(seed: int, scale: float) -> None:
    """Clusters far smaller than the tolerance, far apart: the weld and a search tree must find the same
    ones.
    """
    rng = np.random.default_rng(seed)
    centres = rng.uniform(-1.0, 1.0, (400, 3))
    centres[:100] = np.round(centres[:100] * 8) / 8  # many on the walls between weld cells
    points = np.repeat(centres, 6, axis=0) + rng.uniform(-2e-5, 2e-5, (2400, 3))
    points = rng.permutation(points) * scale
    number, first = weld_points(points, 1e-4 * scale)
    pairs = cKDTree(points).query_pairs(1e-4 * scale, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(2400, 2400))
    expected = connected_components(graph, directed=False)[1]
    assert same_partition(number, expected)
    assert np.linalg.norm(points[first[number]] - points, axis=1).max() <= 1e-4 * scale


def test_weld_exactly_keeps_all_but_equal_points() -> None:
    rng = np.random.default_rng(3)
    points = rng.normal(size=(5000, 3)).astype(np.float32).astype(np.float64)
    doubled = np.concatenate([points, points[::2], -0.0 * points[:1]])
    number, first = weld_points(doubled, 0.0)
    assert len(first) == len(np.unique(doubled + 0.0, axis=0))
    np.testing.assert_array_equal(doubled[first[number]], doubled)


def test_weld_of_nothing_and_of_one_place() -> None:
    assert [len(a) for a in weld_points(np.empty((0, 3)), 1.0)] == [0, 0]
    number, first = weld_points(np.ones((7, 3)), 0.0)
    assert number.tolist() == [0] * 7
    assert first.tolist() == [0]


def test_corners_of_one_cell_become_their_mean_and_faces_within_two_cells_go() -> None:
    rng = np.random.default_rng(4)
    vertices = rng.uniform(-20.0, 30.0, (900, 3))
    faces = rng.integers(0, 800, (700, 3)).astype(np.int32)  # some vertices are no face's
    size = 7.0
    points, kept = merge_in_cells(vertices, faces, size=size)
    used = np.unique(faces)
    place = np.floor((vertices - vertices.min(axis=0)) / size).astype(np.int64)
    cells, number = np.unique(place[used], axis=0, return_inverse=True)
    assert len(points) == len(cells)
    of_vertex = np.full(len(vertices), -1)
    of_vertex[used] = number.ravel()
    means = np.array([vertices[used][number.ravel() == k].mean(axis=0) for k in range(len(cells))])
    wanted = of_vertex[faces]
    wanted = wanted[(wanted[:, 0] != wanted[:, 1]) & (wanted[:, 1] != wanted[:, 2]) & (wanted[:, 2] != wanted[:, 0])]
    assert len(kept) == len(wanted) > 100
    assert np.allclose(points[kept], means[wanted])
