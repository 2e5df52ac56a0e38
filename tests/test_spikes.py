"""Spikes: single vertices moved off sheets of closed form come back to them; what is real and thin stays as it was scanned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from mountgen.arrays import Floats, Ints
from mountgen.scan import measure_noise, measure_spacing, read_scan
from mountgen.service.scan_check import judge_scan_use
from mountgen.spikes import Spikes, flatten_spikes
from mountgen.survey_sheets import find_spikes
from tests.recesses import as_scan, box_recess
from tests.shapes import SEVEN, scan_specimen
from tests.sheets import make_sheet, random_pose, stl_bytes

Surface = Callable[[Floats, Floats], Floats]
NOISE = 0.03  # mm
HALF, PITCH = (45.0, 30.0), 1.0  # mm


def flat(x: Floats, y: Floats) -> Floats:
    return 0.0 * x


def bowed(x: Floats, y: Floats) -> Floats:
    return -(x**2) / 120.0 + (y**2) / 300.0 + 0.3 * x


def noisy(surface: Surface) -> tuple[Floats, Ints]:
    vertices, faces = make_sheet(surface, half=HALF, pitch=PITCH)
    return vertices + np.random.default_rng(4).normal(0.0, NOISE, vertices.shape), faces


def flatten(vertices: Floats, faces: Ints) -> Spikes:
    return flatten_spikes(vertices, faces, noise=measure_noise(vertices, faces), spacing=measure_spacing(vertices, faces))


def spiked(vertices: Floats, *, share: float, most: float = 8.0) -> tuple[Floats, Ints, Floats]:
    """Return the vertices with a share of them moved 1 to `most` mm up or down, which those are, and how far."""
    rng = np.random.default_rng(9)
    which = rng.choice(len(vertices), round(share * len(vertices)), replace=False)
    moved = vertices.copy()
    off = rng.uniform(1.0, most, len(which)) * rng.choice([-1.0, 1.0], len(which))
    moved[which, 2] += off
    return moved, which.astype(np.int32), np.abs(off)


@pytest.mark.parametrize("surface", [flat, bowed])
@pytest.mark.parametrize(("share", "missed"), [(0.002, 0.0), (0.01, 0.0), (0.03, 0.03)])
def test_single_points_come_back_to_the_ground(surface: Surface, share: float, missed: float) -> None:
    """Of 3 %, some lie in threes, which may be a thing."""
    vertices, faces = noisy(surface)
    moved, which, off = spiked(vertices, share=share)
    found = flatten(moved, faces)
    assert len(which) * (1.0 - missed) <= len(found.heights) <= len(which)
    x, y, z = found.vertices.T
    over = np.abs(z - surface(x, y))
    assert np.quantile(over, 1.0 - missed * share) < 8.0 * NOISE  # at a border the ground is carried on
    back = np.isin(np.arange(len(vertices)), which) & (found.vertices != moved).any(axis=1)
    assert back.sum() == len(found.heights)
    np.testing.assert_array_equal(found.vertices[~back], moved[~back])  # all else stays as it was
    np.testing.assert_array_equal(np.sort(found.tips[:, 2]), np.sort(moved[back, 2]))
    if not missed:
        assert np.abs(np.sort(found.heights) - np.sort(off)).max() < 0.06 * off.max()  # across a slope of 17 degrees: 4 %


def test_the_pose_of_the_scan_does_not_matter() -> None:
    vertices, faces = noisy(bowed)
    moved, which, _ = spiked(vertices, share=0.01)
    turn, shift = random_pose(7)
    here, there = flatten(moved, faces), flatten(moved @ turn.T + shift, faces)
    assert len(here.heights) == len(there.heights) == len(which)
    np.testing.assert_allclose((there.vertices - shift) @ turn, here.vertices, atol=0.1)


def test_two_that_are_neighbours_come_back() -> None:
    vertices, faces = noisy(flat)
    moved = vertices.copy()
    moved[[1000, 1001], 2] += [4.0, 6.0]
    found = flatten(moved, faces)
    assert len(found.heights) == 2
    assert np.abs(found.vertices[:, 2]).max() < 6.0 * NOISE


@pytest.mark.parametrize(
    "surface",
    [
        bowed,
        lambda x, y: 4.0 * ((np.abs(y) < 0.5) & (np.abs(x) < 20.0)),  # a rib one vertex wide, with two ends
        lambda x, y: 3.0 * ((np.abs(y) < 0.5) & (np.abs(x) < 1.2)),  # three vertices in a row
        lambda x, y: 3.0 * (np.hypot(x, y) < 1.1),  # a peg of five
        lambda x, y: 8.0 * ((np.abs(x) < 12.0) & (np.abs(y) < 9.0)),  # a box: edges and corners
        lambda x, y: np.maximum(0.0, 8.0 - 1.5 * np.hypot(x, y)),  # a cone
        lambda x, y: np.maximum(0.0, 8.0 - 2.0 * np.maximum(np.abs(x), np.abs(y))),  # a pyramid
        lambda x, y: -6.0 * (np.abs(x) < 0.5),  # a slot one vertex wide, out over both borders
        lambda x, y: 0.15 * (np.hypot(x, y) < 3.0),  # a dot
    ],
)
def test_what_is_thin_and_no_spike_stays(surface: Surface) -> None:
    vertices, faces = noisy(surface)
    found = flatten(vertices, faces)
    assert found.vertices is vertices
    assert found.tips.shape == (0, 3)


def test_the_tip_of_a_modelled_cone_stays() -> None:
    """A drilled hole of few triangles has one vertex at its bottom; and so has one of many beside its axis."""
    turn = np.linspace(0.0, 2.0 * np.pi, 32, endpoint=False)
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(32, z)]) for r, z in ((40.0, 0.0), (20.0, 0.0))]
    vertices = np.vstack([*rings, [[0.0, 0.0, -20.0]]])
    k, after = np.arange(32), (np.arange(32) + 1) % 32
    faces = np.vstack([
        np.column_stack([k, after, 32 + after]), np.column_stack([k, 32 + after, 32 + k]),
        np.column_stack([32 + k, 32 + after, np.full(32, 64)]),
    ]).astype(np.int32)  # fmt: skip
    assert flatten_spikes(vertices, faces, noise=0.0, spacing=measure_spacing(vertices, faces)).vertices is vertices


@pytest.mark.parametrize("name", SEVEN)
def test_a_recess_without_any_has_none_and_one_with_some_loses_them(name: str) -> None:
    scan = scan_specimen(name, seed=5, triangles=80_000)
    assert len(flatten(scan.vertices, scan.faces).heights) == 0
    rng = np.random.default_rng(1)
    which = rng.choice(len(scan.vertices), 200, replace=False)
    way = rng.normal(size=(200, 3))
    moved = scan.vertices.copy()
    moved[which] += rng.uniform(3.0, 6.0, 200)[:, None] * way / np.linalg.norm(way, axis=1)[:, None]
    found = flatten(moved, scan.faces)
    assert len(found.heights) > 140  # what moves along the ground is no spike, nor is, for sure, what stands at an edge
    off = np.linalg.norm(found.vertices - scan.vertices, axis=1)
    back = np.isin(np.arange(len(off)), which) & (found.vertices != moved).any(axis=1)
    assert back.sum() == len(found.heights)  # no other is touched


def test_they_are_reported_and_left_on_request(tmp_path: Path) -> None:
    vertices, faces = noisy(bowed)
    moved, which, off = spiked(vertices, share=0.005)
    path = tmp_path / "a.stl"
    path.write_bytes(stl_bytes(moved, faces))
    scan = read_scan(path)
    (told,) = (mend.tell() for mend in scan.mended if mend.what == "spikes")
    assert told.startswith(f"{len(which)} spikes: single points up to {off.max():.1f}"[:-1])
    assert scan.spikes.shape == (len(which), 4)
    left = read_scan(path, spikes=False)
    assert "spikes" not in {mend.what for mend in left.mended}
    assert np.ptp(left.vertices[:, 2]) > np.ptp(scan.vertices[:, 2]) + 1.0


def test_one_that_stood_where_the_part_comes_is_a_caution_with_its_place() -> None:
    """In a box 20 mm deep: on the floor, lower than the clearance, behind the floor, above the mouth, and beside it."""
    box = box_recess(left=20.0)
    inside = [[5.0, 0.0, -16.0, 4.0], [0.0, 5.0, -19.8, 0.2]]
    tips = np.array([*inside, [0.0, 0.0, -24.0, 4.0], [0.0, 0.0, 2.0, 8.0], [80.0, 0.0, -5.0, 5.0]])
    assert [(s.height, s.x) for s in find_spikes(box, tips)] == [(4.0, 5.0), (0.2, 0.0)]
    scan = replace(as_scan(box), spikes=tips)
    check = next(check for check in judge_scan_use(scan, box, clearance=0.4).checks if check.name == "spikes")
    assert (check.verdict, check.value) == ("caution", 1.0)
    assert check.place == "3:00 o'clock, 16 mm deep (4.0 mm high)"
    assert "scan.spikes = false" in check.remedy
    assert "spikes" not in {check.name for check in judge_scan_use(as_scan(box), box, clearance=0.4).checks}
