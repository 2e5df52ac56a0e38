"""HTML and SVG that what users write cannot break: text becomes markup only through `element`, which escapes it. A leaf."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from html import escape
from typing import Any

VOID = frozenset({"br", "circle", "hr", "img", "input", "line", "meta", "path", "polygon", "polyline", "rect", "stop"})
_KEPT = "\n\t"


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


Child = str | None | Iterable["Child"]


def element(name: str, *children: Child, **attributes: str | float | bool | None) -> Markup:
    """Return an element.

    Args:
        name: of the element.
        children: text, which is escaped; markup, which is not; lists of both; None is left out.
        attributes: a trailing underscore is dropped, others become hyphens; None and False are left out, True stands alone.
            Numbers are written short.
    """
    words = [name]
    for key, value in attributes.items():
        label = key.rstrip("_").replace("_", "-")
        if value is True:
            words.append(label)
        elif value is not None and value is not False:
            words.append(f'{label}="{escape_text(value if isinstance(value, str) else shorten_number(value))}"')
    if name in VOID and not children:
        return Markup(f"<{' '.join(words)}>" if name in {"br", "hr", "img", "input", "meta"} else f"<{' '.join(words)}/>")
    return Markup(f"<{' '.join(words)}>{join(children)}</{name}>")


def join(children: Child) -> Markup:
    """Return children, one after the other, as markup."""
    if children is None:
        return Markup("")
    if isinstance(children, Markup):
        return children
    if isinstance(children, str):
        return Markup(escape_text(children))
    return Markup("".join(join(child) for child in children))


def escape_text(text: str) -> str:
    """Return text for markup: no character of it is read as anything but itself, and none steers the page's layout."""
    if not text.isprintable():
        text = "".join(c if c.isprintable() or c in _KEPT else "\N{REPLACEMENT CHARACTER}" for c in text)
    return escape(text)


def shorten_number(value: float) -> str:
    """Return a number for an attribute, to a thousandth."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def embed_json(value: Mapping[str, Any], *, name: str) -> Markup:
    """Return a script element that holds JSON and runs nothing; `name` is its id."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for letter in "<>&":  # they occur inside JSON's strings only
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return Markup(f'<script type="application/json" id="{escape_text(name)}">{text}</script>')
