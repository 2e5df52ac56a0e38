"""Frames as 4x4 poses in scan axes: the one that a scan is looked at in, the part frame, and the vehicle's up in it.

A frame is found from what is scanned alone, so that the same recess has the same frame however it lay before the scanner.
"""

from __future__ import annotations

from math import cos, radians, sin

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.faces import find_middles, measure_faces
from mountgen.lid import lid_height
from mountgen.loop import resample_loop

ALIKE = 0.006  # lopsidedness of a mouth below which its sign is chance; noise makes up to 0.003 of it
SQUARE = 0.98  # of its width that a mouth is high from which on the longer axis is chance


def move_into(frame: Floats, points: Floats) -> Floats:
    """Return points (N, 3) given in scan axes, mm, in the frame whose pose (4, 4) in scan axes is `frame`."""
    moved: Floats = (points - frame[:3, 3]) @ frame[:3, :3]
    return moved


def find_scan_frame(vertices: Floats, faces: Ints, draw: Floats) -> Floats:
    """Return a frame that moves with the scan: origin at its centre of area, z along `draw`, x along its longest spread.

    Args:
        vertices: (V, 3) float64, mm, scan axes.
        faces: (F, 3) int32, with an area in all.
        draw: (3,) unit vector, scan axes.

    Returns:
        (4, 4) float64, its pose in scan axes, right-handed.

    Raises:
        Nothing: any mesh that has an area is valid.
    """
    weight = 2.0 * measure_faces(vertices, faces)[1]
    centre = find_middles(vertices, faces)
    origin = weight @ centre / weight.sum()
    offset = centre - origin
    across = np.eye(3) - np.outer(draw, draw)
    _, axes = np.linalg.eigh(across @ ((offset * weight[:, None]).T @ offset) @ across)
    x = axes[:, 2] - (axes[:, 2] @ draw) * draw
    x /= np.linalg.norm(x)
    side = offset @ x
    if weight @ (side * side * side) < 0:  # third moment: an axis has no sign of its own
        x = -x
    frame = np.eye(4)
    frame[:3, 0], frame[:3, 1], frame[:3, 2], frame[:3, 3] = x, np.cross(draw, x), draw, origin
    return frame


def find_part_frame(frame: Floats, rim: Floats, lid: Floats, up: float) -> Floats:
    """Return the part frame: origin at the mouth's centre of area, +x along its longer axis, then turned so that `up` is +y.

    Args:
        frame: (4, 4), pose in scan axes of the frame in which the mouth was found.
        rim: (K, 2) mm, in that frame; counter-clockwise, first point not repeated.
        lid: (6,) coefficients, in that frame.
        up: clock position of the vehicle's up, hours.

    Returns:
        (4, 4) float64, pose in scan axes; its z is that of `frame`.

    Raises:
        Nothing: any rim that encloses an area is valid.
    """
    import shapely

    polygon = shapely.Polygon(rim)
    centre = np.array([polygon.centroid.x, polygon.centroid.y])
    offset = resample_loop(rim, step=0.5) - centre
    _, axes = np.linalg.eigh(offset.T @ offset)
    x = axes[:, 1]
    lopsided = _measure_lopsided(offset @ x, offset @ np.array([-x[1], x[0]]))
    if (lopsided if abs(lopsided) > ALIKE else ((offset @ x) ** 3).sum()) < 0:
        x = -x
    angle = np.arctan2(x[1], x[0]) + radians(90.0 - 30.0 * (up % 12.0)) - radians(90.0)
    level = float(lid_height(lid, rim[:, 0], rim[:, 1]).mean())
    turn = np.eye(4)
    turn[:2, 0] = cos(angle), sin(angle)
    turn[:2, 1] = -sin(angle), cos(angle)
    turn[:3, 3] = centre[0], centre[1], level
    return np.asarray(frame @ turn, dtype=np.float64)


def _measure_lopsided(x: Floats, y: Floats) -> float:
    """Return by how much an outline differs from itself turned by 180 degrees, of any sign: two third moments, without unit.

    x, y: (N,) of points evenly along it, from their middle. The one tells its ends apart, the other its long sides.
    """
    wide, high = float(x.std()), float(y.std())
    return float((x**3).mean()) / wide**3 + float((x * x * y).mean()) / (wide * wide * high)


def note_symmetry(rim: Floats) -> list[str]:
    """Tell of a mouth on which another scan may have its 12 o'clock elsewhere: a sentence, or none. rim: (K, 2), mm."""
    offset = resample_loop(rim, step=0.5)
    offset = offset - offset.mean(axis=0)
    spreads, axes = np.linalg.eigh(offset.T @ offset)
    x, y = offset @ axes[:, 1], offset @ axes[:, 0]
    if spreads[0] > SQUARE**2 * spreads[1]:
        where = "anywhere: the mouth is as high as wide"
    elif abs(_measure_lopsided(x, y)) < ALIKE and abs(_measure_lopsided(x, -y)) < ALIKE:
        where = "at this one's 6 o'clock: turned by half, the mouth looks the same"
    else:
        return []
    return [f"another scan of this recess may have its 12 o'clock {where}. Read mouth.up off the survey of the scan in use"]


def find_up(lid: Floats, recline: float) -> Floats:
    """Return the vehicle's up, (3,), `recline` radians from the mouth's plane; its normal is the lid's, not the draw direction.

    It is kept in the plane x = 0, which the clock position of up defines. lid: (6,); lid and up are in the part frame.
    """
    leaning = np.arctan2(-lid[2], 1.0)  # of the mouth's normal from +z towards +y
    return np.array([0.0, cos(recline - leaning), sin(recline - leaning)])
