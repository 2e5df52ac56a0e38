"""How hot the part gets in its place, whether its material keeps its shape there, and how stiff it still is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Any

from mountgen.errors import EnduranceError
from mountgen.heat import (
    AMBIENT_C,
    COLDEST_AMBIENT,
    ROOM_C,
    Softening,
    find_modulus,
    find_place,
    find_sustained_modulus,
    judge_softening,
    rank_materials,
)
from mountgen.material import Material
from mountgen.parked import SUMMER, advise_cooler, find_service_temperature
from mountgen.recipe import PlugRecipe, Recipe
from mountgen.recipe_tables import ParkedPlace
from mountgen.service.case import Case, Finding
from mountgen.verdict import Check

NO_RATING = "deflection temperatures compare plastics and are no rating (scope of ISO 75-1:2020, read)"
HOT_AIR = 50.0  # °C; hotter air is so rare that a temperature in Fahrenheit is likelier
CURVE_POINTS = 25  # of the warm-up, from the first to the last hour


def judge_heat(case: Case) -> Finding:
    """Say how hot the part gets where it is parked, and whether its material bears that.

    Args:
        case: the part and its surroundings; recipe.place says where.

    Returns:
        Finding: softening, and sunlight where the sun reaches the part; with `case.pictures` a picture of the day.

    Raises:
        EnduranceError: the recipe's temperatures cannot be.
    """
    recipe, material = case.recipe, case.material
    temp = find_service_temperature(recipe.place)
    loaded = is_loaded(recipe)
    found = judge_softening(material, temp, loaded=loaded)
    better = choose_for_place(case.materials, recipe.place, loaded=loaded)
    checks = [_judge_softening(found, better, material, case.materials, recipe.place)]
    checks += [*_judge_sunlight(recipe.place, material, case.materials, temp, loaded=loaded)]
    checks += [*_judge_ambient(recipe.place.ambient)]
    files: dict[str, bytes] = {}
    if case.pictures:
        from mountgen.service.heat_picture import picture_day

        files["-heat.png"] = picture_day(recipe, material, found, better)
    facts = _list_facts(recipe.place, material, found, rank_materials(case.materials.values(), temp, loaded=loaded))
    return Finding(checks=tuple(checks), facts=facts, files=files)


def find_advised(case: Case) -> Material | None:
    """Return the material that is advised for the heat; None where the part's own passes, or none does."""
    temp, loaded = find_service_temperature(case.recipe.place), is_loaded(case.recipe)
    if judge_softening(case.material, temp, loaded=loaded).verdict == "pass":
        return None
    better = choose_for_place(case.materials, case.recipe.place, loaded=loaded)
    return None if better is None or better.material == case.material.key else case.materials[better.material]


def is_loaded(recipe: Recipe) -> bool:
    """Return whether something rests on the part for long: all but a plug on which nothing lies."""
    return not isinstance(recipe, PlugRecipe) or recipe.carries is not None


def can_carry(material: Material) -> bool:
    """Return whether a material's values say enough for a part that must fit and carry something."""
    return None not in (material.modulus, material.strength_z, material.shrinkage_pct)


def choose_material(
    materials: Mapping[str, Material], temp_c: float, *, loaded: bool, stress: float = 0.0
) -> Softening | None:
    """Return the material that just passes at a temperature, of those that can carry; None where none does."""
    known: Iterable[Material] = (each for each in materials.values() if can_carry(each))
    passing = [s for s in rank_materials(known, temp_c, loaded=loaded, stress=stress) if s.verdict == "pass"]
    return passing[-1] if passing else None


def choose_for_place(materials: Mapping[str, Material], place: ParkedPlace, *, loaded: bool) -> Softening | None:
    """Return the material that just passes in a place: where the sun shines on it one that bears that, if any does."""
    temp = find_service_temperature(place)
    if find_place(place.where).sunlit:
        bears = {key: each for key, each in materials.items() if each.sun.value != "poor"}
        if (found := choose_material(bears, temp, loaded=loaded)) is not None:
            return found
    return choose_material(materials, temp, loaded=loaded)


def _judge_softening(
    found: Softening, better: Softening | None, material: Material, materials: Mapping[str, Material], place: ParkedPlace
) -> Check:
    limit = found.pass_to_c if isfinite(found.pass_to_c) else None
    source = f"{found.why} ({found.source}; {found.tag}); the gap to it is our rule; {NO_RATING}"
    remedy = ""
    if found.verdict != "pass":
        advice = [_name_material(better, materials)]
        if limit is None:
            advice.insert(0, f"give hdt_045 of [{material.key}] in a sheet of your own (sheet)")
        cooler = "" if limit is None else advise_cooler(place, limit, coldest_c=COLDEST_AMBIENT if better is None else SUMMER)
        kept = "it still holds its shape, but with little in hand: " if found.verdict == "caution" else ""
        remedy = kept + ", or ".join(advice) + (f"; or, {cooler}" if cooler else "")
    return Check("heat of the parked vehicle", found.verdict, found.part_temp_c, limit, "°C", source, remedy)


def _name_material(better: Softening | None, materials: Mapping[str, Material]) -> str:
    if better is None:
        return "no material of the table passes there: keep the part out of that place in summer"
    warning = materials[better.material].remark.split(";")[0]
    remark = f" ({warning})" if warning else ""
    return f'set material = "{better.material}", which passes up to {better.pass_to_c:g} °C{remark}'


def _judge_sunlight(
    place: ParkedPlace, material: Material, materials: Mapping[str, Material], temp_c: float, *, loaded: bool
) -> Iterable[Check]:
    if not find_place(place.where).sunlit:
        return
    share = {"poor": 0.0, "fair": 1.0, "good": 2.0}
    remedy = ""
    if material.sun.value == "poor":
        bears = {key: each for key, each in materials.items() if share[each.sun.value] > 0.0}
        other = choose_material(bears, temp_c, loaded=loaded)
        remedy = "cover the part from the sun or paint it" + (
            f', or set material = "{other.material}"' if other else ": what bears both sun and heat is not in the table"
        )
    source = f"sun: {material.sun.source} ({material.sun.tag}); 0 poor, 1 fair, 2 good"
    yield Check(
        "bears sunlight", "caution" if remedy else "pass", share[material.sun.value], 1.0, "", source, remedy
    )


def _judge_ambient(ambient_c: float) -> Iterable[Check]:
    if ambient_c > HOT_AIR:
        remedy = f"if {ambient_c:g} °F is meant, set place.ambient = {(ambient_c - 32.0) / 1.8:.0f}"
        source = f"our rule: air above {HOT_AIR:g} °C is very rare; the usual value is {AMBIENT_C:g}, 45 in a hot region"
        yield Check("ambient temperature", "caution", ambient_c, HOT_AIR, "°C", source, remedy)


def _list_facts(
    place: ParkedPlace, material: Material, found: Softening, ranked: Iterable[Softening]
) -> dict[str, Any]:
    where = find_place(place.where)
    hours = [place.hours * k / (CURVE_POINTS - 1) for k in range(CURVE_POINTS)]
    return {
        "place": where.key,
        "place_in_words": where.words,
        "place_source": f"{where.source} ({where.tag})",
        "ambient_c": place.ambient,
        "part_c": found.part_temp_c,
        "time_constant_min": where.tau_min,
        "hours": hours,
        "warm_up_c": [find_service_temperature(place, hours=h) for h in hours],
        "material": material.key,
        "passes_to_c": found.pass_to_c,
        "caution_to_c": found.caution_to_c,
        "why": found.why,
        "modulus_cold_mpa": _modulus_or_none(material, ROOM_C, sustained=False),
        "modulus_hot_mpa": _modulus_or_none(material, found.part_temp_c, sustained=False),
        "modulus_hot_crept_mpa": _modulus_or_none(material, found.part_temp_c, sustained=True),
        "ranking": [
            {
                "material": each.material,
                "verdict": each.verdict,
                "passes_to_c": each.pass_to_c,
                "margin_k": each.margin_k,
                "why": each.why,
            }
            for each in ranked
        ],
    }


def _modulus_or_none(material: Material, temp_c: float, *, sustained: bool) -> float | None:
    try:
        return find_sustained_modulus(material, temp_c) if sustained else find_modulus(material, temp_c)
    except EnduranceError:
        return None  # the table has no modulus or no deflection temperature for it
