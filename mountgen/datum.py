"""Stage 2: rim, mouth plane, draw direction and up; the scan moved to the part frame.

The draw direction starts from the vector area of the scan (for an open sheet it depends on the border alone, so it is the
normal of the rim however deep the recess is) and is refined to the greatest insertable volume. The surround is carried across
the mouth as a quadratic surface, the lid; the rim is where the scan has dropped a set depth below the lid.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from math import cos, radians, sin, sqrt
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints, Singles, freeze
from mountgen.errors import DatumError
from mountgen.lid import BEYOND, Agreement, Ground, fit_around, lid_normal, measure_agreement, measure_bend, propose_lids
from mountgen.lid import lid_height as lid_height  # part of what this stage offers
from mountgen.place import tell_clock
from mountgen.raster import EMPTY, fill_loop, raster_faces, reach_disc, sum_free
from mountgen.scan import Scan, suggest_unit
from mountgen.topology import find_middles, measure_faces, merge_in_cells, touch_faces

if TYPE_CHECKING:
    from mountgen.recipe_tables import Mouth

SMALLEST_MOUTH, LARGEST_MOUTH = 10.0, 1500.0  # mm; outside this a unit mistake is likelier than a recess
NARROWEST = 4.0  # mm; across a mouth, less is a gap between two panels
SHALLOWEST = 2.0  # mm; a dent less deep than this is no recess to fit a part into
RIM_DEPTH = (0.5, 0.8)  # mm below the lid at which the rim is drawn, 8 % of the depth within this
SEARCH_CONES = (15.0, 35.0)  # degrees about the first guess; the wider one where the best lies at the narrower one's edge
AT_EDGE = 0.95  # of the cone's slope, from which on a direction lies there
SEARCH_STEPS = (6.0, 3.0, 1.5, 0.75, 0.375)  # degrees
TURN_COST = 0.001  # share of the insertable volume that each degree off the rim normal must win
LEAST_FLOORED = 0.5  # of the mouth, from which on there is a floor to seek a draw direction by
SEARCH_FACES, SEARCH_NODES = 60_000, 50_000  # about so many, when volumes are compared; good to 0.05 % of them
LID_STEPS = 3  # each leaves at most a seventh of the error: tan 15 degrees times a lid that slopes 30
ASKEW = 0.5  # radians between their grid and the frame
ASKEW_AXES = np.array([[cos(ASKEW), -sin(ASKEW)], [sin(ASKEW), cos(ASKEW)]])  # x, y in the frame times these are the grid's
COARSE_NODES, FINE_NODES = 60_000, 400_000
FACINGS, FACING_WIDE = 3, 25.0  # directions that the scan faces, tried where the first guess does not settle it; degrees
FACING_SAMPLES, FACING_TRIED = 10_000, 300  # faces
RELOOK_FROM, RELOOKS = 6.0, 2  # degrees between first guess and mouth normal from which on it is looked along that; times
WORTH_TELLING = 5.0  # mm; a further recess less deep than this is not told of
MOST_BENT = 1.0  # slope by which a lid may differ from its middle's anywhere in the mouth
REGIONS, LEAST_SHARE = 4, 0.05  # deep regions looked at; of the greatest one's volume that a region has
LEAST_ISLAND = 0.002  # of the volume of what lies all around a part on a table, that a recess in the part has
LEAST_BEYOND = 0.8  # of the strip beyond a bead along the rim that is the lid's own surface
LEAST_PANEL = 0.25  # of what is seen beside the rim that agrees with the lid and does not stand above it
OUTSIDE = "for an object seen from outside this is the wrong tool"
FACING_ROOM, BEHIND, MOST_BEHIND = 20.0, 1.0, 0.2  # mm about the rim; mm; share of that seen from behind
LEAST_TURNED = 0.02  # of the scan's area that a mouth on its other side has; less is some hollow of its back
LEAST_UNTURNED = 0.1  # of the mouth on the turned side that one on the other has; less is a boss seen from behind
MUCH_ABOVE = 0.25  # of the strip beside the rim that stands above the lid, from which on this is said
ALIKE = 0.006  # lopsidedness of a mouth below which its sign is chance; noise makes up to 0.003 of it
SQUARE = 0.98  # of its width that a mouth is high from which on the longer axis is chance
FEWEST_ACROSS = 40.0  # spacings that a scan is across; in one that is less no rim is made out, whatever is said of it then
MOST_UNSEEN = 0.98  # of the strip beside the rim; with less of it seen, the scan ends at the rim


@dataclass(frozen=True, eq=False)
class Recess:
    """The scan in the part frame, with its mouth.

    vertices       : (V, 3) float64, mm, part frame.      faces: (F, 3) int32, normals to the free side.
    rim            : (K, 3) float64, mm, part frame; counter-clockwise seen from +z, first point not repeated.
    lid            : (6,) float64; the surround's surface carried across the mouth: z = a + b x + c y + d x² + e x y + f y², mm.
    part_to_scan   : (4, 4) float64, rigid, mm; part frame to scan axes (scan already in mm).
    up             : (3,) unit vector, part frame: the vehicle's up.
    depth          : greatest depth below the lid, mm.
    open_side_deg  : clock angles (from, to) in degrees, clockwise from 12, where the rim is open; None where it is closed.
    notes          : sentences for the user.
    """

    vertices: Floats
    faces: Ints
    rim: Floats
    lid: Floats
    part_to_scan: Floats
    up: Floats
    depth: float
    open_side_deg: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("vertices", "rim", "lid", "part_to_scan", "up"):
            freeze(self, name, "float64")
        freeze(self, "faces", "int32")

    @property
    def mouth_height(self) -> float:
        """Height of the mouth along the vehicle's up, mm."""
        return float(np.ptp(self.rim @ self.up))


@dataclass(frozen=True, eq=False)
class _Mouth:
    """What one look along a trial draw direction finds, in that look's own frame."""

    lid: Floats  # (6,)
    rim: Floats  # (K, 2)
    depth: float
    open_arc: Bools  # (K,) rim points that lie on the scan's own border
    agreement: Agreement | None  # of the scan beside the rim with the lid; None where the user gave either
    beyond: Agreement  # the same farther away
    others: tuple[tuple[float, float, Floats], ...] = ()  # further recesses: width, height, deepest place (3,), mm


class _ProudError(DatumError):
    """What was scanned stands out of its surround: the other side of that would be taken for a recess."""


def vector_area(vertices: Floats, faces: Ints) -> Floats:
    """Return the sum of the faces' area vectors, (3,) mm². For an open sheet it depends on the border loops alone."""
    total: Floats = measure_faces(vertices, faces)[0].sum(axis=0)
    return total


def find_datum(scan: Scan, *, mouth: Mouth) -> Recess:
    """Find mouth, draw direction and up, and move the scan to the part frame.

    Args:
        scan: the mended scan, mm.
        mouth: the recipe's `[mouth]` table: up (clock position), recline (degrees), and by hand: draw, rim, plane.

    Returns:
        Recess: the scan in the part frame, with rim and lid.

    Raises:
        DatumError: no recess is seen, its mouth has an implausible size, or what the recipe gives by hand does not fit the scan.
    """
    if mouth.draw is not None or mouth.plane is not None or mouth.rim is not None:
        return _find_datum(scan, scan.faces, mouth)
    try:
        found = _find_datum(scan, scan.faces, mouth)
        if _was_turned(scan):
            with suppress(DatumError):
                if found.open_side_deg is not None or _is_hollow_unturned(scan, mouth, found):
                    return _find_unturned(scan, mouth)
        return found
    except DatumError as error:
        across = float(np.linalg.norm(np.ptp(scan.vertices, axis=0)))
        if across < FEWEST_ACROSS * scan.spacing:
            raise _too_sparse(scan, across) from error
        if not isinstance(error, _ProudError) or _was_turned(scan):
            with suppress(DatumError):
                return _find_turned(scan, mouth)
        unit = suggest_unit(across / scan.mm_per_unit, scan.unit)
        hints = [
            *([f"the scan is {across:.0f} mm across as it was read, but {unit}"] if unit and "unit" not in error.remedy else []),
            *([OUTSIDE] if _was_turned(scan) and OUTSIDE not in error.remedy else []),
        ]
        if not hints:
            raise
        raise type(error)(error.what, error.where, "; ".join([error.remedy, *hints])) from None


def _too_sparse(scan: Scan, across: float) -> DatumError:
    return DatumError(
        f"too sparse a scan for a mouth to be found: its points lie {scan.spacing:.3g} mm apart, and all of it is "
        f"{across:.3g} mm across (read as {scan.unit})", "the whole scan",
        "scan again with points 1 mm apart or less, or export from the scanner's program without thinning out",
    )


def _was_turned(scan: Scan) -> bool:
    return any(mend.what == "inverted normals" for mend in scan.mended)


def _find_turned(scan: Scan, mouth: Mouth) -> Recess:
    """Look at the scan's other side: a panel scanned from behind as well, or all round, may have been turned the wrong way."""
    found = _find_datum(scan, scan.faces[:, ::-1], mouth)
    if signed_area(found.rim[:, :2]) < LEAST_TURNED * float(measure_faces(scan.vertices, scan.faces)[1].sum()):
        raise DatumError("nothing but a corner of the other side", "the whole scan", "scan the recess from its mouth")
    return replace(found, notes=(*found.notes, "the scan's normals were turned over: only on that side of it there is a recess"))


def _is_hollow_unturned(scan: Scan, mouth: Mouth, found: Recess) -> bool:
    """Return whether there is no doubt of a recess on the side that the file's own normals name, nor is it some hollow of a back.

    The surface lies above its border as a whole, and so was turned, if it is the table on which a part with a recess was scanned.

    Raises:
        DatumError: nothing is found there.
    """
    faces = scan.faces[:, ::-1]
    area = vector_area(scan.vertices, faces)
    look = _look_along(scan, faces, area / np.linalg.norm(area), mouth)
    own = look[2]
    if not _is_settled(look) or own.open_arc.any() or own.depth < WORTH_TELLING:
        return False
    return signed_area(own.rim) > LEAST_UNTURNED * signed_area(found.rim[:, :2])


def _find_unturned(scan: Scan, mouth: Mouth) -> Recess:
    """Look at the side that the file's own normals name: the border of a channel, or a table, does not tell which is hollow."""
    found = _find_datum(scan, scan.faces[:, ::-1], mouth)
    return replace(found, notes=(*found.notes, "turned back, for there is a recess on the side that the file's own normals name"))


def _find_datum(scan: Scan, faces: Ints, mouth: Mouth) -> Recess:
    vertices = scan.vertices
    notes: list[str] = []
    area = vector_area(vertices, faces)
    given = mouth.draw if mouth.draw is not None else (mouth.plane.normal if mouth.plane is not None else None)
    if given is not None:
        draw = np.asarray(given, dtype=np.float64)
        if np.linalg.norm(draw) == 0:
            raise DatumError("the draw direction has no length", "mouth.draw", "give a vector such as [0, 0, 1]")
        draw = draw / np.linalg.norm(draw)
        if draw @ area < 0:
            raise DatumError(
                "the draw direction given points into the panel", "mouth.draw or mouth.plane.normal",
                "reverse its sign: it points out of the recess, towards the scanner",
            )
    else:
        draw = _search_draw(scan, faces, area / np.linalg.norm(area), mouth, notes)
    frame = _shape_frame(vertices, faces, draw)
    local = _into(frame, vertices)
    found = _find_mouth(local, faces, COARSE_NODES, scan, mouth, frame)
    turned = _canonical_frame(frame, found, mouth.up)
    local = _into(turned, vertices)
    found = _find_mouth(local, faces, FINE_NODES, scan, mouth, turned)
    rim = np.column_stack([found.rim, lid_height(found.lid, found.rim[:, 0], found.rim[:, 1])])
    open_side = _open_side(found)
    if open_side is not None:
        notes.append(
            f"the rim is open from {_clock(open_side[0])} to {_clock(open_side[1])}: "
            "closed by the hull of the rim and the mouth plane"
        )
    notes += _note_symmetry(found.rim)
    notes += [_note_other(other, turned, scan) for other in found.others]
    _check_size(found.rim, scan)
    if found.agreement is not None:
        _check_surround(found.agreement, found.beyond)
        _check_facing(local, faces, found)
        if found.agreement.above > MUCH_ABOVE:
            notes.append(
                f"beside {100.0 * found.agreement.above:.0f} % of the rim the scan stands up to {found.agreement.height:.1f} mm "
                "above the mouth: if the mouth found lies too deep, set mouth.plane"
            )
    tilt = radians(mouth.recline)
    return Recess(
        vertices=local, faces=faces, rim=rim, lid=found.lid, part_to_scan=turned,
        up=_find_up(found.lid, tilt), depth=found.depth, open_side_deg=open_side, notes=tuple(notes),
    )


def _note_other(other: tuple[float, float, Floats], frame: Floats, scan: Scan) -> str:
    """Tell of a further recess, and how to take it."""
    width, height, place = other
    away, towards = float(np.hypot(place[0], place[1])), tell_clock(float(place[0]), float(place[1]))
    point = (frame[:3, :3] @ place + frame[:3, 3]) / scan.mm_per_unit
    digits = 1 if scan.mm_per_unit == 1.0 else 3
    listed = ", ".join(f"{v + 0.0:.{digits}f}" for v in point)
    return (
        f"the scan shows another recess, {width:.0f} x {height:.0f} mm, {away:.0f} mm away towards {towards}: "
        f"the greater one was taken; for the other, set mouth.at = [{listed}]"
    )


def _check_surround(agreement: Agreement, beyond: Agreement) -> None:
    """Refuse a recess whose panel was not scanned: its mouth would be found somewhere down its walls.

    Where a bead runs along the rim, what lies beside that stands out; then the panel is seen beyond it.
    """
    there = agreement.agreeing + agreement.above
    if agreement.agreeing > LEAST_PANEL * there and agreement.unseen < MOST_UNSEEN:
        return
    if agreement.unseen < MOST_UNSEEN and beyond.agreeing > LEAST_BEYOND:
        return
    raise _no_panel(
        f": what is seen beside its rim stands up to {agreement.height:.1f} mm above the mouth" if agreement.above else ""
    )


def _no_panel(why: str) -> DatumError:
    return DatumError(
        f"no panel is seen around the recess{why}", "the scan's border",
        "scan at least 20 mm of the panel past the rim all round, and do not crop the scan at the rim",
    )


def _check_facing(local: Floats, faces: Ints, found: _Mouth) -> None:
    """Refuse a mouth whose surround is seen from behind: the opening of something hollow that was scanned from outside."""
    ground, _ = _lay_ground(local, faces, COARSE_NODES)
    low, high = found.rim.min(axis=0) - FACING_ROOM, found.rim.max(axis=0) + FACING_ROOM
    near = ground.seen & (ground.x > low[0]) & (ground.x < high[0]) & (ground.y > low[1]) & (ground.y < high[1])
    shape, origin = ground.seen.shape, (float(ground.x[0, 0]), float(ground.y[0, 0]))
    front = faces[measure_faces(local, faces)[0][:, 2] > 0.0]
    behind = near & (raster_faces(local, front, origin=origin, pitch=ground.pitch, shape=shape) < ground.height - BEHIND)
    if behind.sum() > MOST_BEHIND * near.sum():
        raise DatumError(
            f"an object seen from outside: {100.0 * behind.sum() / near.sum():.0f} % of what surrounds its opening is seen from "
            "behind", "the whole scan", "scan a recess from its mouth, and only that; cut off what was scanned of its back",
        )


def _find_up(lid: Floats, recline: float) -> Floats:
    """Return the vehicle's up, (3,), `recline` radians from the mouth's plane; its normal is the lid's, not the draw direction.

    It is kept in the plane x = 0, which the clock position of up defines.
    """
    leaning = np.arctan2(-lid[2], 1.0)  # of the mouth's normal from +z towards +y
    return np.array([0.0, cos(recline - leaning), sin(recline - leaning)])


def _clock(angle_deg: float) -> str:
    minutes = round(angle_deg * 2.0) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d} o'clock"


def _into(frame: Floats, points: Floats) -> Floats:
    """Return points given in scan axes in the frame whose 4x4 pose in scan axes is `frame`."""
    moved: Floats = (points - frame[:3, 3]) @ frame[:3, :3]
    return moved


def _shape_frame(vertices: Floats, faces: Ints, draw: Floats) -> Floats:
    """Return a frame that moves with the scan: origin at its centre of area, z along `draw`, x along its longest spread."""
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


_Look = tuple[Floats, Floats, _Mouth]  # frame, the scan's vertices in it, the mouth found


def _look_along(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth) -> _Look:
    """Look along a first guess; where what is found does not settle it, along what most of the scan faces, if that does.

    The vector area is the normal of the scan's border, and on a large, bent or stepped panel that is not the mouth's.

    Raises:
        DatumError: nothing is found along the guess.
    """
    first = _look_squarely(scan, faces, guess, mouth)
    if _is_settled(first):
        return first
    for way in _list_facings(scan, faces):
        with suppress(DatumError):
            look = _look_squarely(scan, faces, way, mouth)
            if _is_settled(look):
                return look
    return first


def _is_settled(look: _Look) -> bool:
    return look[2].agreement is not None and look[2].agreement.settled


def _look_squarely(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth) -> _Look:
    """Look along a guess, and again along the normal of the mouth found as long as the two differ."""
    for _ in range(RELOOKS + 1):
        frame = _shape_frame(scan.vertices, faces, guess)
        local = _into(frame, scan.vertices)
        look = _find_mouth(local, faces, COARSE_NODES, scan, mouth, frame)
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


def _search_draw(scan: Scan, faces: Ints, guess: Floats, mouth: Mouth, notes: list[str]) -> Floats:
    """Return the direction within a cone about the first guess that leaves the greatest insertable volume below the lid."""
    frame, local, look = _look_along(scan, faces, guess, mouth.model_copy(update={"rim": None, "plane": None}))
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


def _thin_near(local: Floats, faces: Ints, look: _Mouth, *, cone: float = SEARCH_CONES[0]) -> tuple[Floats, Ints]:
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


def _lay_askew(points: Floats, faces: Ints, look: _Mouth) -> _Askew:
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


def _grid(local: Floats, nodes: int) -> tuple[tuple[float, float], float, tuple[int, int]]:
    low, high = (np.array([each(local[:, k]) for k in (0, 1)]) for each in (np.min, np.max))  # each by itself: ten times as quick
    size = high - low
    pitch = max(0.2, sqrt(float(size[0] * size[1]) / nodes))
    shape = (int(size[1] / pitch) + 4, int(size[0] / pitch) + 4)
    return (float(low[0] - 1.5 * pitch), float(low[1] - 1.5 * pitch)), pitch, shape


def _find_mouth(
    local: Floats, faces: Ints, nodes: int, scan: Scan, mouth: Mouth, frame: Floats
) -> _Mouth:
    """Look along -z of `local` and find lid, rim and depth."""

    ground, origin = _lay_ground(local, faces, nodes)
    pitch, shape = ground.pitch, ground.seen.shape
    if mouth.at is not None:
        ground = replace(ground, at=_find_node(mouth.at, scan, frame, ground))
    if mouth.rim is not None:
        lid = _given_lid(mouth.plane.point, scan, frame) if mouth.plane is not None else next(propose_lids(ground))
        region = _given_region(mouth.rim, scan, frame, ground.x, ground.y)
        deepest = float(np.nanmax(np.where(region, _depth(ground, lid), np.nan), initial=0.0))
        _check_depth(deepest, _depth(ground, lid))
        trial = _Trial(lid, region, deepest, measure_agreement(ground, lid, region))
    elif mouth.plane is not None:
        trial = _try_lid(ground, _given_lid(mouth.plane.point, scan, frame))
    else:
        trial = _choose_lid(ground)
    lid = trial.lid
    rim = _trace_rim(_depth(ground, lid), trial.region, _rim_level(trial.deepest), origin, pitch, explicit=mouth.rim is not None)
    outside = np.pad(~ground.inside, 1, constant_values=True)
    at_border = reach_disc(outside, radius=max(2.99 * pitch, 1.5 * scan.spacing), pitch=pitch)[1:-1, 1:-1]
    col = np.clip(np.rint((rim[:, 0] - origin[0]) / pitch).astype(int), 0, shape[1] - 1)
    row = np.clip(np.rint((rim[:, 1] - origin[1]) / pitch).astype(int), 0, shape[0] - 1)
    open_arc = at_border[row, col]
    deepest = trial.deepest
    if open_arc.mean() > 0.02:
        rim, open_arc = _close_open_side(rim, open_arc)
        deepest = _deepest_within(fill_loop(rim, origin=origin, pitch=pitch, shape=shape), ground, lid, deepest)
    else:
        open_arc[:] = False
    return _Mouth(
        lid=lid, rim=rim, depth=deepest, open_arc=open_arc,
        agreement=trial.agreement if mouth.plane is None and mouth.rim is None else None,
        beyond=measure_agreement(ground, lid, trial.region, beside=BEYOND),
        others=tuple(_tell_other(ground, each) for each in trial.others),
    )


def _find_node(at: tuple[float, float, float], scan: Scan, frame: Floats, ground: Ground) -> tuple[int, int]:
    """Return the node (row, column) over a point of the scan file.

    Raises:
        DatumError: it lies beside the scan.
    """
    x, y = _into(frame, np.asarray([at], dtype=np.float64) * scan.mm_per_unit)[0, :2]
    row, col = round(float(y - ground.y[0, 0]) / ground.pitch), round(float(x - ground.x[0, 0]) / ground.pitch)
    if not (0 <= row < ground.seen.shape[0] and 0 <= col < ground.seen.shape[1]):
        raise DatumError("the point lies beside the scan", "mouth.at", "give it in the scan file's own unit and axes")
    return row, col


def _tell_other(ground: Ground, trial: _Trial) -> tuple[float, float, Floats]:
    """Return width, height and the deepest place (3,) of a recess, mm, in the look's own frame."""
    width, height = (float(np.ptp(axis[trial.region])) for axis in (ground.x, ground.y))
    depth = np.where(trial.region & ground.seen, _depth(ground, trial.lid), -np.inf)
    at = np.unravel_index(int(np.argmax(depth)), depth.shape)
    return width, height, np.array([ground.x[at], ground.y[at], ground.height[at]], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Trial:
    """What a lid makes of the scan: the recess in plan (R, C), its depth, how the scan beside it agrees; further recesses."""

    lid: Floats
    region: Bools
    deepest: float
    agreement: Agreement
    others: tuple[_Trial, ...] = ()


def _choose_lid(ground: Ground) -> _Trial:
    """Return the first lid with which the scan beside the rim agrees, or else the one with which most of it does.

    Raises:
        DatumError: no lid leaves a recess.
    """
    best: _Trial | None = None
    failed: DatumError | None = None
    for lid in propose_lids(ground):
        try:
            trial = _try_lid(ground, lid)
        except DatumError as error:
            failed = failed or error
            continue
        if best is None or trial.agreement.worth > best.agreement.worth:
            best = trial
        if trial.agreement.settled:
            break
        for nearer in fit_around(ground, trial.region):
            with suppress(DatumError):
                trial = _try_lid(ground, nearer)
                if trial.agreement.worth > best.agreement.worth:
                    best = trial
            if best.agreement.settled:
                return best
    if best is None:
        assert failed is not None
        raise failed
    return best


def _try_lid(ground: Ground, lid: Floats) -> _Trial:
    """Return the recess below a lid: of the deep regions the most voluminous one that the scan beside it agrees with.

    Raises:
        DatumError: there is none.
    """
    depth = _depth(ground, lid)
    deepest = float(np.nanpercentile(depth, 99.9))
    _check_depth(deepest, depth)
    found: list[_Trial] = []
    missed = False
    for region in _deep_regions(depth, ground.inside, deepest, ground.pitch):
        if float(np.nansum(depth[region])) <= 0.0 or measure_bend(lid, ground.x[region], ground.y[region]) > MOST_BENT:
            continue  # a trench about something that stands out, or the cap of a ball below a lid carried on from its flanks
        if ground.at is not None and not region[ground.at]:
            missed = True
            continue
        found.append(_Trial(lid, region, float(np.nanmax(depth[region])), measure_agreement(ground, lid, region)))
    if missed and not found:
        remedy = "give a point of the recess's floor, in the scan file's own unit and axes"
        raise DatumError("the point lies over no recess", "mouth.at", remedy)
    _check_depth(found[0].deepest if found else 0.0, depth)
    settled = [trial for trial in found if trial.agreement.settled and trial.deepest >= SHALLOWEST]
    best = settled[0] if settled else max(found, key=lambda trial: trial.agreement.worth)
    _check_depth(best.deepest, depth)
    return replace(best, others=tuple(trial for trial in settled if trial is not best and trial.deepest >= WORTH_TELLING))


def _depth(ground: Ground, lid: Floats) -> Floats:
    return np.where(ground.seen, lid_height(lid, ground.x, ground.y) - ground.height, np.nan)


def _lay_ground(local: Floats, faces: Ints, nodes: int) -> tuple[Ground, tuple[float, float]]:
    """Return the height field along -z, of about so many nodes, and its origin."""
    from scipy import ndimage

    origin, pitch, shape = _grid(local, nodes)
    height = raster_faces(local, faces, origin=origin, pitch=pitch, shape=shape)
    seen = height > EMPTY
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    return Ground(height, seen, np.asarray(ndimage.binary_fill_holes(seen)), x, y, pitch), origin


def _rim_level(deepest: float) -> float:
    return float(np.clip(0.08 * deepest, *RIM_DEPTH))


def _check_depth(deepest: float, depth: Floats) -> None:
    if deepest >= SHALLOWEST:
        return
    proud = -float(np.nanpercentile(depth, 0.5))
    if proud > max(2 * SHALLOWEST, 2 * deepest):
        raise _ProudError(
            f"no recess: the middle stands {proud:.1f} mm proud of its surround", "the whole scan",
            f"scan a recess from its mouth; {OUTSIDE}",
        )
    raise DatumError(
        f"a plate with no recess: nothing lies more than {max(deepest, 0.0):.1f} mm below the surround "
        f"(at least {SHALLOWEST:g} mm is needed)", "the whole scan",
        "scan the recess itself and at least 20 mm of the panel around it",
    )


def _deep_regions(depth: Floats, inside: Bools, deepest: float, pitch: float) -> Iterator[Bools]:
    """Yield the connected ground below the rim level in plan, unseen rings bridged: the most voluminous first."""
    from scipy import ndimage

    seen = ~np.isnan(depth)
    deep = np.nan_to_num(depth, nan=0.0) > _rim_level(deepest)
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    ground = deep[tuple(nearest)] & inside  # unseen ground goes with what lies nearest
    label, count = ndimage.label(ground)
    volume = np.asarray(ndimage.sum_labels(np.where(deep, np.nan_to_num(depth), 0.0), label, index=np.arange(1, count + 1)))
    most, left = 0.0, REGIONS
    for k in np.argsort(-volume, kind="stable"):
        if volume[k] < LEAST_SHARE * most or volume[k] < LEAST_ISLAND * volume.max() or not left:
            return
        region = deep & (label == 1 + k)  # at its edge unseen ground is no part of the mouth
        filled = np.asarray(ndimage.binary_fill_holes(region), dtype=bool)
        islands = np.unique(label[filled & ~region])
        if volume[islands[islands > 0] - 1].sum(initial=0.0) < LEAST_ISLAND * volume[k]:
            most = max(most, float(volume[k]))  # else it is what lies around a part that has a recess: a table, far below
        left -= 1
        yield filled


def _trace_rim(
    depth: Floats, region: Bools, level: float, origin: tuple[float, float], pitch: float, *, explicit: bool
) -> Floats:
    """Return the longest contour of the region, sub-pixel where the scan is seen on both sides, (K, 2) mm, counter-clockwise."""
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


def signed_area(loop: Floats) -> float:
    """Return the area inside a closed loop (K, 2), mm²; positive where it runs counter-clockwise (shoelace formula)."""
    x, y = loop[:, 0], loop[:, 1]
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def resample_loop(loop: Floats, *, step: float) -> Floats:
    """Return a closed loop (K, 2) with points at equal arc length of about `step` mm."""
    closed = np.vstack([loop, loop[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(16, int(along[-1] / step))
    at = np.arange(count) * along[-1] / count
    return np.column_stack([np.interp(at, along, closed[:, k]) for k in range(2)])


def _close_open_side(rim: Floats, open_arc: Bools) -> tuple[Floats, Bools]:
    """Keep the part of the region that the hull of the true rim covers."""
    import shapely

    true_rim = rim[~open_arc]
    if len(true_rim) < 8:
        raise _no_panel("")
    hull = shapely.convex_hull(shapely.MultiPoint(true_rim))
    region = shapely.intersection(shapely.make_valid(shapely.Polygon(rim)), hull)
    parts = [g for g in shapely.get_parts(region) if g.geom_type == "Polygon"]
    if not parts:
        raise _no_panel("")
    region = max(parts, key=lambda g: g.area)
    loop = np.asarray(region.exterior.coords)[:-1, :2]
    if signed_area(loop) < 0:
        loop = loop[::-1]
    loop = resample_loop(loop, step=0.5)
    away = shapely.distance(shapely.points(loop), shapely.MultiPoint(true_rim))
    return loop, np.asarray(away > 2.0, dtype=bool)


def _deepest_within(closed: Bools, ground: Ground, lid: Floats, deepest: float) -> float:
    """Return how deep the ground lies inside a closed rim: in front of an open side it may fall away much further."""
    depth = _depth(ground, lid)[closed]
    return float(np.nanmax(depth, initial=0.0)) if np.isfinite(depth).any() else deepest


def _open_side(found: _Mouth) -> tuple[float, float] | None:
    """Return the clock angles (degrees clockwise from +y) between which the rim is open."""
    if not found.open_arc.any():
        return None
    middle = found.rim.mean(axis=0)
    offset = found.rim[found.open_arc] - middle
    angle = np.sort(np.degrees(np.arctan2(offset[:, 0], offset[:, 1])) % 360.0)
    gap = np.diff(np.concatenate([angle, angle[:1] + 360.0]))
    widest = int(np.argmax(gap))
    return float(angle[(widest + 1) % len(angle)]), float(angle[widest])


def _check_size(rim: Floats, scan: Scan) -> None:
    width, height = rim.max(axis=0) - rim.min(axis=0)
    size, narrow = float(max(width, height)), float(min(width, height))
    if SMALLEST_MOUTH <= size <= LARGEST_MOUTH:
        if narrow >= NARROWEST:
            return
        raise DatumError(
            f"what lies lowest is {size:.0f} x {narrow:.1f} mm in plan, which is a gap and no mouth (at least {NARROWEST:g} mm)",
            "the whole scan", "scan the recess itself and at least 20 mm of the panel around it",
        )
    likely = [u for u, mm in (("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("inch", 25.4))
              if u != scan.unit and 20.0 <= size / scan.mm_per_unit * mm <= 600.0]
    hint = f'the likely unit is {" or ".join(likely)}: set scan.unit = "{likely[0]}"' if likely else "check scan.unit"
    raise DatumError(
        f"the mouth is {size:.4g} mm across, read as {scan.unit} (plausible: {SMALLEST_MOUTH:g} to {LARGEST_MOUTH:g} mm)",
        "scan.unit", hint,
    )


def _canonical_frame(frame: Floats, found: _Mouth, up: float) -> Floats:
    """Return the part frame: origin at the mouth's centre of area, +x along its longer axis, then turned so that `up` is +y."""
    import shapely

    polygon = shapely.Polygon(found.rim)
    centre = np.array([polygon.centroid.x, polygon.centroid.y])
    offset = resample_loop(found.rim, step=0.5) - centre
    _, axes = np.linalg.eigh(offset.T @ offset)
    x = axes[:, 1]
    lopsided = _measure_lopsided(offset @ x, offset @ np.array([-x[1], x[0]]))
    if (lopsided if abs(lopsided) > ALIKE else ((offset @ x) ** 3).sum()) < 0:
        x = -x
    angle = np.arctan2(x[1], x[0]) + radians(90.0 - 30.0 * (up % 12.0)) - radians(90.0)
    level = float(lid_height(found.lid, found.rim[:, 0], found.rim[:, 1]).mean())
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


def _note_symmetry(rim: Floats) -> list[str]:
    """Tell of a mouth on which another scan may have its 12 o'clock elsewhere. rim: (K, 2), mm."""
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


def _given_lid(point: tuple[float, float, float], scan: Scan, frame: Floats) -> Floats:
    lid = np.zeros(6)
    lid[0] = _into(frame, np.asarray([point], dtype=np.float64) * scan.mm_per_unit)[0, 2]
    return lid


def _given_region(
    picked: tuple[tuple[float, float, float], ...], scan: Scan, frame: Floats, x: Floats, y: Floats
) -> Bools:
    import shapely

    points = _into(frame, np.asarray(picked, dtype=np.float64) * scan.mm_per_unit)[:, :2]
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
