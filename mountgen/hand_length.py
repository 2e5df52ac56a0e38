"""A length measured by hand on the real thing, held against the same length in the scan: is the scan to scale?

What a user writes:

    (12.5, 3, -40) to (88, 3.5, -41) = 75.6 mm    two points in the file's own coordinates, such as two marks
    9 to 3 = 187.4 mm                             two clock positions on the rim
    9 to 3:30 at 10 = 185.2 mm                    between the walls there, 10 mm below the mouth, as a calliper's inner jaws
    farthest = 203.5 mm                           the two rim points that are farthest apart
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import cos, radians, sin
from typing import TYPE_CHECKING

import numpy as np
from pydantic_core import PydanticCustomError

from mountgen.errors import RecipeError, ScanError
from mountgen.length import Quantity, clock_position, length
from mountgen.verdict import Check, Verdict

if TYPE_CHECKING:
    from mountgen.arrays import Floats
    from mountgen.datum import Recess
    from mountgen.scan import Scan

FARTHEST = "farthest"
CAUTION_PCT, FAIL_PCT = 0.1, 0.5  # our rule
ASTRAY_PCT = 3.0  # no scanner is so far out of scale: other places were measured
UNIT_PCT = 3.0  # a ratio this near to one between two units is a mistake in the unit
LONG_ENOUGH = 0.5  # of the mouth's size; shorter lengths say too little about it
EDGE = 2.0  # mm below the mouth: within this a calliper may touch a rounded rim anywhere
NEAR = 3.0  # mm; a point further from the scan than this and twice its spacing was not picked on it
HOW = f'write "A to B = 120.3 mm", A and B each a clock position such as 3:30 or a point (x, y, z), or "{FARTHEST} = 120.3 mm"'

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_POINT = re.compile(rf"\(\s*({_NUMBER})\s*,\s*({_NUMBER})\s*,\s*({_NUMBER})\s*\)")


@dataclass(frozen=True)
class HandLength:
    """words: as written, before the equals sign; ends: two clock hours or points, none for the farthest rim points.

    at: mm below the mouth, None on the rim.  measured: mm.
    """

    words: str
    ends: tuple[float | tuple[float, float, float], ...]
    at: float | None
    measured: float


def parse_length(text: str) -> HandLength:
    """Read a length as the user wrote it.

    Args:
        text: as at the top of this module.

    Returns:
        HandLength.

    Raises:
        RecipeError: it cannot be read.
    """
    words, equals, measured = (part.strip() for part in text.partition("="))
    if not equals or not words:
        raise RecipeError(f'"{text}" is no length', "--length", HOW)
    if re.fullmatch(_NUMBER, measured):
        raise RecipeError(f'"{measured}" has no unit', f'--length "{text}"', f'write "{measured} mm", or in, cm or m')
    size = float(_read(length(above=0, most=5000), measured, text))
    if words == FARTHEST:
        return HandLength(words, (), None, size)
    places, _, at = (part.strip() for part in words.partition(" at "))
    ends = [end.strip() for end in re.split(r"\s+to\s+", places)]
    if len(ends) != 2:
        raise RecipeError(f'"{words}" does not name two places', "--length", HOW)
    read = tuple(_read_end(end, text) for end in ends)
    if not at:
        return HandLength(words, read, None, size)
    if any(isinstance(end, tuple) for end in read):
        raise RecipeError(f'"{words}" gives a depth for a point', "--length", 'drop "at": the point has its own place')
    depth = at if re.search(r"[^\d.]", at) else f"{at} mm"
    return HandLength(words, read, float(_read(length(above=0, most=500), depth, text)), size)


def _read_end(text: str, whole: str) -> float | tuple[float, float, float]:
    point = _POINT.fullmatch(text)
    if point is not None:
        return float(point[1]), float(point[2]), float(point[3])
    if text.startswith("("):
        raise RecipeError(f'"{text}" is no point', f'--length "{whole}"', "write three numbers, (12.5, 3, -40)")
    number = float(text) if re.fullmatch(r"\d+(?:\.\d+)?", text) else text
    return float(_read(clock_position(), number, whole))


def _read(quantity: Quantity, value: object, whole: str) -> float | int | str:
    try:
        return quantity.read(value)
    except PydanticCustomError as error:
        context = error.context or {}
        what, remedy = str(context.get("what", error)), str(context.get("remedy", HOW))
        raise RecipeError(what, f'--length "{whole}"', remedy) from None


def judge_length(hand: HandLength, scan: Scan, recess: Recess) -> Check:
    """Hold a length measured by hand against the scan.

    Args:
        hand: what was measured.
        scan: the mended scan.
        recess: the same in the part frame.

    Returns:
        Check: how much too long the scan is, in %; a scan to scale, off by more than CAUTION_PCT, or by more than FAIL_PCT.

    Raises:
        ScanError: the places are not on the scan.
    """
    size, unsure = _measure(hand, scan, recess)
    ratio = size / hand.measured
    error = (ratio - 1.0) * 100.0
    sharp = abs(error) - 100.0 * unsure / hand.measured  # what remains however the edge was touched
    mouth = float(np.ptp(recess.rim[:, :2], axis=0).max())
    told = f"the scan has {size:.2f} mm, you measured {hand.measured:.2f} mm"
    verdict: Verdict = "pass"
    remedy = ""
    slip = _name_unit(ratio, scan)
    if slip:
        verdict, remedy = "fail", f"{told}: {slip}"
    elif sharp > ASTRAY_PCT:
        verdict, remedy = "fail", f"{told}: no scanner errs by so much; these are not the places you measured, or a unit is wrong"
    elif abs(error) > CAUTION_PCT:
        verdict = "fail" if sharp > FAIL_PCT else "caution"
        remedy = (
            f"{told}; over the mouth's {mouth:.0f} mm that is {abs(error) / 100.0 * mouth:.2f} mm. Measure again; if it stays, "
            f"calibrate the scanner and scan again, or scale the scan by {1.0 / ratio:.4f} in the scanner's program"
        )
    elif hand.measured < LONG_ENOUGH * mouth:
        verdict = "caution"
        remedy = f"too short to tell much about a mouth of {mouth:.0f} mm: measure {LONG_ENOUGH * mouth:.0f} mm or more"
    if verdict != "pass" and unsure / hand.measured * 100.0 > CAUTION_PCT and not slip:
        walls = f', or between the walls: "{hand.words} at 10 = ..."' if hand.ends else ""
        remedy += (
            f". The rim is rounded: touched elsewhere, this length differs by {unsure:.1f} mm. Surer is one between two marks, "
            f"given as points{walls}"
        )
    source = (
        f"our rule: caution above {CAUTION_PCT:g} %, fail above {FAIL_PCT:g} % or where two units are mixed up; "
        "a bar of known length in the scene tells the scale, common practice"
    )
    return Check(f"scale: {hand.words}", verdict, round(error, 3), FAIL_PCT, "%", source, remedy)


def _name_unit(ratio: float, scan: Scan) -> str:
    """Return what to do about two units that are mixed up, or nothing."""
    from mountgen.scan import MM_PER_UNIT

    def close(value: float) -> bool:
        return abs(value - 1.0) * 100.0 < UNIT_PCT

    if close(ratio):
        return ""
    for unit, size in MM_PER_UNIT.items():
        if close(ratio * size / scan.mm_per_unit):
            return f"the file seems to be in {unit}: survey it with --unit {unit} and set scan.unit in the recipe"
    for word, unit, size in (("inches", "in", 25.4), ("centimetres", "cm", 10.0), ("metres", "m", 1000.0)):
        if close(ratio / size):
            return f"you seem to have measured in {word}: write the length with {unit} behind it"
    return ""


def _measure(hand: HandLength, scan: Scan, recess: Recess) -> tuple[float, float]:
    """Return the length in the scan, and by how much it differs where a rounded edge is touched elsewhere, mm."""
    if not hand.ends:
        first, last = _find_farthest(recess.rim)
        hours = [float(np.degrees(np.arctan2(x, y))) / 30.0 % 12.0 for x, y, _ in (first, last)]
        return _apart([first, last]), _find_unsure(recess, hours, [first, last])
    places = [_place(end, hand, scan, recess) for end in hand.ends]
    on_rim = [end for end in hand.ends if not isinstance(end, tuple)]
    if hand.at is not None or len(on_rim) < 2:
        return _apart(places), 0.0
    return _apart(places), _find_unsure(recess, on_rim, places)


def _place(end: float | tuple[float, float, float], hand: HandLength, scan: Scan, recess: Recess) -> Floats:
    if isinstance(end, tuple):
        point = np.asarray(end) * scan.mm_per_unit
        away = float(np.sqrt(((scan.vertices - point) ** 2).sum(axis=1).min()))
        if away > max(NEAR, 2.0 * scan.spacing):
            raise ScanError(
                f"the point {end} lies {away:.1f} mm from the scan", f'--length "{hand.words}"',
                f"give it in the file's own coordinates and unit ({scan.unit}), picked on the surface",
            )  # fmt: skip
        placed: Floats = recess.part_to_scan[:3, :3].T @ (point - recess.part_to_scan[:3, 3])
        return placed
    if hand.at is None:
        return _cross_rim(recess, end)
    wall = find_wall(recess, end, hand.at)
    if wall is None:
        raise ScanError(
            f"no wall was seen {hand.at:g} mm below the mouth at {end:g} o'clock", f'--length "{hand.words}"',
            "choose another depth or clock position",
        )  # fmt: skip
    return wall


def find_wall(recess: Recess, hour: float, depth: float) -> Floats | None:
    """Return the nearest point at which one going from the middle of the mouth towards `hour` meets a wall.

    Args:
        recess: the scan in the part frame.
        hour: clock position.
        depth: below the mouth, mm.

    Returns:
        (3,) mm, part frame; None where none was seen.

    Raises:
        Nothing.
    """
    from mountgen.datum import lid_height
    from mountgen.scene import Plane, cut_lines

    way = np.array([sin(radians(30.0 * hour)), cos(radians(30.0 * hour)), 0.0])
    lines = cut_lines(recess.vertices, recess.faces, Plane(np.zeros(3), np.array([-way[1], way[0], 0.0])))
    along = lines @ way
    below = lid_height(recess.lid, lines[:, :, 0], lines[:, :, 1]) - lines[:, :, 2] - depth
    middle = (along[:, 0] > 0) != (along[:, 1] > 0)
    solid = bool(middle.any() and below[middle].mean(axis=1).min() < 0)  # a boss in the middle: one starts inside it
    meets = (below[:, 0] > 0) != (below[:, 1] > 0)
    lines, along, below = lines[meets], along[meets], below[meets]
    share = below[:, 0] / (below[:, 0] - below[:, 1])
    at = along[:, 0] + share * (along[:, 1] - along[:, 0])
    ahead = np.flatnonzero(at > 0)
    ahead = ahead[np.argsort(at[ahead])][int(solid) :]
    if not len(ahead):
        return None
    k = ahead[0]
    wall: Floats = lines[k, 0] + share[k] * (lines[k, 1] - lines[k, 0])
    return wall


def _cross_rim(recess: Recess, hour: float) -> Floats:
    """Return the rim's outermost point at a clock position, (3,) mm."""
    way = np.array([sin(radians(30.0 * hour)), cos(radians(30.0 * hour))])
    off = recess.rim[:, :2] @ np.array([-way[1], way[0]])
    ahead, follower = np.roll(off, -1), np.roll(recess.rim, -1, axis=0)
    cut = np.flatnonzero((off >= 0) != (ahead >= 0))
    share = (off[cut] / (off[cut] - ahead[cut]))[:, None]
    points = recess.rim[cut] + share * (follower[cut] - recess.rim[cut])
    crossed: Floats = points[(points[:, :2] @ way).argmax()]
    return crossed


def _find_farthest(rim: Floats) -> tuple[Floats, Floats]:
    from scipy.spatial.distance import cdist

    i, j = np.unravel_index(int(cdist(rim, rim).argmax()), (len(rim), len(rim)))
    return rim[i], rim[j]


def _find_unsure(recess: Recess, hours: list[float], places: list[Floats]) -> float:
    lower = [find_wall(recess, hour, EDGE) for hour in hours]
    found = [each for each in lower if each is not None]
    return abs(_apart(found) - _apart(places)) if len(found) == 2 else 0.0


def _apart(places: list[Floats]) -> float:
    return float(np.linalg.norm(places[1] - places[0]))
