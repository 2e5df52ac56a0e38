"""The chamfer along the plate, against closed forms on simple solids: what it takes, what it leaves, that nothing is added."""

from __future__ import annotations

from math import pi

import manifold3d
import numpy as np
import pytest

from mountgen.features.part import SoftZone
from mountgen.kernel import Mesh
from mountgen.mesh_measure import is_closed, measure_volume
from mountgen.service.foot import Foot, chamfer_foot
from mountgen.service.plate import Pose, lay_down, move_points
from mountgen.stl_file import round_mesh
from tests.checks import assert_printable
from tests.solids import box_mesh
from tests.test_print_orientation import as_mesh, block

BED = (220.0, 220.0, 250.0)
UP = np.array([0.0, 0.0, 1.0])
SIZE, LINE = 0.4, 0.45


def cut(mesh: Mesh, up: np.ndarray = UP, *, size: float = SIZE, zones: tuple[SoftZone, ...] = ()) -> tuple[Foot, Pose]:
    pose = lay_down(mesh.vertices, up, bed=BED)
    return chamfer_foot(mesh, pose, size=size, line_width=LINE, zones=zones), pose


def section(mesh: Mesh, pose: Pose, height: float) -> manifold3d.CrossSection:
    """The part on its plate, cut level."""
    at = move_points(mesh.vertices, pose.part_to_plate)
    solid = manifold3d.Manifold(manifold3d.Mesh64(at, np.array(mesh.faces, dtype=np.uint64)))
    return solid.slice(height)


@pytest.mark.parametrize("size", [0.2, 0.4, 1.0])
def test_a_box_loses_a_strip_along_its_edges(size: float) -> None:
    """Its section at t below the upper edge is (a - 2 t)(b - 2 t): in all (a + b) c² - 4 c³ / 3 less."""
    found, pose = cut(box_mesh((30.0, 20.0, 10.0)), size=size)
    assert_printable(found.mesh)
    expected = (30.0 + 20.0) * size**2 - 4.0 * size**3 / 3.0
    assert found.removed == pytest.approx(expected, rel=1e-6)
    assert 6000.0 - measure_volume(found.mesh) == pytest.approx(expected, rel=1e-5)
    assert found.left == 0.0
    for share in (0.1, 0.5, 0.9):
        back = size * (1.0 - share)
        sides = np.sort(np.ptp(np.concatenate(section(found.mesh, pose, share * size).to_polygons()), axis=0))
        np.testing.assert_allclose(sides, [20.0 - 2.0 * back, 30.0 - 2.0 * back], atol=1e-6)
    assert section(found.mesh, pose, size + 0.01).area() == pytest.approx(600.0)


def test_a_hole_is_widened_towards_the_plate() -> None:
    """A tube of radii 10 and 20: outside pi (R c² - c³ / 3) is lost, inside pi (r c² + c³ / 3)."""
    tube = manifold3d.Manifold.cylinder(10.0, 20.0, 20.0, 256) - manifold3d.Manifold.cylinder(10.0, 10.0, 10.0, 256)
    found, _ = cut(as_mesh(tube))
    expected = pi * (20.0 * SIZE**2 - SIZE**3 / 3.0) + pi * (10.0 * SIZE**2 + SIZE**3 / 3.0)
    assert found.removed == pytest.approx(expected, rel=0.02)  # corners of the cone and of the outline
    assert_printable(found.mesh)


def test_nothing_is_ever_added() -> None:
    shape = block(40, 30, 12) - block(10, 10, 30, (5, 5, -1)) + block(8, 40, 5)
    whole = as_mesh(shape)
    for up in (UP, -UP, np.array([1.0, 0.0, 0.0])):
        found, _ = cut(whole, up)
        made = manifold3d.Manifold(manifold3d.Mesh64(np.array(found.mesh.vertices), np.array(found.mesh.faces, np.uint64)))
        assert (made - shape).volume() == pytest.approx(0.0, abs=1e-6)
        assert found.removed > 1.0


def test_a_rounded_edge_stands_back_by_itself() -> None:
    """All edges rounded by 1 mm: nothing is lost. By 0.05 mm: what a sharp box loses, but for the roundings."""

    def rounded(radius: float) -> Mesh:
        ball = manifold3d.Manifold.sphere(radius, 32)
        ends = [(x, y, z) for x in (-10.0, 10.0) for y in (-6.0, 6.0) for z in (0.0, 8.0)]
        return as_mesh(manifold3d.Manifold.batch_hull([ball.translate(end) for end in ends]))

    found, _ = cut(rounded(1.0))
    assert found.removed == 0.0
    sharp, _ = cut(rounded(0.05))
    assert sharp.removed == pytest.approx((20.1 + 12.1) * SIZE**2 - 4.0 * SIZE**3 / 3.0, rel=0.03)


def test_a_wall_that_would_keep_less_than_two_lines_is_left() -> None:
    frame = block(40, 30, 10) - block(40 - 2 * 1.6, 30 - 2 * 1.6, 30, (0, 0, -1))  # walls of 1.6 mm; 0.8 + 0.9 are needed
    whole = as_mesh(frame)
    found, _ = cut(whole)
    assert found.removed == pytest.approx(0.0, abs=1e-6)
    assert found.left == pytest.approx(40.0 * 30.0 - 36.8 * 26.8, rel=1e-3)
    stout = as_mesh(block(40, 30, 10) - block(40 - 2 * 1.8, 30 - 2 * 1.8, 30, (0, 0, -1)))
    made, pose = cut(stout)
    assert made.left == pytest.approx(0.0, abs=1e-6)
    on_plate = section(made.mesh, pose, 1e-4).area()
    corners = 4.0 * (1.0 - 0.75) * SIZE**2  # a quarter of a twelve-sided cone in each corner of the hole
    assert on_plate == pytest.approx((40.0 - 0.8) * (30.0 - 0.8) - (36.4 + 0.8) * (26.4 + 0.8) + corners, rel=1e-3)


def test_tabs_and_pads_are_left_alone() -> None:
    zone = SoftZone("tape pad 1", (-5.0, -12.0, -1.0), (5.0, -8.0, 4.0))
    found, pose = cut(as_mesh(block(30, 20, 10)), zones=(zone,))
    low = section(found.mesh, pose, 1e-3)
    shift = pose.part_to_plate[:2, 3]
    near = manifold3d.CrossSection.square((10.0, 1.0)).translate((-5.0 + shift[0], -10.0 + shift[1]))
    assert (low ^ near).area() == pytest.approx(10.0)  # the zone's stretch of the edge, uncut
    assert found.left == pytest.approx(20.0)  # 10 mm of it, 2 mm deep


def test_none_is_none() -> None:
    whole = box_mesh((30.0, 20.0, 10.0))
    found, _ = cut(whole, size=0.0)
    assert found.mesh is whole


def test_written_in_single_precision_it_is_still_closed() -> None:
    """Many small facets that meet the cone at all angles: a bowl-shaped body with a wavy side, askew in its frame."""
    turn = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    radius = 20.0 + 1.5 * np.sin(5.0 * turn) + 0.3 * np.sin(37.0 * turn)
    outline = manifold3d.CrossSection([np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])])
    body = outline.extrude(15.0, 40, 4.0, (1.04, 1.04)) - manifold3d.Manifold.cylinder(40.0, 6.0, 5.0, 90, True)
    whole = as_mesh(body.rotate((20.0, 35.0, 50.0)).translate((130.0, -70.0, 15.0)))
    axis = np.asarray(manifold3d.Manifold.sphere(1e-3).translate((0.0, 0.0, 1.0)).rotate((20.0, 35.0, 50.0)).bounding_box())
    up = 0.5 * (axis[:3] + axis[3:])
    found, _ = cut(whole, up / np.linalg.norm(up))
    assert found.removed > 10.0
    assert is_closed(round_mesh(found.mesh, where="part"))
