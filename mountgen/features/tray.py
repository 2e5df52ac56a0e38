"""The tray: a hollow insert with even wall and floor, open at the mouth."""

from __future__ import annotations

from dataclasses import dataclass

from mountgen.arrays import Floats
from mountgen.datum import Recess, signed_area
from mountgen.errors import FeatureError, LoftError
from mountgen.features.dividers import make_dividers
from mountgen.features.flange import Border, make_flange
from mountgen.features.hollow import extend_up, raise_space, sample_field, sample_shell
from mountgen.features.part import Part
from mountgen.features.pull_tab import ROOT, make_pull_tab
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Solid, mesh_volume, solids_of, tessellate
from mountgen.loft import Block, Shell, fit_shell, make_block
from mountgen.recipe import TrayRecipe
from mountgen.section import cut_sections
from mountgen.shape import combine_many, require_one_solid

OUT = 3.0  # mm by which the cavity's tool stands out of the mouth, or of the flange
CRUMB = 0.5  # mm³; a compartment smaller than this is filled


@dataclass(frozen=True, eq=False)
class Cavity:
    """What is taken out of a tray: the space inside its walls, and the shell fitted to it (None where that failed)."""

    space: InsertableSpace
    shell: Shell | None

    def block(self, *, above: float, reach: float | None) -> Block:
        """Return the solid of the cavity from its floor to `above` mm above the lid."""
        if self.shell is None:
            return make_block(None, self.space, below=-above, reach=reach)
        return make_block(extend_up(self.shell, above + 1.0), self.space, below=-above, reach=reach)


def make_tray(shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: TrayRecipe) -> Part:
    """Make a tray. Arguments, result and errors as for `add_features`."""
    reach = None if recipe.fit.reach == "full" else recipe.fit.reach
    wall, radius = recipe.body.wall, recipe.body.edge_radius
    cavity = hollow_inside(shell, space, wall=wall, reach=reach)
    border = _make_border(recess, space, recipe)
    overlap = border.overlap if border is not None else 0.0
    tall = shell if shell is None or border is None else extend_up(shell, overlap + 1.0)
    block = make_block(tall, space, below=-overlap, reach=reach)
    body = block.solid
    if border is not None:
        body = combine_many(body, [border.solid], "fuse", what="flange")
    above = OUT + (0.0 if border is None else border.rise[1] + border.thickness)
    hollow = cavity.block(above=above, reach=None if reach is None else reach - wall)
    rooms = [hollow.solid]
    if recipe.dividers is not None:
        rooms = leave_standing(hollow.solid, make_dividers(cavity.space, recipe.dividers, radius=radius))
    body = combine_many(body, rooms, "cut", what="cavity")
    if recipe.pull_tab is not None:
        outline = _outline_below(shell, space, depth=ROOT)
        tongue = make_pull_tab(space, outline, recipe.pull_tab, wall=wall, radius=radius)
        body = combine_many(body, [tongue], "fuse", what="pull tab")
    solid = require_one_solid(body, what="tray", remedy="give a thicker body.wall, or leave a feature out")
    notes = (*block.notes, *(note for note in hollow.notes if note not in block.notes))
    faceted = block.faceted or hollow.faceted
    return Part(body=Body(solid=solid, mesh=tessellate(solid), faceted=faceted, notes=notes))


def hollow_inside(shell: Shell | None, space: InsertableSpace, *, wall: float, reach: float | None) -> Cavity:
    """Find the space inside walls and fit its shell.

    Raises:
        FeatureError: the walls leave no room.
    """
    outer = sample_field(space) if shell is None else sample_shell(shell)
    inner = raise_space(space, outer, wall=wall, reach=reach)
    try:
        return Cavity(inner, fit_shell(inner))
    except LoftError:
        return Cavity(inner, None)


def leave_standing(hollow: Solid, walls: list[Solid]) -> list[Solid]:
    """Return the rooms that are left of a cavity when walls stand in it.

    Raises:
        FeatureError: nothing is left.
    """
    rest = solids_of(combine_many(hollow, walls, "cut", what="dividers"))
    rooms = [room for room in rest if abs(mesh_volume(tessellate(room, chord=0.2))) > CRUMB]
    if not rooms:
        raise FeatureError("the dividers fill the whole tray", "dividers", "give fewer, or thinner ones")
    return rooms


def _make_border(recess: Recess, space: InsertableSpace, recipe: TrayRecipe) -> Border | None:
    if recipe.flange is None:
        return None
    clearance = recipe.fit.clearance if recipe.fit.rim is None else recipe.fit.rim
    return make_flange(
        recess, space.mouth, flange=recipe.flange, clearance=clearance, radius=recipe.body.edge_radius
    )


def _outline_below(shell: Shell | None, space: InsertableSpace, *, depth: float) -> Floats:
    """Return the part's outer outline `depth` below the lowest point of the mouth's edge, (K, 2) mm."""
    import numpy as np

    from mountgen.datum import lid_height

    z = float(lid_height(space.lid, space.mouth[:, 0], space.mouth[:, 1]).min()) - depth
    if shell is not None:
        u = np.linspace(0.0, 1.0, 800, endpoint=False)
        return np.ascontiguousarray(shell.wall.at(u, np.array([z]))[:, 0, :2])
    (section,) = cut_sections(space, np.array([z]))
    return max(section.loops, key=signed_area)
