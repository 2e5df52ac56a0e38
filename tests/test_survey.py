"""The survey of recesses built of cells, whose figures and places are known exactly."""

from dataclasses import replace
from math import cos, radians, sin

import numpy as np
import pytest
from PIL import Image

from mountgen.drawing2d import UNSEEN, finish_sheet
from mountgen.errors import ExportError
from mountgen.scan import Mend
from mountgen.survey import survey_scan
from mountgen.survey_holes import Hole
from mountgen.survey_picture import COLOUR_BAR, DIAL_MIDDLE, DIAL_RADIUS, draw_survey, mouth_scale
from mountgen.survey_section import DIMENSION_X
from tests.lathe import as_recess, cut, join, move, well
from tests.recesses import as_scan, box_recess

HOLE = (18.0, 8.0, 24.0, 12.0)  # 24 mm², in the deep half; from the middle towards 2 o'clock


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory):
    recess = box_recess(holes=[HOLE])
    survey = survey_scan(as_scan(recess), recess, tmp_path_factory.mktemp("survey"))
    with Image.open(survey.picture) as picture:
        return survey, recess, np.asarray(picture).astype(int)


def rows_of(survey):
    return dict(survey.rows())


def to_pixel(recess, x, y):
    scale = mouth_scale(recess)
    return int(DIAL_MIDDLE[1] - y * scale), int(DIAL_MIDDLE[0] + x * scale)


def is_magenta(pixels):
    return np.abs(pixels - UNSEEN).max(axis=-1) < 60


def dark_run(line):
    """First and last place of the longest dark stretch of a row or column of pixels."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (line.max(axis=-1) < 90).astype(int), [0]])))
    lengths = edges[1::2] - edges[::2]
    if not len(lengths):
        return 0, -1
    longest = int(np.argmax(lengths))
    return int(edges[2 * longest]), int(edges[2 * longest + 1]) - 1


def test_figures_are_those_built_in(surveyed):
    survey, _, _ = surveyed
    assert (survey.mouth_width, survey.mouth_height, survey.depth) == (60.0, 40.0, 20.0)
    assert survey.deepest[0] > 0  # the right half is the deeper one
    assert survey.size == (84.0, 64.0, 20.0)
    (spot,) = survey.unseen
    assert survey.unseen_area == spot.area == pytest.approx(24.0, rel=0.1)
    assert (spot.x, spot.y) == (pytest.approx(21.0, abs=0.5), pytest.approx(10.0, abs=0.5))
    assert survey.picture.name == "box-survey.png"


def test_rows_say_it_in_words(surveyed):
    survey, recess, _ = surveyed
    rows = rows_of(survey)
    assert rows["scan"] == f"box.ply, {len(recess.faces):,} triangles, read as mm"
    assert rows["mouth"] == "60.0 mm wide, 40.0 mm high"
    assert rows["depth"].startswith("20.0 mm, deepest towards ")
    assert "towards 2:00 o'clock, 23 mm from the middle" in rows["unseen"]
    assert rows["open side"] == "none, the rim is closed"
    assert "mended" not in rows
    assert rows["picture"] == str(survey.picture)


def test_mending_open_side_and_notes_are_told(tmp_path):
    pose = np.eye(4)
    pose[:3, :3] = [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]
    recess = box_recess(open_side_deg=(150.0, 210.0), notes=("said so",), part_to_scan=pose)
    scan = replace(as_scan(recess), mended=(Mend("small holes", 12, "up to 3.7 mm across"),))
    rows = rows_of(survey_scan(scan, recess, tmp_path))
    assert rows["open side"] == "from 5:00 o'clock to 7:00 o'clock"
    assert rows["mended"] == "12 small holes: up to 3.7 mm across"
    assert rows["draw direction"].startswith("+1.0000 +0.0000 +0.0000")
    assert rows["note"] == "said so"
    assert rows["unseen"] == "none inside the rim, looking along the draw direction"


def test_the_scale_bar_fits_the_rim(surveyed):
    _, _, picture = surveyed
    first, last = dark_run(picture[928, 600:957])
    (words,) = [w for w, box in draw_survey(*surveyed[:2]).texts if w.endswith(" mm") and box[1] > 890]
    px_per_mm = (last - first + 1) / float(words.split()[0])
    row = picture[
        int(DIAL_MIDDLE[1]), int(DIAL_MIDDLE[0] - DIAL_RADIUS) + 8 : int(DIAL_MIDDLE[0] + DIAL_RADIUS) - 8
    ]
    rims = np.flatnonzero(row.max(axis=1) < 90)  # the rim's line, left and right
    assert rims.max() - rims.min() == pytest.approx(60.0 * px_per_mm, abs=4)


@pytest.mark.parametrize(("x", "depth"), [(-15.0, 10.0), (15.0, 20.0)])
def test_the_colour_of_a_place_is_that_of_its_depth_in_the_legend(surveyed, x, depth):
    _, recess, picture = surveyed
    left, top, right, bottom = COLOUR_BAR
    row = min(int(top + (bottom - top) * depth / 20.0), int(bottom) - 2)
    legend = picture[row, int((left + right) / 2)]
    assert np.abs(picture[to_pixel(recess, x, -8.0)] - legend).max() <= 2
    other = picture[int(top + (bottom - top) * 0.2), int((left + right) / 2)]
    assert np.abs(picture[to_pixel(recess, x, -8.0)] - other).max() > 30


@pytest.mark.parametrize("hour", [1, 4, 6, 8, 11])
def test_an_unseen_hole_is_marked_at_its_clock_position_and_nowhere_else(tmp_path, hour):
    x, y = round(14 * sin(radians(30 * hour))), round(14 * cos(radians(30 * hour)))
    hole = (x - 3.0, y - 3.0, x + 3.0, y + 3.0)
    recess = box_recess(holes=[hole], surround=24)
    survey = survey_scan(as_scan(recess), recess, tmp_path, clearance=10.0)  # its cells are fine enough for that: no label
    picture = np.asarray(finish_sheet(draw_survey(survey, recess))).astype(int)
    rows, cols = np.indices(picture.shape[:2])
    disc = np.hypot(rows - DIAL_MIDDLE[1], cols - DIAL_MIDDLE[0]) < DIAL_RADIUS - 2
    row, col = np.nonzero(is_magenta(picture) & disc)
    assert len(row) > 0.4 * 36 * mouth_scale(recess) ** 2
    seen_at = np.degrees(np.arctan2(col.mean() - DIAL_MIDDLE[0], DIAL_MIDDLE[1] - row.mean())) % 360
    assert abs((seen_at - 30 * hour + 180) % 360 - 180) < 8
    assert np.ptp(col) < 6 * mouth_scale(recess) + 6
    assert f"towards {hour}:00 o'clock" in rows_of(survey)["unseen"]


def test_the_border_of_a_hole_in_a_wall_is_marked_too(tmp_path):
    recess = box_recess(surround=24)
    middle = recess.vertices[recess.faces].mean(axis=1)
    normal = np.cross(
        *(recess.vertices[recess.faces[:, k]] - recess.vertices[recess.faces[:, 0]] for k in (1, 2))
    )
    wall = (
        (np.abs(normal[:, 2]) < 1e-9) & (np.abs(middle[:, 0]) < 0.1) & (np.abs(middle[:, 1]) < 6)
    )  # the step
    torn = box_recess(surround=24)
    object.__setattr__(torn, "faces", recess.faces[~wall])
    sheets = []
    for each in (recess, torn):
        survey = survey_scan(as_scan(each), each, tmp_path)
        assert not survey.unseen  # an upright wall has no area along the draw direction
        sheets.append(np.asarray(finish_sheet(draw_survey(survey, each))).astype(int))
    marked = [is_magenta(sheet)[200:820, 100:750].sum() for sheet in sheets]
    assert marked[0] == 0 < marked[1]


def test_spanned_holes_are_marked_in_the_dial_only(surveyed):
    """A scan cut off from its back is full of them along the cut, which runs beyond the dial's numbers."""
    survey, recess, _ = surveyed
    corner = np.array([[0.0, 0.0, -8.0], [4.0, 0.0, -8.0], [4.0, 3.0, -8.0]])
    inside, outside = (
        Hole(6.0, 5.0, x, 0.0, 8.0, 8.0, 8.0, (3.0,), 0.0, (corner + np.array([x, 0.0, 0.0]),)) for x in (5.0, 1.2 * 36.0)
    )
    drawn = draw_survey(replace(survey, quality=replace(survey.quality, holes=(inside, outside))), recess)
    marked = is_magenta(np.asarray(finish_sheet(drawn)).astype(int))
    row, col = np.indices(marked.shape)
    beyond = np.hypot(row - DIAL_MIDDLE[1], col - DIAL_MIDDLE[0]) > DIAL_RADIUS + 2
    assert not marked[(row < 880) & (col < 940) & beyond].any()
    r, c = to_pixel(recess, 7.0, 0.0)
    assert marked[r - 3 : r + 4, c - 10 : c + 11].any()


def test_the_section_dimensions_are_the_depths_and_widths(surveyed):
    sheet = draw_survey(*surveyed[:2])
    words = [w for w, _ in sheet.texts]
    assert "60.0 mm" in words  # across
    assert "40.0 mm" in words  # upright
    # the step lies in the upright section's plane: a cell's edge belongs to one side or the other
    assert words.count("20.0 mm") + words.count("10.0 mm") == 2


def test_the_depth_dimension_is_drawn_to_the_section_s_own_scale(surveyed):
    _, _, picture = surveyed
    below = 510  # the lower section: across, 20 mm at its deepest
    rows = picture[below + 100 : 940, int(DIMENSION_X) - 1 : int(DIMENSION_X) + 2].min(axis=1)
    top, bottom = dark_run(rows)
    bars = [dark_run(picture[y, 980:1200]) for y in range(below + 200, 940)]
    first, last = max(bars, key=lambda run: run[1] - run[0])
    (length,) = [
        float(w.split()[0])
        for w, box in draw_survey(*surveyed[:2]).texts
        if w.endswith(" mm") and box[0] < 1150 and box[1] > below + 150 and box[0] > 980
    ]
    px_per_mm = (last - first + 1) / length
    assert bottom - top == pytest.approx(20.0 * px_per_mm, abs=4)


@pytest.mark.parametrize(
    ("width", "height", "depth", "name"),
    [
        (60, 40, 20.0, "box.ply"),
        (150, 20, 6.0, "x" * 120 + ".ply"),
        (14, 12, 80.0, "slot.ply"),
        (30, 90, 2.0, "s.ply"),
    ],
)
def test_no_text_overlaps_another_or_leaves_the_sheet(tmp_path, width, height, depth, name):
    recess = box_recess(width, height, left=depth, right=depth, surround=6)
    sheet = draw_survey(survey_scan(as_scan(recess, name), recess, tmp_path), recess)
    for index, (words, box) in enumerate(sheet.texts):
        assert box[0] >= 0, words
        assert box[1] >= 0, words
        assert box[2] <= sheet.size[0], words
        assert box[3] <= sheet.size[1], words
        for other, against in sheet.texts[index + 1 :]:
            apart = (
                box[2] <= against[0] or against[2] <= box[0] or box[3] <= against[1] or against[3] <= box[1]
            )
            assert apart, (words, other)


def test_a_section_that_nobody_saw_has_no_depth(tmp_path):
    recess = box_recess(holes=[(-30.0, -3.0, 30.0, 3.0)])
    survey = survey_scan(as_scan(recess), recess, tmp_path)
    words = [w for w, _ in draw_survey(survey, recess).texts]
    assert survey.unseen_area == pytest.approx(360.0, rel=0.02)
    assert words.count("20.0 mm") + words.count("10.0 mm") == 1  # the upright section's alone


def test_unseen_ground_in_a_section_is_bridged_in_magenta(tmp_path):
    whole, torn = box_recess(surround=24), box_recess(holes=[(8.0, -4.0, 18.0, 4.0)])
    lengths = []
    for recess in (whole, torn):
        sheet = finish_sheet(draw_survey(survey_scan(as_scan(recess), recess, tmp_path), recess))
        drawing = np.asarray(sheet).astype(int)[610:930, 985:1600]  # the section across
        lengths.append(np.count_nonzero(is_magenta(drawing).any(axis=0)))
        marked = is_magenta(drawing).any(axis=0)
    bars = np.flatnonzero(marked)
    assert lengths[0] == 0
    assert np.ptp(bars) == pytest.approx(10.0 * 450.0 / (60.0 * 1.28), abs=8)  # 10 mm at the drawing's scale


def test_the_picture_is_repeatable_to_the_byte(surveyed, tmp_path):
    survey, recess, _ = surveyed
    again = survey_scan(as_scan(recess), recess, tmp_path)
    assert again.picture.read_bytes() == survey.picture.read_bytes()


def test_a_folder_that_is_a_file_is_named(tmp_path):
    taken = tmp_path / "taken"
    taken.write_text("")
    recess = box_recess(20, 20)
    with pytest.raises(ExportError) as caught:
        survey_scan(as_scan(recess), recess, taken)
    assert "file" in caught.value.what
    assert "--out" in caught.value.remedy


def test_a_place_that_is_there_twice_is_labelled_where_it_is(tmp_path):
    recess = as_recess(join(well(), move(cut(well(), lambda p: p[:, 0] < 5.0), (-0.5, 0.0, 0.5))), radius=30.0, depth=40.0)
    scan = as_scan(recess)
    survey = survey_scan(scan, recess, tmp_path)
    ((words, box),) = [(w, b) for w, b in draw_survey(survey, recess).texts if w in ("twice", "noisy", "coarse")]
    assert words == "twice"
    x = ((box[0] + box[2]) / 2 - DIAL_MIDDLE[0]) / mouth_scale(recess)
    assert 0.0 < x < 30.0
    single = as_recess(well(), radius=30.0, depth=40.0)
    assert "twice" not in [w for w, _ in draw_survey(survey_scan(as_scan(single), single, tmp_path), single).texts]
