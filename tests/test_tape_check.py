"""Tape under weight, road and heat: pull against beam stress and levers, bonded area against a circle, remedies made again."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from mountgen.arrays import Floats
from mountgen.block import make_block
from mountgen.datum import Recess
from mountgen.faces import measure_faces
from mountgen.features.pad_place import Spot
from mountgen.features.part import Device, Part
from mountgen.features.tape_pads import Pad, carve_pads, plan_pads
from mountgen.field import build_space
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Body, Mesh, tessellate
from mountgen.loft import fit_shell
from mountgen.material import find_material, load_materials
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_tables import Fit, TapePads
from mountgen.report import load_report_schema, make_json
from mountgen.service.case import Case, Finding
from mountgen.service.tape_bond import Bond, PadGauge, find_pull
from mountgen.service.tape_check import _judge_room, _name_pads, judge_tape
from mountgen.service.tape_size import find_enough
from mountgen.tape import STATIC_KPA
from mountgen.verdict import Check
from tests.recesses import as_scan, box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh
from tests.test_tape_pads import curved_scan, fine_box

CLEARANCE, DEPTH = 0.5, 30.0
OVER = 5.0  # mm in front of the mouth, where a device of 0.3 kg tips a block of 0.07 kg out a little
X, Y, Z = np.eye(3)


def pad_at(middle: Floats, normal: Floats, right: Floats) -> Pad:
    return Pad(Spot(middle, right, np.cross(normal, right), normal, 0.0, 0.0), 0.0, np.ones(1), (0.0, 0.0))


def bond_at(middle: Floats, normal: Floats, right: Floats, *, length: float, width: float, n: int = 60) -> Bond:
    """A pad that bonds all over."""
    pad = pad_at(middle, normal, right)
    steps = (np.arange(n) + 0.5) / n - 0.5
    a, b = (grid.ravel() for grid in np.meshgrid(length * steps, width * steps))
    points = middle + a[:, None] * right + b[:, None] * pad.spot.up
    return Bond(pad, length, width, points, (length / n, width / n), 1.0, np.ones(1), 1.0)


def test_pull_of_a_shelf_hung_from_one_upright_pad() -> None:
    """Worked example: 0.35 kg, 60 mm in front of a pad 80 mm wide and 50 mm high: 6.18 kPa."""
    force = np.array([0.0, -0.35 * 9.81, 0.0])

    def hang(*, arm: float = 60.0, width: float = 80.0, height: float = 50.0) -> float:
        bonds = [bond_at(np.zeros(3), -Z, X, length=width, width=height, n=150)]
        return 1000.0 * find_pull(bonds, force=force, moment=np.zeros(3), about=np.array([0.0, 0.0, arm]))

    found = hang()
    assert found == pytest.approx(6.18, abs=0.005)
    assert found == pytest.approx(1000.0 * 6.0 * 0.35 * 9.81 * 60.0 / (80.0 * 50.0**2), rel=1e-3)  # straight stress over the pad
    assert hang(height=100.0) == pytest.approx(found / 4.0)
    assert hang(arm=120.0, width=160.0) == pytest.approx(found)
    assert hang(height=94.7) == pytest.approx(STATIC_KPA, rel=2e-3)  # as high a pad as may hang for good, cold
    bond = bond_at(np.zeros(3), -Z, X, length=80.0, width=50.0, n=150)
    there = 1000.0 * find_pull([bond], force=np.zeros(3), moment=np.array([60.0 * 0.35 * 9.81, 0.0, 0.0]), about=X)
    assert there == pytest.approx(found, rel=1e-6)  # a force beside the pad is a moment and a force along it


def test_pull_straight_off_is_force_over_area_and_pressing_on_pulls_nowhere() -> None:
    bonds = [bond_at(x * X, -Z, Y, length=30.0, width=10.0) for x in (-40.0, 40.0)]
    assert find_pull(bonds, force=12.0 * Z, moment=np.zeros(3), about=np.zeros(3)) == pytest.approx(12.0 / 600.0)
    assert find_pull(bonds, force=-12.0 * Z, moment=np.zeros(3), about=np.zeros(3)) == 0.0


def test_pull_on_far_pads_follows_the_lever() -> None:
    """Small pads far apart share a force like supports of a beam: three quarters on the nearer one."""
    bonds = [bond_at(x * X, -Z, Y, length=2.0, width=2.0, n=20) for x in (-100.0, 100.0)]
    pull = find_pull(bonds, force=8.0 * Z, moment=np.zeros(3), about=50.0 * X)
    assert pull == pytest.approx(0.75 * 8.0 / 4.0, rel=0.02)


def test_pull_does_not_depend_on_the_axes() -> None:
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    about, force = np.array([5.0, 20.0, 31.0]), np.array([1.0, -4.0, 2.0])
    plain = [bond_at(np.array([x, 3.0, 0.0]), -Z, X, length=20.0, width=12.0, n=20) for x in (-30.0, 30.0)]
    turned = [
        bond_at(turn @ np.array([x, 3.0, 0.0]), -turn @ Z, turn @ X, length=20.0, width=12.0, n=20) for x in (-30.0, 30.0)
    ]
    found = [find_pull(b, force=t @ force, moment=np.zeros(3), about=t @ about) for b, t in ((plain, np.eye(3)), (turned, turn))]
    assert found[0] == pytest.approx(found[1], rel=1e-9)


def test_a_bowed_floor_bonds_as_far_as_the_tape_reaches() -> None:
    """On a cylinder of radius R the tape reaches where the floor has fallen by its compression: x² / 2R, from the ends down."""
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=1.1, compression=0.1)
    radius = 500.0
    mesh, scan = fine_box((60.0, 20.0), -DEPTH + CLEARANCE), curved_scan(radius)
    pad = plan_pads(mesh, scan, tape=tape).pads[0]
    gauge = PadGauge(mesh, scan)
    # the pad is not cut into this plain box: its plane lies some tenths off the face
    bond = gauge.feel(pad, length=40.0, width=14.0, thickness=1.1, compression=0.1, off=1.5)
    half, falls = 20.0, 0.11
    reach = half - np.sqrt(half**2 - 2.0 * radius * falls)
    assert bond.share == pytest.approx(reach / half, abs=2.0 / 54.0)  # two columns of points
    outermost = half - 0.5 * 40.0 / 54  # the middle of the outermost cell
    assert bond.gaps.max() - bond.gaps.min() == pytest.approx(outermost**2 / (2.0 * radius), abs=0.01)
    assert bond.known == 1.0
    assert np.abs(bond.points[:, 0]).min() > half - reach - 1.0


def test_a_pad_beyond_the_part_or_the_scan_does_not_bond_there() -> None:
    mesh, scan = fine_box((60.0, 20.0), -DEPTH + CLEARANCE), curved_scan(1e6)
    pad = pad_at(np.array([30.0, 0.0, -DEPTH + CLEARANCE]), -Z, X)
    bond = PadGauge(mesh, scan).feel(pad, length=30.0, width=10.0, thickness=1.0, compression=0.2)
    assert bond.share == pytest.approx(0.5, abs=0.03)  # half of it hangs over the part's end


TAPE = TapePads(count=2, length=20.0, width=12.0, thickness=1.1, compression=0.2)


@cache
def box(up: str) -> tuple[Recess, Any, Mesh]:
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH, up=Y if up == "y" else Z)
    space = build_space(recess, fit=Fit(clearance=CLEARANCE, draft=1.0))
    solid = make_block(fit_shell(space), space).solid
    return recess, solid, tessellate(solid)


@cache
def padded(up: str, tape: TapePads) -> tuple[Part, Inspection]:
    recess, solid, mesh = box(up)
    plan = plan_pads(mesh, recess, tape=tape)
    made = carve_pads(solid, plan)
    part = Part(Body(made, tessellate(made)), soft=plan.soft, pads=plan.pads)
    gauged = inspect_body(
        part.body.mesh, recess, clearance=CLEARANCE, wall_min=1.0, line_width=0.45, flexible=part.soft_faces()
    )
    return part, gauged


def make_recipe(tape: TapePads, *, mass: float, fit: dict[str, Any], place: dict[str, Any]) -> PhoneShelfRecipe:
    return PhoneShelfRecipe.model_validate({
        "name": "box", "deck": {"height": 5}, "tape": tape.model_dump(), "fit": fit, "place": place,
        "device": {"length": 50, "width": 30, "thickness": 9, "mass": mass},
    })  # fmt: skip


def judge(
    *, tape: TapePads = TAPE, asked: TapePads | None = None, up: str = "y", mass: float = 0.1, front: float = -10.0,
    material: str = "asa", place: str = "shade_parked_dash", ceiling: bool = True, ambient: float = 35.0, held: bool = False,
    **fit: str,
) -> Finding:  # fmt: skip
    """Judge a block in a box with a device of that mass whose middle is at z = front.

    `asked` is another tape than was made; without a ceiling nothing that faces up bears; held, all of the part does.
    """
    recess = box(up)[0]
    part, gauged = padded(up, tape)
    if not ceiling:
        a, b, c = (part.body.mesh.vertices[part.body.mesh.faces[:, k]] for k in range(3))
        gauged = replace(gauged, bearing=np.where(np.cross(b - a, c - a)[:, 1] > 0.0, 0.0, gauged.bearing))
    if held:
        gauged = replace(gauged, bearing=measure_faces(part.body.mesh.vertices, part.body.mesh.faces)[1])
    device = Device(mesh=box_mesh((20.0, 10.0, 10.0), (-10.0, 0.0, front - 5.0)), legs=np.zeros((0, 3)))
    part = Part(part.body, part.soft, device, pads=part.pads)
    recipe = make_recipe(asked or tape, mass=mass, fit={"trim": "pc", **fit}, place={"where": place, "ambient": ambient})
    return judge_tape(Case(recipe, as_scan(recess), recess, part, find_material(material), load_materials(), gauged))


def find(found: Finding, name: str) -> Check:
    return next(check for check in found.checks if check.name == name)


def test_area_mass_and_centre_in_a_box() -> None:
    found = judge()
    part = padded("y", TAPE)[0]
    own = measure_volume(part.body.mesh) * 1.07e-6
    assert found.facts["area"] == pytest.approx(2 * 20.0 * 12.0, rel=1e-3)
    assert found.facts["mass_kg"] == pytest.approx(own + 0.1)
    height = (own * -0.5 * (DEPTH - CLEARANCE) + 0.1 * -10.0) / (own + 0.1)
    assert found.facts["centre_of_mass"][2] == pytest.approx(height, abs=0.3)
    assert {check.verdict for check in found.checks} == {"pass"}
    Draft202012Validator(load_report_schema()["properties"]["service"]["properties"]["tape"]).validate(make_json(found.facts))
    steps = found.facts["steps"]
    assert f"Press with {100e-3 * found.facts['area']:.0f} N" in " ".join(steps)  # 100 kPa
    assert all(step in found.notes[0] for step in steps)


@pytest.mark.parametrize(("up", "free"), [("y", {"outwards"}), ("z", {"up"})])
def test_a_box_holds_its_block_all_ways_but_out(up: str, free: set[str]) -> None:
    loads = judge(up=up).facts["loads"]
    assert {load["name"] for load in loads if not load["held_by_recess"]} == free
    (out,) = [load for load in loads if load["name"] in free]
    assert out["direction"] == pytest.approx([0.0, 0.0, 1.0])
    mass = judge(up=up).facts["mass_kg"]
    assert out["force_n"] == pytest.approx(mass * 9.81 * (3.0 if up == "y" else 2.0))
    # three times the peak over 82.7 kPa, at 45 °C 0.9167 of the credit is left
    assert out["needed"] == pytest.approx(3.0 * out["force_n"] / (0.0827 * (1.0 - 0.5 * 5.0 / 30.0)), rel=1e-3)


def test_too_little_area_names_a_size_that_passes_when_it_is_made() -> None:
    short = judge(mass=0.9)
    check = find(short, "tape area at peaks")
    assert check.verdict == "fail"
    assert check.value is not None
    assert check.limit is not None
    assert check.value < check.limit
    found = re.search(r"set tape\.length = (\d+)", check.remedy)
    assert found is not None
    longer = TAPE.model_copy(update={"length": float(found[1])})
    assert find(judge(mass=0.9, tape=longer), "tape area at peaks").verdict == "pass"
    shorter = TAPE.model_copy(update={"length": float(found[1]) - 1.5})
    assert find(judge(mass=0.9, tape=shorter), "tape area at peaks").verdict == "fail"
    assert short.facts["enough"] == {"length": float(found[1]), "width": 12.0, "count": 2, "thickness": TAPE.thickness}


def test_thicker_tape_is_named_where_the_gap_varies_more_than_this_one_follows() -> None:
    """On a floor of radius R tape reaches where it has fallen by its compression, x² / 2R, from the ends of the pad inwards."""
    tape = TapePads(count=1, length=40.0, width=14.0, thickness=0.5, compression=0.1)
    radius, half = 500.0, 20.0

    def share(thickness: float) -> float:
        return (half - np.sqrt(half**2 - 2.0 * radius * tape.compression * thickness)) / half

    class Bowed:
        def feel(self, pad: Pad, *, length: float, width: float, thickness: float, compression: float, off: float = 0.1) -> Any:
            return SimpleNamespace(area=length * width * share(thickness), length=length, width=width)

    part: Any = SimpleNamespace(pads=[None])
    gauge: Any = Bowed()
    pad = tape.length * tape.width
    for thickness, needed in ((0.9, pad * share(0.85)), (1.6, pad * share(1.6))):
        found = find_enough(
            part, box("y")[0], gauge, tape=tape, times=1.0, holds=lambda bonds, n=needed: sum(b.area for b in bonds) >= n - 1e-9
        )
        assert found == tape.model_copy(update={"thickness": thickness})
    assert _name_pads(tape, tape.model_copy(update={"thickness": 0.9})) == " and set tape.thickness = 0.9"


def test_heat_that_leaves_nothing_of_the_tape_needs_none_where_the_recess_holds_the_part() -> None:
    found = judge(held=True, place="dash_top_sun", ambient=40.0)
    assert all(load["held_by_recess"] for load in found.facts["loads"])
    assert find(found, "tape area at peaks").verdict == "pass"
    free = judge(place="dash_top_sun", ambient=40.0)
    assert find(free, "tape area at peaks").verdict == "fail"
    assert "no area of tape holds in this heat" in find(free, "tape area at peaks").remedy


def test_more_than_there_is_room_for_says_how_much_it_takes() -> None:
    check = find(judge(mass=4.9), "tape area at peaks")
    assert check.verdict == "fail"
    assert "no room was found" in check.remedy
    assert "[tabs]" in check.remedy
    lighter = re.search(r"device\.mass = ([\d.]+)", check.remedy)
    assert lighter is not None
    assert find(judge(mass=float(lighter[1])), "tape area at peaks").verdict == "pass"


def test_thick_tape_in_a_deep_pocket_is_felt_too() -> None:
    """4 mm of tape, pressed to 3.2 mm, in pockets sunk for it."""
    found = judge(tape=TAPE.model_copy(update={"thickness": 4.0}))
    assert find(found, "room for the tape").verdict == "pass"
    assert found.facts["area"] == pytest.approx(2 * 20.0 * 12.0, rel=0.02)


def test_tape_without_any_room_has_no_thickness_to_name() -> None:
    bond = bond_at(np.zeros(3), -Z, X, length=20.0, width=12.0)
    check = _judge_room([replace(bond, gaps=np.zeros(0))], TAPE)
    assert (check.verdict, check.value) == ("fail", 0.0)
    assert "tape.thickness" not in check.remedy
    assert "tape = false" in check.remedy


def test_the_smallest_size_is_told_where_the_tape_holds_too() -> None:
    facts = judge(mass=0.05).facts
    assert facts["needed"] < facts["area"]
    size = facts["enough"]
    assert 2 * (size["length"] - 1.0) * size["width"] < facts["needed"] <= 2 * size["length"] * size["width"]


def test_weight_beside_its_support_tips_the_part_and_peels() -> None:
    """A device far in front of the mouth: its weight acts beside the wall that carries the block."""
    inside, outside = (judge(mass=0.3, front=z, ceiling=False) for z in (-10.0, 120.0))
    assert find(judge(mass=0.3, front=120.0), "tape peel at rest").value == 0.0  # a ceiling keeps it from tipping
    assert inside.facts["overhang"] == 0.0
    assert find(inside, "tape peel at rest").value == 0.0
    facts = outside.facts
    assert facts["overhang"] == pytest.approx(facts["centre_of_mass"][2], abs=2.0)  # the wall ends at the mouth, z = 0
    check = find(outside, "tape peel at rest")
    assert check.value is not None
    moment = facts["mass_kg"] * 9.81 * facts["overhang"]
    assert check.value > 0.0
    assert check.limit == pytest.approx(1.7237 * (1.0 - 0.5 * 5.0 / 30.0), rel=1e-3)
    # both pads lie on the floor of the box: their moments of area resist, at most those of a plate as large as the floor
    assert check.value >= 1000.0 * moment * 20.0 / (60.0 * 40.0**3 / 12.0)
    assert check.verdict == "fail"
    bears = re.search(r"bears ([\d.]+) mm", check.remedy)
    assert bears is not None
    assert float(bears[1]) == pytest.approx(facts["overhang"] * check.limit / check.value, abs=0.006)  # mm, told to 0.01
    assert "a device of any mass peels them off" in check.remedy
    assert find(judge(mass=0.01, front=120.0, ceiling=False), "tape peel at rest").verdict == "fail"


def test_more_peel_than_pads_can_bear_names_a_mass_they_bear() -> None:
    check = find(judge(mass=0.3, front=8.0, ceiling=False), "tape peel at rest")
    found = re.search(r"set device\.mass = ([\d.]+), which these pads bear", check.remedy)
    assert found is not None
    mass = float(found[1])
    verdicts = [find(judge(mass=m, front=8.0, ceiling=False), "tape peel at rest").verdict for m in (mass, mass + 0.02)]
    assert verdicts == ["pass", "fail"]


def test_a_little_too_much_peel_names_pads_that_pass_when_they_are_made() -> None:
    check = find(judge(mass=0.3, front=OVER, ceiling=False), "tape peel at rest")
    assert check.verdict == "fail"
    found = re.search(r"set tape\.(\w+) = (\d+)", check.remedy)
    assert found is not None
    larger = TAPE.model_copy(update={found[1]: float(found[2])})
    assert find(judge(mass=0.3, front=OVER, tape=larger, ceiling=False), "tape peel at rest").verdict == "pass"


@pytest.mark.parametrize(
    ("trim", "primer", "verdict", "word"),
    [
        ("pc", False, "pass", ""),
        ("pp", False, "fail", "tape.primer = true"),
        ("pp", True, "caution", "trial strip"),
        ("abs", False, "caution", "tape.primer = true"),
        ("soft-pvc", True, "caution", "trial strip"),
        ("silicone", True, "fail", "tape = false"),
        (False, False, "caution", "fit.trim"),
    ],
)
def test_the_trims_surface_decides(trim: Any, primer: bool, verdict: str, word: str) -> None:
    asked = TAPE.model_copy(update={"primer": primer})
    check = find(judge(asked=asked, trim=trim), "tape on the trim")
    assert check.verdict == verdict
    assert word in check.remedy
    assert check.limit == 36.0  # mN/m, start of "medium": a tape maker's page


def test_a_trial_strip_that_held_turns_a_caution_into_a_pass_but_no_fail() -> None:
    tried = TAPE.model_copy(update={"tried": True, "primer": True})
    check = find(judge(asked=tried, trim="abs"), "tape on the trim")
    assert (check.verdict, check.remedy) == ("pass", "")
    assert "a trial strip held" in check.source
    first = find(judge(asked=tried.model_copy(update={"tried": False}), trim="abs"), "tape on the trim")
    assert first.verdict == "caution"
    assert "tape.tried = true" in first.remedy
    assert find(judge(asked=tried, trim="silicone"), "tape on the trim").verdict == "fail"


def test_the_printed_side_is_judged_where_it_is_known() -> None:
    names = {check.name for check in judge().checks}
    assert "tape on the part" not in names
    assert find(judge(material="pp"), "tape on the part").verdict == "fail"
    primed = TAPE.model_copy(update={"primer": True})
    again = find(judge(material="pp", asked=primed), "tape on the part")
    assert again.verdict == "caution"
    other, tried = read_remedy(again.remedy)
    judged = {check.name: check.verdict for check in judge(material=other["material"].strip('"')).checks}
    assert judged.get("tape on the part", "pass") == "pass"  # or nothing is known of it
    assert tried == {"tape.tried": "true"}
    held = primed.model_copy(update={"tried": True})
    assert find(judge(material="pp", asked=held), "tape on the part").verdict == "pass"


def test_heat_takes_the_tape() -> None:
    """Recess of a sunlit car 78 °C: 0.326 is left (worked example); top of the dash 92 °C: tape alone fails."""
    warm, hot = judge(place="recess_in_sunlit_car"), judge(place="dash_top_sun")
    assert warm.facts["heat_factor"] == pytest.approx(0.326, abs=5e-4)
    assert [find(each, "tape in the heat").verdict for each in (judge(), warm, hot)] == ["pass", "caution", "fail"]
    assert find(hot, "tape area at peaks").verdict == "fail"
    assert "place.where" in find(hot, "tape in the heat").remedy
    elsewhere, cooler = read_remedy(find(warm, "tape in the heat").remedy)
    assert elsewhere == {"place.where": '"shade_parked_dash"'}
    assert find(judge(place=elsewhere["place.where"].strip('"')), "tape in the heat").verdict == "pass"
    assert cooler == {"place.ambient": "27"}  # 35 °C outside make 78.0 °C, 8 K too much
    assert find(judge(place="recess_in_sunlit_car", ambient=27.0), "tape in the heat").verdict == "pass"
    assert find(judge(place="recess_in_sunlit_car", ambient=28.0), "tape in the heat").verdict == "caution"


def test_tape_thicker_than_its_room_is_refused_and_the_size_named_fits() -> None:
    thick = TAPE.model_copy(update={"thickness": 2.0})
    check = find(judge(asked=thick), "room for the tape")
    assert (check.verdict, check.limit) == ("fail", 1.6)
    assert check.value == pytest.approx(0.88, abs=0.05)
    found = re.search(r"tape\.thickness = ([\d.]+)", check.remedy)
    assert found is not None
    fits = TAPE.model_copy(update={"thickness": float(found[1])})
    assert find(judge(asked=fits), "room for the tape").verdict == "pass"


def test_a_part_without_pads_is_not_asked() -> None:
    recess = box("y")[0]
    part, gauged = padded("y", TAPE)
    recipe = make_recipe(TAPE, mass=0.1, fit={}, place={})
    case = Case(recipe, as_scan(recess), recess, Part(part.body), find_material("asa"), load_materials(), gauged)
    found = judge_tape(case)
    assert (found.checks, found.facts, found.notes) == ((), {}, ())
