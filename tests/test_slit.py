"""Slits are closed by triangles between the points there are, folds are taken out; whatever is wider stays open for the gauge."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import trimesh

from mountgen.arrays import Floats, Ints
from mountgen.kernel import _join, is_closed
from mountgen.patch import Patch
from mountgen.slit import NARROW, close_slits, drop_folds


def _slit(width: float) -> tuple[Floats, Ints]:
    """Return a box whose upper front edge is cut into facets differently on its two sides, `width` mm apart."""
    box = trimesh.creation.box((20.0, 10.0, 5.0))
    vertices, faces = np.asarray(box.vertices), np.asarray(box.faces)
    edge = np.flatnonzero((vertices[:, 1] < 0.0) & (vertices[:, 2] > 0.0))
    shared = [k for k, face in enumerate(faces) if np.isin(edge, face).all()]
    assert len(shared) == 2
    parts = [np.delete(faces, shared, axis=0)]
    for k, (face, marks) in enumerate(zip(faces[shared], ([0.2, 0.7], [0.4, 0.5, 0.9]), strict=True)):
        turn = next(t for t in range(3) if np.isin(np.roll(face, -t)[:2], edge).all())
        a, b, top = np.roll(face, -turn)
        start = len(vertices)
        t = np.array(marks if vertices[a, 0] < vertices[b, 0] else [1.0 - m for m in marks[::-1]])
        extra = vertices[a] + t[:, None] * (vertices[b] - vertices[a]) + [0.0, 0.0, -width * k]
        vertices = np.vstack([vertices, extra])
        chain = [a, *range(start, start + len(marks)), b]
        parts.append(np.array([[p, q, top] for p, q in pairwise(chain)]))
    return vertices, np.vstack(parts).astype(np.int32)


def test_a_slit_is_closed_without_moving_a_point() -> None:
    vertices, faces = _slit(0.02)
    assert not trimesh.Trimesh(vertices, faces, process=False).is_watertight
    closed = trimesh.Trimesh(vertices, close_slits(vertices, faces), process=False)
    assert closed.is_watertight
    assert closed.is_winding_consistent
    assert closed.volume == pytest.approx(1000.0, abs=0.02 * 20.0 * 10.0)


def test_a_closed_mesh_stays_as_it_is() -> None:
    box = trimesh.creation.box((20.0, 10.0, 5.0))
    assert close_slits(np.asarray(box.vertices), np.asarray(box.faces, dtype=np.int32)).shape == (12, 3)


def test_a_wide_gap_and_a_missing_face_stay_open() -> None:
    vertices, faces = _slit(1.5)
    assert close_slits(vertices, faces) is faces
    box = trimesh.creation.box((20.0, 10.0, 5.0))
    torn = np.asarray(box.faces, dtype=np.int32)[1:]
    assert close_slits(np.asarray(box.vertices), torn) is torn


@pytest.mark.parametrize(("width", "closes"), [(0.015, True), (0.05, False)])
def test_what_is_as_narrow_as_a_facet_may_be_off_is_closed_at_once(width: float, closes: bool) -> None:
    """Other ways of meshing a tray with one such seam took 9 s, and left it as it was."""
    vertices, faces = _slit(width)
    found = close_slits(vertices, faces, widest=NARROW)
    assert trimesh.Trimesh(vertices, found, process=False).is_watertight == closes
    assert (found is faces) != closes
    patch = Patch(None, vertices, np.zeros((len(vertices), 2)), faces, reversed=False)
    assert is_closed(_join([patch], lacks=False).faces) == closes
    assert is_closed(_join([patch], lacks=True).faces)


def test_faces_back_to_back_are_taken_out() -> None:
    faces = np.asarray(trimesh.creation.box((20.0, 10.0, 5.0)).faces, dtype=np.int32)
    assert drop_folds(faces).tolist() == faces.tolist()
    folded = np.vstack([faces[:5], [[0, 1, 2]], faces[5:], [[5, 6, 7], [6, 5, 0], [0, 5, 6], [2, 1, 0]]]).astype(np.int32)
    assert drop_folds(folded).tolist() == [*faces.tolist(), [5, 6, 7]]  # which has the corners of another, but looks the same way
