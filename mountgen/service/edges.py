"""Edges that a knee or a head can touch, and how round they are, measured on the finished mesh.

Interior rules judge by contact: what a sphere of 165 mm diameter can touch, with the part in its place, counts. The
sphere's centres are the scan and the part grown by its radius, seen along the draw direction; a point is touched at a
tilt from its face if the centre that this tilt asks for is free. Flush faces are touched too, so an edge counts only if
the sphere comes at it a few degrees past the face: a gap narrower than about 20 mm between flush faces lets nobody press there.

The radius at an edge is that of the largest ball that lies inside the part and reaches the edge to within the facets'
own error. A rounding of radius R between two faces that stand at an angle A gives R + error / (1 - cos(A / 2)), a sharp
edge the error alone, and facets, which are chords of what they stand for, change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import radians, sqrt

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, freeze
from mountgen.datum import Recess, lid_height
from mountgen.faces import list_used, measure_faces
from mountgen.grid import EMPTY, empty_field, sample_grid
from mountgen.kernel import CHORD, Mesh
from mountgen.nearest import Tree, build_tree, is_within
from mountgen.raster import raster_faces, stamp_points
from mountgen.rows import extent, lies_within
from mountgen.surface import Surface

SPHERE = 82.5  # mm, radius of what stands for a head or a knee: Directive 74/60/EEC, as quoted
TILT = radians(8.0)  # past a face, at which an edge must be touched to count (our rule)
PRESS = 0.2  # mm by which the sphere may be short: noise of the scan and the grid
GRID = 3.0  # mm; the sphere is thirty times as wide
CREST = 1.5  # mm; of all corners of the part in a square of this size the highest is kept, so that thin lips count
UPRIGHT = 50.0  # mm per mm, steepness of the field beyond the sphere's equator
BEND = radians(4.0)  # a bend of less is no edge
SLIVER = 0.02  # mm; facets less tall than this have no reliable normal
STEP, SAMPLES = 3.0, 4000  # mm between the samples along an edge; most samples in all
UNDERSIDE = -0.3  # of a unit normal's z; a face with less is the underside of something
LARGEST = 4.0  # mm; rounder than this is not told apart
ERROR = CHORD + 0.03  # mm; of facets, and of the bends of 10 degrees at which roundings run out of their faces
ASIDE = 0.05  # mm in front of an upright face from which it is looked whether something is above it
HALVINGS = 6


@dataclass(frozen=True, eq=False)
class Edges:
    """N samples on outward edges that can be touched, part frame.

    points, normals : (N, 3) mm, and unit vectors between the two faces.
    radius : (N,) mm, local rounding, LARGEST at most.
    above  : (N,) mm above the surround carried across the mouth, negative below.
    length : (N,) mm of a right-angled edge that the sample stands for: its length times its share of a quarter turn.
    """

    points: Floats
    normals: Floats
    radius: Floats
    above: Floats
    length: Floats

    def __post_init__(self) -> None:
        for name in ("points", "normals", "radius", "above", "length"):
            freeze(self, name, "float64")


@dataclass(frozen=True, eq=False)
class _Bends:
    """Convex edges of a mesh: ends (N, 3), normals of the two faces (N, 3), turn (N,) radians, length (N,) mm."""

    start: Floats
    end: Floats
    first: Floats
    second: Floats
    turn: Floats
    length: Floats


def find_exposed_edges(mesh: Mesh, recess: Recess) -> Edges:
    """Find the edges of a part in its recess that a 165 mm sphere can touch, and measure how round they are.

    Args:
        mesh: the finished part, part frame.
        recess: the scan, part frame.

    Returns:
        Edges.

    References:
        Directive 74/60/EEC and UN Regulation 21: contact means that a sphere of 165 mm diameter can touch.
    """
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    faces = np.ascontiguousarray(faces[_within_reach(vertices, faces, recess)])
    bends = _find_bends(vertices, faces)
    counts = np.maximum(1, np.ceil(bends.length / STEP)).astype(np.int64)
    owner = np.repeat(np.arange(len(counts)), counts)
    thin = max(1, -(-len(owner) // SAMPLES))  # each sample that is kept stands for those that are not
    share = (np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts) + 0.5) / counts[owner]
    owner, share = owner[::thin], share[::thin]
    points = bends.start[owner] + share[:, None] * (bends.end - bends.start)[owner]
    touched = _touch(points, bends, owner, vertices, faces, recess)
    points, owner = points[touched], owner[touched]
    normals = bends.first[owner] + bends.second[owner]
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    radius = np.zeros(len(points))
    if len(points):
        upward = np.asarray(bends.first[:, 2] > UNDERSIDE)[owner] & np.asarray(bends.second[:, 2] > UNDERSIDE)[owner]
        vectors, areas = measure_faces(vertices, faces)
        # neither how thick a plate is nor what stands below it makes an edge of its top less round
        tops = faces[(vectors[:, 2] > UNDERSIDE * areas) & ~_is_covered(vertices, faces, vectors, areas)]
        for which, around in ((upward, tops), (~upward, faces)):
            if which.any():
                tree = build_tree(np.ascontiguousarray(vertices), around.astype(np.int32))
                # at the end of a rounding the middle normal leans towards the flat: that of one of the faces then is right
                for direction in (normals, bends.first[owner], bends.second[owner]):
                    found = measure_rounding(tree, points[which], direction[which])
                    radius[which] = np.maximum(radius[which], found)
    above = points[:, 2] - lid_height(recess.lid, points[:, 0], points[:, 1])
    length = thin * (bends.length / counts * bends.turn / (0.5 * np.pi))[owner]
    return Edges(points, normals, radius, above, length)


def _is_covered(vertices: Floats, faces: Ints, vectors: Floats, areas: Floats) -> Bools:
    """Return which faces (F,) are upright and have more of the part above them: the wall below a flange."""
    normals = vectors / np.where(areas > 0.0, areas, 1.0)[:, None]
    upright = np.flatnonzero(np.abs(normals[:, 2]) <= -UNDERSIDE)
    covered = np.zeros(len(faces), dtype=np.bool_)
    if len(upright):
        start = vertices[faces[upright]].mean(axis=1) + ASIDE * normals[upright]
        far, _ = Surface(vertices, faces).cast(start, np.broadcast_to([0.0, 0.0, 1.0], start.shape))
        covered[upright] = np.isfinite(far)
    return covered


def measure_rounding(tree: Tree, points: Floats, normals: Floats) -> Floats:
    """Return the radius (N,) of the largest ball inside a mesh that reaches each point, LARGEST at most, mm.

    Args:
        tree: of a mesh's faces; those near the points will do.
        points: (N, 3) mm, on the surface.
        normals: (N, 3) unit, along which the ball's centre is sought, inwards.
    """

    def too_large(radius: Floats) -> Bools:
        bound = np.maximum(radius - ERROR, 0.0)
        return is_within(tree, points - radius[:, None] * normals, travel=0.0, bound=bound)

    low, high = np.zeros(len(points)), np.full(len(points), LARGEST)
    round_enough = ~too_large(high)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        large = too_large(middle)
        low, high = np.where(large, low, middle), np.where(large, middle, high)
    return np.where(round_enough, LARGEST, 0.5 * (low + high))


def _within_reach(vertices: Floats, faces: Ints, recess: Recess) -> Bools:
    """Return which faces (F,) lie so high that the sphere, which sags into the mouth, can come near them."""
    width = float(np.ptp(recess.rim[:, :2], axis=0).min())
    sag = SPHERE - sqrt(max(0.0, SPHERE**2 - 0.25 * width**2)) + LARGEST
    low = lid_height(recess.lid, vertices[:, 0], vertices[:, 1]) - sag < vertices[:, 2]
    return np.asarray(low[faces].any(axis=1))


def _find_bends(vertices: Floats, faces: Ints) -> _Bends:
    vectors, area = measure_faces(vertices, faces)
    normals = vectors / np.where(area > 0.0, area, 1.0)[:, None]
    start, end = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    key = np.minimum(start, end).astype(np.int64) * len(vertices) + np.maximum(start, end)
    order = np.argsort(key)
    pair = np.flatnonzero(np.diff(key[order]) == 0)
    one, other = order[pair], order[pair + 1]
    a, b, first, second = vertices[start[one]], vertices[end[one]], normals[one // 3], normals[other // 3]
    length = np.maximum(np.linalg.norm(b - a, axis=1), 1e-9)
    turn = np.arctan2((np.cross(first, second) * (b - a)).sum(axis=1) / length, (first * second).sum(axis=1))
    tall = 2.0 * np.minimum(area[one // 3], area[other // 3]) / length
    keep = (turn > BEND) & (turn < np.pi - BEND) & (length > SLIVER) & (tall > SLIVER)
    return _Bends(a[keep], b[keep], first[keep], second[keep], turn[keep], length[keep])


def _touch(points: Floats, bends: _Bends, owner: NDArray[np.int64], vertices: Floats, faces: Ints, recess: Recess) -> Bools:
    """Return which points (N,) on bends the sphere touches, tilted a little past one of the two faces."""
    if len(points) == 0:
        return np.zeros(0, dtype=np.bool_)
    used = np.take(vertices, list_used(faces, len(vertices)), axis=0)
    low, high = extent(used[:, :2])
    low, high = low - SPHERE, high + SPHERE
    rows, columns = (int(n) for n in ((high - low)[::-1] / GRID) + 2.0)
    origin = float(low[0]), float(low[1])
    ground = np.maximum(
        raster_faces(vertices, faces, origin=origin, pitch=GRID, shape=(rows, columns)),
        raster_faces(recess.vertices, recess.faces, origin=origin, pitch=GRID, shape=(rows, columns)),
    )
    r, c = np.nonzero(ground > EMPTY)
    tops = np.column_stack([low[0] + GRID * c, low[1] + GRID * r, ground[r, c]])
    tops = np.vstack([tops, np.asarray(recess.rim), _find_crests(used)])  # what lies between the nodes and keeps it out
    centres = stamp_points(
        tops, np.full(len(tops), SPHERE), slope=UPRIGHT, origin=origin, pitch=GRID, height=empty_field((rows, columns))
    )
    tilt = np.minimum(TILT, 0.5 * bends.turn)
    touched = np.zeros(len(points), dtype=np.bool_)
    for near, far in ((bends.first, bends.second), (bends.second, bends.first)):
        # on the great circle from one normal to the other
        towards = np.sin(bends.turn - tilt)[:, None] * near + np.sin(tilt)[:, None] * far
        at = points + SPHERE * (towards / np.sin(bends.turn)[:, None])[owner]
        inside = lies_within(at[:, :2], low, high)
        touched |= inside & (at[:, 2] + PRESS >= sample_grid(centres, at[:, :2], origin=origin, pitch=GRID))
    return touched


def _find_crests(points: Floats) -> Floats:
    """Return the highest of the points in each square of the plan."""
    cell = np.floor((points[:, :2] - extent(points[:, :2])[0]) / CREST).astype(np.int64)
    code = cell[:, 1] * (cell[:, 0].max(initial=0) + 1) + cell[:, 0]
    order = np.lexsort((-points[:, 2], code))
    first = np.concatenate([[True], np.diff(code[order]) != 0])
    return np.asarray(points[order[first]])
