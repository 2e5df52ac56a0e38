"""What a scanner in front of the mouth sees flat or not at all, and how far the panel was scanned beyond the rim."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, pi, radians, sin

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess
from mountgen.faces import find_middles, measure_faces
from mountgen.grid import EMPTY
from mountgen.raster import raster_faces
from mountgen.surface import surface_of

TILTS_DEG = (20.0, 40.0)  # of a scanner held askew, from the draw direction; further out it gets in its own way
AROUND = 8  # directions a tilt
GRAZING_DEG = 75.0  # between line of sight and normal, from which on points get few and noisy
SAMPLES = 5000  # faces looked at
NEAREST = 5  # of these that a face is like, by the greater part: single faces look any way
SHEET = 2.5  # mm; what hides a face from so near is the same surface scanned twice, or a fold of it
AHEAD = 0.2  # mm in front of a face from which the line of sight starts: noise must not hide it

WANTED = 20.0  # mm of panel beyond the rim
PITCH = 0.5  # mm of the grid in which that is measured
OPEN_EDGE = 2.0  # mm before the line across an open side that count as beyond it: the panel's edge there is rounded


def find_grazing(recess: Recess, bearing: Bools) -> Bools:
    """Return the faces that no usual scanner position sees steeper than GRAZING_DEG, (F,).

    Args:
        recess: the scan in the part frame.
        bearing: (F,) faces that matter; the others are not marked.

    Returns:
        (F,) bool.

    Raises:
        Nothing.
    """
    from scipy.spatial import cKDTree

    rows = np.flatnonzero(bearing)
    some = rows[:: -(-len(rows) // SAMPLES)]
    middles = find_middles(recess.vertices, recess.faces)
    vectors, areas = measure_faces(recess.vertices, recess.faces)
    normals = vectors[some] / np.maximum(areas[some], 1e-12)[:, None]
    surface = surface_of(recess)
    unseen = np.ones(len(some), np.bool_)
    for sight in _list_sights():
        todo = np.flatnonzero(unseen & (normals @ sight > cos(radians(GRAZING_DEG))))
        start = middles[some[todo]] + AHEAD * normals[todo]
        far, _ = surface.cast(start, np.tile(sight, (len(todo), 1)))
        unseen[todo[~np.isfinite(far) | (far < SHEET)]] = False
    grazing = np.zeros(len(bearing), np.bool_)
    near = cKDTree(middles[some]).query(middles[rows], k=min(NEAREST, len(some)))[1].reshape(len(rows), -1)
    grazing[rows] = unseen[near].mean(axis=1) > 0.5
    return grazing


def _list_sights() -> list[Floats]:
    sights = [np.array([0.0, 0.0, 1.0])]
    for tilt in (radians(deg) for deg in TILTS_DEG):
        turns = [2.0 * pi * k / AROUND for k in range(AROUND)]
        sights += [np.array([sin(tilt) * sin(turn), sin(tilt) * cos(turn), cos(tilt)]) for turn in turns]
    return sights


@dataclass(frozen=True, eq=False)
class Border:
    """How far the scan goes beyond the rim. reach: (K,) mm, at each rim point, WANTED + 5 at most; nan where the rim is open."""

    reach: Floats

    @property
    def least(self) -> float:
        """mm; inf where the rim is open all round."""
        return float(np.nanmin(self.reach)) if np.isfinite(self.reach).any() else float("inf")

    @property
    def short(self) -> Bools:
        """Rim points beyond which less than WANTED was scanned, (K,)."""
        return np.asarray(np.nan_to_num(self.reach, nan=np.inf) < WANTED)


def measure_border(recess: Recess) -> Border:
    """Measure how far the scan of the panel goes beyond each point of the rim; holes in it do not count.

    Args:
        recess: the scan in the part frame.

    Returns:
        Border.

    Raises:
        Nothing.
    """
    from scipy import ndimage

    wide = WANTED + 5.0
    low = recess.rim[:, :2].min(axis=0) - wide - 2.0
    high = recess.rim[:, :2].max(axis=0) + wide + 2.0
    shape = (int((high[1] - low[1]) / PITCH) + 1, int((high[0] - low[0]) / PITCH) + 1)
    height = raster_faces(recess.vertices, recess.faces, origin=(float(low[0]), float(low[1])), pitch=PITCH, shape=shape)
    ground = ndimage.binary_fill_holes(np.pad(height > EMPTY, 1))[1:-1, 1:-1]
    is_open = _find_open(recess)
    if is_open.any() and not is_open.all():
        ground |= _lie_beyond(recess.rim[:, :2], is_open, low, shape)
    reach = ndimage.distance_transform_edt(ground) * PITCH
    col, row = np.rint((recess.rim[:, :2] - low) / PITCH).astype(int).T
    found = np.minimum(reach[row, col], wide)
    found[is_open] = np.nan
    return Border(np.asarray(found, dtype=np.float64))


def _find_open(recess: Recess) -> Bools:
    """Return the rim points on the open side, (K,)."""
    if recess.open_side_deg is None:
        return np.zeros(len(recess.rim), np.bool_)
    first, last = recess.open_side_deg
    turn = np.degrees(np.arctan2(recess.rim[:, 0], recess.rim[:, 1])) % 360.0
    return np.asarray((turn - first) % 360.0 <= (last - first) % 360.0)


def _lie_beyond(rim: Floats, is_open: Bools, low: Floats, shape: tuple[int, int]) -> Bools:
    """Return the nodes of the grid beyond the open side: the panel ends there, and no scan can show more of it.

    Args:
        rim: (K, 2), mm; is_open: (K,), neither none nor all.
        low: (2,) the grid's first node, mm.
        shape: its rows and columns.
    """
    out = rim[is_open].mean(axis=0) - rim[~is_open].mean(axis=0)
    line = rim[is_open][np.argsort((rim[is_open] - rim.mean(axis=0)) @ np.array([-out[1], out[0]]))]
    along = line[-1] - line[0]
    normal = np.array([along[1], -along[0]])
    normal *= (1.0 if normal @ out > 0.0 else -1.0) / max(float(np.linalg.norm(normal)), 1e-9)
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    away = (low[0] + PITCH * cols - line[0, 0]) * normal[0] + (low[1] + PITCH * rows - line[0, 1]) * normal[1]
    return np.asarray(away > -OPEN_EDGE)
