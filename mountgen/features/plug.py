"""The plug: a blank that fills the recess up to the mouth or to a depth below it."""

from __future__ import annotations

from mountgen.datum import Recess
from mountgen.features.part import Part
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, tessellate
from mountgen.loft import Shell, make_block
from mountgen.recipe import PlugRecipe


def make_plug(shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: PlugRecipe) -> Part:
    """Make a plug. Arguments, result and errors as for `add_features`."""
    reach = None if recipe.fit.reach == "full" else recipe.fit.reach
    block = make_block(shell, space, below=recipe.plug.below, reach=reach)
    body = Body(solid=block.solid, mesh=tessellate(block.solid), faceted=block.faceted, notes=block.notes)
    return Part(body=body)
