"""Spreading over fields against brute force, Dijkstra and scipy."""

from __future__ import annotations

import heapq
from math import hypot

import numpy as np
import pytest
from scipy import ndimage

from mountgen.arrays import Bools, Floats, Singles
from mountgen.dilate import climb, dilate_cone, dilate_disc, find_beside, lead_uphill, open_disc, reach_disc
from mountgen.grid import EMPTY
from tests.nodes import lay_nodes


@pytest.mark.parametrize("slope", [0.7, 5.0])
def test_cone_dilation_is_the_brute_force_one_but_for_2_8_per_cent_of_distance(slope: float) -> None:
    rng = np.random.default_rng(4)
    pitch, shape = 0.3, (31, 37)
    height = rng.normal(0.0, 4.0, shape).astype(np.float32)
    height[10:15, 8:30] = EMPTY
    found = dilate_cone(height, slope=slope, pitch=pitch)
    nodes = lay_nodes(shape, (0.0, 0.0), pitch).reshape(-1, 2)
    away = np.linalg.norm(nodes[:, None] - nodes[None], axis=2)
    flat = height.reshape(-1).astype(np.float64)
    exact = (flat[None] - slope * away).max(axis=1).reshape(shape)
    lowest = (flat[None] - slope * 1.028 * away).max(axis=1).reshape(shape)
    assert (found <= exact + 1e-4).all()
    assert (found >= lowest - 1e-4).all()
    assert (found > height + 1e-3).mean() > 0.3  # the cone did something


def _climb_slowly(height: Singles, start: Bools, rise: Singles) -> Floats:
    """Dijkstra: settle the lowest node first; a step away from it climbs at least its rise."""
    rows, cols = height.shape
    level = np.full(height.shape, np.inf)
    queue = [(float(height[r, c]), int(r), int(c)) for r, c in np.argwhere(start)]
    for z, r, c in queue:
        level[r, c] = z
    heapq.heapify(queue)
    while queue:
        z, r, c = heapq.heappop(queue)
        if z > level[r, c]:
            continue
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                i, j = r + dr, c + dc
                if (dr or dc) and 0 <= i < rows and 0 <= j < cols:
                    at = max(float(height[i, j]), z + float(rise[r, c]) * hypot(dr, dc))
                    if at < level[i, j]:
                        level[i, j] = at
                        heapq.heappush(queue, (at, i, j))
    return level


@pytest.mark.parametrize("seed", [5, 6])
def test_climbing_settles_where_dijkstra_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape, pitch = (26, 33), 0.25
    height = ndimage.gaussian_filter(rng.normal(0.0, 30.0, shape), 2.0).astype(np.float32)
    start = height < np.quantile(height, 0.1)
    slope = rng.uniform(0.3, 3.0, shape).astype(np.float32)
    found = climb(height, start, slope, pitch=pitch)
    assert found == pytest.approx(_climb_slowly(height, start, slope * pitch), abs=2e-3)
    assert (found >= height).all()
    assert (found > height + 0.1).any()


def test_a_pit_that_the_floor_cannot_reach_is_filled_to_its_sill() -> None:
    height = np.full((9, 30), -10.0, dtype=np.float32)
    height[:, 12:14] = -4.0  # a sill between the floor and a pit as deep
    start = np.zeros(height.shape, dtype=bool)
    start[:, :5] = True
    filled = climb(height, start, np.zeros(height.shape, dtype=np.float32), pitch=0.5)
    assert (filled[:, :12] == -10.0).all()
    assert (filled[:, 12:] == -4.0).all()


@pytest.mark.parametrize("radius", [0.1, 0.9, 2.0])
def test_flat_disc_dilation_is_that_of_scipy(radius: float) -> None:
    field = np.random.default_rng(8).normal(0.0, 5.0, (40, 30)).astype(np.float32)
    reach = int(radius / 0.25)
    row, col = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    wanted = ndimage.maximum_filter(field, footprint=row**2 + col**2 <= reach**2, mode="nearest")
    np.testing.assert_array_equal(dilate_disc(field, radius=radius, pitch=0.25), wanted)


@pytest.mark.parametrize("nodes", [0.4, 1.0, 2.5, 6.0, 7.9])
def test_a_mask_is_opened_like_by_the_library_s_erosion_and_dilation(nodes: float) -> None:
    rng = np.random.default_rng(3)
    mask = ndimage.gaussian_filter(rng.normal(size=(80, 90)), 3.0) > -0.02  # reaches the grid's edge
    reach = np.arange(-8, 9)
    disc = reach[:, None] ** 2 + reach**2 <= nodes**2
    opened = open_disc(mask, radius=nodes * 0.25, pitch=0.25)
    assert 0 < opened.sum() <= mask.sum()
    np.testing.assert_array_equal(opened, ndimage.binary_opening(mask, disc))


@pytest.mark.parametrize("nodes", [0.5, 1.5, 4.0, 7.5])
def test_what_lies_within_a_radius_of_a_mask_is_told_by_the_library_s_distances(nodes: float) -> None:
    mask = np.random.default_rng(5).random((50, 70)) < 0.02
    away = ndimage.distance_transform_edt(~mask)
    np.testing.assert_array_equal(reach_disc(mask, radius=nodes * 0.2, pitch=0.2), away <= nodes)
    assert not reach_disc(np.zeros_like(mask), radius=nodes * 0.2, pitch=0.2).any()
    label = np.where(mask, 3, 0).astype(np.int32)
    wanted = np.flatnonzero(~mask)
    found = find_beside(label, wanted, radius=nodes * 0.2, pitch=0.2)
    near = away.ravel()[wanted] <= nodes
    np.testing.assert_array_equal(found >= 0, near)
    assert mask.ravel()[found[near]].all()
    apart = [np.subtract(*each) for each in zip(divmod(found[near], 70), divmod(wanted[near], 70), strict=True)]
    np.testing.assert_allclose(np.hypot(*apart), away.ravel()[wanted][near])  # of several as near any will do


def test_every_node_is_led_uphill_to_where_always_the_highest_neighbour_leads() -> None:
    rng = np.random.default_rng(4)
    height = rng.random((14, 17)).astype(np.float32)
    label = np.where(rng.random(height.shape) < 0.1, rng.integers(1, 5, height.shape), 0).astype(np.int32)
    found = lead_uphill(height, label)
    for start in np.ndindex(height.shape):
        here = start
        while label[here] == 0:
            around = [
                (here[0] + dr, here[1] + dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1)
                if 0 <= here[0] + dr < height.shape[0] and 0 <= here[1] + dc < height.shape[1]
            ]  # fmt: skip
            best = max(around, key=lambda node: height[node])
            if best == here:
                break
            here = best
        assert found[start] == label[here], start
