"""The draw direction: the one near the mouth's normal along which the most room below the lid can be left straight out.

It starts from a look along the normal of the scan's border, or along what most of the scan faces, and a search within a cone
about that compares volumes by z-buffers of the sheared mesh.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from math import cos, radians, sin, sqrt
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints, Singles
from mountgen.errors import DatumError
from mountgen.faces import measure_faces, touch_faces
from mountgen.frames import find_scan_frame, move_into
from mountgen.grid import EMPTY, fill_loop, sum_free
from mountgen.lid import lid_height, lid_normal
from mountgen.mouth import COARSE_NODES, FoundMouth, find_mouth
from mountgen.raster import raster_faces
from mountgen.scan import Scan
from mountgen.weld import merge_in_cells

if TYPE_CHECKING:
    from mountgen.recipe_tables import Mouth

SEARCH_CONES = (15.0, 35.0)  # degrees about the first guess; the wider one where the best lies at the narrower one's edge
AT_EDGE = 0.95  # of the cone's slope, from which on a direction lies there
SEARCH_STEPS = (6.0, 3.0, 1.5, 0.75, 0.375)  # degrees
TURN_COST = 0.001  # share of the insertable volume that each degree off the rim normal must win
LEAST_FLOORED = 0.5  # of the mouth, from which on there is a floor to seek a draw direction by
SEARCH_FACES, SEARCH_NODES = 60_000, 50_000  # about so many, when volumes are compared; good to 0.05 % of them
LID_STEPS = 3  # each leaves at most a seventh of the error: tan 15 degrees times a lid that slopes 30
ASKEW = 0.5  # radians between their grid and the frame
ASKEW_AXES = np.array([[cos(ASKEW), -sin(ASKEW)], [sin(ASKEW), cos(ASKEW)]])  # x, y in the frame times these are the grid's
FACINGS, FACING_WIDE = 3, 25.0  # directions that the scan faces, tried where the first guess does not settle it; degrees
FACING_SAMPLES, FACING_TRIED = 10_000, 300  # faces
RELOOK_FROM, RELOOKS = 6.0, 2  # degrees between first guess and mouth normal from which on it is looked along that; times

Look = tuple[Floats, Floats, FoundMouth]  # frame, the scan's vertices in it, the mouth found


def look_along(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth) -> Look:
    """Look along a first guess; where what is found does not settle it, along what most of the scan faces, if that does.

    The vector area is the normal of the scan's border, and on a large, bent or stepped panel that is not the mouth's.

    Args:
        scan: the mended scan, mm.
        faces: (F, 3) int32, the scan's own or turned over.
        guess: (3,) unit vector, scan axes, out of the recess.
        mouth: the recipe's `[mouth]` table: at, rim and plane are heeded.

    Returns:
        Look: the frame looked along, (4, 4), the scan's vertices in it, (V, 3) mm, and the mouth found.

    Raises:
        DatumError: nothing is found along the guess.
    """
    first = _look_squarely(scan, faces, guess, mouth)
    if is_settled(first):
        return first
    for way in _list_facings(scan, faces):
        with suppress(DatumError):
            look = _look_squarely(scan, faces, way, mouth)
            if is_settled(look):
                return look
    return first


def is_settled(look: Look) -> bool:
    """Return whether nearly all that was seen beside the rim agrees with the lid; not so where the user gave either."""
    return look[2].agreement is not None and look[2].agreement.settled


def _look_squarely(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth) -> Look:
    """Look along a guess, and again along the normal of the mouth found as long as the two differ."""
    for _ in range(RELOOKS + 1):
        frame = find_scan_frame(scan.vertices, faces, guess)
        local = move_into(frame, scan.vertices)
        look = find_mouth(local, faces, COARSE_NODES, scan, mouth, frame)
        normal = lid_normal(look.lid, *look.rim.mean(axis=0))
        if normal[2] > cos(radians(RELOOK_FROM)):
            break
        guess = frame[:3, :3] @ normal
    return frame, local, look


def _list_facings(scan: Scan, faces: Ints) -> list[Floats]:
    """Return unit vectors that much of the scan's area faces, the most first, none within FACING_WIDE of another."""
    vectors = measure_faces(scan.vertices, faces[:: -(-len(faces) // FACING_SAMPLES)])[0]
    sizes = np.maximum(np.linalg.norm(vectors, axis=1), np.finfo(np.float64).tiny)
    some = vectors[:: -(-len(vectors) // FACING_TRIED)] / sizes[:: -(-len(vectors) // FACING_TRIED), None]
    facing = vectors / sizes[:, None] @ some.T > cos(radians(FACING_WIDE))
    found: list[Floats] = []
    for k in np.argsort(-(sizes @ facing), kind="stable"):
        way = vectors[facing[:, k]].sum(axis=0)
        way /= np.linalg.norm(way)
        if all(way @ other < cos(radians(FACING_WIDE)) for other in found):
            found.append(way)
        if len(found) == FACINGS:
            break
    return found


def search_draw(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth, notes: list[str]) -> Floats:
    """Return the direction within a cone about the first guess that leaves the greatest insertable volume below the lid.

    Args:
        scan: the mended scan, mm.
        faces: (F, 3) int32, the scan's own or turned over.
        guess: (3,) unit vector, scan axes, out of the recess.
        mouth: the recipe's `[mouth]` table: `at` is heeded.
        notes: sentences for the user, to which those on the search are added.

    Returns:
        (3,) unit vector, scan axes, out of the recess.

    Raises:
        DatumError: nothing is found along the guess.
    """
    frame, local, look = look_along(scan, faces, guess, mouth.model_copy(update={"rim": None, "plane": None}))
    guess = frame[:3, 2]
    starts = [np.zeros(2)]
    normal = np.array([-look.lid[1], -look.lid[2]])  # slope of the lid at the frame's origin: the surround's own normal
    if look.open_arc.any():
        starts.append(normal)  # an open rim tips the vector area
    askew = _lay_askew(*_thin_near(local, faces, look), look)
    if _share_floored(askew) < LEAST_FLOORED:
        notes.append(
            "little or no floor is seen in the mouth, so that the draw direction is the rim's normal; if the walls lead another "
            "way, set mouth.draw"
        )
        return np.asarray(frame[:3, :3] @ lid_normal(look.lid, *look.rim.mean(axis=0)), dtype=np.float64)
    known: dict[tuple[float, float], float] = {}

    def free_volume(slope: Floats) -> float:
        key = (round(float(slope[0]), 9), round(float(slope[1]), 9))  # a search comes by the same directions again
        if key not in known:
            known[key] = _free_volume(askew, look.lid, slope)
        return known[key]

    volumes = [free_volume(start) for start in starts]
    origin = starts[int(np.argmax(volumes))]
    best, here = max(volumes), origin.copy()
    for cone in SEARCH_CONES:
        limit = np.tan(radians(cone))
        if cone > SEARCH_CONES[0]:
            if float(np.linalg.norm(here - origin)) < AT_EDGE * np.tan(radians(SEARCH_CONES[0])):
                break
            askew = _lay_askew(*_thin_near(local, faces, look, cone=cone), look)
            known.clear()
            best = free_volume(here) * _weigh_turn(here - origin)
        for step_deg in SEARCH_STEPS:
            step = np.tan(radians(step_deg))
            moved = True
            while moved:
                moved = False
                for k in range(8):
                    trial = here + step * np.array([cos(k * np.pi / 4), sin(k * np.pi / 4)])
                    if float(np.linalg.norm(trial - origin)) > limit:
                        continue
                    score = free_volume(trial) * _weigh_turn(trial - origin)
                    if score > best:
                        best, here, moved = score, trial, True
    direction: Floats = frame[:3, :3] @ np.array([here[0], here[1], 1.0])
    direction /= np.linalg.norm(direction)
    turn = np.degrees(np.arccos(np.clip(direction @ guess, -1.0, 1.0)))
    if turn > 0.05:
        notes.append(
            f"draw direction turned {turn:.1f} degrees from the rim normal, which leaves more room"
        )
    return direction


def _weigh_turn(off: Floats) -> float:
    """Return the share of its volume at which a direction that is `off` (2,) in slope is valued."""
    return 1.0 - TURN_COST * float(np.degrees(np.arctan(np.linalg.norm(off))))


def _thin_near(local: Floats, faces: Ints, look: FoundMouth, *, cone: float = SEARCH_CONES[0]) -> tuple[Floats, Ints]:
    """Return the mesh about the mouth with at most some SEARCH_FACES faces: vertices in one cell of a coarse grid become one."""
    room = look.depth * np.tan(radians(cone)) + 5.0
    low, high = look.rim.min(axis=0) - room, look.rim.max(axis=0) + room
    x, y = local[:, 0], local[:, 1]
    near = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1])
    faces = faces[touch_faces(faces, near)]
    if len(faces) <= 1.5 * SEARCH_FACES:
        return local, faces
    area = float(measure_faces(local, faces)[1].sum())
    return merge_in_cells(local, faces, size=sqrt(2.0 * area / SEARCH_FACES))


@dataclass(frozen=True, eq=False)
class _Askew:
    """A mesh, and the mouth that is looked into, on a grid that stands askew to the mouth.

    A straight wall along a grid line would come and go by a whole row of nodes.

    plan  : (N, 2) mm, the points' x and y by the grid's axes;  over: (N,) mm, how far they lie above `level`;  z: (N,) mm.
    mouth : (R, C) bool.    level: mm, height at which a shear leaves things, the rim among them, in their place.
    """

    plan: Floats
    over: Floats
    z: Floats
    faces: Ints
    mouth: Bools
    level: float
    origin: tuple[float, float]
    pitch: float

    def shear(self, slope: Floats) -> Singles:
        """Return the z-buffer of the mesh sheared by minus the slope (2,), so that (slope, 1) is upright, (R, C) mm."""
        moved = np.empty((len(self.plan), 3))
        for k, along in enumerate(slope @ ASKEW_AXES):
            np.multiply(self.over, -along, out=moved[:, k])
            moved[:, k] += self.plan[:, k]
        moved[:, 2] = self.z
        return raster_faces(moved, self.faces, origin=self.origin, pitch=self.pitch, shape=self.mouth.shape)


def _lay_askew(points: Floats, faces: Ints, look: FoundMouth) -> _Askew:
    level = float(lid_height(look.lid, look.rim[:, 0], look.rim[:, 1]).mean())
    rim = look.rim @ ASKEW_AXES
    low, high = rim.min(axis=0) - 2.0, rim.max(axis=0) + 2.0
    pitch = sqrt(float(np.prod(high - low)) / SEARCH_NODES)
    shape = (int((high[1] - low[1]) / pitch) + 1, int((high[0] - low[0]) / pitch) + 1)
    origin = (float(low[0]), float(low[1]))
    mouth = fill_loop(rim, origin=origin, pitch=pitch, shape=shape)
    z = np.ascontiguousarray(points[:, 2])
    return _Askew(points[:, :2] @ ASKEW_AXES, z - level, z, faces, mouth, level, origin, pitch)


def _free_volume(askew: _Askew, lid: Floats, slope: Floats) -> float:
    """Return the volume below the lid that is free along (slope, 1) and left through the mouth, mm³, from a sheared z-buffer."""
    return sum_free(
        askew.shear(slope), askew.mouth, lid, slope=slope, level=askew.level, turn=ASKEW, origin=askew.origin,
        pitch=askew.pitch, steps=LID_STEPS,
    )  # fmt: skip


def _share_floored(askew: _Askew) -> float:
    """Return the share of the mouth below which there is any scan: what was not seen is no room, so that any turn by which a
    wall comes to lie below the mouth would seem to make some.
    """
    height, mouth = askew.shear(np.zeros(2)), askew.mouth
    return float((height[mouth] > EMPTY).mean()) if mouth.any() else 0.0
