"""The distance between solid and mesh, against closed forms and planted differences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mountgen import kernel
from mountgen.deviation import step_stl_deviation
from mountgen.kernel import CHORD, Mesh, combine, solids_of, spline_surface
from mountgen.shape import make_box
from mountgen.spline import fit_surface, uniform_axis
from tests.solids import ball_mesh, ball_solid, box_mesh, box_solid, tessellate, wavy_solid


def test_the_same_box_has_none() -> None:
    assert step_stl_deviation(box_solid(), box_mesh()) < 1e-9


def test_a_faceted_ball_deviates_by_its_deepest_facet() -> None:
    """Corners on the sphere: a triangle is deepest where its plane comes nearest to the centre."""
    mesh = ball_mesh(25.0, rings=40)
    corners = mesh.vertices[mesh.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    heights = np.einsum("ij,ij->i", normals, corners[:, 0]) / np.linalg.norm(normals, axis=1)
    deepest = 25.0 - float(heights.min())  # an upper bound: the foot may lie outside its triangle
    found = step_stl_deviation(ball_solid(25.0), mesh)
    assert 0.9 * deepest < found <= deepest + 1e-9


def test_a_cylinder_deviates_by_the_sagitta_of_its_chord() -> None:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder

    turns, radius = 24, 20.0
    angles = np.arange(turns) * 2 * math.pi / turns
    ring = radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    points = np.vstack(
        [np.c_[ring, np.zeros(turns)], np.c_[ring, np.full(turns, 30.0)], [[0, 0, 0], [0, 0, 30]]]
    )
    here, ahead = np.arange(turns), (np.arange(turns) + 1) % turns
    low, high = np.full(turns, 2 * turns), np.full(turns, 2 * turns + 1)
    faces = np.vstack(
        [
            np.c_[here, ahead, ahead + turns],
            np.c_[here, ahead + turns, here + turns],
            np.c_[low, ahead, here],
            np.c_[high, here + turns, ahead + turns],
        ]
    )
    sagitta = radius * (1 - math.cos(math.pi / turns))
    found = step_stl_deviation(BRepPrimAPI_MakeCylinder(radius, 30.0).Solid(), Mesh(points, faces))
    assert found == pytest.approx(sagitta, rel=0.03)


def test_the_tessellation_of_a_cylinder_deviates_in_the_middle_of_its_chords() -> None:
    """Not in the middle of its triangles, where the gap is 8/9 of that."""
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeCylinder

    solid = BRepPrimAPI_MakeCylinder(20.0, 30.0).Solid()
    mesh = tessellate(solid, CHORD)  # the same triangles as the kernel keeps on the solid
    turns = int(np.sum(np.isclose(mesh.vertices[:, 2], 30.0) & (np.hypot(*mesh.vertices[:, :2].T) > 19.9)))
    assert step_stl_deviation(solid, mesh) == pytest.approx(20.0 * (1 - math.cos(math.pi / turns)), rel=1e-3)


@pytest.mark.parametrize("chord", [0.2, 0.05])
def test_the_tessellation_of_a_spline_floor_keeps_the_chord_error_asked_for(chord: float) -> None:
    solid = wavy_solid()
    assert 0.5 * chord < step_stl_deviation(solid, tessellate(solid, chord)) < 1.1 * chord


def test_where_parameters_run_askew_nothing_beyond_the_border_counts() -> None:
    """A plate, 5 x 10 x 2, with a plane face of bent parameters: halfway up, a line of them lies 0.4 mm beside its chord."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
    from OCP.gp import gp_Vec

    s, t = np.linspace(-2.0, 8.0, 81), np.linspace(-1.0, 11.0, 161)
    bent = s[:, None] - 0.4 * np.sin(np.pi * t / 10.0)[None, :]
    plane = np.stack([bent, np.zeros_like(bent), np.broadcast_to(t, bent.shape)], axis=-1)
    surface = fit_surface(s, t, plane, uniform_axis(-2.0, 8.0, 1.0), uniform_axis(-1.0, 11.0, 0.5))
    face = BRepBuilderAPI_MakeFace(spline_surface(surface), 1e-6).Face()
    sheet = BRepPrimAPI_MakePrism(face, gp_Vec(0.0, 2.0, 0.0)).Shape()
    solid = solids_of(combine(sheet, make_box([0.0, -1.0, 0.0], [5.0, 3.0, 10.0]), "common", what="plate"))[0]
    mesh = kernel.tessellate(solid)
    assert (np.abs(mesh.vertices[:, :2]) < 1e-6).all(axis=1).sum() < 5  # corners along the edge x = y = 0
    assert step_stl_deviation(solid, mesh) < 0.01  # exact would be none


def test_what_only_the_mesh_has_is_found() -> None:
    """A second piece of mesh 0.7 mm above the box."""
    box, extra = box_mesh(), box_mesh((2.0, 2.0, 0.5), corner=(3.0, 10.0, 0.2))
    both = Mesh(
        np.vstack([box.vertices, extra.vertices]), np.vstack([box.faces, extra.faces + len(box.vertices)])
    )
    assert step_stl_deviation(box_solid(), both) == pytest.approx(0.7)


def test_what_only_the_solid_has_is_found() -> None:
    """A pin of the solid, 0.5 mm across and 3 mm high, that the mesh lacks."""
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Fuse

    pin = box_solid((0.5, 0.5, 5.0), corner=(4.0, 12.0, -2.0))
    assert step_stl_deviation(BRepAlgoAPI_Fuse(box_solid(), pin).Shape(), box_mesh()) == pytest.approx(3.0)


def test_a_shifted_mesh_is_measured_to_the_surface_and_not_to_its_facets() -> None:
    """Two balls, the mesh 0.5 mm larger; the solid's own facets lie up to 0.04 mm inside its surface."""
    mesh = ball_mesh(25.5, rings=160)
    assert step_stl_deviation(ball_solid(25.0), mesh) == pytest.approx(0.5, abs=1e-6)


def test_an_empty_mesh_is_a_mistake() -> None:
    with pytest.raises(ValueError, match="without faces"):
        step_stl_deviation(box_solid(), Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)))
