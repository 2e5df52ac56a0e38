"""The solid kernel behind our functions: known bodies, measured on their triangles and read back by another program."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, sqrt
from pathlib import Path

import numpy as np
import pytest

from mountgen import kernel
from mountgen.arrays import Floats
from mountgen.block import shell_solid
from mountgen.errors import KernelError
from mountgen.field import InsertableSpace
from mountgen.kernel import (
    Mesh,
    Solid,
    combine,
    count_faces,
    follow_facets,
    height_surface,
    loft_solid,
    prism_solid,
    solid_of_mesh,
    solids_of,
    spline_surface,
    tessellate,
)
from mountgen.loft import Shell
from mountgen.mesh_measure import measure_volume
from mountgen.patch import Patch
from mountgen.soundness import check_soundness
from mountgen.spline import Axis, Surface, fit_curve, fit_surface, uniform_axis
from mountgen.tubes import Cap, Sleeve, TubeEnd, closed_tube, stack_tubes
from tests.checks import is_valid

RADIUS, LOW, HIGH = 12.0, -20.0, 0.0
ROUND = 1e-3  # mm; a closed cubic of 24 intervals is this near to the circle


def _cylinder_wall() -> Surface:
    """Return the tube x, y, z over (u, z), a spline circle; u from 0 to 1."""
    u_axis, v_axis = uniform_axis(0.0, 1.0, 1 / 24, periodic=True), Axis(np.array([LOW - 3.0, HIGH + 3.0]), False)
    u, v = np.arange(480) / 480, np.linspace(LOW - 3.0, HIGH + 3.0, 20)
    ring = RADIUS * np.column_stack([np.cos(2 * pi * u), np.sin(2 * pi * u)])
    data = np.concatenate(
        [np.repeat(ring[:, None], 20, axis=1), np.broadcast_to(v[None, :, None], (480, 20, 1))], axis=2
    )
    return fit_surface(u, v, data, u_axis, v_axis)


def _plane(height: float, tilt: float = 0.0) -> Surface:
    """Return the field z = height + tilt * x over a square about the cylinder."""
    axes = Axis(np.array([-20.0, 20.0]), False), Axis(np.array([-20.0, 20.0]), False)
    x = np.linspace(-20.0, 20.0, 9)
    z = np.broadcast_to(height + tilt * x[:, None], (9, 9))
    return fit_surface(x, x, np.ascontiguousarray(z)[..., None], *axes)


def _end(wall: Surface, height: float, tilt: float = 0.0) -> TubeEnd:
    axis = Axis(wall.u.breaks, False)
    at = np.linspace(0.0, 1.0, 24 * 8 + 1)
    ring = wall.at(at, np.array([HIGH]))[:, 0, :2]
    z = height + tilt * ring[:, 0]
    points = np.column_stack([ring, z])
    return TubeEnd(
        axis, fit_curve(at, points, axis), fit_curve(at, np.column_stack([at, z]), axis), fit_curve(at, ring, axis),
        _plane(height, tilt),
    )


@pytest.fixture(scope="module")
def tube() -> Solid:
    wall = _cylinder_wall()
    return closed_tube(wall, _end(wall, LOW), _end(wall, HIGH, 0.1))


def _box(low: Floats, size: Floats) -> Solid:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt

    return BRepPrimAPI_MakeBox(gp_Pnt(*low.tolist()), *size.tolist()).Solid()


def _volume(solid: Solid) -> float:
    return measure_volume(tessellate(solid, chord=0.002))


def test_a_closed_tube_is_one_valid_cylinder_of_few_faces(tube: Solid) -> None:
    assert is_valid(tube)
    assert count_faces(tube) == 4  # floor, lid and two strips of wall
    assert len(solids_of(tube)) == 1
    # a tilted lid cuts as much off one side as it adds on the other
    assert _volume(tube) == pytest.approx(pi * RADIUS**2 * (HIGH - LOW), rel=1e-3)
    mesh = tessellate(tube)
    sound = check_soundness(np.asarray(mesh.vertices), np.asarray(mesh.faces))
    assert (sound.manifold, sound.pieces, sound.hollows) == (True, 1, 0)
    assert measure_volume(mesh) > 0.0  # normals outwards


def test_a_lid_that_dips_below_the_floor_makes_no_tube() -> None:
    wall = _cylinder_wall()
    steep = 1.2 * (HIGH - LOW) / RADIUS  # the lid meets the floor within the tube
    with pytest.raises(KernelError) as caught:
        closed_tube(wall, _end(wall, LOW), _end(wall, HIGH, steep))
    assert "crosses" in caught.value.what


def _loosen(solid: Solid, tolerance: float) -> Solid:
    """Return a copy of a solid whose edges claim to lie on their faces to no better than a tolerance, mm."""
    from OCP.BRep import BRep_Builder
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Copy
    from OCP.TopAbs import TopAbs_EDGE
    from OCP.TopExp import TopExp_Explorer
    from OCP.TopoDS import TopoDS

    loose = BRepBuilderAPI_Copy(solid).Shape()
    explorer = TopExp_Explorer(loose, TopAbs_EDGE)
    while explorer.More():
        BRep_Builder().UpdateEdge(TopoDS.Edge_s(explorer.Current()), tolerance)
        explorer.Next()
    return loose


@pytest.mark.parametrize("kind", ["Standard_Failure", "Standard_ConstructionError"])  # in Python the one is no kind of the other
def test_an_edge_that_cannot_settle_on_its_faces_is_an_error_with_a_fallback(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import OCP.Standard
    from OCP.BRepLib import BRepLib

    wall = _cylinder_wall()
    foot, brow = _end(wall, LOW), _end(wall, HIGH)

    def refuse(*given: object) -> None:
        raise getattr(OCP.Standard, kind)("curves run apart")

    monkeypatch.setattr(BRepLib, "SameParameter_s", refuse)
    with pytest.raises(KernelError, match="an edge does not lie on its faces"):
        closed_tube(wall, foot, brow)
    with pytest.raises(KernelError, match="an edge does not lie on its faces"):
        stack_tubes([Sleeve(wall, foot, brow)], [Cap(foot, up=False), Cap(brow)])
    nodes = np.zeros((2, 2), dtype=np.float32)
    space = InsertableSpace(nodes, nodes == 0.0, brow.plan, np.zeros(6), (0.0, 0.0), 1.0, 1.0, HIGH)
    solid, _ = shell_solid(Shell(wall, _plane(LOW), 60.0), space, below=0.0, reach=None)  # its faces are intersected instead
    assert _volume(solid) == pytest.approx(pi * RADIUS**2 * (HIGH - LOW), rel=1e-3)


# coarser, the mesher of the solid kernel overlooks places
@pytest.mark.parametrize(("chord", "loose"), [(0.02, 0.0), (0.04, 0.0), (0.02, 0.3)])
def test_triangles_keep_their_chord_error(tube: Solid, chord: float, loose: float) -> None:
    """On a cylinder the worst place of a facet is its middle; its depth under the circle is the chord error."""
    mesh = tessellate(_loosen(tube, loose) if loose else tube, chord=chord)
    corners = mesh.vertices[mesh.faces]
    wall = np.abs(np.linalg.norm(corners[..., :2], axis=2) - RADIUS).max(axis=1) < 5 * ROUND
    share = np.random.default_rng(1).dirichlet(np.ones(3), 40)
    inside = np.einsum("kc,fcd->fkd", share, corners[wall])
    depth = RADIUS - np.linalg.norm(inside[..., :2], axis=2)
    # triangles of the caps have corners on the wall too, but lie in the plane z = LOW or the lid's
    x, z = corners[wall, :, 0], corners[wall, :, 2]
    on_cap = (np.ptp(z, axis=1) < 1e-9) | (np.ptp(z - 0.1 * x, axis=1) < 1e-4)
    assert depth[~on_cap].max() < 1.06 * chord + ROUND
    assert depth[~on_cap].max() > 0.2 * chord  # no finer than it need be
    assert (~on_cap).sum() > 20


def test_another_program_reads_the_step_file_as_one_solid_of_the_same_size(tube: Solid, tmp_path: Path) -> None:
    import cadquery
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    writer = STEPControl_Writer()
    writer.Transfer(tube, STEPControl_AsIs)
    writer.Write(str(tmp_path / "tube.step"))
    (read,) = cadquery.importers.importStep(str(tmp_path / "tube.step")).solids().vals()
    assert read.isValid()
    assert len(read.Faces()) == 4
    box = read.BoundingBox()
    assert (box.xmax - box.xmin, box.ymax - box.ymin) == pytest.approx((2 * RADIUS, 2 * RADIUS), abs=0.02)
    assert box.zmin == pytest.approx(LOW, abs=0.01)
    assert _volume(read.wrapped) == pytest.approx(_volume(tube), rel=5e-4)
    assert read.Volume() == pytest.approx(pi * RADIUS**2 * (HIGH - LOW), rel=1e-3)  # the way that program integrates
    assert read.Area() == pytest.approx(
        2 * pi * RADIUS * (HIGH - LOW) + pi * RADIUS**2 * (1 + sqrt(1 + 0.1**2)), rel=1e-3
    )


def test_a_loft_has_plane_caps() -> None:
    solid = loft_solid(_cylinder_wall())
    assert is_valid(solid)
    assert _volume(solid) == pytest.approx(pi * RADIUS**2 * (HIGH - LOW + 6.0), rel=1e-3)


def test_kernel_surfaces_pass_through_the_splines_points() -> None:
    rng = np.random.default_rng(2)
    wall = _cylinder_wall()
    field = Surface(uniform_axis(-4.0, 6.0, 2.0), uniform_axis(0.0, 5.0, 2.5), rng.normal(size=(8, 5, 1)))
    tube, ground = spline_surface(wall), height_surface(field)
    for u, v in rng.uniform([0.0, LOW], [1.0, HIGH], (20, 2)):
        p = tube.Value(u, v)
        assert (p.X(), p.Y(), p.Z()) == pytest.approx(wall.at(np.array([u]), np.array([v]))[0, 0], abs=1e-5)
    for x, y in rng.uniform([-4.0, 0.0], [6.0, 5.0], (20, 2)):
        p = ground.Value(x, y)
        assert (p.X(), p.Y()) == pytest.approx((x, y), abs=1e-5)
        assert p.Z() == pytest.approx(field.at(np.array([x]), np.array([y]))[0, 0, 0], abs=1e-5)


def test_a_prism_stands_on_its_field() -> None:
    assert _volume(prism_solid(_plane(2.0, 0.3), 5.0)) == pytest.approx(40.0 * 40.0 * 5.0, rel=1e-6)


@pytest.mark.parametrize(("how", "volume"), [("fuse", 112.0), ("cut", 48.0), ("common", 16.0)])
def test_two_boxes_are_combined(how: str, volume: float) -> None:
    first, second = _box(np.zeros(3), np.full(3, 4.0)), _box(np.array([2.0, 0.0, 2.0]), np.array([4.0, 4.0, 4.0]))
    assert _volume(first) == pytest.approx(64.0)
    both = combine(first, second, how, what="test")
    assert is_valid(both)
    assert _volume(both) == pytest.approx(volume)  # they share a bar of 2 x 4 x 2


def test_triangles_become_a_solid_and_come_back() -> None:
    mesh = tessellate(_box(np.zeros(3), np.array([3.0, 4.0, 5.0])))
    solid = solid_of_mesh(mesh)
    assert is_valid(solid)
    assert measure_volume(tessellate(solid)) == pytest.approx(60.0)


def test_triangles_that_do_not_close_are_refused() -> None:
    lone = Mesh(np.zeros((3, 3)), np.zeros((0, 3), dtype=np.int32))
    with pytest.raises(KernelError, match="do not close") as caught:
        solid_of_mesh(lone)
    assert caught.value.where == "faceted body"


def test_an_open_mesh_and_a_facet_without_area_are_refused() -> None:
    mesh = tessellate(_box(np.zeros(3), np.array([3.0, 4.0, 5.0])))
    with pytest.raises(KernelError, match="do not close"):
        solid_of_mesh(Mesh(mesh.vertices, mesh.faces[1:]))
    flat = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 5.0]])
    with pytest.raises(KernelError, match="no area"):
        solid_of_mesh(Mesh(flat, np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], dtype=np.int32)))


def test_a_solid_of_facets_follows_its_corners_and_no_other_mesh() -> None:
    mesh = tessellate(_box(np.zeros(3), np.array([3.0, 4.0, 5.0])))
    solid = solid_of_mesh(mesh)
    longer = Mesh(mesh.vertices * np.array([2.0, 1.0, 1.0]), mesh.faces)
    assert _volume(follow_facets(solid, longer)) == pytest.approx(120.0)
    box = _box(np.zeros(3), np.array([3.0, 4.0, 5.0]))
    assert follow_facets(box, longer) is box  # six faces, which are no triangles
    flat = Mesh(mesh.vertices * np.array([0.0, 1.0, 1.0]), mesh.faces)
    assert follow_facets(solid, flat) is solid


def test_volume_of_a_tetrahedron() -> None:
    corners = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [0.0, 4.0, 0.0], [0.0, 0.0, 5.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], dtype=np.int32)
    assert measure_volume(Mesh(corners, faces)) == pytest.approx(10.0)
    assert measure_volume(Mesh(corners, faces[:, ::-1])) == pytest.approx(-10.0)


def test_triangles_of_a_mesh_that_is_open_anyway_are_not_refined_on_every_way_of_meshing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A box that is read without its top: no slit, so that no way of meshing closes it. The first and the last are refined."""
    read, refined = kernel.read_patches, []

    def refine(patches: Sequence[Patch], *, chord: float) -> list[Patch]:
        refined.append(chord)
        return list(patches)

    monkeypatch.setattr(kernel, "read_patches", lambda shape: read(shape)[:-1])
    monkeypatch.setattr(kernel, "refine_patches", refine)
    patches, mesh = kernel.lay_facets(prism_solid(_plane(2.0), 5.0))
    assert len(refined) == 2
    assert len(patches) == 5
    assert not kernel.is_closed(mesh.faces)
