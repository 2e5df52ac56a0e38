"""Posts: what stands up inside the mouth (a boss, a rib, a step from wall to wall), as spaces turned upside down.

A floor fitted as a height field cannot climb a boss. So the floor is fitted as if the boss were not there, and the boss is cut
out afterwards: seen from below it is a recess of its own, which the same loft fits; the result is turned back. What touches the
wall is carried on past it, so that its faces and the wall's cross at a clear angle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, radians, tan

import numpy as np

from mountgen.arrays import Bools, Ints, Singles
from mountgen.dilate import dilate_cone, dilate_disc
from mountgen.errors import FieldError
from mountgen.field import InsertableSpace, bound_by_mouth
from mountgen.grid import EMPTY, fill_loop
from mountgen.loop import resample_loop
from mountgen.raster import raster_faces
from mountgen.spline import Axis, Surface

SKIRT = 0.3  # mm; how far around its steep part a post is cut out
FILLET = 1.0  # mm above the lowest ground around a post; up to there its foot may be rounded into the floor, which covers it
WALL_LEVELS = 60  # down a post's wall, where it is looked at
NOTCH = 2.0  # mm; notches of a post's outline narrower than twice this are closed
SPARED = 0.02  # mm that may stand out where a post is made larger
MOST_UNCUT = 0.12  # mm; what stands out farther counts as this much
NEARBY = 1.0  # mm around what stands out within which a post is made larger
BELOW = 1.0  # mm; how far below the ground around it a post reaches
ROOM = 6.0  # mm around a post that its own space has: more than any step of the fit looks past its outline
ABOVE = 5.0  # mm above the mouth's highest point, to which ground is raised that the wall is to go around
CARRY = 1.0  # mm over which the ground carried on under a post is smoothed


@dataclass(frozen=True, eq=False)
class Post:
    """One post.

    island : (R, C) bool, its nodes; past the wall where it touches that.
    foot   : the lowest ground around it, mm.
    surface: (R, C) mm, the ground as if the recess had no wall: at the wall and past it that of the nearest floor or face.
    ground : (R, C) bool, floor and faces that are no wall, without this post and those above it.
    """

    island: Bools
    foot: float
    surface: Singles
    ground: Bools


def level_posts(space: InsertableSpace, posts: Sequence[Post], covers: Sequence[Singles] = ()) -> InsertableSpace:
    """Return the space as if the posts were not there: the ground beside each carried on under it, walls straight down.

    Args:
        space: the insertable space.
        posts: what is cut out of the body.
        covers: where given, how high each is cut out at every node, (R, C) mm: what ground that takes besides goes too.
    """
    from scipy import ndimage

    if not posts:
        return space
    gone = np.zeros(space.height.shape, dtype=np.bool_)
    for post in posts:
        gone |= post.island & (post.surface == space.height)  # the wall stays
    least = np.full(space.height.shape, EMPTY, dtype=np.float32)  # a post is not cut out below its own foot
    for post, cover in zip(posts, covers, strict=False):
        covered = posts[-1].ground & (cover > space.height)
        gone |= covered
        least[covered] = np.maximum(least[covered], np.float32(post.foot))
    row, col = ndimage.distance_transform_edt(~(posts[-1].ground & ~gone), return_distances=False, return_indices=True)
    carried = np.maximum(ndimage.gaussian_filter(space.height[row, col], CARRY / space.pitch), least)
    filled = np.where(gone, np.minimum(carried, space.height), space.height).astype(np.float32)
    return replace(space, height=dilate_cone(filled, slope=1.0 / tan(radians(space.draft_deg)), pitch=space.pitch))


def raise_to_mouth(space: InsertableSpace, posts: Sequence[Post], base: Bools, *, most: float) -> InsertableSpace:
    """Return the space without the room above those posts that stand at its wall: the wall goes around them.

    Args:
        space: the insertable space.
        posts: what stands in it, none cut out.
        base: (R, C) bool, all that is no wall: floor and posts.
        most: mm³ of room that may be lost.

    Raises:
        FieldError: none stands at the wall, or more room would be lost.
    """
    from scipy import ndimage

    raised = np.zeros(space.height.shape, dtype=np.bool_)
    row, col = ndimage.distance_transform_edt(~base, return_distances=False, return_indices=True)
    for post in posts:
        behind = ~base & post.island[row, col]  # the wall's own nodes, and those past the mouth
        if behind.any():
            raised |= post.island | behind
    full = np.where(raised, np.maximum(space.height, space.top + ABOVE), space.height).astype(np.float32)
    filled = replace(space, height=dilate_cone(full, slope=1.0 / tan(radians(space.draft_deg)), pitch=space.pitch))
    pieces, _ = ndimage.label(filled.height < space.top)  # around a ridge from wall to wall only one half would be left
    largest = 1 + int(np.argmax(np.bincount(pieces.ravel(), minlength=2)[1:]))
    left = replace(filled, height=np.where(pieces == largest, filled.height, space.top + ABOVE))
    if not raised.any() or space.volume() - left.volume() > most:
        raise FieldError("nothing at the wall can be gone around at less loss", "body", "it is made of facets instead")
    return filled


def turn_over(space: InsertableSpace, post: Post) -> InsertableSpace:
    """Return a post as a recess seen from below: heights change sign; the plan stays, but only what is about the post is left.

    Raises:
        FieldError: the post is too thin to have an outline.
    """
    import shapely
    from contourpy import contour_generator
    from scipy import ndimage

    room = ceil(ROOM / space.pitch)
    rows, cols = (np.flatnonzero(post.island.any(axis=axis)) for axis in (1, 0))
    about = tuple(slice(max(int(used[0]) - room, 0), int(used[-1]) + room + 1) for used in (rows, cols))
    origin = (space.origin[0] + space.pitch * about[1].start, space.origin[1] + space.pitch * about[0].start)
    space = replace(space, height=-post.surface[about], seen=space.seen[about], origin=origin)
    away = ndimage.distance_transform_edt(~post.island[about]) * space.pitch
    lines = contour_generator(x=space.x, y=space.y, z=np.minimum(away, 4.0)).lines(SKIRT)
    outline = max((shapely.Polygon(line) for line in lines if len(line) > 3), key=lambda r: r.area, default=shapely.Polygon())
    closed = shapely.buffer(shapely.buffer(shapely.make_valid(outline), NOTCH), -NOTCH)
    if closed.is_empty:
        raise FieldError("a post has no outline", "the floor", "this is a fault of mountgen: report it with the scan")
    largest = max(shapely.get_parts(closed), key=lambda part: part.area)
    mouth = resample_loop(np.asarray(shapely.Polygon(largest.exterior).normalize().exterior.coords)[:0:-1], step=0.5)
    inside = fill_loop(mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    top = BELOW - post.foot
    slope = 1.0 / tan(radians(space.draft_deg))
    bounded = bound_by_mouth(space, inside, mouth, brow=(top, 0.0, 0.0), slope=slope)
    return replace(
        space, height=dilate_cone(bounded, slope=slope, pitch=space.pitch), mouth=mouth, top=top,
        lid=np.array([top, 0.0, 0.0, 0.0, 0.0, 0.0]), unseen=(),
    )


def turn_back(wall: Surface, floor: Surface) -> tuple[Surface, Surface]:
    """Return the wall and cap of a post from the wall and floor fitted to it upside down."""
    poles = wall.poles[:, ::-1].copy()
    poles[..., 2] *= -1.0
    upright = Surface(wall.u, Axis(-wall.v.breaks[::-1], False), poles)
    return upright, Surface(floor.u, floor.v, -floor.poles)


def measure_uncut(space: InsertableSpace, post: Post, wall: Surface, cap: Surface) -> Singles:
    """Return how far the ground of a post stands out of its fitted wall and cap, square to it, at every node, (R, C) mm."""
    level = np.minimum(space.height, space.top)  # above the lid there is nothing to cut
    real = np.where(post.surface == space.height, level, EMPTY).astype(np.float32)  # not the wall it touches
    counts = post.island & (real > post.foot + FILLET)
    slope = _slope_of(space.height, space.pitch)
    out = (real - cover_ground(space, wall, cap)) / np.sqrt(1.0 + slope**2)
    uncut: Singles = np.where(counts, np.clip(out, 0.0, MOST_UNCUT), 0.0)
    return uncut


def cover_ground(space: InsertableSpace, wall: Surface, cap: Surface) -> Singles:
    """Return how high a post's fitted wall and cap cover the ground, at every node, (R, C) mm; EMPTY beside them."""
    rise = raster_wall(wall, space)
    brow = wall.at(np.linspace(0.0, 1.0, 4 * wall.u.poles, endpoint=False), wall.v.breaks[-1:])[:, 0, :2]
    rise[fill_loop(brow, origin=space.origin, pitch=space.pitch, shape=rise.shape)] = -EMPTY
    held: Singles = np.minimum(rise, cap.at(space.x, space.y)[..., 0].T)
    return held


def raster_wall(wall: Surface, space: InsertableSpace) -> Singles:
    """Return a wall's greatest height at every node of a space, (R, C) mm; EMPTY where there is none of it."""
    around = np.linspace(0.0, 1.0, 4 * wall.u.poles, endpoint=False)
    loops = wall.at(around, np.linspace(wall.v.breaks[0], wall.v.breaks[-1], WALL_LEVELS))
    faces = _quilt(*loops.shape[:2])
    return raster_faces(loops.reshape(-1, 3), faces, origin=space.origin, pitch=space.pitch, shape=space.height.shape)


def grow_post(space: InsertableSpace, post: Post, uncut: Singles) -> Post:
    """Return a post made larger around where its ground stood out of its fit: higher, and wider where that is at its edge."""
    more = dilate_disc(np.where(uncut > SPARED, uncut, 0.0).astype(np.float32), radius=NEARBY, pitch=space.pitch)
    lifted = post.surface + more * np.sqrt(1.0 + _slope_of(post.surface, space.pitch) ** 2)  # moved outwards by as much
    highest = dilate_disc(post.surface, radius=2.0 * space.pitch, pitch=space.pitch) + more
    wider = post.island | (more > 0)
    return replace(post, island=wider, surface=np.where(more > 0, np.minimum(lifted, highest), post.surface))


def blunt_post(space: InsertableSpace, post: Post, *, radius: float, lean_deg: float) -> Post:
    """Return a post that this one lies in, and that is easier to fit.

    Args:
        space: the insertable space.
        post: what stands in it, perhaps ragged where the scanner looked past it.
        radius: no notch in its outline, at any height, is narrower than a disc of so many mm.
        lean_deg: no face of it is steeper than this from upright, nor than the draft.
    """
    own = np.where(post.island, post.surface, EMPTY).astype(np.float32)
    closed = -dilate_disc(-dilate_disc(own, radius=radius, pitch=space.pitch), radius=radius, pitch=space.pitch)
    steepest = 1.0 / tan(radians(max(lean_deg, space.draft_deg)))
    surface = np.maximum(post.surface, dilate_cone(closed, slope=steepest, pitch=space.pitch))
    return replace(post, surface=surface, island=post.island | (surface > post.surface))


def leave_foot(space: InsertableSpace, post: Post, uncut: Bools, *, rise: float = FILLET) -> Post:
    """Return a post without those of its `uncut` nodes, (R, C), that rise less than so many mm beside the ground: the floor's."""
    from scipy import ndimage

    row, col = ndimage.distance_transform_edt(~post.ground, return_distances=False, return_indices=True)
    low = space.height - space.height[row, col] < rise
    return replace(post, island=post.island & ~(uncut & low))


def _slope_of(height: Singles, pitch: float) -> Singles:
    dy, dx = np.gradient(height, np.float32(pitch))
    slope: Singles = np.hypot(dx, dy)
    return slope


def _quilt(around: int, levels: int) -> Ints:
    """Return the triangles of a grid of points (around, levels) that closes on itself in the first direction."""
    a = np.arange(around)[:, None] * levels + np.arange(levels - 1)[None, :]
    b = (np.arange(around)[:, None] + 1) % around * levels + np.arange(levels - 1)[None, :]
    faces: Ints = np.stack([a, b, b + 1, a, b + 1, a + 1], axis=-1).reshape(-1, 3).astype(np.int32)
    return faces
