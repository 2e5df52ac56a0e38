"""Compiled loops over triangles, points and grid nodes: the z-buffer and the two dilations. A leaf.

All fields are (R, C) float32 in mm: row r is y = origin[1] + r*pitch, column c is x = origin[0] + c*pitch. A node that nothing
has reached holds EMPTY. The loops release the interpreter lock, so two halves of a mesh can run in two threads.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, cos, floor, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, Singles
from mountgen.compiled import compiled
from mountgen.threads import share_parts

EMPTY = np.float32(-1.0e9)  # mm; height of a node nothing has reached
SUMS = 4  # parts in which a sum is taken, whatever threads there are, so that it is the same on every machine
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


@_jit
def _sweep_cone(height, drop, near, far):  # type: ignore[no-untyped-def]
    """Two sweeps of a 5 x 5 chamfer: every node is raised to each neighbour less `drop` a pitch of distance."""
    rows, cols = height.shape
    for sweep in range(2):
        s = 1 if sweep == 0 else -1
        for i in range(rows):
            r = i if s == 1 else rows - 1 - i
            for j in range(cols):
                c = j if s == 1 else cols - 1 - j
                best = height[r, c]
                for k in range(8):
                    if k == 0:
                        dr, dc, d = 0, -1, 1.0
                    elif k == 1:
                        dr, dc, d = -1, 0, 1.0
                    elif k == 2:
                        dr, dc, d = -1, -1, near
                    elif k == 3:
                        dr, dc, d = -1, 1, near
                    elif k == 4:
                        dr, dc, d = -1, -2, far
                    elif k == 5:
                        dr, dc, d = -1, 2, far
                    elif k == 6:
                        dr, dc, d = -2, -1, far
                    else:
                        dr, dc, d = -2, 1, far
                    rr, cc = r + s * dr, c + s * dc
                    if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                        continue
                    other = height[rr, cc] - drop * d
                    if other > best:
                        best = other
                height[r, c] = best


@_jit
def _climb(height, level, rise):  # type: ignore[no-untyped-def]
    """One pair of sweeps of level = max(height, lowest neighbour + rise); returns whether anything changed."""
    rows, cols = height.shape
    changed = False
    for sweep in range(2):
        s = 1 if sweep == 0 else -1
        for i in range(rows):
            r = i if s == 1 else rows - 1 - i
            for j in range(cols):
                c = j if s == 1 else cols - 1 - j
                best = level[r, c]
                for k in range(4):
                    rr = r - s if k > 0 else r
                    cc = c - s if k == 0 else c + k - 2
                    if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                        continue
                    other = level[rr, cc] + rise[rr, cc] * (1.0 if k == 0 or k == 2 else 1.4142135)
                    if other < best:
                        best = other
                if best < height[r, c]:
                    best = height[r, c]
                if best < level[r, c] - 1e-4:
                    level[r, c] = best
                    changed = True
    return changed


@_jit
def _lead_uphill(height, order, label):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    for k in range(len(order)):
        r, c = order[k] // cols, order[k] % cols
        if label[r, c] != 0:
            continue
        best = height[r, c]
        for dr in range(-1, 2):
            for dc in range(-1, 2):
                rr, cc = r + dr, c + dc
                if 0 <= rr < rows and 0 <= cc < cols and height[rr, cc] > best:
                    best = height[rr, cc]
                    label[r, c] = label[rr, cc]


@_jit
def _disc_highest(height, half, first, last, out):  # type: ignore[no-untyped-def]
    """Raise rows first to last of `out` to the highest within a disc, whose row k reaches half[k] nodes to either side.

    Each row's highest over 1, 2, 4, ... nodes is tabled once; any run of nodes is then covered by two table entries.
    """
    rows, cols = height.shape
    reach = (half.shape[0] - 1) // 2
    size = cols + 2 * reach
    levels = 1
    while 2**levels <= 2 * reach + 1:
        levels += 1
    table = np.full((levels, size), -np.inf, dtype=np.float32)
    run = np.empty(cols, dtype=np.float32)
    for r in range(first, last):
        out[r] = height[r]
    for r in range(max(0, first - reach), min(rows, last + reach)):
        table[0, reach : reach + cols] = height[r]
        for j in range(1, levels):
            step = 2 ** (j - 1)
            below, here = table[j - 1], table[j]
            for i in range(size - step):
                a, b = below[i], below[i + step]
                here[i] = a if a > b else b
            here[size - step :] = below[size - step :]
        for k in range(reach + 1):
            wide = half[k]
            level = 0
            while 2 ** (level + 1) <= 2 * wide + 1:
                level += 1
            tabled, start = table[level], reach - wide
            shift = 2 * wide + 1 - 2**level
            for c in range(cols):
                a, b = tabled[start + c], tabled[start + c + shift]
                run[c] = a if a > b else b
            for other in (r + reach - k, r - reach + k):
                if first <= other < last:
                    row = out[other]
                    for c in range(cols):
                        row[c] = run[c] if run[c] > row[c] else row[c]


@_jit
def _reach_disc(mask, half, near):  # type: ignore[no-untyped-def]
    """Mark what lies within a disc, whose row k reaches half[k] nodes to either side, of a marked node.

    Down and up each column first: how many rows away the next marked node is. Then along each row, by counting the runs that
    begin and end at a node.
    """
    rows, cols = mask.shape
    far = half.shape[0]
    away = np.empty((rows, cols), dtype=np.int32)
    for r in range(rows):
        for c in range(cols):
            away[r, c] = 0 if mask[r, c] else (min(away[r - 1, c] + 1, far) if r > 0 else far)
    runs = np.empty(cols + 1, dtype=np.int32)
    for r in range(rows - 1, -1, -1):
        runs[:] = 0
        for c in range(cols):
            if r < rows - 1 and away[r + 1, c] + 1 < away[r, c]:
                away[r, c] = away[r + 1, c] + 1
            if away[r, c] < far:
                wide = half[away[r, c]]
                runs[max(0, c - wide)] += 1
                runs[min(cols, c + wide + 1)] -= 1
        count = 0
        for c in range(cols):
            count += runs[c]
            near[r, c] = count > 0


@_jit
def _find_beside(label, wanted, half, out):  # type: ignore[no-untyped-def]
    """Give each wanted node the index, row by row, of the labelled node nearest to it within a disc; -1 for none."""
    rows, cols = label.shape
    reach = half.shape[0] - 1
    for i in range(wanted.shape[0]):
        r, c = wanted[i] // cols, wanted[i] % cols
        best, found = 2 * reach * reach + 2, -1
        for dr in range(-reach, reach + 1):
            rr = r + dr
            if rr < 0 or rr >= rows:
                continue
            wide = half[abs(dr)]
            for cc in range(max(0, c - wide), min(cols, c + wide + 1)):
                square = dr * dr + (cc - c) ** 2
                if square < best and label[rr, cc] > 0:
                    best, found = square, rr * cols + cc
        out[i] = found


@_jit
def _place(points, i, x0, y0, pitch, rows, cols):  # type: ignore[no-untyped-def]
    """Return the node (row, column) before a point, and how far the point lies from there to the next, as shares."""
    fx = min(max((points[i, 0] - x0) / pitch, 0.0), cols - 1.001)
    fy = min(max((points[i, 1] - y0) / pitch, 0.0), rows - 1.001)
    c, r = int(fx), int(fy)
    return r, c, fx - c, fy - r


@_jit
def _mix(field, r, c, tx, ty):  # type: ignore[no-untyped-def]
    low = field[r, c] * (1.0 - tx) + field[r, c + 1] * tx
    high = field[r + 1, c] * (1.0 - tx) + field[r + 1, c + 1] * tx
    return low * (1.0 - ty) + high * ty


@_jit
def _bilinear(field, points, x0, y0, pitch, out):  # type: ignore[no-untyped-def]
    rows, cols = field.shape
    for i in range(points.shape[0]):
        r, c, tx, ty = _place(points, i, x0, y0, pitch, rows, cols)
        out[i] = _mix(field, r, c, tx, ty)


@_jit
def _bilinear_both(first, second, points, x0, y0, pitch, one, other):  # type: ignore[no-untyped-def]
    rows, cols = first.shape
    for i in range(points.shape[0]):
        r, c, tx, ty = _place(points, i, x0, y0, pitch, rows, cols)
        one[i], other[i] = _mix(first, r, c, tx, ty), _mix(second, r, c, tx, ty)


@_jit
def _look_around(height, border, empty, todo, reach, out):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    for i in range(todo.shape[0]):
        r, c = todo[i, 0], todo[i, 1]
        best = empty
        for k in range(16):
            angle = k * np.pi / 8.0
            dr, dc = np.sin(angle), np.cos(angle)
            for step in range(1, reach):
                rr = round(r + step * dr)
                cc = round(c + step * dc)
                if rr < 0 or cc < 0 or rr >= rows or cc >= cols:
                    break
                if height[rr, cc] > empty:
                    best = max(best, border[rr, cc] if border[rr, cc] > empty else height[rr, cc])
                    break
        out[i] = best


@_jit
def _fill_rows(loop, x0, y0, pitch, inside):  # type: ignore[no-untyped-def]
    rows, cols = inside.shape
    count = loop.shape[0]
    cuts = np.empty(count)
    for r in range(rows):
        y = y0 + r * pitch
        found = 0
        for i in range(count):
            ay, by = loop[i, 1], loop[(i + 1) % count, 1]
            if (ay > y) != (by > y):
                ax, bx = loop[i, 0], loop[(i + 1) % count, 0]
                cuts[found] = ax + (y - ay) * (bx - ax) / (by - ay)
                found += 1
        cuts[:found].sort()
        for i in range(0, found - 1, 2):
            first = max(0, ceil((cuts[i] - x0) / pitch))
            last = min(cols - 1, floor((cuts[i + 1] - x0) / pitch))
            for c in range(first, last + 1):
                inside[r, c] = not inside[r, c]


@_jit
def _sum_free(height, first, stop, empty, mouth, lid, sx, sy, level, cosine, sine, x0, y0, pitch, steps):  # type: ignore[no-untyped-def]
    rows, cols = height.shape
    total = 0.0
    for r in range(first, stop):
        for c in range(cols):
            if not height[r, c] > empty:
                continue
            u, v = x0 + pitch * c, y0 + pitch * r
            x, y = cosine * u - sine * v - level * sx, sine * u + cosine * v - level * sy
            above = level
            for _ in range(steps):
                px, py = x + above * sx, y + above * sy
                above = lid[0] + lid[1] * px + lid[2] * py + lid[3] * px * px + lid[4] * px * py + lid[5] * py * py
            free = above - height[r, c]
            if free > 0.0:
                k, q = round((cosine * px + sine * py - x0) / pitch), round((cosine * py - sine * px - y0) / pitch)
                if 0 <= q < rows and 0 <= k < cols and mouth[q, k]:
                    total += free
    return total


def empty_field(shape: tuple[int, int]) -> Singles:
    """Return a field that nothing has reached."""
    return np.full(shape, EMPTY, dtype=np.float32)


def fill_loop(loop: Floats, *, origin: tuple[float, float], pitch: float, shape: tuple[int, int]) -> Bools:
    """Return the nodes inside a closed loop (K, 2), mm, by the even-odd rule, (R, C) bool."""
    inside: Bools = np.zeros(shape, dtype=np.bool_)
    _fill_rows(np.ascontiguousarray(loop, dtype=np.float64), origin[0], origin[1], pitch, inside)
    return inside


def sum_free(
    height: Singles, mouth: Bools, lid: Floats, *, slope: Floats, level: float, turn: float, origin: tuple[float, float],
    pitch: float, steps: int,
) -> float:
    """Return the volume over a height field that is free up to a lid and left through a mouth along (slope, 1), mm³.

    Args:
        height: (R, C) float32, of a mesh sheared by minus the slope, so that the way out is upright; what is EMPTY is not free.
        mouth: (R, C) bool, nodes where the lid may be passed.
        lid: (6,) terms of its height in x and y, as in `lid.lid_height`.
        slope: (2,) mm sideways per mm of height.
        level: mm, height at which the shear leaves things in their place.
        turn: radians from the lid's x axis to the grid's.
        origin, pitch: the grid, as for `raster_faces`.
        steps: in which the place is found where a line meets the lid.
    """

    def work(part: slice) -> float:
        free: float = _sum_free(
            height, part.start, part.stop, EMPTY, mouth, lid, float(slope[0]), float(slope[1]), level, cos(turn), sin(turn),
            *origin, pitch, steps,
        )  # fmt: skip
        return free

    return sum(share_parts(work, len(height), parts=SUMS)) * pitch * pitch


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


def dilate_cone(height: Singles, *, slope: float, pitch: float) -> Singles:
    """Return the grey dilation of a field by a cone: max over q of height(q) - slope * |p - q|.

    Two sweeps of a 5 x 5 chamfer with unit, diagonal and knight steps; distance is over-estimated by at most 2.8 %.

    References:
        G. Borgefors (1986), Distance transformations in digital images, CVGIP 34:344-371.
    """
    raised = height.copy()
    _sweep_cone(raised, slope * pitch, sqrt(2.0), sqrt(5.0))
    return raised


def sample_grid(field: Singles, points: Floats, *, origin: tuple[float, float], pitch: float) -> Floats:
    """Return a field's values at points (..., 2), mm, bilinear between nodes; beyond its edge that of the edge."""
    flat = np.ascontiguousarray(points, dtype=np.float64).reshape(-1, 2)
    out = np.empty(len(flat))
    _bilinear(field, flat, origin[0], origin[1], pitch, out)
    return out.reshape(points.shape[:-1])


def sample_both(
    first: Singles, second: Singles, points: Floats, *, origin: tuple[float, float], pitch: float
) -> tuple[Floats, Floats]:
    """Return two fields' values at points (N, 2), mm, each as `sample_grid` does, in two thirds of the time."""
    flat = np.ascontiguousarray(points, dtype=np.float64)
    values = np.empty(len(flat)), np.empty(len(flat))
    _bilinear_both(first, second, flat, origin[0], origin[1], pitch, *values)
    return values


def dilate_disc(height: Singles, *, radius: float, pitch: float) -> Singles:
    """Return each node's highest value within a flat disc of `radius` mm."""
    reach = int(radius / pitch)
    half = np.array([int(sqrt(reach**2 - k**2)) for k in range(-reach, reach + 1)])
    out = np.empty_like(height)

    def work(part: slice) -> None:
        _disc_highest(height, half, part.start, part.stop, out)

    share_parts(work, height.shape[0])
    return out


def open_disc(mask: Bools, *, radius: float, pitch: float) -> Bools:
    """Return the nodes of a mask (R, C) that a disc of `radius` mm inside it covers; beyond its edge there is nothing."""
    beyond = np.pad(~mask, 1, constant_values=True)
    opened: Bools = reach_disc(~reach_disc(beyond, radius=radius, pitch=pitch), radius=radius, pitch=pitch)[1:-1, 1:-1]
    return opened


def reach_disc(mask: Bools, *, radius: float, pitch: float) -> Bools:
    """Return the nodes (R, C) that lie within `radius` mm of one of a mask; its cost does not grow with the radius."""
    half = _list_halves(radius / pitch)
    near: Bools = np.empty(mask.shape, dtype=np.bool_)
    _reach_disc(np.ascontiguousarray(mask), half, near)
    return near


def climb(height: Singles, start: Bools, slope: Singles, *, pitch: float, most_sweeps: int = 60) -> Singles:
    """Return the lowest field above `height` that nowhere rises more gently than `slope` (R, C), going away from the start nodes.

    A path from the start climbs at least `slope` mm a mm; pits that the start cannot reach downhill are filled to their sill.
    Found by alternating sweeps until nothing changes.
    """
    level = np.full_like(height, -EMPTY)
    level[start] = height[start]
    rise = np.asarray(slope * np.float32(pitch), dtype=np.float32)
    for _ in range(most_sweeps):
        if not _climb(height, level, rise):
            break
    return level


def lead_uphill(height: Singles, label: Ints) -> Ints:
    """Return the label to which each unlabelled node comes by going always to its highest neighbour, (R, C); 0 for lone peaks.

    Args:
        height: (R, C).
        label: (R, C), 0 where it is to be found.
    """
    found: Ints = np.array(label, dtype=np.int32)
    left = np.flatnonzero(found == 0)
    _lead_uphill(height, left[np.argsort(-height.ravel()[left], kind="stable")], found)
    return found


def _list_halves(radius: float) -> NDArray[np.int64]:
    """Return how many nodes a disc reaches to either side, in its middle row and each next one. radius: in nodes."""
    return np.array([int(sqrt(radius**2 - k**2)) for k in range(int(radius) + 1)], dtype=np.int64)


def find_beside(label: Ints, wanted: NDArray[np.int64], *, radius: float, pitch: float) -> NDArray[np.int64]:
    """Return the labelled node nearest to each wanted one and within `radius` mm of it, (N,); -1 where there is none.

    Args:
        label: (R, C), above 0 where there is a label.
        wanted: (N,) nodes, counted row by row; so is what is returned.
    """
    found = np.empty(len(wanted), dtype=np.int64)
    _find_beside(np.ascontiguousarray(label), wanted, _list_halves(radius / pitch), found)
    return found


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


def look_around(height: Singles, border: Singles, wanted: Bools, *, reach: float, pitch: float) -> Singles:
    """Return, for each wanted node (in np.argwhere order), the highest of the surfaces met first in 16 directions of the plan.

    Args:
        height: (R, C), EMPTY where there is no surface.
        border: (R, C), height of the surface's own border where that runs past the node, else EMPTY. It stands in for the
            surface there: a pitch into a steep wall the surface is much higher than where it ends.
        wanted: (R, C), the nodes to look from.
        reach: how far to look, mm.
        pitch: of the nodes, mm.
    """
    todo = np.argwhere(wanted).astype(np.int32)
    out = np.full(len(todo), EMPTY, dtype=np.float32)
    _look_around(height, border, EMPTY, todo, max(2, ceil(reach / pitch)), out)
    return out


def _merge(work: Callable[[slice], Singles], count: int) -> Singles:
    if count < FEW:
        return work(slice(0, count))
    merged, *others = share_parts(work, count)
    for other in others:
        np.maximum(merged, other, out=merged)
    return merged
