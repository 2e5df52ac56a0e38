"""Posts: what stands up alone inside the mouth (a boss, a pin), as spaces turned upside down.

A floor fitted as a height field cannot climb a boss. So the floor is fitted as if the boss were not there, and the boss is cut
out afterwards: seen from below it is a recess of its own, which the same loft fits; the result is turned back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import radians, tan

import numpy as np

from mountgen.arrays import Bools
from mountgen.errors import FieldError
from mountgen.field import InsertableSpace, bound_by_mouth, fair_loop
from mountgen.raster import dilate_cone, dilate_disc, fill_loop, sample_grid
from mountgen.spline import Axis, Surface

LEAST_HEIGHT = 1.0  # mm above the ground around it; lower bumps are left to the floor
SKIRT = 0.3  # mm; how far around its steep part a post is cut out
FILLET_SHARE = 0.35  # of a post's height; below that its foot may be rounded into the floor, which the floor's fit covers
BELOW = 1.0  # mm; how far below the ground around it a post reaches
MOST_POSTS = 12


@dataclass(frozen=True, eq=False)
class Post:
    """One post. island: (R, C) bool, its nodes; ground: the lowest ground around it, mm."""

    island: Bools
    ground: float


def find_posts(space: InsertableSpace, floor: Bools) -> tuple[Post, ...]:
    """Return what stands up out of the floor's largest piece without touching anything else."""
    from scipy import ndimage

    label, count = ndimage.label(floor)
    if count == 0:
        return ()
    main = label == 1 + int(np.argmax(np.bincount(label.ravel())[1:]))
    islands, count = ndimage.label(ndimage.binary_fill_holes(main) & ~main)
    posts = []
    for k, box in enumerate(ndimage.find_objects(islands)):
        area = tuple(slice(max(0, s.start - 8), s.stop + 8) for s in box)
        island = islands[area] == k + 1
        ring = ndimage.binary_dilation(island, iterations=3) & main[area]
        if not ring.any():
            continue
        around = space.height[area][ring]
        if float(space.height[area][island].max()) - float(np.median(around)) > LEAST_HEIGHT:
            posts.append(Post(islands == k + 1, float(around.min())))
    return tuple(sorted(posts, key=lambda post: -int(post.island.sum()))[:MOST_POSTS])


def level_posts(space: InsertableSpace, posts: Sequence[Post]) -> InsertableSpace:
    """Return the space as if the posts were not there: the ground under each carried across from around it."""
    from scipy import ndimage

    height = space.height.copy()
    for post in posts:
        rows, cols = np.nonzero(post.island)
        reach = int(max(np.ptp(rows), np.ptp(cols))) + 8
        area = (slice(max(0, rows.min() - reach), rows.max() + reach), slice(max(0, cols.min() - reach), cols.max() + reach))
        known = ~post.island[area] & (space.height[area] < space.top)
        weight = ndimage.gaussian_filter(known.astype(np.float64), 0.3 * reach)
        value = ndimage.gaussian_filter(np.where(known, space.height[area], 0.0).astype(np.float64), 0.3 * reach)
        height[area] = np.where(post.island[area], value / np.maximum(weight, 1e-9), height[area])
    return replace(space, height=height)


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
    grown = dilate_disc(space.height, radius=margin + 0.5 * space.pitch, pitch=space.pitch) + np.float32(margin)
    top = BELOW - post.ground
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
    around = np.linspace(0.0, 1.0, 4 * wall.u.poles, endpoint=False)
    top = float(space.height[post.island].max())
    levels = np.linspace(post.ground + FILLET_SHARE * (top - post.ground), top, 40)
    levels = levels[(levels > wall.v.breaks[0]) & (levels < wall.v.breaks[-1])]
    loops = wall.at(around, levels)
    worst = 0.0
    steps = np.arange(0.02, 0.8, 0.04)
    chord = np.roll(loops[..., :2], -2, axis=0) - np.roll(loops[..., :2], 2, axis=0)
    outward = np.stack([chord[..., 1], -chord[..., 0]], axis=-1)
    outward /= np.maximum(np.linalg.norm(outward, axis=-1, keepdims=True), 1e-12)
    under_cap = loops[..., 2] < cap.at_points(loops[..., 0].ravel(), loops[..., 1].ravel()).reshape(loops.shape[:2])
    for step in steps:
        there = sample_grid(space.height, loops[..., :2] + step * outward, origin=space.origin, pitch=space.pitch)
        if not (under_cap & (there > loops[..., 2])).any():
            break
        worst = float(step)
    points = np.argwhere(post.island)
    plan = np.column_stack([space.x[points[:, 1]], space.y[points[:, 0]]])
    over = space.height[points[:, 0], points[:, 1]].astype(np.float64) - cap.at_points(plan[:, 0], plan[:, 1])[:, 0]
    return max(worst, float(np.quantile(over, 0.98)) if len(over) else 0.0)
