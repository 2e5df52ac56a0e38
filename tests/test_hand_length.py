"""Lengths measured by hand: how they are written, and what a scan that is out of scale is told."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from mountgen.errors import RecipeError, ScanError
from mountgen.hand_length import find_wall, judge_length, parse_length
from mountgen.scan import MM_PER_UNIT
from tests.lathe import as_recess, as_scan, turn, well
from tests.recesses import as_scan as as_box_scan
from tests.recesses import box_recess

BOX = box_recess(200, 120, left=30.0, right=30.0, surround=24)  # mouth 200 x 120 mm


def judge(text, recess=BOX, *, factor=1.0, unit="mm"):
    """Judge a length in a scan whose numbers are `factor` times too large, read in a unit."""
    size = MM_PER_UNIT[unit]
    grown = replace(
        recess, vertices=recess.vertices * factor, rim=recess.rim * factor, depth=recess.depth * factor, lid=recess.lid * factor
    )
    scan = replace(as_box_scan(grown), unit=unit, mm_per_unit=size)
    return judge_length(parse_length(text), scan, grown)


@pytest.mark.parametrize(
    ("text", "ends", "at", "measured"),
    [
        ("(12.5, 3, -40) to (88,3.5,-4.1e1) = 75.6 mm", ((12.5, 3.0, -40.0), (88.0, 3.5, -41.0)), None, 75.6),
        ("9 to 3 = 187.4 mm", (9.0, 3.0), None, 187.4),
        ("9 to 3:30 at 10 = 7 1/2 in", (9.0, 3.5), 10.0, 190.5),
        ("12 to 6 at 0.5 in = 7cm", (12.0, 6.0), 12.7, 70.0),
        ("farthest = 203.5 mm", (), None, 203.5),
    ],
)
def test_how_lengths_are_written(text, ends, at, measured):
    hand = parse_length(text)
    assert (hand.ends, hand.at) == (ends, at)
    assert hand.measured == pytest.approx(measured)


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("120 mm", "is no length", "A to B = 120.3 mm"),
        ("9 = 120 mm", "does not name two places", "A to B"),
        ("9 to 3 = 120", '"120" has no unit', '"120 mm"'),
        ("9 to 14 = 120 mm", "14 is above the most, 12", "clock position"),
        ("(1, 2) to 3 = 120 mm", '"(1, 2)" is no point', "three numbers"),
        ("9 to 3 = 12,5 mm", "comma", '"12.5 mm"'),
        ("9 to 3 = 0 mm", "not above 0", "length"),
        ("(1,2,3) to (1,2,9) at 10 = 6 mm", "depth for a point", 'drop "at"'),
    ],
)
def test_what_cannot_be_read_says_how_to_write_it(text, what, remedy):
    with pytest.raises(RecipeError) as caught:
        parse_length(text)
    assert what in caught.value.what
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(
    "text", ["9 to 3 = 200 mm", "12 to 6 at 10 = 120 mm", "farthest = 233.2381 mm", "(-100, 20, 0) to (100, 20, 0) = 200 mm"]
)
def test_a_scan_to_scale_passes(text):
    check = judge(text)
    assert check.verdict == "pass"
    assert check.value == pytest.approx(0.0, abs=0.01)


def test_the_worked_example():
    """A bar of 200.0 mm reads 199.4: 0.300 % short, 0.45 mm on a part of 150 mm (worked out by hand)."""
    recess = box_recess(150, 120, left=30.0, right=30.0, surround=40)
    check = judge("(-100, 0, 0) to (99.4, 0, 0) = 200.0 mm", recess)
    assert check.value == pytest.approx(-0.300)
    assert check.verdict == "caution"
    assert "over the mouth's 150 mm that is 0.45 mm" in check.remedy


@pytest.mark.parametrize(
    ("factor", "verdict"), [(1.0008, "pass"), (1.003, "caution"), (0.997, "caution"), (1.006, "fail"), (0.99, "fail")]
)
@pytest.mark.parametrize("text", ["9 to 3 = 200 mm", "9 to 3 at 12 = 200 mm", "farthest = 233.238 mm"])
def test_a_wrong_scale_is_found_and_the_factor_given_mends_it(text, factor, verdict):
    check = judge(text, factor=factor)
    assert check.verdict == verdict
    assert check.value == pytest.approx((factor - 1.0) * 100.0, abs=0.01)
    if verdict != "pass":
        (by,) = re.findall(r"scale the scan by ([\d.]+)", check.remedy)
        assert judge(text, factor=factor * float(by)).verdict == "pass"


@pytest.mark.parametrize(
    ("read", "true"), [("mm", "inch"), ("mm", "cm"), ("mm", "m"), ("cm", "mm"), ("inch", "mm"), ("inch", "cm")]
)
def test_a_file_in_another_unit_is_named(read, true):
    check = judge("9 to 3 = 200 mm", factor=MM_PER_UNIT[read] / MM_PER_UNIT[true], unit=read)
    assert check.verdict == "fail"
    assert f"--unit {true}" in check.remedy


def test_a_length_measured_in_another_unit_is_named():
    recess = box_recess(200, 120, left=30.0, right=30.0)
    check = judge("9 to 3 = 20 mm", recess)  # 20 cm, meant so: no unit of the file gives it
    assert check.verdict == "fail"
    assert "you seem to have measured in centimetres" in check.remedy


def test_other_places_than_those_measured_are_no_scale_error():
    check = judge("9 to 3 = 180 mm")
    assert check.verdict == "fail"
    assert "not the places you measured" in check.remedy
    assert "scale the scan" not in check.remedy


def test_a_short_length_is_a_caution():
    check = judge("(0, 60, 0) to (60, 60, 0) = 60 mm")
    assert check.verdict == "caution"
    assert "measure 100 mm or more" in check.remedy


def test_points_are_in_the_file_s_own_unit():
    recess = replace(BOX, part_to_scan=np.array([[0.0, 0, 1, 50], [1, 0, 0, 60], [0, 1, 0, 70], [0, 0, 0, 1]]))
    pose = recess.part_to_scan
    scan = replace(
        as_box_scan(recess), vertices=recess.vertices @ pose[:3, :3].T + pose[:3, 3], unit="cm", mm_per_unit=10.0
    )
    ends = [(pose[:3, :3] @ [x, 0.0, 0.0] + pose[:3, 3]) / 10.0 for x in (-100.0, 100.0)]
    text = " to ".join("({}, {}, {})".format(*end) for end in ends)
    assert judge_length(parse_length(f"{text} = 200 mm"), scan, recess).value == pytest.approx(0.0, abs=1e-3)


def test_a_point_beside_the_scan_is_refused():
    with pytest.raises(ScanError) as caught:
        judge("(-100, 0, 0) to (100, 0, 40) = 200 mm")
    assert "40.0 mm from the scan" in caught.value.what
    assert "own coordinates" in caught.value.remedy


def test_where_no_wall_was_seen_it_is_said():
    with pytest.raises(ScanError) as caught:
        judge("9 to 3 at 35 = 200 mm")  # the recess is 30 mm deep
    assert "35 mm below the mouth" in caught.value.what
    assert "another depth" in caught.value.remedy


@pytest.mark.parametrize("hour", [1.0, 4.5, 9.0])
@pytest.mark.parametrize("depth", [5.0, 20.0, 35.0])
def test_a_wall_is_met_where_the_turned_shape_has_it(hour, depth):
    wall = find_wall(as_recess(well(step=1.0), radius=30.0, depth=40.0), hour, depth)
    assert np.hypot(*wall[:2]) == pytest.approx(30.0 - 2.0 * depth / 40.0, abs=0.01)
    assert wall[2] == pytest.approx(-depth, abs=1e-9)
    assert np.degrees(np.arctan2(wall[0], wall[1])) % 360.0 == pytest.approx(30.0 * hour, abs=0.01)


def test_a_boss_in_the_middle_is_no_wall():
    profile = [(55.0, 0.0), (30.0, 0.0), (29.0, -40.0), (8.0, -40.0), (7.0, -10.0), (0.0, -10.0)]
    wall = find_wall(as_recess(turn(profile, step=1.0), radius=30.0, depth=40.0), 3.0, 20.0)
    assert wall[0] == pytest.approx(29.5, abs=0.01)


def test_a_rounded_rim_is_not_refused_for_where_it_was_touched():
    """A rim of 3 mm radius is up to 3 mm wider each side: a length across it tells no more than that."""
    turns = np.linspace(0.0, np.pi / 2.0, 12)
    arc = [(33.0 - 3.0 * np.sin(t), -3.0 + 3.0 * np.cos(t)) for t in turns]
    recess = as_recess(turn([(60.0, 0.0), *arc, (29.0, -40.0), (0.0, -40.0)], step=0.7), radius=31.2, depth=40.0)
    scan = as_scan(recess)
    check = judge_length(parse_length("9 to 3 = 61.4 mm"), scan, recess)
    assert check.verdict == "caution"
    assert "The rim is rounded" in check.remedy
    assert '"9 to 3 at 10 = ..."' in check.remedy
    width = 2.0 * (30.0 - 1.0 * 7.0 / 37.0)
    assert judge_length(parse_length(f"9 to 3 at 10 = {width:.2f} mm"), scan, recess).verdict == "pass"
