"""The rim: the line in which the ground has dropped a set depth below the lid, and the side on which the scan leaves it open."""

from __future__ import annotations

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.errors import DatumError
from mountgen.loop import resample_loop, signed_area

RIM_DEPTH = (0.5, 0.8)  # mm below the lid at which the rim is drawn, 8 % of the depth within this


def find_rim_level(deepest: float) -> float:
    """Return how far below the lid, mm, the rim of a recess is drawn that is `deepest` mm deep."""
    return float(np.clip(0.08 * deepest, *RIM_DEPTH))


def trace_rim(
    depth: Floats, region: Bools, level: float, origin: tuple[float, float], pitch: float, *, explicit: bool
) -> Floats:
    """Return the longest contour of a recess in plan, sub-pixel where the scan is seen on both sides.

    Args:
        depth: (R, C) float64, mm below the lid; NaN where nothing is seen.
        region: (R, C) bool, the recess; some of it true.
        level: mm below the lid at which the rim is drawn.
        origin: x, y of node (0, 0), mm.
        pitch: mm between nodes.
        explicit: whether the region itself is the mouth, whatever the depth at its edge.

    Returns:
        (K, 2) float64, mm, counter-clockwise, first point not repeated, at steps of half a millimetre or a pitch.

    Raises:
        Nothing: any region that is not empty has a contour.
    """
    from contourpy import contour_generator
    from scipy import ndimage

    if explicit:
        scalar = np.where(region, 1.0, -1.0)
    else:
        # depth about the level, cut off at one pitch of steepness so that a wall and a dent weigh alike
        scalar = np.where(region, np.maximum(np.nan_to_num(depth, nan=level + 1.0) - level, 1e-3), -1.0)
        near = ~region & ndimage.binary_dilation(region, iterations=2)
        scalar[near] = np.minimum(np.nan_to_num(depth[near], nan=level - 1.0) - level, -1e-3)
        scalar = np.clip(scalar, -1.0, 1.0)
    lines = contour_generator(z=np.pad(scalar, 1, constant_values=-1.0)).lines(0.0)
    longest: Floats = max(lines, key=len)  # type: ignore[arg-type]  # its line type is set by an option
    loop: Floats = longest[:-1] - 1.0
    loop = loop * pitch + np.asarray(origin)
    if signed_area(loop) < 0:
        loop = loop[::-1]
    return resample_loop(loop, step=max(0.5, pitch))


def close_open_side(rim: Floats, open_arc: Bools) -> tuple[Floats, Bools]:
    """Keep the part of a mouth that the hull of its true rim covers, where the scan ends within the recess.

    Args:
        rim: (K, 2) mm, counter-clockwise, first point not repeated.
        open_arc: (K,) bool, those of its points that lie on the scan's own border and so are no rim.

    Returns:
        (M, 2) the closed rim, likewise, and (M,) bool, those of its points that are off the true rim.

    Raises:
        DatumError: next to nothing of the rim was scanned.
    """
    import shapely

    true_rim = rim[~open_arc]
    if len(true_rim) < 8:
        raise tell_no_panel("")
    hull = shapely.convex_hull(shapely.MultiPoint(true_rim))
    region = shapely.intersection(shapely.make_valid(shapely.Polygon(rim)), hull)
    parts = [g for g in shapely.get_parts(region) if g.geom_type == "Polygon"]
    if not parts:
        raise tell_no_panel("")
    region = max(parts, key=lambda g: g.area)
    loop = np.asarray(region.exterior.coords)[:-1, :2]
    if signed_area(loop) < 0:
        loop = loop[::-1]
    loop = resample_loop(loop, step=0.5)
    away = shapely.distance(shapely.points(loop), shapely.MultiPoint(true_rim))
    return loop, np.asarray(away > 2.0, dtype=bool)


def find_open_side(rim: Floats, open_arc: Bools) -> tuple[float, float] | None:
    """Return the clock angles (degrees clockwise from +y) between which the rim is open; None where it is closed.

    rim: (K, 2) mm; open_arc: (K,) bool, its points that are off the true rim.
    """
    if not open_arc.any():
        return None
    middle = rim.mean(axis=0)
    offset = rim[open_arc] - middle
    angle = np.sort(np.degrees(np.arctan2(offset[:, 0], offset[:, 1])) % 360.0)
    gap = np.diff(np.concatenate([angle, angle[:1] + 360.0]))
    widest = int(np.argmax(gap))
    return float(angle[(widest + 1) % len(angle)]), float(angle[widest])


def tell_no_panel(why: str) -> DatumError:
    """Return the error to raise where the scan does not reach past the rim; `why` goes on from "the recess"."""
    return DatumError(
        f"no panel is seen around the recess{why}", "the scan's border",
        "scan at least 20 mm of the panel past the rim all round, and do not crop the scan at the rim",
    )
