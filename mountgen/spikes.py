"""Spikes of a scan: single vertices far off the ground around them, taken back to it.

A scanner resolves nothing that is as thin as its points lie apart: where one vertex stands off ground that is smooth all
around it, it was misread, off a gloss or an edge behind. Left alone, the part would be given a dent for each. A wire or pin as
thin looks the same, so where the spikes stood is kept, to be told.

References:
    P. J. Rousseeuw (1984), J. Amer. Stat. Assoc. 79:871-880, doi:10.1080/01621459.1984.10477105 (least median of squares).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats, Ints, read_only
from mountgen.compiled import compiled
from mountgen.faces import measure_faces
from mountgen.quadric import list_quadric_terms, make_axes
from mountgen.rings import gather_rings, list_neighbours
from mountgen.rows import lengths

ABOVE_NOISE = 6.0  # standard deviations
ABOVE_SPACING = 0.6  # of the spacing; less is the unevenness of a coarse mesh
SUSPECT = 0.6  # of that, from which on a vertex is looked at: a second spike beside lifts the mean of its neighbours
WIDEST = 3.0  # mm from the middle of its neighbours to these; more is form
FEWEST, MOST = 8, 28  # vertices of two rings around a spike; a regular mesh has 18
NEAREST = 3  # neighbours at least; at a border, one less than there are
PLANES = 24  # planes through three of them that are tried
SMOOTH, SMOOTH_SHARE = 0.25, 0.8  # of its height that so many of the vertices around may be off their plane
WITHIN = 4.0  # times the median off the plane, 2.7 standard deviations: what is further off is none of the ground
OFF = 0.5  # of its height from which on a neighbour is off the plane too
PASSES = 3  # spikes beside spikes come to light one after the other

_jit = compiled()


@dataclass(frozen=True)
class Spikes:
    """A scan without its spikes. vertices: (V, 3) mm; tips: (K, 3) where they stood; heights: (K,) off the ground, mm."""

    vertices: Floats
    tips: Floats
    heights: Floats


def flatten_spikes(vertices: Floats, faces: Ints, *, noise: float, spacing: float) -> Spikes:
    """Find single vertices that stand off the ground around them, and take them back to it.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, normals to the free side.
        noise: the scan's, along the normal, standard deviation, mm.
        spacing: median edge length, mm.

    Returns:
        Spikes: the same array of vertices where there is none.
    """
    least = max(ABOVE_NOISE * noise, ABOVE_SPACING * spacing)
    moved, found = vertices, np.zeros(0, dtype=np.int32)
    links: tuple[NDArray[np.int64], Ints] | None = None
    for _ in range(PASSES):
        suspects = np.flatnonzero(np.abs(_stand_off(moved, faces)) > SUSPECT * least)
        if not len(suspects):
            break
        links = links or list_neighbours(faces, len(vertices))
        which, ground = _judge(moved, links, suspects.astype(np.int32), least)
        if not len(which):
            break
        moved = moved.copy() if moved is vertices else moved
        moved[which] = ground
        found = np.union1d(found, which).astype(np.int32)
    if not len(found):
        return Spikes(vertices, np.empty((0, 3)), np.empty(0))
    return Spikes(moved, vertices[found], lengths(vertices[found] - moved[found]))


def _judge(vertices: Floats, links: tuple[NDArray[np.int64], Ints], suspects: Ints, least: float) -> tuple[Ints, Floats]:
    """Return which of the suspects are spikes (N,), and the points of the ground (N, 3) amid their neighbours."""
    rings, counts = gather_rings(*links, suspects, MOST)
    enough = counts > FEWEST
    rings, counts = rings[enough], counts[enough]
    near = np.arange(1, MOST) < counts[:, None]
    first = near & (np.arange(1, MOST) <= np.minimum(links[0][rings[:, 0] + 1] - links[0][rings[:, 0]], MOST)[:, None])
    around = vertices[rings[:, 1:]] - vertices[rings[:, :1]]
    normal, shift, median = _lay_planes(around, counts - 1)
    over = np.einsum("nki,ni->nk", around, normal) - shift[:, None]
    height = np.abs(shift)  # of the vertex itself, at 0
    smooth = ((np.abs(over) < SMOOTH * height[:, None]) & near).sum(axis=1) >= SMOOTH_SHARE * near.sum(axis=1)
    high = np.abs(over) > OFF * height[:, None]
    off = high & first
    on = near & (np.abs(over) <= WITHIN * median[:, None])
    middle = _average(around, first & ~off)
    wide = _average(np.linalg.norm(around - middle[:, None], axis=2)[..., None], first & ~off)[:, 0]
    is_spike = (height > least) & smooth & (wide < WIDEST) & (first.sum(axis=1) >= NEAREST) & (off.sum(axis=1) <= 1)
    while True:  # the end of a thin rib has one neighbour that stands up too, and that one has two
        spikes = rings[is_spike, 0]
        kept = is_spike & (~off | np.isin(rings[:, 1:], spikes)).all(axis=1)
        if (kept == is_spike).all():
            break
        is_spike = kept
    ground = [
        middle[k] + _find_ground(around[k, on[k]] - middle[k], normal[k]) for k in np.flatnonzero(is_spike)
    ]
    which = rings[is_spike, 0]
    return which, vertices[which] + np.reshape(ground, (-1, 3))


def _lay_planes(points: Floats, counts: Ints) -> tuple[Floats, Floats, Floats]:
    """Return the planes off which points (N, K, 3) are least in the median: unit normals (N, 3), distances from 0, medians."""
    rng = np.random.default_rng(1)  # the same planes for the same scan
    rows = np.arange(len(points))
    here = np.arange(points.shape[1]) < counts[:, None]
    best = np.full(len(points), np.inf)
    normal, shift = np.tile([0.0, 0.0, 1.0], (len(points), 1)), np.zeros(len(points))
    for shares in rng.random((PLANES, 3)):
        a, b, c = (points[rows, (share * counts).astype(np.int64)] for share in shares)
        across = np.cross(b - a, c - a)
        size = lengths(across)
        across = across / np.where(size > 0.0, size, 1.0)[:, None]
        at = np.einsum("ni,ni->n", across, a)
        off = np.where(here, np.abs(np.einsum("nki,ni->nk", points, across) - at[:, None]), np.inf)
        median = np.where(size > 0.0, np.sort(off, axis=1)[rows, counts // 2], np.inf)
        better = median < best
        best[better], normal[better], shift[better] = median[better], across[better], at[better]
    return normal, shift, best


def _average(values: Floats, counted: Bools) -> Floats:
    """Return the means (N, D) of those of values (N, K, D) that are counted (N, K)."""
    return np.asarray((values * counted[..., None]).sum(axis=1) / np.maximum(counted.sum(axis=1), 1)[:, None])


def _find_ground(points: Floats, normal: Floats) -> Floats:
    """Return where the ground, points (K, 3) of which are given, lies along a normal through 0, (3,)."""
    right, up = (axis[0] for axis in make_axes(normal[None]))
    terms, over = list_quadric_terms(points @ np.column_stack([right, up])), points @ normal
    if len(terms) < 2 * terms.shape[1]:
        terms = terms[:, :3]
    return np.asarray(np.linalg.lstsq(terms, over, rcond=None)[0][0] * normal)


def _stand_off(vertices: Floats, faces: Ints) -> Floats:
    """Return how far vertices stand above the mean of their neighbours, along the normal of the polygon of those, (V,) mm."""
    vectors, _ = measure_faces(vertices, faces)
    off: Floats = _off_mean(read_only(vertices, np.float64), read_only(faces, np.int32), vectors)
    return off


@_jit
def _off_mean(vertices, faces, vectors):  # type: ignore[no-untyped-def]
    normal = np.zeros(vertices.shape)
    mean = np.zeros(vertices.shape)
    count = np.zeros(vertices.shape[0])
    for f in range(faces.shape[0]):
        for i in range(3):
            at, one, two = faces[f, i], faces[f, (i + 1) % 3], faces[f, (i + 2) % 3]
            count[at] += 2.0
            for k in range(3):
                normal[at, k] += vectors[f, k]
                mean[at, k] += vertices[one, k] + vertices[two, k]
    off = np.zeros(vertices.shape[0])
    for v in range(vertices.shape[0]):
        size = np.sqrt(normal[v, 0] ** 2 + normal[v, 1] ** 2 + normal[v, 2] ** 2)
        if size > 0.0:
            for k in range(3):
                off[v] += (vertices[v, k] - mean[v, k] / count[v]) * normal[v, k] / size
    return off
