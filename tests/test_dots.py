"""Marker dots: stuck on sheets of closed form, they are found where they were put, and what only looks like one is left alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from mountgen.arrays import Floats
from mountgen.dots import Dots, flatten_dots
from mountgen.scan import measure_noise, read_scan
from tests.shapes import SEVEN, scan_specimen
from tests.sheets import make_sheet, random_pose, stl_bytes

Places = tuple[tuple[float, float], ...]
THREE: Places = ((-30.0, -20.0), (5.0, 25.0), (32.0, -8.0))
FOUR: Places = (*THREE, (-35.0, 22.0))
NOISE = 0.03  # mm
HALF, PITCH = (55.0, 40.0), 0.8  # mm


def flat(x: Floats, y: Floats) -> Floats:
    return 0.0 * x


def bowed(x: Floats, y: Floats) -> Floats:
    return -(x**2) / 500.0 + (y**2) / 1600.0 + 0.2 * x


def dotted(ground: Callable[[Floats, Floats], Floats], places: Places, *, radius: float, thick: float) -> Callable[..., Floats]:
    """Return the ground with round steps of a thickness on it, their edges blurred over half a millimetre."""

    def surface(x: Floats, y: Floats) -> Floats:
        away: Floats = np.min([np.hypot(x - a, y - b) for a, b in places], axis=0)
        return ground(x, y) + thick * np.clip((radius - away) / 0.5 + 0.5, 0.0, 1.0)

    return surface


def scanned(surface: Callable[[Floats, Floats], Floats], *, noise: float = NOISE, turned: bool = False) -> tuple[Dots, Floats]:
    """Return what is found in a noisy scan of a surface, and the vertices found, turned back."""
    vertices, faces = make_sheet(surface, half=HALF, pitch=PITCH)
    rng = np.random.default_rng(4)
    vertices = vertices + rng.normal(0.0, noise, vertices.shape)
    turn, shift = random_pose(7) if turned else (np.eye(3), np.zeros(3))
    found = flatten_dots(vertices @ turn.T + shift, faces, noise=noise)
    return found, (found.vertices - shift) @ turn


@pytest.mark.parametrize("ground", [flat, bowed])
@pytest.mark.parametrize(("radius", "thick"), [(1.8, 0.18), (3.0, 0.15), (3.0, 0.12), (4.0, 0.2), (6.0, 0.15)])
def test_dots_are_taken_off_down_to_their_ground(ground: Callable[[Floats, Floats], Floats], radius: float, thick: float) -> None:
    found, vertices = scanned(dotted(ground, FOUR, radius=radius, thick=thick))
    assert len(found.radii) == 4
    assert found.radii == pytest.approx([radius] * 4, abs=0.4)
    assert found.heights == pytest.approx([thick] * 4, abs=2.0 * NOISE)
    x, y, z = vertices.T
    away = np.min([np.hypot(x - a, y - b) for a, b in FOUR], axis=0)
    over = z - ground(x, y)
    assert abs(float(over[away < radius].mean())) < 0.015
    assert abs(float(over[away < 0.5 * radius].mean())) < 0.02
    assert float(np.abs(over[away < radius + 1.0]).max()) < 5.0 * NOISE
    far = away > radius + 2.0
    clean = make_sheet(dotted(ground, FOUR, radius=radius, thick=thick), half=HALF, pitch=PITCH)[0]
    noise = np.random.default_rng(4).normal(0.0, NOISE, clean.shape)
    np.testing.assert_allclose(vertices[far], (clean + noise)[far], atol=1e-9)  # all else stays as it was


def test_the_pose_of_the_scan_does_not_matter() -> None:
    found, vertices = scanned(dotted(bowed, FOUR, radius=3.0, thick=0.15), turned=True)
    assert len(found.radii) == 4
    x, y, z = vertices.T
    assert float(np.abs(z - bowed(x, y)).max()) < 6.0 * NOISE


def test_twice_the_noise_is_no_dot_and_hides_hardly_any() -> None:
    assert scanned(bowed, noise=0.06)[0].radii == ()
    assert len(scanned(dotted(flat, FOUR, radius=4.0, thick=0.2), noise=0.06)[0].radii) >= 3


@pytest.mark.parametrize("wide", [1.0, 1.5, 2.5, 4.0])
@pytest.mark.parametrize("deep", [0.05, 0.1])
def test_the_grain_of_a_panel_is_no_dot(wide: float, deep: float) -> None:
    """A random field, smoothed over `wide` mm, of `deep` mm standard deviation, such as pressed plastic has."""
    vertices, faces = make_sheet(bowed, half=HALF, pitch=0.6)
    rng = np.random.default_rng(int(10.0 * wide))
    rows = 1 + round(2.0 * HALF[1] / 0.6)
    grain = gaussian_filter(rng.normal(size=(rows, len(vertices) // rows)), wide / 0.6)
    vertices[:, 2] += (deep / grain.std() * grain).ravel() + rng.normal(0.0, 0.02, len(vertices))
    assert flatten_dots(vertices, faces, noise=measure_noise(vertices, faces)).radii == ()


@pytest.mark.parametrize(
    "surface",
    [
        bowed,
        dotted(bowed, THREE[:2], radius=3.0, thick=0.15),  # nobody sticks two
        dotted(flat, THREE, radius=3.0, thick=0.6),  # buttons
        lambda x, y: 0.15 * (np.abs(y - 10.0 * np.round(y / 20.0)) < 2.0),  # ribs
        lambda x, y: sum(0.2 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 12.0) for a, b in THREE),  # domes
        lambda x, y: sum(0.15 * (np.abs(np.hypot(x - a, y - b) - 3.5) < 0.8) for a, b in THREE),  # rings
        lambda x, y: -0.15 * (np.min([np.hypot(x - a, y - b) for a, b in THREE], axis=0) < 3.0),  # dents
        lambda x, y: -np.hypot(x, 20.0) - np.clip(y, 0.0, None) ** 2 / 60.0,  # round edges
    ],
)
def test_what_is_no_dot_stays(surface: Callable[[Floats, Floats], Floats]) -> None:
    found, vertices = scanned(surface)
    assert found.radii == ()
    clean = make_sheet(surface, half=HALF, pitch=PITCH)[0]
    np.testing.assert_array_equal(vertices, clean + np.random.default_rng(4).normal(0.0, NOISE, clean.shape))


@pytest.mark.parametrize("name", SEVEN)
def test_in_a_recess_without_dots_none_is_found(name: str) -> None:
    scan = scan_specimen(name, seed=5, triangles=80_000, markers=0)
    assert flatten_dots(scan.vertices, scan.faces, noise=NOISE).radii == ()


@pytest.mark.parametrize("name", SEVEN)
def test_dots_scanned_in_a_recess_are_taken_off(name: str) -> None:
    """Against the same scan without them: with one seed the noise is alike."""
    dotted_scan, plain = (scan_specimen(name, seed=3, triangles=120_000, markers=n, dropouts=0, fragments=0) for n in (6, 0))
    lift = np.linalg.norm(dotted_scan.vertices - plain.vertices, axis=1)
    on = lift > 0.1
    found = flatten_dots(dotted_scan.vertices, dotted_scan.faces, noise=NOISE)
    left = np.linalg.norm(found.vertices - plain.vertices, axis=1)
    assert len(found.radii) == 6
    assert on.sum() > 100
    assert float(left.max()) < 0.1  # of a dot's 0.15; the noise under it is levelled, too


def test_reading_tells_of_them_and_leaves_them_where_that_is_asked(tmp_path: Path) -> None:
    def surface(x: Floats, y: Floats) -> Floats:
        tray = -20.0 * np.clip((30.0 - np.hypot(x, y)) / 10.0, 0.0, 1.0)
        return dotted(flat, ((-45.0, -30.0), (0.0, 0.0), (45.0, 30.0), (-45.0, 30.0)), radius=3.0, thick=0.15)(x, y) + tray

    path = tmp_path / "tray.stl"
    path.write_bytes(stl_bytes(*make_sheet(surface, half=HALF, pitch=PITCH)))
    scan, raw = read_scan(path), read_scan(path, dots=False)
    told = [mend.tell() for mend in scan.mended if mend.what == "marker dots"]
    assert told == ["4 marker dots: up to 6 mm wide and 0.15 mm thick, flattened; scan.dots = false leaves them as they are"]
    assert not [mend for mend in raw.mended if mend.what == "marker dots"]
    middle = [np.hypot(*mesh.vertices[:, :2].T) < 2.0 for mesh in (scan, raw)]
    assert float(scan.vertices[middle[0], 2].max()) == pytest.approx(-20.0, abs=0.01)
    assert float(raw.vertices[middle[1], 2].max()) == pytest.approx(-19.85, abs=1e-3)
