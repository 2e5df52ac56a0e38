"""Where straight lines run through a closed mesh: what sizes are read off from. A leaf."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Floats
from mountgen.kernel import Mesh

PARALLEL = 1e-12  # of a triangle's area, as the line sees it; one that is met edge on is met by its neighbours
TWICE = 1e-6  # mm; crossings nearer to each other are one, met through an edge of two triangles
ASKEW = np.array([3.1e-5, -2.3e-5, 1.7e-5])  # mm, so that no line runs along an edge


@dataclass(frozen=True, eq=False)
class Span:
    """A piece of a line between two crossings.

    start, end: (3,) mm.  solid: whether it runs through the material.
    askew: sine of the greater of the angles by which the line leaves the normals of the surface at both ends.
    """

    start: Floats
    end: Floats
    solid: bool
    askew: float

    @property
    def length(self) -> float:
        """Its length, mm."""
        return float(np.linalg.norm(self.end - self.start))


def probe_line(mesh: Mesh, origin: Floats, direction: Floats) -> tuple[Span, ...]:
    """Return the pieces of a line from where it enters a mesh first to where it leaves it last.

    Args:
        mesh: closed, mm.
        origin: (3,) mm, any point of the line.
        direction: (3,) any length but 0.

    Returns:
        Spans in the line's direction, the first and the last solid, in between in turn; none where the line misses the mesh, or
        meets it in a way that says nothing (along a face).

    References:
        T. Moeller, B. Trumbore (1997), Fast, minimum storage ray/triangle intersection, J. Graphics Tools 2(1):21-28.
    """
    along = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    start = np.asarray(origin, dtype=np.float64) + ASKEW
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    first, second = b - a, c - a
    normal = np.cross(along, second)
    facing = (first * normal).sum(axis=1)
    met = np.abs(facing) > PARALLEL
    inverse = np.where(met, 1.0 / np.where(met, facing, 1.0), 0.0)
    away = start - a
    u = (away * normal).sum(axis=1) * inverse
    turned = np.cross(away, first)
    v = (turned @ along) * inverse
    hit = met & (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0)
    far = (turned * second).sum(axis=1)[hit] * inverse[hit]
    if len(far) == 0:
        return ()
    order = np.argsort(far)
    faced = np.cross(first[hit], second[hit])[order]
    cosine = np.abs(faced @ along) / np.linalg.norm(faced, axis=1)
    far = far[order]
    once = np.concatenate([[True], np.diff(far) > TWICE])
    points, askew = start + far[once, None] * along, np.sqrt(np.clip(1.0 - cosine[once] ** 2, 0.0, 1.0))
    if len(points) % 2:
        return ()
    return tuple(
        Span(points[k], points[k + 1], k % 2 == 0, float(max(askew[k], askew[k + 1]))) for k in range(len(points) - 1)
    )
