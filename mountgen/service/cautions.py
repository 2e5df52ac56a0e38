"""The usual cautions that apply to a part, in plain words. None of them is a verdict, and nothing here promises anything.

No part made here has been tested or approved for anything; what local law and licensed people say comes first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from mountgen.recipe import PhoneShelfRecipe, Recipe, TrayRecipe
from mountgen.service.case import Finding


@dataclass(frozen=True)
class Caution:
    """topic: one or two words; brief: one sentence for the terminal; more: what else there is to say, for the report."""

    topic: str
    brief: str
    more: str = ""


def list_cautions(recipe: Recipe, found: Mapping[str, Finding]) -> tuple[Caution, ...]:
    """Return the cautions that apply to a part.

    Args:
        recipe: what was made.
        found: what the judges found, by question.
    """
    carries = isinstance(recipe, PhoneShelfRecipe | TrayRecipe) or getattr(recipe, "carries", None) is not None
    cautions = [_AIRBAG, _LOOSE if carries else _HELD]
    if isinstance(recipe, PhoneShelfRecipe):
        cautions += [_LAW, _CHARGE]
    if not recipe.place.sight_checked:
        cautions.append(_SIGHT)
    if _calls_for_care(found, "heat"):
        cautions.append(_HEAT)
    if _calls_for_care(found, "edges"):
        cautions.append(_EDGES)
    return (*cautions, _BURNING, _APPROVAL)


def _calls_for_care(found: Mapping[str, Finding], question: str) -> bool:
    """Return whether a judge found something that is no pass, or was not asked."""
    return question not in found or any(check.verdict != "pass" for check in found[question].checks)


_AIRBAG = Caution(
    "airbags",
    "keep part, device and cable off every airbag's cover and seam, and out of the way in which it opens",
    "An airbag opens in a few hundredths of a second and throws what lies on its cover at whoever sits behind it. The whole "
    "panel may be its door, not just where the label is. The owner's manual says where airbags are; a licensed workshop knows.",
)
_LOOSE = Caution(
    "loose objects",
    "nothing here is made or tested to hold heavy objects in a crash or when braking hard: they may fly loose",
    "The loads that were checked are those of driving: bumps, braking and bends. Put what is heavy or hard into a closed "
    "compartment.",
)
_HELD = Caution(
    "loose part",
    "the part itself may come loose in a crash: nothing here is made or tested to hold it then",
    "The loads that were checked are those of driving: bumps, braking and bends.",
)
_LAW = Caution(
    "driving",
    "using a handset while driving is forbidden or limited nearly everywhere: set it before you drive off",
    "Where a device may stand, and what a driver may do with it, is decided by the law where you drive, which differs by country "
    "and state and changes.",
)
_CHARGE = Caution(
    "charging",
    "a handset that is charged in a hot recess gets hotter still: take it out when you park",
    "Batteries age fast in heat and may be damaged. Do not charge under cloth or foam, and leave air around the device.",
)
_SIGHT = Caution(
    "sight",
    "see from the driver's seat that neither part nor device hides road, mirrors, dials or warning lights",
    "Nor may it get between hand and hazard switch, lever or wheel, in any position of steering column and seat.",
)
_HEAT = Caution(
    "heat",
    "a vehicle parked in the sun gets hotter than most plastics bear: look at the part after hot days",
    "Temperatures are estimates from published measurements in other vehicles; deflection temperatures compare plastics and are "
    "no rating.",
)
_EDGES = Caution(
    "edges",
    "an edge that a knee or head can reach should be round: sand what the print leaves sharp",
    "The radii are those of rules for makers of vehicles, taken as a yardstick. Look at seams, blobs and support marks too.",
)
_BURNING = Caution(
    "burning",
    "not tested: plain printed plastics burn, and rules for vehicle interiors limit how fast",
    "FMVSS 302 (49 CFR 571.302, read) allows 102 mm a minute in new vehicles, and ISO 3795 measures the same. No printed part is "
    "known to pass by its plastic's name alone. Keep it away from heaters, lighters and wiring that gets warm.",
)
_APPROVAL = Caution(
    "approval",
    "none: it screens by stated limits and tests nothing; local law and licensed workshops have the last word",
    "Those who make, sell or repair vehicles for others have duties of their own, which a private owner's part does not meet.",
)
