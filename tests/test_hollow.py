"""Hollow bodies: skin and walls at least as thick as asked, a straight way out for everything inside, ribs that stand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import cos, radians

import numpy as np
import pytest

from mountgen.arrays import Floats
from mountgen.block import lid_surface, pocket_tube
from mountgen.crossing import meet_field
from mountgen.datum import lid_height
from mountgen.errors import FeatureError, KernelError
from mountgen.features.cavity import sample_shell
from mountgen.features.hollow import hollow_out
from mountgen.features.plug import make_plug
from mountgen.gap import TOLERANCE
from mountgen.kernel import Mesh, solids_of, tessellate
from mountgen.loft import _overlap
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PlugRecipe
from mountgen.shape import make_box
from mountgen.soundness import find_thinnest
from mountgen.spline import Axis
from mountgen.spline import Surface as Spline
from mountgen.surface import Surface
from tests.checks import assert_printable
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap
from tests.test_tray import frustum_volume

WALL = 2.4


@cache
def plug(opening: str, ribs: int = 0, recline: float = 90.0) -> Mesh:
    recess, space, shell = prepare("frustum", recline=recline)
    body = {"wall": WALL, "open": opening, "ribs": ribs}
    recipe = PlugRecipe(name="plug", body=body)  # type: ignore[arg-type]
    return make_plug(shell, space, recess, recipe=recipe).body.mesh


def find_inside(mesh: Mesh, outer: Mesh) -> tuple[Floats, Floats, Floats]:
    """Return middles, normals and areas of the faces that the hollow made: those away from the whole body's surface."""
    surface = Surface(mesh.vertices, mesh.faces)
    corners = mesh.vertices[mesh.faces]
    middle = corners.mean(axis=1)
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    away = np.abs(Surface(outer.vertices, outer.faces).measure(middle).gap) > 0.3
    return middle[away], surface.normals[away], area[away]


@cache
def whole(recline: float = 90.0) -> Mesh:
    """Return the plug that is not hollow, cut into facets finely, so that what differs is the hollow plug's own chords."""
    recess, space, shell = prepare("frustum", recline=recline)
    return tessellate(make_plug(shell, space, recess, recipe=PlugRecipe(name="plug")).body.solid, chord=0.004)


def assert_walls(mesh: Mesh, wall: float) -> None:
    surface = Surface(mesh.vertices, mesh.faces)
    corners = mesh.vertices[mesh.faces]
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    assert find_thinnest(surface, corners.mean(axis=1), np.arange(len(mesh.faces)), area).thickness >= wall - 0.05


@pytest.mark.parametrize(("recline", "way"), [(0.0, (0.0, -1.0, 0.0)), (90.0, (0.0, 0.0, -1.0))])
def test_everything_in_a_body_open_underneath_goes_straight_out(recline: float, way: tuple[float, float, float]) -> None:
    """A point of the hollow's surface sees the outside along the way out, so no support and no water is trapped."""
    mesh = plug("underneath", recline=recline)
    assert_printable(mesh)
    middle, normal, _ = find_inside(mesh, whole(recline))
    assert len(middle) > 100
    tilt = np.random.default_rng(2).uniform(-5e-4, 5e-4, middle.shape)
    far, _ = Surface(mesh.vertices, mesh.faces).cast(middle + 0.2 * normal, np.asarray(way) + tilt)
    assert np.isinf(far).mean() > 0.995


def test_a_body_open_at_the_back_prints_on_its_face_without_support() -> None:
    """On its face, +z looks down: nothing inside looks down more steeply than 45 degrees, but a narrow ledge."""
    mesh = plug("back", recline=0.0)
    assert_printable(mesh)
    _, normal, area = find_inside(mesh, whole(0.0))
    assert len(normal) > 100
    assert area[normal[:, 2] > np.sin(radians(45.0))].sum() < 0.04 * area.sum()


@pytest.mark.parametrize(("opening", "recline"), [("back", 0.0), ("underneath", 0.0), ("underneath", 90.0)])
def test_walls_are_as_thick_as_asked_and_the_outside_is_untouched(opening: str, recline: float) -> None:
    mesh = plug(opening, recline=recline)
    assert_walls(mesh, WALL)
    assert measure_volume(mesh) < 0.55 * measure_volume(whole(recline))
    away = Surface(whole(recline).vertices, whole(recline).faces).measure(mesh.vertices).gap
    assert away.max() < 0.04  # nothing stands out of the body it was cut from


def test_back_opening_leaves_walls_and_face_of_the_frustum() -> None:
    """Closed form: the room between the two frustums, less the floor that the opening takes away."""
    inset = WALL / cos(radians(5.0))
    lean = np.tan(radians(5.0))
    depth = 40.0 - CLEARANCE
    foot = [size - 2.0 * (CLEARANCE / cos(radians(5.0)) + inset + depth * lean) for size in (100.0, 60.0)]
    hollow = frustum_volume(CLEARANCE + WALL) + foot[0] * foot[1] * WALL  # the same room, as deep as the body
    face = 2 * WALL  # the room begins WALL under the face instead of at it
    head = (100.0 - 2 * inset) * (60.0 - 2 * inset) * 0.5 * face
    wanted = frustum_volume(CLEARANCE) - hollow + head
    assert measure_volume(plug("back", recline=0.0)) == pytest.approx(wanted, rel=0.08)


def test_ribs_are_evenly_spaced_plates() -> None:
    mesh = plug("back", ribs=2, recline=0.0)
    assert_printable(mesh)
    surface = Surface(mesh.vertices, mesh.faces)
    y = float(np.median(mesh.vertices[:, 1])) + 3.03
    x, crossings = -200.0, []
    while True:
        far, _ = surface.cast(np.array([[x, y, -20.0]]), np.array([[1.0, 0.0, 0.0]]))
        if np.isinf(far[0]):
            break
        x += float(far[0]) + 1e-4
        crossings.append(x)
    assert len(crossings) == 8  # two walls and two ribs
    rib_a, rib_b = crossings[2:4], crossings[4:6]
    assert np.diff(rib_a) == pytest.approx([WALL], abs=0.03)
    assert np.diff(rib_b) == pytest.approx([WALL], abs=0.03)
    rooms = [crossings[2] - crossings[1], crossings[4] - crossings[3], crossings[6] - crossings[5]]
    assert rooms[0] == pytest.approx(rooms[2], abs=0.5)  # those at the ends lose what the walls lean
    assert rooms[1] > rooms[0]


def test_underneath_of_a_box_is_its_room_in_closed_form() -> None:
    """A box needs no fit: what is cut is a box with round corners, `wall` from five of its faces."""
    _, space, shell = prepare("frustum")
    box = make_box((-30.0, -20.0, -25.0), (30.0, 20.0, 0.0))
    solid = hollow_out(box, space, shell, up=np.array([0.0, 1.0, 0.0]), wall=3.0, ribs=0, opening="underneath")
    assert len(solids_of(solid)) == 1
    mesh = tessellate(solid)
    assert_walls(mesh, 3.0)
    room = (60.0 - 6.0) * (25.0 - 6.0) * (40.0 - 3.0)
    lost = 60.0 * 40.0 * 25.0 - measure_volume(mesh)
    assert 0.88 * room < lost <= room
    assert np.abs(mesh.vertices[:, 1] + 20.0).min() < 1e-6


def test_clearance_is_that_of_the_solid_plug() -> None:
    recess, _, _ = prepare("cylinder")
    _, space, shell = prepare("cylinder")
    recipe = PlugRecipe(name="plug", body={"wall": WALL, "open": "back"})  # type: ignore[arg-type]
    mesh = make_plug(shell, space, recess, recipe=recipe).body.mesh
    assert least_gap(mesh, recess) >= CLEARANCE - TOLERANCE
    assert raw_gap(mesh, recess) >= min(block_gap("cylinder"), CLEARANCE - TOLERANCE)


@pytest.mark.parametrize("opening", ["back", "underneath"])
def test_a_wall_that_fills_the_body_is_an_error(opening: str) -> None:
    recess, space, shell = prepare("cylinder")
    solid = make_plug(shell, space, recess, recipe=PlugRecipe(name="plug")).body.solid
    with pytest.raises(FeatureError, match="a wall of 38 mm leaves no room inside") as caught:
        hollow_out(solid, space, shell, up=recess.up, wall=38.0, ribs=0, opening=opening)
    assert caught.value.where == "body.wall"
    assert caught.value.remedy.startswith("give ")


def test_face_stays_below_the_lid_as_asked() -> None:
    recess, space, shell = prepare("cylinder")
    recipe = PlugRecipe(name="plug", plug={"below": 4.0}, body={"wall": WALL, "open": "back"})  # type: ignore[arg-type]
    mesh = make_plug(shell, space, recess, recipe=recipe).body.mesh
    deep = lid_height(space.lid, mesh.vertices[:, 0], mesh.vertices[:, 1]) - mesh.vertices[:, 2]
    assert deep.min() == pytest.approx(4.0, abs=0.01)
    start = np.array([[float(space.mouth[:, 0].mean()) + 0.1, 0.1, -60.0]])
    far, _ = Surface(mesh.vertices, mesh.faces).cast(start, np.array([[0.0, 0.0, 1.0]]))
    ceiling = -60.0 + float(far[0])
    assert ceiling == pytest.approx(float(lid_height(space.lid, start[0, 0], start[0, 1])) - 4.0 - WALL, abs=0.06)


def test_a_pocket_that_does_not_meet_the_floor_in_a_curve_is_left_out_of_the_skin() -> None:
    """The body is made without it then; a tray of it must be made, too."""
    _, _, shell = prepare("frustum")
    pocket = replace(shell, wall=_sink(shell.wall))
    with pytest.raises(KernelError):
        meet_field(pocket.wall, shell.floor)
    plain, with_pocket = sample_shell(shell), sample_shell(replace(shell, pockets=(pocket,)))
    np.testing.assert_array_equal(with_pocket.vertices, plain.vertices)
    np.testing.assert_array_equal(with_pocket.faces, plain.faces)


@pytest.mark.parametrize(("thick", "overlap"), [(8.0, 0.6), (0.5, 0.25), (0.15, None)])
def test_a_pocket_reaches_into_the_body_by_half_of_what_there_is(thick: float, overlap: float | None) -> None:
    """The whole recess as a pocket of a body that is no more than a plate under the lid."""
    space, _, shell = prepare("frustum")
    plate = lid_surface(space, shell.floor, -thick)
    if overlap is None:
        with pytest.raises(KernelError, match=r"0\.15 mm thick"):
            _overlap(shell, plate, space.lid)
        return
    pocket = _overlap(shell, plate, space.lid)
    assert pocket.overlap == pytest.approx(overlap, abs=0.01)
    mesh = tessellate(pocket_tube(pocket, plate))
    over = mesh.vertices[:, 2] - lid_height(space.lid, mesh.vertices[:, 0], mesh.vertices[:, 1])
    assert over.max() == pytest.approx(overlap - thick, abs=0.03)


def test_a_pocket_of_which_no_solid_can_be_made_is_left_out_of_the_skin() -> None:
    """It meets the floor in a curve, but ends above what closes it: a cavity that went down into it would break through."""
    _, _, shell = prepare("frustum")
    pocket = replace(shell, floor=replace(shell.floor, poles=shell.floor.poles + 2.0))
    meet_field(pocket.wall, shell.floor)
    with pytest.raises(KernelError):
        pocket_tube(pocket, shell.floor)
    plain, with_pocket = sample_shell(shell), sample_shell(replace(shell, pockets=(pocket,)))
    np.testing.assert_array_equal(with_pocket.vertices, plain.vertices)


def _sink(wall: Spline) -> Spline:
    """Return a wall so far down that it meets no floor."""
    v = Axis(wall.v.breaks - 500.0, wall.v.periodic)
    return replace(wall, v=v, poles=wall.poles - np.array([0.0, 0.0, 500.0]))
