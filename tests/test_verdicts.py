"""The list of verdicts of one real run: ranked, told apart, each with how sure it is and, where it is no pass, what to do."""

from __future__ import annotations

import json
import re
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from mountgen.pipeline import Made, make
from mountgen.recipe_file import load_recipe
from mountgen.report import load_report_schema
from mountgen.store import Store
from mountgen.verdict import BASES, SEVERITY

SCAN = Path(__file__).resolve().parent.parent / "examples" / "scans" / "switch_opening.ply"
RECIPE = """name = "blank"
base = "plug"

[flange]
width = 4
thickness = 2

[[keep_out]]
name = "airbag cover"
kind = "airbag"
low = [-30, 40, -5]
high = [30, 60, 5]

[[keep_out]]
name = "far lever"
kind = "lever"
low = [-30, 300, -5]
high = [30, 360, 5]
"""


class Silent:
    def stage(self, name: str) -> AbstractContextManager[None]:
        return nullcontext()

    def say(self, text: str) -> None:
        pass


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A blank for the smallest scan of the examples, with a flange, beside an airbag."""
    folder = tmp_path_factory.mktemp("blank")
    (folder / "blank.toml").write_text(RECIPE, encoding="utf-8")
    recipe = load_recipe(folder / "blank.toml", scan=SCAN)
    return make(recipe, folder / "out", store=Store(None), progress=Silent())


def checks_of(made: Made) -> list[dict[str, Any]]:
    report = json.loads(made.files["report.json"].read_bytes())
    checks: list[dict[str, Any]] = report["checks"]
    return checks


def test_the_worst_come_first_in_the_report_too(made: Made) -> None:
    ranks = [SEVERITY[check["verdict"]] for check in checks_of(made)]
    assert ranks == sorted(ranks)
    assert {0, 2} <= set(ranks)
    assert [check["name"] for check in checks_of(made)] == [check.name for check in made.checks]
    assert len({check.name for check in made.checks}) == len(made.checks)


def test_every_check_says_how_sure_its_limit_is(made: Made) -> None:
    for check in checks_of(made):
        assert check["basis"] in BASES, check["name"]
        words = check["source"]
        for basis in BASES:
            words = words.replace(basis, "")
        assert len(words.split()) >= 3, (check["name"], check["source"])  # and why, or whose


def test_what_is_no_pass_says_what_to_do_and_what_is_says_nothing(made: Made) -> None:
    for check in made.checks:
        assert (check.remedy == "") == (check.verdict == "pass"), check
    by_name = {check.name: check for check in made.checks}
    bag, lever = by_name["distance from airbag cover"], by_name["distance from far lever"]
    assert (bag.verdict, bag.limit, lever.verdict) == ("fail", 50.0, "pass")
    assert bag.value is not None
    assert 0.0 < bag.value < 50.0
    assert by_name["airbags looked up"].verdict == "caution"


def test_the_report_is_valid_and_tells_the_cautions(made: Made) -> None:
    report = json.loads(made.files["report.json"].read_bytes())
    Draft202012Validator(load_report_schema()).validate(report)
    assert report["verdict"] == "fail"
    assert {"airbags", "burning", "approval"} <= {caution["topic"] for caution in report["cautions"]}
    assert {"edges", "keep_outs", "surroundings"} <= set(report["service"])
    assert [fact["name"] for fact in report["service"]["keep_outs"]["keep_outs"]] == ["airbag cover", "far lever"]


def test_nothing_in_the_report_promises_safety_or_approval(made: Made) -> None:
    text = made.files["report.json"].read_text(encoding="utf-8").lower()
    assert not re.search(r"crash-?proof|guarantee|is approved|are approved|certified|is legal|complies with", text)


def test_the_recipe_written_with_it_loads_again(made: Made) -> None:
    again = load_recipe(made.files["blank.resolved.toml"])
    assert [(each.name, each.distance) for each in again.keep_out] == [("airbag cover", 50.0), ("far lever", 0.0)]
