"""Verdicts on a deck in a box recess, and remedies that hold what they promise."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import jsonschema
import manifold3d
import pytest

from mountgen.errors import EnduranceError
from mountgen.features.part import SoftZone
from mountgen.heat import find_sustained_modulus
from mountgen.material import find_material
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe
from mountgen.report import load_report_schema, make_json
from mountgen.service.case import Finding
from mountgen.service.load_check import find_distance, judge_load
from mountgen.stiffness import bend_beam, find_frequency, find_load
from mountgen.verdict import Check
from tests.decks import FLOOR, UP, block, lying, make_case, shelf_recipe, table
from tests.recesses import box_recess

NAMES = ["deck sag, hot and crept", "deck stress at rest", "deck stress at a jolt", "natural frequency of the deck"]


def judge(shelf: manifold3d.Manifold, top: float, *, mass: float = 0.25, **tables: Any) -> Finding:
    recipe = shelf_recipe(device={"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": mass}, **tables)
    return judge_load(make_case(shelf, lying(top), recipe))


def by_name(found: Finding) -> dict[str, Check]:
    return {check.name: check for check in found.checks}


def passes(found: Finding) -> bool:
    """Return whether all that is asked of each deck passes; heat under stress is asked of some only."""
    return all(check.verdict == "pass" for check in found.checks if check.name in NAMES)


def stool(*, deck: float, wall: float = 2.0, ribs: int = 0) -> manifold3d.Manifold:
    """Return a table that is held at its two ends alone: its back stands away from the recess's."""
    room = block(-40.0, -40.0, -30.0, 40.0, 40.0, -15.0)
    return table(deck=deck, legs=8.0, wall=wall, ribs=ribs) - room


def test_a_solid_shelf_on_its_floor_is_a_short_thick_column() -> None:
    found = judge(block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0), -9.5)
    checks = by_name(found)
    assert list(checks) == [NAMES[0], NAMES[2]]  # nothing bends, so nothing else is asked
    assert {check.verdict for check in checks.values()} == {"pass"}
    weight, area, modulus = 0.25 * 9.81, 59.0 * 19.5, find_sustained_modulus(find_material("asa"), 78.0)
    assert checks[NAMES[0]].value == pytest.approx(weight / area / modulus * 10.0, rel=1e-3)
    assert checks[NAMES[0]].limit == pytest.approx(0.1)
    assert checks[NAMES[2]].value == pytest.approx(6.0 * weight / area, rel=1e-6)
    assert found.facts["carried_share"] == pytest.approx(1.0)
    assert found.facts["bearing_area"] == pytest.approx(area)
    (piece,) = found.facts["pieces"]
    assert piece["model"] == "column"
    assert piece["stress_rest_mpa"] == pytest.approx(weight / area, rel=1e-6)


def test_a_deck_on_two_legs_is_the_beam_of_the_formula() -> None:
    found = judge(stool(deck=2.0), -9.5)
    (piece, column) = found.facts["pieces"]
    assert (piece["model"], piece["held"], column["model"]) == ("beam", ["left", "right"], "column")
    share = 55.0 / 59.0  # of the device lies on the span, the rest over the legs
    asa = find_material("asa")
    assert asa.modulus is not None
    hot = bend_beam(
        share * find_load(0.25), span=55.0, width=15.0, thickness=2.0, modulus=find_sustained_modulus(asa, 78.0)
    )
    checks = by_name(found)
    assert checks[NAMES[0]].value == pytest.approx(hot.sag, rel=2e-2)  # cells of 0.975 mm end near the deck's back
    assert checks[NAMES[0]].limit == pytest.approx(0.55)
    assert checks[NAMES[1]].value == pytest.approx(hot.stress, rel=2e-2)
    cold = bend_beam(share * find_load(0.25), span=55.0, width=15.0, thickness=2.0, modulus=asa.modulus.low)
    assert checks[NAMES[3]].value == pytest.approx(find_frequency(cold.sag), rel=1e-2)
    assert "Euler-Bernoulli" in checks[NAMES[0]].source
    assert "our rule" in checks[NAMES[0]].source


def test_facts_are_as_the_schema_has_them() -> None:
    schema = load_report_schema()["properties"]["service"]["properties"]["load"]
    for found in (judge(stool(deck=2.0), -9.5), judge(stool(deck=1.0), -10.5, material="pla")):
        jsonschema.validate(make_json(dict(found.facts)), schema)


def test_a_board_with_nothing_below_is_carried_by_the_walls() -> None:
    found = judge(block(-29.5, 0.0, -19.5, 29.5, 3.0, 0.0), 3.0)
    (piece,) = found.facts["pieces"]
    assert piece["held"] == ["back", "left", "right"]
    assert found.facts["bearing_area"] == 0.0


def test_what_nothing_carries_fails_and_says_how_to_stand_it_on_the_floor() -> None:
    shelf = block(-20.0, 0.0, -10.0, 20.0, 3.0, 0.0)
    found = judge(shelf, 3.0, fit={"clearance": 0.5, "reach": 10.0})
    assert [(check.name, check.verdict) for check in found.checks] == [("deck held by the recess", "fail")]
    assert found.checks[0].value == pytest.approx(40.0 * 10.0, rel=0.02)
    assert found.checks[0].remedy == 'set fit.reach = "full", so that the part stands on the floor'
    assert "nothing that was scanned" in judge(shelf, 3.0).checks[0].remedy


def test_another_scan_is_asked_for_only_where_nothing_was_scanned_below() -> None:
    """A shelf of facets 1.4 mm above its floor: the floor was scanned, and no scan would bring it nearer."""
    shelf = block(-20.0, FLOOR + 1.4, -10.0, 20.0, FLOOR + 9.0, 0.0)
    case = make_case(shelf, lying(FLOOR + 9.0), shelf_recipe())
    faceted = replace(case, part=replace(case.part, body=replace(case.part.body, faceted=True)))
    (check,) = judge_load(faceted).checks
    assert (check.name, check.verdict) == ("deck held by the recess", "fail")
    assert "facets stand off the floor" in check.remedy
    assert read_number(check.remedy, "up to ") == pytest.approx(1.4)
    assert "scan the floor" not in check.remedy
    assert "facets" not in judge_load(case).checks[0].remedy

    whole = box_recess(60, 40, left=20, right=20, up=UP)
    floor = (whole.vertices[whole.faces][:, :, 1] <= FLOOR).all(axis=1)
    blind = make_case(shelf, lying(FLOOR + 9.0), shelf_recipe(), recess=replace(whole, faces=whole.faces[~floor]))
    assert "scan the floor below" in judge_load(blind).checks[0].remedy


def read_number(remedy: str, before: str) -> float:
    found = re.search(rf"{re.escape(before)}([\d.]+)", remedy)
    assert found is not None, remedy
    return float(found[1])


def read_key(remedy: str, key: str) -> float:
    return read_number(remedy, f"{key} = ")


def test_a_thin_deck_fails_and_its_remedies_pass() -> None:
    thin = judge(stool(deck=1.0, wall=1.0), -10.5, mass=0.4, body={"wall": 1.0})
    sag = by_name(thin)[NAMES[0]]
    assert sag.verdict == "fail"
    wall = read_key(sag.remedy, "body.wall")
    assert 1.0 < wall < 5.0
    thicker = judge(stool(deck=wall, wall=wall), FLOOR + 8.5 + wall, mass=0.4, body={"wall": wall})
    assert passes(thicker)
    nearly = judge(stool(deck=wall - 0.15, wall=1.0), FLOOR + 8.35 + wall, mass=0.4, body={"wall": 1.0})
    assert not passes(nearly)  # it is no more than is needed over the span as it was

    ribs = int(read_key(sag.remedy, "body.ribs"))
    ribbed = judge(stool(deck=1.0, wall=1.0, ribs=ribs), -10.5, mass=0.4, body={"wall": 1.0, "ribs": ribs})
    assert passes(ribbed)
    fewer = judge(stool(deck=1.0, wall=1.0, ribs=ribs - 1), -10.5, mass=0.4, body={"wall": 1.0, "ribs": ribs - 1})
    assert not passes(fewer)

    other = re.search(r'material = "([\w-]+)"', sag.remedy)
    if other:  # another plastic does only if it is stiff enough too
        again = judge(stool(deck=1.0, wall=1.0), -10.5, mass=0.4, body={"wall": 1.0}, material=other[1])
        assert passes(again)


def test_a_solid_board_is_made_thicker_by_a_higher_deck() -> None:
    board = block(-29.5, 0.0, -14.0, 29.5, 1.0, 0.0)
    found = judge(board, 1.0, mass=0.5)
    sag = by_name(found)[NAMES[0]]
    assert sag.verdict == "fail"
    more = read_key(sag.remedy, "deck.height") - 10.0
    thicker = judge(block(-29.5, 0.0, -14.0, 29.5, 1.0 + more, 0.0), 1.0 + more, mass=0.5)
    assert passes(thicker)


def test_a_soft_plastic_fails_and_the_named_one_passes() -> None:
    soft = judge(stool(deck=3.0), -8.5, material="pla")  # PLA has no stiffness left at 78 °C
    assert NAMES[0] not in by_name(soft)
    sag = by_name(soft)["stiffness of the deck in the heat"]
    assert (sag.verdict, sag.value, sag.unit) == ("fail", 0.0, "MPa")
    beam = bend_beam(55.0 / 59.0 * find_load(0.25), span=55.0, width=15.0, thickness=3.0, modulus=1.0)
    assert sag.limit == pytest.approx(beam.sag / 0.55, rel=0.02)
    other = re.search(r'material = "([\w-]+)"', sag.remedy)
    assert other is not None
    assert passes(judge(stool(deck=3.0), -8.5, material=other[1]))


def test_a_stressed_deck_is_held_against_the_deflection_temperature_under_more_load() -> None:
    found = judge(stool(deck=1.0), -10.5, mass=0.5, material="pc")
    check = by_name(found)["heat under the deck's stress"]
    assert "1.80 MPa" in check.source
    assert (check.verdict, check.limit) == ("pass", 107.0)  # 127 °C under 1.80 MPa, less 20 K
    # PC-ABS for a test: 95 °C under 1.80 MPa is not enough at 95 °C, and thicker is no help, as 110 °C under 0.45 is not either
    oven = {"ambient": 52.0}
    hot = by_name(judge(stool(deck=1.2), -10.3, mass=0.4, material="pc-abs", place=oven))["heat under the deck's stress"]
    assert (hot.verdict, hot.value) == ("fail", pytest.approx(95.0, abs=0.01))
    assert hot.remedy.startswith('set material = "pc" and deck.height = ')  # and as thin as this no other plastic does
    deck = 1.2 + read_key(hot.remedy, "deck.height") - 10.0
    both = judge(stool(deck=deck), -11.5 + deck, mass=0.4, material="pc", place=oven)
    assert {check.verdict for check in both.checks} == {"pass"}
    # at 78 °C it is: under less stress the other temperature counts
    warm = by_name(judge(stool(deck=1.8), -9.7, mass=0.4, material="pc-abs"))["heat under the deck's stress"]
    assert (warm.verdict, warm.value) == ("caution", pytest.approx(78.0, abs=0.01))
    more = read_key(warm.remedy, "deck.height") - 10.0
    thicker = judge(stool(deck=1.8 + more), -9.7 + more, mass=0.4, material="pc-abs")
    assert "heat under the deck's stress" not in by_name(thicker)
    assert "heat under the deck's stress" not in by_name(judge(stool(deck=3.0), -8.5, mass=0.1, material="pc"))


def test_a_plastic_without_values_is_said_to_be_unknown() -> None:
    (check,) = judge(stool(deck=3.0), -8.5, material="tpu-95a").checks
    assert check.verdict == "caution"
    assert "no modulus, hdt_045" in check.source
    assert "give modulus, hdt_045 of [tpu-95a] in a sheet" in check.remedy
    assert 'set material = "pc"' in check.remedy


def test_a_part_without_a_device_is_not_judged() -> None:
    recipe = PlugRecipe(name="plug")
    case = make_case(stool(deck=3.0), lying(-8.5), shelf_recipe())
    found = judge_load(replace(case, recipe=recipe))
    assert (found.checks, found.facts, found.notes) == ((), {}, ())


def test_a_mass_in_grams_is_refused() -> None:
    with pytest.raises(EnduranceError) as caught:
        find_load(250.0)
    assert "0.25 kg" in caught.value.remedy
    with pytest.raises(ValueError, match=r"-0.2 is not above 0 kg"):
        shelf_recipe(device={"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": -0.2})
    with pytest.raises(ValueError, match="above the most, 5 kg"):
        shelf_recipe(device={"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": 250})


def test_what_is_near_enough_follows_the_gap_at_the_floor() -> None:
    assert find_distance(shelf_recipe()) == 1.0
    assert find_distance(shelf_recipe(fit={"clearance": 0.5, "floor": 0.8})) == pytest.approx(1.3)


def test_tape_below_bears_whatever_its_thickness() -> None:
    """A shelf 2 mm above the floor, on a pad of tape 20 x 10 mm."""
    shelf = block(-29.5, FLOOR + 2.0, -19.5, 29.5, -9.5, 0.0)
    bare = make_case(shelf, lying(-9.5), shelf_recipe())
    assert judge_load(bare).facts["bearing_area"] == 0.0
    pad = SoftZone("tape pad 1", (-10.0, FLOOR + 1.5, -15.0), (10.0, FLOOR + 2.5, -5.0))
    hook = SoftZone("hook 1", (-29.5, FLOOR + 1.5, -15.0), (-20.0, FLOOR + 2.5, -5.0))
    taped = replace(bare, part=replace(bare.part, soft=(pad, hook)))
    assert judge_load(taped).facts["bearing_area"] == pytest.approx(200.0, rel=0.08)  # to a cell at each edge


def test_a_stout_span_does_not_bend() -> None:
    """A gap of 10 mm under 9 mm of deck is bridged as if it were not there; under 3 mm it is a span."""
    solid = block(-29.5, FLOOR + 0.5, -19.5, 29.5, -8.5, 0.0)
    stout = judge(solid - block(-5.0, -30.0, -30.0, 5.0, -17.5, 5.0), -8.5)
    assert [piece["model"] for piece in stout.facts["pieces"]] == ["column"]
    assert stout.facts["carried_share"] == pytest.approx(49.0 / 59.0, abs=0.02)
    thin = judge(solid - block(-5.0, -30.0, -30.0, 5.0, -11.5, 5.0), -8.5)
    assert [piece["model"] for piece in thin.facts["pieces"]] == ["beam", "column"]
    assert passes(stout)
    assert passes(thin)


def test_a_thicker_lip_behind_which_the_device_does_not_go_in_is_not_named_alone() -> None:
    def advise(suits: Callable[[PhoneShelfRecipe], bool]) -> str:
        recipe = shelf_recipe(
            device={"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": 2.0}, body={"edge_radius": 0.4},
            lip={"height": 8.0, "thickness": 1.0, "scoop": 19.0},
        )  # fmt: skip
        case = make_case(block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0), lying(-9.5), recipe)
        found = judge_load(replace(case, part=replace(case.part, suits=suits)))
        return by_name(found)["lip stress when braking"].remedy

    lower = advise(lambda tried: tried.deck.height == 6.0)
    assert re.fullmatch(r"set lip\.thickness = [\d.]+ and deck\.height = 6", lower)
    shorter = advise(lambda tried: tried.device.length <= 50.0)
    assert re.fullmatch(r"the largest device that would: set lip\.thickness = [\d.]+ and device\.length = 50", shorter)
    nowhere = advise(lambda tried: False)
    assert re.fullmatch(r"with lip\.thickness = [\d.]+ the device goes in nowhere here: set lip = false, .*", nowhere)


def test_a_lip_is_a_cantilever_pushed_at_its_edge() -> None:
    def judge_lip(**lip: float) -> Check:
        solid = block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0)
        body = {"edge_radius": 0.4}
        return by_name(judge(solid, -9.5, mass=2.0, lip=lip, body=body))["lip stress when braking"]

    thick = judge_lip(height=4.0, thickness=3.0, scoop=19.0)
    assert thick.value == pytest.approx(6.0 * (3.0 * 2.0 * 9.81) * 4.0 / (40.0 * 3.0**2))  # M / W, over 59 - 19 mm
    assert (thick.verdict, thick.limit) == ("pass", 9.5)
    thin = judge_lip(height=8.0, thickness=1.0, scoop=19.0)
    assert thin.verdict == "fail"
    need = read_key(thin.remedy, "lip.thickness")
    assert judge_lip(height=8.0, thickness=need, scoop=19.0).verdict == "pass"
    assert judge_lip(height=8.0, thickness=need - 0.1, scoop=19.0).verdict == "fail"
    assert "lip stress when braking" not in by_name(judge(stool(deck=3.0), -8.5))
