"""What a part's table says of the scan it was made from: unlikely unit, unseen walls, surfaces that are there twice."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mountgen.datum import Recess
from mountgen.ground import list_odd_sizes
from mountgen.recipe import PlugRecipe
from mountgen.scan import MM_PER_UNIT, Mend
from mountgen.service.scan_check import judge_scan_use
from mountgen.verdict import Check
from tests.recesses import as_scan, box_recess
from tests.remedies import read_remedy

BOTTOM = (-10.0, -8.0, 10.0, 8.0)  # of the box's floor, mm


def judge(recess: Recess, *, mended: tuple[Mend, ...] = (), **scan: Any) -> dict[str, Check]:
    recipe = PlugRecipe.model_validate({"name": "plug"})
    found = judge_scan_use(replace(as_scan(recess), mended=mended, **scan), recess, clearance=recipe.fit.clearance)
    return {check.name: check for check in found.checks}


def test_a_sound_scan_passes() -> None:
    found = judge(box_recess())
    assert {check.verdict for check in found.values()} == {"pass"}
    assert found["walls and floor seen"].value == 100.0


def test_loose_pieces_that_may_be_real_are_told_with_their_place() -> None:
    """One that was dropped, and one that was kept and floats; a small one in front of the floor is dirt."""
    box = box_recess()
    assert "doubtful islands" not in judge(box, dropped=np.array([[5.0, 0.0, -10.0, 8.0]]))
    check = judge(box, dropped=np.array([[5.0, 0.0, -10.0, 30.0]]))["doubtful islands"]
    assert (check.verdict, check.value) == ("caution", 1.0)
    assert "3:00 o'clock, 10 mm deep (30 mm², dropped as dirt)" in check.place
    sheet = np.array([[-6.0, -6.0, -8.0], [6.0, -6.0, -8.0], [6.0, 6.0, -8.0], [-6.0, 6.0, -8.0]])
    faces = len(box.vertices) + np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    floats = replace(box, vertices=np.vstack([box.vertices, sheet]), faces=np.vstack([box.faces, faces]))
    check = judge(floats, mended=(Mend("separate pieces", 1),))["doubtful islands"]
    assert (check.verdict, check.value) == ("caution", 1.0)
    assert "in front of other scan" in check.place
    above = replace(floats, vertices=np.vstack([box.vertices, sheet + np.array([0.0, 0.0, 20.0])]))
    assert "doubtful islands" not in judge(above, mended=(Mend("separate pieces", 1),))  # in nothing's way


def test_a_mouth_in_another_unit_is_told() -> None:
    """60 mm read a quarter, and a sixtieth, as large: each unit named makes it a usual size, the likeliest comes first."""
    for scale, units in ((0.25, ["cm", "inch"]), (1.0 / 60.0, ["inch"])):
        recess = box_recess()
        small = replace(recess, vertices=recess.vertices * scale, rim=recess.rim * scale)
        check = judge(small)["size of the mouth"]
        assert (check.verdict, check.value) == ("caution", pytest.approx(60.0 * scale))
        named = [settings["scan.unit"].strip('"') for settings in read_remedy(check.remedy)]
        assert named == units
        for unit in named:
            mm = MM_PER_UNIT[unit]
            assert f"--unit {unit}), which makes it {60.0 * scale * mm:.0f} mm" in check.remedy
            read_so = replace(recess, vertices=small.vertices * mm, rim=small.rim * mm)
            assert judge(read_so, unit=unit, mm_per_unit=mm)["size of the mouth"].verdict == "pass"


def test_a_mouth_that_no_unit_makes_likely_is_told_its_size_in_each() -> None:
    recess = box_recess()
    huge = replace(recess, vertices=recess.vertices * 15.0, rim=recess.rim * 15.0)
    check = judge(huge)["size of the mouth"]
    assert (check.verdict, check.value, check.limit) == ("caution", pytest.approx(900.0), 500.0)
    assert read_remedy(check.remedy) == []
    assert "9000 mm as cm" in check.remedy


def test_floor_that_nobody_saw_is_told_with_its_share() -> None:
    recess = box_recess(left=20.0, right=20.0, holes=[BOTTOM])
    area = 60.0 * 40.0 + 2.0 * (60.0 + 40.0) * 20.0  # floor and walls; what is within 1.5 mm of the mouth does not count
    counted = area - 2.0 * (60.0 + 40.0) * 1.5
    check = judge(recess, mended=(Mend("open holes", 1),))["walls and floor seen"]
    assert check.value == pytest.approx(100.0 * (1.0 - 20.0 * 16.0 / counted), abs=0.5)
    assert check.verdict == "caution"
    assert "20 to 20 mm deep (320 mm²)" in check.place


def test_half_a_recess_is_a_caution_and_no_fail() -> None:
    """The part keeps out of it, so it may be used."""
    check = judge(box_recess(holes=[(-29.0, -19.0, 20.0, 19.0)]), mended=(Mend("open holes", 1),))["walls and floor seen"]
    assert check.verdict == "caution"
    assert check.value is not None
    assert check.value < 70.0


def test_a_floor_that_is_there_twice_is_told() -> None:
    recess = box_recess()
    floor = recess.faces[(recess.vertices[recess.faces][:, :, 2] < -5.0).all(axis=1)]
    lower = recess.vertices - [0.0, 0.0, 0.4]
    twice = replace(
        recess, vertices=np.vstack([recess.vertices, lower]), faces=np.vstack([recess.faces, floor + len(recess.vertices)])
    )
    check = judge(twice)["surface scanned twice"]
    assert check.verdict == "caution"
    assert check.value is not None
    assert check.value > 10.0
    assert "0.40 mm apart" in check.remedy


@pytest.mark.parametrize(
    ("fit", "said"),
    [
        ({"reach": 15.0}, []),
        ({"reach": 500.0}, ["fit.reach = 500 is deeper than the recess (20.0 mm)"]),
        ({"clearance": 19.0}, ["fit.clearance = 19 takes 38 of the mouth's 40 mm"]),
        ({"walls": 3.0}, ["fit.walls = 3 takes 6 of the mouth's 40 mm"]),
        ({"walls": 2.6}, ["fit.walls = 2.6 takes 5.2 of the mouth's 40 mm"]),
        ({"clearance": "auto"}, []),
    ],
)
def test_sizes_of_the_fit_that_are_hardly_meant_are_told(fit: dict[str, Any], said: list[str]) -> None:
    notes = list_odd_sizes(PlugRecipe.model_validate({"name": "plug", "fit": fit}), box_recess(60, 40))
    assert len(notes) == len(said)
    for note, start in zip(notes, said, strict=True):
        assert note.startswith(start)


def test_points_too_far_apart_are_a_caution_of_the_part() -> None:
    check = judge(box_recess(), spacing=7.0)["point spacing on walls and floor"]
    assert (check.verdict, check.value) == ("caution", 7.0)
    assert "set the scanner's resolution to" in check.remedy
    assert "point spacing on walls and floor" not in judge(box_recess())
