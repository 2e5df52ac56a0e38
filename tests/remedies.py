"""Remedies as a reader takes them: the keys and values that a verdict's advice says to set."""

from __future__ import annotations

import re

_VALUE = r'"[^"]*"|\[[^\]]*\]|-?[\d.]+\d|-?\d+|true|false'
_SETTING = rf"([a-z_]+(?:\.[a-z_]+)?) = ({_VALUE})"
_ADVICE = re.compile(rf"set {_SETTING}(?:,? and (?:set )?{_SETTING})*")


def read_remedy(remedy: str) -> list[dict[str, str]]:
    """Return the alternatives of a remedy that can be typed in, in its order: each key with its value as a recipe takes it."""
    found = []
    for advice in _ADVICE.finditer(remedy):
        found.append({key: value.rstrip(".") for key, value in re.findall(_SETTING, advice.group())})
    return found
