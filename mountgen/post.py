"""Posts: what stands up inside the mouth (a boss, a rib, a step from wall to wall), as spaces turned upside down.

A floor fitted as a height field cannot climb a boss. So the floor is fitted as if the boss were not there, and the boss is cut
out afterwards: seen from below it is a recess of its own, which the same loft fits; the result is turned back. What touches the
wall is carried on past it, so that its faces and the wall's cross at a clear angle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import radians, tan

import numpy as np

from mountgen.arrays import Bools, Singles
from mountgen.errors import FieldError
from mountgen.field import InsertableSpace, bound_by_mouth, fair_loop
from mountgen.raster import EMPTY, dilate_cone, dilate_disc, fill_loop, sample_grid
from mountgen.spline import Axis, Surface

SKIRT = 0.3  # mm; how far around its steep part a post is cut out
FILLET_SHARE = 0.35  # of a post's height; below that its foot may be rounded into the floor, which the floor's fit covers
BELOW = 1.0  # mm; how far below the ground around it a post reaches
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


def level_posts(space: InsertableSpace, posts: Sequence[Post]) -> InsertableSpace:
    """Return the space as if the posts were not there: the ground beside each carried on under it, walls straight down."""
    from scipy import ndimage

    if not posts:
        return space
    height = space.height.copy()
    gone = np.zeros(height.shape, dtype=np.bool_)
    for post in posts:
        gone |= post.island
    known = posts[-1].ground & ~gone
    row, col = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    carried = ndimage.gaussian_filter(height[row, col], CARRY / space.pitch)
    under = gone & (space.height < space.top)
    wall = under & (height > np.max([np.where(post.island, post.surface, EMPTY) for post in posts], axis=0) + 0.01)
    filled = np.where(under & ~wall, carried, height).astype(np.float32)
    return replace(space, height=dilate_cone(filled, slope=1.0 / tan(radians(space.draft_deg)), pitch=space.pitch))


def turn_over(space: InsertableSpace, post: Post, *, margin: float) -> InsertableSpace:
    """Return a post as a recess seen from below: heights change sign, the plan stays. It is made larger by `margin` mm.

    Raises:
        FieldError: the post is too thin to have an outline.
    """
    import shapely
    from contourpy import contour_generator
    from scipy import ndimage

    away = ndimage.distance_transform_edt(~post.island) * space.pitch
    lines = contour_generator(x=space.x, y=space.y, z=np.minimum(away, 4.0)).lines(SKIRT + margin)
    outline = max((shapely.Polygon(line) for line in lines if len(line) > 3), key=lambda r: r.area, default=shapely.Polygon())
    mouth = fair_loop(shapely.make_valid(outline), 0.0)
    inside = fill_loop(mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    if not inside.any():
        raise FieldError("a post has no outline", "the floor", "this is a fault of mountgen: report it with the scan")
    grown = dilate_disc(post.surface, radius=margin, pitch=space.pitch) + np.float32(margin)
    top = BELOW - post.foot
    slope = 1.0 / tan(radians(space.draft_deg))
    bounded = bound_by_mouth((-grown).astype(np.float32), inside, mouth, top, slope, space.origin, space.pitch)
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


def measure_uncut(space: InsertableSpace, post: Post, wall: Surface, cap: Surface) -> float:
    """Return how far the ground of a post stands out of its fitted wall and cap, mm."""
    real = np.where(post.surface == space.height, space.height, EMPTY).astype(np.float32)  # not what was carried past the wall
    around = np.linspace(0.0, 1.0, 4 * wall.u.poles, endpoint=False)
    top = float(post.surface[post.island].max())
    levels = np.linspace(post.foot + FILLET_SHARE * (top - post.foot), top, 40)
    levels = levels[(levels > wall.v.breaks[0]) & (levels < wall.v.breaks[-1])]
    loops = wall.at(around, levels)
    worst = 0.0
    steps = np.arange(0.01, 0.8, 0.02)
    chord = np.roll(loops[..., :2], -2, axis=0) - np.roll(loops[..., :2], 2, axis=0)
    outward = np.stack([chord[..., 1], -chord[..., 0]], axis=-1)
    outward /= np.maximum(np.linalg.norm(outward, axis=-1, keepdims=True), 1e-12)
    under_cap = loops[..., 2] < cap.at_points(loops[..., 0].ravel(), loops[..., 1].ravel()).reshape(loops.shape[:2])
    for step in steps:
        there = sample_grid(real, loops[..., :2] + step * outward, origin=space.origin, pitch=space.pitch)
        if not (under_cap & (there > loops[..., 2])).any():
            break
        worst = float(step)
    points = np.argwhere(post.island & (real > EMPTY))
    plan = np.column_stack([space.x[points[:, 1]], space.y[points[:, 0]]])
    over = post.surface[points[:, 0], points[:, 1]].astype(np.float64) - cap.at_points(plan[:, 0], plan[:, 1])[:, 0]
    return max(worst, float(np.quantile(over, 0.995)) if len(over) else 0.0)
