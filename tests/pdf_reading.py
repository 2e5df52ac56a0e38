"""A small reader of PDF pages, independent of what writes them: paths and texts in mm from a page's lower left corner.

It knows what our pages use (ISO 32000-1, tables 51, 59, 60, 106 to 109): straight paths, the graphics state's matrix, dash and
grey, and texts in the standard fonts. Anything else that changes where things are makes it fail, not guess.
"""

from __future__ import annotations

import base64
import re
import zlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np

POINT = 25.4 / 72.0  # mm
JOINS = ("mitre", "round", "bevel")
PAINT = {"S": "stroke", "s": "stroke", "f": "fill", "f*": "fill", "B": "both", "B*": "both", "b": "both", "b*": "both"}
IGNORED = {"w", "J", "M", "i", "ri", "gs", "BT", "ET", "Tc", "Tw", "Tz", "TL", "Tr", "Ts", "BMC", "EMC", "RG", "rg", "G"}
TOKEN = re.compile(
    rb"\((?:\\.|[^\\()])*\)|\[[^\]]*\]|<[0-9A-Fa-f]*>|/[^\s/\[\]<>()]+|[-+]?(?:\d+\.?\d*|\.\d+)|[A-Za-z'\"*]+|<<|>>"
)


@dataclass(frozen=True)
class Path:
    """A subpath as painted. points: (K, 2) mm; closed: ends where it began; paint: stroke, fill or both."""

    points: np.ndarray
    closed: bool
    paint: str
    dash: tuple[float, ...]
    clip: tuple[float, float, float, float] | None
    join: str = "mitre"


@dataclass
class Page:
    """A page: size in mm, subpaths, texts with the place of their first letter and their letters' height in mm."""

    size: tuple[float, float]
    paths: list[Path] = field(default_factory=list)
    texts: list[tuple[str, tuple[float, float], float]] = field(default_factory=list)

    @property
    def words(self) -> str:
        return "\n".join(text for text, _, _ in self.texts)


def read_pdf(content: bytes) -> list[Page]:
    """Return the pages of a PDF, in order."""
    assert content.startswith(b"%PDF-1.")
    objects = {int(m[1]): m[2] for m in re.finditer(rb"(\d+) 0 obj(.*?)endobj", content, re.DOTALL)}
    tree = next(body for body in objects.values() if re.search(rb"/Type\s*/Pages", body))
    kids = [int(k) for k in re.findall(rb"(\d+) 0 R", re.search(rb"/Kids\s*\[(.*?)\]", tree, re.DOTALL)[1])]
    return [_read_page(objects[kid], objects) for kid in kids]


def _read_page(body: bytes, objects: dict[int, bytes]) -> Page:
    box = [float(v) for v in re.search(rb"/MediaBox\s*\[(.*?)\]", body, re.DOTALL)[1].split()]
    assert box[:2] == [0, 0]
    assert int((re.search(rb"/Rotate\s+(\d+)", body) or [b"", b"0"])[1]) == 0
    page = Page((box[2] * POINT, box[3] * POINT))
    stream = objects[int(re.search(rb"/Contents\s+(\d+) 0 R", body)[1])]
    data = stream.split(b"stream", 1)[1].rsplit(b"endstream", 1)[0].strip(b"\r\n")
    if b"/ASCII85Decode" in stream:
        data = base64.a85decode(data.strip().removesuffix(b"~>"))
    if b"/FlateDecode" in stream:
        data = zlib.decompress(data)
    _run(data, page)
    return page


def _run(data: bytes, page: Page) -> None:
    state: dict[str, Any] = {"ctm": np.eye(3), "dash": (), "clip": None, "join": JOINS[0]}
    stack: list[dict[str, Any]] = []
    args: list[bytes] = []
    subpaths: list[tuple[list[np.ndarray], bool]] = []
    clipping = False
    text_at = np.eye(3)
    letter = 0.0

    def matrix(values: list[bytes]) -> np.ndarray:
        a, b, c, d, e, f = (float(v) for v in values)
        return np.array([[a, b, 0.0], [c, d, 0.0], [e, f, 1.0]])

    def place(x: float, y: float) -> np.ndarray:
        return (np.array([x, y, 1.0]) @ state["ctm"])[:2] * POINT

    for token in (m[0] for m in TOKEN.finditer(data)):
        if token[:1] in b"([</-+.0123456789":
            args.append(token)
            continue
        op = token.decode()
        if op == "q":
            stack.append(dict(state))
        elif op == "Q":
            state = stack.pop()
        elif op == "cm":
            state["ctm"] = matrix(args[-6:]) @ state["ctm"]
        elif op == "d":
            state["dash"] = tuple(float(v) for v in args[-2].strip(b"[]").split())
        elif op == "j":
            state["join"] = JOINS[int(args[-1])]
        elif op == "m":
            subpaths.append(([place(float(args[-2]), float(args[-1]))], False))
        elif op == "l":
            subpaths[-1][0].append(place(float(args[-2]), float(args[-1])))
        elif op == "c":
            subpaths[-1][0].append(place(float(args[-2]), float(args[-1])))  # its end; we draw no curve but the crosses' rings
        elif op == "h":
            subpaths[-1] = (subpaths[-1][0], True)
        elif op == "re":
            x, y, w, h = (float(v) for v in args[-4:])
            subpaths.append(([place(u, v) for u, v in ((x, y), (x + w, y), (x + w, y + h), (x, y + h))], True))
        elif op in {"W", "W*"}:
            clipping = True
        elif op == "n" or op in PAINT:
            if clipping:
                corners = np.array(subpaths[-1][0])
                state["clip"] = (*corners.min(axis=0), *corners.max(axis=0))
            if op != "n":
                page.paths += [Path(np.array(p), c, PAINT[op], state["dash"], state["clip"], state["join"]) for p, c in subpaths]
            subpaths, clipping = [], False
        elif op == "Tf":
            letter = float(args[-1])
        elif op == "Tm":
            text_at = matrix(args[-6:])
        elif op in {"Tj", "'"}:
            whole = text_at @ state["ctm"]
            words = re.sub(rb"\\([()\\])", rb"\1", args[-1][1:-1])
            words = re.sub(rb"\\(\d{3})", lambda m: bytes([int(m[1], 8)]), words)
            size = letter * float(np.hypot(*whole[0, :2])) * POINT
            page.texts.append((words.decode("cp1252"), tuple(whole[2, :2] * POINT), size))
        elif op not in IGNORED and op not in {"g", "T*", "Td"}:
            raise AssertionError(f"an operator that this reader does not know: {op}")
        args = []
