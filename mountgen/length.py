"""Lengths, angles, masses and plain numbers as people write them in a recipe. A leaf.

A number is taken in the base unit (mm, degrees, kg); a text must name its unit: "3 mm", "1 1/2 in",
"30 thou", "2 deg", "300 g". All else is refused by name, because a unit library that guesses reads "3,5 mm"
as 35 mm and "1 1/2 in" as half an inch. Each `Quantity` carries its bounds and plugs into a pydantic model
as `Annotated[float, length(above=0, most=50)]`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from pydantic_core import PydanticCustomError, core_schema

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler

MISTAKE = "recipe_mistake"  # pydantic error type of all that is refused; its context: "what" and "remedy"

INCH = 25.4  # mm, exact since 1959, as is the pound
POUND = 0.45359237  # kg
UNITS: dict[str, dict[str, float]] = {  # kind to unit to its size in the base unit, which comes first
    "length": {
        "mm": 1.0,
        "cm": 10.0,
        "m": 1000.0,
        "in": INCH,
        "inch": INCH,
        "inches": INCH,
        '"': INCH,
        "thou": INCH / 1000,
    },
    "angle": {"deg": 1.0, "degree": 1.0, "degrees": 1.0, "°": 1.0},
    "mass": {"kg": 1.0, "g": 0.001, "lb": POUND, "oz": POUND / 16},
}
_EXAMPLES = {
    "length": ', such as 3, "3 mm" or "1/8 in"',
    "angle": ', such as 2 or "2 deg"',
    "mass": ', such as 0.3 or "300 g"',
    "clock position": ', such as 12, 3.5 or "3:30"',
}
_REFUSED_UNITS = {
    "mil": "mil means a thousandth of an inch to some and a millimetre to others; write thou or mm",
    "mils": "mil means a thousandth of an inch to some and a millimetre to others; write thou or mm",
    "gr": "write grams as g",
    "gram": "write grams as g",
    "grams": "write grams as g",
    "rad": "write the angle in degrees",
    "ft": "write feet as inches, 12 in to the foot",
    "'": "write feet as inches, 12 in to the foot",
    "%": "write a share as a number, 0.2 for 20 %",
}

_DECIMAL = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_FRACTION = r"(?:[0-9]+(?:\s+|-))?[0-9]+\s*/\s*[0-9]+"
_MEASURE = re.compile(
    rf"(?P<sign>[+-]?)\s*(?:(?:(?P<whole>[0-9]+)(?:\s+|-))?(?P<top>[0-9]+)\s*/\s*(?P<bottom>[0-9]+)|(?P<decimal>{_DECIMAL}))"
    r"\s*(?P<unit>[^\s0-9.,/+-][^0-9]*)?"
)
_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_THOUSANDS = re.compile(r"[0-9],[0-9]{3}(?![0-9])")
_CLOCK = re.compile(r"([0-9]{1,2}):([0-5][0-9])")


def refuse(what: str, remedy: str) -> PydanticCustomError:
    """Return the error for a value that is refused, saying what is wrong and what to do; to be raised."""
    return PydanticCustomError(MISTAKE, "{what}; {remedy}", {"what": what, "remedy": remedy})


def describe_value(value: object) -> str:
    """Return a value read from TOML as its writer would name it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'
    if isinstance(value, float | int):
        return (
            f"{value:g}" if isinstance(value, float) or abs(value) < 1e300 else "a number beyond all measure"
        )
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return f"a list of {len(value)}"
    if isinstance(value, date | time):
        return f"the date or time {value}"
    return f"a {type(value).__name__}"


@dataclass(frozen=True)
class Quantity:
    """What a number in a recipe may be.

    kind   : "length", "angle", "mass", "number", "count" or "clock position", for messages.
    above  : exclusive lower bound; least, most: inclusive bounds; None where there is none.
    word   : one word taken instead of a number, such as "full".
    """

    kind: str
    above: float | None = None
    least: float | None = None
    most: float | None = None
    word: str | None = None

    @property
    def units(self) -> dict[str, float]:
        """Units a text may name, with their size in the base unit; empty where there are none."""
        return UNITS.get(self.kind, {})

    @property
    def unit(self) -> str:
        """Base unit, empty where there is none."""
        return next(iter(self.units), "")

    @property
    def allowed(self) -> str:
        """What may be written, as a phrase."""
        bounds = []
        if self.above is not None:
            bounds.append(f"above {self.above:g}")
        if self.least is not None:
            bounds.append(f"from {self.least:g}" if self.most is not None else f"{self.least:g} or more")
        if self.most is not None:
            bounds.append(f"{'to' if self.least is not None else 'up to'} {self.most:g}")
        text = f"{self._article()} {' '.join(bounds)} {self.unit}".strip()
        return text + _EXAMPLES.get(self.kind, "") + (f', or "{self.word}"' if self.word else "")

    def read(self, value: object) -> float | int | str:
        """Return a value in the base unit.

        Args:
            value: a number in the base unit, or a text with a unit.

        Returns:
            float; int for a count; or the one word that stands for no number.

        Raises:
            PydanticCustomError: (a ValueError) not such a quantity, or out of bounds.
        """
        if self.word is not None and value == self.word:
            return self.word
        if isinstance(value, str):
            result = self._read_text(value.strip())
        elif isinstance(value, float | int) and not isinstance(value, bool):
            try:
                result = float(value)
            except OverflowError:
                result = math.inf
        else:
            raise refuse(
                f"found {describe_value(value)} where {self._article()} is needed", f"give {self.allowed}"
            )
        if not math.isfinite(result):
            raise refuse(f"{describe_value(value)} is not a finite number", f"give {self.allowed}")
        if self.kind == "count" and result != int(result):
            raise refuse(f"{describe_value(value)} is not a whole number", f"give {self.allowed}")
        self._check_bounds(result, value)
        return int(result) if self.kind == "count" else result

    def _article(self) -> str:
        return ("an " if self.kind[0] in "aeiou" else "a ") + self.kind

    def _check_bounds(self, result: float, value: object) -> None:
        shown = describe_value(value)
        if isinstance(value, str) and self.unit:
            shown += f" ({result:g} {self.unit})"
        if self.above is not None and result <= self.above:
            raise refuse(f"{shown} is not above {self.above:g} {self.unit}".rstrip(), f"give {self.allowed}")
        if self.least is not None and result < self.least:
            raise refuse(
                f"{shown} is below the least, {self.least:g} {self.unit}".rstrip(), f"give {self.allowed}"
            )
        if self.most is not None and result > self.most:
            raise refuse(
                f"{shown} is above the most, {self.most:g} {self.unit}".rstrip(), f"give {self.allowed}"
            )

    def _read_text(self, text: str) -> float:
        shown = describe_value(text)
        if self.kind == "clock position" and (clock := _CLOCK.fullmatch(text)) and int(clock[1]) <= 12:
            return (int(clock[1]) % 12 + int(clock[2]) / 60) or 12.0
        if _COMMA.search(text):
            choices = f'"{_COMMA.sub(".", text)}"'
            if _THOUSANDS.search(text):
                choices += f', or "{_COMMA.sub("", text)}" if thousands are meant'
            raise refuse(f"{shown} has a comma in the number", f"write {choices}")
        found = _MEASURE.fullmatch(text)
        if found is None:
            raise refuse(f"{shown} cannot be read as {self._article()}", f"give {self.allowed}")
        unit = (found["unit"] or "").strip()
        number = self._read_number(found, shown)
        if not self.units:
            raise refuse(
                f"found the text {shown} where {self._article()} is needed",
                f"give {self.allowed}, without quotes",
            )
        if not unit:
            raise refuse(
                f"{shown} has no unit",
                f'write "{text} {self.unit}", or a number without quotes for {self.unit}',
            )
        if unit not in self.units:
            raise refuse(f"unknown {self.kind} unit '{unit}' in {shown}", self._advise_unit(unit))
        return number * self.units[unit]

    def _read_number(self, found: re.Match[str], shown: str) -> float:
        if found["decimal"] is not None:
            number = float(found["decimal"])
        else:
            top, bottom = float(found["top"]), float(found["bottom"])
            if bottom == 0:
                raise refuse(f"{shown} divides by zero", f"give {self.allowed}")
            if found["whole"] is not None and top >= bottom:
                raise refuse(
                    f"{shown} is a whole number and a fraction that is no part of one",
                    'write such as "1 1/2 in"',
                )
            number = float(found["whole"] or 0) + top / bottom
        return -number if found["sign"] == "-" else number

    def _advise_unit(self, unit: str) -> str:
        names = ", ".join(self.units)
        for kind, units in UNITS.items():
            if unit in units:
                return f"{unit} is a unit of {kind}; {self.kind} units are {names}"
        if unit in _REFUSED_UNITS:
            return _REFUSED_UNITS[unit]
        likely = [name for name in self.units if len(name) > 1]  # any slip is near a single letter
        near = get_close_matches(unit.lower(), likely, n=1, cutoff=0.4)
        return (f"did you mean '{near[0]}'? " if near else "") + f"{self.kind} units are {names}"

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        number: dict[str, Any] = {"type": "integer" if self.kind == "count" else "number"}
        bounds = {"exclusiveMinimum": self.above, "minimum": self.least, "maximum": self.most}
        number |= {key: bound for key, bound in bounds.items() if bound is not None}
        choices = [number]
        if self.units:
            units = "|".join(re.escape(unit) for unit in self.units)
            choices.append(
                {"type": "string", "pattern": rf"^\s*[+-]?\s*({_FRACTION}|{_DECIMAL})\s*({units})\s*$"}
            )
        if self.kind == "clock position":
            choices.append({"type": "string", "pattern": r"^\s*(0?[0-9]|1[0-2]):[0-5][0-9]\s*$"})
        if self.word:
            choices.append({"const": self.word})
        return number if len(choices) == 1 else {"anyOf": choices}


def length(
    *,
    above: float | None = None,
    least: float | None = None,
    most: float | None = None,
    word: str | None = None,
) -> Quantity:
    """Return the quantity of a length, mm."""
    return Quantity("length", above=above, least=least, most=most, word=word)


def angle(*, above: float | None = None, least: float | None = None, most: float | None = None) -> Quantity:
    """Return the quantity of an angle, degrees."""
    return Quantity("angle", above=above, least=least, most=most)


def mass(*, above: float | None = None, most: float | None = None) -> Quantity:
    """Return the quantity of a mass, kg."""
    return Quantity("mass", above=above, most=most)


def number(*, least: float | None = None, most: float | None = None, word: str | None = None) -> Quantity:
    """Return the quantity of a number without a unit."""
    return Quantity("number", least=least, most=most, word=word)


def count(*, least: int = 0, most: int) -> Quantity:
    """Return the quantity of a whole number."""
    return Quantity("count", least=least, most=most)


def clock_position() -> Quantity:
    """Return the quantity of a position on the dial of the mouth's picture: 12 is +y, clockwise as seen."""
    return Quantity("clock position", above=0, most=12)
