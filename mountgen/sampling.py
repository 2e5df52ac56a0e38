"""Points over a mesh's surface, dense where something is near, coarse elsewhere. A leaf.

Triangles are halved at their longest edge until they are small enough; each then stands for its area at its
centroid. A triangle whose centroid is farther away than a band plus the distance of its own corners cannot
reach into the band, and need not be halved again.

References:
    G. M. Morton (1966), A computer oriented geodetic data base (the curve along which points are put in order).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from math import cos, radians, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, read_only
from mountgen.compiled import compiled
from mountgen.faces import measure_faces
from mountgen.rows import dot, lengths

Indices = NDArray[np.integer[Any]]

LEVELS = (
    8.0,
    2.5,
)  # mm, longest edges at which triangles with nothing near are set aside, before the final one
SMOOTH = cos(radians(5.0))  # faces that turn less than this stand out by at most 0.01 mm over centroids 0.5 mm apart
LOOKS_DOWN = -0.01  # of the unit normal's z; below this a face looks down
FAR = 4.0  # mm, longest edge of the triangles set aside
DEEPEST = 64  # halvings one after the other, at most
CELLS = 1023  # along the longest side of what the space-filling curve fills
MOST = (1 << 32) - 1  # points that can be put in order
_jit = compiled(fastmath=False)


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
        rows = np.flatnonzero(which)
        return Samples(*(np.take(getattr(self, each.name), rows, axis=0) for each in fields(self)))

    def join(self, other: Samples) -> Samples:
        """Return these samples and others."""
        return Samples(*(np.concatenate([getattr(self, each.name), getattr(other, each.name)]) for each in fields(self)))


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
    corners: Floats = np.take(vertices, faces, axis=0)
    face: Indices = np.arange(len(faces))
    away: list[tuple[Floats, Indices]] = []
    levels = (*(level for level in LEVELS if level > edge), edge)
    for level, finer in zip(levels, (*levels[1:], 0.0), strict=True):
        corners, face = _halve(corners, face, level)
        if level > edge:
            # what is small enough for the next level is asked about there, if there is one at which it is asked
            near = np.ones(len(corners), dtype=np.bool_)
            middle, reach, _, longest = _measure_pieces(corners)
            ask = np.flatnonzero((longest > finer) | (finer <= edge))
            near[ask] = is_near(middle[ask], reach[ask])
            away.append((corners[~near], face[~near]))
            corners, face = corners[near], face[near]
    far_corners, far_face = _halve(
        np.concatenate([a for a, _ in away]), np.concatenate([f for _, f in away]), FAR
    )
    vectors, areas = measure_faces(vertices, faces)
    normal = vectors / np.maximum(areas, 1e-300)[:, None]
    corner, corner_face, along, along_face = _sample_edges(vertices, faces, normal, np.flatnonzero(np.bincount(face)), edge)
    middle, _, near_area, _ = _measure_pieces(corners)
    far_middle, _, far_area, _ = _measure_pieces(far_corners)
    points = np.concatenate([middle, far_middle, vertices[corner], along])
    owner = np.concatenate([face, far_face, corner_face, along_face])
    area = np.concatenate([near_area, far_area, np.zeros(len(corner) + len(along))])
    near = np.ones(len(points), dtype=np.bool_)
    near[len(face) : len(face) + len(far_face)] = False
    leads = normal[owner, 2] >= LOOKS_DOWN
    at_leading = np.zeros(len(vertices), dtype=np.bool_)
    at_leading[faces[normal[:, 2] >= LOOKS_DOWN]] = True
    areal = len(face) + len(far_face)
    leads[areal : areal + len(corner)] = at_leading[corner]
    leads[areal + len(corner) :] = True
    order = sort_nearby(points)
    owner = owner[order]
    points, normal = np.take(points, order, axis=0), np.take(normal, owner, axis=0)
    return Samples(points, normal, area[order], owner, near[order], leads[order])


def sort_nearby(points: Floats) -> Indices:
    """Return an order (N,) of points (N, 3) in which neighbours follow each other: that along a space-filling curve."""
    numbered: NDArray[np.int64] = _number_along(read_only(points, np.float64))
    numbered.sort()  # several times as quick as an order is found
    return numbered & MOST


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
    start = faces[chosen].ravel().astype(np.int64)
    first = np.full(len(vertices), -1, dtype=np.int64)
    first[start[::-1]] = np.arange(len(start) - 1, -1, -1)  # of several uses of a corner the last that is written is the first
    corner = np.flatnonzero(first >= 0)
    first = first[corner]
    end = np.roll(faces[chosen], -1, axis=1).ravel().astype(np.int64)
    long = np.flatnonzero(lengths(np.take(vertices, end, axis=0) - np.take(vertices, start, axis=0)) > edge)
    if not len(long):
        return corner, chosen[first // 3], np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    key = np.minimum(start, end)[long] * len(vertices) + np.maximum(start, end)[long]
    order = np.argsort(key, kind="stable")
    head = np.ones(len(order), dtype=np.bool_)
    head[1:] = key[order[1:]] != key[order[:-1]]
    first_use, count = order[head], np.diff(np.append(np.flatnonzero(head), len(order)))
    last_use = order[np.append(np.flatnonzero(head)[1:], len(order)) - 1]
    one, other = chosen[long[first_use] // 3], chosen[long[last_use] // 3]
    turn = dot(normal[one], normal[other])
    far = vertices[faces[other, (long[last_use] + 2) % 3]] - vertices[start[long[first_use]]]
    smooth = (count == 2) & ((turn > SMOOTH) | (dot(far, normal[one]) >= 0.0))
    long = long[first_use[~smooth]]
    a, b = vertices[start[long]], vertices[end[long]]
    parts = np.ceil(lengths(b - a) / (0.5 * edge)).astype(np.int64)
    on = np.repeat(np.arange(len(long)), parts - 1)
    place = np.arange(len(on)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1) + 1
    share = (place / parts[on])[:, None]
    return corner, chosen[first // 3], a[on] + share * (b[on] - a[on]), chosen[long[on] // 3]


def _halve(corners: Floats, face: Indices, longest: float) -> tuple[Floats, Indices]:
    """Halve triangles (N, 3, 3) at their longest edge until no edge is longer than `longest`."""
    if not len(corners):
        return corners, face
    counts = _count_pieces(corners, longest)
    pieces = np.empty((int(counts.sum()), 3, 3))
    _cut_pieces(corners, longest, pieces)
    return pieces, np.repeat(face, counts)


@_jit
def _number_along(points):  # type: ignore[no-untyped-def]
    """Return how far along the curve points (N, 3) lie, N int64; what is equally far is told apart by its own number, below."""
    count = points.shape[0]
    low, high = np.full(3, np.inf), np.full(3, -np.inf)
    for i in range(count):
        for k in range(3):
            low[k], high[k] = min(low[k], points[i, k]), max(high[k], points[i, k])
    side = max(high[0] - low[0], high[1] - low[1], high[2] - low[2])
    scale = CELLS / max(side, 1e-9)
    numbered = np.empty(count, dtype=np.int64)
    for i in range(count):
        code = np.int64(0)
        for k in range(3):
            value = np.int64((points[i, k] - low[k]) * scale)
            value = (value | value << 16) & 0x30000FF
            value = (value | value << 8) & 0x300F00F
            value = (value | value << 4) & 0x30C30C3
            value = (value | value << 2) & 0x9249249
            code |= value << k
        numbered[i] = code << 32 | i
    return numbered


@_jit
def _find_longest(t):  # type: ignore[no-untyped-def]
    """Return the square of a triangle's longest edge, and which edge that is."""
    best, edge = -1.0, 0
    for k in range(3):
        m = (k + 1) % 3
        square = (t[m, 0] - t[k, 0]) ** 2 + (t[m, 1] - t[k, 1]) ** 2 + (t[m, 2] - t[k, 2]) ** 2
        if square > best:
            best, edge = square, k
    return best, edge


@_jit
def _split(stack, top, k):  # type: ignore[no-untyped-def]
    """Replace the triangle on top of a stack by its two halves, cut across edge k."""
    for c in range(3):
        a, b, far = stack[top, k, c], stack[top, (k + 1) % 3, c], stack[top, (k + 2) % 3, c]
        middle = 0.5 * (a + b)
        stack[top, 0, c], stack[top, 1, c], stack[top, 2, c] = a, middle, far
        stack[top + 1, 0, c], stack[top + 1, 1, c], stack[top + 1, 2, c] = middle, b, far


@_jit
def _count_pieces(corners, longest):  # type: ignore[no-untyped-def]
    counts = np.zeros(corners.shape[0], dtype=np.int64)
    stack = np.empty((DEEPEST, 3, 3))
    for n in range(corners.shape[0]):
        stack[0] = corners[n]
        top = 0
        while top >= 0:
            square, k = _find_longest(stack[top])
            if square > longest * longest and top + 1 < DEEPEST:
                _split(stack, top, k)
                top += 1
            else:
                counts[n] += 1
                top -= 1
    return counts


@_jit
def _cut_pieces(corners, longest, pieces):  # type: ignore[no-untyped-def]
    stack = np.empty((DEEPEST, 3, 3))
    at = 0
    for n in range(corners.shape[0]):
        stack[0] = corners[n]
        top = 0
        while top >= 0:
            square, k = _find_longest(stack[top])
            if square > longest * longest and top + 1 < DEEPEST:
                _split(stack, top, k)
                top += 1
            else:
                pieces[at] = stack[top]
                at += 1
                top -= 1


@_jit
def _measure_pieces(corners):  # type: ignore[no-untyped-def]
    """Return of triangles (N, 3, 3) the middle, how far its corners are from it, the area and the longest edge."""
    count = corners.shape[0]
    middle, reach, area, longest = np.empty((count, 3)), np.empty(count), np.empty(count), np.empty(count)
    for n in range(count):
        t = corners[n]
        for c in range(3):
            middle[n, c] = (t[0, c] + t[1, c] + t[2, c]) / 3.0
        far = 0.0
        for k in range(3):
            far = max(far, (t[k, 0] - middle[n, 0]) ** 2 + (t[k, 1] - middle[n, 1]) ** 2 + (t[k, 2] - middle[n, 2]) ** 2)
        ux, uy, uz = t[1, 0] - t[0, 0], t[1, 1] - t[0, 1], t[1, 2] - t[0, 2]
        vx, vy, vz = t[2, 0] - t[0, 0], t[2, 1] - t[0, 1], t[2, 2] - t[0, 2]
        reach[n] = sqrt(far)
        area[n] = 0.5 * sqrt((uy * vz - uz * vy) ** 2 + (uz * vx - ux * vz) ** 2 + (ux * vy - uy * vx) ** 2)
        longest[n] = sqrt(_find_longest(t)[0])
    return middle, reach, area, longest
