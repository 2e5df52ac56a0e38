"""Where something is, in words: part coordinates and the clock position in the mouth. A leaf."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from math import atan2, degrees, hypot

MIDDLE = 2.0  # mm from the mouth's centre; nearer than this a clock position says nothing
STEP = 5  # minutes of the dial (2.5 degrees); finer than anyone can point
ALL_ROUND = 10.0  # hours; an arc longer than this goes all round
OCLOCK = " o'clock"
NARROW = 1.0  # hour; an arc shorter than this has one clock position


def clock_position(x: float, y: float) -> float:
    """Return the hour on a dial around the mouth's centre, 0 < hour <= 12, for someone looking in along -z.

    Args:
        x: mm, part frame, to the right.
        y: mm, part frame, up.

    Returns:
        12 towards +y, 3 towards +x, 6 towards -y, 9 towards -x. Fractions are parts of an hour.
    """
    hour = degrees(atan2(x, y)) / 30.0 % 12.0
    return hour if hour > 0.0 else 12.0


def describe_place(point: Sequence[float]) -> str:
    """Return a point (3,) of the part frame, mm, in words: "x 12.0 y -3.4 z -20.1 mm, 4:30 o'clock"."""
    x, y, z = (round(float(v), 1) + 0.0 for v in point)  # + 0.0: no "-0.0"
    where = f"x {x:.1f} y {y:.1f} z {z:.1f} mm"
    if hypot(x, y) < MIDDLE:
        return f"{where}, at the middle"
    minutes = round(clock_position(x, y) * 60.0 / STEP) * STEP
    return f"{where}, {(minutes // 60 - 1) % 12 + 1}:{minutes % 60:02d} o'clock"


def tell_clock(x: float, y: float) -> str:
    """Return the direction of (x, y) as a clock position to half an hour, such as "4:30 o'clock"."""
    return _name_hour(clock_position(x, y))


def tell_minute(angle_deg: float) -> str:
    """Return an angle, degrees clockwise from 12, as a clock position to the minute of the dial, such as "4:07 o'clock"."""
    minutes = round(angle_deg * 2.0) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d} o'clock"


def tell_spot(x: float, y: float, depth: float, *, middle: float = MIDDLE) -> str:
    """Return a place in scanning terms: "4:30 o'clock, 12 mm deep".

    Args:
        x, y: mm, part frame.
        depth: below the mouth, mm; negative above it.
        middle: mm from the mouth's centre within which a clock position says nothing.
    """
    side = "in the middle" if hypot(x, y) < middle else tell_clock(x, y)
    return f"{side}, {depth:.0f} mm deep" if depth >= 0.5 else f"{side}, {-depth:.0f} mm above the mouth"


def tell_arc(hours: Iterable[float]) -> str:
    """Return the shortest stretch of the dial that holds all clock positions: "4:30 to 7:00 o'clock", or "all round"."""
    ordered = sorted(hours)
    gaps = [after - before for before, after in pairwise([*ordered, ordered[0] + 12.0])]
    widest = max(range(len(gaps)), key=gaps.__getitem__)
    span = 12.0 - gaps[widest]
    first, last = ordered[(widest + 1) % len(ordered)], ordered[widest]
    if span >= ALL_ROUND:
        return "all round"
    if span < NARROW:
        return _name_hour((first + span / 2.0) % 12.0)
    return f"{_name_hour(first).removesuffix(OCLOCK)} to {_name_hour(last)}"


def _name_hour(hour: float) -> str:
    halves = round(2.0 * hour) % 24
    return f"{halves // 2 or 12}:{'30' if halves % 2 else '00'}{OCLOCK}"
