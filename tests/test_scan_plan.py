"""The checklist before scanning, against sums by hand."""

from __future__ import annotations

from math import atan, degrees, radians, sin

import pytest

from mountgen.errors import RecipeError
from mountgen.scan_plan import parse_size, plan_scan
from mountgen.survey_verdicts import find_enough_spacing
from mountgen.verdict import BASES


@pytest.mark.parametrize(
    ("text", "size"),
    [("150x90x60", (150.0, 90.0, 60.0)), ("6 x 3.5 × 2.4 in", (152.4, 88.9, 60.96)), ("15x9x6cm", (150.0, 90.0, 60.0))],
)
def test_sizes_are_read(text, size):
    assert parse_size(text) == pytest.approx(size)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("150x90", "is no size"), ("150x90x60 furlong", "is no size"), ("1.5.0x90x60", "is no size"), ("", "is no size"),
        ("150x90x0.5", "no recess"), ("5x90x60", "no recess"), ("15000x90x60", "no recess"),
    ],
)  # fmt: skip
def test_what_is_no_size_is_refused(text, what):
    with pytest.raises(RecipeError) as caught:
        parse_size(text)
    assert what in caught.value.what
    assert "150x90x60" in caught.value.remedy


def test_the_figures_by_hand():
    """150 x 90 x 60: dots 30 mm outside stand on 2 (210 + 150) = 720 mm, one each 75 mm: 10."""
    plan = plan_scan((150.0, 90.0, 60.0), clearance=0.5)
    assert (plan.markers, plan.floor_markers, plan.bar, plan.border) == (10, 0, 75.0, 20.0)
    assert plan.spacing == find_enough_spacing(0.5)
    area = 190.0 * 130.0 + 2.0 * 240.0 * 60.0  # panel with its border, and walls
    cell = plan.spacing**2 * sin(radians(60.0))  # of the rhombus of two even triangles: one point each
    assert plan.points == pytest.approx(area / cell, abs=1000.0)
    assert plan.minutes == pytest.approx(10 + 5 + 8 + 2 * 2 * area / 1e4 + 10)
    assert plan.wall_deg == pytest.approx((degrees(atan(150 / 60)), degrees(atan(90 / 60))))


def words_of(plan, topic):
    (words,) = [advice.words for advice in plan.advice if advice.topic == topic]
    return words


def test_the_words_hold_the_figures():
    plan = plan_scan((150.0, 90.0, 60.0), clearance=0.5)
    assert words_of(plan, "markers").startswith("10 dots, on flat, firm panel")
    assert "190 x 130 mm" in words_of(plan, "border")
    assert "1.39 mm apart" in words_of(plan, "resolution")
    assert words_of(plan, "take along").startswith("14 markers, a calliper or steel rule of 75 mm")
    assert "about 55 minutes" in words_of(plan, "time")


def test_every_advice_says_how_sure_it_is():
    for advice in plan_scan((150.0, 90.0, 60.0), clearance=0.5).advice:
        assert any(basis in advice.source for basis in BASES), advice


def test_a_deep_recess_wants_markers_on_its_floor_and_a_warning_for_its_walls():
    plan = plan_scan((100.0, 18.0, 72.0), clearance=0.5)
    assert plan.floor_markers == 3
    assert "3 of them on the floor" in words_of(plan, "markers")
    assert "at 12 and 6 o'clock is seen at 14 degrees only" in words_of(plan, "walls")  # atan(18 / 72)
    assert "only" not in words_of(plan_scan((100.0, 100.0, 72.0), clearance=0.5), "walls")
    turned = plan_scan((18.0, 100.0, 72.0), clearance=0.5)
    assert "at 3 and 9 o'clock" in words_of(turned, "walls")


def test_a_tighter_clearance_wants_a_finer_scan():
    tight, loose = (plan_scan((150.0, 90.0, 60.0), clearance=gap) for gap in (0.25, 1.0))
    assert tight.spacing < loose.spacing
    assert tight.points > loose.points
    assert tight.noise < loose.noise
    assert "plan for 0.3 mm" in words_of(plan_scan((150.0, 90.0, 60.0), clearance=0.15), "noise")


def test_a_larger_recess_takes_more_of_everything():
    small, large = plan_scan((60.0, 40.0, 30.0), clearance=0.5), plan_scan((300.0, 200.0, 100.0), clearance=0.5)
    assert small.markers == 6  # never fewer
    assert large.markers > small.markers
    assert large.minutes > small.minutes
    assert large.bar == 150.0
