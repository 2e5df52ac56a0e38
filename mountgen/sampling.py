"""Points over a mesh's surface, dense where something is near, coarse elsewhere. A leaf.

Triangles are halved at their longest edge until they are small enough; each then stands for its area at its
centroid. A triangle whose centroid is farther away than a band plus the distance of its own corners cannot
reach into the band, and need not be halved again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, radians
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats

Indices = NDArray[np.integer[Any]]

LEVELS = (
    8.0,
    2.5,
)  # mm, longest edges at which triangles with nothing near are set aside, before the final one
SMOOTH = cos(radians(5.0))  # faces that turn less than this stand out by at most 0.01 mm over centroids 0.5 mm apart
LOOKS_DOWN = -0.01  # of the unit normal's z; below this a face looks down
FAR = 4.0  # mm, longest edge of the triangles set aside


@dataclass(frozen=True, eq=False)
class Samples:
    """N points of a surface, each standing for some of its area.

    points : (N, 3) float64, mm.       normals : (N, 3) float64, unit, outwards.
    area   : (N,) float64, mm²; 0 for points on the mesh's vertices and edges.
    face   : (N,) int64, the face the point is on.
    near   : (N,) bool, where the surface was sampled densely.
    leads  : (N,) bool, on, at the corner of, or on an edge of a face that does not look down.
    """

    points: Floats
    normals: Floats
    area: Floats
    face: Indices
    near: Bools
    leads: Bools

    def pick(self, which: Bools) -> Samples:
        """Return some of the samples."""
        return Samples(
            self.points[which], self.normals[which], self.area[which], self.face[which], self.near[which],
            self.leads[which],
        )  # fmt: skip


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
    levels = (*(level for level in LEVELS if level > edge), edge)
    for level, finer in zip(levels, (*levels[1:], 0.0), strict=True):
        corners, face = _halve(corners, face, level)
        if level > edge:
            # what is small enough for the next level is asked about there, if there is one at which it is asked
            near = np.ones(len(corners), dtype=np.bool_)
            ask = np.flatnonzero((_longest(corners) > finer) | (finer <= edge))
            middle = corners[ask].mean(axis=1)
            reach = np.linalg.norm(corners[ask] - middle[:, None], axis=2).max(axis=1)
            near[ask] = is_near(middle, reach)
            away.append((corners[~near], face[~near]))
            corners, face = corners[near], face[near]
    far_corners, far_face = _halve(
        np.concatenate([a for a, _ in away]), np.concatenate([f for _, f in away]), FAR
    )
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    corner, corner_face, along, along_face = _sample_edges(vertices, faces, normal, np.unique(face), edge)
    points = np.concatenate([corners.mean(axis=1), far_corners.mean(axis=1), vertices[corner], along])
    owner = np.concatenate([face, far_face, corner_face, along_face])
    area = np.zeros(len(points))
    area[: len(face)], area[len(face) : len(face) + len(far_face)] = _areas(corners), _areas(far_corners)
    near = np.ones(len(points), dtype=np.bool_)
    near[len(face) : len(face) + len(far_face)] = False
    leads = normal[owner, 2] >= LOOKS_DOWN
    at_leading = np.zeros(len(vertices), dtype=np.bool_)
    at_leading[faces[normal[:, 2] >= LOOKS_DOWN]] = True
    areal = len(face) + len(far_face)
    leads[areal : areal + len(corner)] = at_leading[corner]
    leads[areal + len(corner) :] = True
    order = sort_nearby(points)
    return Samples(points[order], normal[owner[order]], area[order], owner[order], near[order], leads[order])


def sort_nearby(points: Floats) -> Indices:
    """Return an order (N,) of points (N, 3) in which neighbours follow each other: by cubes of 2 mm."""
    if len(points) == 0:
        return np.zeros(0, dtype=np.int32)
    cell = ((points - points.min(axis=0)) / 2.0).astype(np.int64)
    size = cell.max(axis=0) + 1
    return np.argsort((cell[:, 2] * size[1] + cell[:, 1]) * size[0] + cell[:, 0], kind="stable")


def _sample_edges(
    vertices: Floats, faces: Indices, normal: Floats, chosen: Indices, edge: float
) -> tuple[Indices, Indices, Floats, Indices]:
    """Return the corners of chosen faces, and points along sharp edges longer than `edge`, each with its face.

    An edge is sharp where two faces turn away from each other, or that is of one face alone; elsewhere it stands out by no
    more than the corners and the centroids beside it. Of two faces that share a corner or an edge the one that comes first
    in `faces` has it.
    """
    if len(chosen) == 0:
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros((0, 3)), none
    corner, first = np.unique(faces[chosen], return_index=True)
    start = faces[chosen].ravel().astype(np.int64)
    end = np.roll(faces[chosen], -1, axis=1).ravel().astype(np.int64)
    long = np.flatnonzero(np.linalg.norm(vertices[end] - vertices[start], axis=1) > edge)
    key = np.minimum(start, end)[long] * len(vertices) + np.maximum(start, end)[long]
    order = np.argsort(key, kind="stable")
    head = np.ones(len(order), dtype=np.bool_)
    head[1:] = key[order[1:]] != key[order[:-1]]
    first_use, count = order[head], np.diff(np.append(np.flatnonzero(head), len(order)))
    last_use = order[np.append(np.flatnonzero(head)[1:], len(order)) - 1]
    one, other = chosen[long[first_use] // 3], chosen[long[last_use] // 3]
    turn = (normal[one] * normal[other]).sum(axis=1)
    far = vertices[faces[other, (long[last_use] + 2) % 3]] - vertices[start[long[first_use]]]
    smooth = (count == 2) & ((turn > SMOOTH) | ((far * normal[one]).sum(axis=1) >= 0.0))
    long = long[first_use[~smooth]]
    a, b = vertices[start[long]], vertices[end[long]]
    parts = np.ceil(np.linalg.norm(b - a, axis=1) / (0.5 * edge)).astype(np.int64)
    on = np.repeat(np.arange(len(long)), parts - 1)
    place = np.arange(len(on)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1) + 1
    share = (place / parts[on])[:, None]
    return corner, chosen[first // 3], a[on] + share * (b[on] - a[on]), chosen[long[on] // 3]


def _areas(corners: Floats) -> Floats:
    twice = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(twice, axis=1))


def _longest(corners: Floats) -> Floats:
    longest: Floats = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2).max(axis=1)
    return longest


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
