"""Triangles on spline faces halved until they keep their chord error: the kernel's mesher overlooks places.

Every inner edge of its triangles is held against the surface at a quarter, half and three quarters, and every triangle at four
places within, at the same parameters; what is longer than the surface may ripple is halved unseen. Edges along the faces' borders
stay as they are, so that faces still meet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints
from mountgen.child import beside
from mountgen.compiled import compiled
from mountgen.halve import halve_triangles, measure_edges, name_edges
from mountgen.patch import Patch, read_spline
from mountgen.rows import dot, lengths
from mountgen.spline import Surface

ROUNDS = 10  # of halving, at most
MOST = 150_000  # triangles of a face still to be looked at: more than a whole part may have come of a mesh that is no good
SHARE = 0.9  # of the chord, at the places that are looked at: between them triangles are off by a little more
SLIVER = 4.0  # chords; no triangle that is higher can be tipped on edge by what its corners are off
UPRIGHT = 0.1  # cosine of the angle to the surface from which on a triangle stands on edge
LEANING = 0.8  # the same of one that leans so much, 37 degrees, that another pair of triangles is looked for; along a border,
# whose edges are chords that stay, none leans more: halved on and on, triangles beside a long one would end up lying on it
FLIPS = 6  # rounds of that, at most
OVERTURNED = 2.0  # chords; a higher triangle that faces the wrong way has a corner beyond the border, a lower one may just lean
MOST_DROPPED = 100  # such corners of a face; one with more is left as the mesher made it
LONGEST = 6.0  # mm of an inner edge: fitted floors ripple within some millimetres, and between three looks at an edge unseen
ALONG = ((0.5, 0.5), (0.25, 0.75), (0.75, 0.25))  # shares of an edge's ends: on rippled ground the middle alone is met by chance
WITHIN = ((1 / 3, 1 / 3, 1 / 3), (2 / 3, 1 / 6, 1 / 6), (1 / 6, 2 / 3, 1 / 6), (1 / 6, 1 / 6, 2 / 3))  # shares of the corners
FEW = 10_000  # triangles of all faces; fewer are done sooner than a child is there
MADE = ("corners", "parameters", "triangles")  # what is made anew of a patch: its face cannot be sent
SLIM = 1.6  # times as long as an edge that is halved: an edge of the same triangle that is halved too
_jit = compiled(error_model="numpy")  # no division here is by zero


def refine_patches(patches: Sequence[Patch], *, chord: float) -> list[Patch]:
    """Refine the triangles of several faces; where they are many, those of about half of them in a child.

    Args:
        patches: the kernel's own triangles on each face.
        chord: as for `refine_patch`.
    """
    splines = [read_spline(patch.face) for patch in patches]
    patches = [
        patch if spline is None else replace(patch, spline=spline) for patch, spline in zip(patches, splines, strict=True)
    ]
    sizes = {k: len(patch.triangles) for k, patch in enumerate(patches) if patch.spline is not None}
    own: list[int] = []
    given: list[int] = []
    for k in sorted(sizes, key=lambda k: -sizes[k]):  # the largest first, each to where there is less
        lighter = own if sum(sizes[i] for i in own) <= sum(sizes[i] for i in given) else given
        lighter.append(k)

    def refine(which: list[int]) -> dict[int, dict[str, Any]]:
        found = {k: refine_patch(patches[k], chord=chord) for k in which}
        return {k: {name: getattr(each, name) for name in MADE} for k, each in found.items()}

    if sum(sizes.values()) < FEW:
        refined = refine([*own, *given])
    else:
        with beside(lambda: refine(given)) as others:
            refined = refine(own) | others()
    return [replace(patch, **refined[k]) if k in refined else patch for k, patch in enumerate(patches)]


def refine_patch(patch: Patch, *, chord: float) -> Patch:
    """Return a face's triangles, halved where their inner edges or middles are more than `chord` mm off the surface.

    Faces on other surfaces than bicubic splines are returned as they are: the kernel meshes these as finely as it is asked to.

    Args:
        patch: as the kernel has made it.
        chord: mm, measured square to the triangles.

    Returns:
        Patch: the same corners first, but for those inside that lay beyond the border's chords, then those put between them, all
        on the surface.
    """
    surface = patch.spline or read_spline(patch.face)
    if surface is None:
        return patch
    patch = _drop_overturned(patch, surface, chord)
    corners, parameters, fresh = patch.corners, patch.parameters, patch.triangles
    border = _find_border(fresh)
    done: list[Ints] = []
    for _ in range(ROUNDS):
        if len(fresh) > MOST:
            break
        edges, of_face, halve, on = _choose_edges(corners, parameters, fresh, surface, chord)
        while halve.any():
            middle = np.full(len(edges), -1, dtype=np.int32)
            middle[halve] = len(corners) + np.arange(halve.sum(), dtype=np.int32)
            more = np.vstack([corners, on[halve]]), np.vstack([parameters, parameters[edges[halve]].mean(axis=1)])
            parents = np.flatnonzero(halve[of_face].any(axis=1))
            pieces, parent = halve_triangles(fresh[parents], middle[of_face[parents]], more[0])
            at_border = np.isin(name_edges(pieces), border).any(axis=1)
            upright = _find_upright(*more, pieces, surface, chord, cut_from=fresh[parents[parent]])
            tipped = upright < np.where(at_border, LEANING, UPRIGHT)
            if not tipped.any():
                break
            halve[of_face[parents[parent[tipped]]]] = False
        if not halve.any():
            break
        done.append(np.delete(fresh, parents, axis=0))
        (corners, parameters), fresh = more, pieces
    triangles = _flip_slivers(corners, parameters, np.vstack([*done, fresh]), surface, chord)
    return replace(patch, corners=corners, parameters=parameters, triangles=triangles)


def _find_border(triangles: Ints) -> NDArray[np.int64]:
    """Return the names of the edges that only one of the triangles (F, 3) has."""
    names, times = np.unique(name_edges(triangles), return_counts=True)
    return np.asarray(names[times == 1])


def _drop_overturned(patch: Patch, surface: Surface, chord: float) -> Patch:
    """Return a face's triangles without corners that lie on the wrong side of its border.

    The mesher looks at parameters only: where the border is straight in space it is one chord, beside which the straight line of
    its parameters may run by 0.3 mm, and a corner between the two turns its triangle over.
    """
    triangles, border = patch.triangles, _find_border(patch.triangles)
    fixed = np.zeros(len(patch.corners), dtype=np.bool_)
    fixed[np.concatenate([border >> 32, border & 0xFFFFFFFF])] = True
    for _ in range(MOST_DROPPED):
        at_border = fixed[triangles]
        beside = triangles[at_border.any(axis=1) & ~at_border.all(axis=1)]
        beside = np.delete(beside, _find_slim(patch.corners, beside, OVERTURNED * chord)[0], axis=0)
        wrong = beside[_face_off(patch.corners, patch.parameters, beside, surface) < 0.0]
        if not len(wrong):
            break
        corner = wrong[0][~fixed[wrong[0]]][0]
        around = (triangles == corner).any(axis=1)
        triangles = np.vstack([triangles[~around], _fill_star(triangles[around], corner, patch)])
    else:
        return patch
    if triangles is patch.triangles:
        return patch
    used = np.zeros(len(fixed), dtype=np.bool_)
    used[triangles] = True
    number = np.cumsum(used, dtype=np.int32) - 1
    return replace(patch, corners=patch.corners[used], parameters=patch.parameters[used], triangles=number[triangles])


def _fill_star(star: Ints, corner: int, patch: Patch) -> Ints:
    """Return triangles that fill, in parameters, what the triangles `star` around an inner corner take up, without it."""
    after = {}
    for triangle in star.tolist():
        k = triangle.index(corner)
        after[triangle[(k + 1) % 3]] = triangle[(k + 2) % 3]
    loop = [next(iter(after))]
    while len(loop) <= len(star) and (there := after.get(loop[-1])) is not None and there != loop[0]:
        loop.append(there)
    if len(loop) != len(star):  # no one ring goes around it
        return star
    found = []
    while len(loop) > 3:
        ears = np.array([(loop[k - 1], loop[k], loop[(k + 1) % len(loop)]) for k in range(len(loop))], dtype=np.int32)
        turn = _turn(patch.parameters, ears)
        sides = patch.corners[ears[:, [1, 2, 0]]] - patch.corners[ears]
        shape = lengths(np.cross(sides[:, 0], sides[:, 1])) / (sides**2).sum(axis=2).max(axis=1)
        empty = np.array([not _holds(patch.parameters, ear, loop) for ear in ears.tolist()])
        best = int(np.argmax(np.where((turn > 0.0) & empty, 1.0 + shape, shape)))
        found.append(ears[best])
        del loop[best]
    return np.vstack([*found, np.array(loop, dtype=np.int32)])


def _holds(parameters: Floats, ear: list[int], loop: list[int]) -> bool:
    """Return whether any other corner of a loop lies in one of its ears."""
    others = np.array([k for k in loop if k not in ear], dtype=np.int32)
    sides = [np.column_stack([np.full_like(others, ear[k]), np.full_like(others, ear[(k + 1) % 3]), others]) for k in range(3)]
    return bool(np.all([_turn(parameters, side) >= 0.0 for side in sides], axis=0).any())


def _face_off(corners: Floats, parameters: Floats, triangles: Ints, surface: Surface) -> Floats:
    """Return the scalar products (F,) of the triangles' normals and the surface's, of no particular length."""
    return dot(np.cross(*_two_sides(corners, triangles)), _find_normals(parameters[triangles].mean(axis=1), surface))


def _choose_edges(
    corners: Floats, parameters: Floats, triangles: Ints, surface: Surface, chord: float
) -> tuple[Ints, Ints, Bools, Floats]:
    """Return the edges (E, 2) of triangles, each triangle's three (F, 3), which to halve (E,), and their middles on the surface.

    An edge that only one of the triangles has is a border, of the face or of what is done: it stays.
    """
    ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1).reshape(-1, 2)
    names = name_edges(triangles).ravel()
    _, first, inverse, count = np.unique(names, return_index=True, return_inverse=True, return_counts=True)
    edges, inner = ends[first], count == 2
    of_face: Ints = inverse.astype(np.int32).reshape(-1, 3)
    length = measure_edges(corners, *edges.T)
    on, off = _bulge(edges, ALONG, corners, parameters, surface)
    halve = ((off.max(axis=0) > SHARE * chord) | (length > LONGEST)) & inner
    length = length * inner
    longest = of_face[np.arange(len(triangles)), length[of_face].argmax(axis=1)]
    rest = np.flatnonzero(~halve[of_face].any(axis=1))
    rest = rest[_bulge(triangles[rest], WITHIN, corners, parameters, surface)[1].max(axis=0) > SHARE * chord]
    halve[longest[rest]] = inner[longest[rest]]
    while True:  # what is long is halved before what is short, or slivers are cut into thinner ones
        most = (length * halve)[of_face].max(axis=1)
        slim = (most > 0.0) & ~halve[longest] & (length[longest] > SLIM * most)
        if not slim.any():
            break
        halve[longest[slim]] = True
    return edges, of_face, halve, on[0]


def _bulge(
    places: Ints, shares: Sequence[tuple[float, ...]], corners: Floats, parameters: Floats, surface: Surface
) -> tuple[Floats, Floats]:
    """Return points of a surface between corners `places` (N, K), and how far off the flat they are, mm, at each of S `shares`.

    Returns:
        (S, N, 3) mm;  (S, N) mm.
    """
    weights = np.array(shares)
    flat, at = (_blend(places, weights, each) for each in (corners, parameters))
    on = surface.at_points(at[:, 0], at[:, 1])
    return on.reshape(len(shares), -1, 3), _measure_apart(on, flat).reshape(len(shares), -1)


def _flip_slivers(corners: Floats, parameters: Floats, triangles: Ints, surface: Surface, chord: float) -> Ints:
    """Return the triangles with the longest edges of leaning slivers flipped: put across between the two corners beside them.

    That is done where the two new triangles run the same way round and neither leans as much as the worse of the two old ones.
    """
    count = len(corners)
    for _ in range(FLIPS):
        upright = _find_upright(corners, parameters, triangles, surface, chord)
        leaning = np.flatnonzero(upright < LEANING)
        ends = np.stack([triangles, np.roll(triangles, -1, axis=1)], axis=-1)
        side = measure_edges(corners, *ends[leaning].reshape(-1, 2).T).reshape(-1, 3).argmax(axis=1)
        a, b, c = (triangles[leaning, (side + k) % 3].astype(np.int64) for k in range(3))
        keys = ends[..., 0].astype(np.int64).ravel() * count + ends[..., 1].ravel()
        order = np.argsort(keys)
        across = order[np.searchsorted(keys, b * count + a, sorter=order).clip(max=len(order) - 1)]
        other, far = across // 3, triangles[across // 3, (across + 2) % 3]
        fits = keys[across] == b * count + a  # else the edge is a border
        pairs = [np.column_stack(pair) for pair in ((a, far, c), (far, b, c))]
        for pair in pairs:
            fits &= _turn(parameters, pair) * _turn(parameters, triangles[leaning]) > 0.0
            after = _find_upright(corners, parameters, pair, surface, chord)
            fits &= after > np.minimum(upright[leaning], upright[other])
        both = np.column_stack([leaning, other])
        taken = np.zeros(len(triangles), dtype=np.int64)
        np.add.at(taken, both[fits].ravel(), 1)
        fits &= taken[both].max(axis=1, initial=0) == 1  # what two of them want is left as it is, or for the next round
        if not fits.any():
            break
        triangles = triangles.copy()
        triangles[leaning[fits]], triangles[other[fits]] = (pair[fits] for pair in pairs)
    return triangles


def _turn(parameters: Floats, triangles: Ints) -> Floats:
    """Return twice the areas (F,) of triangles in the plane of parameters, negative where they run clockwise."""
    (ux, uy), (vx, vy) = ((parameters[triangles[:, k]] - parameters[triangles[:, 0]]).T for k in (1, 2))
    turn: Floats = ux * vy - uy * vx
    return turn


def _find_upright(
    corners: Floats, parameters: Floats, triangles: Ints, surface: Surface, chord: float, *, cut_from: Ints | None = None
) -> Floats:
    """Return the cosine of the angle (F,) between triangles and the surface, 1 for all that are no slivers.

    Of those it is -1 where they look the other way than the triangles (F, 3) that they were cut from: along a border, whose
    chord may lie 0.2 mm beside the straight line of its parameters, a new corner comes to lie on the wrong side of it.
    """
    slim, normals, double = _find_slim(corners, triangles, SLIVER * chord)
    true = _find_normals(parameters[triangles[slim]].mean(axis=1), surface)
    upright = np.ones(len(triangles))
    if cut_from is not None:
        facing, before = (np.cross(*_two_sides(corners, each)) for each in (triangles, cut_from))
        upright[dot(facing, before) < 0.0] = -1.0
    size = np.maximum(double * np.linalg.norm(true, axis=1), 1e-300)
    upright[slim] = (normals * true).sum(axis=1) / size
    return upright


def _find_normals(at: Floats, surface: Surface) -> Floats:
    """Return vectors square to a surface at parameters (N, 2), (N, 3), of no particular length."""
    step = 1e-4 * np.array([np.ptp(axis.breaks) for axis in (surface.u, surface.v)])
    ways = [sign * step * axis for axis in ([1.0, 0.0], [0.0, 1.0]) for sign in (1.0, -1.0)]
    ahead, behind, left, right = surface.at_points(*np.concatenate([at + way for way in ways]).T).reshape(4, -1, 3)
    return np.cross(ahead - behind, left - right)


def _two_sides(corners: Floats, triangles: Ints) -> tuple[Floats, Floats]:
    """Return two sides of triangles (F, 3) as vectors, (F, 3) mm each."""
    first, second, third = (np.take(corners, triangles[:, k], axis=0) for k in range(3))
    return second - first, third - first


@_jit
def _blend(places, weights, values):  # type: ignore[no-untyped-def]
    """Return the sums of values (V, D) at places (N, K) by each row of weights (S, K), one row after the other, (S N, D)."""
    count, size = places.shape[0], values.shape[1]
    blended = np.zeros((weights.shape[0] * count, size))
    for s in range(weights.shape[0]):
        for n in range(count):
            for k in range(places.shape[1]):
                for d in range(size):
                    blended[s * count + n, d] += weights[s, k] * values[places[n, k], d]
    return blended


@_jit
def _measure_apart(one, other):  # type: ignore[no-untyped-def]
    """Return the distances (N,) between points (N, 3)."""
    apart = np.empty(one.shape[0])
    for n in range(one.shape[0]):
        x, y, z = one[n, 0] - other[n, 0], one[n, 1] - other[n, 1], one[n, 2] - other[n, 2]
        apart[n] = np.sqrt(x * x + y * y + z * z)
    return apart


@_jit
def _find_slim(corners, triangles, least):  # type: ignore[no-untyped-def]
    """Return which triangles are lower than `least` mm over their longest edge, (K,), and their normals (K, 3), (K,) mm² long."""
    slim = np.empty(triangles.shape[0], dtype=np.int64)
    normals, double = np.empty((triangles.shape[0], 3)), np.empty(triangles.shape[0])
    count = 0
    for f in range(triangles.shape[0]):
        a, b, c = corners[triangles[f, 0]], corners[triangles[f, 1]], corners[triangles[f, 2]]
        ux, uy, uz, vx, vy, vz = b[0] - a[0], b[1] - a[1], b[2] - a[2], c[0] - a[0], c[1] - a[1], c[2] - a[2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        wx, wy, wz = vx - ux, vy - uy, vz - uz
        longest = max(ux * ux + uy * uy + uz * uz, vx * vx + vy * vy + vz * vz, wx * wx + wy * wy + wz * wz)
        area = x * x + y * y + z * z
        if area < least * least * longest:
            slim[count], double[count] = f, np.sqrt(area)
            normals[count, 0], normals[count, 1], normals[count, 2] = x, y, z
            count += 1
    return slim[:count], normals[:count], double[:count]
