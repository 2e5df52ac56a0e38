"""Facets drawn back, in a box recess whose gaps are known exactly."""

from __future__ import annotations

from dataclasses import replace

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


def test_what_stands_too_near_to_a_border_of_the_scan_is_drawn_back_too() -> None:
    # all of the scan is half a floor, two facets wide: none of its vertices is near, and it ends at x = 0, beside the block
    floor = np.array([[-30.0, -40.0, -DEPTH], [0.0, -40.0, -DEPTH], [0.0, 40.0, -DEPTH], [-30.0, 40.0, -DEPTH]])
    recess = replace(box_recess(60, 40), vertices=floor, faces=np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32))
    box = trimesh.creation.box(bounds=((0.2, -15.0, 0.42 - DEPTH), (25.0, 15.0, -2.0))).subdivide_to_size(1.5)
    mesh = Mesh(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    moved = relieve_mesh(mesh, recess, clearance=ZONES, soft=np.zeros(len(mesh.faces), dtype=bool)).mesh
    scan = trimesh.Trimesh(recess.vertices, recess.faces, process=False)
    before, after = (trimesh.proximity.closest_point(scan, each.vertices)[1].min() for each in (mesh, moved))
    assert before == pytest.approx(np.hypot(0.2, 0.42))
    assert after > CLEARANCE - 0.016


def test_what_stands_too_near_beside_a_soft_face_is_drawn_back_too() -> None:
    """A block stands 0.42 mm above the floor; a strip of its underside may touch, and shares corners with the rest."""
    low = np.array([-25.0, -15.0, 0.42 - DEPTH])
    box = trimesh.creation.box(bounds=(low, (25.0, 15.0, -2.0))).subdivide_to_size(6.0)
    mesh = Mesh(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    under = np.isclose(mesh.vertices[:, 2], low[2])
    soft = under[mesh.faces].all(axis=1) & (mesh.vertices[mesh.faces].mean(axis=1)[:, 0] > 10.0)
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH)
    moved = relieve_mesh(mesh, recess, clearance=ZONES, soft=soft).mesh
    z = moved.vertices[:, 2] + DEPTH
    shared = np.zeros(len(z), dtype=bool)
    shared[mesh.faces[~soft]] = True
    inside = under & ~shared
    assert inside.any()
    np.testing.assert_allclose(z[inside], 0.42, atol=1e-9)
    np.testing.assert_allclose(z[under & shared], CLEARANCE - LEFT, atol=1e-4)


@pytest.mark.parametrize("overhang", [0.1, 0.07])
def test_what_comes_too_near_on_its_way_in_only_is_drawn_back_too(overhang: float) -> None:
    # the scan is one wall at x = 30 that stands out by 0.1 mm above z = -5, where the block comes by but does not stay
    line = [(30.0, -12.0), (30.0, -5.0), (30.0 - overhang, -5.0), (30.0 - overhang, 0.0)]
    wall = np.array([[x, y, z] for x, z in line for y in (-40.0, 40.0)])
    faces = np.array([[2 * k, 2 * k + a, 2 * k + b] for k in range(3) for a, b in ((1, 3), (3, 2))], dtype=np.int32)
    recess = replace(box_recess(60, 40), vertices=wall, faces=faces[:, ::-1])
    box = trimesh.creation.box(bounds=((10.0, -15.0, -11.0), (29.48, 15.0, -7.0))).subdivide_to_size(1.5)
    mesh = Mesh(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32))
    moved = relieve_mesh(mesh, recess, clearance=ZONES, soft=np.zeros(len(mesh.faces), dtype=bool)).mesh
    side = moved.vertices[np.isclose(mesh.vertices[:, 0], 29.48), 0]
    assert (side.min(), side.max()) == pytest.approx((30.0 - overhang - CLEARANCE + LEFT,) * 2, abs=1e-4)
