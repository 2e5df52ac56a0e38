"""Body, flange and cavity put together face by face: their edges are found on the splines, so nothing is intersected.

Where a wall meets a face more than once the kernel's booleans do it instead, which takes a hundred times as long.
"""

from __future__ import annotations

from mountgen.errors import KernelError
from mountgen.features.flange import Border
from mountgen.features.hollow import Cavity, extend_up
from mountgen.field import InsertableSpace
from mountgen.kernel import Cap, Sleeve, Solid, stack_tubes
from mountgen.loft import Block, Shell, _lid_surface, _meet, make_block
from mountgen.shape import combine_many

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
    whole = shell is not None and (cavity is None or cavity.shell is not None) and reach is None
    if whole and shell is not None and (border is not None or cavity is not None):
        try:
            return Block(_stack(shell, space, border, None if cavity is None else cavity.shell))
        except KernelError:
            pass
    return _combine(shell, space, reach, border, cavity)


def cavity_block(cavity: Cavity, *, border: Border | None, reach: float | None, wall: float) -> Block:
    """Return the solid of a cavity from its floor to well out of the mouth."""
    above = OUT + (0.0 if border is None else border.rise[1] + border.thickness)
    shell = None if cavity.shell is None else extend_up(cavity.shell, above + 1.0)
    return make_block(shell, cavity.space, below=-above, reach=None if reach is None else reach - wall)


def _stack(shell: Shell, space: InsertableSpace, border: Border | None, inner: Shell | None) -> Solid:
    foot = _meet(shell.wall, shell.floor)
    caps = [Cap(foot, up=False)]
    if border is None:
        lid = _lid_surface(space, shell.floor, 0.0)
        brow = _meet(shell.wall, lid)
        sleeves = [Sleeve(shell.wall, foot, brow)]
    else:
        lid, tall = border.top, extend_up(shell, border.rise[1] + OUT)
        neck, low, brow = _meet(tall.wall, border.below), _meet(border.tube, border.below), _meet(border.tube, lid)
        sleeves = [Sleeve(tall.wall, foot, neck), Sleeve(border.tube, low, brow)]
        caps.append(Cap(low, neck, up=False))
    if inner is None:
        return _rounded(stack_tubes(sleeves, [*caps, Cap(brow)]), border)
    above = OUT + (0.0 if border is None else border.rise[1] + border.thickness)
    tall = extend_up(inner, above)
    ground, mouth = _meet(tall.wall, tall.floor), _meet(tall.wall, lid)
    sleeves.append(Sleeve(tall.wall, ground, mouth, inside=True))
    return _rounded(stack_tubes(sleeves, [*caps, Cap(brow, mouth), Cap(ground)]), border)


def _rounded(solid: Solid, border: Border | None) -> Solid:
    return solid if border is None else border.round_edge(solid)


def _combine(
    shell: Shell | None, space: InsertableSpace, reach: float | None, border: Border | None, cavity: Cavity | None
) -> Block:
    overlap = border.overlap if border is not None else 0.0
    tall = shell if shell is None or border is None else extend_up(shell, overlap + 1.0)
    block = make_block(tall, space, below=-overlap, reach=reach)
    solid, faceted, notes = block.solid, block.faceted, list(block.notes)
    if border is not None:
        solid = combine_many(solid, [border.plate()], "fuse", what="flange")
    if cavity is not None:
        hollow = cavity_block(cavity, border=border, reach=reach, wall=cavity.wall)
        solid = combine_many(solid, [hollow.solid], "cut", what="cavity")
        faceted |= hollow.faceted
        notes += [note for note in hollow.notes if note not in notes]
    return Block(solid, faceted, tuple(notes))
