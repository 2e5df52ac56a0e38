"""Read a TOML file so that every mistake in it can be named by file and line. A leaf.

Goal: the line of any key or list item. Steps, run only once something is wrong: blank out texts and
comments, so that the brackets left over tell where a statement ends (a line end closes all but an open
list); parse each statement by itself, keep the table that the last header opened, and note the line on
which each key's statement begins. Within a list over several lines an item's line is found by bisection:
the list is closed early, and has the item or not. Source: the grammar of TOML 1.0.0. Parsing ever longer
beginnings of the file needs less code, and was dropped at 12 s for a list of 1000 points.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import Any

from mountgen.errors import RecipeError

MAX_BYTES = 500_000  # a recipe has some 5 kB; more is some other file
SCAN_SUFFIXES = frozenset((".stl", ".ply", ".obj", ".3mf"))
_PLACE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")

_TEXT_OR_COMMENT = re.compile(
    r'"""(?:\\[\s\S]|[^\\])*?"{3,5}|' r"'''[\s\S]*?'{3,5}|" r'"(?:\\.|[^"\\\n])*"|' r"'[^'\n]*'|#[^\n]*"
)

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
    def _statements(self) -> dict[KeyPath, tuple[int, list[str], list[int]]]:
        """Statement of each key: first line, its lines, and how many brackets are open after each of them."""
        found: dict[KeyPath, tuple[int, list[str], list[int]]] = {}
        table: KeyPath = ()
        tables: dict[KeyPath, int] = {}  # of a list of tables, how many have begun
        for begin, lines, depths in _cut_statements(self.text):
            paths = list(_walk(tomllib.loads("\n".join(lines))))
            if lines[0].lstrip().startswith("["):
                table = _number_tables(max(paths, key=len), tables, begins=lines[0].lstrip().startswith("[["))
                paths = [table[: n + 1] for n in range(len(table))]
            else:
                paths = [table + path for path in paths]
            for path in paths:
                found.setdefault(path, (begin, lines, depths))
        return found

    def find_line(self, path: KeyPath) -> int | None:
        """Return the line, first line 1, on which a key or list item begins.

        Args:
            path: keys and list indices from the top.

        Returns:
            int; that of the nearest table or list around it where it is not there; None where there is none.
        """
        for n in range(len(path), 0, -1):
            if path[:n] in self._statements:
                return self._find_in_statement(path[:n])
        return None

    def _find_in_statement(self, path: KeyPath) -> int:
        begin, lines, depths = self._statements[path]
        top = next(n for n, part in enumerate((*path, 0)) if isinstance(part, int))
        if len(lines) == 1 or top == len(path):
            return begin

        def has_item(count: int) -> bool:
            try:
                node: Any = tomllib.loads("\n".join([*lines[:count], "]" * depths[count - 1]]))
            except tomllib.TOMLDecodeError:  # cut within a text
                return False
            while isinstance(node, dict):  # down to the list, which is all that the statement holds
                node = next(iter(node.values()))
            for part in path[top:]:
                if not isinstance(node, list) or not isinstance(part, int) or part >= len(node):
                    return False
                node = node[part]
            return True

        return begin + bisect_left(range(1, len(lines)), True, key=has_item)


def _number_tables(table: KeyPath, tables: dict[KeyPath, int], *, begins: bool) -> KeyPath:
    """Return a header's path with its place in each list of tables on its way; `begins`: it begins another table of a list."""
    path: KeyPath = ()
    if begins:
        names = tuple(part for part in table if isinstance(part, str))
        tables[names] = tables.get(names, 0) + 1
    names = ()
    for part in table:
        if not isinstance(part, str):
            continue
        names, path = (*names, part), (*path, part)
        if names in tables:
            path = (*path, tables[names] - 1)
    return path


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


def _cut_statements(text: str) -> Iterator[tuple[int, list[str], list[int]]]:
    """Yield first line, lines, and open brackets after each line, of each statement of a valid text."""
    bare = _TEXT_OR_COMMENT.sub(lambda found: re.sub(r"[^\n]", "_", found[0]).replace("\n", "\0"), text)
    number = 1
    lines: list[str] = []
    depths: list[int] = []
    whole = iter(text.split("\n"))
    for bare_line in bare.split("\n"):
        parts = bare_line.split("\0")  # a text over several lines is cut nowhere
        depth = depths[-1] if depths else 0
        for part in parts:
            depth += part.count("[") - part.count("]")
            lines.append(next(whole))
            depths.append(depth)
        if depth == 0:
            if any(line.strip() and not line.lstrip().startswith("#") for line in lines):
                yield number, lines, depths
            number += len(lines)
            lines, depths = [], []


def _walk(content: dict[str, Any] | Sequence[Any]) -> Iterator[KeyPath]:
    """Yield the path of every key and list item."""
    items = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in items:
        yield (key,)
        if isinstance(value, dict | list):
            yield from ((key, *rest) for rest in _walk(value))
