"""Does the deck carry the device: sag when hot and crept, stress at rest and at a jolt, natural frequency."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import ceil, inf, isfinite, pi
from typing import Any

from mountgen.errors import EnduranceError
from mountgen.heat import HIGH_STRESS, ROOM_C, find_modulus, find_sustained_modulus, judge_softening, rank_materials
from mountgen.material import Material, Quantity
from mountgen.parked import find_service_temperature
from mountgen.recipe import PhoneShelfRecipe
from mountgen.service.bearing import SETTLES, Span, find_spans, map_bearing
from mountgen.service.case import Case, Finding
from mountgen.service.deck import SOURCES, Piece, bend_piece, cut_by_ribs, list_pieces
from mountgen.service.heat_check import can_carry
from mountgen.stiffness import (
    DOWN_G,
    GRAVITY,
    LEAST_FREQUENCY,
    PEAK_SHARE,
    SAG_SHARE,
    SUSTAINED_SHARE,
    Bending,
    find_frequency,
    find_load,
    find_passing_thickness,
)
from mountgen.verdict import Check, Verdict

MOST_RIBS, THICKEST = 20, 50.0  # that a recipe takes; mm
LEAST_SAG = 1e-9  # mm; no deck is stiffer, and a frequency needs some sag
STEP = 0.1  # mm, to which sizes in a remedy are rounded up
SAG_AT_LEAST_FREQUENCY = 1000.0 * GRAVITY / (2.0 * pi * LEAST_FREQUENCY) ** 2  # mm, the inverse of find_frequency


@dataclass(frozen=True)
class Burden:
    """What rests on the deck, and how warm it gets there.

    weight : N, at 1 g.  loaded: mm² on which the device rests.  temp_c: of the part when parked, °C.
    """

    weight: float
    loaded: float
    temp_c: float


@dataclass(frozen=True)
class Answer:
    """How one piece of a deck answers to the device.

    cold : at 1 g, 23 °C, short-term.  crept: at 1 g, parked in the heat, for long.  jolt: at the peak load factor, 23 °C.
    uses : how much of its limit is used: of sag, of stress at rest, of stress at a jolt, of sag for the least frequency.
    """

    piece: Piece
    cold: Bending
    crept: Bending
    jolt: Bending
    uses: Mapping[str, float]


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
    checks = tuple(_judge_answers(case, recipe, answers, burden))
    return Finding(checks=checks, facts=facts | {"pieces": [_list_facts(answer) for answer in answers]})


def find_distance(recipe: PhoneShelfRecipe) -> float:
    """Return the gap below a part up to which it bears, mm: clearance, and what settles."""
    return (recipe.fit.clearance if recipe.fit.floor is None else recipe.fit.floor) + SETTLES


def find_strength(material: Material) -> Quantity:
    """Return the strength that counts, MPa: across the layers, as it is not known how the part is printed.

    Raises:
        EnduranceError: it is not known.
    """
    if material.strength_z is None:
        what = f"no strength across the layers is known for {material.name}"
        raise EnduranceError(what, "material", "give strength_z in a sheet of your own, or take another")
    return material.strength_z


def answer_all(pieces: Sequence[Piece], burden: Burden, material: Material) -> tuple[Answer, ...]:
    """Bend all pieces of a deck made of a material.

    Raises:
        EnduranceError: the material's modulus, deflection temperature or strength is not known.
    """
    strength = find_strength(material).low
    short, long = find_modulus(material, ROOM_C), find_sustained_modulus(material, burden.temp_c)
    answers = []
    for piece in pieces:
        load = {"weight": burden.weight, "loaded": burden.loaded}
        cold = bend_piece(piece, modulus=short, **load)
        crept = bend_piece(piece, modulus=long, **load)
        jolt = bend_piece(piece, modulus=short, weight=DOWN_G * burden.weight, loaded=burden.loaded)
        uses = {
            "sag": crept.sag / (SAG_SHARE * piece.span),
            "rest": crept.stress / (SUSTAINED_SHARE * strength),
            "jolt": jolt.stress / (PEAK_SHARE * strength),
            "frequency": cold.sag / SAG_AT_LEAST_FREQUENCY,
        }
        answers.append(Answer(piece, cold, crept, jolt, uses))
    return tuple(answers)


def find_lowest(answer: Answer) -> float:
    """Return the lowest natural frequency of a piece of deck with the device on it, Hz; 0 where nothing carries it."""
    return find_frequency(max(answer.cold.sag, LEAST_SAG)) if isfinite(answer.cold.sag) else 0.0


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


def advise(
    case: Case,
    recipe: PhoneShelfRecipe,
    answer: Answer,
    answers: Sequence[Answer],
    burden: Burden,
    *,
    most_stress: float = inf,
) -> str:
    """Return what would make a piece of deck pass: sizes from the formulae, and a material.

    Args:
        case: the part and all materials.
        recipe: of the part.
        answer: of that piece.
        answers: of all pieces, for a material must do for them all.
        burden: on the deck.
        most_stress: MPa, of the stress at rest, where it must be less than its own limit; 0 where no size helps.
    """
    strength = find_strength(case.material).low
    if answer.piece.model == "not carried":
        if recipe.fit.reach != "full":
            return 'set fit.reach = "full", so that the part stands on the floor'
        return "scan the floor below the part too: nothing that was scanned carries it there"
    rest_limit = min(SUSTAINED_SHARE * strength, most_stress)
    options = []
    if answer.piece.origin is not None and isfinite(answer.crept.sag) and most_stress > 0.0:
        need = find_need(answer, rest_limit=rest_limit, peak_limit=PEAK_SHARE * strength)
        more = ceil((need - answer.piece.thickness) / STEP - 1e-9) * STEP
        ribs = _count_ribs(recipe, answer.piece.origin, burden, case.material, rest_limit)
        options = _advise_sizes(recipe, more, ribs)
    other = _choose_other(case, [each.piece for each in answers], burden)
    options += [f'set material = "{other}"'] if other else []
    return ", or ".join(options) or "give a lighter device: no size and no material of the table would do"


def find_need(answer: Answer, *, rest_limit: float, peak_limit: float) -> float:
    """Return the thickness at which a piece of deck keeps all limits, mm, at least its own.

    Args:
        answer: of the piece; its material has not gone soft.
        rest_limit, peak_limit: MPa, of the stress at rest and at a jolt.
    """
    thickness, jolt = answer.piece.thickness, answer.jolt
    return max(
        find_passing_thickness(
            answer.crept, thickness, sag_limit=SAG_SHARE * answer.piece.span, stress_limit=rest_limit
        ),
        find_passing_thickness(jolt, thickness, sag_limit=jolt.sag, stress_limit=peak_limit),
        find_passing_thickness(answer.cold, thickness, sag_limit=SAG_AT_LEAST_FREQUENCY, stress_limit=peak_limit),
    )


def _advise_sizes(recipe: PhoneShelfRecipe, more: float, ribs: int | None) -> list[str]:
    """Return the keys that make a deck thicker by `more` mm, or cut its span by ribs."""
    if recipe.body.wall is None:
        return [f"set deck.height = {recipe.deck.height + more:.4g}, which makes the deck that much thicker"]
    options = []
    if recipe.body.wall + more <= THICKEST:
        options.append(f"set body.wall = {recipe.body.wall + more:.4g}")
    if ribs is not None:
        options.append(f"set body.ribs = {ribs}")
    return options


def _count_ribs(
    recipe: PhoneShelfRecipe, span: Span, burden: Burden, material: Material, rest_limit: float
) -> int | None:
    """Return how many ribs a hollow body needs so that this span passes; None where ribs do not help."""
    if recipe.body.wall is None:
        return None
    rooms = recipe.body.ribs + 1  # that are there now, each of which the ribs cut into as many
    for parts in range(2, (MOST_RIBS + 1) // rooms + 1):
        piece = cut_by_ribs(span, ribs=parts - 1, rib=recipe.body.wall)
        if piece is None:
            return None
        (answer,) = answer_all([piece], burden, material)
        if max(answer.uses.values()) <= 1.0 and answer.crept.stress <= rest_limit:
            return rooms * parts - 1
    return None


def _choose_other(case: Case, pieces: Sequence[Piece], burden: Burden) -> str | None:
    """Return the material that just bears the heat and of which this deck would pass; None where none does."""
    known = [each for each in case.materials.values() if can_carry(each)]
    for ranked in reversed(rank_materials(known, burden.temp_c)):
        material = case.materials[ranked.material]
        if ranked.verdict != "pass" or (material.hdt_045 is None and material.hdt_180 is None):
            continue
        answers = answer_all(pieces, burden, material)
        stress = max(each.crept.stress for each in answers)
        bears = judge_softening(material, burden.temp_c, stress=stress).verdict == "pass" if isfinite(stress) else False
        if bears and all(max(each.uses.values()) <= 1.0 for each in answers):
            return ranked.material
    return None


def _judge_unknown(case: Case, lacks: Sequence[str], pieces: Sequence[Piece], burden: Burden) -> Check:
    """Say that a material's values do not tell whether it carries, and what would."""
    key, other = case.material.key, _choose_other(case, pieces, burden)
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
