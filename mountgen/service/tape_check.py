"""Does the tape hold: area that really bonds, weight, peaks, peel, heat, surfaces, room; and how to apply it."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from math import ceil, floor, inf, isfinite, sqrt
from typing import Any

import numpy as np

from mountgen.clearance import find_hottest
from mountgen.errors import EnduranceError
from mountgen.material import Material
from mountgen.parked import advise_cooler, find_cooler, find_service_temperature
from mountgen.place import describe_place
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_tables import ParkedPlace, TapePads
from mountgen.service.case import Case, Finding
from mountgen.service.heat_check import choose_material
from mountgen.service.holding import Load, find_peel, list_loads, weigh
from mountgen.service.tape_bond import Bond, PadGauge
from mountgen.service.tape_size import MOST_PADS, find_enough, find_new_pads
from mountgen.stiffness import find_load
from mountgen.tape import (
    DYNAMIC_MPA,
    LEAST_ENERGY,
    SAFETY,
    STATIC_KPA,
    Trim,
    check_bond_line,
    find_heat_factor,
    find_tape_area,
    find_trim,
    judge_surface,
    list_application_steps,
)
from mountgen.verdict import Check, Verdict

WARM, HOT = 70.0, 90.0  # °C; above the first a tape keeps less than half, at the second next to nothing (our rule)
SHORT = 0.05  # mm by which the room for the tape may be short: the gauge's own error
STUCK = "Tape suppliers' pages (read); promoter and trial are our rule."
TRIAL = "stick a trial strip first, pull at it after 72 h, and set tape.tried = true if it held"
UNKNOWN = Trim("unknown", "trim of unknown plastic", 29.0, 46.0, "lowest and highest of plastics used for trim", "our rule")

RULES = {
    "rest": "60 cm² a kg from a tape supplier's note (read), 57 from a tape maker (read)",
    "peak": (
        f"{1000 * DYNAMIC_MPA:.0f} kPa, a seventh to a ninth of what shears acrylic foam off quickly (620 to 760 kPa, a tape "
        f"maker's slides, read), with {SAFETY:g} in hand more (our rule)"
    ),
    "peel": "4 in² a pound, from a tape maker (read), as the most that may pull for good",
    "heat": "our rule between sheets and carmakers' specifications (read): full to 40, half at 70, none at 93 °C",
    "surface": "a tape maker's page (read): surfaces from 36 mN/m are wetted well",
}


def judge_tape(case: Case) -> Finding:
    """Say whether the tape pads of a part hold it and its device, and what size would.

    Args:
        case: the part and its surroundings.

    Returns:
        Finding: empty for a part without pads.

    Raises:
        EnduranceError: a mass or temperature that cannot be.
    """
    recipe, pads = case.recipe, case.part.pads
    if not isinstance(recipe, PhoneShelfRecipe) or recipe.tape is None or not pads:
        return Finding()
    tape = recipe.tape
    trim = UNKNOWN if recipe.fit.trim is None else find_trim(recipe.fit.trim)
    temp = find_hottest(recipe)
    left = find_heat_factor(temp) * trim.credit
    gauge = PadGauge(case.part.body.mesh, case.recess)
    sizes = tape.model_dump(include={"length", "width", "thickness", "compression"})
    bonds = [gauge.feel(pad, **sizes) for pad in pads]
    area = sum(bond.area for bond in bonds)
    mass, centre = weigh(case, recipe)
    loads = list_loads(case, bonds, mass=mass)
    needs = {load.name: _find_area(load, mass, left) for load in loads}
    needed = max(needs.values())
    peel, overhang = find_peel(case, bonds, loads, mass=mass, centre=centre)
    limit = STATIC_KPA * left

    def size_pads(left: float) -> TapePads | None:
        """Return the smallest pads that hold where so much of the tape's strength is left."""
        needed, limit = max(_find_area(load, mass, left) for load in loads), STATIC_KPA * left

        def holds(those: Sequence[Bond]) -> bool:
            pull, _ = find_peel(case, those, loads, mass=mass, centre=centre)
            return sum(bond.area for bond in those) >= needed and pull <= limit

        pulled = sqrt(peel / limit) if limit > 0.0 else inf if peel > 0.0 else 0.0
        times = max(needed / (tape.count * tape.length * tape.width), pulled)
        return find_enough(case.part, case.recess, gauge, tape=tape, times=times, holds=holds)

    def bears(hundredths: int) -> bool:
        """Whether these pads hold with a device of that mass."""
        device = recipe.device.model_copy(update={"mass": hundredths / 100.0})
        mass, centre = weigh(case, recipe.model_copy(update={"device": device}))
        loads = list_loads(case, bonds, mass=mass)
        pull, _ = find_peel(case, bonds, loads, mass=mass, centre=centre)
        return area >= max(_find_area(load, mass, left) for load in loads) and pull <= limit

    enough = size_pads(left)
    lighter = 0.0
    if enough is None and isfinite(needed) and (area < needed or peel > limit):
        lighter = _find_most(bears, floor(100.0 * recipe.device.mass + 1e-9)) / 100.0
    cooler = ""
    if not isfinite(needed) and (elsewhere := find_cooler(recipe.place, WARM)) is not None:
        there = size_pads(find_heat_factor(find_service_temperature(elsewhere)) * trim.credit)
        cooler = f'if cooler there, set place.where = "{elsewhere.where}"{_name_pads(tape, there)}'
    advice = _advise(
        tape, enough, needed=needed, area=area, mass=mass, bears=lighter, has_tabs=bool(case.part.tabs), cooler=cooler
    )
    worst = max(loads[1:], key=lambda load: needs[load.name])
    where = describe_place(min(bonds, key=lambda bond: bond.area).pad.middle.tolist())
    eased = bool(case.part.tabs)
    checks = [
        _judge_trim(trim, tape),
        *_judge_part_surface(case, tape),
        _judge_heat(temp, recipe.place, has_tabs=eased),
        _judge_room(bonds, tape),
        _judge_area("tape area at rest", area, needs["weight"], RULES["rest"], advice, where, eased),
        _judge_area(
            "tape area at peaks", area, needs[worst.name], f"{worst.g:g} g {worst.name} (our rule, no crash); {RULES['peak']}",
            advice, where, eased,
        ),
        _judge_peel(peel, limit, advice, overhang),
    ]  # fmt: skip
    steps = list_application_steps(trim, area=area) if area > 0.0 else ()
    facts: dict[str, Any] = {
        "mass_kg": mass,
        "centre_of_mass": centre,
        "temp_c": temp,
        "heat_factor": find_heat_factor(temp),
        "trim": trim.key,
        "trim_energy": [trim.low, trim.high],
        "credit": trim.credit,
        "area": area,
        "needed": needed,
        "pads": [_describe(bond) for bond in bonds],
        "loads": [
            {"name": load.name, "direction": load.direction, "g": load.g, "force_n": find_load(mass, g_factor=load.g),
             "held_by_recess": load.held, "needed": needs[load.name]}
            for load in loads
        ],
        "peel_kpa": peel,
        "peel_limit_kpa": limit,
        "overhang": overhang,
        "enough": None if enough is None else enough.model_dump(include={"length", "width", "count", "thickness"}),
        "steps": steps,
    }  # fmt: skip
    told = " ".join(f"({k}) {step}" for k, step in enumerate(steps, start=1))
    notes = (f"how to stick it in: {told} {STUCK}",) if steps else ()
    return Finding(checks=tuple(checks), facts=facts, notes=notes)


def find_pads(case: Case, recipe: PhoneShelfRecipe) -> TapePads | None:
    """Return the smallest tape pads that would hold a part which has none, by the rules of `judge_tape`; None for none."""
    trim = UNKNOWN if recipe.fit.trim is None else find_trim(recipe.fit.trim)
    left = find_heat_factor(find_hottest(recipe)) * trim.credit
    mass, centre = weigh(case, recipe)

    def find_needed(bonds: Sequence[Bond]) -> float:
        return max(_find_area(load, mass, left) for load in list_loads(case, bonds, mass=mass))

    def holds(bonds: Sequence[Bond]) -> bool:
        pull, _ = find_peel(case, bonds, list_loads(case, bonds, mass=mass), mass=mass, centre=centre)
        return sum(bond.area for bond in bonds) >= find_needed(bonds) and pull <= STATIC_KPA * left

    needed = find_needed(())
    if not isfinite(needed):
        return None
    gauge = PadGauge(case.part.body.mesh, case.recess)
    return find_new_pads(case.part, case.recess, gauge, needed=needed, holds=holds)


def _find_most(holds: Callable[[int], bool], most: int) -> int:
    """Return the largest whole number up to `most` that holds, where all smaller ones do; 0 for none."""
    return bisect_left(range(1, most + 1), True, key=lambda n: not holds(n))


def _find_area(load: Load, mass: float, left: float) -> float:
    """Return the area that a load asks for, mm²; 0 where the recess holds the part."""
    if load.held:
        return 0.0
    found = find_tape_area(mass, left=left, g_factor=load.g)
    return found.static if load.name == "weight" else found.dynamic


def _advise(
    tape: TapePads, enough: TapePads | None, *, needed: float, area: float, mass: float, bears: float, has_tabs: bool, cooler: str
) -> str:
    """Say what would hold: other pads, else a device of `bears` kg at most, or a cooler place where no tape does."""
    hold = "" if has_tabs else ", or add a hold of another kind ([tabs])"
    if not isfinite(needed):
        return f"no area of tape holds in this heat{hold or ', so the tabs must'}{cooler and '; or, ' + cooler}"
    if enough is not None:
        return _name_pads(tape, enough).removeprefix(" and ") + hold
    count = ceil(needed / max(area / tape.count, 1e-9))
    more = f"{count} pads like these" if count <= MOST_PADS else f"{needed / 100:.0f} cm² of tape"
    if bears > 0.0:
        lighter = f"set device.mass = {bears:g}, which these pads bear"
    elif area < needed:
        most = floor(1000.0 * mass * area / needed)  # what is needed grows with the mass
        lighter = f"the tape bears {most:d} g in all, less than the part alone: make it hollow (body.wall)"
    else:
        lighter = "set tape = false, as a device of any mass peels them off there"
    return f"it takes {more}, for which no room was found: {lighter}{hold}"


def _name_pads(tape: TapePads, other: TapePads | None) -> str:
    """Return what of other pads differs, as a remedy goes on with it."""
    if other is None:
        return " and pads as large as there is room for"
    keys = [key for key in ("thickness", "length", "width", "count") if getattr(other, key) != getattr(tape, key)]
    return "".join(f" and set tape.{key} = {getattr(other, key):g}" for key in keys)


def _judge_trim(trim: Trim, tape: TapePads) -> Check:
    verdict = judge_surface(trim.low, primer=tape.primer)
    promoter = "put on an adhesion promoter, or take a tape for low surface energy, and set tape.primer = true"
    remedy = ""
    if trim is UNKNOWN:
        verdict = "caution"
        remedy = "look for the mark on the back of the trim, such as >ABS< or >PP<, and set fit.trim"
    elif verdict == "fail" and judge_surface(trim.high) == "pass":
        verdict, remedy = "caution", f"some kinds of {trim.words} are hard to wet: {TRIAL}, or {promoter}"
    elif verdict == "fail" and judge_surface(trim.low, primer=True) == "caution":
        remedy = f"{trim.words} is hard to wet: {promoter}"
    elif verdict == "fail":
        remedy = f"no tape holds on {trim.words}: hold the part otherwise and set tape = false"
    elif verdict == "caution":
        remedy = f"{trim.words} with a promoter: {TRIAL}"
    if trim.credit < 1.0 and verdict == "pass":
        verdict, remedy = "caution", f"oils may soften the bond: {TRIAL}"
    tried = ""
    if tape.tried and verdict == "caution":
        verdict, remedy, tried = "pass", "", "a trial strip held (recipe: tape.tried); "
    source = f"{tried}{RULES['surface']}; this trim {trim.low:g} to {trim.high:g}: {trim.source} ({trim.tag})"
    return Check("tape on the trim", verdict, trim.low, LEAST_ENERGY, "mN/m", source, remedy)


def _judge_part_surface(case: Case, tape: TapePads) -> list[Check]:
    """The printed side counts too, where its surface energy is known and low."""
    energy = case.material.surface_energy
    if energy is None:
        return []
    verdict = judge_surface(energy.low, primer=tape.primer)
    tried = ""
    if tape.tried and verdict == "caution":
        verdict, tried = "pass", "a trial strip held (recipe: tape.tried); "
    remedy = "" if verdict == "pass" else _advise_surface(case, verdict, energy.low)
    source = f"{tried}{RULES['surface']}; {case.material.name}: {energy.source} ({energy.tag})"
    return [Check("tape on the part", verdict, energy.low, LEAST_ENERGY, "mN/m", source, remedy)]


def _advise_surface(case: Case, verdict: Verdict, energy: float) -> str:
    """Return what makes tape hold on a printed side that is hard to wet: another plastic, and else a promoter and a trial."""
    wets = {key: each for key, each in case.materials.items() if _is_wetted(each)}
    better = choose_material(wets, find_hottest(case.recipe), loaded=True)
    other = f'set material = "{better.material}", or ' if better is not None else ""
    sanded = "sand and prime the pads"
    if verdict == "fail" and judge_surface(energy, primer=True) == "fail":
        return f"no tape holds on {case.material.name}: {other}set tape = false"
    primed = f"{sanded}, and set tape.primer = true" if verdict == "fail" else f"{sanded}, {TRIAL}"
    return f"{case.material.name} is hard to wet: {other}{primed}"


def _is_wetted(material: Material) -> bool:
    return material.surface_energy is None or material.surface_energy.low >= LEAST_ENERGY


def _judge_heat(temp: float, place: ParkedPlace, *, has_tabs: bool) -> Check:
    verdict: Verdict = "pass" if temp <= WARM else "caution" if temp <= HOT or has_tabs else "fail"
    remedy = ""
    if verdict != "pass":
        left = f"the tape keeps {100 * find_heat_factor(temp):.0f} % of its strength there and creeps"
        hold = "the tabs must hold the part" if has_tabs else "let [tabs] or a ledge of the recess hold the part as well"
        cooler = advise_cooler(place, WARM)
        remedy = f"{left}: {hold}{'; or, ' + cooler if cooler else ''}"
    return Check("tape in the heat", verdict, round(temp, 1), WARM, "°C", RULES["heat"], remedy)


def _judge_room(bonds: Sequence[Bond], tape: TapePads) -> Check:
    felt = [float(bond.gaps.min()) for bond in bonds if len(bond.gaps)]
    least = min(felt, default=0.0)
    line = tape.thickness * (1.0 - tape.compression)
    verdict: Verdict = "pass"
    remedy = ""
    try:
        check_bond_line(tape.thickness, gap=least + SHORT, compression=tape.compression)
    except EnduranceError:
        fits = floor(10.0 * least / (1.0 - tape.compression)) / 10.0
        verdict = "fail"
        thinner = f"set tape.thickness = {fits:g} or less, or " if fits > 0.0 else ""
        remedy = f"the pressed tape is thicker than the gap: {thinner}leave the pads out (tape = false)"
    source = "recipe: tape.thickness less what tape.compression takes; measured on the finished part"
    return Check("room for the tape", verdict, round(least, 3), round(line, 3), "mm", source, remedy)


def _judge_area(name: str, area: float, needed: float, source: str, advice: str, where: str, eased: bool) -> Check:
    """Too little is a fail; with tabs beside the tape a caution."""
    verdict: Verdict = "pass" if area >= needed else "caution" if eased else "fail"
    limit = None if needed == inf else round(needed, 1)
    if needed == 0.0:
        source = f"the recess itself holds the part against this; otherwise {source}"
    remedy = "" if verdict == "pass" else advice
    return Check(name, verdict, round(area, 1), limit, "mm²", source, remedy, "" if verdict == "pass" else where)


def _judge_peel(pull: float, limit: float, advice: str, overhang: float) -> Check:
    verdict: Verdict = "pass" if pull <= limit else "fail"
    remedy = "" if verdict == "pass" else (
        f"the weight acts {overhang:.2f} mm beside what carries it, of which this tape bears {overhang * limit / pull:.2f} mm: "
        f"{advice}"
    )  # fmt: skip
    return Check("tape peel at rest", verdict, round(pull, 3), round(limit, 3), "kPa", RULES["peel"], remedy)


def _describe(bond: Bond) -> dict[str, Any]:
    gaps = bond.gaps if len(bond.gaps) else np.array([np.nan])
    return {
        "middle": bond.pad.middle,
        "normal": bond.pad.spot.normal,
        "length": bond.length,
        "width": bond.width,
        "share": bond.share,
        "area": bond.area,
        "gap_min": float(gaps.min()),
        "gap_max": float(gaps.max()),
    }
