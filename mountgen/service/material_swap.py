"""Remedies that do not get in each other's way: where the heat asks for another material, all others are sized for that one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from mountgen.errors import EnduranceError, FeatureError, MaterialError
from mountgen.service.case import Case, Finding
from mountgen.service.heat_check import find_advised
from mountgen.verdict import Check

ASKED_AGAIN = ("load", "tabs", "tape", "fit_stack")  # questions whose answer depends on the material


def suit_material(
    case: Case, found: Mapping[str, Finding], judges: Mapping[str, Callable[[Case], Finding]]
) -> dict[str, Finding]:
    """Ask again what depends on the material, of the part in the material that is advised for the heat.

    A check that passes in that material says so; one that passes in neither is told what makes it pass in the new one; what
    would no longer pass is told beside the material.

    Args:
        case: the part as it is. found: what each judge found. judges: by question.

    Returns:
        dict: as `found`, with other remedies; as it is where no other material is advised.
    """
    better = find_advised(case)
    if better is None:
        return dict(found)
    told, missed = dict(found), []
    other = case.of_material(better)
    for question in ASKED_AGAIN:
        if not found[question].checks:
            continue
        try:
            then = {check.name: check for check in judges[question](other).checks}
        except (EnduranceError, FeatureError, MaterialError) as error:
            missed.append(error.what)
            continue
        checks = tuple(_suit(check, then.get(check.name), better.key) for check in found[question].checks)
        told[question] = replace(found[question], checks=checks)
        held = {check.name for check in checks if check.verdict == "pass"}
        missed += [f"{name}: {check.remedy}" for name, check in then.items() if name in held and check.verdict != "pass"]
    if missed:
        first, *rest = told["heat"].checks
        first = replace(first, remedy=f"{first.remedy}; in {better.key} then see to {'; and '.join(missed)}")
        told["heat"] = replace(told["heat"], checks=(first, *rest))
    return told


def _suit(check: Check, then: Check | None, material: str) -> Check:
    """Return a check with the remedy that goes with another material; then: the same check of the part in that material."""
    advised = f'material = "{material}"'
    if check.verdict == "pass" or advised in check.remedy:
        return check
    if then is None or then.verdict == "pass":
        return replace(check, remedy=f"set {advised}, as for the heat: it passes then; or {check.remedy}")
    if then.remedy == check.remedy:
        return check
    return replace(check, remedy=f"{then.remedy} (for {advised}, as advised for the heat)")
