"""The lip: the ledge that follows the bowed front of the panel, with rounded edges, and its finger scoop."""

from __future__ import annotations

from math import cos, radians, sin, tan

import numpy as np

from mountgen.arrays import Floats
from mountgen.features.front import follow_front
from mountgen.features.profile import RIGHT, Profile
from mountgen.kernel import Solid
from mountgen.shape import Axes, Outline, bezier_poles, extrude, round_polygon, sweep

CROSSING = radians(10.0)  # angle at which a rounding runs out of the face it rounds: kernels fail on tangency
STEEPEST, DIP_DEGREE = 0.3, 8  # of a scoop: depth for its width, degree of the curve it follows
SCOOP_DIP = 2.0  # mm by which a scoop is hollowed out below the deck, so that a finger gets under the device
BEYOND = 12.0  # mm by which a swept tool reaches past what it cuts
OUTSIDE = 6.0  # mm in front of the panel


def overshoot(radius: float) -> float:
    """Return how far beyond a face its rounding must be tangent to cross that face at 10 degrees, mm."""
    return radius * (1.0 - cos(CROSSING))


def round_front(
    profile: Profile, low: float, high: float, *, radius: float, above: float | None = None, beyond: float = BEYOND
) -> Solid:
    """Return what rounds an edge of the front from x = `low` to `high`, and `beyond` mm past them: to be cut away.

    The edge is that of the lip's top, of the deck where there is no lip, or of what ends `above` mm above the deck.
    """
    corner, down, back = _front_corner(profile, radius)
    lean, tilt = profile.front_lean, radians(profile.tilt_deg)
    outwards = np.array([sin(tilt) - cos(lean), cos(tilt) + sin(lean)])
    outline = np.array([corner, down, corner + radius * outwards, back])
    drawn, level = round_polygon(outline, [radius, 0.0, 0.0, 0.0]), profile.lip_height if above is None else above
    return follow_front(profile, drawn, low, high, above=level, beyond=beyond)


def _front_corner(profile: Profile, radius: float) -> tuple[Floats, Floats, Floats]:
    """Return, from the front's edge in (s, h), the corner of a rounding, and where its arc ends on the front and on the top."""
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
    cut = radius * tan(0.5 * turn)
    return corner, corner - cut * up_front, corner + cut * inwards


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
    drawn = round_polygon(outline, [0.0, 0.0, radius, 0.0])
    return follow_front(profile, drawn, low, high, above=profile.lip_height, beyond=BEYOND)


def scoop_lip(profile: Profile, *, place: float, width: float, reach: float, radius: float) -> Solid:
    """Return the finger scoop, a dip of the lip with its front edge rounded all along: to be cut away.

    Args:
        profile: the side of the shelf.
        place: x of its middle, mm.
        width: of the scoop at the lip's top, mm.
        reach: s to which it reaches in, mm.
        radius: rounding of its edge at the front, mm.
    """
    depth = min(profile.lip_height + SCOOP_DIP, STEEPEST * width)
    half, rise = find_dip(width, depth)
    corner, down, _ = _front_corner(profile, radius)
    slope = tan(radians(profile.tilt_deg))
    far, inner = corner[0] - 40.0, reach - profile.deck_s
    low = down[1] if radius > 0.0 else corner[1] - slope * (far - corner[0])
    outline = [corner, (inner, corner[1] - slope * (inner - corner[0])), (inner, 40.0), (far, 40.0), (far, low)]
    if radius > 0.0:
        outline.append(down)
    t = np.linspace(-1.0, 1.0, 49)
    x = place + half * t
    sunk = (depth + rise) * (1.0 - t**4) ** 2 - rise
    edge = profile.lip_edge(x) - np.column_stack([np.zeros(len(t)), sunk])
    edge[:, 0] = profile.front(x, edge[:, 1])
    path = bezier_poles(0.5 * (t + 1.0), profile.place(x, edge), degree=DIP_DEGREE)
    drawn = round_polygon(np.array(outline), [radius, *[0.0] * (len(outline) - 1)])
    return sweep(drawn, axes=Axes(np.zeros(3), profile.inwards, profile.up), path=path)


def find_dip(width: float, depth: float) -> tuple[float, float]:
    """Return half the length of a dip (depth + rise) * (1 - t^4)^2 - rise, -1 < t < 1, and its rise, mm.

    The dip is `width` wide where it is 0; there it crosses the lip's top at 10 degrees, as all roundings do.
    """
    share = min(0.5, tan(CROSSING) * width / (16.0 * depth))
    rise = depth * share**2 / (1.0 - share**2)
    return 0.5 * width / (1.0 - share) ** 0.25, rise


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
