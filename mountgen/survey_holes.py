"""What of a recess nobody saw: holes in the scan of its walls and floor, and the rings about floors that are islands.

A hole is known by its border. Its size is the area of the border loop (M. E. Newell's sum, which needs no flat loop); where an
island lies in it, what is missing is a ring, as wide as the island's border is far from the hole's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess
from mountgen.faces import average_normals, touch_faces
from mountgen.holes import measure_extent
from mountgen.links import link_faces, trace_loops
from mountgen.place import clock_position, tell_arc, tell_spot
from mountgen.surface import surface_of
from mountgen.survey_points import BESIDE, depth_below, is_inside

LIFT = 0.3  # mm off a hole's filling towards the free side, before it is asked what lies above it
SHADE = 0.5  # mm; what lies nearer above a filling is its own border
LEAST_DEPTH = 0.75  # mm below the mouth; less deep, a border is the rim's or the panel's
PANEL_DROP, UNDERCUT = 0.04, 0.4  # of the depth: by how much a panel may fall away beside the rim, and walls recede behind it
MOSTLY = 0.8  # share of an island's border inside a hole, seen along the draw direction, from which on it lies in it
WIDE_ARC = 0.25  # of the mouth's size; a hole larger than this is told by the stretch of the dial it takes
TEETH = 0.025  # of a border's points, levelled out to both sides; of a round border that takes 0.4 %
MOST_PLACES = 400  # points of a border that are looked at


@dataclass(frozen=True, eq=False)
class Hole:
    """A part of walls or floor without any surface.

    area    : mm².   extent: across, mm.
    x, y    : of its middle, mm, part frame.
    depth   : of its middle below the mouth, mm; shallowest, deepest: of its border.
    hours   : clock positions of its border.
    hidden  : share that lies behind something, seen along the draw direction; a part drawn out straight never comes there.
    borders : (K, 3) mm, part frame: the hole's own, then those of the islands in it; closed, first point not repeated.
    """

    area: float
    extent: float
    x: float
    y: float
    depth: float
    shallowest: float
    deepest: float
    hours: tuple[float, ...]
    hidden: float
    borders: tuple[Floats, ...]

    def tell_place(self, mouth: float) -> str:
        """Return where it is in scanning terms. mouth: size of the mouth, mm."""
        if len(self.borders) > 1 or self.extent > WIDE_ARC * mouth:
            return f"{tell_arc(self.hours)}, {self.shallowest:.0f} to {self.deepest:.0f} mm deep"
        return tell_spot(self.x, self.y, self.depth)


@lru_cache(maxsize=2)  # the scan stays as it is when its part is made again
def find_holes(recess: Recess) -> tuple[Hole, ...]:
    """Find the holes in the scan of a recess, inside its mouth.

    Args:
        recess: in the part frame; the mesh before small holes were bridged shows these too.

    Returns:
        Holes, the largest first; those in the panel and the scan's own border are none.

    Raises:
        Nothing.

    References:
        Newell's sum: I. E. Sutherland, R. F. Sproull, R. A. Schumacker (1974), ACM Computing Surveys 6(1):1-55.
    """
    links = link_faces(recess.faces, len(recess.vertices))
    loops = trace_loops(recess.faces, links.on_border)
    if not loops:
        return ()
    borders = [recess.vertices[loop.vertices] for loop in loops]
    extents = np.array([measure_extent(border) for border in borders])
    owner = np.array([links.piece[loop.face] for loop in loops])
    outer = np.zeros(len(loops), np.bool_)
    for piece in np.unique(owner):
        own = np.flatnonzero(owner == piece)
        outer[own[extents[own].argmax()]] = True
    main = int(owner[extents.argmax()])
    within = _are_within(recess, borders)
    holes = np.flatnonzero(~outer & within).tolist()
    islands = np.flatnonzero(outer & (owner != main) & within).tolist()
    inside: dict[int, list[Floats]] = {k: [] for k in holes}
    for k in islands:
        around = _find_around(borders, [h for h in holes if owner[h] != owner[k]], k)
        if around is not None:
            inside[around].append(borders[k])
    normals = average_normals(recess.vertices, recess.faces[touch_faces(recess.faces, links.on_border)])  # along borders
    found = [
        _measure_ring(recess, borders[k], float(extents[k]), inside[k]) if inside[k]
        else _measure_hole(recess, borders[k], normals[loops[k].vertices], float(extents[k]))
        for k in holes
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda hole: -hole.area))


def _are_within(recess: Recess, borders: Sequence[Floats]) -> Bools:
    """Tell which borders lie in the recess, (B,), by the greater part of each; undercuts lie outside the rim."""
    points = np.vstack(borders)
    depth, plan = depth_below(recess, points), points[:, :2]
    below = (depth > LEAST_DEPTH) & is_inside(recess, plan, margin=BESIDE)
    behind = (depth > LEAST_DEPTH + PANEL_DROP * recess.depth) & is_inside(recess, plan, margin=BESIDE + UNDERCUT * recess.depth)
    first = np.concatenate([[0], np.cumsum([len(border) for border in borders])[:-1]])
    share = np.add.reduceat((below | behind).astype(np.float64), first) / [len(border) for border in borders]
    within: Bools = share > 0.5
    return within


def _find_around(borders: list[Floats], holes: list[int], island: int) -> int | None:
    """Return the smallest hole that an island lies in, seen along the draw direction."""
    import shapely

    points = shapely.points(_thin(borders[island])[:, :2])
    best, least = None, np.inf
    for k in holes:
        plan = shapely.make_valid(shapely.Polygon(borders[k][:, :2])).buffer(BESIDE)
        if plan.area < least and shapely.contains(plan, points).mean() > MOSTLY:
            best, least = k, plan.area
    return best


def _measure_hole(recess: Recess, border: Floats, normals: Floats, extent: float) -> Hole:
    """Measure a hole. normals: (K, 3) of the surface along its border."""
    middle = border.mean(axis=0)
    offset = border - middle
    area = float(np.linalg.norm(0.5 * np.cross(offset, np.roll(offset, -1, axis=0)).sum(axis=0)))
    between = _find_between(border, normals)
    share = float(_find_hidden(recess, between).mean()) if len(between) else 0.0
    return _make_hole(recess, (border,), extent, area, share, middle)


def _find_between(border: Floats, normals: Floats) -> Floats:
    """Return places within a hole, (N, 3): each halfway between two points of its border that face each other.

    Faces each other: of all circles that touch the border in one point, on the side of the hole, and pass through another,
    the smallest; a medial axis made of a border's own points.
    """
    step = -(-len(border) // MOST_PLACES)
    along = np.roll(border, -1, axis=0) - np.roll(border, 1, axis=0)
    away = np.cross(along, normals)[::step]  # loops run along their faces, which lie to the left
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-12)
    points, lift = border[::step], LIFT * normals[::step]
    across = points[None, :, :] - points[:, None, :]
    ahead = np.einsum("ijk,ik->ij", across, away)
    radius = np.where(ahead > 1e-6, (across**2).sum(axis=2) / np.maximum(ahead, 1e-9), np.inf)
    other = radius.argmin(axis=1)
    met = np.isfinite(radius[np.arange(len(points)), other])
    between: Floats = (points + points[other] + lift + lift[other])[met] / 2.0
    return between


def _measure_ring(recess: Recess, border: Floats, extent: float, islands: list[Floats]) -> Hole:
    from scipy.spatial import cKDTree

    outline = np.concatenate(islands)
    away, at = cKDTree(border).query(outline)
    length = 0.5 * (_measure_length(border) + sum(_measure_length(each) for each in islands))
    between: Floats = 0.5 * (outline + border[at])
    hidden = float(np.mean(_find_hidden(recess, between + np.array([0.0, 0.0, LIFT]))))
    return _make_hole(recess, (border, *islands), extent, length * float(np.mean(away)), hidden, between.mean(axis=0))


def _make_hole(
    recess: Recess, borders: tuple[Floats, ...], extent: float, area: float, hidden: float, middle: Floats
) -> Hole:
    points = np.concatenate(borders)
    depths = depth_below(recess, points)
    return Hole(
        area=area,
        extent=extent,
        x=float(middle[0]),
        y=float(middle[1]),
        depth=float(depth_below(recess, middle[None])[0]),
        shallowest=float(depths.min()),
        deepest=float(depths.max()),
        hours=tuple(clock_position(float(x), float(y)) for x, y, _ in _thin(points)),
        hidden=hidden,
        borders=borders,
    )


def _find_hidden(recess: Recess, points: Floats) -> Bools:
    """Return which of points (N, 3) have something above them on the way out."""
    far, _ = surface_of(recess).cast(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)))
    return np.asarray(np.isfinite(far) & (far > SHADE))


def _measure_length(border: Floats) -> float:
    """Return the length of a closed border, its teeth levelled out: they go along the triangles, not the hole."""
    from scipy.ndimage import uniform_filter1d

    level = uniform_filter1d(border, size=2 * round(TEETH * len(border)) + 1, axis=0, mode="wrap")
    return float(np.linalg.norm(np.roll(level, -1, axis=0) - level, axis=1).sum())


def _thin(border: Floats) -> Floats:
    return border[:: -(-len(border) // MOST_PLACES)]
