"""Fitted faces held to the scan: distances by another library, what lies inside a post by the winding number of its mesh."""

from __future__ import annotations

from functools import cache

import igl
import numpy as np

from mountgen.arrays import Floats
from mountgen.block import make_block
from mountgen.crossing import meet_field
from mountgen.field import InsertableSpace, build_space
from mountgen.inspection import ZONES
from mountgen.kernel import tessellate
from mountgen.loft import Shell, fit_shell
from mountgen.shell_relief import Room, _move_poles, fit_clear_shell
from mountgen.spline import Surface, uniform_axis
from mountgen.tubes import closed_tube
from tests.known import Known, known_recess, make_fit

CLEARANCE = 0.5
CHORD = 0.006  # mm; of facets fine enough to stand for the faces
ABOUT = 0.08  # mm; the loops that tell what lies inside are as far apart as that on these slopes


@cache
def _fitted() -> tuple[Known, InsertableSpace, Shell]:
    known = known_recess("two_level", triangles=60_000)
    space = build_space(known.recess, fit=make_fit(clearance=CLEARANCE, draft=1.0))
    return known, space, fit_shell(space)


def _least_distance(shell: Shell, space: InsertableSpace, known: Known) -> float:
    """Return the least distance of the solid's finely meshed surface from the scan, mm."""
    mesh = tessellate(make_block(shell, space).solid, chord=CHORD)
    points = np.concatenate([mesh.vertices, mesh.vertices[mesh.faces].mean(axis=1)])
    scan = np.asarray(known.recess.vertices), known.recess.faces.astype(np.int64)
    return float(np.sqrt(igl.point_mesh_squared_distance(points, *scan)[0].min()))


def test_relieved_faces_keep_the_clearance_from_the_scan() -> None:
    known, space, shell = _fitted()
    relieved = fit_clear_shell(space, known.recess, clearance=dict.fromkeys(ZONES, CLEARANCE))
    assert _least_distance(shell, space, known) < CLEARANCE - 0.04  # or there was nothing to do
    assert _least_distance(relieved, space, known) >= CLEARANCE - 0.03


def test_a_face_that_stands_clear_is_left_alone() -> None:
    known, space, shell = _fitted()
    relieved = fit_clear_shell(space, known.recess, clearance=dict.fromkeys(ZONES, CLEARANCE - 0.2))
    assert np.array_equal(relieved.wall.poles, shell.wall.poles)
    assert np.array_equal(relieved.floor.poles, shell.floor.poles)


def test_what_a_post_holds_is_what_its_solid_holds() -> None:
    post = _fitted()[2].posts[0]
    room = Room(post, side=-1.0)
    low = post.wall.v.breaks[0]
    flat = Surface(post.floor.u, post.floor.v, np.full_like(post.floor.poles, low + 0.5))
    solid = closed_tube(post.wall, meet_field(post.wall, flat), meet_field(post.wall, post.floor))
    mesh = tessellate(solid)
    span = mesh.vertices.min(axis=0) - 1.0, mesh.vertices.max(axis=0) + 1.0
    points = np.random.default_rng(5).uniform(*span, size=(20_000, 3))
    points = points[points[:, 2] > low + 0.6]
    faces = mesh.faces.astype(np.int64)
    inside = igl.winding_number(mesh.vertices, faces, points) > 0.5
    clear = igl.point_mesh_squared_distance(points, mesh.vertices, faces)[0] > ABOUT**2
    assert 1000 < inside.sum() < len(points) - 1000
    assert np.array_equal(room.holds(points, by=0.0)[clear], inside[clear])


def _plane() -> Surface:
    axis = uniform_axis(0.0, 10.0, 1.0)
    return Surface(axis, axis, np.zeros((axis.poles, axis.poles, 1)))


def _rise(face: Surface, u: Floats, v: Floats) -> Floats:
    return face.at_points(u, v)[:, 0]


def test_one_point_moves_by_its_step_and_the_face_far_from_it_not_at_all() -> None:
    at = np.array([4.3]), np.array([5.6])
    moved = _move_poles(_plane(), *at, np.array([0.04]), np.array([[0.0, 0.0, 1.0]]))
    assert abs(_rise(moved, *at)[0] - 0.04) < 1e-12
    assert _rise(moved, at[0] + 4.0, at[1])[0] == 0.0
    grid = np.linspace(0.0, 10.0, 101)
    assert moved.at(grid, grid).max() < 0.05  # nowhere much more than where it was asked to


def test_every_point_moves_at_least_by_its_step() -> None:
    rng = np.random.default_rng(2)
    u, v = rng.uniform(0.0, 10.0, (2, 400))
    step = rng.uniform(0.0, 0.05, 400)
    moved = _move_poles(_plane(), u, v, step, np.tile([0.0, 0.0, 1.0], (400, 1)))
    assert (_rise(moved, u, v) >= step - 1e-12).all()
    assert _rise(moved, u, v).max() < 2.0 * step.max()
