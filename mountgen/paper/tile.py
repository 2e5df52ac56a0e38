"""Templates on pages: several on one where they are small, one on several that overlap where it is large. A leaf but for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from mountgen.arrays import Floats, freeze
from mountgen.paper.template import Template

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # mm, upright (ISO 216; ANSI/ASME Y14.1, both from memory)
MARGIN = 10.0  # mm; most printers reach to within 5 mm of the edge (common practice)
HEAD, FOOT, SIDE = 14.5, 13.0, 9.0  # mm inside the margins for words, for the check bar across, and for the upright one
PAD = 9.0  # mm around an outline for what is written at its marks: 3 of line, then up to 6 of words
CAPTION = 10.0  # mm above it for its title
LETTERS = (1.9, 1.4)  # mm, mean width of the letters of title and caption
OVERLAP = 10.0  # mm that neighbouring sheets share


@dataclass(frozen=True, eq=False)
class Placed:
    """A template, or a window of it, on a page.

    shift : (2,) mm, from the template's own coordinates to the page's, whose origin is its lower left corner.
    window: (left, bottom, right, top) mm of the page within which it is drawn.
    seams : lines of the page on which neighbouring sheets lie over each other: 0 upright, 1 level; where, mm; the neighbour.
    name  : of this piece, such as "B2"; "B" where it is whole.
    """

    template: Template
    shift: Floats
    window: tuple[float, float, float, float]
    seams: tuple[tuple[int, float, str], ...] = ()
    name: str = ""

    def __post_init__(self) -> None:
        freeze(self, "shift", "float64")


@dataclass(frozen=True, eq=False)
class Page:
    """A page, width and height in mm, and what is on it."""

    width: float
    height: float
    placed: tuple[Placed, ...]


def lay_out(templates: Sequence[Template], *, paper: str) -> tuple[Page, ...]:
    """Lay templates on pages, upright or lying, whichever takes fewer.

    Args:
        templates: at least one.
        paper: a key of PAPERS.

    Returns:
        The pages, all of one size, the templates in their order.

    Raises:
        KeyError: no such paper.
    """
    width, height = PAPERS[paper]
    upright, lying = _fill(templates, width, height), _fill(templates, height, width)
    return lying if len(lying) < len(upright) else upright


def _fill(templates: Sequence[Template], width: float, height: float) -> tuple[Page, ...]:
    left, bottom = MARGIN + SIDE, MARGIN + FOOT
    right, top = width - MARGIN, height - MARGIN - HEAD
    pages: list[Page] = []
    waiting: list[Placed] = []
    x, y, row = left, top, 0.0  # where the next one goes, and the height of its row

    def turn_over() -> None:
        nonlocal x, y, row
        if waiting:
            pages.append(Page(width, height, tuple(waiting)))
            waiting.clear()
        x, y, row = left, top, 0.0

    for template in templates:
        low, high = template.bounds()
        wide, tall = (float(v) + 2.0 * PAD for v in high - low)
        tall += CAPTION
        wide = max(wide, min(_measure_words(template), right - left))
        if wide > right - left or tall > top - bottom:
            turn_over()
            pages += _tile(template, width, height, (left, bottom, right, top))
            continue
        if x + wide > right:
            x, y, row = left, y - row, 0.0
        if y - tall < bottom:
            turn_over()
        window = (x, y - tall, x + wide, y)
        waiting.append(Placed(template, np.array([x + PAD, y - tall + PAD]) - low, window, name=template.code))
        x, row = x + wide, max(row, tall)
    turn_over()
    return tuple(pages)


def _measure_words(template: Template) -> float:
    """Return about how wide a template's title and caption are, mm."""
    return max(LETTERS[0] * len(f"{template.code}   {template.title}"), LETTERS[1] * len(template.caption)) + 4.0


def _tile(template: Template, width: float, height: float, field: tuple[float, float, float, float]) -> list[Page]:
    """Spread one template over several pages, from the upper left to the lower right, in the middle of their field."""
    left, bottom, right, top = field
    room = np.array([right - left, top - bottom - CAPTION])
    low, high = template.bounds()
    size = high - low + 2.0 * PAD
    counts = [max(1, ceil((s - OVERLAP) / (r - OVERLAP) - 1e-9)) for s, r in zip(size, room, strict=True)]
    columns, rows = counts
    reach = [s if count == 1 else (s + (count - 1) * OVERLAP) / count for s, count in zip(size, counts, strict=True)]

    def name(row: int, column: int) -> str:
        return f"{template.code}{row * columns + column + 1}"

    pages = []
    for row in range(rows):
        for column in range(columns):
            start = low - PAD + np.array([column * (reach[0] - OVERLAP), (rows - 1 - row) * (reach[1] - OVERLAP)])
            shift = np.array([left, bottom]) - start
            seams = []
            for side, there, at in (
                (0, (row, column - 1), left + OVERLAP / 2.0), (0, (row, column + 1), left + reach[0] - OVERLAP / 2.0),
                (1, (row + 1, column), bottom + OVERLAP / 2.0), (1, (row - 1, column), bottom + reach[1] - OVERLAP / 2.0),
            ):  # fmt: skip
                if 0 <= there[0] < rows and 0 <= there[1] < columns:
                    seams.append((side, at, name(*there)))
            window = (left, bottom, left + reach[0], bottom + reach[1])
            pages.append(Page(width, height, (Placed(template, shift, window, tuple(seams), name(row, column)),)))
    return pages
