"""The announced fallback of stage 5: a faceted body straight from the insertable height, watertight by construction."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from mountgen.arrays import Floats, Ints, Singles
from mountgen.datum import lid_height
from mountgen.dilate import dilate_disc
from mountgen.errors import LoftError
from mountgen.facet_relief import hold_above, mesh_ground
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Mesh, solid_of_mesh
from mountgen.mesh_measure import measure_volume
from mountgen.surface import Surface

NOT_FITTED = "wall and floor could not be fitted"
FACET_PITCH = 0.5  # mm; grid of the facets before they are thinned
MOST_FACETS = 5000  # a solid kernel and a STEP file carry no more in reasonable time
OUT = 4.0  # mm above the top at which the floor goes on where there is no body
SLIVER = 1e-4  # mm; a thinner facet is none for a solid kernel
FIN = 1.0  # mm; where the body is thinner than this under its top it is left out: two printed lines do not go in there
SECOND_SHARE = 0.2  # of the tolerance, for the second thinning
FIRST_TOLERANCE, LAST_TOLERANCE = 0.03, 0.6  # mm; how much thinning may move a facet
LEAST_GROWTH, MOST_GROWTH = 1.15, 2.0  # of the tolerance, from one try to the next: as many facets as are too many, within these


@lru_cache(maxsize=4)  # a tray's inside is measured from it
def facet_body(space: InsertableSpace, *, below: float, reach: float | None, why: str) -> Body:
    """Return a faceted insertable body: everything between the insertable height and the lid, thinned, then drawn back into it.

    Args:
        space: the insertable space.
        below: how far below the lid the top lies, mm.
        reach: how deep from the mouth plane the body goes, mm; None for all the way.
        why: what kept the smooth body from being made, for the note to the user.

    Raises:
        LoftError: nothing is left between floor and lid.
    """
    step = max(1, round(FACET_PITCH / space.pitch))
    x, y = space.x[::step], space.y[::step]
    ground = mesh_ground(space)
    surface, tolerance = Surface(ground.vertices, ground.faces), FIRST_TOLERANCE
    while True:
        floor = _without_crests(space, thinnest=FIN + tolerance)[::step, ::step].astype(np.float64)
        if reach is not None:
            floor = np.maximum(floor, -reach)
        floor = _without_fins(x, y, floor, space, below, thinnest=FIN + tolerance if reach is None else min(FIN, 0.5 * reach))
        part = _thin(_between(x, y, floor, space, below), tolerance)
        pieces = [p for p in part.decompose() if p.volume() > 1.0]
        if not pieces:
            raise LoftError("nothing is left between floor and lid", "body", "raise fit.reach, or lower fit.clearance")
        largest = max(pieces, key=lambda p: p.volume())
        many = largest.num_tri() / MOST_FACETS
        if many <= 1.0 or tolerance >= LAST_TOLERANCE:
            mesh = hold_above(_mesh_of(largest), space, surface, below=below)
            if _measure_thinnest(mesh) > SLIVER or tolerance >= LAST_TOLERANCE:
                break
        tolerance = min(tolerance * min(max(many, LEAST_GROWTH), MOST_GROWTH), LAST_TOLERANCE)
    note = f"the body is faceted ({len(mesh.faces)} facets, {tolerance:.2f} mm coarse): {why}; "
    note += f"{100.0 * find_unused(space, below, reach, measure_volume(mesh)):.0f} % of the room there is for it stay unused"
    return Body(solid=solid_of_mesh(mesh), mesh=mesh, faceted=True, notes=(note,))


def _mesh_of(part: Any) -> Mesh:
    raw = part.to_mesh64()
    return Mesh(np.asarray(raw.vert_properties)[:, :3], np.asarray(raw.tri_verts, dtype=np.int32))


def _without_crests(space: InsertableSpace, *, thinnest: float) -> Singles:
    """Return the insertable height less the room too narrow for a disc `thinnest` mm wide: beside ribs it would end in blades."""
    closed = dilate_disc(space.height, radius=0.5 * thinnest, pitch=space.pitch)
    return np.maximum(-dilate_disc(-closed, radius=0.5 * thinnest, pitch=space.pitch), space.height)


def find_unused(space: InsertableSpace, below: float, reach: float | None, volume: float) -> float:
    """Return the share of the insertable space that a body of so many mm³ leaves unused."""
    reached = space if reach is None else replace(space, height=np.maximum(space.height, -reach))
    return max(0.0, 1.0 - volume / max(reached.volume(below=below), 1e-9))


def _without_fins(x: Floats, y: Floats, floor: Floats, space: InsertableSpace, below: float, *, thinnest: float) -> Floats:
    """Return a floor on a grid (R, C) that goes out through the top where it comes so near to it that a fin would be left."""
    top = lid_height(space.lid, *np.meshgrid(x, y, sparse=True)) - below
    return np.where((floor < top) & (floor > top - thinnest), top + OUT, floor)


def _thin(part: Any, tolerance: float) -> Any:
    """Return a manifold with as few triangles as a tolerance allows. Twice, as if of one piece: seams and slivers go too."""
    thinned = part.as_original().simplify(tolerance)
    return thinned.set_tolerance(SECOND_SHARE * tolerance).as_original().simplify(SECOND_SHARE * tolerance)


def _measure_thinnest(mesh: Mesh) -> float:
    """Return the least height of a triangle, mm."""
    corners = mesh.vertices[mesh.faces]
    sides = np.roll(corners, -1, axis=1) - corners
    doubled = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)
    return float((doubled / np.maximum(np.linalg.norm(sides, axis=2).max(axis=1), 1e-12)).min())


def _between(x: Floats, y: Floats, floor: Floats, space: InsertableSpace, below: float) -> Any:
    """Return the manifold between a floor given on a grid (R, C) and the lid less `below`."""
    from manifold3d import Manifold

    lid = lid_height(space.lid, *np.meshgrid(x, y, sparse=True)) - below
    base = float(min(floor.min(), lid.min())) - 5.0
    lower = _slab(x, y, np.minimum(floor, lid.max() + 5.0), base)
    upper = _slab(x, y, lid, base + 1.0)
    part: Manifold = upper - lower
    return part


def _slab(x: Floats, y: Floats, top: Floats, base: float) -> Any:
    """Return the manifold between the plane z = base and heights (R, C) over a grid."""
    from manifold3d import Manifold, Mesh64

    rows, cols = top.shape
    gx, gy = np.meshgrid(x, y)
    above = np.column_stack([gx.ravel(), gy.ravel(), top.ravel()])
    under = np.column_stack([gx.ravel(), gy.ravel(), np.full(top.size, base)])
    index = np.arange(rows * cols, dtype=np.int64).reshape(rows, cols)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    lids: Ints = np.concatenate([
        np.stack([a, b, c], axis=-1).reshape(-1, 3), np.stack([a, c, d], axis=-1).reshape(-1, 3),
    ]).astype(np.int32)
    border = np.concatenate([index[0, :], index[1:, -1], index[-1, -2::-1], index[-2:0:-1, 0]])
    after = np.roll(border, -1)
    n = rows * cols
    sides = np.concatenate([np.stack([border + n, after + n, after], axis=-1), np.stack([border + n, after, border], axis=-1)])
    faces = np.concatenate([lids, lids[:, ::-1] + n, sides]).astype(np.uint64)
    slab = Manifold(Mesh64(np.vstack([above, under]), faces))
    if slab.is_empty():
        raise LoftError(f"the facets do not close ({slab.status()})", "body", "this is a fault of mountgen: report it")
    return slab
