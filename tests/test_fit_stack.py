"""The fit stack of a recipe: contributions against the formula by hand, auto against its own check, enlargement read back."""

from __future__ import annotations

import io
import math
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any, cast, get_args

import numpy as np
import pytest
import trimesh
from jsonschema import Draft202012Validator

from mountgen.clearance import find_trim_expansion, measure_mouth, resolve_clearance, stack_recipe
from mountgen.errors import MaterialError, RecipeError
from mountgen.export import encode_part
from mountgen.kernel import Body
from mountgen.material import find_material, load_materials
from mountgen.mesh_3mf import read_3mf
from mountgen.recipe import PlugRecipe, Recipe
from mountgen.recipe_fields import AUTO
from mountgen.recipe_file import dump_recipe, load_recipe
from mountgen.recipe_tables import Fit
from mountgen.report import load_report_schema, make_json
from mountgen.service.case import Case, Finding
from mountgen.service.fit_stack import judge_fit_stack
from mountgen.tape import TRIMS
from mountgen.tolerance import FITS
from tests.recesses import as_scan, box_recess
from tests.solids import box_mesh, box_solid

ASA = find_material("asa")


def plug(*, material: str = "asa", fit: dict[str, Any] | None = None, printer: dict[str, Any] | None = None) -> PlugRecipe:
    data = {"kind": "plug", "name": "cover", "material": material, "fit": fit or {}, "printer": printer or {}}
    return PlugRecipe.model_validate(data)


def judge(recipe: Recipe, *, noise: float = 0.03, width: int = 60) -> Finding:
    recess = box_recess(width, 40)
    scan = replace(as_scan(recess), noise=noise)
    rest = cast(Any, None)  # neither the part nor its gauge is asked here
    material = find_material(recipe.material)
    return judge_fit_stack(Case(recipe, scan, recess, rest, material, load_materials(), rest))


def test_stack_by_hand() -> None:
    recipe = plug(fit={"trim": "abs", "sits": "loose"}, printer={"tolerance": 0.2})
    found = stack_recipe(recipe, noise=0.05, size=200.0, material=ASA)
    part, trim = ASA.expansion, find_material("abs").expansion
    assert part is not None
    assert trim is not None
    # 20 °C to 35 + 43 °C; half of 200 mm counts; where the part expands less than the trim, the cold to -20 °C closes
    differs = part.value - trim.value
    closing = 100.0 * max(differs * 58.0, differs * -40.0) * 1e-6
    spread = 100.0 * math.hypot(part.high - part.low, trim.high - trim.low) / 2.0 / math.sqrt(3.0) * 1e-6 * 58.0
    noise = 2.0 * math.sqrt(0.05**2 + 0.1**2 + spread**2)
    assert found.stack.needed == pytest.approx(noise + closing + 0.3, abs=1e-5)
    assert found.hottest_c == pytest.approx(78.0, abs=0.01)
    assert 0.0 <= found.needed - found.stack.needed <= 0.01
    assert round(found.needed, 2) == pytest.approx(found.needed)


def test_spread_of_expansions_against_drawn_ones() -> None:
    found = stack_recipe(plug(fit={"trim": "abs"}, material="abs"), noise=0.0, size=200.0, material=find_material("abs"))
    part, trim = np.random.default_rng(5).uniform(81.0, 101.0, (2, 200_000))
    assert found.stack.u_thermal == pytest.approx((100.0 * (part - trim) * 1e-6 * 58.0).std(), rel=0.01)
    assert found.stack.thermal == 0.0


def test_errors_of_size_count_from_the_middle() -> None:
    """Twice the size doubles what heat closes; the printer's 0.3 % counts over half of it, but never below 0.2 mm."""
    small, large, largest = (stack_recipe(plug(), noise=0.03, size=s, material=ASA) for s in (100.0, 200.0, 400.0))
    assert large.stack.thermal == pytest.approx(2.0 * small.stack.thermal)
    assert large.shrinkage_opens == pytest.approx(2.0 * small.shrinkage_opens)
    assert (small.tolerance, large.tolerance, largest.tolerance) == pytest.approx((0.2, 0.3, 0.6))


def test_a_cool_place_closes_less() -> None:
    sunny, shade = plug(), PlugRecipe.model_validate({"kind": "plug", "name": "x", "place": {"where": "shade_parked_dash"}})
    hot, cool = (stack_recipe(r, noise=0.0, size=200.0, material=ASA) for r in (sunny, shade))
    assert cool.hottest_c == pytest.approx(45.0, abs=0.01)
    assert cool.stack.thermal < hot.stack.thermal


@pytest.mark.parametrize("sits", FITS)
def test_contributions_add_up_and_classes_are_all_there(sits: str) -> None:
    facts = judge(plug(fit={"sits": sits, "trim": "pp"}, printer={"shrinkage": "material"})).facts
    assert sum(row["mm"] for row in facts["contributions"]) == pytest.approx(facts["needed"])
    assert {row["sits"]: row["needed"] for row in facts["classes"]}[sits] == pytest.approx(facts["needed"])
    squares = sum(row["standard"] ** 2 for row in facts["contributions"] if row["kind"] == "error")
    errors = sum(row["mm"] for row in facts["contributions"] if row["kind"] == "error")
    assert errors == pytest.approx(2.0 * math.sqrt(squares))
    schema = load_report_schema()["properties"]["service"]["properties"]["fit_stack"]
    Draft202012Validator(schema).validate(make_json(facts))


@pytest.mark.parametrize("fit", [{"clearance": 0.2}, {"clearance": 0.9, "walls": 0.15}])
def test_too_little_clearance_names_one_that_passes(fit: dict[str, float]) -> None:
    check = judge(plug(fit=fit)).checks[0]
    assert check.verdict == "caution"
    assert check.value == min(fit.values())
    found = re.search(r"set (fit\.\w+) = ([\d.]+)", check.remedy)
    assert found is not None
    key = found[1].removeprefix("fit.")
    assert key == ("walls" if "walls" in fit else "clearance")
    again = judge(plug(fit={**fit, key: float(found[2])})).checks[0]
    assert again.verdict == "pass"
    assert again.limit == check.limit
    tighter = judge(plug(fit={**fit, key: float(found[2]) - 0.03})).checks[0]
    assert tighter.verdict == "caution"


def test_a_press_fit_on_a_noisy_scan_is_refused_and_the_fit_named_can_be_promised() -> None:
    check = judge(plug(fit={"sits": "press", "clearance": 0.5}), noise=0.08).checks[1]
    assert (check.verdict, check.value, check.limit) == ("fail", 0.08, 0.05)
    found = re.search(r'set fit\.sits = "(\w+)"', check.remedy)
    assert found is not None
    assert judge(plug(fit={"sits": found[1], "clearance": 0.5}), noise=0.08).checks[1].verdict == "pass"


@pytest.mark.parametrize("sits", FITS)
@pytest.mark.parametrize("width", [60, 300])
def test_auto_passes_its_own_check_and_asks_for_no_more(sits: str, width: int) -> None:
    rim = box_recess(width, 40).rim
    asked = plug(fit={"clearance": "auto", "sits": sits, "floor": 3.0, "draft": 2.0})
    assert asked.fit.clearance == AUTO
    found = resolve_clearance(asked, noise=0.03, rim=rim, material=ASA)
    assert isinstance(found, PlugRecipe)
    assert found.model_copy(update={"fit": asked.fit}) == asked
    assert found.fit.model_copy(update={"clearance": AUTO}) == asked.fit
    check = judge(found, width=width).checks[0]
    assert check.verdict == "pass"
    assert check.value is not None
    assert check.limit is not None
    assert 0.0 <= check.value - check.limit <= 0.011
    assert f"clearance = {found.fit.clearance:g}" in dump_recipe(found)


def test_a_number_is_left_as_it_is() -> None:
    recipe = plug(fit={"clearance": 0.3})
    assert resolve_clearance(recipe, noise=0.03, rim=np.zeros((3, 3)), material=ASA) is recipe


def test_auto_of_a_scan_without_end_of_noise_is_refused() -> None:
    rim = box_recess(60, 40).rim
    with pytest.raises(RecipeError) as caught:
        resolve_clearance(plug(fit={"clearance": "auto"}), noise=25.0, rim=rim, material=ASA)
    assert "would need a clearance of 50" in caught.value.what
    assert "the noise is 25.00 mm" in caught.value.remedy
    with pytest.raises(RecipeError, match="noise could not be measured"):
        resolve_clearance(plug(fit={"clearance": "auto"}), noise=math.nan, rim=rim, material=ASA)


def test_auto_is_written_and_read_again(tmp_path: Path) -> None:
    path = tmp_path / "cover.toml"
    path.write_text('kind = "plug"\n[fit]\nclearance = 0.4\n', encoding="utf-8")
    recipe = load_recipe(path, overrides=["fit.clearance=auto", "fit.sits=press", "fit.trim=pc-abs"])
    assert (recipe.fit.clearance, recipe.fit.sits, recipe.fit.trim) == (AUTO, "press", "pc-abs")
    again = tmp_path / "again.toml"
    again.write_text(dump_recipe(recipe, folder=tmp_path), encoding="utf-8")
    assert load_recipe(again).fit == recipe.fit
    with pytest.raises(RecipeError, match="not a finite number"):
        load_recipe(path, overrides=["fit.clearance=inf"])


def test_the_recipes_choices_are_those_of_the_formulae() -> None:
    fields = Fit.model_fields
    assert set(get_args(fields["sits"].annotation)) == set(FITS)
    trims = next(each for each in get_args(fields["trim"].annotation) if get_args(each))
    assert set(get_args(trims)) == set(TRIMS)
    for key in TRIMS:
        expansion = find_trim_expansion(key)
        assert 0.0 < expansion.low <= expansion.value <= expansion.high
    pp = find_material("pp").expansion
    assert pp is not None
    assert find_trim_expansion("pp") == pp


def test_shrinkage_enlarges_stl_and_3mf_alone() -> None:
    body = Body(box_solid(), box_mesh())
    scale = stack_recipe(plug(printer={"shrinkage": 0.5}), noise=0.0, size=60.0, material=ASA).scale
    assert scale == pytest.approx(1.0 / 0.995)  # 0.5 %: 1.00503, 150 mm become 150.75 mm (worked example)
    plain, large = (encode_part(body, name="box", scale=s) for s in (1.0, scale))
    step = re.sub(rb"FILE_NAME.*?;", b"", plain["box.step"], flags=re.DOTALL)
    assert step == re.sub(rb"FILE_NAME.*?;", b"", large["box.step"], flags=re.DOTALL)
    small, big = (trimesh.load(io.BytesIO(files["box.stl"]), file_type="stl") for files in (plain, large))
    assert big.bounds == pytest.approx(scale * small.bounds, abs=1e-4)
    assert big.volume == pytest.approx(scale**3 * small.volume, rel=1e-5)
    points, printed = (read_3mf(files["box.3mf"], "box.3mf")[0] for files in (plain, large))
    assert printed == pytest.approx(scale * points, abs=1e-4)
    model = zipfile.ZipFile(io.BytesIO(large["box.3mf"])).read("3D/3dmodel.model").decode()
    assert f"{scale:.6f}" in model
    assert "EnlargedBy" not in zipfile.ZipFile(io.BytesIO(plain["box.3mf"])).read("3D/3dmodel.model").decode()


def test_an_enlarged_part_still_stands_on_the_build_plate() -> None:
    low = box_mesh().vertices.min(axis=0)
    place = np.eye(4)
    place[:3, 3] = -low  # its lowest corner at the plate's origin
    files = encode_part(Body(box_solid(), box_mesh()), name="box", scale=1.01, transform=place)
    placed, _, _ = read_3mf(files["box.3mf"], "box.3mf")
    assert placed.min(axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-4)
    assert np.ptp(placed, axis=0) == pytest.approx(1.01 * np.ptp(box_mesh().vertices, axis=0), abs=1e-4)


def test_enlarging_is_said_and_its_range_counts_as_an_error() -> None:
    plain, large = judge(plug()), judge(plug(printer={"shrinkage": "material"}))
    assert plain.facts["enlarged_by"] == 1.0
    assert ASA.shrinkage_pct is not None
    opens = 30.0 * ASA.shrinkage_pct.value / 100.0
    assert plain.facts["shrinkage_opens"] == pytest.approx(opens)
    assert "printer.shrinkage" in plain.notes[1]
    assert large.facts["shrinkage_opens"] == 0.0
    assert f"{large.facts['enlarged_by']:.5f}" in large.notes[1]
    assert large.facts["needed"] > plain.facts["needed"]
    measured = judge(plug(printer={"shrinkage": 0.5}))
    assert measured.facts["needed"] == pytest.approx(plain.facts["needed"])


def test_an_unknown_shrinkage_must_be_measured() -> None:
    with pytest.raises(MaterialError) as caught:
        judge(plug(material="pla-annealed", printer={"shrinkage": "material"}))
    assert "is not known" in caught.value.what
    assert "100 mm" in caught.value.remedy


def test_the_mouths_larger_size_counts() -> None:
    assert measure_mouth(box_recess(60, 40).rim) == pytest.approx(60.0)


def test_what_every_class_needs_stands_beside_what_was_asked() -> None:
    found = judge(plug())
    rows = found.facts["classes"]
    for row in rows:
        assert f"{row['sits']} {row['needed']:.2f}" in found.notes[0]
    assert [row["sits"] for row in rows] == ["press", "sliding", "loose", "lined"]
    assert "clearance 0.5 mm asked for" in found.notes[0]


def test_only_fits_with_a_limit_are_held_against_it() -> None:
    for sits, count in (("press", 2), ("sliding", 2), ("loose", 1), ("lined", 1)):
        checks = judge(plug(fit={"clearance": 2.0, "sits": sits})).checks
        assert len(checks) == count
        assert all(check.limit is not None for check in checks)
