"""The lip: the ledge that follows the bowed front of the panel, with rounded edges, and its finger scoop."""

from __future__ import annotations

from math import cos, radians, sin, tan

import numpy as np

from mountgen.arrays import Floats
from mountgen.features.profile import RIGHT, Profile
from mountgen.kernel import Solid
from mountgen.shape import Axes, Outline, bezier_points, bezier_poles, extrude, round_polygon, sweep

CROSSING = radians(10.0)  # angle at which a rounding runs out of the face it rounds: kernels fail on tangency
SCOOP_DIP = 2.0  # mm by which a scoop is hollowed out below the deck, so that a finger gets under the device
PATH_DEGREES = (1, 2, 4)  # of the curve along which the lip follows the panel, tried in this order
PATH_ERROR = 0.005  # mm by which that curve may leave the panel
BEYOND = 12.0  # mm by which a swept tool reaches past what it cuts
OUTSIDE = 6.0  # mm in front of the panel


def overshoot(radius: float) -> float:
    """Return how far beyond a face its rounding must be tangent to cross that face at 10 degrees, mm."""
    return radius * (1.0 - cos(CROSSING))


def round_front(profile: Profile, low: float, high: float, *, radius: float) -> Solid:
    """Return what rounds the front's top edge, the lip's or the deck's, from x = `low` to `high`: to be cut away."""
    lean, tilt = profile.front_lean, radians(profile.tilt_deg)
    up_front = np.array([sin(lean), cos(lean)])
    inwards = np.array([cos(tilt), -sin(tilt)])
    past = overshoot(radius)
    # where the two faces, each moved outwards by `past`, meet
    front = past * np.array([-cos(lean), sin(lean)])
    top = past * np.array([sin(tilt), cos(tilt)])
    along, _ = np.linalg.solve(np.column_stack([up_front, -inwards]), top - front)
    corner = front + along * up_front
    turn = 0.5 * np.pi + tilt - lean
    cut = radius * tan(0.5 * turn)  # from the corner to where the arc begins and ends
    outline = np.array([corner, corner - cut * up_front, corner + radius * (top + front) / past, corner + cut * inwards])
    return _follow_front(profile, round_polygon(outline, [radius, 0.0, 0.0, 0.0]), low, high)


def stand_lip(profile: Profile, low: float, high: float, *, radius: float) -> Solid:
    """Return the lip and all in front of it, from x = `low` to `high`: what the seat's pocket must leave."""
    lean, tilt = profile.front_lean, radians(profile.tilt_deg)
    depth, below = profile.lip_depth, profile.lip_height + 10.0
    over = overshoot(radius) if radius > 0.0 else 1.0

    def back(h: float) -> tuple[float, float]:
        return depth + h * tan(lean), h

    # the back face meets the top, which slopes with the deck and lies `over` above the lip's
    h = (over - tan(tilt) * depth) / (1.0 + tan(tilt) * tan(lean))
    outline = [(-OUTSIDE - below, -below), back(-below), back(h), (-OUTSIDE - below, over + tan(tilt) * (OUTSIDE + below))]
    return _follow_front(profile, round_polygon(outline, [0.0, 0.0, radius, 0.0]), low, high)


def scoop_lip(profile: Profile, *, place: float, width: float, reach: float, radius: float) -> Solid:
    """Return the finger scoop: to be cut away.

    Args:
        profile: the side of the shelf.
        place: x of its middle, mm.
        width: of the scoop at the lip's top, mm.
        reach: s to which it reaches in, mm.
        radius: rounding of the lip's edge at its two ends, mm.
    """
    depth = profile.lip_height + SCOOP_DIP
    outline = notch(width, bottom=-SCOOP_DIP, top=profile.lip_height, radius=radius, inner=min(depth, 0.3 * width))
    return cut_inwards(profile, outline, place=place, reach=reach)


def notch(width: float, *, bottom: float, top: float, radius: float, inner: float = 0.0) -> Outline:
    """Return the outline (x, height above the deck) of a notch that is open above.

    Args:
        width: mm, between its upright sides; its middle is at x = 0.
        bottom, top: mm; the top is that of the material it is cut into.
        radius: rounding of the material's edges at the top, mm.
        inner: rounding of the corners at the bottom, mm.
    """
    half, ledge, high = 0.5 * width, 2.0 * radius, top + overshoot(radius)
    corners = [(-half, bottom), (half, bottom), (half, high), (half + ledge, high), (half + ledge, high + 30.0),
               (-half - ledge, high + 30.0), (-half - ledge, high), (-half, high)]
    if radius <= 0.0:
        corners = [(-half, bottom), (half, bottom), (half, high + 30.0), (-half, high + 30.0)]
        return round_polygon(corners, [inner, inner, 0.0, 0.0])
    return round_polygon(corners, [inner, inner, radius, 0.0, 0.0, 0.0, 0.0, radius])


def cut_inwards(profile: Profile, outline: Outline, *, place: float, reach: float, start: float | None = None) -> Solid:
    """Return the prism on an outline (x from `place`, height above the deck) from in front of the panel to s = `reach`."""
    first = profile.deck_s - 40.0 if start is None else start
    axes = profile.along_deck(first)
    moved = Axes(axes.origin + place * RIGHT, axes.right, axes.up)
    return extrude(outline, axes=moved, height=-(reach - first) / cos(radians(profile.tilt_deg)))


def _follow_front(profile: Profile, outline: Outline, low: float, high: float) -> Solid:
    """Return an outline, drawn in (s, h) about the front's edge at the top of the lip, swept along that edge."""
    low, high = low - BEYOND, high + BEYOND
    t = np.linspace(0.0, 1.0, 25)
    edge: Floats = profile.place(low + t * (high - low), profile.lip_edge(low + t * (high - low)))
    for degree in PATH_DEGREES:
        path = bezier_poles(t, edge, degree=degree)
        if float(np.abs(bezier_points(path, t) - edge).max()) < PATH_ERROR:
            break
    return sweep(outline, axes=Axes(np.zeros(3), profile.inwards, profile.up), path=path)
