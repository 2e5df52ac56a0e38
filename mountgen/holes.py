"""Small holes of a scan, bridged on the free side of the surface they lie in.

A bridge is a fan from a centre to the border of the hole. On a hollow face a straight chord already lies on
the free side. On a face that bulges out the centre is raised until the whole fan does: with the surface
around taken as a quadric, height along a ray from the centre is c + g t + k t^2 (t = 1 at the border), and a
straight line from the border that stays above it starts at c - k or higher where k < 0, and at c where k >=
0.

Where a ridge or the edge of a step goes through a hole no quadric fits, and how high it stands in there nobody saw: a hole whose
quadric misses the surface around stays open. But a valley between two planes, as where a wall meets a floor, is bridged.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.faces import average_normals, touch_faces
from mountgen.links import Loop
from mountgen.quadric import list_quadric_terms, make_axes
from mountgen.rows import lengths

RINGS = 3  # rings of faces around a hole that tell how the surface bends there
RAISED = 0.02  # mm; from here on a raised centre is worth a mention
ROUGH = 0.12  # mm that a quadric, or two planes, may miss the surface around a hole by, root mean square
SPLITS = 4  # rounds of telling two planes apart by their normals
WIDE = 2.0  # mm; a smaller hole hides no more of an edge than the faces of a scan do
STEEPEST = 0.25  # a centre is never raised by more than this share of the hole's extent
SLIT = 1.0e-6  # a loop with less area than this share of its extent squared is a crack without width
_TERMS = 6
# points; the extent of longer loops, far above any bridge, is estimated (not too large, at most 13 % too
# small)
_MANY = 600


@dataclass(frozen=True, eq=False)
class Bridges:
    """vertices (V, 3) and faces (F, 3): the mesh with its bridges; filled, raised, folded: how many loops
    were closed, of these with a raised centre, and how many small ones were left open because they fold over;
    uneven: how many were left open because a ridge or edge may go through them; largest: extent of the largest
    closed one; left: which loops stay open, by their number.
    """

    vertices: Floats
    faces: Ints
    filled: int
    raised: int
    folded: int
    uneven: int
    largest: float
    left: tuple[int, ...] = ()


def measure_extent(points: Floats) -> float:
    """Return the largest distance between two of (N, 3) points; does not depend on the pose."""
    if len(points) > _MANY:
        from_first = np.linalg.norm(points - points[0], axis=1)
        across = np.linalg.norm(points - points[from_first.argmax()], axis=1)
        return float(across.max())
    squares = np.einsum("ij,ij->i", points, points)
    apart = squares[:, None] + squares[None, :] - 2.0 * points @ points.T
    i, j = np.unravel_index(int(apart.argmax()), apart.shape)
    return float(np.linalg.norm(points[i] - points[j]))


def bridge_holes(vertices: Floats, faces: Ints, loops: list[Loop]) -> Bridges:
    """Close the given border loops by fans of triangles that lie on the free side.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, normals to the free side.
        loops: small border loops, in the direction of the faces along them.

    Returns:
        Bridges; loops without any width count as neither filled nor left open.

    Raises:
        Nothing: a loop that cannot be closed without a fold stays open.
    """
    extents = [measure_extent(vertices[loop.vertices]) for loop in loops]
    areas = [_loop_normal(vertices[loop.vertices]) for loop in loops]
    wide = [i for i in range(len(loops)) if np.linalg.norm(areas[i]) > SLIT * extents[i] ** 2]
    if not wide:
        return Bridges(vertices, faces, 0, 0, 0, 0, 0.0)
    normals = np.array([areas[i] / np.linalg.norm(areas[i]) for i in wide])
    centres = np.array([vertices[loops[i].vertices].mean(axis=0) for i in wide])
    spans = np.array([extents[i] for i in wide])
    rays = _Rays([loops[i].vertices for i in wide], vertices, centres, normals, spans)
    lift, is_uneven = _lift_centres(vertices, faces, rays, centres, normals, spans)
    new_points: list[Floats] = []
    new_faces: list[NDArray[np.int64]] = []
    filled = raised = folded = uneven = 0
    left: list[int] = []
    largest = 0.0
    for row, i in enumerate(wide):
        corner = loops[i].vertices
        if is_uneven[row]:
            uneven += 1
            left.append(i)
            continue
        cut = _cut_fan(rays.flat(row)[::-1])
        # folds over, or bulges with no centre to raise
        if cut is None or (cut.max() < len(corner) > 3 and lift[row] > RAISED):
            folded += 1
            left.append(i)
            continue
        if cut.max() == len(corner):
            hub = len(vertices) + len(new_points)
            new_points.append(centres[row] + lift[row] * normals[row])
            raised += bool(lift[row] > RAISED)
        else:
            hub = -1
        new_faces.append(np.append(corner[::-1], hub)[cut])
        filled += 1
        largest = max(largest, extents[i])
    if new_points:
        vertices = np.concatenate([vertices, np.array(new_points)])
    if new_faces:
        faces = np.concatenate([faces, np.concatenate(new_faces).astype(np.int32)])
    return Bridges(vertices, faces, filled, raised, folded, uneven, largest, tuple(left))


def cover_holes(vertices: Floats, loops: list[Loop]) -> Ints:
    """Return the convex hulls of holes that stay open, (C, 3) int32 triangles of their borders' vertices.

    What lies in a hole stands as far out as its border at least, on the safe side: a ridge that goes through it does from end
    to end. In a wall that matters, which seen from the mouth hides its own holes.
    """
    from scipy.spatial import ConvexHull, QhullError

    covers = [np.empty((0, 3), dtype=np.int32)]
    for loop in loops:
        border = np.unique(loop.vertices)
        if len(border) == 3:
            covers.append(border[None])
        elif len(border) > 3:
            with suppress(QhullError):
                covers.append(border[ConvexHull(vertices[border], qhull_options="QJ").simplices])
    return np.concatenate(covers).astype(np.int32)


def _loop_normal(points: Floats) -> Floats:
    """Area vector of the filling of a loop whose points run along the faces around it, hence the minus
    (Newell's sum).
    """
    p = points - points[0]
    area: Floats = -0.5 * np.cross(p, np.roll(p, -1, axis=0)).sum(axis=0)
    return area


class _Rays:
    """The loops side by side, each flattened into the plane of its filling; lengths in units of the hole's
    extent.
    """

    def __init__(
        self, loops: list[Ints], vertices: Floats, centres: Floats, normals: Floats, spans: Floats
    ) -> None:
        self.index = np.concatenate(loops)
        self.owner = np.repeat(np.arange(len(loops)), [len(loop) for loop in loops])
        self.begin = np.concatenate([[0], np.cumsum([len(loop) for loop in loops])])
        self.u, self.v = make_axes(normals)
        self.local = self.flatten(vertices[self.index], self.owner, centres, normals, spans)

    def flatten(
        self,
        points: Floats,
        owner: NDArray[np.signedinteger],
        centres: Floats,
        normals: Floats,
        spans: Floats,
    ) -> Floats:
        """(N, 3): place in the plane and height over it, of points that belong to the loops `owner`."""
        p = (points - centres[owner]) / spans[owner][:, None]
        return np.stack([np.einsum("ij,ij->i", p, axis[owner]) for axis in (self.u, self.v, normals)], axis=1)

    def flat(self, row: int) -> Floats:
        return self.local[self.begin[row] : self.begin[row + 1], :2]


def _lift_centres(
    vertices: Floats, faces: Ints, rays: _Rays, centres: Floats, normals: Floats, spans: Floats
) -> tuple[Floats, Bools]:
    """How far each centre goes to the free side, mm >= 0, from a quadric through the loop and the rings of
    faces around it; and which of the surfaces around are neither that nor a valley.
    """
    owner = np.full(len(vertices), -1, np.int32)
    owner[rays.index] = rays.owner
    for _ in range(RINGS):
        ring = faces[touch_faces(faces, owner >= 0)]
        claim = owner[ring].max(axis=1)
        for k in range(3):
            free = owner[ring[:, k]] < 0
            owner[ring[free, k]] = claim[free]
    used = np.flatnonzero(owner >= 0)
    local = rays.flatten(vertices[used], owner[used], centres, normals, spans)
    z, terms = local[:, 2], list_quadric_terms(local)
    count = len(centres)
    left = np.empty((count, _TERMS, _TERMS))
    right = np.empty((count, _TERMS))
    group = owner[used]
    for i in range(_TERMS):
        right[:, i] = np.bincount(group, terms[:, i] * z, count)
        for j in range(i, _TERMS):
            left[:, i, j] = left[:, j, i] = np.bincount(group, terms[:, i] * terms[:, j], count)
    known = np.bincount(group, minlength=count) >= 2 * _TERMS
    left += 1.0e-9 * np.trace(left, axis1=1, axis2=2)[:, None, None] * np.eye(_TERMS)
    c, *slopes, xx, xy, yy = np.linalg.solve(left, right[..., None])[..., 0].T
    a, b, _ = rays.local.T
    along = xx[rays.owner] * a * a + xy[rays.owner] * a * b + yy[rays.owner] * b * b
    bulge = np.zeros(count)
    np.maximum.at(bulge, rays.owner, -along)
    off = z - np.einsum("ij,ij->i", terms, np.stack([c, *slopes, xx, xy, yy], axis=1)[group])
    rough = np.sqrt(np.bincount(group, off**2, count) / np.maximum(np.bincount(group, minlength=count), 1)) * spans
    lift: Floats = np.where(known, np.clip(c + bulge, 0.0, STEEPEST), 0.0) * spans
    uneven = np.zeros(count, dtype=np.bool_)
    doubtful = np.flatnonzero((rough > ROUGH) & (spans > WIDE)).tolist()
    if doubtful:
        near = faces[touch_faces(faces, np.isin(owner, doubtful))]
        normals = average_normals(vertices, near)
        for k in doubtful:
            around = used[group == k]
            uneven[k] = not _is_valley(vertices[around], normals[around])
    return lift, uneven


def _is_valley(points: Floats, normals: Floats) -> bool:
    """Return whether points (K, 3), mm, with unit normals, lie on two planes up to where these meet in a valley."""
    facing = normals[[0, (normals @ normals[0]).argmin()]]
    for _ in range(SPLITS):
        second = normals @ (facing[1] - facing[0]) > 0.0
        if second.all() or not second.any():
            return False
        facing = np.array([normals[~second].sum(axis=0), normals[second].sum(axis=0)])
        facing /= np.maximum(lengths(facing), 1e-12)[:, None]
    over = points @ facing.T - [(points[side] @ each).mean() for side, each in zip((~second, second), facing, strict=True)]
    return float(np.sqrt((over.min(axis=1) ** 2).mean())) < ROUGH


def _cut_fan(points: Floats) -> NDArray[np.int64] | None:
    """Triangles over a counter-clockwise polygon (N, 2) around the origin; corner N is the origin. None where
    it crosses itself.

    Ears are cut, shortest chord first, until the rest of the polygon is seen whole from the origin: a jagged
        border loses its
    teeth. What never is seen whole is cut into ears to the end, and the origin not used.

    References:
        G. H. Meisters (1975), Amer. Math. Monthly 82(6):648-651, doi:10.2307/2319703 (every polygon has two
        ears).
    """
    rest = list(range(len(points)))
    out: list[tuple[int, int, int]] = []
    while len(rest) > 3:
        if _is_star(points[rest]):
            out += [(i, j, len(points)) for i, j in zip(rest, rest[1:] + rest[:1], strict=True)]
            return np.array(out, np.int64)
        at = _find_ear(points, rest)
        if at < 0:
            return None
        out.append((rest[at - 1], rest[at], rest[(at + 1) % len(rest)]))
        del rest[at]
    if _turn(points[rest[0]], points[rest[1]], points[rest[2] : rest[2] + 1])[0] <= 0:
        return None
    out.append((rest[0], rest[1], rest[2]))
    return np.array(out, np.int64)


def _is_star(p: Floats) -> bool:
    q = np.roll(p, -1, axis=0)
    return bool((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0] > 1.0e-9).all())


def _find_ear(points: Floats, rest: list[int]) -> int:
    """Place in `rest` of the ear with the shortest chord, -1 if there is none."""
    p = points[rest]
    before, after = np.roll(p, 1, axis=0), np.roll(p, -1, axis=0)
    chord = after - before
    left = (p - before)[:, 0] * (after - p)[:, 1] - (p - before)[:, 1] * (after - p)[:, 0]
    n = len(rest)
    for at in np.argsort((chord**2).sum(axis=1), kind="stable").tolist():
        if left[at] <= 1.0e-12:
            continue
        triangle = [(at - 1) % n, at, (at + 1) % n]
        others = np.delete(p, triangle, axis=0)
        inside = np.ones(len(others), np.bool_)
        for i, j in ((0, 1), (1, 2), (2, 0)):
            inside &= _turn(p[triangle[i]], p[triangle[j]], others) >= 0.0
        if not inside.any():
            return int(at)
    return -1


def _turn(a: Floats, b: Floats, points: Floats) -> Floats:
    """Twice the area of a, b and each of (N, 2) points; positive where the point lies to the left of a-b."""
    turned: Floats = (b[0] - a[0]) * (points[:, 1] - a[1]) - (b[1] - a[1]) * (points[:, 0] - a[0])
    return turned
