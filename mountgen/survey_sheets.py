"""Scan where there should be none: pieces that float or lie beside, spikes, and the same surface twice, a few tenths apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from mountgen.arrays import Floats, Ints
from mountgen.datum import Recess
from mountgen.faces import find_middles, measure_faces
from mountgen.links import link_faces
from mountgen.surface import surface_of
from mountgen.survey_points import Patch, depth_below, find_densest, is_inside

ABOVE = 3.0  # mm over the mouth's surface from which on a piece floats
COVERS = 0.5  # share of an island under which there is other scan, from which on it floats in front of that
ISLAND_SAMPLES = 200
LARGE = 20.0  # mm²; a dropped piece as large as the top of a peg 5 mm thick is doubtful whatever is behind it
BEYOND = 20.0  # mm beside the mouth up to which a second sheet matters
CLOSEST, FURTHEST = 0.05, 2.5  # mm between two sheets of one surface; nearer it is noise, further it is another surface
PARALLEL = 0.8  # cosine between their normals
TWIN_SAMPLES = 8000


@dataclass(frozen=True)
class Island:
    """A piece of the scan that hangs together with nothing else.

    area : mm².  x, y, depth: its middle.  why: what makes it doubtful, "" where it may well be a floor or wall.
    """

    area: float
    x: float
    y: float
    depth: float
    why: str


def find_islands(recess: Recess) -> tuple[Island, ...]:
    """Find the pieces of a scan that hang together with nothing else, and say which of them are doubtful.

    Args:
        recess: the mended scan in the part frame.

    Returns:
        Islands, the largest first; the widest piece is none.

    Raises:
        Nothing.
    """
    links = link_faces(recess.faces, len(recess.vertices))
    vectors, areas = measure_faces(recess.vertices, recess.faces)
    area = np.bincount(links.piece, areas)
    middles = find_middles(recess.vertices, recess.faces)
    found = []
    widest = max(range(len(area)), key=lambda piece: float(np.ptp(middles[links.piece == piece, :2], axis=0).max()))
    for piece in np.argsort(-area).tolist():
        if piece == widest:
            continue
        rows = np.flatnonzero(links.piece == piece)
        middle = np.average(middles[rows], axis=0, weights=areas[rows] + 1e-12)
        depth = float(depth_below(recess, middle[None])[0])
        some = rows[:: -(-len(rows) // ISLAND_SAMPLES)]
        why = _doubt_island(recess, middle, depth, middles[some], vectors[some], links.piece, piece)
        found.append(Island(float(area[piece]), float(middle[0]), float(middle[1]), depth, why))
    return tuple(found)


def select_inside(recess: Recess, islands: Sequence[Island]) -> tuple[Island, ...]:
    """Return those islands that stand in the way of a part: below the mouth, within its rim."""
    return tuple(each for each in islands if each.depth > 0.0 and is_inside(recess, np.array([[each.x, each.y]]))[0])


def find_dropped(recess: Recess, dropped: Floats) -> tuple[Island, ...]:
    """Find the loose pieces, dropped as dirt, that may be the top of a post or knob whose sides the scanner did not see.

    Dirt floats in front of scan. Where there is none behind a piece, something that stands there may have hidden it; and a large
    piece is doubtful whatever is behind it, since small holes there have been bridged.

    Args:
        recess: the mended scan in the part frame.
        dropped: (K, 4) middle, mm, and area, mm², in the scan's frame.

    Returns:
        Those inside the recess, the largest first, each with why it is doubtful.
    """
    turn, shift = recess.part_to_scan[:3, :3], recess.part_to_scan[:3, 3]
    found = []
    for *middle, area in dropped[np.argsort(-dropped[:, 3])].tolist():
        place = (np.array(middle) - shift) @ turn
        depth = float(depth_below(recess, place[None])[0])
        if depth < 0.0 or not is_inside(recess, place[None, :2])[0]:
            continue
        radius = 0.7 * np.sqrt(area / np.pi)
        around = radius * np.array([(0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (0.0, -1.0, 0.0)])
        met = np.isfinite(surface_of(recess).cast(place + around, np.tile([0.0, 0.0, -1.0], (len(around), 1)))[0])
        if area >= LARGE or not met.all():
            why = "dropped as dirt" if met.all() else "dropped as dirt, though nothing was seen behind it"
            found.append(Island(area, float(place[0]), float(place[1]), depth, why))
    return tuple(found)


@dataclass(frozen=True)
class Spike:
    """A single point that stood off the ground by a height, mm, and was taken back to it. x, y, depth: of its tip, mm."""

    height: float
    x: float
    y: float
    depth: float


def find_spikes(recess: Recess, spikes: Floats) -> tuple[Spike, ...]:
    """Find the spikes that stood where a part comes.

    Args:
        recess: the mended scan in the part frame.
        spikes: (K, 4) tip, mm, and height, mm, in the scan's frame.

    Returns:
        Those below the mouth with nothing above them, the highest first.
    """
    turn, shift = recess.part_to_scan[:3, :3], recess.part_to_scan[:3, 3]
    tips, heights = (spikes[:, :3] - shift) @ turn, spikes[:, 3]
    depth = depth_below(recess, tips)
    open_above = ~np.isfinite(surface_of(recess).cast(tips, np.tile([0.0, 0.0, 1.0], (len(tips), 1)))[0])
    free = np.flatnonzero((depth > 0.0) & is_inside(recess, tips[:, :2]) & open_above)
    return tuple(
        Spike(float(heights[k]), float(tips[k, 0]), float(tips[k, 1]), float(depth[k]))
        for k in free[np.argsort(-heights[free], kind="stable")]
    )


def _doubt_island(
    recess: Recess, middle: Floats, depth: float, points: Floats, normals: Floats, pieces: Ints, piece: int
) -> str:
    if depth < -ABOVE:
        return f"floats {-depth:.0f} mm above the mouth's surface"
    if not is_inside(recess, middle[None, :2], margin=0.2 * recess.depth)[0]:
        return "lies beside the recess, apart from the panel"
    behind = -normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    far, met = surface_of(recess).cast(points + 0.05 * behind, behind)
    covered = np.isfinite(far) & (far < recess.depth) & (pieces[met] != piece)
    if covered.mean() > COVERS:
        return f"floats {float(np.median(far[covered])):.1f} mm in front of other scan"
    return ""


@dataclass(frozen=True)
class Twin:
    """The same surface twice. share: of the samples, 0..1; apart: median distance of the two, mm; place: where most of it is."""

    share: float
    apart: float
    place: Patch | None


@lru_cache(maxsize=2)  # the scan stays as it is when its part is made again
def find_twin(recess: Recess, *, noise: float) -> Twin:
    """Look for a second sheet close behind the scan that faces the same way, in the recess and beside its rim.

    The two sides of a rib or lip face opposite ways, and a surface that was scanned well has nothing close behind it. Two
    sheets come from scanning that lost its place and found it again a little beside.

    Args:
        recess: the scan in the part frame.
        noise: one standard deviation, mm; a fold within it is no sheet.

    Returns:
        Twin.

    Raises:
        Nothing.
    """
    faces = np.arange(len(recess.faces))
    middles = find_middles(recess.vertices, recess.faces)
    near = np.flatnonzero((np.abs(middles[:, :2]) < np.abs(recess.rim[:, :2]).max(axis=0) + BEYOND).all(axis=1))
    faces = near[:: max(1, len(near) // TWIN_SAMPLES)]
    areas, scan = measure_faces(recess.vertices, recess.faces[faces])[1], surface_of(recess)
    normals = scan.normals
    skip = max(CLOSEST, 3.0 * noise)
    far, met = scan.cast(middles[faces] - skip * normals[faces], -normals[faces])
    far = far + skip
    twin = np.isfinite(far) & (far < FURTHEST) & ((normals[faces] * normals[met]).sum(axis=1) > PARALLEL)
    if not twin.any():
        return Twin(0.0, 0.0, None)
    share = float(np.average(twin, weights=areas))
    return Twin(share, float(np.median(far[twin])), find_densest(recess, middles[faces[twin]], areas[twin]))
