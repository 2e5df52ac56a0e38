"""Fields made from triangles and points: the z-buffer, and the dilation by a ball. A leaf.

Fields are those of `grid`. The loops are compiled and release the interpreter lock, so two halves of a mesh can run in two
threads.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, floor, sqrt

import numpy as np

from mountgen.arrays import Floats, Ints, Singles
from mountgen.compiled import compiled
from mountgen.grid import empty_field
from mountgen.threads import share_parts

FEW = 60_000  # triangles; fewer are done sooner than threads are started
SAGITTA = 0.01  # mm; balls along an edge are set so close that the scallop between them stays below this
_jit = compiled(fastmath=False)


@_jit
def _raster_faces(vertices, faces, lift, x0, y0, pitch, height):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
        bx, by, bz = vertices[b, 0], vertices[b, 1], vertices[b, 2]
        cx, cy, cz = vertices[c, 0], vertices[c, 1], vertices[c, 2]
        nz = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if nz == 0.0:
            continue
        clear = lift[f]
        if clear > 0.0:
            if nz < 0.0:
                continue  # a face that looks down cannot be the top of its own offset
            nx = (by - ay) * (cz - az) - (bz - az) * (cy - ay)
            ny = (bz - az) * (cx - ax) - (bx - ax) * (cz - az)
            scale = clear / sqrt(nx * nx + ny * ny + nz * nz)
            ax += nx * scale
            bx += nx * scale
            cx += nx * scale
            ay += ny * scale
            by += ny * scale
            cy += ny * scale
            az += nz * scale
            bz += nz * scale
            cz += nz * scale
        c_lo = max(0, ceil((min(ax, bx, cx) - x0) / pitch))
        c_hi = min(cols - 1, floor((max(ax, bx, cx) - x0) / pitch))
        r_lo = max(0, ceil((min(ay, by, cy) - y0) / pitch))
        r_hi = min(rows - 1, floor((max(ay, by, cy) - y0) / pitch))
        inv = 1.0 / nz
        for r in range(r_lo, r_hi + 1):
            y = y0 + r * pitch
            for col in range(c_lo, c_hi + 1):
                x = x0 + col * pitch
                wb = ((x - ax) * (cy - ay) - (y - ay) * (cx - ax)) * inv
                wc = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) * inv
                if wb < -1e-9 or wc < -1e-9 or wb + wc > 1.0 + 1e-9:
                    continue
                z = az + wb * (bz - az) + wc * (cz - az)
                if z > height[r, col]:
                    height[r, col] = z


@_jit
def _stamp(x, y, z, ball, slope, skirt, x0, y0, pitch, height):  # type: ignore[no-untyped-def]
    """Raise the field to a ball of radius `ball` about (x, y, z), continued below its tangent by a cone of steepness `slope`."""
    rows, cols = height.shape
    reach = ball + skirt
    c_lo = max(0, ceil((x - reach - x0) / pitch))
    c_hi = min(cols - 1, floor((x + reach - x0) / pitch))
    r_lo = max(0, ceil((y - reach - y0) / pitch))
    r_hi = min(rows - 1, floor((y + reach - y0) / pitch))
    # the cone touches the ball where the ball's own slope d / sqrt(c² - d²) equals `slope`
    touch = ball * slope / sqrt(1.0 + slope * slope)
    apex = z + ball * sqrt(1.0 + slope * slope)
    for r in range(r_lo, r_hi + 1):
        dy = y0 + r * pitch - y
        for col in range(c_lo, c_hi + 1):
            dx = x0 + col * pitch - x
            square = dx * dx + dy * dy
            if square > reach * reach:
                continue
            if square < touch * touch:  # a root is drawn only where the field is raised
                lack = height[r, col] - z
                if lack < 0.0 or lack * lack < ball * ball - square:
                    height[r, col] = max(height[r, col], z + sqrt(ball * ball - square))
            else:
                room = apex - height[r, col]
                if room > 0.0 and room * room > slope * slope * square:
                    height[r, col] = max(height[r, col], apex - slope * sqrt(square))


@_jit
def _find_border(faces, clear, count):  # type: ignore[no-untyped-def]
    """Mark the vertices whose faces make no closed fan or ask for different clearance.

    Around one of a closed fan every neighbour comes next once and before once.
    """
    fan = np.zeros(count, dtype=np.int64)
    least, most = np.full(count, np.inf), np.zeros(count)
    for f in range(faces.shape[0]):
        for k in range(3):
            v = faces[f, k]
            fan[v] += np.int64(faces[f, (k + 1) % 3]) - np.int64(faces[f, (k + 2) % 3])
            least[v], most[v] = min(least[v], clear[f]), max(most[v], clear[f])
    return (fan != 0) | (least < most)


@_jit
def _stamp_mesh(vertices, faces, border, clear, slope, skirt, sagitta, x0, y0, pitch, height):  # type: ignore[no-untyped-def]
    stamped = np.full(vertices.shape[0], -1.0)
    for f in range(faces.shape[0]):
        for k in range(3):
            a = faces[f, k]
            b = faces[f, (k + 1) % 3]
            ball = clear[f]
            ax, ay, az = vertices[a, 0], vertices[a, 1], vertices[a, 2]
            if ball > stamped[a]:  # the other faces around this vertex need not stamp it again
                _stamp(ax, ay, az, ball, slope, skirt, x0, y0, pitch, height)
                stamped[a] = ball
            if a > b and not (border[a] and border[b]):
                continue  # the neighbour stamps this edge; on the scan's border it has none, on a zone's it may ask for less
            dx, dy, dz = vertices[b, 0] - ax, vertices[b, 1] - ay, vertices[b, 2] - az
            step = sqrt(8.0 * max(ball, 0.05) * sagitta)
            parts = ceil(sqrt(dx * dx + dy * dy + dz * dz) / step)
            for i in range(1, parts):
                t = i / parts
                _stamp(ax + t * dx, ay + t * dy, az + t * dz, ball, slope, skirt, x0, y0, pitch, height)


@_jit
def _stamp_points(points, clear, slope, skirt, x0, y0, pitch, height):  # type: ignore[no-untyped-def]
    for i in range(points.shape[0]):
        _stamp(points[i, 0], points[i, 1], points[i, 2], clear[i], slope, skirt, x0, y0, pitch, height)


def raster_faces(
    vertices: Floats, faces: Ints, *, origin: tuple[float, float], pitch: float, shape: tuple[int, int],
    clearance: Floats | None = None,
) -> Singles:
    """Return the highest point of a mesh over each node (a z-buffer), or of its faces moved out by a clearance.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        origin: x, y of node (0, 0), mm.
        pitch: node distance, mm.
        shape: rows, columns.
        clearance: (F,) float64, mm: each face is moved along its own normal by this; faces that look down are then left out.

    Returns:
        (R, C) float32, mm; EMPTY where no face lies over the node.
    """
    lift = np.zeros(len(faces)) if clearance is None else np.ascontiguousarray(clearance, dtype=np.float64)
    vertices, faces = np.ascontiguousarray(vertices), np.ascontiguousarray(faces)

    def work(part: slice) -> Singles:
        height = empty_field(shape)
        _raster_faces(vertices, faces[part], lift[part], origin[0], origin[1], pitch, height)
        return height

    return _merge(work, len(faces))


def sweep_ball(
    vertices: Floats, faces: Ints, clearance: Floats, *, slope: float, origin: tuple[float, float], pitch: float,
    shape: tuple[int, int],
) -> Singles:
    """Return the upper surface of the Minkowski sum of a mesh and a ball: its faces moved out, and balls on vertices and edges.

    Each ball is continued downwards by a short cone, which keeps the field steep but finite beside walls, so that a level set
    can be found between nodes to a fraction of the pitch.

    Args:
        vertices: (V, 3) float64, mm.  faces: (F, 3) int32.
        clearance: (F,) float64, ball radius at each face, mm.
        slope: cone steepness, mm of height per mm of distance (1 / tan of the draft).
        origin, pitch, shape: the grid, as for `raster_faces`.

    Returns:
        (R, C) float32, mm; EMPTY where nothing lies over the node.
    """
    vertices, faces = np.ascontiguousarray(vertices), np.ascontiguousarray(faces)
    clearance = np.ascontiguousarray(clearance, dtype=np.float64)
    border = _find_border(faces, clearance, len(vertices))
    moved = raster_faces(vertices, faces, origin=origin, pitch=pitch, shape=shape, clearance=clearance)

    def work(part: slice) -> Singles:
        height = moved.copy()  # most of a ball lies below the faces beside it
        _stamp_mesh(
            vertices, faces[part], border, clearance[part], slope, 2.5 * pitch, SAGITTA, origin[0], origin[1], pitch, height
        )
        return height

    return _merge(work, len(faces))


def stamp_points(
    points: Floats, clearance: Floats, *, slope: float, origin: tuple[float, float], pitch: float, height: Singles,
    skirt: float = 0.0,
) -> Singles:
    """Return `height` raised by balls (with cones, as in `sweep_ball`) about points (N, 3) of radii (N,), mm.

    The cones reach `skirt` mm beyond the balls, 2.5 pitches at least: `dilate_cone` carries them on.
    """
    raised = height.copy()
    _stamp_points(
        np.ascontiguousarray(points, dtype=np.float64), np.ascontiguousarray(clearance, dtype=np.float64), slope,
        max(skirt, 2.5 * pitch), origin[0], origin[1], pitch, raised,
    )
    return raised


def raster_border(
    vertices: Floats, edges: Ints, *, origin: tuple[float, float], pitch: float, shape: tuple[int, int]
) -> Singles:
    """Return the highest point of some edges that run past each node within a pitch, (R, C); EMPTY where none does.

    Args:
        vertices: (V, 3) float64, mm.
        edges: (E, 2), indices of vertices.
    """
    a, b = vertices[edges[:, 0]], vertices[edges[:, 1]]
    most = int(np.ceil(np.linalg.norm((b - a)[:, :2], axis=1).max(initial=0.0) / (0.5 * pitch))) + 1
    points = np.concatenate([a + t * (b - a) for t in np.linspace(0.0, 1.0, most + 1)])
    col = np.rint((points[:, 0] - origin[0]) / pitch).astype(np.int64)
    row = np.rint((points[:, 1] - origin[1]) / pitch).astype(np.int64)
    border = empty_field(shape)
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            r, c = row + dr, col + dc
            on = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
            np.maximum.at(border, (r[on], c[on]), points[on, 2].astype(np.float32))
    return border


def _merge(work: Callable[[slice], Singles], count: int) -> Singles:
    if count < FEW:
        return work(slice(0, count))
    merged, *others = share_parts(work, count)
    for other in others:
        np.maximum(merged, other, out=merged)
    return merged
