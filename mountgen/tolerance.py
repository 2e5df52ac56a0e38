"""Fit stack: what scan, printer, shrinkage and heat take from a gap; the clearance that is needed. A leaf.

Uncertainties `u` are standard ones (one standard deviation); a tolerance "±t" of a printer counts as u = t /
2.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from mountgen.errors import EnduranceError
from mountgen.material import Quantity, Tag, require_number
from mountgen.verdict import Verdict

__all__ = [
    "COVERAGE",
    "FITS",
    "FitClass",
    "FitStack",
    "find_clearance",
    "find_closing",
    "find_closing_spread",
    "find_fit_class",
    "find_print_tolerance",
    "find_shrink_scale",
    "find_thermal_mismatch",
    "judge_scan_noise",
    "stack_fit",
]

COVERAGE = 2.0  # standard deviations kept free (our rule)
ASSEMBLY_C = 20.0  # °C at which scan and part were measured
COLDEST_C = -20.0  # °C, winter night (our rule)
# In mm and % of size, the greater; ±0.2 mm read for tuned machines (our rule).
PRINT_TOLERANCE, PRINT_TOLERANCE_PCT = 0.2, 0.3


@dataclass(frozen=True)
class FitClass:
    """How a part is meant to sit.

    key : what a recipe says.  words: for people.
    allowance : gap per side wanted once all errors have taken theirs, mm.
    noisiest  : largest scan noise at which this fit can be promised, mm.
    source, tag : as in `material.Quantity`, of the allowance.
    """

    key: str
    words: str
    allowance: float
    noisiest: float
    source: str
    tag: Tag


_GAPS = "split of gaps on print shops' pages: press 0.05-0.15, sliding 0.2-0.3, loose 0.4-0.5 mm per side"
FITS: dict[str, FitClass] = {
    f.key: f
    for f in (
        FitClass("press", "sits tight, pushed in", 0.0, 0.05, _GAPS, "our rule"),
        FitClass("sliding", "slides in without play that can be felt", 0.1, 0.15, _GAPS, "our rule"),
        FitClass("loose", "drops in", 0.3, math.inf, _GAPS, "our rule"),
        FitClass(
            "lined",
            "drops in on a lining of felt or foam of 1 mm",
            1.0,
            math.inf,
            "lining thickness",
            "our rule",
        ),
    )
}


@dataclass(frozen=True)
class FitStack:
    """The clearance a fit needs and what it is made of, all mm per side.

    noise     : coverage * sqrt(u_scan² + u_print² + u_shrinkage² + u_thermal²).
    allowance : of the fit class.  thermal: what heat or cold closes.
    needed    : their sum.
    u_scan, u_print, u_shrinkage, u_thermal : standard uncertainties in `noise`.
    """

    u_scan: float
    u_print: float
    u_shrinkage: float
    noise: float
    allowance: float
    thermal: float
    u_thermal: float = 0.0

    @property
    def needed(self) -> float:
        return self.noise + self.allowance + self.thermal


def find_fit_class(key: str) -> FitClass:
    """Return the fit class of that key.

    Args:
        key: as in a recipe: "press", "sliding", "loose" or "lined".

    Returns:
        FitClass.

    Raises:
        EnduranceError: no such class; the remedy names the nearest and all.
    """
    plain = key.strip().lower()
    if plain in FITS:
        return FITS[plain]
    near = difflib.get_close_matches(plain, FITS, n=1)
    guess = f'did you mean "{near[0]}"? ' if near else ""
    raise EnduranceError(f'unknown fit "{key}"', "fit", f"{guess}known are: {', '.join(FITS)}")


def find_clearance(u_scan: float, u_print: float, *, allowance: float = 0.0) -> float:
    """Return the gap to the scanned wall that is needed, mm: 2 * sqrt(u_scan² + u_print²) + allowance.

    Args:
        u_scan: standard uncertainty of the scanned wall, mm: difference of two scans, or the noise of one.
        u_print: standard uncertainty of the printed wall, mm.
        allowance: gap wanted beyond them, mm.

    Returns:
        mm per side.

    Raises:
        EnduranceError: a negative value.

    References:
        Our rule; sum of independent uncertainties as in JCGM 100:2008 (GUM), 5.1.2, coverage factor 2.
    """
    require_number(u_scan, "scan uncertainty", unit="mm")
    require_number(u_print, "print uncertainty", unit="mm")
    require_number(allowance, "fit allowance", unit="mm")
    return COVERAGE * math.hypot(u_scan, u_print) + allowance


def find_print_tolerance(size: float) -> float:
    """Return the ± tolerance of a tuned printer over a size, mm: 0.2 mm or 0.3 %, the greater.

    Args:
        size: largest dimension of the part across the fit, mm.

    Returns:
        mm; half of it is the standard uncertainty.

    Raises:
        EnduranceError: negative size.

    References:
        Our rule between ±0.2 mm for tuned machines and ±0.5 mm or 0.5 % as services guarantee (print shops'
        pages, read).
    """
    return max(PRINT_TOLERANCE, PRINT_TOLERANCE_PCT / 100.0 * require_number(size, "part size", unit="mm"))


def find_shrink_scale(shrinkage_pct: float) -> float:
    """Return the factor by which to enlarge a part so that it is right once it has shrunk: 1 / (1 - s).

    Args:
        shrinkage_pct: s, %.

    Returns:
        Factor, 1 or more.

    Raises:
        EnduranceError: negative or more than 10 %.
    """
    hint = "measure a printed bar of 100 mm"
    s = require_number(shrinkage_pct, "shrinkage", high=10.0, unit="%", hint=hint)
    return 1.0 / (1.0 - s / 100.0)


def find_thermal_mismatch(
    length: float, *, part_expansion: float, trim_expansion: float, delta_k: float
) -> float:
    """Return how much more the part grows than the recess around it, mm: L * (a_part - a_trim) * dT.

    Args:
        length: across the fit, mm.
        part_expansion, trim_expansion: µm/(m·K); 0 for a trim that something stiff holds in place.
        delta_k: change of temperature, K; negative when it gets colder.

    Returns:
        mm over the whole length; positive closes the gap.

    Raises:
        EnduranceError: a negative length or expansion (an expansion given per K instead of in µm/(m·K) is so
        small that
            it does no harm but is refused too).
    """
    require_number(length, "length", unit="mm")
    a = _check_expansion(part_expansion, "expansion of the part")
    b = _check_expansion(trim_expansion, "expansion of the trim")
    return (
        length
        * (a - b)
        * 1e-6
        * require_number(delta_k, "temperature change", low=-500.0, high=500.0, unit="K")
    )


def find_closing(
    length: float,
    *,
    part_expansion: float,
    trim_expansion: float,
    hottest_c: float,
    coldest_c: float = COLDEST_C,
) -> float:
    """Return what heat or cold takes from the gap on each side at worst, mm.

    Hot, a part that expands more than its recess closes the gap; cold, one that expands less does.

    Args:
        length: across the fit, mm.
        part_expansion, trim_expansion: µm/(m·K).
        hottest_c, coldest_c: of the part in its life, °C.

    Returns:
        mm per side, 0 or more.

    Raises:
        EnduranceError: as `find_thermal_mismatch`; the hottest below the coldest.
    """
    require_number(hottest_c, "hottest temperature", low=coldest_c, high=400.0, unit="°C")
    growths = (
        find_thermal_mismatch(
            length, part_expansion=part_expansion, trim_expansion=trim_expansion, delta_k=temp - ASSEMBLY_C
        )
        for temp in (hottest_c, coldest_c)
    )
    return max(0.0, *growths) / 2.0


def find_closing_spread(
    length: float, *, part_expansion: Quantity, trim_expansion: Quantity, hottest_c: float, coldest_c: float = COLDEST_C
) -> float:
    """Return how uncertain `find_closing` is, because both expansions are known only as ranges, mm per side.

    Args:
        length: across the fit, mm.
        part_expansion, trim_expansion: with their ranges, µm/(m·K).
        hottest_c, coldest_c: of the part in its life, °C.

    Returns:
        Standard uncertainty, mm per side.

    Raises:
        EnduranceError: a negative length.

    References:
        A range without further knowledge counts as u = half range / sqrt(3): JCGM 100:2008, 4.3.7.
    """
    require_number(length, "length", unit="mm")
    swing = max(abs(hottest_c - ASSEMBLY_C), abs(coldest_c - ASSEMBLY_C))
    spread = math.hypot(*((each.high - each.low) / 2.0 for each in (part_expansion, trim_expansion)))
    return length / 2.0 * swing * spread * 1e-6 / math.sqrt(3.0)


def stack_fit(
    fit: FitClass,
    *,
    u_scan: float,
    size: float,
    thermal: float = 0.0,
    u_thermal: float = 0.0,
    shrinkage: Quantity | None = None,
    print_tolerance: float | None = None,
) -> FitStack:
    """Return the clearance a fit needs, with its parts.

    Args:
        fit: from `find_fit_class`.
        u_scan: standard uncertainty of the scanned wall, mm.
        size: of the part across the fit, mm.
        thermal: from `find_closing`, mm per side; u_thermal: from `find_closing_spread`.
        shrinkage: of the material, if the part is enlarged by its middle: then the range is an uncertainty.
            Without enlarging, shrinkage only opens the gap and is left out.
        print_tolerance: ± of the user's own printer, mm; `find_print_tolerance` if left out.

    Returns:
        FitStack.

    Raises:
        EnduranceError: a negative value.

    References:
        Our rule. A range without further knowledge counts as u = half range / sqrt(3): JCGM 100:2008, 4.3.7.
    """
    tolerance = find_print_tolerance(size) if print_tolerance is None else print_tolerance
    u_print = require_number(tolerance, "print tolerance", unit="mm") / 2.0
    spread = (
        0.0 if shrinkage is None else (shrinkage.high - shrinkage.low) / 100.0 * size / 2.0
    )  # both sides: size / 2
    u_shrinkage = spread / 2.0 / math.sqrt(3.0)
    require_number(u_thermal, "uncertainty of the thermal closing", unit="mm")
    noise = find_clearance(u_scan, math.hypot(u_print, u_shrinkage, u_thermal))
    require_number(thermal, "thermal closing", unit="mm")
    return FitStack(u_scan, u_print, u_shrinkage, noise, fit.allowance, thermal, u_thermal)


def judge_scan_noise(fit: FitClass, u_scan: float) -> tuple[Verdict, str]:
    """Say whether a scan is good enough for a fit.

    Args:
        fit: from `find_fit_class`.
        u_scan: standard uncertainty of the scanned wall, mm.

    Returns:
        "pass", or "fail" with the tightest fit that the scan allows, in words.

    Raises:
        EnduranceError: negative uncertainty.

    References:
        Our rule: press to 0.05, sliding to 0.15 mm.
    """
    require_number(u_scan, "scan uncertainty", unit="mm")
    if u_scan <= fit.noisiest:
        return "pass", ""
    best = next(f.key for f in FITS.values() if u_scan <= f.noisiest)
    return "fail", f'set fit.sits = "{best}", or scan again: a {fit.key} fit needs {fit.noisiest:g} mm or less'


def _check_expansion(value: float, what: str) -> float:
    hint = "9e-5 per K is 90 µm/(m·K)"
    if value == 0.0:
        return 0.0
    return require_number(value, what, low=0.1, high=400.0, unit="µm/(m·K)", hint=hint)
