"""Lengths, angles, masses: against exact fractions, and refusals by name."""

from __future__ import annotations

import math
import random
import re
from fractions import Fraction
from typing import Annotated, Any

import pytest
from pydantic import TypeAdapter
from pydantic_core import PydanticCustomError

from mountgen.length import MISTAKE, UNITS, angle, clock_position, count, length, mass, number

# Exact sizes of the units, mm and kg: inch and pound as agreed in 1959 by six national laboratories
# (US Federal Register 24 FR 5445, 1 July 1959: 1 yard = 0.9144 m, 1 pound = 0.45359237 kg).
INCH = Fraction(9144, 360)
MM = {
    "mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000), "in": INCH, "inch": INCH, "inches": INCH,
    '"': INCH, "thou": INCH / 1000,
}  # fmt: skip
KG = {
    "kg": Fraction(1),
    "g": Fraction(1, 1000),
    "lb": Fraction("0.45359237"),
    "oz": Fraction("0.45359237") / 16,
}


def refused(quantity: Any, value: object) -> tuple[str, str]:
    """Return what and remedy of the refusal."""
    with pytest.raises(PydanticCustomError) as caught:
        quantity.read(value)
    assert caught.value.type == MISTAKE
    assert caught.value.context is not None
    return caught.value.context["what"], caught.value.context["remedy"]


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        (3, 3.0), (0.5, 0.5), ("3 mm", 3.0), ("3mm", 3.0), (" 3  mm ", 3.0), (".5 mm", 0.5), ("3. mm", 3.0),
        ("2.5 cm", 25.0), ("0.1 m", 100.0), ("1/8 in", 3.175), ("1 1/2 in", 38.1), ("1-1/2 in", 38.1),
        ("30 thou", 0.762), ("0.5 inch", 12.7), ("2 inches", 50.8), ('3/4"', 19.05), ("-2 mm", -2.0),
        ("+2 mm", 2.0), ("- 1/2 in", -12.7),
    ],
)  # fmt: skip
def test_lengths_as_people_write_them(text: object, mm: float) -> None:
    assert length().read(text) == pytest.approx(mm, rel=1e-14)


def test_units_are_the_agreed_ones() -> None:
    assert UNITS["length"].keys() == MM.keys()
    assert UNITS["mass"].keys() == KG.keys()
    for unit, size in {**MM, **KG}.items():
        assert (UNITS["length"] | UNITS["mass"])[unit] == pytest.approx(float(size), rel=1e-15)


@pytest.mark.parametrize("seed", range(200))
def test_fractions_are_exact(seed: int) -> None:
    draw = random.Random(seed)
    whole, bottom = draw.randrange(1000), draw.randint(1, 64)
    top = draw.randrange(64)
    unit, sign, gap = draw.choice(sorted(MM)), draw.choice(["", "-", "+"]), draw.choice(["", " ", "  "])
    text, exact = f"{top}/{bottom}", Fraction(top, bottom)
    if exact < 1:
        text, exact = f"{whole} {text}", whole + exact
    exact = exact * MM[unit] * (-1 if sign == "-" else 1)
    assert length().read(f"{sign}{text}{gap}{unit}") == pytest.approx(float(exact), rel=1e-13, abs=0)


@pytest.mark.parametrize("seed", range(100))
def test_decimals_are_exact(seed: int) -> None:
    draw = random.Random(seed)
    value = f"{draw.randrange(10_000)}.{draw.randrange(10_000)}"
    unit = draw.choice(sorted(MM))
    assert length().read(f"{value} {unit}") == pytest.approx(float(Fraction(value) * MM[unit]), rel=1e-13)


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("3,5 mm", "comma in the number", 'write "3.5 mm"'),
        ("1,000 mm", "comma in the number", '"1.000 mm", or "1000 mm" if'),
        ("3", "no unit", '"3 mm"'),
        ("1/8", "no unit", '"1/8 mm"'),
        ("3 mn", "unknown length unit 'mn'", "did you mean 'mm'?"),
        ("3 MM", "unknown length unit 'MM'", "did you mean 'mm'?"),
        ("3 ich", "unknown length unit 'ich'", "did you mean 'inch'?"),
        ("3 mil", "unknown length unit 'mil'", "write thou or mm"),
        ("3 ft", "unknown length unit 'ft'", "12 in to the foot"),
        ("3 deg", "unknown length unit 'deg'", "deg is a unit of angle"),
        ("3 kg", "unknown length unit 'kg'", "kg is a unit of mass"),
        ("3mm +- 0.2 mm", "cannot be read", "give a length"),
        ("1/0 in", "divides by zero", "give a length"),
        ("1 3/2 in", "a fraction that is no part of one", '"1 1/2 in"'),
        ("1e3 mm", "cannot be read", "give a length"),
        ("1.5 1/2 in", "cannot be read", "give a length"),
        ("½ in", "cannot be read", "give a length"),
        ("- - 3 mm", "cannot be read", "give a length"),
        ("mm", "cannot be read", "give a length"),
        ("", "cannot be read", "give a length"),
        (True, "found true", "give a length"),
        ([3], "found a list of 1", "give a length"),
        ({}, "found a table", "give a length"),
        (None, "found a NoneType", "give a length"),
        (math.nan, "not a finite number", "give a length"),
        (-math.inf, "not a finite number", "give a length"),
        (10**400, "not a finite number", "give a length"),
        ("9" * 400 + " mm", "not a finite number", "give a length"),
    ],
)
def test_refused_lengths_name_what_and_remedy(text: object, what: str, remedy: str) -> None:
    found_what, found_remedy = refused(length(), text)
    assert what in found_what
    assert remedy in found_remedy


@pytest.mark.parametrize(
    ("quantity", "good", "bad", "what"),
    [
        (length(above=0, most=50), (0.001, 50), 0, "0 is not above 0 mm"),
        (length(above=0, most=50), ("50 mm",), "2 in", '"2 in" (50.8 mm) is above the most, 50 mm'),
        (length(least=0), (0, 1e9), -0.1, "-0.1 is below the least, 0 mm"),
        (angle(least=-90, most=90), (-90, "90 deg", "90°"), "91 deg", "above the most, 90 deg"),
        (mass(above=0, most=20), (20, "300 g"), "21 kg", "above the most, 20 kg"),
        (number(least=0, most=0.5), (0, 0.5), 0.51, "0.51 is above the most, 0.5"),
        (count(most=12), (0, 12, 3.0), 13, "13 is above the most, 12"),
    ],
)
def test_bounds_are_kept_and_named(quantity: Any, good: tuple[object, ...], bad: object, what: str) -> None:
    for value in good:
        quantity.read(value)
    found_what, remedy = refused(quantity, bad)
    assert what in found_what
    assert remedy == f"give {quantity.allowed}"


def test_masses_and_angles() -> None:
    for unit, size in KG.items():
        assert mass().read(f"3 {unit}") == pytest.approx(3 * float(size), rel=1e-15)
    assert angle().read("1/2 deg") == angle().read("0.5°") == 0.5
    assert refused(angle(), "1 rad") == (
        "unknown angle unit 'rad' in \"1 rad\"",
        "write the angle in degrees",
    )
    assert "mm is a unit of length" in refused(mass(), "3 mm")[1]


def test_plain_numbers_take_no_text_and_counts_are_whole() -> None:
    assert "without quotes" in refused(number(), "0.2")[1]
    assert "found the text" in refused(count(most=3), "2")[0]
    assert refused(count(most=3), 2.5)[0] == "2.5 is not a whole number"
    assert type(count(most=3).read(2.0)) is int


@pytest.mark.parametrize(
    ("value", "hours"),
    [
        (12, 12),
        (3.5, 3.5),
        ("3:30", 3.5),
        ("12:00", 12),
        ("12:30", 0.5),
        ("0:15", 0.25),
        ("11:59", 11 + 59 / 60),
    ],
)
def test_clock_positions(value: object, hours: float) -> None:
    assert clock_position().read(value) == pytest.approx(hours, rel=1e-15)


@pytest.mark.parametrize("value", [0, 12.5, -1, "13:00", "3:60", "3 mm", "noon", "3:5"])
def test_clock_positions_off_the_dial_are_refused(value: object) -> None:
    assert "clock position" in refused(clock_position(), value)[1]


def test_the_word_instead_of_a_number() -> None:
    reach = length(above=0, most=1500, word="full")
    assert reach.read("full") == "full"
    assert reach.read("40 mm") == 40
    what, remedy = refused(reach, "ful")
    assert what == '"ful" cannot be read as a length'
    assert remedy.endswith('or "full"')


@pytest.mark.parametrize(
    "value", [3, 0.5, "3 mm", "1 1/2 in", '3/4"', "-3 mm", "3", "3 mn", "3,5 mm", "1/2", True, "mm"]
)
def test_the_schema_of_a_length_takes_what_the_reader_takes(value: object) -> None:
    schema = TypeAdapter(Annotated[float, length()]).json_schema()
    numeric, text = schema["anyOf"]
    assert numeric["type"] == "number"
    is_number = isinstance(value, float | int) and not isinstance(value, bool)
    taken = is_number or (isinstance(value, str) and re.search(text["pattern"], value) is not None)
    try:
        length().read(value)
    except ValueError:
        assert not taken
    else:
        assert taken
