"""A parked day as a picture: how the part warms up, and what its material bears."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil, floor, isfinite

import numpy as np

from mountgen.drawing2d import (
    GREY,
    INK,
    Colour,
    Point,
    Sheet,
    draw_area,
    draw_line,
    draw_text,
    encode_png,
    finish_sheet,
    open_sheet,
    shorten,
)
from mountgen.heat import Softening, find_place
from mountgen.material import Material
from mountgen.parked import find_service_temperature
from mountgen.recipe import Recipe
from mountgen.recipe_tables import ParkedPlace

SIZE = (1200, 760)  # pixels
LEFT, TOP, RIGHT, BOTTOM = 110.0, 130.0, 800.0, 660.0  # the plot's edges, pixels
CURVE: Colour = (0, 90, 156)
LIMIT: Colour = (190, 90, 0)
SOFT: Colour = (250, 232, 214)
LINE_GAP = 25.0  # pixels between the words of two limits
STEPS = 240  # of the curve


def picture_day(recipe: Recipe, material: Material, found: Softening, better: Softening | None) -> bytes:
    """Draw the part's temperature over a parked day against its material's limits.

    Args:
        recipe: its place and name.
        material: that of the part.
        found: what was judged of it.
        better: the material that just passes; None where none does.

    Returns:
        bytes: a PNG.
    """
    place = recipe.place
    lines = list_limits(material, found, better)
    span = max(place.hours, 1.0)
    temps = [place.ambient, find_service_temperature(place), *(t for t, _, _ in lines)]
    low, high = 10.0 * floor(min(temps) / 10.0 - 0.5), 10.0 * ceil(max(temps) / 10.0 + 0.5)

    def at(hour: float, temp: float) -> Point:
        return LEFT + (RIGHT - LEFT) * hour / span, BOTTOM - (BOTTOM - TOP) * (temp - low) / (high - low)

    sheet = open_sheet(SIZE)
    draw_text(sheet, (LEFT, 42), f"{shorten(recipe.name, 40)}: a parked day", size=30)
    words = f"{find_place(place.where).words}; outside {place.ambient:g} °C, {place.vehicle} vehicle, {place.sky} sky"
    draw_text(sheet, (LEFT, 84), words, size=20, colour=GREY)
    if isfinite(found.caution_to_c):
        soft = min(max(found.caution_to_c, low), high)
        draw_area(sheet, [at(0, high), at(span, high), at(span, soft), at(0, soft)], colour=SOFT)
    _draw_axes(sheet, at, span=span, low=low, high=high)
    _draw_limits(sheet, at, lines, span=span)
    _draw_curve(sheet, at, place)
    note = "Screening, not a rating: deflection temperatures compare plastics. The warm-up is estimated, nights do not count."
    draw_text(sheet, (LEFT, SIZE[1] - 26), note, size=17, colour=GREY)
    return encode_png(finish_sheet(sheet))


def list_limits(
    material: Material, found: Softening, better: Softening | None
) -> list[tuple[float, str, Colour]]:
    """Return temperature, °C, words and colour of what a material bears, the coolest first."""
    lines: list[tuple[float, str, Colour]] = []
    if isfinite(found.pass_to_c):
        lines.append((found.pass_to_c, f"{material.key}: passes to", LIMIT))
    if isfinite(found.caution_to_c) and found.caution_to_c != found.pass_to_c:
        lines.append((found.caution_to_c, f"{material.key}: shape kept to", LIMIT))
    if material.hdt_045 is not None:
        lines.append((material.hdt_045.low, f"{material.key}: deflects (0.45 MPa)", LIMIT))
    if material.structure == "amorphous" and material.glass_transition is not None:
        lines.append((material.glass_transition.low, f"{material.key}: glass transition", LIMIT))
    if better is not None and better.material != material.key:
        lines.append((better.pass_to_c, f"{better.material}: passes to", GREY))
    return sorted(lines, key=lambda line: line[0])


def _draw_axes(sheet: Sheet, at: Callable[[float, float], Point], *, span: float, low: float, high: float) -> None:
    for temp in np.arange(low, high + 1.0, 10.0):
        draw_line(sheet, [at(0, temp), at(span, temp)], colour=(226, 228, 232), width=1)
        draw_text(sheet, (LEFT - 10, at(0, temp)[1]), f"{temp:g}", size=18, anchor="rm")
    step = 1.0 if span <= 6 else 2.0 if span <= 14 else 4.0
    for hour in np.arange(0.0, span + 1e-9, step):
        x, y = at(hour, low)
        draw_line(sheet, [(x, y), (x, y + 6)], width=1.5)
        draw_text(sheet, (x, y + 12), f"{hour:g}", size=18, anchor="mt")
    draw_line(sheet, [at(0, high), at(0, low), at(span, low)], width=1.5)
    draw_text(sheet, (LEFT - 10, TOP - 14), "°C", size=18, anchor="rb")
    draw_text(sheet, (0.5 * (LEFT + RIGHT), BOTTOM + 40), "hours parked", size=18, anchor="mt")


def _draw_limits(
    sheet: Sheet, at: Callable[[float, float], Point], lines: list[tuple[float, str, Colour]], *, span: float
) -> None:
    """Draw level lines, their words at the right, moved apart where they would overlap."""
    floor_y = BOTTOM
    for temp, words, colour in lines:
        x, y = at(span, temp)
        draw_line(sheet, [at(0, temp), (x, y)], colour=colour, width=1.5, dash=(8, 5))
        floor_y = min(y, floor_y - LINE_GAP)
        draw_line(sheet, [(x, y), (x + 18, floor_y)], colour=colour, width=1)
        draw_text(sheet, (x + 24, floor_y), f"{words} {temp:g} °C", size=18, colour=colour)


def _draw_curve(sheet: Sheet, at: Callable[[float, float], Point], place: ParkedPlace) -> None:
    hours = np.linspace(0.0, place.hours, STEPS)
    curve = [at(float(hour), find_service_temperature(place, hours=float(hour))) for hour in hours]
    draw_line(sheet, curve, colour=CURVE, width=4)
    last = find_service_temperature(place)
    x, y = curve[-1]
    draw_text(sheet, (x - 10, y + 24), f"part {last:.0f} °C", size=22, colour=CURVE, anchor="rm")
    draw_text(sheet, (LEFT + 10, at(0, place.ambient)[1] + 20), "outside air", size=18, colour=INK)
    draw_line(sheet, [at(0, place.ambient), at(max(place.hours, 1.0), place.ambient)], width=1, dash=(3, 5))
