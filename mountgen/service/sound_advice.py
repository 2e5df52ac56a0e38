"""What to do about a part that is not one whole body: what a recipe could leave out is tried, one thing after the other."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from mountgen.recipe import Recipe, TrayRecipe
from mountgen.recipe_settings import name_settings, tell_settings, with_settings
from mountgen.recipe_tables import BlockBody

FEATURES = ("drains", "cable", "tabs", "tape", "dividers", "pull_tab", "flange", "lip")  # tables that false takes out
NUDGE = 0.2  # mm by which another wall is tried
NUDGE_CLEARANCES = (0.03, 0.07)  # mm by which other clearances are tried: all faces then meet in another way


def advise_sound(recipe: Recipe, is_whole: Callable[[Recipe], bool]) -> str:
    """Return the first change of a recipe that makes its part one body without shut hollows; else what was tried.

    Args:
        recipe: of the part.
        is_whole: whether the part of another recipe can be made and is one closed body; slow.
    """
    tried = []
    for settings in list_changes(recipe):
        if is_whole(with_settings(recipe, settings)):
            return f"{tell_settings(settings)}, which was tried and is whole"
        tried.append(name_settings(settings))
    return (
        f"neither what the recipe could leave out nor another gap makes it whole (tried: {', '.join(tried)}): scan the recess "
        "again, closer or from more sides, for its faces then meet in another way"
    )


def list_changes(recipe: Recipe) -> Iterator[dict[str, Any]]:
    """Yield what may make a part whole, values by key: another opening or wall of a hollow body, a feature left out, another gap.

    A tray has no opening to choose, and no part that is solid has a wall.
    """
    wall = recipe.body.wall
    if isinstance(recipe.body, BlockBody) and wall is not None:
        yield {"body.open": "back" if recipe.body.open == "underneath" else "underneath"}
        ribs = {"body.ribs": 0} if recipe.body.ribs else {}
        yield {"body.wall": False, **ribs}
    elif isinstance(recipe, TrayRecipe) and wall is not None:
        yield {"body.wall": round(wall + NUDGE, 3)}
    for name in FEATURES:
        if getattr(recipe, name, None) is not None:
            yield {name: False}
    for nudge in NUDGE_CLEARANCES:  # last, for the space is built anew for each
        yield {"fit.clearance": round(recipe.fit.clearance + nudge, 3)}
