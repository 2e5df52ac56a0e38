"""What is carried along the front of a shelf, which follows the bowed panel.

Where the front's edge is as good as straight or an arc, an outline turns with it: its faces are then planes, cylinders, cones and
tori, which the solid kernel intersects with a body in two thirds of the time that swept ones take.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import asin, atan

import numpy as np

from mountgen.arrays import Floats
from mountgen.features.profile import Profile
from mountgen.kernel import Solid
from mountgen.shape import (
    Axes,
    Circle,
    Outline,
    bezier_points,
    bezier_poles,
    extrude,
    fit_circle,
    revolve,
    sweep,
)

PATH_ERROR = 0.005  # mm by which what is carried may leave the panel
PATH_DEGREES = (2, 4)  # of the curve that is swept along, tried in this order
LARGEST = 1.0e4  # mm, radius of an arc; the kernel's tori of a larger one are not exact enough
WIDEST = 0.7  # of an arc's radius, to either side of its middle and from the edge to its axis
POINTS = 25  # of the edge

Place = Callable[[float, float], Floats]  # x and depth in the edge's plane, mm, to a point (3,) of the part frame


def follow_front(profile: Profile, outline: Outline, low: float, high: float, *, above: float, beyond: float) -> Solid:
    """Return the solid that an outline passes over along the front's edge `above` mm above the deck.

    Args:
        profile: the side of the shelf.
        outline: drawn in (s, h) about the edge, mm.
        low, high: x between which the edge is followed, mm.
        above: mm above the deck, square to it.
        beyond: mm by which the solid goes on past both ends.
    """
    x = np.linspace(low, high, POINTS)
    edge = profile.front_edge(x, above)  # in a plane parallel to the deck
    depth, level = edge @ profile.slope_back, float(edge[0] @ profile.slope_square)
    place, ends = partial(_place, profile, level), (low - beyond, high + beyond)
    line = np.polyfit(x, depth, 1)
    if float(np.abs(np.polyval(line, x) - depth).max()) < PATH_ERROR:
        return _carry_straight(profile, outline, place, ends, line)
    circle = fit_circle(np.column_stack([x, depth]))
    widest = max(*(abs(end - circle.middle[0]) for end in ends), float(np.abs(outline.corners).max()))
    if circle.error < PATH_ERROR and widest / WIDEST < circle.radius < LARGEST:
        return _carry_round(profile, outline, place, ends, circle, outwards=bool(depth.mean() < circle.middle[1]))
    return _sweep_along(profile, outline, ends, above)


def _place(profile: Profile, level: float, x: float, depth: float) -> Floats:
    flat = depth * profile.slope_back + level * profile.slope_square
    point: Floats = profile.place(np.array([x]), flat[None, :])[0]
    return point


def _carry_straight(profile: Profile, outline: Outline, place: Place, ends: tuple[float, float], line: Floats) -> Solid:
    first, last = (place(end, float(np.polyval(line, end))) for end in ends)
    axes = Axes(first, profile.inwards, profile.up).turn(profile.square, atan(line[0]), about=first)
    return extrude(outline, axes=axes, height=float(np.linalg.norm(last - first)))


def _carry_round(
    profile: Profile, outline: Outline, place: Place, ends: tuple[float, float], circle: Circle, *, outwards: bool
) -> Solid:
    """Return the outline turned about the circle's middle. outwards: whether the front bows out of the recess."""
    way = -1.0 if outwards else 1.0
    x, depth = (float(each) for each in circle.middle)
    axes = Axes(place(x, depth + way * circle.radius), profile.inwards, profile.up)
    first, last = sorted(-way * asin((end - x) / circle.radius) for end in ends)
    return revolve(outline, axes=axes, axis=profile.square, about=place(x, depth), first=first, last=last)


def _sweep_along(profile: Profile, outline: Outline, ends: tuple[float, float], above: float) -> Solid:
    """Return the outline swept, without turning, along the curve of least degree that is near enough to the edge."""
    t = np.linspace(0.0, 1.0, POINTS)
    x = ends[0] + t * (ends[1] - ends[0])
    edge: Floats = profile.place(x, profile.front_edge(x, above))
    for degree in PATH_DEGREES:
        path = bezier_poles(t, edge, degree=degree)
        if float(np.abs(bezier_points(path, t) - edge).max()) < PATH_ERROR:
            break
    return sweep(outline, axes=Axes(np.zeros(3), profile.inwards, profile.up), path=path)
