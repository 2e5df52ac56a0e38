"""The gap between a body and a scanned surface, at rest and over a straight movement.

Both directions are measured: points of the body against the scan's triangles, and the scan's vertices against
the body's, because a spike of the scan can stand between the points of a large facet. Over the movement the
gap is that of whole paths, not of steps. What neither direction sees is an edge of the one crossing an edge
of the other between two samples: the gap is then over-read by about the square of the sample distance over
eight times the gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.errors import InspectionError
from mountgen.faces import number_used, touch_faces
from mountgen.nearest import Nearest, Tree, find_nearest, is_within
from mountgen.place import describe_place
from mountgen.rows import extent, lies_within
from mountgen.sampling import Indices, Samples, sample_surface, sort_nearby
from mountgen.surface import Signed, Surface, Triangles

TOLERANCE = 0.03  # mm by which a made surface may miss the clearance asked for
CLASH_STEP = 0.5  # mm between the lifts at which the depth of a known collision is measured
CLASH_LIFTS, CLASH_POINTS = 240, 300  # most lifts, most points used for it
INSIDE_CELL = 1.5  # mm; one scan vertex in each cube of this size is tried for lying deep inside the body
LOOKS_ALONG = 0.01  # of the unit normal; a face that looks along the movement by more than this is not upright
DEVICE_EDGE = 1.0  # mm, sampling of a device or keep-out body

_stood: list[Standing] = []


@dataclass(frozen=True)
class Gap:
    """A gap over a surface, mm, percentiles by area; negative is inside the material.

    place : where on the part the least is, in words; point: the same, (3,) mm.
    """

    min: float
    p05: float
    p50: float
    p95: float
    max: float
    place: str
    point: tuple[float, float, float]


@dataclass(frozen=True)
class PathGap:
    """The least gap over a straight movement.

    min   : mm, of the sampled points' whole paths; negative where the thing passes through material.
    limit : mm, what is asked for at that place.
    lift  : mm from the seat, where along the path the least is.
    first_touch : mm from the seat, where it first touches on its way in; None where it does not.
    place : where on the scan, in words; point: (3,) mm, of the obstacle.
    """

    min: float
    limit: float
    lift: float
    first_touch: float | None
    place: str
    point: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Standing:
    """What stands still: a mesh, its signed distances, and the clearance that each face asks for.

    clearance : (F,) float64, mm, by face;  corner_clearance: (V,) the widest of the faces around each vertex.
    lateral   : (V,) bool, vertices with a face around them that is upright or overhangs.
    """

    surface: Surface
    tree: Tree
    clearance: Floats
    corner_clearance: Floats
    lateral: Bools


@dataclass(frozen=True, eq=False)
class Probe:
    """Points over a body at rest, and their signed distances to what stands still."""

    samples: Samples
    signed: Signed


def clip_mesh(mesh: Triangles, low: Floats, high: Floats) -> tuple[Floats, Ints, Ints]:
    """Return the faces whose boxes meet a box: vertices, faces, and the faces' old numbers.

    Every face left out lies wholly outside the box, so inside it nothing changes and no border appears.
    """
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    code = np.zeros(len(vertices), dtype=np.uint8)
    for k in range(3):
        along = np.ascontiguousarray(vertices[:, k])
        code |= (along < low[k]).view(np.uint8) << np.uint8(k)
        code |= (along > high[k]).view(np.uint8) << np.uint8(3 + k)
    keep = np.flatnonzero((code[faces[:, 0]] & code[faces[:, 1]] & code[faces[:, 2]]) == 0)
    used, near = number_used(faces[keep], len(vertices))
    return vertices[used], near, keep.astype(np.int32)


def make_standing(surface: Surface, clearance: Floats) -> Standing:
    """Prepare what stands still. clearance: (F,) mm.

    What was prepared last is remembered: it is asked for by the faces' relief, the facets' and the gauge.
    """
    if not (_stood and _stood[0].surface is surface and np.array_equal(_stood[0].clearance, clearance)):
        _stood[:] = [_make_standing(surface, clearance)]
    return _stood[0]


def _make_standing(surface: Surface, clearance: Floats) -> Standing:
    corner = np.zeros(len(surface.vertices))
    lateral = np.zeros(len(surface.vertices), dtype=np.bool_)
    for each in np.unique(clearance):  # rising, so that the widest stays
        corner[surface.faces[clearance == each]] = each
    lateral[surface.faces[surface.normals[:, 2] < LOOKS_ALONG]] = True
    return Standing(surface, surface.tree.with_margin(clearance), clearance, corner, lateral)


def sample_body(
    vertices: Floats,
    faces: Ints,
    standing: Standing,
    *,
    edge: float,
    travel: float,
    band: float,
    beyond: float = 0.0,
) -> Samples:
    """Sample a body densely where it can come close to what stands still.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32.
        standing: what stands still.
        edge: longest edge, mm, of the triangles that are sampled.
        travel: length of the movement along +z, mm.
        band: mm more than the clearance, at rest.
        beyond: mm more than the clearance, on the way.
    """

    def is_near(points: Floats, radius: Floats) -> Bools:
        near = is_within(standing.tree, points, travel=0.0, bound=radius + band)
        rest = np.flatnonzero(~near)
        near[rest] = is_within(standing.tree, points[rest], travel=travel, bound=radius[rest] + beyond)
        return near

    return sample_surface(vertices, faces, edge=edge, is_near=is_near)


def probe_body(vertices: Floats, faces: Ints, standing: Standing, *, edge: float, travel: float, band: float) -> Probe:
    """Return points all over a body at rest, and how far they are from what stands still. Arguments as for `sample_body`."""
    samples = sample_body(vertices, faces, standing, edge=edge, travel=travel, band=band)
    return Probe(samples, standing.surface.measure(samples.points))


def probe_again(
    probe: Probe, vertices: Floats, faces: Ints, changed: Bools, standing: Standing, *, edge: float, travel: float, band: float
) -> Probe:
    """Return the probe of a body after some of its vertices have moved. changed: (F,) the faces whose corners they are.

    The same as a probe of the whole, but for the order of the points. Whether a corner leads depends on all faces around it,
    so the changed faces' neighbours are taken anew too; and which face a corner or an edge belongs to, on theirs.
    """
    anew = _grow(changed, faces, len(vertices))
    around = np.flatnonzero(_grow(anew, faces, len(vertices)))
    fresh = sample_body(vertices, faces[around], standing, edge=edge, travel=travel, band=band)
    fresh = replace(fresh, face=around[fresh.face])
    fresh = fresh.pick(anew[fresh.face])
    kept = ~anew[probe.samples.face]
    return Probe(
        probe.samples.pick(kept).join(fresh), probe.signed.pick(kept).join(standing.surface.measure(fresh.points))
    )  # fmt: skip


def _grow(marked: Bools, faces: Ints, count: int) -> Bools:
    """Return marked faces (F,) and those that share a corner with one; count: of vertices."""
    touched = np.zeros(count, dtype=np.bool_)
    touched[faces[marked]] = True
    return touch_faces(faces, touched)


def find_spikes(body: Surface, tree: Tree, standing: Standing, *, beyond: float) -> tuple[Signed, Ints]:
    """Find the vertices of the scan that come nearer to a body at rest than its own points do.

    Args:
        body: the body's surface.
        tree: over the body's faces that are not meant to touch.
        standing: the scan.
        beyond: mm; the least gap less clearance found so far.

    Returns:
        Signed: of these vertices to the body; (N,) which vertices they are.
    """
    points, wanted = standing.surface.vertices, standing.corner_clearance
    low, high = extent(body.vertices)
    low, high = low - wanted.max(initial=0.0), high + wanted.max(initial=0.0)
    inside_box = np.flatnonzero(lies_within(points, low, high))
    inside_box = inside_box[sort_nearby(points[inside_box])]
    bound = wanted[inside_box] + max(beyond, 0.0)
    near = is_within(tree, points[inside_box], travel=0.0, bound=bound)
    deep = inside_box[~near]
    if len(deep):
        cell = ((points[deep] - low) / INSIDE_CELL).astype(np.int64)
        size = cell.max(axis=0) + 1
        _, first = np.unique((cell[:, 2] * size[1] + cell[:, 1]) * size[0] + cell[:, 0], return_index=True)
        deep = deep[first]
    which = np.concatenate([inside_box[near], deep])
    return body.measure(points[which]), which


def measure_path(
    samples: Samples, standing: Standing, body: Surface, tree: Tree, *, travel: float, rest: PathGap
) -> PathGap:
    """Return the least gap over the whole movement along +z.

    Args:
        samples: points of the body.
        standing: the scan.
        body: the body's surface.
        tree: over the body's faces that are not meant to touch.
        travel: mm.
        rest: the least gap at rest; returned unless something on the way is nearer to its clearance.
    """
    best = rest
    least = rest.min - rest.limit
    # a path that crosses the scan has distance 0 and must be found however bad things are at rest
    crossed = -float(standing.clearance.min()) + 1e-9
    bound = np.full(len(samples.points), max(least, crossed))
    first = None if rest.min <= 0.0 else np.flatnonzero(samples.leads)
    found = _find_on_paths(standing.tree, samples.points, first, travel=travel, bound=bound)
    hit = np.flatnonzero(found.face >= 0)
    if len(hit):
        margin = found.distance[hit] - standing.clearance[found.face[hit]]
        k = hit[int(np.argmin(margin))]
        if margin.min() < least:
            at = samples.points[k] + [0.0, 0.0, found.travel[k]]
            foot = standing.surface.measure(at[None]).foot[0]
            wanted, lift = float(standing.clearance[found.face[k]]), float(found.travel[k])
            best = _path_gap(float(found.distance[k]), wanted, lift, foot, best.first_touch)
            least = float(margin.min())
        through = hit[found.distance[hit] == 0.0]
        if len(through):
            touch = float(found.travel[through].max())
            best = _measure_clash(samples.points[through], 1.0, standing.surface, travel, touch, best)
            least = min(least, best.min - best.limit)
    points = standing.surface.vertices
    order = _list_near(points, body, float(standing.corner_clearance.max()) + max(least, crossed))
    bound = standing.corner_clearance[order] + max(least, crossed)
    first = None if best.min <= 0.0 else np.flatnonzero(standing.lateral[order])
    back = _find_on_paths(tree, points[order] - [0.0, 0.0, travel], first, travel=travel, bound=bound)
    hit = np.flatnonzero(back.face >= 0)
    if len(hit):
        margin = back.distance[hit] - standing.corner_clearance[order[hit]]
        k = int(hit[int(np.argmin(margin))])
        if margin.min() < least:
            wanted, lift = float(standing.corner_clearance[order[k]]), travel - float(back.travel[k])
            best = _path_gap(float(back.distance[k]), wanted, lift, points[order[k]], best.first_touch)
        through = hit[back.distance[hit] == 0.0]
        if len(through):
            touch = travel - float(back.travel[through].min())
            best = _measure_clash(points[order[through]], -1.0, body, travel, touch, best)
    return best


def _list_near(points: Floats, body: Surface, reach: float) -> Indices:
    """Return which points (V, 3) a body that moves along +z can come nearer to than `reach`, neighbours in a row."""
    low, high = extent(body.vertices)
    near = np.flatnonzero(lies_within(points, low - reach, np.array([*(high[:2] + reach), np.inf])))
    return near[sort_nearby(points[near])]


def _find_on_paths(tree: Tree, points: Floats, first: Indices | None, *, travel: float, bound: Floats) -> Nearest:
    """Find what is nearest to paths, trying those of the points `first` before all others.

    What looks back along the movement on the body, or ahead on the scan, comes nearest at rest: as the body leaves, the gap
    there only grows, until something else of the body comes by that is nearer still. So the rest need not be tried while
    nothing of the first crosses the scan, and what has been found at rest holds for them.
    """
    if first is not None:
        some = find_nearest(tree, points[first], travel=travel, bound=bound[first])
        if not (some.distance == 0.0).any():
            found = Nearest(np.full(len(points), np.inf), np.full(len(points), -1, dtype=np.int32), np.zeros(len(points)))
            found.distance[first], found.face[first], found.travel[first] = some.distance, some.face, some.travel
            return found
    return find_nearest(tree, points, travel=travel, bound=bound)


def _path_gap(
    gap: float, limit: float, lift: float, point: Sequence[float], touch: float | None = None
) -> PathGap:
    x, y, z = (float(v) for v in point)
    return PathGap(gap, limit, lift, touch, describe_place((x, y, z)), (x, y, z))


def _measure_clash(
    points: Floats, sense: float, other: Surface, travel: float, touch: float, best: PathGap
) -> PathGap:
    """Return how deep points that cross `other` on their way go in, by steps; `best` where that is worse."""
    points = points[:: -(-len(points) // CLASH_POINTS)]
    lifts = np.linspace(0.0, travel, min(CLASH_LIFTS, max(2, int(travel / CLASH_STEP) + 1)))
    moved = points[:, None] + sense * lifts[None, :, None] * np.array([0.0, 0.0, 1.0])
    measured = other.measure(moved.reshape(-1, 3))
    gap = measured.gap.reshape(len(points), -1)
    gap = np.where(measured.border.reshape(gap.shape), np.inf, gap)
    p, k = np.unravel_index(int(np.argmin(gap)), gap.shape)
    inside = (gap < 0.0).any(axis=0)
    touch = max(float(lifts[inside].max(initial=0.0)), touch, best.first_touch or 0.0)
    if gap[p, k] >= min(best.min, 0.0):
        return PathGap(best.min, best.limit, best.lift, touch, best.place, best.point)
    point = measured.foot.reshape(len(points), -1, 3)[p, k] if sense > 0 else points[p]
    return _path_gap(float(gap[p, k]), best.limit, float(lifts[k]), point, touch)


def turn_to_z(direction: Sequence[float]) -> Floats:
    """Return a rotation (3, 3) whose rows are a right-handed frame, the third along `direction`."""
    z = np.asarray(direction, dtype=np.float64)
    length = float(np.linalg.norm(z))
    if z.shape != (3,) or length == 0.0 or not np.isfinite(length):
        raise ValueError(f"a direction is a finite vector of shape (3,) and not zero, got {direction!r}")
    z = z / length
    x = np.cross(np.eye(3)[int(np.argmin(np.abs(z)))], z)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def sweep_clear(
    moving: Triangles,
    obstacle: Triangles,
    *,
    direction: Sequence[float],
    length: float,
) -> PathGap:
    """Return the least gap between a thing and an obstacle while it is drawn straight out of its seat.

    For a device that goes into its seat, for keep-out bodies, for the body itself. The obstacle may be a scan
    or a closed mesh.

    Args:
        moving: the thing in its seat; closed, normals outwards.
        obstacle: what stands still; normals to the free side.
        direction: (3,) in which it is drawn out.
        length: how far, mm; 0 for a thing that does not move.

    Returns:
        PathGap: in the given frame; `point` is on the obstacle, `lift` along the direction, `limit` 0: no clearance is asked for.

    Raises:
        InspectionError: one of the two has no triangles.
        ValueError: the direction is no direction, or the length is negative.
    """
    if length < 0.0:
        raise ValueError(f"a path has a length of 0 mm or more, got {length}")
    for mesh, name in ((moving, "the moving body"), (obstacle, "the obstacle")):
        if len(mesh.faces) == 0:
            raise InspectionError(
                f"{name} has no triangles", "the path of insertion", "check the recipe's device and the scan"
            )
    turn = turn_to_z(direction)
    body = Surface(np.asarray(moving.vertices) @ turn.T, np.asarray(moving.faces))
    faces = np.asarray(obstacle.faces, dtype=np.int32)
    standing = make_standing(Surface(np.asarray(obstacle.vertices) @ turn.T, faces), np.zeros(len(faces)))
    # its corners give an upper bound of the least gap; only what can come nearer needs a close look
    rough = find_nearest(
        standing.tree, body.vertices, travel=length, bound=np.full(len(body.vertices), np.inf)
    )
    beyond = float(rough.distance.min())
    samples = sample_body(
        body.vertices,
        body.faces,
        standing,
        edge=DEVICE_EDGE,
        travel=length,
        band=beyond,
        beyond=beyond,
    )
    measured = standing.surface.measure(samples.points)
    k = int(np.argmin(measured.gap))
    rest = _path_gap(
        float(measured.gap[k]), 0.0, 0.0, measured.foot[k], 0.0 if measured.gap[k] < 0.0 else None
    )
    spikes, which = find_spikes(body, body.tree, standing, beyond=rest.min)
    if len(which) and spikes.gap.min() < rest.min:
        k = int(np.argmin(spikes.gap))
        rest = _path_gap(
            float(spikes.gap[k]),
            0.0,
            0.0,
            standing.surface.vertices[which[k]],
            0.0 if spikes.gap[k] < 0.0 else None,
        )
    found = measure_path(samples, standing, body, body.tree, travel=length, rest=rest)
    x, y, z = (float(v) for v in np.asarray(found.point) @ turn)
    return PathGap(
        found.min, found.limit, found.lift, found.first_touch, describe_place((x, y, z)), (x, y, z)
    )
