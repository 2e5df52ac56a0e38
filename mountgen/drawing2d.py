"""Lines, text, dimensions, scale and colour bars, clock dials on a sheet. A leaf; Pillow does the drawing.

Places are in pixels of the finished sheet, x right and y down. The sheet is drawn at twice its size and
brought down at the end, which smooths lines and text alike. Every text's box is kept, so that a test can
tell whether two overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from io import BytesIO
from itertools import pairwise
from math import cos, floor, hypot, log10, radians, sin
from typing import TYPE_CHECKING, Any

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.ramp import Ramp

if TYPE_CHECKING:
    from PIL import Image

FINE = 2  # the sheet is drawn this many times its size
Colour = tuple[int, int, int]
Point = tuple[float, float]
INK: Colour = (28, 32, 38)
GREY: Colour = (122, 128, 136)
PAPER: Colour = (255, 255, 255)
UNSEEN: Colour = (214, 0, 158)
FLAT: Colour = (240, 140, 20)  # what is only seen flat


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet being drawn on.

    size  : columns, rows, pixels.
    image : at FINE times that size.
    texts : what was written so far: words, (left, top, right, bottom).
    """

    size: tuple[int, int]
    image: Image.Image
    texts: list[tuple[str, tuple[float, float, float, float]]] = field(default_factory=list)

    @property
    def pen(self) -> Any:
        """Return Pillow's drawing object for the sheet."""
        from PIL import ImageDraw

        return ImageDraw.Draw(self.image)


def open_sheet(size: tuple[int, int]) -> Sheet:
    """Return an empty white sheet of columns x rows pixels."""
    from PIL import Image

    return Sheet(size, Image.new("RGB", (size[0] * FINE, size[1] * FINE), PAPER))


def finish_sheet(sheet: Sheet) -> Image.Image:
    """Return the sheet at its own size, RGB."""
    return sheet.image.reduce(FINE)


def encode_png(image: Image.Image) -> bytes:
    """Return a picture as the bytes of a PNG file; the same picture gives the same bytes."""
    stream = BytesIO()
    image.save(stream, "PNG", optimize=False)
    return stream.getvalue()


def paste_pixels(sheet: Sheet, pixels: Floats, corner: Point, *, mask: Bools | None = None) -> None:
    """Put pixels (R, C, 3), 0..1, at FINE times the sheet, top left at `corner`, where `mask` is set."""
    from PIL import Image

    picture = Image.fromarray(np.rint(pixels * 255.0).astype(np.uint8))
    cover = None if mask is None else Image.fromarray(np.where(mask, 255, 0).astype(np.uint8))
    sheet.image.paste(picture, (round(corner[0] * FINE), round(corner[1] * FINE)), cover)


def draw_line(
    sheet: Sheet,
    points: Sequence[Point] | Floats,
    *,
    colour: Colour = INK,
    width: float = 2.0,
    dash: Point | None = None,
    closed: bool = False,
) -> None:
    """Draw a line through points (N, 2). `dash`: lengths of dash and gap."""
    path = [(float(x), float(y)) for x, y in points]
    path = [*path, path[0]] if closed and path else path
    for piece in [path] if dash is None else _split_dashes(path, *dash):
        sheet.pen.line(
            [(x * FINE, y * FINE) for x, y in piece], fill=colour, width=round(width * FINE), joint="curve"
        )


def draw_area(sheet: Sheet, points: Sequence[Point] | Floats, *, colour: Colour) -> None:
    """Fill the polygon of points (N, 2)."""
    sheet.pen.polygon([(float(x) * FINE, float(y) * FINE) for x, y in points], fill=colour)


def draw_text(
    sheet: Sheet, at: Point, words: str, *, size: int = 20, colour: Colour = INK, anchor: str = "lm"
) -> tuple[float, float, float, float]:
    """Write words and return their box. `anchor`: l, m or r, then t, m or b, as Pillow has them."""
    from PIL import ImageFont

    font = ImageFont.load_default(size * FINE)
    place = (at[0] * FINE, at[1] * FINE)
    sheet.pen.text(place, words, font=font, fill=colour, anchor=anchor)
    left, top, right, bottom = (v / FINE for v in sheet.pen.textbbox(place, words, font=font, anchor=anchor))
    sheet.texts.append((words, (left, top, right, bottom)))
    return left, top, right, bottom


def draw_arrow(
    sheet: Sheet, tail: Point, head: Point, *, colour: Colour = INK, width: float = 2.0, tip: float = 13.0
) -> None:
    """Draw an arrow with a filled tip."""
    length = hypot(head[0] - tail[0], head[1] - tail[1])
    ux, uy = (head[0] - tail[0]) / length, (head[1] - tail[1]) / length
    neck = (head[0] - tip * 0.8 * ux, head[1] - tip * 0.8 * uy)
    draw_line(sheet, [tail, neck], colour=colour, width=width)
    wide = 0.36 * tip
    draw_area(
        sheet,
        [
            head,
            (head[0] - tip * ux - wide * uy, head[1] - tip * uy + wide * ux),
            (head[0] - tip * ux + wide * uy, head[1] - tip * uy - wide * ux),
        ],
        colour=colour,
    )


def draw_dimension(sheet: Sheet, first: Point, last: Point, words: str, *, size: int = 22) -> None:
    """Draw a dimension line, tips at both ends; words stand beside an upright line, above a level one."""
    middle = ((first[0] + last[0]) / 2, (first[1] + last[1]) / 2)
    upright = abs(last[1] - first[1]) > abs(last[0] - first[0])
    tip = min(13.0, 0.4 * hypot(last[0] - first[0], last[1] - first[1]))
    draw_arrow(sheet, middle, first, width=1.5, tip=tip)
    draw_arrow(sheet, middle, last, width=1.5, tip=tip)
    if upright:
        draw_text(sheet, (middle[0] + 9, middle[1]), words, size=size, anchor="lm")
    else:
        draw_text(sheet, (middle[0], middle[1] - 6), words, size=size, anchor="mb")


def choose_length(px_per_mm: float, *, longest: float) -> float:
    """Return the greatest 1, 2 or 5 times a power of ten, mm, that is drawn no longer than `longest` px."""
    most = longest / px_per_mm
    step: float = 10.0 ** floor(log10(most))
    return step * max(k for k in (1, 2, 5) if k * step <= most * (1 + 1e-12))


def draw_scale_bar(sheet: Sheet, at: Point, px_per_mm: float, *, longest: float = 200.0) -> float:
    """Draw a scale bar with its left end at `at` and its length written over it; return that length, mm.

    Args:
        sheet: where.
        at: left end of the bar's middle line.
        px_per_mm: of the finished sheet.
        longest: most pixels it may take.
    """
    length = choose_length(px_per_mm, longest=longest)
    left, right = at[0] * FINE, (at[0] + length * px_per_mm) * FINE
    y = at[1] * FINE
    sheet.pen.rectangle(
        [round(left), round(y - 3 * FINE), round(right) - 1, round(y + 3 * FINE) - 1], fill=INK
    )
    draw_text(sheet, (at[0] + length * px_per_mm / 2, at[1] - 9), f"{length:g} mm", size=20, anchor="mb")
    return length


def draw_colour_bar(
    sheet: Sheet,
    box: tuple[float, float, float, float],
    ramp: Ramp,
    *,
    ticks: Sequence[tuple[float, str]],
    falling: bool = False,
) -> None:
    """Draw an upright colour bar in a box (left, top, right, bottom) with ticks and their words at its right.

    Args:
        sheet: where.
        box: of the bar itself.
        ramp: what it shows, from `low` at the bottom to `high` at the top.
        ticks: value and words.
        falling: `low` at the top instead.
    """
    left, top, right, bottom = box
    rows = round((bottom - top) * FINE)
    share = (np.arange(rows) + 0.5) / rows
    share = share if falling else 1.0 - share
    column = ramp.paint(ramp.low + share * (ramp.high - ramp.low))
    paste_pixels(sheet, np.repeat(column[:, None, :], round((right - left) * FINE), axis=1), (left, top))
    draw_line(sheet, [(left, top), (right, top), (right, bottom), (left, bottom)], width=1, closed=True)
    for value, words in ticks:
        at = (value - ramp.low) / (ramp.high - ramp.low)
        y = top + (bottom - top) * (at if falling else 1.0 - at)
        draw_line(sheet, [(right, y), (right + 7, y)], width=1.5)
        draw_text(sheet, (right + 12, y), words, size=20)


def draw_dial(sheet: Sheet, middle: Point, radius: float) -> None:
    """Draw a clock dial: a ring, outside it minute ticks and the twelve numbers, 12 at the top."""
    box = [v * FINE for v in (middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius)]
    sheet.pen.ellipse(box, outline=INK, width=2 * FINE)
    for minute in range(60):
        turn = radians(6 * minute)
        long = 15.0 if minute % 5 == 0 else 7.0
        draw_line(
            sheet,
            [place_on_clock(middle, radius, turn), place_on_clock(middle, radius + long, turn)],
            width=3.0 if minute % 5 == 0 else 1.5,
        )
        if minute % 5 == 0:
            draw_text(
                sheet,
                place_on_clock(middle, radius + 35, turn),
                str(minute // 5 or 12),
                size=32 if minute % 15 == 0 else 26,
                anchor="mm",
            )


def place_on_clock(middle: Point, radius: float, turn: float) -> Point:
    """Return the place at `turn` radians clockwise from 12 o'clock."""
    return middle[0] + radius * sin(turn), middle[1] - radius * cos(turn)


def draw_badge(sheet: Sheet, at: Point, words: str) -> None:
    """Draw a number of the dial in a ring, for the place it stands for in another drawing."""
    box = [v * FINE for v in (at[0] - 19, at[1] - 19, at[0] + 19, at[1] + 19)]
    sheet.pen.ellipse(box, outline=INK, fill=PAPER, width=2 * FINE)
    draw_text(sheet, at, words, size=24, anchor="mm")


def hatch_stripes(like: Bools) -> Floats:
    """Return magenta stripes on white, (R, C, 3), 0..1, as large as `like`, at FINE times the sheet."""
    row, col = np.indices(like.shape)
    stripe = np.asarray((row + col) % (6 * FINE) < 4 * FINE)
    return np.where(np.repeat(stripe[:, :, np.newaxis], 3, axis=2), np.asarray(UNSEEN) / 255.0, 1.0)


def hatch_flat(like: Bools) -> Floats:
    """Return orange stripes on white that fall the other way, (R, C, 3), 0..1, as large as `like`, at FINE times the sheet."""
    row, col = np.indices(like.shape)
    stripe = np.asarray((row - col) % (5 * FINE) < 3 * FINE)
    return np.where(np.repeat(stripe[:, :, np.newaxis], 3, axis=2), np.asarray(FLAT) / 255.0, 1.0)


def shorten(words: str, most: int) -> str:
    """Return words of at most `most` letters, the middle left out where there are more."""
    if len(words) <= most:
        return words
    head = (most - 3) // 2
    return f"{words[:head]}...{words[len(words) - (most - 3 - head) :]}"


def _split_dashes(path: Sequence[Point], dash: float, gap: float) -> list[list[Point]]:
    """Cut a path into dashes by arc length."""
    pieces: list[list[Point]] = []
    travelled = 0.0
    period = dash + gap
    for (ax, ay), (bx, by) in pairwise(path):
        length = hypot(bx - ax, by - ay)
        if length == 0.0:
            continue
        at = 0.0
        while at < length:
            phase = (travelled + at) % period
            step = min(length - at, (dash if phase < dash else period) - phase)
            step = max(step, 1e-6)
            if phase < dash:
                pieces.append(
                    [
                        (ax + (bx - ax) * at / length, ay + (by - ay) * at / length),
                        (ax + (bx - ax) * (at + step) / length, ay + (by - ay) * (at + step) / length),
                    ]
                )
            at += step
        travelled += length
    return pieces
