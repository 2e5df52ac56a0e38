"""Whatever a judge found, as tables: the words come from the report's schema, which has a sentence for every key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from mountgen.page.markup import Child, Markup, element
from mountgen.verdict import format_number

SENTENCE = 24  # letters; lists of texts as long as that are shown one below the other
LONGEST = 8  # numbers of a list that are shown; a curve is plotted or left to report.json


def tabulate_facts(facts: Mapping[str, Any], schema: Mapping[str, Any]) -> Markup:
    """Return facts as a table of key, value and meaning; lists of tables become tables of their own below it.

    Args:
        facts: nested tables, lists, text, numbers, true, false, None.
        schema: the JSON Schema of `facts`; what it does not describe is shown without a meaning.
    """
    rows: list[Markup] = []
    below: list[Child] = []
    flat = _flatten(facts, schema, "")
    told = any(meaning for _, _, meaning in flat)
    for path, value, meaning in flat:
        if isinstance(value, list) and value and isinstance(value[0], dict):
            below += [element("h4", word_key(path)), element("p", meaning) if meaning else None, tabulate_rows(value)]
        elif value is not None and not _is_bulky(value):
            name = element("th", word_key(path), scope="row")
            about = element("td", meaning, data_label="meaning") if told else None
            rows.append(element("tr", name, _cell("value", value), about))
    if not rows:
        return element("div", *below)
    head = element("thead", element("tr", *(element("th", word, scope="col") for word in ("what", "value", *["meaning"][:told]))))
    table = element("table", head, element("tbody", *rows), class_="cards facts")
    return element("div", table, *below)


def tabulate_rows(rows: Sequence[Mapping[str, Any]]) -> Markup:
    """Return tables of the same keys as one table with a column a key, to be shifted where it is wider than the screen."""
    keys = list(dict.fromkeys(key for row in rows for key in row if not _is_bulky(row[key])))
    numbers = {key for key in keys if all(isinstance(row.get(key), int | float | None) for row in rows)}
    titles = (element("th", word_key(key), scope="col", class_="number" if key in numbers else None) for key in keys)
    head = element("thead", element("tr", *titles))
    lines = [element("tr", *(_cell(word_key(key), row.get(key)) for key in keys)) for row in rows]
    table = element("table", head, element("tbody", *lines), class_="cards")
    return element("div", table, class_="wide", tabindex="0", role="group", aria_label="Table")


def word_value(value: Any) -> str:
    """Return a value as people write it."""
    if value is None:
        return "\N{EN DASH}"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return format_number(value).replace("-", "\N{MINUS SIGN}")
    if isinstance(value, list):
        return ", ".join(word_value(each) for each in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{word_key(key)} {word_value(each)}" for key, each in value.items()) or "none"
    return str(value)


def word_key(key: str) -> str:
    """Return a key as words."""
    return key.replace("_", " ")


def _is_bulky(value: Any) -> bool:
    """Return whether a value is a curve, a matrix or the like, which a table cannot show."""
    return isinstance(value, list) and (len(value) > LONGEST or any(isinstance(each, list | dict) for each in value))


def _cell(label: str, value: Any) -> Markup:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    sentences = isinstance(value, list) and any(isinstance(each, str) and len(each) > SENTENCE for each in value)
    words = element("ul", *(element("li", word_value(each)) for each in value)) if sentences else word_value(value)
    return element("td", words, data_label=label, class_="number" if number else None)


def _flatten(facts: Mapping[str, Any], schema: Mapping[str, Any], before: str) -> list[tuple[str, Any, str]]:
    """Return dotted keys, values and meanings, nested tables opened."""
    found = []
    for key, value in facts.items():
        about = schema.get("properties", {}).get(key, {})
        path = f"{before}{key}"
        if isinstance(value, dict):
            found += _flatten(value, about, f"{path}: ")
        else:
            found.append((path, value, str(about.get("description", ""))))
    return found
