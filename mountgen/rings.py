"""Compiled loops over the vertices of a triangle mesh: neighbours, rings around some, which of them faces join. A leaf."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Ints, read_only
from mountgen.compiled import compiled

_jit = compiled()


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


def label_corners(faces: Ints, vertex_count: int) -> Ints:
    """Return a number for each vertex, (V,) int32, the same for all that faces join, be it in one vertex only."""
    label: Ints = _label_corners(read_only(faces, np.int32), vertex_count)
    return label


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
