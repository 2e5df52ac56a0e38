"""The recipe model: defaults, exclusions, refusals, and the schema made from it."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import pytest
from pydantic import ValidationError

from mountgen.recipe import RECIPES, PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_fields import CONFLICTS, Table, read_name
from mountgen.recipe_file import read_starter, starter_names
from mountgen.recipe_schema import SCHEMA_FILE, build_schema, encode_schema
from mountgen.recipe_tables import Device, Fit, Mouth, Printer

SHELF: dict[str, Any] = {
    "kind": "phone-shelf",
    "name": "shelf",
    "deck": {"height": 12},
    "device": {"length": 150, "width": 72, "thickness": 9, "mass": 0.2},
}
PLUG: dict[str, Any] = {"kind": "plug", "name": "plug"}
TRAY: dict[str, Any] = {"kind": "tray", "name": "tray", "body": {"wall": 2}}


def load(base: dict[str, Any], **tables: Any) -> Recipe:
    """Return a recipe of some of these values, tables laid over those of `base`."""
    merged = dict(base)
    for key, value in tables.items():
        both = isinstance(value, dict) and isinstance(merged.get(key), dict)
        merged[key] = {**merged[key], **value} if both else value
    return RECIPES[merged["kind"]].model_validate(merged)


def conflicts(base: dict[str, Any], **tables: Any) -> list[tuple[str, str, str]]:
    """Return key, what and remedy of each conflict that these values raise."""
    with pytest.raises(ValidationError) as caught:
        load(base, **tables)
    found = []
    for details in caught.value.errors():
        assert details["type"] == CONFLICTS
        for key, what, remedy in details["ctx"]["conflicts"]:
            found.append((".".join([*map(str, details["loc"]), key]), what, remedy))
    return found


def refusal(base: dict[str, Any], **tables: Any) -> tuple[tuple[int | str, ...], str]:
    """Return place and text of the one refusal that these values raise."""
    with pytest.raises(ValidationError) as caught:
        load(base, **tables)
    (details,) = caught.value.errors()
    return details["loc"], details["msg"]


def test_defaults_are_those_of_the_contract() -> None:
    recipe = load(PLUG)
    assert isinstance(recipe, PlugRecipe)
    assert (recipe.fit.clearance, recipe.fit.draft, recipe.fit.reach) == (0.5, 1.0, "full")
    assert (recipe.fit.floor, recipe.fit.walls, recipe.fit.rim) == (None, None, None)
    assert (recipe.mouth.up, recipe.mouth.recline, recipe.mouth.draw) == (12.0, 0.0, None)
    assert (recipe.scan.file, recipe.scan.unit, recipe.scan.bridge) == (None, "mm", 6.0)
    assert (recipe.body.wall, recipe.material, recipe.plug.below) == (None, "asa", 0.0)


def test_a_table_is_frozen_and_units_are_read_on_the_way_in() -> None:
    fit = Fit(clearance="30 thou", draft="2 deg", reach="2 in")  # type: ignore[arg-type]
    assert (fit.clearance, fit.draft, fit.reach) == pytest.approx((0.762, 2.0, 50.8))
    with pytest.raises(ValidationError, match="frozen"):
        fit.clearance = 1.0


def test_false_takes_out_what_may_be_absent_and_nothing_else() -> None:
    shelf = load(SHELF, lip=False, body={"wall": False}, mouth={"draw": False})
    assert isinstance(shelf, PhoneShelfRecipe)
    assert (shelf.lip, shelf.body.wall, shelf.mouth.draw) == (None, None, None)
    assert refusal(PLUG, fit={"clearance": False})[0] == ("fit", "clearance")
    assert refusal(PLUG, fit=False)[0] == ("fit",)
    assert refusal(TRAY, body={"wall": False})[0] == ("body", "wall")


@pytest.mark.parametrize(
    ("base", "table", "empty"),
    [
        (SHELF, "tabs", {"count": 0}),
        (SHELF, "drains", {"count": 0}),
        (SHELF, "tape", {"count": 0, "length": 40, "width": 20}),
        (TRAY, "dividers", {"count_x": 0, "count_y": 0}),
    ],
)
def test_none_of_a_thing_is_the_same_as_no_table(base: dict[str, Any], table: str, empty: object) -> None:
    assert getattr(load(base, **{table: empty}), table) is None
    assert load(base, **{table: empty}) == load(base)


def test_the_device_stands_across_the_mouth_as_its_orientation_says() -> None:
    device = Device(length=150.0, width=72.0, thickness=9.0, mass=0.2)
    assert device.across == 150.0
    assert device.model_copy(update={"orientation": "portrait"}).across == 72.0


@pytest.mark.parametrize(
    ("base", "tables", "key", "what", "remedy"),
    [
        (
            SHELF,
            {"device": {"width": 160}},
            "device.width",
            "160 mm) is more than the length (150 mm)",
            "portrait",
        ),
        (SHELF, {"device": {"thickness": 80}}, "device.thickness", "more than the width", "smallest side"),
        (
            SHELF,
            {"lip": {"height": 5, "thickness": 1.5}},
            "lip.thickness",
            "two edges of radius 1 mm",
            "0.75 or less",
        ),
        (SHELF, {"lip": {"height": 5, "scoop": 150}}, "lip.scoop", "as wide as the device", "75 mm or less"),
        (SHELF, {"tabs": {"hook": 20}}, "tabs.hook", "20 mm) is not less than", "ten times as long"),
        (
            SHELF,
            {"tabs": {"thickness": 0.3}},
            "tabs.thickness",
            "thinner than one printed line",
            "0.9 mm (two lines)",
        ),
        (SHELF, {"body": {"ribs": 2}}, "body.ribs", "2 ribs in a solid body", "set body.wall"),
        (PLUG, {"body": {"wall": 0.4}}, "body.wall", "0.4 mm is thinner", "0.9 mm"),
        (PLUG, {"plug": {"below": 3}, "flange": {"width": 5}}, "plug.below", "no flange", "flange = false"),
        (
            PLUG,
            {"plug": {"below": 20}, "fit": {"reach": 20}},
            "plug.below",
            "only 20 mm deep",
            "less than fit.reach",
        ),
        (
            PLUG,
            {"flange": {"width": 5, "thickness": 0.8}},
            "flange.thickness",
            "an edge of radius 1 mm",
            "1 mm or more",
        ),
        (TRAY, {"fit": {"reach": 2}}, "body.wall", "takes all of the tray's depth", "less than fit.reach"),
        (
            TRAY,
            {"pull_tab": {"width": 9, "length": 9, "thickness": 1}},
            "pull_tab.thickness",
            "two edges",
            "2 mm or more",
        ),
    ],
)
def test_values_that_exclude_each_other(
    base: dict[str, Any], tables: dict[str, Any], key: str, what: str, remedy: str
) -> None:
    ((found_key, found_what, found_remedy),) = conflicts(base, **tables)
    assert found_key == key
    assert what in found_what
    assert remedy in found_remedy


def test_what_a_conflict_advises_is_taken() -> None:
    assert load(SHELF, lip={"height": 5, "thickness": 1.5}, body={"edge_radius": 0.75})
    assert load(SHELF, lip={"height": 5, "scoop": 75})
    assert load(SHELF, tabs={"thickness": 0.9})
    assert load(PLUG, flange={"width": 5, "thickness": 1})
    assert load(TRAY, pull_tab={"width": 9, "length": 9, "thickness": 2})


def test_all_conflicts_are_listed_at_once() -> None:
    found = conflicts(SHELF, lip={"height": 5, "thickness": 0.3, "scoop": 200}, tabs={"thickness": 0.2})
    assert [key for key, *_ in found] == ["lip.thickness", "tabs.thickness", "lip.thickness", "lip.scoop"]


@pytest.mark.parametrize(
    ("mouth", "key", "text"),
    [
        ({"draw": [0, 0, 0]}, ("mouth", "draw"), "has no length"),
        ({"draw": [0, 1]}, ("mouth", "draw"), "found a list of 2"),
        ({"draw": [0, 1, float("nan")]}, ("mouth", "draw", 2), "not a finite number"),
        ({"draw": ["1 mm", 0, 0]}, ("mouth", "draw", 0), "without quotes"),
        ({"rim": [[0, 0, 0], [1, 0, 0]]}, ("mouth", "rim"), "three points or more"),
        ({"rim": [[0, 0, 0], [1, 1, 1], [2, 2, 2], [5, 5, 5]]}, ("mouth", "rim"), "lie on one line"),
        ({"rim": [[1, 1, 1]] * 4}, ("mouth", "rim"), "lie on one line"),
        ({"plane": {"point": [0, 0, 0], "normal": [0, 0, 0]}}, ("mouth", "plane", "normal"), "has no length"),
        ({"up": 0}, ("mouth", "up"), "clock position"),
        ({"recline": 91}, ("mouth", "recline"), "above the most, 90 deg"),
    ],
)
def test_a_mouth_by_hand_must_mean_something(mouth: dict[str, Any], key: tuple[Any, ...], text: str) -> None:
    place, message = refusal(PLUG, mouth=mouth)
    assert place == key
    assert text in message


def test_a_mouth_by_hand_is_kept_as_given() -> None:
    rim = [[0.0, 0.0, 0.0], [100.0, 0.0, 0.5], [100.0, 50.0, 0.0], [0.0, 50.0, 0.0]]
    mouth = Mouth.model_validate({"draw": [0, 0, 2], "rim": rim, "up": "1:30"})
    assert (mouth.draw, mouth.up) == ((0.0, 0.0, 2.0), 1.5)
    assert mouth.rim == tuple(tuple(point) for point in rim)


@pytest.mark.parametrize("name", ["shelf", "a", "A-1_b.2", "x" * 80, "con-pocket", "7"])
def test_names_that_are_safe_in_file_names(name: str) -> None:
    assert read_name(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "",
        " ",
        "a b",
        "a/b",
        "..",
        ".a",
        "a.",
        "-rf",
        "Ä",
        "con",
        "NUL.txt",
        "lpt1",
        "x" * 81,
        "a\n",
        "a\0",
        7,
        None,
    ],
)
def test_names_that_are_not(name: object) -> None:
    with pytest.raises(ValueError, match="use"):
        read_name(name)


def test_a_section_of_another_kind_is_refused() -> None:
    for base, section in ((PLUG, "deck"), (TRAY, "plug"), (SHELF, "flange"), (SHELF, "dividers")):
        assert refusal(base, **{section: {}})[0] == (section,)
    assert refusal(TRAY, body={"ribs": 1})[0] == ("body", "ribs")


def test_the_bed_has_three_lengths() -> None:
    assert Printer.model_validate({"bed": ["10 in", 200, 100]}).bed == (254.0, 200.0, 100.0)
    assert refusal(PLUG, printer={"bed": [200, 200]})[0] == ("printer", "bed")
    assert refusal(PLUG, printer={"bed": [200, 200, -1]})[0] == ("printer", "bed", 2)


# the schema


def check(document: dict[str, Any]) -> list[str]:
    """Return the place of each thing that an editor would mark in a recipe file."""
    validator = jsonschema.Draft202012Validator(build_schema())
    return sorted(error.json_path for error in validator.iter_errors(document))


def test_the_shipped_schema_is_current() -> None:
    assert SCHEMA_FILE.read_text("utf-8") == encode_schema(), "run mountgen.recipe_schema.write_schema()"


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(encode_schema()))


@pytest.mark.parametrize("starter", starter_names())
def test_an_editor_finds_nothing_wrong_in_a_starter(starter: str) -> None:
    assert check(tomllib.loads(read_starter(starter))) == []


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ('kind = "plug"\n[fit]\nclearence = 1', ["$.fit"]),
        ('kind = "plug"\n[fit]\nclearance = "3 mn"', ["$.fit.clearance"]),
        ('kind = "plug"\n[fit]\nclearance = 21', ["$.fit.clearance"]),
        ('kind = "plug"\n[deck]\nheight = 3', ["$"]),  # a schema of false has no path of its own
        ('kind = "tray"\n[body]\nribs = 3', ["$.body"]),
        ('kind = "plag"', ["$.kind"]),
        ('name = "a b"\nbase = "plug"', ["$.name"]),
        ("[fit]\nclearance = 1", ["$"]),
        ('base = "phone-shelf"\ncable = false\n[device]\nlength = "6 in"\n[mouth]\nup = "3:30"', []),
        ('kind = "tray"\n[body]\nwall = "1/8 in"\n[fit]\nreach = "full"', []),
    ],
)
def test_an_editor_finds_planted_mistakes(text: str, places: list[str]) -> None:
    assert check(tomllib.loads(text)) == places


def test_every_key_is_described_for_whoever_writes_it() -> None:
    def look(table: type[Table], seen: set[type[Table]]) -> None:
        for key, info in table.model_fields.items():
            assert info.description, f"{table.__name__}.{key}"
            for inner in (info.annotation, *getattr(info.annotation, "__args__", ())):
                if isinstance(inner, type) and issubclass(inner, Table) and inner not in seen:
                    look(inner, seen | {inner})

    for recipe_type in (PhoneShelfRecipe, PlugRecipe, TrayRecipe):
        look(recipe_type, set())


def test_checking_a_recipe_loads_no_geometry() -> None:
    code = (
        "import sys, mountgen.recipe, mountgen.recipe_file as f, pathlib\n"
        "f.load_recipe(pathlib.Path(sys.argv[1]))\n"
        "heavy = {'numpy', 'scipy', 'cadquery', 'OCP', 'trimesh', 'vtk', 'tomlkit', 'numba', 'igl'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    root = Path(__file__).resolve().parent.parent
    recipe = str(root / "recipes" / "phone-shelf.toml")
    run = subprocess.run(
        [sys.executable, "-c", code, recipe], cwd=root, capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"
