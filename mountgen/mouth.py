"""The mouth as one look along a trial draw direction finds it: the ground seen, the lid over it, the rim, the depth.

What the recipe gives by hand, a point of the recess, the rim or the mouth plane, stands in for what would be looked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.dilate import reach_disc
from mountgen.errors import DatumError
from mountgen.frames import move_into
from mountgen.grid import EMPTY, fill_loop
from mountgen.lid import BEYOND, Agreement, Ground, measure_agreement, propose_lids
from mountgen.lid_choice import Trial, check_depth, choose_lid, measure_depth, try_lid
from mountgen.raster import raster_faces
from mountgen.rim import close_open_side, find_rim_level, trace_rim
from mountgen.scan import Scan

if TYPE_CHECKING:
    from mountgen.recipe_tables import Mouth

SMALLEST_MOUTH, LARGEST_MOUTH = 10.0, 1500.0  # mm; outside this a unit mistake is likelier than a recess
COARSE_NODES, FINE_NODES = 60_000, 400_000  # of a look's grid, about so many: to try a direction, and for the mouth itself


@dataclass(frozen=True, eq=False)
class FoundMouth:
    """What one look along a trial draw direction finds, in that look's own frame.

    lid       : (6,) float64, its coefficients.
    rim       : (K, 2) float64, mm; counter-clockwise, first point not repeated.
    depth     : greatest depth below the lid, mm.
    open_arc  : (K,) bool, rim points that lie on the scan's own border.
    agreement : of the scan beside the rim with the lid; None where the user gave either.
    beyond    : the same farther away.
    others    : further recesses: width, height, deepest place (3,), mm.
    """

    lid: Floats
    rim: Floats
    depth: float
    open_arc: Bools
    agreement: Agreement | None
    beyond: Agreement
    others: tuple[tuple[float, float, Floats], ...] = ()


def find_mouth(local: Floats, faces: Ints, nodes: int, scan: Scan, mouth: Mouth, frame: Floats) -> FoundMouth:
    """Look along -z of a frame and find lid, rim and depth.

    Args:
        local: (V, 3) float64, mm, the scan's vertices in that frame.
        faces: (F, 3) int32, normals to the side that is looked from.
        nodes: of the grid, about.
        scan: the scan itself, for its spacing and its unit.
        mouth: the recipe's `[mouth]` table: at, rim and plane are heeded.
        frame: (4, 4), the frame's pose in scan axes.

    Returns:
        FoundMouth: in that frame.

    Raises:
        ProudError: what is seen stands out of its surround.
        DatumError: no recess is seen, or what the recipe gives by hand does not fit the scan.
    """
    ground, origin = lay_ground(local, faces, nodes)
    pitch, shape = ground.pitch, ground.seen.shape
    if mouth.at is not None:
        ground = replace(ground, at=_find_node(mouth.at, scan, frame, ground))
    if mouth.rim is not None:
        lid = _given_lid(mouth.plane.point, scan, frame) if mouth.plane is not None else next(propose_lids(ground))
        region = _given_region(mouth.rim, scan, frame, ground.x, ground.y)
        deepest = float(np.nanmax(np.where(region, measure_depth(ground, lid), np.nan), initial=0.0))
        check_depth(deepest, measure_depth(ground, lid))
        trial = Trial(lid, region, deepest, measure_agreement(ground, lid, region))
    elif mouth.plane is not None:
        trial = try_lid(ground, _given_lid(mouth.plane.point, scan, frame))
    else:
        trial = choose_lid(ground)
    lid = trial.lid
    level = find_rim_level(trial.deepest)
    rim = trace_rim(measure_depth(ground, lid), trial.region, level, origin, pitch, explicit=mouth.rim is not None)
    outside = np.pad(~ground.inside, 1, constant_values=True)
    at_border = reach_disc(outside, radius=max(2.99 * pitch, 1.5 * scan.spacing), pitch=pitch)[1:-1, 1:-1]
    col = np.clip(np.rint((rim[:, 0] - origin[0]) / pitch).astype(int), 0, shape[1] - 1)
    row = np.clip(np.rint((rim[:, 1] - origin[1]) / pitch).astype(int), 0, shape[0] - 1)
    open_arc = at_border[row, col]
    deepest = trial.deepest
    if open_arc.mean() > 0.02:
        rim, open_arc = close_open_side(rim, open_arc)
        deepest = _deepest_within(fill_loop(rim, origin=origin, pitch=pitch, shape=shape), ground, lid, deepest)
    else:
        open_arc[:] = False
    return FoundMouth(
        lid=lid, rim=rim, depth=deepest, open_arc=open_arc,
        agreement=trial.agreement if mouth.plane is None and mouth.rim is None else None,
        beyond=measure_agreement(ground, lid, trial.region, beside=BEYOND),
        others=tuple(_tell_other(ground, each) for each in trial.others),
    )


def lay_ground(local: Floats, faces: Ints, nodes: int) -> tuple[Ground, tuple[float, float]]:
    """Return the height field along -z, of about so many nodes, and its origin: x, y of node (0, 0), mm.

    local: (V, 3) float64, mm, vertices in the frame that is looked along; faces: (F, 3) int32.
    """
    from scipy import ndimage

    origin, pitch, shape = _grid(local, nodes)
    height = raster_faces(local, faces, origin=origin, pitch=pitch, shape=shape)
    seen = height > EMPTY
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    return Ground(height, seen, np.asarray(ndimage.binary_fill_holes(seen)), x, y, pitch), origin


def _grid(local: Floats, nodes: int) -> tuple[tuple[float, float], float, tuple[int, int]]:
    low, high = (np.array([each(local[:, k]) for k in (0, 1)]) for each in (np.min, np.max))  # each by itself: ten times as quick
    size = high - low
    pitch = max(0.2, sqrt(float(size[0] * size[1]) / nodes))
    shape = (int(size[1] / pitch) + 4, int(size[0] / pitch) + 4)
    return (float(low[0] - 1.5 * pitch), float(low[1] - 1.5 * pitch)), pitch, shape


def _find_node(at: tuple[float, float, float], scan: Scan, frame: Floats, ground: Ground) -> tuple[int, int]:
    """Return the node (row, column) over a point of the scan file.

    Raises:
        DatumError: it lies beside the scan.
    """
    x, y = move_into(frame, np.asarray([at], dtype=np.float64) * scan.mm_per_unit)[0, :2]
    row, col = round(float(y - ground.y[0, 0]) / ground.pitch), round(float(x - ground.x[0, 0]) / ground.pitch)
    if not (0 <= row < ground.seen.shape[0] and 0 <= col < ground.seen.shape[1]):
        raise DatumError("the point lies beside the scan", "mouth.at", "give it in the scan file's own unit and axes")
    return row, col


def _given_lid(point: tuple[float, float, float], scan: Scan, frame: Floats) -> Floats:
    lid = np.zeros(6)
    lid[0] = move_into(frame, np.asarray([point], dtype=np.float64) * scan.mm_per_unit)[0, 2]
    return lid


def _given_region(
    picked: tuple[tuple[float, float, float], ...], scan: Scan, frame: Floats, x: Floats, y: Floats
) -> Bools:
    import shapely

    points = move_into(frame, np.asarray(picked, dtype=np.float64) * scan.mm_per_unit)[:, :2]
    polygon = shapely.Polygon(points)
    if not polygon.is_valid or polygon.area < SMALLEST_MOUTH**2 / 4:
        raise DatumError(
            f"the {len(points)} rim points enclose no usable area", "mouth.rim",
            "pick the points in order around the rim, in the scan file's own unit",
        )
    region = shapely.contains_xy(polygon, x.ravel(), y.ravel()).reshape(x.shape)
    if not region.any():
        raise DatumError("the rim points lie beside the scan", "mouth.rim", "give them in the scan file's own unit and axes")
    return np.asarray(region, dtype=bool)


def _deepest_within(closed: Bools, ground: Ground, lid: Floats, deepest: float) -> float:
    """Return how deep the ground lies inside a closed rim: in front of an open side it may fall away much further."""
    depth = measure_depth(ground, lid)[closed]
    return float(np.nanmax(depth, initial=0.0)) if np.isfinite(depth).any() else deepest


def _tell_other(ground: Ground, trial: Trial) -> tuple[float, float, Floats]:
    """Return width, height and the deepest place (3,) of a recess, mm, in the look's own frame."""
    width, height = (float(np.ptp(axis[trial.region])) for axis in (ground.x, ground.y))
    depth = np.where(trial.region & ground.seen, measure_depth(ground, trial.lid), -np.inf)
    at = np.unravel_index(int(np.argmax(depth)), depth.shape)
    return width, height, np.array([ground.x[at], ground.y[at], ground.height[at]], dtype=np.float64)
