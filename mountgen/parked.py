"""How hot a recipe's part gets where it is parked: its [place] in the terms of `heat`. A leaf."""

from __future__ import annotations

from typing import TYPE_CHECKING

from mountgen.heat import find_part_temperature, find_place

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
