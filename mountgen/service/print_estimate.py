"""What a print weighs, how much filament it takes and how long it lasts, by formulae that can be worked by hand.

    shell    = min(V, A t)                  t = wall_lines * line_width, all around: walls, bottom and top alike
    inside   = V - shell
    laid     = shell + infill * inside      what is laid down for the part
    support  = 0.15 * air under overhangs
    mass     = density * laid
    filament = (laid + support) / (pi d² / 4)
    rate     = line_width * layer_height * speed
    time     = 300 s + (laid + support) / rate * 1.25 + 2 s * layers
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mountgen.recipe_tables import Printer

SUPPORT_SHARE = 0.15  # of the air that support fills with plastic (common practice: sparse support)
START = 300.0  # s, to heat up and level (our rule)
EXTRA = 1.25  # times the time of laying: travel, corners, small lines (our rule)
LAYER_CHANGE = 2.0  # s a layer (our rule)


@dataclass(frozen=True)
class Estimate:
    """What a print takes.

    shell, inside, laid, support : volumes as in the formulae, mm³; inside is what infill only partly fills.
    mass, support_mass : of the part as printed and of its support, g.
    filament : length, mm.  rate: mm³/s.  layers: number.  time: s.
    """

    shell: float
    inside: float
    laid: float
    support: float
    mass: float
    support_mass: float
    filament: float
    rate: float
    layers: int
    time: float


def estimate_print(
    *, volume: float, area: float, height: float, air: float, density: float, printer: Printer
) -> Estimate:
    """Return what a print takes.

    Args:
        volume: of the part, mm³.
        area: of its surface, mm².
        height: of the print, mm.
        air: below overhangs, mm³.
        density: of the plastic, g/cm³.
        printer: the recipe's table.

    Returns:
        Estimate.

    Raises:
        Nothing.
    """
    shell = min(volume, area * printer.wall_lines * printer.line_width)
    inside = volume - shell
    laid, support = shell + printer.infill * inside, SUPPORT_SHARE * air
    rate = printer.line_width * printer.layer_height * printer.speed
    layers = max(1, ceil(height / printer.layer_height - 1e-6))
    return Estimate(
        shell=shell, inside=inside, laid=laid, support=support, mass=laid * density / 1000.0,
        support_mass=support * density / 1000.0, filament=(laid + support) / (0.25 * pi * printer.filament**2),
        rate=rate, layers=layers, time=START + EXTRA * (laid + support) / rate + LAYER_CHANGE * layers,
    )  # fmt: skip
