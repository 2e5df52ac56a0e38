"""Make a part again with other settings and judge it anew, to find out whether a remedy does what it says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from typing import Any

from pydantic import ValidationError

from mountgen.errors import (
    EnduranceError,
    FeatureError,
    FieldError,
    InspectionError,
    KernelError,
    LoftError,
    MaterialError,
    RecipeError,
    SectionError,
)
from mountgen.recipe import Recipe
from mountgen.recipe_settings import with_settings
from mountgen.service import judge_service
from mountgen.service.case import Case
from mountgen.verdict import SEVERITY, Check

NO_SUCH_PART = (
    EnduranceError, FeatureError, FieldError, InspectionError, KernelError, LoftError, MaterialError, RecipeError, SectionError
)  # fmt: skip


def make_trial(case: Case, prove: Callable[[Recipe], Case]) -> Callable[[Mapping[str, Any], str], bool]:
    """Return what `Case.mends` asks.

    Args:
        case: the part as it is; asked for no remedies that are made again themselves.
        prove: makes and gauges the part of another recipe for the same scan.
    """

    @cache
    def now() -> dict[str, Check]:
        return list_verdicts(case)

    def mends(settings: Mapping[str, Any], name: str) -> bool:
        recipe = with_settings(case.recipe, settings)
        try:
            type(recipe).model_validate(recipe.model_dump())
            then = list_verdicts(prove(recipe))
        except (ValidationError, *NO_SUCH_PART):
            return False
        return (name not in then or then[name].verdict == "pass") and not is_worse(then, now())

    return mends


def list_verdicts(case: Case) -> dict[str, Check]:
    """Return all checks of a part by name."""
    judged = (check for each in judge_service(case).values() for check in each.checks)
    return {check.name: check for check in (*case.inspection.checks, *case.part.checks, *judged)}


def is_worse(then: Mapping[str, Check], now: Mapping[str, Check]) -> bool:
    """Return whether anything is judged worse than before; what was not judged before must pass."""
    return any(SEVERITY[check.verdict] < SEVERITY[now[name].verdict if name in now else "pass"] for name, check in then.items())
