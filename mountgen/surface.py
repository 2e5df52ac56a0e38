"""A triangle surface that tells how far points are from it and on which side, and where it ends. A leaf.

Distances are exact (libigl). The side comes from the pseudonormal of the nearest face, edge or vertex. An
open sheet has borders; where the nearest feature is one, the distance holds but no side does, and this is
said rather than guessed.

References:
    J. A. Baerentzen, H. Aanaes (2005), Signed distance computation using the angle weighted pseudonormal,
    IEEE TVCG 11(3):243-253.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.topology import measure_faces

SHEET = 0.2  # of a mesh's area; a vector area larger than this is that of an open sheet, which has an outer side
ANY_WAY = np.array([0.0, 0.0, 1.0])
ASKEW = np.array([1.1e-3, -0.7e-3, 0.3e-3])  # so that no ray runs along an edge or through a corner
ON_FEATURE = 1e-5  # barycentric; nearer than this to an edge or corner counts as on it


@dataclass(frozen=True, eq=False)
class Signed:
    """Signed distances of N points.

    gap     : (N,) float64, mm; positive on the free side, negative in the material, unsigned where `border`.
    face    : (N,) int64, the nearest face.
    foot    : (N, 3) float64, mm, the nearest point.
    border  : (N,) bool, where the nearest feature is a border of the sheet, so that the side is not known.
    """

    gap: Floats
    face: NDArray[np.int64]
    foot: Floats
    border: Bools


class Surface:
    """A mesh with its search tree and pseudonormals, made once and asked many times.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, F >= 1, normals to the free side.
    """

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        import igl

        self.vertices = np.ascontiguousarray(vertices, dtype=np.float64)
        self.faces = np.ascontiguousarray(faces, dtype=np.int64)
        vectors, areas = measure_faces(self.vertices, self.faces)
        self.normals: Floats = vectors / np.where(areas > 0.0, areas, 1.0)[:, None]
        self._tree: Any = igl.AABB()
        self._tree.init(self.vertices, self.faces)
        self._join_edges()
        self._corner_normals: Floats = igl.per_vertex_normals(
            self.vertices, self.faces, igl.PER_VERTEX_NORMALS_WEIGHTING_TYPE_ANGLE
        )

        area = vectors.sum(axis=0)
        open_sheet = np.linalg.norm(area) > SHEET * areas.sum()
        self._way_out: Floats = (area / np.linalg.norm(area) if open_sheet else ANY_WAY) + ASKEW

    def _join_edges(self) -> None:
        count = len(self.faces)
        start, end = (
            self.faces.ravel(),
            np.roll(self.faces, -1, axis=1).ravel(),
        )  # edge 3f + k runs from corner k to k + 1
        key = np.minimum(start, end) * len(self.vertices) + np.maximum(start, end)
        order = np.argsort(key)
        first = np.flatnonzero(np.concatenate([[True], np.diff(key[order]) != 0]))
        group = np.empty(3 * count, dtype=np.int64)
        group[order] = np.repeat(np.arange(len(first)), np.diff(np.append(first, 3 * count)))
        self._edge: NDArray[np.int64] = group.reshape(count, 3)
        self._edge_normals: Floats = np.add.reduceat(self.normals[order // 3], first, axis=0)
        self._edge_border: Bools = np.diff(np.append(first, 3 * count)) == 1
        self._corner_border: Bools = np.zeros(len(self.vertices), dtype=np.bool_)
        single = order[first[self._edge_border]]
        self._corner_border[start[single]] = True
        self._corner_border[end[single]] = True

    def measure(self, points: Floats) -> Signed:
        """Measure the signed distances of points (N, 3), mm; faster where neighbours follow each other."""
        if len(points) == 0:
            none = np.zeros(0)
            return Signed(none, np.zeros(0, dtype=np.int64), np.zeros((0, 3)), np.zeros(0, dtype=np.bool_))
        square, face, foot = self._tree.squared_distance(
            self.vertices, self.faces, np.ascontiguousarray(points)
        )
        face = np.atleast_1d(face)
        foot = np.reshape(foot, (-1, 3))
        a, b, c = (self.vertices[self.faces[face, k]] for k in range(3))
        u, v, w = b - a, c - a, foot - a
        uu, uv, vv = (u * u).sum(1), (u * v).sum(1), (v * v).sum(1)
        wu, wv = (w * u).sum(1), (w * v).sum(1)
        area = np.maximum(uu * vv - uv * uv, 1e-300)
        weight_b, weight_c = (vv * wu - uv * wv) / area, (uu * wv - uv * wu) / area
        off = np.column_stack([1.0 - weight_b - weight_c, weight_b, weight_c]) < ON_FEATURE
        normal = self.normals[face].copy()
        border = np.zeros(len(face), dtype=np.bool_)
        on = off.sum(axis=1)
        on_edge = np.flatnonzero(on == 1)
        # the edge across from the one corner without weight
        edge = self._edge[face[on_edge], (np.argmax(off[on_edge], axis=1) + 1) % 3]
        normal[on_edge], border[on_edge] = self._edge_normals[edge], self._edge_border[edge]
        on_corner = np.flatnonzero(on >= 2)
        corner = self.faces[face[on_corner], np.argmin(off[on_corner], axis=1)]
        normal[on_corner], border[on_corner] = self._corner_normals[corner], self._corner_border[corner]
        gap = np.sqrt(np.atleast_1d(square))
        behind = ((points - foot) * normal).sum(axis=1) < 0.0
        behind &= ~border
        if behind.any():
            # noise folds a scan over itself, and a folded face looks any way: what is buried leaves through a back side
            buried = np.flatnonzero(behind)
            away = np.broadcast_to(self._way_out, (len(buried), 3))
            far, met = self.cast(points[buried], away)
            behind[buried] = np.isfinite(far) & (self.normals[met] @ self._way_out > 0.0)
        return Signed(np.where(behind, -gap, gap), face, foot, border)

    def cast(self, origins: Floats, directions: Floats) -> tuple[Floats, NDArray[np.int64]]:
        """Cast rays from origins (N, 3) along directions (N, 3).

        Returns:
            (N,) how far each runs to its first face, in lengths of its direction, inf where it meets none;
            (N,) int64, the face.
        """
        if len(origins) == 0:
            return np.zeros(0), np.zeros(0, dtype=np.int64)
        face, far, _ = self._tree.intersect_ray_first(
            self.vertices, self.faces, np.ascontiguousarray(origins), np.ascontiguousarray(directions)
        )
        face = np.atleast_1d(np.asarray(face, dtype=np.int64))
        return np.where(face >= 0, np.atleast_1d(far), np.inf), face


def cast_rays(vertices: Floats, faces: Ints, origins: Floats, directions: Floats) -> Floats:
    """Return how far (N,) rays run to a mesh's first face, for a mesh that is asked only once."""
    import igl

    vertices, faces = (
        np.ascontiguousarray(vertices, dtype=np.float64),
        np.ascontiguousarray(faces, dtype=np.int64),
    )
    tree = igl.AABB()
    tree.init(vertices, faces)
    face, far, _ = tree.intersect_ray_first(
        vertices, faces, np.ascontiguousarray(origins), np.ascontiguousarray(directions)
    )
    return np.where(np.atleast_1d(face) >= 0, np.atleast_1d(far), np.inf)
