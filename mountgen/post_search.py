"""What stands up on the floor: bosses, ribs, ridges between two walls, and steps that take a whole side of the recess.

Every node of the insertable surface is led uphill, always to its highest neighbour, until it comes to flat ground or out of the
mouth. What comes out of the mouth is the recess's own wall. What ends on flat ground higher up is the face of something that
stands there: flat ground with a face below it is the top of a boss, rib or step; flat ground without one is the floor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import ceil, radians, tan

import numpy as np

from mountgen.arrays import Bools, Ints
from mountgen.datum import lid_height
from mountgen.dilate import dilate_cone, find_beside, lead_uphill, reach_disc
from mountgen.field import InsertableSpace
from mountgen.grid import EMPTY, fill_loop
from mountgen.post import Post
from mountgen.section import SLOPE_BASE, find_lowest, steepness

LEAST_HEIGHT = 1.0  # mm above the ground around it; lower bumps are left to the floor
LEAST_TOP = 1.0  # mm²; smaller flat spots are noise on a wall
LEAST_LOST, LOST_SHARE = 30.0, 0.001  # mm³ and share of the whole body that a floor coming down beside it would leave unused
RIM_BAND = 0.2  # of the depth; flat ground within it is the rim's flare, if it comes near the outline
FLARE_NEAR = 2.0  # mm from the mouth's outline; what keeps away stands amid the mouth
PAST_MOUTH = 1.2  # mm; how far past the mouth's outline something goes that touches the wall
FUSED = 1.0  # mm under the top of what it stands on, at most, at which a thing meets that one
BESIDE = 3.0  # mm around a thing within which what it stands on shows its top
HOLE = 4.0  # mm²; a smaller hole in its outline is noise
SKIN, LIFTED = 0.4, 2.0  # mm; what comes as near to the lid amid the mouth, stands up to it; how far above the lid it is made to
MOST_POSTS, MOST_TRIED = 12, 40


def lift_islands(space: InsertableSpace) -> InsertableSpace:
    """Return the space with what stands up to the lid amid the mouth made to stand well above it.

    A floor would go over it in a skin under the lid; so it is found as a post, and the body goes around it in a ring.
    """
    from scipy import ndimage

    lid = lid_height(space.lid, *np.meshgrid(space.x, space.y, sparse=True))
    amid = fill_loop(space.mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    label, count = ndimage.label((space.height > lid - SKIN) | ~amid)
    around = np.unique(label[~amid])
    area = ndimage.sum_labels(label > 0, label, np.arange(count + 1)) * space.pitch**2
    islands = (area > HOLE) & ~np.isin(np.arange(count + 1), np.append(around, 0))
    if not islands.any():
        return space
    top = max(space.top, float(lid[amid].max()))  # of a lid that bows out in the middle, where they stand
    return replace(space, height=np.where(islands[label], np.float32(top + LIFTED), space.height), top=top)


def goes_through(space: InsertableSpace, post: Post) -> bool:
    """Return whether a post of a space with lifted islands stands up through the lid, so that no floor can go over it."""
    return bool((post.island & _find_lifted(space)).any())


def _find_lifted(space: InsertableSpace) -> Bools:
    return np.asarray(space.height == np.float32(space.top + LIFTED))


def find_posts(space: InsertableSpace, split_deg: float, *, stacked: bool = False) -> tuple[Post, ...]:
    """Return what stands up on the floor, the highest first.

    Args:
        space: the insertable space.
        split_deg: slope at which floor and wall part, degrees.
        stacked: what stands on another thing ends on that one's top.

    Returns:
        tuple: none for what surrounds lower ground on all sides; a pocket takes the room in there.
    """
    from scipy import ndimage

    lifted = _find_lifted(space)
    inside = (space.height < space.top) | lifted
    label = _label_flat(space, inside & ~lifted, tan(radians(split_deg)))
    label = np.where(lifted, label.max() + ndimage.label(lifted)[0], label).astype(np.int32)
    count = int(label.max())
    flat = label > 0
    index = np.arange(1, count + 1)
    deepest = space.top - find_lowest(space.height, label, count)
    depth = space.top - float(space.height.min())
    area = ndimage.sum_labels(flat, label, index) * space.pitch**2
    at_rim = np.isin(index, label[reach_disc(~inside, radius=FLARE_NEAR, pitch=space.pitch)])
    kept = ((deepest > RIM_BAND * depth) | (deepest < 0.0) | ~at_rim) & (area > LEAST_TOP)
    label = np.concatenate([[0], np.where(kept, index, 0)])[label]
    region = lead_uphill(space.height, np.where(inside, label, -1))
    enough = max(LEAST_LOST, LOST_SHARE * space.volume())
    base = region > 0  # all that is neither wall nor outside; taller things are taken out of it one by one
    tops = [k for k in index[kept] if _stands(space, region == k, label == k)]
    tops.sort(key=lambda k: -float(space.height[label == k].max()))
    if stacked:
        region = _stack(space, region, label, tops)
    posts: list[Post] = []
    for k in tops[:MOST_TRIED]:
        own = region == k
        if _measure_lost(space, own, base, split_deg) < enough:
            continue
        post = _make_post(space, own, label == k, base)
        if post is not None:
            posts.append(post)
            base = base & ~own
    return tuple(posts[:MOST_POSTS])


def _stack(space: InsertableSpace, region: Ints, label: Ints, tops: Sequence[int]) -> Ints:
    """Return the regions (R, C) so that what stands on another thing ends where that one's top begins.

    What lies lower, the face of the other one under a boss at its edge, led uphill past that edge to the boss; it is given back.

    Args:
        space: the insertable space.
        region: what every node belongs to. label: that of the flat ground.
        tops: regions that stand, the highest first.
    """
    from scipy import ndimage

    region = region.copy()
    around = ceil(BESIDE / space.pitch)
    for i, k in enumerate(tops[:MOST_TRIED]):
        rows, cols = (np.flatnonzero((region == k).any(axis=axis)) for axis in (1, 0))
        box = tuple(slice(max(int(used[0]) - around, 0), int(used[-1]) + around + 1) for used in (rows, cols))
        own, flat, height = region[box] == k, label[box], space.height[box]
        for j in set(np.unique(region[box][ndimage.binary_dilation(own)]).tolist()) & set(tops[i + 1 :]):
            if not (flat == j).any():
                continue
            row, col = ndimage.distance_transform_edt(flat != j, return_distances=False, return_indices=True)
            top = height[row, col]
            touch = own & ndimage.binary_dilation(region[box] == j)
            if (height[touch] < top[touch] - FUSED).all():
                continue  # they only meet at their feet
            pieces, count = ndimage.label(own & (flat != k) & (height < top))
            lower = np.isin(np.arange(count + 1), np.setdiff1d(pieces[touch], [0]))[pieces]
            region[box][lower] = j
            own &= ~lower
    return region


def _measure_lost(space: InsertableSpace, own: Bools, base: Bools, split_deg: float) -> float:
    """Return the room that would stay unused if a region were not cut out, mm³.

    Beside it: a floor would come down from it as steeply as it may. Or, where it touches the wall, above it: the wall would go
    around it.
    """
    from scipy import ndimage

    alone = np.where(own, space.height, EMPTY).astype(np.float32)
    over = dilate_cone(alone, slope=tan(radians(split_deg)), pitch=space.pitch) - space.height
    beside = float(over[base & ~own & (over > 0)].sum())
    if (ndimage.binary_dilation(own) & ~base).any():
        beside = min(beside, float((space.top - space.height[own]).sum()))
    return beside * space.pitch**2


def _label_flat(space: InsertableSpace, inside: Bools, slope: float) -> Ints:
    """Return the connected pieces of ground flatter than a slope, (R, C), numbered from 1; 0 elsewhere.

    Flat on average over both sides, so that the crest of a ridge counts and the valley between a face and a wall does not; then
    on to the foot of what rises beside it, where only one side is flat.
    """
    from scipy import ndimage

    step = max(1, round(SLOPE_BASE / space.pitch))
    square = np.zeros(space.height.shape, dtype=np.float32)
    for axis in (0, 1):
        square += (np.roll(space.height, -step, axis) - np.roll(space.height, step, axis)) ** 2
    level = inside & (square < np.float32(slope * 2.0 * step * space.pitch) ** 2)
    label: Ints = np.asarray(ndimage.label(level)[0], dtype=np.int32)
    found = label.copy()
    beside = np.flatnonzero(inside & ~level & (steepness(space) < slope))
    nearest = find_beside(label, beside, radius=1.5 * SLOPE_BASE, pitch=space.pitch)
    beside, nearest = beside[nearest >= 0], nearest[nearest >= 0]
    (row, col), (to_row, to_col) = (np.unravel_index(each, label.shape) for each in (beside, nearest))
    away = np.hypot(row - to_row, col - to_col) * space.pitch
    gentle = np.abs(space.height[row, col] - space.height[to_row, to_col]) < slope * away
    found[row[gentle], col[gentle]] = label[to_row[gentle], to_col[gentle]]
    return found


def _stands(space: InsertableSpace, region: Bools, top: Bools) -> bool:
    """Return whether a region goes down well below its flat ground."""
    face = region & ~top
    return bool(face.any()) and float(space.height[top].min() - space.height[face].min()) > LEAST_HEIGHT


def _make_post(space: InsertableSpace, own: Bools, top: Bools, base: Bools) -> Post | None:
    """Return a region as a post, its top carried on past the wall where it touches that; None where it surrounds lower ground."""
    from scipy import ndimage

    row, col = ndimage.distance_transform_edt(~base, return_distances=False, return_indices=True)
    outside = ndimage.distance_transform_edt(space.height >= space.top) * space.pitch
    island = own | (~base & top[row, col] & (outside < PAST_MOUTH))
    holes = ndimage.binary_fill_holes(island) & ~island
    if (holes & base).sum() * space.pitch**2 > HOLE:  # what is no longer part of the base stands on it
        return None
    pieces, _ = ndimage.label(island | holes)
    island = pieces == 1 + int(np.argmax(np.bincount(pieces.ravel())[1:]))
    ground = base & ~island
    ring = ndimage.binary_dilation(island, iterations=3) & ground
    if not ring.any():
        return None
    surface = np.where(base, space.height, space.height[row, col])
    return Post(island, float(space.height[ring].min()), surface, ground)
