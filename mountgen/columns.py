"""Upright columns through a mesh: at each node of a grid, every height at which the mesh is crossed. A leaf."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.compiled import compiled

# Of a pitch; keeps the nodes off edges and corners, where a column would cross two faces or none.
ASIDE = (1.234567e-5, 0.987654e-5)
_jit = compiled(fastmath=False)


@dataclass(frozen=True, eq=False)
class Columns:
    """Crossings of a mesh with the columns of a grid; row r is y, column c is x.

    height : (R, C, K) float64, mm, rising along the last axis; inf where a column has fewer than K crossings.
    rises  : (R, C, K) bool, whether the face crossed there looks upwards.
    """

    height: Floats
    rises: Bools

    def highest(self, below: Floats | float, *, rising: bool | None = None) -> Floats:
        """Return the highest crossing not above `below` (R, C), -inf where there is none.

        Args:
            below: mm; of each column, or of all.
            rising: only faces that look up, or down; all if None.
        """
        found = self.height <= np.broadcast_to(below, self.height.shape[:2])[:, :, None]
        found &= np.isfinite(self.height)
        if rising is not None:
            found &= self.rises == rising
        return np.asarray(np.where(found, self.height, -np.inf).max(axis=2, initial=-np.inf))


@_jit
def _cross(vertices, faces, x0, y0, px, py, rows, cols, first, height, rises, count):  # type: ignore[no-untyped-def]
    """Count the crossings of each node, or write them down where `first` says where those of each node begin."""
    writes = len(height) > 0
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
        nz = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if nz == 0.0:
            continue
        c_lo = max(0, int(np.ceil((min(ax, bx, cx) - x0) / px)))
        c_hi = min(cols - 1, int(np.floor((max(ax, bx, cx) - x0) / px)))
        r_lo = max(0, int(np.ceil((min(ay, by, cy) - y0) / py)))
        r_hi = min(rows - 1, int(np.floor((max(ay, by, cy) - y0) / py)))
        for r in range(r_lo, r_hi + 1):
            y = y0 + r * py
            for col in range(c_lo, c_hi + 1):
                x = x0 + col * px
                wb = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) / nz
                wc = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / nz
                if wb < 0.0 or wc < 0.0 or wb + wc > 1.0:
                    continue
                node = r * cols + col
                if writes:
                    at = first[node] + count[node]
                    z = az + wb * (bz - az) + wc * (cz - az)
                    while at > first[node] and height[at - 1] > z:  # few crossings: insertion keeps them in order
                        height[at] = height[at - 1]
                        rises[at] = rises[at - 1]
                        at -= 1
                    height[at] = z
                    rises[at] = nz > 0.0
                count[node] += 1


def cut_columns(vertices: Floats, faces: Ints, *, x: Floats, y: Floats) -> Columns:
    """Return where the upright columns at the nodes of a grid cross a mesh.

    Args:
        vertices: (V, 3) float64, mm; columns run along the third axis.
        faces: (F, 3) int.
        x: (C,) float64, mm, evenly spaced, C >= 2.
        y: (R,) float64, mm, evenly spaced, R >= 2.

    Returns:
        Columns: (R, C, K), K that of the column with the most crossings.

    Raises:
        ValueError: fewer than two nodes along an axis.
    """
    if len(x) < 2 or len(y) < 2:
        raise ValueError(f"a grid has two nodes or more along each axis, got {len(x)} x {len(y)}")
    px, py = float(x[1] - x[0]), float(y[1] - y[0])
    x0, y0 = float(x[0]) + ASIDE[0] * px, float(y[0]) + ASIDE[1] * py
    nodes = len(x) * len(y)
    points = np.array(vertices, dtype=np.float64)
    corners = np.array(faces, dtype=np.int32)
    count = np.zeros(nodes, dtype=np.int64)
    none, no_way = np.zeros(0), np.zeros(0, dtype=np.bool_)
    first = np.zeros(nodes, dtype=np.int64)
    _cross(points, corners, x0, y0, px, py, len(y), len(x), first, none, no_way, count)
    most, total = int(count.max()), int(count.sum())
    height, rises = np.full((nodes, most), np.inf), np.zeros((nodes, most), dtype=np.bool_)
    if total:
        first = np.concatenate([[0], np.cumsum(count)[:-1]])
        flat, way = np.zeros(total), np.zeros(total, dtype=np.bool_)
        found = np.zeros(nodes, dtype=np.int64)
        _cross(points, corners, x0, y0, px, py, len(y), len(x), first, flat, way, found)
        node = np.repeat(np.arange(nodes), count)
        slot = np.arange(total) - np.repeat(first, count)
        height[node, slot], rises[node, slot] = flat, way
    shape = (len(y), len(x), most)
    return Columns(height.reshape(shape), rises.reshape(shape))
