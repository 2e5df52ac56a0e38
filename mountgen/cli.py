"""The command line, and the only file that prints.

A command loads what it needs itself, so that `--help` answers at once; it makes one library call and shows
the result. What was found and the verdicts go to stdout, progress and failures to stderr.
"""

from __future__ import annotations

import codecs
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from enum import StrEnum
from errno import ENOSPC
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

import typer
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.status import Status
from rich.table import Table
from rich.text import Text

from mountgen.child import see_off
from mountgen.errors import MountgenError, was_stopped
from mountgen.loading import loading
from mountgen.verdict import format_number, put_away, rank_checks

if TYPE_CHECKING:
    from mountgen.hand_length import HandLength
    from mountgen.material_table import Grid
    from mountgen.pipeline import Made
    from mountgen.scan_plan import ScanPlan
    from mountgen.service.cautions import Caution
    from mountgen.verdict import Check

MADE, NOT_MADE, CHECK_FAILED, STOPPED = 0, 1, 3, 130  # 2 (a wrong command line) comes from the parser
LOG_WIDTH = 120  # characters a line where the output is no terminal and COLUMNS is not set
BASES_IN_SHORT = {"from memory": "memory", "common practice": "practice", "by definition": "defined"}  # in the table of verdicts
RIGHT = (2, 3)  # columns of the table of verdicts that hold numbers
PLAN_INDENT = (0, 0, 0, 4)
INDENT = (0, 0, 0, 9)  # of what stands under a check's name
LONG = 0.1  # s that a stage has to take to be told of
SAID = 11  # characters before a finding's words: they stand in line, and go on there
COLOURS = {"fail": "bold red", "caution": "yellow", "pass": "green"}
EPILOG = (
    "Exit codes: 0 made and no check failed (cautions are shown); 3 made and written, but a check failed; "
    "1 could not be made, nothing written; 2 wrong command line."
)

SURVEY_EPILOG = (
    "Exit codes: 0 the scan will do (cautions are shown); 3 a verdict is fail: scan again; 1 the file is no scan of a recess; "
    "2 wrong command line."
)
LENGTH_HELP = (
    'A length you measured, to check the scale: "A to B = 120.3 mm". A and B are points "(x, y, z)" in the file\'s own '
    'coordinates, or clock positions of the dial such as 9 or 3:30: on the rim, or between the walls with a depth: '
    '"9 to 3 at 10 = 187.4 mm". '
    '"farthest = 203.5 mm" takes the two rim points that are farthest apart. As often as needed.'
)
Quiet = Annotated[bool, typer.Option("--quiet", help="Print only verdicts that are no pass, and the files.")]
Every = Annotated[bool, typer.Option("--all", help="Give each check that passed its row at a terminal too, unless --quiet.")]
Json = Annotated[bool, typer.Option("--json", help="Print what was found as JSON, and nothing else.")]


def _check_overrides(values: list[str] | None) -> list[str]:
    for value in values or []:
        key, equals, _ = value.partition("=")
        if not (key.strip() and equals):
            raise typer.BadParameter(f"{value!r} is not KEY=VALUE, such as fit.clearance=0.6")
    return values or []


RecipeFile = Annotated[Path, typer.Argument(metavar="RECIPE", help="Recipe file (TOML).", show_default=False)]
ScanFile = Annotated[
    Path | None, typer.Option("--scan", metavar="FILE", help="Scan to use instead of the recipe's.", show_default=False)
]
OutFolder = Annotated[
    Path | None,
    typer.Option("--out", help="Folder for the files, made if missing; default beside the recipe.", show_default=False),
]
Overrides = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="KEY=VALUE",
        callback=_check_overrides,
        help="Replace one value of the recipe, such as fit.clearance=0.6; as often as needed.",
        show_default=False,
    ),
]

app = typer.Typer(
    help="From a raw scan of a recess and a short recipe to a part that goes in.",
    epilog=EPILOG,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class Unit(StrEnum):
    """Length unit of a scan file."""

    mm = "mm"
    cm = "cm"
    m = "m"
    inch = "inch"


class PaperSize(StrEnum):
    """Size of paper in the printer."""

    a4 = "a4"
    letter = "letter"


def _check_lengths(values: list[str] | None) -> list[str]:
    for value in values or []:
        _parse_length(value)
    return values or []


def _parse_length(text: str) -> HandLength:
    from mountgen.hand_length import parse_length

    try:
        return parse_length(text)
    except MountgenError as error:
        raise typer.BadParameter(f"{error.what}; {error.remedy}") from None


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            _stdout().print(f"mountgen {version('mountgen')}")
        except PackageNotFoundError:
            _stdout().print("mountgen, run from source and not installed")
        raise typer.Exit(MADE)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop."),
    ] = False,
) -> None:
    pass


@app.command(epilog=EPILOG)
def make(
    recipe: RecipeFile,
    scan: ScanFile = None,
    out: OutFolder = None,
    overrides: Overrides = None,
    pictures: Annotated[
        bool, typer.Option("--pictures", help="Also draw the part in its recess, and its warm-up in the parked vehicle.")
    ] = False,
    sheets: Annotated[
        bool,
        typer.Option("--sheets", help="Also draw sections of the part, 1:1 as PDF, DXF and SVG, to cut from card and try."),
    ] = False,
    drawing: Annotated[
        bool, typer.Option("--drawing", help="Also draw the part on one page: three views, sizes, material, mass.")
    ] = False,
    paper: Annotated[
        PaperSize | None, typer.Option(help="Paper of sheets and drawing; a4 if not given.", show_default=False)
    ] = None,
    station: Annotated[
        list[float] | None,
        typer.Option(metavar="MM", help="Cut there, below the mouth, as often as needed; chosen if absent.", show_default=False),
    ] = None,
    quiet: Quiet = False,
    every: Every = False,
    as_json: Json = False,
) -> None:
    """Make the part: STL, STEP, 3MF, report.html and .json and the complete recipe, and prove that it goes in."""
    if station and not sheets:
        raise typer.BadParameter("it says where --sheets are cut: give that too", param_hint="--station")
    if paper is not None and not (sheets or drawing):
        raise typer.BadParameter("nothing is drawn on it: give --sheets or --drawing too", param_hint="--paper")
    with _failures_shown():
        from mountgen.recipe_file import load_recipe

        loaded = load_recipe(recipe, overrides=overrides or [], scan=scan)
        with _Display(quiet=quiet or as_json) as display, display.stage("load libraries"), loading():
            from mountgen.paper import Papers
            from mountgen.pipeline import make as make_part
            from mountgen.store import Store, find_cache_folder
        with display:
            made = make_part(
                loaded,
                out or recipe.parent,
                sources=(recipe,),
                store=Store(find_cache_folder()),
                progress=display,
                pictures=pictures,
                papers=Papers(
                    size=(paper or PaperSize.a4).value, sheets=sheets, drawing=drawing, stations=tuple(station or ())
                ),
            )
        _show_made(made, "report.json", quiet=quiet, every=every, as_json=as_json)


@app.command(epilog=EPILOG)
def gauge(
    recipe: RecipeFile,
    scan: ScanFile = None,
    out: OutFolder = None,
    overrides: Overrides = None,
    skin: Annotated[
        bool, typer.Option("--skin", help="A skin of 1.2 mm of the whole contact surface instead of thin plates on a spine.")
    ] = False,
    pictures: Annotated[bool, typer.Option("--pictures", help="Also draw it in its recess.")] = False,
    quiet: Quiet = False,
    every: Every = False,
    as_json: Json = False,
) -> None:
    """Make the part's fit gauge: thin plates on a spine, the cheapest print that shows whether it will fit."""
    with _failures_shown():
        from mountgen.recipe_file import load_recipe

        loaded = load_recipe(recipe, overrides=overrides or [], scan=scan)
        with _Display(quiet=quiet or as_json) as display, display.stage("load libraries"), loading():
            from mountgen.gauge_print import make_gauge
            from mountgen.store import Store, find_cache_folder
        with display:
            made = make_gauge(
                loaded,
                out or recipe.parent,
                sources=(recipe,),
                store=Store(find_cache_folder()),
                progress=display,
                shape="skin" if skin else "plates",
                pictures=pictures,
            )
        _show_made(made, f"{loaded.name}-gauge.json", quiet=quiet, every=every, as_json=as_json)


@app.command()
def new(
    starter: Annotated[
        str, typer.Argument(metavar="STARTER", help="phone-shelf, plug or tray.", show_default=False)
    ],
    scan: Annotated[
        Path, typer.Option(metavar="FILE", help="Scan that the part is for.", show_default=False)
    ],
) -> None:
    """Write a commented recipe beside the scan, from a starter."""
    with _failures_shown():
        from mountgen.recipe_file import write_starter

        path = write_starter(starter, scan)
        out = _stdout()
        out.print(_clean(f"wrote {path}"), soft_wrap=True)
        out.print(_clean("next:  read its comments, set your sizes, then run:"))
        out.print(_clean(f"       mountgen make {_quote(path)}"), soft_wrap=True)


@app.command(epilog=SURVEY_EPILOG)
def survey(
    scan: Annotated[
        Path | None, typer.Argument(metavar="SCAN", help="Scan file: STL, PLY, OBJ or 3MF.", show_default=False)
    ] = None,
    unit: Annotated[Unit, typer.Option(help="Length unit of the file.")] = Unit.mm,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder for the picture, made if missing; default beside the scan.", show_default=False
        ),
    ] = None,
    clearance: Annotated[
        float, typer.Option(metavar="MM", min=0.05, max=20.0, help="Gap the part will have: decides what is good enough.")
    ] = 0.5,
    lengths: Annotated[
        list[str] | None,
        typer.Option("--length", metavar="LENGTH", callback=_check_lengths, help=LENGTH_HELP, show_default=False),
    ] = None,
    plan: Annotated[bool, typer.Option("--plan", help="Before scanning: print a checklist for a recess of this --size.")] = False,
    size: Annotated[
        str | None,
        typer.Option(metavar="WxHxD", help="Width, height and depth of the recess, in mm, for --plan.", show_default=False),
    ] = None,
    quiet: Quiet = False,
    every: Every = False,
    as_json: Json = False,
) -> None:
    """Say whether a scan is good enough, show what `make` would find in it, and draw it with a clock dial; or plan a scan."""
    if plan:
        _check_plan(scan, size)
        _plan_scan(size or "", clearance=clearance, as_json=as_json)
        return
    if scan is None:
        raise typer.BadParameter("name a scan, or give --plan and --size", param_hint="SCAN")
    if size is not None:
        raise typer.BadParameter("--size needs --plan", param_hint="--size")
    with _failures_shown(), _Display(quiet=quiet or as_json) as display:
        with display.stage("load libraries"), loading():
            from mountgen.survey import survey_file
        found = survey_file(
            scan, out or scan.parent, unit=unit.value, clearance=clearance,
            lengths=[_parse_length(length) for length in lengths or []], progress=display,
        )  # fmt: skip
    if as_json:
        _show_json(found.facts())
    elif quiet:
        _show_checks(found.checks, quiet=True)
        _show_files([found.picture], seconds=None)
    else:
        _show_pairs(found.rows())
        _show_checks(found.checks, every=every)
    if any(check.verdict == "fail" for check in found.checks):
        raise typer.Exit(CHECK_FAILED)


def _check_plan(scan: Path | None, size: str | None) -> None:
    if scan is not None:
        raise typer.BadParameter("--plan is for before there is a scan: leave it out", param_hint="SCAN")
    if size is None:
        raise typer.BadParameter("--plan needs the recess's size, such as --size 150x90x60", param_hint="--size")


def _plan_scan(size: str, *, clearance: float, as_json: bool) -> None:
    from dataclasses import asdict

    from mountgen.scan_plan import parse_size, plan_scan

    try:
        sizes = parse_size(size)
    except MountgenError as error:
        raise typer.BadParameter(f"{error.what}; {error.remedy}", param_hint="--size") from None
    found = plan_scan(sizes, clearance=clearance)
    if as_json:
        _show_json(asdict(found))
        return
    _show_plan(found)


def _show_plan(found: ScanPlan) -> None:
    screen = _stdout()
    title = f"Before you scan a recess of {found.width:g} x {found.height:g} mm, {found.depth:g} mm deep:"
    screen.print(Text(title, style="bold"))
    for advice in found.advice:
        screen.print()
        screen.print(Text(f"[ ] {advice.topic}", style="bold"))
        screen.print(Padding(_clean(advice.words), PLAN_INDENT))
        screen.print(Padding(_clean(f"basis: {advice.source}"), PLAN_INDENT), style="dim")


@app.command()
def materials(
    material: Annotated[
        str | None,
        typer.Argument(metavar="MATERIAL", help="Show this one alone, each value with its source.", show_default=False),
    ] = None,
    place: Annotated[
        str | None,
        typer.Option(metavar="PLACE", help="Rank them for a place such as recess_in_sunlit_car.", show_default=False),
    ] = None,
    ambient: Annotated[
        float | None,
        typer.Option(metavar="°C", help="Air outside on the hottest day there; 35 if not given.", show_default=False),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Your spool's own values (TOML), laid over the table.", show_default=False),
    ] = None,
) -> None:
    """List printing materials: what they bear, how sure that is, and which of them withstand a place in the vehicle."""
    if ambient is not None and place is None:
        raise typer.BadParameter("--ambient needs a --place", param_hint="--ambient")
    if material is not None and place is not None:
        raise typer.BadParameter("give a material or a --place, not both", param_hint="MATERIAL")
    with _failures_shown():
        from mountgen.heat import AMBIENT_C, find_part_temperature, find_place, rank_materials
        from mountgen.material import find_material, load_materials
        from mountgen.material_table import ABOUT, LEGEND, tabulate_material, tabulate_materials, tabulate_ranking

        table = load_materials(sheet)
        out = _stdout()
        if place is not None:
            where, air = find_place(place), AMBIENT_C if ambient is None else ambient
            temp = find_part_temperature(where, ambient_c=air)
            out.print(_clean(f"{where.words}, parked all day, {air:g} °C outside: the part gets {temp:g} °C"))
            out.print(_clean(f"its rise: {where.source} ({where.tag})"))
            _show_grid(tabulate_ranking(rank_materials(table.values(), temp)))
            out.print("For a part that carries something. A screening: deflection temperatures are no rating.")
        elif material is not None:
            chosen = find_material(material, table)
            _show_grid(tabulate_material(chosen))
            if chosen.remark:
                out.print(_clean(f"note: {chosen.remark}"))
        else:
            for grid in tabulate_materials(table):
                _show_grid(grid)
            out.print(_clean(f"{LEGEND}\n{ABOUT}"))


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    Args:
        argv: arguments without the program's name; default those of the process.

    Raises:
        SystemExit: always; 0, 1, 2, 3 or 130 as in `EPILOG`, 130 for a run stopped with Ctrl-C.
    """
    # read when numpy is loaded: its matrices here are small, and threads that wait for each other cost more than they do
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # it was closed
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_WRONLY), "w"))
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="mountgen.plain")
    try:
        app(args=None if argv is None else list(argv), prog_name="mountgen")
    except OSError as error:  # of the parser, which prints help by itself; what a command writes has its own errors
        if error.errno != ENOSPC:
            raise
        _stdout().give_up(error)


def run() -> NoReturn:
    """Run the command line as a program of its own: as `main`, but the system is left to clear the memory.

    It does so at once; the interpreter takes two tenths of a second to take the solid kernel's module apart.
    """
    try:
        main()
    except SystemExit as leaving:
        try:
            sys.stdout.flush()
            sys.stderr.flush()
        except OSError:
            raise leaving from None  # the interpreter tells of it as it always does
        see_off(wait=True)
        if isinstance(leaving.code, int):
            os._exit(leaving.code)
        raise
    raise AssertionError("main leaves by SystemExit")


class _Screen(Console):
    """A console that takes texts as they are, and lets a run end well when its reader has gone (`| head`) or its disk is full."""

    def __init__(self, *, stderr: bool) -> None:
        stream = sys.stderr if stderr else sys.stdout
        width = None if stream.isatty() or os.environ.get("COLUMNS") else LOG_WIDTH
        super().__init__(stderr=stderr, width=width, markup=False, emoji=False, highlight=False)

    def print(self, *objects: Any, **options: Any) -> None:
        """Print; a result that cannot be shown ends the run, progress that cannot does not.

        Raises:
            SystemExit: standard output cannot be written.
        """
        try:
            super().print(*objects, **options)
        except OSError as error:
            self.give_up(error)

    def write(self, text: str) -> None:
        """Print a text for another program, not folded. Raises as `print`."""
        try:
            self.file.write(text)
            self.file.flush()
        except OSError as error:
            self.give_up(error)

    def give_up(self, error: OSError) -> None:
        """Show nothing more; raises SystemExit where a result is lost, but not where its reader has gone."""
        self.on_broken_pipe()
        if not self.stderr and not isinstance(error, BrokenPipeError):
            what = f"what was found cannot be printed ({error.strerror})"
            _show_error(MountgenError(what, "standard output", "free some space where it goes, or let it go elsewhere"))
            raise SystemExit(NOT_MADE) from None

    def on_broken_pipe(self) -> None:
        self.quiet = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), self.file.fileno())


def _stdout() -> _Screen:
    return _Screen(stderr=False)


def _stderr() -> _Screen:
    return _Screen(stderr=True)


class _Display:
    """Progress for a person at a terminal (one live line), or one line a stage where there is no terminal; none where quiet."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._quiet = quiet
        self._err, self._out = _stderr(), _stdout()
        self._status: Status | None = None

    def __enter__(self) -> _Display:
        return self

    def __exit__(self, *_: object) -> None:
        if self._status is not None:
            self._status.stop()
            self._status = None

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Show that the stage `name` is running, and how long it took."""
        if self._quiet:
            yield
            return
        started = time.perf_counter()
        if self._err.is_terminal:
            if self._status is None:
                self._status = self._err.status(_clean(name), spinner="line")
                self._status.start()
            self._status.update(_clean(name))
        yield
        if not self._err.is_terminal:
            self._err.print(_clean(f"{time.perf_counter() - started:7.2f} s  {name}"))

    def say(self, text: str) -> None:
        """Print a finding, above the live line."""
        if self._quiet:
            return
        if self._status is not None:
            self._status.stop()
        head, words = text[:SAID], text[SAID:]
        in_line = len(words) > 0 and head.endswith(" ")
        self._out.print(_hang(head, words) if in_line else _clean(text))
        if self._status is not None:
            self._status.start()


@contextmanager
def _failures_shown() -> Iterator[None]:
    """Turn a failure that the user can mend into exit code 1, Ctrl-C into 130; a bug keeps its traceback."""
    try:
        yield
    except MountgenError as error:
        _show_error(error)
        raise typer.Exit(NOT_MADE) from None
    except (KeyboardInterrupt, SystemError) as error:
        if not was_stopped(error):
            raise
        _stderr().print("stopped")
        raise typer.Exit(STOPPED) from None


def _show_error(error: MountgenError) -> None:
    screen = _stderr()
    screen.print(Text("error: ", style="bold red") + _clean(error.what), soft_wrap=True)
    screen.print(_clean(f"  where:  {error.where}\n  remedy: {error.remedy}"), soft_wrap=True)


def _show_made(made: Made, report: str, *, quiet: bool, every: bool, as_json: bool) -> None:
    """Show what was made and judged; `report` is the file that holds it all.

    Raises:
        typer.Exit: a check failed.
    """
    failed = [check for check in made.checks if check.verdict == "fail"]
    if as_json:
        _show_json(json.loads(made.files[report].read_bytes()))
    else:
        _show_checks(made.checks, quiet=quiet, every=every)
        if made.cautions and not quiet:
            _show_cautions(made.cautions)
        _show_files(list(made.files.values()), seconds=None if quiet else made.seconds)
        if failed and not quiet:
            _show_failed(failed, total=len(made.checks))
    if failed:
        raise typer.Exit(CHECK_FAILED)


def _show_checks(checks: Sequence[Check], *, quiet: bool = False, every: bool = False) -> None:
    """Print the table of verdicts, the worst first; what to do, and where a limit comes from, under what is no pass.

    quiet: only what is no pass, and nothing at all where there is none.
    every: each check that passed has its row, as where no person looks on; else only those that prove the fit, and the others
        share one.
    """
    screen = _stdout()
    ranked = [check for check in rank_checks(checks) if not (quiet and check.verdict == "pass")]
    if quiet and not ranked:
        return
    away = set() if every or not screen.is_terminal else put_away([(check.verdict, check.name) for check in ranked])
    shown = [check for check in ranked if check.name not in away]
    rows = [("verdict", "check", "value", "limit", "unit", "basis"), *(_word_check(check) for check in shown)]
    wide = [max(len(row[k]) for row in rows) for k in range(6)]

    def line(row: Sequence[str]) -> Text:
        cells = (cell.rjust(wide[k]) if k in RIGHT else cell.ljust(wide[k]) for k, cell in enumerate(row))
        return _clean("  ".join(cells).rstrip())

    screen.print()
    screen.print(line(rows[0]), style="bold", soft_wrap=True)
    for check, row in zip(shown, rows[1:], strict=True):
        told = line(row)
        told.stylize(COLOURS[check.verdict], 0, len(check.verdict))
        screen.print(told, soft_wrap=True)
        if check.verdict != "pass":
            _show_advice(check)
    if away:
        told = Text(f"pass     {len(away)} more (--all lists them):")
        told.stylize(COLOURS["pass"], 0, 4)
        screen.print(told, soft_wrap=True)
        screen.print(Padding(_clean(", ".join(check.name for check in ranked if check.name in away)), INDENT), style="dim")
    screen.print()


def _show_advice(check: Check) -> None:
    """Print where something is and what to do, and where the limit comes from."""
    advice = ": ".join(text for text in (check.place, check.remedy) if text)
    for text, style in ((advice, ""), (f"limit: {check.source}" if check.source else "", "dim")):
        if text:
            _stdout().print(Padding(_clean(text), INDENT), style=style)


def _word_check(check: Check) -> tuple[str, str, str, str, str, str]:
    basis = "-" if check.basis is None else BASES_IN_SHORT.get(check.basis, check.basis)
    return check.verdict, check.name, format_number(check.value), format_number(check.limit), check.unit, basis


def _show_cautions(cautions: Sequence[Caution]) -> None:
    """Print the usual cautions, a sentence each."""
    _stdout().print("Keep in mind (more of it in report.json):")
    _show_pairs([(caution.topic, caution.brief) for caution in cautions])


def _show_pairs(pairs: Sequence[tuple[str, str]]) -> None:
    """Print names and what belongs to them, side by side."""
    rows = Table(box=None, show_header=False, pad_edge=False)
    rows.add_column(no_wrap=True)
    rows.add_column(overflow="fold")
    for name, text in pairs:
        rows.add_row(_clean(name), _clean(text))
    _stdout().print(rows)


def _show_json(data: dict[str, Any]) -> None:
    """Print data for another program: plain ASCII, so that no encoding changes it, and no colours."""
    _stdout().write(json.dumps(data, indent=2, allow_nan=False) + "\n")


def _show_grid(grid: Grid) -> None:
    """Print a table of text; verdicts in their colours."""
    table = Table(title=_clean(grid.title) if grid.title else None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    last = len(grid.columns) - 1
    for k, title in enumerate(grid.columns):
        side: Literal["right", "left"] = "right" if k in grid.right else "left"
        table.add_column(_clean(title), justify=side, overflow="fold", no_wrap=k < last or k in grid.right)
    for row in grid.rows:
        table.add_row(*(Text(cell, style=COLOURS[cell]) if cell in COLOURS else _clean(cell) for cell in row))
    _stdout().print(table)


def _show_files(paths: Sequence[Path], *, seconds: Mapping[str, float] | None) -> None:
    """Show where the files are, and what the run was spent on: at a terminal, whose live line keeps no times, by stages too."""
    screen = _stdout()
    for path in paths:
        screen.print(_clean(f"wrote {path}"), soft_wrap=True)
    if seconds is not None:
        told = f"in {sum(seconds.values()):.1f} s"
        longest = sorted((name for name in seconds if seconds[name] >= LONG), key=lambda name: -seconds[name])
        if screen.is_terminal and longest:
            told += ": " + ", ".join(f"{name} {seconds[name]:.1f}" for name in longest)
        screen.print(_clean(told))


def _show_failed(failed: Sequence[Check], *, total: int) -> None:
    """Say at the very end, where nobody overlooks it, what failed."""
    screen = _stderr()
    title = f"{len(failed)} of {total} checks failed; the files are written, but do not rely on this part:"
    screen.print(Text(title, style=COLOURS["fail"]), soft_wrap=True)
    for check in failed:
        size = f"{format_number(check.value)} {check.unit}".strip()
        limit = "" if check.limit is None else f", limit {format_number(check.limit)} {check.unit}".rstrip()
        place = f", at {check.place}" if check.place else ""
        screen.print(_clean(f"  {check.name}: {size}{limit}{place}"), soft_wrap=True)
        if check.remedy:
            screen.print(_clean(f"    {check.remedy}"), soft_wrap=True)


def _clean(text: str) -> Text:
    """Return text without control characters: a file name must not steer the terminal."""
    return Text("".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text))


def _hang(head: str, words: str) -> Table:
    """Return words that go on under their own beginning where a line is too short for them."""
    row = Table.grid()
    row.add_column(no_wrap=True, min_width=len(head))
    row.add_column(overflow="fold")
    row.add_row(_clean(head), _clean(words))
    return row


def _quote(path: Path) -> str:
    """Return a path as a shell takes it."""
    text = str(path)
    return text if all(c.isalnum() or c in "-_./\\:+,@" for c in text) else f'"{text}"'


_PLAIN = str.maketrans(
    {"≤": "<=", "≥": ">=", "±": "+-", "×": "x", "·": "*", "→": "->", "°": " deg", "²": "^2", "³": "^3"}
    | dict.fromkeys("–—−", "-")
    | dict.fromkeys("‘’", "'")
    | dict.fromkeys("“”", '"')
    | dict.fromkeys("µμ", "u")
    | {"…": "..."}
)


def _write_plainly(error: UnicodeError) -> tuple[str, int]:
    """Replace what the terminal's encoding lacks by plain letters, so that printing never fails."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(_PLAIN)
    return "".join(c if c.isascii() else "?" for c in text), error.end


codecs.register_error("mountgen.plain", _write_plainly)
