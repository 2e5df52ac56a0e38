"""The command line: options and commands, and the only file that catches `MountgenError`.

A command loads what it needs itself, so that `--help` answers at once; it makes one library call and has the result shown
(`terminal`).
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from errno import ENOSPC
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from mountgen.child import see_off
from mountgen.errors import MountgenError, was_stopped
from mountgen.loading import loading
from mountgen.terminal import (
    CHECK_FAILED,
    MADE,
    NOT_MADE,
    STOPPED,
    Display,
    clean,
    show_cautions,
    show_checks,
    show_error,
    show_failed,
    show_files,
    show_grid,
    show_json,
    show_pairs,
    show_plan,
    stderr,
    stdout,
)

if TYPE_CHECKING:
    from mountgen.hand_length import HandLength
    from mountgen.pipeline import Made

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
            stdout().print(f"mountgen {version('mountgen')}")
        except PackageNotFoundError:
            stdout().print("mountgen, run from source and not installed")
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
        with Display(quiet=quiet or as_json) as display, display.stage("load libraries"), loading():
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
        with Display(quiet=quiet or as_json) as display, display.stage("load libraries"), loading():
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
        out = stdout()
        out.print(clean(f"wrote {path}"), soft_wrap=True)
        out.print(clean("next:  read its comments, set your sizes, then run:"))
        out.print(clean(f"       mountgen make {_quote(path)}"), soft_wrap=True)


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
    with _failures_shown(), Display(quiet=quiet or as_json) as display:
        with display.stage("load libraries"), loading():
            from mountgen.survey import survey_file
        found = survey_file(
            scan, out or scan.parent, unit=unit.value, clearance=clearance,
            lengths=[_parse_length(length) for length in lengths or []], progress=display,
        )  # fmt: skip
    if as_json:
        show_json(found.facts())
    elif quiet:
        show_checks(found.checks, quiet=True)
        show_files([found.picture], seconds=None)
    else:
        show_pairs(found.rows())
        show_checks(found.checks, every=every)
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
        show_json(asdict(found))
        return
    show_plan(found)


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
        out = stdout()
        if place is not None:
            where, air = find_place(place), AMBIENT_C if ambient is None else ambient
            temp = find_part_temperature(where, ambient_c=air)
            out.print(clean(f"{where.words}, parked all day, {air:g} °C outside: the part gets {temp:g} °C"))
            out.print(clean(f"its rise: {where.source} ({where.tag})"))
            show_grid(tabulate_ranking(rank_materials(table.values(), temp)))
            out.print("For a part that carries something. A screening: deflection temperatures are no rating.")
        elif material is not None:
            chosen = find_material(material, table)
            show_grid(tabulate_material(chosen))
            if chosen.remark:
                out.print(clean(f"note: {chosen.remark}"))
        else:
            for grid in tabulate_materials(table):
                show_grid(grid)
            out.print(clean(f"{LEGEND}\n{ABOUT}"))


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
        stdout().give_up(error)


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


@contextmanager
def _failures_shown() -> Iterator[None]:
    """Turn a failure that the user can mend into exit code 1, Ctrl-C into 130; a bug keeps its traceback."""
    try:
        yield
    except MountgenError as error:
        show_error(error)
        raise typer.Exit(NOT_MADE) from None
    except (KeyboardInterrupt, SystemError) as error:
        if not was_stopped(error):
            raise
        stderr().print("stopped")
        raise typer.Exit(STOPPED) from None


def _show_made(made: Made, report: str, *, quiet: bool, every: bool, as_json: bool) -> None:
    """Show what was made and judged; `report` is the file that holds it all.

    Raises:
        typer.Exit: a check failed.
    """
    failed = [check for check in made.checks if check.verdict == "fail"]
    if as_json:
        show_json(json.loads(made.files[report].read_bytes()))
    else:
        show_checks(made.checks, quiet=quiet, every=every)
        if made.cautions and not quiet:
            show_cautions(made.cautions)
        show_files(list(made.files.values()), seconds=None if quiet else made.seconds)
        if failed and not quiet:
            show_failed(failed, total=len(made.checks))
    if failed:
        raise typer.Exit(CHECK_FAILED)


def _quote(path: Path) -> str:
    """Return a path as a shell takes it."""
    text = str(path)
    return text if all(c.isalnum() or c in "-_./\\:+,@" for c in text) else f'"{text}"'




