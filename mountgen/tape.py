"""Acrylic-foam tape: area, heat, cleavage, surface, thickness, how to apply it. Pure functions, a leaf.

Lengths mm, areas mm², stresses MPa; a pressure of tape is so small that it is given in kPa. The numbers are
rules of thumb of tape makers; a trial strip on the real trim beats them all.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import EnduranceError
from mountgen.material import Tag, require_number
from mountgen.stiffness import DOWN_G, find_load
from mountgen.verdict import Verdict

__all__ = [
    "DYNAMIC_MPA",
    "STATIC_KPA",
    "STATIC_MM2_PER_KG",
    "TRIMS",
    "TapeArea",
    "Trim",
    "check_bond_line",
    "find_bonded_share",
    "find_heat_factor",
    "find_tape_area",
    "find_trim",
    "judge_surface",
    "judge_thickness",
    "list_application_steps",
]

STATIC_MM2_PER_KG = 6000.0  # mm² a kg that hangs for good; 60 cm²/kg in a tape supplier's note (read)
STATIC_KPA = 0.25 * 6.894757  # kPa; 4 in² a pound, a tape maker's answer (read); equal to 56.9 cm²/kg
# 12 psi for short loads: a seventh to a ninth of the 90 to 110 psi at which acrylic foam shears off when pulled fast, by a
# tape maker's slides (read); the share is our rule. Read too: 6.25 cm² held 1 kg for a short time, 0.0157 MPa; even without a
# further safety factor that asks for less area up to 9 g than the static rule does.
DYNAMIC_MPA = 0.0827
SAFETY = 3.0  # on the dynamic value (our rule)
MISMATCH_TIMES = 2.0  # thickness over mismatch of two rigid faces; page on applying acrylic-foam tapes (read)
# MN/m; "medium" starts at 36 (a tape maker's page); below 26 no tape (our rule).
LEAST_ENERGY, NO_BOND_ENERGY = 36.0, 26.0
PRESS_KPA = 100.0  # kPa on rigid parts (15 psi); page on applying acrylic-foam tapes (read)
APPLY_ABOVE_C = 10.0  # °C (50 °F); tape supplier's page (read)
DWELL_H = 72.0  # h; the bond builds over 72 h, is final after 24 to 72 h, close to that after 72 h (suppliers' pages, read)
COMPRESSION = 0.1  # of the thickness a foam tape gives way when pressed on (our rule)

# Share of the room-temperature credit that is left (our rule). Points it rests on, all read: adhesive sheet
# with use to 93 °C; carmaker's specifications with no failure in 60 min at 90 °C and 20 % loss after 72 h at
# 80 °C, and another that stops at 65 °C continuous, 105 °C intermittent.
_HEAT: tuple[tuple[float, float], ...] = ((40.0, 1.0), (70.0, 0.5), (93.0, 0.0))


@dataclass(frozen=True)
class Trim:
    """What the tape is stuck to.

    key : what a recipe says.  words: for people.
    low, high : surface energy, mN/m.
    credit : share of the tape's credit it gets: less than 1 where oils may migrate into the bond.
    source, tag : as in `material.Quantity`.
    """

    key: str
    words: str
    low: float
    high: float
    source: str
    tag: Tag
    credit: float = 1.0


_SABREEN = "surface energies of untreated polymers, sabreen.com"
TRIMS: dict[str, Trim] = {
    t.key: t
    for t in (
        Trim("pp", "polypropylene, also filled", 29.0, 31.0, _SABREEN, "read"),
        Trim("pe", "polyethylene", 30.0, 31.0, _SABREEN, "read"),
        Trim("abs", "ABS", 35.0, 42.0, _SABREEN, "read"),
        Trim("pc", "polycarbonate", 44.0, 46.0, "accudynetest.com table 3, " + _SABREEN, "read"),
        Trim("pc-abs", "PC-ABS", 35.0, 46.0, "between ABS and PC, " + _SABREEN, "our rule"),
        Trim("pet", "polyester film", 39.0, 44.0, "accudynetest.com table 3, " + _SABREEN, "read"),
        Trim("nylon", "nylon", 33.0, 46.0, _SABREEN, "read"),
        Trim("rigid-pvc", "rigid PVC", 38.0, 39.0, "accudynetest.com table 3, " + _SABREEN, "read"),
        Trim("soft-pvc", "plasticised PVC, leather look", 33.0, 38.0, _SABREEN, "read", 0.5),
        Trim(
            "soft-touch",
            "soft-touch of unknown kind",
            29.0,
            38.0,
            "taken as polyolefin or soft PVC",
            "our rule",
            0.5,
        ),
        Trim(
            "silicone",
            "silicone or fluoro-coated",
            20.0,
            24.0,
            "accudynetest.com table 3, " + _SABREEN,
            "read",
        ),
    )
}


@dataclass(frozen=True)
class TapeArea:
    """Area of tape that is needed, mm².

    static  : for the weight that hangs for good.  dynamic: for the peaks.
    Both are infinite where nothing is left of the tape's credit.
    """

    static: float
    dynamic: float


def find_trim(key: str) -> Trim:
    """Return the trim surface of that key.

    Args:
        key: as in a recipe, e.g. "soft-touch".

    Returns:
        Trim.

    Raises:
        EnduranceError: no such surface; the remedy names the nearest and all.
    """
    plain = key.strip().lower().replace("_", "-").replace(" ", "-")
    if plain in TRIMS:
        return TRIMS[plain]
    near = difflib.get_close_matches(plain, TRIMS, n=1)
    guess = f'did you mean "{near[0]}"? ' if near else ""
    raise EnduranceError(f'unknown trim surface "{key}"', "trim", f"{guess}known are: {', '.join(TRIMS)}")


def find_heat_factor(temp_c: float) -> float:
    """Return the share of its credit that tape keeps: 1 to 40 °C, 0.5 at 70, 0 from 93, straight between.

    Args:
        temp_c: temperature of the pad, °C.

    Returns:
        0 to 1.

    Raises:
        EnduranceError: the temperature cannot be.

    References:
        Our rule; what it rests on stands beside the table in this module.
    """
    require_number(temp_c, "pad temperature", low=-100.0, high=400.0, unit="°C")
    return float(np.interp(temp_c, [t for t, _ in _HEAT], [f for _, f in _HEAT]))


def find_tape_area(mass: float, *, left: float, g_factor: float = DOWN_G) -> TapeArea:
    """Return the area of tape a mass needs: m * 60 cm²/kg / f for good, 3 * m * g * n / (s * f) at a peak.

    Args:
        mass: hanging on the tape, part and device, kg.
        left: f, share of the tape's credit that heat (`find_heat_factor`) and trim (`Trim.credit`) leave together.
        g_factor: n, peak of the total acceleration.

    Returns:
        TapeArea, mm²; infinite where nothing is left: then the tape needs a mechanical hold beside it.

    Raises:
        EnduranceError: a negative mass or factor, a share outside 0 to 1.

    References:
        `STATIC_MM2_PER_KG`, `DYNAMIC_MPA`, `SAFETY`.
    """
    require_number(left, "share left of the tape's credit", high=1.0)
    peak = find_load(mass, g_factor=g_factor)
    if mass == 0.0:
        return TapeArea(0.0, 0.0)
    if left == 0.0:
        return TapeArea(math.inf, math.inf)
    return TapeArea(mass * STATIC_MM2_PER_KG / left, SAFETY * peak / (DYNAMIC_MPA * left))


def judge_surface(energy: float, *, primer: bool = False) -> Verdict:
    """Say whether tape holds on a surface of that energy.

    Args:
        energy: low end of the surface energy, mN/m.
        primer: an adhesion promoter, or a tape for low surface energy, is used.

    Returns:
        "pass" from 36 mN/m; below, "caution" with and "fail" without primer; below 26 always "fail".

    Raises:
        EnduranceError: an energy that cannot be.

    References:
        36 mN/m as the start of "medium": a tape maker's page (read). 26: our rule, above silicone at 24 mN/m
        (read).
    """
    require_number(energy, "surface energy", low=5.0, high=3000.0, unit="mN/m")
    if energy >= LEAST_ENERGY:
        return "pass"
    return "caution" if primer and energy >= NO_BOND_ENERGY else "fail"


def judge_thickness(thickness: float, *, mismatch: float) -> Verdict:
    """Say whether a tape is thick enough to touch everywhere between two rigid faces.

    Args:
        thickness: of the tape, mm.
        mismatch: how much the gap varies over the pad, largest less smallest, mm.

    Returns:
        "pass" from twice the mismatch, "caution" from the mismatch itself, else "fail".

    Raises:
        EnduranceError: a thickness that is not positive, a negative mismatch.

    References:
        Twice the mismatch: page on applying acrylic-foam tapes (read). The caution band is our rule.
    """
    require_number(thickness, "tape thickness", low=1e-6, unit="mm")
    require_number(mismatch, "mismatch of the pad", unit="mm")
    if thickness >= MISMATCH_TIMES * mismatch:
        return "pass"
    return "caution" if thickness >= mismatch else "fail"


def check_bond_line(thickness: float, *, gap: float, compression: float = COMPRESSION) -> float:
    """Return the bond line, thickness * (1 - compression), mm, once it is sure that it fits into the gap.

    Args:
        thickness: of the tape, mm.
        gap: room for it between part and recess, mm.
        compression: share by which it gives way, 0 to 0.5.

    Returns:
        mm.

    Raises:
        EnduranceError: the pressed tape is thicker than the gap, or a value cannot be.
    """
    require_number(thickness, "tape thickness", low=1e-6, unit="mm")
    require_number(gap, "gap at the pad", unit="mm")
    require_number(compression, "tape compression", high=0.5, hint="10 % is written 0.1")
    line = thickness * (1.0 - compression)
    if line > gap:
        raise EnduranceError(
            f"the tape is {line:.2f} mm thick when pressed ({thickness:g} mm less {100 * compression:g} %), "
            f"the gap {gap:.2f} mm",
            "tape pad",
            f"take a tape of {gap / (1.0 - compression):.2f} mm or less, or a gap of {line:.2f} mm there",
        )
    return line


def find_bonded_share(gaps: Floats, *, thickness: float, compression: float = COMPRESSION) -> float:
    """Return the share of a pad that the tape really touches.

    The pad is pressed until the tape is compressed by `compression` at the narrowest place; where the other
    face recedes further than that compression the foam stays clear of it.

    Args:
        gaps: (N,) float64, mm: distance from the pad's face to the recess at N evenly spread points.
        thickness: of the tape, mm.
        compression: share by which it gives way at the narrowest place.

    Returns:
        0 to 1.

    Raises:
        EnduranceError: no points, or a value that cannot be.
        ValueError: `gaps` is not a list of numbers.

    References:
        Our rule.
    """
    gaps = np.asarray(gaps, dtype=np.float64)
    if gaps.ndim != 1:
        raise ValueError(f"gaps must have shape (N,), not {gaps.shape}")
    if not len(gaps) or not np.isfinite(gaps).all():
        raise EnduranceError(
            "the gap under the pad is unknown", "tape pad", "put the pad where the scan saw the recess"
        )
    require_number(thickness, "tape thickness", low=1e-6, unit="mm")
    require_number(compression, "tape compression", high=0.5, hint="10 % is written 0.1")
    recedes = gaps - gaps.min()
    return float(np.mean(recedes <= compression * thickness + 1e-9))


def list_application_steps(trim: Trim, *, area: float) -> tuple[str, ...]:
    """Return what to do to stick the part in, one sentence a step.

    Args:
        trim: the surface.
        area: of all pads, mm².

    Returns:
        Sentences, in order.

    Raises:
        EnduranceError: an area that is not positive.

    References:
        Cleaning, temperature, pressure and time: tape suppliers' pages (read). Trial strip: our rule.
    """
    require_number(area, "tape area", low=1e-6, unit="mm²")
    steps = [
        "Wipe both faces with isopropanol and water, half and half, and let them dry.",
        f"Work above {APPLY_ABOVE_C:g} °C, tape, part and trim alike.",
    ]
    if trim.low < LEAST_ENERGY:
        steps.append(
            f"Use an adhesion promoter, or a tape for low surface energy: {trim.words} is hard to wet."
        )
    if trim.credit < 1.0:
        steps.append(
            "First stick a trial strip to a hidden place and pull at it after 72 h: oils may soften the bond."
        )
    steps.append(
        f"Press with {PRESS_KPA * area / 1000.0:.0f} N in all ({PRESS_KPA:g} kPa on the pads) for a while."
    )
    steps.append(f"Leave it without load for {DWELL_H:g} h: that long the bond builds up.")
    return tuple(steps)
