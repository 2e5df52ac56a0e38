"""Specimens: recesses of known shape, and their simulated scans. Made once a process; do not edit them.

name            what it is hard for
dash_cubby      curved base, a top lip that hides part of the ceiling
l_pocket        a boss and a rib in an L
deep_slot       walls that lean less than 1 degree; `scan_island` sees its floor as a piece of its own
dished_tray     walls that flow into the floor
round_well      no corner to hold on to
two_level       a step across the floor
split_floor     a ridge across the whole floor
frustum, cylinder, rounded_tray, tilted_box    closed forms; sharp rims
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache, lru_cache
from math import cos, radians, sin

import numpy as np

from examples import juniper
from examples.panel import (
    Specimen,
    bow_panel,
    build_post,
    build_recess,
    circle,
    finish,
    rectangle,
    step_up,
)
from examples.simulate import CONE_DEG, GRAZING_DEG, SimulatedScan, simulate_scan
from mountgen.arrays import Floats

FRUSTUM_MOUTH, FRUSTUM_DEPTH, FRUSTUM_DRAFT_DEG = (100.0, 60.0), 40.0, 5.0
CYLINDER_RADIUS, CYLINDER_DEPTH = 30.0, 40.0
TRAY_MOUTH, TRAY_CORNER, TRAY_FLOOR_RADIUS, TRAY_DEPTH = (120.0, 80.0), 20.0, 8.0, 25.0
BOX_SIZE, BOX_TILT_DEG, BOX_DEPTH = (80.0, 50.0), 8.0, 30.0
SLOT_LEAN_DEG = 0.7
STEP_HEIGHT, STEP_X = 20.0, 8.0
RIDGE_HEIGHT = 22.0


def _dash_cubby() -> Specimen:
    return juniper.dash_cubby()


def _l_pocket() -> Specimen:
    return replace(juniper.console_pocket(), name="l_pocket")


def _round_well() -> Specimen:
    return replace(juniper.cup_well(), name="round_well")


def _deep_slot() -> Specimen:
    outline = rectangle(100.0, 18.0, 7.0)
    solid = build_recess(outline, depth=72.0, draft_deg=SLOT_LEAN_DEG, rim_radius=2.0, floor_radius=3.0)
    return finish(solid, "deep_slot", outline, 72.0, warps=(bow_panel(1200.0, 1200.0, 72.0),))


def _dished_tray() -> Specimen:
    depth = 32.0
    outline = rectangle(150.0, 105.0, 42.0)
    solid = build_recess(outline, depth=depth, draft_deg=14.0, rim_radius=4.0, floor_radius=26.0)

    def dish(points: Floats) -> Floats:
        x, y, z = points.T
        hang = 4.0 * np.clip(1.0 - (x / 75.0) ** 2 - (y / 52.0) ** 2, 0.0, None) ** 2
        return np.column_stack([x, y, z - hang * step_up(-z, 0.0, depth)])

    return finish(solid, "dished_tray", outline, depth + 4.0, warps=(dish, bow_panel(700.0, 1500.0, depth)))


def _two_level() -> Specimen:
    depth = 48.0
    outline = rectangle(120.0, 72.0, 14.0)
    solid = build_recess(outline, depth=depth, draft_deg=3.0, rim_radius=3.0, floor_radius=5.0)
    shelf = build_post(
        rectangle(60.0, 80.0, 0.0, centre=(STEP_X + 30.0, 0.0)),
        height=STEP_HEIGHT, floor=-depth, draft_deg=3.0, top_radius=4.0, foot_radius=4.0,
    )  # fmt: skip
    return finish(solid + shelf, "two_level", outline, depth, warps=(bow_panel(1000.0, 1500.0, depth),))


def _split_floor() -> Specimen:
    depth = 45.0
    outline = rectangle(130.0, 66.0, 12.0)
    solid = build_recess(outline, depth=depth, draft_deg=3.0, rim_radius=3.0, floor_radius=5.0)
    ridge = build_post(
        rectangle(12.0, 76.0, 0.0, centre=(-14.0, 0.0)),
        height=RIDGE_HEIGHT, floor=-depth, draft_deg=4.0, top_radius=3.0, foot_radius=3.0,
    )  # fmt: skip
    return finish(solid + ridge, "split_floor", outline, depth, warps=(bow_panel(1000.0, 1500.0, depth),))


def _frustum() -> Specimen:
    outline = rectangle(*FRUSTUM_MOUTH, 0.0)
    solid = build_recess(
        outline, depth=FRUSTUM_DEPTH, draft_deg=FRUSTUM_DRAFT_DEG, rim_radius=0.0, floor_radius=0.0
    )
    return finish(solid, "frustum", outline, FRUSTUM_DEPTH)


def _cylinder() -> Specimen:
    outline = circle(CYLINDER_RADIUS)
    solid = build_recess(outline, depth=CYLINDER_DEPTH, draft_deg=0.0, rim_radius=0.0, floor_radius=0.0)
    return finish(solid, "cylinder", outline, CYLINDER_DEPTH)


def _rounded_tray() -> Specimen:
    outline = rectangle(*TRAY_MOUTH, TRAY_CORNER)
    solid = build_recess(
        outline, depth=TRAY_DEPTH, draft_deg=0.0, rim_radius=0.0, floor_radius=TRAY_FLOOR_RADIUS
    )
    return finish(solid, "rounded_tray", outline, TRAY_DEPTH)


def _tilted_box() -> Specimen:
    """A box sunk along a line that leans towards +x; its floor is square to that line."""
    from manifold3d import Manifold

    lean = radians(BOX_TILT_DEG)
    mouth = rectangle(BOX_SIZE[0] / cos(lean), BOX_SIZE[1], 0.0)
    block = Manifold.cube((170.0, 130.0, BOX_DEPTH + 20.0)).translate((-85.0, -65.0, -BOX_DEPTH - 20.0))
    box = Manifold.cube((*BOX_SIZE, BOX_DEPTH + 40.0)).translate(
        (-BOX_SIZE[0] / 2, -BOX_SIZE[1] / 2, -BOX_DEPTH)
    )
    draw = (sin(lean), 0.0, cos(lean))
    return finish(block - box.rotate((0.0, BOX_TILT_DEG, 0.0)), "tilted_box", mouth, BOX_DEPTH, draw=draw)


_MAKERS: dict[str, Callable[[], Specimen]] = {
    "dash_cubby": _dash_cubby,
    "l_pocket": _l_pocket,
    "deep_slot": _deep_slot,
    "dished_tray": _dished_tray,
    "round_well": _round_well,
    "two_level": _two_level,
    "split_floor": _split_floor,
    "frustum": _frustum,
    "cylinder": _cylinder,
    "rounded_tray": _rounded_tray,
    "tilted_box": _tilted_box,
}
SEVEN = tuple(_MAKERS)[:7]  # the shapes that the accuracy targets are stated for
NAMES = tuple(_MAKERS)


@cache
def specimen(name: str) -> Specimen:
    """Return the specimen `name` (one of NAMES), in the truth frame."""
    return _MAKERS[name]()


@lru_cache(maxsize=8)
def scan_specimen(
    name: str,
    *,
    seed: int = 1,
    triangles: int = 60_000,
    noise: float = 0.03,
    wobble: float = 0.0,
    dropouts: int = 6,
    markers: int = 6,
    fragments: int = 5,
    pose: str = "random",
    unit: str = "mm",
    flipped: float = 0.0,
    doubled: float = 0.0,
    island: bool = False,
    occlusion: bool = True,
    cone_deg: float = CONE_DEG,
    grazing_deg: float = GRAZING_DEG,
) -> SimulatedScan:
    """Return a simulated scan of a specimen; options as for `examples.simulate.simulate_scan`."""
    return simulate_scan(
        specimen(name), seed=seed, triangles=triangles, noise=noise, wobble=wobble, dropouts=dropouts,
        markers=markers, fragments=fragments, pose=pose, unit=unit, flipped=flipped, doubled=doubled,
        island=island, occlusion=occlusion, cone_deg=cone_deg, grazing_deg=grazing_deg,
    )  # fmt: skip


def scan_island(*, seed: int = 1, triangles: int = 60_000) -> SimulatedScan:
    """Return a scan of the deep slot by a scanner that could not move aside: its floor is an island."""
    return scan_specimen("deep_slot", seed=seed, triangles=triangles, cone_deg=8.0, grazing_deg=70.0)
