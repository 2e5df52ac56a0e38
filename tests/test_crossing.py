"""A tube and a field part in one simple curve, or it is said where they do not: on cylinders and bumps in closed form."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from mountgen.arrays import Floats
from mountgen.crossing import TangleError, find_crossed, find_flaws, meet_field
from mountgen.spline import Surface, fit_surface, uniform_axis

RADIUS, LOW, HIGH = 12.0, -20.0, 0.0
LID = np.zeros(6)


def _tube(bulge: float = 0.0) -> Surface:
    """Return an upright tube that at u = 0 comes in by `bulge` mm about a height of -9 mm."""
    u_axis, v_axis = uniform_axis(0.0, 1.0, 1 / 60, periodic=True), uniform_axis(LOW - 3.0, HIGH + 3.0, 1.0)
    u, v = np.arange(960) / 960, np.linspace(LOW - 3.0, HIGH + 3.0, 140)
    away = np.minimum(u, 1.0 - u) * 2.0 * pi * RADIUS
    radius = RADIUS - bulge * np.exp(-((away / 2.0) ** 2))[:, None] * np.exp(-(((v + 9.0) / 1.5) ** 2))[None, :]
    x, y = radius * np.cos(2 * pi * u)[:, None], radius * np.sin(2 * pi * u)[:, None]
    return fit_surface(u, v, np.stack([x, y, np.broadcast_to(v, x.shape)], axis=2), u_axis, v_axis)


def _floor(level: float = -12.0, *, mound: float = 0.0) -> Surface:
    """Return a floor with a mound where the tube comes in: its flank falls outwards, so that a bulging tube leaves it twice."""
    axis = uniform_axis(-16.0, 16.0, 0.5)
    x = np.linspace(-16.0, 16.0, 260)
    rise = mound * np.exp(-(((x[:, None] - 10.0) / 1.2) ** 2)) * np.exp(-((x[None, :] / 2.0) ** 2))
    return fit_surface(x, x, (level + rise)[..., None], axis, axis)


def test_a_tube_and_a_level_floor_part_in_a_circle() -> None:
    foot = meet_field(_tube(), _floor())
    assert not len(find_flaws(_tube(), _floor(), LID))
    plan = foot.axis.basis(np.linspace(0.0, 1.0, 400)) @ foot.plan
    np.testing.assert_allclose(np.hypot(*plan.T), RADIUS, atol=0.002)


def test_where_a_tube_leaves_the_floor_again_is_told() -> None:
    wall, floor = _tube(bulge=2.0), _floor(mound=6.0)
    with pytest.raises(TangleError, match=r"out of the floor again|with kinks") as caught:
        meet_field(wall, floor)
    places = caught.value.places
    np.testing.assert_array_equal(find_flaws(wall, floor, LID), places)
    assert len(places)
    assert np.hypot(places[:, 0] - RADIUS, places[:, 1]).max() < 4.0


def test_a_floor_that_comes_up_to_the_lid_is_no_good_there() -> None:
    flaws = find_flaws(_tube(), _floor(-0.1), LID)
    np.testing.assert_allclose(np.hypot(*flaws.T), RADIUS, atol=0.5)


def test_a_tube_that_ends_above_the_floor_is_no_good_all_around() -> None:
    with pytest.raises(TangleError, match="does not reach") as caught:
        meet_field(_tube(), _floor(-30.0))
    assert len(caught.value.places) > 100


@pytest.mark.parametrize("turn", [0.0, 0.7])
def test_a_figure_of_eight_crosses_itself_in_its_middle(turn: float) -> None:
    t = np.linspace(0.0, 2.0 * pi, 201)[:-1] + 0.013
    eight = np.column_stack([20.0 * np.sin(t), 10.0 * np.sin(2.0 * t)]) @ _turned(turn)
    crossed = find_crossed(eight)
    assert len(crossed) == 2
    assert np.hypot(*crossed.T).max() < 1.0
    assert not len(find_crossed(20.0 * np.column_stack([np.cos(t), np.sin(t)])))


def _turned(angle: float) -> Floats:
    return np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])

