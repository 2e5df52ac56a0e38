"""Where a part bears on a box recess, and what spans: areas and sides are known exactly."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from mountgen.datum import Recess
from mountgen.service.bearing import Bearing, find_spans, level_axes, map_bearing
from mountgen.surface import Surface
from tests.decks import FLOOR, UP, as_mesh, block, lying, table
from tests.recesses import box_recess

BOX = box_recess(60, 40, left=20, right=20, up=UP)


def bear(
    shelf: manifold3d.Manifold, device: manifold3d.Manifold, *, recess: Recess = BOX, distance: float = 1.0
) -> tuple[Bearing, Surface]:
    surface = Surface(np.asarray(recess.vertices), np.asarray(recess.faces))
    return map_bearing(as_mesh(shelf), as_mesh(device), surface, up=recess.up, distance=distance), surface


def test_a_solid_shelf_bears_all_over() -> None:
    shelf = block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0)
    found, surface = bear(shelf, lying(-9.5, x=(-20.0, 20.0), z=(-15.0, -5.0)))
    assert found.area(found.bears) == pytest.approx(59.0 * 19.5, rel=1e-9)
    np.testing.assert_allclose(found.gap[found.bears], 0.5)
    np.testing.assert_allclose(found.top - found.bottom, 10.0)
    assert found.area(found.rests) == pytest.approx(40.0 * 10.0, abs=2 * 50.0 * 0.5)  # cells do not end where the device does
    assert find_spans(found, surface) == ()


def test_the_area_does_not_depend_on_how_the_mouth_leans() -> None:
    """Turned with its recess and its up, a part bears as before."""
    turn = np.deg2rad(35.0)
    spin = np.array([[1, 0, 0], [0, np.cos(turn), -np.sin(turn)], [0, np.sin(turn), np.cos(turn)]])
    shelf, device = as_mesh(table(deck=3.0, legs=8.0)), as_mesh(lying(-8.5))
    scan = np.asarray(BOX.vertices)
    turned = map_bearing(
        type(shelf)(shelf.vertices @ spin.T, shelf.faces), type(device)(device.vertices @ spin.T, device.faces),
        Surface(scan @ spin.T, np.asarray(BOX.faces)), up=spin @ UP, distance=1.0,
    )  # fmt: skip
    straight, _ = bear(table(deck=3.0, legs=8.0), lying(-8.5))
    assert turned.area(turned.bears) == pytest.approx(straight.area(straight.bears), rel=1e-9)
    np.testing.assert_allclose(turned.place(turned.rests), spin @ straight.place(straight.rests), atol=1e-9)


def test_axes_are_level_and_right_handed() -> None:
    for up in (UP, np.array([0.0, 0.6, 0.8]), np.array([0.1, 0.9, -0.3]), np.array([0.0, 0.0, 1.0])):
        axes = level_axes(up)
        np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1.0)
        np.testing.assert_allclose(axes[2], up / np.linalg.norm(up))
        assert axes[1][2] <= 0.0 or up[2] == 1.0  # inwards is into the recess, where the mouth does not face the sky


def test_only_as_much_bears_as_is_near_enough() -> None:
    """A floor with a step: at x > 0 the recess is deeper, and the scan of its floor ends at z = -10 for x < 0."""
    step = box_recess(60, 40, left=10, right=20, up=np.array([0.0, 0.0, 1.0]))
    shelf = block(-25.0, -15.0, -9.5, 25.0, 15.0, 0.0)  # 0.5 above the shallow floor, 10.5 above the deep one
    device = block(-25.0, -15.0, 0.1, 25.0, 15.0, 8.0)
    near, surface = bear(shelf, device, recess=step)
    assert near.area(near.bears) == pytest.approx(25.0 * 30.0, rel=1e-9)
    (span,) = find_spans(near, surface)
    assert (span.along, span.inwards, span.thickness) == (pytest.approx(25.0), pytest.approx(30.0), pytest.approx(9.5))
    assert span.held == {"left"}  # what is over the deep half hangs from the other one
    far, _ = bear(shelf, device, recess=step, distance=10.6)
    assert far.area(far.bears) == pytest.approx(50.0 * 30.0, rel=1e-9)
    none, surface = bear(shelf, device, recess=step, distance=0.4)
    assert none.area(none.bears) == 0.0
    assert find_spans(none, surface)[0].held == frozenset()


def test_a_table_spans_between_its_legs() -> None:
    found, surface = bear(table(deck=3.0, legs=8.0), lying(-8.5))
    assert found.area(found.bears) == pytest.approx(2 * 2.0 * 19.5, rel=1e-9)
    (span,) = find_spans(found, surface)
    assert (span.along, span.inwards) == (pytest.approx(55.0), pytest.approx(19.5))
    assert span.thickness == pytest.approx(3.0)
    assert span.loaded == pytest.approx(span.area) == pytest.approx(55.0 * 19.5)
    # the back of the deck is 0.5 mm from the recess's back wall, which holds it as the legs hold its ends
    assert span.held == {"left", "right", "back"}
    np.testing.assert_allclose(span.place, (0.0, -8.5, -9.75), atol=0.6)


def test_a_back_leg_and_a_wall_hold_alike_and_open_air_does_not() -> None:
    held = find_spans(*bear(table(deck=3.0, legs=8.0, back=True), lying(-8.5)))[0].held
    assert held == {"left", "right", "back"}
    away = table(deck=3.0, legs=8.0) ^ block(-30.0, -30.0, -10.0, 30.0, 30.0, 1.0)  # its back half cut off
    assert find_spans(*bear(away, lying(-8.5, z=(-10.0, 0.0))))[0].held == {"left", "right"}


def test_a_board_without_legs_is_carried_by_the_walls() -> None:
    board = block(-29.5, 0.0, -19.5, 29.5, 3.0, 0.0)
    found, surface = bear(board, lying(3.0))
    assert not found.bears.any()
    (span,) = find_spans(found, surface)
    assert span.held == {"left", "right", "back"}
    narrow = block(-20.0, 0.0, -10.0, 20.0, 3.0, 0.0)
    assert find_spans(*bear(narrow, lying(3.0, x=(-20.0, 20.0), z=(-10.0, 0.0))))[0].held == frozenset()


@pytest.mark.parametrize(("size", "spans"), [(1, 0), (3, 1)])
def test_a_cell_or_two_where_columns_graze_a_wall_are_no_deck_of_their_own(size: int, spans: int) -> None:
    """A hole from below up to a skin of 0.014 mm, as wide as so many cells, in a shelf that bears all around it."""
    shelf = block(-30.0, FLOOR + 0.5, -20.0, 30.0, -9.5, 0.0)
    shelf -= block(0.0, FLOOR, -10.0, float(size), -9.514, -10.0 + size)
    found, surface = bear(shelf, lying(-9.5, x=(-20.0, 20.0), z=(-19.0, -1.0)))
    assert found.area(np.isfinite(found.top) & ~found.bears) == pytest.approx(size**2)
    assert len(find_spans(found, surface)) == spans


def test_a_span_that_carries_nothing_is_left_out() -> None:
    shelf = table(deck=3.0, legs=8.0, ribs=1)
    assert len(find_spans(*bear(shelf, lying(-8.5)))) == 2
    (span,) = find_spans(*bear(shelf, lying(-8.5, x=(5.0, 25.0))))
    assert span.place[0] > 0.0
    assert span.loaded < span.area


def test_what_stands_beside_the_device_is_no_deck_below_it() -> None:
    """A lip higher than the device's underside is part of its own column, not of the device's."""
    shelf = block(-29.5, FLOOR + 0.5, -19.5, 29.5, -9.5, 0.0) + block(-29.5, FLOOR + 0.5, -3.0, 29.5, -5.0, 0.0)
    found, _ = bear(shelf, lying(-9.5, x=(-20.0, 20.0), z=(-15.0, -3.0)))
    np.testing.assert_allclose(found.top[found.rests], -9.5)
    assert np.nanmax(found.top) == pytest.approx(-5.0)
