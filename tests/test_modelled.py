"""A recess that was drawn: its large flat faces are divided, nothing of its surface changes, and a part is made for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from mountgen.arrays import Floats, Ints
from mountgen.datum import find_datum
from mountgen.field import build_space
from mountgen.links import link_faces
from mountgen.modelled import LARGE, LONGEST, divide_modelled
from mountgen.recipe_tables import Fit, Mouth
from mountgen.scan import read_scan
from tests.shapes import SEVEN, scan_specimen
from tests.sheets import make_sheet, random_pose, stl_bytes

MOUTH, FLOOR, DEEP, SURROUND = (50.0, 35.0), (47.0, 32.0), 40.0, 30.0  # half sizes and depth of a frustum, mm


def draw_frustum() -> tuple[Floats, Ints]:
    """Return a panel with a frustum in it as a drawing has it, of 18 triangles, normals to the free side."""
    corners = np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    rings = ((np.add(MOUTH, SURROUND), 0.0), (MOUTH, 0.0), (FLOOR, -DEEP))
    vertices = np.vstack([np.column_stack([corners * half, np.full(4, z)]) for half, z in rings])
    faces = [(8, 9, 10), (8, 10, 11)]
    for first in (0, 4):
        for k in range(4):
            a, b = first + k, first + (k + 1) % 4
            faces += [(a, b, b + 4), (a, b + 4, a + 4)]
    return vertices, np.array(faces, dtype=np.int32)


def test_the_faces_are_divided_and_the_surface_stays() -> None:
    vertices, faces = draw_frustum()
    divided = divide_modelled(vertices, faces)
    assert divided is not None
    np.testing.assert_array_equal(divided[0][: len(vertices)], vertices)
    before, after = (trimesh.Trimesh(*mesh, process=False) for mesh in ((vertices, faces), divided))
    assert after.edges_unique_length.max() <= LONGEST
    assert after.area == pytest.approx(before.area, rel=1e-9)
    assert np.abs(before.nearest.on_surface(divided[0][::50])[1]).max() < 1e-9
    links = link_faces(divided[1], len(divided[0]))
    assert links.piece.max() == 0
    assert not links.flip.any()
    assert links.crowded == 0
    outline = np.flatnonzero(links.on_border)  # no vertex on an edge that another face does not have
    reach = np.abs(divided[0][outline, :2]) - np.add(MOUTH, SURROUND)
    np.testing.assert_allclose(reach.max(axis=1), 0.0, atol=1e-9)
    # Euler's formula for a disc, V - E + F = 1
    assert len(divided[0]) - len(after.edges_unique) + len(divided[1]) == 1


@pytest.mark.parametrize("name", SEVEN)
def test_a_scan_is_not_divided_nor_one_that_was_thinned_out(name: str) -> None:
    scan = scan_specimen(name, triangles=30_000)
    assert divide_modelled(scan.vertices, scan.faces) is None
    coarse, noise = scan.vertices * 8.0, np.random.default_rng(3).normal(0.0, 0.02, scan.vertices.shape)
    assert trimesh.Trimesh(coarse, scan.faces, process=False).edges_unique_length.mean() > LARGE
    assert divide_modelled(coarse + noise, scan.faces) is None


def test_what_is_flat_and_fine_stays_as_it_is() -> None:
    vertices, faces = make_sheet(lambda x, y: 0.0 * x, pitch=3.0)
    assert divide_modelled(vertices, faces) is None


def test_a_drawn_recess_is_read_and_its_room_is_that_of_the_closed_form(tmp_path: Path) -> None:
    """Less a clearance c on all sides: half sizes less c (1 / cos a), depth less c; the volume by the prismoidal formula."""
    vertices, faces = draw_frustum()
    turn, shift = random_pose(5)
    path = tmp_path / "drawn.stl"
    path.write_bytes(stl_bytes(vertices @ turn.T + shift, faces))
    scan = read_scan(path)
    assert scan.spacing < LONGEST
    assert scan.noise < 1e-4  # rounding to single precision alone
    assert any(mend.tell().startswith("18 large flat faces") for mend in scan.mended)
    recess = find_datum(scan, mouth=Mouth())
    assert float(recess.part_to_scan[:3, 2] @ turn[:, 2]) > np.cos(np.radians(0.5))
    c = 0.4
    space = build_space(recess, fit=Fit(clearance=c, draft=0.5))
    lean = np.arctan2(np.subtract(MOUTH, FLOOR), DEEP)
    top = np.subtract(MOUTH, c / np.cos(lean))
    bottom = top - (DEEP - c) * np.tan(lean)
    sections = [4.0 * each.prod() for each in (top, 0.5 * (top + bottom), bottom)]
    assert space.volume() == pytest.approx((DEEP - c) / 6.0 * (sections[0] + 4.0 * sections[1] + sections[2]), rel=0.01)

