"""Body, flange and cavity put together face by face: their edges are found on the splines, so nothing is intersected.

Where a wall meets a face more than once the kernel's booleans do it instead, which takes a hundred times as long.
"""

from __future__ import annotations

from mountgen.errors import KernelError
from mountgen.features.cavity import Cavity, extend_up
from mountgen.features.flange import Border
from mountgen.field import InsertableSpace
from mountgen.kernel import Cap, Sleeve, Solid, stack_tubes
from mountgen.loft import Block, Shell, lid_surface, make_block, meet_field
from mountgen.shape import combine_many, make_box

FAR = 1000.0  # mm; past any body
OUT = 3.0  # mm by which a cavity's tool stands out of the mouth, or of the flange


def make_body(
    shell: Shell | None,
    space: InsertableSpace,
    *,
    reach: float | None,
    border: Border | None = None,
    cavity: Cavity | None = None,
) -> Block:
    """Make a body that is flush with the lid or ends in a flange, with or without a cavity that is open at the mouth.

    Args:
        shell: wall and floor of the body; None where they could not be fitted.
        space: the insertable space.
        reach: how deep from the mouth plane it goes, mm; None for all the way.
        border: its flange.
        cavity: the space inside its walls.

    Returns:
        Block: the solid, and what the user must know of how it was made.

    Raises:
        KernelError: it cannot be made.
    """
    notes: tuple[str, ...] = ()
    inner = None if cavity is None or reach is not None or not _is_plain(cavity.shell) else cavity.shell
    solid = None
    if _is_plain(shell) and shell is not None and (border is not None or inner is not None):
        try:
            solid, faceted = _stack(shell, space, border, inner), False
            if reach is not None:
                deep = make_box((-FAR, -FAR, -2.0 * FAR), (FAR, FAR, -reach))
                solid = combine_many(solid, [deep], "cut", what="reach")
        except KernelError:
            solid = None
    if solid is None:
        inner = None
        block = _unite(shell, space, reach, border)
        solid, faceted, notes = block.solid, block.faceted, block.notes
    if cavity is not None and inner is None:
        hollow = cavity_block(cavity, border=border, reach=reach)
        solid = combine_many(solid, [hollow.solid], "cut", what="cavity")
        faceted |= hollow.faceted
        notes = tuple(dict.fromkeys((*notes, *hollow.notes)))
    return Block(solid, faceted, notes)


def _is_plain(shell: Shell | None) -> bool:
    """Return whether a shell is one wall and one floor, without posts and pockets."""
    return shell is not None and not shell.posts and not shell.pockets


def cavity_block(cavity: Cavity, *, border: Border | None, reach: float | None) -> Block:
    """Return the solid of a cavity from its floor to well out of the mouth."""
    above = OUT + (0.0 if border is None else border.rise[1] + border.thickness)
    shell = None if cavity.shell is None else extend_up(cavity.shell, above + 1.0)
    return make_block(shell, cavity.space, below=-above, reach=None if reach is None else reach - cavity.wall)


def _stack(shell: Shell, space: InsertableSpace, border: Border | None, inner: Shell | None) -> Solid:
    foot = meet_field(shell.wall, shell.floor)
    caps = [Cap(foot, up=False)]
    if border is None:
        lid = lid_surface(space, shell.floor, 0.0)
        brow = meet_field(shell.wall, lid)
        sleeves = [Sleeve(shell.wall, foot, brow)]
    else:
        lid, tall = border.top, extend_up(shell, border.rise[1] + OUT)
        neck, low, brow = meet_field(tall.wall, border.below), meet_field(border.tube, border.below), meet_field(border.tube, lid)
        sleeves = [Sleeve(tall.wall, foot, neck), Sleeve(border.tube, low, brow)]
        caps.append(Cap(low, neck, up=False))
    if inner is None:
        return _rounded(stack_tubes(sleeves, [*caps, Cap(brow)]), border)
    above = OUT + (0.0 if border is None else border.rise[1] + border.thickness)
    tall = extend_up(inner, above)
    ground, mouth = meet_field(tall.wall, tall.floor), meet_field(tall.wall, lid)
    sleeves.append(Sleeve(tall.wall, ground, mouth, inside=True))
    return _rounded(stack_tubes(sleeves, [*caps, Cap(brow, mouth), Cap(ground)]), border)


def _rounded(solid: Solid, border: Border | None) -> Solid:
    return solid if border is None else border.round_edge(solid)


def _unite(shell: Shell | None, space: InsertableSpace, reach: float | None, border: Border | None) -> Block:
    """Return the body without its cavity, united with its flange by the kernel."""
    if border is None:
        return make_block(shell, space, reach=reach)
    tall = None if shell is None else extend_up(shell, border.overlap + 1.0)
    block = make_block(tall, space, below=-border.overlap, reach=reach)
    solid = combine_many(block.solid, [border.plate()], "fuse", what="flange")
    return Block(solid, block.faceted, block.notes)
