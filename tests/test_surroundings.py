"""Sight, cable and charging; the usual cautions, and that none of them promises anything."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from mountgen.features.part import Device
from mountgen.kernel import Mesh
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.service.case import Finding
from mountgen.service.cautions import list_cautions
from mountgen.service.surroundings import RISE, judge_surroundings
from mountgen.verdict import Check
from tests.recesses import box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh

ROOT = Path(__file__).resolve().parent.parent
SHELF: dict[str, Any] = {
    "name": "shelf", "deck": {"height": 5}, "device": {"length": 20, "width": 12, "thickness": 6, "mass": 0.2},
}  # fmt: skip


def judge(recipe: Recipe, mesh: Mesh, device: Device | None = None, suits: Any = None) -> dict[str, Check]:
    part: Any = SimpleNamespace(body=SimpleNamespace(mesh=mesh), device=device, suits=suits)
    case: Any = SimpleNamespace(recipe=recipe, part=part, recess=box_recess(60, 40))  # its rim ends at y = 20, which is up
    return {check.name: check for check in judge_surroundings(case).checks}


def shelf(**tables: Any) -> PhoneShelfRecipe:
    return PhoneShelfRecipe.model_validate(SHELF | tables)


def test_what_rises_above_the_rim_is_measured_with_the_device() -> None:
    part = box_mesh((10.0, 10.0, 10.0), (0.0, -20.0, -12.0))
    low = Device(box_mesh((10.0, 36.0, 5.0), (0.0, -10.0, -12.0)), np.zeros((0, 3)))
    check = judge(shelf(), part, low)["rise into the driver's view"]
    assert (check.verdict, check.value, check.limit) == ("pass", pytest.approx(6.0), RISE)
    tall = Device(box_mesh((10.0, 50.0, 5.0), (0.0, -10.0, -12.0)), np.zeros((0, 3)))
    check = judge(shelf(), part, tall)["rise into the driver's view"]
    assert (check.verdict, check.value) == ("caution", pytest.approx(20.0))
    assert "place.sight_checked = true" in check.remedy
    assert "y 40.0" in check.place
    assert judge(shelf(place={"sight_checked": True}), part, tall)["rise into the driver's view"].verdict == "pass"


def test_a_tongue_is_told_how_long_it_may_be() -> None:
    def tray(length: float) -> Check:
        recipe = TrayRecipe.model_validate({"name": "tray", "body": {"wall": 2}, "pull_tab": {"width": 16, "length": length}})
        return judge(recipe, box_mesh((10.0, 20.0 + length, 10.0), (0.0, 0.0, -12.0)))["rise into the driver's view"]

    check = tray(14.5)
    assert (check.verdict, check.value) == ("caution", pytest.approx(14.5))
    found = re.search(r"pull_tab\.length = ([\d.]+)", check.remedy)
    assert found is not None
    assert float(found[1]) == 10.0
    assert tray(float(found[1])).verdict == "pass"


def test_no_limit_of_the_surroundings_is_from_memory() -> None:
    mesh = box_mesh((10.0, 10.0, 10.0), (0.0, -20.0, -12.0))
    checks = judge(shelf(cable={"width": 14}), mesh)
    assert {name: check.basis for name, check in checks.items() if check.basis in (None, "from memory")} == {}
    assert checks["plug passes the cable slot"].limit == 12.5


def test_cable_and_charging_are_asked_of_a_shelf_with_a_cable_only() -> None:
    mesh = box_mesh((10.0, 10.0, 10.0), (0.0, -20.0, -12.0))
    assert set(judge(shelf(), mesh)) == {"rise into the driver's view"}
    assert set(judge(PlugRecipe(name="plug"), mesh)) == {"rise into the driver's view"}
    poor = shelf(cable={"width": 8}, body={"edge_radius": 0}, lip={"height": 4, "thickness": 1})
    checks = judge(poor, mesh)
    changed: dict[str, Any] = {"cable": {"width": 8}, "body": {"edge_radius": 0}, "lip": {"height": 4, "thickness": 1}}
    for name in ("plug passes the cable slot", "edge under the cable"):
        assert checks[name].verdict == "caution"
        for section, key, value in re.findall(r"(\w+)\.(\w+) = ([\d.]+)", checks[name].remedy):
            changed[section][key] = float(value)
    better = judge(shelf(**changed), mesh)
    assert [better[name].verdict for name in ("plug passes the cable slot", "edge under the cable")] == ["pass", "pass"]
    hot = checks["heat near the handset when parked"]
    assert (hot.verdict, hot.limit, hot.basis) == ("caution", 45.0, "read")
    assert hot.value == pytest.approx(35.0 + 43.0, abs=0.01)  # a summer day and a recess in a sunlit car
    assert read_remedy(hot.remedy) == [{"place.where": '"shade_parked_dash"'}]
    shade = judge(shelf(cable={"width": 14}, place={"where": "shade_parked_dash"}), mesh)
    assert shade["heat near the handset when parked"].verdict == "pass"
    desert = {"where": "cabin_cooled_drive", "ambient": 50}
    (cooler,) = read_remedy(judge(shelf(cable={"width": 14}, place=desert), mesh)["heat near the handset when parked"].remedy)
    assert cooler == {"place.ambient": "45"}  # no place is cooler than the air outside
    for ambient, verdict in ((45, "pass"), (46, "caution")):
        again = judge(shelf(cable={"width": 14}, place=desert | {"ambient": ambient}), mesh)
        assert again["heat near the handset when parked"].verdict == verdict
    cool = judge(shelf(cable={"width": 14}, place={"where": "cabin_cooled_drive"}), mesh)
    assert cool["heat near the handset when parked"].verdict == "pass"


def test_a_lip_with_room_for_the_rounding_is_named_only_with_what_lets_the_device_in() -> None:
    mesh = box_mesh((10.0, 10.0, 10.0), (0.0, -20.0, -12.0))
    thin = shelf(cable={"width": 14}, body={"edge_radius": 0.4}, lip={"height": 4, "thickness": 1})

    def advise(suits: Any) -> str:
        return judge(thin, mesh, suits=suits)["edge under the cable"].remedy

    sizes = {"body.edge_radius": "1", "lip.thickness": "2"}
    assert read_remedy(advise(lambda tried: tried.lip.thickness == 2.0)) == [sizes]
    assert read_remedy(advise(lambda tried: tried.lip.thickness == 2.0 and tried.deck.height == 8.0)) == [
        sizes | {"deck.height": "8"}
    ]
    assert read_remedy(advise(lambda tried: tried.device.length <= 17.0)) == [sizes | {"device.length": "17"}]
    assert read_remedy(advise(lambda tried: False)) == [{"lip": "false"}]


def recipes() -> dict[str, Recipe]:
    return {
        "shelf": shelf(),
        "plug": PlugRecipe(name="plug"),
        "tray": TrayRecipe.model_validate({"name": "tray", "body": {"wall": 2}}),
    }


def test_every_part_gets_the_cautions_that_apply_to_it() -> None:
    always = {"airbags", "burning", "approval"}
    topics = {kind: {caution.topic for caution in list_cautions(recipe, {})} for kind, recipe in recipes().items()}
    assert all(always <= each for each in topics.values())
    assert {"loose objects", "driving", "charging"} <= topics["shelf"]
    assert "loose objects" in topics["tray"]
    assert "loose part" in topics["plug"]
    assert not {"driving", "charging"} & (topics["plug"] | topics["tray"])
    fine = Finding(checks=(Check("any", "pass", 1.0, 1.0, "", "recipe"),))
    seen = shelf(place={"sight_checked": True})
    left = {caution.topic for caution in list_cautions(seen, {"heat": fine, "edges": fine})}
    assert not {"sight", "heat", "edges"} & left


def test_no_caution_promises_what_nobody_tested() -> None:
    texts = [f"{c.brief} {c.more}".lower() for recipe in recipes().values() for c in list_cautions(recipe, {})]
    for text in texts:
        assert not re.search(r"\b(is|are) (safe|legal|approved|crash-?proof|certified)\b|guarantee|complies", text), text
        assert len(text.split()) > 8
    for recipe in recipes().values():
        told = list_cautions(recipe, {})
        assert all(len(caution.brief) < 120 for caution in told)
        assert any("not tested" in caution.brief for caution in told)
        assert any("local law" in caution.brief for caution in told)
