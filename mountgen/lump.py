"""A scan that its program has closed to a lump: the side with the recess is found, and the back cut off.

Programs that fuse a scan in a grid hand over a closed surface: the panel with its recess in front, and behind it a back that
they made up. The recess is where the lump falls short of its convex hull, seen from the side from which that is most, with the
panel at the hull all around it. Without that it is an object seen from outside, such as the vehicle itself: it has hollows, too.
"""

from __future__ import annotations

from math import cos, radians, sqrt

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.faces import find_middles, measure_faces
from mountgen.grid import EMPTY
from mountgen.raster import raster_faces

SHORT = 2.0  # mm below the hull; less is no recess to fit a part into
LEAST_SHARE = 0.02  # of the hull's volume that a recess has; a ball or a box of noise has a thousandth
WAYS, WIDE = 8, 30.0  # sides looked at, those first that most of the hull faces; degrees that they lie apart
PANEL = 8.0  # mm about a recess where the mesh is near its hull; a hollow nearer to its outline is a notch of an object
FLOORED = 0.5  # of a hollow that has ground in it; the hole of a ring has none
NODES = 20_000  # of the grid on which a side is looked at
BEHIND = 120.0  # degrees off the way out of the recess from which on a face belongs to the back


def open_lump(vertices: Floats, faces: Ints) -> Ints | None:
    """Cut off the back of a closed mesh that has a recess on one side.

    Args:
        vertices: (V, 3) float64, mm.
        faces: (F, 3) int32, closed but for small holes, normals all in or all out.

    Returns:
        (G, 3) int32, what is left, normals outwards; None where the mesh is everywhere near its convex hull.

    Raises:
        Nothing: any mesh is valid.
    """
    from scipy.spatial import ConvexHull, QhullError

    vectors = measure_faces(vertices, faces)[0]
    if float(((find_middles(vertices, faces) - vertices[faces[0, 0]]) * vectors).sum()) < 0.0:
        faces, vectors = faces[:, ::-1], -vectors
    try:
        hull = ConvexHull(corners := vertices[np.unique(faces)])
    except QhullError:  # it has no volume
        return None
    shell = hull.simplices.astype(np.int32)
    areas = measure_faces(corners, shell)[1]
    best, most = None, LEAST_SHARE * float(hull.volume)
    for way in _list_ways(hull.equations[:, :3], areas):
        short = _measure_short(vertices, faces, corners, shell, way)
        if short > most:
            best, most = way, short
    if best is None:
        return None
    back = vectors @ best < cos(radians(BEHIND)) * np.linalg.norm(vectors, axis=1)
    return np.ascontiguousarray(faces[~back])


def _list_ways(normals: Floats, areas: Floats) -> list[Floats]:
    """Return unit vectors that much of a hull faces, the most first, none within WIDE of another. normals: (N, 3)."""
    ways: list[Floats] = []
    left: Bools = np.ones(len(normals), dtype=np.bool_)
    while left.any() and len(ways) < WAYS:
        some = normals[left][np.argsort(-areas[left], kind="stable")[:200]]
        near = normals[left] @ some.T > cos(radians(WIDE))
        pick = some[int((areas[left] @ near).argmax())]
        close = left & (normals @ pick > cos(radians(WIDE)))
        way = (normals[close] * areas[close, None]).sum(axis=0)
        ways.append(way / np.linalg.norm(way))
        left &= ~close
    return ways


def _measure_short(vertices: Floats, faces: Ints, corners: Floats, shell: Ints, way: Floats) -> float:
    """Return the volume, mm³, by which a mesh falls short of its hull, seen against `way`, in hollows with a panel all around.

    corners: (K, 3) mm, what the hull's faces (H, 3) count.
    """
    from scipy import ndimage

    across = np.cross(way, np.eye(3)[int(np.abs(way).argmin())])
    across /= np.linalg.norm(across)
    frame = np.column_stack([across, np.cross(way, across), way])
    local, hull = vertices @ frame, corners @ frame
    low, high = hull[:, :2].min(axis=0), hull[:, :2].max(axis=0)
    pitch = max(0.2, sqrt(float(np.prod(high - low)) / NODES))
    shape = (int((high[1] - low[1]) / pitch) + 1, int((high[0] - low[0]) / pitch) + 1)
    origin = (float(low[0]), float(low[1]))
    own, top = (
        raster_faces(points, each, origin=origin, pitch=pitch, shape=shape) for points, each in ((local, faces), (hull, shell))
    )
    seen = np.pad((own > EMPTY) & (top > EMPTY), 1)
    whole = ndimage.binary_fill_holes(seen)
    short = np.where(seen, np.pad(top - own, 1), 0.0)
    label, count = ndimage.label((short > SHORT) | (whole & ~seen))
    each = np.arange(1, count + 1)
    away = ndimage.distance_transform_edt(whole) * pitch
    kept = (ndimage.minimum(away, label, each) > PANEL) & (ndimage.mean(seen, label, each) > FLOORED)
    return float(short[np.concatenate([[False], kept])[label]].sum()) * pitch * pitch
