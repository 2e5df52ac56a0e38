"""What to do about a wall that came out too thin, in the recipe's own keys."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import ceil
from typing import Any

from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe
from mountgen.recipe_settings import tell_settings, with_settings
from mountgen.recipe_tables import BlockBody

TABLES = ("body", "lip", "tabs", "flange", "dividers", "pull_tab")  # that give a thickness
RUNS_OUT = 0.5  # of body.wall; what comes out thinner still is no leaning wall: a thicker one ends in the same edge
DECKS = (0.0, 1.0, 2.5)  # mm more than is lacking by which a deck is raised, tried in order
FACE = 1.5  # mm from a plug's face, within which a thin edge is that of a rounded mouth
DEEPER = (2.0, 4.0)  # mm by which its face is moved into the recess, tried in order
SIZES = {"body": "wall"}  # key of a table's thickness where it is not "thickness"


def advise_wall(
    recipe: Recipe,
    *,
    thickness: float,
    enough: float,
    at_tab: bool = False,
    fits: Callable[[Mapping[str, Any]], str] = tell_settings,
    move_face: Callable[[float], str | None] = lambda lack: None,
) -> str:
    """Return what makes a part nowhere thinner than it has to be.

    Args:
        recipe: of the part.
        thickness: the least that was found, mm.
        enough: what it has to be, mm.
        at_tab: whether it was found beside a retaining tab.
        fits: returns a change of sizes with what else must change for a device still to go in.
        move_face: of what is lacking, mm, to another upper face that was tried, as `advise_deck` and `advise_below`; slow.

    Returns:
        str: every size of the recipe that is less, with what it must be; else that a tab's slots did it; else the wall raised
        by what is lacking, if it lacks no more than half; else what of a hollow body may be tried, or another upper face, or that
        nothing of the recipe decides it.
    """
    given = {}
    for name in TABLES:
        table, key = getattr(recipe, name, None), SIZES.get(name, "thickness")
        if table is not None and getattr(table, key) is not None:
            given[f"{name}.{key}"] = float(getattr(table, key))
    thin = [key for key, size in given.items() if size < enough]
    if thin:
        short = max(min(given[key] for key in thin) - thickness, 0.0)  # what a leaning wall comes out thinner by
        wanted = ceil(10.0 * (enough + short) - 1e-6) / 10.0
        return fits(dict.fromkeys(thin, wanted))
    if at_tab:
        return (
            "the slots beside a retaining tab leave an edge there: try another tabs.hook or tabs.width, or let tape hold it "
            f"([tape]) and {fits({'tabs.count': 0})}"
        )
    wall, reach = given.get("body.wall"), recipe.fit.reach
    if reach != "full" and reach < 2.0 * enough:
        return f"the part is thin all over: set fit.reach = {ceil(10.0 * (reach + enough - thickness)) / 10.0:g}"
    if wall is not None and thickness >= RUNS_OUT * wall:
        more = ceil(10.0 * (wall + enough - thickness)) / 10.0
        return f"it comes out thinner than body.wall there: set body.wall = {more:g}"
    if wall is not None and isinstance(recipe.body, BlockBody):
        other = "back" if recipe.body.open == "underneath" else "underneath"
        return (
            f'between the inside and what stands in the recess a fin is left there: try body.open = "{other}", another '
            "body.wall, or a solid body (body.wall = false); no other key of the recipe makes it thicker"
        )
    return move_face(enough - thickness) or (
        "the room in the recess runs out in an edge there, which no key of the recipe makes thicker; less than two lines is not "
        "printed"
    )


def is_solid(recipe: Recipe) -> bool:
    """Return whether a recipe asks for nothing that has a thickness: a plug without a wall and a flange."""
    return isinstance(recipe, PlugRecipe) and recipe.body.wall is None and recipe.flange is None


def advise_deck(recipe: Recipe, lack: float, *, passes: Callable[[Recipe], bool]) -> str | None:
    """Return a higher deck with which a shelf is thick enough below it and beside a cable's groove; None where none was found.

    Args:
        recipe: of any part.
        lack: what the wall lacks, mm.
        passes: whether the part of another recipe can be made and is thick enough; slow.
    """
    if not isinstance(recipe, PhoneShelfRecipe):
        return None
    for more in DECKS:
        settings = {"deck.height": ceil(10.0 * (recipe.deck.height + lack + more)) / 10.0}
        if passes(with_settings(recipe, settings)):
            return f"the body under the deck runs out there: {tell_settings(settings)}, which was tried"
    return None


def advise_below(recipe: Recipe, depth: float, *, passes: Callable[[Recipe], bool]) -> str | None:
    """Return how far below the mouth a plug's face does not run out in the edge of a rounded mouth; None where none was found.

    Args:
        recipe: of any part.
        depth: how far below the mouth's surface the thin place lies, mm.
        passes: as for `advise_deck`.
    """
    if not isinstance(recipe, PlugRecipe) or recipe.flange is not None or depth > recipe.plug.below + FACE:
        return None
    for more in DEEPER:
        settings = {"plug.below": recipe.plug.below + more}
        if passes(with_settings(recipe, settings)):
            return f"the mouth is rounded there, so that the face runs out in an edge: {tell_settings(settings)}, which was tried"
    return None
