"""A shell's solid: wall, floor, pockets and posts put together by their edges, up to the lid.

Pockets and posts that lie clear of each other and of the wall, as most pockets do, are faces like the others, and the kernel
intersects nothing; it unites or cuts out what is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from mountgen.bounded import run_bounded
from mountgen.crossing import meet_field
from mountgen.datum import lid_height
from mountgen.errors import KernelError
from mountgen.facet import NOT_FITTED, facet_body
from mountgen.field import InsertableSpace
from mountgen.kernel import Solid, combine, is_valid, loft_solid, prism_solid, solids_of, tessellate
from mountgen.loft import Shell, end_pocket
from mountgen.mesh_measure import measure_volume
from mountgen.pace import cut_long_edges
from mountgen.roll import try_ball
from mountgen.shape import require_cut
from mountgen.spline import Axis, Surface, fit_surface
from mountgen.tubes import MOST_STRIPS, Cap, Rounding, Sleeve, TubeEnd, closed_tube, make_sleeve, require_open, stack_tubes

TRIMMED = 0.01  # mm off both ends of a wall, where it is cut level
ROOT = 0.5  # mm above its wall's lowest section at which what is cut out for a post begins
LARGER = (0.0, 0.05, 0.1, 0.2)  # mm by which a post is made larger, upwards and sideways, tried in order
COARSE = 0.2  # mm, chord of the meshes by which it is seen whether a post was cut out
DEEP = 1.5  # mm; nothing may be so deep in it: slivers that are left where top and floor graze the gauge sees if they matter
APART = 0.02  # mm between edges on a floor, and between faces; what comes nearer is left to the kernel's booleans
STEP, FEWEST = 0.4, 30  # mm between places at which faces are held against each other, and how many there are at least across


@dataclass(frozen=True, eq=False)
class Block:
    """The solid that fills the insertable space up to the lid.

    notes: what the user must know of how it was made.
    rounding: of its upper edge; None where that is sharp.
    """

    solid: Solid
    faceted: bool = False
    notes: tuple[str, ...] = ()
    rounding: Rounding | None = None


@lru_cache(maxsize=4)  # another lip or another deck leaves it as it is
def make_block(
    shell: Shell | None, space: InsertableSpace, *, below: float = 0.0, reach: float | None = None, strips: int = MOST_STRIPS,
    radius: float = 0.0,
) -> Block:  # fmt: skip
    """Make the largest insertable solid up to the lid.

    Args:
        shell: wall and floor fitted to the space; None where that failed, for a faceted solid.
        space: the insertable space.
        below: how far below the lid the top lies, mm; down to -1.5 (above the lid).
        reach: how deep from the mouth plane the solid goes, mm; None for all the way.
        strips: of its wall, at most.
        radius: with which its upper edge is rounded, mm, less in its sharp bends and where the floor comes near; it is left sharp
            where no ball rolls along all of it.

    Returns:
        Block: one solid of six faces, or a few more; faceted, and saying so, where that cannot be made.

    Raises:
        LoftError: nothing is left between floor and lid.
    """
    if shell is None:
        body = facet_body(space, below=below, reach=reach, why=NOT_FITTED)
        return Block(body.solid, True, body.notes)
    try:
        solid, rounding = shell_solid(shell, space, below=below, reach=reach, strips=strips, radius=radius)
        if not is_valid(solid):
            raise KernelError("the solid is not valid", "body", "it is made of facets instead")
    except KernelError as error:
        body = facet_body(space, below=below, reach=reach, why=error.what)
        return Block(body.solid, True, body.notes)
    return Block(solid, rounding=rounding)


def shell_solid(
    shell: Shell, space: InsertableSpace, *, below: float, reach: float | None, strips: int = MOST_STRIPS, radius: float = 0.0
) -> tuple[Solid, Rounding | None]:
    """Return the kernel solid inside a shell, cut by the lid less `below` and, where given, by the plane of `reach`.

    The edges where the wall meets floor and lid are found on the splines themselves, meridian by meridian, so the kernel has
    nothing to intersect; only where a meridian crosses the floor more than once is the kernel asked to. With it comes what
    rounds its upper edge by `radius`; None where that is left sharp.
    """
    lid = lid_surface(space, shell.floor, -below)
    rounding, pockets, posts = None, shell.pockets, shell.posts
    try:
        foot, brow = meet_field(shell.wall, shell.floor), meet_field(shell.wall, lid)
        rounding = try_ball(shell.wall, brow, radius=radius, foot=foot)
        side = make_sleeve(shell.wall, foot, rounding or brow)
        inner = stack_inner(shell, foot, lid)
        try:
            solid = stack_tubes([side, *inner.sleeves], [*inner.caps, Cap(side.high)], strips=strips)
            pockets, posts = inner.pockets, inner.posts
        except KernelError:
            if not inner.sleeves:
                raise
            solid = stack_tubes([side], [Cap(foot, up=False), Cap(side.high)], strips=strips)
    except KernelError:
        rounding = None
        solid = _intersected(shell, lid, strips)
    solid = combine_inner(solid, shell.floor, pockets, posts)
    if reach is not None:
        tall = float(np.ptp(shell.wall.v.breaks)) + 10.0
        solid = combine(solid, prism_solid(_flat(shell.floor, -reach), tall), "common", what="reach")
    pieces = solids_of(solid)
    if not pieces:
        raise KernelError("wall, floor and lid leave no solid", "body", "raise fit.reach, or lower fit.clearance")
    if len(pieces) == 1:
        return pieces[0], rounding
    return max(pieces, key=lambda piece: abs(measure_volume(tessellate(piece, chord=0.2)))), rounding


@dataclass(frozen=True, eq=False)
class Inner:
    """What bounds a solid within its wall.

    sleeves: walls of pockets and free posts.
    caps: the floor, and those of pockets, and the tops of free posts.
    pockets, posts: those that are none of these, for `combine_inner`.
    """

    sleeves: tuple[Sleeve, ...]
    caps: tuple[Cap, ...]
    pockets: tuple[Shell, ...]
    posts: tuple[Shell, ...]


def stack_inner(shell: Shell, foot: TubeEnd, top: Surface) -> Inner:
    """Return what bounds a solid within its wall.

    Args:
        shell: the wall, floor, pockets and posts.
        foot: in which that wall ends on that floor.
        top: below which the solid lies.
    """
    room = _outline(foot)
    sleeves, caps, holes = [], [], []
    others: dict[bool, list[Shell]] = {False: [], True: []}
    for each, stands in [*((pocket, False) for pocket in shell.pockets), *((post, True) for post in shell.posts)]:
        try:
            on_floor, end = meet_field(each.wall, shell.floor), meet_field(each.wall, each.floor)
            sleeve = Sleeve(each.wall, on_floor, end, inside=True) if stands else Sleeve(each.wall, end, on_floor)
            require_open(sleeve)
        except KernelError:
            others[stands].append(each)
            continue
        edge = _outline(on_floor)
        clear = edge.is_valid and room.is_valid and room.contains_properly(edge) and room.boundary.distance(edge) >= APART
        low, high = (shell.floor, each.floor) if stands else (each.floor, shell.floor)
        clear = clear and _lies_below(low, high, end) and (not stands or _lies_below(high, top, end))
        if not clear or (stands and others[False]):  # a pocket that is united later would fill a post that is cut out before
            others[stands].append(each)
            continue
        sleeves.append(sleeve)
        holes.append(on_floor)
        caps.append(Cap(end, up=False))
        room = room.difference(edge)
    return Inner(tuple(sleeves), (*caps, Cap(foot, tuple(holes), up=False)), tuple(others[False]), tuple(others[True]))


def combine_inner(solid: Solid, floor: Surface, pockets: Sequence[Shell], posts: Sequence[Shell]) -> Solid:
    """Return a solid united with pockets under its floor, and posts cut out of it, by the kernel.

    Raises:
        KernelError: a post cannot be cut out.
    """
    for pocket in pockets:
        solid = add_pocket(solid, pocket, floor)
    for post in posts:
        solid = cut_post(solid, post)
    return solid


def cut_post(solid: Solid, post: Shell) -> Solid:
    """Return a solid less a post, or less a little more than it: where its top grazes a floor, or its side what is there already,
    the kernel may leave it uncut.

    Raises:
        KernelError: it stays uncut, or the kernel refuses.
    """
    for larger in LARGER:
        tool = post_tube(_enlarge(post, larger) if larger else post)
        try:
            left = combine(solid, tool, "cut", what="post")
            if not solids_of(left):
                raise KernelError("nothing is left beside a post", "body", "it is made another way")
            require_cut(tessellate(left, chord=COARSE), [tessellate(tool, chord=COARSE)], what="post", within=DEEP)
        except KernelError:
            if larger == LARGER[-1]:
                raise
        else:
            break
    return left


def _enlarge(post: Shell, by: float) -> Shell:
    """Return a post whose top lies higher, and whose wall lies farther out, by so many mm."""
    poles = post.wall.poles.copy()
    along = np.roll(poles[..., :2], -1, axis=0) - np.roll(poles[..., :2], 1, axis=0)  # around it, counter-clockwise
    outwards = np.stack([along[..., 1], -along[..., 0]], axis=-1)
    poles[..., :2] += by * outwards / np.maximum(np.linalg.norm(outwards, axis=-1, keepdims=True), 1e-9)
    top = replace(post.floor, poles=post.floor.poles + by)
    return replace(post, wall=replace(post.wall, poles=poles), floor=top)


def _outline(end: TubeEnd) -> Any:
    """Return a tube's end in plan, as a polygon."""
    import shapely

    at = np.linspace(end.axis.breaks[0], end.axis.breaks[-1], 4 * len(end.axis.breaks), endpoint=False)
    return shapely.Polygon(end.axis.basis(at) @ end.plan)


def _lies_below(low: Surface, high: Surface, end: TubeEnd) -> bool:
    """Return whether one height field lies below another all over what a tube's end encloses."""
    import shapely

    outline = _outline(end)
    (x0, y0, x1, y1) = outline.bounds
    x, y = (np.linspace(a, b, max(FEWEST, round((b - a) / STEP))) for a, b in ((x0, x1), (y0, y1)))
    inside = shapely.contains_xy(outline, *np.meshgrid(x, y, indexing="ij"))
    return bool((high.at(x, y) - low.at(x, y))[inside].min(initial=np.inf) > APART)


def add_pocket(solid: Solid, pocket: Shell, floor: Surface) -> Solid:
    """Return a solid united with a pocket that reaches a little above the floor it lies under; as it was where that fails."""
    try:
        united = combine(solid, pocket_tube(pocket, floor), "fuse", what="pocket")
    except KernelError:
        return solid
    pieces = solids_of(united)
    return pieces[0] if len(pieces) == 1 and is_valid(pieces[0]) else solid


def pocket_tube(pocket: Shell, floor: Surface) -> Solid:
    """Return the solid of a pocket, which reaches a little above the floor it lies under.

    Raises:
        KernelError: it cannot be made, so that the body goes without it.
    """
    return closed_tube(pocket.wall, *end_pocket(pocket, floor))


def post_tube(post: Shell) -> Solid:
    """Return the solid of a post, to be cut out, from a little above its wall's lowest section to its top.

    Raises:
        KernelError: it cannot be made.
    """
    foot = meet_field(post.wall, _flat(post.floor, float(post.wall.v.breaks[0]) + ROOT))
    return closed_tube(post.wall, foot, meet_field(post.wall, post.floor))


def _intersected(shell: Shell, lid: Surface, strips: int) -> Solid:
    tall = float(np.ptp(shell.wall.v.breaks)) + float(np.ptp(shell.floor.poles)) + 10.0
    low, high = (_flat(shell.floor, float(end)) for end in shell.wall.v.breaks[[0, -1]] + np.array([TRIMMED, -TRIMMED]))
    try:
        tube = closed_tube(shell.wall, meet_field(shell.wall, low), meet_field(shell.wall, high), strips=strips)
    except KernelError:
        tube = loft_solid(shell.wall)  # of one face, which other programs measure less well
    solid = combine(tube, prism_solid(shell.floor, tall), "common", what="floor")
    solid = combine(solid, prism_solid(lid, tall), "cut", what="lid")
    try:
        return run_bounded(lambda: cut_long_edges(solid), solid, what="lid")
    except KernelError:
        return solid  # as it is, only measured less well


def lid_surface(space: InsertableSpace, like: Surface, shift: float) -> Surface:
    x = np.linspace(like.u.breaks[0], like.u.breaks[-1], 12)
    y = np.linspace(like.v.breaks[0], like.v.breaks[-1], 12)
    z = lid_height(space.lid, *np.meshgrid(x, y, indexing="ij", sparse=True)) + shift
    axes = (Axis(x[[0, -1]], False), Axis(y[[0, -1]], False))
    return fit_surface(x, y, z[..., None], *axes)


def _flat(like: Surface, z: float) -> Surface:
    """Return the level surface over another's rectangle, of one patch: on one of many the kernel is thirty times as slow."""
    axes = (Axis(like.u.breaks[[0, -1]], False), Axis(like.v.breaks[[0, -1]], False))
    return Surface(*axes, np.full((axes[0].poles, axes[1].poles, 1), z))
