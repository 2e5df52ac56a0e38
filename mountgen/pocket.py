"""Pockets: what a floor that comes down gently beside steps, ribs and ridges leaves unused, as insertable spaces of their own.

Inside the mouth the floor may not be steeper than a height field can follow, so beside a step it comes down like a scree slope.
The room under the scree is a recess of its own whose lid is that floor: it is lofted like any other and united with the body.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import radians, tan
from typing import Any, cast

import numpy as np

from mountgen.arrays import Bools, Floats, Singles
from mountgen.dilate import dilate_cone
from mountgen.errors import FieldError
from mountgen.field import InsertableSpace, bound_by_mouth, fair_loop
from mountgen.grid import fill_loop
from mountgen.spline import Surface

LEAST_LOST = 0.4  # mm under the floor; what is nearer to it is not worth an edge
LEAST_VOLUME, LEAST_SHARE = 30.0, 0.001  # mm³ and share of the whole body; smaller pockets are left
INSET = 0.15  # mm; how far a pocket stays inside the body's own wall, so that the two never coincide
LEAST_HOLE = 1.0  # mm²; a smaller hole in a pocket's ground is noise
TIP = 2.0  # mm; tips of a pocket's outline narrower than twice this are left out
HALF_CUT = 0.3  # mm; half the width of the slit that is left where a ring is cut in two
MOST_POCKETS = 8


def find_pockets(space: InsertableSpace, floor: Surface, foot: Floats) -> tuple[tuple[float, InsertableSpace], ...]:
    """Return the pockets under a floor, the largest first, each with its room, mm³.

    Args:
        space: the insertable space the floor was fitted to.
        floor: the floor, z over (x, y), mm.
        foot: (K, 2) closed curve in which the floor meets the wall, mm, in plan.

    Returns:
        Spaces whose mouth is the pocket's outline and whose top is the highest point of the floor over it.
    """
    import shapely

    under = _height_of(floor, space)
    within = fill_loop(_shrunk(foot), origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    lost = np.where(within, under - space.height, 0.0)
    enough = max(LEAST_VOLUME, LEAST_SHARE * space.volume())
    found: list[tuple[float, InsertableSpace]] = []
    for region in _outline(lost, space):
        for part in _cut_rings(region):
            try:
                mouth = fair_loop(shapely.buffer(shapely.buffer(part, -TIP), TIP), 0.0)
            except FieldError:
                continue
            inside = fill_loop(mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
            volume = float(lost[inside].sum()) * space.pitch**2
            if volume > enough:
                found.append((volume, _as_space(space, mouth, inside, under)))
    found.sort(key=lambda each: -each[0])
    return tuple(found[:MOST_POCKETS])


def _outline(lost: Floats, space: InsertableSpace) -> list[Any]:
    """Return the regions where more than LEAST_LOST is lost, as polygons with their holes."""
    import shapely
    from contourpy import FillType, contour_generator

    generator = contour_generator(
        x=space.x, y=space.y, z=np.clip(lost, 0.0, 2.0 * LEAST_LOST), fill_type=FillType.OuterOffset
    )
    points, offsets = cast(Any, generator.filled(LEAST_LOST, 10.0))
    regions = []
    for loops, ends in zip(points, offsets, strict=True):
        rings = [loops[a:b] for a, b in pairwise(ends) if b - a > 3]
        if rings:
            holes = [ring for ring in rings[1:] if shapely.Polygon(ring).area > LEAST_HOLE]
            regions.append(shapely.make_valid(shapely.Polygon(rings[0], holes)))
    return regions


def _cut_rings(region: Any) -> list[Any]:
    """Return a region's parts after every ring around something that stands up was cut along that thing's longer axis."""
    import shapely

    for part in shapely.get_parts(region):
        for ring in getattr(part, "interiors", ()):
            corners = np.asarray(shapely.minimum_rotated_rectangle(shapely.Polygon(ring)).exterior.coords)[:4]
            sides = np.roll(corners, -1, axis=0) - corners
            k = int(np.argmax(np.linalg.norm(sides, axis=1)))
            middle, along = corners.mean(axis=0), sides[k] / np.linalg.norm(sides[k])
            reach = 2.0 * float(np.hypot(*np.ptp(np.asarray(part.exterior.coords), axis=0)))
            cut = shapely.LineString([middle - reach * along, middle + reach * along])
            region = shapely.difference(region, shapely.intersection(part, shapely.buffer(cut, HALF_CUT)))
    return [part for part in shapely.get_parts(region) if part.geom_type == "Polygon"]


def _height_of(floor: Surface, space: InsertableSpace) -> Singles:
    height = floor.at(space.x, space.y)[..., 0].T
    return np.ascontiguousarray(height, dtype=np.float32)


def _shrunk(foot: Floats) -> Floats:
    import shapely

    region = shapely.buffer(shapely.make_valid(shapely.Polygon(foot)), -INSET)
    largest = max(shapely.get_parts(region), key=lambda part: part.area)
    return np.asarray(largest.exterior.coords)[:-1]


def _as_space(space: InsertableSpace, mouth: Floats, inside: Bools, under: Singles) -> InsertableSpace:
    """Return one pocket as a space of its own."""
    top = float(under[inside].max())
    slope = 1.0 / tan(radians(space.draft_deg))
    bounded = bound_by_mouth(space, inside, mouth, brow=(top, 0.0, 0.0), slope=slope)
    return replace(
        space, height=dilate_cone(bounded, slope=slope, pitch=space.pitch), mouth=mouth, top=top,
        lid=np.array([top, 0.0, 0.0, 0.0, 0.0, 0.0]), unseen=(),
    )
