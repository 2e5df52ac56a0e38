"""Faces of one mesh that cut through each other. A leaf.

Every pair whose boxes overlap is looked at, of faces in the order of their lowest x: a few thousand faces take some ms.

References:
    T. Möller, B. Trumbore (1997), Fast, minimum storage ray/triangle intersection, J. Graphics Tools 2(1):21-28.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Floats, Ints, read_only
from mountgen.compiled import compiled

_jit = compiled(fastmath=False, error_model="numpy")


def find_tangled(vertices: Floats, faces: Ints) -> NDArray[np.int64]:
    """Return the pairs of faces (P, 2), the lower number first, of which an edge of one goes through the other.

    Faces that share a corner do not count.

    Args:
        vertices: (V, 3) mm.
        faces: (F, 3).
    """
    corners = np.take(read_only(vertices, np.float64), faces, axis=0)
    low, high = corners.min(axis=1), corners.max(axis=1)
    order = np.argsort(low[:, 0], kind="stable")
    pairs: NDArray[np.int64] = _find_pairs(corners, read_only(faces, np.int32), low, high, order)
    return pairs


@_jit
def _find_pairs(corners: Any, faces: Any, low: Any, high: Any, order: Any) -> Any:
    found = []
    for at in range(len(order)):
        i = order[at]
        for after in range(at + 1, len(order)):
            j = order[after]
            if low[j, 0] > high[i, 0]:
                break
            if low[j, 1] > high[i, 1] or high[j, 1] < low[i, 1] or low[j, 2] > high[i, 2] or high[j, 2] < low[i, 2]:
                continue
            shared = False
            for k in range(3):
                for m in range(3):
                    shared |= faces[i, k] == faces[j, m]
            if not shared and (_cuts(corners[i], corners[j]) or _cuts(corners[j], corners[i])):
                found.append((min(i, j), max(i, j)))
    pairs = np.empty((len(found), 2), dtype=np.int64)
    for n in range(len(found)):
        pairs[n, 0], pairs[n, 1] = found[n]
    return pairs


@_jit
def _cuts(one: Any, other: Any) -> bool:
    """Return whether an edge of one triangle (3, 3) goes through another (3, 3)."""
    ux, uy, uz = other[1, 0] - other[0, 0], other[1, 1] - other[0, 1], other[1, 2] - other[0, 2]
    vx, vy, vz = other[2, 0] - other[0, 0], other[2, 1] - other[0, 1], other[2, 2] - other[0, 2]
    for k in range(3):
        a, b = one[k], one[(k + 1) % 3]
        dx, dy, dz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        hx, hy, hz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
        volume = ux * hx + uy * hy + uz * hz
        if volume == 0.0:
            continue  # it runs along the other's plane
        sx, sy, sz = a[0] - other[0, 0], a[1] - other[0, 1], a[2] - other[0, 2]
        second = (sx * hx + sy * hy + sz * hz) / volume
        qx, qy, qz = sy * uz - sz * uy, sz * ux - sx * uz, sx * uy - sy * ux
        third = (dx * qx + dy * qy + dz * qz) / volume
        along = (vx * qx + vy * qy + vz * qz) / volume
        if second > 0.0 and third > 0.0 and second + third < 1.0 and 0.0 < along < 1.0:
            return True
    return False
