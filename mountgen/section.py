"""Stage 4: sections of the insertable space, and the wall's loops traced from section to section.

A section is a level set of the insertable height. The wall is what the sections trace as long as they shrink slowly; where a
section retreats faster than a set slope the floor has begun, and the wall's loop goes on below it at that slope for a short
way, so that wall and floor cross at an angle a solid kernel can intersect instead of meeting in a tangent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import radians, tan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Singles, freeze
from mountgen.dilate import climb, dilate_disc, open_disc
from mountgen.errors import SectionError
from mountgen.field import InsertableSpace, confine
from mountgen.grid import sample_grid
from mountgen.level_line import trace_level
from mountgen.loop import resample_loop, signed_area
from mountgen.polyline import find_feet
from mountgen.threads import share_parts

SPLIT_SLOPES = (45.0, 72.5)  # degrees; where a surface turns from floor to wall is chosen in this range
SPLIT_STEP = 2.5  # degrees
BAND = 6.0  # degrees to either side of the split in which area is counted
SLICE = 0.5  # degrees; of which step and band are multiples: area is counted slice by slice
SLOPE_BASE = 0.5  # mm over which slopes are measured
RAGGED_SHARE, RAGGED = 0.012, (0.5, 1.5)  # of the mouth's size, within mm: fringes of the floor narrower than twice this go
ALIKE = 1.02  # times the least area that is as good: the gentlest split then, for a floor without fillets has fewer facets
PREFER = 0.03  # per degree away from 60, where floor and wall are both easy to fit
CONTOUR_PITCH = 0.26  # mm; grid of the level sets; linear between nodes, 0.008 mm off on a corner of 1 mm radius
CORNER_SHARE, CORNERS = 0.015, (0.8, 2.0)  # of the mouth's size, within mm: the wall's corners are rounded to this, inwards
MARKER_STEP = 0.35  # mm around the loop
LEVEL_STEP = 0.25  # mm down the wall, or more where the recess is deep
MOST_LEVELS = 140
FOOT = 0.25  # mm inwards of a marker, where its ground is looked at
LEAST_SPACING = 0.6  # of the markers' mean; where a corner shrinks to a point they move on along its sides
NEAR_WALL = 1.0  # mm; a marker this near to a section on steep ground belongs to it, however it got behind
FLARE, FLARE_DEPTH = 30.0, 4.0  # degrees, mm: down to this depth the wall may be as gentle as this, to follow a rounded rim
DIVE = 14.0  # degrees; below the floor the wall is this much steeper than the gentlest wall
PAST_FLOOR = 1.5  # mm; how deep below the floor the wall goes on leaning inwards
FLOOR_SHARE = 0.03  # of the mouth's area; smaller flat spots are ledges, not floor
RIM_BAND = 0.2  # of the depth; flat ground within it is the rim's flare unless it is a large part of the mouth
BELOW_FLOOR = 1.0  # mm; how far the wall's lowest loop lies below the lowest floor


@dataclass(frozen=True, eq=False)
class Section:
    """One level set of the insertable space, part frame.

    z     : height of the cutting plane, mm; 0 at the mouth, negative inside.
    loops : closed loops (K, 2) float64, mm, first point not repeated; outer ones counter-clockwise, holes clockwise.
    """

    z: float
    loops: tuple[Floats, ...]


@dataclass(frozen=True, eq=False)
class WallTrace:
    """Loops of the wall in correspondence.

    points : (N, L, 2) float64, mm: N markers around, L levels from low to high.
    z      : (L,) rising, mm.
    on_wall: (N, L) bool: the marker lies on a section (elsewhere the wall is above the rim or below the floor).
    """

    points: Floats
    z: Floats
    on_wall: Bools

    def __post_init__(self) -> None:
        freeze(self, "points", "float64")
        freeze(self, "z", "float64")
        freeze(self, "on_wall", "bool")


def cut_sections(space: InsertableSpace, z: Floats) -> tuple[Section, ...]:
    """Return the level sets of the insertable space at heights z (L,), mm, highest first as given."""
    step = max(1, int(CONTOUR_PITCH / space.pitch))
    x, y, height = space.x[::step], space.y[::step], np.ascontiguousarray(space.height[::step, ::step])

    def work(part: slice) -> list[Section]:
        return [Section(level, trace_level(x, y, height, level)) for level in z[part].tolist()]

    return tuple(section for some in share_parts(work, len(z)) for section in some)


def sample_height(space: InsertableSpace, points: Floats) -> Floats:
    """Return the insertable height at points (..., 2), mm, bilinear between nodes."""
    return sample_grid(space.height, points, origin=space.origin, pitch=space.pitch)


@lru_cache(maxsize=2)  # asked for at every step of a fit
def steepness(space: InsertableSpace) -> Floats:
    """Return the slope of the insertable surface at every node, (R, C), mm of height per mm of plan; read-only.

    Differences run over half a millimetre, so that noise does not count, and of the two along each axis the smaller is taken, so
    that the foot of a wall does not make the floor beside it steep.
    """
    step = max(1, round(SLOPE_BASE / space.pitch))
    square = np.zeros(space.height.shape, dtype=np.float32)
    for axis in (0, 1):
        padded = np.pad(space.height, [(step, step) if k == axis else (0, 0) for k in (0, 1)], mode="edge")
        padded, flat = (padded, square) if axis == 0 else (padded.T, square.T)
        rise = np.abs(padded[step:] - padded[:-step])
        flat += np.minimum(rise[:-step], rise[step:]) ** 2
    slope: Floats = np.sqrt(square) / np.float32(step * space.pitch)
    slope.setflags(write=False)
    return slope


@lru_cache(maxsize=2)
def local_slope(space: InsertableSpace) -> Singles:
    """Return the slope at every node from central differences, (R, C), mm per mm: a wall's full steepness counts; read-only."""
    dy, dx = np.gradient(space.height, np.float32(space.pitch))
    slope: Singles = np.hypot(dx, dy)
    slope.setflags(write=False)
    return slope


@lru_cache(maxsize=2)  # asked for by the search for posts, and by the fit, whose space is the same where there is none
def choose_split(space: InsertableSpace) -> float:
    """Return the slope, in degrees, around which the insertable surface has the least area: there floor and wall part best."""
    steep = steepness(space)[space.height < space.top]
    slices = (np.degrees(np.arctan(steep)) / SLICE).astype(np.int64)
    area = np.cumsum(np.bincount(slices, np.sqrt(1.0 + steep**2), round(90.0 / SLICE) + 2))  # up to the end of a slice
    candidates = np.arange(SPLIT_SLOPES[0], SPLIT_SLOPES[1] + 0.1, SPLIT_STEP)
    first, last = (np.rint((candidates + side) / SLICE).astype(np.int64) - 1 for side in (-BAND, BAND))
    cost = (area[last] - area[first]) * (1.0 + PREFER * np.abs(candidates - 60.0))
    return float(candidates[int(np.argmax(cost <= ALIKE * cost.min()))])


def find_lowest(height: Singles, label: NDArray[np.integer[Any]], count: int) -> Floats:
    """Return the lowest height (R, C) of each label (R, C) from 1 to `count`, (count,) mm."""
    lowest = np.full(count + 1, np.inf, dtype=height.dtype)
    np.minimum.at(lowest, label.ravel().astype(np.intp), height.ravel())  # of one type each: else it takes twenty times as long
    return lowest[1:].astype(np.float64)


def find_floor(space: InsertableSpace, split_deg: float) -> Bools:
    """Return the nodes of the floor, (R, C) bool: connected ground flatter than the split slope and large enough to bear a part.

    Small ledges, ears in corners and the flare of a rounded rim are no floor; they are left to `without_ledges`.
    """
    from scipy import ndimage

    inside = space.height < space.top
    flat = inside & (steepness(space) < tan(radians(split_deg)))
    flat = open_disc(flat, radius=_share_of_mouth(space, RAGGED_SHARE, RAGGED), pitch=space.pitch)
    label, count = ndimage.label(flat)
    if count == 0:
        return np.asarray(flat)
    index = np.arange(1, count + 1)
    area = ndimage.sum_labels(flat, label, index)
    deepest = space.top - find_lowest(space.height, label, count)
    depth = space.top - float(space.height.min())
    share = area / max(1, int(inside.sum()))
    keep = (share > FLOOR_SHARE) & ((deepest > RIM_BAND * depth) | (share > 0.25))
    keep[int(np.argmax(area * deepest))] = True
    return np.asarray(np.concatenate([[False], keep])[label])


def _share_of_mouth(space: InsertableSpace, share: float, limits: tuple[float, float]) -> float:
    """Return a length that grows with the mouth, mm."""
    return float(np.clip(share * np.sqrt(signed_area(space.mouth)), *limits))


def without_ledges(
    space: InsertableSpace, floor: Bools, ramp_deg: float, *, edge: float, round_corners: bool = True
) -> InsertableSpace:
    """Return the space with all ground filled that cannot be reached from the floor up walls steeper than `ramp_deg`.

    Ears, ledges, the flare of a rounded rim and pits cut off from the floor go, and the wall's corners are rounded to a radius
    that a spline can follow. Safe: the space only shrinks.
    """
    gentle, steepest = tan(radians(FLARE)), tan(radians(min(ramp_deg, 86.0)))
    flare = space.height > _flare_level(space)
    slope = np.where(flare, gentle, steepest).astype(np.float32)
    steep = climb(space.height, floor, slope, pitch=space.pitch)
    if not round_corners:
        return confine(replace(space, height=steep), edge=edge)
    radius = _share_of_mouth(space, CORNER_SHARE, CORNERS)
    closed = -dilate_disc(-dilate_disc(steep, radius=radius, pitch=space.pitch), radius=radius, pitch=space.pitch)
    return confine(replace(space, height=np.where(floor, steep, closed)), edge=edge)


def _flare_level(space: InsertableSpace) -> float:
    """Return the height above which the wall may flare with a rounded rim, mm."""
    depth = space.top - float(space.height.min())
    return space.top - min(FLARE_DEPTH, 0.25 * depth)


def trace_wall(space: InsertableSpace, floor: Bools, lean_deg: float) -> WallTrace:
    """Trace the wall's loops down from the mouth to below the lowest floor.

    Every marker steps to the nearest point of the next lower section, as long as that is no farther away than the split slope
    allows; else it has met the floor and leans inwards at that slope for a short way, then goes straight down.

    Args:
        space: the insertable space, without ledges.
        floor: (R, C) bool, the floor's nodes.
        lean_deg: slope of the gentlest wall, degrees; below the floor the wall goes on more steeply, to cross it clearly.

    Returns:
        WallTrace, with two levels above the mouth that repeat its loop.

    Raises:
        SectionError: no closed section at the mouth.
    """
    brow = space.top - 0.01
    lowest = float(space.height.min()) - BELOW_FLOOR
    levels = np.arange(brow, lowest, -max(LEVEL_STEP, (brow - lowest) / MOST_LEVELS))
    levels = np.append(levels, lowest)
    sections = cut_sections(space, levels)
    outer = [loop for loop in sections[0].loops if signed_area(loop) > 0]
    if not outer:
        raise SectionError(
            "the insertable space has no closed section at the mouth", f"z = {brow:.1f} mm",
            "scan more of the panel around the mouth, or set mouth.rim",
        )
    first = max(outer, key=signed_area)
    around = float(np.linalg.norm(np.diff(np.vstack([first, first[:1]]), axis=0), axis=1).sum())
    points = resample_loop(first, step=max(MARKER_STEP, around / 2500))
    lean = 1.0 / tan(radians(lean_deg))
    flared = levels > _flare_level(space) - LEVEL_STEP
    dive = tan(radians(min(lean_deg + DIVE, 86.0)))
    steep = steepness(space) > tan(radians(lean_deg + 1.0))
    loops, met = [points], [np.ones(len(points), dtype=bool)]
    own = np.zeros(len(points))
    simple = _is_simple(points)
    for i in range(1, len(levels)):
        drop = levels[i - 1] - levels[i]
        points = _untangle(points, simple=simple)
        inward = _inward_normals(points)
        target, distance = find_feet(sections[i].loops, points)
        over_floor = _look_up(floor, space, points + FOOT * inward)
        left_behind = (distance < NEAR_WALL) & _look_up(steep, space, target) & ~over_floor
        gentlest = np.where(flared[i] & ~over_floor, 1.1 / tan(radians(FLARE)), lean)
        on_wall = (distance <= gentlest * drop + 0.01) | left_behind
        deep = sample_height(space, points) - levels[i] > PAST_FLOOR
        own = np.where(on_wall, 0.5 * (own + distance / drop), own)
        step = np.where(deep, 0.0, drop * np.minimum(_smooth(own), 1.0 / dive))
        points = np.where(on_wall[:, None], target, points + inward * _smooth(step)[:, None])
        fair = 0.5 * points + 0.25 * (np.roll(points, 1, axis=0) + np.roll(points, -1, axis=0))
        points = np.where(on_wall[:, None], points, fair)
        simple = _is_simple(points)
        if not simple:
            points = _untangle(points, simple=False)
            simple = _is_simple(points)
        loops.append(points)
        met.append(on_wall)
    above = np.array([space.top + 2.0, space.top + 1.0])
    grid = np.stack([loops[0], loops[0], *loops], axis=1)
    on_wall = np.stack([np.zeros(len(points), dtype=bool)] * 2 + met, axis=1)
    z = np.concatenate([above, levels])
    return WallTrace(points=grid[:, ::-1], z=z[::-1], on_wall=on_wall[:, ::-1])


def _inward_normals(points: Floats) -> Floats:
    """Return unit normals (N, 2) of a counter-clockwise loop, pointing to its inside, from chords over a few markers."""
    chord = np.roll(points, -3, axis=0) - np.roll(points, 3, axis=0)
    normal = np.column_stack([-chord[:, 1], chord[:, 0]])
    unit: Floats = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return unit


def _smooth(values: Floats) -> Floats:
    kernel = np.ones(7) / 7.0
    return np.convolve(np.concatenate([values[-3:], values, values[:3]]), kernel, mode="valid")


def _look_up(mask: Bools, space: InsertableSpace, points: Floats) -> Bools:
    """Return the mask's value at the node nearest to each point (N, 2)."""
    col = np.clip(np.rint((points[:, 0] - space.origin[0]) / space.pitch).astype(int), 0, mask.shape[1] - 1)
    row = np.clip(np.rint((points[:, 1] - space.origin[1]) / space.pitch).astype(int), 0, mask.shape[0] - 1)
    return np.asarray(mask[row, col])


def _is_simple(points: Floats) -> bool:
    import shapely

    return bool(shapely.Polygon(points).is_valid)


def _untangle(points: Floats, *, simple: bool) -> Floats:
    """Return the markers in order along the simple loop they describe, their spacing evened out over a few neighbours.

    simple: whether their loop does not cross itself.
    """
    import shapely

    if simple:
        loop, at = points, np.arange(len(points))
    else:
        polygon = shapely.Polygon(points)
        parts = [g for g in shapely.get_parts(shapely.buffer(polygon, 0.0)) if g.geom_type == "Polygon" and not g.is_empty]
        if not parts:
            return points
        loop = np.asarray(max(parts, key=lambda g: g.area).exterior.coords)[:-1]
        if signed_area(loop) < 0:
            loop = loop[::-1]
        away = np.linalg.norm(points[:, None, :] - loop[None, :, :], axis=2)
        at = np.argmin(away, axis=1)
    arc = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(np.vstack([loop, loop[:1]]), axis=0), axis=1))])
    total = arc[-1]
    place = arc[at]
    if not simple:
        step = (np.diff(place, append=place[0]) + 0.5 * total) % total - 0.5 * total
        turned = np.maximum.accumulate(place[0] + np.concatenate([[0.0], np.cumsum(step[:-1])]))
        place = np.minimum(turned, place[0] + total)
    gap = np.diff(place, append=place[0] + total)
    gap = _smooth(_smooth(np.maximum(gap, LEAST_SPACING * total / len(points))))
    gap *= total / gap.sum()
    start = place[0]
    place = (start + np.concatenate([[0.0], np.cumsum(gap[:-1])])) % total
    closed = np.vstack([loop, loop[:1]])
    return np.column_stack([np.interp(place, arc, closed[:, k]) for k in range(2)])
