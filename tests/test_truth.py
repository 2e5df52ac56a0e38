"""The brute-force reference against closed forms, another library's distances and plain sampling."""

from __future__ import annotations

from math import cos, radians, sqrt, tan

import igl
import numpy as np
import pytest

from mountgen.arrays import Floats
from tests.shapes import (
    CYLINDER_DEPTH,
    CYLINDER_RADIUS,
    FRUSTUM_DEPTH,
    FRUSTUM_DRAFT_DEG,
    FRUSTUM_MOUTH,
    specimen,
)
from tests.truth import ideal_gap, ideal_height

FACET = 0.005  # mm; the cylinder's polygon lies this far inside its circle at most
C = 0.4  # mm, clearance


def _heights(name: str, points: Floats, *, clearance: float = C, draft_deg: float) -> Floats:
    shape = specimen(name)
    return ideal_height(
        points, shape.truth_vertices, shape.truth_faces, clearance=clearance, draft_deg=draft_deg
    )


def _gaps(name: str, points: Floats, *, clearance: float = C, draft_deg: float) -> Floats:
    shape = specimen(name)
    return ideal_gap(
        points, shape.truth_vertices, shape.truth_faces, clearance=clearance, draft_deg=draft_deg
    )


def _in_disc(radius: float, count: int, seed: int) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    r, angle = radius * np.sqrt(rng.random(count)), rng.uniform(0.0, 2.0 * np.pi, count)
    return r, np.column_stack([r * np.cos(angle), r * np.sin(angle)])


@pytest.mark.parametrize("draft_deg", [2.0, 10.0])
def test_cylinder_height_is_floor_or_cone_from_the_rim(draft_deg: float) -> None:
    slope = 1.0 / tan(radians(draft_deg))
    r, points = _in_disc(CYLINDER_RADIUS, 2000, seed=1)
    away = CYLINDER_RADIUS - r
    touch = C * slope / sqrt(1.0 + slope**2)
    rim = np.where(
        away < touch, np.sqrt(np.maximum(C**2 - away**2, 0.0)), C * sqrt(1.0 + slope**2) - slope * away
    )
    expected = np.maximum(C - CYLINDER_DEPTH, rim)
    found = _heights("cylinder", points, draft_deg=draft_deg)
    off = found - expected
    steepest = np.where(away < touch, away / np.sqrt(np.maximum(C**2 - away**2, 1e-3)), slope)
    assert (off > -1e-9).all()  # the polygon lies inside the circle: never lower
    assert (off <= FACET * np.minimum(steepest, slope) + FACET).all()
    assert (found > C - CYLINDER_DEPTH + 1e-6).any()  # both branches are met
    assert (found < C - CYLINDER_DEPTH + 1e-6).any()


def test_cylinder_height_without_draft_is_the_floor_up_to_the_clearance() -> None:
    r, points = _in_disc(CYLINDER_RADIUS - C - 0.02, 500, seed=2)
    assert _heights("cylinder", points, draft_deg=0.0) == pytest.approx(C - CYLINDER_DEPTH, abs=1e-9)
    near = points * ((CYLINDER_RADIUS - 0.5 * C) / r)[:, None]
    assert (_heights("cylinder", near, draft_deg=0.0) > -0.01).all()  # half the clearance off: up to the rim


@pytest.mark.parametrize("draft_deg", [0.0, 2.0, 10.0])
def test_cylinder_gap_is_least_of_floor_and_cone(draft_deg: float) -> None:
    slope = 1.0 / tan(radians(max(draft_deg, 1e-6)))
    r, plan = _in_disc(CYLINDER_RADIUS - 0.05, 2000, seed=3)
    z = np.random.default_rng(4).uniform(-CYLINDER_DEPTH, -0.5, len(r))
    wall = (slope * (CYLINDER_RADIUS - r) + z) / sqrt(1.0 + slope**2)
    expected = np.minimum(z + CYLINDER_DEPTH, wall) - C
    found = _gaps("cylinder", np.column_stack([plan, z]), draft_deg=draft_deg)
    assert np.abs(found - expected).max() < FACET


def test_frustum_height_on_its_own_walls() -> None:
    """Draft below the wall's lean changes nothing: the height is the highest of five moved planes."""
    rng = np.random.default_rng(5)
    lean = radians(FRUSTUM_DRAFT_DEG)
    half = np.array(FRUSTUM_MOUTH) / 2.0
    points = rng.uniform(-1.0, 1.0, (2000, 2)) * (half - C * cos(lean) - 0.01)
    away = (half - np.abs(points)).min(axis=1)
    expected = np.maximum(C - FRUSTUM_DEPTH, (C / cos(lean) - away) / tan(lean))
    assert _heights("frustum", points, draft_deg=2.0) == pytest.approx(expected, abs=1e-9)


def test_frustum_height_with_more_draft_than_the_wall() -> None:
    """Draft beyond the wall's lean hangs on the rim: only its straight edges and the floor count."""
    rng = np.random.default_rng(6)
    slope = 1.0 / tan(radians(8.0))
    half = np.array(FRUSTUM_MOUTH) / 2.0
    points = rng.uniform(-1.0, 1.0, (2000, 2)) * (half - C)
    away = (half - np.abs(points)).min(axis=1)
    expected = np.maximum(C - FRUSTUM_DEPTH, C * sqrt(1.0 + slope**2) - slope * away)
    assert _heights("frustum", points, draft_deg=8.0) == pytest.approx(expected, abs=1e-9)


def test_frustum_gap_is_distance_to_the_nearest_plane() -> None:
    rng = np.random.default_rng(7)
    lean = radians(FRUSTUM_DRAFT_DEG)
    half = np.array(FRUSTUM_MOUTH) / 2.0
    z = rng.uniform(-FRUSTUM_DEPTH, -6.0, 2000)
    plan = rng.uniform(-1.0, 1.0, (2000, 2)) * (half + (z * tan(lean))[:, None])
    wall = ((half - np.abs(plan)).min(axis=1) + z * tan(lean)) * cos(lean)
    expected = np.minimum(wall, z + FRUSTUM_DEPTH) - C
    assert _gaps("frustum", np.column_stack([plan, z]), draft_deg=2.0) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("name", ["dash_cubby", "l_pocket"])
def test_points_at_the_ideal_height_keep_just_the_clearance(name: str) -> None:
    """Without draft, a point at the ideal height just touches: libigl finds the material at distance c."""
    shape = specimen(name)
    low, high = shape.mouth.min(axis=0), shape.mouth.max(axis=0)
    points = np.random.default_rng(8).uniform(low, high, (3000, 2))
    place = np.column_stack([points, _heights(name, points, draft_deg=0.0)])
    faces = shape.truth_faces.astype(np.int64)
    square, _, _ = igl.point_mesh_squared_distance(place, np.array(shape.truth_vertices), faces)
    assert np.sqrt(square) == pytest.approx(C, abs=1e-3)  # 1e-3: the steepest cone stands for none


@pytest.mark.parametrize("draft_deg", [0.5, 3.0])
def test_gap_vanishes_at_the_ideal_height(draft_deg: float) -> None:
    """Height is found as a maximum, gap as a minimum, by other formulas: they must meet."""
    shape = specimen("l_pocket")
    points = np.random.default_rng(9).uniform(shape.mouth.min(axis=0), shape.mouth.max(axis=0), (2000, 2))
    place = np.column_stack([points, _heights("l_pocket", points, draft_deg=draft_deg)])
    assert np.abs(_gaps("l_pocket", place, draft_deg=draft_deg)).max() < 1e-9
    above = place + np.array([0.0, 0.0, 0.25])
    gap = _gaps("l_pocket", above, draft_deg=draft_deg)
    assert (gap > 0.0).all()
    assert (gap <= 0.25 + 1e-9).all()


def test_sampling_the_surface_never_beats_the_exact_height() -> None:
    """Points strewn over the truth give a lower bound that comes close."""
    shape = specimen("two_level")
    rng = np.random.default_rng(10)
    points = rng.uniform([-5.0, -20.0], [25.0, 20.0], (40, 2))
    corners = shape.truth_vertices[shape.truth_faces]
    about = (np.abs(corners[:, :, 1]).min(axis=1) < 25.0) & (corners[:, :, 0].min(axis=1) > -15.0)
    about &= (corners[:, :, 0].max(axis=1) < 35.0) & (corners[:, :, 2].max(axis=1) < -1.0)
    about &= corners[:, :, 2].min(axis=1) > -shape.depth - 0.5
    corners = corners[about]
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    pick = rng.choice(len(corners), 150_000, p=area / area.sum())
    u, v = np.sort(rng.random((2, len(pick))), axis=0)
    strewn = (
        corners[pick, 0] * u[:, None]
        + corners[pick, 1] * (v - u)[:, None]
        + corners[pick, 2] * (1 - v)[:, None]
    )
    slope = 1.0 / tan(radians(2.0))
    away = np.linalg.norm(strewn[None, :, :2] - points[:, None, :], axis=2)
    touch = C * slope / sqrt(1.0 + slope**2)
    ball = np.sqrt(np.maximum(C**2 - away**2, 0.0))
    rise = np.where(away < touch, ball, C * sqrt(1.0 + slope**2) - slope * away)
    sampled = (strewn[None, :, 2] + rise).max(axis=1)
    exact = _heights("two_level", points, draft_deg=2.0)
    assert (sampled <= exact + 1e-9).all()
    flat = exact < -shape.depth + C + 1e-6
    assert flat.any()
    assert (~flat).any()
    # about 50 samples a mm²: one lies within 0.25 mm, where the ball has dropped by 0.25² / 2c
    assert (exact - sampled)[flat].max() < 0.25**2 / (2.0 * C)
    assert np.median(exact - sampled) < 0.02


def test_nothing_near_is_minus_infinity() -> None:
    found = _heights("cylinder", np.array([[500.0, 0.0]]), draft_deg=0.0)
    assert found[0] == -np.inf


def test_wrong_shapes_are_refused_with_both_shapes() -> None:
    with pytest.raises(ValueError, match=r"\(N, 2\), not \(4, 3\)"):
        _heights("cylinder", np.zeros((4, 3)), draft_deg=1.0)
    with pytest.raises(ValueError, match=r"\(N, 3\), not \(4, 2\)"):
        _gaps("cylinder", np.zeros((4, 2)), draft_deg=1.0)
