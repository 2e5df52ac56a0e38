"""What the driver sees past it, what its cable needs, and how warm it gets where a device is charged."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats
from mountgen.clearance import find_hottest
from mountgen.features.device_advice import advise_thicker
from mountgen.parked import advise_cooler
from mountgen.place import describe_place
from mountgen.recipe import PhoneShelfRecipe, Recipe, TrayRecipe
from mountgen.recipe_tables import ParkedPlace
from mountgen.service.case import Case, Finding
from mountgen.verdict import Check, Verdict

RISE = 10.0  # mm above the rim's upper edge that hide no more than the panel itself does
PLUG = 12.5  # mm; a plug of the usual small kind with its grip passes this
SLIM = "0.5 mm of play (our rule) about grips of 12 mm, the room that a guide to enclosures keeps free for small plugs (read)"
CABLE = 1.0  # mm, least radius of an edge over which a cable may bend for good
CHARGING_C = 45.0  # °C; hotter handsets stop charging


def judge_surroundings(case: Case) -> Finding:
    """Say whether part or device may hide something, whether the cable passes unhurt, and whether charging will work.

    Args:
        case: the part and its surroundings.

    Returns:
        Finding: sight; for a shelf also the cable and charging.
    """
    recipe = case.recipe
    rise, place = measure_rise(case)
    checks = [_judge_sight(rise, place, recipe)]
    facts: dict[str, float] = {"rise_above_rim": rise}
    if isinstance(recipe, PhoneShelfRecipe):
        handset = find_hottest(recipe)
        facts["handset_c"] = handset
        if recipe.cable is not None:
            checks += [*_judge_cable(case, recipe), _judge_charging(handset, recipe.place)]
    return Finding(checks=tuple(checks), facts=facts)


def measure_rise(case: Case) -> tuple[float, str]:
    """Return how far part or device stands above the rim's highest point along the vehicle's up, mm, and where."""
    points: list[Floats] = [np.asarray(case.part.body.mesh.vertices)]
    if case.part.device is not None:
        points.append(np.asarray(case.part.device.mesh.vertices))
    all_points = np.vstack(points)
    along = all_points @ case.recess.up
    top = int(np.argmax(along))
    return float(along[top] - (case.recess.rim @ case.recess.up).max()), describe_place(all_points[top].tolist())


def _judge_sight(rise: float, place: str, recipe: Recipe) -> Check:
    source = "our rule: what rises less than 10 mm above the rim hides no more than the panel does; traffic law decides"
    verdict: Verdict = "pass" if rise <= RISE or recipe.place.sight_checked else "caution"
    remedy = "" if verdict == "pass" else (
        f"{_advise_rise(recipe, rise)}sit in the driver's seat: if it hides neither road, mirrors nor dials, "
        "set place.sight_checked = true"
    )  # fmt: skip
    return Check("rise into the driver's view", verdict, rise, RISE, "mm", source, remedy, place if remedy else "")


def _advise_rise(recipe: Recipe, rise: float) -> str:
    if isinstance(recipe, TrayRecipe) and recipe.pull_tab is not None and recipe.pull_tab.length > rise - RISE:
        return f"set pull_tab.length = {int(10.0 * (recipe.pull_tab.length - rise + RISE)) / 10.0:g}, or "
    return ""


def _judge_cable(case: Case, recipe: PhoneShelfRecipe) -> list[Check]:
    cable = recipe.cable
    assert cable is not None
    room = cable.width
    passes: Verdict = "pass" if room >= PLUG else "caution"
    radius = recipe.body.edge_radius
    bends: Verdict = "pass" if radius >= CABLE else "caution"
    return [
        Check(
            "plug passes the cable slot", passes, room, PLUG, "mm", SLIM,
            "" if passes == "pass" else f"set cable.width = {PLUG:g}, or measure your plug: it may be slimmer",
        ),
        Check(
            "edge under the cable", bends, radius, CABLE, "mm",
            "our rule: a cable that is pinched or bent over a sharp edge breaks inside",
            "" if bends == "pass" else _advise_edge(case, recipe),
        ),
    ]  # fmt: skip


def _advise_edge(case: Case, recipe: PhoneShelfRecipe) -> str:
    """Return the rounding that is enough, and a lip with room for it behind which the device still goes in."""
    change = {"body.edge_radius": CABLE}
    if recipe.lip is not None and recipe.lip.thickness < 2.0 * CABLE:
        change["lip.thickness"] = 2.0 * CABLE
    top = case.recess.mouth_height
    return f"{advise_thicker(case.part.suits, recipe, change, top=top)}, or round the edge of the slot with a file"


def _judge_charging(cabin: float, place: ParkedPlace) -> Check:
    verdict: Verdict = "pass" if cabin <= CHARGING_C else "caution"
    source = "a page on handsets (read): they charge between 5 and 45 °C, and stop by themselves when hotter"
    remedy = "" if verdict == "pass" else (
        "take the handset out of the parked vehicle, and charge it only once the cabin has cooled; or, "
        f"{advise_cooler(place, CHARGING_C)}"
    )  # fmt: skip
    return Check("heat near the handset when parked", verdict, cabin, CHARGING_C, "°C", source, remedy)
