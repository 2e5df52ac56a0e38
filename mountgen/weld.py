"""Compiled loops that make one vertex of several: points as close as a tolerance, corners in one cell of a grid. A leaf."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats, Ints, read_only
from mountgen.compiled import compiled

CELL = 32.0  # weld cells are this many tolerances wide: few points then need to look into the cell next door
_jit = compiled()


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
