"""Faces of a triangle mesh: areas, normals, middles, the box around them, the vertices they use or touch. A leaf."""

from __future__ import annotations

from math import hypot
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, read_only
from mountgen.compiled import compiled
from mountgen.rows import lengths

_jit = compiled()


def measure_faces(vertices: Floats, faces: NDArray[np.integer[Any]]) -> tuple[Floats, Floats]:
    """Area vectors (F, 3), along the normals, and areas (F,), both in the square of the vertices' unit."""
    vectors, areas = _areas(read_only(vertices, np.float64), read_only(faces, np.int32))
    return vectors, areas


def average_normals(vertices: Floats, faces: Ints) -> Floats:
    """Return the normals at vertices, (V, 3), the mean of their faces' by area, of length 1; 0 where there is no face."""
    vectors, _ = measure_faces(vertices, faces)
    summed: Floats = np.stack([np.bincount(faces.ravel(), np.repeat(vectors[:, k], 3), len(vertices)) for k in range(3)], axis=1)
    length = lengths(summed)[:, None]
    return np.asarray(summed / np.where(length > 0.0, length, 1.0))


def find_middles(vertices: Floats, faces: NDArray[np.signedinteger[Any]]) -> Floats:
    """Middles of the faces, the means of their corners: (F, 3)."""
    middles: Floats = _middles(read_only(vertices, np.float64), read_only(faces, np.int32))
    return middles


def measure_diagonal(vertices: Floats, faces: NDArray[np.signedinteger[Any]]) -> float:
    """Diagonal of the box around the faces; those with stray indices or coordinates that are no numbers do
    not count.
    """
    low, high = _corner_box(vertices, faces)
    with np.errstate(over="ignore"):  # beyond all measure is a size too, which reading refuses in its own words
        sides = np.maximum(high - low, 0.0)
    return hypot(*sides)  # which scales, so that no square overflows


def touch_faces(faces: Ints, marked: Bools) -> Bools:
    """(F,) bool: faces with at least one of the `marked` (V,) vertices."""
    touched: Bools = _touch(read_only(faces, np.int32), marked)
    return touched


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
