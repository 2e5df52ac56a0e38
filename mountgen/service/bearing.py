"""Where a part bears on the recess below it, and what of its deck spans the room between.

Everything is looked at along the vehicle's up, as weight acts: upright columns through the part, the device that
rests on it and the scan. A deck bears where its underside is so near to the scan that it would settle on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.columns import Columns, cut_columns
from mountgen.datum import Recess, lid_height
from mountgen.faces import list_used
from mountgen.surface import Surface, Triangles

PITCH = 1.0  # mm, largest size of a cell
SETTLES = 0.5  # mm; a part closes that much by settling, on foam or on its own high points (our rule)
SINKS = 0.3  # mm by which the scan may lie above the part's underside, and the deck above the device's, by noise
RESTS = 1.5  # mm; the device's underside no farther above the deck than this rests on it, its rounded edges included
HELD = 0.75  # share of a side that must be held for the side to count as held (our rule)
INSIDE = 2.0  # mm below the panel's surface from which something lies in a tray and not on its edge
LOW_END = 5.0  # per cent; a span is as thick as its thinnest part, less what is thinner over this share of it only
LEAST_SPAN = 4.0  # mm²; a smaller piece beside deck that bears is a place where columns only graze a wall or its edge
Box = tuple[tuple[float, float, float], tuple[float, float, float]]
SIDES = ("left", "right", "front", "back")
_STEPS = {"left": (0, -1), "right": (0, 1), "front": (-1, 0), "back": (1, 0)}  # rows run inwards, columns to the right


@dataclass(frozen=True, eq=False)
class Bearing:
    """A part seen along the vehicle's up, cell by cell; row r runs inwards, column c to the right.

    axes    : (3, 3) unit rows, part frame: to the right, level inwards, up.
    x, s    : (C,), (R,) mm, middles of the cells along the first two axes.
    cell    : (2,) mm, sizes of a cell along x and s.
    top, bottom : (R, C) mm along up, of the deck: what the device rests on, elsewhere the topmost; NaN without a part.
    gap     : (R, C) mm from the deck's underside straight down to the scan; inf where nothing was scanned below.
    bears   : (R, C) bool, where that is near enough.
    rests   : (R, C) bool, where the device rests on the deck.
    distance: mm, what is near enough.
    """

    axes: Floats
    x: Floats
    s: Floats
    cell: tuple[float, float]
    top: Floats
    bottom: Floats
    gap: Floats
    bears: Bools
    rests: Bools
    distance: float

    def area(self, cells: Bools) -> float:
        """Return the level area of cells (R, C), mm²."""
        return float(np.count_nonzero(cells)) * self.cell[0] * self.cell[1]

    def place(self, cells: Bools) -> tuple[float, float, float]:
        """Return the middle of cells (R, C) on the deck, part frame, mm."""
        row, col = np.nonzero(cells)
        k = int(np.argmin((row - row.mean()) ** 2 + (col - col.mean()) ** 2))
        r, c = row[k], col[k]
        x, y, z = (np.array([self.x[c], self.s[r], self.top[r, c]]) @ self.axes).tolist()
        return x, y, z


@dataclass(frozen=True, eq=False)
class Span:
    """A piece of deck with nothing below it, on which the device rests.

    along, inwards : mm, its sides as a rectangle.
    thickness      : mm, of its thinnest part.
    held   : which of its sides rest on what bears, or meet the wall of the recess: of SIDES.
    area   : mm².  loaded: mm² of it on which the device rests.
    place  : (3,) mm, part frame, its middle.
    cells  : (R, C) bool, of the bearing.
    narrow : mm, diameter of the largest circle in it, which is less than its sides where it runs around what bears.
    border : share of all its border that is held, whichever way that faces.
    """

    along: float
    inwards: float
    thickness: float
    held: frozenset[str]
    area: float
    loaded: float
    place: tuple[float, float, float]
    cells: Bools
    narrow: float = np.inf
    border: float = 0.0


Seat = Callable[[Columns, Floats, Floats], Floats]


def level_axes(up: Floats) -> Floats:
    """Return (3, 3) unit rows, part frame: to the right, level inwards, along the vehicle's up (3,)."""
    upright = np.asarray(up, dtype=np.float64) / np.linalg.norm(up)
    right = np.array([1.0, 0.0, 0.0])
    right = right - (right @ upright) * upright
    right /= np.linalg.norm(right)
    return np.stack([right, np.cross(upright, right), upright])


def map_bearing(
    part: Triangles,
    seat: Triangles | Seat,
    scan: Surface,
    *,
    up: Floats,
    distance: float,
    pads: Sequence[Box] = (),
) -> Bearing:
    """Find where a part bears on the scan below it, and where a device rests on the part.

    Args:
        part: closed, normals outwards, part frame, mm.
        seat: the device at its seat, closed, normals outwards; or what says from the part's columns and their places x (C,) and
            s (R,) at which height, (R, C) mm along up, something rests on the part, inf where nothing does.
        scan: normals to the free side.
        up: (3,) the vehicle's up, part frame.
        distance: mm of gap, measured straight down, up to which the part bears.
        pads: boxes (low, high), part frame, in which it bears through tape, whatever the gap.

    Returns:
        Bearing.

    Raises:
        Nothing.
    """
    axes = level_axes(up)
    body, below = (np.asarray(mesh.vertices) @ axes.T for mesh in (part, scan))
    used = body[list_used(part.faces, len(body))]
    x, s = (_middles(float(used[:, k].min()), float(used[:, k].max())) for k in (0, 1))
    through = cut_columns(body, part.faces, x=x, y=s)
    if callable(seat):
        underside = seat(through, x, s)
    else:
        underside = cut_columns(np.asarray(seat.vertices) @ axes.T, seat.faces, x=x, y=s).height.min(axis=2, initial=np.inf)
    top = through.highest(underside + SINKS, rising=True)
    bottom = through.highest(top, rising=False)
    solid = np.isfinite(top) & np.isfinite(bottom)
    ground = cut_columns(below, scan.faces, x=x, y=s).highest(np.where(solid, bottom + SINKS, -np.inf))
    gap = np.where(np.isfinite(ground), bottom - np.where(np.isfinite(ground), ground, 0.0), np.inf)
    rests = solid & (underside - np.where(solid, top, 0.0) <= RESTS)
    bears = solid & (gap <= distance)
    if pads:
        grid_x, grid_s = np.meshgrid(x, s)
        underneath = np.stack([grid_x, grid_s, np.where(solid, bottom, 0.0)], axis=2) @ axes
        for low, high in pads:
            bears |= solid & np.isfinite(gap) & ((underneath >= low) & (underneath <= high)).all(axis=2)
    cell = (float(x[1] - x[0]), float(s[1] - s[0]))
    top, bottom = (np.where(solid, height, np.nan) for height in (top, bottom))
    return Bearing(axes, x, s, cell, top, bottom, gap, bears, rests, distance)


def lie_on(through: Columns, x: Floats, s: Floats) -> Floats:
    """Return the height (R, C) of the top of a part, on all of which something may lie: a `Seat`."""
    top = through.highest(np.inf, rising=True)
    return np.where(np.isfinite(top), top, np.inf)


def lie_inside(recess: Recess) -> Seat:
    """Return the `Seat` of what lies loose in a tray: on its floor, or on whichever wall is lowest.

    That is where going up one comes to air that is shut in: by more of the part, or out of the mouth.
    """
    import shapely

    axes, rim = level_axes(recess.up), shapely.Polygon(recess.rim[:, :2])

    def seat(through: Columns, x: Floats, s: Floats) -> Floats:
        ground = np.where(through.rises, through.height, np.inf).min(axis=2, initial=np.inf)
        solid = np.isfinite(ground)
        grid_x, grid_s = np.meshgrid(x, s)
        place = np.stack([grid_x, grid_s, np.where(solid, ground, 0.0)], axis=2) @ axes
        below = lid_height(recess.lid, place[..., 0], place[..., 1]) - place[..., 2]
        covered = (np.isfinite(through.height) & ~through.rises & (through.height > ground[:, :, None])).any(axis=2)
        rise = float(axes[2, 2])
        if rise > 0.0:
            out = place[..., :2] + (below / rise)[..., None] * axes[2, :2]
            covered |= shapely.contains_xy(rim, out[..., 0], out[..., 1])
        return np.where(solid & covered & (below >= INSIDE), ground, np.inf)

    return seat


def find_spans(bearing: Bearing, scan: Surface) -> tuple[Span, ...]:
    """Return the pieces of deck under the device that bear on nothing, the largest first.

    A piece of a few cells beside deck that bears is none: there, columns only graze a wall, and what they cut of it says
    nothing about how thick it is.

    Args:
        bearing: of the part.
        scan: asked for the walls that hold a side where the part ends.
    """
    free = np.isfinite(bearing.top) & ~bearing.bears
    if not (free & bearing.rests).any():
        return ()
    from scipy import ndimage

    labels, count = ndimage.label(free)
    spans = []
    for k in range(1, int(count) + 1):
        cells = labels == k
        grazed = bearing.area(cells) < LEAST_SPAN and bool((ndimage.binary_dilation(cells) & bearing.bears).any())
        if (cells & bearing.rests).any() and not grazed:
            spans.append(_measure_span(bearing, cells, scan))
    return tuple(sorted(spans, key=lambda span: -span.area))


def _middles(low: float, high: float) -> Floats:
    """Return the middles of equal cells that fill a range exactly."""
    count = max(2, ceil((high - low) / PITCH - 1e-9))
    return np.asarray(low + (np.arange(count) + 0.5) * ((high - low) / count))


def _measure_span(bearing: Bearing, cells: Bools, scan: Surface) -> Span:
    from scipy import ndimage

    row, col = np.nonzero(cells)
    thickness = (bearing.top - bearing.bottom)[cells]
    within = ndimage.distance_transform_edt(np.pad(cells, 1), sampling=(bearing.cell[1], bearing.cell[0]))
    holds = {side: _measure_hold(bearing, cells, side, scan) for side in SIDES}
    return Span(
        along=float(np.ptp(col) + 1) * bearing.cell[0],
        inwards=float(np.ptp(row) + 1) * bearing.cell[1],
        thickness=float(np.percentile(thickness, LOW_END)),
        held=frozenset(side for side, (held, whole) in holds.items() if held >= HELD * whole),
        area=bearing.area(cells),
        loaded=bearing.area(cells & bearing.rests),
        place=bearing.place(cells),
        cells=cells,
        narrow=2.0 * float(np.max(within)),
        border=sum(held for held, _ in holds.values()) / sum(whole for _, whole in holds.values()),
    )


def _measure_hold(bearing: Bearing, cells: Bools, side: str, scan: Surface) -> tuple[int, int]:
    """Return how many cells along a side rest on deck that bears, or meet a wall of the recess, and how many there are."""
    step = np.array(_STEPS[side])
    row, col = np.nonzero(cells)
    ahead = np.column_stack([row, col]) + step
    inside = ((ahead >= 0) & (ahead < cells.shape)).all(axis=1)
    beyond = np.zeros(len(row), dtype=np.bool_)  # whether the next cell is part of the span too
    held = beyond.copy()
    beyond[inside] = cells[tuple(ahead[inside].T)]
    held[inside] = bearing.bears[tuple(ahead[inside].T)]
    edge = ~beyond
    ends = np.flatnonzero(edge & ~held)
    if len(ends):
        r, c = row[ends], col[ends]
        middle = 0.5 * (bearing.top[r, c] + bearing.bottom[r, c])
        direction = step[1] * bearing.axes[0] + step[0] * bearing.axes[1]
        start = np.column_stack([bearing.x[c], bearing.s[r], middle]) @ bearing.axes
        reach = bearing.distance + 0.5 * bearing.cell[0 if step[1] else 1]
        far, _ = scan.cast(start, np.broadcast_to(direction, start.shape))
        held[ends] = far <= reach
    return int(np.count_nonzero(held & edge)), max(int(np.count_nonzero(edge)), 1)
