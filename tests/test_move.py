"""Vertices moved without a triangle that turns over."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.move import move_vertices


def _strip() -> tuple[Floats, Ints]:
    """Return a flat strip: two wide facets and between them a sliver 0.01 mm wide."""
    vertices = np.array([[0, 0, 0], [0, 5, 0], [3, 2.5, 0], [3.01, 2.5, 0], [6, 0, 0], [6, 5, 0]], dtype=np.float64)
    return vertices, np.array([[0, 2, 1], [2, 3, 1], [3, 4, 5]], dtype=np.int32)


def _turn(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    turn: Floats = np.cross(b - a, c - a)[:, 2]
    return turn


def test_a_sliver_moves_as_a_whole_where_it_would_turn_over() -> None:
    vertices, faces = _strip()
    shift = np.zeros_like(vertices)
    shift[2, 0] = 0.05  # past its neighbour
    moved = move_vertices(vertices, faces, shift, np.zeros(len(vertices), dtype=np.bool_))
    assert moved[2, 0] == 3.05
    assert (_turn(moved, faces) > 0.0).all()


def test_a_sliver_with_a_fixed_corner_stays() -> None:
    vertices, faces = _strip()
    shift = np.zeros_like(vertices)
    shift[2, 0] = 0.05
    fixed = np.zeros(len(vertices), dtype=np.bool_)
    fixed[3] = True
    assert np.array_equal(move_vertices(vertices, faces, shift, fixed), vertices)
