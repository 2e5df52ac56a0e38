"""Stage 2: rim, mouth plane, draw direction and up; the scan moved to the part frame.

The draw direction starts from the vector area of the scan (for an open sheet it depends on the border alone, so it is the
normal of the rim however deep the recess is) and is refined to the greatest insertable volume. The surround is carried across
the mouth as a quadratic surface, the lid; the rim is where the scan has dropped a set depth below the lid. Here the looks are
put together, on either side of the scan, and what they find is checked; each look's parts are modules of their own.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from math import radians
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Floats, Ints, freeze
from mountgen.draw_direction import is_settled, look_along, search_draw
from mountgen.errors import DatumError
from mountgen.faces import measure_faces
from mountgen.frames import find_part_frame, find_scan_frame, find_up, move_into, note_symmetry
from mountgen.lid import Agreement
from mountgen.lid import lid_height as lid_height  # part of what this stage offers
from mountgen.lid_choice import OUTSIDE, WORTH_TELLING, ProudError
from mountgen.loop import signed_area
from mountgen.mouth import COARSE_NODES, FINE_NODES, LARGEST_MOUTH, SMALLEST_MOUTH, FoundMouth, find_mouth, lay_ground
from mountgen.place import tell_clock, tell_minute
from mountgen.raster import raster_faces
from mountgen.rim import find_open_side, tell_no_panel
from mountgen.scan import Scan, suggest_unit

if TYPE_CHECKING:
    from mountgen.recipe_tables import Mouth

NARROWEST = 4.0  # mm; across a mouth, less is a gap between two panels
LEAST_BEYOND = 0.8  # of the strip beyond a bead along the rim that is the lid's own surface
LEAST_PANEL = 0.25  # of what is seen beside the rim that agrees with the lid and does not stand above it
FACING_ROOM, BEHIND, MOST_BEHIND = 20.0, 1.0, 0.2  # mm about the rim; mm; share of that seen from behind
LEAST_TURNED = 0.02  # of the scan's area that a mouth on its other side has; less is some hollow of its back
LEAST_UNTURNED = 0.1  # of the mouth on the turned side that one on the other has; less is a boss seen from behind
MUCH_ABOVE = 0.25  # of the strip beside the rim that stands above the lid, from which on this is said
FEWEST_ACROSS = 40.0  # spacings that a scan is across; in one that is less no rim is made out, whatever is said of it then
MOST_UNSEEN = 0.98  # of the strip beside the rim; with less of it seen, the scan ends at the rim


@dataclass(frozen=True, eq=False)
class Recess:
    """The scan in the part frame, with its mouth.

    vertices       : (V, 3) float64, mm, part frame.      faces: (F, 3) int32, normals to the free side.
    covers         : (C, 3) int32, hulls of holes that the scan was left with, of the same vertices.
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
    covers: Ints = field(default_factory=lambda: np.empty((0, 3), dtype=np.int32))

    def __post_init__(self) -> None:
        for name in ("vertices", "rim", "lid", "part_to_scan", "up"):
            freeze(self, name, "float64")
        freeze(self, "faces", "int32")
        freeze(self, "covers", "int32")

    @property
    def mouth_height(self) -> float:
        """Height of the mouth along the vehicle's up, mm."""
        return float(np.ptp(self.rim @ self.up))


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
        if not isinstance(error, ProudError) or _was_turned(scan):
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
    look = look_along(scan, faces, area / np.linalg.norm(area), mouth)
    own = look[2]
    if not is_settled(look) or own.open_arc.any() or own.depth < WORTH_TELLING:
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
        draw = search_draw(scan, faces, area / np.linalg.norm(area), mouth, notes)
    frame = find_scan_frame(vertices, faces, draw)
    local = move_into(frame, vertices)
    found = find_mouth(local, faces, COARSE_NODES, scan, mouth, frame)
    turned = find_part_frame(frame, found.rim, found.lid, mouth.up)
    local = move_into(turned, vertices)
    found = find_mouth(local, faces, FINE_NODES, scan, mouth, turned)
    rim = np.column_stack([found.rim, lid_height(found.lid, found.rim[:, 0], found.rim[:, 1])])
    open_side = find_open_side(found.rim, found.open_arc)
    if open_side is not None:
        notes.append(
            f"the rim is open from {tell_minute(open_side[0])} to {tell_minute(open_side[1])}: "
            "closed by the hull of the rim and the mouth plane"
        )
    notes += note_symmetry(found.rim)
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
        up=find_up(found.lid, tilt), depth=found.depth, open_side_deg=open_side, notes=tuple(notes), covers=scan.covers,
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
    raise tell_no_panel(
        f": what is seen beside its rim stands up to {agreement.height:.1f} mm above the mouth" if agreement.above else ""
    )


def _check_facing(local: Floats, faces: Ints, found: FoundMouth) -> None:
    """Refuse a mouth whose surround is seen from behind: the opening of something hollow that was scanned from outside."""
    ground, _ = lay_ground(local, faces, COARSE_NODES)
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
