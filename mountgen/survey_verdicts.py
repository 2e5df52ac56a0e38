"""Is a scan fit for the job: what the survey measured, held against what a part with the wanted clearance needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, hypot, log, sqrt

import numpy as np

from mountgen.arrays import Bools
from mountgen.datum import Recess
from mountgen.place import clock_position, tell_arc, tell_clock, tell_spot
from mountgen.scan import MM_PER_UNIT, Scan
from mountgen.survey_holes import Hole
from mountgen.survey_points import Patch, Points
from mountgen.survey_sheets import Island, Spike, Twin
from mountgen.survey_sight import GRAZING_DEG, WANTED, Border
from mountgen.tolerance import COVERAGE, PRINT_TOLERANCE
from mountgen.verdict import Check, Verdict, format_number

EDGE_RADIUS = 2.0  # mm; of a usual edge of trim that bulges out, between whose points the scan cuts the corner
CHORD_SHARE = 0.25  # of the clearance that this may take
FAR = 20.0  # times its own size away from the origin, a scan's points may owe their steps to that
COARSER = 2.0  # times the spacing that is enough: a place so coarse is pointed out
USUAL_MOUTH = (20.0, 500.0)  # mm
BRIDGED = 6.0  # mm; the size up to which holes are bridged when a recipe says nothing else
MOST_BRIDGED = 50.0  # mm; more a recipe may not ask for
SEEN_PASS, SEEN_FAIL = 98.0, 90.0  # % of walls and floor
COARSE_PASS = 2.0  # % of walls and floor
GRAZING_PASS = 15.0  # % of walls and floor
SHORT_FAIL = 5.0  # mm beyond the rim; the panel cannot be carried across the mouth from less
TWIN_PASS = 0.5  # % of the surface
SPECK = 0.25  # mm²; smaller holes are no loss
MOSTLY_HIDDEN = 0.8  # share of a hole behind something: a part drawn out straight does not get there
DROPOUT_PASS = 3.0  # % of a patch of 40 mm lost to small holes
DROPOUT_PATCH = 40.0  # mm
NOISIEST, COARSE, TWICE = "noise at the worst place", "coarse places", "surface scanned twice"  # verdicts that the picture marks
LISTED = 3  # places named at most


@dataclass(frozen=True, eq=False)
class Quality:
    """What a survey measured. Part frame, mm.

    area    : of walls and floor that were seen, mm².
    points  : spacing and noise there.   coarse: share of it with points too far apart, and where most of it is.
    holes   : of the scan as it came, small ones too.
    flat    : (F,) faces of the recess that can only be seen flat; grazing: their share; grazing_place: where most of it is.
    border  : how far the scan goes beyond the rim.
    """

    area: float
    points: Points
    coarse: float
    coarse_place: Patch | None
    holes: tuple[Hole, ...]
    flat: Bools
    grazing: float
    grazing_place: Patch | None
    border: Border
    islands: tuple[Island, ...]
    spikes: tuple[Spike, ...]
    twin: Twin

    @property
    def wide_holes(self) -> tuple[Hole, ...]:
        """Holes that are not bridged, hidden ones too."""
        return tuple(hole for hole in self.holes if hole.extent > BRIDGED)

    @property
    def open_holes(self) -> tuple[Hole, ...]:
        """Holes in the way of a part that are not bridged."""
        return select_open(self.wide_holes)

    @property
    def bridged_holes(self) -> tuple[Hole, ...]:
        """Holes so small that they are spanned."""
        return tuple(hole for hole in self.holes if hole.extent <= BRIDGED and hole.area >= SPECK)

    @property
    def seen(self) -> float:
        """Share of walls and floor that was seen, 0..1."""
        return find_seen(self.area, self.open_holes)


def select_open(holes: tuple[Hole, ...]) -> tuple[Hole, ...]:
    """Return the holes that are in the way of a part drawn out straight."""
    return tuple(hole for hole in holes if hole.hidden < MOSTLY_HIDDEN)


def find_seen(area: float, holes: tuple[Hole, ...]) -> float:
    """Return the share of walls and floor that was seen, 0..1. area: seen, mm²; holes: where a part may come and nobody saw."""
    missing = sum(hole.area * (1.0 - hole.hidden) for hole in holes)
    return area / (area + missing) if area else 0.0


def find_enough_spacing(clearance: float) -> float:
    """Return the point spacing that is enough for a clearance, mm: the chords of an edge take CHORD_SHARE of it.

    Args:
        clearance: mm, above 0.

    Returns:
        mm: 2 sqrt(2 r s - s²) with s what chords may take, for an edge of radius r; its diameter at most.

    Raises:
        Nothing.
    """
    sagitta = min(CHORD_SHARE * clearance, EDGE_RADIUS)
    return 2.0 * sqrt(2.0 * EDGE_RADIUS * sagitta - sagitta * sagitta)


def find_clearance_for_spacing(spacing: float) -> float | None:
    """Return the least clearance for which a point spacing is enough, mm, rounded up; None where there is none."""
    if spacing >= 2.0 * EDGE_RADIUS:
        return None
    sagitta = EDGE_RADIUS - sqrt(EDGE_RADIUS**2 - spacing**2 / 4.0)
    return _round_up(sagitta / CHORD_SHARE)


def find_enough_noise(clearance: float) -> float:
    """Return the noise up to which a clearance holds with a usual printer, mm; 0 where the printer alone takes it.

    References:
        `tolerance.find_clearance`, solved for the scan.
    """
    return sqrt(max((clearance / COVERAGE) ** 2 - (PRINT_TOLERANCE / 2.0) ** 2, 0.0))


def find_clearance_for_noise(noise: float) -> float:
    """Return the least clearance that holds at a noise with a usual printer, mm, rounded up."""
    return _round_up(COVERAGE * hypot(noise, PRINT_TOLERANCE / 2.0))


def judge_scan(scan: Scan, recess: Recess, quality: Quality, *, clearance: float) -> tuple[Check, ...]:
    """Say whether a scan is fit for a part with a clearance, and if not, what to scan again and how.

    Args:
        scan: the mended scan.
        recess: the same in the part frame.
        quality: what was measured of it.
        clearance: wanted between part and recess, mm.

    Returns:
        Checks, in the order in which one would look.

    Raises:
        Nothing.
    """
    mouth = float((recess.rim.max(axis=0) - recess.rim.min(axis=0))[:2].max())
    return (
        judge_unit(scan, mouth),
        judge_spacing(quality.points.spacing, clearance),
        *judge_grain(scan, clearance),
        _judge_coarse(quality, clearance),
        _judge_noise(quality, clearance),
        _judge_noisiest(quality, clearance),
        judge_seen(quality.seen, quality.open_holes, mouth),
        _judge_hole(quality, mouth),
        _judge_dropouts(quality),
        _judge_grazing(quality),
        _judge_border(quality.border, recess),
        judge_islands(quality.islands),
        judge_spikes(quality.spikes, clearance),
        judge_twin(quality.twin, clearance),
    )


def judge_unit(scan: Scan, mouth: float) -> Check:
    """Say whether the size of the mouth, mm, is likely for a recess in a vehicle, and if not, which unit would make it so."""
    low, high = USUAL_MOUTH
    fits = low <= mouth <= high
    remedy = "" if fits else f"if the recess is not {format_number(mouth)} mm across, {_name_unit(scan, mouth)}"
    source = f"our rule: recesses in vehicles that take a part are {low:g} to {high:g} mm across"
    limit = low if mouth < low else high
    return Check("size of the mouth", "pass" if fits else "caution", round(mouth, 1), limit, "mm", source, remedy)


def _name_unit(scan: Scan, mouth: float) -> str:
    """Return in which units the mouth would be of a usual size and how large, the likeliest first; else how large in each."""
    low, high = USUAL_MOUTH
    sizes = {unit: mouth * size / scan.mm_per_unit for unit, size in MM_PER_UNIT.items() if size != scan.mm_per_unit}
    middle = sqrt(low * high)
    likely = sorted((unit for unit in sizes if low <= sizes[unit] <= high), key=lambda unit: abs(log(sizes[unit] / middle)))
    if not likely:
        told = ", ".join(f"{format_number(sizes[unit])} mm as {unit}" for unit in sizes)
        return f"the scan is out of scale, for no unit makes it likely ({told}): scale it in the scanner's program"
    told = ", or ".join(f'set scan.unit = "{unit}" (--unit {unit}), which makes it {sizes[unit]:.0f} mm' for unit in likely)
    return f"the file is in another unit: {told}; check a length by hand with survey's --length"


def judge_spacing(spacing: float, clearance: float) -> Check:
    """Say whether points are close enough together for a clearance, both mm, and if not, how close they should be."""
    enough = find_enough_spacing(clearance)
    verdict: Verdict = "pass" if spacing <= enough else "caution" if spacing <= COARSER * enough else "fail"
    remedy = ""
    if verdict != "pass":
        remedy = f"set the scanner's resolution to {_round_down(enough):g} mm or finer and scan the recess again, nearer to it"
        does = find_clearance_for_spacing(spacing)
        if does is not None:
            remedy += f", or set fit.clearance = {does:g} or more (--clearance {does:g}), for which this one is fine enough"
    source = (
        f"our rule: between points the scan cuts edges of {EDGE_RADIUS:g} mm radius by no more than a quarter of the clearance "
        "(chord of a circle, by definition)"
    )
    return Check("point spacing on walls and floor", verdict, round(spacing, 3), round(enough, 3), "mm", source, remedy)


def judge_grain(scan: Scan, clearance: float) -> tuple[Check, ...]:
    """Say that a file's coordinates are rounded too far for a clearance, mm; nothing where they are fine enough."""
    enough = 2.0 * CHORD_SHARE * clearance
    if scan.grain <= enough:
        return ()
    verdict: Verdict = "caution" if scan.grain <= COARSER * enough else "fail"
    away = float(np.abs(scan.vertices).max())
    far = away > FAR * float(np.ptp(scan.vertices, axis=0).max())
    remedy = (
        f"its points lie {_tell_far(away)} from the origin, where the file cannot tell less apart: move the scan to the origin "
        "in the scanner's program and export it again" if far else
        "export the scan again with more decimals, or in millimetres"
    )  # fmt: skip
    source = "our rule: half a step, by which rounding moves a point along each axis, within a quarter of the clearance"
    return (Check("steps of the coordinates", verdict, float(f"{scan.grain:.3g}"), round(enough, 3), "mm", source, remedy),)


def _tell_far(distance: float) -> str:
    return f"{distance / 1e6:.3g} km" if distance >= 1e6 else f"{distance / 1e3:.3g} m"


def _judge_coarse(quality: Quality, clearance: float) -> Check:
    wide, found = COARSER * find_enough_spacing(clearance), 100.0 * quality.coarse
    verdict: Verdict = "pass" if found <= COARSE_PASS else "caution"
    place = "" if quality.coarse_place is None or verdict == "pass" else _tell(quality.coarse_place)
    remedy = "" if verdict == "pass" else (
        "scan again there, slowly and from nearer; if the scanner's program has thinned out flat faces, export without that"
    )  # fmt: skip
    source = f"our rule: points further apart than {wide:.1f} mm, twice what is enough for this clearance"
    return Check(COARSE, verdict, round(found, 2), COARSE_PASS, "%", source, remedy, place)


def _judge_noise(quality: Quality, clearance: float) -> Check:
    noise, enough = quality.points.noise, find_enough_noise(clearance)
    verdict: Verdict = "pass" if noise <= enough else "fail"
    remedy = "" if verdict == "pass" else (
        f"scan again: let the scanner warm up, hold its distance, dull shiny and dark surfaces; this noise is quiet enough for "
        f"fit.clearance = {find_clearance_for_noise(noise):g} and more (--clearance {find_clearance_for_noise(noise):g})"
    )  # fmt: skip
    return Check("noise on walls and floor", verdict, round(noise, 4), round(enough, 4), "mm", _noise_source(), remedy)


def _judge_noisiest(quality: Quality, clearance: float) -> Check:
    patch, enough = quality.points.noisiest, find_enough_noise(clearance)
    value = quality.points.noise if patch is None else patch.value
    verdict: Verdict = "pass" if value <= enough else "caution"
    place = "" if patch is None else _tell(patch)
    remedy = "" if verdict == "pass" else (
        "the surface there is dark, shiny, translucent or seen flat: dull it with a spray that wipes off or with powder, and "
        f"scan it again, straight on; or ask for fit.clearance = {find_clearance_for_noise(value):g}"
    )  # fmt: skip
    return Check(NOISIEST, verdict, round(value, 4), round(enough, 4), "mm", _noise_source(), remedy, place)


def _noise_source() -> str:
    return (
        f"our rule: {COVERAGE:g} standard deviations of scan and printer (plus or minus {PRINT_TOLERANCE:g} mm) within the "
        "clearance; waves longer than a few points are not seen in one scan"
    )


def judge_seen(share: float, holes: tuple[Hole, ...], mouth: float) -> Check:
    """Say whether enough of walls and floor was seen. share: 0..1; holes: what is missing; mouth: its size, mm."""
    seen = 100.0 * share
    verdict: Verdict = "pass" if seen >= SEEN_PASS else "caution" if seen >= SEEN_FAIL else "fail"
    remedy = place = ""
    if verdict != "pass":
        place = _list_holes(holes, mouth)
        remedy = "scan again there; what was not seen is never taken for free space, so the part stays out of it"
    source = f"our rule: pass from {SEEN_PASS:g} %, fail below {SEEN_FAIL:g} % of what a part drawn out straight can touch"
    return Check("walls and floor seen", verdict, round(seen, 2), SEEN_PASS, "%", source, remedy, place)


def _judge_hole(quality: Quality, mouth: float) -> Check:
    holes = quality.open_holes
    widest = max((hole.extent for hole in holes), default=0.0)
    verdict: Verdict = "caution" if holes else "pass"
    remedy = place = ""
    if holes:
        place = _list_holes(holes, mouth)
        at = max(holes, key=lambda hole: hole.extent)
        aside = clock_position(-at.x, -at.y)
        remedy = f"scan again there, looking in from {tell_arc([aside])}; dull it first if it is shiny, dark or see-through"
        if widest < MOST_BRIDGED:
            remedy += f"; if the surface is plain there, scan.bridge = {ceil(widest + 0.05)} spans it"
    source = f"recipe: scan.bridge, {BRIDGED:g} mm where it is not set"
    return Check("widest hole in walls and floor", verdict, round(widest, 1), BRIDGED, "mm", source, remedy, place)


def _list_holes(holes: tuple[Hole, ...], mouth: float) -> str:
    told = [f"{hole.tell_place(mouth)} ({hole.area:.0f} mm²)" for hole in holes]
    more = f" and {len(told) - LISTED} more" if len(told) > LISTED else ""
    return "; ".join(told[:LISTED]) + more


def _judge_dropouts(quality: Quality) -> Check:
    small = quality.bridged_holes
    worst, share = None, 0.0
    for hole in small:
        near = [o for o in small if hypot(hypot(o.x - hole.x, o.y - hole.y), o.depth - hole.depth) < DROPOUT_PATCH / 2.0]
        lost = 100.0 * sum(o.area for o in near) / (DROPOUT_PATCH**2 * 0.785)
        if len(near) > 2 and lost > share:
            worst, share = hole, lost
    verdict: Verdict = "pass" if share <= DROPOUT_PASS else "caution"
    place = "" if worst is None or verdict == "pass" else tell_spot(worst.x, worst.y, worst.depth)
    remedy = "" if verdict == "pass" else (
        "the surface drops out there: shiny, very dark or translucent. Dull it with a spray that wipes off (try it first where "
        "nobody looks) or with powder, and scan again; or lower the scanner's shutter speed or raise its light"
    )  # fmt: skip
    source = (
        f"our rule: small holes take no more than {DROPOUT_PASS:g} % of a patch of {DROPOUT_PATCH:g} mm; "
        "optical scanners lose shiny and translucent surfaces (read)"
    )
    return Check("drop-outs", verdict, round(share, 2), DROPOUT_PASS, "%", source, remedy, place)


def _judge_grazing(quality: Quality) -> Check:
    share = 100.0 * quality.grazing
    verdict: Verdict = "pass" if share <= GRAZING_PASS else "caution"
    remedy = place = ""
    patch = quality.grazing_place
    if verdict != "pass" and patch is not None:
        place = f"most of it {_tell(patch)}"
        remedy = (
            f"tilt the scanner as far as it goes and look in from {tell_clock(-patch.x, -patch.y)}; trust this wall less, "
            "and check it with a card section before printing"
        )
    source = f"our rule: seen flatter than {GRAZING_DEG:g} degrees off straight on, from where a hand can hold a scanner"
    return Check("walls seen flat", verdict, round(share, 2), GRAZING_PASS, "%", source, remedy, place)


def _judge_border(border: Border, recess: Recess) -> Check:
    verdict: Verdict = "pass" if border.least >= WANTED else "caution" if border.least >= SHORT_FAIL else "fail"
    remedy = place = ""
    if verdict != "pass":
        place = tell_arc(clock_position(float(x), float(y)) for x, y, _ in recess.rim[border.short])
        remedy = f"scan again with {WANTED:g} mm or more of panel beyond the rim there: mouth, rim and flange are found from it"
    source = f"our rule: {WANTED:g} mm all round; below {SHORT_FAIL:g} mm the panel cannot be carried across the mouth"
    value = round(min(border.least, WANTED + 5.0), 1)
    return Check("panel beyond the rim", verdict, value, WANTED, "mm", source, remedy, place)


def judge_islands(islands: Sequence[Island]) -> Check:
    """Say whether all pieces of the scan that hang together with nothing else may well be there."""
    doubtful = [island for island in islands if island.why]
    verdict: Verdict = "caution" if doubtful else "pass"
    place = "; ".join(f"{tell_spot(i.x, i.y, i.depth)} ({i.area:.0f} mm², {i.why})" for i in doubtful[:LISTED])
    remedy = "" if not doubtful else (
        "if nothing is there in the vehicle, delete these pieces in the scanner's program; else scan what joins them to the rest"
    )  # fmt: skip
    source = "our rule: a piece that hangs together with nothing is no floating thing"
    return Check("doubtful islands", verdict, float(len(doubtful)), 0.0, "", source, remedy, place)


def judge_spikes(spikes: Sequence[Spike], clearance: float) -> Check:
    """Say whether a part comes where single points stood that were taken back to the ground. clearance: mm."""
    high = [spike for spike in spikes if spike.height > clearance]
    place = "; ".join(f"{tell_spot(s.x, s.y, s.depth)} ({s.height:.1f} mm high)" for s in high[:LISTED])
    remedy = "" if not high else (
        "look whether a thin wire or pin stands there in the vehicle: if so, set scan.spikes = false; else there is nothing to do"
    )  # fmt: skip
    source = "our rule: a single point that stands off the ground by more than the clearance may be the end of a wire"
    return Check("spikes", "caution" if high else "pass", float(len(high)), 0.0, "", source, remedy, place)


def judge_twin(twin: Twin, clearance: float) -> Check:
    """Say whether the scan is free of surfaces that are there twice. clearance: mm."""
    share = 100.0 * twin.share
    bad: Verdict = "fail" if twin.apart >= clearance / 2.0 else "caution"
    verdict: Verdict = "pass" if share <= TWIN_PASS else bad
    remedy = place = ""
    if verdict != "pass" and twin.place is not None:
        place = f"most of it {_tell(twin.place)}"
        remedy = (
            f"two sheets {twin.apart:.2f} mm apart: the scanner lost its place and found it again beside. Add markers there, "
            "unevenly, 50 to 100 mm apart and off the surfaces that matter, and scan all of it again in one go"
        )
    source = "our rule: in a survey, fail where the sheets are half the clearance apart"
    return Check(TWICE, verdict, round(share, 2), TWIN_PASS, "%", source, remedy, place)


def _tell(patch: Patch) -> str:
    return tell_spot(patch.x, patch.y, patch.depth)


def _round_up(value: float) -> float:
    """Return a clearance rounded up to a hundredth, mm."""
    return ceil(value * 100.0 - 1e-6) / 100.0


def _round_down(value: float) -> float:
    return int(value * 20.0) / 20.0 or 0.05
