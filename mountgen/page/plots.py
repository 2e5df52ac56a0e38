"""Plots of what judges found, for any screen and for paper: the warm-up of the parked vehicle, what takes from the clearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

from mountgen.page.markup import Markup, element
from mountgen.verdict import format_number

WIDTH, NARROW, HEIGHT = 640.0, 320.0, 300.0  # of a plot for wide screens and paper, and of one for phones
LEFT, RIGHT, TOP, BOTTOM = 52.0, 16.0, 18.0, 44.0
LETTER, LINE = 14.0, 17.0
HALF = 0.32 * LETTER  # of the room that a letter takes along its line, at most
FILLS = {"error": "fill-1", "closing": "fill-2", "wanted": "fill-3"}  # classes of page.css
KINDS = {
    "error": "error, as its share of all errors together",
    "closing": "heat closes the gap",
    "wanted": "room that is wanted",
}
ROW = 34.0


@dataclass(frozen=True)
class Scale:
    """Values from `low` to `high` to places from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self) -> list[float]:
        """Return round values, four to nine of them."""
        span = self.high - self.low
        step = next(s for k in range(-6, 9) for s in (10.0**k, 2 * 10.0**k, 5 * 10.0**k) if span / s <= 8.0)
        first = -(-self.low // step) * step
        return [first + step * k for k in range(int((self.high - first) / step + 1e-9) + 1)]


def plot_heat(facts: Mapping[str, Any], *, width: float = WIDTH) -> Markup:
    """Draw how the part warms up in the parked vehicle, against what its material bears.

    Args:
        facts: of the judge of heat: hours, warm_up_c, part_c, passes_to_c and caution_to_c (None where unknown), material.
        width: of the drawing, in units of which a letter has LETTER.
    """
    hours, warm = facts["hours"], facts["warm_up_c"]
    limits = {
        f"{facts['material']} passes to {format_number(facts['passes_to_c'])} °C": ("limit", facts["passes_to_c"]),
        f"caution to {format_number(facts['caution_to_c'])} °C": ("limit-2", facts["caution_to_c"]),
    }
    known = {text: (kind, at) for text, (kind, at) in limits.items() if at is not None and isfinite(at)}
    values = [*warm, *(at for _, at in known.values())]
    x = Scale(0.0, max(float(hours[-1]), 1e-6), LEFT, width - RIGHT)
    y = Scale(5.0 * (min(values) // 5.0), 5.0 * (max(values) // 5.0) + 10.0, HEIGHT - BOTTOM, TOP)
    line = "M" + "L".join(f"{x(h):.1f} {y(t):.1f}" for h, t in zip(hours, warm, strict=True))
    marks = [
        element("g", element("path", d=f"M{LEFT:g} {y(at):.1f}H{width - RIGHT:g}"),
                element("text", text, x=width - RIGHT - 4, y=y(at) - 5, text_anchor="end"), class_=kind)
        for text, (kind, at) in known.items()
    ]  # fmt: skip
    end = f"part {format_number(round(facts['part_c'], 1))} °C"
    middle = y(warm[len(warm) // 2])
    spots = (middle - 9.0, middle + LINE + 5.0)  # over the curve or under it, wherever no limit runs through the words
    spot = max(spots, key=lambda at: min((abs(at - LETTER / 3 - y(limit)) for _, limit in known.values()), default=1.0))
    summary = f"{end} after {format_number(hours[-1])} h; " + "; ".join(known or ["no limit is known"])
    return element(
        "svg",
        element("title", "Warm-up of the parked vehicle"),
        _draw_frame(x, y, "hours parked", "°C"),
        *marks,
        element("path", class_="curve", d=line),
        element("circle", class_="dot", cx=x(hours[-1]), cy=y(warm[-1]), r=5),
        element("text", end, x=LEFT + 0.5 * (width - LEFT - RIGHT), y=spot, text_anchor="middle",
                class_="strong"),
        viewBox=f"0 0 {width:g} {HEIGHT:g}",
        font_size=LETTER,
        role="img",
        aria_label=f"Temperature of the part over the hours parked: {summary}",
    )


def plot_stack(facts: Mapping[str, Any], *, width: float = WIDTH) -> Markup:
    """Draw what takes how much of the clearance, one bar after the other, against what was asked for.

    Args:
        facts: of the judge of the fit stack: contributions (what, kind, mm), needed and asked, mm.
        width: of the drawing, in units of which a letter has LETTER.
    """
    rows: Sequence[Mapping[str, Any]] = facts["contributions"]
    top = TOP + LINE
    height = top + ROW * (len(rows) + 1) + BOTTOM
    most = max(facts["needed"], facts["asked"], 1e-3)
    left = LEFT + 50.0
    x = Scale(0.0, 1.15 * most, left, width - RIGHT)
    bars, at = [], 0.0
    for k, row in enumerate([*rows, {"what": "needed", "kind": "", "mm": facts["needed"]}]):
        total = k == len(rows)
        start, end = (0.0, float(row["mm"])) if total else (at, at + float(row["mm"]))
        at = at if total else end
        y = top + ROW * k
        fill = "fill-total" if total else FILLS[row["kind"]]
        bars.append(
            element(
                "g",
                element("text", row["what"], x=left - 8, y=y + 0.62 * ROW, text_anchor="end"),
                element("rect", x=x(start), y=y + 5, width=max(x(end) - x(start), 1.0), height=ROW - 10, class_=fill),
                element("text", f"{row['mm']:.2f}", x=x(end) + 6, y=y + 0.62 * ROW),
            )
        )
    foot = top + ROW * (len(rows) + 1)
    words = f"asked for {facts['asked']:.2f} mm"
    asked = element(
        "g",
        element("path", d=f"M{x(facts['asked']):.1f} {top:g}V{foot:.1f}"),
        element("text", words, x=min(x(facts["asked"]), width - HALF * len(words)), y=top - 5, text_anchor="middle"),
        class_="limit",
    )
    said = ", ".join(f"{row['what']} {row['mm']:.2f}" for row in rows)
    return element(
        "svg",
        element("title", "What takes from the clearance"),
        _draw_ticks(x, foot, "mm of clearance"),
        asked,
        *bars,
        viewBox=f"0 0 {width:g} {height:g}",
        font_size=LETTER,
        role="img",
        aria_label=f"Clearance needed {facts['needed']:.2f} mm, asked for {facts['asked']:.2f} mm: {said}",
    )


def list_kinds(facts: Mapping[str, Any]) -> Markup:
    """Return the key to the colours of `plot_stack`."""
    there = [kind for kind in KINDS if any(row["kind"] == kind for row in facts["contributions"])]
    entries = [
        element("li", element("span", class_=f"swatch {FILLS[kind]}", aria_hidden="true"), KINDS[kind]) for kind in there
    ]
    return element("ul", *entries, class_="key")


def _draw_frame(x: Scale, y: Scale, below: str, beside: str) -> Markup:
    lines = [
        element("g", element("path", d=f"M{LEFT:g} {y(v):.1f}H{x.end:g}", class_="grid"),
                element("text", format_number(v), x=LEFT - 6, y=y(v) + 5, text_anchor="end"))
        for v in y.ticks()
    ]  # fmt: skip
    unit = element("text", beside, x=LEFT - 6, y=TOP - 5, text_anchor="end")
    return element("g", *lines, unit, _draw_ticks(x, y.start, below), class_="axis")


def _draw_ticks(x: Scale, foot: float, words: str) -> Markup:
    ticks = [
        element("g", element("path", d=f"M{x(v):.1f} {foot:.1f}v5", class_="grid"),
                element("text", format_number(round(v, 6)), x=x(v), y=foot + 5 + LINE, text_anchor="middle"))
        for v in x.ticks()
    ]  # fmt: skip
    line = element("path", d=f"M{x.start:g} {foot:.1f}H{x.end:g}", class_="grid")
    return element("g", line, *ticks, element("text", words, x=x.end, y=foot + 5 + 2 * LINE, text_anchor="end"), class_="axis")
