"""Support, bridges and gaps of simple solids against what they are made to be."""

from __future__ import annotations

from math import isinf, pi, radians, sqrt, tan

import manifold3d
import numpy as np
import pytest

from mountgen.kernel import Mesh
from mountgen.service.print_shape import find_narrowest, measure_undersides
from tests.test_print_orientation import as_mesh, block


def look(solid: manifold3d.Manifold) -> tuple[float, float, tuple[float, float, float]]:
    found = measure_undersides(as_mesh(solid), layer=0.2, overhang_deg=45.0)
    return found.support, found.bridge, found.middle


def test_a_box_on_the_plate_needs_nothing() -> None:
    assert look(block(40, 30, 20)) == (0.0, 0.0, (0.0, 0.0, 0.0))


@pytest.mark.parametrize(("span", "turn"), [(12.0, 0.0), (25.0, 0.0), (25.0, 90.0), (40.0, 0.0)])
def test_a_portal_is_a_bridge_and_its_opening_is_filled_with_support(span: float, turn: float) -> None:
    portal = block(span + 20, 30, 25) - block(span, 50, 15, (0, 0, -0.001))
    support, bridge, middle = look(portal.rotate((0.0, 0.0, turn)))
    assert bridge == pytest.approx(span, abs=0.9)  # two steps of the grid
    assert support == pytest.approx(span * 30 * 15, rel=0.05)
    assert middle[2] == pytest.approx(15.0, abs=0.01)
    assert max(abs(middle[0]), abs(middle[1])) < 0.5 * max(span, 30.0)


def test_the_bridge_of_a_shut_room_runs_along_its_shorter_side() -> None:
    _, bridge, _ = look(block(70, 50, 25) - block(50, 14, 15, (0, 0, -0.001)))
    assert bridge == pytest.approx(14.0, abs=0.9)


def test_what_ends_in_the_air_is_no_bridge_but_needs_support() -> None:
    mushroom = block(60, 40, 5, (0, 0, 30)) + block(10, 10, 30.5)
    support, bridge, _ = look(mushroom)
    assert bridge == 0.0
    assert support == pytest.approx((60 * 40 - 100) * 30, rel=0.03)


def dished(depth: float) -> manifold3d.Manifold:
    """A slab whose underside is a vault over 50 of its 60 mm, so high in the middle."""
    radius = 50.0**2 / (8.0 * depth) + 0.5 * depth
    vault = manifold3d.Manifold.cylinder(80.0, radius, radius, 4000, True).rotate((90.0, 0.0, 0.0))
    return block(60, 40, 10) - vault.translate((0.0, 0.0, depth - radius))


def test_what_stands_less_than_two_layers_above_the_plate_lies_on_it() -> None:
    """A floor dished by a third of a millimetre is no bridge of 50 mm: the second layer is laid on the plate."""
    assert look(dished(0.35)) == (0.0, 0.0, (0.0, 0.0, 0.0))
    _, bridge, _ = look(dished(1.0))  # from 0.8 mm up it is closed at once, by what hangs on all that is lower than 0.6 mm
    radius = 50.0**2 / 8.0 + 0.5
    assert bridge == pytest.approx(2.0 * sqrt(2.0 * radius * 0.4), abs=0.9)


def test_a_narrow_strip_along_a_side_is_no_bridge_of_its_length() -> None:
    """A gutter 60 mm long, shut at both ends: it is a ledge 1.5 mm wide; 6 mm wide it hangs from end to end."""
    narrow, wide = (block(80, 40, 10) - block(60, 2.0 * width, 5, (0, 20, -0.001)) for width in (1.5, 6.0))
    assert look(narrow)[1] < 4.0
    assert look(wide)[1] == pytest.approx(60.0, abs=0.9)


def test_support_stands_on_the_part_where_there_is_part_below() -> None:
    """A shelf 10 mm above a table that is 8 mm thick: the air between them, not down to the plate."""
    shelf = block(60, 40, 8) + block(5, 40, 30, (-27.5, 0, 0)) + block(60, 40, 4, (0, 0, 18))
    support, bridge, _ = look(shelf)
    assert support == pytest.approx(55 * 40 * 10, rel=0.03)
    assert bridge == 0.0


def test_a_cone_on_its_tip_is_supported_beyond_45_degrees_only() -> None:
    steep = manifold3d.Manifold.cylinder(30.0, 1.0, 1.0 + 30.0 * tan(radians(40.0)), 90)
    assert look(steep)[0] == 0.0
    r, h = 1.0, 20.0
    flat = manifold3d.Manifold.cylinder(h, r, r + h * tan(radians(50.0)), 180)
    wide = r + h * tan(radians(50.0))
    air = pi * wide**2 * h - pi * h / 3.0 * (wide**2 + wide * r + r**2)  # a cylinder less the frustum
    assert look(flat)[0] == pytest.approx(air, rel=0.04)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("width", [0.3, 0.55])
def test_a_slot_is_found_along_each_axis(axis: int, width: float) -> None:
    slotted = as_mesh(block(40, 40, 40) - block(20, 50, width, (20, 0, 25)))
    turned = Mesh(np.roll(slotted.vertices, axis + 1, axis=1), slotted.faces)  # z becomes `axis`
    found = find_narrowest(turned, below=0.9)
    assert found.gap == pytest.approx(width, abs=1e-9)
    assert found.middle[axis] == pytest.approx(25.0 + 0.5 * width)
    assert isinf(find_narrowest(turned, below=0.9 * width).gap)


def test_a_notch_and_a_solid_have_no_narrow_gap() -> None:
    """A V of 90 degrees is narrow at its root by nature; nothing fuses there that is not meant to."""
    notch = block(40, 40, 40) - manifold3d.Manifold.cube((20, 50, 20), True).rotate((0.0, 45.0, 0.0)).translate((0.0, 0.0, 40.0))
    assert isinf(find_narrowest(as_mesh(notch), below=0.9).gap)
    assert isinf(find_narrowest(as_mesh(block(40, 40, 40)), below=0.9).gap)
    hole = block(40, 40, 40) - manifold3d.Manifold.cylinder(50, 2.0, 2.0, 64)
    assert isinf(find_narrowest(as_mesh(hole), below=0.9).gap)
