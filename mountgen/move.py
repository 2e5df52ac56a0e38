"""Vertices of a mesh moved, so that no triangle turns over. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.faces import touch_faces
from mountgen.rows import dot

TURNS = 20  # of looking which facets turn, at most
TURNED = 0.2  # of a facet's area must keep facing its own way


def move_vertices(vertices: Floats, faces: Ints, shift: Floats, fixed: Bools) -> Floats:
    """Return the vertices (V, 3) moved by `shift` (V, 3). A sliver that would turn over moves as a whole, or, as a last resort,
    not at all.

    Args:
        vertices, faces: (V, 3) mm, and (F, 3).
        shift: (V, 3) mm, changed where it cannot be followed.
        fixed: (V,) bool, vertices whose faces cannot move as a whole.
    """
    before, held = _face_normals(vertices, faces), touch_faces(faces, fixed)
    least, rows = TURNED * dot(before, before), np.arange(len(faces))
    for attempt in range(TURNS):
        moved = vertices + shift
        turned = dot(before, _face_normals(moved, faces)) < least
        if not turned.any():
            return moved
        still = turned & (held | (attempt >= TURNS // 2))
        whole = turned & ~still
        most = faces[rows, np.linalg.norm(shift[faces], axis=2).argmax(axis=1)]
        shift[faces[whole]] = shift[most[whole], None]
        shift[faces[still]] = 0.0
    return vertices


def _face_normals(vertices: Floats, faces: Ints) -> Floats:
    a, b, c = (np.take(vertices, faces[:, k], axis=0) for k in range(3))
    return np.cross(b - a, c - a)
