"""Where something is, in words: part coordinates and the clock position in the mouth. A leaf."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, degrees, hypot

MIDDLE = 2.0  # mm from the mouth's centre; nearer than this a clock position says nothing
STEP = 5  # minutes of the dial (2.5 degrees); finer than anyone can point


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
