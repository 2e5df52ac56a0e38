"""The example with tabs beside its tape and a clearance that is found, from the recipe to the report."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import trimesh
from jsonschema import Draft202012Validator

from mountgen.pipeline import make
from mountgen.recipe_file import load_recipe
from mountgen.report import load_report_schema
from mountgen.store import Store

RECIPE = Path(__file__).resolve().parent.parent / "examples" / "juniper-shelf-tabs.toml"


class Quiet:
    """Takes the progress and says nothing."""

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        yield

    def say(self, text: str) -> None:
        pass


def test_tabs_and_tape_from_recipe_to_report(tmp_path: Path) -> None:
    recipe = load_recipe(RECIPE, overrides=["fit.clearance=auto"])
    made = make(recipe, tmp_path, store=Store(tmp_path / "cache"), progress=Quiet())
    report = json.loads((tmp_path / "report.json").read_text(encoding="utf-8"))
    Draft202012Validator(load_report_schema()).validate(report)
    verdicts = {check.name: check.verdict for check in made.checks}
    for name in ("manifold", "one piece", "tape area at peaks", "room for the tape", "clearance for a sliding fit"):
        assert verdicts[name] == "pass", name
    across = report["service"]["tabs"]["layers_across"]
    assert verdicts["tab strain at the first fitting"] == ("caution" if across else "pass")
    asked = report["service"]["fit_stack"]["needed"]
    assert 0.0 <= report["recipe"]["fit"]["clearance"] - asked <= 0.011
    assert len(report["service"]["tabs"]["tabs"]) == 2
    assert any("how to stick it in" in note for note in report["notes"])
    printed = trimesh.load(tmp_path / "juniper-shelf-tabs.stl")
    assert printed.is_watertight
    crests = [abs(tab["crest"][0]) for tab in report["service"]["tabs"]["tabs"]]
    assert min(crests) > 0.45 * float(printed.extents[0])  # one at each end


def test_slots_that_graze_the_wall_come_out_clear(tmp_path: Path) -> None:
    """The starter on the same cubby: the kernel left a skin of 0.02 mm across a slot there, which no key of the recipe mends."""
    own = tmp_path / "own.toml"
    scan = (RECIPE.parent / "scans" / "dash_cubby.ply").as_posix()
    own.write_text(f'base = "phone-shelf"\nscan.file = "{scan}"\nmouth.up = 12\ndevice.lean = 35\n', encoding="utf-8")
    made = make(load_recipe(own), tmp_path / "out", store=Store(tmp_path / "cache"), progress=Quiet())
    found = {check.name: check for check in made.checks}
    for name in ("wall thickness", "narrowest gap", "one piece", "manifold"):
        assert found[name].verdict == "pass", (name, found[name].value, found[name].place)
