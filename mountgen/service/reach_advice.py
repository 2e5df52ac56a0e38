"""How far short of the floor a part must be cut to be printed well: what is cut off flat stands on the plate by itself."""

from __future__ import annotations

from collections.abc import Iterator
from math import floor, radians, sin
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh
from mountgen.service.case import Case
from mountgen.service.print_orientation import OVERHANG_DEG, face_areas, find_orientations
from mountgen.service.print_shape import SETTLES
from mountgen.solid_mesh import load_solid

SHALLOWEST = 0.4  # of its depth that a part keeps
STEPS = 12  # depths that are looked at on the mesh
SHARE = 0.9  # of a limit that a remedy keeps


def list_unmarked(case: Case, *, most: float) -> Iterator[dict[str, Any]]:
    """Yield the greatest fit.reach with which so little of what bears hangs over the plate, printed mouth up; nothing if none.

    Args:
        case: the part.
        most: share of the surface that bears which may be printed on support.
    """
    mesh, layer = case.part.body.mesh, case.recipe.printer.layer_height
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    hangs = normal[:, 2] < -sin(radians(OVERHANG_DEG)) * 2.0 * face_areas(mesh)
    level, bearing = corners[:, :, 2].mean(axis=1), np.asarray(case.inspection.bearing)
    for reach in _list_depths(mesh):
        left = level > -reach
        marked = float(bearing[hangs & (level > SETTLES * layer - reach)].sum())
        if marked <= SHARE * most * float(bearing[left].sum()):
            yield {"fit.reach": reach}
            return


def list_steady(case: Case, *, most: float) -> Iterator[dict[str, Any]]:
    """Yield the greatest fit.reach with which the part leans no more than `most` (height over reach) in its best way up."""
    mesh = case.part.body.mesh
    solid = load_solid(mesh)
    for reach in _list_depths(mesh):
        found = solid.trim_by_plane((0.0, 0.0, 1.0), -reach).to_mesh64()
        cut = Mesh(np.asarray(found.vert_properties)[:, :3].copy(), np.asarray(found.tri_verts).astype(np.int32))
        if len(cut.faces) and _lean(case, cut) <= SHARE * most:
            yield {"fit.reach": reach}
            return


def _lean(case: Case, mesh: Mesh) -> float:
    nothing: Floats = np.zeros(len(mesh.faces))
    return find_orientations(mesh, bearing=nothing, recess_up=case.recess.up, recipe=case.recipe, scale=case.scale)[0].lean


def _list_depths(mesh: Mesh) -> list[float]:
    """Return depths below the mouth at which a part may be cut, the greatest first, mm."""
    deepest = -float(mesh.vertices[:, 2].min())
    return [floor(deepest * share) * 1.0 for share in np.linspace(0.98, SHALLOWEST, STEPS) if deepest * share >= 2.0]
