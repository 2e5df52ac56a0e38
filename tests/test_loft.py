"""The lofted body: valid, of few faces, inside the insertable space, and the same wherever the scan lies."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import ndimage

from mountgen.arrays import Floats
from mountgen.block import make_block
from mountgen.datum import find_datum, lid_height
from mountgen.errors import LoftError
from mountgen.facet import facet_body
from mountgen.field import InsertableSpace, build_space, confine
from mountgen.inspection import ZONES, _gauge_walls
from mountgen.kernel import Mesh, Solid, count_faces, solids_of, tessellate
from mountgen.loft import Shell, fit_shell
from mountgen.mesh_measure import measure_volume
from mountgen.recipe_tables import Mouth
from mountgen.section import sample_height
from mountgen.shell_relief import fit_clear_shell
from mountgen.surface import Surface
from tests.checks import assert_clears, assert_printable, is_valid
from tests.known import known_recess, make_fit, mend_scan
from tests.shapes import scan_specimen

TRIANGLES = 40_000
PLAIN = ("dished_tray", "round_well")
TURN: Floats = np.array([[0.36, 0.48, -0.80], [-0.80, 0.60, 0.00], [0.48, 0.64, 0.60]])  # a rotation with exact entries


@cache
def _space(name: str) -> InsertableSpace:
    return build_space(known_recess(name, triangles=TRIANGLES).recess, fit=make_fit(clearance=0.5, draft=1.0))


@cache
def _shell(name: str) -> Shell:
    return fit_shell(_space(name))


@cache
def _plug(name: str) -> tuple[Solid, Mesh]:
    block = make_block(_shell(name), _space(name))
    assert not block.faceted, block.notes
    return block.solid, tessellate(block.solid)


def _sunk(space: InsertableSpace, mesh: Mesh) -> Floats:
    """Return how far the mesh's vertices and face middles below the lid lie inside the forbidden ground, square to it, mm."""
    points = np.concatenate([mesh.vertices, mesh.vertices[mesh.faces].mean(axis=1)])
    points = points[lid_height(space.lid, points[:, 0], points[:, 1]) - points[:, 2] > 0.3]
    step = 0.5 * space.pitch
    rise = [
        (sample_height(space, points[:, :2] + shift) - sample_height(space, points[:, :2] - shift)) / (2.0 * step)
        for shift in (np.array([step, 0.0]), np.array([0.0, step]))
    ]
    return (sample_height(space, points[:, :2]) - points[:, 2]) / np.sqrt(1.0 + rise[0] ** 2 + rise[1] ** 2)


@pytest.mark.parametrize("name", PLAIN)
def test_a_plain_recess_gives_one_valid_solid_of_few_faces(name: str) -> None:
    solid, mesh = _plug(name)
    assert is_valid(solid)
    assert len(solids_of(solid)) == 1
    assert count_faces(solid) <= 6
    assert_printable(mesh)


@pytest.mark.parametrize("name", PLAIN)
def test_no_point_leaves_the_insertable_space(name: str) -> None:
    sunk = _sunk(_space(name), tessellate(_plug(name)[0], chord=0.006))
    assert sunk.max() <= 0.05  # the fit's 0.03 and what corrections leave; relieving the faces comes after it
    assert np.quantile(sunk, 0.5) > -0.1  # and it does lie on its surface


@pytest.mark.parametrize("name", PLAIN)
def test_nearly_all_of_the_space_is_filled(name: str) -> None:
    share = measure_volume(_plug(name)[1]) / _space(name).volume()
    assert 0.985 <= share <= 1.001


def test_the_scan_is_cleared_at_rest_and_on_the_way_in() -> None:
    recess, space = known_recess("dished_tray", triangles=TRIANGLES).recess, _space("dished_tray")
    shell = fit_clear_shell(space, recess, clearance=dict.fromkeys(ZONES, 0.5))
    assert_clears(tessellate(make_block(shell, space).solid), recess, 0.5 - 0.03)


def test_moving_the_scan_rigidly_changes_nothing() -> None:
    scan = mend_scan(scan_specimen("dished_tray", triangles=TRIANGLES))
    moved = replace(scan, vertices=scan.vertices @ TURN.T + np.array([310.0, -95.0, 1200.0]))
    space = build_space(find_datum(moved, mouth=Mouth()), fit=make_fit(clearance=0.5, draft=1.0))
    there = tessellate(make_block(fit_shell(space), space).solid)
    _, here = _plug("dished_tray")
    assert measure_volume(there) == pytest.approx(measure_volume(here), rel=1e-3)
    one, other = Surface(here.vertices, here.faces), Surface(there.vertices, there.faces)
    for gauge, mesh in ((one, there), (other, here)):
        away = np.abs(gauge.measure(np.asarray(mesh.vertices)).gap)
        assert np.quantile(away, 0.98) < 0.05
        assert away.max() < 0.25  # where a knot more or less is put


@pytest.mark.parametrize("below", [3.0, -1.0])
def test_the_top_lies_below_the_lid_by_what_is_asked(below: float) -> None:
    space = _space("dished_tray")
    solid = make_block(_shell("dished_tray"), space, below=below).solid
    mesh = tessellate(solid)
    assert is_valid(solid)
    gap = lid_height(space.lid, mesh.vertices[:, 0], mesh.vertices[:, 1]) - mesh.vertices[:, 2]
    assert gap.min() == pytest.approx(below, abs=0.02)
    assert measure_volume(mesh) == pytest.approx(space.volume(below=below), rel=0.015)


def test_a_reach_ends_in_a_plane() -> None:
    solid = make_block(_shell("round_well"), _space("round_well"), reach=25.0).solid
    mesh = tessellate(solid)
    assert is_valid(solid)
    assert count_faces(solid) <= 6
    assert float(mesh.vertices[:, 2].min()) == pytest.approx(-25.0, abs=1e-3)
    assert_printable(mesh)


def test_without_a_shell_the_body_is_faceted_safe_and_says_so() -> None:
    space = _space("dished_tray")
    block = make_block(None, space)
    mesh = tessellate(block.solid)
    assert block.faceted
    assert "faceted" in block.notes[0]
    assert "could not be fitted" in block.notes[0]
    assert is_valid(block.solid)
    assert_printable(mesh)
    assert_clears(mesh, known_recess("dished_tray", triangles=TRIANGLES).recess, 0.5)
    assert measure_volume(mesh) > 0.985 * space.volume()  # 0.93 when all facets were raised by as much as they are coarse


def test_facets_leave_no_fin_where_the_floor_runs_out_to_the_mouth() -> None:
    """Ground 20 mm deep, and beside it a ledge that rises by 1 in 40 to the lid: there a fin of 1 mm would lie on it."""
    x, y = np.meshgrid(0.25 * np.arange(321) - 40.0, 0.25 * np.arange(201) - 25.0)
    ground = np.where(x < 0.0, -20.0, -0.025 * (35.0 - x))
    height = np.where((np.abs(x) < 35.0) & (np.abs(y) < 20.0), ground, 30.0)
    mouth = np.array([(-35.0, -20.0), (35.0, -20.0), (35.0, 20.0), (-35.0, 20.0)])
    seen = np.ones(height.shape, dtype=bool)
    space = InsertableSpace(height, seen, mouth, np.zeros(6), (-40.0, -25.0), 0.25, 1.0, 0.0)  # type: ignore[arg-type]
    for reach in (None, 0.8):
        body = facet_body(space, below=0.0, reach=reach, why="for a test")
        assert body.faceted
        ends = float(body.mesh.vertices[:, 0].max())
        assert ends == pytest.approx(0.0, abs=1.0) if reach is None else ends > 0.0
    body = facet_body(space, below=0.0, reach=None, why="for a test")
    assert find_thinnest_of(body.mesh) > 0.87
    unused = re.search(r"(\d+) % of the room there is for it stay unused", body.notes[0])
    assert unused is not None
    assert int(unused[1]) == pytest.approx(100.0 * (1.0 - measure_volume(body.mesh) / space.volume()), abs=0.6)


def find_thinnest_of(mesh: Mesh) -> float:
    """Return the least wall of a mesh as the gauge finds it, mm."""
    return _gauge_walls(Surface(mesh.vertices, mesh.faces)).thickness


@pytest.mark.parametrize("deep", [16.0, 26.0, 34.0])
def test_a_bowl_without_a_wall_is_filled_by_smooth_faces(deep: float) -> None:
    """A paraboloid that comes up to the lid at 33 to 66 degrees, with the noise of a scan: that is floor, and no rim's flare."""
    x, y = np.meshgrid(0.125 * np.arange(1041) - 65.0, 0.125 * np.arange(721) - 45.0)
    rng = np.random.default_rng(3)
    rough = 0.5 * ndimage.gaussian_filter(rng.normal(size=x.shape), 6.0)
    bowl = deep * ((x / 60.0) ** 2 + (y / 40.0) ** 2 - 1.0) + rough
    at = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    mouth = np.column_stack([60.0 * np.cos(at), 40.0 * np.sin(at)])
    seen, origin = np.ones(x.shape, dtype=bool), (-65.0, -45.0)
    space = confine(InsertableSpace(bowl.astype(np.float32), seen, mouth, np.zeros(6), origin, 0.125, 1.0, 0.0), edge=0.2)
    block = make_block(fit_shell(space), space)
    assert not block.faceted
    assert measure_volume(tessellate(block.solid)) > 0.985 * space.volume()


def test_nothing_between_floor_and_lid_is_refused() -> None:
    space = _space("dished_tray")
    with pytest.raises(LoftError, match="nothing is left between floor and lid") as caught:
        make_block(None, space, below=60.0)
    assert "raise fit.reach" in caught.value.remedy
