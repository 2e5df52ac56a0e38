"""Fit stack: worked examples, the printed IT table, limits, and a simulation of the sum of errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mountgen.errors import EnduranceError
from mountgen.material import Quantity, find_material
from mountgen.tolerance import (
    FITS,
    find_clearance,
    find_closing,
    find_fit_class,
    find_print_tolerance,
    find_shrink_scale,
    find_thermal_mismatch,
    judge_scan_noise,
    stack_fit,
)


def test_gap_to_the_scanned_wall() -> None:
    assert find_clearance(0.15, 0.10) == pytest.approx(0.361, abs=5e-4)
    assert find_clearance(0.15, 0.10, allowance=FITS["sliding"].allowance) == pytest.approx(0.46, abs=5e-3)


def test_gap_limits() -> None:
    assert find_clearance(0.0, 0.0) == 0.0
    assert find_clearance(0.2, 0.0) == pytest.approx(0.4)
    assert find_clearance(0.1, 0.2) == find_clearance(0.2, 0.1)
    assert find_clearance(0.3, 0.4) == pytest.approx(1.0)


def test_gap_leaves_two_sigma_free() -> None:
    rng = np.random.default_rng(7)
    closed = rng.normal(0.0, 0.15, 400_000) + rng.normal(0.0, 0.10, 400_000)
    assert np.mean(closed > find_clearance(0.15, 0.10)) == pytest.approx(
        0.02275, abs=0.001
    )  # normal law, one side


def test_thermal_mismatch() -> None:
    mismatch = find_thermal_mismatch(150.0, part_expansion=68.0, trim_expansion=90.0, delta_k=60.0)
    assert abs(mismatch) == pytest.approx(0.198, abs=5e-4)
    assert mismatch < 0  # the trim grows more: the gap opens
    fixed = find_thermal_mismatch(150.0, part_expansion=68.0, trim_expansion=0.0, delta_k=60.0)
    assert fixed == pytest.approx(0.612, abs=5e-4)
    assert find_thermal_mismatch(
        300.0, part_expansion=68.0, trim_expansion=0.0, delta_k=60.0
    ) == pytest.approx(2 * fixed)
    assert find_thermal_mismatch(
        150.0, part_expansion=68.0, trim_expansion=0.0, delta_k=-60.0
    ) == pytest.approx(-fixed)
    assert find_thermal_mismatch(150.0, part_expansion=90.0, trim_expansion=90.0, delta_k=60.0) == 0.0


def test_closing_takes_the_worse_of_hot_and_cold() -> None:
    hot = find_closing(150.0, part_expansion=90.0, trim_expansion=68.0, hottest_c=80.0)
    assert hot == pytest.approx(0.198 / 2, abs=5e-4)  # 60 K up from 20 °C, half on each side
    cold = find_closing(150.0, part_expansion=68.0, trim_expansion=90.0, hottest_c=80.0)
    assert cold == pytest.approx(150.0 * 22e-6 * 40.0 / 2)  # 40 K down: the recess shrinks more
    assert find_closing(150.0, part_expansion=80.0, trim_expansion=80.0, hottest_c=80.0) == 0.0
    assert (
        find_closing(150.0, part_expansion=68.0, trim_expansion=90.0, hottest_c=80.0, coldest_c=20.0) == 0.0
    )


def test_shrink_scale() -> None:
    scale = find_shrink_scale(0.5)
    assert scale == pytest.approx(1.00503, abs=5e-6)
    assert 150.0 * scale - 150.0 == pytest.approx(0.75, abs=5e-3)
    assert 150.0 * scale * (1 - 0.005) == pytest.approx(150.0)
    assert find_shrink_scale(0.0) == 1.0


def test_a_tuned_printer_lies_between_two_grades() -> None:
    """IT12 and IT13 of 80 to 120 mm are 350 and 540 µm as printed for ISO 286, engineersvault.blogspot.com (2007)."""
    width = 2.0 * find_print_tolerance(60.0)  # ±0.2 mm
    assert width == pytest.approx(0.4)
    assert 0.350 < width < 0.540


def test_print_tolerance_takes_the_greater() -> None:
    assert find_print_tolerance(50.0) == 0.2
    assert find_print_tolerance(200.0) == pytest.approx(0.6)


def test_fit_stack_adds_up() -> None:
    stack = stack_fit(FITS["sliding"], u_scan=0.15, size=60.0, thermal=0.1)
    assert stack.u_print == pytest.approx(0.10)
    assert stack.noise == pytest.approx(0.361, abs=5e-4)
    assert stack.needed == pytest.approx(0.361 + 0.1 + 0.1, abs=5e-4)
    assert stack_fit(FITS["sliding"], u_scan=0.15, size=60.0, print_tolerance=0.0).noise == pytest.approx(0.3)


def test_fits_are_ordered_and_match_practice() -> None:
    needed = [
        stack_fit(FITS[k], u_scan=0.05, size=60.0).needed for k in ("press", "sliding", "loose", "lined")
    ]
    assert needed == sorted(needed)
    # print shops' pages: sliding 0.2 to 0.3, loose 0.4 to 0.5 mm a side, of which a good scan takes 0.02
    assert 0.2 <= stack_fit(FITS["sliding"], u_scan=0.02, size=30.0).needed <= 0.31
    assert 0.4 <= stack_fit(FITS["loose"], u_scan=0.02, size=30.0).needed <= 0.51


def test_shrinkage_range_counts_as_a_uniform_error() -> None:
    shrinkage = Quantity(0.5, 0.2, 0.8, "%", "test", "our rule")
    stack = stack_fit(FITS["press"], u_scan=0.0, size=100.0, shrinkage=shrinkage, print_tolerance=0.0)
    drawn = np.random.default_rng(3).uniform(0.2, 0.8, 200_000) / 100.0 * 100.0 / 2.0  # mm a side
    assert stack.u_shrinkage == pytest.approx(drawn.std(), rel=0.01)
    assert stack.noise == pytest.approx(2.0 * stack.u_shrinkage)
    asa = find_material("asa").shrinkage_pct
    assert asa is not None
    assert stack_fit(FITS["press"], u_scan=0.0, size=100.0, shrinkage=asa).u_shrinkage > 0.0


def test_noise_of_the_scan_decides_which_fit_can_be_promised() -> None:
    assert judge_scan_noise(FITS["press"], 0.05) == ("pass", "")
    verdict, remedy = judge_scan_noise(FITS["press"], 0.06)
    assert verdict == "fail"
    assert remedy == 'set fit.sits = "sliding", or scan again: a press fit needs 0.05 mm or less'
    assert judge_scan_noise(FITS["sliding"], 0.2)[1].startswith('set fit.sits = "loose"')
    assert judge_scan_noise(FITS["loose"], 2.0)[0] == "pass"


def test_values_that_cannot_be() -> None:
    with pytest.raises(EnduranceError) as caught:
        find_fit_class("slidding")
    assert 'did you mean "sliding"?' in caught.value.remedy
    assert find_fit_class(" Press ") is FITS["press"]
    with pytest.raises(EnduranceError, match=r"scan uncertainty is -0\.1 mm"):
        find_clearance(-0.1, 0.1)
    with pytest.raises(EnduranceError) as caught:
        find_thermal_mismatch(100.0, part_expansion=9e-5, trim_expansion=90.0, delta_k=10.0)
    assert "9e-5 per K is 90" in caught.value.remedy
    with pytest.raises(EnduranceError) as caught:
        find_shrink_scale(50.0)
    assert "measure a printed bar" in caught.value.remedy
    assert math.isfinite(find_shrink_scale(10.0))
    with pytest.raises(EnduranceError, match="hottest temperature is -30"):
        find_closing(10.0, part_expansion=90.0, trim_expansion=90.0, hottest_c=-30.0)
