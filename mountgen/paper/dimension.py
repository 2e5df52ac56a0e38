"""Dimension lines, angles and callouts beside a view, after the practice of ISO 129-1 and ISO 128 (from memory).

Thin lines; the shortest size stands nearest to the view, chains share a line; where a size is too short for its number, the
arrows come from outside and the number stands beside them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import atan2, degrees
from typing import TYPE_CHECKING, Literal

import numpy as np

from mountgen.arrays import Floats
from mountgen.paper.sheets import PLAIN, trace

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Side = Literal["left", "bottom", "right", "top"]
SIDES: tuple[Side, ...] = ("left", "bottom", "right", "top")
THIN = 0.25  # mm
LETTER = 3.5  # mm, height of numbers (ISO 3098 has 2.5, 3.5, 5)
ARROW = (2.5, 0.8)  # mm, length and width of an arrow
FIRST, NEXT = 8.0, 7.0  # mm from a view to its first dimension line, and from one to the next
OFF, PAST = 1.0, 1.5  # mm between a view and an extension line, and of that past its dimension line
OVER = 0.9  # mm between a line and the number on it
NEAR = 1.0  # mm between two dimensions that share a line
SHELF = 2.0  # mm of a callout's line under its words
AROUND = 7.0  # mm by which the arc of an angle clears the number within

Place = Callable[[Floats], Floats]  # from a view's own mm to those of the page


@dataclass(frozen=True, eq=False)
class Dimension:
    """A size on paper. first, last: (2,) mm of the view; side: where its line stands; words: what is written on it."""

    first: Floats
    last: Floats
    side: Side
    words: str

    @property
    def along(self) -> int:
        """The axis that it runs along: 0 from left to right, 1 from bottom to top."""
        return 0 if self.side in ("bottom", "top") else 1


@dataclass(frozen=True, eq=False)
class Laid:
    """A dimension with its place. row: of its side, 0 next to the view; beside: whether its number stands beside the arrows."""

    dimension: Dimension
    row: int
    beside: bool


def measure_words(words: str, size: float = LETTER) -> float:
    """Return how long words are, mm."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(words, PLAIN, size))


def lay_out(dimensions: Sequence[Dimension], scale: float) -> tuple[Laid, ...]:
    """Give each dimension a row on its side, the shortest nearest to the view, none over another.

    Args:
        dimensions: of one view.
        scale: mm of paper a mm.
    """
    laid: list[Laid] = []
    for side in SIDES:
        rows: list[list[tuple[float, float]]] = []
        mine = [each for each in dimensions if each.side == side]
        for each in sorted(mine, key=lambda d: abs(float((d.last - d.first)[d.along]))):
            low, high = sorted(scale * float(end[each.along]) for end in (each.first, each.last))
            width = measure_words(each.words)
            beside = high - low < width + 2.0 * ARROW[0]
            if beside:
                low, high = low - 2.0 * ARROW[0], high + 2.0 * ARROW[0] + 1.0 + width
            free = (k for k, row in enumerate(rows) if all(high + NEAR <= a or b + NEAR <= low for a, b in row))
            row = next(free, len(rows))
            if row == len(rows):
                rows.append([])
            rows[row].append((low, high))
            laid.append(Laid(each, row, beside))
    return tuple(laid)


def find_room(laid: Sequence[Laid], side: Side) -> float:
    """Return how far the dimensions of a side reach from the view, mm."""
    rows = [each.row for each in laid if each.dimension.side == side]
    return FIRST + NEXT * max(rows) + LETTER + OVER if rows else 0.0


def draw_dimensions(canvas: Canvas, laid: Sequence[Laid], place: Place, box: tuple[float, float, float, float]) -> None:
    """Draw dimensions with their extension lines; all numbers come last, so that no line runs through one.

    Args:
        canvas: in mm.
        laid: what and where.
        place: from the view to the page.
        box: left, bottom, right, top of the view on the page, mm.
    """
    canvas.setLineWidth(THIN)
    ends = [_draw_lines(canvas, each, place, box) for each in laid]
    for each, (first, last) in zip(laid, ends, strict=True):
        words, along = each.dimension.words, each.dimension.along
        middle = 0.5 * (first + last)
        if each.beside:
            middle = last.copy()
            middle[along] += 2.0 * ARROW[0] + 1.0 + 0.5 * measure_words(words)
        _write(canvas, middle, words, turned=along == 1, over=-0.35 * LETTER if each.beside else OVER)


def _draw_lines(canvas: Canvas, laid: Laid, place: Place, box: tuple[float, float, float, float]) -> tuple[Floats, Floats]:
    """Draw a dimension without its number; returns the ends of its line, (2,) mm of the page."""
    each = laid.dimension
    across, outwards = 1 - each.along, 1.0 if each.side in ("top", "right") else -1.0
    level = box[SIDES.index(each.side)] + outwards * (FIRST + NEXT * laid.row)
    first, last = sorted((place(each.first), place(each.last)), key=lambda end: float(end[each.along]))
    tips = []
    for end in (first, last):
        tip, start, stop = end.copy(), end.copy(), end.copy()
        tip[across] = level
        start[across] += outwards * OFF
        stop[across] = level + outwards * PAST
        canvas.line(*start.tolist(), *stop.tolist())
        tips.append(tip)
    way = np.zeros(2)
    way[each.along] = 1.0
    reach = 2.0 * ARROW[0] * way if laid.beside else np.zeros(2)
    canvas.line(*(tips[0] - reach).tolist(), *(tips[1] + reach).tolist())
    for tip, inner in ((tips[0], way), (tips[1], -way)):
        _draw_arrow(canvas, tip, -inner if laid.beside else inner)
    return tips[0], tips[1]


def _draw_arrow(canvas: Canvas, tip: Floats, towards: Floats) -> None:
    """Draw an arrow's head at `tip`; its body lies `towards`, unit (2,)."""
    back = tip + ARROW[0] * towards
    across = np.array([-towards[1], towards[0]]) * ARROW[1] / 2.0
    canvas.setFillGray(0.0)
    canvas.drawPath(trace(canvas, [np.array([tip, back + across, back - across])], closed=True), stroke=0, fill=1)


def _write(canvas: Canvas, at: Floats, words: str, *, turned: bool, over: float) -> None:
    """Write words on white about a place, `over` mm above it; turned, to be read from the right."""
    width = measure_words(words)
    canvas.saveState()
    canvas.translate(*at.tolist())
    if turned:
        canvas.rotate(90)
    canvas.setFillGray(1.0)
    canvas.rect(-0.5 * width - 0.3, over - 0.2, width + 0.6, 0.75 * LETTER + 0.4, stroke=0, fill=1)
    canvas.setFillGray(0.0)
    canvas.setFont(PLAIN, LETTER)
    canvas.drawCentredString(0.0, over, words)
    canvas.restoreState()


def draw_angle(canvas: Canvas, apex: Floats, first: Floats, second: Floats, words: str) -> None:
    """Draw an angle on the page: an arc between two legs, and its size.

    Args:
        canvas: in mm.
        apex: (2,) mm of the page.
        first, second: (2,) unit, its legs.
        words: its size.
    """
    turns = sorted(degrees(atan2(float(leg[1]), float(leg[0]))) for leg in (first, second))
    if turns[1] - turns[0] > 180.0:
        turns = [turns[1], turns[0] + 360.0]
    spread = np.radians(turns[1] - turns[0])
    radius = max(14.0, (measure_words(words) + 2.0) / max(spread, 0.05))
    radius = min(radius, 30.0)
    canvas.setLineWidth(THIN)
    end = apex + (radius + PAST) * first
    canvas.line(*apex.tolist(), *end.tolist())
    x, y = apex.tolist()
    canvas.arc(x - radius, y - radius, x + radius, y + radius, turns[0], turns[1] - turns[0])
    for turn, sign in ((turns[0], 1.0), (turns[1], -1.0)):
        out = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
        tangent = sign * np.array([-out[1], out[0]])
        _draw_arrow(canvas, apex + radius * out, tangent)
    half = np.radians(0.5 * (turns[0] + turns[1]))
    middle = apex + (radius + 0.7 * LETTER) * np.array([np.cos(half), np.sin(half)])
    _write(canvas, middle, words, turned=False, over=-0.35 * LETTER)


def draw_callout(canvas: Canvas, point: Floats, words: str, *, right: float, level: float) -> None:
    """Draw words at the right of a view, with a line that points at a place of it.

    Args:
        canvas: in mm.
        point: (2,) mm of the page.
        words: what is written.
        right: where the words' own line begins, mm.
        level: its height, mm.
    """
    width = measure_words(words)
    start = np.array([right, level])
    canvas.setLineWidth(THIN)
    canvas.line(*point.tolist(), *start.tolist())
    canvas.line(right, level, right + SHELF + width, level)
    _draw_arrow(canvas, point, (start - point) / np.linalg.norm(start - point))
    canvas.setFillGray(0.0)
    canvas.setFont(PLAIN, LETTER)
    canvas.drawString(right + 0.5 * SHELF, level + OVER, words)
