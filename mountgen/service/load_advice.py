"""What would make a deck pass: thicker, cut by ribs, of another plastic. Sizes come from the formulae that judge it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, floor, inf, isfinite

import numpy as np

from mountgen.arrays import Floats
from mountgen.heat import HIGH_STRESS, judge_softening, rank_materials
from mountgen.material import Material
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_tables import MOST_RIBS, BlockBody
from mountgen.service.bearing import Span, level_axes
from mountgen.service.case import Case
from mountgen.service.deck import Piece, cut_by_ribs
from mountgen.service.heat_check import can_carry
from mountgen.service.load_answer import Answer, Burden, answer_all, find_need, name_across
from mountgen.service.print_check import word_direction
from mountgen.stiffness import PEAK_SHARE, SUSTAINED_SHARE

THICKEST = 50.0  # mm; that a recipe takes
SEEN = 0.5  # of the cells below a deck, from which the floor counts as scanned: then another scan would change nothing
HIGH_END = 95.0  # per cent of its cells stand no higher above the floor: single ones look past an edge
STEP = 0.1  # mm, to which sizes in a remedy are rounded up


def round_up(size: float) -> float:
    """Return a size, mm, rounded up to the step of a remedy."""
    return round(ceil(size / STEP - 1e-9) * STEP, 6)


def advise(
    case: Case,
    recipe: Recipe,
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
    strength = answer.strength.low
    rest_limit = min(SUSTAINED_SHARE * strength, most_stress)
    options = _advise_way(case, answers, burden) if most_stress == inf else []
    if answer.piece.origin is not None and isfinite(answer.crept.sag) and most_stress > 0.0:
        need = find_need(answer, rest_limit=rest_limit, peak_limit=PEAK_SHARE * strength)
        more = round_up(need - answer.piece.thickness)
        ribs = _count_ribs(recipe, answer.piece.origin, burden, case.material, rest_limit)
        options += _advise_sizes(recipe, more, ribs)
    other = choose_other(case, [each.piece for each in answers], burden)
    options += [f'set material = "{other}"'] if other else []
    if not options:
        options = [*_advise_both(case, recipe, answer, answers, burden), *_advise_mass(recipe, answers, most_stress)]
    return ", or ".join(options) or "nothing that a recipe says would do: take a cooler place, or carry less"


def advise_loose(case: Case, gap: Floats) -> str:
    """Return what would carry a deck that nothing carries.

    Args:
        case: the part.
        gap: (N,) mm from the deck's underside straight down to the scan, cell by cell; inf where nothing was scanned below.
    """
    recipe, seen = case.recipe, np.isfinite(gap)
    if recipe.fit.reach != "full":
        return 'set fit.reach = "full", so that the part stands on the floor'
    if np.count_nonzero(seen) < SEEN * len(gap):
        return "scan the floor below the part too: nothing that was scanned carries it there"
    stands = round_up(float(np.percentile(gap[seen], HIGH_END)))
    facets = ", for facets stand off the floor" if case.part.body.faceted else ""
    other = ", or set carries = false" if isinstance(recipe, PlugRecipe | TrayRecipe) else ""
    return f"nothing that was scanned carries it{facets}: fill the up to {stands:g} mm between it and the floor with foam{other}"


def _advise_mass(recipe: Recipe, answers: Sequence[Answer], most_stress: float) -> list[str]:
    """Return the key that makes the load so light that all passes: sag and stress go with it; none where nothing is stiff."""
    most = max(max(answer.uses.values()) for answer in answers)
    stress = max(answer.crept.stress for answer in answers)
    if 0.0 < most_stress < inf:
        most = max(most, stress / most_stress)
    if not isfinite(most) or most_stress == 0.0:
        return []
    key, mass = _name_mass(recipe)
    lighter = floor(1000.0 * 0.99 * mass / most) / 1000.0
    return [f"set {key} = {lighter:g}"] if lighter > 0.0 else []


def _advise_both(case: Case, recipe: Recipe, answer: Answer, answers: Sequence[Answer], burden: Burden) -> list[str]:
    """Return the material that bears the heat with the least margin, and the thickness at which this piece passes in it."""
    if answer.piece.origin is None:
        return []
    known = [each for each in case.materials.values() if can_carry(each)]
    for ranked in reversed(rank_materials(known, burden.temp_c)):
        material = case.materials[ranked.material]
        if ranked.verdict != "pass" or (material.hdt_045 is None and material.hdt_180 is None):
            continue
        found = answer_all([each.piece for each in answers], burden, material)
        mine = found[list(answers).index(answer)]
        cool = judge_softening(material, burden.temp_c, stress=2.0 * HIGH_STRESS).verdict == "pass"
        rest = min(SUSTAINED_SHARE * mine.strength.low, inf if cool else HIGH_STRESS)
        if not isfinite(mine.crept.sag):
            continue
        more = round_up(find_need(mine, rest_limit=rest, peak_limit=PEAK_SHARE * mine.strength.low) - mine.piece.thickness)
        sizes = _advise_sizes(recipe, more, None)
        if sizes:
            return [f'set material = "{ranked.material}" and {sizes[0].removeprefix("set ")}']
    return []


def _name_mass(recipe: Recipe) -> tuple[str, float]:
    """Return the key of what a part carries, and its mass, kg."""
    if isinstance(recipe, PhoneShelfRecipe):
        return "device.mass", recipe.device.mass
    carries = getattr(recipe, "carries", None)
    return "carries.mass", 0.0 if carries is None else carries.mass


def _advise_way(case: Case, answers: Sequence[Answer], burden: Burden) -> list[str]:
    """Return the key that turns the layers so that all passes where it is pulled across them now; none where that does not do."""
    if not any(answer.across and answer.piece.origin is not None for answer in answers):
        return []
    axes = level_axes(case.recess.up)
    for each in case.orient(any_way=True):
        if each.pose.spare < 0.0 or not isfinite(each.lean):
            continue
        turned = replace(burden, across=name_across(axes, each.up))
        if turned.across == burden.across:
            continue
        found = answer_all([answer.piece for answer in answers], turned, case.material)
        if all(max(answer.uses.values()) <= 1.0 for answer in found):
            return [f"set printer.layers_along = {word_direction(each.up)}"]
    return []


def _advise_sizes(recipe: Recipe, more: float, ribs: int | None) -> list[str]:
    """Return the keys that make a deck thicker by `more` mm, or cut its span by ribs."""
    if recipe.body.wall is None and not isinstance(recipe, PhoneShelfRecipe):
        return ['set fit.reach = "full", so that it stands on the floor'] if recipe.fit.reach != "full" else []
    if recipe.body.wall is None:
        assert isinstance(recipe, PhoneShelfRecipe)
        return [f"set deck.height = {recipe.deck.height + more:.4g}, which makes the deck that much thicker"]
    options = []
    if recipe.body.wall + more <= THICKEST:
        options.append(f"set body.wall = {recipe.body.wall + more:.4g}")
    if ribs is not None:
        options.append(f"set body.ribs = {ribs}")
    return options


def _count_ribs(
    recipe: Recipe, span: Span, burden: Burden, material: Material, rest_limit: float
) -> int | None:
    """Return how many ribs a hollow body needs so that this span passes; None where ribs do not help."""
    if recipe.body.wall is None or not isinstance(recipe.body, BlockBody):
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


def choose_other(case: Case, pieces: Sequence[Piece], burden: Burden) -> str | None:
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
