"""Pictures of a box in a box-shaped recess, whose areas and gaps are known."""

import numpy as np
import pytest
import trimesh
from PIL import Image

from mountgen.drawing2d import finish_sheet
from mountgen.kernel import Mesh
from mountgen.part_picture import (
    CELL,
    COLOUR_BAR,
    CORNERS,
    FILLED,
    INSIDE,
    LOOKS,
    SIZE,
    draw_part,
    measure_gap,
    picture_part,
)
from mountgen.ramp import COLLISION, NEUTRAL, ramp_gap
from tests.recesses import box_recess

CLEARANCE = 0.5
EXTENT = np.array([59.0, 39.0, 19.5])  # the recess is 60 x 40 x 20 mm
RECESS = box_recess(left=20.0)


def box(extent, *, middle):
    mesh = trimesh.creation.box(extent)
    return mesh.apply_translation([0.0, 0.0, middle])


def block():
    mesh = box(EXTENT, middle=-EXTENT[2] / 2).subdivide_to_size(6.0)
    return Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces))


def draw(gap):
    part = block()
    sheet = draw_part(
        part, RECESS, np.broadcast_to(gap, len(part.vertices)), name="plug", clearance=CLEARANCE
    )
    return sheet, np.asarray(finish_sheet(sheet)).astype(int)


def cell(picture, index):
    left, top = (int(v) for v in CORNERS[index])
    return picture[top : top + CELL[1], left : left + CELL[0]]


def count(pixels, colour):
    return int((np.abs(pixels - colour).max(axis=-1) <= 2).sum())


@pytest.fixture(scope="module")
def drawn():
    return draw(0.4)


def test_the_cut_shows_the_section_s_area(drawn):
    _, picture = drawn
    index = next(k for k, look in enumerate(LOOKS) if look.cut)
    forward = np.array(LOOKS[index].forward) / np.linalg.norm(LOOKS[index].forward)
    right = np.cross(forward, (0.0, 1.0, 0.0))
    right /= np.linalg.norm(right)
    shown = RECESS.vertices[(np.abs(RECESS.vertices[:, :2]) < (30 + 9.6, 20 + 9.6)).all(axis=1)]
    shown = shown[shown[:, 0] <= 0]
    spans = [np.ptp(shown @ axis) for axis in (right, np.cross(right, forward))]
    scale = FILLED * min(CELL[0] / spans[0], CELL[1] / spans[1])
    area = EXTENT[1] * EXTENT[2] * abs(forward[0]) * scale**2
    assert count(cell(picture, index), INSIDE) == pytest.approx(area, rel=0.05)  # less its outline
    others = [count(cell(picture, k), INSIDE) for k in range(len(LOOKS)) if k != index]
    assert max(others) < 0.01 * area


def test_the_gap_has_the_colour_of_the_legend(drawn):
    _, picture = drawn
    left, top, right, bottom = COLOUR_BAR
    legend = picture[int(bottom - 0.4 * (bottom - top)), int((left + right) / 2)]  # 0.4 of 1.0 mm
    assert np.abs(np.rint(ramp_gap(CLEARANCE).paint(np.array(0.4)) * 255) - legend).max() <= 2
    behind = cell(picture, 3)
    bright = behind[(behind.sum(axis=2) < 740) & (behind.max(axis=2) > 225)].mean(axis=0)
    assert np.abs(bright / bright.max() - legend / legend.max()).max() < 0.03  # the light changes no hue


def test_collision_is_magenta_and_far_surfaces_are_neutral():
    hue = np.array(COLLISION) / max(COLLISION)
    for gap, collides in ((-0.02, True), (0.02, False), (3.0, False)):
        behind = cell(draw(gap)[1], 3)
        painted = behind[behind.sum(axis=2) < 740]
        middle = np.median(painted, axis=0)
        assert (np.abs(middle / middle.max() - hue).max() < 0.05) == collides
        if gap == 3.0:
            assert np.abs(middle / middle.max() - np.array(NEUTRAL) / max(NEUTRAL)).max() < 0.03


def test_no_text_overlaps_or_leaves_the_sheet(drawn):
    sheet, _ = drawn
    assert sheet.size == SIZE
    for index, (words, box) in enumerate(sheet.texts):
        assert min(box) >= 0, words
        assert box[2] <= SIZE[0], words
        assert box[3] <= SIZE[1], words
        for other, against in sheet.texts[index + 1 :]:
            apart = (
                box[2] <= against[0] or against[2] <= box[0] or box[3] <= against[1] or against[3] <= box[1]
            )
            assert apart, (words, other)


def test_the_file_is_the_sheet_and_is_repeatable(tmp_path):
    part = block()
    gap = np.full(len(part.vertices), 0.4)
    first = picture_part(part, RECESS, gap, tmp_path / "a" / "plug.png", clearance=CLEARANCE)
    second = picture_part(part, RECESS, gap, tmp_path / "b" / "plug.png", clearance=CLEARANCE)
    assert first.read_bytes() == second.read_bytes()
    with Image.open(first) as picture:
        assert picture.size == SIZE


def test_gaps_of_the_wrong_number_are_named(tmp_path):
    with pytest.raises(ValueError, match=r"must be \(\d+,\), not \(3,\)"):
        picture_part(block(), RECESS, np.zeros(3), tmp_path / "x.png", clearance=CLEARANCE)


def test_gaps_are_measured_between_the_corners_of_large_faces_too():
    bare = box(EXTENT, middle=-EXTENT[2] / 2)
    fine, gap = measure_gap(Mesh(np.asarray(bare.vertices), np.asarray(bare.faces)), RECESS)
    corners = fine.vertices[fine.faces]
    assert np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max() < 4.0
    x, y, z = np.abs(fine.vertices).T
    truth = np.minimum(np.minimum(30.0 - x, 20.0 - y), 20.0 - z)  # inside a box, by its nearest face
    assert np.abs(gap - truth).max() < 1e-9
    assert gap.min() == pytest.approx(0.5)


def test_a_part_too_large_is_inside_the_panel_and_unseen_ground_gives_no_gap():
    torn = box_recess(left=20.0, holes=[(-6.0, -6.0, 6.0, 6.0)])
    big = box((61.0, 39.0, 19.5), middle=-10.0)
    fine, gap = measure_gap(Mesh(np.asarray(big.vertices), np.asarray(big.faces)), torn)
    x, y, z = fine.vertices.T
    outer = (np.abs(x) > 30.4) & (np.abs(y) < 15) & (np.abs(z + 10.0) < 5)
    assert gap[outer] == pytest.approx(-0.5)
    over_hole = (np.hypot(x, y) < 5.0) & (z < -19.0)
    assert over_hole.any()
    assert np.isnan(gap[over_hole]).all()


def test_an_open_mesh_is_measured_as_it_is():
    sheet = Mesh(np.array([[-5.0, -5, -10], [5, -5, -10], [0, 5, -10]]), np.array([[0, 1, 2]]))
    same, gap = measure_gap(sheet, RECESS)
    assert same is sheet
    assert gap == pytest.approx(10.0)
