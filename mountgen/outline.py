"""Plane cuts through meshes as lines in the cut's own plane: what the report page, the section sheets and the fit gauge share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.kernel import Mesh
from mountgen.scene import Plane, cut_lines

FACES_UP = 0.7  # of the vehicle's up along the draw direction: a mouth that faces the sky is drawn upwards
TIDY = 0.004  # mm by which a drawn line may leave what was cut


@dataclass(frozen=True, eq=False)
class Facing:
    """How a cut lies on paper. right, up: (3,) unit, part frame; viewer: where one stands to see it so."""

    right: Floats
    up: Floats
    viewer: str

    def __post_init__(self) -> None:
        freeze(self, "right", "float64")
        freeze(self, "up", "float64")


def face_plane(axis: int, up: Floats) -> Facing:
    """Return how a cut square to the part's axis 0, 1 or 2 lies on paper.

    Args:
        axis: 0: from 12 to 6 o'clock, 1: from 9 to 3, 2: across the draw direction.
        up: (3,) the vehicle's up, part frame: with a mouth that faces the sky upright cuts have it above, else at the left.
    """
    x, y, z = np.eye(3)
    sky = bool(up[2] > FACES_UP)
    if axis == 2:
        return Facing(x, y, "the mouth")
    if axis == 0:
        return Facing(y if sky else -z, z if sky else y, "3 o'clock")
    return Facing(x, z, "6 o'clock") if sky else Facing(x, -z, "12 o'clock, the mouth below")


def cut_flat(mesh: Mesh, axis: int, at: float, facing: Facing) -> Floats:
    """Return where the plane with coordinate `at`, mm, along an axis cuts a mesh: straight pieces (N, 2, 2), mm on paper."""
    point, normal = np.zeros(3), np.zeros(3)
    point[axis], normal[axis] = at, 1.0
    pieces = cut_lines(mesh.vertices, mesh.faces, Plane(point, normal))
    return np.asarray(pieces @ np.array([facing.right, facing.up]).T)


def chain_pieces(pieces: Floats, *, tidy: float = TIDY) -> tuple[Floats, ...]:
    """Join straight pieces (N, 2, 2) end to end to polylines; points less than `tidy` mm off a straight line are left out."""
    import shapely

    pieces = np.round(pieces, 5)
    pieces = pieces[(pieces[:, 0] != pieces[:, 1]).any(axis=1)]
    if not len(pieces):
        return ()
    merged = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(pieces)))
    lines = shapely.simplify(shapely.get_parts(merged), tidy)
    return tuple(shapely.get_coordinates(line) for line in lines)


def fill_rings(rings: Sequence[Floats]) -> Any:
    """Return what lies inside an odd number of closed lines (K, 2), as a polygon of shapely or several."""
    import shapely

    lines = shapely.multilinestrings([shapely.linestrings(np.vstack([ring, ring[:1]])) for ring in rings])
    return shapely.build_area(shapely.node(lines))
