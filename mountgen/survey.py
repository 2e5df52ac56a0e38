"""What `make` would find in a scan: figures to print, and one picture that shows the clock position of up.

The picture is drawn in the frame in which the recess was found. Found with `up = 12`, its dial is the one
that recipes refer to.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin
from pathlib import Path

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess, lid_height
from mountgen.drawing2d import Point, encode_png, finish_sheet
from mountgen.field import UnseenArea
from mountgen.place import clock_position
from mountgen.raster import EMPTY, fill_loop, raster_faces
from mountgen.safe_write import write_file
from mountgen.scan import Mend, Scan
from mountgen.survey_picture import draw_survey

SMALLEST_UNSEEN = 1.0  # mm²; every scan misses a few specks
FINEST = 0.15  # mm; pitch at which unseen ground is looked for
CENTRAL = 0.1  # of the mouth's size; a place nearer to the middle has no clock position worth naming


@dataclass(frozen=True, eq=False)
class Survey:
    """What was found in a scan.

    size           : extent of the mended scan along the part frame's axes, mm.
    spacing, noise : mm.
    mouth_width    : extent of the rim to the right, mm; mouth_height: extent upwards.
    draw_direction : (3,) unit vector, scan file's axes.
    depth          : greatest depth below the mouth, mm; deepest: x, y of that place.
    unseen         : ground inside the rim that no scanned surface covers, greatest first.
    open_side_deg  : clock angles between which the rim is open, as in Recess.
    picture        : the PNG written.
    """

    file: str
    triangles: int
    unit: str
    size: tuple[float, float, float]
    spacing: float
    noise: float
    mended: tuple[Mend, ...]
    mouth_width: float
    mouth_height: float
    draw_direction: tuple[float, float, float]
    depth: float
    deepest: Point
    unseen: tuple[UnseenArea, ...]
    open_side_deg: tuple[float, float] | None
    notes: tuple[str, ...]
    picture: Path

    @property
    def unseen_area(self) -> float:
        """Area of all unseen ground, mm² in plan."""
        return sum(spot.area for spot in self.unseen)

    def rows(self) -> tuple[tuple[str, str], ...]:
        """Return what to print, as pairs of a name and a value with its unit."""
        rows = [
            ("scan", f"{self.file}, {self.triangles:,} triangles, read as {self.unit}"),
            ("size", " x ".join(f"{v:.0f}" for v in self.size) + " mm (right, up, out)"),
            ("point spacing", f"{self.spacing:.2f} mm"),
            ("noise", f"{self.noise:.3f} mm"),
            *(("mended", f"{m.count} {m.what}" + (f": {m.note}" if m.note else "")) for m in self.mended),
            ("mouth", f"{self.mouth_width:.1f} mm wide, {self.mouth_height:.1f} mm high"),
            ("draw direction", " ".join(f"{v:+.4f}" for v in self.draw_direction) + " (scan file's axes)"),
            ("depth", f"{self.depth:.1f} mm, deepest {self._tell_place(*self.deepest)}"),
            ("unseen", self._tell_unseen()),
            ("open side", self._tell_open_side()),
            *(("note", note) for note in self.notes),
            ("picture", str(self.picture)),
        ]
        return tuple(rows)

    def _tell_unseen(self) -> str:
        if not self.unseen:
            return "none inside the rim, looking along the draw direction"
        places = ", ".join(f"{s.area:.0f} mm² {self._tell_place(s.x, s.y)}" for s in self.unseen[:4])
        more = f" and {len(self.unseen) - 4} more" if len(self.unseen) > 4 else ""
        return f"{self.unseen_area:.0f} mm² inside the rim: {places}{more}"

    def _tell_place(self, x: float, y: float) -> str:
        away = float(np.hypot(x, y))
        if away < CENTRAL * min(self.mouth_width, self.mouth_height):
            return "in the middle"
        return f"towards {_tell_clock(x, y)}, {away:.0f} mm from the middle"

    def _tell_open_side(self) -> str:
        if self.open_side_deg is None:
            return "none, the rim is closed"
        first, last = (_tell_clock(sin(radians(turn)), cos(radians(turn))) for turn in self.open_side_deg)
        return f"from {first} to {last}"


@dataclass(frozen=True, eq=False)
class _Ground:
    """The recess in plan: nodes x = origin[0] + c*pitch, y = origin[1] + r*pitch."""

    depth: Floats  # (R, C) mm below the lid, NaN where nothing is seen
    inside: Bools  # the rim
    origin: Point
    pitch: float


def survey_scan(scan: Scan, recess: Recess, out: Path) -> Survey:
    """Say what `make` would find in a scan and draw one picture of it.

    Args:
        scan: the mended scan.
        recess: the same scan in the part frame, found with `up = 12`.
        out: folder for the picture, `<scan's name>-survey.png`; made if missing.

    Returns:
        Survey: the figures and the path of the picture.

    Raises:
        ExportError: the picture cannot be written.
    """
    ground = _lay_ground(recess, max(FINEST, 0.5 * scan.spacing))
    depth = np.where(ground.inside, ground.depth, np.nan)
    row, col = np.unravel_index(int(np.nanargmax(depth)), depth.shape)
    extent = np.ptp(recess.vertices, axis=0)
    mouth = np.ptp(recess.rim[:, :2], axis=0)
    draw = recess.part_to_scan[:3, 2]
    survey = Survey(
        file=scan.path.name,
        triangles=len(scan.faces),
        unit=scan.unit,
        size=(float(extent[0]), float(extent[1]), float(extent[2])),
        spacing=scan.spacing,
        noise=scan.noise,
        mended=scan.mended,
        mouth_width=float(mouth[0]),
        mouth_height=float(mouth[1]),
        draw_direction=(float(draw[0]), float(draw[1]), float(draw[2])),
        depth=recess.depth,
        deepest=(ground.origin[0] + ground.pitch * int(col), ground.origin[1] + ground.pitch * int(row)),
        unseen=_list_unseen(ground),
        open_side_deg=recess.open_side_deg,
        notes=recess.notes,
        picture=out / f"{scan.path.stem}-survey.png",
    )
    write_file(survey.picture, encode_png(finish_sheet(draw_survey(survey, recess))))
    return survey


def _lay_ground(recess: Recess, pitch: float) -> _Ground:
    """Look along the draw direction over the rim's extent."""
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    origin = (
        float(low[0]) + 0.5 * pitch,
        float(low[1]) + 0.5 * pitch,
    )  # nodes amid cells
    shape = (int((high[1] - low[1]) / pitch) + 2, int((high[0] - low[0]) / pitch) + 2)
    height = raster_faces(recess.vertices, recess.faces, origin=origin, pitch=pitch, shape=shape)
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    depth = np.where(height > EMPTY, lid_height(recess.lid, x, y) - height, np.nan)
    return _Ground(
        depth, fill_loop(recess.rim[:, :2], origin=origin, pitch=pitch, shape=shape), origin, pitch
    )


def _list_unseen(ground: _Ground) -> tuple[UnseenArea, ...]:
    """Return the connected pieces of ground inside the rim that nothing covers, greatest first."""
    from scipy import ndimage

    label, _ = ndimage.label(ground.inside & np.isnan(ground.depth))
    spots = []
    for index, box in enumerate(ndimage.find_objects(label), start=1):
        row, col = np.nonzero(label[box] == index)
        area = len(row) * ground.pitch**2
        if area >= SMALLEST_UNSEEN:
            x = ground.origin[0] + ground.pitch * (box[1].start + float(col.mean()))
            y = ground.origin[1] + ground.pitch * (box[0].start + float(row.mean()))
            spots.append(UnseenArea(area, x, y))
    return tuple(sorted(spots, key=lambda spot: -spot.area))


def _tell_clock(x: float, y: float) -> str:
    """Return the direction of (x, y) as a clock position to half an hour, such as "4:30 o'clock"."""
    halves = round(2.0 * clock_position(x, y)) % 24
    return f"{halves // 2 or 12}:{'30' if halves % 2 else '00'} o'clock"
