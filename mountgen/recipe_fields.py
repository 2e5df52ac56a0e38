"""What the tables of a recipe are made of: their base, the types of their values, how what is no such value is refused. A leaf.

Lengths are mm. A reader takes what stands in the recipe and returns what is kept of it; what it cannot take it refuses with a
remedy (`length.refuse`, a ValueError to whoever calls it).
"""

from __future__ import annotations

from math import inf
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from mountgen.length import describe_value, length, number, refuse

AUTO = inf  # of fit.clearance: as much as the fit needs, found once the scan is read; no recipe can give it as a number
CONFLICTS = "recipe_conflicts"  # pydantic error type of values that exclude each other, listed in its context
RESERVED_NAMES = frozenset(
    ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10)))
)  # device names on one operating system, whatever their ending


def about(text: str) -> Any:
    """Return what a key is for, as schema and mistakes say it, to stand among its annotations."""
    return Field(description=text)


class Table(BaseModel):
    """Base of every table of a recipe: frozen, no unknown keys, `false` for a key that may be absent."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @model_validator(mode="before")
    @classmethod
    def _take_out(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        optional = {key for key, info in cls.model_fields.items() if info.default is None}
        return {key: None if value is False and key in optional else value for key, value in data.items()}


Conflict = tuple[str, str, str]  # key path from the table that raises it, what is wrong, what to do


def raise_conflicts(conflicts: list[Conflict]) -> None:
    """Refuse a table with all its conflicts at once, if it has any.

    Raises:
        PydanticCustomError: of type `CONFLICTS`, with the list in its context.
    """
    if conflicts:
        text = "; ".join(f"{key}: {what} ({remedy})" for key, what, remedy in conflicts)
        raise PydanticCustomError(CONFLICTS, "{text}", {"text": text, "conflicts": conflicts})


def read_name(value: object) -> str:
    """Return a part's name if every system takes it as a file name; a ValueError says why not."""
    remedy = 'use letters, digits and - _ . only, such as "phone-shelf"'
    if not isinstance(value, str):
        raise refuse(f"found {describe_value(value)} where a text is needed", f"{remedy}, in quotes")
    if not value or not all(c.isascii() and (c.isalnum() or c in "-_.") for c in value):
        raise refuse(f"{describe_value(value)} cannot be part of every system's file names", remedy)
    if len(value) > 80:
        raise refuse(f"the name has {len(value)} characters", "use 80 at most")
    if value[0] in ".-" or value[-1] == "." or value.split(".")[0].lower() in RESERVED_NAMES:
        raise refuse(
            f"{describe_value(value)} is no safe file name", f"{remedy}; begin with a letter or digit"
        )
    return value


def read_key(value: object) -> str:
    """Return a material's key without blanks around it, known or not; a ValueError says what is wrong."""
    if not isinstance(value, str) or not value.strip():
        raise refuse(
            f"found {describe_value(value)} where a material's key is needed", 'give one such as "asa"'
        )
    return value.strip()


def read_path(value: object) -> Path:
    """Return a path, as it was given and whether or not it exists; a ValueError says what is wrong."""
    if isinstance(value, Path):
        return value
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise refuse(
            f"found {describe_value(value)} where a file is needed",
            'give its path, such as "scans/dash_cubby.ply"',
        )
    return Path(value)


def read_triple(value: object) -> object:
    """Return a list of three as it is, its numbers still to be read; a ValueError says what is wrong."""
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise refuse(
            f"found {describe_value(value)} where three numbers are needed", "give them as [x, y, z]"
        )
    return value


def read_ambient(value: object) -> object:
    """Refuse an outside temperature that can only be meant in degrees Fahrenheit, and say what it would be."""
    if isinstance(value, float | int) and not isinstance(value, bool) and 60 < value <= 140:
        celsius = round((value - 32) / 1.8)
        raise refuse(f"{value:g} °C is hotter than any air on Earth", f"if {value:g} °F is meant, write {celsius}")
    return value


def _read_points(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) < 3:
        raise refuse(
            f"found {describe_value(value)} where three points or more are needed",
            "give [[x, y, z], [x, y, z], ...]",
        )
    return value


def read_choice(value: object) -> bool:
    """Return yes or no, as which neither 1 nor "true" counts; a ValueError says what is wrong."""
    if not isinstance(value, bool):
        raise refuse(f"found {describe_value(value)} where yes or no is needed", "give true or false, without quotes")
    return value


def _has_length(vector: tuple[float, float, float]) -> tuple[float, float, float]:
    if not any(vector):
        raise refuse("the direction (0, 0, 0) has no length", "give one such as [0, 0, 1]")
    return vector


def _spans_area(points: tuple[tuple[float, float, float], ...]) -> tuple[tuple[float, float, float], ...]:
    """Refuse points that all lie on one line: they enclose nothing."""
    (ax, ay, az), *rest = points
    arms = [(x - ax, y - ay, z - az) for x, y, z in rest]
    longest = max(arms, key=lambda arm: sum(v * v for v in arm))
    scale = sum(v * v for v in longest)
    for x, y, z in arms:
        u, v, w = longest
        cross = ((y * w - z * v) ** 2 + (z * u - x * w) ** 2 + (x * v - y * u) ** 2) ** 0.5
        if cross > 1e-6 * scale:
            return points
    raise refuse(f"the {len(points)} rim points lie on one line", "pick points all around the rim, in order")


Coordinate = Annotated[float, number(least=-1e7, most=1e7)]
Triple = Annotated[tuple[Coordinate, Coordinate, Coordinate], BeforeValidator(read_triple)]
Direction = Annotated[Triple, AfterValidator(_has_length)]
Points = Annotated[tuple[Triple, ...], BeforeValidator(_read_points), AfterValidator(_spans_area)]
Size = Annotated[float, length(above=0, most=1000)]
Thickness = Annotated[float, length(above=0, most=50)]
Gap = Annotated[float, length(least=0, most=20)]
OpenGap = Annotated[float, length(least=0, most=20, word="auto"), AfterValidator(lambda gap: AUTO if gap == "auto" else gap)]
Place = Annotated[float, length(least=-1000, most=1000)]
BedSize = Annotated[float, length(least=20, most=5000)]
