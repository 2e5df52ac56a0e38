"""Mass, filament and time against a print worked by hand, and the formula's limits."""

from __future__ import annotations

from math import pi
from typing import Any

import pytest

from mountgen.recipe_tables import Printer
from mountgen.service.print_estimate import Estimate, estimate_print

BOX: dict[str, float] = {"volume": 50_000.0, "area": 16_000.0, "height": 10.0, "air": 0.0, "density": 1.07}  # 100 x 50 x 10


def estimate(*, printer: dict[str, Any] | None = None, **changes: float) -> Estimate:
    given: dict[str, Any] = BOX | changes
    return estimate_print(printer=Printer(**(printer or {})), **given)


def test_a_box_worked_by_hand() -> None:
    """100 x 50 x 10 mm, 1.07 g/cm³; three walls of 0.45, layers of 0.2, a quarter filled, 60 mm/s, filament of 1.75.

    Shell 13 000 mm² * 1.35 = 17 550; inside 50 000 - 17 550 = 32 450; laid 17 550 + 8 112.5 = 25 662.5 mm³ = 27.459 g.
    Filament: 25 662.5 / 2.40528 = 10 669 mm. Rate 0.45 * 0.2 * 60 = 5.4 mm³/s, 50 layers:
    300 + 1.25 * 4 752.3 + 100 = 6 340 s.
    """
    found = estimate(area=13_000.0)
    assert found.shell == pytest.approx(17_550.0)
    assert found.inside == pytest.approx(32_450.0)
    assert found.laid == pytest.approx(25_662.5)
    assert found.mass == pytest.approx(27.459, abs=5e-4)
    assert found.filament == pytest.approx(10_669.0, abs=0.5)
    assert found.rate == pytest.approx(5.4)
    assert found.layers == 50
    assert found.time == pytest.approx(6_340.4, abs=0.1)


def test_a_full_print_weighs_its_volume_and_a_thin_one_too() -> None:
    assert estimate(printer={"infill": 1.0}).mass == pytest.approx(50.0 * 1.07)
    assert estimate(printer={"wall_lines": 50}).mass == pytest.approx(50.0 * 1.07)
    assert estimate(printer={"infill": 0.0}, area=13_000.0).laid == pytest.approx(17_550.0)


def test_support_costs_filament_and_time_but_is_no_mass_of_the_part() -> None:
    bare, held = estimate(), estimate(air=20_000.0)
    assert held.mass == bare.mass
    assert held.support_mass == pytest.approx(0.15 * 20.0 * 1.07)
    assert held.filament - bare.filament == pytest.approx(3_000.0 / (pi * 0.875**2))
    assert held.time - bare.time == pytest.approx(1.25 * 3_000.0 / 5.4)


def test_how_it_grows() -> None:
    """Half the speed doubles the time of laying; a thicker filament is shorter by the square; thinner layers are more."""
    usual, slow = estimate(), estimate(printer={"speed": 30.0})
    fixed = 300.0 + 2.0 * usual.layers
    assert slow.time - fixed == pytest.approx(2.0 * (usual.time - fixed))
    assert estimate(printer={"filament": 3.5}).filament == pytest.approx(0.25 * usual.filament)
    fine = estimate(printer={"layer_height": 0.1})
    assert fine.layers == 2 * usual.layers
    assert fine.mass == usual.mass
    assert estimate(height=10.01).layers == 51
