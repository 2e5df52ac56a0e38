"""A triangle surface that tells how far points are from it and on which side, and where it ends. A leaf.

Distances are exact. The side comes from the pseudonormal of the nearest face, edge or vertex. An open sheet
has borders; where the nearest feature is one, the distance holds but no side does, and this is said rather
than guessed.

References:
    J. A. Baerentzen, H. Aanaes (2005), Signed distance computation using the angle weighted pseudonormal,
    IEEE TVCG 11(3):243-253. T. Moeller, B. Trumbore (1997), Fast, minimum storage ray/triangle intersection,
    J. Graphics Tools 2(1):21-28.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from math import acos, sqrt
from typing import Any, Protocol
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, read_only
from mountgen.compiled import compiled
from mountgen.faces import measure_faces
from mountgen.nearest import Tree, build_tree, find_nearest, share_out
from mountgen.rows import dot

SHEET = 0.2  # of a mesh's area; a vector area larger than this is that of an open sheet, which has an outer side
BEHIND = -0.9  # cosine; what is nearest to a face and lies so far against its normal lies behind it, and not beside its edge
UP = np.array([0.0, 0.0, 1.0])  # in the part frame the way out of a recess, else as good as any
ASKEW = np.array([1.1e-3, -0.7e-3, 0.3e-3])  # so that no ray runs along an edge or through a corner
ON_FEATURE = 1e-5  # barycentric; nearer than this to an edge or corner counts as on it
GRAZE = 1e-12  # barycentric; a ray this far beside a triangle still meets it, so that none slips between two
_jit = compiled(fastmath=False)


class Triangles(Protocol):
    """Anything with vertices (V, 3) in mm and faces (F, 3)."""

    @property
    def vertices(self) -> Floats: ...
    @property
    def faces(self) -> Ints: ...


@dataclass(frozen=True, eq=False)
class Signed:
    """Signed distances of N points.

    gap     : (N,) float64, mm; positive on the free side, negative in the material, unsigned where `border`.
    face    : (N,) int32, the nearest face.
    foot    : (N, 3) float64, mm, the nearest point.
    border  : (N,) bool, where the nearest feature is a border of the sheet, so that the side is not known.
    """

    gap: Floats
    face: Ints
    foot: Floats
    border: Bools

    def pick(self, which: Bools) -> Signed:
        """Return the distances of some of the points."""
        rows = np.flatnonzero(which)
        return Signed(*(np.take(getattr(self, each.name), rows, axis=0) for each in fields(self)))

    def join(self, other: Signed) -> Signed:
        """Return the distances of these points and of others."""
        return Signed(*(np.concatenate([getattr(self, each.name), getattr(other, each.name)]) for each in fields(self)))


def lies_behind(points: Floats, normals: Floats, measured: Signed) -> Bools:
    """Return where the surface nearest to points of a body lies behind the body's own face, so that no gap is between the two.

    Args:
        points: (N, 3) mm.  normals: (N, 3) of the body there, outwards.
        measured: of the points.

    Returns:
        (N,) bool; False where a point is in the surface's material, for there the surface lies behind it by nature.
    """
    along = dot(measured.foot - points, normals)
    return np.asarray((measured.gap > 0.0) & (along < BEHIND * measured.gap))


class Surface:
    """A mesh with its search tree, made once and asked many times.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, F >= 1, normals to the free side.
    """

    def __init__(self, vertices: Floats, faces: Ints) -> None:
        self.vertices: Floats = read_only(vertices, np.float64)
        self.faces: Ints = read_only(faces, np.int32)
        vectors, areas = measure_faces(self.vertices, self.faces)
        self.normals: Floats = vectors / np.where(areas > 0.0, areas, 1.0)[:, None]
        area = np.array([vectors[:, k].sum() for k in range(3)])
        open_sheet = np.linalg.norm(area) > SHEET * areas.sum()
        outer = [area / np.linalg.norm(area)] if open_sheet else []
        self._ways_out: tuple[Floats, ...] = tuple(way + ASKEW for way in [UP, *outer])

    @cached_property
    def tree(self) -> Tree:
        """The search tree over all faces."""
        return build_tree(self.vertices, self.faces)

    @cached_property
    def _fans(self) -> tuple[NDArray[np.int64], Ints]:
        """The faces around each vertex: where each vertex's begin, (V + 1,), and the faces, (3 F,)."""
        start, around = _list_fans(self.faces, len(self.vertices))
        return start, around

    def measure(self, points: Floats) -> Signed:
        """Measure the signed distances of points (N, 3), mm; faster where neighbours follow each other."""
        found = find_nearest(self.tree, points, travel=0.0, bound=np.full(len(points), np.inf))
        return self.measure_to(found.face, points)

    def measure_to(self, face: Ints, points: Floats) -> Signed:
        """Measure the signed distances of points (N, 3) to a face each, (N,), which should be about the nearest there is."""
        count = len(points)
        gap, foot = np.empty(count), np.empty((count, 3))
        behind, border = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
        points, asked, fans = read_only(points, np.float64), read_only(face, np.int32), self._fans

        def work(part: slice) -> None:
            _measure(
                points[part], asked[part], self.vertices, self.faces, self.normals, *fans,
                gap[part], foot[part], behind[part], border[part],
            )  # fmt: skip

        share_out(work, count)
        for way in self._ways_out:
            # Noise folds a scan over itself, and a folded face looks any way; where nobody saw a wall, the nearest may be the
            # back of the panel over it. What is buried leaves through a back side, whichever way it goes.
            buried = np.flatnonzero(behind)
            if len(buried):
                far, met = self.cast(points[buried], np.tile(way, (len(buried), 1)))
                behind[buried] = np.isfinite(far) & (self.normals[met] @ way > 0.0)
        return Signed(np.where(behind, -gap, gap), face, foot, border)

    def cast(self, origins: Floats, directions: Floats) -> tuple[Floats, Ints]:
        """Cast rays from origins (N, 3) along directions (N, 3).

        Returns:
            (N,) how far each runs to its first face, in lengths of its direction, inf where it meets none;
            (N,) int32, the face, -1 where there is none.
        """
        far, face = np.full(len(origins), np.inf), np.full(len(origins), -1, dtype=np.int32)
        _cast(self.tree.corners, self.tree.boxes, read_only(origins, np.float64), read_only(directions, np.float64), far, face)
        met = face >= 0
        face[met] = self.tree.faces[face[met]]
        return far, face


_kept: WeakKeyDictionary[Any, Surface] = WeakKeyDictionary()


def surface_of(mesh: Triangles) -> Surface:
    """Return the surface of a mesh that never changes; it is made once and lives as long as the mesh does."""
    if mesh not in _kept:
        _kept[mesh] = Surface(mesh.vertices, mesh.faces)
    return _kept[mesh]


@_jit
def _list_fans(faces, count):  # type: ignore[no-untyped-def]
    start = np.zeros(count + 1, dtype=np.int64)
    for f in range(faces.shape[0]):
        for k in range(3):
            start[faces[f, k] + 1] += 1
    for v in range(count):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    around = np.empty(3 * faces.shape[0], dtype=np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            v = faces[f, k]
            around[fill[v]] = f
            fill[v] += 1
    return start, around


@_jit
def _angle(ux, uy, uz, vx, vy, vz):  # type: ignore[no-untyped-def]
    length = sqrt((ux * ux + uy * uy + uz * uz) * (vx * vx + vy * vy + vz * vz))
    return acos(min(1.0, max(-1.0, (ux * vx + uy * vy + uz * vz) / length))) if length > 0.0 else 0.0


@_jit
def _measure(points, face, vertices, faces, normals, start, around, gap, foot, behind, border):  # type: ignore[no-untyped-def]
    for n in range(points.shape[0]):
        f = face[n]
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1], vertices[b, 2] - vertices[a, 2]
        vx, vy, vz = vertices[c, 0] - vertices[a, 0], vertices[c, 1] - vertices[a, 1], vertices[c, 2] - vertices[a, 2]
        px, py, pz = points[n, 0] - vertices[a, 0], points[n, 1] - vertices[a, 1], points[n, 2] - vertices[a, 2]
        # the foot's weights, by the regions of Ericson (2005), Real-Time Collision Detection, 5.1.5
        d1, d2 = ux * px + uy * py + uz * pz, vx * px + vy * py + vz * pz
        uu, uv, vv = ux * ux + uy * uy + uz * uz, ux * vx + uy * vy + uz * vz, vx * vx + vy * vy + vz * vz
        d3, d4, d5, d6 = d1 - uu, d2 - uv, d1 - uv, d2 - vv
        va, vb, vc = d3 * d6 - d5 * d4, d5 * d2 - d1 * d6, d1 * d4 - d3 * d2
        w1, w2 = 0.0, 0.0
        if d1 <= 0.0 and d2 <= 0.0:
            pass
        elif d3 >= 0.0 and d4 <= d3:
            w1 = 1.0
        elif d6 >= 0.0 and d5 <= d6:
            w2 = 1.0
        elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
            w1 = d1 / (d1 - d3) if d1 > d3 else 0.0
        elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
            w2 = d2 / (d2 - d6) if d2 > d6 else 0.0
        elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
            span = (d4 - d3) + (d5 - d6)
            w2 = (d4 - d3) / span if span > 0.0 else 0.0
            w1 = 1.0 - w2
        else:
            w1, w2 = vb / (va + vb + vc), vc / (va + vb + vc)
        ox, oy, oz = px - w1 * ux - w2 * vx, py - w1 * uy - w2 * vy, pz - w1 * uz - w2 * vz
        gap[n] = sqrt(ox * ox + oy * oy + oz * oz)
        foot[n, 0], foot[n, 1], foot[n, 2] = points[n, 0] - ox, points[n, 1] - oy, points[n, 2] - oz
        w0 = 1.0 - w1 - w2
        off = (w0 < ON_FEATURE) + (w1 < ON_FEATURE) + (w2 < ON_FEATURE)
        nx, ny, nz = 0.0, 0.0, 0.0
        if off == 0:
            nx, ny, nz = normals[f, 0], normals[f, 1], normals[f, 2]
        elif off == 1:  # on the edge across from the one corner without weight
            p, q = (b, c) if w0 < ON_FEATURE else ((c, a) if w1 < ON_FEATURE else (a, b))
            joined = 0
            for i in range(start[p], start[p + 1]):
                g = around[i]
                if faces[g, 0] == q or faces[g, 1] == q or faces[g, 2] == q:
                    joined += 1
                    nx, ny, nz = nx + normals[g, 0], ny + normals[g, 1], nz + normals[g, 2]
            border[n] = joined == 1
        else:
            p = a if w0 >= ON_FEATURE else (b if w1 >= ON_FEATURE else c)
            for i in range(start[p], start[p + 1]):
                g = around[i]
                k = 0 if faces[g, 0] == p else (1 if faces[g, 1] == p else 2)
                q, r = faces[g, (k + 1) % 3], faces[g, (k + 2) % 3]
                turn = _angle(
                    vertices[q, 0] - vertices[p, 0], vertices[q, 1] - vertices[p, 1], vertices[q, 2] - vertices[p, 2],
                    vertices[r, 0] - vertices[p, 0], vertices[r, 1] - vertices[p, 1], vertices[r, 2] - vertices[p, 2],
                )
                nx, ny, nz = nx + turn * normals[g, 0], ny + turn * normals[g, 1], nz + turn * normals[g, 2]
                for s in (q, r):
                    joined = 0
                    for j in range(start[p], start[p + 1]):
                        h = around[j]
                        joined += faces[h, 0] == s or faces[h, 1] == s or faces[h, 2] == s
                    border[n] |= joined == 1
        behind[n] = not border[n] and ox * nx + oy * ny + oz * nz < 0.0


@_jit
def _enter(boxes, node, x, y, z, dx, dy, dz, best):  # type: ignore[no-untyped-def]
    """Return where a ray enters a box, or inf where it misses it or enters no nearer than `best`."""
    first, last = 0.0, best
    for k in range(3):
        o, d = (x, dx) if k == 0 else ((y, dy) if k == 1 else (z, dz))
        low, high = boxes[node, k], boxes[node, 3 + k]
        if d == 0.0:
            if o < low or o > high:
                return np.inf
            continue
        near, far = (low - o) / d, (high - o) / d
        if near > far:
            near, far = far, near
        first, last = max(first, near), min(last, far)
    return first if first <= last + GRAZE * (1.0 + abs(last)) else np.inf


@_jit
def _cast(corners, boxes, origins, directions, far, face):  # type: ignore[no-untyped-def]
    count, leaves = corners.shape[0], (boxes.shape[0] + 1) // 2
    stack, reach = np.empty(64, dtype=np.int64), np.empty(64)
    for n in range(origins.shape[0]):
        x, y, z = origins[n, 0], origins[n, 1], origins[n, 2]
        dx, dy, dz = directions[n, 0], directions[n, 1], directions[n, 2]
        best = np.inf
        stack[0], reach[0], top = 0, _enter(boxes, 0, x, y, z, dx, dy, dz, best), 1
        while top > 0:
            top -= 1
            node = stack[top]
            if reach[top] >= best:
                continue
            if node < leaves - 1:
                left, right = 2 * node + 1, 2 * node + 2
                near, beyond = _enter(boxes, left, x, y, z, dx, dy, dz, best), _enter(boxes, right, x, y, z, dx, dy, dz, best)
                if near > beyond:
                    left, right, near, beyond = right, left, beyond, near
                stack[top], reach[top] = right, beyond
                stack[top + 1], reach[top + 1] = left, near
                top += 2
                continue
            leaf = node - leaves + 1
            for f in range(leaf * count // leaves, (leaf + 1) * count // leaves):
                t = corners[f]
                ux, uy, uz = t[3] - t[0], t[4] - t[1], t[5] - t[2]
                vx, vy, vz = t[6] - t[0], t[7] - t[1], t[8] - t[2]
                hx, hy, hz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
                volume = ux * hx + uy * hy + uz * hz
                if volume == 0.0:
                    continue
                sx, sy, sz = x - t[0], y - t[1], z - t[2]
                w1 = (sx * hx + sy * hy + sz * hz) / volume
                qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
                w2 = (dx * qx + dy * qy + dz * qz) / volume
                if w1 < -GRAZE or w2 < -GRAZE or w1 + w2 > 1.0 + GRAZE:
                    continue
                run = (vx * qx + vy * qy + vz * qz) / volume
                if 0.0 <= run < best:
                    best, face[n] = run, f
        far[n] = best
