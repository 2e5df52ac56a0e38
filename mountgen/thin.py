"""A mesh of no more triangles than a printing program takes gladly."""

from __future__ import annotations

import numpy as np

from mountgen.kernel import Mesh
from mountgen.solid_mesh import load_solid

MOST_TRIANGLES = 100_000
MOVES = (0.004, 0.006, 0.01, 0.014, 0.02)  # mm by which thinning may move the surface, tried in order


def thin_mesh(mesh: Mesh, *, most: int = MOST_TRIANGLES) -> Mesh:
    """Return a closed mesh with edges drawn together where that moves its surface least.

    Args:
        mesh: closed, mm.
        most: triangles wanted at most.

    Returns:
        Mesh: the same where it has few enough, or where it is not closed; with more than `most` where they cannot be reached
        without moving the surface by more than the last of MOVES.
    """
    from manifold3d import Error

    if len(mesh.faces) <= most:
        return mesh
    solid = load_solid(mesh)
    if solid.status() != Error.NoError:
        return mesh
    for move in MOVES:
        thinned = solid.simplify(move)
        if thinned.num_tri() <= most:
            break
    raw = thinned.to_mesh64()
    return Mesh(np.asarray(raw.vert_properties)[:, :3].astype(np.float64), np.asarray(raw.tri_verts).astype(np.int32))
