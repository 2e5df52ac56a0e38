"""Fills the template: content, meshes and viewer in one file, under a policy that forbids it every request."""

from __future__ import annotations

import json
import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from hashlib import sha256
from importlib.resources import files
from typing import Any

from mountgen.page.content import write_content
from mountgen.page.cuts import Cut
from mountgen.page.layers import Layer
from mountgen.page.markup import Markup, embed_json, escape_text, join
from mountgen.page.viewer import embed_view
from mountgen.report import load_report_schema


def fill_page(
    report: bytes, *, layers: Sequence[Layer], cuts: Sequence[Cut], recipe: str, travel: float
) -> bytes:
    """Return the page as one HTML file.

    Args:
        report: report.json as it is written; the page holds the same.
        layers: what the view shows.
        cuts: the sections.
        recipe: the complete recipe, TOML.
        travel: mm that the part moves to be clear of the mouth.

    Returns:
        bytes: UTF-8. It needs no other file and asks for none.

    Raises:
        KeyError: the report lacks a part that report.json has.
    """
    facts: Mapping[str, Any] = json.loads(report)
    style, viewer = _read("page.css"), _read("viewer.min.js")
    licences = {"three.js, which draws the 3D view": _read("viewer.licence.txt")}
    content = write_content(
        facts, schema=load_report_schema(), layers=layers, cuts=cuts, recipe=recipe, licences=licences
    )
    data = join([embed_json(facts, name="report"), embed_view(facts, layers, travel=travel)])
    values = {
        "policy": write_policy(script=viewer, style=style),
        "title": escape_text(f"{facts['name']}: {facts['verdict']}"),
        "style": style,
        "content": content,
        "data": data,
        "viewer": viewer,
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda match: values[match[1]], _read("page.html")).encode("utf-8")


def write_policy(*, script: str, style: str) -> Markup:
    """Return a content security policy that lets run this very script and style, and nothing load from anywhere."""
    rules = {
        "default-src": "'none'",
        "script-src": f"'{_hash(script)}'",
        "style-src": f"'{_hash(style)}'",
        "img-src": "data:",  # the view's picture for printing
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return Markup("; ".join(f"{name} {value}" for name, value in rules.items()))


def _hash(text: str) -> str:
    return "sha256-" + b64encode(sha256(text.encode("utf-8")).digest()).decode("ascii")


def _read(name: str) -> str:
    return (files("mountgen.page") / name).read_text(encoding="utf-8")
