"""Rim, mouth plane, draw direction and up, against recesses of known shape and pose."""

from __future__ import annotations

import re
from dataclasses import replace
from math import cos, pi, radians, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from examples.simulate import SimulatedScan
from mountgen.arrays import Floats, Ints
from mountgen.datum import find_datum, lid_height, vector_area
from mountgen.errors import DatumError
from mountgen.loop import signed_area
from mountgen.mend import Mend
from mountgen.recipe_tables import Mouth
from mountgen.scan import Scan
from tests.known import as_points, known_recess, make_mouth, mend_scan
from tests.lathe import turn
from tests.shapes import BOX_SIZE, CYLINDER_DEPTH, CYLINDER_RADIUS, FRUSTUM_DEPTH, FRUSTUM_MOUTH, scan_specimen, specimen

TRIANGLES = 40_000
PRISMATIC = ("l_pocket", "deep_slot", "dished_tray", "round_well", "two_level", "split_floor")
TURN: Floats = np.array([[0.36, 0.48, -0.80], [-0.80, 0.60, 0.00], [0.48, 0.64, 0.60]])  # a rotation with exact entries


def _scan(name: str, **options: Any) -> Scan:
    return mend_scan(scan_specimen(name, triangles=TRIANGLES, **options))


def _sheet(top: Any, *, half: tuple[float, float] = (60.0, 45.0), pitch: float = 1.5) -> tuple[Floats, Ints]:
    """Return the height field z = top(x, y) as a mesh."""
    x, y = np.meshgrid(np.arange(-half[0], half[0] + 0.1, pitch), np.arange(-half[1], half[1] + 0.1, pitch))
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return np.column_stack([x.ravel(), y.ravel(), top(x, y).ravel()]), faces.astype(np.int32)


def _scan_of(vertices: Floats, faces: Ints) -> Scan:
    return Scan(vertices, faces, Path("sheet.ply"), "0" * 64, "mm", 1.0, 1.5, 0.03)


@pytest.mark.parametrize("name", PRISMATIC)
def test_draw_direction_mouth_and_depth_of_a_noisy_scan_in_any_pose(name: str) -> None:
    known = known_recess(name, triangles=TRIANGLES)
    assert known.draw_error_deg < 1.0
    assert known.recess.depth == pytest.approx(known.shape.depth, abs=0.3)
    # the rim lies where the rounded brow has sunk by half a millimetre or a little more: just inside or outside the sharp mouth
    sharp = known.shape.mouth @ known.truth_to_part[:2, :2].T
    assert np.ptp(known.recess.rim[:, :2], axis=0) == pytest.approx(np.ptp(sharp, axis=0), abs=2.5)
    assert known.recess.open_side_deg is None


@pytest.mark.parametrize(
    ("name", "size", "depth"),
    [
        ("frustum", FRUSTUM_MOUTH, FRUSTUM_DEPTH),
        ("cylinder", (2.0 * CYLINDER_RADIUS, 2.0 * CYLINDER_RADIUS), CYLINDER_DEPTH),
    ],
)
def test_a_clean_scan_of_a_closed_form(name: str, size: tuple[float, float], depth: float) -> None:
    known = known_recess(name, clean=True, triangles=TRIANGLES)
    recess = known.recess
    assert known.draw_error_deg < 0.2
    assert recess.depth == pytest.approx(depth, abs=0.1)
    # half a spacing: the mesh has no vertices on the sharp brow
    assert np.ptp(recess.rim[:, :2], axis=0) == pytest.approx(size, abs=0.7)
    assert recess.lid == pytest.approx(np.zeros(6), abs=0.02)
    assert recess.rim[:, 2] == pytest.approx(0.0, abs=0.05)
    assert np.abs(recess.rim[:, :2].mean(axis=0)).max() < 0.3


def test_a_recess_sunk_askew_is_drawn_along_its_own_walls() -> None:
    """The rim's normal is 8 degrees off here: only the greatest free volume tells."""
    known = known_recess("tilted_box", clean=True, triangles=TRIANGLES)
    assert known.draw_error_deg < 1.0
    assert np.ptp(known.recess.rim[:, 1]) == pytest.approx(BOX_SIZE[1], abs=0.7)
    assert np.ptp(known.recess.rim[:, 0]) == pytest.approx(BOX_SIZE[0], abs=1.0)
    assert any(re.search(r"turned [78]\.\d degrees from the rim normal", note) for note in known.recess.notes)


def test_the_frame_is_right_handed_rigid_and_looks_into_the_recess() -> None:
    recess = known_recess("l_pocket", triangles=TRIANGLES).recess
    turn = recess.part_to_scan[:3, :3]
    assert turn.T @ turn == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    assert recess.part_to_scan[3].tolist() == [0.0, 0.0, 0.0, 1.0]
    assert signed_area(recess.rim[:, :2]) > 0.0
    assert (vector_area(recess.vertices, recess.faces)[2]) > 0.0
    assert float(np.percentile(recess.vertices[:, 2], 1)) < -40.0
    # its longer axis lies across
    spread = np.linalg.eigh(np.cov(recess.rim[:, :2].T))[1][:, 1]
    assert abs(spread[0]) > 0.98


@pytest.mark.parametrize("up", [3.0, 6.0, 9.0])
def test_up_turns_the_frame_by_its_clock_position(up: float) -> None:
    """What was at 12 o'clock of the picture is, seen with `up` at the top, as far round the other way."""
    scan = _scan("l_pocket")
    twelve = find_datum(scan, mouth=make_mouth(up=12.0))
    turned = find_datum(scan, mouth=make_mouth(up=up))
    move = np.linalg.inv(twelve.part_to_scan) @ turned.part_to_scan
    clock = radians(30.0 * up)
    assert move[:3, 1] == pytest.approx([sin(clock), cos(clock), 0.0], abs=2e-3)  # its +y, in the picture with 12 at the top
    assert move[:3, 2] == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert np.abs(move[:3, 3]).max() < 0.05


@pytest.mark.parametrize("recline", [0.0, 30.0, 90.0])
def test_recline_is_measured_from_the_mouth_plane(recline: float) -> None:
    known = known_recess("round_well", mouth=make_mouth(recline=recline), triangles=TRIANGLES)
    up, normal = known.recess.up, known.truth_to_part[:3, 2]  # the well's mouth lies square to its truth frame's z
    assert np.linalg.norm(up) == pytest.approx(1.0)
    assert up[0] == 0.0
    assert np.degrees(np.arcsin(up @ normal)) == pytest.approx(recline, abs=0.5)
    assert up[1] >= -0.01


def test_moving_the_scan_rigidly_changes_nothing_in_the_part_frame() -> None:
    scan = _scan("dash_cubby")
    moved = replace(scan, vertices=scan.vertices @ TURN.T + np.array([400.0, -250.0, 90.0]))
    here, there = (find_datum(s, mouth=Mouth()) for s in (scan, moved))
    assert np.linalg.norm(here.vertices - there.vertices, axis=1).max() < 0.02
    assert there.depth == pytest.approx(here.depth, abs=0.01)
    assert len(here.rim) == len(there.rim)
    away = np.linalg.norm(here.rim[:, None] - there.rim[None], axis=2).min(axis=1)
    assert away.max() < 0.5  # the rim's points start anywhere, half a millimetre apart
    assert signed_area(there.rim[:, :2]) == pytest.approx(signed_area(here.rim[:, :2]), rel=1e-4)


def test_a_draw_direction_given_by_hand_is_taken_as_it_is() -> None:
    made = scan_specimen("l_pocket", triangles=TRIANGLES)
    lean = np.array([sin(radians(3.0)), 0.0, cos(radians(3.0))])
    wanted = made.truth_to_scan[:3, :3] @ lean
    recess = find_datum(mend_scan(made), mouth=make_mouth(draw=(5.0 * wanted).tolist()))
    assert recess.part_to_scan[:3, 2] == pytest.approx(wanted, abs=1e-9)
    assert recess.notes == ()


def test_a_plane_given_by_hand_is_the_lid() -> None:
    made = scan_specimen("l_pocket", triangles=TRIANGLES)
    pose = made.truth_to_scan
    point = pose[:3, :3] @ np.array([0.0, 0.0, -6.0]) + pose[:3, 3]
    mouth = make_mouth(plane={"point": point.tolist(), "normal": pose[:3, 2].tolist()})
    recess = find_datum(mend_scan(made), mouth=mouth)
    inside = np.linalg.inv(recess.part_to_scan) @ np.append(point, 1.0)
    assert float(lid_height(recess.lid, inside[0], inside[1])) == pytest.approx(inside[2], abs=1e-6)
    assert recess.lid[1:] == pytest.approx(np.zeros(5))
    assert recess.depth == pytest.approx(specimen("l_pocket").depth - 6.0, abs=0.5)


def test_a_rim_given_by_hand_is_the_mouth() -> None:
    made = scan_specimen("dished_tray", triangles=TRIANGLES)
    angle = np.arange(24) * pi / 12.0
    ring = np.column_stack([40.0 * np.cos(angle), 30.0 * np.sin(angle), np.zeros(24)])  # smaller than the tray's own mouth
    pose = made.truth_to_scan
    recess = find_datum(mend_scan(made), mouth=make_mouth(rim=as_points(ring @ pose[:3, :3].T + pose[:3, 3])))
    assert signed_area(recess.rim[:, :2]) == pytest.approx(24 * 0.5 * 40.0 * 30.0 * sin(pi / 12.0), rel=0.02)
    assert np.ptp(recess.rim[:, 0]) == pytest.approx(80.0, abs=1.0)


def test_a_scan_in_inches_gives_the_same_recess() -> None:
    made = scan_specimen("l_pocket", triangles=TRIANGLES)
    inches = SimulatedScan(made.vertices / 25.4, made.faces, made.truth_to_scan, 25.4)
    here, there = find_datum(mend_scan(made), mouth=Mouth()), find_datum(mend_scan(inches, unit="inch"), mouth=Mouth())
    assert there.depth == pytest.approx(here.depth, abs=0.02)
    assert np.ptp(there.rim, axis=0) == pytest.approx(np.ptp(here.rim, axis=0), abs=0.05)


def _nook(x: Floats, y: Floats) -> Floats:
    """A shelf-like recess in a panel that ends at y = -40: back and two sides, no front edge."""
    inside = np.minimum.reduce([45.0 - np.abs(x), 25.0 - y, np.full_like(x, 60.0)])
    return np.clip(-4.0 * inside, -30.0, 0.0)


def test_a_nook_without_a_front_edge_is_closed_and_this_is_said() -> None:
    recess = find_datum(_scan_of(*_sheet(_nook, half=(75.0, 55.0))), mouth=make_mouth(draw=(0.0, 0.0, 1.0)))
    assert recess.open_side_deg is not None
    start, end = recess.open_side_deg
    middle = (start + 0.5 * ((end - start) % 360.0)) % 360.0
    # the open side looks along -y of the scan
    side = recess.part_to_scan[:3, :3] @ np.array([sin(radians(middle)), cos(radians(middle)), 0.0])
    assert side @ [0.0, -1.0, 0.0] > 0.97
    assert any("the rim is open from" in note and "o'clock" in note for note in recess.notes)
    assert recess.depth == pytest.approx(30.0, abs=0.5)


def test_a_nook_is_as_deep_as_its_floor_not_as_what_falls_away_in_front_of_it() -> None:
    """A nook over an edge of 70 degrees: the front face of the panel, scanned with it, goes on 80 mm below its floor."""

    def over_the_edge(x: Floats, y: Floats) -> Floats:
        return np.minimum(_nook(x, y), 2.75 * (y + 26.0))

    recess = find_datum(_scan_of(*_sheet(over_the_edge, half=(75.0, 55.0))), mouth=make_mouth(draw=(0.0, 0.0, 1.0)))
    assert recess.open_side_deg is not None
    assert recess.depth == pytest.approx(30.0, abs=0.5)


def test_a_shallow_recess_in_the_wrong_unit_is_no_plate_before_the_unit_is_named() -> None:
    """A tray 15 mm deep in centimetres, read as millimetres: 1.5 mm deep."""
    vertices, faces = _sheet(lambda x, y: np.clip(-2.0 * _inside(x, y), -15.0, 0.0))
    scan = replace(_scan_of(vertices / 10.0, faces), spacing=0.15, noise=0.003)
    with pytest.raises(DatumError) as caught:
        find_datum(scan, mouth=Mouth())
    assert "no recess" in caught.value.what
    assert "the scan is 15 mm across as it was read, but it looks like centimetres or inches" in caught.value.remedy
    assert 'set scan.unit = "cm" or scan.unit = "inch"' in caught.value.remedy


def test_an_opening_without_a_floor_is_drawn_along_its_rims_normal() -> None:
    """A cut-out for a switch, 70 mm long; room that nobody saw is no room, so that a wall in view would count for more."""
    vertices, faces = _sheet(lambda x, y: np.clip(-20.0 * _inside(x, y), -70.0, 0.0), pitch=1.0)
    scan = _scan_of(vertices @ TURN.T, faces[~(vertices[faces][:, :, 2] <= -70.0).all(axis=1)])
    recess = find_datum(scan, mouth=Mouth())
    assert recess.part_to_scan[:3, 2] @ TURN[:, 2] > cos(radians(0.5))
    assert any("no floor" in note for note in recess.notes)
    assert np.sort(np.ptp(recess.rim[:, :2], axis=0)) == pytest.approx([40.0, 80.0], abs=1.5)


def test_an_opening_without_a_floor_whose_walls_do_not_lean_is_told_as_such() -> None:
    """A round one in a flat panel, 60 mm wide, its upright walls 12 mm deep; and a drilled hole, which is none."""
    with pytest.raises(DatumError, match="an opening of 60 x 60 mm through the panel") as caught:
        find_datum(_scan_of(*turn([(60.0, 0.0), (30.0, 0.0), (30.0, -12.0)], step=1.5)), mouth=Mouth())
    assert "hold a board there" in caught.value.remedy
    with pytest.raises(DatumError, match="a plate with no recess"):
        find_datum(_scan_of(*turn([(60.0, 0.0), (3.0, 0.0)], step=1.5)), mouth=Mouth())


def _inside(x: Floats, y: Floats) -> Floats:
    """Return how far a point lies within a mouth of 80 x 40 mm, mm."""
    return np.minimum(40.0 - np.abs(x), 20.0 - np.abs(y)).clip(min=0.0)


def test_of_two_hollow_sides_without_ends_the_one_that_the_file_names_counts() -> None:
    """The border of a channel that runs out of the scan may name the wrong side; from there what lies beside it looks hollow."""
    vertices, faces = _sheet(
        lambda x, y: np.maximum(np.minimum(4.0 * (np.abs(y) - 22.0), -4.0 * (np.abs(y) - 58.0)).clip(max=0.0), -30.0),
        half=(100.0, 72.0), pitch=2.0,
    )  # fmt: skip
    turned = Mend("inverted normals", len(faces), "the whole scan turned over")
    scan = replace(_scan_of(vertices @ TURN.T, faces[:, ::-1]), mended=(turned,))
    recess = find_datum(scan, mouth=Mouth())
    assert recess.part_to_scan[:3, 2] @ TURN[:, 2] > cos(radians(1.0))
    assert any("turned back" in note for note in recess.notes)
    behind = find_datum(replace(scan, mended=()), mouth=Mouth())
    assert behind.part_to_scan[:3, 2] @ TURN[:, 2] < -cos(radians(1.0))


def test_a_plate_is_no_recess() -> None:
    rng = np.random.default_rng(2)
    vertices, faces = _sheet(lambda x, y: x * x / 900.0 + rng.normal(0.0, 0.03, x.shape))
    with pytest.raises(DatumError, match="a plate with no recess") as caught:
        find_datum(_scan_of(vertices, faces), mouth=Mouth())
    assert "20 mm of the panel" in caught.value.remedy


def test_a_dent_too_shallow_to_hold_a_part_is_no_recess() -> None:
    vertices, faces = _sheet(lambda x, y: -1.4 * (np.hypot(x, y) < 25.0))
    with pytest.raises(DatumError) as caught:
        find_datum(_scan_of(vertices, faces), mouth=Mouth())
    number = re.search(r"nothing lies more than (\d\.\d) mm below", caught.value.what)
    assert number is not None
    assert float(number[1]) == pytest.approx(1.4, abs=0.11)


def test_an_object_seen_from_outside_is_no_recess() -> None:
    vertices, faces = _sheet(lambda x, y: np.clip(4.0 * (25.0 - np.hypot(x, y)), 0.0, 18.0))
    with pytest.raises(DatumError, match=r"the middle stands 1[78]\.\d mm proud") as caught:
        find_datum(_scan_of(vertices, faces), mouth=Mouth())
    assert "from its mouth" in caught.value.remedy


def _box(x: Floats, y: Floats, *, centre: tuple[float, float] = (0.0, 0.0), deep: float = 30.0, radius: float = 8.0) -> Floats:
    """A rounded box of 80 x 50 mm whose walls lean 11 degrees: how far the panel sinks there."""
    away = np.abs(x - centre[0]) - 40.0 + radius, np.abs(y - centre[1]) - 25.0 + radius
    inside = radius - np.hypot(*(np.maximum(a, 0.0) for a in away)) - np.minimum(np.maximum(*away), 0.0)
    return -np.clip(5.0 * inside, 0.0, deep)


def _find_in(top: Any, *, half: tuple[float, float] = (70.0, 55.0), pitch: float = 1.0) -> Any:
    vertices, faces = _sheet(top, half=half, pitch=pitch)
    return find_datum(_scan_of(vertices @ TURN.T, faces), mouth=Mouth())


PANELS = {
    # what the box is sunk in, its half size, the box's centre
    "bowed_by_25_mm": (lambda x, y: -(x * x + y * y) / 160.0, (65.0, 50.0), (0.0, 0.0)),
    "a_cylinder": (lambda x, y: -x * x / 180.0, (70.0, 55.0), (0.0, 0.0)),
    "a_saddle": (lambda x, y: (y * y - x * x) / 180.0, (70.0, 55.0), (0.0, 0.0)),
    "hollow_itself": (lambda x, y: (x * x + y * y) / 300.0, (70.0, 55.0), (0.0, 0.0)),
    "large_and_waved": (lambda x, y: 20.0 * np.sin(x / 100.0) + 5.0 * np.sin(y / 50.0), (230.0, 130.0), (90.0, 20.0)),
    "beside_a_step_down": (lambda x, y: -np.clip(4.0 * (-x - 60.0), 0.0, 25.0), (160.0, 90.0), (20.0, 0.0)),
    "beside_a_step_up": (lambda x, y: np.clip(4.0 * (-x - 60.0), 0.0, 25.0), (160.0, 90.0), (20.0, 0.0)),
    "above_a_brow": (lambda x, y: -np.clip(1.7 * (-y - 20.0), 0.0, 150.0), (130.0, 110.0), (0.0, 30.0)),
    "in_a_bezel": (lambda x, y: 4.0 * ((np.abs(x) < 55.0) & (np.abs(y) < 40.0)), (95.0, 80.0), (0.0, 0.0)),
}


@pytest.mark.parametrize("name", PANELS)
def test_the_mouth_is_found_in_panels_of_any_form(name: str) -> None:
    panel, half, centre = PANELS[name]
    recess = _find_in(lambda x, y: panel(x, y) + _box(x, y, centre=centre), half=half, pitch=1.25 if half[0] > 100.0 else 1.0)
    assert recess.depth == pytest.approx(30.0, abs=0.6)  # the draw direction may lean a little in a bent panel
    assert np.sort(np.ptp(recess.rim[:, :2], axis=0)) == pytest.approx([50.0, 80.0], abs=2.0)
    assert recess.open_side_deg is None
    # the rim lies on the panel: seen from there the panel goes on as the lid does
    middle = recess.part_to_scan[:3, 3] @ TURN  # back in the sheet's own axes
    assert middle[:2] == pytest.approx(centre, abs=2.0)


def test_a_shallow_recess_in_a_bowed_panel_keeps_its_depth() -> None:
    """The lid must not take the recess's own floor for the panel."""
    recess = _find_in(lambda x, y: -(x * x + y * y) / 400.0 + _box(x, y, deep=5.0))
    assert recess.depth == pytest.approx(5.0, abs=0.15)


def test_the_draw_direction_of_a_recess_beside_the_middle_of_a_bowed_panel_is_the_rim_normal() -> None:
    """No wall there is undercut, so turning gains no room; the lid over each line is where that line leaves."""
    centre = (60.0, 20.0)
    recess = _find_in(lambda x, y: -x * x / 1200.0 - y * y / 900.0 + _box(x, y, centre=centre), half=(200.0, 110.0), pitch=1.25)
    normal = np.array([2.0 * centre[0] / 1200.0, 2.0 * centre[1] / 900.0, 1.0])
    found = recess.part_to_scan[:3, 2] @ TURN
    off = np.degrees(np.arccos(found @ normal / np.linalg.norm(normal)))
    assert off < np.degrees(np.arctan(np.hypot(normal[0], normal[1]))) + 0.5  # between the border's normal and the mouth's own
    assert not any("turned" in note and "rim normal" in note for note in recess.notes)


@pytest.mark.parametrize("margin", [-1.0, 0.4])
def test_a_scan_cropped_at_its_rim_is_refused(margin: float) -> None:
    with pytest.raises(DatumError, match="no panel is seen around the recess") as caught:
        _find_in(_box, half=(40.0 + margin, 25.0 + margin), pitch=0.7)
    assert "at least 20 mm of the panel" in caught.value.remedy


def test_a_bead_along_the_rim_does_not_hide_the_panel_beyond_it() -> None:
    """A trim rolled over at the opening, 8 mm wide and 6 mm high."""

    def beaded(x: Floats, y: Floats) -> Floats:
        out = np.maximum(np.abs(x) - 40.0, np.abs(y) - 25.0)
        return _box(x, y) + 6.0 * np.sqrt(np.clip(1.0 - ((out - 4.0) / 4.0) ** 2, 0.0, None))

    recess = _find_in(beaded, half=(75.0, 60.0))
    assert recess.part_to_scan[:3, 2] @ TURN[:, 2] > cos(radians(0.5))
    assert recess.depth == pytest.approx(30.0, abs=0.5)
    assert any("stands up to" in note and "mouth.plane" in note for note in recess.notes)


def test_a_scan_with_little_panel_gives_the_whole_depth() -> None:
    recess = _find_in(lambda x, y: -(x * x + y * y) / 400.0 + _box(x, y), half=(43.0, 28.0), pitch=0.7)
    assert recess.depth == pytest.approx(30.0, abs=0.3)


def test_a_block_scanned_from_all_sides_but_below_is_looked_at_from_above() -> None:
    """Its border lies below, and what is hollow as seen from there is the block; the recess is on the other side."""
    from manifold3d import Manifold

    block = Manifold.cube((130.0, 100.0, 60.0)) - Manifold.cube((80.0, 50.0, 40.0)).translate((25.0, 25.0, 30.0))
    mesh = block.refine_to_length(1.5).to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)
    faces = faces[(vertices[faces][:, :, 2] > 0.01).any(axis=1)]
    recess = find_datum(mend_scan(SimulatedScan(vertices @ TURN.T, faces, np.eye(4))), mouth=Mouth())
    assert recess.depth == pytest.approx(30.0, abs=0.1)
    assert np.sort(np.ptp(recess.rim[:, :2], axis=0)) == pytest.approx([50.0, 80.0], abs=1.0)
    assert recess.part_to_scan[:3, 2] == pytest.approx(TURN[:, 2], abs=1e-3)
    assert any("turned over" in note for note in recess.notes)


@pytest.mark.parametrize(("cut", "said"), [(0.0, "no recess"), (-30.0, "nothing lies more than"), (-45.0, "seen from behind")])
def test_a_ball_seen_from_outside_is_refused(cut: float, said: str) -> None:
    """Closed but for a cap: from its opening it would be a recess, but what surrounds that is seen from behind."""
    from manifold3d import Manifold

    mesh = Manifold.sphere(50.0, 128).to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)
    faces = faces[(vertices[faces][:, :, 2] > cut).all(axis=1)]
    with pytest.raises(DatumError, match=said) as caught:
        find_datum(mend_scan(SimulatedScan(vertices @ TURN.T, faces, np.eye(4))), mouth=Mouth())
    assert "seen from outside" in caught.value.remedy


def test_a_second_recess_is_told_of_and_can_be_taken() -> None:
    def both(x: Floats, y: Floats) -> Floats:
        return np.minimum(_box(x, y, centre=(-50.0, 0.0)), _box(x, y, centre=(55.0, 3.0), deep=20.0))

    vertices, faces = _sheet(both, half=(120.0, 55.0), pitch=1.0)
    moved = vertices @ TURN.T + np.array([10.0, -20.0, 30.0])
    inches = Scan(moved, faces, Path("sheet.ply"), "0" * 64, "inch", 25.4, 1.0, 0.03)
    taken = find_datum(inches, mouth=Mouth())
    assert taken.depth == pytest.approx(30.0, abs=0.2)
    told = [re.search(r"another recess, (\d+) x (\d+) mm, .* mouth.at = \[(.*)\]", note) for note in taken.notes]
    found = next(match for match in told if match)
    assert sorted(float(found[k]) for k in (1, 2)) == pytest.approx([50.0, 80.0], abs=2.0)
    point = [float(v) for v in found[3].split(",")]
    other = find_datum(inches, mouth=make_mouth(at=point))
    assert other.depth == pytest.approx(20.0, abs=0.2)
    assert (other.part_to_scan[:3, 3] - [10.0, -20.0, 30.0]) @ TURN == pytest.approx([55.0, 3.0, 0.0], abs=1.0)
    with pytest.raises(DatumError, match="over no recess") as caught:
        find_datum(inches, mouth=make_mouth(at=(moved[0] / 25.4).tolist()))  # the sheet's corner
    assert caught.value.where == "mouth.at"
    with pytest.raises(DatumError, match="beside the scan"):
        find_datum(inches, mouth=make_mouth(at=[90.0, 0.0, 0.0]))


def test_a_wrong_unit_is_named() -> None:
    """The pocket is 158 mm wide; its numbers read as inches make a mouth of 4 metres, measured along its own axes."""
    scan = _scan("l_pocket")
    as_inch = replace(scan, vertices=scan.vertices * 25.4, unit="inch", mm_per_unit=25.4)
    with pytest.raises(DatumError, match=r"the mouth is 4[01]\d\d mm across, read as inch") as caught:
        find_datum(as_inch, mouth=Mouth())
    assert caught.value.where == "scan.unit"
    assert 'scan.unit = "mm"' in caught.value.remedy


def test_a_draw_direction_into_the_panel_is_refused() -> None:
    made = scan_specimen("l_pocket", triangles=TRIANGLES)
    with pytest.raises(DatumError, match="points into the panel") as caught:
        find_datum(mend_scan(made), mouth=make_mouth(draw=(-made.truth_to_scan[:3, 2]).tolist()))
    assert "reverse its sign" in caught.value.remedy


def test_a_rim_beside_the_scan_is_refused() -> None:
    ring = [[1000.0, 0.0, 0.0], [1050.0, 0.0, 3.0], [1050.0, 50.0, 7.0], [1000.0, 50.0, 2.0]]
    with pytest.raises(DatumError, match="beside the scan") as caught:
        find_datum(_scan("round_well"), mouth=make_mouth(rim=ring))
    assert caught.value.where == "mouth.rim"


def test_a_rim_picked_out_of_order_is_refused() -> None:
    made = scan_specimen("dished_tray", triangles=TRIANGLES)
    cross = np.array([[-40.0, -30.0, 0.0], [40.0, 30.0, 0.0], [40.0, -30.0, 0.0], [-40.0, 30.0, 0.0]])
    pose = made.truth_to_scan
    with pytest.raises(DatumError, match="the 4 rim points enclose no usable area") as caught:
        find_datum(mend_scan(made), mouth=make_mouth(rim=as_points(cross @ pose[:3, :3].T + pose[:3, 3])))
    assert "in order around the rim" in caught.value.remedy


def test_the_vector_area_of_a_sheet_is_that_of_its_border() -> None:
    flat = _sheet(lambda x, y: np.zeros_like(x))
    deep = _sheet(lambda x, y: -20.0 * (np.hypot(x, y) < 30.0))
    assert vector_area(*deep) == pytest.approx(vector_area(*flat), abs=1e-6)
    assert vector_area(*flat) == pytest.approx([0.0, 0.0, 120.0 * 90.0])


def _oval(x: Floats, y: Floats, *, wide: float, high: float, belly: float = 0.0) -> Floats:
    """Return a pocket 20 mm deep whose mouth is an ellipse; its lower half is `belly` times as high as the upper one."""
    lower = np.where(y < 0.0, 1.0 + belly, 1.0)
    away = np.hypot(x / (0.5 * wide), y / (0.5 * high * lower))
    depth: Floats = -20.0 * np.clip((1.0 - away) * 8.0, 0.0, 1.0)
    return depth


@pytest.mark.parametrize(
    ("wide", "high", "belly", "told"),
    [(90.0, 60.0, 0.0, "at this one's 6 o'clock"), (70.0, 70.0, 0.0, "anywhere"), (90.0, 60.0, 0.25, "")],
)
def test_a_mouth_whose_12_o_clock_is_chance_is_told_of(wide: float, high: float, belly: float, told: str) -> None:
    recess = _find_in(lambda x, y: _oval(x, y, wide=wide, high=high, belly=belly))
    notes = [note for note in recess.notes if "another scan of this recess may have its 12 o'clock" in note]
    assert bool(notes) == bool(told)
    assert all(told in note and "mouth.up" in note for note in notes)


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_a_mouth_that_is_the_same_to_the_left_and_right_keeps_its_12_o_clock_from_scan_to_scan(seed: int) -> None:
    """Its lower half is fuller. Noise alone would decide by the third moment along the long axis, which is nought."""
    noise = np.random.default_rng(seed)

    def dent(x: Floats, y: Floats) -> Floats:
        return _oval(x, y, wide=90.0, high=60.0, belly=0.25) + 0.1 * noise.standard_normal(x.shape)

    ways = [_find_in(top).part_to_scan[:3, 1] for top in (dent, lambda x, y: _oval(x, y, wide=90.0, high=60.0, belly=0.25))]
    assert float(ways[0] @ ways[1]) > 0.99


def test_a_sparse_scan_is_called_so_and_not_one_in_another_unit() -> None:
    vertices, faces = _sheet(lambda x, y: 0.0 * x, half=(70.0, 55.0), pitch=14.0)
    sparse = replace(_scan_of(vertices, faces), spacing=14.0)
    with pytest.raises(DatumError, match="too sparse a scan for a mouth to be found: its points lie 14 mm apart") as caught:
        find_datum(sparse, mouth=Mouth())
    assert "1 mm apart or less" in caught.value.remedy
    assert "unit" not in caught.value.remedy


@pytest.mark.parametrize("turned", [False, True])
def test_a_part_scanned_on_a_table_is_not_taken_for_its_own_mould(turned: bool) -> None:
    """Its surface lies above the table as a whole, so that mending turns it: below the part there is a hollow of its outline."""

    def part(x: Floats, y: Floats) -> Floats:
        pocket = np.clip(4.0 * np.minimum(40.0 - np.abs(x), 22.0 - np.abs(y)), 0.0, 30.0)
        return np.asarray(np.clip(6.0 * np.minimum(66.0 - np.abs(x), 48.0 - np.abs(y)), 0.0, 45.0) - pocket)

    vertices, faces = _sheet(part, half=(160.0, 150.0), pitch=2.0)
    scan = _scan_of(vertices @ TURN.T, faces)
    if turned:
        scan = replace(scan, faces=faces[:, ::-1], mended=(Mend("inverted normals", len(faces), "the whole scan turned over"),))
    recess = find_datum(scan, mouth=Mouth())
    assert recess.part_to_scan[:3, 2] @ TURN[:, 2] > cos(radians(1.0))
    assert recess.depth == pytest.approx(30.0, abs=0.5)
    assert any("turned back" in note for note in recess.notes) == turned


def test_a_mouth_that_lies_far_askew_to_its_recess_is_left_along_the_walls() -> None:
    """26 degrees: at the edge of the cone that is searched first the box would lose a fifth of its room."""
    from manifold3d import Manifold

    block = Manifold.cube((220.0, 160.0, 120.0)).translate((-110.0, -80.0, -120.0))
    box = Manifold.cube((70.0, 50.0, 150.0)).translate((-35.0, -25.0, -50.0)).rotate((0.0, 26.0, 0.0))
    mesh = (block - box).refine_to_length(2.5).to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)
    inner = (np.abs(vertices) < [105.0, 75.0, 100.0]).all(axis=1)
    recess = find_datum(_scan_of(vertices @ TURN.T, faces[inner[faces].all(axis=1)]), mouth=Mouth())
    axis = TURN @ [sin(radians(26.0)), 0.0, cos(radians(26.0))]
    assert recess.part_to_scan[:3, 2] @ axis > cos(radians(1.0))
