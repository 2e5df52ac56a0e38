"""Impressions of rounded objects in a bowed panel: walls that flow into the floor, floors that come up to the mouth at the ends.

Nothing on them is a corner, so where floor and wall part is for the fit to find; clean shapes with edges never asked it to.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from examples.simulate import random_rotation, write_ply
from mountgen.arrays import Floats, Ints
from mountgen.block import make_block
from mountgen.facet import find_unused
from mountgen.features.tray import make_tray
from mountgen.ground import Ground, lay_ground
from mountgen.inspection import inspect_body
from mountgen.kernel import solid_volume, tessellate
from mountgen.progress import Clock
from mountgen.recipe import TrayRecipe
from mountgen.recipe_file import load_recipe
from mountgen.relief import relieve_mesh
from mountgen.store import Store
from tests.checks import assert_printable
from tests.prepared import Listening

HALF = np.array([120.0, 80.0])  # mm, of the panel
CASES = {"bottle": 103, "banana": 105}


def _list_parts(kind: str, rng: np.random.Generator) -> Floats:
    """Return the superellipsoids that an object is made of, (N, 5): middle x and y, half axes, mm."""
    if kind == "banana":
        t = np.linspace(-1.0, 1.0, 7)
        tall = (20.0 + 1.2 * rng.normal(size=7)) * (1.0 - 0.5 * t**2)
        return np.column_stack([70.0 * t, 25.0 * t**2 - 10.0, np.full(7, 22.0), np.full(7, 18.0), tall])
    t, wide = np.linspace(-1.0, 1.0, 4), np.array([26.0, 28.0, 24.0, 12.0])
    return np.column_stack([55.0 * t, 3.0 * rng.normal(size=4), np.full(4, 30.0), wide, 0.9 * wide])


def _scan(kind: str, seed: int, triangles: int = 50_000) -> tuple[Floats, Ints]:
    """Return vertices and faces of a scan, any pose, with 0.03 mm of noise and a slow wobble of 0.1 mm."""
    rng = np.random.default_rng(seed)
    step = float(np.sqrt(8.0 * HALF.prod() / triangles))
    x, y = np.meshgrid(*(np.arange(-half, half, step) for half in HALF), indexing="ij")
    x, y = (each + rng.uniform(-0.3, 0.3, x.shape) * step for each in (x, y))
    parts, power = _list_parts(kind, rng), rng.uniform(2.0, 4.0)
    depth = np.zeros_like(x)
    for cx, cy, a, b, c in parts:
        share = np.abs((x - cx) / a) ** power + np.abs((y - cy) / b) ** power
        depth = np.maximum(depth, c * np.clip(1.0 - share, 0.0, None) ** (1.0 / power))
    depth += np.where(depth > 6.0, 0.35 * np.sin(x / 5.0 + rng.uniform(0.0, 6.0)) * np.cos(y / 7.0), 0.0)
    bend, lean = 2e-4 * rng.uniform(-3.0, 3.0, 2), rng.uniform(-0.03, 0.03)
    wobble = 0.1 * np.sin(x / 23.0 + rng.uniform(0.0, 6.0)) * np.sin(y / 31.0 + rng.uniform(0.0, 6.0))
    z = bend[0] * x**2 + bend[1] * y**2 + lean * x - depth + wobble
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = index[:-1, :-1].ravel(), index[1:, :-1].ravel(), index[1:, 1:].ravel(), index[:-1, 1:].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    vertices = np.column_stack([x.ravel(), y.ravel(), z.ravel()]) + rng.normal(0.0, 0.03, (x.size, 3))
    return vertices @ random_rotation(rng).T + rng.uniform(-300.0, 300.0, 3), faces


@cache
def _ground(kind: str) -> Ground:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "scan.ply"
        write_ply(path, *_scan(kind, CASES[kind]))
        (Path(folder) / "tray.toml").write_text('name = "tray"\nbase = "tray"\n', encoding="utf-8")
        recipe = load_recipe(Path(folder) / "tray.toml", scan=path)
        return lay_ground(recipe, store=Store(None), clock=Clock(Listening()))


@pytest.mark.parametrize("kind", CASES)
def test_a_smooth_body_fills_the_impression_and_clears_it(kind: str) -> None:
    ground = _ground(kind)
    assert ground.shell is not None
    block = make_block(ground.shell, ground.space)
    assert not block.faceted
    assert find_unused(ground.space, 0.0, None, solid_volume(block.solid)) < 0.015
    soft = np.zeros(len((mesh := tessellate(block.solid)).faces), dtype=np.bool_)
    relieved = relieve_mesh(mesh, ground.recess, clearance=ground.gaps, soft=soft).mesh
    asked = ground.recipe.fit.clearance
    assert isinstance(asked, float)
    found = inspect_body(relieved, ground.recess, clearance=asked, wall_min=0.0, line_width=0.4)
    assert min(found.rest.min, found.insertion.min) > asked - 0.03


@pytest.mark.parametrize("kind", CASES)
def test_a_tray_with_its_tongue_stays_inside_the_impression(kind: str) -> None:
    """Where a trough runs out its floor comes up: a tongue rooted below it would stand out of the tray's underside."""
    ground = _ground(kind)
    assert isinstance(ground.recipe, TrayRecipe)
    part = make_tray(ground.shell, ground.space, ground.recess, recipe=ground.recipe)
    assert not part.body.faceted
    assert_printable(part.body.mesh)
    asked = ground.recipe.fit.clearance
    assert isinstance(asked, float)
    found = inspect_body(part.body.mesh, ground.recess, clearance=asked, wall_min=0.0, line_width=0.4)
    assert min(found.rest.min, found.insertion.min) > asked - 0.1
