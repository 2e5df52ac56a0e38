"""The fit gauge as a skin: even, with the body's own outside, labelled inside, and in as the body goes in."""

from __future__ import annotations

from typing import Any

import igl
import manifold3d
import numpy as np
import pytest

from mountgen.block import make_block
from mountgen.errors import KernelError
from mountgen.features import skin_gauge
from mountgen.features.fit_gauge import FitGauge
from mountgen.features.skin_gauge import HOURS, SKIN, make_skin_gauge
from mountgen.gap import TOLERANCE
from mountgen.kernel import CHORD, Mesh, Solid, combine_many, is_valid, solids_of, tessellate
from mountgen.surface import Surface
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap

LINE = 0.45


@pytest.fixture(scope="module")
def made() -> tuple[FitGauge, Mesh]:
    _, space, shell = prepare("round_well")
    body = tessellate(make_block(shell, space).solid)
    low, high = body.vertices[:, :2].min(axis=0), body.vertices[:, :2].max(axis=0)
    return make_skin_gauge(shell, space, low=low, high=high, reach=None, line_width=LINE), body


def manifold(mesh: Mesh) -> Any:
    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))


def test_it_is_one_sound_skin_inside_the_body_with_all_of_its_outside(made: tuple[FitGauge, Mesh]) -> None:
    gauge, body = made
    solid = gauge.part.body.solid
    assert is_valid(solid)
    assert len(solids_of(solid)) == 1
    own, whole = manifold(gauge.part.body.mesh), manifold(body)
    assert own.status() == manifold3d.Error.NoError
    assert (own - whole).volume() < 2e-3 * own.volume()  # facets of the same surface differ by their chords
    skin = Surface(gauge.part.body.mesh.vertices, gauge.part.body.mesh.faces)
    below = body.vertices[body.vertices[:, 2] < gauge.part.body.mesh.vertices[:, 2].max() - 1.0]
    away = np.abs(skin.measure(np.ascontiguousarray(below)).gap)
    assert np.percentile(away, 99.0) < CHORD  # by the mesher's chord, which a few places exceed
    assert away.max() < 0.2  # nothing of it is missing


def test_it_is_as_thick_as_it_says(made: tuple[FitGauge, Mesh]) -> None:
    """Distances of its inside from the whole body's outside, by another library; letters stand up from it."""
    gauge, body = made
    assert gauge.thickness == SKIN
    mesh = gauge.part.body.mesh
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    low = middles[middles[:, 2] < mesh.vertices[:, 2].max() - 3.0]
    outside = np.asarray(body.faces)[body.vertices[body.faces][:, :, 2].min(axis=1) < body.vertices[:, 2].max() - 1.0]
    away = np.sqrt(igl.point_mesh_squared_distance(low, body.vertices, outside.astype(np.int64))[0])
    inner = away > 0.3
    assert inner.sum() > 500
    assert away[inner].min() > SKIN - 0.05
    corners = mesh.vertices[mesh.faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    area = area[middles[:, 2] < mesh.vertices[:, 2].max() - 3.0]
    assert np.average(away[inner], weights=area[inner]) == pytest.approx(SKIN, abs=0.15)  # but where corners are rounded


def test_it_keeps_the_clearance_that_the_body_keeps(made: tuple[FitGauge, Mesh]) -> None:
    assert least_gap(made[0].part.body.mesh, prepare("round_well")[0]) >= CLEARANCE - TOLERANCE
    assert raw_gap(made[0].part.body.mesh, prepare("round_well")[0]) >= min(block_gap("round_well"), CLEARANCE - TOLERANCE)


def test_hours_are_raised_where_they_stand_on_the_dial_and_the_depth_in_the_middle(made: tuple[FitGauge, Mesh]) -> None:
    """Flat tops above the inner floor, found by their height; each hour's mass lies towards its place on the dial."""
    gauge, body = made
    mesh = gauge.part.body.mesh
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = 0.5 * np.linalg.norm(normal, axis=1)
    up = normal[:, 2] > 0.9999 * 2.0 * area
    middles = corners.mean(axis=1)
    below = body.vertices[:, 2].min() + SKIN + 0.3 < middles[:, 2]
    tops = up & below & (middles[:, 2] < body.vertices[:, 2].min() + SKIN + 3.0)
    assert area[tops].sum() > 10.0
    centre = 0.5 * (body.vertices[:, :2].min(axis=0) + body.vertices[:, :2].max(axis=0))
    places = middles[tops, :2] - centre
    far = np.linalg.norm(places, axis=1)
    hours = (np.degrees(np.arctan2(places[:, 0], places[:, 1])) / 30.0) % 12.0
    outer = far > 8.0
    for hour in HOURS:
        near = outer & (np.abs((hours - hour + 6.0) % 12.0 - 6.0) < 0.6)
        assert area[tops][near].sum() > 1.5, hour
        outer &= ~near
    assert area[tops][outer].sum() < 0.05 * area[tops].sum()  # nothing stands anywhere else
    assert area[tops][far < 5.0].sum() > 1.5


def test_a_skin_that_the_kernel_cannot_label_is_made_without_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(body: Solid, tools: Any, how: str, *, what: str) -> Solid:
        if what == skin_gauge.LABELS:
            raise KernelError("the solid kernel does not get done", what, "change the clearance")
        return combine_many(body, tools, how, what=what)

    _, space, shell = prepare("round_well")
    body = tessellate(make_block(shell, space).solid)
    low, high = body.vertices[:, :2].min(axis=0), body.vertices[:, :2].max(axis=0)
    monkeypatch.setattr(skin_gauge, "combine_many", refuse)
    plain = skin_gauge.make_skin_gauge(shell, space, low=low, high=high, reach=None, line_width=LINE)
    assert is_valid(plain.part.body.solid)
    assert len(solids_of(plain.part.body.solid)) == 1
    assert any("no numbers" in note for note in plain.part.body.notes)
    assert not plain.labelled
