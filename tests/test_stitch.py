"""Solids put together by their faces: volumes in closed form, and the same as the kernel's own booleans give."""

from __future__ import annotations

from math import cos, pi, sin

import numpy as np
import pytest

from mountgen.crossing import meet_field
from mountgen.errors import KernelError
from mountgen.features.flange import upright_tube
from mountgen.kernel import Solid, combine, combine_many, solids_of, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.shape import make_box
from mountgen.spline import Axis, Surface
from mountgen.stitch import _split, fuse_nearby, open_top
from mountgen.tubes import Cap, Sleeve, stack_tubes
from tests.checks import assert_printable, is_valid
from tests.solids import ball_solid

LONG = Axis(np.array([-40.0, 40.0]), False)


def level(z: float) -> Surface:
    return Surface(LONG, LONG, np.full((LONG.poles, LONG.poles, 1), z))


def pillar(x: float, radius: float, low: Surface, high: Surface) -> Solid:
    turn = np.linspace(0.0, 2.0 * pi, 400, endpoint=False)
    loop = np.array([(x + radius * cos(t), radius * sin(t)) for t in turn])
    tube = upright_tube(loop, low=-30.0, high=30.0, step=2.0)
    foot, brow = meet_field(tube, low), meet_field(tube, high)
    return stack_tubes([Sleeve(tube, foot, brow)], [Cap(foot, up=False), Cap(brow)])


def test_rooms_leave_what_the_closed_form_says() -> None:
    top = level(5.0)
    body = pillar(0.0, 25.0, level(-15.0), top)
    opened = open_top(body, [pillar(-10.0, 8.0, level(-9.0), top), pillar(12.0, 6.0, level(-12.0), top)], top)
    assert is_valid(opened)
    mesh = tessellate(opened)
    assert_printable(mesh)
    wanted = pi * (25.0**2 * 20.0 - 8.0**2 * 14.0 - 6.0**2 * 17.0)
    assert measure_volume(mesh) == pytest.approx(wanted, rel=2e-3)


def test_a_room_that_goes_around_an_island_leaves_two_walls_and_so_two_faces_on_top() -> None:
    """A ring of 25 and 5 mm radius with a room of 22 and 8 mm in it."""
    top = level(5.0)
    ring = combine(pillar(0.0, 25.0, level(-15.0), top), pillar(0.0, 5.0, level(-20.0), level(9.0)), "cut", what="island")
    room = combine(pillar(0.0, 22.0, level(-12.0), top), pillar(0.0, 8.0, level(-20.0), level(9.0)), "cut", what="island")
    opened = open_top(ring, solids_of(room), top)
    assert is_valid(opened)
    assert len(solids_of(opened)) == 1
    mesh = tessellate(opened)
    assert_printable(mesh)
    wanted = pi * ((25.0**2 - 5.0**2) * 20.0 - (22.0**2 - 8.0**2) * 17.0)
    assert measure_volume(mesh) == pytest.approx(wanted, rel=2e-3)


def test_a_body_or_a_room_without_a_face_on_the_top_is_refused() -> None:
    top = level(5.0)
    body, low = pillar(0.0, 25.0, level(-15.0), top), pillar(0.0, 8.0, level(-9.0), level(4.0))
    with pytest.raises(KernelError, match="a room does not reach the top"):
        open_top(body, [low], top)
    with pytest.raises(KernelError, match="0 faces lie on the top"):
        open_top(low, [body], top)


def test_union_nearby_is_the_union() -> None:
    body, tool = pillar(0.0, 25.0, level(-15.0), level(5.0)), make_box((20.0, -3.0, -4.0), (28.0, 3.0, 9.0))
    united = fuse_nearby(body, tool, what="box")
    assert len(solids_of(united)) == 1
    assert is_valid(united)
    wanted = tessellate(combine_many(body, [tool], "fuse", what="box"))
    mesh = tessellate(united)
    assert_printable(mesh)
    assert measure_volume(mesh) == pytest.approx(measure_volume(wanted), rel=1e-4)
    assert mesh.vertices.max(axis=0) == pytest.approx(wanted.vertices.max(axis=0), abs=1e-6)


def test_a_tool_that_touches_nothing_stays_a_piece_of_its_own() -> None:
    body, tool = pillar(0.0, 10.0, level(-15.0), level(5.0)), make_box((20.0, -3.0, -4.0), (28.0, 3.0, 9.0))
    assert len(solids_of(fuse_nearby(body, tool, what="box"))) == 2


@pytest.mark.parametrize("middle", [(0.0, 0.0, 10.0), (10.0, 0.0, 0.0), (6.0, 6.0, 6.0)])  # about a pole, the seam, neither
def test_the_pieces_of_a_ball_are_told_apart_by_the_box_that_parts_it(middle: tuple[float, float, float]) -> None:
    low, high = (np.array(middle) - 5.0).tolist(), (np.array(middle) + 5.0).tolist()
    near, rest = _split(ball_solid(10.0), make_box(low, high), what="ball")
    assert len(near) == len(rest) == 1
    inside, outside = (tessellate(piece).vertices for piece in (near[0], rest[0]))
    assert (inside > np.array(low) - 0.01).all()
    assert (inside < np.array(high) + 0.01).all()
    assert measure_volume(tessellate(near[0])) + measure_volume(tessellate(rest[0])) == pytest.approx(4000.0 * pi / 3.0, rel=5e-3)
    assert np.linalg.norm(outside, axis=1).max() == pytest.approx(10.0, abs=0.01)
