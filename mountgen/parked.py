"""How hot a recipe's part gets where it is parked: its [place] in the terms of `heat`. A leaf."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING

from mountgen.heat import COLDEST_AMBIENT, PLACES, find_part_temperature, find_place

if TYPE_CHECKING:
    from mountgen.recipe import ParkedPlace


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


def advise_cooler(place: ParkedPlace, limit_c: float) -> str:
    """Return what of a recipe's [place] must be otherwise for a part there to stay within a limit, computed place by place.

    Args:
        place: of the recipe; the part gets hotter there than the limit.
        limit_c: °C.

    Returns:
        str: the kind of place that passes and is nearest to its own, and the hottest air outside, in whole degrees; "" where
        neither can be.
    """
    others = {key: find_service_temperature(place.model_copy(update={"where": key})) for key in PLACES if key != place.where}
    passing = [key for key, temp_c in others.items() if temp_c <= limit_c]
    advice = []
    if passing:
        nearest = max(passing, key=others.__getitem__)
        advice.append(f'set place.where = "{nearest}" ({PLACES[nearest].words}, {others[nearest]:.0f} °C)')
    # in every kind of place the part is as much warmer as the air outside is
    ambient = floor(place.ambient - (find_service_temperature(place) - limit_c) + 1e-6)
    if ambient >= COLDEST_AMBIENT:
        advice.append(f"set place.ambient = {ambient}, the hottest air outside that passes")
    return f"if it stays cooler there, {', or '.join(advice)}" if advice else ""
