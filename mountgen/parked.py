"""How hot a recipe's part gets where it is parked: its [place] in the terms of `heat`. A leaf."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

from mountgen.heat import COLDEST_AMBIENT, PLACES, find_part_temperature, find_place

if TYPE_CHECKING:
    from mountgen.recipe_tables import ParkedPlace


SUMMER = 15.0  # °C outside; that no day is hotter is no advice where another place would do (our rule)


def find_service_temperature(place: ParkedPlace, *, hours: float | None = None) -> float:
    """Return how hot a part gets in a recipe's place, °C.

    Args:
        place: of the recipe.
        hours: time parked, other than the recipe's.

    Returns:
        °C.

    Raises:
        EnduranceError: the outside air or the time cannot be.
    """
    return find_part_temperature(
        find_place(place.where),
        ambient_c=place.ambient,
        hours=place.hours if hours is None else hours,
        light_body=place.vehicle == "light",
        cloudy=place.sky == "cloudy",
    )


def find_cooler(place: ParkedPlace, limit_c: float) -> ParkedPlace | None:
    """Return the [place] of another kind, all else the same, in which a part gets hottest within a limit, °C; None for none."""
    others = [place.model_copy(update={"where": key}) for key in PLACES if key != place.where]
    passing = [other for other in others if find_service_temperature(other) <= limit_c]
    return max(passing, key=find_service_temperature, default=None)


def advise_cooler(place: ParkedPlace, limit_c: float, *, coldest_c: float = COLDEST_AMBIENT) -> str:
    """Return what of a recipe's [place] must be otherwise for a part there to stay within a limit, computed place by place.

    Args:
        place: of the recipe; the part gets hotter there than the limit.
        limit_c: °C.
        coldest_c: the coldest air outside that is worth naming where no kind of place passes, °C; else SUMMER.

    Returns:
        str: the kind of place that passes and is nearest to its own, and the hottest air outside that does, in whole degrees; ""
        where neither can be.
    """
    cooler, advice = find_cooler(place, limit_c), []
    if cooler is not None:
        temp_c = find_service_temperature(cooler)
        advice.append(f'set place.where = "{cooler.where}" ({temp_c:.0f} °C)')
    # in every kind of place the part is as much warmer as the air outside is
    ambient = floor(place.ambient - (find_service_temperature(place) - limit_c) + 1e-6)
    if ambient >= (coldest_c if cooler is None else SUMMER):
        advice.append(f"set place.ambient = {ambient} or less")
    return f"if cooler there, {', or '.join(advice)}" if advice else ""
