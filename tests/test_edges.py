"""Edges that can be touched: radius, length and reach against closed forms; remedies that pass when they are followed."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from math import cos, radians, sin, sqrt
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import manifold3d
import numpy as np
import pytest

from mountgen.datum import Recess
from mountgen.errors import FeatureError
from mountgen.ground import lay_ground
from mountgen.kernel import Mesh
from mountgen.progress import Clock
from mountgen.prove import build_part
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_file import load_recipe
from mountgen.recipe_settings import with_settings
from mountgen.service.edge_check import PROUD, SLACK, SUNK, advise_radius, judge_edges
from mountgen.service.edges import ERROR, LARGEST, PRESS, SPHERE, TILT, find_exposed_edges
from mountgen.store import Store
from mountgen.verdict import Check
from tests.decks import as_mesh
from tests.prepared import Listening
from tests.recesses import box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh
from tests.test_phone_shelf import EXAMPLE

WIDTH, HEIGHT, DEPTH = 60, 40, 20  # mm, a recess in a flat panel
SIDES = (30.0, 20.0)  # mm, of a block that stands in it and out of it
RECESS = box_recess(WIDTH, HEIGHT, left=DEPTH, right=DEPTH, surround=20)
LARGE_HEIGHT, SUNK_SIDES = 90, (80.0, 8.0)  # mm, of a larger mouth, and of a block that lies below it
LARGE = box_recess(160, LARGE_HEIGHT, left=DEPTH, right=DEPTH, surround=20)


def block(top: float, *, radius: float = 0.0, sides: tuple[float, float] = SIDES) -> Mesh:
    """A block in the middle of the recess whose top lies `top` mm above the panel, all edges rounded."""
    size, corner = (*sides, DEPTH - 2.0 + top), (-sides[0] / 2, -sides[1] / 2, 2.0 - DEPTH)
    if radius == 0.0:
        return box_mesh(size, corner)
    ball = manifold3d.Manifold.sphere(radius, 80)
    ends = [(low + radius, low + length - radius) for low, length in zip(corner, size, strict=True)]
    spots = [(x, y, z) for x in ends[0] for y in ends[1] for z in ends[2]]
    return as_mesh(manifold3d.Manifold.batch_hull([ball.translate(spot) for spot in spots]))


def judge(mesh: Mesh, recipe: Recipe | None = None, *, recess: Recess = RECESS) -> tuple[dict[str, Check], dict[str, Any]]:
    part: Any = SimpleNamespace(body=SimpleNamespace(mesh=mesh), suits=None, rounds=None)
    case: Any = SimpleNamespace(part=part, recess=recess, recipe=recipe or PlugRecipe(name="block"))
    found = judge_edges(case)
    return {check.name: check for check in found.checks}, dict(found.facts)


@pytest.mark.parametrize("radius", [0.5, 1.0, 2.5, 3.2])
def test_the_radius_is_that_of_the_rounding(radius: float) -> None:
    """A ball in a rounding of radius R between faces at a right angle may be larger by error / (1 - cos 45°)."""
    edges = find_exposed_edges(block(6.0, radius=radius), RECESS)
    most = radius + ERROR / (1.0 - cos(radians(45.0))) + 0.1
    along = edges.radius[np.abs(edges.points[:, 0]) < SIDES[0] / 2 - radius - 1.0]  # away from the corners
    assert len(along) > 20
    assert along.min() > radius - 0.05
    assert along.max() < most


def test_a_sharp_edge_has_only_the_radius_of_the_error() -> None:
    edges = find_exposed_edges(block(6.0), RECESS)
    assert edges.radius.max() < ERROR / (1.0 - cos(radians(45.0))) + LARGEST / 2**6
    top = edges.points[:, 2] == pytest.approx(6.0)
    assert edges.length[top].sum() == pytest.approx(2 * sum(SIDES), rel=1e-6)  # all four edges, each a right angle


def test_an_edge_counts_from_where_a_sphere_of_165_mm_gets_past_the_face() -> None:
    """Flush with the panel, at a gap g: tilted by 8° the sphere spans 2 R sin 8° = 23.0 mm of it."""
    assert pytest.approx(23.0, abs=0.05) == 2.0 * SPHERE * sin(TILT)
    for gap, exposed in ((2.0, False), (10.0, False), (25.0, True)):
        sides = (20.0, LARGE_HEIGHT - 2.0 * gap)
        edges = find_exposed_edges(block(0.0, sides=sides), LARGE)
        across = np.abs(np.abs(edges.points[:, 1]) - sides[1] / 2) < 1e-9
        assert (across & (np.abs(edges.points[:, 0]) < 9.0)).any() == exposed, gap


def test_what_lies_deeper_than_the_sphere_sags_cannot_be_touched() -> None:
    """Tilted by 8° over an edge 4 mm from the middle of a mouth 90 mm wide, it rests on the rim 45 - 4 - R sin 8° away."""
    reach = LARGE_HEIGHT / 2 - SUNK_SIDES[1] / 2 - SPHERE * sin(TILT)
    level = sqrt(SPHERE**2 - reach**2) - SPHERE * cos(TILT)
    assert level == pytest.approx(-4.66, abs=0.01)
    for top, exposed in ((level + 0.1, True), (level - PRESS - 0.2, False)):
        edges = find_exposed_edges(block(top, sides=SUNK_SIDES), LARGE)
        across = np.abs(np.abs(edges.points[:, 1]) - SUNK_SIDES[1] / 2) < 1e-9
        assert (across & (np.abs(edges.points[:, 0]) < 9.0)).any() == exposed


def test_sharp_edges_that_face_an_occupant_fail_and_the_rounding_named_makes_them_pass() -> None:
    sharp = PlugRecipe.model_validate({"name": "block", "body": {"edge_radius": 0.0}})
    checks, facts = judge(block(6.0), sharp)
    check = checks["sharp edges towards occupants"]
    assert (check.verdict, check.limit) == ("fail", 10.0)
    assert check.value == pytest.approx(2 * sum(SIDES), rel=1e-6)
    assert facts["sharp_edge_length"] == check.value
    found = re.search(r"body\.edge_radius = ([\d.]+)", check.remedy)
    assert found is not None
    assert judge(block(6.0, radius=float(found[1])))[0]["sharp edges towards occupants"].verdict == "pass"


@pytest.mark.parametrize(("top", "limit"), [(6.0, PROUD), (-4.0, SUNK)])
def test_the_radius_named_passes(top: float, limit: float) -> None:
    sides, recess = (SIDES, RECESS) if top > 0 else (SUNK_SIDES, LARGE)
    check = judge(block(top, radius=1.0, sides=sides), recess=recess)[0]["radius of exposed edges"]
    assert (check.verdict, check.limit) == ("caution", limit)
    assert check.value == pytest.approx(1.0, abs=0.15)
    assert check.basis == "our rule"
    found = re.search(r"body\.edge_radius = ([\d.]+)", check.remedy)
    assert found is not None
    assert float(found[1]) == limit
    rounded = judge(block(top, radius=float(found[1]), sides=sides), recess=recess)[0]["radius of exposed edges"]
    assert rounded.verdict == "pass"
    assert rounded.value is None or rounded.value > limit - SLACK


@pytest.mark.parametrize("rolls", [True, False])
def test_a_rounding_that_a_plug_does_not_get_is_not_named(rolls: bool) -> None:
    """Where a ball of 3.2 mm does not roll along the edge less is rounded off."""
    recipe, tried = PlugRecipe(name="block"), []

    def rounds(other: PlugRecipe) -> bool:
        tried.append(other.body.edge_radius)
        return rolls

    part: Any = SimpleNamespace(body=SimpleNamespace(mesh=block(6.0, radius=1.0)), suits=None, rounds=rounds)
    case: Any = SimpleNamespace(part=part, recess=RECESS, recipe=recipe)
    remedy = next(check for check in judge_edges(case).checks if check.name == "radius of exposed edges").remedy
    assert read_remedy(remedy) == ([{"body.edge_radius": "3.2"}] if rolls else [])
    assert rolls or "sand it to a radius of 3.2 mm" in remedy
    assert tried == [PROUD]


def test_what_stands_below_a_plate_makes_its_edge_no_sharper() -> None:
    """A plate with rounded edges on a narrower foot: the foot's walls, 1 mm inside the rounding's middle, are not touched."""
    above = manifold3d.CrossSection.square((20.0, 20.0)).translate((0.0, 0.2))
    ring = manifold3d.CrossSection.circle(3.2, 36).translate((4.8, 0.2)) ^ above
    profile = ring + manifold3d.CrossSection.square((4.8, 3.4)) + manifold3d.CrossSection.square((8.0, 0.2))
    plate = profile.revolve(96)
    foot = manifold3d.Manifold.cylinder(12.0, 5.8, 5.8, 96).translate((0.0, 0.0, -12.0))
    edges = find_exposed_edges(as_mesh(plate + foot), RECESS)
    top = edges.points[:, 2] > 0.5
    assert edges.radius[top].min() > 3.1


def test_ten_millimetres_of_edge_are_left_to_sandpaper() -> None:
    """A rounded block with one small sharp cube on its top: 4 x 2 mm of edge."""
    small = manifold3d.Manifold.cube((2.0, 2.0, 1.5), center=True).translate((0.0, 0.0, 6.5))
    shape = block(6.0, radius=3.2)
    body = manifold3d.Manifold(manifold3d.Mesh64(shape.vertices.copy(), shape.faces.astype(np.uint64)))
    checks, facts = judge(as_mesh(body + small))
    assert checks["radius of exposed edges"].verdict == "pass"
    assert facts["least_radius"] < 0.2
    assert checks["sharp edges towards occupants"].value == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize(
    ("kind", "tables", "wanted"),
    [
        (PhoneShelfRecipe, {"deck": {"height": 9}, "device": {"length": 140, "width": 70, "thickness": 9, "mass": 0.2},
                            "lip": {"height": 4, "thickness": 3}},
         "set body.edge_radius = 3.6 and lip.thickness = 7.2, or sand it round"),
        (PlugRecipe, {"flange": {"width": 6, "thickness": 2}},
         "set body.edge_radius = 3.2 and flange.thickness = 3.4, or sand it round"),
        (TrayRecipe, {"body": {"wall": 2}, "pull_tab": {"width": 16, "length": 14, "thickness": 7}},
         "each edge of a wall of 2 mm has room for 0.9 mm: sand it round, or, if the scan shows as much panel beside the mouth, "
         "give the tray a rim: set body.edge_radius = 3.6 and pull_tab.thickness = 7.2 and flange.thickness = 3.8 and "
         "flange.width = 6"),
        (TrayRecipe, {"body": {"wall": 2}, "flange": {"width": 4, "thickness": 2}, "dividers": {"count_x": 1}},
         "set body.edge_radius = 3.6 and flange.thickness = 3.8 and flange.width = 6 and dividers.thickness = 8, "
         "or sand it round"),
        (PhoneShelfRecipe, {"deck": {"height": 9}, "device": {"length": 140, "width": 70, "thickness": 9, "mass": 0.2},
                            "lip": {"height": 4, "thickness": 3, "scoop": 40}},
         "set body.edge_radius = 4.4 and lip.thickness = 8.8 and lip.scoop = 20, or sand it round"),
        (PlugRecipe, {"body": {"edge_radius": 4}}, "body.edge_radius does not reach that edge: sand it to a radius of 3.2 mm"),
    ],
)  # fmt: skip
def test_the_settings_named_make_a_recipe_that_is_taken(kind: type[Recipe], tables: dict[str, Any], wanted: str) -> None:
    recipe = kind.model_validate({"name": "part", **tables})
    remedy = advise_radius(recipe, 3.2)
    assert remedy == wanted
    changed: dict[str, Any] = {key: dict(table) for key, table in tables.items()}
    for section, key, value in re.findall(r"(\w+)\.(\w+) = ([\d.]+)", remedy):
        changed.setdefault(section, {})[key] = float(value)
    kind.model_validate({"name": "part", **changed})  # refuses what has no room for its roundings


def test_a_plug_or_flange_that_stands_out_is_told_how_much_lower_passes() -> None:
    check, _ = judge(block(12.0))
    assert check["projection past the surround"].remedy == "set plug.below = 2.5"
    assert judge(block(12.0 - 2.5))[0]["projection past the surround"].verdict == "pass"
    thick = PlugRecipe.model_validate({"name": "plug", "flange": {"width": 6, "thickness": 4}, "body": {"edge_radius": 3}})
    lower = judge(block(12.0), thick)[0]["projection past the surround"].remedy
    assert read_remedy(lower) == [{"flange.thickness": "1.5", "body.edge_radius": "1.5"}]  # else the recipe is refused
    thin = PlugRecipe.model_validate({"name": "plug", "flange": {"width": 6, "thickness": 2}})
    assert read_remedy(judge(block(12.0), thin)[0]["projection past the surround"].remedy) == [{"flange": "false"}]


def test_projection_is_measured_from_the_surround() -> None:
    checks, facts = judge(block(9.0))
    assert facts["projection"] == pytest.approx(9.0)
    assert checks["projection past the surround"].verdict == "pass"
    tab = {"width": 10, "length": 12, "thickness": 3}
    tray = TrayRecipe.model_validate({"name": "tray", "body": {"wall": 2}, "pull_tab": tab})
    check = judge(block(12.0), tray)[0]["projection past the surround"]
    assert (check.verdict, check.value, check.remedy) == ("caution", pytest.approx(12.0), "set pull_tab.length = 9.5")
    assert judge(block(9.5), tray)[0]["projection past the surround"].verdict == "pass"
    assert judge(block(5.0e-6))[0]["projection past the surround"].value == 0.0  # a speck of rounding is not told


def test_a_flange_that_stands_out_too_far_is_told_how_thick_it_may_be() -> None:
    thick = PlugRecipe.model_validate({"name": "plug", "flange": {"width": 6, "thickness": 11.0}})
    check = judge(block(11.26), thick)[0]["projection past the surround"]
    assert (check.verdict, check.remedy) == ("caution", "set flange.thickness = 9.2")  # 11 less 1.76, rounded down
    assert judge(block(11.26 - 11.0 + 9.2), thick)[0]["projection past the surround"].verdict == "pass"
    bowed = PlugRecipe.model_validate({"name": "plug", "flange": {"width": 6, "thickness": 2.0}})
    assert judge(block(12.0), bowed)[0]["projection past the surround"].remedy == "set flange = false"


def test_a_part_deep_in_its_recess_has_no_edge_to_touch() -> None:
    checks, facts = judge(block(-15.0))
    assert {check.verdict for check in checks.values()} == {"pass"}
    assert (facts["least_radius"], facts["exposed_edge_length"]) == (None, 0.0)


def _look_at(recipe: Recipe) -> Callable[[dict[str, Any]], Check]:
    """Return what makes a recipe's part with other settings and judges how round its edges are."""
    ground = lay_ground(recipe, store=Store(None), clock=Clock(Listening()))

    def look(settings: dict[str, Any]) -> Check:
        changed = with_settings(cast(PhoneShelfRecipe, recipe), settings)
        case: Any = SimpleNamespace(part=build_part(replace(ground, recipe=changed)), recess=ground.recess, recipe=changed)
        return next(check for check in judge_edges(case).checks if check.name == "radius of exposed edges")

    return look


def test_no_lip_is_named_behind_which_the_device_does_not_go_in(tmp_path: Path) -> None:
    """In the cubby of the examples a lip of 8.8 mm pushes out a device that leans by 35 degrees: sandpaper is named instead."""
    (tmp_path / "plain.toml").write_text('name = "plain"\nbase = "phone-shelf"\n', encoding="utf-8")
    usual = ["device.lean=35", "tabs=false", "tape=false", "cable=false", "drains=false"]
    scan = EXAMPLE.parent / "scans" / "dash_cubby.ply"
    recipe = load_recipe(tmp_path / "plain.toml", overrides=usual, scan=scan)
    look = _look_at(recipe)
    check = look({})
    assert (check.verdict, read_remedy(check.remedy)) == ("caution", [])
    assert check.remedy.endswith("a thicker one leaves the device no room: sand it round")
    with pytest.raises(FeatureError, match="does not go in"):
        look({"body.edge_radius": 4.4, "lip.thickness": 8.8})


def test_the_rounding_named_for_the_example_passes_once_it_is_made() -> None:
    """Leaning by 28 degrees, not 30, the device has room behind the thicker lip."""
    recipe = load_recipe(EXAMPLE, overrides=["tape=false", "cable=false", "drains=false", "device.lean=28"])
    look = _look_at(recipe)
    check = look({})
    assert check.verdict == "caution"
    (settings,) = read_remedy(check.remedy)
    assert look({key: float(value) for key, value in settings.items()}).verdict == "pass"


def test_a_lip_that_cannot_be_thicker_is_sanded() -> None:
    tables = {"name": "part", "deck": {"height": 9}, "device": {"length": 140, "width": 70, "thickness": 9, "mass": 0.2},
              "lip": {"height": 4, "thickness": 3}}  # fmt: skip
    recipe = PhoneShelfRecipe.model_validate(tables)
    assert read_remedy(advise_radius(recipe, 3.2, suits=lambda tried: tried.lip is not None and tried.lip.thickness == 7.2))
    remedy = advise_radius(recipe, 3.2, suits=lambda _: False)
    assert remedy == (
        "each edge of a lip of 3 mm has room for 1.5 mm, and a thicker one leaves the device no room: sand it round"
    )


@pytest.mark.parametrize(
    ("kind", "tables", "wanted"),
    [
        (PlugRecipe, {"flange": {"width": 6, "thickness": 0.6}}, {"body.edge_radius": "1", "flange.thickness": "1.1"}),
        (TrayRecipe, {"body": {"wall": 2}, "pull_tab": {"width": 16, "length": 9, "thickness": 1}},
         {"body.edge_radius": "1", "pull_tab.thickness": "2"}),
    ],
)  # fmt: skip
def test_the_rounding_named_for_a_sharp_edge_is_one_that_the_recipe_takes(
    kind: type[Recipe], tables: dict[str, Any], wanted: dict[str, str]
) -> None:
    given = tables | {"body": tables.get("body", {}) | {"edge_radius": 0.0}}
    check = judge(block(6.0), kind.model_validate({"name": "part", **given}))[0]["sharp edges towards occupants"]
    assert read_remedy(check.remedy) == [wanted]
    for key, value in wanted.items():
        table, name = key.split(".")
        given[table] = given[table] | {name: float(value)}
    kind.model_validate({"name": "part", **given})
