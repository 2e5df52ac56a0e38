"""Nearest triangle to many vertical paths: a bounding box tree with compiled queries. A leaf.

A point that moves along z sweeps a vertical segment, and the distance of a segment from an axis-parallel box
or from a triangle has a closed form. So one query gives the least distance over the whole movement exactly:
nothing can slip between two steps, because there are no steps. A path of length 0 is a point at rest.

The tree is complete and implicit (children of node i at 2i + 1 and 2i + 2). Every node halves its triangles at the median
along the longest side of their middles' box: a query then looks into half as many boxes as over triangles in the order of
a space-filling curve, for twice the time to build.

References:
    G. M. Morton (1966), A computer oriented geodetic data base (the curve). C. Ericson (2005), Real-Time
    Collision Detection, 5.1.5 and 5.1.9 (closest points). C. A. R. Hoare (1961), Algorithm 65: find, Comm. ACM 4:321 (medians).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, read_only
from mountgen.compiled import compiled
from mountgen.threads import THREADS, share_parts

LEAF = 2  # triangles a leaf at most; with four a query takes a sixth longer
FEW = 5_000  # points; fewer are done sooner than threads are started
_jit = compiled(fastmath=False, error_model="numpy")  # no division here is by zero


@dataclass(frozen=True, eq=False)
class Tree:
    """Triangles in the order of the tree's leaves, with the boxes over them.

    corners : (F, 9) float64, mm.     faces : (F,) int32, the faces' own numbers.
    boxes   : (2 L - 1, 6) float64, low and high corner of each node, mm; L leaves, a power of two.
    margin  : (F,) float64, mm, taken off the distance to each triangle, so that the nearest is the one with the least
              distance less margin; widest: its greatest value.
    """

    corners: Floats
    faces: Ints
    boxes: Floats
    margin: Floats
    widest: float

    def with_margin(self, margin: Floats) -> Tree:
        """Return the tree with margins (F,), mm, by the faces' own numbers."""
        return replace(self, margin=np.ascontiguousarray(margin[self.faces], dtype=np.float64), widest=float(margin.max()))


@dataclass(frozen=True, eq=False)
class Nearest:
    """What is nearest to each of N paths, within the bound asked for.

    distance : (N,) float64, mm; inf where nothing is within the bound.
    face     : (N,) int32; -1 where nothing is.
    travel   : (N,) float64, mm travelled when it is nearest.
    """

    distance: Floats
    face: Ints
    travel: Floats


def build_tree(vertices: Floats, faces: Ints) -> Tree:
    """Return a tree over a mesh's triangles, without margins.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32; F >= 1.
    """
    leaves = 1
    while leaves * LEAF < len(faces):
        leaves *= 2
    corners, order, boxes = _make_tree(read_only(vertices, np.float64), read_only(faces, np.int32), leaves)
    return Tree(corners=corners, faces=order, boxes=boxes, margin=np.zeros(len(faces)), widest=0.0)


def find_nearest(tree: Tree, points: Floats, *, travel: float, bound: Floats) -> Nearest:
    """Find what is nearest to points that travel along +z.

    Args:
        tree: of the mesh that stands still.
        points: (N, 3) float64, mm, where they start. Neighbours in space should be neighbours in order.
        travel: length of the path along +z, mm; 0 for points at rest.
        bound: (N,) mm; only what is nearer than this (after the margin) is looked for. May be inf.

    Returns:
        Nearest: exact where something is found; the distance is the true one, without the margin taken off.
    """
    return _query(tree, points, travel=travel, bound=bound, any_will_do=False)


def is_within(tree: Tree, points: Floats, *, travel: float, bound: Floats) -> Bools:
    """Return whether anything is nearer than a bound to each of the points (N,) that travel along +z; as for `find_nearest`."""
    return np.asarray(_query(tree, points, travel=travel, bound=bound, any_will_do=True).face >= 0)


def _query(tree: Tree, points: Floats, *, travel: float, bound: Floats, any_will_do: bool) -> Nearest:
    count = len(points)
    points = np.ascontiguousarray(points, dtype=np.float64)
    distance, face, when = np.full(count, np.inf), np.full(count, -1, dtype=np.int32), np.zeros(count)

    def work(part: slice) -> None:
        if travel == 0.0:
            _find_at_rest(tree.corners, tree.boxes, tree.margin, tree.widest, points[part], bound[part], any_will_do,
                          distance[part], face[part])  # fmt: skip
            return
        _find(tree.corners, tree.boxes, tree.margin, tree.widest, points[part], travel, bound[part], any_will_do,
              distance[part], face[part], when[part])  # fmt: skip

    share_out(work, count)
    found = face >= 0
    face[found] = tree.faces[face[found]]
    return Nearest(distance, face, when)


def share_out(work: Callable[[slice], None], count: int) -> None:
    """Have compiled loops do `work` for runs of `count` points, in threads where they are many."""
    if count <= FEW:
        work(slice(0, count))
        return
    share_parts(work, count, parts=8 * THREADS)


def spread_bits(value: NDArray[np.int64]) -> NDArray[np.int64]:
    """Put two empty bits between each two of the ten lowest bits."""
    for shift, mask in ((16, 0x30000FF), (8, 0x300F00F), (4, 0x30C30C3), (2, 0x9249249)):
        value = (value | value << shift) & mask
    return value


@_jit
def _make_tree(vertices: Any, faces: Any, leaves: int) -> tuple[Any, Any, Any]:
    """Return a tree's corners, its faces' own numbers and its boxes."""
    count = faces.shape[0]
    middles = np.empty((3, count))
    for f in range(count):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        for k in range(3):
            middles[k, f] = (vertices[a, k] + vertices[b, k] + vertices[c, k]) / 3.0
    order = np.arange(count).astype(np.int32)
    _halve_at_medians(middles, leaves, order)
    corners = np.empty((count, 9))
    for f in range(count):
        for m in range(3):
            v = faces[order[f], m]
            for k in range(3):
                corners[f, 3 * m + k] = vertices[v, k]
    boxes = np.empty((2 * leaves - 1, 6))
    _fill_boxes(corners, leaves, boxes)
    return corners, order, boxes


@_jit
def _halve_at_medians(middles: Any, leaves: int, order: Any) -> None:
    """Put triangles, by their `middles` (3, F), in such an order that each node of the tree has a run of near ones.

    The middles are moved along: reading them in their own order by way of `order` takes twice as long.
    """
    count = middles.shape[1]
    first, last = np.empty(64, dtype=np.int64), np.empty(64, dtype=np.int64)  # leaves of nodes that are to be halved
    first[0], last[0] = 0, leaves
    top = 1 if leaves > 1 else 0
    while top > 0:
        top -= 1
        a, b = first[top], last[top]
        start, stop = a * count // leaves, b * count // leaves
        side, axis = -1.0, 0
        for k in range(3):
            low, high = np.inf, -np.inf
            for i in range(start, stop):
                value = middles[k, i]
                low, high = min(low, value), max(high, value)
            if high - low > side:
                side, axis = high - low, k
        half = (a + b) // 2
        _part(middles, axis, order, start, stop - 1, half * count // leaves)
        for left, right in ((a, half), (half, b)):
            if right - left > 1:
                first[top], last[top] = left, right
                top += 1


@_jit
def _part(middles: Any, axis: int, order: Any, low: int, high: int, at: int) -> None:
    """Reorder from `low` to `high` until no middle before place `at` is greater along an axis than one from there on."""
    values = middles[axis]
    while low < high:
        a, b, c = values[low], values[(low + high) // 2], values[high]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                order[i], order[j] = order[j], order[i]
                for k in range(3):
                    middles[k, i], middles[k, j] = middles[k, j], middles[k, i]
                i += 1
                j -= 1
        if at <= j:
            high = j
        elif at >= i:
            low = i
        else:
            return


@_jit
def _fill_boxes(corners: Any, leaves: int, boxes: Any) -> None:
    count = corners.shape[0]
    for leaf in range(leaves):
        node = leaves - 1 + leaf
        for k in range(3):
            low, high = np.inf, -np.inf
            for f in range(leaf * count // leaves, (leaf + 1) * count // leaves):
                low = min(low, corners[f, k], corners[f, 3 + k], corners[f, 6 + k])
                high = max(high, corners[f, k], corners[f, 3 + k], corners[f, 6 + k])
            boxes[node, k], boxes[node, 3 + k] = low, high
    for node in range(leaves - 2, -1, -1):
        for k in range(3):
            boxes[node, k] = min(boxes[2 * node + 1, k], boxes[2 * node + 2, k])
            boxes[node, 3 + k] = max(boxes[2 * node + 1, 3 + k], boxes[2 * node + 2, 3 + k])


@_jit
def _box_square(boxes: Any, node: int, x: float, y: float, z: float, travel: float) -> float:
    dx = max(boxes[node, 0] - x, 0.0, x - boxes[node, 3])
    dy = max(boxes[node, 1] - y, 0.0, y - boxes[node, 4])
    dz = max(boxes[node, 2] - (z + travel), 0.0, z - boxes[node, 5])
    return float(dx * dx + dy * dy + dz * dz)


@_jit
def _point_square(px: float, py: float, pz: float, t: Any) -> float:
    """Squared distance of a point from a triangle, by the regions of Ericson 5.1.5."""
    abx, aby, abz = t[3] - t[0], t[4] - t[1], t[5] - t[2]
    acx, acy, acz = t[6] - t[0], t[7] - t[1], t[8] - t[2]
    apx, apy, apz = px - t[0], py - t[1], pz - t[2]
    d1 = abx * apx + aby * apy + abz * apz
    d2 = acx * apx + acy * apy + acz * apz
    v, w = 0.0, 0.0
    if not (d1 <= 0.0 and d2 <= 0.0):
        bpx, bpy, bpz = px - t[3], py - t[4], pz - t[5]
        d3 = abx * bpx + aby * bpy + abz * bpz
        d4 = acx * bpx + acy * bpy + acz * bpz
        if d3 >= 0.0 and d4 <= d3:
            v = 1.0
        else:
            cpx, cpy, cpz = px - t[6], py - t[7], pz - t[8]
            d5 = abx * cpx + aby * cpy + abz * cpz
            d6 = acx * cpx + acy * cpy + acz * cpz
            vc = d1 * d4 - d3 * d2
            vb = d5 * d2 - d1 * d6
            va = d3 * d6 - d5 * d4
            if d6 >= 0.0 and d5 <= d6:
                w = 1.0
            elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
                v = d1 / (d1 - d3) if d1 > d3 else 0.0
            elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
                w = d2 / (d2 - d6) if d2 > d6 else 0.0
            elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
                span = (d4 - d3) + (d5 - d6)
                w = (d4 - d3) / span if span > 0.0 else 0.0
                v = 1.0 - w
            else:
                v, w = vb / (va + vb + vc), vc / (va + vb + vc)
    dx = apx - v * abx - w * acx
    dy = apy - v * aby - w * acy
    dz = apz - v * abz - w * acz
    return float(dx * dx + dy * dy + dz * dz)


@_jit
def _edge_square(
    px: float, py: float, pz: float, travel: float, t: Any, i: int, j: int
) -> tuple[float, float]:
    """Squared distance of a vertical segment from a triangle's edge, and the travel where it is least."""
    ex, ey, ez = t[j] - t[i], t[j + 1] - t[i + 1], t[j + 2] - t[i + 2]
    wx, wy, wz = px - t[i], py - t[i + 1], pz - t[i + 2]
    flat = ex * ex + ey * ey
    s = min(max((wx * ex + wy * ey) / flat, 0.0), 1.0) if flat > 1e-18 else 0.0
    lift = t[i + 2] + s * ez - pz
    if flat <= 1e-18:  # an upright edge: nearest anywhere the heights overlap
        low, high = min(t[i + 2], t[j + 2]) - pz, max(t[i + 2], t[j + 2]) - pz
        lift = min(max(low, 0.0), travel)
        s = min(max((lift + wz) / ez, 0.0), 1.0) if ez != 0.0 else 0.0
        lift = min(max(min(max(lift, low), high), 0.0), travel)
    elif lift < 0.0 or lift > travel:  # the path ends before: nearest to that end
        lift = min(max(lift, 0.0), travel)
        full = flat + ez * ez
        s = min(max((wx * ex + wy * ey + (wz + lift) * ez) / full, 0.0), 1.0)
    dx, dy, dz = wx - s * ex, wy - s * ey, wz + lift - s * ez
    return float(dx * dx + dy * dy + dz * dz), float(lift)


@_jit
def _path_square(px: float, py: float, pz: float, travel: float, t: Any) -> tuple[float, float]:
    """Squared distance of a vertical segment from a triangle, and the travel where it is least."""
    best, lift = _point_square(px, py, pz, t), 0.0
    if travel <= 0.0 or best == 0.0:
        return best, lift
    ux, uy, vx, vy = t[3] - t[0], t[4] - t[1], t[6] - t[0], t[7] - t[1]
    area = ux * vy - uy * vx
    if area != 0.0:
        b = ((px - t[0]) * vy - (py - t[1]) * vx) / area
        c = (ux * (py - t[1]) - uy * (px - t[0])) / area
        if b >= 0.0 and c >= 0.0 and b + c <= 1.0:
            hit = t[2] + b * (t[5] - t[2]) + c * (t[8] - t[2]) - pz
            if 0.0 <= hit <= travel:
                return 0.0, hit
    square = _point_square(px, py, pz + travel, t)
    if square < best:
        best, lift = square, travel
    for i, j in ((0, 3), (3, 6), (6, 0)):
        square, at = _edge_square(px, py, pz, travel, t, i, j)
        if square < best:
            best, lift = square, at
    return best, lift


@_jit
def _find(corners: Any, boxes: Any, margin: Any, widest: float, points: Any, travel: float, bound: Any, any_will_do: bool,
          distance: Any, face: Any, when: Any) -> None:  # fmt: skip
    count, leaves = corners.shape[0], (boxes.shape[0] + 1) // 2
    stack = np.empty(128, dtype=np.int64)
    reach = np.empty(128)
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        best = bound[n]
        stack[0], reach[0] = 0, _box_square(boxes, 0, x, y, z, travel)
        top = 1
        while top > 0:
            top -= 1
            node = stack[top]
            limit = best + widest
            if limit <= 0.0 or reach[top] >= limit * limit:
                continue
            if node >= leaves - 1:
                leaf = node - leaves + 1
                for f in range(leaf * count // leaves, (leaf + 1) * count // leaves):
                    square, lift = _path_square(x, y, z, travel, corners[f])
                    gap = sqrt(square)
                    if gap - margin[f] < best:
                        best = gap - margin[f]
                        distance[n], face[n], when[n] = gap, f, lift
                        if any_will_do:
                            top = 0
                            break
                continue
            left, right = 2 * node + 1, 2 * node + 2
            near = _box_square(boxes, left, x, y, z, travel)
            far = _box_square(boxes, right, x, y, z, travel)
            if near > far:
                left, right, near, far = right, left, far, near
            stack[top], reach[top] = right, far
            stack[top + 1], reach[top + 1] = left, near
            top += 2


@_jit
def _find_at_rest(corners: Any, boxes: Any, margin: Any, widest: float, points: Any, bound: Any, any_will_do: bool,
                  distance: Any, face: Any) -> None:  # fmt: skip
    """As `_find`, for paths of no length, which are most, and quicker. What was nearest to the point before is tried first."""
    count, leaves = corners.shape[0], (boxes.shape[0] + 1) // 2
    stack, reach = np.empty(64, dtype=np.int64), np.empty(64)
    last = -1
    for n in range(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        best, found = bound[n], -1
        if last >= 0:
            gap = sqrt(_point_square(x, y, z, corners[last]))
            if gap - margin[last] < best:
                best, found = gap - margin[last], last
        limit = (best + widest) ** 2 if best + widest > 0.0 else 0.0
        node, top = (-1, 0) if limit == 0.0 or (any_will_do and found >= 0) else (0, 0)
        while node >= 0:
            if node >= leaves - 1:
                leaf = node - leaves + 1
                for f in range(leaf * count // leaves, (leaf + 1) * count // leaves):
                    square = _point_square(x, y, z, corners[f])
                    if square < limit:
                        gap = sqrt(square)
                        if gap - margin[f] < best:
                            best, found = gap - margin[f], f
                            limit = (best + widest) ** 2 if best + widest > 0.0 else 0.0
                node = -1
                if any_will_do and found >= 0:
                    break
            else:
                left, right = 2 * node + 1, 2 * node + 2
                near = _box_square(boxes, left, x, y, z, 0.0)
                far = _box_square(boxes, right, x, y, z, 0.0)
                if near > far:
                    left, right, near, far = right, left, far, near
                if far < limit:
                    stack[top], reach[top] = right, far
                    top += 1
                node = left if near < limit else -1
            while node < 0 and top > 0:
                top -= 1
                if reach[top] < limit:
                    node = stack[top]
        if found >= 0:
            last = found
            face[n] = found
            distance[n] = sqrt(_point_square(x, y, z, corners[found]))
