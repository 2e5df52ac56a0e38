"""What to do and to take along before a recess is scanned, worked out from its size. A leaf but for the survey's own limits."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import atan2, ceil, degrees, sqrt

from mountgen.errors import RecipeError
from mountgen.length import UNITS

BORDER = 20.0  # mm of panel beyond the rim
MARKERS_OUT = 30.0  # mm beside the rim: off the panel that is measured
MARKERS_APART = (50.0, 100.0)  # mm, unevenly
FEWEST_MARKERS, MARKERS_IN_VIEW = 6, 5
SPARE = 4  # markers that do not stick
DEEP = 1.0  # times as deep as wide: from there on floor and outer markers are not seen together
FLOOR_MARKERS = 3
FLATTEST_DEG = 15.0  # between line of sight and a wall; flatter, points get few and noisy
BAR_SHARE = 0.5  # of the recess's largest size: a length shorter than this tells little about the scale
CELL = sqrt(3.0) / 2.0  # of a spacing squared: the area that each point of even triangles stands for (by definition)
FEATURE = 3.0  # points across the smallest thing that is kept
SET_UP, PER_MARKER, DULLING, PER_DM2, CHECKING = 10.0, 0.5, 8.0, 2.0, 10.0  # minutes
RUNS = 2  # scans of the same recess: their difference is what the scanner really errs by
SMALLEST, LARGEST = 10.0, 1500.0  # mm

_SIZE = re.compile(r"\s*([\d.]+)\s*[x×*]\s*([\d.]+)\s*[x×*]\s*([\d.]+)\s*([^\s\d]+)?\s*")


@dataclass(frozen=True)
class Advice:
    """One thing to do or to take along. source: where it comes from and how sure that is, in the words of `verdict.BASES`."""

    topic: str
    words: str
    source: str


@dataclass(frozen=True)
class ScanPlan:
    """A checklist. width, height, depth of the recess and clearance wanted, mm.

    spacing, noise: enough for the clearance, mm.   points: about how many the scan has, in even triangles of that side.
    border        : of panel beyond the rim, mm.    markers: number of them; floor_markers: of these inside.
    bar           : least length to measure by hand, mm.   minutes: all of it.
    wall_deg      : angles at which the foot of the walls is seen, of those apart by the width, and by the height.
    """

    width: float
    height: float
    depth: float
    clearance: float
    spacing: float
    noise: float
    points: int
    border: float
    markers: int
    floor_markers: int
    bar: float
    minutes: float
    wall_deg: tuple[float, float]
    advice: tuple[Advice, ...]


def parse_size(text: str) -> tuple[float, float, float]:
    """Read a size such as "150x90x60" or "6 x 3.5 x 2.4 in": width, height and depth.

    Args:
        text: as the user wrote it; mm where no unit is named.

    Returns:
        Width, height, depth, mm.

    Raises:
        RecipeError: it cannot be read, or is no size of a recess.
    """
    how = "write width x height x depth of the recess, such as 150x90x60 (mm) or 6x3.5x2.4in"
    found = _SIZE.fullmatch(text)
    try:
        sizes = [float(found[k]) for k in (1, 2, 3)] if found else []
    except ValueError:
        sizes = []
    factor = UNITS["length"].get(found[4] or "mm") if found else None
    if not sizes or factor is None:
        raise RecipeError(f'"{text}" is no size', "--size", how)
    width, height, depth = (size * factor for size in sizes)
    if not (min(width, height) >= SMALLEST and max(width, height, depth) <= LARGEST and depth >= 2.0):
        raise RecipeError(
            f"{width:g} x {height:g} x {depth:g} mm is no recess for a part", "--size",
            f"its mouth may be {SMALLEST:g} to {LARGEST:g} mm, its depth 2 mm or more; {how}",
        )  # fmt: skip
    return width, height, depth


def plan_scan(size: tuple[float, float, float], *, clearance: float) -> ScanPlan:
    """Work out how a recess is best scanned.

    Args:
        size: width, height, depth, mm.
        clearance: wanted between part and recess, mm.

    Returns:
        ScanPlan.

    Raises:
        Nothing.

    References:
        Each advice names its own.
    """
    from mountgen.survey_verdicts import find_enough_noise, find_enough_spacing

    width, height, depth = size
    spacing = find_enough_spacing(clearance)
    panel = (width + 2.0 * BORDER) * (height + 2.0 * BORDER)
    area = panel + 2.0 * (width + height) * depth
    around = 2.0 * (width + height + 4.0 * MARKERS_OUT)
    floor = FLOOR_MARKERS if depth > DEEP * min(width, height) else 0
    markers = max(FEWEST_MARKERS, ceil(around / (sum(MARKERS_APART) / 2.0))) + floor
    minutes = SET_UP + PER_MARKER * markers + DULLING + RUNS * PER_DM2 * area / 1.0e4 + CHECKING
    bar = BAR_SHARE * max(size)
    wall_deg = degrees(atan2(width, depth)), degrees(atan2(height, depth))
    plan = ScanPlan(
        width=width, height=height, depth=depth, clearance=clearance, spacing=spacing, noise=find_enough_noise(clearance),
        points=1000 * ceil(area / (CELL * spacing**2) / 1000.0), border=BORDER, markers=markers, floor_markers=floor, bar=bar,
        minutes=minutes, wall_deg=wall_deg, advice=(),
    )  # fmt: skip
    return ScanPlan(**{**vars(plan), "advice": _advise(plan, area)})


def _advise(plan: ScanPlan, area: float) -> tuple[Advice, ...]:
    low, high = MARKERS_APART
    inside = (
        f", {plan.floor_markers} of them on the floor, which is not seen together with the others (where no tape pad will sit)"
        if plan.floor_markers else ""
    )  # fmt: skip
    return (
        Advice(
            "clear it",
            "take out mats and loose things, wipe dust and grease off, leave lids and levers as they will be in use",
            "common practice",
        ),
        Advice(
            "markers",
            f"{plan.markers} dots{inside}, on flat, firm panel {MARKERS_OUT:g} mm beside the rim, "
            f"{low:g} to {high:g} mm apart, unevenly, so that {MARKERS_IN_VIEW} or more are in every view; "
            "none where the part bears: they stand 0.1 mm proud and more",
            "three in view, better five (a dealer's guide, read), 6 to 10 on stable flats (a course, read); that they "
            f"stay off what is measured, and {low:g} to {high:g} mm, is our rule",
        ),
        Advice(
            "border",
            f"scan {plan.border:g} mm or more of panel beyond the rim all round, so "
            f"{plan.width + 2 * plan.border:.0f} x {plan.height + 2 * plan.border:.0f} mm: mouth and rim are found from it",
            "our rule",
        ),
        Advice(
            "resolution",
            f"points {plan.spacing:.2f} mm apart or nearer for a clearance of {plan.clearance:g} mm "
            f"(about {plan.points:,} points); they keep details of {FEATURE * plan.spacing:.1f} mm and more",
            "our rule: chords of 2 mm edges take a quarter of the clearance at most; three points across a detail",
        ),
        Advice("noise", _advise_noise(plan), "our rule: two standard deviations of scan and printer within the clearance"),
        Advice("walls", _advise_walls(plan), f"our rule: walls seen flatter than {FLATTEST_DEG:g} degrees get few points"),
        Advice(
            "surfaces",
            "shiny, chromed, clear and very dark plastic drops out or shines through. Dull it with a scanning spray that wipes "
            "off or vanishes, tried first where nobody looks, and thin: a coat may have some hundredths of a "
            "millimetre. Talc does for a small spot",
            "shiny, mirror-like and translucent surfaces defeat optical scanners (trade page, read); eight sprays left coats "
            "of tens of micrometres (Materials 16 (2023) 6165, read); black ones from memory",
        ),
        Advice("light", "shade it from the sun, or scan in the evening", "a scanner maker's page on ambient light (read)"),
        Advice(
            "scale",
            f"measure {plan.bar:.0f} mm or more by hand, best between two marks that the scan shows, and give it to the survey: "
            '--length "(x, y, z) to (x, y, z) = ... mm"; a calliper between walls does as well: --length "9 to 3 at 10 = ... mm"',
            "our rule: half the part's size or more; caution at 0.1 %, fail at 0.5 %",
        ),
        Advice(
            "twice",
            f"scan it {RUNS} times, from the start: where the two differ by more than {plan.clearance / 4:.2f} mm, neither is "
            "to be trusted; a phone's depth camera is made for rooms, not for this",
            "our rule: the difference of two scans tells the scanner's error; depth cameras: a maker's blog, read",
        ),
        Advice(
            "export",
            "a mesh with faces (STL, PLY, OBJ or 3MF) in mm, nothing filled, smoothed, thinned out or trimmed",
            "our rule",
        ),
        Advice(
            "up",
            "take a photo straight into the mouth, the vehicle on level ground: it shows later which clock position is up",
            "common practice",
        ),
        Advice(
            "time",
            f"about {5 * ceil(plan.minutes / 5):.0f} minutes: {SET_UP:g} to set up and warm up, "
            f"{PER_MARKER * plan.markers:.0f} for markers, {DULLING:g} to dull, {RUNS} scans of {area / 1e4:.1f} dm² at "
            f"{PER_DM2:g} a dm², {CHECKING:g} to look at them on the spot",
            "our rule",
        ),
        Advice(
            "take along",
            f"{plan.markers + SPARE} markers, a calliper or steel rule of {plan.bar:.0f} mm and more, spray or talc, cloth, "
            "masking tape, a sheet against the sun, paper for sizes, power for scanner and computer",
            "our rule",
        ),
    )


def _advise_noise(plan: ScanPlan) -> str:
    if plan.noise == 0.0:
        return f"a clearance of {plan.clearance:g} mm is used up by the printer alone: plan for 0.3 mm or more"
    return f"{plan.noise:.2f} mm or less (one standard deviation); more needs a wider clearance"


def _advise_walls(plan: ScanPlan) -> str:
    across = min(plan.wall_deg)
    told = f"look in from all sides, tilted up to {min(across, 45.0):.0f} degrees: each wall is seen from the side opposite"
    if across < FLATTEST_DEG:
        side = "3 and 9 o'clock" if plan.wall_deg[0] < plan.wall_deg[1] else "12 and 6 o'clock"
        told += (
            f". The foot of the walls at {side} is seen at {across:.0f} degrees only: expect holes there, and check the finished "
            "part's sections with card"
        )
    return told
