"""Read a TOML file so that every mistake in it can be named by file and line. A leaf.

Goal: the line of any key. Steps, run only once something is wrong: cut the text into statements (a statement
is the shortest run of whole lines that parses by itself, so an array or a text over several lines is one),
keep the table that the last header opened, and note for each key the line on which its statement begins. An
array over several lines is closed after each of them for a look, so that its items have lines of their own.
Source: the grammar of TOML 1.0.0, where a line end closes every statement but those.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import Any

from mountgen.errors import RecipeError

MAX_BYTES = 500_000  # a recipe has some 5 kB; more is some other file
DEEPEST_LIST = 3  # lists in lists that are looked into line by line; points in a list are 2 deep
SCAN_SUFFIXES = frozenset((".stl", ".ply", ".obj", ".3mf"))
_PLACE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True)
class TomlSource:
    """A TOML file that was read.

    name : how messages call it.      text: its content.      data: its content as plain values.
    """

    name: str
    text: str
    data: dict[str, Any]

    @cached_property
    def lines(self) -> dict[KeyPath, int]:
        """Line on which each key or list item begins, first line 1."""
        found: dict[KeyPath, int] = {}
        table: KeyPath = ()
        for line, is_header, content in _cut_statements(self.text):
            paths = list(_walk(content))
            if is_header:
                table = max(paths, key=len)
                paths = [table[: n + 1] for n in range(len(table))]
            for path in paths:
                found.setdefault(path if is_header else table + path, line)
        return found

    def find_line(self, path: KeyPath) -> int | None:
        """Return the line of a key, or of the nearest table around it; None where neither is in the file."""
        for n in range(len(path), 0, -1):
            if path[:n] in self.lines:
                return self.lines[path[:n]]
        return None


def read_toml(path: Path) -> TomlSource:
    """Read a TOML file.

    Args:
        path: the file.

    Returns:
        TomlSource.

    Raises:
        RecipeError: it cannot be read, or is not TOML; says on which line and what is usually meant.
    """
    return parse_toml(_read_text(path), name=str(path))


def parse_toml(text: str, *, name: str) -> TomlSource:
    """Parse the text of a TOML file that messages call `name`.

    Raises:
        RecipeError: it is not TOML; says on which line and what is usually meant.
    """
    try:
        return TomlSource(name, text, tomllib.loads(text))
    except RecursionError as error:
        raise RecipeError("lists or tables are nested too deeply", name, "flatten them") from error
    except ValueError as error:  # TOMLDecodeError, or a number with thousands of digits
        message = str(error)
        found = _PLACE.search(message)
        lines = text.split("\n")
        line = int(found["line"]) if found and found["line"] else len(text.rstrip().split("\n"))
        column = f", column {found['column']}" if found and found["column"] else ""
        what = f"not valid TOML: {_PLACE.sub('', message)[:200]}"
        remedy = _advise_syntax(lines[min(line, len(lines)) - 1], message)
        raise RecipeError(what, f"{name}:{line}{column}", remedy) from error


def _read_text(path: Path) -> str:
    where = str(path)
    try:
        if path.is_dir():
            raise RecipeError("this is a folder", where, "give the recipe file in it (.toml)")
        if path.suffix.lower() in SCAN_SUFFIXES and path.is_file():
            remedy = "give the recipe file (.toml) here, and the scan with --scan"
            raise RecipeError("this is a scan, not a recipe", where, remedy)
        if path.exists() and not path.is_file():
            raise RecipeError("this is a device or a pipe, not a file", where, "give a recipe file (.toml)")
        with open(path, "rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise RecipeError("there is no such file", where, _advise_missing(path)) from error
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte
        reason = getattr(error, "strerror", None) or error
        remedy = "check its path and whether you may read it"
        raise RecipeError(f"the file cannot be read ({reason})", where, remedy) from error
    if len(content) > MAX_BYTES:
        what = f"the file is larger than {MAX_BYTES // 1000} kB"
        raise RecipeError(what, where, "give a recipe; a scan is named in it, or with --scan")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        what = f"the file is not UTF-8 text (byte {content[error.start]:#04x})"
        raise RecipeError(what, f"{where}:{line}", "save it as UTF-8 in your editor") from error
    return text.replace("\r\n", "\n")


def _advise_missing(path: Path) -> str:
    try:
        names = sorted(entry.name for entry in path.parent.iterdir() if entry.suffix == ".toml")
    except OSError:
        return "check the path: its folder cannot be read either"
    near = get_close_matches(path.name, names, n=1)
    if near:
        return f"did you mean '{path.with_name(near[0])}'?"
    return "check the path, or write a recipe with mountgen new STARTER --scan FILE"


def _advise_syntax(line: str, message: str) -> str:
    """Return what the writer of a line most likely meant."""
    if "overwrite" in message or "twice" in message or "mutate" in message:
        return "a key or table is given twice: keep one of them"
    if any(quote in line for quote in "“”„‘’"):
        return 'replace the curly quotes by plain ones: "'
    if re.match(r"\s*[\w.-]+\s*:", line):
        return "write = between key and value, not a colon"
    _, equals, value = line.partition("=")
    if not equals:
        return 'a line is key = value, [table], or a comment after "#"'
    value = value.split("#")[0].strip()
    if re.fullmatch(r"[+-]?\d+,\d+.*", value):
        return f"write the number with a point: {value.replace(',', '.', 1)}"
    if re.fullmatch(r"[+-]?[\d./][\d./ -]*\s*[^\W\d]+|[+-]?[\d.]+\s*°|[+-]?\d+[ -]?\d*/\d+.*", value):
        return f'put a value with a unit in quotes: "{value}"'
    if "\\" in value:
        return "write \\ as / in a path, or put the text in single quotes"
    if not value:
        return "give the key a value, or take the line out"
    if re.fullmatch(r"[^\W\d][\w./ -]*", value):
        return f'put a text in quotes: "{value}"'
    return 'a line is key = value, with texts in "quotes" and lists in [brackets]'


def _cut_statements(text: str) -> Iterator[tuple[int, bool, dict[str, Any]]]:
    """Yield line, whether it is a table's header, and content of each statement of a valid text.

    An array over several lines comes once a line, as far as it has got, each time with that line.
    """
    pending: list[str] = []
    begin, is_array = 1, False
    for number, line in enumerate(text.split("\n"), start=1):
        pending.append(line)
        statement = "\n".join(pending)
        content = _parse_or_none(statement)
        if content is not None:
            is_header = line.lstrip().startswith("[") and number == begin
            yield number if is_array else begin, is_header, content
            pending, begin, is_array = [], number + 1, False
            continue
        for depth in range(1, DEEPEST_LIST + 1):
            content = _parse_or_none(statement + "\n" + "]" * depth)
            if content is not None:
                yield number, False, content
                is_array = True
                break


def _parse_or_none(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _walk(content: dict[str, Any] | Sequence[Any]) -> Iterator[KeyPath]:
    """Yield the path of every key and list item."""
    items = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in items:
        yield (key,)
        if isinstance(value, dict | list):
            yield from ((key, *rest) for rest in _walk(value))
