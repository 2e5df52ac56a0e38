"""Duplicates, pieces, orientation and border loops: against scipy, numpy and counting by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from mountgen.arrays import Ints
from mountgen.links import find_duplicates, link_faces, trace_loops
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
