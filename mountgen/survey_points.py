"""How densely and how quietly a scan's points lie where a part will bear: on walls and floor, not on the panel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.datum import Recess, lid_height
from mountgen.faces import find_middles, measure_faces
from mountgen.scan import MAD_TO_SIGMA, measure_spacing, sample_noise

BELOW = 1.5  # mm under the mouth from which on it is wall; nearer it is the rounding of the rim, or noise of the panel
BESIDE = 1.5  # mm by which a wall may stand outside the rim in plan: noise, and walls without any draft
PATCH = 20.0  # mm; side of the cubes in which places are told apart
AROUND = 100  # points around a place that tell its noise to about 10 %
PLACES = 1500  # places whose noise is compared
SAMPLES = 20_000  # points looked at for the noise


@dataclass(frozen=True)
class Patch:
    """A place of the recess with a value of its own: x, y, depth below the mouth, mm."""

    x: float
    y: float
    depth: float
    value: float


@dataclass(frozen=True)
class Points:
    """spacing: median distance of neighbours; noise: one standard deviation; noisiest: the place with most noise. All mm."""

    spacing: float
    noise: float
    noisiest: Patch | None


def find_bearing(recess: Recess) -> Bools:
    """Return the faces on which a part may come to bear, (F,): inside the mouth and below the rounding of its rim.

    Args:
        recess: the scan in the part frame.

    Returns:
        (F,) bool.

    Raises:
        Nothing.
    """
    middle = find_middles(recess.vertices, recess.faces)
    below = depth_below(recess, middle) > min(BELOW, 0.3 * recess.depth)
    inside = np.zeros(len(middle), np.bool_)
    inside[below] = is_inside(recess, middle[below, :2], margin=BESIDE)
    return inside


def depth_below(recess: Recess, points: Floats) -> Floats:
    """Return how far points (N, 3) lie below the mouth, (N,) mm."""
    return np.asarray(lid_height(recess.lid, points[:, 0], points[:, 1]) - points[:, 2])


def is_inside(recess: Recess, points: Floats, *, margin: float = 0.0) -> Bools:
    """Return which of points (N, 2) lie within the rim, or up to `margin` mm beside it, seen along the draw direction."""
    import shapely

    mouth = shapely.Polygon(recess.rim[:, :2])
    mouth = mouth.buffer(margin, join_style="mitre") if margin else mouth
    shapely.prepare(mouth)
    return np.asarray(shapely.contains_xy(mouth, points[:, 0], points[:, 1]), dtype=np.bool_)


def measure_points(recess: Recess, bearing: Bools) -> Points:
    """Measure spacing and noise of the points on which a part may come to bear.

    Args:
        recess: the scan in the part frame.
        bearing: (F,) as from `find_bearing`, at least one set.

    Returns:
        Points.

    Raises:
        Nothing.

    References:
        `scan.sample_noise`.
    """
    used, local = np.unique(recess.faces[bearing], return_inverse=True)
    vertices, faces = recess.vertices[used], local.reshape(-1, 3).astype(np.int32)
    at, errors = sample_noise(vertices, faces, most=SAMPLES)
    noise = float(MAD_TO_SIGMA * np.median(errors)) if len(errors) else 0.0
    noisiest = _find_noisiest(recess, vertices[at], errors) if len(errors) >= AROUND else None
    return Points(measure_spacing(vertices, faces), noise, noisiest)


def _find_noisiest(recess: Recess, places: Floats, errors: Floats) -> Patch:
    """Return the place among whose nearest points the noise is greatest. places: (N, 3); errors: (N,) mm, from `sample_noise`."""
    from scipy.spatial import cKDTree

    some = places[:: -(-len(places) // PLACES)]
    near = cKDTree(places).query(some, k=AROUND)[1]
    noise = MAD_TO_SIGMA * np.median(errors[near], axis=1)
    worst = int(noise.argmax())
    return make_patch(recess, some[worst][None], float(noise[worst]))


def find_coarsest(recess: Recess, bearing: Bools, *, wider: float) -> tuple[float, Patch | None]:
    """Find where points lie wider apart than `wider`, mm: the share of bearing area where they do, and the worst cube.

    Args:
        recess: the scan in the part frame.
        bearing: (F,) as from `find_bearing`.
        wider: distance of neighbours, mm; a face counts by the square as large as the two triangles of a square grid.

    Returns:
        Share, 0..1; the cube with most such area, its value that area, mm², or None where there is none.

    Raises:
        Nothing.
    """
    faces = recess.faces[bearing]
    areas = measure_faces(recess.vertices, faces)[1]
    wide = 2.0 * areas > wider * wider
    if not wide.any():
        return 0.0, None
    return float(areas[wide].sum() / areas.sum()), find_densest(recess, find_middles(recess.vertices, faces[wide]), areas[wide])


def find_densest(recess: Recess, places: Floats, weight: Floats) -> Patch:
    """Return the cube in which most of the weight (N,) of places (N, 3) lies, its value that weight; N >= 1."""
    cell = max(list_patches(places), key=lambda rows: float(weight[rows].sum()))
    return make_patch(recess, places[cell], float(weight[cell].sum()), weight=weight[cell])


def make_patch(recess: Recess, places: Floats, value: float, *, weight: Floats | None = None) -> Patch:
    """Return the patch about the mean of places (N, 3)."""
    share = None if weight is None else weight + np.finfo(np.float64).tiny  # faces without area have a place, too
    middle = np.average(places, axis=0, weights=share)
    return Patch(float(middle[0]), float(middle[1]), float(depth_below(recess, middle[None])[0]), value)


def list_patches(places: Floats) -> list[Ints]:
    """Return which of places (N, 3) share a cube of PATCH mm, an array of their numbers for each cube."""
    if not len(places):
        return []
    _, cell = np.unique(np.floor(places / PATCH).astype(np.int64), axis=0, return_inverse=True)
    order = np.argsort(cell.ravel(), kind="stable").astype(np.int32)
    return np.split(order, np.flatnonzero(np.diff(cell.ravel()[order])) + 1)
