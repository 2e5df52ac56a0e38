"""Steps of a scan's coordinates, against what they were rounded to; and what is not rounded, however regular it lies."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from mountgen.grain import FEWEST, measure_grain
from mountgen.scan import measure_noise, measure_spacing, read_scan
from mountgen.survey_verdicts import judge_grain
from tests.sheets import make_sheet, obj_text, ply_bytes, random_pose, tray, write_stl

TURN = random_pose(4)[0]
FLAT, FACES = make_sheet(tray, pitch=1.0)
NOISE = 0.03 * np.random.default_rng(8).normal(size=FLAT.shape)
VERTICES = (FLAT + NOISE) @ TURN.T
SPACING = measure_spacing(VERTICES, FACES)


@pytest.mark.parametrize("step", [0.02, 0.1, 0.25, 0.5])
def test_the_step_is_what_the_coordinates_were_rounded_to(step: float) -> None:
    assert measure_grain(step * np.rint(VERTICES / step), spacing=SPACING) == pytest.approx(step)


@pytest.mark.parametrize("away", [1e5, 1e6, 4e6, 1e7])
def test_single_precision_has_the_steps_of_its_24_digits(away: float) -> None:
    """24 binary digits (IEEE 754-2019, table 3.5): between 2^k and 2^(k+1) lie 2^23 numbers."""
    far = (VERTICES + np.array([away, 0.0, 0.0])).astype(np.float32).astype(np.float64)
    expected = 2.0 ** (np.floor(np.log2(np.abs(far).max())) - 23)
    assert measure_grain(far, spacing=SPACING) == expected


def test_what_is_regular_but_not_rounded_has_no_steps() -> None:
    height_map = np.column_stack([FLAT[:, :2], (FLAT + NOISE)[:, 2]])  # points on a grid of 1 mm
    narrow = height_map * [0.3, 1.0, 1.0]  # as from rows that lie closer than the points in them
    assert measure_grain(VERTICES, spacing=SPACING) == 0.0
    assert measure_grain(height_map, spacing=measure_spacing(height_map, FACES)) == 0.0
    assert measure_grain(narrow, spacing=measure_spacing(narrow, FACES)) == 0.0
    assert measure_grain(np.rint(VERTICES)[: FEWEST - 1], spacing=SPACING) == 0.0  # so few are a drawing's
    assert measure_grain(np.zeros((0, 3)), spacing=0.0) == 0.0
    assert measure_grain(np.full((2000, 3), np.nan), spacing=1.0) == 0.0


def test_a_broken_point_does_not_hide_the_steps() -> None:
    rounded = 0.5 * np.rint(VERTICES / 0.5)
    rounded[0] = np.inf
    assert measure_grain(rounded, spacing=SPACING) == pytest.approx(0.5)


def test_rounding_counts_as_noise_and_is_told_with_what_to_do(tmp_path: Path) -> None:
    """Metres with three decimals: stairs of 1 mm, whose treads are smooth."""
    coarse = np.round(VERTICES / 1000.0 * 2.0, 3)  # points 2 mm apart
    (tmp_path / "a.obj").write_bytes(obj_text(coarse, FACES.tolist()))
    scan = read_scan(tmp_path / "a.obj", unit="m")
    assert scan.grain == pytest.approx(1.0)
    assert scan.noise >= 1.0 / np.sqrt(12.0)
    (check,) = judge_grain(scan, 0.5)
    assert (check.verdict, check.value, check.limit, check.unit) == ("fail", 1.0, 0.25, "mm")
    assert check.remedy == "export the scan again with more decimals, or in millimetres"
    assert [judge_grain(scan, clearance)[0].verdict for clearance in (1.0, 1.9)] == ["caution", "caution"]
    assert judge_grain(scan, 2.0) == ()


def test_a_scan_far_from_the_origin_is_told_how_far(tmp_path: Path) -> None:
    scan = read_scan(write_stl(tmp_path / "far.stl", VERTICES + np.array([1e7, 0.0, 0.0]), FACES))
    (check,) = judge_grain(scan, 0.5)
    assert check.value == 1.0
    assert check.remedy.startswith("its points lie 10 km from the origin, where the file cannot tell less apart: move the scan")


def test_a_fine_scan_keeps_its_noise(tmp_path: Path) -> None:
    (tmp_path / "a.ply").write_bytes(ply_bytes(VERTICES, FACES.tolist()))
    scan = read_scan(tmp_path / "a.ply")
    assert scan.noise == pytest.approx(measure_noise(VERTICES, FACES), rel=1e-3)
    assert scan.grain < 1e-4
    assert judge_grain(scan, 0.5) == ()
