"""How a part lies on the printer's plate: turned so that layers grow upwards, turned about the vertical, dropped to z = 0."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.rows import extent

TURNS = np.arange(0.0, 180.0, 1.0)  # degrees about the vertical at which a part that does not fit straight is tried
NEARLY = 1.01  # times the smallest rectangle; a part that lies along the part frame's axes is easier to find one's way on


@dataclass(frozen=True, eq=False)
class Pose:
    """A part on the plate.

    part_to_plate : (4, 4) float64, rigid, mm: part frame to the plate, whose front left corner is the origin, z = 0 its surface.
    size  : (3,) of the part along the plate's axes, mm.
    spare : what is left of the bed in the direction in which least is left, mm; negative where the part does not fit.
    """

    part_to_plate: Floats
    size: tuple[float, float, float]
    spare: float

    def __post_init__(self) -> None:
        freeze(self, "part_to_plate", "float64")


def lay_down(points: Floats, up: Floats, *, bed: Sequence[float]) -> Pose:
    """Lay a part down with `up` upwards, in the middle of the bed.

    It is turned so that the rectangle around it is small and its long side along the bed's; where that does not fit, aslant
    if it fits so.

    Args:
        points: (N, 3) float64, mm; corners of the part or of its convex hull.
        up: (3,) unit, in the frame of the points.
        bed: (3,) room of the printer, mm.

    Returns:
        Pose.

    Raises:
        ValueError: bed has not three sizes.
    """
    if len(bed) != 3:
        raise ValueError(f"bed has three sizes, got {len(bed)}")
    right = _choose_right(up)
    ahead = np.cross(up, right)
    flat = _outline(np.column_stack([points @ right, points @ ahead]))
    edge = np.roll(flat, -1, axis=0) - flat
    # the smallest rectangle has an edge of the outline's hull along one of its sides
    turns = np.concatenate([[0.0], -np.degrees(np.arctan2(edge[:, 1], edge[:, 0])) % 180.0])
    sizes = _sizes(flat, turns)
    area = sizes.prod(axis=1)
    least = int(np.argmin(area))
    turn = 0.0 if area[0] <= NEARLY * area[least] else float(turns[least])
    size = _sizes(flat, np.array([turn]))[0]
    if (size[0] < size[1]) != (bed[0] < bed[1]):
        turn, size = turn + 90.0, size[::-1]
    if size[0] > bed[0] or size[1] > bed[1]:
        both = np.concatenate([TURNS, turns, turns + 90.0])
        room = (np.array(bed[:2]) - _sizes(flat, both)).min(axis=1)
        best = int(np.argmax(room))
        if room[best] >= 0.0:
            turn, size = float(both[best]), _sizes(flat, both[best : best + 1])[0]
    c, s = cos(radians(turn)), sin(radians(turn))
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([c * right - s * ahead, s * right + c * ahead, up])
    turned = points @ matrix[:3, :3].T
    low, high = extent(turned)
    matrix[:2, 3] = 0.5 * np.array(bed[:2]) - 0.5 * (low + high)[:2]
    matrix[2, 3] = -low[2]
    sides = (float(size[0]), float(size[1]), float(high[2] - low[2]))
    return Pose(matrix, sides, min(room - side for room, side in zip(bed, sides, strict=True)))


def move_points(points: Floats, matrix: Floats) -> Floats:
    """Return points (N, 3) moved by a (4, 4) matrix."""
    return np.asarray(points @ matrix[:3, :3].T + matrix[:3, 3], dtype=np.float64)


def _choose_right(up: Floats) -> Floats:
    """Return the direction that becomes the plate's x: the part's +x, or its +y where x points up or down."""
    axis = np.eye(3)[1 if abs(up[0]) > 0.9 else 0]
    right = axis - (axis @ up) * up
    return np.asarray(right / np.linalg.norm(right))


def _outline(flat: Floats) -> Floats:
    """Return the corners (K, 2) of the convex hull of points (N, 2)."""
    import manifold3d

    return np.asarray(manifold3d.CrossSection.hull_points(flat).to_polygons()[0], dtype=np.float64)


def _sizes(flat: Floats, turns: Floats) -> Floats:
    """Return width and length (N, 2), mm, of points (K, 2) turned by each of N angles, degrees."""
    c, s = np.cos(np.radians(turns)), np.sin(np.radians(turns))
    x, y = flat[:, :1] * c - flat[:, 1:] * s, flat[:, :1] * s + flat[:, 1:] * c
    return np.stack([np.ptp(x, axis=0), np.ptp(y, axis=0)], axis=1)
