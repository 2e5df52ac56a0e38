"""The way up: terms of the cost against closed forms on simple solids, and the order in which ways up are preferred."""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt
from typing import Any

import manifold3d
import numpy as np
import pytest

from mountgen.kernel import Mesh
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, TrayRecipe
from mountgen.service.plate import lay_down, move_points
from mountgen.service.print_orientation import (
    LAYER_BIN,
    SHORTLIST,
    WEIGHTS,
    Arm,
    Orientation,
    list_arms,
    rank_orientations,
)
from tests.solids import ball_mesh, box_mesh

BED = (220.0, 220.0, 250.0)
Z = (0.0, 0.0, 1.0)


def as_mesh(solid: manifold3d.Manifold) -> Mesh:
    found = solid.to_mesh64()
    return Mesh(np.asarray(found.vert_properties)[:, :3], np.asarray(found.tri_verts).astype(np.int32))


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> manifold3d.Manifold:
    """A box about x = y = 0, standing on z = 0, moved by `at`."""
    return manifold3d.Manifold.cube((x, y, z)).translate((at[0] - 0.5 * x, at[1] - 0.5 * y, at[2]))


def price(mesh: Mesh, up: tuple[float, float, float] | None = None, **given: Any) -> tuple[Orientation, ...]:
    usual: dict[str, Any] = {"bed": BED, "layer": 0.2, "layer_rate": 0.0, "fit_share": np.zeros(len(mesh.faces))}
    return rank_orientations(mesh, wanted=up, **(usual | given))


def test_a_box_on_its_foot() -> None:
    (found,) = price(box_mesh((10.0, 20.0, 30.0)), Z)
    assert found.value("overhang") == 0.0
    assert found.value("height") == pytest.approx(30.0)
    assert found.first_layer == pytest.approx(200.0)
    assert found.value("first layer missing") == pytest.approx(0.0, abs=1e-9)
    assert found.lean == pytest.approx(15.0 / 5.0)  # half the height over half the width
    assert found.cost == pytest.approx(sum(WEIGHTS[t.name] * t.value for t in found.terms))


def test_overhang_of_a_table_is_its_underside() -> None:
    table = as_mesh(block(60, 40, 5, (0, 0, 30)) + block(10, 10, 30.5))
    (upright,), (turned,) = price(table, Z), price(table, (0.0, 0.0, -1.0))
    assert upright.value("overhang") == pytest.approx((60 * 40 - 10 * 10) / 100.0, rel=1e-6)  # cm²
    assert upright.first_layer == pytest.approx(100.0)
    assert turned.value("overhang") == 0.0
    assert turned.first_layer == pytest.approx(2400.0)


@pytest.mark.parametrize(("lean_deg", "hangs"), [(30.0, 20 * 30.0), (44.0, 20 * 30.0), (46.0, 20 * 10.0), (60.0, 20 * 10.0)])
def test_of_a_tilted_box_the_face_beyond_45_degrees_hangs(lean_deg: float, hangs: float) -> None:
    """A box of 20 x 30 x 10 tilted about x: its 20 x 30 face hangs while it leans less than 45 degrees from level."""
    up = (0.0, sin(radians(lean_deg)), cos(radians(lean_deg)))
    (found,) = price(box_mesh((20.0, 30.0, 10.0)), up)
    assert 100.0 * found.value("overhang") == pytest.approx(hangs, rel=1e-6)
    assert found.value("height") == pytest.approx(30.0 * up[1] + 10.0 * up[2])


def test_overhang_of_a_ball_is_its_cap_beyond_45_degrees() -> None:
    """A cap of half angle 45 degrees has the area 2 pi r² (1 - cos 45°); the ball touches the plate in a point."""
    r = 20.0
    (found,) = price(ball_mesh(r, rings=90), Z)
    cap = 2.0 * pi * r**2 * (1.0 - cos(radians(45.0)))
    lying = 2.0 * pi * r * 0.2  # the cap within the first layer, by Archimedes
    assert 100.0 * found.value("overhang") == pytest.approx(cap - lying, rel=0.05)
    assert found.value("first layer missing") > 0.97


def test_air_under_overhangs_reaches_down_to_the_part_or_the_plate() -> None:
    """A table's top 30 mm above the plate; a roof 10 mm above a floor, which is 8 mm thick."""
    table = as_mesh(block(60, 40, 5, (0, 0, 30)) + block(10, 10, 30.5))
    air = price(table, Z)[0].value("air under overhangs")
    assert air == pytest.approx((60 * 40 - 10 * 10) * 30 / 1000.0, rel=0.05)  # cm³
    roof = as_mesh(block(60, 40, 8) + block(5, 40, 30, (-27.5, 0, 0)) + block(60, 40, 4, (0, 0, 18)))
    assert price(roof, Z)[0].value("air under overhangs") == pytest.approx(55 * 40 * 10 / 1000.0, rel=0.1)
    assert price(box_mesh(), Z)[0].value("air under overhangs") == pytest.approx(0.0, abs=1e-9)


def test_of_two_ways_up_that_hang_alike_the_one_with_less_air_is_better() -> None:
    """A beam with a notch: near the plate one way, high above it the other."""
    tall = as_mesh(block(60, 60, 60) - block(30, 70, 4, (0, 0, -0.001)))
    low, high = price(tall, Z)[0], price(tall, (0.0, 1.0, 0.0))[0]
    assert low.value("overhang") > high.value("overhang")  # the notch upright hangs nowhere
    shelf = block(60, 60, 8) + block(10, 60, 60) + block(60, 60, 8, (0, 0, 12))
    down, up = price(as_mesh(shelf), Z)[0], price(as_mesh(shelf), (0.0, 0.0, -1.0))[0]
    assert up.value("air under overhangs") > down.value("air under overhangs")


def test_layers_that_stay_hot_are_those_of_a_small_section() -> None:
    """A cone's section is under a quarter of its foot's over the upper half of its height."""
    cone = as_mesh(manifold3d.Manifold.cylinder(60.0, 20.0, 0.0, 200))
    quarter = 0.25 * pi * 20.0**2
    (found,) = price(cone, Z, layer_rate=quarter / 10.0)
    assert found.value("layers that stay hot") == pytest.approx(30.0, abs=2.0 * LAYER_BIN)
    (cold,) = price(cone, Z, layer_rate=0.0)
    assert cold.value("layers that stay hot") == 0.0


def test_only_support_on_faces_that_bear_counts_as_such() -> None:
    dented = as_mesh(block(60, 60, 40) - block(30, 40, 10, (0, 0, -0.0)) - block(30, 40, 10, (0, 0, 30)))
    corners = dented.vertices[dented.faces]
    fit = (corners[:, :, 2].max(axis=1) < 11.0).astype(float)  # the lower dent's ceiling at z = 10 bears, and all below
    (upright,), (turned,) = price(dented, Z, fit_share=fit), price(dented, (0.0, 0.0, -1.0), fit_share=fit)
    assert [upright.value("overhang"), turned.value("overhang")] == pytest.approx([12.0, 12.0])
    assert upright.value("support on fit faces") == pytest.approx(12.0)
    assert turned.value("support on fit faces") == 0.0
    assert upright.cost - turned.cost == pytest.approx(12.0 * WEIGHTS["support on fit faces"])
    (half,) = price(dented, Z, fit_share=0.5 * fit)
    assert half.value("support on fit faces") == pytest.approx(6.0)


def test_a_loaded_arm_turns_the_layers_along_itself() -> None:
    cube = box_mesh((30.0, 30.0, 30.0))
    arm = Arm("tab", Z)
    assert price(cube, Z, arms=[arm])[0].value("layers across loaded arms") == pytest.approx(1.0)
    assert price(cube, (0.0, sqrt(0.5), sqrt(0.5)), arms=[arm])[0].value("layers across loaded arms") == pytest.approx(0.5)
    assert price(cube, arms=[arm])[0].up[2] == pytest.approx(0.0, abs=1e-9)


def test_what_is_bent_in_use_follows_the_recipe() -> None:
    up = np.array([0.0, 0.8, 0.6])
    device = {"length": 147, "width": 71, "thickness": 9, "mass": 0.2}
    shelf: dict[str, Any] = {"name": "a", "deck": {"height": 9}, "device": device}
    assert list_arms(PhoneShelfRecipe.model_validate(shelf), up) == ()
    shelf |= {"lip": {"height": 4}, "tabs": {}}
    assert list_arms(PhoneShelfRecipe.model_validate(shelf), up) == (Arm("retaining tabs", Z), Arm("lip", (0.0, 0.8, 0.6)))
    assert list_arms(PlugRecipe.model_validate({"name": "a"}), up) == ()
    tray = {"name": "a", "body": {"wall": 2}, "pull_tab": {"width": 9, "length": 9}}
    assert list_arms(TrayRecipe.model_validate(tray), up) == (Arm("pull tab", Z),)


@pytest.mark.parametrize("seed", range(4))
def test_a_bowl_stands_on_its_floor_however_it_was_turned(seed: int) -> None:
    bowl = as_mesh(block(80, 60, 30) - block(74, 54, 40, (0, 0, 3)))
    turn, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    turned = Mesh(bowl.vertices @ turn.T, bowl.faces)
    best = price(turned)[0]
    np.testing.assert_allclose(best.up, turn[:, 2], atol=1e-6)
    assert best.cost == pytest.approx(price(bowl, Z)[0].cost, rel=0.05)
    assert best.value("overhang") == pytest.approx(0.0, abs=1e-9)


def test_what_fits_comes_first_then_what_stands_then_what_costs_less() -> None:
    rod = box_mesh((8.0, 8.0, 200.0))
    found = price(rod, bed=(100.0, 100.0, 250.0))
    keys = [(each.pose.spare < 0.0, not np.isfinite(each.lean), round(each.cost, 6)) for each in found]
    assert keys[:SHORTLIST] == sorted(keys[:SHORTLIST])
    assert keys[SHORTLIST:] == sorted(keys[SHORTLIST:])
    assert found[0].pose.spare >= 0.0
    assert abs(found[0].up[2]) == pytest.approx(1.0)  # lying it does not fit
    assert price(rod)[0].up[2] == pytest.approx(0.0)  # on a larger bed it lies


def test_what_has_next_to_no_first_layer_does_not_stand() -> None:
    """A roof prism on its ridge, and on a strip cut off the ridge: 0.5 mm of 40 mm, and 4 mm of 40 mm."""

    def roof(strip: float) -> Mesh:
        flat = manifold3d.CrossSection([[(-0.5 * strip, 0.0), (0.5 * strip, 0.0), (20.0, 20.0), (-20.0, 20.0)]])
        return as_mesh(manifold3d.Manifold.extrude(flat, 60.0).rotate((90.0, 0.0, 0.0)))

    assert np.isinf(price(roof(0.5), Z)[0].lean)
    assert np.isfinite(price(roof(4.0), Z)[0].lean)
    assert price(roof(0.5))[0].up[2] == pytest.approx(-1.0)


def test_only_the_way_up_that_is_wanted_is_priced() -> None:
    found = price(box_mesh(), (0.0, 0.0, -3.0))
    assert len(found) == 1
    np.testing.assert_allclose(found[0].up, (0.0, 0.0, -1.0))


def test_one_share_a_face_is_asked_for() -> None:
    with pytest.raises(ValueError, match=r"shape \(12,\), got \(3,\)"):
        price(box_mesh(), fit_share=np.zeros(3))


@pytest.mark.parametrize("up", [(0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (0.6, 0.0, -0.8), (0.48, 0.6, 0.64)])
def test_a_pose_is_a_rigid_move_onto_the_middle_of_the_plate(up: tuple[float, float, float]) -> None:
    mesh = box_mesh((50.0, 30.0, 20.0), (100.0, -70.0, 12.0))
    pose = lay_down(mesh.vertices, np.array(up), bed=BED)
    turn = pose.part_to_plate[:3, :3]
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1.0)
    np.testing.assert_allclose(turn @ up, (0.0, 0.0, 1.0), atol=1e-12)
    moved = move_points(mesh.vertices, pose.part_to_plate)
    low, high = moved.min(axis=0), moved.max(axis=0)
    assert low[2] == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(0.5 * (low + high)[:2], (110.0, 110.0))
    np.testing.assert_allclose(high - low, pose.size)
    assert pose.spare == pytest.approx(min(np.array(BED) - pose.size))


def test_a_turned_box_lies_along_the_bed_and_its_long_side_along_the_longer_one() -> None:
    c, s = cos(radians(33.0)), sin(radians(33.0))
    points = box_mesh((50.0, 30.0, 20.0)).vertices @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
    np.testing.assert_allclose(lay_down(points, np.array(Z), bed=BED).size, (50.0, 30.0, 20.0))
    np.testing.assert_allclose(lay_down(points, np.array(Z), bed=(100.0, 200.0, 50.0)).size, (30.0, 50.0, 20.0))


def test_a_long_part_lies_aslant_where_only_that_fits() -> None:
    """A rectangle w x l at 45 degrees fits into a square of side (w + l) / sqrt 2."""
    points = box_mesh((120.0, 10.0, 5.0)).vertices
    side = 130.0 / sqrt(2.0)
    fits = lay_down(points, np.array(Z), bed=(side + 0.01, side + 0.01, 50.0))
    assert fits.spare == pytest.approx(0.01, abs=1e-6)
    short = lay_down(points, np.array(Z), bed=(side - 0.5, side - 0.5, 50.0))
    assert short.spare == pytest.approx(side - 0.5 - 120.0)  # lies straight, as nothing fits
    with pytest.raises(ValueError, match="three sizes, got 2"):
        lay_down(points, np.array(Z), bed=(1.0, 2.0))
