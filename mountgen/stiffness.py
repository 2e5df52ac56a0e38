"""Sag, bending stress and natural frequency of a deck: beams, cantilevers and plates. Pure functions, a leaf.

Lengths mm, forces N, stresses and moduli MPa, pressures MPa. Poisson's ratio of the plate tables is 0.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from mountgen.errors import EnduranceError
from mountgen.material import require_number

__all__ = [
    "DOWN_G",
    "GRAVITY",
    "LEAST_FREQUENCY",
    "PEAK_SHARE",
    "SAG_SHARE",
    "SIDE_G",
    "SUSTAINED_SHARE",
    "UP_G",
    "Bending",
    "bend_beam",
    "bend_cantilever",
    "bend_plate_four_edges",
    "bend_plate_three_edges",
    "find_frequency",
    "find_load",
    "find_passing_thickness",
    "find_second_moment",
]

GRAVITY = 9.81  # m/s²
DOWN_G, SIDE_G, UP_G = 6.0, 3.0, 3.0  # quasi-static peaks incl. 1 g of weight (our rule); never a crash load
SAG_SHARE = 1.0 / 100.0  # of the span; most a deck may sag when hot and crept (our rule)
# Of the strength across or along the layers, for load that stays and peaks (our rule).
SUSTAINED_SHARE, PEAK_SHARE = 0.25, 0.5
LEAST_FREQUENCY = 30.0  # Hz; above most of what the body of a vehicle does to it (our rule)
HEAVIEST = 5.0  # kg; what is put on a dash weighs less, so more is probably a mass in grams

# Plate with four edges supported, uniform pressure, a >= b, nu 0.3: a/b, beta, alpha; the last row is the
# long strip. W. C. Young, R. G. Budynas, Roark's Formulas for Stress and Strain, 7th ed., table 11.4.
_FOUR: tuple[tuple[float, float, float], ...] = (
    (1.0, 0.2874, 0.0444),
    (1.2, 0.3762, 0.0616),
    (1.4, 0.4530, 0.0770),
    (1.6, 0.5172, 0.0906),
    (1.8, 0.5688, 0.1017),
    (2.0, 0.6102, 0.1110),
    (3.0, 0.7134, 0.1335),
    (4.0, 0.7410, 0.1400),
    (5.0, 0.7476, 0.1417),
    (math.inf, 0.7500, 0.1421),
)
# Plate with three edges supported and one edge of length b free, a the other side, nu 0.3: a/b, beta, alpha.
# Roark, table 26 case 2a (5th and 6th ed.), with one correction: beta at 0.667 is printed as 0.45, which is
# unsafe: a Ritz solution (in the tests) gives 0.4997 there. It agrees with all other values within 1 %, but
# for alpha at 0.5, where the table is 3 % on the safe side.
_THREE: tuple[tuple[float, float, float], ...] = (
    (0.5, 0.36, 0.080),
    (0.667, 0.50, 0.106),
    (1.0, 0.67, 0.140),
    (1.5, 0.77, 0.160),
    (2.0, 0.79, 0.165),
    (4.0, 0.80, 0.167),
)


@dataclass(frozen=True)
class Bending:
    """Greatest sag and stress of one bent part.

    sag    : mm.  stress: greatest bending stress, MPa.  span: length the sag is judged against, mm.
    linear : False where a plate sags by more than half its thickness: then the true sag is smaller.
    """

    sag: float
    stress: float
    span: float
    linear: bool = True


def find_load(mass: float, *, g_factor: float = 1.0) -> float:
    """Return the force of a mass, N: m * g * n.

    Args:
        mass: kg.
        g_factor: total acceleration over that of gravity: 1 at rest, `DOWN_G` at a peak.

    Returns:
        N.

    Raises:
        EnduranceError: negative mass, more than 5 kg (then it was probably given in grams), negative factor.
    """
    hint = f"if {mass:g} was meant in grams, that is {mass / 1000.0:g} kg" if mass > HEAVIEST else ""
    require_number(mass, "device mass", high=HEAVIEST, unit="kg", hint=hint)
    return mass * GRAVITY * require_number(g_factor, "load factor")


def find_second_moment(width: float, thickness: float) -> float:
    """Return the second moment of area of a rectangle, mm⁴: b * t³ / 12.

    Args:
        width: b, across the span, mm.
        thickness: t, along the load, mm.

    Returns:
        mm⁴.

    Raises:
        EnduranceError: a size that is not positive.
    """
    _check_sizes(width=width, thickness=thickness)
    return width * thickness**3 / 12.0


def bend_beam(load: float, *, span: float, width: float, thickness: float, modulus: float) -> Bending:
    """Bend a deck that rests on two opposite edges, load even: sag 5WL³/(384EI), moment WL/8.

    Args:
        load: W, whole load, N.
        span: L, between the edges, mm.
        width: along the edges, mm.
        thickness: mm.
        modulus: E, MPa; a hot or crept one for the long run.

    Returns:
        Bending.

    Raises:
        EnduranceError: a size or modulus that is not positive, a negative load.

    References:
        Euler-Bernoulli beam, e.g. S. P. Timoshenko, Strength of Materials; checked in the tests by
        integrating it.
    """
    inertia = _check_bent(load, span=span, width=width, thickness=thickness, modulus=modulus)
    sag = 5.0 * load * span**3 / (384.0 * modulus * inertia)
    return Bending(sag, load * span / 8.0 * thickness / 2.0 / inertia, span)


def bend_cantilever(load: float, *, span: float, width: float, thickness: float, modulus: float) -> Bending:
    """Bend a deck held at one edge only, load even: sag WL³/(8EI), moment WL/2.

    Args:
        load: W, whole load, N.
        span: L, from the held edge to the free one, mm.
        width: along the held edge, mm.
        thickness: mm.
        modulus: E, MPa.

    Returns:
        Bending.

    Raises:
        EnduranceError: a size or modulus that is not positive, a negative load.

    References:
        As `bend_beam`.
    """
    inertia = _check_bent(load, span=span, width=width, thickness=thickness, modulus=modulus)
    sag = load * span**3 / (8.0 * modulus * inertia)
    return Bending(sag, load * span / 2.0 * thickness / 2.0 / inertia, span)


def bend_plate_four_edges(
    pressure: float, *, length: float, width: float, thickness: float, modulus: float
) -> Bending:
    """Bend a rectangular deck that rests on all four edges: sag alpha*q*b⁴/(E*t³), stress beta*q*b²/t².

    b is the short side.

    Args:
        pressure: q, even, MPa.
        length, width: sides, mm, in either order.
        thickness: t, mm.
        modulus: E, MPa.

    Returns:
        Bending; its span is the short side.

    Raises:
        EnduranceError: a size or modulus that is not positive, a negative pressure.

    References:
        Roark's Formulas for Stress and Strain, 7th ed., table 11.4 (nu 0.3), linear between its rows and in
        b/a beyond 5.
    """
    _check_bent(pressure, span=length, width=width, thickness=thickness, modulus=modulus)
    long, short = max(length, width), min(length, width)
    return _bend_plate(pressure, _FOUR, long / short, short, thickness, modulus)


def bend_plate_three_edges(
    pressure: float, *, free_edge: float, depth: float, thickness: float, modulus: float
) -> Bending:
    """Bend a rectangular deck that rests on its back and both ends, its front edge free.

    Args:
        pressure: q, even, MPa.
        free_edge: b, length of the free edge, mm.
        depth: a, from the free edge to the back, mm; at least half of b.
        thickness: t, mm.
        modulus: E, MPa.

    Returns:
        Bending; its span is the free edge, in whose middle the sag is greatest.

    Raises:
        EnduranceError: a size or modulus that is not positive, a negative pressure; a deck shallower than
        half its free
            edge, for which the table has no row.

    References:
        Roark, table 26 case 2a (nu 0.3), one value corrected, linear between its rows; beyond a/b = 4
        its last row.
    """
    _check_bent(pressure, span=depth, width=free_edge, thickness=thickness, modulus=modulus)
    ratio = depth / free_edge
    if ratio < _THREE[0][0]:
        raise EnduranceError(
            f"the deck is {depth:g} mm deep behind a free edge of {free_edge:g} mm; the table starts at "
            f"{_THREE[0][0] * free_edge:g} mm",
            "deck",
            "judge it as a beam between its two ends, which is on the safe side",
        )
    return _bend_plate(pressure, _THREE, ratio, free_edge, thickness, modulus)


def find_frequency(sag: float) -> float:
    """Return the lowest natural frequency of a deck from its sag at 1 g, Hz: sqrt(g / sag) / (2 pi).

    Exact for one mass on a spring; a lower bound for a spread mass (by 11 % for a beam on two edges).

    Args:
        sag: under 1 g, cold and short-term, mm.

    Returns:
        Hz; 15.76 / sqrt(sag).

    Raises:
        EnduranceError: the sag is not positive.

    References:
        Rayleigh's method, e.g. J. P. Den Hartog, Mechanical Vibrations.
    """
    require_number(sag, "sag", low=1e-12, unit="mm")
    return math.sqrt(GRAVITY * 1000.0 / sag) / (2.0 * math.pi)


def find_passing_thickness(
    bending: Bending, thickness: float, *, sag_limit: float, stress_limit: float
) -> float:
    """Return the smallest thickness at which sag and stress keep their limits, mm.

    Sag falls with the third power of the thickness, stress with the second.

    Args:
        bending: of the deck as it is.
        thickness: of the deck as it is, mm.
        sag_limit: mm, e.g. `SAG_SHARE` * span.
        stress_limit: MPa, e.g. `SUSTAINED_SHARE` * strength.

    Returns:
        mm; may be less than `thickness`.

    Raises:
        EnduranceError: a thickness or limit that is not positive.
    """
    _check_sizes(thickness=thickness)
    require_number(sag_limit, "sag limit", low=1e-12, unit="mm")
    require_number(stress_limit, "stress limit", low=1e-12, unit="MPa")
    return thickness * max(math.cbrt(bending.sag / sag_limit), math.sqrt(bending.stress / stress_limit))


def _bend_plate(
    pressure: float,
    table: tuple[tuple[float, float, float], ...],
    ratio: float,
    short: float,
    thickness: float,
    modulus: float,
) -> Bending:
    beta, alpha = _look_up(table, ratio)
    sag = alpha * pressure * short**4 / (modulus * thickness**3)
    return Bending(sag, beta * pressure * short**2 / thickness**2, short, sag <= thickness / 2.0)


def _look_up(table: tuple[tuple[float, float, float], ...], ratio: float) -> tuple[float, float]:
    """Interpolate beta and alpha between the rows around `ratio`; towards an infinite row in 1 / ratio."""
    for (r0, b0, a0), (r1, b1, a1) in pairwise(table):
        if ratio <= r1:
            share = (ratio - r0) / (r1 - r0) if math.isfinite(r1) else 1.0 - r0 / ratio
            return b0 + share * (b1 - b0), a0 + share * (a1 - a0)
    return table[-1][1], table[-1][2]


def _check_sizes(**sizes: float) -> None:
    for name, value in sizes.items():
        require_number(value, name, low=1e-9, unit="mm", hint="it must be more than nothing")


def _check_bent(load: float, *, span: float, width: float, thickness: float, modulus: float) -> float:
    require_number(load, "load")
    require_number(modulus, "modulus", low=1e-9, unit="MPa", hint="the material is soft at this temperature")
    _check_sizes(span=span)
    return find_second_moment(width, thickness)
