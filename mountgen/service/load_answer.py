"""How the pieces of a deck answer to the device on it: cold, hot and crept, at a jolt, and how much of each limit that uses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, pi

from mountgen.arrays import Floats
from mountgen.errors import EnduranceError
from mountgen.heat import ROOM_C, find_modulus, find_sustained_modulus
from mountgen.material import Material, Quantity
from mountgen.service.deck import Piece, bend_piece
from mountgen.service.print_orientation import ACROSS
from mountgen.stiffness import (
    DOWN_G,
    GRAVITY,
    LEAST_FREQUENCY,
    PEAK_SHARE,
    SAG_SHARE,
    SUSTAINED_SHARE,
    Bending,
    find_frequency,
    find_passing_thickness,
)

SAG_AT_LEAST_FREQUENCY = 1000.0 * GRAVITY / (2.0 * pi * LEAST_FREQUENCY) ** 2  # mm, the inverse of find_frequency
LEAST_SAG = 1e-9  # mm; no deck is stiffer, and a frequency needs some sag


@dataclass(frozen=True)
class Burden:
    """What rests on the deck, and how warm it gets there.

    weight : N, at 1 g.  loaded: mm² on which the device rests.  temp_c: of the part when parked, °C.
    across : which of "along", "inwards", "up" runs across the layers, as the part is printed.
    """

    weight: float
    loaded: float
    temp_c: float
    across: frozenset[str]


@dataclass(frozen=True)
class Answer:
    """How one piece of a deck answers to the device.

    cold : at 1 g, 23 °C, short-term.  crept: at 1 g, parked in the heat, for long.  jolt: at the peak load factor, 23 °C.
    uses : how much of its limit is used: of sag, of stress at rest, of stress at a jolt, of sag for the least frequency.
    strength : MPa, that counts: across the layers where it is pulled across them.  across: whether it is.
    """

    piece: Piece
    cold: Bending
    crept: Bending
    jolt: Bending
    uses: Mapping[str, float]
    strength: Quantity
    across: bool


def name_across(axes: Floats, up: Floats) -> frozenset[str]:
    """Return which of "along", "inwards", "up" run across layers that grow along a direction.

    Args:
        axes: (3, 3) unit rows: along, inwards, up.
        up: (3,) unit, in which the layers grow.
    """
    return frozenset(
        name for name, axis in zip(("along", "inwards", "up"), axes, strict=True) if abs(float(axis @ up)) > ACROSS
    )


def find_strength(material: Material, *, across: bool) -> Quantity:
    """Return the strength that counts, MPa: across the layers or along them.

    Where none is known along the layers, that across them, which is the lesser.

    Raises:
        EnduranceError: none is known.
    """
    if not across and material.strength_xy is not None:
        return material.strength_xy
    if material.strength_z is None:
        what = f"no strength across the layers is known for {material.name}"
        raise EnduranceError(what, "material", "give strength_z in a sheet of your own, or take another")
    return material.strength_z


def answer_all(pieces: Sequence[Piece], burden: Burden, material: Material) -> tuple[Answer, ...]:
    """Bend all pieces of a deck made of a material.

    Raises:
        EnduranceError: the material's modulus, deflection temperature or strength is not known.
    """
    short, long = find_modulus(material, ROOM_C), find_sustained_modulus(material, burden.temp_c)
    answers = []
    for piece in pieces:
        across = bool(piece.pulls & burden.across)
        strength = find_strength(material, across=across)
        load = {"weight": burden.weight, "loaded": burden.loaded}
        cold = bend_piece(piece, modulus=short, **load)
        crept = bend_piece(piece, modulus=long, **load)
        jolt = bend_piece(piece, modulus=short, weight=DOWN_G * burden.weight, loaded=burden.loaded)
        uses = {
            "sag": crept.sag / (SAG_SHARE * piece.span),
            "rest": crept.stress / (SUSTAINED_SHARE * strength.low),
            "jolt": jolt.stress / (PEAK_SHARE * strength.low),
            "frequency": cold.sag / SAG_AT_LEAST_FREQUENCY,
        }
        answers.append(Answer(piece, cold, crept, jolt, uses, strength, across))
    return tuple(answers)


def find_modulus_needed(answer: Answer, burden: Burden) -> float:
    """Return the sustained modulus, MPa, with which a piece would sag by no more than it may: sag goes with its inverse."""
    piece = answer.piece
    at_one = bend_piece(piece, weight=burden.weight, loaded=burden.loaded, modulus=1.0)
    return at_one.sag / (SAG_SHARE * piece.span)


def find_lowest(answer: Answer) -> float:
    """Return the lowest natural frequency of a piece of deck with the device on it, Hz; 0 where nothing carries it."""
    return find_frequency(max(answer.cold.sag, LEAST_SAG)) if isfinite(answer.cold.sag) else 0.0


def find_need(answer: Answer, *, rest_limit: float, peak_limit: float) -> float:
    """Return the thickness at which a piece of deck keeps all limits, mm, at least its own.

    Args:
        answer: of the piece; its material has not gone soft.
        rest_limit, peak_limit: MPa, of the stress at rest and at a jolt.
    """
    thickness, jolt = answer.piece.thickness, answer.jolt
    return max(
        find_passing_thickness(
            answer.crept, thickness, sag_limit=SAG_SHARE * answer.piece.span, stress_limit=rest_limit
        ),
        find_passing_thickness(jolt, thickness, sag_limit=jolt.sag, stress_limit=peak_limit),
        find_passing_thickness(answer.cold, thickness, sag_limit=SAG_AT_LEAST_FREQUENCY, stress_limit=peak_limit),
    )
