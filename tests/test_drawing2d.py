"""Drawing aids: what is drawn to scale is to scale, and a clock is a clock."""

import numpy as np
import pytest

from mountgen.drawing2d import (
    choose_length,
    draw_dial,
    draw_dimension,
    draw_line,
    draw_scale_bar,
    finish_sheet,
    hatch_stripes,
    open_sheet,
    place_on_clock,
    shorten,
)


def dark(sheet):
    return np.asarray(finish_sheet(sheet)).sum(axis=2) < 3 * 100


@pytest.mark.parametrize(("px_per_mm", "length"), [(3.0, 50), (7.25, 20), (0.4, 500), (31.0, 5), (200.0, 1)])
def test_a_scale_bar_of_n_mm_has_n_mm_of_pixels(px_per_mm, length):
    sheet = open_sheet((400, 60))
    assert draw_scale_bar(sheet, (50.0, 40.0), px_per_mm) == length
    assert dark(sheet)[40].sum() == pytest.approx(length * px_per_mm, abs=1)
    assert sheet.texts[0][0] == f"{length} mm"


def test_the_length_chosen_is_the_greatest_round_one_that_fits():
    allowed = sorted(k * 10.0**e for e in range(-3, 5) for k in (1, 2, 5))
    for longest in np.geomspace(0.01, 9000.0, 60):
        assert choose_length(1.0, longest=longest) == pytest.approx(max(v for v in allowed if v <= longest))


def test_twelve_is_at_the_top_of_the_dial_and_three_at_the_right():
    sheet = open_sheet((300, 300))
    draw_dial(sheet, (150.0, 150.0), 80.0)
    middle = {words: ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2) for words, box in sheet.texts}
    assert len(middle) == 12
    for hour in range(1, 13):
        x, y = middle[str(hour)]
        clockwise = np.degrees(np.arctan2(x - 150.0, 150.0 - y)) % 360.0
        assert abs((clockwise - 30.0 * hour + 180.0) % 360.0 - 180.0) < 1.5
        assert np.hypot(x - 150.0, y - 150.0) == pytest.approx(115.0, abs=2.0)
    ink = dark(sheet)
    for minute in range(60):  # a tick at each, and none between
        x, y = place_on_clock((150.0, 150.0), 84.5, np.radians(6 * minute))
        assert ink[int(y) - 1 : int(y) + 2, int(x) - 1 : int(x) + 2].any()
        x, y = place_on_clock((150.0, 150.0), 86.0, np.radians(6 * minute + 3))
        assert not ink[int(y), int(x)]


def test_a_dimension_reaches_from_tip_to_tip():
    sheet = open_sheet((200, 200))
    draw_dimension(sheet, (60.0, 30.0), (60.0, 170.0), "14 mm")
    rows = np.flatnonzero(dark(sheet)[:, 58:62].any(axis=1))
    assert (rows.min(), rows.max()) == (pytest.approx(30, abs=2), pytest.approx(170, abs=2))
    assert len(rows) == rows.max() - rows.min() + 1


def test_dashes_go_round_corners_and_keep_their_share():
    sheet = open_sheet((220, 220))
    path = [(20.0, 20.0), (20.0, 120.0), (23.0, 120.0), (200.0, 120.0)]
    draw_line(sheet, path, width=1.0, dash=(12.0, 8.0))
    ink = np.asarray(finish_sheet(sheet)).min(axis=2) < 160
    assert ink.sum() == pytest.approx(0.6 * 280, rel=0.1)
    down = ink[20:120, 19:21].any(axis=1)
    assert 4 <= np.count_nonzero(down[1:] & ~down[:-1]) + down[0] <= 6  # 100 / 20 dashes


def test_a_dashed_line_of_no_length_draws_nothing():
    sheet = open_sheet((40, 40))
    draw_line(sheet, [(20.0, 20.0), (20.0, 20.0)], dash=(5.0, 5.0))
    assert not dark(sheet).any()


def test_hatching_is_magenta_and_white_stripes():
    pixels = hatch_stripes(np.zeros((120, 120), dtype=bool))
    magenta = (pixels[..., 1] == 0).mean()
    assert 0.5 < magenta < 0.75
    assert ((pixels == 1.0).all(axis=2) | (pixels[..., 1] == 0)).all()


def test_long_names_are_shortened_in_the_middle():
    assert shorten("dash.ply", 20) == "dash.ply"
    short = shorten("a" * 50 + ".ply", 20)
    assert len(short) == 20
    assert short.startswith("aaa")
    assert short.endswith("aaa.ply")
