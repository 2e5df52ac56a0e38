"""The ideal insertable space of a known shape by brute force: the reference for accuracy tests.

A part that keeps the clearance `c` from the material while it leaves along +z lies outside the material grown
by a ball of radius c and then by every downward cone whose half-angle is the draft. Here that is not done on
a grid: for each wanted point the exact extreme over every triangle near enough to matter is found. The
functions maximised (height) and minimised (distance) are concave and convex over a triangle, so the extreme
lies where the gradient vanishes inside it or on an edge, or at a corner; all those places are tried. Nothing
is shared with the product but numpy and numba.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sqrt, tan
from typing import Any

import numba
import numpy as np

from mountgen.arrays import Floats, Ints

STEEPEST = 1.0e5  # cone steepness that stands for no draft at all: 1 µm of plan is 0.1 m of height
BIN = 2.0  # mm; cell of the table that finds the triangles near a point
_jit = numba.njit(cache=True, nogil=True)


def ideal_height(
    points_xy: Floats, vertices: Floats, faces: Ints, *, clearance: float, draft_deg: float
) -> Floats:
    """Return the lowest height a point of a part may have at each place of the plan.

    Args:
        points_xy: (N, 2) float64, mm, truth frame; the draw direction is +z.
        vertices, faces: (V, 3) mm and (F, 3), the true shape.
        clearance: distance kept from the material all along the withdrawal, mm.
        draft_deg: lean of the steepest wall the part may have, degrees from the draw direction.

    Returns:
        (N,) float64, mm: max over points q of the shape of z(q) + g(|p - q|), where g is a half-ball of
        radius `clearance` continued along its tangent by the draft cone; -inf where no material comes near.
    """
    points = np.ascontiguousarray(points_xy, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2:
        raise ValueError(f"points_xy must have shape (N, 2), not {points.shape}")
    table = _table(vertices, faces)
    out = np.empty(len(points))
    _heights(
        points,
        table.corners,
        table.start,
        table.member,
        table.low,
        table.top,
        clearance,
        _slope(draft_deg),
        out,
    )
    return out


def ideal_gap(points: Floats, vertices: Floats, faces: Ints, *, clearance: float, draft_deg: float) -> Floats:
    """Return the distance of each point from the surface of the ideal insertable space, positive inside it.

    Args:
        points: (N, 3) float64, mm, truth frame; the draw direction is +z.
        vertices, faces, clearance, draft_deg: as for `ideal_height`.

    Returns:
        (N,) float64, mm: distance to the material swept along the draft cone, less the clearance. Where it is
        positive this is the exact distance to the ideal surface; where it is negative it is how much of the
        clearance is missing.
    """
    wanted = np.ascontiguousarray(points, dtype=np.float64)
    if wanted.ndim != 2 or wanted.shape[1] != 3:
        raise ValueError(f"points must have shape (N, 3), not {wanted.shape}")
    table = _table(vertices, faces)
    out = np.empty(len(wanted))
    _distances(wanted, table.corners, table.start, table.member, table.low, table.top, _slope(draft_deg), out)
    return out - clearance


@dataclass(frozen=True, eq=False)
class _Table:
    """Triangles sorted into square cells of the plan; cell k holds member[start[k] : start[k + 1]]."""

    corners: Floats  # (F, 3, 3)
    start: Any  # (rows, columns + 1) int64
    member: Any
    low: Floats  # (2,) corner of the table, mm
    top: float  # highest z of all


_TABLES: dict[tuple[int, int], tuple[Floats, Ints, _Table]] = {}


def _table(vertices: Floats, faces: Ints) -> _Table:
    """Return the table of a mesh, kept while the same two arrays are asked about again."""
    key = (id(vertices), id(faces))
    if key not in _TABLES:
        _TABLES.clear()
        corners = np.ascontiguousarray(np.asarray(vertices, dtype=np.float64)[faces])
        low = corners[:, :, :2].min(axis=(0, 1)) - 1e-6
        shape = np.ceil((corners[:, :, :2].max(axis=(0, 1)) - low) / BIN).astype(np.int64) + 1
        count = np.zeros(shape[0] * shape[1] + 1, dtype=np.int64)
        _sort_in(corners, low, shape, count, np.empty(0, dtype=np.int64), False)
        start = np.concatenate([[0], np.cumsum(count)])[:-1]
        member = np.empty(start[-1], dtype=np.int64)
        _sort_in(corners, low, shape, start[:-1].copy(), member, True)
        top = float(corners[:, :, 2].max())
        # the arrays are held as well, so that their ids cannot be given to others
        _TABLES[key] = (
            vertices,
            faces,
            _Table(corners, start.reshape(-1), member, np.array([*low, shape[0], shape[1]]), top),
        )
    return _TABLES[key][2]


def _slope(draft_deg: float) -> float:
    return min(STEEPEST, 1.0 / tan(radians(draft_deg))) if draft_deg > 0.0 else STEEPEST


@_jit
def _sort_in(corners, low, shape, place, member, write):  # type: ignore[no-untyped-def]
    for f in range(corners.shape[0]):
        x0 = min(corners[f, 0, 0], corners[f, 1, 0], corners[f, 2, 0])
        x1 = max(corners[f, 0, 0], corners[f, 1, 0], corners[f, 2, 0])
        y0 = min(corners[f, 0, 1], corners[f, 1, 1], corners[f, 2, 1])
        y1 = max(corners[f, 0, 1], corners[f, 1, 1], corners[f, 2, 1])
        for i in range(int((x0 - low[0]) / BIN), int((x1 - low[0]) / BIN) + 1):
            for j in range(int((y0 - low[1]) / BIN), int((y1 - low[1]) / BIN) + 1):
                k = i * shape[1] + j
                if write:
                    member[place[k]] = f
                place[k] += 1


@_jit
def _rise(dx, dy, ball, slope):  # type: ignore[no-untyped-def]
    """Height of the half-ball with its tangent cone at plan distance (dx, dy) from its centre."""
    square = dx * dx + dy * dy
    touch = ball * slope / sqrt(1.0 + slope * slope)
    if square <= touch * touch:
        return sqrt(ball * ball - square)
    return ball * sqrt(1.0 + slope * slope) - slope * sqrt(square)


@_jit
def _edge_height(px, py, a, b, ball, slope):  # type: ignore[no-untyped-def]
    """Greatest z + rise over the edge from a to b, seen from (px, py)."""
    ex, ey, ez = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    best = max(
        a[2] + _rise(px - a[0], py - a[1], ball, slope), b[2] + _rise(px - b[0], py - b[1], ball, slope)
    )
    length = sqrt(ex * ex + ey * ey)
    if length < 1e-12:
        return best
    steep = ez / length
    foot = ((px - a[0]) * ex + (py - a[1]) * ey) / length
    across = abs((px - a[0]) * ey - (py - a[1]) * ex) / length
    # with h = across, the rise falls as steeply as the edge climbs where
    # on the ball u / sqrt(c² - h² - u²) = steep, and on the cone slope u / sqrt(h² + u²) = steep
    for zone in range(2):
        if zone == 0:
            if ball * ball <= across * across:
                continue
            u = steep * sqrt((ball * ball - across * across) / (1.0 + steep * steep))
        else:
            if slope <= abs(steep):
                continue
            u = steep * across / sqrt(slope * slope - steep * steep)
        t = (foot + u) / length
        if 0.0 < t < 1.0:
            best = max(best, a[2] + t * ez + _rise(px - a[0] - t * ex, py - a[1] - t * ey, ball, slope))
    return best


@_jit
def _face_height(px, py, tri, ball, slope):  # type: ignore[no-untyped-def]
    """Greatest z + rise where it is stationary inside the triangle, or -inf."""
    ax, ay, az = tri[0, 0], tri[0, 1], tri[0, 2]
    bx, by, bz = tri[1, 0] - ax, tri[1, 1] - ay, tri[1, 2] - az
    cx, cy, cz = tri[2, 0] - ax, tri[2, 1] - ay, tri[2, 2] - az
    det = bx * cy - by * cx
    if abs(det) < 1e-14:
        return -np.inf
    mx = (bz * cy - cz * by) / det  # the plane is z = az + mx (x - ax) + my (y - ay)
    my = (cz * bx - bz * cx) / det
    square = mx * mx + my * my
    if square >= slope * slope:
        return -np.inf
    stretch = ball / sqrt(1.0 + square)
    qx, qy = px + mx * stretch - ax, py + my * stretch - ay
    s = (qx * cy - qy * cx) / det
    t = (bx * qy - by * qx) / det
    if s < 0.0 or t < 0.0 or s + t > 1.0:
        return -np.inf
    return az + mx * qx + my * qy + stretch


@_jit
def _heights(points, corners, start, member, low, top, ball, slope, out):  # type: ignore[no-untyped-def]
    rows, cols = int(low[2]), int(low[3])
    for n in range(points.shape[0]):
        px, py = points[n, 0], points[n, 1]
        ci, cj = int(np.floor((px - low[0]) / BIN)), int(np.floor((py - low[1]) / BIN))
        best = -np.inf
        for ring in range(rows + cols):
            away = (ring - 1) * BIN  # nothing in this ring is nearer than this
            if away > 0.0 and (
                _rise(away, 0.0, ball, slope) + top <= best or (best == -np.inf and away > 2.0 * ball + BIN)
            ):
                break
            for i in range(max(0, ci - ring), min(rows, ci + ring + 1)):
                for j in range(max(0, cj - ring), min(cols, cj + ring + 1)):
                    if max(abs(i - ci), abs(j - cj)) != ring:
                        continue
                    for k in range(start[i * cols + j], start[i * cols + j + 1]):
                        tri = corners[member[k]]
                        high = max(tri[0, 2], tri[1, 2], tri[2, 2])
                        gx = max(
                            min(tri[0, 0], tri[1, 0], tri[2, 0]) - px,
                            px - max(tri[0, 0], tri[1, 0], tri[2, 0]),
                            0.0,
                        )
                        gy = max(
                            min(tri[0, 1], tri[1, 1], tri[2, 1]) - py,
                            py - max(tri[0, 1], tri[1, 1], tri[2, 1]),
                            0.0,
                        )
                        if high + _rise(gx, gy, ball, slope) <= best:
                            continue
                        value = _face_height(px, py, tri, ball, slope)
                        for e in range(3):
                            value = max(value, _edge_height(px, py, tri[e], tri[(e + 1) % 3], ball, slope))
                        best = max(best, value)
        out[n] = best


@_jit
def _cone_distance(x, y, z, slope):  # type: ignore[no-untyped-def]
    """Distance of (x, y, z) from the cone below the origin; inside it, minus the distance to its flank."""
    d = sqrt(x * x + y * y)
    if d <= slope * z:
        return sqrt(d * d + z * z)
    return (slope * d + z) / sqrt(1.0 + slope * slope)


@_jit
def _edge_distance(p, a, b, slope):  # type: ignore[no-untyped-def]
    """Least cone distance of p from the points of the edge from a to b."""
    ex, ey, ez = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    x, y, z = p[0] - a[0], p[1] - a[1], p[2] - a[2]
    best = min(_cone_distance(x, y, z, slope), _cone_distance(p[0] - b[0], p[1] - b[1], p[2] - b[2], slope))
    square = ex * ex + ey * ey + ez * ez
    if square < 1e-20:
        return best
    t = (x * ex + y * ey + z * ez) / square
    if 0.0 < t < 1.0:
        best = min(best, _cone_distance(x - t * ex, y - t * ey, z - t * ez, slope))
    length = sqrt(ex * ex + ey * ey)
    if length > 1e-12 and abs(ez) < slope * length:
        steep = ez / length
        across = abs(x * ey - y * ex) / length
        t = ((x * ex + y * ey) / length + steep * across / sqrt(slope * slope - steep * steep)) / length
        if 0.0 < t < 1.0:
            best = min(best, _cone_distance(x - t * ex, y - t * ey, z - t * ez, slope))
    return best


@_jit
def _face_distance(p, tri, slope):  # type: ignore[no-untyped-def]
    """Cone distance of p from its foot on the triangle's plane where that lies in the triangle, or inf."""
    b0, b1, b2 = tri[1, 0] - tri[0, 0], tri[1, 1] - tri[0, 1], tri[1, 2] - tri[0, 2]
    c0, c1, c2 = tri[2, 0] - tri[0, 0], tri[2, 1] - tri[0, 1], tri[2, 2] - tri[0, 2]
    q0, q1, q2 = p[0] - tri[0, 0], p[1] - tri[0, 1], p[2] - tri[0, 2]
    bb, cc, bc = b0 * b0 + b1 * b1 + b2 * b2, c0 * c0 + c1 * c1 + c2 * c2, b0 * c0 + b1 * c1 + b2 * c2
    qb, qc = q0 * b0 + q1 * b1 + q2 * b2, q0 * c0 + q1 * c1 + q2 * c2
    det = bb * cc - bc * bc
    if det < 1e-20:
        return np.inf
    s, t = (qb * cc - qc * bc) / det, (qc * bb - qb * bc) / det
    if s < 0.0 or t < 0.0 or s + t > 1.0:
        return np.inf
    return _cone_distance(q0 - s * b0 - t * c0, q1 - s * b1 - t * c1, q2 - s * b2 - t * c2, slope)


@_jit
def _distances(points, corners, start, member, low, top, slope, out):  # type: ignore[no-untyped-def]
    rows, cols = int(low[2]), int(low[3])
    scale = sqrt(1.0 + slope * slope)
    for n in range(points.shape[0]):
        p = points[n]
        ci, cj = int(np.floor((p[0] - low[0]) / BIN)), int(np.floor((p[1] - low[1]) / BIN))
        best = np.inf
        for ring in range(rows + cols):
            away = (ring - 1) * BIN
            if away > 0.0 and (slope * away + p[2] - top) / scale >= best:
                break
            for i in range(max(0, ci - ring), min(rows, ci + ring + 1)):
                for j in range(max(0, cj - ring), min(cols, cj + ring + 1)):
                    if max(abs(i - ci), abs(j - cj)) != ring:
                        continue
                    for k in range(start[i * cols + j], start[i * cols + j + 1]):
                        tri = corners[member[k]]
                        high = max(tri[0, 2], tri[1, 2], tri[2, 2])
                        gx = max(
                            min(tri[0, 0], tri[1, 0], tri[2, 0]) - p[0],
                            p[0] - max(tri[0, 0], tri[1, 0], tri[2, 0]),
                            0.0,
                        )
                        gy = max(
                            min(tri[0, 1], tri[1, 1], tri[2, 1]) - p[1],
                            p[1] - max(tri[0, 1], tri[1, 1], tri[2, 1]),
                            0.0,
                        )
                        if (slope * sqrt(gx * gx + gy * gy) + p[2] - high) / scale >= best:
                            continue
                        value = _face_distance(p, tri, slope)
                        for e in range(3):
                            value = min(value, _edge_distance(p, tri[e], tri[(e + 1) % 3], slope))
                        best = min(best, value)
        out[n] = best
