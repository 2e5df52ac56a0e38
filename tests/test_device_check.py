"""What is said of a device that sits badly: every place, size and lean named is put to the same check and passes."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest

from mountgen.features import device_check, phone_shelf
from mountgen.features.device_advice import advise_change, advise_settings
from mountgen.features.device_check import LEAST_REST, gauge_scan, judge_lip, judge_mouth, judge_rest, sweep_device
from mountgen.features.part import Device as SeatedDevice
from mountgen.features.phone_shelf import plan_shelf
from mountgen.features.seat import SEAT_GAP, WAY_GAP, Seat, find_seat
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_settings import with_settings
from mountgen.verdict import Check
from tests.remedies import read_remedy
from tests.test_phone_shelf import CLEARANCE, DEVICE, FACET, HEIGHT, WIDTH, prepared, recipe_of, shelf

PLAY = 1.0  # mm


def seat_of(**device: Any) -> tuple[Any, Seat, Any]:
    """Return the side of a shelf in the box, a device's seat where it would be (wherever that is), and the recipe's device."""
    recess, space, _ = prepared()
    usual = recipe_of()
    seat = find_seat(plan_shelf(recess, usual), space, usual.device)
    assert seat is not None
    wanted = recipe_of(device=device).device
    low, high = wanted.place - 0.5 * wanted.across, wanted.place + 0.5 * wanted.across
    return plan_shelf(recess, usual), replace(seat, pose=replace(seat.pose, low=low, high=high)), wanted


def mouth_check(**device: Any) -> Check:
    profile, seat, wanted = seat_of(**device)
    return judge_mouth(profile, seat, prepared()[0], wanted)


def number_after(key: str, text: str) -> float:
    found = re.search(re.escape(key) + r" = (-?[\d.]+)", text)
    assert found is not None, text
    return float(found[1].rstrip("."))


@pytest.mark.parametrize("place", [35.0, -35.0])
def test_a_place_inside_the_mouth_is_named(place: float) -> None:
    """140 mm wide at 35 mm from the middle of a mouth of 200: it ends 5 mm past the rim."""
    check = mouth_check(place=place)
    assert (check.verdict, check.value, check.limit) == ("fail", pytest.approx(-5.0, abs=1e-6), PLAY)
    better = number_after("device.place", check.remedy)
    assert better == np.sign(place) * (WIDTH / 2 - DEVICE["length"] / 2 - PLAY)  # type: ignore[operator]
    assert mouth_check(place=better).verdict == "pass"


def test_a_device_wider_than_the_mouth_is_told_how_long_one_would_do() -> None:
    check = mouth_check(length=204.0, place=3.0)
    assert check.verdict == "fail"
    (named,) = read_remedy(check.remedy)
    fits, place = float(named["device.length"]), float(named["device.place"])
    assert (fits, place) == (WIDTH - 2 * PLAY, 0.0)
    assert mouth_check(length=fits, place=place).verdict == "pass"


def test_a_lean_at_which_the_rest_bears_enough_is_named() -> None:
    recess, space, _ = prepared()
    recipe = recipe_of(device={"lean": 27.0})
    profile = plan_shelf(recess, recipe)
    seat = find_seat(profile, space, recipe.device)
    assert seat is not None
    check = judge_rest(profile, replace(seat, rest_top=10.0), space, recipe.device, other=str)
    assert (check.verdict, check.value, check.basis) == ("caution", pytest.approx(10.0 / 62.0), "our rule")
    lean = number_after("device.lean", check.remedy)
    assert lean == 25.0  # the nearest of those tried
    better = recipe_of(device={"lean": lean})
    found = find_seat(plan_shelf(recess, better), space, better.device)
    assert found is not None
    assert judge_rest(plan_shelf(recess, better), found, space, better.device, other=str).verdict == "pass"
    assert found.rest_top >= LEAST_REST * found.pose.tall


def test_where_no_lean_will_do_another_deck_or_pose_is_named_at_which_the_rest_bears_enough() -> None:
    """80 mm high on a deck at 15 mm in a mouth of 90 mm: it passes at no lean, but on a lower deck."""
    recess, space, _ = prepared()
    recipe = recipe_of(device={"width": 80.0})
    suits = partial(phone_shelf._suits, recess, space)
    profile = plan_shelf(recess, recipe_of())
    seat = find_seat(profile, space, recipe_of().device)
    assert seat is not None
    seat = replace(seat, rest_top=10.0)
    check = judge_rest(profile, seat, space, recipe.device, other=lambda: advise_settings(suits, recipe, top=float(HEIGHT)))
    assert check.verdict == "caution"
    (settings,) = read_remedy(check.remedy)
    better = with_settings(recipe, {key: value.strip('"') if '"' in value else float(value) for key, value in settings.items()})
    profile = plan_shelf(recess, better)
    found = find_seat(profile, space, better.device)
    assert found is not None
    assert better.device.pose == "lying" or judge_rest(profile, found, space, better.device, other=str).verdict == "pass"
    nothing = judge_rest(plan_shelf(recess, recipe), seat, space, recipe.device, other=str)
    assert "no other lean, deck or pose does it, nor does a device of 70 % of its size" in nothing.remedy
    worse = plan_shelf(recess, recipe)
    smaller = judge_rest(worse, seat, space, recipe.device, other=lambda: device_check._advise_rest(small(suits), recipe, 90.0))
    sizes = {key: float(value) for key, value in read_remedy(smaller.remedy)[0].items()}
    assert set(sizes) == {"device.width"}
    assert suits(with_settings(recipe, sizes))
    assert not suits(with_settings(recipe, {key: value + 2.0 for key, value in sizes.items()}))


def small(suits: Any) -> Any:
    """As if neither lean nor deck nor pose could be changed."""

    def tried(recipe: PhoneShelfRecipe) -> bool:
        usual = recipe_of()
        return (recipe.device.lean, recipe.device.orientation, recipe.deck.height, recipe.device.pose) == (
            usual.device.lean, usual.device.orientation, usual.deck.height, usual.device.pose
        ) and suits(recipe)  # fmt: skip

    return tried


def test_a_place_at_which_the_device_clears_the_scan_is_named() -> None:
    """196 mm long, 1.8 mm off the middle of a box of 200: 0.2 mm are left at one side, 3.8 at the other."""
    recess = prepared()[0]
    profile, seat, wanted = seat_of(length=196.0, place=1.8)
    seated = SeatedDevice(mesh=seat.pose.mesh(profile), legs=seat.legs)
    recipe = recipe_of(device={"length": 196.0, "place": 1.8})
    found = gauge_scan(sweep_device(seated), recess)
    assert found.gap == pytest.approx(0.2, abs=0.01)
    seats = partial(phone_shelf._seat_device, recess, prepared()[1])
    check = device_check._judge_scan(found, recess, recipe, seats)
    assert check.verdict == "caution"
    place = number_after("device.place", check.remedy)
    assert place < wanted.place
    profile, seat, _ = seat_of(length=196.0, place=place)
    moved = SeatedDevice(mesh=seat.pose.mesh(profile), legs=seat.legs)
    again = gauge_scan(sweep_device(moved), recess)
    assert again.gap > CLEARANCE - 0.03
    assert device_check._judge_scan(again, recess, recipe, seats).verdict == "pass"


def test_where_no_place_clears_the_scan_the_largest_device_that_does_is_named() -> None:
    """199.5 mm long in a box of 200: 0.25 mm are left on either side wherever else it stands, and 0.6 are asked for."""
    recess, space, _ = prepared()
    recipe = recipe_of(device={"length": 199.5})
    profile, seat, _ = seat_of(length=199.5)
    found = gauge_scan(sweep_device(SeatedDevice(mesh=seat.pose.mesh(profile), legs=seat.legs)), recess)
    assert found.gap == pytest.approx(0.25, abs=0.01)
    seats = partial(phone_shelf._seat_device, recess, space)
    check = device_check._judge_scan(found, recess, recipe, seats)
    assert check.verdict == "caution"
    (sizes,) = read_remedy(check.remedy)
    assert set(sizes) == {"device.length"}
    better = recipe_of(device={"length": float(sizes["device.length"])})
    assert 190.0 < better.device.length < WIDTH - 2 * CLEARANCE
    seated = seats(better)
    assert seated is not None
    assert device_check._judge_scan(gauge_scan(sweep_device(seated), recess), recess, better, seats).verdict == "pass"
    none = device_check._judge_scan(found, recess, recipe, lambda tried: None)
    assert "no place up to 20 mm to either side clears it: none of 80 other leans, decks and poses does" in none.remedy
    assert "a device of 70 % of its size" in none.remedy


@pytest.mark.parametrize(
    ("tilt", "lean", "height"), [(0.0, 25.0, 1.0), (-5.0, 25.0, 1.0), (-12.0, 10.0, 0.5), (5.0, 25.0, 1.5), (5.0, 40.0, 1.5)]
)
def test_the_lip_named_holds_the_device(tilt: float, lean: float, height: float) -> None:
    """On a deck that slopes the device stands higher, or lower, behind a higher lip."""
    recess, space, _ = prepared()
    suits = partial(phone_shelf._suits, recess, space)

    def look(**lip_and_device: Any) -> Check:
        tables = {"deck": {"tilt": tilt}, "device": {"lean": lean}, "lip": {"height": height}}
        recipe = recipe_of(**{table: keys | lip_and_device.get(table, {}) for table, keys in tables.items()})
        profile = plan_shelf(recess, recipe)
        seat = find_seat(profile, space, recipe.device)
        assert seat is not None
        return judge_lip(profile, seat, recess, recipe, suits)

    check = look()
    assert check.verdict == "caution"
    changed: dict[str, dict[str, float]] = {}
    for key, value in read_remedy(check.remedy)[0].items():
        table, name = key.split(".")
        changed.setdefault(table, {})[name] = float(value)
    assert "height" in changed["lip"]
    assert look(**changed).verdict == "pass"
    lower = round(changed["lip"]["height"] - 0.1, 1)
    assert look(lip={"height": lower}).verdict == "caution"  # it is the lowest that does


LYING = {"pose": "lying", "width": 50.0}


def reach_check(**tables: Any) -> Check:
    return next(check for check in shelf(**tables).checks if check.name == "device reaches its seat")


def test_the_play_named_lets_a_device_reach_its_seat() -> None:
    """Without play a device that lies stands against the lip, the cheeks and what is behind it."""
    check = reach_check(device={**LYING, "play": 0.0})
    assert (check.verdict, check.value) == ("fail", pytest.approx(0.0, abs=1e-3))
    assert read_remedy(check.remedy) == [{"device.play": f"{SEAT_GAP:g}"}]
    assert reach_check(device={**LYING, "play": SEAT_GAP}).verdict == "pass"


def test_where_more_play_alone_does_not_go_in_what_else_must_change_is_named() -> None:
    """As if it just went in: 0.1 mm further back there is room on a lower deck only."""
    recipe = recipe_of(device={**LYING, "play": 0.0})

    def suits(tried: PhoneShelfRecipe) -> bool:
        return tried.device.play >= SEAT_GAP and tried.deck.height == 14.0

    change = {"device.play": SEAT_GAP}
    assert advise_change(suits, recipe, change, top=90.0) == f"set device.play = {SEAT_GAP:g} and deck.height = 14"
    assert advise_change(lambda tried: False, recipe, change, top=90.0) == ""


@pytest.mark.parametrize(
    "tables",
    [
        {"deck": {"height": 20.0, "tilt": 15.0}, "lip": {"thickness": 8.0}, "device": {"width": 50.0}},  # a lip's top that slopes
        {"deck": {"tilt": 5.06}, "lip": None, "device": LYING},  # a way that comes down upon the deck
    ],
)
def test_a_device_keeps_its_distance_all_along_the_way_chosen(tables: dict[str, Any]) -> None:
    check = reach_check(**tables)
    assert check.verdict == "pass"
    assert check.value is not None
    assert check.value > WAY_GAP - FACET  # so that no play is needed for what the way decides
