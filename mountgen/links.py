"""Compiled loops over the edges of a triangle mesh: duplicate faces, pieces and how their normals run, border loops. A leaf.

Half-edge h = 3 f + k runs from corner k of face f to the corner after it. Every loop here is linear in the number of faces:
half-edges, and faces, are put into buckets by their lowest vertex (a counting sort), so the few that share an edge, or all
their vertices, end up side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Ints, read_only
from mountgen.compiled import compiled
from mountgen.faces import touch_faces

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
    ends, heads, clean = _trace(twin)
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
def _trace(twin):  # type: ignore[no-untyped-def]
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
