"""Retaining tabs in a box whose walls are known: arms measured by rays, deflection and strain by closed form."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from math import pi, radians, tan
from typing import Any

import manifold3d
import numpy as np
import pytest
from jsonschema import Draft202012Validator

from mountgen.block import make_block
from mountgen.datum import Recess
from mountgen.errors import EnduranceError, FeatureError
from mountgen.features.part import Device, Part
from mountgen.features.tab_place import SIDE_GAP, Tab, slot_width
from mountgen.features.tabs import TabPlan, TabTrial, are_whole, carve_tabs, plan_tabs
from mountgen.features.tape_pads import carve_pads, plan_pads
from mountgen.field import build_space
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Body, Mesh, is_valid, solids_of, tessellate
from mountgen.loft import fit_shell
from mountgen.material import find_material, load_materials
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PhoneShelfRecipe
from mountgen.recipe_tables import Fit, RetainingTabs, TapePads
from mountgen.report import load_report_schema, make_json
from mountgen.service import tab_check
from mountgen.service.case import Case, Finding
from mountgen.service.tab_check import (
    Forces,
    _judge_forces,
    advise_fillet,
    check_tabs,
    find_forces,
    find_width,
    judge_fillet,
    judge_tabs,
)
from mountgen.service.tape_check import judge_tape
from mountgen.surface import Surface
from mountgen.verdict import Check
from tests.checks import assert_printable
from tests.recesses import as_scan, box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh

CLEARANCE, DRAFT = 0.5, 1.0
ONCE, OFTEN = "tab strain at the first fitting", "tab strain when sprung often"
HALF, DEPTH = 30.0, 30.0  # of the box, mm; its walls stand at x = -30 and 30
TABS = RetainingTabs()


@cache
def box() -> tuple[Recess, Any, Mesh]:
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH)
    space = build_space(recess, fit=Fit(clearance=CLEARANCE, draft=DRAFT))
    solid = make_block(fit_shell(space), space).solid
    return recess, solid, tessellate(solid)


@cache
def shelf() -> tuple[TabPlan, Part]:
    recess, solid, mesh = box()
    plan = plan_tabs(mesh, recess, tabs=TABS)
    made = carve_tabs(solid, plan, tabs=TABS)
    return plan, Part(Body(made, tessellate(made)), soft=plan.soft)


def gauge(*, soft: bool) -> Inspection:
    part = shelf()[1]
    return inspect_body(
        part.body.mesh, box()[0], clearance=CLEARANCE, wall_min=1.35, line_width=0.45,
        flexible=part.soft_faces() if soft else None,
    )  # fmt: skip


def wall_at(z: float, side: float = 1.0) -> float:
    """How far out the wall of the part without tabs stands, by a ray."""
    mesh = box()[2]
    start, inwards = np.array([[side * 40.0, 0.013, z]]), np.array([[-side, 0.0, 0.0]])
    return 40.0 - float(Surface(mesh.vertices, mesh.faces).cast(start, inwards)[0][0])


def crest() -> tuple[float, float]:
    """The hook's farthest x on the right, and the middle height of its crest."""
    vertices = shelf()[1].body.mesh.vertices
    far = float(vertices[:, 0].max())
    return far, float(np.mean(vertices[vertices[:, 0] > far - 0.02, 2]))


def cast(origin: tuple[float, float, float], direction: tuple[float, float, float]) -> float:
    mesh = shelf()[1].body.mesh
    surface = Surface(mesh.vertices, mesh.faces)
    return float(surface.cast(np.array([origin]), np.array([direction]))[0][0])


def find(name: str, *, made: Sequence[Tab] | None = None, tabs: RetainingTabs = TABS, **ways: Any) -> Check:
    """A verdict on strain or rest, of the box's tabs in ASA with layers along them unless something else is said."""
    material = find_material(ways.pop("material", "asa"))
    checks = check_tabs(shelf()[0].tabs if made is None else made, tabs, material, **{"upright": False} | ways)
    return next(check for check in checks if check.name == name)


def test_the_part_stays_one_valid_solid_and_one_manifold_piece() -> None:
    _, part = shelf()
    assert len(solids_of(part.body.solid)) == 1
    assert is_valid(part.body.solid)
    assert_printable(part.body.mesh)


def test_a_skin_across_a_slot_and_a_hook_left_off_are_noticed() -> None:
    """Such as the kernel leaves without a word where a slot grazes the wall: 20 microns thick, at the wall's face."""
    plan, part = shelf()
    assert are_whole(part.body.mesh, plan.tabs, TABS)
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(part.body.mesh.vertices), np.array(part.body.mesh.faces, dtype=np.uint64))
    )

    def other(size: tuple[float, float, float], at: tuple[float, float, float], *, cut: bool = False) -> Mesh:
        """The part with a block added or cut: its size and lowest corner outwards, along and across the right arm."""
        origin, out, along, across = plan.tabs[1].axes
        frame = np.column_stack([out, along, across])
        block = manifold3d.Manifold.cube(size).transform(np.column_stack([frame, origin + frame @ np.array(at)]))
        changed = (solid - block if cut else solid + block).to_mesh64()
        return Mesh(np.asarray(changed.vert_properties)[:, :3], np.asarray(changed.tri_verts).astype(np.int32))

    half, h = 0.5 * TABS.width, TABS.thickness
    skin = other((0.02, 6.0, SIDE_GAP + 0.4), (-0.02, -12.0, half - 0.2))
    assert not are_whole(skin, plan.tabs, TABS)
    inside = other((0.02, 6.0, SIDE_GAP + 0.4), (-0.9 * h, -9.0, -half - SIDE_GAP - 0.2))
    assert not are_whole(inside, plan.tabs, TABS)
    behind = other((slot_width(TABS) + 0.4, 0.02, TABS.width), (-h - slot_width(TABS) - 0.2, -8.0, -half))
    assert not are_whole(behind, plan.tabs, TABS)
    hookless = other((5.0, 6.0, TABS.width), (0.05, -3.0, -half), cut=True)
    assert not are_whole(hookless, plan.tabs, TABS)


def test_a_hook_that_bends_the_arm_through_its_slot_is_told_as_that() -> None:
    recess, _, mesh = box()
    tabs = RetainingTabs(length=10.0, hook=4.0)
    with pytest.raises(FeatureError) as caught:
        plan_tabs(mesh, recess, tabs=tabs)
    assert "slot behind it" in caught.value.what
    found = re.search(r"set tabs\.hook = ([\d.]+)", caught.value.remedy)
    assert found is not None
    hook = float(found[1])
    plan_tabs(mesh, recess, tabs=tabs.model_copy(update={"hook": hook}))
    with pytest.raises(FeatureError):
        plan_tabs(mesh, recess, tabs=tabs.model_copy(update={"hook": round(hook + 0.1, 1)}))


def test_the_hook_stands_out_of_the_wall_by_just_what_was_asked() -> None:
    far, z = crest()
    assert far - wall_at(z) == pytest.approx(TABS.hook, abs=0.01)
    left = float(shelf()[1].body.mesh.vertices[:, 0].min())
    assert -left - wall_at(z, -1.0) == pytest.approx(TABS.hook, abs=0.01)


def test_the_arm_has_the_recipes_thickness_width_and_length() -> None:
    _, z = crest()
    middle = sum(shelf()[0].soft[1].low[1:2] + shelf()[0].soft[1].high[1:2]) / 2
    down = z - 0.5 * TABS.length
    outside = cast((40.0, middle, down), (-1.0, 0.0, 0.0))
    through = cast((40.0 - outside - 1e-3, middle, down), (-1.0, 0.0, 0.0))
    assert through == pytest.approx(TABS.thickness, abs=0.02)
    inner = 40.0 - outside - through  # the arm's inner face
    slot = cast((inner - 0.01, middle, down), (-1.0, 0.0, 0.0))
    assert slot >= TABS.hook + 0.5 - 0.02
    core = inner + 0.5 * TABS.thickness
    sides = [cast((core, middle, down), (0.0, sign, 0.0)) for sign in (-1.0, 1.0)]
    assert sum(sides) == pytest.approx(TABS.width, abs=0.02)
    # the slot ends at the foot of the root's fillet, half the arm's thickness below the root; all leans by a degree
    foot = cast((inner - 0.5 * slot, middle, down), (0.0, 0.0, -1.0))
    assert z - (down - foot) == pytest.approx(TABS.length + 0.5 * TABS.thickness, abs=0.1)


def test_the_root_is_rounded_by_half_the_thickness() -> None:
    origin, out, along, _ = shelf()[0].tabs[1].axes  # as planned: all leans with the wall
    radius = 0.5 * TABS.thickness
    for share in (0.2, 0.5, 0.9):
        across = share * radius  # from the arm's face: a circle stands radius - sqrt(r² - (r - a)²) above its foot
        x, y, z = origin - (TABS.thickness + across) * out - 0.5 * TABS.length * along
        foot = cast((x, y, z), tuple(-along))
        rise = radius - np.sqrt(radius**2 - (radius - across) ** 2)
        assert foot == pytest.approx(0.5 * TABS.length + radius - rise, abs=0.025)


def test_the_judge_feels_the_fillet_and_misses_one_that_is_not_there() -> None:
    plan, part = shelf()
    found = judge_fillet(plan.tabs, TABS, part.body.mesh)
    assert found.value == pytest.approx(0.5 * TABS.thickness, rel=0.05)
    assert (found.verdict, found.limit) == ("pass", pytest.approx(0.81))
    assert "1.2" in found.source  # Roark's peak at half the thickness: 1.23
    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.array(part.body.mesh.vertices), np.array(part.body.mesh.faces, dtype=np.uint64))
    )
    origin, out, along, across = plan.tabs[1].axes
    depth = TABS.length + 0.5 * TABS.thickness
    corner = origin - (TABS.thickness + slot_width(TABS)) * out - depth * along - 0.5 * TABS.width * across
    box = manifold3d.Manifold.cube((slot_width(TABS), 3.0, TABS.width)).transform(np.column_stack([out, along, across, corner]))
    squared = (solid - box).to_mesh64()
    mesh = Mesh(np.asarray(squared.vert_properties)[:, :3], np.asarray(squared.tri_verts).astype(np.int32))
    sharp = judge_fillet(plan.tabs, TABS, mesh)
    assert sharp.verdict == "caution"
    assert sharp.value == pytest.approx(0.0, abs=0.1)
    assert "round the corner with a file to 0.9 mm, or set tabs = false" in sharp.remedy


def test_a_length_at_which_the_fillet_is_there_is_cut_and_felt_before_it_is_named() -> None:
    """As if the kernel made none of the arms but one a millimetre longer; one that strains too much is not even cut."""
    recess, solid, mesh = box()
    tried: list[float] = []

    class Fussy(TabTrial):
        def cut(self, tabs: RetainingTabs) -> Mesh | None:
            tried.append(tabs.length)
            return super().cut(tabs) if tabs.length == TABS.length + 1.0 else None

    trial, asa = Fussy(solid, mesh, recess), find_material("asa")
    advice = advise_fillet(trial, TABS, asa, 0.81, upright=False)
    assert read_remedy(advice) == [{"tabs.length": "19"}]
    assert tried == [18.5, 17.5, 19.0]
    longer = TABS.model_copy(update={"length": 19.0})
    plan = plan_tabs(mesh, recess, tabs=longer)
    assert judge_fillet(plan.tabs, longer, tessellate(carve_tabs(solid, plan, tabs=longer))).verdict == "pass"
    tried.clear()
    assert advise_fillet(trial, TABS, asa, 2.0, upright=False) == ""  # no arm of this thickness is rounded so far
    stiff = RetainingTabs(length=12.0, thickness=2.5, hook=1.6)
    tried.clear()
    assert advise_fillet(trial, stiff, asa, 0.81, upright=True) == ""
    assert tried == []


def test_the_narrowest_arm_that_holds_and_can_be_pushed_in_is_named() -> None:
    recess, solid, mesh = box()
    trial, asa = TabTrial(solid, mesh, recess), find_material("asa")
    made = find_forces(plan_tabs(mesh, recess, tabs=TABS).tabs, TABS, asa)
    assert made is not None
    pull = 1.4 * made.pull
    width = find_width(trial, TABS, asa, pull)
    assert width is not None
    for size, holds in ((width, True), (width - 0.5, False)):
        other = TABS.model_copy(update={"width": size})
        forces = find_forces(plan_tabs(mesh, recess, tabs=other).tabs, other, asa)
        assert forces is not None
        assert (forces.pull >= pull) is holds
        assert _judge_forces(forces, other, jolt=pull, taped=False)[1].verdict == ("pass" if holds else "caution")
    assert find_width(trial, TABS, asa, 100.0 * made.pull) is None


def test_the_tip_is_free() -> None:
    """From above the slot is open: a ray down into it meets nothing before its foot."""
    far, z = crest()
    middle = sum(shelf()[0].soft[1].low[1:2] + shelf()[0].soft[1].high[1:2]) / 2
    inner = far - TABS.hook - TABS.thickness
    run = cast((inner - 0.8, middle, 20.0), (0.0, 0.0, -1.0))
    assert 20.0 - run < z - TABS.length


def test_deflection_and_strain_follow_from_the_box() -> None:
    far, _ = crest()
    deflection = far - HALF  # the scan's wall is upright: the hook is bent by all that stands behind it
    strain = 100.0 * 1.5 * TABS.thickness * deflection / TABS.length**2
    for name, limit in ((ONCE, 1.9), (OFTEN, 1.14)):  # ASA once, and 60 % of it repeatedly: the material table
        check = find(name)
        assert check.value == pytest.approx(strain, rel=0.03)
        assert (check.verdict, check.limit) == ("pass", limit)
        assert find(name, upright=True).limit == pytest.approx(0.5 * limit)  # our rule
    rest = find("tab bent at its seat")
    assert rest.value == pytest.approx(deflection, abs=0.02)
    assert rest.verdict == "caution"


def test_forces_follow_from_beam_theory() -> None:
    far, _ = crest()
    asa = find_material("asa")
    assert asa.modulus is not None
    forces = find_forces(shelf()[0].tabs, TABS, asa)
    assert forces is not None
    inertia = TABS.width * TABS.thickness**3 / 12.0
    bend = 3.0 * inertia * (far - HALF) / TABS.length**3
    slope = tan(radians(30.0))
    push = 2.0 * asa.modulus.value * bend * (0.5 + slope) / (1.0 - 0.5 * slope)
    assert forces.push == pytest.approx(push, rel=0.03)
    soft = 1.0 + 18.0 / (4.0 * pi) * TABS.thickness / TABS.length  # the wall gives way
    assert forces.pull == pytest.approx(2.0 * 0.5 * asa.modulus.low * bend / soft, rel=0.03)


def test_only_the_tabs_touch() -> None:
    free = gauge(soft=True)
    assert {c.name: c.verdict for c in free.checks}["clearance over the insertion"] == "pass"
    assert free.touching is not None
    far, _ = crest()
    assert free.touching.min == pytest.approx(HALF - far, abs=0.02)
    hard = gauge(soft=False)
    assert hard.rest.min == pytest.approx(HALF - far, abs=0.02)


def test_soft_zones_hold_the_arm_and_nothing_else() -> None:
    """All but the tabs is the old surface: within the facets' chord of the solid without tabs, or of a slot inside it."""
    part = shelf()[1]
    soft = part.soft_faces()
    assert 20 < soft.sum() < 0.5 * len(soft)
    middle = part.body.mesh.vertices[part.body.mesh.faces].mean(axis=1)
    outside = np.abs(middle[:, 0]) > HALF
    assert outside.sum() > 4
    assert soft[outside].all()


def test_the_hook_goes_behind_a_bulge_of_the_wall() -> None:
    recess, _, mesh = box()
    strips = []
    for side in (-1.0, 1.0):
        x = side * (HALF - 0.3)
        strips += [(x, -15.0, -2.5), (x, 15.0, -2.5), (x, 15.0, -1.8), (x, -15.0, -1.8)]
    start = len(recess.vertices)
    faces = [[start + k for k in face] for face in ((0, 1, 2), (0, 2, 3), (4, 6, 5), (4, 7, 6))]
    bulged = replace(
        recess, vertices=np.vstack([recess.vertices, strips]),
        faces=np.vstack([recess.faces, np.array(faces, dtype=np.int32)]),
    )  # fmt: skip
    plain = plan_tabs(mesh, recess, tabs=TABS)
    plan = plan_tabs(mesh, bulged, tabs=TABS)
    for before, tab in zip(plain.tabs, plan.tabs, strict=True):
        assert before.crest > -2.5
        assert -TABS.length / 4 <= tab.crest < -2.5
        assert tab.ride.catch == pytest.approx(0.3, abs=0.05)
        assert before.ride.catch == 0.0
        assert tab.ride.deflection == pytest.approx(tab.ride.rest + 0.3, abs=0.05)


def test_too_long_an_arm_names_the_longest_that_fits() -> None:
    recess, solid, mesh = box()
    with pytest.raises(FeatureError) as caught:
        plan_tabs(mesh, recess, tabs=RetainingTabs(length=40.0))
    assert "40 mm long" in caught.value.what
    found = re.search(r"tabs\.length = ([\d.]+) or less", caught.value.remedy)
    assert found is not None
    longest = float(found[1])
    assert 20.0 < longest < DEPTH
    fitting = RetainingTabs(length=longest)
    assert is_valid(carve_tabs(solid, plan_tabs(mesh, recess, tabs=fitting), tabs=fitting))
    with pytest.raises(FeatureError):
        plan_tabs(mesh, recess, tabs=RetainingTabs(length=longest + 1.0))


def test_a_long_hook_on_a_short_arm_is_placed_behind_its_tip() -> None:
    """A hook of 2.4 mm with its slope takes more than a quarter of an arm of 10 mm."""
    recess, _, mesh = box()
    plan = plan_tabs(mesh, recess, tabs=RetainingTabs(length=10.0, hook=2.4))
    assert all(tab.crest <= tab.place.top - 2.4 for tab in plan.tabs)


def test_too_wide_an_arm_names_the_widest_that_fits() -> None:
    recess, _, mesh = box()
    with pytest.raises(FeatureError) as caught:
        plan_tabs(mesh, recess, tabs=RetainingTabs(width=38.0))
    assert "38 mm wide" in caught.value.what
    found = re.search(r"tabs\.width = ([\d.]+) or less", caught.value.remedy)
    assert found is not None
    assert 30.0 < float(found[1]) < 38.0
    plan_tabs(mesh, recess, tabs=RetainingTabs(width=float(found[1])))


@pytest.mark.parametrize(("upright", "material"), [(False, "asa"), (True, "pa12")])
def test_too_stiff_an_arm_names_the_length_that_passes(upright: bool, material: str) -> None:
    recess, _, mesh = box()
    stiff = RetainingTabs(length=10.0, thickness=2.5, hook=1.4)
    ways = {"upright": upright, "material": material}
    made = plan_tabs(mesh, recess, tabs=stiff).tabs
    check = find(ONCE, made=made, tabs=stiff, **ways)
    assert check.verdict == "fail"
    assert check.value is not None
    assert check.limit is not None
    assert check.value > check.limit
    found = re.search(r"tabs\.length = ([\d.]+)", check.remedy)
    assert found is not None
    longer = stiff.model_copy(update={"length": float(found[1])})
    made = plan_tabs(mesh, recess, tabs=longer).tabs
    for name in (ONCE, OFTEN):
        again = find(name, made=made, tabs=longer, **ways)
        assert again.value is not None
        assert again.limit is not None
        assert again.value <= again.limit
        assert again.verdict == ("caution" if upright else "pass")
    shorter = stiff.model_copy(update={"length": float(found[1]) - 0.6})
    assert find(OFTEN, made=plan_tabs(mesh, recess, tabs=shorter).tabs, tabs=shorter, **ways).verdict == "caution"


def test_where_no_longer_arm_fits_the_hook_that_passes_is_named() -> None:
    recess, _, mesh = box()
    stiff = RetainingTabs(length=19.0, thickness=3.0, hook=2.0)
    made = plan_tabs(mesh, recess, tabs=stiff).tabs
    check = find(OFTEN, made=made, tabs=stiff)
    assert check.verdict == "caution"
    assert "no room" in check.remedy
    found = re.search(r"tabs\.hook = ([\d.]+)", check.remedy)
    assert found is not None
    less = stiff.model_copy(update={"hook": float(found[1])})
    assert find(OFTEN, made=plan_tabs(mesh, recess, tabs=less).tabs, tabs=less).verdict == "pass"


@pytest.mark.parametrize("turned", ["", "set printer.layers_along = [1, 0, 0]"])
def test_an_arm_that_bears_its_strain_across_the_layers_is_not_told_to_be_shorter(turned: str) -> None:
    """It is a caution all the same; but what would help is layers along it, not the length at which it would just bear it."""
    recess, _, mesh = box()
    long = RetainingTabs(length=18.0, thickness=1.6, hook=0.6)
    made = plan_tabs(mesh, recess, tabs=long).tabs
    for check in check_tabs(made, long, find_material("pa12"), upright=True, turned=turned)[:2]:
        assert (check.verdict, check.value < check.limit) == ("caution", True)
        assert "tabs.length" not in check.remedy
        assert "layers lie across the arms" in check.remedy
        assert turned in check.remedy


def test_a_hook_that_comes_to_rest_is_named() -> None:
    found = re.search(r"tabs\.hook = ([\d.]+)", find("tab bent at its seat").remedy)
    assert found is not None
    less = TABS.model_copy(update={"hook": float(found[1])})
    recess, _, mesh = box()
    assert find("tab bent at its seat", made=plan_tabs(mesh, recess, tabs=less).tabs, tabs=less).verdict == "pass"


def test_the_hook_named_is_placed_before_it_is_named() -> None:
    """A smaller hook sits elsewhere on the arm: as if the one that a subtraction finds still touched, as in a curved end wall."""
    recess, solid, mesh = box()
    tried: list[float] = []

    class Curved(TabTrial):
        def place(self, tabs: RetainingTabs) -> tuple[Tab, ...]:
            tried.append(tabs.hook)
            bent = {0.6: 0.107, 0.5: 0.05}.get(tabs.hook, 0.0)
            return tuple(replace(tab, ride=replace(tab.ride, rest=bent)) for tab in super().place(tabs))

    check = find("tab bent at its seat", trial=Curved(solid, mesh, recess))
    assert tried == [0.6, 0.5]
    assert read_remedy(check.remedy) == [{"tabs.hook": "0.5"}]


def recipe_for(*, layers: tuple[float, float, float], mass: float, **tables: Any) -> PhoneShelfRecipe:
    return PhoneShelfRecipe.model_validate({
        "name": "box", "deck": {"height": 5}, "fit": {"clearance": CLEARANCE}, "printer": {"layers_along": layers},
        "device": {"length": 50, "width": 30, "thickness": 9, "mass": mass}, **tables,
    })  # fmt: skip


def seated() -> Device:
    return Device(mesh=box_mesh((20.0, 10.0, 10.0), (-10.0, 0.0, -20.0)), legs=np.zeros((0, 3)))


def case_of(*, layers: tuple[float, float, float], mass: float) -> Case:
    """The box's block with its tabs, printed with its layers growing along a direction."""
    recess, solid, mesh = box()
    plan, part = shelf()
    whole = Part(part.body, part.soft, seated(), tabs=plan.tabs, trial=TabTrial(solid, mesh, recess))
    return Case(
        recipe_for(layers=layers, mass=mass, tabs=TABS.model_dump()), as_scan(recess), recess, whole, find_material("asa"),
        load_materials(), gauge(soft=True),
    )  # fmt: skip


def judge(*, layers: tuple[float, float, float], mass: float = 0.2) -> Finding:
    return judge_tabs(case_of(layers=layers, mass=mass))


def test_the_way_up_decides_how_the_layers_lie_and_a_better_one_is_named() -> None:
    across = judge(layers=(0.0, 0.0, 1.0))
    checks = {check.name: check for check in across.checks}
    assert across.facts["layers_across"] is True
    assert checks[ONCE].limit == pytest.approx(0.95)
    assert checks[ONCE].verdict == "caution"
    found = re.search(r"printer\.layers_along = \[([^]]+)\]", checks[OFTEN].remedy)
    assert found is not None
    x, y, z = (float(v) for v in found[1].split(","))
    along = judge(layers=(x, y, z))
    assert along.facts["layers_across"] is False
    assert {check.verdict for check in along.checks if check.name in (ONCE, OFTEN)} == {"pass"}
    assert "along the arms" in along.notes[0]
    Draft202012Validator(load_report_schema()["properties"]["service"]["properties"]["tabs"]).validate(make_json(along.facts))


def test_a_jolt_is_held_against_the_force_that_pulls_the_part_out() -> None:
    """3 g the way it comes out, on the block and 0.2 kg."""
    found = judge(layers=(0.0, 1.0, 0.0))
    mass = 1.07e-6 * measure_volume(shelf()[1].body.mesh) + 0.2
    assert found.facts["jolt_n"] == pytest.approx(3.0 * 9.81 * mass)
    check = next(c for c in found.checks if c.name == "force to pull out")
    assert check.value is not None
    assert check.limit is not None
    assert check.verdict == ("pass" if check.value >= check.limit else "caution")
    taped = _judge_forces(Forces(1.0, 0.5), TABS, jolt=9.0, taped=True)[1]
    assert (taped.verdict, taped.limit) == ("pass", 0.0)
    assert "tape holds the part" in taped.source
    heavy = next(c for c in judge(layers=(0.0, 1.0, 0.0), mass=4.0).checks if c.name == "force to pull out")
    assert heavy.verdict == "caution"
    assert read_remedy(heavy.remedy) == [{"tabs": "false"}]  # nothing that has room in this box holds so much


def test_the_pads_named_for_tabs_that_do_not_hold_do_so_by_the_rules_of_tape() -> None:
    """None so far: cut into the same block and gauged they bond enough and are not peeled off."""
    check = next(c for c in judge(layers=(0.0, 1.0, 0.0), mass=0.4).checks if c.name == "force to pull out")
    assert check.verdict == "caution"
    (named,) = read_remedy(check.remedy)
    tape = TapePads.model_validate({key.removeprefix("tape."): int(value) for key, value in named.items()})
    recess, solid, mesh = box()
    plan = plan_pads(mesh, recess, tape=tape)
    made = carve_pads(solid, plan)
    part = Part(Body(made, tessellate(made)), plan.soft, seated(), pads=plan.pads)
    gauged = inspect_body(
        part.body.mesh, recess, clearance=CLEARANCE, wall_min=1.0, line_width=0.45, flexible=part.soft_faces()
    )
    recipe = recipe_for(mass=0.4, layers=(0.0, 1.0, 0.0), tape=tape.model_dump())
    case = Case(recipe, as_scan(recess), recess, part, find_material("asa"), load_materials(), gauged)
    verdicts = {check.name: check.verdict for check in judge_tape(case).checks}
    held = ("room for the tape", "tape area at rest", "tape area at peaks", "tape peel at rest")
    assert {name: verdicts[name] for name in held} == dict.fromkeys(held, "pass")


def test_where_neither_arms_nor_tape_do_the_device_that_is_held_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tab_check, "find_pads", lambda case, recipe: None)
    case = case_of(layers=(0.0, 1.0, 0.0), mass=0.2)
    own = 1.07e-6 * measure_volume(case.part.body.mesh)
    jolt = 3.0 * 9.81 * (own + 0.2)
    assert isinstance(case.recipe, PhoneShelfRecipe)
    (named,) = read_remedy(tab_check._advise_hold(case, case.recipe, TABS, 6.0, jolt))
    assert 3.0 * 9.81 * (own + float(named["device.mass"])) <= 6.0 < 3.0 * 9.81 * (own + float(named["device.mass"]) + 0.001)


def test_an_arm_too_strong_for_one_hand_names_a_size_that_is_not() -> None:
    """Eight times the force at twice the thickness: its thickness for 60 N goes with the cube root."""
    strong = RetainingTabs(length=14.0, width=20.0, thickness=2.4, hook=1.2)
    recess, _, mesh = box()
    made = plan_tabs(mesh, recess, tabs=strong).tabs
    asa = find_material("asa")
    forces = find_forces(made, strong, asa)
    assert forces is not None
    assert forces.push > 60.0
    check = _judge_forces(forces, strong, jolt=0.0, taped=True)[0]
    assert check.verdict == "caution"
    for key in ("width", "thickness"):
        found = re.search(rf"tabs\.{key} = ([\d.]+)", check.remedy)
        assert found is not None
        weaker = strong.model_copy(update={key: float(found[1])})
        again = find_forces(plan_tabs(mesh, recess, tabs=weaker).tabs, weaker, asa)
        assert again is not None
        assert 0.75 * 60.0 < again.push <= 60.0


def test_a_material_that_creeps_is_refused() -> None:
    with pytest.raises(EnduranceError, match="not for snap arms"):
        find(ONCE, material="tpu-95a")
