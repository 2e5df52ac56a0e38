"""One checked quantity with its limit: what every table of verdicts and `report.json` are made of. A leaf."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Literal, get_args

Verdict = Literal["pass", "caution", "fail"]
SEVERITY: dict[Verdict, int] = {"fail": 0, "caution": 1, "pass": 2}
Basis = Literal["from memory", "our rule", "common practice", "read", "recipe", "by definition"]
BASES: tuple[Basis, ...] = get_args(Basis)  # the least sure first
PROOF = "clearance"  # how the names of checks begin that prove the fit
FEW = 3  # other checks that passed which are still shown with the rest; more are put away, or the table is too long to be read
_BASIS = re.compile(r"\b(?:" + "|".join(BASES) + r")\b")


@dataclass(frozen=True)
class Check:
    """One verdict.

    name    : short, unique, e.g. "clearance at rest".
    value   : what was found; limit: what it is held against, both in `unit` ("" for counts and yes/no as 1/0).
    source  : where the limit comes from, and how sure each part of that is, in the words of BASES.
    remedy  : what to do if it is not a pass; names the recipe key and a value that would pass where one can be computed.
    place   : where, in part coordinates and clock position; "" where it has no place.
    """

    name: str
    verdict: Verdict
    value: float | None
    limit: float | None
    unit: str
    source: str
    remedy: str = ""
    place: str = ""

    @property
    def basis(self) -> Basis | None:
        """How sure the limit is: the least sure of what its source names; None where the source does not say."""
        named = set(_BASIS.findall(self.source))
        return next((basis for basis in BASES if basis in named), None)


def rank_checks(checks: Iterable[Check]) -> tuple[Check, ...]:
    """Return checks with the worst first, else in the order given."""
    return tuple(sorted(checks, key=lambda check: SEVERITY[check.verdict]))


def put_away(checks: Sequence[tuple[Verdict, str]]) -> set[str]:
    """Return the names of checks that need not be shown at once: those that passed, but for the proof of fit, if not FEW.

    Args:
        checks: verdict and name of each.
    """
    passed = {name for verdict, name in checks if verdict == "pass" and not name.startswith(PROOF)}
    return passed if len(passed) > FEW else set()


def format_minutes(minutes: float) -> str:
    """Return how long something takes, in hours and minutes."""
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min"


def format_number(value: float | None) -> str:
    """Return a measured number with four digits that mean something, or a dash."""
    if value is None or not isfinite(value):
        return "-"
    size = abs(value)
    if size == int(size) or size >= 1000:
        return str(round(value))  # an integer has no negative zero
    text = f"{value:.1f}" if size >= 100 else f"{value:.2f}" if size >= 10 else f"{value:.3f}"
    return text.rstrip("0").rstrip(".") if size >= 0.001 else f"{value:.1g}"
