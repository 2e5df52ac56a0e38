"""What to set so that a device goes in: lean, deck, pose and way round are tried, the fewest changes first."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import chain, islice, product
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.recipe_settings import tell_settings, with_settings

if TYPE_CHECKING:
    from mountgen.recipe import PhoneShelfRecipe, Recipe

LEANS = tuple(range(5, 80, 5))  # degrees that are tried when the recipe's own lean does not do
DECK_STEP = 2.0  # mm between the heights of the deck that are tried; twice that, and every other lean, where both may change
LEAN_WEIGHT = 0.5  # mm of deck height that a degree of lean counts as, where both may change
LEAST_SHARE = 0.7  # of a device's size that one named instead of it has; a smaller one is no advice
USUAL = ("device.place", "device.play", "deck.tilt", "lip.thickness")  # keys whose default takes least room
TRIED = 80  # other leans, decks and poses that are looked at where each takes a gauge


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
    return find_first(suits, recipe, chain(first, list_settings(recipe, top=top)))


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
        return tell_settings(change)
    others = chain([{}], list_settings(recipe, top=top))
    return find_first(suits, recipe, ({**change, **settings} for settings in others))


def find_first(
    suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, choices: Iterable[Mapping[str, Any]]
) -> str:
    """Return the first of several settings, values by key, with which a recipe suits, as a remedy says it; "" for none."""
    return next((tell_settings(each) for each in choices if suits(with_settings(recipe, each))), "")


def advise_thicker(
    suits: Callable[[PhoneShelfRecipe], bool] | None, recipe: Recipe, change: Mapping[str, Any], *, top: float
) -> str:
    """Return a change of sizes; where it makes a lip thicker, with what else must change for the device still to go in behind it.

    Args:
        suits: of a shelf, whether the device of a recipe goes in and is held; None where nobody can say.
        recipe: of any part.
        change: values by key, such as {"lip.thickness": 2.0}.
        top: height of the mouth, mm.
    """
    from mountgen.recipe import PhoneShelfRecipe

    if not isinstance(recipe, PhoneShelfRecipe) or "lip.thickness" not in change or suits is None:
        return tell_settings(change)
    advice = advise_change(suits, recipe, change, top=top) or advise_smaller(suits, recipe, change)
    thick = f"with lip.thickness = {change['lip.thickness']:g} the device goes in nowhere here"
    return advice or f"{thick}: set lip = false, or give it another recess"


def advise_tried(suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, *, top: float) -> str:
    """Return what makes a device suit, found by trying: another lean, deck or pose, else a smaller device; else what was tried.

    Args:
        suits: whether a recipe's device passes; slow, so it is not asked of all settings.
        recipe: the recipe whose device does not.
        top: height of the mouth, mm.
    """
    return find_first(suits, recipe, islice(list_settings(recipe, top=top), TRIED)) or advise_smaller(suits, recipe) or (
        f"none of {TRIED} other leans, decks and poses does, nor a device of {100 * LEAST_SHARE:.0f} % of its size: give it "
        'another recess, or make a tray (kind = "tray")'
    )


def advise_smaller(
    suits: Callable[[PhoneShelfRecipe], bool], recipe: PhoneShelfRecipe, change: Mapping[str, Any] | None = None
) -> str:
    """Return the largest device that suits, to a millimetre: shorter across, else along, else both; "" where none was found.

    Args:
        suits: whether the device of a recipe passes.
        recipe: the recipe whose device does not.
        change: what else is changed of it, values by key.
    """
    device = recipe.device
    across, along = ("length", "width") if device.orientation == "landscape" else ("width", "length")

    def shrink(keys: tuple[str, ...], percent: float) -> dict[str, Any]:
        sizes = {f"device.{key}": float(np.floor(getattr(device, key) * percent / 100.0)) for key in keys}
        return {**(change or {}), **sizes}

    def passes(settings: dict[str, Any]) -> bool:
        tried = with_settings(recipe, settings)
        sizes = tried.device
        return sizes.length >= sizes.width >= sizes.thickness and suits(tried)

    for keys in ((across,), (along,), ("length", "width")):
        low, high = 100.0 * LEAST_SHARE, 100.0
        if not passes(shrink(keys, low)):
            continue
        while high - low > 0.25:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if passes(shrink(keys, middle)) else (low, middle)
        return f"the largest device that would: {tell_settings(shrink(keys, low))}"
    return ""


def list_settings(recipe: PhoneShelfRecipe, *, top: float) -> Iterator[dict[str, Any]]:
    """Yield changes of a recipe by key, those of fewer keys first and of each kind the smallest first. top: of the mouth, mm.

    Before all others what the recipe asks beyond the usual: a device beside the middle, more play, a tilted deck, a thick lip.
    """
    yield from _list_usual(recipe)
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


def _list_usual(recipe: PhoneShelfRecipe) -> Iterator[dict[str, Any]]:
    """Yield the usual value of each key whose value takes more room than that."""
    tables: dict[str, Any] = {"device": recipe.device, "deck": recipe.deck, "lip": recipe.lip}
    for key in USUAL:
        table, name = key.split(".")
        if tables[table] is None:
            continue
        usual = type(tables[table]).model_fields[name].default
        if abs(getattr(tables[table], name)) > usual:
            yield {key: usual}
