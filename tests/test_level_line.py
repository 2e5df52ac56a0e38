"""Level lines against the contouring library's, and against the closed form of a cone."""

from __future__ import annotations

import numpy as np
import pytest
from contourpy import contour_generator
from scipy import ndimage

from mountgen.arrays import Floats, Singles
from mountgen.level_line import trace_level
from mountgen.loop import signed_area


def _trace_by_library(x: Floats, y: Floats, height: Singles, level: float) -> list[Floats]:
    """Return the closed lines only, turned so that the lower ground is on their left, as ours."""
    lines = contour_generator(x=x, y=y, z=height).lines(level)
    return [np.asarray(line)[:-1][::-1] for line in lines if len(line) > 3 and np.allclose(line[0], line[-1])]


def _sort(loops: list[Floats]) -> list[Floats]:
    """Return the loops in an order of their own, each once to a point and from that which is first in the order of x, then y."""
    rounded = [np.round(loop, 7) for loop in loops]
    single = [loop[(loop != np.roll(loop, 1, axis=0)).any(axis=1)] for loop in rounded]  # through a node a line is cut twice
    turned = [np.roll(loop, -int(np.lexsort(loop.T[::-1])[0]), axis=0) for loop in single if len(loop)]
    return sorted(turned, key=lambda loop: (loop[0].tolist(), len(loop)))


@pytest.mark.parametrize("seed", range(60))
def test_lines_are_those_of_the_library(seed: int) -> None:
    """Random ground, rough or smooth, with saddles, lines that leave the grid, and levels that are exactly some node's height."""
    rng = np.random.default_rng(seed)
    ground = ndimage.gaussian_filter(rng.normal(size=rng.integers(3, 60, 2)), (0.0, 0.5, 1.0, 2.0)[seed % 4])
    height = ground.astype(np.float32)
    x, y = (np.cumsum(rng.uniform(0.1, 1.0, n)) for n in height.shape[::-1])
    middle, any_level = height[tuple(n // 2 for n in height.shape)], np.quantile(height, rng.uniform(0.1, 0.9))
    level = float(any_level if seed % 3 else middle)
    ours, theirs = _sort(list(trace_level(x, y, height, level))), _sort(_trace_by_library(x, y, height, level))
    assert [len(loop) for loop in ours] == [len(loop) for loop in theirs]
    for one, other in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)


def test_a_saddle_is_parted_by_its_middle() -> None:
    """Two pits that touch at a corner: above their sill they are one, below it two."""
    height = np.full((6, 6), 2.0, dtype=np.float32)
    height[1:3, 1:3] = height[3:5, 3:5] = 0.0
    at = np.arange(6.0)
    sill = 0.25 * (0.0 + 2.0 + 2.0 + 0.0)
    assert len(trace_level(at, at, height, sill + 0.1)) == 1
    assert len(trace_level(at, at, height, sill - 0.1)) == 2


def test_a_pit_is_run_around_counter_clockwise_and_a_hill_clockwise_and_a_cone_is_cut_in_circles() -> None:
    x, y = np.linspace(-12.0, 13.0, 251), np.linspace(-11.0, 14.0, 251)
    cone = np.hypot(*np.meshgrid(x, y)).astype(np.float32)
    (pit,), (hill,) = trace_level(x, y, cone, 7.0), trace_level(x, y, -cone, -7.0)
    assert signed_area(pit) == pytest.approx(np.pi * 49.0, rel=1e-3)
    assert signed_area(hill) == pytest.approx(-np.pi * 49.0, rel=1e-3)
    np.testing.assert_allclose(np.hypot(*pit.T), 7.0, atol=2e-4)  # a chord of a pitch's length is 0.1² / (8 * 7) off


@pytest.mark.parametrize("level", [-1.0, 0.0, 2.0])
def test_level_ground_has_no_lines(level: float) -> None:
    at = np.arange(5.0)
    assert trace_level(at, at, np.zeros((5, 5), dtype=np.float32), level) == ()
