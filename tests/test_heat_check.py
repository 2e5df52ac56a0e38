"""Verdicts on heat: where the part is, what its material bears, and remedies that pass."""

from __future__ import annotations

import re
from dataclasses import replace
from io import BytesIO
from typing import Any, get_args

import jsonschema
import numpy as np
import pytest
from PIL import Image

from mountgen.drawing2d import open_sheet
from mountgen.heat import PLACES, find_modulus, judge_softening
from mountgen.material import find_material, load_materials
from mountgen.parked import find_service_temperature
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import ParkedPlace
from mountgen.report import load_report_schema, make_json
from mountgen.service import heat_picture
from mountgen.service.case import Case, Finding
from mountgen.service.heat_check import choose_material, is_loaded, judge_heat
from mountgen.verdict import Check
from tests.decks import FLOOR, block, lying, make_case, shelf_recipe
from tests.remedies import read_remedy

SHELF = block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0)
NAME = "heat of the parked vehicle"


def case(**tables: Any) -> Case:
    return make_case(SHELF, lying(-9.5), shelf_recipe(**tables))


def judge(**tables: Any) -> dict[str, Check]:
    return {check.name: check for check in judge_heat(case(**tables)).checks}


def test_the_recipe_knows_the_places_that_heat_knows() -> None:
    assert get_args(ParkedPlace.model_fields["where"].annotation) == tuple(PLACES)


def test_the_usual_worst_case_is_a_whole_summer_day() -> None:
    assert find_service_temperature(ParkedPlace()) == pytest.approx(78.0, abs=0.005)
    dash = ParkedPlace(where="dash_top_sun")
    assert find_service_temperature(dash) == pytest.approx(92.0, abs=0.005)
    mild = dash.model_copy(update={"vehicle": "light", "sky": "cloudy"})
    assert find_service_temperature(mild) == pytest.approx(77.0, abs=0.005)
    # the published envelope at 30 and 120 min; a recess rises by 43 K where that has 42.7
    assert find_service_temperature(ParkedPlace(hours=0.5)) == pytest.approx(51.0, abs=0.35)
    assert find_service_temperature(ParkedPlace(hours=2)) == pytest.approx(71.2, abs=0.35)
    assert find_service_temperature(ParkedPlace(), hours=0.0) == 35.0


@pytest.mark.parametrize(
    ("material", "place", "verdict"),
    [
        ("pla", "recess_in_sunlit_car", "fail"),
        ("petg", "recess_in_sunlit_car", "fail"),
        ("abs", "recess_in_sunlit_car", "fail"),
        ("asa", "recess_in_sunlit_car", "caution"),
        ("pc", "recess_in_sunlit_car", "pass"),
        ("asa", "dash_top_sun", "fail"),
        ("pc", "dash_top_sun", "pass"),
        ("asa", "shade_parked_dash", "pass"),
    ],
)
def test_materials_in_their_places(material: str, place: str, verdict: str) -> None:
    """Worked example of the softening rule: 78 °C in the recess, 92 °C on the dash."""
    check = judge(material=material, place={"where": place})[NAME]
    assert check.verdict == verdict
    assert check.value == pytest.approx(35.0 + PLACES[place].rise_k, abs=0.01)
    assert check.limit == judge_softening(find_material(material), 50.0).pass_to_c
    assert "ISO 75-1:2020" in check.source
    assert "our rule" in check.source
    assert (check.remedy == "") == (verdict == "pass")


@pytest.mark.parametrize("place", sorted(PLACES))
@pytest.mark.parametrize("ambient", [35.0, 45.0])
def test_the_material_named_passes_and_is_the_nearest(place: str, ambient: float) -> None:
    found = judge(material="pla", place={"where": place, "ambient": ambient})[NAME]
    if found.verdict == "pass":
        assert place == "cabin_cooled_drive"
        return
    named = re.search(r'set material = "([\w-]+)", which passes up to ([\d.]+) °C', found.remedy)
    assert named is not None
    again = judge(material=named[1], place={"where": place, "ambient": ambient})[NAME]
    assert again.verdict == "pass"
    assert again.limit == float(named[2])
    for key, other in load_materials().items():
        limit = judge_softening(other, 50.0).pass_to_c
        if found.value <= limit < again.limit:  # between the two only what says too little of itself, or does not bear the sun
            faded = PLACES[place].sunlit and other.sun.value == "poor"
            assert faded or None in (other.modulus, other.strength_z, other.shrinkage_pct), key
    if PLACES[place].sunlit:
        assert load_materials()[named[1]].sun.value != "poor"


@pytest.mark.parametrize("where", ["dash_top_sun", "closed_compartment"])
@pytest.mark.parametrize("sky", ["clear", "cloudy"])
def test_the_cooler_places_named_pass_and_are_the_hottest_that_do(where: str, sky: str) -> None:
    """Whatever of [place] the recipe says besides, it is kept: hours parked, colour and sky."""
    place = {"where": where, "sky": sky, "ambient": 41.0, "hours": 3.0}
    found = judge(material="petg", place=place)[NAME]
    assert found.verdict != "pass"
    advice = {key: value for each in read_remedy(found.remedy) for key, value in each.items()}
    named = advice["place.where"].strip('"')
    again = judge(material="petg", place=place | {"where": named})[NAME]
    assert again.verdict == "pass"
    for other in set(PLACES) - {named}:
        temp = judge(material="petg", place=place | {"where": other})[NAME].value
        assert temp <= again.value or temp > again.limit, other
    if "place.ambient" in advice:
        ambient = int(advice["place.ambient"])
        assert judge(material="petg", place=place | {"ambient": ambient})[NAME].verdict == "pass"
        assert judge(material="petg", place=place | {"ambient": ambient + 1})[NAME].verdict != "pass"


def test_what_is_to_be_known_of_the_material_named_is_said_with_it() -> None:
    found = judge(material="pla", place={"where": "dash_top_sun"})[NAME]
    named = re.search(r'set material = "([\w-]+)", which passes up to [\d.]+ °C \((.+?)\)', found.remedy)
    assert named is not None
    assert "spool's own sheet" in named[2]
    assert named[2] in find_material(named[1]).remark


def test_a_plug_carries_nothing_and_may_be_hotter() -> None:
    assert is_loaded(shelf_recipe())
    plug = PlugRecipe(name="plug")
    assert not is_loaded(plug)
    (check,) = judge_heat(replace(case(), recipe=plug)).checks
    assert (check.verdict, check.limit) == ("pass", 80.0)  # 10 K below 90 °C for what nothing lies on


def test_a_material_without_heat_values_asks_for_the_spools_own() -> None:
    bare = replace(find_material("tpu-95a"), service_limit=None)
    changed = replace(case(material="tpu-95a"), material=bare)
    (check,) = judge_heat(changed).checks
    assert (check.verdict, check.limit) == ("fail", None)
    assert check.remedy.startswith("give hdt_045 of [tpu-95a] in a sheet of your own (sheet), or set material = ")


def test_nothing_is_named_where_nothing_passes() -> None:
    only = {key: find_material(key) for key in ("pla", "petg")}
    assert choose_material(only, 78.0, loaded=True) is None
    (check,) = judge_heat(replace(case(material="pla"), materials=only)).checks
    assert "no material of the table passes there" in check.remedy


def test_what_the_sun_reaches_is_asked_whether_it_bears_it() -> None:
    assert "bears sunlight" not in judge(material="abs")
    sunny = judge(material="pc", place={"where": "dash_top_sun"})["bears sunlight"]
    assert (sunny.verdict, sunny.value, sunny.limit) == ("caution", 0.0, 1.0)
    named = re.search(r'material = "([\w-]+)"', sunny.remedy)
    assert named is not None
    again = judge(material=named[1], place={"where": "dash_top_sun"})
    assert again["bears sunlight"].verdict == "pass"
    assert again[NAME].verdict == "pass"


def test_air_that_looks_like_fahrenheit_is_a_caution_or_refused() -> None:
    assert "ambient temperature" not in judge(place={"ambient": 50})
    check = judge(place={"ambient": 59})["ambient temperature"]
    assert check.verdict == "caution"
    assert "if 59 °F is meant, set place.ambient = 15" in check.remedy
    assert "ambient temperature" not in judge(place={"ambient": 15})
    with pytest.raises(ValueError, match="if 95 °F is meant, write 35"):
        shelf_recipe(place={"ambient": 95})
    with pytest.raises(ValueError, match=r"above the most, 60"):
        shelf_recipe(place={"ambient": 300})


def test_facts_are_as_the_schema_has_them() -> None:
    schema = load_report_schema()["properties"]["service"]["properties"]["heat"]
    for material in ("asa", "tpu-95a", "pla"):
        found = judge_heat(case(material=material))
        jsonschema.validate(make_json(dict(found.facts)), schema)
    facts = judge_heat(case()).facts
    assert facts["modulus_hot_mpa"] == pytest.approx(find_modulus(find_material("asa"), facts["part_c"]))
    assert facts["modulus_hot_crept_mpa"] == pytest.approx(0.5 * facts["modulus_hot_mpa"])
    assert facts["warm_up_c"][0] == 35.0
    assert facts["warm_up_c"][-1] == facts["part_c"]
    assert facts["warm_up_c"] == sorted(facts["warm_up_c"])
    assert len(facts["ranking"]) == len(load_materials())


def test_no_picture_unless_it_is_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> bytes:
        raise AssertionError

    monkeypatch.setattr(heat_picture, "picture_day", never)
    assert judge_heat(case()).files == {}


def test_the_picture_shows_the_curve_at_its_temperatures(monkeypatch: pytest.MonkeyPatch) -> None:
    sheets = []

    def keep(size: tuple[int, int]) -> Any:
        sheets.append(open_sheet(size))
        return sheets[-1]

    monkeypatch.setattr(heat_picture, "open_sheet", keep)
    found: Finding = judge_heat(replace(case(place={"hours": 6}), pictures=True))
    picture = Image.open(BytesIO(found.files["-heat.png"]))
    assert picture.size == heat_picture.SIZE
    pixels = np.asarray(picture).astype(int)
    blue = np.abs(pixels - heat_picture.CURVE).sum(axis=2) < 60
    column = round(heat_picture.LEFT + (heat_picture.RIGHT - heat_picture.LEFT) / 6.0)  # after one hour
    rows = np.flatnonzero(blue[:, column])
    words = dict(sheets[0].texts)
    (_, above, _, below), (_, top, _, bottom) = words["40"], words["100"]  # read off the scale as written
    per_pixel = (100.0 - 40.0) / (0.5 * (above + below) - 0.5 * (top + bottom))
    temp = 40.0 + per_pixel * (0.5 * (above + below) - rows.mean())
    assert temp == pytest.approx(find_service_temperature(ParkedPlace(), hours=1.0), abs=0.6)
    assert "asa: passes to 70 °C" in words
    boxes = [box for text, box in sheets[0].texts if ":" in text and "°C" in text]
    for k, (_, top, _, bottom) in enumerate(boxes):
        assert all(bottom <= other[1] or top >= other[3] for other in boxes[k + 1 :])  # no words over others
