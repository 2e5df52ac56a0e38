"""Is the clearance enough: what scan, printer, plastic and heat take from the gap, beside what the recipe asks for."""

from __future__ import annotations

from collections.abc import Iterator
from math import isfinite, sqrt
from typing import Any

from mountgen.clearance import Stack, measure_mouth, stack_recipe
from mountgen.inspection import ZONES
from mountgen.service.case import Case, Finding
from mountgen.tolerance import ASSEMBLY_C, COVERAGE, FITS, judge_scan_noise
from mountgen.verdict import Check, Verdict

ROUNDING = 0.005  # mm by which a clearance may be short of what is needed; two decimals are written


def judge_fit_stack(case: Case) -> Finding:
    """Hold the clearance that a recipe asks for against what its fit needs.

    Args:
        case: the part and its surroundings.

    Returns:
        Finding: two checks; facts with a table of contributions that add up to what is needed.

    Raises:
        MaterialError: the part is to be enlarged by a shrinkage that is not known.
    """
    recipe, noise = case.recipe, case.scan.noise
    found = stack_recipe(recipe, noise=noise, size=measure_mouth(case.recess.rim), material=case.material)
    asked = {zone: recipe.fit.clearance if (own := getattr(recipe.fit, zone)) is None else own for zone in ZONES}
    zone = min(ZONES, key=asked.__getitem__)
    least = asked[zone]
    checks = (_judge_clearance(found, least, zone, recipe.fit.clearance == least), *_judge_noise(found, noise))
    notes = (_tell_classes(found, least, noise), *_list_notes(found))
    return Finding(checks=checks, facts=_list_facts(found, least, case), notes=notes)


def _judge_clearance(found: Stack, least: float, zone: str, general: bool) -> Check:
    """The general clearance is named where it is the least; a zone of its own is named where that is tighter."""
    enough = least >= found.stack.needed - ROUNDING
    verdict: Verdict = "pass" if enough else "caution"
    remedy = ""
    if not enough:
        goes_in = least >= found.stack.noise + found.stack.thermal
        means = "it may sit tighter than meant" if goes_in else "it may bind or not go in"
        keys = f"fit.{zone} = {found.needed:.2f}" if not general else f'fit.clearance = {found.needed:.2f}, or "auto"'
        remedy = f"{means}: set {keys}; {_name_greatest(found)}"
    source = (
        f"our rule: {COVERAGE:g} standard deviations of scan (k = 1), printer and plastics, what heat closes and the "
        f"{found.fit.allowance:g} mm of this fit ({found.fit.source}; {found.fit.tag})"
    )
    name = f"clearance for a {found.fit.key} fit"
    return Check(name, verdict, round(least, 3), round(found.stack.needed, 3), "mm", source, remedy)


def _judge_noise(found: Stack, noise: float) -> Iterator[Check]:
    """Judge the scan's noise; a loose or lined fit has no limit of its own, as the clearance takes it."""
    if not isfinite(found.fit.noisiest):
        return
    verdict, remedy = judge_scan_noise(found.fit, noise)
    name = f"scan noise for a {found.fit.key} fit"
    source = "our rule: press to 0.05 mm, sliding to 0.15 mm, as one standard deviation of the scan's points"
    yield Check(name, verdict, round(noise, 4), found.fit.noisiest, "mm", source, remedy)


def _tell_classes(found: Stack, least: float, noise: float) -> str:
    """Say what clearance each kind of fit would need, beside what was asked."""
    words = [
        f"{key} {needed:.2f}" + ("" if noise <= FITS[key].noisiest else " (too noisy a scan)")
        for key, needed in found.classes.items()
    ]
    return f"clearance {least:g} mm asked for; needed here, in mm a side: {', '.join(words)} (fit.sits)"


def _name_greatest(found: Stack) -> str:
    """Say what takes most, and what would make it less."""
    advice = {
        "scan": "a better scan",
        "printer": "a printer.tolerance you measured",
        "shrinkage": "a shrinkage you measured (printer.shrinkage, in %)",
        "expansion": "the plastic of the trim (fit.trim) or a material that expands like it",
        "heat": "a material that expands like the trim, or a cooler place",
    }
    rows = [row for row in _list_contributions(found) if row["what"] in advice]
    greatest = max(rows, key=lambda row: float(row["mm"]))
    return f"most of it comes from {greatest['what']} ({greatest['mm']:.2f} mm), so {advice[greatest['what']]} helps most"


def _list_contributions(found: Stack) -> list[dict[str, Any]]:
    """Return the rows of a plot: what each takes from the clearance, mm, adding up to what is needed.

    Errors that are independent add up as squares, so each is given the share of the sum that its square has.
    """
    stack = found.stack
    parts = {
        "scan": (stack.u_scan, "noise of one scan, k = 1; its slow waves and its scale are not in it", "read"),
        "printer": (
            stack.u_print,
            f"a wall's place is off by {found.tolerance:.2f} mm at most, half of it a standard deviation; print shops' pages",
            "our rule",
        ),
        "shrinkage": (stack.u_shrinkage, "range of the material's shrinkage that is made good", "our rule"),
        "expansion": (stack.u_thermal, "ranges of both expansions", "our rule"),
    }
    total = sqrt(sum(u**2 for u, _, _ in parts.values()))
    rows: list[dict[str, Any]] = [
        {
            "what": what, "kind": "error", "standard": u, "source": source, "tag": tag,
            "mm": COVERAGE * u**2 / total if total > 0.0 else 0.0,
        }
        for what, (u, source, tag) in parts.items()
    ]  # fmt: skip
    heat = (
        f"{found.part_expansion.value:g} and {found.trim_expansion.value:g} µm/(m·K) of part and trim, "
        f"{found.coldest_c:g} to {found.hottest_c:.0f} °C, put in at {ASSEMBLY_C:g} °C"
    )
    sure = found.part_expansion.tag
    rows.append({"what": "heat", "kind": "closing", "standard": None, "source": heat, "tag": sure, "mm": stack.thermal})
    wanted = f"{found.fit.key} fit: {found.fit.words}"
    sure = found.fit.tag
    rows.append({"what": "fit", "kind": "wanted", "standard": None, "source": wanted, "tag": sure, "mm": stack.allowance})
    return rows


def _list_facts(found: Stack, least: float, case: Case) -> dict[str, Any]:
    stack = found.stack
    return {
        "sits": found.fit.key,
        "asked": least,
        "needed": stack.needed,
        "size": found.size,
        "coverage": COVERAGE,
        "contributions": _list_contributions(found),
        "classes": [
            {"sits": key, "needed": needed, "promised": case.scan.noise <= FITS[key].noisiest}
            for key, needed in found.classes.items()
        ],
        "gap_at_worst": least - stack.noise - stack.thermal,
        "gap_at_most": least + stack.noise + found.shrinkage_opens,
        "shrinkage_opens": found.shrinkage_opens,
        "enlarged_by": found.scale,
        "hottest_c": found.hottest_c,
        "coldest_c": found.coldest_c,
    }


def _list_notes(found: Stack) -> tuple[str, ...]:
    if found.scale != 1.0:
        text = (
            f"STL and 3MF are enlarged by a factor of {found.scale:.5f} about the part's origin, to make good the plastic's "
            "shrinkage; the STEP file and every check are of the part as it shall be"
        )
        return (text,)
    if found.shrinkage_opens >= 0.1:
        text = (
            f"shrinkage will widen the gap by about {found.shrinkage_opens:.2f} mm on each side: if your printer is not set up "
            'for it, set printer.shrinkage = "material", or measure a printed bar of 100 mm and give its %'
        )
        return (text,)
    return ()
