"""Welding, duplicates, pieces, orientation and border loops: against scipy, numpy and counting by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from mountgen.arrays import Floats, Ints
from mountgen.topology import (
    find_duplicates,
    label_corners,
    link_faces,
    measure_faces,
    merge_in_cells,
    number_used,
    trace_loops,
    weld_points,
)
from tests.sheets import make_sheet, tray


def edge_uses(faces: Ints) -> tuple[Ints, Ints]:
    """Each edge once, lower vertex first, and how many faces use it."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    unique, uses = np.unique(edges, axis=0, return_counts=True)
    return unique.astype(np.int32), uses.astype(np.int32)


def pieces_by_scipy(faces: Ints) -> Ints:
    """Pieces joined through shared edges."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    _, number = np.unique(edges, axis=0, return_inverse=True)
    number = number.ravel() + len(faces)
    face = np.repeat(np.arange(len(faces)), 3)
    size = int(number.max()) + 1
    graph = coo_matrix((np.ones(len(face)), (face, number)), shape=(size, size))
    return np.asarray(connected_components(graph, directed=False)[1][: len(faces)], np.int32)


def same_partition(a: Ints, b: Ints) -> bool:
    pairs = np.unique(np.column_stack([a, b]), axis=0)
    return len(pairs) == len(np.unique(a)) == len(np.unique(b))


def runs_agree(faces: Ints) -> bool:
    """No two faces run the same way along an edge."""
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    return len(np.unique(directed, axis=0)) == len(directed)


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


@pytest.mark.parametrize("vertex_count", [7, 40, 400])
def test_duplicates_against_sorting(vertex_count: int) -> None:
    rng = np.random.default_rng(vertex_count)
    faces = rng.integers(0, vertex_count, (3000, 3)).astype(np.int32)
    marks = find_duplicates(faces, vertex_count)
    _, firsts = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    assert sorted(np.flatnonzero(~marks).tolist()) == sorted(firsts.tolist())


def test_duplicates_around_a_hub() -> None:
    """A vertex with 30 000 faces must not make the search quadratic, nor wrong."""
    ring = np.arange(1, 30_001, dtype=np.int32)
    fan = np.column_stack([np.zeros_like(ring), ring, np.roll(ring, -1)])
    marks = find_duplicates(np.concatenate([fan, fan[::3, ::-1]]), 30_001)
    assert marks.tolist() == [False] * 30_000 + [True] * 10_000
    links = link_faces(fan, 30_001)
    assert (links.border, links.crowded, int(links.piece.max())) == (30_000, 0, 0)


def soup(seed: int, count: int = 900) -> Ints:
    """Random faces on few vertices: edges with one, two, three and more faces in every direction."""
    rng = np.random.default_rng(seed)
    faces = rng.integers(0, 260, (count, 3)).astype(np.int32)
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    return faces[~find_duplicates(faces, 260)]


@pytest.mark.parametrize("seed", range(6))
def test_pieces_and_edge_counts_of_a_soup(seed: int) -> None:
    faces = soup(seed, 150 + 200 * seed)
    links = link_faces(faces, 260)
    edges, uses = edge_uses(faces)
    assert links.border == int((uses == 1).sum())
    assert links.crowded == int((uses > 2).sum())
    assert set(np.flatnonzero(links.on_border)) == set(edges[uses == 1].ravel())
    assert same_partition(links.piece, pieces_by_scipy(faces))
    trace_loops(faces, links.on_border)  # must end, whatever the faces


@pytest.mark.parametrize("seed", range(4))
def test_flipped_faces_are_found(seed: int) -> None:
    vertices, faces = make_sheet(tray, pitch=4.0)
    rng = np.random.default_rng(seed)
    flipped = rng.random(len(faces)) < 0.1 + 0.2 * seed
    spoilt = np.where(flipped[:, None], faces[:, ::-1], faces)
    order = rng.permutation(len(faces))
    links = link_faces(spoilt[order], len(vertices))
    found = links.flip ^ links.flip[0] ^ flipped[order][0]
    np.testing.assert_array_equal(found, flipped[order])
    assert links.twisted == 0
    assert runs_agree(np.where(links.flip[:, None], spoilt[order][:, ::-1], spoilt[order]))


def moebius(count: int = 20) -> Ints:
    a = 2 * np.arange(count)
    b, c, d = a + 1, (a + 2) % (2 * count), (a + 3) % (2 * count)
    c[-1], d[-1] = 1, 0  # the last square is turned over
    return np.vstack([np.column_stack([a, c, b]), np.column_stack([b, c, d])]).astype(np.int32)


def test_one_sided_band() -> None:
    links = link_faces(moebius(), 40)
    assert links.twisted == 1
    assert links.border == 40
    assert not links.piece.any()


def test_areas_against_cross_products() -> None:
    vertices, faces = make_sheet(tray, pitch=6.0)
    vectors, areas = measure_faces(vertices, faces)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    expected: Floats = 0.5 * np.cross(b - a, c - a)
    np.testing.assert_allclose(vectors, expected, atol=1e-10)
    np.testing.assert_allclose(areas, np.linalg.norm(expected, axis=1), atol=1e-10)


def grid(columns: int, rows: int, gone: list[tuple[int, int]]) -> tuple[Ints, int]:
    """Squares of a grid, two faces each, without some."""
    squares = [(c, r) for r in range(rows) for c in range(columns) if (c, r) not in gone]
    out = []
    for c, r in squares:
        a = r * (columns + 1) + c
        out += [(a, a + 1, a + columns + 2), (a, a + columns + 2, a + columns + 1)]
    return np.array(out, np.int32), (columns + 1) * (rows + 1)


@pytest.mark.parametrize(
    ("gone", "lengths"),
    [
        ([], [32]),
        ([(3, 3)], [4, 32]),
        ([(3, 3), (4, 3)], [6, 32]),
        ([(3, 3), (4, 4)], [4, 4, 32]),  # touch in a vertex
        # leaves the square between them as a piece of its own
        ([(3, 3), (4, 4), (3, 5), (2, 4)], [4, 12, 32]),
        ([(0, 0), (1, 1)], [4, 32]),  # touches the outer border
        ([(0, 3)], [34]),
    ],
)
def test_loops_of_a_grid_with_holes(gone: list[tuple[int, int]], lengths: list[int]) -> None:
    faces, count = grid(8, 8, gone)
    links = link_faces(faces, count)
    loops = trace_loops(faces, links.on_border)
    assert sorted(len(loop.vertices) for loop in loops) == lengths
    assert all(loop.clean for loop in loops)
    directed = {tuple(e) for e in faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).tolist()}
    for loop in loops:
        v = loop.vertices.tolist()
        assert len(set(v)) == len(v)
        steps = list(zip(v, v[1:] + v[:1], strict=True))
        assert all(step in directed and step[::-1] not in directed for step in steps)
        assert set(v) & set(faces[loop.face].tolist())


def test_loop_through_an_edge_with_three_faces_is_not_clean() -> None:
    faces, count = grid(3, 3, [(1, 1)])
    fin = np.array([[5, 6, count]], np.int32)  # stands on an edge of the hole, which then has two faces ...
    wall = np.array([[5, 6, count + 1]], np.int32)  # ... and now three
    both = np.concatenate([faces, fin, wall])
    links = link_faces(both, count + 2)
    assert links.crowded == 1
    assert any(not loop.clean for loop in trace_loops(both, links.on_border))


def test_vertices_that_faces_join_have_one_label_like_by_the_library() -> None:
    faces = np.random.default_rng(7).integers(0, 400, (150, 3)).astype(np.int32)
    label = label_corners(faces, 400)
    ends = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    count, wanted = connected_components(coo_matrix((np.ones(len(ends[0])), ends), shape=(400, 400)), directed=False)
    assert count > 1
    assert len(np.unique(label)) == len(np.unique(np.column_stack([label, wanted]), axis=0)) == count
    used, faces_in = number_used(faces, 400)
    np.testing.assert_array_equal(used, np.unique(faces))
    np.testing.assert_array_equal(used[faces_in], faces)


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
