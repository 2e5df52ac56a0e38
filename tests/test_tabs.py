"""Retaining tabs in a box whose walls are known: arms measured by rays, deflection and strain by closed form."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from math import radians, tan
from typing import Any

import numpy as np
import pytest

from mountgen.datum import Recess
from mountgen.errors import EnduranceError, FeatureError
from mountgen.features.part import Part
from mountgen.features.tabs import TabResult, cut_tabs, plan_tabs
from mountgen.field import build_space
from mountgen.inspection import Inspection, inspect_body
from mountgen.kernel import Body, Mesh, is_valid, solids_of, tessellate
from mountgen.loft import fit_shell, make_block
from mountgen.material import find_material
from mountgen.recipe import Fit, RetainingTabs
from mountgen.surface import Surface
from tests.checks import assert_printable
from tests.recesses import box_recess

CLEARANCE, DRAFT = 0.5, 1.0
HALF, DEPTH = 30.0, 30.0  # of the box, mm; its walls stand at x = -30 and 30
TABS = RetainingTabs()


@cache
def box() -> tuple[Recess, Any, Mesh]:
    recess = box_recess(60, 40, left=DEPTH, right=DEPTH)
    space = build_space(recess, fit=Fit(clearance=CLEARANCE, draft=DRAFT))
    solid = make_block(fit_shell(space), space).solid
    return recess, solid, tessellate(solid)


@cache
def shelf() -> tuple[TabResult, Part]:
    recess, solid, mesh = box()
    result = cut_tabs(solid, recess, tabs=TABS, material=find_material("asa"), mesh=mesh)
    return result, Part(Body(result.solid, tessellate(result.solid)), soft=result.soft)


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


def find(result: TabResult, name: str) -> Any:
    return next(check for check in result.checks if check.name == name)


def test_the_part_stays_one_valid_solid_and_one_manifold_piece() -> None:
    result, part = shelf()
    assert len(solids_of(result.solid)) == 1
    assert is_valid(result.solid)
    assert_printable(part.body.mesh)


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
    _, z = crest()
    middle = sum(shelf()[0].soft[1].low[1:2] + shelf()[0].soft[1].high[1:2]) / 2
    radius = 0.5 * TABS.thickness
    inner = wall_at(z - TABS.length) - TABS.thickness
    for share in (0.2, 0.5):
        across = share * radius  # from the arm's face: a circle stands radius - sqrt(r² - (r - a)²) above its foot
        foot = cast((inner - across, middle, z - 0.5 * TABS.length), (0.0, 0.0, -1.0))
        rise = radius - np.sqrt(radius**2 - (radius - across) ** 2)
        expected = 0.5 * TABS.length + radius - rise
        assert foot == pytest.approx(expected, abs=0.08)


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
    check = find(shelf()[0], "tab strain")
    assert check.value == pytest.approx(strain, rel=0.03)
    assert check.verdict == "pass"
    assert check.limit == pytest.approx(1.14)  # ASA 1.9 % once, 60 % of it repeatedly: the material table
    assert find(shelf()[0], "tab bent at its seat").value == pytest.approx(deflection, abs=0.02)
    assert find(shelf()[0], "tab bent at its seat").verdict == "caution"


def test_forces_follow_from_beam_theory() -> None:
    far, _ = crest()
    modulus = find_material("asa").modulus
    assert modulus is not None
    inertia = TABS.width * TABS.thickness**3 / 12.0
    bend = 3.0 * modulus.value * inertia * (far - HALF) / TABS.length**3
    slope = tan(radians(30.0))
    push = 2.0 * bend * (0.5 + slope) / (1.0 - 0.5 * slope)
    assert find(shelf()[0], "force to push in").value == pytest.approx(push, rel=0.03)
    assert find(shelf()[0], "force to pull out").value == pytest.approx(2.0 * 0.5 * bend, rel=0.03)


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
    plain = plan_tabs(mesh, recess, tabs=TABS, material=find_material("asa"))
    plan = plan_tabs(mesh, bulged, tabs=TABS, material=find_material("asa"))
    for before, tab in zip(plain.tabs, plan.tabs, strict=True):
        assert before.crest > -2.5
        assert -TABS.length / 4 <= tab.crest < -2.5
        assert tab.ride.catch == pytest.approx(0.3, abs=0.05)
        assert before.ride.catch == 0.0
        assert tab.ride.deflection == pytest.approx(tab.ride.rest + 0.3, abs=0.05)


def test_too_long_an_arm_names_the_longest_that_fits() -> None:
    recess, solid, mesh = box()
    material = find_material("asa")
    with pytest.raises(FeatureError) as caught:
        plan_tabs(mesh, recess, tabs=RetainingTabs(length=40.0), material=material)
    assert "40 mm long" in caught.value.what
    found = re.search(r"tabs\.length = ([\d.]+) or less", caught.value.remedy)
    assert found is not None
    longest = float(found[1])
    assert 20.0 < longest < DEPTH
    result = cut_tabs(solid, recess, tabs=RetainingTabs(length=longest), material=material, mesh=mesh)
    assert is_valid(result.solid)
    with pytest.raises(FeatureError):
        plan_tabs(mesh, recess, tabs=RetainingTabs(length=longest + 1.0), material=material)


def test_too_wide_an_arm_names_the_widest_that_fits() -> None:
    recess, _, mesh = box()
    with pytest.raises(FeatureError) as caught:
        plan_tabs(mesh, recess, tabs=RetainingTabs(width=38.0), material=find_material("asa"))
    assert "38 mm wide" in caught.value.what
    found = re.search(r"tabs\.width = ([\d.]+) or less", caught.value.remedy)
    assert found is not None
    assert 30.0 < float(found[1]) < 38.0
    plan_tabs(mesh, recess, tabs=RetainingTabs(width=float(found[1])), material=find_material("asa"))


def test_too_stiff_an_arm_names_the_length_that_passes() -> None:
    recess, _, mesh = box()
    stiff = RetainingTabs(length=10.0, thickness=2.5, hook=1.4)
    plan = plan_tabs(mesh, recess, tabs=stiff, material=find_material("asa"))
    check = next(c for c in plan.checks if c.name == "tab strain")
    assert check.verdict == "fail"
    assert check.value is not None
    assert check.limit is not None
    assert check.value > check.limit
    found = re.search(r"tabs\.length = ([\d.]+)", check.remedy)
    assert found is not None
    longer = stiff.model_copy(update={"length": float(found[1])})
    again = plan_tabs(mesh, recess, tabs=longer, material=find_material("asa"))
    assert next(c for c in again.checks if c.name == "tab strain").verdict == "pass"


def test_upright_arms_are_a_caution() -> None:
    recess, _, mesh = box()
    plan = plan_tabs(mesh, recess, tabs=RetainingTabs(length=20.0), material=find_material("pc"), upright=True)
    check = next(c for c in plan.checks if c.name == "tab strain")
    assert check.verdict == "caution"
    assert "layers" in check.remedy


def test_a_material_that_creeps_is_refused() -> None:
    recess, _, mesh = box()
    with pytest.raises(EnduranceError, match="not for snap arms"):
        plan_tabs(mesh, recess, tabs=TABS, material=find_material("tpu-95a"))
