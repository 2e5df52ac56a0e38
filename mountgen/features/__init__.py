"""Stage 6: features. Each kind of part has a module that puts its features together; each feature has a module of its own."""

from __future__ import annotations

from mountgen.datum import Recess
from mountgen.features.part import Part
from mountgen.field import InsertableSpace
from mountgen.loft import Shell
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe


def add_features(shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: Recipe) -> Part:
    """Make the part of a recipe from the largest insertable body.

    Args:
        shell: wall and floor fitted to the space; None where that failed.
        space: the insertable space: whatever is added stays inside it.
        recess: the scan in the part frame.
        recipe: the complete recipe.

    Returns:
        Part.

    Raises:
        FeatureError: a feature does not fit; says the largest size that would.
    """
    if isinstance(recipe, PlugRecipe):
        from mountgen.features.plug import make_plug

        return make_plug(shell, space, recess, recipe=recipe)
    if isinstance(recipe, PhoneShelfRecipe):
        from mountgen.features.phone_shelf import make_phone_shelf

        return make_phone_shelf(shell, space, recess, recipe=recipe)
    if isinstance(recipe, TrayRecipe):
        from mountgen.features.tray import make_tray

        return make_tray(shell, space, recess, recipe=recipe)
    raise TypeError(f"a recipe of no known kind: {type(recipe).__name__}")
