"""The device's seat: where the device stands, the rest behind it, and the way by which it leaves.

A way is real if the device, moved along it, stays out of the shelf and inside the space that the scan leaves free.
It is looked for on the side's outline and on the insertable space; the gauge confirms it on the finished mesh.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import cos, radians, sin, tan
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.datum import lid_height
from mountgen.features.profile import Profile
from mountgen.field import InsertableSpace
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_volume
from mountgen.section import sample_height
from mountgen.shape import round_polygon

if TYPE_CHECKING:
    from mountgen.recipe_tables import Device

SEAT_GAP = 0.1  # mm by which the device is held off deck and rest, so that resting is not touching
WAY_GAP = 0.9 * SEAT_GAP  # mm that it keeps on its way: what is gauged (half of SEAT_GAP), a mesh's chord, the lip's own error
SIDE_CHORD = 0.005  # mm, of a device's roundings where they are held against the part
CASE_ROUND = 2.5  # mm, rounding of a handset's case at its edges
REST_SHARE = 0.6  # of a leaning device's height that the rest holds
REST_WALL = 2.0  # mm of material behind the rest at its top
OVER_LIP = 0.8  # mm by which the device is lifted above the lip
STEP, CROSS_STEP = 2.0, 5.0  # mm between the places that are tried along a way, and across the device
ABOVE_PANEL = 0.5  # mm above the surround's surface there is nothing to hit
ELEVATIONS = (0, 5, -5, 10, -10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60)  # degrees; ways out, the levellest first
SLACK = 1e-3  # mm of distance, mm² of overlap in the side view that are rounding
FAR = 400.0  # mm, beyond any recess


@dataclass(frozen=True, eq=False)
class Pose:
    """A device at its seat, as a rectangle in (s, h) that runs across from `low` to `high`.

    foot     : (2,) mm, its lower back corner.
    rise     : (2,) unit, from the foot up its back.
    tall, thick : mm, along its back and square to it. low, high: x of its ends, mm.
    """

    foot: Floats
    rise: Floats
    tall: float
    thick: float
    low: float
    high: float

    def __post_init__(self) -> None:
        freeze(self, "foot", "float64")
        freeze(self, "rise", "float64")

    @property
    def front(self) -> Floats:
        """Unit (2,), from its back to its front."""
        return np.array([-self.rise[1], self.rise[0]])

    @property
    def rounding(self) -> float:
        """Radius of its edges, mm."""
        return min(CASE_ROUND, 0.3 * self.thick, 0.3 * self.tall)

    def outline(self, chord: float = 0.1) -> Floats:
        """Return its side (N, 2), mm, with corners rounded to within `chord` mm and points along the sides."""
        import shapely

        across, along = self.thick * self.front, self.tall * self.rise
        corners = self.foot + np.array([0 * across, along, along + across, across])
        ring = round_polygon(corners, self.rounding).points(chord=chord)
        return np.asarray(shapely.segmentize(shapely.Polygon(ring), CROSS_STEP).exterior.coords)[:-1]

    def mesh(self, profile: Profile) -> Mesh:
        """Return the device as a box with rounded edges, part frame, normals outwards."""
        import manifold3d

        r = self.rounding
        ball = manifold3d.Manifold.sphere(r, 16)
        spans = (self.low + r, self.high - r), (r, self.tall - r), (r, self.thick - r)
        spots = [(x, u, v) for x in spans[0] for u in spans[1] for v in spans[2]]
        box = manifold3d.Manifold.batch_hull([ball.translate(spot) for spot in spots]).to_mesh64()
        local = np.asarray(box.vert_properties[:, :3], dtype=np.float64)
        flat = self.foot + local[:, 1:2] * self.rise + local[:, 2:] * self.front
        faces = np.asarray(box.tri_verts, dtype=np.int32)
        mesh = Mesh(profile.place(local[:, 0], flat), faces)
        return mesh if measure_volume(mesh) > 0.0 else Mesh(mesh.vertices, faces[:, ::-1])


@dataclass(frozen=True, eq=False)
class Seat:
    """Where a device stands and leaves.

    pose     : the device.
    rest_top : how far the rest bears the device's back, mm along it from the foot; 0 where nothing stands behind it.
    legs     : (L, 3) mm, part frame: straight movements, one after the other, that take it out of the mouth.
    """

    pose: Pose
    rest_top: float
    legs: Floats

    def __post_init__(self) -> None:
        freeze(self, "legs", "float64")


def pose_device(profile: Profile, device: Device) -> Pose:
    """Return where the device stands: behind the lip by its play, down on the deck.

    Leaning, it stands on its lower back edge with its back to the rest; where its underside then slopes up over
    the lip, the lip's edge is what keeps it. Lying, it lies on the deck with the rest at its far side.
    """
    low, high = device.place - 0.5 * device.across, device.place + 0.5 * device.across
    size = device.width if device.orientation == "landscape" else device.length
    start = profile.lip_back(low, high) + device.play
    tilt = radians(profile.tilt_deg)
    if device.pose == "lying":
        rise = np.array([sin(tilt), cos(tilt)])
        front = start + max(0.0, -device.thickness * rise[0])
        foot = np.array([front, profile.deck(front)]) + size * profile.slope_back + SEAT_GAP * rise
        return Pose(foot, rise, tall=device.thickness, thick=size, low=low, high=high)
    lean = radians(device.lean)
    ahead = device.thickness * cos(lean)
    if profile.lip_height and lean > tilt:
        level = (profile.lip_height + tan(tilt) * device.play) / (tan(lean) - tan(tilt))
        ahead = min(ahead, level)
    s = start + ahead
    front_s = s - device.thickness * cos(lean)
    h = max(profile.deck(s), profile.deck(front_s) - device.thickness * sin(lean)) + SEAT_GAP
    rise = np.array([sin(lean), cos(lean)])
    return Pose(np.array([s, h]), rise, tall=size, thick=device.thickness, low=low, high=high)


def find_seat(profile: Profile, space: InsertableSpace, device: Device) -> Seat | None:
    """Find a device's seat and the way by which it leaves it; None where it does not go in.

    Tried in turn: straight out, the levellest way first; then up along the rest until it clears the lip, and out.
    """
    pose = pose_device(profile, device)
    start = _points_of(pose, profile)
    if not _is_free(space, start).all():
        return None
    leaning = device.pose == "leaning"
    rest = measure_rest(pose, profile, space, share=REST_SHARE if leaning else 1.0)
    material = _side_of_part(profile, pose, rest)
    for ways in _list_ways(profile, pose):
        legs = np.array([profile.place(np.zeros(1), way[None])[0] - profile.place(np.zeros(1), np.zeros((1, 2)))[0]
                         for way in ways])  # fmt: skip
        legs[-1] *= _way_out(space, start + legs[:-1].sum(axis=0), legs[-1])
        if _clears_part(pose, profile, legs, material) and _clears_scan(space, start, legs):
            return Seat(pose, rest, legs)
    return None


def find_largest(fits: Callable[[float], bool], largest: float, *, smallest: float = 0.0) -> float | None:
    """Return the largest size for which `fits` holds between `smallest` and `largest`, to 0.5 mm; None if there is none."""
    if not fits(smallest):
        return None
    low, high = smallest, largest
    while high - low > 0.5:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def measure_rest(pose: Pose, profile: Profile, space: InsertableSpace, *, share: float) -> float:
    """Return how far up a device's back there is room for material behind it, mm, at most `share` of its height."""
    up = np.arange(0.0, share * pose.tall + 0.25, 0.5)
    up[-1] = min(up[-1], share * pose.tall)
    x = np.linspace(pose.low, pose.high, 25)
    flat = pose.foot + up[:, None] * pose.rise + np.array([REST_WALL, 0.0])
    points = profile.place(np.repeat(x, len(up)), np.tile(flat, (len(x), 1)))
    room = (sample_height(space, points[:, :2]) <= points[:, 2]).reshape(len(x), len(up)).all(axis=0)
    return float(up[-1]) if room.all() else float(up[max(int(np.argmin(room)) - 1, 0)])


def _list_ways(profile: Profile, pose: Pose) -> Iterator[list[Floats]]:
    """Yield ways in (s, h): lists of movements, the last of unit length."""
    out = [np.array([-cos(radians(e)), sin(radians(e))]) for e in ELEVATIONS]
    withdraw = profile.flatten(np.array([[0.0, 0.0, 1.0]]))[0] + np.array([0.0, profile.base])
    for direction in out:
        yield [direction]
    top = profile.lip_top(profile.lip_back(pose.low, pose.high))
    lift = (top + OVER_LIP - pose.foot[1]) / pose.rise[1]
    if lift > 0.0:
        for direction in (withdraw / np.linalg.norm(withdraw), *out):
            yield [lift * pose.rise, direction]


def _side_of_part(profile: Profile, pose: Pose, rest: float) -> Any:
    """Return the part's side in (s, h): deck and lip where they reach furthest in and out, and the rest."""
    import shapely

    edge = profile.lip_edge(np.linspace(pose.low, pose.high, 33))
    first, back = float(edge[:, 0].min()), profile.lip_back(pose.low, pose.high)
    deck = shapely.Polygon([(first, -FAR), (FAR, -FAR), (FAR, profile.deck(FAR)), (first, profile.deck(first))])
    parts = [deck]
    if profile.lip_height:  # its top slopes with the deck
        ends = [(s, level(s)) for s, level in ((first, profile.lip_top), (back, profile.lip_top), (back, profile.deck))]
        parts.append(shapely.Polygon([(first, profile.deck(first)), *ends]))
    if rest > 0.0:
        foot = pose.foot + SEAT_GAP * np.array([pose.rise[1], -pose.rise[0]])
        top = foot + rest * pose.rise
        parts.append(shapely.Polygon([foot - 1.0 * pose.rise, (FAR, -FAR), (FAR, top[1]), top]))
    return shapely.union_all(parts)


def _clears_part(pose: Pose, profile: Profile, legs: Floats, material: Any) -> bool:
    """Return whether a device misses the part, and comes no nearer than WAY_GAP unless it stands nearer at its seat.

    What a convex outline sweeps is the hull of its two ends.
    """
    import shapely

    at = pose.outline(chord=SIDE_CHORD)
    least = min(WAY_GAP, shapely.distance(shapely.Polygon(at), material) - SLACK)
    for leg in legs:
        move = np.array([leg @ profile.inwards, leg @ profile.up])
        swept = shapely.convex_hull(shapely.MultiPoint(np.vstack([at, at + move])))
        if shapely.distance(swept, material) < least or shapely.area(shapely.intersection(swept, material)) > SLACK:
            return False
        at = at + move
    return True


def _points_of(pose: Pose, profile: Profile) -> Floats:
    """Return points all over a device, (N, 3), part frame."""
    side = pose.outline()
    x = np.linspace(pose.low, pose.high, max(2, int((pose.high - pose.low) / CROSS_STEP) + 1))
    return profile.place(np.repeat(x, len(side)), np.tile(side, (len(x), 1)))


def _is_free(space: InsertableSpace, points: Floats) -> Bools:
    """Return which points (N, 3) lie in the insertable space, or in front of the panel."""
    above = lid_height(space.lid, points[:, 0], points[:, 1]) + ABOVE_PANEL
    return np.asarray((points[:, 2] >= sample_height(space, points[:, :2])) | (points[:, 2] > above))


def _way_out(space: InsertableSpace, points: Floats, direction: Floats) -> float:
    """Return how far points must go along a direction (3,) until all are in front of the panel, mm."""
    depth = float((lid_height(space.lid, points[:, 0], points[:, 1]) - points[:, 2]).max())
    outwards = float(direction[2])
    return max(depth, 0.0) / max(outwards, 0.05) + 5.0


def _clears_scan(space: InsertableSpace, start: Floats, legs: Floats) -> bool:
    at = start
    for leg in legs:
        for share in np.linspace(0.0, 1.0, max(2, int(np.linalg.norm(leg) / STEP) + 1)):
            if not _is_free(space, at + share * leg).all():
                return False
        at = at + leg
    return True
