"""What a survey says of a scan: each verdict on a scan that is just so bad, and remedies that pass when they are followed."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from math import asin, cos, pi
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from examples.simulate import write_ply
from mountgen import survey
from mountgen.errors import ScanError
from mountgen.hand_length import parse_length
from mountgen.scan import read_scan
from mountgen.survey import measure_quality, survey_file
from mountgen.survey_holes import find_holes
from mountgen.survey_verdicts import (
    EDGE_RADIUS,
    find_clearance_for_noise,
    find_clearance_for_spacing,
    find_enough_noise,
    find_enough_spacing,
    judge_scan,
)
from tests.lathe import as_recess, as_scan, cut, join, move, roughen, turn, well
from tests.shapes import scan_specimen


def judge(mesh, *, clearance=0.5, unit="mm", mm_per_unit=1.0, radius=30.0, depth=40.0):
    """Return the verdicts of a scan by name."""
    recess = as_recess(mesh, radius=radius, depth=depth)
    scan = as_scan(recess, unit=unit, mm_per_unit=mm_per_unit)
    quality = measure_quality(scan, recess, torn=scan, clearance=clearance)
    return {check.name: check for check in judge_scan(scan, recess, quality, clearance=clearance)}


def noisy(sigma, **options):
    mesh = well(**options)
    return roughen(mesh, np.full(len(mesh[0]), sigma), seed=2)


@pytest.mark.parametrize("clearance", [0.1, 0.25, 0.5, 1.0, 4.0])
def test_the_chord_at_the_spacing_that_is_enough_takes_a_quarter_of_the_clearance(clearance):
    """Measured on a circle: how far the middle of a chord of that length lies inside."""
    half = asin(find_enough_spacing(clearance) / 2.0 / EDGE_RADIUS)
    assert EDGE_RADIUS * (1.0 - cos(half)) == pytest.approx(clearance / 4.0)


def test_the_worked_example_of_a_chord(monkeypatch):
    """Points 1.0 mm apart on an edge of 2.5 mm radius cut it by 2.5 - sqrt(2.5² - 0.5²) = 0.0505 mm (worked out by hand)."""
    monkeypatch.setattr("mountgen.survey_verdicts.EDGE_RADIUS", 2.5)
    assert find_enough_spacing(4.0 * 0.050510) == pytest.approx(1.0, abs=1e-4)
    assert find_clearance_for_spacing(1.0) == 0.21  # 4 x 0.0505 = 0.202, up to the next hundredth


def test_limits_and_what_they_are_enough_for_agree():
    for clearance in (0.25, 0.5, 1.0):
        assert find_clearance_for_spacing(find_enough_spacing(clearance)) == pytest.approx(clearance, abs=0.0101)
        assert find_clearance_for_noise(find_enough_noise(clearance)) == pytest.approx(clearance, abs=0.0101)
    assert find_clearance_for_spacing(2.0 * EDGE_RADIUS) is None
    assert find_enough_noise(0.2) == 0.0  # a usual printer, plus or minus 0.2 mm, takes all of it


def test_a_good_scan_passes_everything():
    checks = judge(noisy(0.02, step=1.2))
    assert {name: check.verdict for name, check in checks.items() if check.verdict != "pass"} == {}
    assert all(check.remedy == "" for check in checks.values())
    assert {name for name, check in checks.items() if check.basis in (None, "from memory")} == set()


@pytest.mark.parametrize(("step", "verdict"), [(1.8, "caution"), (3.2, "fail")])
def test_a_coarse_scan_names_resolution_and_clearance_that_pass(step, verdict):
    name = "point spacing on walls and floor"
    check = judge(well(step=step))[name]
    assert check.verdict == verdict
    (finer,) = re.findall(r"resolution to ([\d.]+) mm", check.remedy)
    (wider,) = re.findall(r"--clearance ([\d.]+)", check.remedy)
    assert judge(well(step=float(finer)))[name].verdict == "pass"
    assert judge(well(step=step), clearance=float(wider))[name].verdict == "pass"
    assert judge(well(step=step), clearance=float(wider) - 0.02)[name].verdict != "pass"


def test_a_coarse_floor_is_pointed_out():
    wall, floor = turn([(55.0, 0.0), (30.0, 0.0), (28.0, -40.0)], step=1.0), turn([(28.0, -40.0), (0.0, -40.0)], step=5.0)
    check = judge(join(wall, floor))["coarse places"]
    assert check.verdict == "caution"
    assert check.place.endswith("40 mm deep")


@pytest.mark.parametrize("name", ["noise on walls and floor", "noise at the worst place"])
def test_a_noisy_scan_names_a_clearance_that_passes(name):
    mesh = noisy(0.3, step=1.2)
    check = judge(mesh)[name]
    assert check.verdict == ("fail" if "walls" in name else "caution")
    (wider,) = re.findall(r"fit.clearance = ([\d.]+)", check.remedy)
    assert judge(mesh, clearance=float(wider))[name].verdict == "pass"
    assert judge(mesh, clearance=float(wider) - 0.02)[name].verdict != "pass"


def test_a_hole_is_told_with_its_place_and_the_bridge_that_spans_it(tmp_path):
    at = np.array([0.0, 29.0, -20.0])
    torn = cut(well(step=1.0), lambda p: np.linalg.norm(p - at, axis=1) < 5.0)
    check = judge(torn)["widest hole in walls and floor"]
    assert check.verdict == "caution"
    assert check.place.startswith("12:00 o'clock, 20 mm deep (")
    assert "looking in from 6:00 o'clock" in check.remedy
    (bridge,) = re.findall(r"scan.bridge = (\d+)", check.remedy)
    write_ply(tmp_path / "torn.ply", *torn)
    for size, left in ((float(bridge), 0), (float(bridge) - 1.0, 1)):
        scan = read_scan(tmp_path / "torn.ply", bridge=size)
        assert len(find_holes(as_recess((scan.vertices, scan.faces), radius=30.0, depth=40.0))) == left


@pytest.mark.parametrize(("cuts", "verdict"), [(4.0, "pass"), (22.0, "caution"), (40.0, "fail")])
def test_how_much_must_be_seen(cuts, verdict):
    torn = cut(well(), lambda p: (p[:, 2] < -4.0) & (p[:, 2] > -34.0) & (p[:, 1] > 0.0) & (np.abs(p[:, 0]) < cuts / 2.0))
    check = judge(torn)["walls and floor seen"]
    assert check.verdict == verdict
    whole = well()
    area = sum(np.linalg.norm(np.cross(*(v[f[:, k]] - v[f[:, 0]] for k in (1, 2))), axis=1).sum() / 2.0 for v, f in (whole,))
    wall_and_floor = area - pi * (55.0**2 - 30.0**2)
    assert check.value == pytest.approx(100.0 * (1.0 - cuts * 30.0 / wall_and_floor), abs=2.0)


def test_many_small_holes_are_a_surface_that_drops_out():
    spots = np.array([(x, y, -40.0) for x in (-7.0, 0.5, 8.0) for y in (-7.0, 0.5, 8.0)])
    torn = cut(well(step=0.8), lambda p: (np.linalg.norm(p[:, None] - spots, axis=2) < 2.2).any(axis=1))
    check = judge(torn)["drop-outs"]
    assert check.verdict == "caution"
    assert check.value == pytest.approx(100.0 * 9 * 2.2**2 / 20.0**2, rel=0.15)
    assert check.place.endswith("40 mm deep")
    assert "spray" in check.remedy
    few = cut(well(step=0.8), lambda p: (np.linalg.norm(p[:, None] - spots[:1], axis=2) < 2.2).any(axis=1))
    assert judge(few)["drop-outs"].verdict == "pass"


def test_walls_that_can_only_be_seen_flat():
    check = judge(well(radius=10.0, depth=110.0, draft=0.1, step=1.2), radius=10.0, depth=110.0)["walls seen flat"]
    assert check.verdict == "caution"
    assert "card section" in check.remedy


@pytest.mark.parametrize(("panel", "verdict"), [(22.0, "pass"), (12.0, "caution"), (3.0, "fail")])
def test_the_border(panel, verdict):
    check = judge(well(panel=panel))["panel beyond the rim"]
    assert check.verdict == verdict
    assert check.place == ("" if verdict == "pass" else "all round")


def test_a_piece_that_floats():
    disc = move(turn([(9.0, 0.0), (0.0, 0.0)], step=1.5), (0.0, 0.0, 12.0))
    check = judge(join(well(), disc))["doubtful islands"]
    assert (check.verdict, check.value) == ("caution", 1.0)
    assert "floats 12 mm above the mouth's surface" in check.place


@pytest.mark.parametrize(("apart", "verdict"), [(0.15, "caution"), (0.5, "fail")])
def test_a_slip_wants_markers(apart, verdict):
    copy = cut(well(), lambda p: (p[:, 0] < 0.0) | (p[:, 2] > -1.0))
    check = judge(join(well(), move(copy, (-apart, 0.0, apart))))["surface scanned twice"]
    assert check.verdict == verdict
    assert "Add markers there" in check.remedy
    assert "o'clock" in check.place


@pytest.mark.parametrize(("size", "unit"), [(0.2, "cm"), (0.25, "inch")])
def test_a_mouth_of_unlikely_size_names_the_unit(size, unit):
    mesh = well(step=1.2)
    small = mesh[0] * size, mesh[1]
    check = judge(small, radius=30.0 * size, depth=40.0 * size)["size of the mouth"]
    assert check.verdict == "caution"
    assert f"--unit {unit}" in check.remedy


class Silence:
    """Nobody is told of stages."""

    def stage(self, name):
        from contextlib import nullcontext

        return nullcontext()

    def say(self, text):
        raise AssertionError(text)


def test_a_file_is_surveyed_from_end_to_end(tmp_path):
    simulated = scan_specimen("rounded_tray", triangles=20_000, dropouts=0, fragments=0)
    at = np.array([-60.0, 12.0, -11.0])
    keep = np.linalg.norm(simulated.in_truth_frame()[simulated.faces].mean(axis=1) - at, axis=1) > 5.0
    write_ply(tmp_path / "tray.ply", simulated.vertices, simulated.faces[keep])
    hand = parse_length("farthest = 1000 mm")
    found = survey_file(tmp_path / "tray.ply", tmp_path / "new", lengths=[hand], progress=Silence())
    assert found.picture == tmp_path / "new" / "tray-survey.png"
    assert found.picture.stat().st_size > 20_000
    checks = {check.name: check.verdict for check in found.checks}
    assert checks["scale: farthest"] == "fail"
    assert checks["widest hole in walls and floor"] == "caution"
    facts = found.facts()
    assert facts["verdict"] == "fail"
    (hole,) = [hole for hole in facts["holes"] if hole["extent"] > 6.0]
    assert hole["clock"] in next(check["place"] for check in facts["checks"] if check["name"].startswith("widest"))
    assert facts["walls_and_floor"]["noise"] == pytest.approx(0.03, rel=0.15)
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts
    schema = json.loads((Path(survey.__file__).parent / "data" / "survey.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(facts, schema, cls=jsonschema.Draft202012Validator)
    assert list(facts) == list(schema["properties"])


def test_a_bad_file_is_named(tmp_path):
    bad = tmp_path / "bad.ply"
    bad.write_bytes(b"ply\nnothing")
    with pytest.raises(ScanError) as caught:
        survey_file(bad, tmp_path, progress=Silence())
    assert str(bad) in caught.value.where
    assert list(Path(tmp_path).glob("*.png")) == []


def test_a_recess_moved_in_its_scan_gives_the_same_verdicts():
    mesh = noisy(0.02, step=1.5)
    recess = as_recess(mesh, radius=30.0, depth=40.0)
    pose = np.array([[0.0, 0, 1, 50], [1, 0, 0, 60], [0, 1, 0, 70], [0, 0, 0, 1]])
    moved = replace(recess, part_to_scan=pose)
    scan = as_scan(recess)
    away = replace(scan, vertices=scan.vertices @ pose[:3, :3].T + pose[:3, 3])
    one, other = (
        judge_scan(s, r, measure_quality(s, r, torn=replace(s), clearance=0.5), clearance=0.5)
        for s, r in ((scan, recess), (away, moved))
    )
    assert [(c.name, c.verdict, c.place) for c in one] == [(c.name, c.verdict, c.place) for c in other]
