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
from mountgen.datum import find_datum, lid_height, resample_loop, signed_area, vector_area
from mountgen.errors import DatumError
from mountgen.recipe import Mouth
from mountgen.scan import Scan
from tests.known import as_points, known_recess, make_mouth, mend_scan
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


def test_loops_are_measured_and_resampled() -> None:
    square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    assert signed_area(square) == pytest.approx(16.0)
    assert signed_area(square[::-1]) == pytest.approx(-16.0)
    even = resample_loop(square, step=0.5)
    assert len(even) == 32
    assert np.linalg.norm(np.roll(even, -1, axis=0) - even, axis=1) == pytest.approx(0.5)
    assert signed_area(even) == pytest.approx(16.0)
