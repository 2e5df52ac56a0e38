"""Parts in pieces: volumes against closed forms on a box, pieces that fit, joints that go together and hold."""

from __future__ import annotations

from math import cos, pi, radians, sin, tan
from typing import Any

import manifold3d
import numpy as np
import pytest

from mountgen.features.part import SoftZone
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_volume
from mountgen.service.bed_split import Split, fits_bed, split_part
from mountgen.service.joint import Joint, make_pin
from tests.checks import assert_printable
from tests.solids import box_mesh
from tests.test_print_orientation import as_mesh, block

GAP, WALL = 0.15, 1.35
BED = (120.0, 120.0, 120.0)
BOX = box_mesh((200.0, 60.0, 30.0), (-100.0, -30.0, -15.0))


def split(mesh: Mesh, kind: str = "dowels", **given: Any) -> Split:
    usual: dict[str, Any] = {"bed": BED, "kind": kind, "gap": GAP, "wall": WALL}
    found = split_part(mesh, **(usual | given))
    assert found is not None
    return found


def as_solid(mesh: Mesh) -> manifold3d.Manifold:
    return manifold3d.Manifold(manifold3d.Mesh64(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.uint64)))


def missing(mesh: Mesh, found: Split) -> float:
    return measure_volume(mesh) - sum(measure_volume(piece.mesh) for piece in found.pieces)


def tail_gap(joint: Joint, thickness: float) -> float:
    """Volume between a tail and its socket: their outlines integrated along the tail, times the thickness of the part.

    A flank leans out by 15 degrees, so a gap g square to it is g / cos 15° wide; the socket is longer than the tail by g.
    """
    length, g, lean = joint.size, joint.gap, radians(15.0)
    neck = 0.8 * length
    tail = neck * length + tan(lean) * length**2
    socket = (neck + 2.0 * g / cos(lean)) * (length + g) + tan(lean) * (length + g) ** 2
    return (socket - tail) * thickness


def test_two_pinned_pieces_of_a_box_lack_their_holes() -> None:
    found = split(BOX)
    assert len(found.pieces) == 2
    (joint,) = found.joints
    assert (joint.kind, joint.axis, joint.size, joint.pin, len(joint.places)) == ("dowels", 0, 8.0, 24.0, 2)
    assert joint.at == pytest.approx(0.0, abs=1e-9)
    radius, depth = 4.0 + GAP, 12.0 + 0.5
    hole = 0.5 * 48 * radius**2 * sin(2.0 * pi / 48) * depth  # a prism on a polygon of 48 corners on the circle
    assert missing(BOX, found) == pytest.approx(4.0 * hole, rel=1e-9)
    assert joint.lost == pytest.approx(4.0 * hole, rel=1e-9)
    for piece in found.pieces:
        assert measure_volume(piece.mesh) == pytest.approx(100.0 * 60.0 * 30.0 - 2.0 * hole, rel=1e-9)


def test_two_dovetailed_pieces_of_a_box_lack_the_gap_around_the_tail() -> None:
    found = split(BOX, "dovetail")
    (joint,) = found.joints
    assert (joint.kind, joint.axis, joint.size, joint.pin) == ("dovetail", 0, 16.0, 0.0)
    assert joint.slide == 2
    assert missing(BOX, found) == pytest.approx(tail_gap(joint, 30.0), rel=1e-6)
    assert joint.lost == pytest.approx(missing(BOX, found), rel=1e-6)
    wide = split(BOX, "dovetail", gap=0.4)
    assert missing(BOX, wide) == pytest.approx(tail_gap(wide.joints[0], 30.0), rel=1e-6)


@pytest.mark.parametrize("kind", ["dowels", "dovetail"])
@pytest.mark.parametrize("size", [(200.0, 60.0, 30.0), (300.0, 60.0, 30.0), (200.0, 200.0, 30.0), (60.0, 40.0, 200.0)])
def test_every_piece_fits_and_is_sound(kind: str, size: tuple[float, float, float]) -> None:
    found = split(box_mesh(size), kind)
    assert len(found.joints) == len(found.pieces) - 1
    for piece in found.pieces:
        assert_printable(piece.mesh)
        assert fits_bed(piece.mesh.vertices, BED)
    assert missing(box_mesh(size), found) == pytest.approx(sum(joint.lost for joint in found.joints), rel=1e-6)


def test_what_fits_is_left_whole() -> None:
    found = split(box_mesh((100.0, 60.0, 30.0)))
    assert (len(found.pieces), found.joints) == (1, ())
    np.testing.assert_array_equal(np.sort(found.pieces[0].origin), np.arange(12))


def test_pins_go_in_with_their_gap_and_no_more() -> None:
    found = split(BOX)
    (joint,) = found.joints
    pin = make_pin(joint)
    assert pin.volume() == pytest.approx(0.5 * 48 * 4.0**2 * sin(2.0 * pi / 48) * 24.0)
    for place in joint.places:
        seated = pin.translate((place[0] - 12.0, place[1], place[2]))
        for piece in found.pieces:
            solid = as_solid(piece.mesh)
            assert (solid ^ seated).is_empty()
            assert solid.min_gap(seated, 1.0) == pytest.approx(GAP, abs=0.012)  # less at the flats: 4.15 (1 - cos 3.75°)


@pytest.mark.parametrize("kind", ["dowels", "dovetail"])
def test_pieces_meet_at_the_cut_and_do_not_overlap(kind: str) -> None:
    low, high = (as_solid(piece.mesh) for piece in split(BOX, kind).pieces)
    assert (low ^ high).volume() == pytest.approx(0.0, abs=1e-6)
    assert low.min_gap(high, 1.0) == pytest.approx(0.0, abs=1e-6)


def test_a_dovetail_slides_on_and_does_not_pull_off() -> None:
    found = split(BOX, "dovetail")
    low, high = (as_solid(piece.mesh) for piece in found.pieces)
    for way in (5.0, 20.0, -25.0):  # along its slide
        assert (low.translate((0.0, 0.0, way)) ^ high).volume() == pytest.approx(0.0, abs=1e-6)
    assert (low.translate((-2.0, 0.0, 0.0)) ^ high).volume() > 10.0


def test_cuts_and_joints_keep_away_from_tabs_and_pads() -> None:
    zone = SoftZone("tape pad 1", (-20.0, -31.0, -16.0), (35.0, 5.0, 16.0))
    for kind in ("dowels", "dovetail"):
        found = split(BOX, kind, zones=[zone])
        for joint in found.joints:
            assert not zone.low[0] - 3.0 < joint.at < zone.high[0] + 3.0
        whole = as_solid(as_mesh(manifold3d.Manifold.cube((55.0, 36.0, 32.0)).translate(zone.low)))
        inside = [(as_solid(piece.mesh) ^ whole).volume() for piece in found.pieces]
        assert max(inside) == pytest.approx(55.0 * 35.0 * 30.0)  # all of it is in one piece, and untouched


def test_a_thin_shell_has_no_room_for_pins_but_takes_a_dovetail() -> None:
    shell = as_mesh(block(200, 60, 30) - block(196, 56, 40, (0, 0, 2)))
    assert split_part(shell, bed=BED, kind="dowels", gap=GAP, wall=WALL) is None
    found = split(shell, "dovetail")
    assert [piece for piece in found.pieces if not fits_bed(piece.mesh.vertices, BED)] == []
    assert missing(shell, found) == pytest.approx(sum(joint.lost for joint in found.joints), rel=1e-6)


def test_faces_of_pieces_know_where_they_came_from() -> None:
    """A face of a piece lies in the plane of the whole part's face it names; those of the cut name none."""
    found = split(BOX)
    for piece in found.pieces:
        named = piece.origin >= 0
        corners, whole = piece.mesh.vertices[piece.mesh.faces[named]], BOX.vertices[BOX.faces[piece.origin[named]]]
        normal = np.cross(whole[:, 1] - whole[:, 0], whole[:, 2] - whole[:, 0])
        off = np.einsum("fki,fi->fk", corners - whole[:, :1], normal / np.linalg.norm(normal, axis=1)[:, None])
        np.testing.assert_allclose(off, 0.0, atol=1e-9)
        cut = piece.mesh.vertices[piece.mesh.faces[~named]]
        assert len(cut) > 0
        assert (np.abs(cut[:, :, 0]) <= 12.5 + 1e-9).all()  # the plane and the holes


def test_what_needs_more_than_eight_pieces_is_not_parted() -> None:
    assert split_part(box_mesh((1500.0, 60.0, 30.0)), bed=BED, kind="dowels", gap=GAP, wall=WALL) is None
