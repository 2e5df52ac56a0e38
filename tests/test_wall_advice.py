"""What is said of a wall that is too thin names the recipe's own keys, and parts made by it pass."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from mountgen.errors import FeatureError
from mountgen.features.device_advice import advise_thicker
from mountgen.features.tab_place import Ride, Tab, TabPlace, is_beside
from mountgen.progress import Clock
from mountgen.prove import _is_thick, build_part, prove_part
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_tables import RetainingTabs
from mountgen.service.wall_advice import advise_below, advise_deck, advise_wall
from mountgen.verdict import Check
from tests.prepared import Listening, lay_frustum
from tests.remedies import read_remedy

ENOUGH = 1.35  # mm, three lines of 0.45


@pytest.mark.parametrize(
    ("kind", "tables", "thickness", "settings"),
    [
        (PlugRecipe, {"body": {"wall": 1.0}, "flange": {"width": 4, "thickness": 1.2}}, 0.98,
         {"body.wall": "1.4", "flange.thickness": "1.4"}),
        (TrayRecipe, {"body": {"wall": 1.8, "edge_radius": 0.4}, "pull_tab": {"width": 16, "length": 14, "thickness": 1.0}}, 0.97,
         {"pull_tab.thickness": "1.4"}),
        (TrayRecipe, {"body": {"wall": 1.8}}, 1.2, {"body.wall": "2"}),
        (PlugRecipe, {"fit": {"reach": 1.0}}, 0.9, {"fit.reach": "1.5"}),
        (PlugRecipe, {}, 0.4, {}),
        (TrayRecipe, {"body": {"wall": 2.7}}, 0.51, {}),  # a wedge whose floor runs out into the panel: so at any wall
    ],
)  # fmt: skip
def test_only_what_the_recipe_has_is_named(
    kind: type[Recipe], tables: dict[str, Any], thickness: float, settings: dict[str, str]
) -> None:
    remedy = advise_wall(kind.model_validate({"name": "part", **tables}), thickness=thickness, enough=ENOUGH)
    assert next(iter(read_remedy(remedy)), {}) == settings
    assert settings or "no key of the recipe" in remedy


@pytest.mark.parametrize(("opening", "other"), [("underneath", "back"), ("back", "underneath")])
def test_a_fin_of_a_hollow_body_names_its_other_opening(opening: str, other: str) -> None:
    recipe = PlugRecipe.model_validate({"name": "part", "body": {"wall": 2.4, "open": opening}})
    remedy = advise_wall(recipe, thickness=0.6, enough=ENOUGH)
    assert f'try body.open = "{other}"' in remedy
    assert "body.wall = false" in remedy
    assert not read_remedy(remedy)  # nobody has tried it, so it is no setting that is promised to pass


def test_an_edge_beside_a_tab_is_told_as_the_tab_s() -> None:
    recipe = PhoneShelfRecipe.model_validate({
        "name": "shelf", "deck": {"height": 14}, "device": {"length": 100, "width": 60, "thickness": 9, "mass": 0.2},
        "tabs": {"count": 2, "length": 18, "width": 8, "thickness": 1.8, "hook": 1.2},
    })  # fmt: skip
    remedy = advise_wall(recipe, thickness=0.02, enough=ENOUGH, at_tab=True)
    assert read_remedy(remedy) == [{"tabs.count": "0"}]
    assert "no key of the recipe" in advise_wall(recipe, thickness=0.02, enough=ENOUGH)


SHELF = PhoneShelfRecipe.model_validate({
    "name": "shelf", "deck": {"height": 7}, "device": {"length": 48, "width": 30, "thickness": 7, "mass": 0.08},
})  # fmt: skip


@pytest.mark.parametrize(("enough_at", "told"), [(8.0, "8.2"), (9.0, "9.2"), (9.5, "10.7"), (20.0, None)])
def test_a_deck_is_raised_until_what_is_below_it_is_thick_enough(enough_at: float, told: str | None) -> None:
    """As beside the groove for a cable on a deck 7 mm above the lowest point of the mouth, where 0.23 mm were left."""
    tried = []

    def passes(recipe: Recipe) -> bool:
        assert isinstance(recipe, PhoneShelfRecipe)
        tried.append(recipe.deck.height)
        return recipe.deck.height >= enough_at

    remedy = advise_wall(SHELF, thickness=0.23, enough=ENOUGH, move_face=partial(advise_deck, SHELF, passes=passes))
    assert read_remedy(remedy) == ([] if told is None else [{"deck.height": told}])
    assert ("no key of the recipe" in remedy) == (told is None)
    assert tried == sorted(tried)
    assert tried[0] == 8.2
    assert advise_deck(PlugRecipe(name="plug"), 1.0, passes=passes) is None


@pytest.mark.parametrize(("enough_at", "told"), [(1.0, "2.5"), (3.0, "4.5"), (9.0, None)])
def test_a_plugs_face_is_moved_into_a_rounded_mouth_until_its_edge_is_thick_enough(enough_at: float, told: str | None) -> None:
    recipe = PlugRecipe.model_validate({"name": "plug", "plug": {"below": 0.5}})

    def passes(other: Recipe) -> bool:
        assert isinstance(other, PlugRecipe)
        return other.plug.below >= enough_at

    remedy = advise_wall(recipe, thickness=0.4, enough=ENOUGH, move_face=lambda lack: advise_below(recipe, 1.2, passes=passes))
    assert read_remedy(remedy) == ([] if told is None else [{"plug.below": told}])
    assert ("no key of the recipe" in remedy) == (told is None)
    assert advise_below(recipe, 8.0, passes=passes) is None  # deep in the recess it is no rounded mouth
    closed = PlugRecipe.model_validate({"name": "plug", "flange": {"width": 8.0}})
    assert advise_below(closed, 0.2, passes=passes) is None
    assert advise_below(SHELF, 0.2, passes=passes) is None


@pytest.mark.parametrize(
    ("verdicts", "thick"),
    [({"wall thickness": "pass", "size": "caution"}, True), ({"wall thickness": "caution"}, False),
     ({"wall thickness": "pass", "clearance at rest": "fail"}, False)],
)  # fmt: skip
def test_a_part_that_is_thick_and_fails_elsewhere_is_no_remedy(verdicts: dict[str, Any], thick: bool) -> None:
    checks = [
        Check(name, verdict, 1.0, 1.0, "mm", "our rule", "change it" * (verdict != "pass")) for name, verdict in verdicts.items()
    ]
    case = SimpleNamespace(inspection=SimpleNamespace(checks=checks), part=SimpleNamespace(checks=()))
    assert _is_thick(lambda recipe: case, SHELF) == thick  # type: ignore[arg-type,return-value]

    def refuse(recipe: Recipe) -> Any:
        raise FeatureError("the device does not go in", "device", "give a smaller one")

    assert not _is_thick(refuse, SHELF)


def test_what_is_beside_a_tab_is_told_from_what_is_not() -> None:
    tabs = RetainingTabs(count=2, length=18.0, width=8.0, thickness=1.8, hook=1.2)
    x, y, _ = np.eye(3)
    place = TabPlace(side=1, origin=np.zeros(3), outward=x, across=y, top=0.0, peak=0.0, low=-40.0)
    tab = Tab(place, crest=-10.0, wall=50.0, lean=0.0, thickness=1.8, ride=Ride(0.0, 0.0, 0.0, 0.0), longest=30.0)
    assert is_beside(tab, np.array([49.0, 4.6, -14.6]), tabs)
    for away in ((49.0, 8.0, -14.6), (40.0, 4.6, -14.6), (49.0, 4.6, -40.0), (49.0, 4.6, 0.0)):
        assert not is_beside(tab, np.array(away), tabs)


def test_a_thicker_lip_is_named_with_what_lets_the_device_in_behind_it() -> None:
    recipe = PhoneShelfRecipe.model_validate({
        "name": "shelf", "body": {"edge_radius": 0.4}, "deck": {"height": 14}, "lip": {"height": 4, "thickness": 1},
        "device": {"length": 100, "width": 60, "thickness": 9, "mass": 0.2},
    })  # fmt: skip

    def fits(change: Any) -> str:
        return advise_thicker(lambda tried: tried.lip is not None and tried.deck.height == 10.0, recipe, change, top=60.0)

    assert read_remedy(advise_wall(recipe, thickness=0.98, enough=ENOUGH)) == [{"lip.thickness": "1.4"}]
    remedy = advise_wall(recipe, thickness=0.98, enough=ENOUGH, fits=fits)
    assert read_remedy(remedy) == [{"lip.thickness": "1.4", "deck.height": "10"}]


@pytest.mark.parametrize("tables", [{"fit": {"reach": 1.0}}, {"body": {"wall": 1.0}}])
def test_a_plug_made_as_advised_passes(tables: dict[str, Any]) -> None:
    def judge(given: dict[str, Any]) -> Any:
        ground = replace(lay_frustum(), recipe=PlugRecipe.model_validate({"name": "blank", **given}))
        case = prove_part(build_part(ground), ground, clock=Clock(Listening()))
        return next(check for check in case.inspection.checks if check.name == "wall thickness")

    before = judge(tables)
    assert before.verdict == "caution"
    changed = {table: dict(keys) for table, keys in tables.items()}
    for key, value in read_remedy(before.remedy)[0].items():
        table, name = key.split(".")
        changed[table][name] = float(value)
    assert judge(changed).verdict == "pass"
