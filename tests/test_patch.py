"""Triangles read in one block against the same read one by one through the binding."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from mountgen.errors import KernelError
from mountgen.kernel import mesh_shape, tessellate
from mountgen.mesh_measure import is_closed, measure_volume
from mountgen.patch import read_patches
from tests.solids import ball_solid, box_solid, wavy_solid


def _moved(solid: Any) -> Any:
    """Return the solid turned and shifted by a location, its geometry untouched."""
    from OCP.gp import gp_Ax1, gp_Dir, gp_Pnt, gp_Trsf, gp_Vec
    from OCP.TopLoc import TopLoc_Location

    turn, shift = gp_Trsf(), gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(1.0, 2.0, 3.0), gp_Dir(1.0, 1.0, 0.5)), 0.7)
    shift.SetTranslation(gp_Vec(10.0, -20.0, 30.0))
    return solid.Moved(TopLoc_Location(shift.Multiplied(turn)))


@pytest.mark.parametrize("make", [lambda: ball_solid(7.0), box_solid, lambda: wavy_solid(12), lambda: _moved(wavy_solid(12))])
def test_blocks_hold_what_the_binding_hands_out(make: Any) -> None:
    from OCP.BRep import BRep_Tool
    from OCP.TopAbs import TopAbs_REVERSED
    from OCP.TopLoc import TopLoc_Location

    solid = make()
    mesh_shape(solid, chord=0.1)
    patches = read_patches(solid)
    assert patches
    for patch in patches:
        place = TopLoc_Location()
        kept = BRep_Tool.Triangulation_s(patch.face, place)
        nodes = [kept.Node(k + 1).Transformed(place.Transformation()).Coord() for k in range(kept.NbNodes())]
        np.testing.assert_allclose(patch.corners, nodes, atol=1e-12)
        np.testing.assert_array_equal(patch.parameters, [kept.UVNode(k + 1).Coord() for k in range(kept.NbNodes())])
        triangles = [kept.Triangle(k + 1).Get() for k in range(kept.NbTriangles())]
        np.testing.assert_array_equal(patch.triangles, np.array(triangles) - 1)
        assert patch.reversed == (patch.face.Orientation() == TopAbs_REVERSED)


def test_two_faces_may_share_their_triangles() -> None:
    from OCP.BRep import BRep_Builder
    from OCP.TopoDS import TopoDS_Compound

    box = box_solid()
    mesh_shape(box)
    build, twice = BRep_Builder(), TopoDS_Compound()
    build.MakeCompound(twice)
    build.Add(twice, box)
    build.Add(twice, _moved(box))
    one, both = read_patches(box), read_patches(twice)
    assert len(both) == 2 * len(one)
    np.testing.assert_array_equal(both[0].corners, one[0].corners)
    assert np.abs(both[len(one)].corners - one[0].corners).max() > 1.0


def test_a_face_without_triangles_is_an_error() -> None:
    from OCP.BRepTools import BRepTools

    solid = box_solid()
    BRepTools.Clean_s(solid)
    with pytest.raises(KernelError) as caught:
        read_patches(solid)
    assert "cannot be meshed" in caught.value.what
    assert "clearance" in caught.value.remedy


def test_the_welded_mesh_is_closed_and_faces_outwards() -> None:
    solid = _moved(wavy_solid(12))
    mesh = tessellate(solid)
    assert is_closed(mesh)
    assert measure_volume(mesh) > 0.0
    coarse = tessellate(solid, chord=0.3)
    assert len(coarse.faces) < len(mesh.faces)


def test_a_face_as_thin_as_a_hair_may_lack_triangles(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mesher leaves such faces bare where a feature only grazes a wall; the slit is closed, at once and finely."""
    from OCP.BRepTools import BRepTools

    solid = box_solid((10.0, 20.0, 0.001))
    made = []

    def leave_bare(shape: Any, **how: Any) -> None:
        made.append(how["chord"])
        mesh_shape(shape, **how)
        BRepTools.Clean_s(next(each.face for each in read_patches(shape) if np.ptp(each.corners[:, 0]) == 0.0))

    monkeypatch.setattr("mountgen.kernel.mesh_shape", leave_bare)
    mesh = tessellate(solid)
    assert len(made) == 1
    assert is_closed(mesh)
    assert measure_volume(mesh) == pytest.approx(0.2, rel=1e-6)
