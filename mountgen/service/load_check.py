"""Does it carry, a shelf its device, a tray or plug what lies there: sag when hot and crept, stress, natural frequency."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import asin, degrees, isfinite
from typing import Any

import numpy as np

from mountgen.features.device_advice import advise_thicker
from mountgen.heat import HIGH_STRESS, ROOM_C, find_modulus, find_sustained_modulus, judge_softening
from mountgen.parked import find_service_temperature
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.service.bearing import SETTLES, Bearing, find_spans, level_axes, lie_inside, lie_on, map_bearing
from mountgen.service.case import Case, Finding
from mountgen.service.deck import GATHERED, SOURCES, Piece, list_pieces
from mountgen.service.load_advice import advise, advise_loose, choose_other, round_up
from mountgen.service.load_answer import (
    Answer,
    Burden,
    answer_all,
    find_lowest,
    find_modulus_needed,
    find_strength,
    name_across,
)
from mountgen.stiffness import (
    DOWN_G,
    LEAST_FREQUENCY,
    PEAK_SHARE,
    SAG_SHARE,
    SIDE_G,
    SUSTAINED_SHARE,
    bend_cantilever,
    find_load,
    find_passing_thickness,
)
from mountgen.verdict import Check, Verdict

LOOKS_UP = 0.5  # of the face's direction along the vehicle's up; on a steeper one nothing stays (our rule)
LARGE = "a plate that sags by more than half its thickness stretches and really sags less, so this is on the safe side"


@dataclass(frozen=True, eq=False)
class _Carried:
    """What a part carries. noun: what carries it; mass: kg; bearing: None where nothing of the part carries it."""

    noun: str
    mass: float
    bearing: Bearing | None


def judge_load(case: Case) -> Finding:
    """Say whether a part carries what its recipe says, as the recess really supports it.

    Args:
        case: the part and its surroundings; recipe.device is what a shelf carries, recipe.carries what a tray or plug does.

    Returns:
        Finding: no checks where the recipe names nothing to carry.

    Raises:
        EnduranceError: the mass or the recipe's temperatures cannot be.
    """
    recipe = case.recipe
    carried = _find_carried(case)
    if carried is None:
        return Finding()
    bearing = carried.bearing
    pieces = () if bearing is None else list_pieces(bearing, find_spans(bearing, case.inspection.standing.surface))
    if bearing is None or not pieces:
        return _find_nothing(carried, recipe)
    temp = find_service_temperature(recipe.place)
    across = name_across(bearing.axes, case.orientations[0].up)
    burden = Burden(find_load(carried.mass), bearing.area(bearing.rests), temp, across)
    facts: dict[str, Any] = {
        "mass_kg": carried.mass,
        "weight_n": burden.weight,
        "jolt_g": DOWN_G,
        "bearing_distance": bearing.distance,
        "bearing_area": bearing.area(bearing.bears),
        "device_area": burden.loaded,
        "carried_share": bearing.area(bearing.rests & bearing.bears) / burden.loaded,
    }
    lacks = [name for name in ("modulus", "strength_z") if getattr(case.material, name) is None]
    if case.material.hdt_045 is None and case.material.hdt_180 is None:
        lacks.append("hdt_045")
    if lacks:
        return Finding(checks=(_judge_unknown(case, lacks, pieces, burden, carried.noun),), facts=facts)
    answers = answer_all(pieces, burden, case.material)
    checks = (
        *_judge_held(case, answers, burden, carried.noun, bearing), *_judge_answers(case, answers, burden, carried.noun),
        *_judge_lip(case, burden),
    )  # fmt: skip
    return Finding(checks=checks, facts=facts | {"pieces": [_list_facts(answer) for answer in answers]})


def find_distance(recipe: Recipe) -> float:
    """Return the gap below a part up to which it bears, mm: clearance, and what settles."""
    return (recipe.fit.clearance if recipe.fit.floor is None else recipe.fit.floor) + SETTLES


def _find_carried(case: Case) -> _Carried | None:
    """Return what a part carries and where it bears; None where its recipe names nothing."""
    recipe, mesh, up = case.recipe, case.part.body.mesh, case.recess.up
    surface, distance = case.inspection.standing.surface, find_distance(recipe)
    if isinstance(recipe, PhoneShelfRecipe):
        seated = case.part.device
        if seated is None:
            return None
        pads = [(zone.low, zone.high) for zone in case.part.soft if zone.name.startswith("tape pad")]
        bearing = map_bearing(mesh, seated.mesh, surface, up=up, distance=distance, pads=pads)
        return _Carried("deck", recipe.device.mass, bearing)
    if not isinstance(recipe, PlugRecipe | TrayRecipe) or recipe.carries is None:
        return None
    if isinstance(recipe, TrayRecipe):
        seat = lie_inside(case.recess)
        return _Carried("floor", recipe.carries.mass, map_bearing(mesh, seat, surface, up=up, distance=distance))
    looks_up = float(level_axes(up)[2, 2]) >= LOOKS_UP
    bearing_of_face = map_bearing(mesh, lie_on, surface, up=up, distance=distance) if looks_up else None
    return _Carried("face", recipe.carries.mass, bearing_of_face)


def _find_nothing(carried: _Carried, recipe: Recipe) -> Finding:
    if isinstance(recipe, PhoneShelfRecipe):
        return Finding(notes=("the device does not rest on the deck as seated: its load is not judged",))
    source = "our rule: what looks up less steeply than 30° keeps nothing; recipe: mouth.recline and mouth.up say how it lies"
    remedy = (
        "nothing can lie there as the mouth leans: set carries = false, or correct mouth.recline: a mouth that leans back by "
        f"{degrees(asin(LOOKS_UP)):.0f} degrees or more keeps things"
    )
    return Finding(checks=(Check(f"room on the {carried.noun}", "caution", 0.0, 1.0, "mm²", source, remedy),))


def _tell_strength(answer: Answer, share: float) -> str:
    lies = "across" if answer.across else "along"
    return (
        f"{share:g} (our rule) of {answer.strength.low:g} MPa {lies} the layers as printed "
        f"({answer.strength.source}; {answer.strength.tag})"
    )


def _judge_held(case: Case, answers: Sequence[Answer], burden: Burden, noun: str, bearing: Bearing) -> Iterator[Check]:
    """Say what nothing holds, and what has no stiffness left: neither sags by any number of millimetres."""
    loose = [answer for answer in answers if answer.piece.model == "not carried"]
    if loose:
        area = sum(answer.piece.loaded for answer in loose)
        source = f"by definition; {SOURCES['not carried']}, nor does a wall within {SETTLES:g} mm of settling (our rule)"
        below = np.concatenate([bearing.gap[answer.piece.origin.cells] for answer in loose if answer.piece.origin is not None])
        remedy = advise_loose(case, below)
        yield Check(f"{noun} held by the recess", "fail", area, 0.0, "mm²", source, remedy, loose[0].piece.place)
    soft = [answer for answer in answers if answer not in loose and not isfinite(answer.crept.sag)]
    if soft:
        worst = max(soft, key=lambda answer: find_modulus_needed(answer, burden))
        source = (
            f"our rule: what keeps the sag within {100 * SAG_SHARE:g} % of the span; beyond its deflection temperature a plastic "
            f"is taken to have no stiffness left ({SOURCES[worst.piece.model]})"
        )
        yield Check(
            f"stiffness of the {noun} in the heat", "fail", 0.0, find_modulus_needed(worst, burden), "MPa", source,
            advise(case, case.recipe, worst, answers, burden), worst.piece.place,
        )  # fmt: skip


def _judge_answers(case: Case, answers: Sequence[Answer], burden: Burden, noun: str) -> Iterator[Check]:
    """Judge the worst piece for each question; a deck that is solid down to its floor is asked the first and third only."""
    material, recipe = case.material, case.recipe
    answers = [answer for answer in answers if answer.piece.model != "not carried"]
    if not answers:
        return
    worst = {use: max(answers, key=lambda a: a.uses[use]) for use in ("sag", "rest", "jolt", "frequency")}
    advice = {id(a): advise(case, recipe, a, answers, burden) for a in worst.values() if max(a.uses.values()) > 1.0}

    def judge(use: str, title: str, value: float, limit: float, unit: str, source: str, bad: Verdict = "fail") -> Check:
        answer = worst[use]
        kept = answer.uses[use] <= 1.0
        text = f"{source}; {answer.piece.model}: {SOURCES[answer.piece.model]}"
        remedy = "" if kept else advice[id(answer)]
        return Check(title, "pass" if kept else bad, value, limit, unit, text, remedy, answer.piece.place)

    sag, rest, jolt, slow = (worst[use] for use in ("sag", "rest", "jolt", "frequency"))
    source = (
        f"{100 * SAG_SHARE:g} % of the span (our rule), with {find_sustained_modulus(material, burden.temp_c):.0f} MPa left "
        f"at {burden.temp_c:.0f} °C after creep (our rule, from the strain at which the deflection temperature is read)"
    )
    source += "" if sag.crept.linear else f"; {LARGE}"
    if isfinite(sag.crept.sag):
        yield judge("sag", f"{noun} sag, hot and crept", sag.crept.sag, SAG_SHARE * sag.piece.span, "mm", source)
    spans = any(answer.piece.origin is not None for answer in answers)
    if spans:
        source = _tell_strength(rest, SUSTAINED_SHARE)
        yield judge("rest", f"{noun} stress at rest", rest.crept.stress, SUSTAINED_SHARE * rest.strength.low, "MPa", source)
    source = f"{_tell_strength(jolt, PEAK_SHARE)}; {DOWN_G:g} g at a pothole (our rule), never a crash"
    yield judge("jolt", f"{noun} stress at a jolt", jolt.jolt.stress, PEAK_SHARE * jolt.strength.low, "MPa", source)
    if not spans:
        return
    source = "above what a vehicle's body does on the road (our rule); Rayleigh's method (standard)"
    lowest = find_lowest(slow)
    yield judge("frequency", f"natural frequency of the {noun}", lowest, LEAST_FREQUENCY, "Hz", source, "caution")
    stress = rest.crept.stress
    if isfinite(stress) and stress > HIGH_STRESS:
        found = judge_softening(material, burden.temp_c, stress=stress)
        limit = found.pass_to_c if isfinite(found.pass_to_c) else None
        eased = judge_softening(material, burden.temp_c, stress=HIGH_STRESS).verdict == "pass"  # with less stress
        remedy = ""
        if found.verdict != "pass":
            remedy = advise(case, recipe, rest, answers, burden, most_stress=HIGH_STRESS if eased else 0.0)
        text = f"{stress:.2f} MPa stay in the {noun}: {found.why} ({found.source}; {found.tag}); the gap is our rule"
        yield Check(
            f"heat under the {noun}'s stress", found.verdict, burden.temp_c, limit, "°C", text, remedy, rest.piece.place
        )


def _advise_lip(case: Case, recipe: PhoneShelfRecipe, thickness: float) -> str:
    """Return how thick a lip must be, with what else must change for the device still to go in behind it."""
    top = case.recess.mouth_height
    return advise_thicker(case.part.suits, recipe, {"lip.thickness": thickness}, top=top)


def _judge_lip(case: Case, burden: Burden) -> Iterator[Check]:
    """Judge the lip where braking throws the device against its upper edge; bent at its root, it is pulled along up."""
    recipe, material = case.recipe, case.material
    if not isinstance(recipe, PhoneShelfRecipe) or recipe.lip is None:
        return
    lip = recipe.lip
    across = "up" in burden.across
    strength = find_strength(material, across=across)
    push = find_load(recipe.device.mass, g_factor=SIDE_G)
    bent = bend_cantilever(
        GATHERED * push, span=lip.height, width=recipe.device.across - lip.scoop, thickness=lip.thickness,
        modulus=find_modulus(material, ROOM_C),
    )  # fmt: skip
    limit = PEAK_SHARE * strength.low
    remedy = ""
    if bent.stress > limit:
        need = find_passing_thickness(bent, lip.thickness, sag_limit=bent.sag, stress_limit=limit)
        remedy = _advise_lip(case, recipe, round_up(need))
    source = (
        f"{PEAK_SHARE:g} (our rule) of {strength.low:g} MPa {'across' if across else 'along'} the layers as printed "
        f"({strength.source}; {strength.tag}); "
        f"{SIDE_G:g} g forwards when braking or cornering (our rule), never a crash; {SOURCES['cantilever']}"
    )
    yield Check("lip stress when braking", "fail" if remedy else "pass", bent.stress, limit, "MPa", source, remedy)


def _judge_unknown(case: Case, lacks: Sequence[str], pieces: Sequence[Piece], burden: Burden, noun: str) -> Check:
    """Say that a material's values do not tell whether it carries, and what would."""
    key, other = case.material.key, choose_other(case, pieces, burden)
    remedy = f"give {', '.join(lacks)} of [{key}] in a sheet of your own (sheet)"
    remedy += f', or set material = "{other}"' if other else ""
    source = f"by definition: what is not known is no pass; the table has no {', '.join(lacks)} for {case.material.name}"
    return Check(f"values of the {noun}'s plastic", "caution", float(len(lacks)), 0.0, "missing", source, remedy, pieces[0].place)


def _list_facts(answer: Answer) -> dict[str, Any]:
    piece = answer.piece
    return {
        "model": piece.model,
        "held": sorted(piece.origin.held) if piece.origin else [],
        "span": piece.span,
        "width": piece.width,
        "thickness": piece.thickness,
        "device_area": piece.loaded,
        "sag_cold": answer.cold.sag,
        "sag_hot_crept": answer.crept.sag,
        "stress_rest_mpa": answer.crept.stress,
        "stress_jolt_mpa": answer.jolt.stress,
        "frequency_hz": find_lowest(answer),
        "strength_mpa": answer.strength.low,
        "across_layers": answer.across,
        "place": piece.place,
    }
