"""Facets drawn back to the insertable surface, of a surface in closed form, held against it column by column."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from manifold3d import Manifold, Mesh64

from mountgen.arrays import Floats
from mountgen.columns import cut_columns
from mountgen.datum import lid_height
from mountgen.facet import facet_body
from mountgen.facet_relief import CLIFF, mesh_ground
from mountgen.field import InsertableSpace
from mountgen.kernel import Body
from mountgen.mesh_measure import measure_volume
from mountgen.tangled import find_tangled
from tests.checks import assert_printable

PITCH, SIDE, DEEP = 0.1, 25.0, 18.0
LID = np.array([0.3, 0.01, -0.02, 0.0, 0.0, 0.0])  # slanted


def _ground(x: Floats, y: Floats) -> Floats:
    """Bumps of 1.5 mm every 9 mm, on which 5000 facets are tenths off, and of 0.1 mm every 1.3; a wall that leans by 4 in 1."""
    bumps = 1.5 * np.sin(2.0 * np.pi * x / 9.0) * np.cos(2.0 * np.pi * y / 9.0) + 0.1 * np.sin(2.0 * np.pi * (x + y) / 1.3)
    return np.asarray(np.maximum(bumps - DEEP, 4.0 * (np.maximum(np.abs(x), np.abs(y)) - SIDE)))


@cache
def _space() -> InsertableSpace:
    count = round(2.0 * (SIDE + 2.0) / PITCH) + 1
    at = PITCH * np.arange(count) - (SIDE + 2.0)
    height = _ground(*np.meshgrid(at, at)).astype(np.float32)
    mouth = SIDE * np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    seen = np.ones(height.shape, dtype=bool)
    return InsertableSpace(height, seen, mouth, LID, (-(SIDE + 2.0),) * 2, PITCH, 1.0, 1.5)


@cache
def _body() -> Body:
    return facet_body(_space(), below=0.0, reach=None, why="for a test")


def test_no_facet_lies_under_the_surface_and_little_room_is_left() -> None:
    mesh = _body().mesh
    x = np.linspace(-SIDE, SIDE, 733)
    below = cut_columns(mesh.vertices, mesh.faces, x=x, y=x)
    low = below.height.min(axis=2, initial=np.inf)
    ground = _ground(*np.meshgrid(x, x))
    steep = np.abs(np.meshgrid(x, x)).max(axis=0) > SIDE - 0.25 * (DEEP + 1.6)
    inside = np.isfinite(low)
    assert (ground - low)[inside & ~steep].max() < 0.06  # along z: 0.01 mm allowed, slopes, and what lies between two samples
    assert (ground - low)[inside & steep].max() < 0.12  # 0.03 mm across a wall of 4 in 1
    room = float(np.maximum(lid_height(LID, *np.meshgrid(x, x)) - ground, 0.0).mean()) * (2.0 * SIDE) ** 2
    assert 0.98 * room < measure_volume(mesh) < 1.001 * room  # 0.93 when all of it was raised by as much as it may be off


def test_the_facets_are_one_solid_that_nowhere_cuts_through_itself() -> None:
    mesh = _body().mesh
    assert_printable(mesh)
    assert len(find_tangled(mesh.vertices, mesh.faces)) == 0
    solid = Manifold(Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64)))
    assert solid.volume() == pytest.approx(measure_volume(mesh), rel=1e-9)


def test_the_top_stays_in_the_lid() -> None:
    mesh = _body().mesh
    over = mesh.vertices[:, 2] - lid_height(LID, mesh.vertices[:, 0], mesh.vertices[:, 1])
    assert over.max() < 1e-6
    assert (np.abs(over) < 1e-9).sum() >= 4


@pytest.mark.parametrize("step", [1, 3])
def test_the_ground_is_meshed_up_to_the_cliffs_around_it(step: int) -> None:
    space = _space()
    ground = mesh_ground(space, step=step)
    x, y, z = ground.vertices.T
    assert z.max() == pytest.approx(space.top + CLIFF)
    free = z < space.top + CLIFF
    np.testing.assert_allclose(z[free], _ground(x, y)[free], atol=1e-4)
    normals = np.cross(*(ground.vertices[ground.faces[:, k]] - ground.vertices[ground.faces[:, 0]] for k in (1, 2)))
    assert (normals[:, 2] > 0.0).all()
    low = space.height[::step, ::step] < space.top + CLIFF
    assert free.sum() == low.sum()
