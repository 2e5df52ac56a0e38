"""Other values of a recipe's keys, as remedies try them and name them. A leaf."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from mountgen.recipe import Recipe

AnyRecipe = TypeVar("AnyRecipe", bound="Recipe")


def with_settings(recipe: AnyRecipe, settings: Mapping[str, Any]) -> AnyRecipe:
    """Return a recipe with other values, unchecked, by key such as device.lean; False takes a key's value or a table out."""
    update: dict[str, Any] = {}
    for key, value in settings.items():
        table, _, name = key.partition(".")
        value = None if value is False else value
        update[table] = update.get(table, getattr(recipe, table)).model_copy(update={name: value}) if name else value
    return recipe.model_copy(update=update)


def tell_settings(settings: Mapping[str, Any]) -> str:
    """Return values by key as a remedy says them: "set deck.height = 10 and device.lean = 30"."""
    return f"set {name_settings(settings)}"


def name_settings(settings: Mapping[str, Any]) -> str:
    """Return values by key in a recipe's own words: "deck.height = 10 and lip = false"."""
    return " and ".join(f"{key} = {_write(value)}" for key, value in settings.items())


def _write(value: Any) -> str:
    return "false" if value is False else f'"{value}"' if isinstance(value, str) else f"{value:g}"
