"""Body, flange and cavity put together face by face: their edges are found on the splines, so nothing is intersected.

Pockets and posts that lie clear of all else on the floor are faces like the others; those that run into the wall are cut out.
Where a wall meets a face more than once the kernel's booleans do it all instead, which takes a hundred times as long.
"""

from __future__ import annotations

from collections.abc import Sequence

from mountgen.block import Block, Inner, combine_inner, lid_surface, make_block, stack_inner
from mountgen.crossing import meet_field
from mountgen.errors import KernelError
from mountgen.features.cavity import Cavity, extend_up
from mountgen.features.dividers import leave_standing
from mountgen.features.flange import Border
from mountgen.field import InsertableSpace
from mountgen.kernel import Solid, combine_many, solids_of
from mountgen.loft import Shell
from mountgen.roll import try_ball
from mountgen.shape import make_box
from mountgen.spline import Surface
from mountgen.stitch import find_bounds, open_top
from mountgen.tubes import Cap, Sleeve, make_sleeve, stack_tubes

FAR = 1000.0  # mm; past any body
OUT = 3.0  # mm by which a cavity's tool stands out of the mouth, or of the flange


def make_body(
    shell: Shell | None,
    space: InsertableSpace,
    *,
    reach: float | None,
    border: Border | None = None,
    cavity: Cavity | None = None,
    standing: Sequence[Solid] = (),
    radius: float = 0.0,
    check: bool = True,
) -> Block:
    """Make a body that is flush with the lid or ends in a flange, with or without a cavity that is open at the mouth.

    Args:
        shell: wall and floor of the body; None where they could not be fitted.
        space: the insertable space.
        reach: how deep from the mouth plane it goes, mm; None for all the way.
        border: its flange.
        cavity: the space inside its walls.
        standing: what stands in the cavity.
        radius: with which the upper edges of its walls are rounded, mm, less in sharp bends of them: the outer one where there
            is no flange, which has a radius of its own, and the inner one where nothing in the cavity stands so high.
        check: whether to make sure of each step, and do without what the kernel cannot do; else the caller checks the whole,
            which takes a fifth of the time.

    Returns:
        Block: the solid, and what the user must know of how it was made.

    Raises:
        KernelError: it cannot be made.
        FeatureError: what stands in the cavity fills it.
    """
    smooth = cavity is None or cavity.shell is not None
    if shell is not None and smooth and (border is not None or cavity is not None):
        try:
            return Block(_stitch(shell, space, reach, border, cavity, standing, radius, check))
        except KernelError:
            pass
    block = _unite(shell, space, reach, border)
    if cavity is None:
        return block
    hollow = cavity_block(cavity, border=border, reach=reach)
    rooms = leave_standing(hollow.solid, standing) if standing else [hollow.solid]
    solid = combine_many(block.solid, rooms, "cut", what="cavity")
    return Block(solid, block.faceted or hollow.faceted, tuple(dict.fromkeys((*block.notes, *hollow.notes))))


def cavity_block(cavity: Cavity, *, border: Border | None, reach: float | None) -> Block:
    """Return the solid of a cavity from its floor to well out of the mouth."""
    above = _rise(border)
    shell = None if cavity.shell is None else extend_up(cavity.shell, above + 1.0)
    return make_block(shell, cavity.space, below=-above, reach=None if reach is None else reach - cavity.wall)


def _rise(border: Border | None) -> float:
    """Return how far above the lid a cavity's tool ends, mm."""
    return OUT + (0.0 if border is None else border.rise[1] + border.thickness)


def _stitch(
    shell: Shell,
    space: InsertableSpace,
    reach: float | None,
    border: Border | None,
    cavity: Cavity | None,
    standing: Sequence[Solid],
    radius: float,
    check: bool,
) -> Solid:
    top = lid_surface(space, shell.floor, 0.0) if border is None else border.top
    solid, inner = _stack_outside(shell, top, border, radius)
    if border is not None:
        solid = border.round_edge(solid, check=check)
    solid = combine_inner(solid, shell.floor, inner.pockets, inner.posts)
    if reach is not None:
        deep = make_box((-FAR, -FAR, -2.0 * FAR), (FAR, FAR, -reach))
        solid = combine_many(solid, [deep], "cut", what="reach")
    if cavity is not None and cavity.shell is not None:
        room = _stack_room(extend_up(cavity.shell, _rise(border)), top, standing, radius)
        solid = open_top(solid, leave_standing(room, standing) if standing else solids_of(room), top)
    pieces = solids_of(solid)
    if len(pieces) != 1:
        raise KernelError(f"the body is in {len(pieces)} pieces", "body", "the solid is made another way")
    return pieces[0]


def _stack_outside(shell: Shell, top: Surface, border: Border | None, radius: float) -> tuple[Solid, Inner]:
    """Return the solid below a top, without the pockets and posts that are not faces of it, and what these are."""
    foot = meet_field(shell.wall, shell.floor)
    inner = stack_inner(shell, foot, top)
    if border is None:
        brow = meet_field(shell.wall, top)
        side = make_sleeve(shell.wall, foot, try_ball(shell.wall, brow, radius=radius, foot=foot) or brow)
        return stack_tubes([side, *inner.sleeves], [*inner.caps, Cap(side.high)]), inner
    tall = extend_up(shell, border.rise[1] + OUT)
    neck, low = meet_field(tall.wall, border.below), meet_field(border.tube, border.below)
    side = make_sleeve(border.tube, low, border.find_brow())
    sleeves = [Sleeve(tall.wall, foot, neck), side, *inner.sleeves]
    return stack_tubes(sleeves, [*inner.caps, Cap(low, (neck,), up=False), Cap(side.high)]), inner


def _stack_room(shell: Shell, top: Surface, standing: Sequence[Solid], radius: float) -> Solid:
    """Return the solid of a cavity up to a top; flared there if nothing stands so high, so that the edge around it is round."""
    foot, mouth = meet_field(shell.wall, shell.floor), meet_field(shell.wall, top)
    inner = stack_inner(shell, foot, top)
    rounding = try_ball(shell.wall, mouth, radius=radius, flared=True, foot=foot)
    if rounding is not None:
        lowest = float(rounding.low.space[:, 2].min())
        rounding = rounding if all(find_bounds(each)[1][2] < lowest for each in standing) else None
    side = make_sleeve(shell.wall, foot, rounding or mouth)
    room = stack_tubes([side, *inner.sleeves], [*inner.caps, Cap(side.high)])
    return combine_inner(room, shell.floor, inner.pockets, inner.posts)


def _unite(shell: Shell | None, space: InsertableSpace, reach: float | None, border: Border | None) -> Block:
    """Return the body without its cavity, united with its flange by the kernel."""
    if border is None:
        return make_block(shell, space, reach=reach)
    tall = None if shell is None else extend_up(shell, border.overlap + 1.0)
    block = make_block(tall, space, below=-border.overlap, reach=reach)
    solid = combine_many(block.solid, [border.plate()], "fuse", what="flange")
    return Block(solid, block.faceted, block.notes)
