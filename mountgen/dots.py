"""Marker dots of a scan, flattened: they are stuck on for the scanner alone and come off before the part goes in.

A dot is a thin round step on ground that is otherwise smooth. Every small patch of the scan is compared with the patches on a
circle around it; where it stands above each two that face each other, a quadric is fitted to the ground around, and what stands
on that is a dot only if it is as thin, round, even and wide as one, ends as abruptly, and has its like elsewhere. All else, and
dots that a border or an edge comes near to, stay as they were scanned, which is safe.

References:
    Dots are 3 to 12 mm wide and 0.1 to 0.2 mm thick (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Floats, Ints
from mountgen.cells import Cells
from mountgen.faces import average_normals
from mountgen.nearest import Tree, build_tree, find_nearest
from mountgen.quadric import list_quadric_terms, make_axes
from mountgen.rows import dot as multiply
from mountgen.rows import extent, lengths

PATCH = 1.0  # mm; the scan is looked at in patches of this size
SIZES = (3.0, 6.0)  # mm; radii of dots looked for: up to the one, up to the other
BESIDE = 0.9  # mm beyond such a dot where the ground is compared with a patch
PAIRS = 4  # of places on that circle that face each other
OFF, NEAR = 0.9, 1.3  # mm; a patch so far beside its place on the circle is not on it; nor is one so far from it
LEVEL = 0.8  # least cosine between the normals of a patch and of those around it
HEIGHT = (0.055, 0.3)  # mm that a dot stands above its ground
RISES = 0.03  # mm that a patch stands above the mean of each pair
WIDER, BENT = 1.35, 1.45  # times the circle; times as far above that at most: what is only bent stands 1.8 times as far above it
RADIUS = (1.2, 6.6)  # mm
LAND = (0.9, 2.8)  # mm beyond a dot's edge between which its ground is fitted
FEWEST, FEWEST_ON, FEWEST_PATCHES = 24, 6, 4  # vertices of the ground and of the dot; patches of it
FITS = 4  # of middle and radius, one after the other
UNEVEN = 0.3  # of its height by which the mean of an eighth of the ground may be off the quadric
ABOVE_NOISE = 2.0  # times the noise that it is high
QUIET = 0.4  # of its height that the ground may be rough, or it is one grain of many
ROUGH = 0.2  # of its height by which the vertices of its top may be off their mean, besides one and a half times the noise
ROUND = 1.5  # times longer than wide, at most
FULL = (0.7, 1.35)  # area over that of a circle of its spread: a ring or a cross is no dot
STEEP = (0.3, 0.75)  # of its height that is left just outside its edge at most, and is there just inside at least: no dome
STEP = 0.5  # mm between circles about a dot on which its height is averaged
SKIRT = 1.2  # mm beyond its radius over which a dot's edge, blurred by the scanner, runs out
EIGHTHS = 8
FEWEST_ALIKE, ALIKE = 3, (0.4, 0.06)  # dots come by the sheet: so many have radius and height alike, mm
ALIKE_SHARE = 0.6  # of all that look like dots


@dataclass(frozen=True)
class Dots:
    """A scan without its dots. vertices: (V, 3) mm; radii, heights: of each dot, mm."""

    vertices: Floats
    radii: tuple[float, ...]
    heights: tuple[float, ...]


def flatten_dots(vertices: Floats, faces: Ints, *, noise: float) -> Dots:
    """Find marker dots and take them off the ground they stand on.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, normals to the free side.
        noise: the scan's, along the normal, standard deviation, mm.

    Returns:
        Dots: the same array of vertices where there is none.
    """
    normals = average_normals(vertices, faces)
    patches, facing = _make_patches(vertices, normals)
    about = build_tree(patches, np.arange(len(patches), dtype=np.int32)[:, None].repeat(3, axis=1))  # triangles of one corner
    dots: list[_Dot] = []
    taken = np.zeros(len(vertices), dtype=np.bool_)
    for size in SIZES:
        near: Cells | None = None
        for place, patch in _choose_seeds(patches, _stand_above(patches, facing, about, size + BESIDE), 0.7 * size):
            if any(np.linalg.norm(place - dot.middle) < dot.radius for dot in dots):
                continue
            near = near or Cells(vertices, 2.0 * size + LAND[1])
            around = np.sort(near.find(place[None])[1])
            around = around[normals[around] @ facing[patch] > LEVEL]
            dot = _fit_dot(vertices, around, place, facing[patch], size=size, noise=noise)
            if dot is not None and not taken[dot.on].any():
                taken[dot.on] = True
                dots.append(dot)
    dots = _choose_alike(dots)
    if dots:
        vertices = vertices.copy()
    for dot in dots:
        vertices[dot.around] -= dot.lift
    return Dots(vertices, tuple(dot.radius for dot in dots), tuple(dot.height for dot in dots))


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.maximum(lengths(vectors), 1e-30)[:, None])


def _make_patches(vertices: Floats, normals: Floats) -> tuple[Floats, Floats]:
    """Return the middles of patches (P, 3) and their unit normals (P, 3); sheets back to back are patches of their own."""
    cell = np.floor((vertices - extent(vertices)[0]) / PATCH).astype(np.int64)
    side = np.abs(normals).argmax(axis=1)
    way = 2 * side + (normals[np.arange(len(normals)), side] > 0.0)
    size = cell[:, 0].max() + 1, cell[:, 1].max() + 1, cell[:, 2].max() + 1
    key = ((cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]) * 6 + way
    _, patch, count = np.unique(key, return_inverse=True, return_counts=True)
    middle = np.stack([np.bincount(patch, vertices[:, d]) / count for d in range(3)], axis=1)
    return middle, _unit(np.stack([np.bincount(patch, normals[:, d]) for d in range(3)], axis=1))


def _stand_above(patches: Floats, facing: Floats, about: Tree, radius: float) -> Floats:
    """Return how far patches stand above the mean of those on a circle around them, (P,) mm; 0 where they may be no dot.

    A dot stands above every two that face each other, and above a wider circle hardly more than above this one; what is merely
    bent stands above it by the square of its radius.
    """
    narrow = _rise(patches, facing, about, radius, np.arange(len(patches)))
    wide = _rise(patches, facing, about, WIDER * radius, np.flatnonzero(narrow))
    return np.where((wide > 0.0) & (wide < BENT * narrow), narrow, 0.0)


def _rise(patches: Floats, facing: Floats, about: Tree, radius: float, left: NDArray[np.int64]) -> Floats:
    """Return how far the patches `left` (N,) stand above a circle, (P,) mm; 0 for all others, and if not above every pair."""
    total = np.zeros(len(patches))
    for turn in np.arange(PAIRS) * (pi / PAIRS):
        own, away = np.take(patches, left, axis=0), np.take(facing, left, axis=0)
        right, up = make_axes(away)
        along = np.cos(turn) * right + np.sin(turn) * up
        rise, there = np.zeros(len(left)), np.ones(len(left), dtype=np.bool_)
        for way in (radius, -radius):
            place = own + way * along
            found = find_nearest(about, place, travel=0.0, bound=np.full(len(place), NEAR)).face
            there &= found >= 0
            found[~there] = 0
            off = np.take(patches, found, axis=0) - place
            higher = multiply(off, away)
            aside = multiply(off, off) - higher**2
            there &= (aside < OFF**2) & (multiply(np.take(facing, found, axis=0), away) > LEVEL)
            rise -= 0.5 * higher
        stays = there & (rise > RISES) & (rise < 2.0 * HEIGHT[1])
        total[left] += rise / PAIRS
        total[left[~stays]] = 0.0
        left = left[stays]
    return total


def _choose_seeds(patches: Floats, above: Floats, reach: float) -> list[tuple[Floats, int]]:
    """Return where dots may be: the middle (3,) of what stands out within `reach` mm of a patch, and that; the firmest first."""
    high = np.flatnonzero(above > 0.0)
    seeds: list[tuple[Floats, int]] = []
    if len(high):
        places, rise = patches[high], above[high]
        start, near = Cells(places, reach).find(places)
        firm = np.add.reduceat(rise[near], start[:-1])  # each is near itself
        left = np.diff(start) >= FEWEST_PATCHES
        for k in np.argsort(-firm, kind="stable"):
            if left[k]:
                some = near[start[k] : start[k + 1]]
                seeds.append((np.average(places[some], axis=0, weights=rise[some]), int(high[k])))
                left[some[np.linalg.norm(places[some] - places[k], axis=1) <= 0.8 * reach]] = False
    return seeds


@dataclass(frozen=True)
class _Dot:
    """around: (N,) vertices that `lift` (N, 3) mm is taken off; on: (M,) those on it; middle: (3,); radius, height: mm."""

    middle: Floats
    around: Ints
    lift: Floats
    on: Ints
    radius: float
    height: float

    def is_like(self, other: _Dot) -> bool:
        """Return whether both may be off one sheet."""
        return abs(self.radius - other.radius) < ALIKE[0] and abs(self.height - other.height) < ALIKE[1]


def _choose_alike(dots: list[_Dot]) -> list[_Dot]:
    """Return the most dots that are like one of them; none where they are few, or the lesser part: then it is the grain."""
    groups = [[other for other in dots if dot.is_like(other)] for dot in dots]
    most = max(groups, key=len, default=[])
    return most if len(most) >= max(FEWEST_ALIKE, ALIKE_SHARE * len(dots)) else []


def _fit_dot(
    vertices: Floats, around: Ints, seed: Floats, facing: Floats, *, size: float, noise: float
) -> _Dot | None:
    """Return the dot of about a size that stands at a seed, on ground that the vertices `around` are of; None for no dot."""
    (right,), (up,) = make_axes(facing[None])
    whole = (vertices[around] - seed) @ np.column_stack([right, up, facing])
    centre, radius = np.zeros(2), size
    for turn in range(FITS + 1):
        clear = radius + (0.25 * size if turn == 0 else 0.0)  # its middle is not known yet
        away = np.hypot(*(whole[:, :2] - centre).T)
        near = np.flatnonzero(away < clear + LAND[1])
        away, flat = away[near], whole[near]
        plan, land = flat[:, :2], away > clear + LAND[0]
        eighth = _find_eighth(plan - centre)
        if land.sum() < FEWEST or not np.bincount(eighth[land], minlength=EIGHTHS).all():
            return None
        terms = list_quadric_terms(plan - centre)
        over = flat[:, 2] - terms @ np.linalg.lstsq(terms[land], flat[land, 2], rcond=None)[0]
        core = over[away < 0.6 * radius]
        height = float(np.median(core)) if len(core) > 2 else 0.0
        on = (away < radius + LAND[0]) & (over > 0.5 * height)
        if not HEIGHT[0] < height < HEIGHT[1] or on.sum() < FEWEST_ON:
            return None
        spread = np.linalg.eigvalsh(np.cov(plan[on].T))
        if turn < FITS:
            centre, radius = plan[on].mean(axis=0), 2.0 * sqrt(float(spread.mean()))  # the variance of a disc is r² / 4
            if not RADIUS[0] < radius < size + BESIDE:
                return None
    uneven = np.bincount(eighth[land], over[land], EIGHTHS) / np.bincount(eighth[land], minlength=EIGHTHS)
    full = float(on.sum() / (away < radius + LAND[0]).sum()) * ((radius + LAND[0]) / radius) ** 2
    is_dot = (
        np.abs(uneven).max() < UNEVEN * height + noise / 3.0
        and np.std(over[land]) < QUIET * height
        and height > ABOVE_NOISE * noise
        and spread[1] < ROUND**2 * spread[0]
        and FULL[0] < full < FULL[1]
        and _ends_abruptly(away, over, radius, rough=ROUGH * height + 1.5 * noise)
    )
    if not is_dot:
        return None
    around = around[near]
    lift = _profile(away, over, radius)[:, None] * facing
    return _Dot(vertices[around[on]].mean(axis=0), around, lift, around[on], radius, height)


def _ends_abruptly(away: Floats, over: Floats, radius: float, *, rough: float) -> bool:
    """Return whether what is `over` (N,) mm above its ground, `away` (N,) from its middle, has an even top and a sharp edge."""
    top, shoulder = away < 0.6 * radius, (away > 0.6 * radius) & (away < radius - 0.5 * STEP)
    foot = (away > radius + STEP) & (away < radius + SKIRT)
    if min(top.sum(), shoulder.sum(), foot.sum()) < 3:
        return False
    height = float(over[top].mean())
    return bool(
        np.std(over[top]) < rough and over[shoulder].mean() > STEEP[1] * height and over[foot].mean() < STEEP[0] * height
    )


def _find_eighth(plan: Floats) -> NDArray[np.int64]:
    """Return in which eighth of a turn about the origin points (N, 2) lie, (N,)."""
    return np.floor((np.arctan2(plan[:, 1], plan[:, 0]) + pi) * (EIGHTHS / (2.0 * pi))).astype(np.int64) % EIGHTHS


def _profile(away: Floats, over: Floats, radius: float) -> Floats:
    """Return what to take off points (N,) by their distance from a dot's middle, mm: its mean height on circles about that."""
    reach = radius + SKIRT
    rings = np.arange(0.0, reach + STEP, STEP)
    number = np.minimum(np.rint(away / STEP).astype(np.int64), len(rings))
    count = np.bincount(number, minlength=len(rings) + 1)[: len(rings)]
    mean = np.bincount(number, over, len(rings) + 1)[: len(rings)] / np.maximum(count, 1)
    held = count >= min(3, int(count.max()))
    mean = np.maximum(np.interp(rings, rings[held], mean[held]), 0.0)
    mean[rings >= reach] = 0.0
    lift: Floats = np.where(away < reach, np.interp(away, rings, mean), 0.0)
    return lift
