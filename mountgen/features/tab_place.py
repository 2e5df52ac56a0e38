"""Where a retaining tab fits into the end wall of a part, found by rays on its mesh and on the scan."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, cos, degrees, radians, sin, tan

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.recipe_tables import RetainingTabs
from mountgen.snap import find_fillet
from mountgen.surface import Surface

STEP = 1.0  # mm between the heights at which the wall is felt
FINE = 0.25  # mm, the same for the place that was chosen
SHIFT = 1.5  # mm between the places that are tried across the wall
BACKING = 2.0  # mm of part that must be left behind and below the slot
LAND = 1.5  # mm of part that must be left beside the slot
SIDE_GAP = 1.0  # mm, width of the slots that free the arm above and below
FACING = 40.0  # degrees; a wall that faces farther away from the side is not its end wall
TALLEST = 15.0  # mm that the part may stand over the arm's tip, where its front leans; the slots go on through it
LEAD_DEG, RETURN_DEG = 30.0, 45.0  # of the hook's slopes against the way in: easy in, harder out, never locked
CREST = 0.4  # mm, the flat on the hook; about one printed line
TIP = 0.5  # mm of arm in front of the hook
SPARE = 0.5  # mm by which the slot is wider than the hook
LONGEST_TIP = 0.25  # of the arm's length, by which the hook may sit behind the tip, to get behind a bulge of the scan
UNSEEN = 0.2  # share of the hook's way without scan from which the measurement says too little
NAMES = {-1: "left", 1: "right"}
OFF = 0.0137  # mm; rays aimed exactly at corners of triangles may slip through


@dataclass(frozen=True)
class TabRoom:
    """The room an arm takes in the wall, mm. width: of the arm; depth: of arm, slot and backing; above, below: past its ends."""

    width: float
    depth: float
    above: float
    below: float


@dataclass(frozen=True, eq=False)
class TabPlace:
    """A place for an arm in the wall.

    side    : +1 towards +x, -1 towards -x.
    origin  : (3,) mm, z = 0; outward and across: (3,) unit vectors at right angles to z, across = z x outward.
    top     : height of the arm's tip at its lowest, mm.  peak: highest of the part over arm and slot, mm.
    low     : the lowest height down to which the wall is thick enough, mm.
    """

    side: int
    origin: Floats
    outward: Floats
    across: Floats
    top: float
    peak: float
    low: float

    def __post_init__(self) -> None:
        for name in ("origin", "outward", "across"):
            freeze(self, name, "float64")

    def at(self, out: Floats, across: Floats, z: Floats) -> Floats:
        """Return points (..., 3), mm, from their offsets along `outward`, `across` and z (any shapes that fit each other)."""
        out, across, z = np.broadcast_arrays(np.asarray(out, float), np.asarray(across, float), np.asarray(z, float))
        up = np.array([0.0, 0.0, 1.0])
        points: Floats = self.origin + out[..., None] * self.outward + across[..., None] * self.across + z[..., None] * up
        return points


def list_places(body: Surface, side: int, room: TabRoom) -> list[TabPlace]:
    """Return all places across the end wall of a part where an arm has room at its sides and behind it, of any length.

    Args:
        body: the part.
        side: +1 for the end towards +x, -1 for that towards -x.
        room: what the arm takes.

    Returns:
        Best first: those that face the end best, and of these the ones nearest to the middle of the wall.
    """
    low, high = body.vertices.min(axis=0), body.vertices.max(axis=0)
    middles = np.arange(low[1] + 0.5 * room.width, high[1] - 0.5 * room.width + 1e-9, SHIFT) + OFF
    z = np.arange(high[2] - 0.5 * STEP, low[2], -STEP)
    found = [place for y in middles if (place := _try_place(body, side, float(y), z, room)) is not None]
    if not found:
        return []
    centre = np.mean([place.origin for place in found], axis=0)

    def rank(place: TabPlace) -> tuple[int, float]:
        aside = degrees(acos(float(np.clip(side * place.outward[0], -1.0, 1.0))))
        return round(aside / 5.0), float(np.linalg.norm(place.origin - centre))

    return sorted(found, key=rank)


def feel_wall(body: Surface, place: TabPlace, across: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
    """Return where rays from outside meet the wall, how thick the part is there, and how squarely they meet.

    Args:
        body: the part.
        place: gives the directions.
        across: (N,) mm.  z: (M,) mm.

    Returns:
        (M, N) offsets along `outward`, mm, -inf where nothing is met; (M, N) thickness, mm; (M, N) cosine.
    """
    far = float(np.abs(body.vertices[:, :2]).max()) * 3.0 + 10.0
    start = place.at(np.asarray(far), across[None, :], z[:, None]).reshape(-1, 3)
    inwards = np.broadcast_to(-place.outward, start.shape)
    run, face = body.cast(start, inwards)
    hit = np.isfinite(run)
    thick, square = np.zeros(len(run)), np.zeros(len(run))
    again = start[hit] + (run[hit, None] + 1e-3) * inwards[hit]
    thick[hit] = body.cast(again, inwards[hit])[0]
    square[hit] = body.normals[face[hit]] @ place.outward
    shape = (len(z), len(across))
    return (far - run).reshape(shape), thick.reshape(shape), square.reshape(shape)


def _try_place(body: Surface, side: int, y: float, z: Floats, room: TabRoom) -> TabPlace | None:
    """Return the place at one y, turned to the wall's own direction in plan; None where the wall has no room at all."""
    half = 0.5 * room.width + SIDE_GAP + LAND
    first = _make_place(side, np.array([side, 0.0, 0.0]), np.array([0.0, y, 0.0]))
    wall, _, square = feel_wall(body, first, np.array([-0.4, 0.0, 0.4]) * room.width, z)
    met = np.isfinite(wall[:, 1]) & (square[:, 1] > np.cos(np.radians(2 * FACING)))
    if not met.any():
        return None
    both = met & np.isfinite(wall).all(axis=1)
    turn = float(np.median((wall[both, 2] - wall[both, 0]) / (0.8 * room.width))) if both.any() else 0.0
    outward = first.outward - turn * first.across
    outward = outward / np.linalg.norm(outward)
    if side * outward[0] < np.cos(np.radians(FACING)):
        return None
    origin = np.array([side * float(np.median(wall[met, 1])), y, 0.0])
    place = _make_place(side, outward, origin)
    across = np.concatenate([[-half], np.linspace(-0.5, 0.5, 5) * room.width, [half]]) + OFF
    wall, thick, square = feel_wall(body, place, across, z)
    arm = wall[:, 1:-1]
    even = np.zeros(len(z), dtype=np.bool_)
    known = np.isfinite(wall).all(axis=1)
    even[known] = np.ptp(arm[known], axis=1) < 0.5 * room.depth
    run = _longest_run(known & even & (thick >= room.depth).all(axis=1) & (square > 0.5).all(axis=1))
    if run is None:
        return None
    near = float(z[run[0]])
    out = np.linspace(float(arm[run[0]].min()) - room.depth + BACKING, float(arm[run[0]].min()) - 0.3, 4)
    tip, peak = _find_tip(body, place, out, across[1:-1], near)
    if peak > near + TALLEST:
        return None
    return _make_place(side, outward, origin, top=tip, peak=peak, low=float(z[run[1]]))


def _make_place(side: int, outward: Floats, origin: Floats, *, top: float = 0.0, peak: float = 0.0, low: float = 0.0) -> TabPlace:
    return TabPlace(side, origin, outward, np.cross([0.0, 0.0, 1.0], outward), top, peak, low)


def _find_tip(body: Surface, place: TabPlace, out: Floats, across: Floats, near: float) -> tuple[float, float]:
    """Return the lowest height of the part's front over an arm, and the highest over arm and slot, felt from above."""
    start = place.at(out[:, None], across[None, :], np.asarray(float(body.vertices[:, 2].max()) + 5.0))
    start = start.reshape(-1, 3)
    run, _ = body.cast(start, np.broadcast_to([0.0, 0.0, -1.0], start.shape))
    heights = (start[:, 2] - run).reshape(len(out), -1)
    tip = float(heights[-1].min())
    return float(np.clip(tip, near, near + STEP)), max(near, float(heights.max()))


def _longest_run(good: Bools) -> tuple[int, int] | None:
    """Return the first and last index of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    if len(edges) == 0:
        return None
    starts, ends = edges[::2], edges[1::2] - 1
    best = int(np.argmax(ends - starts))
    return int(starts[best]), int(ends[best])


@dataclass(frozen=True, eq=False)
class Ride:
    """How far the scan stands in the hook's way. Lengths in mm.

    deflection : largest over the way in.  rest: at the seat, 0 or more.  catch: how much it rises on the way out.
    unseen     : share of the way below the mouth that meets no scan.
    """

    deflection: float
    rest: float
    catch: float
    unseen: float


@dataclass(frozen=True, eq=False)
class Tab:
    """An arm and its hook, placed.

    place : where.  crest: height of the hook's crest, mm.  wall: offset of the wall there.  lean: of the wall, radians,
    positive where it opens towards the mouth.  thickness: largest of the arm near its root, mm.  ride: of the hook.
    longest : arm for which this end of the part has room, mm.
    """

    place: TabPlace
    crest: float
    wall: float
    lean: float
    thickness: float
    ride: Ride
    longest: float

    @property
    def name(self) -> str:
        return f"retaining tab, {NAMES[self.place.side]}"

    @property
    def axes(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Return origin on the wall at the crest, and unit vectors out of it, along it towards the mouth, and across."""
        out, up = self.place.outward, np.array([0.0, 0.0, 1.0])
        origin = self.place.at(np.asarray(self.wall), np.asarray(0.0), np.asarray(self.crest))
        c, s = cos(self.lean), sin(self.lean)
        return origin, c * out - s * up, c * up + s * out, self.place.across


def is_beside(tab: Tab, point: Floats, tabs: RetainingTabs) -> bool:
    """Return whether a point, (3,) mm, is in a recipe's arm, its slots or what they leave standing beside them."""
    origin, out, along, across = tab.axes
    away = np.asarray(point) - origin
    room = find_room(tabs)
    wide, deep = 0.5 * tabs.width + SIDE_GAP + BACKING, tabs.length + room.below
    return bool(abs(away @ across) < wide and -room.depth < away @ out < BACKING and -deep < away @ along < room.above + BACKING)


def find_room(tabs: RetainingTabs) -> TabRoom:
    """Return the room that a recipe's arm takes in the wall."""
    fillet = find_fillet(tabs.thickness)
    return TabRoom(
        width=tabs.width,
        depth=tabs.thickness + slot_width(tabs) + BACKING,
        above=TIP + tabs.hook / tan(radians(RETURN_DEG)) + 0.5 * CREST,
        below=fillet + BACKING,
    )


def slot_width(tabs: RetainingTabs) -> float:
    """Return the width of the slot, mm: for the tip when the hook is pressed flush, and for the fillets at its end."""
    return max(tabs.hook * (1.0 + 1.5 * LONGEST_TIP) + 0.2, tabs.hook + SPARE, 2.0 * find_fillet(tabs.thickness))


def longest_arm(places: list[TabPlace], room: TabRoom) -> float:
    """Return the length of the longest arm that fits into any of the places, mm; 0 where there are none."""
    return max((p.top - p.low - room.above - room.below for p in places), default=0.0)
