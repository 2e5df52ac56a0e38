"""Where each worked example of the project's facts is a test to its stated digits; those on bent sheet are worked out here.

No part is bent of sheet, so its formulae stand in this file and in no module: the facts are held to their digits all the same.
"""

from __future__ import annotations

import ast
from functools import cache
from math import log10, pi, radians, tan
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent

WHERE = {
    1: [("test_heat", "test_parked_day_by_place"), ("test_heat", "test_envelope_at_half_an_hour_and_two_hours")],
    2: [("test_heat", "test_softening_in_the_recess_and_on_the_dash")],
    3: [("test_heat", "test_modulus_at_the_deflection_temperatures_of_asa"), ("test_heat", "test_hot_modulus_worked_examples")],
    4: [("test_tape", "test_area_for_a_third_of_a_kilogram")],
    5: [("test_tape_check", "test_pull_of_a_shelf_hung_from_one_upright_pad")],
    6: [("test_snap", "test_worked_example_strain_and_forces"), ("test_snap", "test_worked_example_verdicts_for_asa")],
    7: [("test_stiffness", "test_deck_on_two_edges"), ("test_stiffness", "test_deck_on_two_edges_hot_and_crept")],
    8: [("test_stiffness", "test_deck_on_four_and_on_three_edges")],
    9: [("test_stiffness", "test_deck_held_at_its_back_edge")],
    10: [("test_tolerance", "test_gap_to_the_scanned_wall")],
    11: [("test_tolerance", "test_thermal_mismatch"), ("test_tolerance", "test_shrink_scale")],
    12: [("test_field", "test_draft_takes_as_much_of_a_side_as_the_worked_example_says")],
    13: [("test_survey_verdicts", "test_the_worked_example_of_a_chord")],
    14: [("test_hand_length", "test_the_worked_example")],
    15: [("test_worked_examples", "test_a_right_angle_in_sheet")],
    16: [("test_worked_examples", "test_sixty_degrees_in_sheet_by_both_ways")],
    17: [("test_worked_examples", "test_a_right_angle_of_an_eighth_of_an_inch")],
    18: [("test_stiffness", "test_natural_frequency")],
}


@cache
def names_in(module: str) -> frozenset[str]:
    tree = ast.parse((HERE / f"{module}.py").read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


@pytest.mark.parametrize("number", range(1, 19))
def test_every_worked_example_has_its_test(number: int) -> None:
    for module, name in WHERE[number]:
        assert name in names_in(module), f"worked example {number}: {name} is no test of {module}"


def bend_allowance(turn: float, *, inside: float, thick: float, k: float) -> float:
    """Return the length of the neutral line in a bend, mm: turn in degrees (180 less the angle between the legs), radii in mm."""
    return radians(turn) * (inside + k * thick)


def outside_setback(turn: float, *, inside: float, thick: float) -> float:
    """Return how far the legs' outer faces run on past a bend until they meet, mm."""
    return tan(radians(turn) / 2.0) * (inside + thick)


def bend_deduction(turn: float, *, inside: float, thick: float, k: float) -> float:
    """Return what the legs' outer lengths together are longer than the flat, mm."""
    setback = outside_setback(turn, inside=inside, thick=thick)
    return 2.0 * setback - bend_allowance(turn, inside=inside, thick=thick, k=k)


def standard_k(inside: float, thick: float) -> float:
    """Return twice the k-factor, as a standard for steel sheet has it (from memory)."""
    return 1.0 if inside / thick > 5.0 else 0.65 + 0.5 * log10(inside / thick)


def standard_correction(opening: float, *, inside: float, thick: float) -> float:
    """Return what that standard adds to the legs, mm; opening: angle between them, degrees, up to 165."""
    arc = pi * (180.0 - opening) / 180.0 * (inside + 0.5 * thick * standard_k(inside, thick))
    legs = 1.0 if opening <= 90.0 else tan(radians(180.0 - opening) / 2.0)
    return arc - 2.0 * (inside + thick) * legs


def test_a_right_angle_in_sheet() -> None:
    sheet = {"inside": 1.5, "thick": 1.5}
    assert bend_allowance(90.0, **sheet, k=0.44) == pytest.approx(3.393, abs=5e-4)
    assert outside_setback(90.0, **sheet) == pytest.approx(3.000, abs=5e-4)
    deduction = bend_deduction(90.0, **sheet, k=0.44)
    assert deduction == pytest.approx(2.607, abs=5e-4)
    assert 70.0 - deduction == pytest.approx(67.39, abs=5e-3)
    assert standard_k(1.5, 1.5) == pytest.approx(0.65)
    by_standard = standard_correction(90.0, **sheet)
    assert by_standard == pytest.approx(-2.878, abs=5e-4)
    assert 70.0 + by_standard == pytest.approx(67.12, abs=5e-3)
    assert -deduction - by_standard == pytest.approx(0.27, abs=5e-3)


def test_sixty_degrees_in_sheet_by_both_ways() -> None:
    sheet = {"inside": 2.0, "thick": 1.0}
    assert bend_allowance(60.0, **sheet, k=0.40) == pytest.approx(2.513, abs=5e-4)
    assert outside_setback(60.0, **sheet) == pytest.approx(1.732, abs=5e-4)
    assert bend_deduction(60.0, **sheet, k=0.40) == pytest.approx(0.951, abs=5e-4)
    assert standard_k(2.0, 1.0) == pytest.approx(0.801, abs=5e-4)
    assert standard_correction(120.0, **sheet) == pytest.approx(-0.951, abs=5e-4)


def test_a_right_angle_of_an_eighth_of_an_inch() -> None:
    assert bend_allowance(90.0, inside=0.125, thick=0.125, k=0.44) == pytest.approx(0.2827, abs=5e-5)


def test_bends_in_their_limits() -> None:
    sheet = {"inside": 2.0, "thick": 1.0}
    assert bend_allowance(0.0, **sheet, k=0.4) == outside_setback(0.0, **sheet) == 0.0
    twice = {"inside": 4.0, "thick": 2.0}
    assert bend_deduction(70.0, **twice, k=0.4) == pytest.approx(2.0 * bend_deduction(70.0, **sheet, k=0.4))  # a length
    assert bend_allowance(60.0, inside=2.0, thick=0.0, k=0.4) == pytest.approx(2.0 * pi / 3.0)  # an arc of 60 degrees
    # the two angles mixed up: a bend of 60 degrees and legs that stand at 60 are not the same
    assert bend_deduction(120.0, **sheet, k=0.4) > 3.0 * bend_deduction(60.0, **sheet, k=0.4)
    assert standard_correction(90.0, **sheet) == pytest.approx(standard_correction(90.001, **sheet), abs=1e-3)
