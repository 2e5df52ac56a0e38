"""Where flat pads find room: views of a part's bearing surface along a few directions, and rectangles in them.

A view is a grid of rays. On it the part's surface and the scan behind it are two height fields, so that every place and
angle of a pad is a window, and how flat the scan is under it a sum over that window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, cos, radians, sin

import numpy as np
from scipy import ndimage

from mountgen.arrays import Bools, Floats, freeze
from mountgen.features.part import SoftZone
from mountgen.surface import Surface

SAMPLES = 4000  # points of the part's surface by which its directions are found
DIRECTIONS = 8  # views at most
ALIKE, APART = 15.0, 25.0  # degrees; faces within the first make a direction, within the second they are seen in its view
BEARS = 3.0  # mm; a surface farther from the scan does not bear on it
UNEVEN = 0.6  # mm beyond a view's usual gap at which the part has left the scan (an edge, a hole)
LANDWARD = 0.05  # normal z above this faces the mouth
ANGLES = (0.0, 90.0, 30.0, 60.0, 120.0, 150.0)  # degrees a pad is turned in its view, in order of liking
WINDOWS = 160  # tried for each angle of a view
GAP = 2.0  # mm between pads
LAND = 1.6  # mm of bearing surface around a pad: no fin beside a pocket is thinner
STRAIGHT = ((0.0,), (90.0,), ANGLES)  # angles that are tried together, the tidiest first
BACK = 0.5  # mm behind the part's surface from which rays to the scan start: never within the scan


@dataclass(frozen=True, eq=False)
class View:
    """A part's surface seen along a direction. Lengths in mm.

    origin : (3,) the point of node (0, 0).  right, up, normal: (3,) unit vectors; the normal points from part to scan.
    scan   : (R, C) height of the scan along the normal, at nodes right * c + up * r times the pitch; good: (R, C) bool, where
    the part bears on scan that was seen.
    """

    origin: Floats
    right: Floats
    up: Floats
    normal: Floats
    pitch: float
    scan: Floats
    good: Bools

    def __post_init__(self) -> None:
        for name in ("origin", "right", "up", "normal", "scan"):
            freeze(self, name, "float64")
        freeze(self, "good", "bool")

    @property
    def worth(self) -> float:
        """Area that bears, mm², less where the tape would have to slide along it on the way in."""
        return float(self.good.sum()) * self.pitch**2 * (0.5 + 0.5 * abs(float(self.normal[2])))


@dataclass(frozen=True, eq=False)
class Spot:
    """A rectangle on a view. centre (3,) mm, on the plane nearest to the scan; right along its length, up along its width,
    normal from part to scan; mismatch: how far the scan leaves that plane, largest less smallest, mm; angle: it is turned by."""

    centre: Floats
    right: Floats
    up: Floats
    normal: Floats
    mismatch: float
    angle: float


def make_views(body: Surface, scan: Surface, *, pitch: float, avoid: Sequence[SoftZone]) -> list[View]:
    """Return views of all surfaces of a part that bear on the scan, the worthiest first.

    Args:
        body: the part.
        scan: the scan.
        pitch: of the grids, mm.
        avoid: boxes that no pad may reach into.
    """
    points, normals = _sample(body)
    bearing = normals[:, 2] < LANDWARD
    points, normals = points[bearing], normals[bearing]
    gap, _ = scan.cast(points - BACK * normals, normals)
    bearing = gap - BACK < BEARS
    points, normals = points[bearing], normals[bearing]
    views: list[View] = []
    while len(points) and len(views) < DIRECTIONS:
        alike = normals @ normals.T > cos(radians(ALIKE))
        chosen = alike[int(np.argmax(alike.sum(axis=1)))]
        direction = normals[chosen].sum(axis=0)
        direction /= np.linalg.norm(direction)
        seen = normals @ direction > cos(radians(APART))
        if int(seen.sum()) < SAMPLES // 200:
            break
        views.append(_look(body, scan, points[seen], direction, pitch, avoid))
        points, normals = points[~seen], normals[~seen]
    return sorted(views, key=lambda view: -view.worth)


def choose_spots(
    views: Sequence[View], *, count: int, length: float, width: float, flat: Sequence[float], barred: Sequence[Floats] = ()
) -> list[Spot]:
    """Choose places for pads that do not overlap, on as few surfaces as possible and far apart on each.

    Args:
        views: the worthiest first.
        count: how many.
        length, width: of a pad, mm.
        flat: mismatches that may be accepted, mm, rising; a larger one only where the smaller leave too few places.
        barred: points (3,), mm, that no pad's middle may be within half a width of.

    Returns:
        As many as there is room for, `count` at most.
    """
    found = [_list_spots(view, length, width) for view in views]
    if barred:
        found = [[s for s in spots if min(np.linalg.norm(s.centre - b) for b in barred) > 0.5 * width] for spots in found]
    chosen: list[Spot] = []
    for limit in flat:
        for angles in STRAIGHT:
            taken: list[Spot] = []
            for spots in found:
                usable = [s for s in spots if s.mismatch <= limit and s.angle in angles]
                _spread(usable, taken, count, length, width)
            if len(taken) > len(chosen):
                chosen = taken
            if len(chosen) == count:
                return chosen
    return chosen


def _sample(body: Surface) -> tuple[Floats, Floats]:
    """Return points spread evenly over a surface and the normals there."""
    corners = body.vertices[body.faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    face = np.searchsorted(np.cumsum(area), (np.arange(SAMPLES) + 0.5) / SAMPLES * area.sum()).clip(0, len(area) - 1)
    u, v = np.random.default_rng(0).uniform(0.02, 0.98, (2, SAMPLES))
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u)[:, None], np.where(over, 1.0 - v, v)[:, None]
    a, b, c = corners[face, 0], corners[face, 1], corners[face, 2]
    return a + u * (b - a) + v * (c - a), body.normals[face]


def _look(
    body: Surface, scan: Surface, points: Floats, normal: Floats, pitch: float, avoid: Sequence[SoftZone]
) -> View:
    right = np.array([1.0, 0.0, 0.0]) if abs(normal[0]) < 0.8 else np.array([0.0, 0.0, 1.0])
    right = right - (right @ normal) * normal
    right /= np.linalg.norm(right)
    up = np.cross(normal, right)
    a, b, n = points @ right, points @ up, points @ normal
    columns, rows = (ceil((float(np.ptp(v)) + 2.0) / pitch) + 1 for v in (a, b))
    corner = (float(a.min()) - 1.0) * right + (float(b.min()) - 1.0) * up
    grid = corner + pitch * (np.arange(rows)[:, None, None] * up + np.arange(columns)[None, :, None] * right)
    start = grid.reshape(-1, 3) + (float(n.max()) + 5.0) * normal
    run, face = body.cast(start, np.broadcast_to(-normal, start.shape))
    met = np.isfinite(run)
    good = np.zeros(len(run), dtype=np.bool_)
    height, gap = np.zeros(len(run)), np.full(len(run), np.inf)
    spot = start[met] - run[met, None] * normal
    far, _ = scan.cast(spot - BACK * normal, np.broadcast_to(normal, spot.shape))
    gap[met] = far - BACK
    good[met] = (body.normals[face[met]] @ normal > cos(radians(APART))) & (gap[met] < BEARS)
    if good.any():
        good &= gap < float(np.median(gap[good])) + UNEVEN
    for zone in avoid:
        grown_low, grown_high = np.asarray(zone.low) - 1.0, np.asarray(zone.high) + 1.0
        good[met] &= ~((spot >= grown_low) & (spot <= grown_high)).all(axis=1)
    height[met] = spot @ normal
    scan_height = np.where(good, height + np.where(good, gap, 0.0), 0.0)
    shape = (rows, columns)
    return View(corner, right, up, normal, pitch, scan_height.reshape(shape), good.reshape(shape))


def _list_spots(view: View, length: float, width: float) -> list[Spot]:
    """Return the places of a rectangle on a view at all angles."""
    spots: list[Spot] = []
    columns, rows = (ceil(size / view.pitch) + 1 for size in (length, width))
    across, along = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    design = np.column_stack([np.ones(across.size), view.pitch * across.ravel(), view.pitch * along.ravel()])
    solve = np.linalg.pinv(design)
    for angle in ANGLES:
        right = cos(radians(angle)) * view.right + sin(radians(angle)) * view.up
        up = np.cross(view.normal, right)
        origin, height, good = _turn(view, right, up)
        good = ndimage.minimum_filter(good, size=2 * ceil(LAND / view.pitch) + 1, mode="constant", cval=0)
        if height.shape[0] < rows or height.shape[1] < columns:
            continue
        full = np.lib.stride_tricks.sliding_window_view(good, (rows, columns)).all(axis=(2, 3))
        where = np.argwhere(full)
        where = where[:: max(1, ceil(len(where) / WINDOWS))]
        if len(where) == 0:
            continue
        window = np.lib.stride_tricks.sliding_window_view(height, (rows, columns))[where[:, 0], where[:, 1]]
        flat = window.reshape(len(where), -1)
        plane = flat @ solve.T
        misfit = np.ptp(flat - plane @ design.T, axis=1)
        for (row, column), (offset, tilt_right, tilt_up), mismatch in zip(where, plane, misfit, strict=True):
            middle = view.pitch * np.array([column + (columns - 1) / 2, row + (rows - 1) / 2])
            normal = view.normal - tilt_right * right - tilt_up * up
            normal = normal / np.linalg.norm(normal)
            along_right = right - (right @ normal) * normal
            along_right /= np.linalg.norm(along_right)
            centre = origin + middle[0] * right + middle[1] * up + offset * view.normal
            spots.append(Spot(centre, along_right, np.cross(normal, along_right), normal, float(mismatch), angle))
    return spots


def _turn(view: View, right: Floats, up: Floats) -> tuple[Floats, Floats, Bools]:
    """Return a view's fields on a grid turned in its plane: origin, heights, good."""
    rows, columns = view.good.shape
    corners = np.array([[0.0, 0.0], [columns - 1, 0.0], [columns - 1, rows - 1], [0.0, rows - 1]]) * view.pitch
    turn = np.array([[right @ view.right, right @ view.up], [up @ view.right, up @ view.up]])
    turned = corners @ turn.T
    low = turned.min(axis=0)
    size = np.rint(np.ceil(np.ptp(turned, axis=0) / view.pitch - 1e-6)).astype(int) + 1
    a, b = np.meshgrid(low[0] + view.pitch * np.arange(size[0]), low[1] + view.pitch * np.arange(size[1]))
    back = np.stack([a, b], axis=-1) @ turn / view.pitch
    at = [back[..., 1], back[..., 0]]
    weight = ndimage.map_coordinates(view.good.astype(float), at, order=1, cval=0.0)
    height = ndimage.map_coordinates(view.scan, at, order=1, cval=0.0)
    return view.origin + low[0] * right + low[1] * up, height, weight > 1.0 - 1e-9


def _spread(spots: list[Spot], taken: list[Spot], count: int, length: float, width: float) -> None:
    """Add spots to those taken, each as far as it can be from the others; a single one as near to the middle as it can be."""
    if not spots or len(taken) >= count:
        return
    centres = np.array([s.centre for s in spots])
    middle = centres.mean(axis=0)
    aside = np.linalg.norm(centres - middle, axis=1)
    distance = -aside if count - len(taken) == 1 and not taken else aside
    free = np.ones(len(spots), dtype=np.bool_)
    for other in taken:
        free &= ~_overlap(spots, other, length, width)
        distance = np.linalg.norm(centres - other.centre, axis=1)
    while len(taken) < count and free.any():
        best = int(np.argmax(np.where(free, distance, -np.inf)))
        taken.append(spots[best])
        away = np.linalg.norm(centres - spots[best].centre, axis=1)
        distance = away if len(taken) == 1 else np.minimum(distance, away)
        free &= ~_overlap(spots, spots[best], length, width)


def _overlap(spots: list[Spot], other: Spot, length: float, width: float) -> Bools:
    """Return which rectangles come nearer to another than the gap between pads, by separating axes; (N,) bool."""
    centres = np.array([s.centre for s in spots]) - other.centre
    right, up = np.array([s.right for s in spots]), np.array([s.up for s in spots])
    half = 0.5 * np.array([length + GAP, width + GAP])
    apart = np.zeros(len(spots), dtype=np.bool_)
    for axis in (right, up, np.broadcast_to(other.right, right.shape), np.broadcast_to(other.up, up.shape)):
        mine = half[0] * np.abs((axis * right).sum(1)) + half[1] * np.abs((axis * up).sum(1))
        its = half[0] * np.abs(axis @ other.right) + half[1] * np.abs(axis @ other.up)
        apart |= np.abs((centres * axis).sum(1)) > mine + its - GAP
    for axis in (np.array([s.normal for s in spots]), np.broadcast_to(other.normal, right.shape)):
        mine = half[0] * np.abs((axis * right).sum(1)) + half[1] * np.abs((axis * up).sum(1))
        its = half[0] * np.abs(axis @ other.right) + half[1] * np.abs(axis @ other.up)
        apart |= np.abs((centres * axis).sum(1)) > mine + its + GAP
    return ~apart
