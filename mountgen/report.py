"""Stage 8: everything a run found, as one versioned JSON file that other tools can rely on.

The layout is written down in `data/report.schema.json` (JSON Schema, draft 2020-12), with a sentence and a
unit for every key. A number that is not finite is written as null, never as NaN, which JSON does not have.
Reports of the same run differ in `seconds` alone.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping, Sequence
from datetime import date, time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.deviation import step_stl_deviation
from mountgen.kernel import Body, count_faces
from mountgen.mesh_measure import measure_area, measure_bounds, measure_volume
from mountgen.scan import Scan
from mountgen.stl_file import round_mesh
from mountgen.verdict import SEVERITY, Check

if TYPE_CHECKING:
    from mountgen.gap import Gap, PathGap
    from mountgen.inspection import Inspection
    from mountgen.service.cautions import Caution

REPORT_VERSION = 1  # grows when a key changes its meaning or goes away
LIBRARIES = ("cadquery", "cadquery-ocp", "manifold3d", "numba", "numpy", "scipy", "shapely")

Json = dict[str, Any]


def build_report(
    *,
    recipe: Mapping[str, Any],
    scan: Scan,
    recess: Recess,
    body: Body,
    measured: Mapping[str, Any],
    unseen_area: float,
    inspection: Inspection,
    service: Mapping[str, Mapping[str, Any]],
    checks: Sequence[Check],
    files: Mapping[str, str],
    seconds: Mapping[str, float],
    notes: Sequence[str] = (),
    cautions: Sequence[Caution] = (),
) -> Json:
    """Return the report of one run, made of what JSON can hold.

    Args:
        recipe: the complete resolved recipe as nested tables; `name` and `fit` are read.
        scan: as read and mended.
        recess: the scan in the part frame.
        body: the finished part; measured: what `measure_body` says of it.
        unseen_area: plan area of the mouth over which the scan has no surface, mm².
        inspection: what gauging the finished mesh found.
        service: question asked about the part in its vehicle to the facts found.
        checks: all verdicts of the run, those of the inspection among them, the worst first.
        files: kind ("stl", "step", "3mf", "recipe", ...) to file name, relative to the report.
        seconds: by stage, in the order run.
        notes: sentences that the user must read, besides those of recess and body.
        cautions: what the user should keep in mind, verdicts or not.

    Returns:
        dict: valid under `load_report_schema()`.

    Raises:
        KeyError: recipe has no name or fit.
    """
    fit = recipe["fit"]
    report = {
        "report_version": REPORT_VERSION,
        "name": recipe["name"],
        "verdict": min((check.verdict for check in checks), key=SEVERITY.__getitem__, default="pass"),
        "part_to_scan": place_in_file(recess.part_to_scan, mm_per_unit=scan.mm_per_unit),
        "draw_direction": _draw_direction(recess),
        "recipe": recipe,
        "scan": {
            "file": scan.path,
            "sha256": scan.sha256,
            "unit": scan.unit,
            "mm_per_unit": scan.mm_per_unit,
            "triangles": len(scan.faces),
            "spacing": scan.spacing,
            "noise": scan.noise,
            "mended": scan.mended,
            "unseen_area": unseen_area,
        },
        "fit": {
            **{key: fit.get(key) for key in ("clearance", "floor", "walls", "rim", "draft")},
            "gap_at_rest": _pick(inspection.rest, ("min", "p05", "p50", "p95", "max", "place", "point")),
            "gap_insertion": _pick(
                inspection.insertion, ("min", "limit", "lift", "first_touch", "place", "point")
            ),
            "gap_by_zone": {zone: inspection.zones.get(zone) for zone in ("floor", "walls", "rim")},
            "contact_area": inspection.contact_area,
            "in_band": inspection.in_band,
            "unseen_share": inspection.unseen,
        },
        "body": measured,
        "service": service,
        "checks": [{**dataclasses.asdict(check), "basis": check.basis} for check in checks],
        "cautions": cautions,
        "notes": (*recess.notes, *body.notes, *notes),
        "files": files,
        "seconds": seconds,
        "versions": list_versions(),
    }
    return cast(Json, make_json(report))


def measure_body(body: Body, *, density: float) -> Json:
    """Return size, mass and makeup of a body.

    Args:
        body: one closed solid and its tessellation.
        density: g/cm³.

    Returns:
        dict: the report's "body".

    Raises:
        ExportError: the mesh is empty or not finite.
    """
    written = round_mesh(body.mesh, where="report.json")
    volume = measure_volume(written)
    low, high = measure_bounds(written)
    return {
        "volume": volume,
        "area": measure_area(written),
        "mass": volume * density / 1000.0,  # mm³ to cm³
        "bounds": {"min": low, "max": high},
        "step_faces": count_faces(body.solid),
        "stl_triangles": len(written.faces),
        "step_stl_deviation": step_stl_deviation(body.solid, written),
        "faceted": body.faceted,
    }


def place_in_file(part_to_scan: Floats, *, mm_per_unit: float) -> Floats:
    """Return the matrix from part coordinates, mm, to scan file coordinates in the file's own unit.

    Args:
        part_to_scan: (4, 4) float64, rigid, part frame to scan axes, both mm.
        mm_per_unit: length of the scan file's unit, mm.

    Returns:
        (4, 4) float64: its 3 x 3 block is a rotation divided by `mm_per_unit`, its last column is in the
        file's unit.

    Raises:
        Nothing.
    """
    matrix = np.array(part_to_scan, dtype=np.float64)
    matrix[:3] /= mm_per_unit
    return matrix


def list_versions() -> dict[str, str | None]:
    """Return the versions of mountgen and of the libraries that shape the part; None where one is missing.

    Returns:
        dict: distribution name to version.

    Raises:
        Nothing.
    """
    found: dict[str, str | None] = {}
    for name in ("mountgen", *LIBRARIES):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = None
    return found


def encode_report(report: Mapping[str, Any]) -> bytes:
    """Return a report as UTF-8 JSON.

    Args:
        report: from `build_report`, or anything `make_json` takes.

    Returns:
        bytes: indented by two, one line break at the end.

    Raises:
        TypeError: a value has no place in JSON.
    """
    return (json.dumps(make_json(report), indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode(
        "utf-8", "backslashreplace"
    )


def load_report_schema() -> Json:
    """Return the JSON Schema of the report.

    Returns:
        dict: draft 2020-12.

    Raises:
        Nothing: it is part of the package.
    """
    from importlib.resources import files

    return cast(Json, json.loads((files("mountgen.data") / "report.schema.json").read_text(encoding="utf-8")))


def make_json(value: Any) -> Any:
    """Return `value` with only what JSON can hold: tables, lists, text, numbers, true, false, null.

    Dataclasses and mappings become tables, arrays and sequences lists, paths and dates text, numbers that
    are not finite null.

    Args:
        value: nested as deep as you like.

    Returns:
        The same, in plain types of its own.

    Raises:
        TypeError: a value of another type.
    """
    if value is None or isinstance(value, bool | str | int):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.ndarray | np.generic):
        return make_json(value.tolist())
    if isinstance(value, Path):
        return value.as_posix()
    if isinstance(value, date | time):
        return value.isoformat()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: make_json(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): make_json(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [make_json(entry) for entry in value]
    raise TypeError(f"a report holds text, numbers, tables and lists; got {type(value).__name__}")


def _draw_direction(recess: Recess) -> Floats:
    """Return the part's +z, along which it leaves the recess, as a unit vector in the scan's axes."""
    direction = recess.part_to_scan[:3, 2]
    return np.asarray(direction / np.linalg.norm(direction), dtype=np.float64)


def _pick(gap: Gap | PathGap, keys: Sequence[str]) -> Json:
    """Return the values that the schema lists, so that a new field of a gap does not change the layout."""
    return {key: getattr(gap, key) for key in keys}
