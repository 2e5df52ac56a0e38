"""Reading fields against shapely, scipy and a closed form."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
import shapely
from scipy import ndimage

from mountgen.grid import EMPTY, fill_loop, look_around, sample_both, sample_grid, sum_free
from tests.nodes import ORIGIN, PITCH, SHAPE, lay_nodes


@pytest.mark.parametrize("seed", range(3))
def test_nodes_inside_a_loop_are_those_shapely_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0.0, 2.0 * pi, 40))
    radius = rng.uniform(3.0, 9.0, 40)
    loop = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    inside = fill_loop(loop, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    wanted = shapely.contains_xy(shapely.Polygon(loop), lay_nodes().reshape(-1, 2)).reshape(SHAPE)
    assert wanted.any()
    np.testing.assert_array_equal(inside, wanted)
    np.testing.assert_array_equal(fill_loop(loop[::-1], origin=ORIGIN, pitch=PITCH, shape=SHAPE), wanted)


def test_a_loop_that_crosses_itself_is_filled_by_the_even_odd_rule() -> None:
    angle = np.arange(5) * 4.0 * pi / 5.0 + 0.1
    star = 8.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    inside = fill_loop(star, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    wanted = shapely.contains_xy(shapely.make_valid(shapely.Polygon(star)), lay_nodes().reshape(-1, 2)).reshape(SHAPE)
    np.testing.assert_array_equal(inside, wanted)
    assert not inside[round(-ORIGIN[1] / PITCH), round(-ORIGIN[0] / PITCH)]  # its heart is covered twice


def test_looking_around_takes_the_highest_of_what_is_met_first() -> None:
    height = np.full((41, 61), -10.0, dtype=np.float32)
    height[:, 40:] = -3.0  # the side on which the hole is bounded higher
    height[:, :8] = 5.0  # higher still, but behind the low ground on the left
    height[12:29, 20:40] = EMPTY
    wanted = height == EMPTY
    found = look_around(height, np.full_like(height, EMPTY), wanted, reach=30.0, pitch=1.0)
    assert found.shape == (int(wanted.sum()),)
    assert (found == -3.0).all()


def test_looking_around_meets_nothing_beyond_its_reach() -> None:
    height = np.full((41, 41), -10.0, dtype=np.float32)
    height[5:36, 5:36] = EMPTY
    wanted = np.zeros(height.shape, dtype=bool)
    wanted[20, 20] = True
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=5.0, pitch=0.5)[0] == EMPTY
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=20.0, pitch=0.5)[0] == -10.0


def test_samples_between_nodes_are_those_of_scipy() -> None:
    rng = np.random.default_rng(7)
    field = rng.normal(0.0, 5.0, (23, 31)).astype(np.float32)
    points = rng.uniform([-1.0, -2.0], [2.0 + 31 * 0.4, 3.0 + 23 * 0.4], (50, 40, 2))
    found = sample_grid(field, points, origin=(0.5, 1.0), pitch=0.4)
    places = np.stack([(points[..., 1] - 1.0) / 0.4, (points[..., 0] - 0.5) / 0.4])
    wanted = ndimage.map_coordinates(field.astype(np.float64), places, order=1, mode="nearest")
    assert found.shape == (50, 40)
    # the last node is left by a thousandth of a pitch, so that there always is a next one
    assert found == pytest.approx(wanted, abs=2e-3 * float(np.ptp(field)))
    inner = ((places >= 0.0) & (places <= np.array([21.9, 29.9])[:, None, None])).all(axis=0)
    assert found[inner] == pytest.approx(wanted[inner], abs=1e-5)
    both = sample_both(field, -2.0 * field, points.reshape(-1, 2), origin=(0.5, 1.0), pitch=0.4)
    for values, scale in zip(both, (1.0, -2.0), strict=True):
        np.testing.assert_array_equal(values.reshape(found.shape), scale * found)


def test_a_border_stands_in_for_the_steep_ground_behind_it() -> None:
    height = np.full((11, 21), -10.0, dtype=np.float32)
    height[:, 12:] = 50.0  # a pitch into the wall
    height[:, 8:12] = EMPTY
    border = np.full_like(height, EMPTY)
    border[:, 12] = -3.0  # where the wall was last seen
    wanted = height == EMPTY
    assert look_around(height, border, wanted, reach=20.0, pitch=1.0).max() == -3.0
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=20.0, pitch=1.0).max() == 50.0


@pytest.mark.parametrize("turn", [0.0, 0.5, -1.2])
@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.1, -0.2)])
def test_free_room_over_a_plane_floor_is_a_prism_whichever_way_it_is_left(turn: float, slope: tuple[float, float]) -> None:
    """Under a plane lid the room over a level floor, left through a round mouth along a slope, is a slanted cylinder."""
    depth, radius, pitch, lean = 20.0, 30.0, 0.25, 0.1
    shape, origin = (400, 400), (-50.0, -50.0)
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    height = np.full(shape, -depth, dtype=np.float32)
    height[y > 40.0] = EMPTY
    lid = np.array([1.0, lean, 0.0, 0.0, 0.0, 0.0])
    mouth = np.hypot(x, y) < radius
    room = sum_free(
        height, mouth, lid, slope=np.array(slope), level=0.0, turn=turn, origin=origin, pitch=pitch, steps=8
    )  # fmt: skip
    squeezed = 1.0 - lean * slope[0]  # of plan area at level 0 per area where lines along the slope meet the lid
    assert room == pytest.approx(np.pi * radius**2 * (depth + 1.0) * squeezed, rel=2e-3)
