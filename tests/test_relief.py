"""Facets drawn back, in a box recess whose gaps are known exactly."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from mountgen.kernel import Mesh
from mountgen.relief import LEFT, relieve_mesh
from tests.recesses import box_recess

DEPTH, CLEARANCE = 10.0, 0.5
ZONES = dict.fromkeys(("floor", "walls", "rim"), CLEARANCE)


def _relieved_floor(gap: float) -> tuple[float, float]:
    """Return the lowest and the highest point of the underside of a block that stood `gap` mm above the floor, mm above it."""
    low, high = np.array([-25.0, -15.0, gap - DEPTH]), np.array([25.0, 15.0, -2.0])
    box = trimesh.creation.box(bounds=(low, high)).subdivide_to_size(6.0)
    mesh = Mesh(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH)
    moved = relieve_mesh(mesh, recess, clearance=ZONES, soft=np.zeros(len(mesh.faces), dtype=bool)).mesh
    under = np.isclose(mesh.vertices[:, 2], low[2])
    top = np.isclose(mesh.vertices[:, 2], high[2])
    np.testing.assert_array_equal(moved.vertices[top], mesh.vertices[top])
    z = moved.vertices[under, 2] + DEPTH
    return float(z.min()), float(z.max())


@pytest.mark.parametrize("gap", [0.42, 0.47])
def test_what_stands_too_near_is_drawn_back_no_farther_than_it_must(gap: float) -> None:
    assert _relieved_floor(gap) == pytest.approx((CLEARANCE - LEFT, CLEARANCE - LEFT), abs=1e-4)


@pytest.mark.parametrize("gap", [0.49, 0.6])  # near enough; farther
def test_what_is_right_stays(gap: float) -> None:
    assert _relieved_floor(gap) == pytest.approx((gap, gap), abs=1e-9)
