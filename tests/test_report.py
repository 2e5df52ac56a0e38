"""The report: layout against its schema, numbers against closed forms, matrix against the scan file."""

from __future__ import annotations

import copy
import json
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from mountgen.datum import Recess
from mountgen.errors import ExportError
from mountgen.gap import Gap, PathGap, make_standing
from mountgen.inspection import Inspection
from mountgen.kernel import Body, Mesh
from mountgen.report import (
    build_report,
    encode_report,
    list_versions,
    load_report_schema,
    make_json,
    measure_body,
)
from mountgen.scan import Mend, Scan
from mountgen.soundness import Soundness, Thinnest
from mountgen.surface import surface_of
from mountgen.verdict import Check
from tests.solids import ball_mesh, ball_solid, box_mesh, box_solid

INCH = 25.4  # mm
TURN = np.array([[0.0, -0.6, 0.8], [1.0, 0.0, 0.0], [0.0, 0.8, 0.6]])  # a rotation, in round numbers
SHIFT = np.array([254.0, -50.8, 25.4])  # mm


AT_REST = Gap(0.39, 0.4, 0.42, 0.7, 3.0, "x 1.0 y 2.0 z -3.0 mm, 1:00 o'clock", (1.0, 2.0, -3.0))
ON_THE_WAY = PathGap(
    min=0.38,
    limit=0.4,
    lift=12.0,
    first_touch=None,
    place="x 4.0 y 0.0 z 0.0 mm, 3:00 o'clock",
    point=(4.0, 0.0, 0.0),
)
SCAN = Scan(
    vertices=np.eye(3),
    faces=np.array([[0, 1, 2]]),
    path=Path("scans") / "dash-cubby.ply",
    sha256="0123456789abcdef" * 4,
    unit="inch",
    mm_per_unit=INCH,
    spacing=0.5,
    noise=0.03,
    mended=(Mend("duplicate faces", 7), Mend("holes", 2, "the largest is 3.1 mm across")),
)
RECESS = Recess(
    vertices=np.eye(3),
    faces=np.array([[0, 1, 2]]),
    rim=np.eye(3),
    lid=np.zeros(6),
    part_to_scan=np.vstack([np.c_[TURN, SHIFT], [0, 0, 0, 1]]),
    up=np.array([0.0, 1.0, 0.0]),
    depth=60.0,
    notes=("the rim is open from 5 to 7 o'clock",),
)
BODY = Body(box_solid(), box_mesh(), notes=("made of 6 faces",))
CHECKS = (
    Check("clearance at rest", "pass", 0.41, 0.37, "mm", "recipe"),
    Check(
        "thinnest wall",
        "caution",
        1.1,
        1.2,
        "mm",
        "common practice",
        "set body.wall = 1.2",
        "x 1.0 y 2.0 z -3.0 mm, 1:00",
    ),
)
INSPECTION = Inspection(
    rest=AT_REST,
    insertion=ON_THE_WAY,
    zones={"floor": 0.41, "walls": 0.39},
    in_band=0.93,
    unseen=0.02,
    contact_area=8100.0,
    touching=None,
    thinnest=Thinnest(1.1, (1.0, 2.0, -3.0)),
    sound=Soundness(manifold=True, reason="", pieces=1, hollows=0),
    size=(10.0, 20.0, 30.0),
    bearing=np.zeros(len(BODY.mesh.faces)),
    standing=make_standing(surface_of(RECESS), np.full(len(RECESS.faces), 0.4)),
    checks=CHECKS,
)
RECIPE: dict[str, Any] = {
    "name": "juniper-shelf",
    "scan": {"file": Path("scans") / "dash-cubby.ply", "unit": "inch"},
    "fit": {"clearance": 0.4, "floor": None, "walls": 0.6, "rim": None, "draft": 1.0, "reach": "full"},
}


def make_report(**changes: Any) -> dict[str, Any]:
    values: dict[str, Any] = {
        "recipe": RECIPE,
        "scan": SCAN,
        "recess": RECESS,
        "body": BODY,
        "unseen_area": 12.5,
        "inspection": INSPECTION,
        "service": {"a question": {"part_c": 71.5}},
        "checks": CHECKS,
        "files": {"stl": "juniper-shelf.stl", "step": "juniper-shelf.step", "3mf": "juniper-shelf.3mf"},
        "seconds": {"read the scan": 0.12, "loft the body": 0.9},
    }
    values |= changes
    return build_report(measured=measure_body(values["body"], density=1.07), **values)


def walk(schema: dict[str, Any], path: str = "") -> list[tuple[str, dict[str, Any]]]:
    """Every named property of a schema, with its path."""
    found: list[tuple[str, dict[str, Any]]] = []
    for name, entry in schema.get("properties", {}).items():
        found += [
            (f"{path}/{name}", entry),
            *walk(entry, f"{path}/{name}"),
            *walk(entry.get("items", {}), f"{path}/{name}"),
        ]
    return found


def test_the_report_is_what_its_schema_says() -> None:
    schema = load_report_schema()
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    report = make_report()
    assert list(validator.iter_errors(report)) == []
    assert list(validator.iter_errors(json.loads(encode_report(report)))) == []
    assert report["report_version"] == 1


def test_every_key_is_described_and_every_measure_has_a_unit() -> None:
    unit = (
        "mm", "mm²", "mm³", "degrees", ", s", ", g", "count", "0 to 1", "in `unit`", "no unit",
        "°C", ", K", "kPa", "MPa", ", N", ", kg", ", Hz", ", %", "mN/m", "minutes",
    )  # fmt: skip
    for path, entry in walk(load_report_schema()):
        assert len(entry["description"]) > 10, path
        kinds = entry.get("type", [])
        if "number" in kinds or "integer" in kinds:
            assert any(word in entry["description"] for word in unit), path


def test_the_schema_misses_no_key_and_takes_no_other() -> None:
    validator = Draft202012Validator(load_report_schema())
    whole = make_report()
    for table in (
        whole,
        whole["scan"],
        whole["fit"],
        whole["fit"]["gap_at_rest"],
        whole["body"],
        whole["checks"][0],
    ):
        for key in list(table):
            value = table.pop(key)
            assert not validator.is_valid(whole), key
            table[key] = value
        table["surprise"] = 1
        assert not validator.is_valid(whole)
        del table["surprise"]
    assert validator.is_valid(whole)


def test_every_key_asked_for_is_there() -> None:
    """The list of the contract with other tools."""
    report = make_report()
    assert {
        "part_to_scan",
        "draw_direction",
        "recipe",
        "scan",
        "fit",
        "body",
        "checks",
        "files",
        "seconds",
    } <= set(report)
    assert {"file", "sha256", "unit", "triangles", "spacing", "noise", "mended", "unseen_area"} <= set(
        report["scan"]
    )
    assert {"clearance", "draft", "gap_at_rest", "gap_insertion", "unseen_share"} <= set(report["fit"])
    assert report["fit"]["gap_at_rest"] == asdict(AT_REST) | {"point": [1.0, 2.0, -3.0]}
    assert report["fit"]["gap_insertion"] == asdict(ON_THE_WAY) | {"point": [4.0, 0.0, 0.0]}
    assert {"name", "verdict", "value", "limit", "unit", "source", "remedy"} <= set(report["checks"][0])
    assert report["fit"]["gap_by_zone"] == {"floor": 0.41, "walls": 0.39, "rim": None}
    assert report["fit"]["contact_area"] == 8100.0
    assert report["fit"]["in_band"] == 0.93
    assert report["fit"]["unseen_share"] == 0.02
    assert report["fit"]["clearance"] == 0.4
    assert report["fit"]["walls"] == 0.6
    assert report["fit"]["floor"] is None
    assert report["scan"]["file"] == "scans/dash-cubby.ply"
    assert report["scan"]["mended"][1] == {
        "what": "holes",
        "count": 2,
        "note": "the largest is 3.1 mm across",
    }
    assert report["notes"] == ["the rim is open from 5 to 7 o'clock", "made of 6 faces"]


def test_the_matrix_takes_part_coordinates_to_the_scan_file_in_its_own_unit() -> None:
    """One inch along each part axis from the origin, by hand: the axis' column of the rotation, in inches."""
    report = make_report()
    matrix = np.array(report["part_to_scan"])
    np.testing.assert_allclose(matrix @ (0, 0, 0, 1), (10.0, -2.0, 1.0, 1.0), rtol=1e-15)
    np.testing.assert_allclose(matrix @ (INCH, 0, 0, 1), (10.0, -1.0, 1.0, 1.0), rtol=1e-15)
    np.testing.assert_allclose(matrix @ (0, 0, INCH, 1), (10.8, -2.0, 1.6, 1.0), rtol=1e-15)
    assert report["draw_direction"] == pytest.approx([0.8, 0.0, 0.6])
    assert np.linalg.norm(report["draw_direction"]) == pytest.approx(1.0, abs=1e-15)
    metric = make_report(scan=replace(SCAN, unit="mm", mm_per_unit=1.0))
    np.testing.assert_array_equal(metric["part_to_scan"], RECESS.part_to_scan)
    assert metric["draw_direction"] == report["draw_direction"]


def test_the_body_is_measured_as_it_is_written() -> None:
    body = make_report()["body"]
    assert body["volume"] == pytest.approx(6000.0)
    assert body["area"] == pytest.approx(2200.0)
    assert body["mass"] == pytest.approx(6.0 * 1.07)  # 6 cm³
    assert body["bounds"] == {"min": [-1.0, 2.0, -30.0], "max": [9.0, 22.0, 0.0]}
    assert (body["step_faces"], body["stl_triangles"], body["faceted"]) == (6, 12, False)
    assert body["step_stl_deviation"] < 1e-6
    ball = make_report(body=Body(ball_solid(25.0), ball_mesh(25.0, rings=40)))["body"]
    assert ball["step_faces"] == 1
    assert ball["stl_triangles"] == 2 * 80 * 39
    assert 0.02 < ball["step_stl_deviation"] < 0.06


@pytest.mark.parametrize(
    ("verdicts", "worst"),
    [
        ((), "pass"),
        (("pass", "caution"), "caution"),
        (("caution", "fail", "pass"), "fail"),
        (("pass",), "pass"),
    ],
)
def test_the_worst_verdict_stands_on_top(verdicts: tuple[Any, ...], worst: str) -> None:
    checks = [replace(CHECKS[0], name=str(k), verdict=verdict) for k, verdict in enumerate(verdicts)]
    assert make_report(checks=checks)["verdict"] == worst


def test_numbers_that_are_not_finite_become_null() -> None:
    report = make_report(
        scan=replace(SCAN, noise=float("nan")),
        inspection=replace(
            INSPECTION,
            insertion=replace(ON_THE_WAY, min=np.float64("inf"), lift=np.nan),
            unseen=float("-inf"),
        ),
        checks=[replace(CHECKS[0], value=float("nan"), limit=None)],
    )
    assert report["scan"]["noise"] is None
    assert report["fit"]["gap_insertion"]["min"] is None
    assert report["fit"]["gap_insertion"]["lift"] is None
    assert report["checks"][0]["value"] is None
    text = encode_report(report).decode("utf-8")
    assert "NaN" not in text
    assert "Infinity" not in text
    assert Draft202012Validator(load_report_schema()).is_valid(json.loads(text))


def test_the_encoded_report_reads_back_equal_and_repeats() -> None:
    report = make_report()
    content = encode_report(report)
    assert json.loads(content) == report
    assert content == encode_report(copy.deepcopy(report))
    assert content.endswith(b"}\n")


def test_plain_values_of_every_kind() -> None:
    values = {
        "array": np.arange(4, dtype=np.int32).reshape(2, 2),
        "flag": np.bool_(True),
        "single": np.float32(0.5),
        "day": date(2026, 11, 25),
        "path": Path("a") / "b",
        "empty": (),
        3: "number as key",
    }
    assert make_json(values) == {
        "array": [[0, 1], [2, 3]],
        "flag": True,
        "single": 0.5,
        "day": "2026-11-25",
        "path": "a/b",
        "empty": [],
        "3": "number as key",
    }
    with pytest.raises(TypeError, match="got set"):
        make_json({"a": {1, 2}})


def test_a_file_name_that_is_not_unicode_can_be_written() -> None:
    """Such names reach Python with lone surrogates, which UTF-8 has no bytes for."""
    content = encode_report({"file": b"caf\xe9.ply".decode("utf-8", "surrogateescape"), "other": "Löß"})
    assert json.loads(content)["file"] == "caf\udce9.ply"
    assert "Löß".encode() in content


def test_versions_name_mountgen_and_its_geometry_libraries() -> None:
    import scipy

    versions = list_versions()
    assert versions["scipy"] == scipy.__version__
    assert versions["numpy"] == np.__version__
    assert {"mountgen", "cadquery-ocp", "manifold3d", "numba"} <= set(versions)
    assert versions["manifold3d"] is not None


def test_a_body_without_triangles_is_refused() -> None:
    with pytest.raises(ExportError, match="no triangle"):
        make_report(body=Body(box_solid(), Mesh(box_mesh().vertices, np.zeros((0, 3), dtype=int))))
