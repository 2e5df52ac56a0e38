"""Joints between two pieces of a part: round pins in holes, or a dovetail in a socket, both with a gap all around.

Both are made by booleans on the mesh. Two pieces of a pinned part lack exactly their holes (closed form), those of a dovetail
the gap around the tail; a joint that breaks out of the part's surface lacks less, and is not taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import pi, radians, sin, tan
from typing import Any, Literal

import numpy as np

from mountgen.arrays import Floats
from mountgen.features.part import SoftZone

JointKind = Literal["dowels", "dovetail"]
PINS = (8.0, 6.0, 5.0, 4.0, 3.0)  # mm, diameters of rod that is sold; the largest that finds room is taken
DEPTH = 1.5  # diameters that a pin goes into each piece (common practice for dowels: one to two)
APART = 3.0  # diameters between two pins, at least, so that they also keep the pieces from turning
SPARE = 0.5  # mm that a hole is deeper than its pin, so that the faces meet
LEVELS = (-1.0, -0.6, -0.2, 0.2, 0.6, 1.0)  # of the depth, at which a hole must have room
SIDES = 48  # of a round hole
MATCH = 0.02  # share by which a piece may miss the volume of its closed form: the holes broke out of it

TAILS = (16.0, 12.0, 8.0, 6.0, 4.0)  # mm, lengths of a dovetail; the largest that finds room is taken
FLARE_DEG = 15.0  # by which each flank of a tail leans out (common practice in woodwork: 1 in 4)
NECK = 0.8  # lengths that a tail is wide at its root
CHEEK = 0.5  # lengths of material that must stand on each side of the socket
HELD = 0.6  # share of those cheeks that must be there
PLACES = 15  # across the cut, where a tail is tried
FAR = 1.0e4  # mm, past any part


@dataclass(frozen=True)
class Joint:
    """A joint. Part frame, mm.

    axis, at: the plane of the cut: 0, 1, 2 for x, y, z, and where on it.
    places  : middles of pins, or of the tail's root.
    size    : diameter of the pins, or length of the tail.   gap: all around.
    pin     : length of each pin; 0 for a dovetail.          slide: axis along which a dovetail is pushed together; -1 for pins.
    lost    : what both pieces together have less than the whole, mm³: the holes, or the gap around the tail.
    """

    kind: JointKind
    axis: int
    at: float
    places: tuple[tuple[float, float, float], ...]
    size: float
    gap: float
    pin: float
    slide: int
    lost: float


@dataclass(frozen=True, eq=False)
class Halves:
    """Two solids of the mesh library with a joint between them: below and above the plane."""

    low: Any
    high: Any
    joint: Joint


def join_halves(
    solid: Any, *, axis: int, at: float, kind: JointKind, gap: float, wall: float, zones: Sequence[SoftZone]
) -> Halves | None:
    """Part a solid along a plane and make the joint.

    Args:
        solid: of the mesh library.
        axis, at: the plane, square to axis 0, 1 or 2 (x, y, z), and where on it, mm.
        kind: of joint.
        gap: all around pins or tail, mm.
        wall: least wall around a hole or socket, mm.
        zones: where no joint may be.

    Returns:
        Halves; None where the joint finds no room, or does not come out as one body each.

    Raises:
        Nothing.
    """
    normal = np.eye(3)[axis]
    high, low = solid.split_by_plane(tuple(normal), at)
    if low.is_empty() or high.is_empty() or len(low.decompose()) != 1 or len(high.decompose()) != 1:
        return None
    make = _make_dowels if kind == "dowels" else _make_dovetail
    return make(solid, low, high, axis, at, gap, wall, zones)


def make_pin(joint: Joint) -> Any:
    """Return a pin of a joint, lying along x, as a solid of the mesh library."""
    import manifold3d

    pin = manifold3d.Manifold.cylinder(joint.pin, 0.5 * joint.size, 0.5 * joint.size, SIDES)
    return pin.rotate((0.0, 90.0, 0.0))


def hole_area(radius: float) -> float:
    """Return the area of a hole's outline, mm², a polygon of `SIDES` sides."""
    return 0.5 * SIDES * radius**2 * sin(2.0 * pi / SIDES)


def _turn(axis: int) -> Floats:
    """Return the (3, 4) matrix that turns axis `axis` upwards by changing the axes round."""
    order = [(axis + 1) % 3, (axis + 2) % 3, axis]
    return np.column_stack([np.eye(3)[order], np.zeros(3)])


def _make_dowels(
    solid: Any, low: Any, high: Any, axis: int, at: float, gap: float, wall: float, zones: Sequence[SoftZone]
) -> Halves | None:
    import manifold3d

    turn = _turn(axis)
    turned = solid.transform(turn)
    for diameter in PINS:
        radius, depth = 0.5 * diameter + gap, DEPTH * diameter + SPARE
        room = turned.slice(at + LEVELS[0] * depth)
        for level in LEVELS[1:]:
            room = room ^ turned.slice(at + level * depth)
        room = room.offset(-(radius + wall), manifold3d.JoinType.Round) - _forbid(zones, axis, at, depth, radius + wall)
        spots = [np.asarray(polygon) for polygon in room.to_polygons()]
        if not spots:
            continue
        pair = _farthest(np.concatenate(spots))
        if np.linalg.norm(pair[1] - pair[0]) < APART * diameter:
            continue
        pins = [
            manifold3d.Manifold.cylinder(2.0 * depth, radius, radius, SIDES, True).translate((float(u), float(v), at))
            for u, v in pair
        ]
        holes = manifold3d.Manifold.batch_boolean(pins, manifold3d.OpType.Add).transform(_turn_back(axis))
        hole = hole_area(radius) * depth * len(pair)
        halves = low - holes, high - holes
        if not all(_is_whole(after, before.volume() - hole, hole) for before, after in zip((low, high), halves, strict=True)):
            continue
        places = tuple(_place(axis, float(u), float(v), at) for u, v in pair)
        joint = Joint("dowels", axis, at, places, diameter, gap, 2.0 * DEPTH * diameter, -1, 2.0 * hole)
        return Halves(*halves, joint)
    return None


def _make_dovetail(
    solid: Any, low: Any, high: Any, axis: int, at: float, gap: float, wall: float, zones: Sequence[SoftZone]
) -> Halves | None:
    """A tail of the lower piece in the upper one, which slides on along one of the other two axes."""
    for length in TAILS:
        for slide in ((axis + 1) % 3, (axis + 2) % 3):
            across = 3 - axis - slide
            start, end = np.array(solid.bounding_box()).reshape(2, 3)[:, across]
            half = 0.5 * NECK * length + length * tan(radians(FLARE_DEG)) + gap + max(CHEEK * length, wall)
            for middle in sorted(np.linspace(start + half, end - half, PLACES), key=lambda u: abs(u - 0.5 * (start + end))):
                if end - start < 2.0 * half or _touches(zones, axis, at, at + length, across, middle - half, middle + half):
                    continue
                found = _try_tail(low, high, axis, across, at, float(middle), length, gap, wall)
                if found is not None:
                    return found
    return None


def _try_tail(
    low: Any, high: Any, axis: int, across: int, at: float, middle: float, length: float, gap: float, wall: float
) -> Halves | None:
    import manifold3d

    flare = length * tan(radians(FLARE_DEG))
    neck, tip = 0.5 * NECK * length, 0.5 * NECK * length + flare
    tail_outline = manifold3d.CrossSection([[(-neck, 0.0), (neck, 0.0), (tip, length), (-tip, length)]])
    above = manifold3d.CrossSection.square((8.0 * length, 4.0 * length), True).translate((0.0, 2.0 * length))
    # the tail goes on below the plane, so that the gap's flanks stay parallel to its own
    deep = manifold3d.CrossSection(
        [[(-neck + flare, -length), (neck - flare, -length), (tip, length), (-tip, length)]]
    )
    socket_outline = deep.offset(gap, manifold3d.JoinType.Miter, 10.0) ^ above
    cheek = max(CHEEK * length, wall)
    slide = 3 - axis - across

    def raise_up(outline: Any) -> Any:
        """Carry an outline (across, axis) through everything along the slide."""
        prism = manifold3d.Manifold.extrude(outline, 2.0 * FAR).translate((middle, at, -FAR))
        matrix = np.zeros((3, 4))
        matrix[across, 0], matrix[axis, 1], matrix[slide, 2] = 1.0, 1.0, 1.0
        if np.linalg.det(matrix[:, :3]) < 0.0:
            matrix[slide, 2] = -1.0
        return prism.transform(matrix)

    tail = high ^ raise_up(tail_outline)
    if tail.is_empty() or len(tail.decompose()) != 1:
        return None
    thickness = tail.volume() / tail_outline.area()
    if thickness < wall:
        return None
    for side in (-1.0, 1.0):
        strip = manifold3d.CrossSection.square((cheek, length), True)
        strip = strip.translate((side * (tip + gap + 0.5 * cheek), 0.5 * length))
        if (high ^ raise_up(strip)).volume() < HELD * thickness * cheek * length:
            return None
    socket = high ^ raise_up(socket_outline)
    halves = low + tail, high - raise_up(socket_outline)
    lost = socket.volume() - tail.volume()
    if not _is_whole(halves[0], low.volume() + tail.volume(), tail.volume()):
        return None
    if not _is_whole(halves[1], high.volume() - socket.volume(), socket.volume()):
        return None
    place = np.array(tail.bounding_box()).reshape(2, 3).mean(axis=0)
    place[axis], place[across] = at, middle
    spot = (float(place[0]), float(place[1]), float(place[2]))
    return Halves(*halves, Joint("dovetail", axis, at, (spot,), length, gap, 0.0, slide, lost))


def _is_whole(solid: Any, volume: float, joint: float) -> bool:
    """Return whether a piece is one body that lacks just its share of the joint."""
    return len(solid.decompose()) == 1 and abs(solid.volume() - volume) <= MATCH * joint


def _farthest(spots: Floats) -> Floats:
    """Return the two of points (N, 2) that are farthest from each other, (2, 2)."""
    import manifold3d

    hull = np.asarray(manifold3d.CrossSection.hull_points(spots).to_polygons()[0]) if len(spots) > 2 else spots
    if len(hull) < 2:
        return np.repeat(spots[:1], 2, axis=0)
    return np.asarray(max(combinations(hull, 2), key=lambda pair: float(np.linalg.norm(pair[1] - pair[0]))))


def _forbid(zones: Sequence[SoftZone], axis: int, at: float, depth: float, margin: float) -> Any:
    """Return the region of a turned section from which zones near the plane keep the middles of holes away."""
    import manifold3d

    first, second = (axis + 1) % 3, (axis + 2) % 3
    boxes = [
        manifold3d.CrossSection.square(
            (zone.high[first] - zone.low[first] + 2.0 * margin, zone.high[second] - zone.low[second] + 2.0 * margin)
        ).translate((zone.low[first] - margin, zone.low[second] - margin))
        for zone in zones
        if zone.low[axis] < at + depth and zone.high[axis] > at - depth
    ]
    return manifold3d.CrossSection.batch_boolean(boxes, manifold3d.OpType.Add) if boxes else manifold3d.CrossSection()


def _touches(
    zones: Sequence[SoftZone], axis: int, low: float, high: float, across: int, left: float, right: float
) -> bool:
    return any(
        zone.low[axis] < high and zone.high[axis] > low and zone.low[across] < right and zone.high[across] > left
        for zone in zones
    )


def _turn_back(axis: int) -> Floats:
    return np.column_stack([_turn(axis)[:, :3].T, np.zeros(3)])


def _place(axis: int, u: float, v: float, at: float) -> tuple[float, float, float]:
    x, y, z = _turn_back(axis)[:, :3] @ np.array([u, v, at])
    return float(x), float(y), float(z)
