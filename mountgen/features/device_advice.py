"""What to set so that a device goes in: lean, deck, pose and way round are tried, the fewest changes first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import chain, product
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from mountgen.recipe import PhoneShelfRecipe

LEANS = tuple(range(5, 80, 5))  # degrees that are tried when the recipe's own lean does not do
DECK_STEP = 2.0  # mm between the heights of the deck that are tried; twice that, and every other lean, where both may change
LEAN_WEIGHT = 0.5  # mm of deck height that a degree of lean counts as, where both may change


def advise_settings(
    suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, *, top: float, lowest: float | None = None
) -> str:
    """Return settings with which a recipe's device finds a seat, such as "set deck.height = 10"; "" where none was found.

    Args:
        suits: whether the device of a recipe goes in and is held.
        recipe: the recipe whose device does not.
        top: height of the mouth, mm.
        lowest: height of the deck to try before any other, mm.
    """
    first = [] if lowest is None else [{"deck.height": lowest}]
    for settings in (*first, *list_settings(recipe, top=top)):
        if suits(with_settings(recipe, settings)):
            return _tell(settings)
    return ""


def advise_change(
    suits: Callable[[PhoneShelfRecipe], bool] | None, recipe: PhoneShelfRecipe, change: Mapping[str, Any], *, top: float
) -> str:
    """Return a change of a recipe with what else must change for its device still to go in; "" where nothing was found.

    Args:
        suits: whether the device of a recipe goes in and is held; None where nobody can say: then the change alone is returned.
        recipe: the recipe.
        change: values by key, such as {"device.play": 0.1}.
        top: height of the mouth, mm.
    """
    if suits is None:
        return _tell(change)
    for settings in chain([{}], list_settings(recipe, top=top)):
        wanted = {**change, **settings}
        if suits(with_settings(recipe, wanted)):
            return _tell(wanted)
    return ""


def list_settings(recipe: PhoneShelfRecipe, *, top: float) -> Iterator[dict[str, Any]]:
    """Yield changes of a recipe by key, those of fewer keys first and of each kind the smallest first. top: of the mouth, mm."""
    device, deck = recipe.device, recipe.deck.height
    lip = 0.0 if recipe.lip is None else recipe.lip.height
    leans = sorted(LEANS, key=lambda lean: abs(lean - device.lean))
    heights = np.arange(DECK_STEP, top - lip, DECK_STEP).tolist()
    both = sorted(
        product(heights[1::2], LEANS[::2]), key=lambda pair: abs(pair[0] - deck) + LEAN_WEIGHT * abs(pair[1] - device.lean)
    )  # fmt: skip
    heights.sort(key=lambda height: abs(height - deck))
    turned = {"device.orientation": "portrait" if device.orientation == "landscape" else "landscape"}
    for way in ({}, turned):
        leaning: dict[str, Any] = {} if device.pose == "leaning" else {"device.pose": "leaning"}
        lying: dict[str, Any] = {} if device.pose == "lying" else {"device.pose": "lying"}
        first, second = (leaning, lying) if device.pose == "leaning" else (lying, leaning)
        for pose in (first, second):
            if way or pose:
                yield {**way, **pose}
            if pose is leaning:
                yield from ({**way, **pose, "device.lean": lean} for lean in leans)
            yield from ({**way, **pose, "deck.height": height} for height in heights)
            if pose is leaning:
                yield from ({**way, **pose, "deck.height": height, "device.lean": lean} for height, lean in both)


def with_settings(recipe: PhoneShelfRecipe, settings: dict[str, Any]) -> PhoneShelfRecipe:
    """Return a recipe with other values of keys such as device.lean, whose tables it has."""
    values: dict[str, dict[str, Any]] = {}
    for key, value in settings.items():
        table, name = key.split(".")
        values.setdefault(table, {})[name] = value
    update = {table: getattr(recipe, table).model_copy(update=changed) for table, changed in values.items()}
    return recipe.model_copy(update=update)


def _tell(settings: Mapping[str, Any]) -> str:
    return "set " + " and ".join(f"{key} = {_write(value)}" for key, value in settings.items())


def _write(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
