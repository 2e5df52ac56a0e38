"""What trays and plugs carry, and layers along and across, in a box recess 60 x 40 x 20 mm: all of it known in closed form."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import jsonschema
import manifold3d
import numpy as np
import pytest

from mountgen.heat import find_sustained_modulus
from mountgen.material import find_material
from mountgen.recipe import PlugRecipe, TrayRecipe
from mountgen.report import load_report_schema, make_json
from mountgen.service.bearing import find_spans, lie_inside, map_bearing
from mountgen.service.case import Finding
from mountgen.service.cautions import list_cautions
from mountgen.service.deck import choose_model
from mountgen.service.heat_check import is_loaded
from mountgen.service.load_check import judge_load
from mountgen.stiffness import bend_plate_four_edges
from mountgen.verdict import Check
from tests.decks import block, lying, make_case, shelf_recipe
from tests.recesses import box_recess
from tests.test_load_check import read_key, stool

SKY, UPRIGHT = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
LAYERS = {"layers_along": [0.0, 0.0, 1.0]}
G = 9.81


def tray(*, wall: float = 2.0, floor: float | None = None, bottom: float = -19.5, flange: float = 0.0) -> manifold3d.Manifold:
    """Return a tray 0.5 mm from the recess's walls, its underside at z = bottom, with a flange 2 mm thick on the panel."""
    floor = wall if floor is None else floor
    whole = block(-29.5, -19.5, bottom, 29.5, 19.5, 0.0)
    if flange:
        whole += block(-30.0 - flange, -20.0 - flange, 0.3, 30.0 + flange, 20.0 + flange, 2.3)
        whole += block(-29.5, -19.5, -1.0, 29.5, 19.5, 2.3)
    return whole - block(-29.5 + wall, -19.5 + wall, bottom + floor, 29.5 - wall, 19.5 - wall, 10.0)


def judge_tray(solid: manifold3d.Manifold, *, up: np.ndarray = SKY, mass: float | None = 0.5, **tables: Any) -> Finding:
    given: dict[str, Any] = {"name": "tray", "fit": {"clearance": 0.5}, "body": {"wall": 2.0}, "printer": LAYERS}
    if mass is not None:
        given["carries"] = {"mass": mass}
    recipe = TrayRecipe.model_validate(given | tables)
    return judge_load(make_case(solid, None, recipe, recess=box_recess(60, 40, left=20, right=20, up=up)))


def by_name(found: Finding) -> dict[str, Check]:
    return {check.name: check for check in found.checks}


def test_a_tray_on_its_ground_carries_as_a_column() -> None:
    found = judge_tray(tray())
    checks = by_name(found)
    assert list(checks) == ["floor sag, hot and crept", "floor stress at a jolt"]
    assert {check.verdict for check in found.checks} == {"pass"}
    area = 55.0 * 35.0
    assert found.facts["device_area"] == pytest.approx(area, rel=0.01)
    assert found.facts["carried_share"] == pytest.approx(1.0)
    assert found.facts["bearing_area"] == pytest.approx(59.0 * 39.0, rel=1e-9)
    modulus = find_sustained_modulus(find_material("asa"), 78.0)
    assert checks["floor sag, hot and crept"].value == pytest.approx(0.5 * G / area / modulus * 2.0, rel=0.02)
    assert checks["floor stress at a jolt"].value == pytest.approx(6.0 * 0.5 * G / area, rel=0.02)


def test_a_tray_that_hangs_by_its_flange_has_a_floor_that_bends_as_a_plate() -> None:
    found = judge_tray(tray(bottom=-12.0, flange=6.0), mass=0.3)
    (piece,) = [each for each in found.facts["pieces"] if each["model"] != "column"]
    assert piece["model"] == "plate on four edges"
    assert sorted((piece["span"], piece["width"])) == [pytest.approx(39.0, abs=1.5), pytest.approx(59.0, abs=1.5)]
    assert piece["thickness"] == pytest.approx(2.0)
    pressure = 0.3 * G / (55.0 * 35.0)
    plate = bend_plate_four_edges(
        pressure, length=piece["width"], width=piece["span"], thickness=2.0,
        modulus=find_sustained_modulus(find_material("asa"), 78.0),
    )  # fmt: skip
    assert by_name(found)["floor sag, hot and crept"].value == pytest.approx(plate.sag, rel=0.02)
    assert by_name(found)["floor stress at rest"].value == pytest.approx(plate.stress, rel=0.02)


def test_a_floor_that_runs_around_what_bears_is_as_wide_as_its_widest_strip() -> None:
    """A tray whose floor stands on a ridge 45 x 25 mm and is free around it: strips of 7.5 mm, for the mouth is 60 x 40."""
    low = tray(bottom=-12.0, flange=6.0)
    recess = box_recess(60, 40, left=20, right=20, up=SKY)
    recipe = TrayRecipe.model_validate(
        {"name": "tray", "fit": {"clearance": 0.5}, "body": {"wall": 2.0}, "carries": {"mass": 2.0}, "printer": LAYERS}
    )
    case = make_case(low, None, recipe, recess=recess)
    bearing = map_bearing(case.part.body.mesh, lie_inside(recess), case.inspection.standing.surface, up=SKY, distance=1.0)
    inside = (np.abs(bearing.x)[None, :] < 22.5) & (np.abs(bearing.s)[:, None] < 12.5)
    (span,) = find_spans(replace(bearing, bears=bearing.bears | inside), case.inspection.standing.surface)
    assert (span.along, span.inwards) == (pytest.approx(59.0, abs=1.5), pytest.approx(39.0, abs=1.5))
    circle = 7.5 * 2.0 * (2.0 - 2.0**0.5)  # the largest, in a corner of the ring
    assert circle - 0.1 <= span.narrow <= circle + 1.3  # counted in cells of a millimetre, to the safe side
    assert span.border > 0.95  # the ridge within, the recess's walls around
    piece = choose_model(span)
    assert (piece.model, piece.span) == ("plate on four edges", span.narrow)


def test_a_thin_floor_fails_and_the_wall_that_is_named_passes() -> None:
    thin = judge_tray(tray(bottom=-12.0, flange=6.0, wall=0.9), mass=1.0, body={"wall": 0.9})
    sag = by_name(thin)["floor sag, hot and crept"]
    assert sag.verdict == "fail"
    assert sag.value > 0.5 * 0.9
    assert "really sags less" in sag.source
    wall = read_key(sag.remedy, "body.wall")
    assert "ribs" not in sag.remedy
    assert "deck.height" not in sag.remedy
    thick = judge_tray(tray(bottom=-12.0, flange=6.0, wall=0.9, floor=wall), mass=1.0, body={"wall": wall})
    assert by_name(thick)["floor sag, hot and crept"].verdict == "pass"
    assert "sags less" not in by_name(thick)["floor sag, hot and crept"].source
    assert {check.verdict for check in thick.checks if "heat" not in check.name} == {"pass"}


def test_in_an_upright_mouth_it_lies_on_the_lower_wall() -> None:
    """Its inside is 55 mm wide and 17.5 mm deep, of which the foremost 2 mm count as edge; the back wall carries nothing."""
    found = judge_tray(tray(), up=UPRIGHT)
    assert found.facts["device_area"] == pytest.approx(55.0 * (17.5 - 2.0), rel=0.04)  # cells of a millimetre
    assert found.facts["carried_share"] == pytest.approx(1.0)


def test_leaning_it_lies_between_floor_and_lower_wall() -> None:
    found = judge_tray(tray(), up=np.array([0.0, np.sin(0.5), np.cos(0.5)]))
    floor, wall = 55.0 * 35.0 * np.cos(0.5), 55.0 * 15.5 * np.sin(0.5)
    assert found.facts["device_area"] == pytest.approx(floor + wall, rel=0.05)


def test_nothing_is_asked_of_what_carries_nothing() -> None:
    assert judge_tray(tray(), mass=None).checks == ()
    with_load, without = (
        PlugRecipe.model_validate({"name": "plug", "carries": carries}) for carries in ({"mass": 0.4}, False)
    )
    assert (is_loaded(with_load), is_loaded(without)) == (True, False)
    topics = [[caution.topic for caution in list_cautions(recipe, {})] for recipe in (with_load, without)]
    assert "loose objects" in topics[0]
    assert "loose objects" not in topics[1]


def judge_plug(solid: manifold3d.Manifold, *, up: np.ndarray = SKY, **tables: Any) -> Finding:
    given: dict[str, Any] = {"name": "plug", "fit": {"clearance": 0.5}, "carries": {"mass": 0.5}, "printer": LAYERS}
    recipe = PlugRecipe.model_validate(given | tables)
    return judge_load(make_case(solid, None, recipe, recess=box_recess(60, 40, left=20, right=20, up=up)))


def test_a_hollow_plug_carries_on_its_face() -> None:
    """Open underneath, face 2 mm thick; its walls stand on the recess's floor."""
    hollow = block(-29.5, -19.5, -19.5, 29.5, 19.5, 0.0) - block(-27.5, -17.5, -30.0, 27.5, 17.5, -2.0)
    found = judge_plug(hollow, body={"wall": 2.0})
    assert found.facts["device_area"] == pytest.approx(59.0 * 39.0, rel=1e-9)
    (piece,) = [each for each in found.facts["pieces"] if each["model"] != "column"]
    assert (piece["model"], piece["thickness"]) == ("plate on four edges", pytest.approx(2.0))
    assert sorted((piece["span"], piece["width"])) == [pytest.approx(35.0, abs=1.5), pytest.approx(55.0, abs=1.5)]
    assert all(name.startswith(("face", "natural frequency of the face")) for name in by_name(found))
    weak = judge_plug(hollow, body={"wall": 2.0, "ribs": 0}, carries={"mass": 4.0}, material="pc-abs")
    failing = [check for check in weak.checks if check.verdict == "fail"]
    assert failing
    assert re.search(r"body\.(wall|ribs) = ", failing[0].remedy)


def test_nothing_lies_on_an_upright_face() -> None:
    (check,) = judge_plug(block(-29.5, -19.5, -19.5, 29.5, 19.5, 0.0), up=UPRIGHT).checks
    assert (check.name, check.verdict, check.value) == ("room on the face", "caution", 0.0)
    assert "carries = false" in check.remedy
    assert judge_plug(block(-29.5, -19.5, -19.5, 29.5, 19.5, 0.0), up=np.array([0.0, 0.85, 0.53])).checks[0].verdict == "pass"


def test_facts_are_as_the_schema_has_them() -> None:
    schema = load_report_schema()["properties"]["service"]["properties"]["load"]
    jsonschema.validate(make_json(dict(judge_tray(tray(bottom=-12.0, flange=6.0)).facts)), schema)


# ------------------------------------------------------------------ layers along and across


def judge_stool(layers: list[float], *, mass: float = 0.25, deck: float = 2.0, **tables: Any) -> Finding:
    recipe = shelf_recipe(
        device={"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": mass}, printer={"layers_along": layers}, **tables
    )
    return judge_load(make_case(stool(deck=deck), lying(-11.5 + deck), recipe))


@pytest.mark.parametrize(
    ("layers", "lies"), [([1, 0, 0], "across"), ([0, 1, 0], "along"), ([0, 0, 1], "along"), ([1, 1, 0], "across")]
)
def test_a_beam_is_as_strong_as_its_layers_lie(layers: list[float], lies: str) -> None:
    """The deck of a stool spans from left to right; ASA bears 34 MPa along its layers and 19 across, by the table's low ends."""
    asa = find_material("asa")
    assert asa.strength_xy is not None
    assert asa.strength_z is not None
    strength = (asa.strength_z if lies == "across" else asa.strength_xy).low
    checks = by_name(judge_stool(layers))
    assert checks["deck stress at rest"].limit == pytest.approx(0.25 * strength)
    assert checks["deck stress at a jolt"].limit == pytest.approx(0.5 * strength)
    assert f"{strength:g} MPa {lies} the layers as printed" in checks["deck stress at rest"].source


def test_layers_across_a_loaded_deck_are_turned_by_the_remedy() -> None:
    """A deck of 3.5 mm in ASA under 0.8 kg, in the cool: too weak across its layers at a jolt, strong enough along them."""
    case: dict[str, Any] = {"mass": 0.8, "deck": 3.5, "place": {"where": "cabin_cooled_drive", "ambient": 20.0}}
    stress = by_name(judge_stool([1, 0, 0], **case))["deck stress at a jolt"]
    assert stress.verdict == "fail"
    found = re.search(r"printer\.layers_along = \[([^]]*)\]", stress.remedy)
    assert found is not None, stress.remedy
    again = judge_stool([float(value) for value in found[1].split(",")], **case)
    assert {check.verdict for check in again.checks} == {"pass"}
    more = read_key(stress.remedy, "deck.height") - 10.0
    thicker = judge_stool([1, 0, 0], **(case | {"deck": 3.5 + more}))
    assert {check.verdict for check in thicker.checks} == {"pass"}


def test_a_lip_stands_along_the_vehicles_up() -> None:
    solid = block(-29.5, -19.5, -19.5, 29.5, -9.5, 0.0)

    def limit(layers: list[float]) -> float | None:
        recipe = shelf_recipe(lip={"height": 4.0, "thickness": 3.0}, printer={"layers_along": layers})
        return by_name(judge_load(make_case(solid, lying(-9.5), recipe)))["lip stress when braking"].limit

    assert (limit([0, 1, 0]), limit([0, 0, 1])) == (9.5, 17.0)  # halves of 19 and 34 MPa


def test_where_neither_wall_nor_plastic_alone_would_do_both_are_named() -> None:
    """In PETG at 78 °C nothing is stiff, and as thin as it is no other plastic does either."""
    thin = judge_tray(tray(bottom=-12.0, flange=6.0, wall=0.9), mass=3.0, body={"wall": 0.9}, material="petg")
    check = by_name(thin)["stiffness of the floor in the heat"]
    both = re.search(r'set material = "([\w-]+)" and body\.wall = ([\d.]+)', check.remedy)
    assert both is not None, check.remedy
    wall = float(both[2])
    mended = judge_tray(
        tray(bottom=-12.0, flange=6.0, wall=0.9, floor=wall), mass=3.0, body={"wall": wall}, material=both[1]
    )
    assert {each.verdict for each in mended.checks} == {"pass"}


def test_a_lighter_load_that_passes_is_named_where_nothing_else_does() -> None:
    """A solid plug that hangs on a ring of clearance: it has no wall to make thicker, and every plastic is too soft for 5 kg."""
    board = block(-36.0, -26.0, 0.3, 36.0, 26.0, 0.9) + block(-29.5, -19.5, -0.6, 29.5, 19.5, 0.9)
    found = judge_plug(board, carries={"mass": 5.0}, material="asa")
    failing = [check for check in found.checks if check.verdict == "fail"]
    assert failing
    lighter = re.search(r"carries\.mass = ([\d.]+)", failing[0].remedy)
    assert lighter is not None, failing[0].remedy
    again = judge_plug(board, carries={"mass": float(lighter[1])}, material="asa")
    assert {check.verdict for check in again.checks if "heat" not in check.name} == {"pass"}
