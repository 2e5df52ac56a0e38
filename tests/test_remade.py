"""Remedies that are made again before they are named, and those that are tried on the mesh: each passes once it is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import manifold3d
import numpy as np
import pytest

from mountgen.errors import FeatureError
from mountgen.features.pad_place import Spot
from mountgen.features.part import Part, SoftZone
from mountgen.features.tape_pads import Pad
from mountgen.ground import Ground
from mountgen.material import find_material, load_materials
from mountgen.progress import Clock
from mountgen.prove import build_part, prove_part
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_settings import with_settings
from mountgen.recipe_tables import TapePads
from mountgen.service.bridge_advice import advise_bridge, list_shorter
from mountgen.service.case import Case, Finding
from mountgen.service.gap_advice import advise_gap, list_wider
from mountgen.service.heat_check import find_advised, judge_heat
from mountgen.service.material_swap import suit_material
from mountgen.service.print_check import BRIDGE, SCARS, judge_print
from mountgen.service.print_orientation import STEADY, Orientation
from mountgen.service.print_piece import look_under
from mountgen.service.reach_advice import list_steady, list_unmarked
from mountgen.service.remake import is_worse
from mountgen.verdict import Check
from tests.prepared import Listening, prepare
from tests.recesses import as_scan
from tests.remedies import read_remedy
from tests.test_print_check import block, check_of, make_case
from tests.test_print_orientation import as_mesh
from tests.test_remedies import BOX, judge_known

SHELF: dict[str, Any] = {
    "deck": {"height": 14}, "device": {"length": 100, "width": 60, "thickness": 9, "mass": 0.2}, "lip": {"height": 4},
}  # fmt: skip
UP: dict[str, Any] = {"layers_along": [0, 0, 1]}


def make_plug(name: str, tables: dict[str, Any]) -> Case:
    """Return the plug of a specimen, gauged, that can be made again."""
    recess, space, shell = prepare(name)
    recipe = PlugRecipe.model_validate({"name": "blank", **tables})
    ground = Ground(recipe, find_material("asa"), load_materials(), as_scan(recess), recess, space, shell)

    def remake(other: Recipe) -> Part:
        return build_part(replace(ground, recipe=other))

    return prove_part(remake(recipe), ground, clock=Clock(Listening()), remake=remake)


def with_part(case: Case, recipe: Recipe, **facts: Any) -> Case:
    return replace(case, recipe=recipe, part=replace(case.part, **facts))


# ------------------------------------------------------------------ made again


def test_a_cable_slot_that_fuses_is_made_wider_and_found_open(tmp_path: Path) -> None:
    check = judge_known(tmp_path, BOX, ["cable.width=0.15"])["narrowest gap"]
    assert check.verdict == "caution"
    assert check.value == pytest.approx(0.15, abs=0.01)
    assert read_remedy(check.remedy) == [{"cable.width": "0.5"}]
    assert judge_known(tmp_path, BOX, ["cable.width=0.5"])["narrowest gap"].verdict == "pass"


def ribbed(ribs: int) -> manifold3d.Manifold:
    """The block with a wall of 2 mm, open below, and so many ribs of 2 mm square to x."""
    inside, pitch = 55.0, (55.0 - 2.0 * ribs) / (ribs + 1)
    hollow = manifold3d.Manifold.cube((inside, 35.0, 40.0)).translate((-0.5 * inside, -17.5, -42.0))
    for k in range(ribs):
        hollow -= manifold3d.Manifold.cube((2.0, 60.0, 60.0)).translate((pitch * (k + 1) + 2.0 * k - 0.5 * inside, -30.0, -50.0))
    return block() - hollow


def test_so_many_ribs_are_named_that_the_roof_of_a_hollow_is_bridged() -> None:
    """Printed with its face on top: (W - n 2 mm) / (n + 1) <= 9.7 mm between ribs."""
    case = make_case(ribbed(1), **UP)
    recipe = PlugRecipe.model_validate({"name": "cover", "body": {"wall": 2.0, "ribs": 1}, "printer": UP})
    assert check_of(judge_print(case), "longest bridge").value == pytest.approx(26.5, abs=0.9)
    case = replace(case, recipe=recipe, mends=lambda settings, name: True)
    remedy = advise_bridge(case, case.orientations[0], np.array([5.0, 0.0, -2.0]), most=BRIDGE, name="longest bridge")
    assert read_remedy(remedy) == [{"body.ribs": "4"}]
    assert (55.0 - 4 * 2.0) / 5 <= 9.7 < (55.0 - 3 * 2.0) / 4
    assert check_of(judge_print(make_case(ribbed(4), **UP)), "longest bridge").verdict == "pass"
    assert check_of(judge_print(make_case(ribbed(3), **UP)), "longest bridge").verdict == "caution"


def test_a_plug_is_cut_flat_where_all_that_bears_would_hang() -> None:
    case = make_plug("dished_tray", {"printer": UP})
    check = check_of(judge_print(case), "support on fit faces")
    assert check.verdict == "caution"
    choices = list(list_unmarked(case, most=SCARS))
    remedy = case.find_mending(check.name, choices, most=2)
    reach = float(read_remedy(remedy)[0]["fit.reach"])
    deepest = -float(case.part.body.mesh.vertices[:, 2].min())
    assert 0.4 * deepest < reach < deepest


def test_what_makes_anything_else_worse_is_not_named() -> None:
    def check(name: str, verdict: Any) -> Check:
        return Check(name, verdict, 1.0, 1.0, "mm", "our rule")

    now = {"a": check("a", "caution"), "b": check("b", "pass")}
    assert not is_worse({"a": check("a", "pass"), "b": check("b", "pass")}, now)
    assert not is_worse({"a": check("a", "caution"), "c": check("c", "pass")}, now)
    assert is_worse({"a": check("a", "fail")}, now)
    assert is_worse({"b": check("b", "caution")}, now)
    assert is_worse({"c": check("c", "caution")}, now)


def test_no_more_is_made_again_than_a_few_and_nothing_that_no_recipe_may_be() -> None:
    asked: list[Mapping[str, Any]] = []

    def mends(settings: Mapping[str, Any], name: str) -> bool:
        asked.append(settings)
        return len(asked) == 3 and name == "x"

    case = replace(make_case(block()), mends=mends)
    choices = [{"body.wall": float(k)} for k in range(1, 9)]
    assert case.find_mending("x", choices) == "set body.wall = 3"
    assert case.find_mending("y", choices) == ""
    assert len(asked) == 6
    made = make_plug("frustum", {})
    assert made.mends is not None
    assert not made.mends({"body.ribs": 3}, "longest bridge")  # ribs in a solid body: no such recipe
    assert not made.mends({"body.wall": 40.0}, "longest bridge")  # no such part
    assert made.mends({}, "longest bridge")


# ------------------------------------------------------------------ tried on the mesh


def pocketed(deep: float) -> manifold3d.Manifold:
    """The block with a pocket of 40 x 20 mm in its underside."""
    return block() - manifold3d.Manifold.cube((40.0, 20.0, 2.0 * deep), True).translate((0.0, 0.0, -19.5))


def padded(deep: float, *, uneven: float = 0.1, **tape: float) -> tuple[Case, Orientation]:
    """A part with one pad in that pocket, as if of a shelf, and its way up."""
    case = make_case(pocketed(deep), **UP)
    given = TapePads.model_validate({"count": 1, "length": 40.0, "width": 20.0, **tape})
    right, up, normal = np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, -1.0])
    spot = Spot(np.array([0.0, 0.0, -20.0]), right, up, normal, mismatch=0.0, angle=0.0)
    pad = Pad(spot, -0.5 - deep, np.array([0.8, 0.8 + uneven]), (-0.5, -0.5))
    recipe = PhoneShelfRecipe.model_validate({"name": "shelf", **SHELF, "tape": given.model_dump(), "printer": UP})
    zone = SoftZone("tape pad 1", (-20.0, -10.0, -19.5), (20.0, 10.0, -19.5 + deep))
    return with_part(case, recipe, pads=(pad,), soft=(zone,)), case.orientations[0]


def test_the_pocket_of_a_pad_is_made_so_shallow_that_its_roof_sinks_on_to_the_plate() -> None:
    """0.6 mm deep under 1.1 mm of tape pressed by 0.2: two layers are 0.4 mm, so the tape is thinner by 0.22 / 0.8 and more."""
    case, way = padded(0.6)
    under = look_under(case.part.body.mesh, way, 0.2)
    assert under.bridge == pytest.approx(20.0, abs=1.0)
    remedy = advise_bridge(case, way, np.array([0.0, 0.0, -18.9]), most=BRIDGE, name="longest bridge")
    assert read_remedy(remedy) == [{"tape.thickness": "0.8"}]
    again = as_mesh(pocketed(0.6 - 0.3 * 0.8))
    assert look_under(again, way, 0.2).bridge == 0.0


def test_higher_layers_are_named_where_the_tape_may_not_be_thinner() -> None:
    case, way = padded(0.6, uneven=0.5)  # which takes a tape of 1 mm
    remedy = advise_bridge(case, way, np.array([0.0, 0.0, -18.9]), most=BRIDGE, name="longest bridge")
    assert read_remedy(remedy) == [{"printer.layer_height": "0.31"}]
    assert look_under(case.part.body.mesh, way, 0.31).bridge == 0.0
    deep, way = padded(1.0, uneven=0.5)  # 0.51 mm is too high for a line of 0.45
    assert advise_bridge(deep, way, np.array([0.0, 0.0, -18.5]), most=BRIDGE, name="longest bridge") == ""


def test_a_flange_that_hangs_is_told_so() -> None:
    """A border all around on a block that stands upright: without it nothing hangs."""
    bordered = block() + manifold3d.Manifold.cube((79.0, 59.0, 3.0)).translate((-39.5, -29.5, 0.5)) + block(low=-1.0, high=1.0)
    case = make_case(bordered, **UP)
    recipe = PlugRecipe.model_validate({"name": "cover", "flange": {"width": 10, "thickness": 3}, "printer": UP})
    way = case.orientations[0]
    remedy = advise_bridge(with_part(case, recipe), way, np.array([35.0, 0.0, 0.5]), most=BRIDGE, name="longest bridge")
    assert read_remedy(remedy) == [{"flange": "false"}]
    assert look_under(as_mesh(block()), way, 0.2).bridge == 0.0


def test_what_cannot_be_shorter_names_nothing() -> None:
    case = make_case(block(), **UP)
    assert advise_bridge(case, case.orientations[0], np.zeros(3), most=BRIDGE, name="longest bridge") == ""
    shelf = PhoneShelfRecipe.model_validate(
        {"name": "shelf", **SHELF, "cable": {"width": 14, "height": 1}, "drains": {"count": 2, "diameter": 12}}
    )
    mesh = case.part.body.mesh
    assert list(list_shorter(shelf, mesh, np.array([3.0, 0.0, 0.0]), most=BRIDGE)) == [
        {"cable.height": False}, {"drains.diameter": 9.7},
    ]  # fmt: skip
    assert list(list_shorter(shelf, mesh, np.array([30.0, 0.0, 0.0]), most=BRIDGE)) == [{"drains.diameter": 9.7}]


@pytest.mark.parametrize(
    ("kind", "tables", "gap", "choices"),
    [
        (PhoneShelfRecipe, SHELF | {"cable": {"width": 0.15}, "tabs": {"thickness": 1.8}}, 0.15,
         [{"cable.width": 0.5}, {"tabs.thickness": 2.2}, {"device.play": 1.4}]),
        (PhoneShelfRecipe, SHELF | {"lip": {"height": 4, "scoop": 0.2}, "device": SHELF["device"] | {"play": 0}}, 0.1,
         [{"lip.scoop": 0.0}, {"device.play": 0.4}]),
        (TrayRecipe, {"body": {"wall": 2.0}, "dividers": {"count_x": 2, "count_y": 1},
                      "pull_tab": {"width": 16, "length": 9, "thickness": 7.2}}, 0.1,
         [{"pull_tab.thickness": 6.8}, {"dividers.count_x": 1}, {"dividers.count_y": 0}, {"body.wall": 1.8}]),
        (TrayRecipe, {"body": {"wall": 0.6, "edge_radius": 0}, "dividers": {"count_x": 1}}, 0.1, [{"dividers": False}]),
        (PlugRecipe, {"body": {"wall": 2.0, "ribs": 2}}, 0.1,
         [{"body.ribs": 1}, {"body.wall": 1.6}, {"body.wall": False, "body.ribs": 0}]),
        (PlugRecipe, {}, 0.1, []),
    ],
)  # fmt: skip
def test_only_what_can_have_made_a_gap_is_tried(
    kind: type[Recipe], tables: dict[str, Any], gap: float, choices: list[dict[str, Any]]
) -> None:
    recipe, middle = kind.model_validate({"name": "part", **tables}), (0.5, 0.0, -3.0)
    soft = (SoftZone("retaining tab, left", (-1.0, -1.0, -5.0), (1.0, 1.0, 0.0)),)
    case = with_part(make_case(block()), recipe, soft=soft)
    assert list(list_wider(case, gap, middle)) == choices
    for each in choices:
        changed = with_settings(recipe, each)
        assert kind.model_validate(changed.model_dump()) is not None
    told = advise_gap(case, gap, middle, name="narrowest gap")  # which cannot be made again
    assert read_remedy(told) == []
    assert all(key in told for each in choices for key in each)
    assert choices or "no key of the recipe" in told


def test_a_slit_that_follows_the_recess_opens_with_the_clearance() -> None:
    """Both of its faces stand back: 0.1 mm and twice 0.2 more are a line and 0.05."""
    case = make_case(block(), clearance=0.05)
    assert read_remedy(advise_gap(case, 0.1, (0.0, 0.0, -3.0), name="narrowest gap")) == [{"fit.clearance": "0.25"}]


def test_a_ball_is_cut_where_it_stands_steadily() -> None:
    """Of a ball of 20 mm whose middle lies 20 mm deep, cut flat at depth d, the section and the centre of mass in closed form."""
    ball = manifold3d.Manifold.sphere(20.0, 128).translate((0.0, 0.0, -20.0))
    (choice,) = list(list_steady(make_case(ball, **UP), most=STEADY))
    reach = choice["fit.reach"]

    def lean(reach: float) -> float:
        t = np.linspace(-reach, 0.0, 20_001)
        area = 20.0**2 - (t + 20.0) ** 2
        return float((area * (t + reach)).sum() / area.sum() / np.sqrt(20.0**2 - (20.0 - reach) ** 2))

    assert lean(reach) <= STEADY
    assert lean(39.5) > STEADY


# ------------------------------------------------------------------ another material


def test_remedies_are_sized_for_the_material_that_is_advised_for_the_heat() -> None:
    case = make_case(block(), material="pla")
    case = replace(case, recipe=PhoneShelfRecipe.model_validate({"name": "shelf", "material": "pla", **SHELF}))
    better = find_advised(case)
    assert better is not None
    asked = []

    def judge(those: Case) -> Finding:
        asked.append(those.material.key)
        heavy = those.material.key != "pla"
        rows: list[tuple[str, Any, str]] = [
            ("area", "fail", f"set tape.length = {70 if heavy else 60}"),
            ("strain", "pass" if heavy else "fail", "" if heavy else "set tabs.length = 20"),
            ("push", "caution" if heavy else "pass", "set tabs.width = 5" if heavy else ""),
            ("same", "caution", "sand it"),
            ("named", "fail", f'set material = "{better.key}"'),
        ]
        return Finding(checks=tuple(Check(name, verdict, 1.0, 2.0, "mm", "our rule", told) for name, verdict, told in rows))

    judges = dict.fromkeys(("load", "tabs", "tape", "fit_stack"), judge) | {"heat": judge_heat}
    found = suit_material(case, {name: each(case) for name, each in judges.items()}, judges)
    told = {check.name: check.remedy for check in found["tape"].checks}
    assert read_remedy(told["area"]) == [{"tape.length": "70"}]
    assert better.key in told["area"]
    assert read_remedy(told["strain"]) == [{"material": f'"{better.key}"'}, {"tabs.length": "20"}]
    assert (told["push"], told["same"], told["named"]) == ("", "sand it", f'set material = "{better.key}"')
    heat = found["heat"].checks[0].remedy
    assert f"in {better.key} then see to push: set tabs.width = 5" in heat
    assert asked.count("pla") == 4
    cool = replace(case, recipe=case.recipe.model_copy(update={"place": case.recipe.place.model_copy(update={"ambient": -30.0})}))
    assert find_advised(cool) is None
    same = {name: each(cool) for name, each in judges.items()}
    assert suit_material(cool, same, judges) == same


def test_a_plastic_that_is_not_for_it_is_told_beside_its_name() -> None:
    case = make_case(block(), material="pla")
    case = replace(case, recipe=PhoneShelfRecipe.model_validate({"name": "shelf", "material": "pla", **SHELF}))

    def judge(those: Case) -> Finding:
        if those.material.key != "pla":
            raise FeatureError("it is no plastic for snap arms", "tabs", "set tabs = false")
        return Finding(checks=(Check("strain", "pass", 1.0, 2.0, "%", "our rule"),))

    judges = dict.fromkeys(("load", "tabs", "tape", "fit_stack"), judge) | {"heat": judge_heat}
    found = suit_material(case, {name: each(case) for name, each in judges.items()}, judges)
    assert "it is no plastic for snap arms" in found["heat"].checks[0].remedy
