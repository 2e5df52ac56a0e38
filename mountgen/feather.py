"""Whether a part stays one body without what is too thin to be printed: the edges in which a recess runs out."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.columns import cut_columns
from mountgen.rows import extent

NODES = 4  # of the grid to the least thickness
PIECE = 4.0  # mm², in plan; what comes off smaller is a crumb


def stays_whole(vertices: Floats, faces: Ints, *, least: float) -> bool:
    """Return whether a part hangs together by more than places that are too thin, in its depth or in plan.

    Args:
        vertices: (V, 3) float64, mm, part frame.
        faces: (F, 3) int32, closed, normals outwards.
        least: thickness that is printed, mm.
    """
    from scipy import ndimage

    pitch = least / NODES
    low, high = extent(vertices)
    x, y = (np.arange(low[axis] - pitch, high[axis] + 2.0 * pitch, pitch) for axis in (0, 1))
    columns = cut_columns(vertices, faces, x=x, y=y)
    tops = np.where(columns.rises, columns.height, -columns.height)
    thickness = np.where(np.isfinite(columns.height), tops, 0.0).sum(axis=2)
    cores = ndimage.distance_transform_edt(thickness >= least) * pitch > 0.5 * least
    label, count = ndimage.label(cores)
    areas = ndimage.sum_labels(cores, label, np.arange(1, count + 1)) * pitch**2
    return int((areas >= PIECE).sum()) == 1
