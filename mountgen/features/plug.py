"""The plug: a blank that fills the recess up to the mouth or to a depth below it, or closes it with a flange."""

from __future__ import annotations

from functools import partial
from math import floor

import numpy as np

from mountgen.block import Block, lid_surface, make_block
from mountgen.crossing import meet_field
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError, KernelError
from mountgen.facet import find_unused
from mountgen.features.assemble import make_body
from mountgen.features.flange import flange_of
from mountgen.features.hollow import hollow_out
from mountgen.features.part import Part
from mountgen.features.rounding import on_field, round_as_far
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, solid_volume, tessellate
from mountgen.loft import Shell
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PlugRecipe
from mountgen.roll import roll_ball
from mountgen.shape import require_one_solid
from mountgen.tubes import Rounding, end_heights
from mountgen.verdict import Check, Verdict

MERIDIANS = 2000  # on which it is asked whether a rounding ends above the floor
LEAST = 2.0  # mm that a plug's face stays above where it ends
FILLS = 0.5, 1.05  # of the room below its face; a body of less or more is not in that room
UNUSED = 1.5  # %; on shapes whose largest body is known, fitted faces leave less (our rule)


def make_plug(shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: PlugRecipe) -> Part:
    """Make a plug. Arguments, result and errors as for `add_features`."""
    reach = None if recipe.fit.reach == "full" else recipe.fit.reach
    below, shape = recipe.plug.below, recipe.body
    border = flange_of(recess, space, recipe)
    if border is None:
        _require_room(space, below, reach)
        block = make_block(shell, space, below=below, reach=reach, radius=shape.edge_radius)
        _require_filled(block, space, below, reach)
    else:
        block = make_body(shell, space, reach=reach, border=border)
    solid, notes = block.solid, block.notes
    if border is None and not block.faceted:
        upper = on_field(lambda x, y: lid_height(space.lid, x, y) - below)
        solid, reached = round_as_far(solid, upper, radius=shape.edge_radius)
        if block.rounding is not None:
            reached = min(reached, block.rounding.least)
        if reached < shape.edge_radius:
            made = f"is rounded by {reached:.2g} mm" if reached > 0.0 else "stays sharp"
            notes = (*notes, f"the upper edge has no room for body.edge_radius = {shape.edge_radius:g}: in places it {made}")
    if shape.wall is not None:
        solid = hollow_out(solid, space, shell, up=recess.up, wall=shape.wall, ribs=shape.ribs, opening=shape.open, below=below)
    solid = require_one_solid(solid, what="plug", remedy="leave the flange or the hollow out")
    body = Body(solid=solid, mesh=tessellate(solid), faceted=block.faceted, notes=notes)
    checks = (_judge_unused(block, body, space, below=below, reach=reach),) if border is None else ()
    return Part(body=body, checks=checks, rounds=partial(_rolls, None if block.faceted else shell, space, recess))


def _rolls(shell: Shell | None, space: InsertableSpace, recess: Recess, recipe: PlugRecipe) -> bool:
    """Return whether a ball of a recipe's rounding rolls along all of the upper edge, or of its flange's; on facets none does."""
    try:
        border = flange_of(recess, space, recipe)
        if border is not None:
            rim = border.find_brow()
            return isinstance(rim, Rounding) and rim.least >= border.edge_radius()
        if shell is None:
            return False
        lid = lid_surface(space, shell.floor, -recipe.plug.below)
        foot, brow = meet_field(shell.wall, shell.floor), meet_field(shell.wall, lid)
        rounding = roll_ball(shell.wall, brow, radius=recipe.body.edge_radius)
    except (FeatureError, KernelError):
        return False
    at = np.linspace(0.0, 1.0, MERIDIANS)
    return bool((end_heights(rounding.low, at) > end_heights(foot, at)).all())


def _require_room(space: InsertableSpace, below: float, reach: float | None) -> None:
    """Refuse a face that lies no higher than where the plug ends.

    Raises:
        FeatureError: it does; with how deep it may lie.
    """
    down = float((lid_height(space.lid, *np.meshgrid(space.x, space.y, sparse=True)) - space.height).max())
    ends = down if reach is None else min(down, reach)
    if below > 0.0 and ends - LEAST < below:
        raise _too_deep(below, f"the plug ends {ends:.1f} mm below it", ends - LEAST)


def _require_filled(block: Block, space: InsertableSpace, below: float, reach: float | None) -> None:
    """Refuse a body that is not in the room under its face: so little of a rounded floor is left that the kernel loses it.

    Raises:
        FeatureError: it is not.
    """
    room = space.volume(below=below)
    if below > 0.0 and reach is None and not FILLS[0] * room < solid_volume(block.solid) < FILLS[1] * room:
        raise _too_deep(below, "too little of the recess is left under it", 0.5 * below)


def _too_deep(below: float, why: str, most: float) -> FeatureError:
    remedy = f"give {floor(10.0 * most) / 10.0:g} mm or less" if most > 0.0 else "give 0"
    return FeatureError(f"no plug can be made whose face lies {below:g} mm below the mouth: {why}", "plug.below", remedy)


def _judge_unused(block: Block, body: Body, space: InsertableSpace, *, below: float, reach: float | None) -> Check:
    """Hold what a plug fills, before its edges are rounded and it is hollowed, against the largest body that goes in."""
    filled = measure_volume(body.mesh) if body.solid.IsSame(block.solid) else solid_volume(block.solid)
    share = 100.0 * find_unused(space, below, reach, filled + (0.0 if block.rounding is None else block.rounding.loss))
    verdict: Verdict = "pass" if share <= UNUSED else "caution"
    source = "our rule: of the largest body that goes in at this clearance and draft; on known shapes 0.1 to 1.1 % are left"
    remedy = "" if verdict == "pass" else (
        "no key of the recipe fills it: the part stands back from lobes, bosses and steps that its faces could not follow, which "
        "costs hold and looks but lets it in; without such, a scan with fewer holes, less noise and closer points leaves less"
    )  # fmt: skip
    return Check("room left unused", verdict, share, UNUSED, "%", source, remedy)
