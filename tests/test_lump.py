"""Scans closed all round: the recess is found on its side, whichever way the mesh faces (without one: `test_mend`)."""

from __future__ import annotations

from math import cos, radians

import manifold3d
import numpy as np
import pytest

from mountgen.arrays import Floats, Ints
from mountgen.datum import find_datum
from mountgen.faces import measure_faces
from mountgen.lump import open_lump
from mountgen.mend import MendedMesh, mend_mesh
from mountgen.recipe_tables import Mouth
from tests.sheets import make_sheet, random_pose
from tests.test_datum import _scan_of

HALF = (75.0, 60.0)


def _front(x: Floats, y: Floats) -> Floats:
    """Return a bowed panel with a recess of about 80 x 50 mm, 25 mm deep, that runs out to a border at z = 0."""
    bow: Floats = 6.0 * (1.0 - (x / HALF[0]) ** 2) * (1.0 - (y / HALF[1]) ** 2)
    inside = np.minimum(40.0 - np.abs(x), 25.0 - np.abs(y))
    return bow - np.clip(6.0 * inside, 0.0, 25.0)


def _back(x: Floats, y: Floats) -> Floats:
    return np.asarray(-70.0 * (1.0 - (x / HALF[0]) ** 2) * (1.0 - (y / HALF[1]) ** 2))


def make_lump(*, hollow: bool = True) -> tuple[Floats, Ints]:
    """Return a closed mesh, normals outwards: the panel in front, a made-up round back behind; mm."""
    vertices, faces = make_sheet(_front if hollow else lambda x, y: -_back(x, y), half=HALF, pitch=1.5)
    other, back = make_sheet(_back, half=HALF, pitch=1.5)
    return np.vstack([vertices, other]), np.vstack([faces, back[:, ::-1] + len(vertices)]).astype(np.int32)


def _mend(vertices: Floats, faces: Ints) -> MendedMesh:
    return mend_mesh(vertices, faces, bridge=6.0, where="a test")


@pytest.mark.parametrize("turned", [False, True])
def test_a_recess_in_a_closed_scan_is_found_from_its_own_side(turned: bool) -> None:
    vertices, faces = make_lump()
    turn, shift = random_pose(3)
    mesh = _mend(vertices @ turn.T + shift, faces[:, ::-1] if turned else faces)
    assert [mend.what for mend in mesh.mended if mend.what in ("closed mesh", "inverted normals")] == ["closed mesh"]
    recess = find_datum(_scan_of(mesh.vertices, mesh.faces), mouth=Mouth())
    assert recess.part_to_scan[:3, 2] @ turn[:, 2] > cos(radians(1.0))
    assert recess.depth == pytest.approx(25.0, abs=0.5)
    assert np.ptp(recess.rim[:, :2], axis=0) == pytest.approx([80.0, 50.0], abs=2.0)


def test_only_the_back_is_cut_off() -> None:
    vertices, faces = make_lump()
    left = open_lump(vertices, faces)
    assert left is not None
    kept = measure_faces(vertices, left)[0]
    assert (kept[:, 2] > -0.51 * np.linalg.norm(kept, axis=1)).all()
    front = faces[faces.max(axis=1) < len(vertices) // 2]
    assert {tuple(face) for face in front} <= {tuple(face) for face in left}


def test_what_is_round_on_all_sides_is_not_opened() -> None:
    assert open_lump(*make_lump(hollow=False)) is None


CUBE = manifold3d.Manifold.cube
THINGS = {  # seen from outside, with hollows of their own; mm
    "vehicle": CUBE((180.0, 80.0, 40.0), True) + CUBE((90.0, 70.0, 40.0), True).translate((0.0, 0.0, 35.0)),
    "bracket": CUBE((80.0, 80.0, 30.0), True) + CUBE((30.0, 80.0, 80.0), True).translate((25.0, 0.0, 25.0)),
    "mug": manifold3d.Manifold.cylinder(90.0, 40.0) - manifold3d.Manifold.cylinder(90.0, 37.0).translate((0.0, 0.0, 4.0)),
    "ring": manifold3d.CrossSection.circle(15.0).translate((40.0, 0.0)).revolve(64),
}


@pytest.mark.parametrize("name", THINGS)
def test_what_was_scanned_from_outside_is_not_opened(name: str) -> None:
    mesh = THINGS[name].refine_to_length(3.0).to_mesh64()
    assert open_lump(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)) is None
