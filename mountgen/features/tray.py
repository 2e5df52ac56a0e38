"""The tray: a hollow insert with even wall and floor, open at the mouth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from mountgen.arrays import Floats
from mountgen.block import Block
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError
from mountgen.features.assemble import make_body
from mountgen.features.cavity import hollow_inside
from mountgen.features.dividers import make_dividers
from mountgen.features.flange import MOST_ROUND, Border, flange_of
from mountgen.features.part import Part
from mountgen.features.pull_tab import ROOTS, make_pull_tab
from mountgen.features.rounding import TWO_EDGES, on_field, round_edges
from mountgen.field import InsertableSpace
from mountgen.kernel import Body, Solid, combine_many, is_valid, solids_of, tessellate
from mountgen.loft import Shell
from mountgen.loop import signed_area
from mountgen.recipe import TrayRecipe
from mountgen.recipe_tables import PullTab, TrayBody
from mountgen.section import cut_sections
from mountgen.shape import require_one_solid
from mountgen.stitch import fuse_nearby


def make_tray(shell: Shell | None, space: InsertableSpace, recess: Recess, *, recipe: TrayRecipe) -> Part:
    """Make a tray. Arguments, result and errors as for `add_features`."""
    reach = None if recipe.fit.reach == "full" else recipe.fit.reach
    wall, radius = recipe.body.wall, recipe.body.edge_radius
    cavity = hollow_inside(shell, space, wall=wall, reach=reach)
    border = flange_of(recess, space, recipe)
    walls = [] if recipe.dividers is None else make_dividers(cavity.space, recipe.dividers, radius=radius)
    tongue = None if recipe.pull_tab is None else _root_tongue(shell, space, recipe.pull_tab, border, recipe.body)

    def put_together(check: bool) -> Block:
        block = make_body(
            shell, space, reach=reach, border=border, cavity=cavity, standing=walls, radius=_mouth_radius(recipe), check=check
        )
        body = block.solid if block.faceted else _round_mouth(block.solid, space, border, recipe, check=check)
        if tongue is not None:
            nearby = not check and not block.faceted
            body = fuse_nearby(body, tongue, what="pull tab") if nearby else combine_many(body, [tongue], "fuse", what="pull tab")
        return replace(block, solid=body)

    block = put_together(check=False)  # the whole is checked once; only where that fails each step is
    pieces = solids_of(block.solid)
    if not block.faceted and not (len(pieces) == 1 and is_valid(pieces[0])):
        block = put_together(check=True)
    solid = require_one_solid(block.solid, what="tray", remedy="give a thicker body.wall, or leave a feature out")
    return Part(body=Body(solid=solid, mesh=tessellate(solid), faceted=block.faceted, notes=block.notes))


def _mouth_radius(recipe: TrayRecipe) -> float:
    """Return the radius of the upper edges of a tray's walls, mm: two edges must find room between inside and outside."""
    most = TWO_EDGES * recipe.body.wall
    if recipe.flange is not None:  # what lies between the two edges is wider then, and only as thick
        most = min(TWO_EDGES * (recipe.body.wall + recipe.flange.width), MOST_ROUND * recipe.flange.thickness)
    if recipe.dividers is not None and recipe.dividers.height is None:
        most = min(most, TWO_EDGES * recipe.dividers.thickness)
    return min(recipe.body.edge_radius, most)


def _round_mouth(body: Solid, space: InsertableSpace, border: Border | None, recipe: TrayRecipe, *, check: bool) -> Solid:
    """Return a tray with the upper edges of its walls rounded that have not been rounded already."""
    (solid,) = solids_of(body)[:1] or [body]
    height = border.top_height if border is not None else lambda x, y: lid_height(space.lid, x, y)
    return round_edges(solid, on_field(height), radius=_mouth_radius(recipe), check=check)


def _root_tongue(
    shell: Shell | None, space: InsertableSpace, tab: PullTab, border: Border | None, body: TrayBody
) -> Solid:
    """Return the pull tab, rooted as deep as the tray is beside it: where a trough runs out its floor comes up.

    Raises:
        FeatureError: it has no room, however shallow its root.
    """
    found: FeatureError | None = None
    for root in ROOTS:
        outline = _outline_below(shell, space, depth=root)
        if not len(outline):
            continue
        try:
            return make_pull_tab(space, outline, tab, wall=body.wall, radius=body.edge_radius, border=border, root=root)
        except FeatureError as error:
            found = error
    raise found or FeatureError(f"the tray is less deep than {ROOTS[-1]:g} mm", "pull_tab", "leave it out: pull_tab = false")


def _outline_below(shell: Shell | None, space: InsertableSpace, *, depth: float) -> Floats:
    """Return the part's outer outline `depth` below the lowest point of the mouth's edge, (K, 2) mm; none if less deep."""
    import shapely

    z = float(lid_height(space.lid, space.mouth[:, 0], space.mouth[:, 1]).min()) - depth
    level = space.height
    if shell is not None:
        level = np.maximum(level, shell.floor.at(space.x, space.y)[..., 0].T)
    (section,) = cut_sections(replace(space, height=level), np.array([z]))
    region = shapely.union_all([shapely.make_valid(shapely.Polygon(loop)) for loop in section.loops if signed_area(loop) > 0.0])
    if shell is not None:
        u = np.linspace(0.0, 1.0, 800, endpoint=False)
        wall = shapely.make_valid(shapely.Polygon(shell.wall.at(u, np.array([z]))[:, 0, :2]))
        region = shapely.intersection(region, wall)
    parts = [part for part in shapely.get_parts(region) if part.geom_type == "Polygon"]
    if not parts:
        return np.zeros((0, 2))
    outline: Floats = np.asarray(max(parts, key=lambda part: part.area).exterior.coords)[:-1, :2]
    return outline
