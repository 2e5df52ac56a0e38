"""Recesses that nobody here modelled, and random ones.

A measured landscape and a letter's outline, both shipped by matplotlib (which the solid kernel's own renderer requires), stand
in for scans from elsewhere: the first is a measured height field, the second a typographer's curve pressed into a panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, pi, radians, sin, tan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mountgen.arrays import Floats, Ints
from mountgen.block import Block, make_block
from mountgen.datum import Recess, find_datum
from mountgen.errors import MountgenError
from mountgen.field import InsertableSpace, build_space
from mountgen.inspection import ZONES
from mountgen.kernel import Mesh, solids_of, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.scan import Scan
from mountgen.shell_relief import fit_clear_shell
from tests.checks import assert_printable, is_valid
from tests.known import make_fit, make_mouth

CLEARANCE, DRAFT = 0.5, 1.0
WRONG_SIDE = 0.03 + 0.02  # mm: of the surface, and of its tessellation


def _scan_of(vertices: Floats, faces: Ints, spacing: float) -> Scan:
    return Scan(vertices, faces, Path("outside.ply"), "0" * 64, "mm", 1.0, spacing, 0.02)


def _sheet(x: Floats, y: Floats, z: Floats) -> tuple[Floats, Ints]:
    """Return a height field z (R, C) over x (C,), y (R,) as a mesh with its normals upwards."""
    index = np.arange(z.size).reshape(z.shape)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    gx, gy = np.meshgrid(x, y)
    return np.column_stack([gx.ravel(), gy.ravel(), z.ravel()]), faces.astype(np.int32)


def _make_plug(recess: Recess) -> tuple[InsertableSpace, Block, Mesh]:
    space = build_space(recess, fit=make_fit(clearance=CLEARANCE, draft=DRAFT))
    try:
        shell = fit_clear_shell(space, recess, clearance=dict.fromkeys(ZONES, CLEARANCE))
    except MountgenError:  # as the pipeline does
        shell = None
    block = make_block(shell, space)
    return space, block, tessellate(block.solid)


def _assert_fits(recess: Recess, *, share: float, wrong: float = WRONG_SIDE) -> None:
    """One valid printable solid that clears the scan at rest and on its way in, and fills a share of what is insertable."""
    from mountgen.inspection import inspect_body

    space, block, mesh = _make_plug(recess)
    assert is_valid(block.solid)
    assert len(solids_of(block.solid)) == 1
    assert_printable(mesh)
    found = inspect_body(mesh, recess, clearance=CLEARANCE, wall_min=0.0, line_width=0.4)
    assert found.rest.min >= CLEARANCE - wrong, found.rest.place
    assert found.insertion.min >= CLEARANCE - wrong, found.insertion.place
    assert share * space.volume() <= measure_volume(mesh) <= 1.002 * space.volume()


def _tray_outline(x: Floats, y: Floats) -> Floats:
    """Return the signed distance (R, C) from a rounded rectangle, positive inside, mm."""
    gx, gy = np.meshgrid(x, y)
    away = np.maximum(np.stack([np.abs(gx) - 48.0 + 14.0, np.abs(gy) - 38.0 + 14.0]), 0.0)
    return 14.0 - np.hypot(*away)


def _landscape(relief: float) -> Floats:
    """Return a measured landscape, (344, 403), scaled to `relief` mm from its lowest to its highest point."""
    from matplotlib import cbook

    with cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        height = np.asarray(data["elevation"], dtype=np.float64)
    return (height - height.min()) * relief / np.ptp(height)


def test_a_measured_landscape_as_the_floor_of_a_tray() -> None:
    ground = _landscape(9.0)
    x, y = np.linspace(-68.0, 68.0, ground.shape[1]), np.linspace(-58.0, 58.0, ground.shape[0])
    wall = -_tray_outline(x, y) / tan(radians(8.0))
    z = np.clip(np.maximum(wall, ground - 28.0), None, 0.0)
    recess = find_datum(_scan_of(*_sheet(x, y, z), 0.35), mouth=make_mouth())
    assert recess.depth == pytest.approx(-float(z.min()), abs=0.3)
    _assert_fits(recess, share=0.95)


def test_a_letter_pressed_into_a_panel() -> None:
    from matplotlib.path import Path as Curve
    from matplotlib.textpath import TextPath

    curve: Any = TextPath((0.0, 0.0), "J", size=90.0, usetex=False)
    assert isinstance(curve, Curve)
    letter = max((shapely.Polygon(ring) for ring in curve.to_polygons(closed_only=True)), key=lambda ring: ring.area)
    letter = shapely.affinity.translate(letter, -letter.centroid.x, -letter.centroid.y)
    letter = shapely.buffer(shapely.affinity.scale(letter, 1.5, 1.0), 4.0)
    low_x, low_y, high_x, high_y = letter.bounds
    x, y = np.arange(low_x - 22.0, high_x + 22.0, 0.5), np.arange(low_y - 22.0, high_y + 22.0, 0.5)
    gx, gy = (g.ravel() for g in np.meshgrid(x, y))
    points = shapely.points(gx, gy)
    depth = np.where(shapely.contains_xy(letter, gx, gy), shapely.distance(letter.exterior, points), 0.0).reshape(len(y), len(x))
    z = -np.minimum(depth / tan(radians(7.0)), 14.0)
    recess = find_datum(_scan_of(*_sheet(x, y, z), 0.5), mouth=make_mouth())
    assert recess.depth == pytest.approx(14.0, abs=0.3)
    _assert_fits(recess, share=0.94, wrong=0.09)


def _random_bowl(radii: Sequence[float], depth: float, lean_deg: float, tilt: float, hump: float) -> Recess:
    """Return a recess whose rim is a closed wave about 30 mm from its centre, with a sloping, humped floor."""
    angle = np.linspace(0.0, 2.0 * pi, 200, endpoint=False)
    wave = 30.0 + sum(r * np.cos((k + 2) * angle + k) for k, r in enumerate(radii))
    loop = shapely.Polygon(np.column_stack([1.4 * wave * np.cos(angle), wave * np.sin(angle)]))
    x, y = np.arange(-75.0, 75.1, 0.75), np.arange(-62.0, 62.1, 0.75)
    gx, gy = np.meshgrid(x, y)
    inside = shapely.contains_xy(loop, gx.ravel(), gy.ravel())
    away = np.where(inside, shapely.distance(loop.exterior, shapely.points(gx.ravel(), gy.ravel())), 0.0).reshape(gx.shape)
    floor = -depth + tilt * gx + hump * np.exp(-(gx**2 + gy**2) / 300.0)
    return find_datum(
        _scan_of(*_sheet(x, y, np.minimum(np.maximum(-away / tan(radians(lean_deg)), floor), 0.0)), 0.75), mouth=make_mouth()
    )


@settings(max_examples=4, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(
    radii=st.lists(st.floats(-2.0, 2.0), min_size=1, max_size=3), depth=st.floats(12.0, 35.0), lean_deg=st.floats(4.0, 25.0),
    tilt=st.floats(-0.1, 0.1), hump=st.floats(0.0, 4.0),
)
def test_random_bowls_are_filled_by_one_piece_that_goes_in(
    radii: list[float], depth: float, lean_deg: float, tilt: float, hump: float
) -> None:
    _assert_fits(_random_bowl(radii, depth, lean_deg, tilt, hump), share=0.95, wrong=0.09)


@settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(clearance=st.floats(0.3, 1.5), draft=st.floats(0.5, 4.0), turn_deg=st.floats(0.0, 360.0))
def test_the_space_of_a_bowl_never_comes_nearer_than_its_clearance(clearance: float, draft: float, turn_deg: float) -> None:
    """Points on the insertable surface are held against the scan's triangles by exact distances."""
    from mountgen.surface import Surface

    recess = _random_bowl([1.5 * sin(radians(turn_deg)), 1.5 * cos(radians(turn_deg))], 22.0, 9.0, 0.05, 2.0)
    space = build_space(recess, fit=make_fit(clearance=clearance, draft=draft))
    row, col = np.nonzero(space.height < space.top - 1.0)
    pick = np.random.default_rng(0).choice(len(row), 3000)
    row, col = row[pick], col[pick]
    points = np.column_stack([space.x[col], space.y[row], space.height[row, col]])
    gap = Surface(np.asarray(recess.vertices), np.asarray(recess.faces)).measure(points).gap
    assert gap.min() >= clearance - 0.015  # the scallop between balls
    assert np.quantile(gap, 0.3) <= clearance + 0.02  # much of it is at just that distance
