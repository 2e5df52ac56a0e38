"""The command line: exit codes, what goes to which stream, and that printing never fails or hides anything.

The library behind the commands is replaced by stand-ins here; what it makes is tested with its own modules.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from textwrap import dedent
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
import typer

from mountgen import cli
from mountgen.cli import main
from mountgen.errors import KernelError, LoftError, RecipeError, ScanError
from mountgen.paper import Papers
from mountgen.service.cautions import Caution
from mountgen.verdict import Check, format_minutes, format_number, rank_checks

ROOT = Path(__file__).resolve().parent.parent
PASS = Check("manifold", "pass", 1, 1, "", "recipe")
CAUTION = Check(
    "wall [thin]", "caution", 1.234, 1.6, "mm", "common practice", "set body.wall = 1.6", "9:30 o'clock"
)
FAIL = Check(
    "clearance at rest", "fail", -0.1234, 0.47, "mm", "recipe", "set fit.clearance = 0.7", "x 1.0 y 2.0"
)


class Library:
    """Stand-ins for the library; records how it was called."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.checks: tuple[Check, ...] = (PASS,)
        self.cautions: tuple[Caution, ...] = (Caution("airbags", "keep it off every airbag's cover", "more of that"),)
        self.failure: BaseException | None = None
        self.said = ["mouth      190.0 x 75.0 mm ≤ [limit]"]
        self.loaded: dict[str, Any] = {}
        self.made: dict[str, Any] = {}
        recipe_file, pipeline = ModuleType("mountgen.recipe_file"), ModuleType("mountgen.pipeline")
        recipe_file.load_recipe = self.load_recipe  # type: ignore[attr-defined]
        recipe_file.write_starter = self.write_starter  # type: ignore[attr-defined]
        pipeline.make = self.make  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "mountgen.recipe_file", recipe_file)
        monkeypatch.setitem(sys.modules, "mountgen.pipeline", pipeline)

    def load_recipe(self, path: Path, **options: Any) -> object:
        self.loaded = {"path": path, **options}
        if isinstance(self.failure, RecipeError):
            raise self.failure
        return SimpleNamespace(name="shelf")

    def write_starter(self, starter: str, scan: Path) -> Path:
        if starter != "plug":
            raise RecipeError(f"no starter is called {starter!r}", "STARTER", "did you mean plug?")
        return scan.with_name(f"{scan.stem}-plug.toml")

    def make(self, recipe: object, out: Path, *, progress: Any, **options: Any) -> object:
        self.made = {"out": out, **options}
        for text in self.said:
            progress.say(text)
        with progress.stage("loft the body"):
            if self.failure is not None:
                raise self.failure
        files = {"shelf.stl": out / "shelf.stl", "report.json": out / "report.json"}
        return SimpleNamespace(
            report={}, files=files, checks=self.checks, cautions=self.cautions, seconds={"read": 0.25, "loft": 1.0}
        )


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    monkeypatch.delenv("COLUMNS", raising=False)
    return Library(monkeypatch)


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    code = left.value.code
    assert isinstance(code, int)
    return code


def test_made_and_passed_is_0(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("make", "a/shelf.toml") == 0
    out, err = capsys.readouterr()
    assert "mouth      190.0 x 75.0 mm ≤ [limit]" in out
    assert "manifold" in out
    assert f"wrote {Path('a') / 'shelf.stl'}" in out
    assert "in 1.2 s" in out or "in 1.3 s" in out
    assert "loft the body" in err  # progress, one line a stage
    assert "fail" not in out + err


def test_a_caution_is_still_0(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    library.checks = (PASS, CAUTION)
    assert run("make", "shelf.toml") == 0
    assert "9:30 o'clock: set body.wall = 1.6" in " ".join(capsys.readouterr().out.split())


def test_a_failed_check_is_3_and_said_last(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    library.checks = (PASS, CAUTION, FAIL)
    assert run("make", "shelf.toml") == 3
    out, err = capsys.readouterr()
    rows = [
        line.split()[0] for line in out.splitlines() if line.split()[:1] in (["fail"], ["caution"], ["pass"])
    ]
    assert rows == ["fail", "caution", "pass"]
    row = next(line for line in out.splitlines() if line.split()[:1] == ["fail"])
    assert all(part in row for part in ("clearance at rest", "-0.123", "0.47", "mm", "recipe"))
    assert "x 1.0 y 2.0: set fit.clearance = 0.7" in out
    assert "wall [thin]" in out  # brackets are text, not markup
    assert "wrote" in out
    assert err.splitlines()[-3:] == [
        "1 of 3 checks failed; the files are written, but do not rely on this part:",
        "  clearance at rest: -0.123 mm, limit 0.47 mm, at x 1.0 y 2.0",
        "    set fit.clearance = 0.7",
    ]


SURE = (
    Check("a", "pass", 1.0, 1.0, "mm", "recipe: fit.clearance"),
    Check("b", "caution", 20.0, 21.0, "°C", "a data sheet (read); the gap to it is our rule", "set sheet", "x 1 y 2 z 3 mm"),
    Check("c", "fail", 1.0, 2.0, "N", "a handbook, from memory; friction is our rule"),
    Check("d", "fail", 1.0, 2.0, "", "nobody spread the word already"),
    Check("e", "pass", 1.0, 2.0, "share", "common practice; a page that was read says the same"),
)


def test_how_sure_a_limit_is_goes_by_the_least_sure_of_what_it_rests_on() -> None:
    assert [check.basis for check in SURE] == ["recipe", "our rule", "from memory", None, "common practice"]


def test_the_worst_come_first_else_in_their_order() -> None:
    assert [check.name for check in rank_checks(SURE)] == ["c", "d", "b", "a", "e"]


@pytest.mark.parametrize("width", [80, 120])
def test_the_table_is_readable_at_usual_widths(
    library: Library, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    long = Check(
        "radius of exposed edges", "caution", 0.78125, 3.2, "mm", "radii of 2.5 or 3.2 mm by zone (a digest was read): our rule",
        "set body.edge_radius = 3.2 and lip.thickness = 6.4, or sand it round", "x -13.5 y -33.8 z 4.0 mm, 5:15 o'clock",
    )  # fmt: skip
    library.checks = (*SURE, long)
    monkeypatch.setenv("COLUMNS", str(width))
    assert run("make", "shelf.toml") == 3
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= width
    (row,) = (line for line in lines if "radius of exposed edges" in line)
    assert row.split() == ["caution", "radius", "of", "exposed", "edges", "0.781", "3.2", "mm", "our", "rule"]
    told = " ".join(line.strip() for line in lines[lines.index(row) + 1 :])
    advice = "5:15 o'clock: set body.edge_radius = 3.2 and lip.thickness = 6.4, or sand it round limit: radii of 2.5"
    assert advice in " ".join(told.split())
    assert sum(line.strip().startswith("caution") for line in lines) == 2


def test_what_passed_shares_a_row_at_a_terminal_but_for_the_proof_of_fit(
    library: Library, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ["manifold", "one piece", "wall thickness", "room on the bed"]
    proof = Check("clearance over the insertion", "pass", 0.477, 0.47, "mm", "recipe")
    library.checks = (*(Check(name, "pass", 7.25, 6.5, "mm", "recipe") for name in names), proof, CAUTION)
    with monkeypatch.context() as terminal:
        terminal.setenv("FORCE_COLOR", "1")  # as if at a terminal
        assert run("make", "shelf.toml") == 0
        out = re.sub(r"\x1b\[[\d;]*m", "", capsys.readouterr().out)
        table = out[out.index("verdict") : out.index("Keep in mind")].splitlines()
        assert [line.split()[0] for line in table if line and line[0] != " "] == ["verdict", "caution", "pass", "pass"]
        assert "pass     clearance over the insertion  0.477   0.47  mm    recipe" in table
        assert "pass     4 more (--all lists them):" in table
        assert ", ".join(names) in out
        assert "7.25" not in out
        assert run("make", "shelf.toml", "--all") == 0
        assert capsys.readouterr().out.count("7.25") == 4
    assert run("make", "shelf.toml") == 0  # another program reads along
    rows = [line for line in capsys.readouterr().out.splitlines() if line.startswith("pass ")]
    assert [row.split()[-4:] for row in rows if "clearance" not in row] == 4 * [["7.25", "6.5", "mm", "recipe"]]
    assert len(rows) == 5
    library.checks = (*library.checks, FAIL)
    assert run("make", "shelf.toml", "--quiet") == 3
    out = capsys.readouterr().out
    assert "pass" not in out
    assert "more" not in out


def test_findings_go_on_under_their_own_beginning(
    library: Library, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    library.said = ["note       " + "word " * 12, "short"]
    assert run("make", "shelf.toml") == 0
    first, second, third = capsys.readouterr().out.splitlines()[:3]
    assert first.startswith("note       word")
    assert second.startswith(" " * 11 + "word")
    assert third.startswith(" " * 11 + "word") or third.startswith("short")


def test_cautions_are_told_in_a_sentence_each(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("make", "shelf.toml") == 0
    out = capsys.readouterr().out
    assert "airbags" in out
    assert "keep it off every airbag's cover" in out
    assert "more of that" not in out


@pytest.mark.parametrize(
    "failure",
    [
        LoftError("the wall crosses itself", "section 3 of 20", "set fit.draft = 2"),
        ScanError("no faces [0]", "a.ply", "export a mesh"),
        RecipeError("unknown key 'clearence'", "a.toml:5: fit.clearence", "did you mean clearance?"),
        KernelError("the system has no libGL.so.1", "kernel", "apt-get install libgl1"),
    ],
)
def test_not_made_is_1(library: Library, capsys: pytest.CaptureFixture[str], failure: ScanError) -> None:
    library.failure = failure
    assert run("make", "shelf.toml") == 1
    out, err = capsys.readouterr()
    assert err.splitlines()[-3:] == [
        f"error: {failure.what}",
        f"  where:  {failure.where}",
        f"  remedy: {failure.remedy}",
    ]
    assert "wrote" not in out
    assert "Traceback" not in err


def test_a_bug_keeps_its_traceback(library: Library) -> None:
    library.failure = ZeroDivisionError("a bug")
    with pytest.raises(ZeroDivisionError):
        main(["make", "shelf.toml"])


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["make"], "RECIPE"),
        (["make", "a.toml", "b.toml"], "b.toml"),
        (["make", "a.toml", "--sett", "x=1"], "--sett"),
        (["make", "a.toml", "--set", "clearance"], "fit.clearance=0.6"),
        (["make", "a.toml", "--set", "=0.6"], "fit.clearance=0.6"),
        (["make", "a.toml", "--paper", "letter"], "--drawing"),
        (["make", "a.toml", "--sheets", "--paper", "a3"], "a3"),
        (["make", "a.toml", "--drawing", "--station", "12"], "--sheets"),
        (["gauge"], "RECIPE"),
        (["gauge", "a.toml", "--sheets"], "--sheets"),
        (["survey", "a.ply", "--unit", "furlong"], "furlong"),
        (["survey"], "SCAN"),
        (["survey", "a.ply", "--clearance", "0"], "--clearance"),
        (["survey", "a.ply", "--length", "9 to 3 = 12"], '"12 mm"'),
        (["survey", "a.ply", "--size", "150x90x60"], "--plan"),
        (["survey", "--plan"], "--size"),
        (["survey", "--plan", "--size", "150x90"], "150x90x60"),
        (["survey", "a.ply", "--plan", "--size", "150x90x60"], "leave it out"),
        (["new", "plug"], "--scan"),
        (["mak", "a.toml"], "mak"),
        ([], "Usage"),
    ],
)
def test_a_wrong_command_line_is_2(
    library: Library, capsys: pytest.CaptureFixture[str], arguments: list[str], named: str
) -> None:
    assert run(*arguments) == 2
    out, err = capsys.readouterr()
    assert named in out + err
    assert library.loaded == {}


def test_options_reach_the_library(library: Library, tmp_path: Path) -> None:
    options = (
        "--set",
        "fit.clearance=0.6",
        "--scan",
        "b.ply",
        "--set",
        'note="a=b"',
        "--out",
        str(tmp_path / "new"),
        "--pictures",
    )
    assert run("make", "a/shelf.toml", *options) == 0
    assert library.made["pictures"] is True
    assert library.loaded == {
        "path": Path("a/shelf.toml"),
        "overrides": ["fit.clearance=0.6", 'note="a=b"'],
        "scan": Path("b.ply"),
    }
    assert library.made["out"] == tmp_path / "new"
    assert library.made["sources"] == (Path("a/shelf.toml"),)
    assert library.made["store"].folder == Path(os.environ["MOUNTGEN_CACHE"])
    assert run("make", "a/shelf.toml") == 0
    assert library.made["out"] == Path("a")  # beside the recipe
    assert library.made["pictures"] is False
    assert library.loaded["overrides"] == []
    assert library.loaded["scan"] is None


def test_what_is_wanted_on_paper_reaches_the_library(library: Library) -> None:
    assert run("make", "shelf.toml") == 0
    assert library.made["papers"] == Papers(size="a4", sheets=False, drawing=False, stations=())
    assert run("make", "shelf.toml", "--sheets", "--station", "4", "--station", "12.5", "--paper", "letter") == 0
    assert library.made["papers"] == Papers(size="letter", sheets=True, stations=(4.0, 12.5))
    assert run("make", "shelf.toml", "--drawing") == 0
    assert library.made["papers"] == Papers(size="a4", drawing=True)


def test_a_gauge_is_made_beside_the_recipe_and_shown_like_a_part(
    library: Library, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    gauge = ModuleType("mountgen.gauge_print")
    gauge.make_gauge = library.make  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "mountgen.gauge_print", gauge)
    assert run("gauge", "a/shelf.toml", "--set", "fit.clearance=0.6", "--pictures") == 0
    assert (library.made["out"], library.made["sources"]) == (Path("a"), (Path("a/shelf.toml"),))
    assert library.made["pictures"] is True
    assert library.loaded["overrides"] == ["fit.clearance=0.6"]
    assert library.made["shape"] == "plates"
    assert run("gauge", "a/shelf.toml", "--skin") == 0
    assert library.made["shape"] == "skin"
    library.checks = (FAIL,)
    assert run("gauge", "a/shelf.toml") == 3
    out, err = capsys.readouterr()
    assert "set fit.clearance = 0.7" in out
    assert "do not rely on this part" in err


def test_new_says_what_to_run_next(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("new", "plug", "--scan", "my scans/cubby.ply") == 0
    assert f'mountgen make "{Path("my scans") / "cubby-plug.toml"}"' in capsys.readouterr().out
    assert run("new", "plugg", "--scan", "cubby.ply") == 1
    assert "did you mean plug?" in capsys.readouterr().err


class Surveyor:
    """A stand-in for the survey; records how it was called."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.checks: tuple[Check, ...] = (PASS,)
        self.failure: Exception | None = None
        self.called: tuple[Any, dict[str, Any]] = ((), {})
        module = ModuleType("mountgen.survey")
        module.survey_file = self.survey_file  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "mountgen.survey", module)

    def survey_file(self, *places: Path, progress: Any, **options: Any) -> object:
        self.called = (places, options)
        with progress.stage("look at it"):
            if self.failure is not None:
                raise self.failure
        rows = [("depth", "60.1 mm"), ("picture", "x/a.png")]
        facts = {"depth": 60.1, "note": "≤ ü"}
        return SimpleNamespace(rows=lambda: rows, facts=lambda: facts, checks=self.checks, picture=Path("x/a.png"))


@pytest.fixture
def surveyor(monkeypatch: pytest.MonkeyPatch) -> Surveyor:
    monkeypatch.delenv("COLUMNS", raising=False)
    return Surveyor(monkeypatch)


def test_survey_prints_what_was_found(surveyor: Surveyor, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("survey", "x/a.ply", "--unit", "cm", "--clearance", "0.3", "--length", "9 to 3 = 120 mm") == 0
    out, err = capsys.readouterr()
    assert [line.split() for line in out.splitlines()[:2]] == [["depth", "60.1", "mm"], ["picture", "x/a.png"]]
    assert "manifold" in out
    assert "look at it" in err
    places, options = surveyor.called
    assert places == (Path("x/a.ply"), Path("x"))
    assert (options["unit"], options["clearance"]) == ("cm", 0.3)
    assert [(each.ends, each.measured) for each in options["lengths"]] == [((9.0, 3.0), 120.0)]


def test_survey_exit_codes(surveyor: Surveyor, capsys: pytest.CaptureFixture[str]) -> None:
    surveyor.checks = (PASS, CAUTION)
    assert run("survey", "a.ply") == 0
    surveyor.checks = (PASS, FAIL)
    assert run("survey", "a.ply") == 3
    surveyor.failure = ScanError("no faces", "a.ply", "export a mesh")
    capsys.readouterr()
    assert run("survey", "a.ply") == 1
    assert "error: no faces" in capsys.readouterr().err


def test_quiet_prints_only_what_is_no_pass_and_the_files(
    library: Library, surveyor: Surveyor, capsys: pytest.CaptureFixture[str]
) -> None:
    library.checks = surveyor.checks = (PASS, CAUTION, FAIL)
    for command, file in (("make", f"wrote {Path('shelf.stl')}"), ("survey", f"wrote {Path('x/a.png')}")):
        assert run(command, "a.toml", "--quiet") == 3
        out, err = capsys.readouterr()
        assert err == ""
        assert [line.split()[0] for line in out.splitlines() if line and line[0] != " "][:3] == ["verdict", "fail", "caution"]
        assert "manifold" not in out
        assert file in out
        assert "set body.wall = 1.6" in out
        assert " s" not in out.splitlines()[-1]
    library.checks = surveyor.checks = (PASS,)
    assert run("make", "shelf.toml", "--quiet") == 0
    assert run("survey", "a.ply", "--quiet") == 0
    assert all(line.startswith("wrote ") for line in capsys.readouterr().out.splitlines())


def test_json_prints_that_and_nothing_else(
    library: Library, surveyor: Surveyor, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    library.checks = surveyor.checks = (PASS, FAIL)
    report = {"name": "shelf", "unit": "mm²", "value": None}
    (tmp_path / "report.json").write_text(json.dumps(report, ensure_ascii=False), encoding="utf-8")
    make, survey = ("make", "a.toml", "--out", str(tmp_path)), ("survey", "a.ply")
    for command, told in ((make, report), (survey, {"depth": 60.1, "note": "≤ ü"})):
        assert run(*command, "--json") == 3
        out, err = capsys.readouterr()
        assert (json.loads(out), err, out.isascii()) == (told, "", True)


def test_json_leaves_stdout_empty_when_nothing_was_made(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    library.failure = ScanError("no faces", "a.ply", "export a mesh")
    assert run("make", "a.toml", "--json") == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: no faces")


def test_a_plan_is_printed_without_any_scan(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("survey", "--plan", "--size", "150x90x60") == 0
    out = capsys.readouterr().out
    assert "150 x 90 mm, 60 mm deep" in out
    assert "[ ] markers" in out
    assert run("survey", "--plan", "--size", "150x90x60", "--json") == 0
    assert json.loads(capsys.readouterr().out)["width"] == 150.0


def test_a_file_name_cannot_steer_the_terminal(library: Library, capsys: pytest.CaptureFixture[str]) -> None:
    library.said = ["scan \x1b[2J\x1b]0;title\x07.ply"]
    library.failure = ScanError("bad \x1b[31m", "a\r.ply", "rename")
    assert run("make", "shelf.toml") == 1
    out, err = capsys.readouterr()
    assert not any(c in out + err for c in "\x1b\x07\r")


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--version") == 0
    assert capsys.readouterr().out.startswith("mountgen")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "-"), (float("nan"), "-"), (float("inf"), "-"), (0.0, "0"), (1, "1"), (-3.0, "-3"),
        (0.5, "0.5"),
        (0.4704, "0.47"), (0.03125, "0.031"), (0.00042, "0.0004"), (-0.1234, "-0.123"), (12.345, "12.35"),
        (220.04, "220"), (654.32, "654.3"), (123456.7, "123457"), (-0.0, "0"),
    ],
)  # fmt: skip
def test_numbers(value: float | None, text: str) -> None:
    assert format_number(value) == text


def test_hours_and_minutes() -> None:
    assert [format_minutes(each) for each in (0.4, 59.6, 416.2)] == ["0 h 00 min", "1 h 00 min", "6 h 56 min"]


# --- in a process of its own, where streams, signals and terminals are real ---

DRIVER = dedent("""
    import sys, time
    from pathlib import Path
    from types import ModuleType, SimpleNamespace
    from mountgen.verdict import Check

    def make(recipe, out, *, progress, **_):
        progress.say("mouth ≤ 75 mm, 3°, naïve \\udc80 name")
        with progress.stage("loft the body"):
            if "--slow" in flags:
                print("ready", flush=True)
                time.sleep(30)
        checks = (Check("gap", "fail", 0.1, 0.5, "mm²", "recipe", "use 0.6 – or more"),)
        seconds = {"read the scan": 0.2, "loft the body": 1.2, "report": 0.05, "load": 0.02}
        return SimpleNamespace(report={}, files={"a": Path("ä.stl")}, checks=checks * 400, cautions=(), seconds=seconds)

    recipe_file, pipeline = ModuleType("mountgen.recipe_file"), ModuleType("mountgen.pipeline")
    recipe_file.load_recipe = lambda *a, **k: SimpleNamespace(name="shelf")
    pipeline.make = make
    sys.modules |= {"mountgen.recipe_file": recipe_file, "mountgen.pipeline": pipeline}
    from mountgen.cli import run
    flags = sys.argv[1:]
    if "--help" not in flags:
        sys.argv[1:] = ["make", "a.toml", *(flag for flag in flags if flag == "--quiet")]
    run()
""")


def start(*flags: str, **options: Any) -> subprocess.Popen[bytes]:
    variables = {
        k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "TERM")
    }
    options["env"] = variables | {"PYTHONPATH": str(ROOT)} | options.pop("env", {})
    return subprocess.Popen([sys.executable, "-c", DRIVER, *flags], **options)


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437", "utf-8"])
def test_any_output_encoding_will_do(encoding: str) -> None:
    process = start(
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    )
    out, err = (stream.decode(encoding) for stream in process.communicate(timeout=60))
    assert process.returncode == 3, err
    assert "Traceback" not in err
    first = out.splitlines()[0]
    if encoding == "utf-8":
        assert first.startswith("mouth ≤ 75 mm, 3°, naïve")
    if encoding == "ascii":
        assert first.startswith("mouth <= 75 mm, 3 deg, na?ve")
        assert "use 0.6 - or more" in out
        assert "wrote ?.stl" in out


@pytest.mark.skipif(os.name != "posix", reason="signals are sent otherwise there")
def test_ctrl_c_ends_clean_with_130() -> None:
    process = start("--slow", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    while b"ready" not in process.stdout.readline():
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert err.decode().splitlines()[-1] == "stopped"
    assert b"Traceback" not in out + err


@pytest.mark.skipif(os.name != "posix", reason="pipes close otherwise there")
def test_a_reader_that_leaves_changes_no_exit_code() -> None:
    read, write = os.pipe()
    process = start(stdout=write, stderr=subprocess.PIPE)
    os.close(write)
    os.close(read)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 3
    assert b"Traceback" not in err
    assert b"Exception" not in err
    assert b"checks failed" in err


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device there that is always full")
def test_a_result_that_cannot_be_printed_is_an_error() -> None:
    with open("/dev/full", "wb") as full:
        process = start(stdout=full, stderr=subprocess.PIPE)
        _, err = process.communicate(timeout=60)
        assert process.returncode == 1
        assert err.decode().splitlines()[-3] == "error: what was found cannot be printed (No space left on device)"
        assert b"Traceback" not in err
        assert b"Exception" not in err
        process = start("--help", stdout=full, stderr=subprocess.PIPE)
        _, err = process.communicate(timeout=60)
        assert process.returncode == 1
        assert err.decode().splitlines()[-3] == "error: what was found cannot be printed (No space left on device)"
        assert b"Traceback" not in err
        process = start(stdout=subprocess.PIPE, stderr=full)  # progress that cannot be shown is none
        out, _ = process.communicate(timeout=60)
        assert process.returncode == 3
        assert b"checks failed" not in out


@pytest.mark.skipif(os.name != "posix", reason="a shell closes streams otherwise there")
def test_a_closed_output_changes_no_exit_code() -> None:
    process = start(stdout=None, stderr=None, preexec_fn=lambda: (os.close(1), os.close(2)))
    assert process.wait(timeout=60) == 3


def watch_terminal(*flags: str, **env: str) -> bytes:
    """Run at a terminal and return all that it shows."""
    import pty

    inner, outer = pty.openpty()
    process = start(*flags, stdout=outer, stderr=outer, env={"TERM": "xterm-256color"} | env)
    os.close(outer)
    seen = b""
    while True:
        try:
            block = os.read(inner, 65536)
        except OSError:  # how Linux says that the other end is closed
            break
        if not block:
            break
        seen += block
    os.close(inner)
    assert process.wait(timeout=60) == 3
    return seen


@pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals there")
@pytest.mark.parametrize("no_color", [False, True])
def test_colours_at_a_terminal_unless_unwanted(no_color: bool) -> None:
    seen = watch_terminal(**({"NO_COLOR": "1"} if no_color else {}))
    assert (b"\x1b[1;31m" in seen) is not no_color
    assert b"loft the body" in seen


@pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals there")
def test_stages_have_their_times_at_a_terminal_too() -> None:
    """The live line is gone by then: the last line says what the run was spent on, the longest first."""
    assert re.search(rb"in 1\.5 s: loft the body 1\.2, read the scan 0\.2\b", watch_terminal())
    assert b"loft the body 1.2" not in watch_terminal("--quiet")


@pytest.mark.skipif(os.name != "posix", reason="no pseudo-terminals there")
def test_no_progress_at_a_terminal_where_it_is_to_be_quiet() -> None:
    seen = watch_terminal("--quiet")
    assert b"loft the body" not in seen
    assert b"mouth" not in seen
    assert b"use 0.6" in seen


def test_no_colour_and_no_live_line_where_there_is_no_terminal() -> None:
    process = start(stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={"TERM": "xterm-256color"})
    out, err = process.communicate(timeout=60)
    assert b"\x1b" not in out + err
    assert err.splitlines()[0].endswith(b"load libraries")


def test_a_missing_system_library_is_named(tmp_path: Path) -> None:
    """The solid kernel's import fails as it does on a slim machine; the message names the package."""
    (tmp_path / "OCP").mkdir()
    reason = "libGL.so.1: cannot open shared object file: No such file or directory"
    (tmp_path / "OCP" / "__init__.py").write_text(f"raise ImportError({reason!r})")
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import mountgen.platform_check as p; p.require_kernel()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 1
    assert "KernelError" in done.stderr
    if sys.platform.startswith("linux"):
        assert "the system has no libGL.so.1" in done.stderr
        assert "apt-get install libgl1" in done.stderr


def test_ctrl_c_while_the_kernel_loads_is_no_broken_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its parts are loaded by C++, which makes "initialization failed" of whatever is raised meanwhile."""
    from mountgen import platform_check

    def load(_: str) -> None:
        try:
            raise KeyboardInterrupt
        except KeyboardInterrupt as stop:
            raise ImportError("initialization failed") from stop

    monkeypatch.setattr(platform_check.importlib, "import_module", load)
    with pytest.raises(KeyboardInterrupt):
        platform_check.require_kernel()


@pytest.mark.parametrize("stopped", [True, False])
def test_ctrl_c_while_a_loop_is_loaded_ends_with_130_and_a_bug_does_not(
    capsys: pytest.CaptureFixture[str], stopped: bool
) -> None:
    """The compiler makes a SystemError of it, from C."""

    def load() -> None:
        try:
            raise KeyboardInterrupt if stopped else ValueError
        except BaseException as error:
            raise SystemError("returned a result with an exception set") from error

    with pytest.raises(typer.Exit if stopped else SystemError) as caught, cli._failures_shown():
        load()
    assert getattr(caught.value, "exit_code", None) == (130 if stopped else None)
    assert capsys.readouterr().err == ("stopped\n" if stopped else "")


def test_every_way_the_kernel_may_be_missing_is_explained() -> None:
    from mountgen.platform_check import explain_import_error

    absent = explain_import_error(ModuleNotFoundError("No module named 'OCP'", name="OCP"), platform="darwin")
    assert (absent.what, "cadquery" in absent.remedy) == ("the solid kernel is not installed", True)
    odd = explain_import_error(ImportError("libfoo-2.so.3: cannot open shared object file"), platform="linux")
    assert "libfoo-2.so.3" in odd.what
    assert "package that holds libfoo-2.so.3" in odd.remedy
    dll = explain_import_error(ImportError("DLL load failed while importing OCP"), platform="win32")
    assert "Visual C++ runtime" in dll.remedy
    other = explain_import_error(ImportError("undefined symbol: _ZN3foo"), platform="linux")
    assert "undefined symbol" in other.what
    assert "--force-reinstall" in other.remedy
