"""What `make` would find in a scan, whether the scan is fit for it, and one picture that shows the clock position of up.

The picture is drawn in the frame in which the recess was found. Found with `up = 12`, its dial is the one
that recipes refer to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from math import cos, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess, find_datum, lid_height
from mountgen.drawing2d import Point, encode_png, finish_sheet
from mountgen.errors import DatumError
from mountgen.faces import find_middles, measure_faces
from mountgen.field import UnseenArea
from mountgen.grid import EMPTY, fill_loop
from mountgen.hand_length import HandLength, judge_length
from mountgen.place import tell_clock
from mountgen.raster import raster_faces
from mountgen.safe_write import write_file
from mountgen.scan import Mend, Scan, read_scan
from mountgen.survey_holes import find_holes
from mountgen.survey_picture import draw_survey
from mountgen.survey_points import find_bearing, find_coarsest, find_densest, measure_points
from mountgen.survey_sheets import find_dropped, find_islands, find_spikes, find_twin
from mountgen.survey_sight import find_grazing, measure_border
from mountgen.survey_verdicts import COARSER, Quality, find_enough_noise, find_enough_spacing, judge_scan
from mountgen.verdict import SEVERITY, Check

if TYPE_CHECKING:
    from mountgen.progress import Progress

SMALLEST_UNSEEN = 1.0  # mm²; every scan misses a few specks
FINEST = 0.15  # mm; pitch at which unseen ground is looked for
SURVEY_VERSION = 1  # of what --json prints; grows when a key changes its meaning or goes away
CLEARANCE = 0.5  # mm, where the user names none
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
    quality        : of walls and floor, where the part will bear.
    checks         : whether the scan is fit for a part with `clearance`, mm.
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
    clearance: float
    quality: Quality
    checks: tuple[Check, ...]

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
            *(("mended", mend.tell()) for mend in self.mended),
            ("mouth", f"{self.mouth_width:.1f} mm wide, {self.mouth_height:.1f} mm high"),
            ("draw direction", " ".join(f"{v:+.4f}" for v in self.draw_direction) + " (scan file's axes)"),
            ("depth", f"{self.depth:.1f} mm, deepest {self._tell_place(*self.deepest)}"),
            ("unseen", self._tell_unseen()),
            ("open side", self._tell_open_side()),
            *(("note", note) for note in self.notes),
            ("picture", str(self.picture)),
        ]
        return tuple(rows)

    def facts(self) -> dict[str, Any]:
        """Return everything found, of what JSON can hold; lengths in mm, areas in mm², angles in degrees, shares in %."""
        quality = self.quality
        return {
            "survey_version": SURVEY_VERSION,
            "verdict": min((check.verdict for check in self.checks), key=SEVERITY.__getitem__),
            "scan": {
                "file": self.file, "triangles": self.triangles, "unit": self.unit, "size": list(self.size),
                "spacing": self.spacing, "noise": self.noise, "mended": [asdict(mend) for mend in self.mended],
            },
            "mouth": {"width": self.mouth_width, "height": self.mouth_height},
            "draw_direction": list(self.draw_direction),
            "depth": self.depth,
            "deepest": list(self.deepest),
            "open_side_deg": None if self.open_side_deg is None else list(self.open_side_deg),
            "clearance": self.clearance,
            "walls_and_floor": {
                "area": quality.area, "spacing": quality.points.spacing, "noise": quality.points.noise,
                "seen_pct": 100.0 * quality.seen, "seen_flat_pct": 100.0 * quality.grazing,
                "enough_spacing": find_enough_spacing(self.clearance), "enough_noise": find_enough_noise(self.clearance),
            },
            "holes": [
                {
                    "area": hole.area, "extent": hole.extent, "place": [hole.x, hole.y], "depth": hole.depth,
                    "clock": hole.tell_place(max(self.mouth_width, self.mouth_height)), "hidden_pct": 100.0 * hole.hidden,
                }
                for hole in quality.holes
            ],
            "islands": [asdict(island) for island in quality.islands],
            "unseen": [asdict(spot) for spot in self.unseen],
            "checks": [{**asdict(check), "basis": check.basis} for check in self.checks],
            "notes": list(self.notes),
            "files": {"picture": str(self.picture)},
        }  # fmt: skip

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
        return f"towards {tell_clock(x, y)}, {away:.0f} mm from the middle"

    def _tell_open_side(self) -> str:
        if self.open_side_deg is None:
            return "none, the rim is closed"
        first, last = (tell_clock(sin(radians(turn)), cos(radians(turn))) for turn in self.open_side_deg)
        return f"from {first} to {last}"


@dataclass(frozen=True, eq=False)
class _Ground:
    """The recess in plan: nodes x = origin[0] + c*pitch, y = origin[1] + r*pitch."""

    depth: Floats  # (R, C) mm below the lid, NaN where nothing is seen
    inside: Bools  # the rim
    origin: Point
    pitch: float


def survey_file(
    path: Path,
    out: Path,
    *,
    unit: str = "mm",
    clearance: float = CLEARANCE,
    lengths: Sequence[HandLength] = (),
    progress: Progress,
) -> Survey:
    """Read a scan, find its recess, say whether it is fit for a part, and draw one picture of it.

    Args:
        path: scan file.
        out: folder for the picture, made if missing.
        unit: length unit of the file.
        clearance: wanted between part and recess, mm.
        lengths: measured by hand.
        progress: told of stages.

    Returns:
        Survey.

    Raises:
        MountgenError: the file is no scan of a recess, a length is not on it, or the picture cannot be written.
    """
    from mountgen.recipe_tables import Mouth

    with progress.stage("read the scan"):
        scan = read_scan(path, unit=unit)
    with progress.stage("find the mouth"):
        recess = find_datum(scan, mouth=Mouth())
    with progress.stage("look for holes"):
        torn = read_scan(path, unit=unit, bridge=0.0)
    with progress.stage("survey and draw"):
        return survey_scan(scan, recess, out, torn=torn, clearance=clearance, lengths=lengths)


def survey_scan(
    scan: Scan,
    recess: Recess,
    out: Path,
    *,
    torn: Scan | None = None,
    clearance: float = CLEARANCE,
    lengths: Sequence[HandLength] = (),
) -> Survey:
    """Say what `make` would find in a scan, whether that will do, and draw one picture of it.

    Args:
        scan: the mended scan.
        recess: the same scan in the part frame, found with `up = 12`.
        out: folder for the picture, `<scan's name>-survey.png`; made if missing.
        torn: the same scan with none of its holes bridged; `scan` itself where it has none that are.
        clearance: wanted between part and recess, mm.
        lengths: measured by hand.

    Returns:
        Survey: the figures, verdicts and the path of the picture.

    Raises:
        DatumError: nothing of walls and floor was seen.
        ScanError: a length is not on the scan.
        ExportError: the picture cannot be written.
    """
    ground = _lay_ground(recess, max(FINEST, 0.5 * scan.spacing))
    depth = np.where(ground.inside, ground.depth, np.nan)
    row, col = np.unravel_index(int(np.nanargmax(depth)), depth.shape)
    extent = np.ptp(recess.vertices, axis=0)
    mouth = np.ptp(recess.rim[:, :2], axis=0)
    draw = recess.part_to_scan[:3, 2]
    quality = measure_quality(scan, recess, torn=torn or scan, clearance=clearance)
    checks = [*(judge_length(hand, scan, recess) for hand in lengths), *judge_scan(scan, recess, quality, clearance=clearance)]
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
        clearance=clearance,
        quality=quality,
        checks=tuple(checks),
    )
    write_file(survey.picture, encode_png(finish_sheet(draw_survey(survey, recess))))
    return survey


def measure_quality(scan: Scan, recess: Recess, *, torn: Scan, clearance: float) -> Quality:
    """Measure what a part's fit will rest on.

    Args:
        scan: the mended scan.
        recess: the same in the part frame.
        torn: the same scan with none of its holes bridged.
        clearance: wanted between part and recess, mm.

    Returns:
        Quality.

    Raises:
        DatumError: nothing of walls and floor was seen.
    """
    bearing = find_bearing(recess)
    if not bearing.any():
        raise DatumError("nothing of walls and floor was seen", "the recess", "scan it again, looking into the mouth")
    area = measure_faces(recess.vertices, recess.faces)[1]
    coarse, coarse_place = find_coarsest(recess, bearing, wider=COARSER * find_enough_spacing(clearance))
    flat = find_grazing(recess, bearing)
    middles = find_middles(recess.vertices, recess.faces)
    turn, shift = recess.part_to_scan[:3, :3], recess.part_to_scan[:3, 3]
    was_turned = not np.array_equal(recess.faces, scan.faces)  # the recess is on the other side of the scan
    faces = torn.faces[:, ::-1] if was_turned else torn.faces
    unbridged = replace(recess, vertices=(torn.vertices - shift) @ turn, faces=faces)
    return Quality(
        area=float(area[bearing].sum()),
        points=measure_points(recess, bearing),
        coarse=coarse,
        coarse_place=coarse_place,
        holes=find_holes(recess if torn is scan else unbridged),
        flat=flat,
        grazing=float(area[flat].sum() / area[bearing].sum()),
        grazing_place=find_densest(recess, middles[flat], area[flat]) if flat.any() else None,
        border=measure_border(recess),
        islands=(*find_islands(recess), *find_dropped(recess, scan.dropped)),
        spikes=find_spikes(recess, scan.spikes),
        twin=find_twin(recess, noise=scan.noise),
    )


def _lay_ground(recess: Recess, pitch: float) -> _Ground:
    """Look along the draw direction over the rim's extent."""
    low, high = recess.rim[:, :2].min(axis=0), recess.rim[:, :2].max(axis=0)
    origin = (
        float(low[0]) + 0.5 * pitch,
        float(low[1]) + 0.5 * pitch,
    )  # nodes amid cells
    shape = (int((high[1] - low[1]) / pitch) + 2, int((high[0] - low[0]) / pitch) + 2)
    height = raster_faces(recess.vertices, recess.faces, origin=origin, pitch=pitch, shape=shape)
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]), sparse=True)
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
