"""Clock positions in words."""

from __future__ import annotations

import pytest

from mountgen.place import tell_minute


@pytest.mark.parametrize(
    ("angle_deg", "said"),
    [(0.0, "12:00"), (15.0, "12:30"), (33.5, "1:07"), (90.0, "3:00"), (359.9, "12:00"), (360.0, "12:00")],
)
def test_an_angle_is_told_to_the_minute(angle_deg: float, said: str) -> None:
    assert tell_minute(angle_deg) == f"{said} o'clock"
