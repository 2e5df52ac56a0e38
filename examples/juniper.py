"""The four spots of the camper van Juniper: python -m examples.juniper [FOLDER] writes their scans.

All sizes are invented. Millimetres, truth frame: origin at the mouth's centre, +z out of the recess, +y up
(for the two that lie flat, towards the front of the van).
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np

from examples.panel import (
    Specimen,
    bow_panel,
    build_post,
    build_recess,
    circle,
    finish,
    rectangle,
    round_outline,
    step_up,
)
from mountgen.arrays import Floats

SCANS = Path(__file__).parent / "scans"
CUBBY_MOUTH, CUBBY_DEPTH = (190.0, 75.0), 60.0
CUBBY_SAG = 5.0  # how far the base hangs in the middle
CUBBY_LIP = 8.0  # how far the top lip hangs in front of the ceiling
POCKET_DEPTH = 45.0
WELL_RADIUS, WELL_DEPTH = 38.0, 68.0
SWITCH_MOUTH, SWITCH_DEPTH = (45.0, 25.0), 32.0


def dash_cubby() -> Specimen:
    """Return a cubby in a bowed dash: its base sags in the middle, a top lip hides part of the ceiling."""
    outline = rectangle(*CUBBY_MOUTH, 18.0, step=1.0)
    solid = build_recess(
        outline, depth=CUBBY_DEPTH, draft_deg=2.5, rim_radius=3.0, floor_radius=8.0, wall_step=0.38
    )

    def sag(points: Floats) -> Floats:
        x, y, z = points.T
        middle = np.clip(1.0 - (x / 95.0) ** 2, 0.0, 1.0) ** 2
        return np.column_stack([x, y - CUBBY_SAG * middle * (1.0 - step_up(y, -30.0, 5.0)), z])

    def hang_lip(points: Floats) -> Floats:
        x, y, z = points.T
        sides = 1.0 - step_up(np.abs(x), 70.0, 94.0)
        return np.column_stack([x, y + CUBBY_LIP * step_up(-z, 6.0, 18.0) * step_up(y, 0.0, 30.0) * sides, z])

    return finish(
        solid, "dash_cubby", outline, CUBBY_DEPTH, warps=(sag, hang_lip, bow_panel(900.0, 600.0, CUBBY_DEPTH))
    )


def console_pocket() -> Specimen:
    """Return an L-shaped pocket, mouth upwards, with a boss in one arm and a rib that runs into a wall."""
    corners = [(-62.0, -58.0), (62.0, -58.0), (62.0, -6.0), (-8.0, -6.0), (-8.0, 58.0), (-62.0, 58.0)]
    centre = _centre_of_area(corners)
    corners = [(x - centre[0], y - centre[1]) for x, y in corners]
    outline = round_outline(corners, [14.0, 14.0, 14.0, 8.0, 14.0, 14.0])
    solid = build_recess(outline, depth=POCKET_DEPTH, draft_deg=3.0, rim_radius=3.0, floor_radius=5.0)
    boss = build_post(
        circle(8.0, centre=(28.0 - centre[0], -32.0 - centre[1])),
        height=18.0,
        floor=-POCKET_DEPTH,
        draft_deg=3.0,
        top_radius=2.5,
        foot_radius=3.0,
    )
    rib = build_post(
        rectangle(36.0, 7.0, 3.49, centre=(-56.0 - centre[0], 20.0 - centre[1])),
        height=16.0,
        floor=-POCKET_DEPTH,
        draft_deg=2.0,
        top_radius=2.0,
        foot_radius=2.5,
    )
    return finish(
        solid + boss + rib,
        "console_pocket",
        outline,
        POCKET_DEPTH,
        warps=(bow_panel(1500.0, 1500.0, POCKET_DEPTH),),
    )


def cup_well() -> Specimen:
    """Return a round tapered well."""
    outline = circle(WELL_RADIUS)
    solid = build_recess(outline, depth=WELL_DEPTH, draft_deg=4.0, rim_radius=3.5, floor_radius=8.0)
    return finish(solid, "cup_well", outline, WELL_DEPTH, warps=(bow_panel(1200.0, 4000.0, WELL_DEPTH),))


def switch_opening() -> Specimen:
    """Return a small opening left by a switch."""
    outline = rectangle(*SWITCH_MOUTH, 4.5)
    solid = build_recess(
        outline, depth=SWITCH_DEPTH, draft_deg=1.5, rim_radius=1.5, floor_radius=2.5, margin=30.0
    )
    return finish(
        solid, "switch_opening", outline, SWITCH_DEPTH, warps=(bow_panel(800.0, 800.0, SWITCH_DEPTH),)
    )


# name: (maker, seed, triangles); the sizes keep each file below 1.5 MB
SPOTS: dict[str, tuple[Any, int, int]] = {
    "dash_cubby": (dash_cubby, 11, 70_000),
    "console_pocket": (console_pocket, 12, 70_000),
    "cup_well": (cup_well, 13, 55_000),
    "switch_opening": (switch_opening, 14, 40_000),
}


def write_scan(name: str, out: Path) -> Path:
    """Scan the spot `name` and write `<name>.ply` into the folder `out`; return the path written."""
    from examples.simulate import simulate_scan, write_ply

    maker, seed, triangles = SPOTS[name]
    scan = simulate_scan(maker(), seed=seed, triangles=triangles, wobble=0.03)
    path = out / f"{name}.ply"
    write_ply(path, scan.vertices, scan.faces)
    return path


def main(out: Path) -> None:
    """Write the scans of all four spots into the folder `out`."""
    out.mkdir(parents=True, exist_ok=True)
    for name in SPOTS:
        path = write_scan(name, out)
        print(f"{path}  {path.stat().st_size / 1e6:.2f} MB")


def _centre_of_area(corners: list[tuple[float, float]]) -> tuple[float, float]:
    x, y = np.asarray(corners).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    share = 3.0 * cross.sum()
    return float(((x + np.roll(x, -1)) * cross).sum() / share), float(
        ((y + np.roll(y, -1)) * cross).sum() / share
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SCANS)
