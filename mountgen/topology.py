"""Compiled loops over the connections of a triangle mesh: welding, duplicate faces, pieces, border loops. A
leaf.

Half-edge h = 3 f + k runs from corner k of face f to the corner after it. Every loop here is linear in the
number of faces: half-edges are put into buckets by their lower vertex (a counting sort), so the few that
share an edge end up side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, read_only
from mountgen.compiled import compiled
from mountgen.rows import lengths

CELL = 32.0  # weld cells are this many tolerances wide: few points then need to look into the cell next door
_jit = compiled()


@dataclass(frozen=True, eq=False)
class Links:
    """How the faces of a mesh hang together.

    piece     : (F,) int32, number of the connected piece (through shared edges), 0-based, in order of first
        appearance.
    flip      : (F,) bool, faces to reverse so that all normals of a piece agree (with its first face).
    on_border : (V,) bool, vertices on an edge with one face only.
    border    : number of edges with one face; crowded: with three or more.
    twisted   : number of edges across which the normals cannot agree (a surface with one side only).
    """

    piece: Ints
    flip: Bools
    on_border: Bools
    border: int
    crowded: int
    twisted: int


@dataclass(frozen=True, eq=False)
class Loop:
    """One border loop. vertices: (K,) int32, in the direction of the faces along it; face: one of these
    faces.

    clean: False where an edge with three or more faces, or a twist, lies on its way; such a loop is not
        closed.
    """

    vertices: Ints
    face: int
    clean: bool


def weld_points(points: Floats, tolerance: float) -> tuple[Ints, Ints]:
    """Give points closer than a tolerance the same number; the first of them stands for all.

    Args:
        points: (N, 3) float64, finite.
        tolerance: largest distance, in the unit of the points; 0 welds identical points only.

    Returns:
        (N,) int32, the number of each point, 0-based; (M,) int32, the point that stands for each number.

    Raises:
        Nothing: any finite points are valid.
    """
    if not len(points):
        return np.zeros(0, np.int32), np.zeros(0, np.int32)
    low, high = _box(points)
    span = float((high - low).max())
    cell = max(CELL * tolerance, span * 2.0**-40, np.finfo(np.float64).tiny)
    bits = max(4, int(np.ceil(np.log2(1.5 * len(points)))))
    number, first = _weld(
        np.ascontiguousarray(points), low, 1.0 / cell, tolerance / cell, tolerance * tolerance, bits
    )
    return number, first


def find_duplicates(faces: Ints, vertex_count: int) -> Bools:
    """Mark every face whose three vertices an earlier face has too, in any order.

    Args:
        faces: (F, 3) int32.
        vertex_count: V.

    Returns:
        (F,) bool.

    Raises:
        Nothing: any faces with indices inside 0..V-1 are valid.
    """
    marks: Bools = _duplicates(faces, vertex_count)
    return marks


def link_faces(faces: Ints, vertex_count: int) -> Links:
    """Find pieces, relative orientation and borders in one pass over the edges.

    A union-find over the faces carries one bit per face: whether it runs against the face above it. Edges
    with two faces are joined first; those with more only join what is still apart, so that they never
    overrule a plain edge.

    Args:
        faces: (F, 3) int32, no corner twice in a face, no duplicate faces.
        vertex_count: V.

    Returns:
        Links.

    Raises:
        Nothing: any faces with indices inside 0..V-1 are valid.

    References:
        R. E. Tarjan (1975), J. ACM 22(2):215-225, doi:10.1145/321879.321884 (union-find).
    """
    faces = read_only(faces, np.int32)
    start, other, code = _half_edges(faces, vertex_count)
    parent, odd, on_border, border, crowded, twisted = _link(faces, start, other, code)
    piece, flip = _label(parent, odd)
    return Links(piece, flip, on_border, border, crowded, twisted)


def trace_loops(faces: Ints, on_border: Bools) -> list[Loop]:
    """Follow every border, one loop each, no vertex twice in a loop.

    Two holes that touch in a vertex are followed as one loop around both, on the side of the faces, and then
    cut apart there.

    Args:
        faces: (F, 3) int32, consistently oriented per piece.
        on_border: (V,) bool as from `link_faces`.

    Returns:
        The loops in order of their first face.

    Raises:
        Nothing: any mesh is valid; loops through an edge with three faces are marked unclean.
    """
    touched = np.flatnonzero(touch_faces(faces, on_border)).astype(np.int32)
    if not len(touched):
        return []
    used, local = np.unique(faces[touched], return_inverse=True)
    near = read_only(local.reshape(-1, 3), np.int32)
    start, other, code = _half_edges(near, len(used))
    twin = _twins(near, on_border[used], start, other, code)
    ends, heads, clean = _trace(near, twin)
    corners = used[near[heads // 3, heads % 3]].astype(np.int32)
    owners = touched[heads // 3]
    loops = []
    for part, face, good in zip(
        np.split(corners, ends[:-1]), np.split(owners, ends[:-1]), clean, strict=True
    ):
        loops += [Loop(part[at], int(face[at[0]]), bool(good)) for at in _split_pinched(part)]
    return loops


def _split_pinched(corners: Ints) -> list[NDArray[np.intp]]:
    """Places along a loop, one array for each simple loop it consists of: cut where it comes back to a
    vertex.
    """
    if len(np.unique(corners)) == len(corners):
        return [np.arange(len(corners))]
    parts: list[NDArray[np.intp]] = []
    path: list[int] = []
    place: dict[int, int] = {}
    for at, corner in enumerate(corners.tolist()):
        if corner in place:
            back = place[corner]
            parts.append(np.array(path[back:]))
            for gone in path[back:]:
                del place[int(corners[gone])]
            del path[back:]
        place[corner] = len(path)
        path.append(at)
    parts.append(np.array(path))
    return [part for part in parts if len(part) > 2]


def touch_faces(faces: Ints, marked: Bools) -> Bools:
    """(F,) bool: faces with at least one of the `marked` (V,) vertices."""
    touched: Bools = _touch(read_only(faces, np.int32), marked)
    return touched


def measure_faces(vertices: Floats, faces: NDArray[np.integer[Any]]) -> tuple[Floats, Floats]:
    """Area vectors (F, 3), along the normals, and areas (F,), both in the square of the vertices' unit."""
    vectors, areas = _areas(read_only(vertices, np.float64), read_only(faces, np.int32))
    return vectors, areas


def find_middles(vertices: Floats, faces: NDArray[np.signedinteger[Any]]) -> Floats:
    """Middles of the faces, the means of their corners: (F, 3)."""
    middles: Floats = _middles(read_only(vertices, np.float64), read_only(faces, np.int32))
    return middles


def merge_in_cells(vertices: Floats, faces: Ints, *, size: float) -> tuple[Floats, Ints]:
    """Merge the corners of faces that lie in one cube of a grid into their mean: a coarser mesh of about the same shape.

    Args:
        vertices: (V, 3) float64; those that no face has are left out.
        faces: (F, 3) int32, F >= 1.
        size: of a cube, in the vertices' unit; a two-millionth of the mesh's extent or more.

    Returns:
        (N, 3) float64 means, in the order in which the faces come by them; (M, 3) int32, faces whose corners lie in three cubes.
    """
    points = read_only(vertices, np.float64)
    merged, kept = _merge_in_cells(points, read_only(faces, np.int32), _box(points)[0], 1.0 / size)
    return merged, kept


def measure_diagonal(vertices: Floats, faces: NDArray[np.signedinteger[Any]]) -> float:
    """Diagonal of the box around the faces; those with stray indices or coordinates that are no numbers do
    not count.
    """
    low, high = _corner_box(vertices, faces)
    with np.errstate(over="ignore"):  # beyond all measure is a size too, which reading refuses in its own words
        sides = np.maximum(high - low, 0.0)
    return hypot(*sides)  # which scales, so that no square overflows


def list_used(faces: Ints, vertex_count: int) -> NDArray[np.intp]:
    """Return the vertices that faces use, (U,), rising."""
    used = np.zeros(vertex_count, dtype=np.bool_)
    used[faces] = True
    return np.flatnonzero(used)


def number_used(faces: Ints, vertex_count: int) -> tuple[NDArray[np.intp], Ints]:
    """Return the vertices that faces use, (U,), rising, and the faces (F, 3) int32 as numbers into them."""
    used = list_used(faces, vertex_count)
    number = np.empty(vertex_count, dtype=np.int32)
    number[used] = np.arange(len(used), dtype=np.int32)
    return used, number[faces]


def label_corners(faces: Ints, vertex_count: int) -> Ints:
    """Return a number for each vertex, (V,) int32, the same for all that faces join, be it in one vertex only."""
    label: Ints = _label_corners(read_only(faces, np.int32), vertex_count)
    return label


def list_neighbours(faces: Ints, vertex_count: int) -> tuple[NDArray[np.int64], Ints]:
    """Neighbours of every vertex: start (V + 1,) int64 into neighbour (N,) int32. Interior neighbours appear
    once.
    """
    start, neighbour = _neighbours(faces, vertex_count)
    return start, neighbour


def gather_rings(start: NDArray[np.int64], neighbour: Ints, centres: Ints, most: int) -> tuple[Ints, Ints]:
    """The vertices within two edges of each centre: (N, most) int32, the centre first, and (N,) int32, how
    many.
    """
    rings, counts = _rings(start, neighbour, centres, most)
    return rings, counts


@_jit
def _weld(points, low, scale, near, limit, bits):  # type: ignore[no-untyped-def]
    n = points.shape[0]
    mask = (1 << bits) - 1
    table = np.full(1 << bits, -1, np.int32)
    number = np.empty(n, np.int32)
    first = np.empty(n, np.int32)
    count = 0
    for i in range(n):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        gx, gy, gz = (x - low[0]) * scale, (y - low[1]) * scale, (z - low[2]) * scale
        ix, iy, iz = np.int64(gx), np.int64(gy), np.int64(gz)
        x0 = ix - 1 if gx - ix <= near else ix
        y0 = iy - 1 if gy - iy <= near else iy
        z0 = iz - 1 if gz - iz <= near else iz
        x1 = ix + 1 if ix + 1 - gx <= near else ix
        y1 = iy + 1 if iy + 1 - gy <= near else iy
        z1 = iz + 1 if iz + 1 - gz <= near else iz
        found = -1
        home = 0
        for jx in range(x0, x1 + 1):
            for jy in range(y0, y1 + 1):
                for jz in range(z0, z1 + 1):
                    mixed = jx * 73856093 ^ jy * 19349663 ^ jz * 83492791
                    slot = (mixed ^ (mixed >> 15)) & mask
                    while table[slot] >= 0:
                        u = table[slot]
                        p = first[u]
                        dx, dy, dz = points[p, 0] - x, points[p, 1] - y, points[p, 2] - z
                        if dx * dx + dy * dy + dz * dz <= limit and (found < 0 or u < found):
                            found = u
                            break
                        slot = (slot + 1) & mask
                    if jx == ix and jy == iy and jz == iz:
                        home = slot
        if found < 0:
            while table[home] >= 0:
                home = (home + 1) & mask
            table[home] = count
            first[count] = i
            found = count
            count += 1
        number[i] = found
    return number, first[:count].copy()


@_jit
def _sort_bucket(keys, codes, begin, end):  # type: ignore[no-untyped-def]
    """Sort both by key, then code (Shell's sort: nearly all buckets hold fewer than ten)."""
    gap = 1
    while gap < (end - begin) // 8:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(begin + gap, end):
            key, code = keys[i], codes[i]
            j = i - gap
            while j >= begin and (keys[j] > key or (keys[j] == key and codes[j] > code)):
                keys[j + gap] = keys[j]
                codes[j + gap] = codes[j]
                j -= gap
            keys[j + gap] = key
            codes[j + gap] = code
        gap //= 3


@_jit
def _box(points):  # type: ignore[no-untyped-def]
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for i in range(points.shape[0]):
        for k in range(3):
            low[k] = min(low[k], points[i, k])
            high[k] = max(high[k], points[i, k])
    return low, high


@_jit
def _corner_box(vertices, faces):  # type: ignore[no-untyped-def]
    n = vertices.shape[0]
    low = np.full(3, np.inf)
    high = np.full(3, -np.inf)
    for f in range(faces.shape[0]):
        good = True
        for c in range(3):
            v = faces[f, c]
            if not 0 <= v < n:
                good = False
                break
            for k in range(3):
                good = good and np.isfinite(vertices[v, k])
        if good:
            for c in range(3):
                for k in range(3):
                    low[k] = min(low[k], vertices[faces[f, c], k])
                    high[k] = max(high[k], vertices[faces[f, c], k])
    if low[0] > high[0]:
        low[:] = high[:] = 0.0
    return low, high


@_jit
def _touch(faces, marked):  # type: ignore[no-untyped-def]
    touched = np.empty(faces.shape[0], np.bool_)
    for f in range(faces.shape[0]):
        touched[f] = marked[faces[f, 0]] or marked[faces[f, 1]] or marked[faces[f, 2]]
    return touched


@_jit
def _areas(vertices, faces):  # type: ignore[no-untyped-def]
    vectors = np.empty((faces.shape[0], 3))
    areas = np.empty(faces.shape[0])
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = (
            vertices[b, 0] - vertices[a, 0],
            vertices[b, 1] - vertices[a, 1],
            vertices[b, 2] - vertices[a, 2],
        )
        vx, vy, vz = (
            vertices[c, 0] - vertices[a, 0],
            vertices[c, 1] - vertices[a, 1],
            vertices[c, 2] - vertices[a, 2],
        )
        x, y, z = 0.5 * (uy * vz - uz * vy), 0.5 * (uz * vx - ux * vz), 0.5 * (ux * vy - uy * vx)
        vectors[f, 0], vectors[f, 1], vectors[f, 2] = x, y, z
        areas[f] = np.sqrt(x * x + y * y + z * z)
    return vectors, areas


@_jit
def _middles(vertices, faces):  # type: ignore[no-untyped-def]
    middles = np.empty((faces.shape[0], 3))
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        for k in range(3):
            middles[f, k] = (vertices[a, k] + vertices[b, k] + vertices[c, k]) / 3.0
    return middles


@_jit
def _merge_in_cells(vertices, faces, low, scale):  # type: ignore[no-untyped-def]
    cell = np.full(vertices.shape[0], -1, dtype=np.int32)
    room = 1
    while room < 2 * min(vertices.shape[0], 3 * faces.shape[0]):
        room *= 2
    keys, owner = np.full(room, -1, dtype=np.int64), np.empty(room, dtype=np.int32)  # a table with open addresses
    sums, shares = np.zeros((room // 2, 3)), np.zeros(room // 2)
    count, kept = 0, 0
    merged = np.empty(faces.shape, dtype=np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            v = faces[f, k]
            if cell[v] < 0:
                key = np.int64(0)
                for d in range(3):
                    key = (key << 21) | (np.int64((vertices[v, d] - low[d]) * scale) & 0x1FFFFF)
                at = (key * np.int64(-7046029254386353131) >> 20) & (room - 1)
                while keys[at] != key and keys[at] >= 0:
                    at = (at + 1) & (room - 1)
                if keys[at] < 0:
                    keys[at], owner[at] = key, count
                    count += 1
                cell[v] = owner[at]
                shares[cell[v]] += 1.0
                for d in range(3):
                    sums[cell[v], d] += vertices[v, d]
            merged[kept, k] = cell[v]
        a, b, c = merged[kept, 0], merged[kept, 1], merged[kept, 2]
        kept += a != b and b != c and c != a
    return sums[:count] / shares[:count].reshape(-1, 1), merged[:kept]


@_jit
def _half_edges(faces, vertex_count):  # type: ignore[no-untyped-def]
    n = faces.shape[0]
    start = np.zeros(vertex_count + 1, np.int64)
    for f in range(n):
        for k in range(3):
            start[min(faces[f, k], faces[f, (k + 1) % 3]) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    other = np.empty(3 * n, np.int32)
    code = np.empty(3 * n, np.int32)
    for f in range(n):
        for k in range(3):
            a, b = faces[f, k], faces[f, (k + 1) % 3]
            low = min(a, b)
            at = fill[low]
            fill[low] = at + 1
            other[at] = max(a, b)
            code[at] = 3 * f + k
    for v in range(vertex_count):
        _sort_bucket(other, code, start[v], start[v + 1])
    return start, other, code


@_jit
def _duplicates(faces, vertex_count):  # type: ignore[no-untyped-def]
    n = faces.shape[0]
    marks = np.zeros(n, np.bool_)
    start = np.zeros(vertex_count + 1, np.int64)
    for f in range(n):
        start[min(faces[f, 0], faces[f, 1], faces[f, 2]) + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    keys = np.empty(n, np.int64)
    codes = np.empty(n, np.int32)
    for f in range(n):
        a, b, c = np.int64(faces[f, 0]), np.int64(faces[f, 1]), np.int64(faces[f, 2])
        low, high = min(a, b, c), max(a, b, c)
        at = fill[low]
        fill[low] = at + 1
        keys[at] = (a + b + c - low - high) * vertex_count + high
        codes[at] = f
    for v in range(vertex_count):
        _sort_bucket(keys, codes, start[v], start[v + 1])
        for i in range(start[v] + 1, start[v + 1]):
            if keys[i] == keys[i - 1]:
                marks[codes[i]] = True
    return marks


@_jit
def _root(parent, odd, f):  # type: ignore[no-untyped-def]
    turn = False
    while parent[f] != f:
        above = parent[f]
        if parent[above] != above:  # halve the path
            odd[f] ^= odd[above]
            parent[f] = parent[above]
        turn ^= odd[f]
        f = parent[f]
    return f, turn


@_jit
def _join(parent, odd, f, g, against):  # type: ignore[no-untyped-def]
    """Join two faces; `against`: they run the same way along their edge, so one must turn. False where that
    contradicts.
    """
    a, turn_a = _root(parent, odd, f)
    b, turn_b = _root(parent, odd, g)
    if a == b:
        return (turn_a ^ turn_b) == against
    low, high = min(a, b), max(a, b)
    parent[high] = low
    odd[high] = turn_a ^ turn_b ^ against
    return True


@_jit
def _link(faces, start, other, code):  # type: ignore[no-untyped-def]
    n = faces.shape[0]
    count = start.shape[0] - 1
    parent = np.arange(n).astype(np.int32)
    odd = np.zeros(n, np.bool_)
    on_border = np.zeros(count, np.bool_)
    border = crowded = twisted = 0
    for turn in range(2):
        if turn == 1 and crowded == 0:
            break
        for v in range(count):
            i = start[v]
            while i < start[v + 1]:
                j = i + 1
                while j < start[v + 1] and other[j] == other[i]:
                    j += 1
                if turn == 0:
                    if j - i == 1:
                        border += 1
                        on_border[v] = True
                        on_border[other[i]] = True
                    elif j - i == 2:
                        f, g = code[i] // 3, code[i + 1] // 3
                        same = (faces[f, code[i] % 3] == v) == (faces[g, code[i + 1] % 3] == v)
                        if not _join(parent, odd, f, g, same):
                            twisted += 1
                    else:
                        crowded += 1
                elif j - i > 2:
                    for m in range(i + 1, j):
                        f, g = code[i] // 3, code[m] // 3
                        same = (faces[f, code[i] % 3] == v) == (faces[g, code[m] % 3] == v)
                        _join(parent, odd, f, g, same)
                i = j
    return parent, odd, on_border, border, crowded, twisted


@_jit
def _label(parent, odd):  # type: ignore[no-untyped-def]
    n = parent.shape[0]
    piece = np.full(n, -1, np.int32)
    flip = np.zeros(n, np.bool_)
    count = 0
    for f in range(n):
        root, turn = _root(parent, odd, f)
        if piece[root] < 0:  # the lowest face of a piece is its root, so it comes first
            piece[root] = count
            count += 1
        piece[f] = piece[root]
        flip[f] = turn
    return piece, flip


@_jit
def _label_corners(faces, vertex_count):  # type: ignore[no-untyped-def]
    above = np.arange(vertex_count).astype(np.int32)
    for f in range(faces.shape[0]):
        for k in range(2):
            a, b = faces[f, k], faces[f, k + 1]
            while above[a] != a:
                above[a] = above[above[a]]  # halve the path
                a = above[a]
            while above[b] != b:
                above[b] = above[above[b]]
                b = above[b]
            above[max(a, b)] = min(a, b)
    for v in range(vertex_count):
        above[v] = above[above[v]]  # what is above has a lower number, and is done
    return above


@_jit
def _twins(faces, on_border, start, other, code):  # type: ignore[no-untyped-def]
    """The half-edge across; -1 on a border, -2 where more than two faces meet or the two run the same way."""
    twin = np.full(3 * faces.shape[0], -2, np.int32)
    for v in range(start.shape[0] - 1):
        i = start[v]
        while i < start[v + 1]:
            j = i + 1
            while j < start[v + 1] and other[j] == other[i]:
                j += 1
            if j - i == 1 and on_border[v] and on_border[other[i]]:
                twin[code[i]] = -1
            elif j - i == 2:
                g, h = code[i], code[i + 1]
                if (faces[g // 3, g % 3] == v) != (faces[h // 3, h % 3] == v):
                    twin[g] = h
                    twin[h] = g
            i = j
    return twin


@_jit
def _trace(faces, twin):  # type: ignore[no-untyped-def]
    n = twin.shape[0]
    seen = np.zeros(n, np.bool_)
    heads = np.empty(n, np.int32)
    ends = np.empty(n, np.int32)
    clean = np.ones(n, np.bool_)
    count = loops = 0
    for h in range(n):
        if twin[h] != -1 or seen[h]:
            continue
        g = h
        while not seen[g]:
            seen[g] = True
            heads[count] = g
            count += 1
            g = 3 * (g // 3) + (g % 3 + 1) % 3
            steps = 0
            while twin[g] >= 0 and steps < n:
                g = twin[g]
                g = 3 * (g // 3) + (g % 3 + 1) % 3
                steps += 1
            if twin[g] != -1:
                clean[loops] = False
                break
        if g != h:
            clean[loops] = False
        ends[loops] = count
        loops += 1
    return ends[:loops].copy(), heads[:count].copy(), clean[:loops].copy()


@_jit
def _neighbours(faces, vertex_count):  # type: ignore[no-untyped-def]
    start = np.zeros(vertex_count + 1, np.int64)
    for f in range(faces.shape[0]):
        for k in range(3):
            start[faces[f, k] + 1] += 1
    for v in range(vertex_count):
        start[v + 1] += start[v]
    fill = start[:-1].copy()
    neighbour = np.empty(3 * faces.shape[0], np.int32)
    for f in range(faces.shape[0]):
        for k in range(3):
            a = faces[f, k]
            neighbour[fill[a]] = faces[f, (k + 1) % 3]
            fill[a] += 1
    return start, neighbour


@_jit
def _rings(start, neighbour, centres, most):  # type: ignore[no-untyped-def]
    rings = np.zeros((centres.shape[0], most), np.int32)
    counts = np.zeros(centres.shape[0], np.int32)
    for i in range(centres.shape[0]):
        rings[i, 0] = centres[i]
        count = 1
        begin = 0
        for _ in range(2):
            end = count
            for at in range(begin, end):
                v = rings[i, at]
                for j in range(start[v], start[v + 1]):
                    w = neighbour[j]
                    known = False
                    for m in range(count):
                        if rings[i, m] == w:
                            known = True
                            break
                    if not known and count < most:
                        rings[i, count] = w
                        count += 1
            begin = end
        counts[i] = count
    return rings, counts


def average_normals(vertices: Floats, faces: Ints) -> Floats:
    """Return the normals at vertices, (V, 3), the mean of their faces' by area, of length 1; 0 where there is no face."""
    vectors, _ = measure_faces(vertices, faces)
    summed: Floats = np.stack([np.bincount(faces.ravel(), np.repeat(vectors[:, k], 3), len(vertices)) for k in range(3)], axis=1)
    length = lengths(summed)[:, None]
    return np.asarray(summed / np.where(length > 0.0, length, 1.0))


def make_axes(normals: Floats) -> tuple[Floats, Floats]:
    """Return two unit vectors across each of some unit normals (N, 3) and square to each other, (N, 3) each."""
    u = np.cross(normals, np.eye(3)[np.abs(normals).argmin(axis=1)])
    length = lengths(u)[:, None]
    u /= np.where(length > 0.0, length, 1.0)
    return u, np.cross(normals, u)


def list_quadric_terms(plan: Floats) -> Floats:
    """Return what a quadric's six coefficients stand before at places (N, 2 or more), (N, 6): 1, x, y, x², xy, y²."""
    x, y = plan[:, 0], plan[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
