"""Closed loops in the plane: area and equal steps, against a square."""

from __future__ import annotations

import numpy as np
import pytest

from mountgen.loop import resample_loop, signed_area


def test_loops_are_measured_and_resampled() -> None:
    square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    assert signed_area(square) == pytest.approx(16.0)
    assert signed_area(square[::-1]) == pytest.approx(-16.0)
    even = resample_loop(square, step=0.5)
    assert len(even) == 32
    assert np.linalg.norm(np.roll(even, -1, axis=0) - even, axis=1) == pytest.approx(0.5)
    assert signed_area(even) == pytest.approx(16.0)
