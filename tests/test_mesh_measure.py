"""Volume, area, centroid and closedness against closed forms and against manifold3d."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mountgen.kernel import Mesh
from mountgen.mesh_measure import is_closed, measure_area, measure_bounds, measure_centroid, measure_volume
from tests.solids import ball_mesh, box_mesh, tessellate, wavy_solid


def test_box_has_the_volume_area_centroid_and_bounds_of_its_edges() -> None:
    box = box_mesh((10.0, 20.0, 30.0), corner=(-1.0, 2.0, -30.0))
    assert measure_volume(box) == pytest.approx(6000.0, rel=1e-14)
    assert measure_area(box) == pytest.approx(2 * (200 + 300 + 600), rel=1e-14)
    np.testing.assert_allclose(measure_centroid(box), (4.0, 12.0, -15.0), rtol=1e-14)
    np.testing.assert_array_equal(measure_bounds(box), ((-1.0, 2.0, -30.0), (9.0, 22.0, 0.0)))


def test_faceted_ball_falls_short_of_the_sphere_by_second_order() -> None:
    """Chords of a convex body only lose; twice the rings leave a quarter of the loss."""
    losses = [
        (4 / 3 * math.pi * 1000 - measure_volume(ball), 400 * math.pi - measure_area(ball))
        for ball in (ball_mesh(10.0, (50, -70, 9), rings=40), ball_mesh(10.0, (50, -70, 9), rings=80))
    ]
    assert losses[1][0] > 0
    assert losses[1][1] > 0
    assert losses[0][0] / losses[1][0] == pytest.approx(4.0, rel=0.02)
    assert losses[0][1] / losses[1][1] == pytest.approx(4.0, rel=0.02)
    np.testing.assert_allclose(measure_centroid(ball_mesh(10.0, (50, -70, 9))), (50, -70, 9), atol=1e-9)


def test_a_part_far_from_the_origin_keeps_its_digits() -> None:
    """A scan in another car's frame: the sum of tetrahedra from the origin would lose nine digits here."""
    assert measure_volume(box_mesh((0.1, 0.1, 0.1), corner=(1e6, -2e6, 3e6))) == pytest.approx(1e-3, rel=1e-7)


def test_manifold3d_measures_the_same() -> None:
    manifold3d = pytest.importorskip("manifold3d")
    mesh = tessellate(wavy_solid(30), 0.05)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(vert_properties=np.array(mesh.vertices), tri_verts=mesh.faces.astype(np.uint64))
    )
    assert solid.status() == manifold3d.Error.NoError
    assert measure_volume(mesh) == pytest.approx(solid.volume(), rel=1e-9)
    assert measure_area(mesh) == pytest.approx(solid.surface_area(), rel=1e-9)


def test_normals_inwards_give_a_negative_volume() -> None:
    box = box_mesh()
    assert measure_volume(Mesh(box.vertices, box.faces[:, ::-1])) == pytest.approx(-6000.0)


def test_closed_means_each_edge_once_in_each_direction() -> None:
    box = box_mesh()
    twisted = box.faces.copy()
    twisted[3] = twisted[3, ::-1]
    fin = np.vstack([box.faces, [[0, 1, 6], [0, 6, 1]]])  # a two-sided sheet inside: edges of four faces
    assert is_closed(box)
    assert not is_closed(Mesh(box.vertices, box.faces[:-1]))
    assert not is_closed(Mesh(box.vertices, twisted))
    assert not is_closed(Mesh(box.vertices, fin))
    assert not is_closed(Mesh(box.vertices, np.vstack([box.faces, [[0, 0, 1]]])))
    assert not is_closed(Mesh(box.vertices, np.zeros((0, 3), dtype=int)))


def test_nothing_to_measure_is_refused() -> None:
    empty = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int))
    assert measure_volume(empty) == 0.0
    assert measure_area(empty) == 0.0
    with pytest.raises(ValueError, match="without faces"):
        measure_bounds(empty)
    flat = Mesh(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2], [0, 2, 1]]))
    with pytest.raises(ValueError, match="zero volume"):
        measure_centroid(flat)


def test_bounds_leave_out_vertices_that_no_face_uses() -> None:
    box = box_mesh()
    stray = Mesh(np.vstack([box.vertices, [[999.0, 0, 0]]]), box.faces)
    np.testing.assert_array_equal(measure_bounds(stray), measure_bounds(box))
    assert measure_volume(stray) == pytest.approx(6000.0)
