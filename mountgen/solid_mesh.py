"""Meshes to solids of the library whose booleans are exact, and back to meshes that files can hold."""

from __future__ import annotations

from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import ExportError
from mountgen.kernel import Mesh
from mountgen.mesh_measure import is_closed
from mountgen.stl_file import round_mesh

SIMPLER = (0.0, 2e-4, 1e-3, 3e-3)  # mm by which the surface may move so that no two corners fall together in single precision


def load_solid(mesh: Mesh) -> Any:
    """Return a mesh as a solid; its `status` says whether it is closed."""
    import manifold3d

    return manifold3d.Manifold(manifold3d.Mesh64(mesh.vertices.copy(), mesh.faces.astype(np.uint64)))


def unload_solid(solid: Any, *, turn: Floats, shift: Floats) -> Mesh | None:
    """Return a solid as a mesh that is still closed when its corners are written in single precision.

    Booleans leave slivers whose corners fall together then.

    Args:
        solid: of the library.
        turn, shift: (3, 3) and (3,) mm; a corner p is written as (p - shift) turn.

    Returns:
        Mesh; None where simplifying does not help.
    """
    for step in SIMPLER:
        found = (solid.simplify(step) if step else solid).to_mesh64()
        vertices = (np.asarray(found.vert_properties)[:, :3] - shift) @ turn
        mesh = Mesh(vertices, np.asarray(found.tri_verts).astype(np.int32))
        try:
            written = round_mesh(mesh, where="part")
        except ExportError:
            continue
        if is_closed(written):
            return written
    return None
