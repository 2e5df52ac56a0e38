"""Points over a mesh's surface, dense where something is near, coarse elsewhere. A leaf.

Triangles are halved at their longest edge until they are small enough; each then stands for its area at its
centroid. A triangle whose centroid is farther away than a band plus the distance of its own corners cannot
reach into the band, and need not be halved again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats

Indices = NDArray[np.integer[Any]]

LEVELS = (
    8.0,
    2.5,
)  # mm, longest edges at which triangles with nothing near are set aside, before the final one
FAR = 4.0  # mm, longest edge of the triangles set aside


@dataclass(frozen=True, eq=False)
class Samples:
    """N points of a surface, each standing for some of its area.

    points : (N, 3) float64, mm.       normals : (N, 3) float64, unit, outwards.
    area   : (N,) float64, mm²; 0 for points on the mesh's vertices and edges.
    face   : (N,) int64, the face the point is on.
    near   : (N,) bool, where the surface was sampled densely.
    """

    points: Floats
    normals: Floats
    area: Floats
    face: Indices
    near: Bools

    def pick(self, which: Bools) -> Samples:
        """Return some of the samples."""
        return Samples(
            self.points[which], self.normals[which], self.area[which], self.face[which], self.near[which]
        )


def sample_surface(
    vertices: Floats, faces: Indices, *, edge: float, is_near: Callable[[Floats, Floats], Bools]
) -> Samples:
    """Sample a mesh: its vertices, its edges, and the centroids of its triangles halved to a longest edge.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        edge: longest edge, mm, of the halved triangles near to something.
        is_near: says of points (N, 3) with radii (N,), mm, whether the ball about each reaches into the band.

    Returns:
        Samples: in spatial order; their areas add up to the mesh's.
    """
    corners: Floats = vertices[faces]
    face: Indices = np.arange(len(faces))
    away: list[tuple[Floats, Indices]] = []
    for level in (*(level for level in LEVELS if level > edge), edge):
        corners, face = _halve(corners, face, level)
        if level > edge:
            middle = corners.mean(axis=1)
            reach = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
            near = is_near(middle, reach)
            away.append((corners[~near], face[~near]))
            corners, face = corners[near], face[near]
    far_corners, far_face = _halve(
        np.concatenate([a for a, _ in away]), np.concatenate([f for _, f in away]), FAR
    )
    corner, corner_face, along, along_face = _sample_edges(vertices, faces, np.unique(face), edge)
    points = np.concatenate([corners.mean(axis=1), far_corners.mean(axis=1), vertices[corner], along])
    owner = np.concatenate([face, far_face, corner_face, along_face])
    area = np.zeros(len(points))
    area[: len(face)], area[len(face) : len(face) + len(far_face)] = _areas(corners), _areas(far_corners)
    near = np.ones(len(points), dtype=np.bool_)
    near[len(face) : len(face) + len(far_face)] = False
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    order = sort_nearby(points)
    return Samples(points[order], normal[owner[order]], area[order], owner[order], near[order])


def sort_nearby(points: Floats) -> Indices:
    """Return an order (N,) of points (N, 3) in which neighbours follow each other: by cubes of 2 mm."""
    if len(points) == 0:
        return np.zeros(0, dtype=np.int32)
    cell = ((points - points.min(axis=0)) / 2.0).astype(np.int64)
    size = cell.max(axis=0) + 1
    return np.argsort((cell[:, 2] * size[1] + cell[:, 1]) * size[0] + cell[:, 0], kind="stable")


def _sample_edges(
    vertices: Floats, faces: Indices, chosen: Indices, edge: float
) -> tuple[Indices, Indices, Floats, Indices]:
    """Return the corners of chosen faces, and points along edges longer than `edge`, each with its face.

    Of two faces that share a corner or an edge the one that comes first in `faces` has it.
    """
    if len(chosen) == 0:
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros((0, 3)), none
    corner, first = np.unique(faces[chosen], return_index=True)
    start = faces[chosen].ravel().astype(np.int64)
    end = np.roll(faces[chosen], -1, axis=1).ravel().astype(np.int64)
    long = np.flatnonzero(np.linalg.norm(vertices[end] - vertices[start], axis=1) > edge)
    key = np.minimum(start, end)[long] * len(vertices) + np.maximum(start, end)[long]
    long = long[np.unique(key, return_index=True)[1]]
    a, b = vertices[start[long]], vertices[end[long]]
    parts = np.ceil(np.linalg.norm(b - a, axis=1) / (0.5 * edge)).astype(np.int64)
    on = np.repeat(np.arange(len(long)), parts - 1)
    place = np.arange(len(on)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1) + 1
    share = (place / parts[on])[:, None]
    return corner, chosen[first // 3], a[on] + share * (b[on] - a[on]), chosen[long[on] // 3]


def _areas(corners: Floats) -> Floats:
    twice = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(twice, axis=1))


def _halve(corners: Floats, face: Indices, longest: float) -> tuple[Floats, Indices]:
    """Halve triangles (N, 3, 3) at their longest edge until no edge is longer than `longest`."""
    done_corners, done_face = [], []
    while len(corners):
        length = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
        k = np.argmax(length, axis=1)
        row = np.arange(len(corners))
        long = length[row, k] > longest
        done_corners.append(corners[~long])
        done_face.append(face[~long])
        row, k = row[long], k[long]
        a, b, c = corners[row, k], corners[row, (k + 1) % 3], corners[row, (k + 2) % 3]
        middle = 0.5 * (a + b)
        corners = np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])
        face = np.concatenate([face[row], face[row]])
    if not done_corners:
        return corners, face
    return np.concatenate(done_corners), np.concatenate(done_face)
