"""Stage 5: the insertable space to one closed solid: a lofted wall face, a floor face, and the lid.

Wall and floor are fitted from the safe side: no sample of the insertable surface may stick out of the body's complement by
more than a tolerance. They cross at about ten degrees (see `section.py`), which a solid kernel intersects reliably.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from math import ceil, radians, tan
from typing import Any, cast

import numpy as np

from mountgen.arrays import Bools, Floats, Singles
from mountgen.crossing import TangleError, find_flaws, meet_field
from mountgen.datum import lid_height
from mountgen.dilate import dilate_cone, reach_disc
from mountgen.errors import FieldError, KernelError, LoftError, SectionError
from mountgen.field import InsertableSpace
from mountgen.grid import EMPTY, fill_loop, sample_both, sample_grid
from mountgen.pocket import find_pockets
from mountgen.post import (
    Post,
    blunt_post,
    cover_ground,
    grow_post,
    leave_foot,
    level_posts,
    measure_uncut,
    raise_to_mouth,
    raster_wall,
    turn_back,
    turn_over,
)
from mountgen.post_search import find_posts, goes_through, lift_islands
from mountgen.rows import dot
from mountgen.section import (
    WallTrace,
    choose_split,
    find_floor,
    local_slope,
    sample_height,
    trace_wall,
    without_ledges,
)
from mountgen.spline import Surface, fit_surface, interval_error, uniform_axis
from mountgen.tubes import TubeEnd, find_shut, make_sleeve

OVERLAP = 0.6  # mm by which a pocket reaches into the body above it, or half of what there is
LEAST_OVERLAP = 0.1  # mm; with less there is no pocket
UNDER_LID = 0.4  # mm under the lid at which the floor is held towards the wall, with room for what the fit errs
SHALLOW, BANK = 0.6, 10.0  # mm; room less deep than this is none where nothing else helps, but ground this high above the mouth
# Tried in order: degrees by which floor and wall part elsewhere than where there is least area, by which the wall is steeper
# than the floor where they meet, mm of the part's least edge at the rim.
RELAXED = (
    (0.0, 4.0, 0.4), (0.0, 4.0, 1.2), (0.0, 9.0, 1.2),
    (8.0, 4.0, 0.4), (-16.0, 4.0, 0.4), (14.0, 4.0, 1.2), (-8.0, 9.0, 1.2), (0.0, 14.0, 2.0),
)  # fmt: skip
GIVING_UP = 3  # rounds of giving up the places where the first of these does not part floor and wall, if none does
GIVEN_UP = 2.0  # mm around a place where wall and floor did not part
MOST_GIVEN_UP = 0.01  # of the room
MOST_OF_POCKET = 0.15  # of a pocket's, which else is lost as a whole
SPLITS = (42.0, 76.0)  # degrees; no floor and wall part elsewhere
CAP = 3.0  # degrees; beyond its edge the floor is carried on at this much less than the split slope
ONE_SIDED = 0.03  # mm; how far a fitted sample may lie on the wrong side; `shell_relief` then holds the faces to the scan itself
MOST_AT_ONCE = 0.3  # mm a surface moves in one round: over flat ground, what lies below it does not say how far out it is
ENOUGH = 0.003  # mm beyond ONE_SIDED at which correcting stops
# Tried in order, of a post that cannot be fitted: mm of the disc that no notch in it is narrower than, degrees that it leans.
BLUNT = (None, (2.0, 1.0), (3.0, 4.0))
POST_ROUNDS = 5  # of making a post larger where some of it stands out of its fit
LEFT = 0.1  # of a post's nodes, that may stand out in the end
UNCUT = 0.025  # mm of a post that may stand out of its fit
GAINS = 0.9  # share of what stood out the round before that may still do; with more it is given up
ROUNDS = 16  # of correcting, at most
LOOK_AGAIN = (7, 7)  # pairs of samples about what was short, looked at the round after; in the end all, unless rounds run out
WALL_ERROR, FLOOR_ERROR = 0.025, 0.03  # mm; intervals with a larger error get another knot
ERROR_SHARE = 0.98  # the quantile of the error that decides
WALL_POLES, FLOOR_POLES = 220, 30_000  # at most: around the wall, and on the floor
FLOOR_SAMPLE = 0.3  # mm
WALLS = 0.3  # mm; ground this much higher than the floor is wanted there is the wall's to keep clear of
MOST_LOST = 0.05  # of the room, that may be lost above what the wall goes around; facets, its alternative, leave 2 to 4 % unused
WELL_USED = 0.01  # of the room; where no more is left, no other way is tried
STACKED = 0.03  # of the room; where no more is left and all posts are cut out, they are not looked for in the other way
MOST_UNUSED = 0.06  # of the room; where wall and floor leave more, facets are better
FOOT = np.array([0.0, 0.5, 1.0, 2.0, 4.0, 8.0])  # mm above the wall's end; what is not inside its loops there is its own
MARGIN = 2.5  # mm by which the floor's rectangle is larger than the wall's loops


@dataclass(frozen=True, eq=False)
class Shell:
    """The two fitted surfaces that bound a body from outside and below. wall: (x, y, z) over (u, z); floor: z over (x, y).

    pockets: shells of the room under this one's floor, each closed on top by that floor.
    posts: shells of what stands up alone on the floor, to be cut out; each is closed on top by its own `floor`.
    overlap: mm by which a pocket reaches into the body above it.
    """

    wall: Surface
    floor: Surface
    split_deg: float
    pockets: tuple[Shell, ...] = ()
    posts: tuple[Shell, ...] = ()
    overlap: float = 0.0


class PostError(LoftError):
    """What stands up to the mouth cannot be cut out."""


def fit_shell(space: InsertableSpace) -> Shell:
    """Fit wall and floor to the insertable space, from the safe side.

    Raises:
        SectionError: the space has no closed section at the mouth.
        LoftError: wall and floor do not meet in a simple curve, however much they are relaxed, or leave too much of the room, or
            cannot go around what stands up to the mouth.
    """
    space = lift_islands(space)
    found: list[tuple[float, Shell]] = []
    first: FieldError | KernelError | LoftError | SectionError | None = None
    split = choose_split(space)
    for stacked in (False, True):  # the second costs time, and is the worse where all goes well
        standing = find_posts(space, split, stacked=stacked)
        try:
            found.append(_fit_about(space, standing, left=LEFT if stacked else 0.0))
        except (FieldError, KernelError, LoftError, SectionError) as error:
            first = first or error
        if not standing or not (_may_gain(*found[-1], standing) if found else isinstance(first, PostError)):
            break  # without posts both ways are the same, and wall and floor that could not be fitted cannot be either
    if not found:
        assert first is not None
        raise first
    return min(found, key=lambda each: each[0])[1]


def _may_gain(unused: float, shell: Shell, standing: Sequence[Post]) -> bool:
    """Return whether other posts may leave less unused: of these some could not be cut out, or there is much to gain."""
    return unused >= (WELL_USED if len(shell.posts) < len(standing) else STACKED)


def _fit_about(space: InsertableSpace, standing: Sequence[Post], *, left: float) -> tuple[float, Shell]:
    """Fit the posts of a space, then wall, floor and pockets as if they were not there. Arguments as of `_fit_posts`.

    Returns:
        The share of the room that stays unused, and the shell.

    Raises:
        FieldError, KernelError, LoftError, SectionError: they cannot be fitted, or leave more unused than facets would.
    """
    posts, shells, kept, base = _fit_posts(space, standing, left=left)
    unused, shell = _fit_over(space, level_posts(space, posts), kept, base, shells)
    if posts and WELL_USED <= unused <= MOST_UNUSED:  # the floor may come down from what ground the posts leave beside them
        covers = [cover_ground(space, each.wall, each.floor) for each in shells]
        with suppress(FieldError, KernelError, LoftError, SectionError):
            again = _fit_over(space, level_posts(space, posts, covers), kept, base, shells)
            unused, shell = min((unused, shell), again, key=lambda each: each[0])
    if unused > MOST_UNUSED:
        raise LoftError("wall and floor cannot follow the recess", "body", "it is made of facets instead")
    return unused, shell


def _fit_over(
    space: InsertableSpace, level: InsertableSpace, kept: Sequence[Post], base: Bools, posts: Sequence[Shell]
) -> tuple[float, Shell]:
    """Fit wall, floor and pockets to a space's level without posts; return the share of it that stays unused, and the shell."""
    shell = replace(_fit_trunk(level, kept, base), posts=tuple(posts))
    return _measure_unused(shell, space) / space.volume(), shell


def _fit_posts(
    space: InsertableSpace, standing: Sequence[Post], *, left: float
) -> tuple[list[Post], list[Shell], list[Post], Bools]:
    """Fit what stands on the floor, to be cut out.

    Args:
        space: the insertable space, its islands lifted.
        standing: what stands in it, the highest first.
        left: share of each one's nodes that may be left to the floor.

    Returns:
        The posts and their shells, those of which no shell is made, and the nodes (R, C) of all of them and of the ground.

    Raises:
        LoftError: one that no floor can go over cannot be fitted.
    """
    posts, shells = [], []
    kept: list[Post] = []
    base = np.zeros(space.height.shape, dtype=np.bool_)
    for post in standing:
        base |= post.ground | post.island & (space.height < space.top)
        try:
            if any((post.island & other.island).any() for other in kept):
                raise LoftError("a post stands on one that cannot be cut out", "the floor", "the floor goes over both")
            post, shell = _fit_blunter(space, post, left=left)
        except (FieldError, KernelError, LoftError, SectionError):
            if goes_through(space, post):
                raise PostError("what stands up to the mouth cannot be cut out", "body", "it is made of facets instead") from None
            kept.append(post)  # the floor goes over it, or the wall around it, which is safe
            continue
        posts.append(post)
        shells.append(shell)
    return posts, shells, kept, base


def _fit_trunk(space: InsertableSpace, kept: Sequence[Post], base: Bools) -> Shell:
    """Fit wall, floor and pockets over the posts that are `kept`, or around those at the wall, whichever costs less room.

    Raises:
        LoftError: neither can be fitted.
    """
    over, most = None, MOST_LOST * space.volume()
    try:
        over = _fit_pockets(space)
        if not kept:
            return over
        most = _measure_unused(over, space)
    except LoftError:
        if not kept:
            raise
    try:
        return _fit_pockets(raise_to_mouth(space, kept, base, most=most))
    except (FieldError, LoftError, SectionError):
        if over is None:
            raise LoftError("wall and floor do not meet in a simple curve", "body", "it is made of facets instead") from None
    return over


def _fit_pockets(space: InsertableSpace) -> Shell:
    """Fit wall and floor, and what room there is under that floor.

    Raises:
        LoftError: they cannot be fitted, or pockets that cannot be are so large that facets would be better in any case.
    """
    trunk = _fit_tube(space)
    foot = meet_field(trunk.wall, trunk.floor)
    pockets, lost = [], 0.0
    for room, pocket in find_pockets(space, trunk.floor, foot.space[:, :2]):
        try:
            pockets.append(_fit_pocket(pocket, trunk.floor, space.lid))
        except (FieldError, KernelError, LoftError, SectionError):
            lost += room  # stays unused, which is safe
            if lost > MOST_UNUSED * space.volume():
                raise LoftError("a large pocket cannot be fitted", "body", "it is made of facets instead") from None
    return replace(trunk, pockets=tuple(pockets))


def _fit_pocket(pocket: InsertableSpace, floor: Surface, lid: Floats) -> Shell:
    """Fit a pocket that overlaps the body above its `floor` by as much as there is under the lid, whose coefficients are given.

    Raises:
        FieldError, KernelError, LoftError, SectionError: no solid can be made of it.
    """

    def find_open(shell: Shell) -> Floats:
        """Return the places at which no solid can be made of it."""
        flaws = find_flaws(shell.wall, shell.floor, pocket.lid)
        if len(flaws):
            return flaws
        try:
            return find_shut(make_sleeve(shell.wall, *end_pocket(_overlap(shell, floor, lid), floor)))
        except TangleError as error:
            return error.places

    return _overlap(_fit_tube(pocket, find=find_open, most=MOST_OF_POCKET), floor, lid)


def _overlap(pocket: Shell, floor: Surface, lid: Floats) -> Shell:
    """Return a pocket with as much overlap as there is under the lid.

    Raises:
        KernelError: there is none.
    """
    edge = meet_field(pocket.wall, floor).space
    room = 0.5 * float((lid_height(lid, edge[:, 0], edge[:, 1]) - edge[:, 2]).min())
    if room < LEAST_OVERLAP:
        raise KernelError(f"the body above a pocket is {2.0 * room:.2f} mm thick", "body", "its room stays unused")
    return replace(pocket, overlap=min(OVERLAP, room))


def end_pocket(pocket: Shell, floor: Surface) -> tuple[TubeEnd, TubeEnd]:
    """Return the edges in which the wall of a pocket ends below and above."""
    return meet_field(pocket.wall, pocket.floor), meet_field(pocket.wall, replace(floor, poles=floor.poles + pocket.overlap))


def _measure_unused(shell: Shell, space: InsertableSpace) -> float:
    """Return the room that a shell leaves unused outside its wall, under its floor and pockets, and about its posts, mm³."""
    level = np.full(space.height.shape, np.float32(space.top))
    for each in (shell, *shell.pockets):
        plan = meet_field(each.wall, each.floor).space[:, :2]
        inside = fill_loop(plan, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
        within = np.where(inside, each.floor.at(space.x, space.y)[..., 0].T, raster_wall(each.wall, space))
        level = np.where(within > EMPTY, np.minimum(within, level), level)  # a pocket's wall goes on above the floor over it
    for post in shell.posts:
        level = np.maximum(level, cover_ground(space, post.wall, post.floor))
    under = np.minimum(level, space.top) - space.height
    return float(under[under > 0.0].sum()) * space.pitch**2


def _fit_blunter(space: InsertableSpace, post: Post, *, left: float) -> tuple[Post, Shell]:
    """Fit a post as it is, or else one that it lies in, without its notches and ledges. Arguments and result as of `_fit_post`.

    Raises:
        FieldError, KernelError, LoftError, SectionError: none can be fitted; the first one's.
    """
    first: FieldError | KernelError | LoftError | SectionError | None = None
    for how in BLUNT:
        try:
            blunt = post if how is None else blunt_post(space, post, radius=how[0], lean_deg=how[1])
            return _fit_post(space, post, blunt, left=left)
        except (FieldError, KernelError, LoftError, SectionError) as error:
            first = first or error
    assert first is not None
    raise first


def _fit_post(space: InsertableSpace, post: Post, blunt: Post, *, left: float) -> tuple[Post, Shell]:
    """Fit a post upside down, larger and larger until all of it is inside but for what the floor takes at its foot.

    Args:
        space: the insertable space.
        post: what stands in it.
        blunt: what is fitted at first: the post, or one that it lies in.
        left: share of its nodes that may stand out in the end.

    Returns:
        The post without what is left to the floor, and its shell.

    Raises:
        LoftError: more of it still stands out, or no less than the round before.
    """
    grown, before = blunt, np.inf
    for turn in range(POST_ROUNDS):
        turned = _fit_tube(turn_over(space, grown), cover=True)
        wall, cap = turn_back(turned.wall, turned.floor)
        uncut = measure_uncut(space, post, wall, cap)
        kept, shell = leave_foot(space, post, uncut > UNCUT), Shell(wall=wall, floor=cap, split_deg=turned.split_deg)
        out = uncut[kept.island & (uncut > UNCUT)]
        if not len(out):
            return kept, shell
        if out.sum() > GAINS * before:
            break
        before = float(out.sum())
        grown = grow_post(space, grown, uncut * max(1, turn))  # what does not go takes more each time
    kept = leave_foot(space, post, uncut > UNCUT, rise=np.inf)
    if (post.island & ~kept.island).sum() < left * post.island.sum():
        return kept, shell  # the floor goes over less than if there were no post
    raise LoftError(f"{uncut.max():.2f} mm of a post stand out of its fit", "the floor", "the floor goes over it instead")


def _fit_tube(
    space: InsertableSpace, *, cover: bool = False, find: Callable[[Shell], Floats] | None = None, most: float = MOST_GIVEN_UP
) -> Shell:
    """Fit one wall and one floor, relaxing where they meet until they meet in a simple curve.

    Args:
        space: they stay inside, or, to `cover` it, outside.
        find: returns the places (K, 2) at which no solid can be made of a shell; where they do not so meet, if not given.
        most: share of the room that may be given up about these.

    Raises:
        LoftError: no solid can be made of them, however they are relaxed.
    """
    if cover:
        tries = [(space, 0, tuple(each for each in RELAXED if not each[0]))]
    else:
        grounds = (space, _without_shallows(space)) if find is None else (space,)
        tries = [(ground, *how) for ground in grounds for how in ((0, RELAXED), (GIVING_UP, RELAXED[:1]))]
    runs_out = False
    for ground, rounds, relaxed in tries:
        if ground is not space and not runs_out:
            break  # that would leave all as it was
        best, least = choose_split(ground), (1.0 - most) * ground.volume()
        for shift, crossing, edge in relaxed:
            split, room = min(max(best + shift, SPLITS[0]), SPLITS[1]), ground
            for turn in range(1 + rounds):
                shell = _fit_faces(room, split, crossing=crossing, edge=edge, cover=cover)
                flaws = find_flaws(shell.wall, shell.floor, space.lid) if find is None else find(shell)
                if not len(flaws):
                    return shell
                runs_out = runs_out or _lies_shallow(space, flaws)
                if turn < rounds and (room := _give_up(room, flaws)).volume() < least:
                    break
    raise LoftError("wall and floor do not meet in a simple curve", "body", "it is made of facets instead")


def _fit_faces(room: InsertableSpace, split: float, *, crossing: float, edge: float, cover: bool) -> Shell:
    """Fit a wall and a floor that part at a slope of `split` degrees and cross at `crossing` more; see `RELAXED`."""
    floor = find_floor(room, split)
    cleared = without_ledges(room, floor, split + crossing, edge=edge, round_corners=not cover)
    with ThreadPoolExecutor(1) as pool:
        bounds = pool.submit(_bound_floor, cleared, floor, split)
        trace = trace_wall(cleared, floor, split + 0.5 * crossing)
        ground = pool.submit(_fit_floor, cleared, floor, trace, bounds.result(), cover=cover)
        wall = _fit_wall(trace, cleared, ground, cover=cover)
    return Shell(wall=wall, floor=ground.result(), split_deg=split)


def _give_up(space: InsertableSpace, places: Floats) -> InsertableSpace:
    """Return the space less what lies about some places (K, 2) in plan, mm, so that wall and floor are led around them."""
    rows, cols = space.height.shape
    col, row = np.rint((places - space.origin) / space.pitch).astype(int).T
    near = np.zeros((rows, cols), dtype=np.bool_)
    near[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)] = True
    given_up = reach_disc(near, radius=GIVEN_UP, pitch=space.pitch)
    return replace(space, height=np.where(given_up, np.maximum(space.height, np.float32(space.top + BANK)), space.height))


def _without_shallows(space: InsertableSpace) -> InsertableSpace:
    """Return the space without ground that comes up to the mouth, so that a wall is left between floor and lid."""
    shallow = space.height > _lid_grid(space) - np.float32(SHALLOW)
    return replace(space, height=np.where(shallow, np.maximum(space.height, np.float32(space.top + BANK)), space.height))


def _lies_shallow(space: InsertableSpace, places: Floats) -> bool:
    """Return whether the ground comes up to the mouth at one of some places (K, 2) in plan, mm."""
    return bool((sample_height(space, places) > lid_height(space.lid, *places.T) - SHALLOW).any())


def _lid_grid(space: InsertableSpace) -> Singles:
    """Return the lid's height at every node, (R, C) mm."""
    lid: Singles = lid_height(space.lid, *np.meshgrid(space.x, space.y, sparse=True)).astype(np.float32)
    return lid


def _fit_wall(trace: WallTrace, space: InsertableSpace, ground: Future[Surface], *, cover: bool) -> Surface:
    """Fit the wall: periodic around, clamped down; knots where the error is; then moved until it is one-sided.

    ground: the floor, below which there is no wall; waited for when the wall has its knots.
    """
    count, levels, _ = trace.points.shape
    u = np.arange(count) / count
    z = trace.z
    around = float(np.linalg.norm(np.diff(trace.points[:, -1], axis=0, append=trace.points[:1, -1]), axis=1).sum())
    shortest = 3.0 / count  # at least three markers to an interval
    u_axis = uniform_axis(0.0, 1.0, min(1 / 24, 8.0 / around), periodic=True)
    v_axis = uniform_axis(float(z[0]), float(z[-1]), max(2.0, float(np.ptp(z)) / 8))
    inward = _inward(trace.points)
    matters = trace.on_wall
    data = trace.points.copy()
    surface = fit_surface(u, z, data, u_axis, v_axis)
    for _ in range(6):
        error = _misfit(np.where(matters, dot(surface.at(u, z) - data, inward), 0.0), (5, 5), "wrap")
        u_new = u_axis
        if u_axis.poles < WALL_POLES:
            u_new = u_axis.split(interval_error(u_axis, u, error, share=ERROR_SHARE) > WALL_ERROR, shortest=shortest)
        v_new = v_axis.split(interval_error(v_axis, z, error.T, share=ERROR_SHARE) > WALL_ERROR, shortest=0.8)
        if len(u_new.breaks) == len(u_axis.breaks) and len(v_new.breaks) == len(v_axis.breaks):
            break
        u_axis, v_axis = u_new, v_new
        surface = fit_surface(u, z, data, u_axis, v_axis)
    slope = local_slope(space)
    fine_u, fine_z = np.arange(2 * count) / (2 * count), np.sort(np.concatenate([z, 0.5 * (z[:-1] + z[1:]), z[-1:]]))
    shape = (2 * count, 2 * levels)
    free = np.broadcast_to(fine_z < space.top, shape)
    if cover:
        free = free & np.repeat(np.repeat(matters, 2, axis=0), 2, axis=1)
    look = whole = np.flatnonzero(free)
    for turn in range(ROUNDS):
        point, height = surface.at_places(fine_u, fine_z, look), fine_z[look % (2 * levels)]
        ground_there, steep = sample_both(space.height, slope, point, origin=space.origin, pitch=space.pitch)
        lack = _find_short((ground_there - height) / np.maximum(steep, 1.0), cover=cover)  # across it, in plan
        some = np.flatnonzero(lack)
        lack[some[height[some] <= ground.result().at_points(*point[some, :2].T)[:, 0]]] = 0.0
        if lack.max(initial=0.0) < ENOUGH:
            if look is whole:
                break
            look = whole  # only some places were looked at
            continue
        short = np.zeros(shape)
        short.flat[look] = lack
        worst = _pair_up(short)
        data += (-1.2 if cover else 1.2) * _spread(worst, (3 + 2 * turn, 1 + turn))[..., None] * inward
        surface = fit_surface(u, z, data, u_axis, v_axis)
        look = np.flatnonzero(free & _look_again(worst))
    poles = np.empty((*surface.poles.shape[:2], 3))
    poles[..., :2] = surface.poles
    poles[..., 2] = v_axis.abscissae
    return Surface(u_axis, v_axis, poles)


def _inward(points: Floats) -> Floats:
    """Return unit inward normals (N, L, 2) of counter-clockwise loops (N, L, 2)."""
    chord = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    normal = np.stack([-chord[..., 1], chord[..., 0]], axis=-1)
    unit: Floats = normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-12)
    return unit


def _find_short(sunk: Floats, *, cover: bool) -> Floats:
    """Return by how much more than allowed samples lie on the wrong side, mm.

    sunk: how far they lie below the insertable surface, mm, negative above it; that is the wrong side to `cover`.
    """
    short: Floats = np.clip((-sunk if cover else sunk) - ONE_SIDED, 0.0, MOST_AT_ONCE)
    return short


def _misfit(error: Floats, size: tuple[int, int], edge: str) -> Floats:
    """Return the size of the error without the scan's noise, which no knot should chase: its mean over a small window."""
    from scipy import ndimage

    smooth: Floats = np.abs(ndimage.uniform_filter(error, size=size, mode=cast(Any, (edge, "nearest"))))
    return smooth


def _pair_up(values: Floats) -> Floats:
    """Return the greatest of each two by two values (2 N, 2 M), (N, M)."""
    rows = np.maximum(values[::2], values[1::2])
    return np.maximum(rows[:, ::2], rows[:, 1::2])


def _spread(values: Floats, size: tuple[int, int]) -> Floats:
    """Return the local maximum over a window, so that a correction covers its neighbourhood; periodic in the first axis."""
    from scipy import ndimage

    spread: Floats = ndimage.maximum_filter(values, size=size, mode=("wrap", "nearest"))
    return spread


def _look_again(worst: Floats) -> Bools:
    """Return which samples (2 N, 2 M) lie about one that was short, of the worst of each two by two (N, M)."""
    return np.repeat(np.repeat(_spread(worst, LOOK_AGAIN) > ENOUGH, 2, axis=0), 2, axis=1)


@dataclass(frozen=True, eq=False)
class FloorBounds:
    """What holds for a floor wherever the wall is.

    cap   : steepness at which it leaves what is beside it, mm per mm.
    rise  : (R, C) mm, what it may rise to beside the floor's nodes.   under: (R, C) mm, what it stays below.
    beside: (R, C) 1 where a node or one of the eight beside it is on a wall up to the mouth, which is no floor; else 0.
    slope : of the space, as `local_slope`.
    """

    cap: float
    rise: Singles
    under: Singles
    beside: Singles
    slope: Singles


def _bound_floor(space: InsertableSpace, floor: Bools, split_deg: float) -> FloorBounds:
    """Find what bounds the floor, but for the wall's loops."""
    cap = tan(radians(split_deg - CAP))
    up = -dilate_cone(np.where(floor, -space.height, EMPTY).astype(np.float32), slope=cap, pitch=space.pitch)
    return FloorBounds(
        cap=cap, rise=np.minimum(up, space.height), under=_lid_grid(space) - np.float32(UNDER_LID),
        beside=reach_disc(space.height > space.top, radius=1.5 * space.pitch, pitch=space.pitch).astype(np.float32),
        slope=local_slope(space),
    )  # fmt: skip


def _fit_floor(space: InsertableSpace, floor: Bools, trace: WallTrace, bounds: FloorBounds, *, cover: bool) -> Surface:
    """Fit the floor as a height field over the wall's bounding rectangle."""

    target = floor_target(space, trace, bounds)
    low = trace.points.reshape(-1, 2).min(axis=0) - MARGIN
    high = trace.points.reshape(-1, 2).max(axis=0) + MARGIN
    nx, ny = (max(16, ceil(float(span) / FLOOR_SAMPLE)) for span in high - low)
    x, y = np.linspace(low[0], high[0], nx), np.linspace(low[1], high[1], ny)
    grid = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1)
    wanted = sample_grid(target, grid, origin=space.origin, pitch=space.pitch)
    ground = sample_height(space, grid)
    inside = (ground < space.top) & (sample_grid(bounds.beside, grid, origin=space.origin, pitch=space.pitch) == 0.0)
    matters = inside & (wanted > ground - WALLS)
    x_axis, y_axis = uniform_axis(low[0], high[0], 4.0), uniform_axis(low[1], high[1], 4.0)
    data = wanted[..., None].copy()
    surface = fit_surface(x, y, data, x_axis, y_axis)
    for _ in range(4):
        error = _misfit(np.where(matters, (surface.at(x, y) - data)[..., 0], 0.0), (5, 5), "nearest")
        x_new = x_axis.split(interval_error(x_axis, x, error, share=ERROR_SHARE) > FLOOR_ERROR, shortest=0.6)
        y_new = y_axis.split(interval_error(y_axis, y, error.T, share=ERROR_SHARE) > FLOOR_ERROR, shortest=0.6)
        same = len(x_new.breaks) == len(x_axis.breaks) and len(y_new.breaks) == len(y_axis.breaks)
        if same or x_new.poles * y_new.poles > FLOOR_POLES:
            break
        x_axis, y_axis = x_new, y_new
        surface = fit_surface(x, y, data, x_axis, y_axis)
    fine_x, fine_y = np.linspace(low[0], high[0], 2 * nx), np.linspace(low[1], high[1], 2 * ny)
    wide = np.repeat(np.repeat(matters, 2, axis=0), 2, axis=1)
    if cover:
        plan = np.stack(np.meshgrid(fine_x, fine_y, indexing="ij"), axis=-1)
        wide &= sample_grid(floor.astype(np.float32), plan, origin=space.origin, pitch=space.pitch) > 0.99
    whole = np.flatnonzero(wide)
    plan = np.column_stack([fine_x[whole // (2 * ny)], fine_y[whole % (2 * ny)]])
    level, steep = np.empty(wide.size), np.empty(wide.size)  # of the ground, which stays where it is
    level[whole], steep[whole] = sample_both(space.height, bounds.slope, plan, origin=space.origin, pitch=space.pitch)
    wide.flat[whole] = sample_grid(target, plan, origin=space.origin, pitch=space.pitch) > level[whole] - WALLS
    look = whole = np.flatnonzero(wide)
    for turn in range(ROUNDS):
        height = surface.at_places(fine_x, fine_y, look)[:, 0]
        lack = _find_short((level[look] - height) / np.sqrt(1.0 + steep[look] ** 2), cover=cover)
        if lack.max(initial=0.0) < ENOUGH:
            if look is whole:
                break
            look = whole  # only some places were looked at
            continue
        short = np.zeros(wide.shape)
        short.flat[look] = lack
        worst = _pair_up(short)
        data[..., 0] += (-1.4 if cover else 1.4) * _spread(worst, (3 + turn, 3 + turn))
        surface = fit_surface(x, y, data, x_axis, y_axis)
        look = np.flatnonzero(wide & _look_again(worst))
    return surface


def floor_target(space: InsertableSpace, trace: WallTrace, bounds: FloorBounds) -> Singles:
    """Return the floor's height at every node, (R, C): the ground inside the wall, carried on over steep places.

    Beside whatever stands up inside the wall's lowest loops (a boss, a rib, a step) it comes down at the cap slope: safe, above
    the ground. Towards the wall it rises from the floor's edge at the cap slope: below the ground, where the wall is.
    """
    within = np.ones(space.height.shape, dtype=np.bool_)
    for level in np.searchsorted(trace.z[:-1], trace.z[0] + FOOT):  # the lowest cuts corners that the next ones go around
        within &= fill_loop(trace.points[:, level], origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    ground = np.where(within, space.height, EMPTY).astype(np.float32)
    down = dilate_cone(ground, slope=bounds.cap, pitch=space.pitch)
    target: Singles = np.minimum(np.maximum(down, bounds.rise), bounds.under)
    return target
