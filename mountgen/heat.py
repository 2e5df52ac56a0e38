"""How warm a part gets in a parked vehicle, whether it softens there, how stiff it still is. A leaf.

Deflection temperatures compare plastics; ISO 75-1:2020 says of itself that they are not for design or
prediction of endurance. So every verdict here is a screening, not a rating.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from mountgen.errors import EnduranceError
from mountgen.material import Material, Tag, require_number
from mountgen.verdict import SEVERITY, Verdict

__all__ = [
    "AIR_ENVELOPE",
    "AIR_MEAN",
    "AMBIENT_C",
    "CREEP_FACTOR",
    "PLACES",
    "SURFACE_TAU",
    "Place",
    "Softening",
    "WarmUp",
    "find_modulus",
    "find_modulus_at_hdt",
    "find_part_temperature",
    "find_place",
    "find_sustained_modulus",
    "find_temperature_after",
    "interpolate_modulus",
    "judge_softening",
    "rank_materials",
]

AMBIENT_C = 35.0  # °C, summer day; 45 in a hot region (our rule)
HOTTEST_AMBIENT = 60.0  # °C; no air temperature measured on Earth reaches it, so more is a mistake of unit
COLDEST_AMBIENT = -60.0  # °C

# K a white body stays cooler than a black one; Dadour et al., Forensic Sci. Int. 207 (2011).
LIGHT_BODY_K = 5.0
CLOUDY_K = 10.0  # K, about, between clear and cloudy days; Grundstein et al., Int. J. Biometeorol. (2009)

# K below HDT, HDT, HDT and Tg (our rule).
LOADED_GAP, CAUTION_GAP, UNLOADED_GAP, GLASS_GAP = 20.0, 5.0, 10.0, 10.0
HIGH_STRESS = 0.45  # MPa; above it the deflection temperature under 1.80 MPa is the one that counts
# Gain of flexural strain at which ISO 75 stops, as a testing laboratory's page on the method has it (read); the standard
# deflection of 0.34 mm of a bar 4 mm thick over 64 mm, which a property database lists, is the same (read).
HDT_STRAIN = 0.002
HDT_LOW, HDT_HIGH = 0.45, 1.80  # MPa, methods B and A of ISO 75-2:2013
ROOM_C = 23.0  # °C at which data sheets give the modulus
# Long-term over short-term modulus (our rule); 1900/2400 = 0.79 read for PC, 1000 h at 23 °C.
CREEP_FACTOR = 0.5


@dataclass(frozen=True)
class Place:
    """A place in the vehicle.

    key : what a recipe says.  words: for people.
    rise_k : how far a part there may rise above the outside air on a sunny day, K.
    tau_min : time constant of that rise, minutes.
    source, tag : as in `material.Quantity`.
    sunlit : the sun itself reaches the part.
    """

    key: str
    words: str
    rise_k: float
    tau_min: float
    source: str
    tag: Tag
    sunlit: bool = False


@dataclass(frozen=True)
class WarmUp:
    """First-order warm-up of a parked vehicle: rise(t) = rise_k * (1 - exp(-t / tau_min)).

    rise_k : final rise above the outside air, K.  tau_min: time constant, minutes.
    """

    rise_k: float
    tau_min: float


# Both constants of the mean follow from "80 % of the rise within 30 min" and +22 K mean (40 °F) at 60 min.
AIR_MEAN = WarmUp(23.7, 30.0 / math.log(4.0))
"""Mean air of 16 clear days; McLaren, Null, Quinn, Pediatrics 116 (2005)."""

AIR_ENVELOPE = WarmUp(42.7, 63.8)
"""Fastest air of 14 clear days, fitted at 30 and 60 min; Grundstein, Dowd, Meentemeyer, BAMS 91 (2010)."""

SURFACE_TAU = AIR_MEAN.tau_min
"""Surfaces lead the air: so the dash reaches 53.5 of its 57 K in 1 h (51 K read as the worst)."""

_DASH = "dash 57 K above 31.7 °C air, test of a parked car reported in the Canadian press, 5 Jul 2005"
_AIR = "parked-car air, envelope of Grundstein et al., Bull. Am. Meteorol. Soc. 91 (2010): 42.7 K"
PLACES: dict[str, Place] = {
    p.key: p
    for p in (
        Place("dash_top_sun", "top of the dash in the sun", 57.0, SURFACE_TAU, _DASH, "common practice", True),
        Place("sunlit_other", "console lid or shelf the sun can reach", 57.0, SURFACE_TAU, _DASH, "our rule", True),
        Place(
            "recess_in_sunlit_car",
            "recess or pocket in a vehicle parked in the sun",
            43.0,
            AIR_ENVELOPE.tau_min,
            _AIR,
            "read",
        ),
        Place(
            "closed_compartment",
            "closed glove box or console (no credit for the lid)",
            43.0,
            AIR_ENVELOPE.tau_min,
            _AIR,
            "our rule",
        ),
        Place(
            "shade_parked_dash",
            "dash of a vehicle parked in the shade",
            10.0,
            SURFACE_TAU,
            "Vanos et al., Temperature 5 (2018), numbers from press reports of it",
            "common practice",
        ),
        Place("cabin_cooled_drive", "cooled cabin while driving", 0.0, SURFACE_TAU, "no rise assumed", "our rule"),
    )
}


def find_place(key: str) -> Place:
    """Return the place of that key.

    Args:
        key: as in a recipe, e.g. "recess_in_sunlit_car".

    Returns:
        Place.

    Raises:
        EnduranceError: no such place; the remedy names the nearest and all.
    """
    plain = key.strip().lower().replace("-", "_").replace(" ", "_")
    if plain in PLACES:
        return PLACES[plain]
    near = difflib.get_close_matches(plain, PLACES, n=1) or [known for known in PLACES if plain and plain in known]
    guess = f'did you mean "{near[0]}"? ' if near else ""
    raise EnduranceError(f'unknown place "{key}"', "place", f"{guess}known are: {', '.join(PLACES)}")


def find_part_temperature(
    place: Place,
    *,
    ambient_c: float = AMBIENT_C,
    hours: float = math.inf,
    light_body: bool = False,
    cloudy: bool = False,
) -> float:
    """Return the temperature of a part in that place after some time parked, °C.

    Args:
        place: one of `PLACES`.
        ambient_c: outside air, °C.
        hours: time parked; the whole day and longer unless given.
        light_body: the vehicle is white or nearly so.
        cloudy: only days without sun are asked for.

    Returns:
        Temperature, °C; never below the outside air.

    Raises:
        EnduranceError: the outside air is warmer than 60 °C (then it was probably meant in °F) or colder than
            -60, or the time is negative.

    References:
        Rises and their sources: `PLACES`. Not counting nights or cooler days is on the safe side (our rule).
    """
    rise = _find_rise(place, light_body=light_body, cloudy=cloudy)
    if hours == math.inf:
        return _check_ambient(ambient_c) + rise
    minutes = 60.0 * require_number(hours, "hours parked", unit="h")
    return find_temperature_after(minutes, rise_k=rise, tau_min=place.tau_min, ambient_c=ambient_c)


def find_temperature_after(
    minutes: float, *, rise_k: float, tau_min: float, ambient_c: float = AMBIENT_C
) -> float:
    """Return the temperature after some time parked, °C: ambient + rise * (1 - exp(-t / tau)).

    Args:
        minutes: time parked.
        rise_k: final rise, K: that of `AIR_MEAN`, `AIR_ENVELOPE` or of a `Place`.
        tau_min: time constant, minutes: that of the same curve, or `SURFACE_TAU` for a place.
        ambient_c: outside air, °C.

    Returns:
        Temperature, °C.

    Raises:
        EnduranceError: negative time or rise, a time constant of zero, an impossible outside air.

    References:
        See `AIR_MEAN` and `AIR_ENVELOPE`.
    """
    require_number(minutes, "time parked", unit="min")
    require_number(rise_k, "rise above the outside air", unit="K")
    require_number(tau_min, "time constant", low=1e-6, unit="min")
    return _check_ambient(ambient_c) - rise_k * math.expm1(-minutes / tau_min)


@dataclass(frozen=True)
class Softening:
    """Verdict on one material at one temperature.

    part_temp_c : temperature of the part, °C.
    pass_to_c, caution_to_c : up to where the verdict would be "pass" and "caution", °C; -inf if nothing is
        known.
    margin_k : pass_to_c - part_temp_c; negative if it does not pass.
    why    : which limit decided, in words with its number.
    source, tag : of that limit's value.
    """

    material: str
    verdict: Verdict
    part_temp_c: float
    pass_to_c: float
    caution_to_c: float
    margin_k: float
    why: str
    source: str
    tag: Tag


def judge_softening(
    material: Material, part_temp_c: float, *, loaded: bool = True, stress: float = 0.0
) -> Softening:
    """Say whether a part of this material keeps its shape at this temperature.

    Low ends of all ranges are taken. Loaded parts pass up to 20 K below the deflection temperature and are a
    caution up to 5 K below it; unloaded ones pass up to 10 K below. Amorphous plastics must also stay 10 K
    below the glass transition to pass, and below it at all. Semicrystalline ones and elastomers stay strong
    above their glass transition; they pass up to the low end of their published service limit and are a
    caution up to its high end, if one is known.

    Args:
        material: a row of the table.
        part_temp_c: from `find_part_temperature`, °C.
        loaded: something rests on the part, or a snap or tape pulls at it.
        stress: sustained bending stress, MPa; above 0.45 the deflection temperature under 1.80 MPa counts.

    Returns:
        Softening. A material without any heat value fails, and says so.

    Raises:
        EnduranceError: the temperature or the stress cannot be.

    References:
        Gaps are our rule. Usual gap between deflection temperature and service limit: 15 to 36 K for ABS (its
        data sheet against 62 to 77 °C service), 20 to 50 K on a print shop's page. ISO 75-1:2020, scope.
    """
    part_temp_c = _check_part(part_temp_c)
    require_number(stress, "sustained bending stress", unit="MPa")
    bounds: list[tuple[float, float, str, str, Tag]] = []  # pass up to, caution up to, why, source, tag
    gap = LOADED_GAP if loaded else UNLOADED_GAP
    high = stress > HIGH_STRESS
    # Where only the value under 1.80 MPa is known it serves for both: less load, higher temperature.
    hdt = material.hdt_180 if high or material.hdt_045 is None else material.hdt_045
    if hdt is not None:
        load = "1.80" if hdt is material.hdt_180 else "0.45"
        why = f"deflection temperature {hdt.low:g} °C under {load} MPa, less {gap:g} K"
        bounds.append((hdt.low - gap, hdt.low - CAUTION_GAP, why, hdt.source, hdt.tag))
    elif material.hdt_045 is not None:
        lower = material.hdt_045
        why = f"stress {stress:g} MPa, but the deflection temperature under 1.80 MPa is not known"
        bounds.append((-math.inf, lower.low - gap, why, lower.source, lower.tag))
    glass = material.glass_transition
    if material.structure == "amorphous" and glass is not None:
        why = f"glass transition {glass.low:g} °C, less {GLASS_GAP:g} K"
        bounds.append((glass.low - GLASS_GAP, glass.low, why, glass.source, glass.tag))
    service = material.service_limit
    if material.structure != "amorphous" and service is not None:
        why = f"published service limit {service.low:g} °C"
        bounds.append((service.low, service.high, why, service.source, service.tag))
    if not bounds:
        bounds.append(
            (-math.inf, -math.inf, "no heat value is known: give the spool's own sheet", "none", "our rule")
        )
    pass_to, _, why, source, tag = min(bounds, key=lambda b: b[0])
    caution_to = min(b[1] for b in bounds)
    verdict: Verdict = (
        "pass" if part_temp_c <= pass_to else "caution" if part_temp_c <= caution_to else "fail"
    )
    return Softening(
        material.key, verdict, part_temp_c, pass_to, caution_to, pass_to - part_temp_c, why, source, tag
    )


def rank_materials(
    materials: Iterable[Material], part_temp_c: float, *, loaded: bool = True, stress: float = 0.0
) -> tuple[Softening, ...]:
    """Judge many materials; those that pass come first, the largest margin first among equals.

    Args:
        materials: rows of the table.
        part_temp_c, loaded, stress: as in `judge_softening`.

    Returns:
        One Softening a material. The last one that passes is the nearest sufficient material.

    Raises:
        EnduranceError: the temperature or the stress cannot be.
    """
    judged = [judge_softening(m, part_temp_c, loaded=loaded, stress=stress) for m in materials]
    return tuple(sorted(judged, key=lambda s: (-SEVERITY[s.verdict], -s.margin_k)))


def find_modulus_at_hdt(modulus: float, stress: float) -> float:
    """Return the apparent modulus at the deflection temperature, MPa: 1 / (1/E + 0.002/stress).

    At that temperature the bar has gained 0.2 % of strain over that of its load at room temperature,
    stress/E.

    Args:
        modulus: at 23 °C, MPa.
        stress: of the test, MPa: 0.45 or 1.80.

    Returns:
        MPa; below `modulus`.

    Raises:
        EnduranceError: modulus or stress is not positive.

    References:
        Derived here; 0.2 % as in `HDT_STRAIN`.
    """
    require_number(modulus, "modulus", low=1e-9, unit="MPa")
    require_number(stress, "stress", low=1e-9, unit="MPa")
    return 1.0 / (1.0 / modulus + HDT_STRAIN / stress)


def interpolate_modulus(
    temp_c: float, *, modulus: float, hdt_045: float, hdt_180: float | None = None
) -> float:
    """Return the short-term modulus at a temperature, MPa.

    Straight lines in ln E through 23 °C and the two deflection temperatures; beyond that under
    0.45 MPa it is 0. Amorphous plastics are stiffer than this until close to their glass transition (from
    memory), so it errs on the low side; for PP at 93 °C it gives 309 MPa against 345 published.

    Args:
        temp_c: °C; below 23 °C the value at 23 °C is returned.
        modulus: at 23 °C, MPa.
        hdt_045, hdt_180: deflection temperatures, °C; without the second the line goes straight to the first.

    Returns:
        MPa.

    Raises:
        EnduranceError: a modulus that is not positive, or deflection temperatures not above 23 °C and in
        order.

    References:
        Our rule, on ISO 75-2:2013 (loads). Check value: R. Corneliussen, PP (Modern Plastics Encyclopedia
        99).
    """
    _check_part(temp_c)
    points = [(ROOM_C, require_number(modulus, "modulus", low=1e-9, unit="MPa"))]
    if hdt_180 is not None:
        points.append((hdt_180, find_modulus_at_hdt(modulus, HDT_HIGH)))
    points.append((hdt_045, find_modulus_at_hdt(modulus, HDT_LOW)))
    if not ROOM_C < points[1][0] <= points[-1][0]:
        what = f"deflection temperatures {hdt_180} and {hdt_045} °C under 1.80 and 0.45 MPa"
        raise EnduranceError(
            what, "material", "give both above 23 °C, that under 1.80 MPa not above the other"
        )
    if temp_c > hdt_045:
        return 0.0
    for (t0, e0), (t1, e1) in pairwise(points):
        if temp_c <= t1:
            share = max(0.0, temp_c - t0) / (t1 - t0)
            return math.exp((1.0 - share) * math.log(e0) + share * math.log(e1))
    return points[-1][1]


def find_modulus(material: Material, temp_c: float) -> float:
    """Return the short-term modulus of a material at a temperature, MPa, from the low ends of its ranges.

    Args:
        material: a row of the table.
        temp_c: °C.

    Returns:
        MPa; 0 beyond the deflection temperature.

    Raises:
        EnduranceError: the table gives no modulus or no deflection temperature for it.
    """
    hdt = material.hdt_045 or material.hdt_180
    if material.modulus is None or hdt is None:
        lacks = "modulus" if material.modulus is None else "deflection temperature"
        raise EnduranceError(
            f"no {lacks} is known for {material.name}",
            "material",
            "give it in a sheet of your own, or take another",
        )
    low = material.modulus.low
    second = material.hdt_180.low if material.hdt_180 is not None else None
    return interpolate_modulus(temp_c, modulus=low, hdt_045=hdt.low, hdt_180=second)


def find_sustained_modulus(material: Material, temp_c: float) -> float:
    """Return the modulus under a load that stays, MPa: half of the short-term one.

    Args:
        material: a row of the table.
        temp_c: °C.

    Returns:
        MPa.

    Raises:
        EnduranceError: as `find_modulus`.

    References:
        Our rule. PC data sheet: creep modulus 1900 MPa at 1000 h, 0.5 % and 23 °C against 2400 short-term.
    """
    return CREEP_FACTOR * find_modulus(material, temp_c)


def _find_rise(place: Place, *, light_body: bool, cloudy: bool) -> float:
    return max(0.0, place.rise_k - (LIGHT_BODY_K if light_body else 0.0) - (CLOUDY_K if cloudy else 0.0))


def _check_ambient(ambient_c: float) -> float:
    hint = ""
    if isinstance(ambient_c, (int, float)) and ambient_c > HOTTEST_AMBIENT:
        hint = f"if {ambient_c:g} was meant in °F, that is {(ambient_c - 32.0) / 1.8:.3g} °C"
    return require_number(
        ambient_c, "ambient temperature", low=COLDEST_AMBIENT, high=HOTTEST_AMBIENT, unit="°C", hint=hint
    )


def _check_part(temp_c: float) -> float:
    return require_number(temp_c, "part temperature", low=-100.0, high=400.0, unit="°C")
