"""Does the deck carry the device: sag when hot and crept, stress at rest and at a jolt, natural frequency."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import Any

from mountgen.heat import HIGH_STRESS, ROOM_C, find_modulus, find_sustained_modulus, judge_softening
from mountgen.material import Material
from mountgen.parked import find_service_temperature
from mountgen.recipe import PhoneShelfRecipe
from mountgen.service.bearing import SETTLES, find_spans, map_bearing
from mountgen.service.case import Case, Finding
from mountgen.service.deck import GATHERED, SOURCES, Piece, list_pieces
from mountgen.service.load_advice import advise, choose_other, round_up
from mountgen.service.load_answer import Answer, Burden, answer_all, find_lowest, find_strength
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


def judge_load(case: Case) -> Finding:
    """Say whether the deck carries the device, as the recess really supports it.

    Args:
        case: the part and its surroundings; parts without a device have nothing to carry that a recipe knows.

    Returns:
        Finding: no checks where the recipe has no device.

    Raises:
        EnduranceError: the device's mass or the recipe's temperatures cannot be.
    """
    recipe, seated = case.recipe, case.part.device
    if not isinstance(recipe, PhoneShelfRecipe) or seated is None:
        return Finding()
    surface = case.inspection.standing.surface
    pads = [(zone.low, zone.high) for zone in case.part.soft if zone.name.startswith("tape pad")]
    distance = find_distance(recipe)
    bearing = map_bearing(
        case.part.body.mesh, seated.mesh, surface, up=case.recess.up, distance=distance, pads=pads
    )
    pieces = list_pieces(bearing, find_spans(bearing, surface))
    if not pieces:
        return Finding(notes=("the device does not rest on the deck as seated: its load is not judged",))
    temp = find_service_temperature(recipe.place)
    burden = Burden(find_load(recipe.device.mass), bearing.area(bearing.rests), temp)
    facts: dict[str, Any] = {
        "mass_kg": recipe.device.mass,
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
        return Finding(checks=(_judge_unknown(case, lacks, pieces, burden),), facts=facts)
    answers = answer_all(pieces, burden, case.material)
    checks = (*_judge_answers(case, recipe, answers, burden), *_judge_lip(recipe, case.material))
    return Finding(checks=checks, facts=facts | {"pieces": [_list_facts(answer) for answer in answers]})


def find_distance(recipe: PhoneShelfRecipe) -> float:
    """Return the gap below a part up to which it bears, mm: clearance, and what settles."""
    return (recipe.fit.clearance if recipe.fit.floor is None else recipe.fit.floor) + SETTLES


def _judge_answers(
    case: Case, recipe: PhoneShelfRecipe, answers: Sequence[Answer], burden: Burden
) -> Iterator[Check]:
    """Judge the worst piece for each question; a deck that is solid down to its floor is asked the first and third only."""
    material, strength = case.material, find_strength(case.material)
    worst = {use: max(answers, key=lambda a: a.uses[use]) for use in ("sag", "rest", "jolt", "frequency")}
    advice = {id(a): advise(case, recipe, a, answers, burden) for a in worst.values() if max(a.uses.values()) > 1.0}

    def judge(use: str, title: str, value: float, limit: float, unit: str, source: str, bad: Verdict = "fail") -> Check:
        answer = worst[use]
        kept = answer.uses[use] <= 1.0
        text = f"{source}; {answer.piece.model}: {SOURCES[answer.piece.model]}"
        remedy = "" if kept else advice[id(answer)]
        place = answer.piece.place
        found = value if isfinite(value) else None
        return Check(title, "pass" if kept else bad, found, limit, unit, text, remedy, place)

    sag, rest, jolt, slow = (worst[use] for use in ("sag", "rest", "jolt", "frequency"))
    source = (
        f"{100 * SAG_SHARE:g} % of the span (our rule), with {find_sustained_modulus(material, burden.temp_c):.0f} MPa left "
        f"at {burden.temp_c:.0f} °C after creep (our rule, from the strain at which the deflection temperature is read)"
    )
    yield judge("sag", "deck sag, hot and crept", sag.crept.sag, SAG_SHARE * sag.piece.span, "mm", source)
    across = f"of {strength.low:g} MPa across the layers ({strength.source}; {strength.tag})"
    source = f"{SUSTAINED_SHARE:g} (our rule) {across}"
    spans = any(answer.piece.origin is not None for answer in answers)
    if spans:
        yield judge("rest", "deck stress at rest", rest.crept.stress, SUSTAINED_SHARE * strength.low, "MPa", source)
    source = f"{PEAK_SHARE:g} (our rule) {across}; {DOWN_G:g} g at a pothole (our rule), never a crash"
    yield judge("jolt", "deck stress at a jolt", jolt.jolt.stress, PEAK_SHARE * strength.low, "MPa", source)
    if not spans:
        return
    source = "above what a vehicle's body does on the road (our rule); Rayleigh's method (standard)"
    lowest = find_lowest(slow)
    yield judge("frequency", "natural frequency of the deck", lowest, LEAST_FREQUENCY, "Hz", source, "caution")
    stress = rest.crept.stress
    if isfinite(stress) and stress > HIGH_STRESS:
        found = judge_softening(material, burden.temp_c, stress=stress)
        limit = found.pass_to_c if isfinite(found.pass_to_c) else None
        eased = judge_softening(material, burden.temp_c, stress=HIGH_STRESS).verdict == "pass"  # with less stress
        remedy = ""
        if found.verdict != "pass":
            remedy = advise(case, recipe, rest, answers, burden, most_stress=HIGH_STRESS if eased else 0.0)
        text = f"{stress:.2f} MPa stay in the deck: {found.why} ({found.source}; {found.tag}); the gap is our rule"
        yield Check("heat under the deck's stress", found.verdict, burden.temp_c, limit, "°C", text, remedy, rest.piece.place)


def _judge_lip(recipe: PhoneShelfRecipe, material: Material) -> Iterator[Check]:
    """Judge the lip where braking throws the device against its upper edge."""
    lip = recipe.lip
    if lip is None:
        return
    strength = find_strength(material)
    push = find_load(recipe.device.mass, g_factor=SIDE_G)
    bent = bend_cantilever(
        GATHERED * push, span=lip.height, width=recipe.device.across - lip.scoop, thickness=lip.thickness,
        modulus=find_modulus(material, ROOM_C),
    )  # fmt: skip
    limit = PEAK_SHARE * strength.low
    remedy = ""
    if bent.stress > limit:
        need = find_passing_thickness(bent, lip.thickness, sag_limit=bent.sag, stress_limit=limit)
        remedy = f"set lip.thickness = {round_up(need):g}"
    source = (
        f"{PEAK_SHARE:g} (our rule) of {strength.low:g} MPa across the layers ({strength.source}; {strength.tag}); "
        f"{SIDE_G:g} g forwards when braking or cornering (our rule), never a crash; {SOURCES['cantilever']}"
    )
    yield Check("lip stress when braking", "fail" if remedy else "pass", bent.stress, limit, "MPa", source, remedy)


def _judge_unknown(case: Case, lacks: Sequence[str], pieces: Sequence[Piece], burden: Burden) -> Check:
    """Say that a material's values do not tell whether it carries, and what would."""
    key, other = case.material.key, choose_other(case, pieces, burden)
    remedy = f"give {', '.join(lacks)} of [{key}] in a sheet of your own (sheet)"
    remedy += f', or set material = "{other}"' if other else ""
    source = f"the table has no {', '.join(lacks)} for {case.material.name}"
    return Check("deck under the device", "caution", None, None, "", source, remedy, pieces[0].place)


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
        "place": piece.place,
    }
