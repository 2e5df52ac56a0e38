"""Thinned meshes stay closed, keep their volume and lie where they lay."""

from __future__ import annotations

import igl
import numpy as np
import pytest
import trimesh

from mountgen.kernel import Mesh
from mountgen.thin import MOVES, thin_mesh


def _bowl() -> Mesh:
    ball = trimesh.creation.icosphere(subdivisions=6, radius=20.0)
    vertices = np.asarray(ball.vertices) * [1.0, 0.7, 0.4]
    return Mesh(vertices, np.asarray(ball.faces, dtype=np.int32))


def test_a_mesh_of_too_many_triangles_is_thinned_in_place() -> None:
    mesh = _bowl()
    thinned = thin_mesh(mesh, most=20_000)
    assert len(mesh.faces) == 81_920
    assert len(thinned.faces) <= 20_000
    solid = trimesh.Trimesh(thinned.vertices, thinned.faces, process=False)
    assert solid.is_watertight
    assert solid.volume == pytest.approx(trimesh.Trimesh(mesh.vertices, mesh.faces).volume, rel=2e-3)
    for one, other in ((mesh, thinned), (thinned, mesh)):
        far = igl.point_mesh_squared_distance(one.vertices, other.vertices, other.faces.astype(np.int64))[0]
        assert np.sqrt(far.max()) <= MOVES[-1]


def test_few_triangles_and_open_meshes_stay_as_they_are() -> None:
    mesh = _bowl()
    assert thin_mesh(mesh) is mesh
    torn = Mesh(mesh.vertices, mesh.faces[1:])
    assert thin_mesh(torn, most=1000) is torn
