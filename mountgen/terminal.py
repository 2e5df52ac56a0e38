"""What a person at a terminal, or the log that stands for one, gets to see: the only file that prints.

What was found and the verdicts go to stdout, progress and failures to stderr. All of it goes through a `Screen`: whatever shows
a result raises SystemExit where standard output cannot be written, and letters that the encoding lacks give way to plain ones.
"""

from __future__ import annotations

import codecs
import json
import os
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.status import Status
from rich.table import Table
from rich.text import Text

from mountgen.errors import MountgenError
from mountgen.verdict import format_number, put_away, rank_checks

if TYPE_CHECKING:
    from mountgen.material_table import Grid
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


class Screen(Console):
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
            show_error(MountgenError(what, "standard output", "free some space where it goes, or let it go elsewhere"))
            raise SystemExit(NOT_MADE) from None

    def on_broken_pipe(self) -> None:
        """Be quiet from here on: what is still in the buffer goes nowhere, instead of failing when the interpreter ends."""
        self.quiet = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), self.file.fileno())


def stdout() -> Screen:
    """Return a screen for what was found and the verdicts, on the standard output of this moment."""
    return Screen(stderr=False)


def stderr() -> Screen:
    """Return a screen for progress and failures, on the standard error of this moment."""
    return Screen(stderr=True)


class Display:
    """Progress for a person at a terminal (one live line), or one line a stage where there is no terminal; none where quiet."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._quiet = quiet
        self._err, self._out = stderr(), stdout()
        self._status: Status | None = None

    def __enter__(self) -> Display:
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
                self._status = self._err.status(clean(name), spinner="line")
                self._status.start()
            self._status.update(clean(name))
        yield
        if not self._err.is_terminal:
            self._err.print(clean(f"{time.perf_counter() - started:7.2f} s  {name}"))

    def say(self, text: str) -> None:
        """Print a finding, above the live line."""
        if self._quiet:
            return
        if self._status is not None:
            self._status.stop()
        head, words = text[:SAID], text[SAID:]
        in_line = len(words) > 0 and head.endswith(" ")
        self._out.print(_hang(head, words) if in_line else clean(text))
        if self._status is not None:
            self._status.start()


def show_error(error: MountgenError) -> None:
    """Print what is wrong, where, and what to do."""
    screen = stderr()
    screen.print(Text("error: ", style="bold red") + clean(error.what), soft_wrap=True)
    screen.print(clean(f"  where:  {error.where}\n  remedy: {error.remedy}"), soft_wrap=True)


def show_checks(checks: Sequence[Check], *, quiet: bool = False, every: bool = False) -> None:
    """Print the table of verdicts, the worst first; what to do, and where a limit comes from, under what is no pass.

    quiet: only what is no pass, and nothing at all where there is none.
    every: each check that passed has its row, as where no person looks on; else only those that prove the fit, and the others
        share one.
    """
    screen = stdout()
    ranked = [check for check in rank_checks(checks) if not (quiet and check.verdict == "pass")]
    if quiet and not ranked:
        return
    away = set() if every or not screen.is_terminal else put_away([(check.verdict, check.name) for check in ranked])
    shown = [check for check in ranked if check.name not in away]
    rows = [("verdict", "check", "value", "limit", "unit", "basis"), *(_word_check(check) for check in shown)]
    wide = [max(len(row[k]) for row in rows) for k in range(6)]

    def line(row: Sequence[str]) -> Text:
        cells = (cell.rjust(wide[k]) if k in RIGHT else cell.ljust(wide[k]) for k, cell in enumerate(row))
        return clean("  ".join(cells).rstrip())

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
        screen.print(Padding(clean(", ".join(check.name for check in ranked if check.name in away)), INDENT), style="dim")
    screen.print()


def _show_advice(check: Check) -> None:
    """Print where something is and what to do, and where the limit comes from."""
    advice = ": ".join(text for text in (check.place, check.remedy) if text)
    for text, style in ((advice, ""), (f"limit: {check.source}" if check.source else "", "dim")):
        if text:
            stdout().print(Padding(clean(text), INDENT), style=style)


def _word_check(check: Check) -> tuple[str, str, str, str, str, str]:
    basis = "-" if check.basis is None else BASES_IN_SHORT.get(check.basis, check.basis)
    return check.verdict, check.name, format_number(check.value), format_number(check.limit), check.unit, basis


def show_cautions(cautions: Sequence[Caution]) -> None:
    """Print the usual cautions, a sentence each."""
    stdout().print("Keep in mind (more of it in report.json):")
    show_pairs([(caution.topic, caution.brief) for caution in cautions])


def show_files(paths: Sequence[Path], *, seconds: Mapping[str, float] | None) -> None:
    """Show where the files are, and what the run was spent on: at a terminal, whose live line keeps no times, by stages too."""
    screen = stdout()
    for path in paths:
        screen.print(clean(f"wrote {path}"), soft_wrap=True)
    if seconds is not None:
        told = f"in {sum(seconds.values()):.1f} s"
        longest = sorted((name for name in seconds if seconds[name] >= LONG), key=lambda name: -seconds[name])
        if screen.is_terminal and longest:
            told += ": " + ", ".join(f"{name} {seconds[name]:.1f}" for name in longest)
        screen.print(clean(told))


def show_failed(failed: Sequence[Check], *, total: int) -> None:
    """Say at the very end, where nobody overlooks it, what failed."""
    screen = stderr()
    title = f"{len(failed)} of {total} checks failed; the files are written, but do not rely on this part:"
    screen.print(Text(title, style=COLOURS["fail"]), soft_wrap=True)
    for check in failed:
        size = f"{format_number(check.value)} {check.unit}".strip()
        limit = "" if check.limit is None else f", limit {format_number(check.limit)} {check.unit}".rstrip()
        place = f", at {check.place}" if check.place else ""
        screen.print(clean(f"  {check.name}: {size}{limit}{place}"), soft_wrap=True)
        if check.remedy:
            screen.print(clean(f"    {check.remedy}"), soft_wrap=True)


def show_pairs(pairs: Sequence[tuple[str, str]]) -> None:
    """Print names and what belongs to them, side by side."""
    rows = Table(box=None, show_header=False, pad_edge=False)
    rows.add_column(no_wrap=True)
    rows.add_column(overflow="fold")
    for name, text in pairs:
        rows.add_row(clean(name), clean(text))
    stdout().print(rows)


def show_grid(grid: Grid) -> None:
    """Print a table of text; verdicts in their colours."""
    table = Table(title=clean(grid.title) if grid.title else None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    last = len(grid.columns) - 1
    for k, title in enumerate(grid.columns):
        side: Literal["right", "left"] = "right" if k in grid.right else "left"
        table.add_column(clean(title), justify=side, overflow="fold", no_wrap=k < last or k in grid.right)
    for row in grid.rows:
        table.add_row(*(Text(cell, style=COLOURS[cell]) if cell in COLOURS else clean(cell) for cell in row))
    stdout().print(table)


def show_json(data: dict[str, Any]) -> None:
    """Print data for another program: plain ASCII, so that no encoding changes it, and no colours."""
    stdout().write(json.dumps(data, indent=2, allow_nan=False) + "\n")


def show_plan(found: ScanPlan) -> None:
    """Print a checklist for scanning, each piece of advice with its basis."""
    screen = stdout()
    title = f"Before you scan a recess of {found.width:g} x {found.height:g} mm, {found.depth:g} mm deep:"
    screen.print(Text(title, style="bold"))
    for advice in found.advice:
        screen.print()
        screen.print(Text(f"[ ] {advice.topic}", style="bold"))
        screen.print(Padding(clean(advice.words), PLAN_INDENT))
        screen.print(Padding(clean(f"basis: {advice.source}"), PLAN_INDENT), style="dim")


def clean(text: str) -> Text:
    """Return text without control characters: a file name must not steer the terminal."""
    return Text("".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text))


def _hang(head: str, words: str) -> Table:
    """Return words that go on under their own beginning where a line is too short for them."""
    row = Table.grid()
    row.add_column(no_wrap=True, min_width=len(head))
    row.add_column(overflow="fold")
    row.add_row(clean(head), clean(words))
    return row


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
