"""What of a recess nobody saw: holes in the scan of its walls and floor, and the rings about floors that are islands.

A hole is known by its border. Its size is the area of the border loop (M. E. Newell's sum, which needs no flat loop); where an
island lies in it, what is missing is a ring, as wide as the island's border is far from the hole's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess
from mountgen.holes import measure_extent
from mountgen.place import clock_position, tell_arc, tell_spot
from mountgen.surface import surface_of
from mountgen.survey_points import BESIDE, depth_below, is_inside
from mountgen.topology import link_faces, measure_faces, trace_loops

LIFT = 0.3  # mm off a hole's filling towards the free side, before it is asked what lies above it
SHADE = 0.5  # mm; what lies nearer above a filling is its own border
INNER = (1.0 / 3.0, 2.0 / 3.0)  # ways from border to middle at which a filling is looked at
RING = 0.5  # a hole's border is no further from an island's than this share of its extent, or they do not belong together
WIDE_ARC = 0.25  # of the mouth's size; a hole larger than this is told by the stretch of the dial it takes
MOST_PLACES = 400  # points of a border that are looked at


@dataclass(frozen=True, eq=False)
class Hole:
    """A part of walls or floor without any surface.

    area    : mm².   extent: across, mm.
    x, y    : of its middle, mm, part frame.
    depth   : of its middle below the mouth, mm; shallowest, deepest: of its border.
    hours   : clock positions of its border.
    hidden  : share that lies behind something, seen along the draw direction; a part drawn out straight never comes there.
    ring    : it surrounds an island.
    border  : (K, 3) mm, part frame.
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
    ring: bool
    border: Floats

    def tell_place(self, mouth: float) -> str:
        """Return where it is in scanning terms. mouth: size of the mouth, mm."""
        if self.ring or self.extent > WIDE_ARC * mouth:
            return f"{tell_arc(self.hours)}, {self.shallowest:.0f} to {self.deepest:.0f} mm deep"
        return tell_spot(self.x, self.y, self.depth)


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
    area = np.bincount(links.piece, measure_faces(recess.vertices, recess.faces)[1])
    main = int(area.argmax())
    holes = [k for k in np.flatnonzero(~outer).tolist() if _is_within(recess, borders[k])]
    islands = [k for k in np.flatnonzero(outer & (owner != main)).tolist() if _is_within(recess, borders[k])]
    inside: dict[int, list[Floats]] = {k: [] for k in holes}
    for k in islands:
        around = _find_around(borders, extents, [h for h in holes if owner[h] != owner[k]], k)
        if around is not None:
            inside[around].append(borders[k])
    found = [
        _measure_ring(recess, borders[k], float(extents[k]), inside[k]) if inside[k]
        else _measure_hole(recess, borders[k], float(extents[k]))
        for k in holes
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda hole: -hole.area))


def _is_within(recess: Recess, border: Floats) -> bool:
    """Tell whether a border lies in the recess, by the greater part of it; undercuts lie a little outside the rim."""
    deep = depth_below(recess, border) > 0.5 * BESIDE
    return bool(deep.mean() > 0.5 and is_inside(recess, border[:, :2], margin=0.1 * recess.depth + BESIDE)[deep].mean() > 0.5)


def _find_around(borders: list[Floats], extents: Floats, holes: list[int], island: int) -> int | None:
    """Return the hole that an island lies in."""
    from scipy.spatial import cKDTree

    best, nearest = None, np.inf
    for k in holes:
        away = float(np.median(cKDTree(borders[k]).query(_thin(borders[island]))[0]))
        if away < min(nearest, RING * extents[k]) and extents[k] > 0.8 * extents[island]:
            best, nearest = k, away
    return best


def _measure_hole(recess: Recess, border: Floats, extent: float) -> Hole:
    middle = border.mean(axis=0)
    offset = border - middle
    normal = -0.5 * np.cross(offset, np.roll(offset, -1, axis=0)).sum(axis=0)  # loops run along their faces: to the free side
    area = float(np.linalg.norm(normal))
    along = np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1)
    inner = np.concatenate([border + share * (middle - border) for share in INNER])
    hidden = _find_hidden(recess, inner + LIFT * normal / max(area, 1e-9))
    share = float(np.average(hidden, weights=np.tile(along, len(INNER))))
    return _make_hole(recess, border, extent, area, share, middle, ring=False)


def _measure_ring(recess: Recess, border: Floats, extent: float, islands: list[Floats]) -> Hole:
    from scipy.spatial import cKDTree

    outline = np.concatenate(islands)
    away, at = cKDTree(border).query(outline)
    length = 0.5 * (_measure_length(border) + sum(_measure_length(each) for each in islands))
    between: Floats = 0.5 * (outline + border[at])
    hidden = float(np.mean(_find_hidden(recess, between + np.array([0.0, 0.0, LIFT]))))
    both = np.concatenate([border, outline])
    return _make_hole(recess, both, extent, length * float(np.mean(away)), hidden, between.mean(axis=0), ring=True)


def _make_hole(
    recess: Recess, border: Floats, extent: float, area: float, hidden: float, middle: Floats, *, ring: bool
) -> Hole:
    depths = depth_below(recess, border)
    return Hole(
        area=area,
        extent=extent,
        x=float(middle[0]),
        y=float(middle[1]),
        depth=float(depth_below(recess, middle[None])[0]),
        shallowest=float(depths.min()),
        deepest=float(depths.max()),
        hours=tuple(clock_position(float(x), float(y)) for x, y, _ in _thin(border)),
        hidden=hidden,
        ring=ring,
        border=border,
    )


def _find_hidden(recess: Recess, points: Floats) -> Bools:
    """Return which of points (N, 3) have something above them on the way out."""
    far, _ = surface_of(recess).cast(points, np.tile([0.0, 0.0, 1.0], (len(points), 1)))
    return np.asarray(np.isfinite(far) & (far > SHADE))


def _measure_length(border: Floats) -> float:
    return float(np.linalg.norm(np.roll(border, -1, axis=0) - border, axis=1).sum())


def _thin(border: Floats) -> Floats:
    return border[:: -(-len(border) // MOST_PLACES)]
