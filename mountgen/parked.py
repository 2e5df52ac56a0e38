"""How hot a recipe's part gets where it is parked: its [place] in the terms of `heat`. A leaf."""

from __future__ import annotations

from math import floor
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


def tell_cooler(temp_c: float, limit_c: float, ambient_c: float) -> str:
    """Return up to which outside air, rounded down to a degree, a part that gets `temp_c` warm stays within a limit, in words.

    In every kind of place the part is as much warmer as the air outside is.
    """
    return f"up to {floor(ambient_c - (temp_c - limit_c) + 1e-6)} °C outside passes"
