"""An upper edge rounded by a ball: against closed forms on a cylinder, and against the kernel's own rounding on wavy walls."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
import trimesh

from mountgen.crossing import meet_field
from mountgen.errors import KernelError
from mountgen.features.rounding import round_edges
from mountgen.kernel import Solid, count_faces, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.roll import roll_ball, try_ball
from mountgen.spline import Axis, Surface, fit_surface, uniform_axis
from mountgen.tubes import Cap, Sleeve, closed_tube, make_sleeve, stack_tubes
from tests.checks import is_valid

RADIUS, LOW, HIGH = 12.0, -20.0, 0.0


def _tube(wave: float = 0.0, lean: float = 0.0, turns: int = 5) -> Surface:
    """Return a tube of that radius, which swells `turns` times around by `wave` mm and widens upwards by `lean` mm a mm."""
    u_axis, v_axis = uniform_axis(0.0, 1.0, 1 / 40, periodic=True), Axis(np.array([LOW - 3.0, HIGH + 3.0]), False)
    u, v = np.arange(640) / 640, np.linspace(LOW - 3.0, HIGH + 3.0, 20)
    radius = (RADIUS + wave * np.sin(2 * pi * turns * u))[:, None] + lean * v[None, :]
    x, y = radius * np.cos(2 * pi * u)[:, None], radius * np.sin(2 * pi * u)[:, None]
    return fit_surface(u, v, np.stack([x, y, np.broadcast_to(v, x.shape)], axis=2), u_axis, v_axis)


def _field(height: float, bow: float = 0.0) -> Surface:
    axis = Axis(np.array([-24.0, 24.0]), False)
    x = np.linspace(-24.0, 24.0, 13)
    return fit_surface(x, x, np.ascontiguousarray(height + bow * (x[:, None] ** 2 + 0.3 * x[None, :]))[..., None], axis, axis)


def _volume(solid: Solid) -> float:
    return measure_volume(tessellate(solid, chord=0.002))


@pytest.mark.parametrize(("radius", "flared"), [(0.5, False), (2.0, False), (0.5, True), (2.0, True)])
def test_around_a_cylinder_the_ball_leaves_a_torus(radius: float, flared: bool) -> None:
    wall = _tube()
    rounding = roll_ball(wall, meet_field(wall, _field(HIGH)), radius=radius, flared=flared)
    ring = RADIUS + radius if flared else RADIUS - radius
    points = rounding.face.at(np.linspace(0.0, 1.0, 301), np.linspace(0.0, 1.0, 15)).reshape(-1, 3)
    off = np.hypot(np.hypot(points[:, 0], points[:, 1]) - ring, points[:, 2] - (HIGH - radius)) - radius
    assert np.abs(off).max() < 0.001 + 3e-4 * radius
    # Pappus: a square of the radius beside the corner, less a quarter of a disc
    middle = RADIUS + radius / 2 if flared else RADIUS - radius / 2
    bulge = radius**3 / 3
    quarter = pi * radius**2 / 4 * ring + (-bulge if flared else bulge)
    assert rounding.loss == pytest.approx(2 * pi * (radius**2 * middle - quarter), rel=4e-3)


@pytest.mark.parametrize(("lean", "bow", "radius"), [(0.0, 0.0, 1.0), (0.15, 0.004, 1.0), (0.15, -0.004, 2.0), (-0.2, 0.0, 0.6)])
def test_a_body_is_rounded_as_the_kernel_rounds_it(lean: float, bow: float, radius: float) -> None:
    wall, floor, lid = _tube(0.4, lean), _field(LOW), _field(HIGH, bow)
    foot, brow = meet_field(wall, floor), meet_field(wall, lid)
    sharp, solid = closed_tube(wall, foot, brow), closed_tube(wall, foot, rounding := roll_ball(wall, brow, radius=radius))
    assert is_valid(solid)
    assert count_faces(solid) == count_faces(sharp) + 2  # the edge in as many strips as the wall
    kernels = round_edges(sharp, lambda points: points[:, 2].min() > LOW + 5.0, radius=radius)
    assert count_faces(kernels) == count_faces(solid)
    assert _volume(solid) == pytest.approx(_volume(kernels), rel=2e-5)
    assert _volume(sharp) - _volume(solid) == pytest.approx(rounding.loss, rel=0.02, abs=0.2)
    theirs = tessellate(kernels, chord=0.002)
    points = rounding.face.at(np.linspace(0.0, 1.0, 200), np.linspace(0.0, 1.0, 9)).reshape(-1, 3)
    mesh = trimesh.Trimesh(theirs.vertices, theirs.faces)
    off = trimesh.proximity.ProximityQuery(mesh).on_surface(points)[1]  # type: ignore[no-untyped-call]
    assert float(off.max()) < 0.006


def test_a_hollow_is_flared() -> None:
    outer, inner = _tube(), _tube(0.2)
    inner = Surface(inner.u, inner.v, inner.poles * np.array([0.8, 0.8, 1.0]))
    low, high = _field(LOW), _field(HIGH)
    foot, ends = meet_field(outer, low), (meet_field(outer, high), meet_field(inner, high))
    hole = meet_field(inner, low)
    outside, inside = roll_ball(outer, ends[0], radius=0.6), roll_ball(inner, ends[1], radius=0.6, flared=True)
    sleeves = [make_sleeve(outer, foot, outside), Sleeve(inner, hole, inside.high, inside=True, rounding=inside)]
    ring = stack_tubes(sleeves, [Cap(foot, (hole,), up=False), Cap(outside.high, (inside.high,))])
    plain = [Sleeve(outer, foot, ends[0]), Sleeve(inner, hole, ends[1], inside=True)]
    sharp = stack_tubes(plain, [Cap(foot, (hole,), up=False), Cap(ends[0], (ends[1],))])
    assert is_valid(ring)
    assert _volume(sharp) - _volume(ring) == pytest.approx(outside.loss + inside.loss, rel=0.02)


def test_a_ball_too_large_for_a_bend_does_not_roll_and_a_smaller_one_does() -> None:
    wall = _tube(1.2, turns=8)  # bends of a radius below 2 mm
    brow = meet_field(wall, _field(HIGH))
    with pytest.raises(KernelError) as caught:
        roll_ball(wall, brow, radius=4.0)
    assert "a ball does not roll" in caught.value.what
    assert "edge_radius" in caught.value.remedy
    smaller = try_ball(wall, brow, radius=4.0)
    assert smaller is not None
    assert 1.0 < smaller.least < 2.0
    assert is_valid(closed_tube(wall, meet_field(wall, _field(LOW)), smaller))
    assert try_ball(wall, brow, radius=0.0) is None
    whole = try_ball(wall, brow, radius=0.3)
    assert whole is not None
    assert whole.least == 0.3


def test_a_ball_is_smaller_in_a_bend_and_nowhere_else() -> None:
    """A ridge down a cylinder, 0.5 mm wide: the kernel's own rounding worked on one like it for 20 s in vain."""
    u_axis, v_axis = uniform_axis(0.0, 1.0, 1 / 240, periodic=True), Axis(np.array([LOW - 3.0, HIGH + 3.0]), False)
    u, v = np.arange(1920) / 1920, np.linspace(LOW - 3.0, HIGH + 3.0, 20)
    off = 2 * pi * RADIUS * ((u - 0.25 + 0.5) % 1.0 - 0.5)  # mm along the edge from the ridge
    radius = np.broadcast_to((RADIUS + 0.4 * np.exp(-((off / 0.5) ** 2)))[:, None], (len(u), len(v)))
    turn = 2 * pi * u[:, None]
    flat = np.broadcast_to(v, radius.shape)
    wall = fit_surface(u, v, np.stack([radius * np.cos(turn), radius * np.sin(turn), flat], axis=2), u_axis, v_axis)
    foot, brow = meet_field(wall, _field(LOW)), meet_field(wall, _field(HIGH))
    with pytest.raises(KernelError, match="a ball does not roll"):
        roll_ball(wall, brow, radius=1.0, foot=foot)
    rounding = try_ball(wall, brow, radius=1.0, foot=foot)
    assert rounding is not None
    solid, sharp = closed_tube(wall, foot, rounding), closed_tube(wall, foot, brow)
    assert is_valid(solid)
    assert _volume(sharp) - _volume(solid) == pytest.approx(rounding.loss, rel=0.01)
    at = np.linspace(0.0, 1.0, 721)
    taken = HIGH - rounding.face.at(at, np.array([0.0]))[:, 0, 2]  # of the wall's height: the ball's radius
    away = 2 * pi * RADIUS * np.abs(at - 0.25)
    assert taken[away > 8.0] == pytest.approx(1.0, abs=0.003)
    assert taken.min() == pytest.approx(rounding.least, abs=0.01)
    assert 0.2 < rounding.least < 0.7
    assert away[taken.argmin()] < 3.0


def test_where_the_floor_comes_up_to_the_mouth_the_ball_is_smaller() -> None:
    """As at the end of a trough that runs out: there a ball of the full size would roll off the wall's foot."""
    wall, lid, radius = _tube(), _field(HIGH), 1.5
    axis = Axis(np.array([-24.0, 24.0]), False)
    x = np.linspace(-24.0, 24.0, 13)
    rise = np.broadcast_to((-10.0 + 9.5 / RADIUS * x)[:, None], (13, 13))
    floor = fit_surface(x, x, np.ascontiguousarray(rise)[..., None], axis, axis)  # 0.5 mm under the lid at +x, 19.5 mm at -x
    foot, brow = meet_field(wall, floor), meet_field(wall, lid)
    with pytest.raises(KernelError):
        closed_tube(wall, foot, roll_ball(wall, brow, radius=radius))
    rounding = roll_ball(wall, brow, radius=radius, foot=foot)
    solid, sharp = closed_tube(wall, foot, rounding), closed_tube(wall, foot, brow)
    assert is_valid(solid)
    assert count_faces(solid) == count_faces(sharp) + 2
    assert _volume(sharp) - _volume(solid) == pytest.approx(rounding.loss, rel=0.01)
    around = np.linspace(0.0, 1.0, 721)
    edges = rounding.face.at(around, np.array([0.0, 1.0]))
    taken = HIGH - edges[:, 0, 2]  # by the ball, of the wall's height: as much as of the lid beside it
    assert np.abs(taken - (RADIUS - np.hypot(edges[:, 1, 0], edges[:, 1, 1]))).max() < 0.005
    height = HIGH - (-10.0 + 9.5 / RADIUS * edges[:, 0, 0])
    assert (taken < 0.75 * height).all()
    assert taken.min() < 0.36
    assert taken[edges[:, 0, 0] < 5.0] == pytest.approx(radius, abs=0.003)
    step = 1e-4  # both ends run smoothly into wall and lid, although the ball grows
    along = np.diff(rounding.face.at(around, np.array([0.0, step, 1.0 - step, 1.0])), axis=1)
    first, last = (along[:, k] / np.linalg.norm(along[:, k], axis=1)[:, None] for k in (0, 2))
    assert np.abs(first[:, 2] - 1.0).max() < 0.01
    assert np.abs(last[:, 2]).max() < 0.03


def test_a_ball_larger_than_the_wall_is_high_is_refused() -> None:
    """Past its ends a tube has no normal."""
    wall = _tube()
    brow = meet_field(wall, _field(HIGH))
    for radius in (30.0, 60.0):
        with pytest.raises(KernelError, match="a ball does not roll"):
            roll_ball(wall, brow, radius=radius)
