"""Parts of boxes and wedges that hang together by more, or by less, than two printed lines."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from mountgen.feather import stays_whole

LEAST = 0.9  # mm


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Manifold:
    return Manifold.cube([b - a for a, b in zip(low, high, strict=True)]).translate(list(low))


def holds(solid: Manifold, turn: float = 0.0) -> bool:
    mesh = solid.rotate([0.0, 0.0, turn]).to_mesh64()
    return stays_whole(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32), least=LEAST)


LEFT, RIGHT = box((0.0, 0.0, -8.0), (10.0, 10.0, 0.0)), box((14.0, 0.0, -8.0), (24.0, 10.0, 0.0))


@pytest.mark.parametrize("turn", [0.0, 33.0])
def test_an_edge_that_runs_out_is_no_loss(turn: float) -> None:
    points = [(x, y, z) for y in (0.0, 10.0) for x, z in ((10.0, 0.0), (10.0, -3.0), (30.0, 0.0))]
    wedge = Manifold.hull_points(np.array(points))
    assert holds(LEFT + wedge, turn)
    assert holds(wedge, turn)


@pytest.mark.parametrize("turn", [0.0, 33.0])
@pytest.mark.parametrize(
    ("bridge", "whole"),
    [
        (box((9.0, 0.0, -0.5), (15.0, 10.0, 0.0)), False),  # a skin
        (box((9.0, 0.0, -1.5), (15.0, 10.0, 0.0)), True),
        (box((9.0, 4.0, -8.0), (15.0, 4.6, 0.0)), False),  # a fin
        (box((9.0, 4.0, -8.0), (15.0, 5.8, 0.0)), True),
    ],
)
def test_two_blocks_hold_together_by_what_is_printed(bridge: Manifold, whole: bool, turn: float) -> None:
    assert holds(LEFT + RIGHT + bridge, turn) is whole


def test_a_crumb_that_comes_off_does_not_count_and_a_skin_alone_is_no_part() -> None:
    assert holds(LEFT + box((9.0, 0.0, -0.4), (12.0, 10.0, 0.0)) + box((12.0, 0.0, -2.0), (13.5, 1.5, 0.0)))
    assert not holds(box((0.0, 0.0, -0.5), (20.0, 20.0, 0.0)))
