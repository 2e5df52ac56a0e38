"""Pictures of a box in a box-shaped recess, whose areas and gaps are known."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO
from typing import Any

import numpy as np
import pytest
import trimesh
from PIL import Image

from mountgen.arrays import Floats
from mountgen.datum import Recess
from mountgen.drawing2d import Sheet, finish_sheet
from mountgen.gap import Standing, make_standing
from mountgen.inspection import ZONES, classify_faces
from mountgen.kernel import Mesh
from mountgen.part_picture import (
    CELL,
    COLOUR_BAR,
    CORNER,
    FILLED,
    INSIDE,
    LOOKS,
    SIZE,
    Gauged,
    draw_look,
    measure_gap,
    picture_part,
)
from mountgen.ramp import COLLISION, NEUTRAL, ramp_gap
from mountgen.surface import surface_of
from tests.recesses import box_recess

CLEARANCE = 0.5
ALIKE = dict.fromkeys(ZONES, CLEARANCE)
EXTENT = np.array([59.0, 39.0, 19.5])  # the recess is 60 x 40 x 20 mm
RECESS = box_recess(left=20.0)
Pixels = Any


def box(extent: Any, *, middle: float) -> Mesh:
    mesh = trimesh.creation.box(extent)
    mesh.apply_translation([0.0, 0.0, middle])
    return Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces).astype(np.int32))


def block(gap: Floats | float, *, asked: Floats | float = CLEARANCE) -> Gauged:
    mesh = trimesh.creation.box(EXTENT).apply_translation([0.0, 0.0, -EXTENT[2] / 2]).subdivide_to_size(6.0)
    count = len(mesh.vertices)
    fine = Mesh(np.asarray(mesh.vertices), np.asarray(mesh.faces).astype(np.int32))
    return Gauged(fine, np.array(np.broadcast_to(gap, count)), np.array(np.broadcast_to(asked, count)))


def draw(key: str, gauged: Gauged, zones: Mapping[str, float] = ALIKE) -> tuple[Sheet, Pixels]:
    sheet = draw_look(key, gauged, RECESS, name="plug", zones=zones)
    return sheet, np.asarray(finish_sheet(sheet)).astype(int)


def cell(picture: Pixels) -> Pixels:
    left, top = (int(v) for v in CORNER)
    return picture[top : top + CELL[1], left : left + CELL[0]]


def count(pixels: Pixels, colour: Any) -> int:
    return int((np.abs(pixels - colour).max(axis=-1) <= 2).sum())


def standing_of(recess: Recess, zones: Mapping[str, float] = ALIKE) -> Standing:
    surface = surface_of(recess)
    asked = np.array([zones[name] for name in ZONES])
    return make_standing(surface, asked[classify_faces(surface.vertices, surface.faces, recess.lid)])


def test_the_cut_shows_the_section_s_area() -> None:
    forward = np.array(LOOKS["section"].forward) / np.linalg.norm(LOOKS["section"].forward)
    right = np.cross(forward, (0.0, 1.0, 0.0))
    right /= np.linalg.norm(right)
    shown = RECESS.vertices[(np.abs(RECESS.vertices[:, :2]) < (30 + 9.6, 20 + 9.6)).all(axis=1)]
    shown = shown[shown[:, 0] <= 0]
    spans = [np.ptp(shown @ axis) for axis in (right, np.cross(right, forward))]
    scale = FILLED * min(CELL[0] / spans[0], CELL[1] / spans[1])
    area = EXTENT[1] * EXTENT[2] * abs(forward[0]) * scale**2
    gauged = block(0.4)
    assert count(cell(draw("section", gauged)[1]), INSIDE) == pytest.approx(area, rel=0.05)  # less its outline
    assert max(count(cell(draw(key, gauged)[1]), INSIDE) for key in LOOKS if key != "section") < 0.01 * area


def legend_at(picture: Pixels, share: float) -> Pixels:
    """Return the legend's colour at a share of its height, from below."""
    left, top, right, bottom = COLOUR_BAR
    return picture[int(bottom - share * (bottom - top)), int((left + right) / 2)]


def hue_of(pixels: Pixels) -> Pixels:
    bright = pixels[(pixels.sum(axis=2) < 740) & (pixels.max(axis=2) > 225)].mean(axis=0)
    return bright / bright.max()


def test_the_gap_has_the_colour_of_the_legend() -> None:
    _, picture = draw("behind", block(0.4))
    legend = legend_at(picture, 0.4)  # 0.4 of 1.0 mm
    assert np.abs(np.rint(ramp_gap(CLEARANCE).paint(np.array(0.4)) * 255) - legend).max() <= 2
    assert np.abs(hue_of(cell(picture)) - legend / legend.max()).max() < 0.03  # the light changes no hue


def test_where_another_gap_was_asked_for_it_has_the_middle_of_the_colours() -> None:
    """A floor that stands off 0.2 mm as asked looks like a wall that stands off 0.5 mm as asked, and not as if too near."""
    zones = {"floor": 0.2, "walls": 0.5, "rim": 0.5}
    gauged = measure_gap(box((59.0, 39.0, 19.8), middle=-9.9), standing_of(RECESS, zones))
    floor = gauged.mesh.vertices[:, 2] < -19.7
    inner = floor & (np.abs(gauged.mesh.vertices[:, :2]) < (25.0, 15.0)).all(axis=1)
    assert gauged.gap[inner] == pytest.approx(0.2)
    assert gauged.asked[inner] == pytest.approx(0.2)
    sheet, picture = draw("behind", gauged, zones)
    middle = legend_at(picture, 0.5)
    assert np.abs(hue_of(cell(picture)) - middle / middle.max()).max() < 0.03
    words = " ".join(text for text, _ in sheet.texts)
    assert "asked for: floor 0.2, walls 0.5, rim 0.5 mm" in words
    assert "gap / asked" in words
    alike = hue_of(cell(draw("behind", Gauged(gauged.mesh, gauged.gap, np.full(len(gauged.gap), 0.5)))[1]))
    assert np.abs(alike - middle / middle.max()).max() > 0.1  # in mm it would be red


def test_collision_is_magenta_and_far_surfaces_are_neutral() -> None:
    hue = np.array(COLLISION) / max(COLLISION)
    for gap, collides in ((-0.02, True), (0.02, False), (3.0, False)):
        behind = cell(draw("behind", block(gap))[1])
        painted = behind[behind.sum(axis=2) < 740]
        middle = np.median(painted, axis=0)
        assert (np.abs(middle / middle.max() - hue).max() < 0.05) == collides
        if gap == 3.0:
            assert np.abs(middle / middle.max() - np.array(NEUTRAL) / max(NEUTRAL)).max() < 0.03


@pytest.mark.parametrize("zones", [ALIKE, {"floor": 0.25, "walls": 0.75, "rim": 1.25}])
@pytest.mark.parametrize("key", LOOKS)
def test_no_text_overlaps_or_leaves_the_sheet(key: str, zones: Mapping[str, float]) -> None:
    sheet, _ = draw(key, block(0.4), zones)
    assert sheet.size == SIZE
    for index, (words, box) in enumerate(sheet.texts):
        assert min(box) >= 0, words
        assert box[2] <= SIZE[0], words
        assert box[3] <= SIZE[1], words
        for other, against in sheet.texts[index + 1 :]:
            apart = box[2] <= against[0] or against[2] <= box[0] or box[3] <= against[1] or against[3] <= box[1]
            assert apart, (words, other)


def test_there_is_a_picture_of_each_look_and_it_is_repeatable() -> None:
    first, second = (picture_part(block(0.4), RECESS, name="plug", zones=ALIKE) for _ in range(2))
    assert first == second
    assert list(first) == ["mouth", "three-quarter", "section", "behind"]
    for content in first.values():
        with Image.open(BytesIO(content)) as picture:
            assert (picture.format, picture.size) == ("PNG", SIZE)


def test_gaps_of_the_wrong_number_are_named() -> None:
    mesh = box(EXTENT, middle=-10.0)
    with pytest.raises(ValueError, match=r"must be \(8,\), not \(3,\)"):
        Gauged(mesh, np.zeros(3), np.zeros(8))


def test_gaps_are_measured_between_the_corners_of_large_faces_too() -> None:
    gauged = measure_gap(box(EXTENT, middle=-EXTENT[2] / 2), standing_of(RECESS))
    fine, gap = gauged.mesh, gauged.gap
    corners = fine.vertices[fine.faces]
    assert np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max() < 4.0
    x, y, z = np.abs(fine.vertices).T
    truth = np.minimum(np.minimum(30.0 - x, 20.0 - y), 20.0 - z)  # inside a box, by its nearest face
    assert np.abs(gap - truth).max() < 1e-9
    assert gap.min() == pytest.approx(0.5)
    assert (gauged.asked == CLEARANCE).all()


def test_what_lies_behind_a_wall_is_no_gap() -> None:
    """A tray whose wall and gap are together the reach of the colours, 2 mm, less a hair: its inside is grey."""
    outer, inner = box(EXTENT, middle=-EXTENT[2] / 2), box(EXTENT - 2.98, middle=2.0 - EXTENT[2] / 2)
    tray = trimesh.boolean.difference([trimesh.Trimesh(each.vertices, each.faces) for each in (outer, inner)], engine="manifold")
    gauged = measure_gap(Mesh(np.asarray(tray.vertices), np.asarray(tray.faces).astype(np.int32)), standing_of(RECESS))
    x, y, z = gauged.mesh.vertices.T
    inside = (np.abs(x) < 28.1) & (np.abs(y) < 18.1) & (z < -5.0)
    wall = inside & (np.abs(x) > 28.0) & (np.abs(y) < 15.0) & (z > -15.0)
    outside = (np.abs(x) > 29.4) & (np.abs(y) < 19.0) & (np.abs(z + 10.0) < 9.0)
    assert wall.any()
    assert np.isnan(gauged.gap[wall]).all()
    assert gauged.gap[outside] == pytest.approx(0.5)


def test_a_view_s_legend_has_what_is_in_the_view() -> None:
    for key, view in LOOKS.items():
        words = {text for text, _ in draw(key, block(0.4))[0].texts}
        assert ("scan" in words, "cut" in words) == (view.scan, view.cut)


def test_a_part_too_large_is_inside_the_panel_and_unseen_ground_gives_no_gap() -> None:
    torn = box_recess(left=20.0, holes=[(-6.0, -6.0, 6.0, 6.0)])
    gauged = measure_gap(box((61.0, 39.0, 19.5), middle=-10.0), standing_of(torn))
    x, y, z = gauged.mesh.vertices.T
    outer = (np.abs(x) > 30.4) & (np.abs(y) < 15) & (np.abs(z + 10.0) < 5)
    assert gauged.gap[outer] == pytest.approx(-0.5)
    over_hole = (np.hypot(x, y) < 5.0) & (z < -19.0)
    assert over_hole.any()
    assert np.isnan(gauged.gap[over_hole]).all()


def test_an_open_mesh_is_measured_as_it_is() -> None:
    sheet = Mesh(np.array([[-5.0, -5, -10], [5, -5, -10], [0, 5, -10]]), np.array([[0, 1, 2]]))
    gauged = measure_gap(sheet, standing_of(RECESS))
    assert gauged.mesh is sheet
    assert gauged.gap == pytest.approx(10.0)
