"""A part that is too large for the printer's bed: where it is parted, and the pieces with their joint.

A cut is square to one of the part frame's axes. Tried are planes between the ends of the part, those that leave two pieces
that fit first, then those that leave one, as large as may be; a plane is taken only where a joint finds room, clear of
retaining tabs and tape pads. What is still too large is parted again. Every piece is checked: one body, that lacks or gains
just its share of the joint.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.features.part import SoftZone
from mountgen.kernel import Mesh
from mountgen.sampling import Indices
from mountgen.service.joint import Joint, JointKind, join_halves
from mountgen.service.plate import lay_down

MOST_PIECES = 8
STATIONS = 25  # planes that are tried along an axis
ENDS = 0.12  # share of the length at each end in which no plane is tried
TRIES = 10  # planes on which a joint is tried, at most, each time something is parted
CLEAR = 3.0  # mm that a plane keeps from tabs and pads


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece. mesh: closed, part frame; origin: (F,) the whole part's face that each face is of, -1 for those of a cut."""

    mesh: Mesh
    origin: Indices

    def __post_init__(self) -> None:
        freeze(self, "origin", "int64")


@dataclass(frozen=True, eq=False)
class Split:
    """A part in pieces. joints: one a cut, in the order made."""

    pieces: tuple[Piece, ...]
    joints: tuple[Joint, ...]


def split_part(
    mesh: Mesh, *, bed: Sequence[float], kind: JointKind, gap: float, wall: float, zones: Sequence[SoftZone] = ()
) -> Split | None:
    """Part a mesh so that every piece fits on the bed.

    Args:
        mesh: closed, part frame, mm.
        bed: (3,) room of the printer, mm.
        kind: of the joint.
        gap: all around a pin or tail, mm.
        wall: least wall that is left around a hole or socket, mm.
        zones: where neither plane nor joint may be: retaining tabs, tape pads.

    Returns:
        Split; None where no plane gives pieces that fit and has room for the joint.

    Raises:
        Nothing.
    """
    waiting, done, joints = [_load(mesh)], [], []
    while waiting:
        solid = waiting.pop()
        if fits_bed(_points(solid), bed):
            done.append(solid)
            continue
        if len(waiting) + len(done) + 2 > MOST_PIECES:
            return None
        found = _part_once(solid, bed=bed, kind=kind, gap=gap, wall=wall, zones=zones)
        if found is None:
            return None
        halves, joint = found
        waiting += halves
        joints.append(joint)
    pieces = sorted((_unload(solid) for solid in done), key=lambda each: tuple(np.round(_middle(each.mesh), 3)))
    return Split(tuple(pieces), tuple(joints))


def fits_bed(points: Floats, bed: Sequence[float]) -> bool:
    """Return whether points (N, 3) fit on the bed along one of the frame's axes, turned about it as need be."""
    return any(lay_down(points, up, bed=bed).spare >= 0.0 for up in np.eye(3))


def _part_once(
    solid: Any, *, bed: Sequence[float], kind: JointKind, gap: float, wall: float, zones: Sequence[SoftZone]
) -> tuple[list[Any], Joint] | None:
    """Part a solid in two along the best plane that has room for the joint; better where both pieces fit with a tail on."""
    points, first = _points(solid), None
    for axis, at in _list_planes(points, bed, zones)[:TRIES]:
        made = join_halves(solid, axis=axis, at=at, kind=kind, gap=gap, wall=wall, zones=zones)
        if made is None:
            continue
        found = [made.low, made.high], made.joint
        if all(fits_bed(_points(half), bed) for half in found[0]):
            return found
        first = first or found
    return first


def _list_planes(points: Floats, bed: Sequence[float], zones: Sequence[SoftZone]) -> list[tuple[int, float]]:
    """Return planes (axis, place), the best first: two pieces that fit, then one; across long axes; halves alike."""
    low, high = points.min(axis=0), points.max(axis=0)
    ranked = []
    for axis in range(3):
        length = high[axis] - low[axis]
        for share in np.linspace(ENDS, 1.0 - ENDS, STATIONS):
            at = float(low[axis] + share * length)
            if any(zone.low[axis] - CLEAR < at < zone.high[axis] + CLEAR for zone in zones):
                continue
            sides = [points[points[:, axis] <= at], points[points[:, axis] >= at]]
            # a piece is at most the box of its corners, carried on to the plane
            boxes = [_box(side, axis, at) for side in sides if len(side)]
            fits = [fits_bed(box, bed) for box in boxes]
            count = sum(fits)
            away = abs(share - 0.5) if count != 1 else 1.0 - (share if fits[0] else 1.0 - share)
            ranked.append((-count, round(-float(length), 3), round(away, 6), axis, at))
    return [(axis, at) for *_, axis, at in sorted(ranked)]


def _box(side: Floats, axis: int, at: float) -> Floats:
    """Return the corners (8, 3) of the box around points, reaching to the plane."""
    low, high = side.min(axis=0), side.max(axis=0)
    low[axis], high[axis] = min(low[axis], at), max(high[axis], at)
    return np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])


def _load(mesh: Mesh) -> Any:
    import manifold3d

    return manifold3d.Manifold(
        manifold3d.Mesh64(
            np.array(mesh.vertices, dtype=np.float64), np.array(mesh.faces, dtype=np.uint64),
            face_id=np.arange(len(mesh.faces), dtype=np.uint64),
        )
    )  # fmt: skip


def _points(solid: Any) -> Floats:
    return np.asarray(solid.hull().to_mesh64().vert_properties)[:, :3]


def _unload(solid: Any) -> Piece:
    """Return a solid as a mesh, with the faces of the whole part that its faces came from: the first run is the part's."""
    found = solid.to_mesh64()
    runs, starts = np.asarray(found.run_original_id), np.asarray(found.run_index) // 3
    origin = np.full(len(found.tri_verts), -1, dtype=np.int64)
    first = int(np.argmin(runs)) if len(runs) else 0
    own = slice(int(starts[first]), int(starts[first + 1])) if len(runs) else slice(0, 0)
    origin[own] = np.asarray(found.face_id, dtype=np.int64)[own]
    mesh = Mesh(np.asarray(found.vert_properties)[:, :3], np.asarray(found.tri_verts).astype(np.int32))
    return Piece(mesh, origin)


def _middle(mesh: Mesh) -> Floats:
    return np.asarray(0.5 * (mesh.vertices.min(axis=0) + mesh.vertices.max(axis=0)))
