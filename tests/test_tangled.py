"""Faces that cut through each other, on solids whose faces are counted by hand, and against exact booleans."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold, Mesh64

from mountgen.arrays import Floats, Ints
from mountgen.tangled import find_tangled


def _join(*meshes: trimesh.Trimesh) -> tuple[Floats, Ints]:
    both = trimesh.util.concatenate(list(meshes))
    return np.asarray(both.vertices, dtype=np.float64), np.asarray(both.faces, dtype=np.int32)


def test_a_needle_through_one_face_is_found_with_that_face() -> None:
    vertices = np.array([
        (0, 0, 0), (10, 0, 0), (0, 10, 0), (2, 2, -1), (2.1, 2, 1), (2, 2.1, 1), (30, 0, 0), (40, 0, 0), (30, 10, 0),
    ], dtype=np.float64)  # fmt: skip
    faces = np.array([[0, 1, 2], [3, 4, 5], [6, 7, 8]], dtype=np.int32)
    assert [sorted(pair) for pair in find_tangled(vertices, faces).tolist()] == [[0, 1]]
    vertices[3:6, 2] += 1.5  # over it
    assert len(find_tangled(vertices, faces)) == 0


def test_faces_of_one_closed_solid_only_touch() -> None:
    ball = trimesh.creation.icosphere(subdivisions=3)
    assert len(find_tangled(*_join(ball))) == 0
    folded = np.array(ball.vertices)
    folded[0] *= -0.5  # a corner pushed through to the other side of the middle, which crosses nothing yet
    assert len(find_tangled(folded, np.asarray(ball.faces, dtype=np.int32))) == 0
    folded[0] *= 3.0  # and now out through the far side
    assert len(find_tangled(folded, np.asarray(ball.faces, dtype=np.int32))) > 0


@pytest.mark.parametrize("seed", range(12))
def test_two_solids_are_tangled_where_an_exact_boolean_says_that_they_overlap(seed: int) -> None:
    """Tetrahedra none of which holds the other's corners whole: they overlap if and only if a face cuts a face."""
    rng = np.random.default_rng(seed)
    corners = rng.normal(size=(2, 4, 3)) + np.array([[[0.0, 0.0, 0.0]], [[rng.uniform(0.0, 2.5), 0.0, 0.0]]])
    tetrahedra = [trimesh.convex.convex_hull(each) for each in corners]
    solids = [Manifold(Mesh64(np.asarray(t.vertices), np.asarray(t.faces, dtype=np.uint64))) for t in tetrahedra]
    shared = (solids[0] ^ solids[1]).volume()
    swallowed = any(shared == pytest.approx(solid.volume(), rel=1e-9) for solid in solids)
    assert (len(find_tangled(*_join(*tetrahedra))) > 0) == (shared > 1e-12 and not swallowed)
