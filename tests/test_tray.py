"""Trays: walls measured with rays on the finished mesh, volumes in closed form, dividers and pull tab in their places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from math import cos, pi, radians, tan

import numpy as np
import pytest
import shapely

from mountgen.arrays import Floats
from mountgen.datum import lid_height
from mountgen.errors import FeatureError, KernelError
from mountgen.features import assemble, dividers
from mountgen.features.cavity import SPARE, hollow_inside, raise_space, sample_shell
from mountgen.features.dividers import leave_standing, make_dividers, place_walls
from mountgen.features.flange import make_flange
from mountgen.features.part import Part
from mountgen.features.pull_tab import ROOTS, _place_tongue, _upper_edge, find_hole, make_pull_tab
from mountgen.features.tray import _outline_below, make_tray
from mountgen.gap import TOLERANCE
from mountgen.kernel import Mesh, Solid, combine_many, tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import TrayRecipe
from mountgen.recipe_tables import Dividers, Flange, PullTab
from mountgen.shape import make_box
from mountgen.surface import Surface
from tests.checks import assert_printable
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap
from tests.remedies import read_remedy
from tests.shapes import (
    CYLINDER_DEPTH,
    CYLINDER_RADIUS,
    FRUSTUM_DEPTH,
    FRUSTUM_DRAFT_DEG,
    FRUSTUM_MOUTH,
)
from tests.test_loft import find_thinnest_of

WALL = 1.8


def recipe(**tables: object) -> TrayRecipe:
    return TrayRecipe(name="tray", body={"wall": WALL, "edge_radius": 0.8}, **tables)  # type: ignore[arg-type]


@cache
def tray(name: str) -> Part:
    recess, space, shell = prepare(name)
    return make_tray(shell, space, recess, recipe=recipe())


def frustum_volume(offset: float) -> float:
    """The frustum's room with walls and floor moved in by `offset`, mm³, integrated exactly (a quadratic in depth)."""
    lean, inset = tan(radians(FRUSTUM_DRAFT_DEG)), offset / cos(radians(FRUSTUM_DRAFT_DEG))
    a, b = (size - 2.0 * inset for size in FRUSTUM_MOUTH)
    d = FRUSTUM_DEPTH - offset
    return a * b * d - lean * (a + b) * d**2 + 4.0 / 3.0 * lean**2 * d**3


def measure_walls(mesh: Mesh, lid: Floats) -> tuple[Floats, Floats]:
    """Return thickness and area at every face of a tray's outside that lies well below its rim, by rays along its normal."""
    surface = Surface(mesh.vertices, mesh.faces)
    corners = mesh.vertices[mesh.faces]
    middle, normal = corners.mean(axis=1), surface.normals
    area = 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    below = lid_height(lid, middle[:, 0], middle[:, 1]) - middle[:, 2] > 2.5
    axis = middle - [0.0, 0.0, -10.0]
    outside = below & ((normal * axis).sum(axis=1) > 0.0)  # trays here are star-shaped about that point
    far, hit = surface.cast(middle[outside] - 1e-5 * normal[outside], -normal[outside])
    facing = (normal[outside] * normal[hit]).sum(axis=1) < -cos(radians(20.0))  # else it is an edge, no wall
    return far[facing], area[outside][facing]


@pytest.mark.parametrize("name", ["frustum", "cylinder"])
def test_walls_and_floor_are_even(name: str) -> None:
    _, space, _ = prepare(name)
    thick, area = measure_walls(tray(name).body.mesh, space.lid)
    assert area[thick < WALL - 0.05].sum() < 0.1  # mm² of thousands: slivers that the mesher stood on edge along a border's chord
    assert area[thick <= 1.3 * WALL].sum() >= 0.9 * area.sum()


def test_frustum_tray_has_the_volume_of_its_walls() -> None:
    wanted = frustum_volume(CLEARANCE) - frustum_volume(CLEARANCE + WALL)
    assert measure_volume(tray("frustum").body.mesh) == pytest.approx(wanted, rel=0.03)


def test_round_tray_has_the_volume_of_its_walls() -> None:
    lean = tan(radians(1.0))  # the draft asked for: the cylinder itself has none

    def cone(offset: float) -> float:
        top, depth = CYLINDER_RADIUS - offset, CYLINDER_DEPTH - offset
        foot = top - depth * lean
        return pi / 3.0 * depth * (top**2 + top * foot + foot**2)

    wanted = cone(CLEARANCE) - cone(CLEARANCE + WALL)
    volume = measure_volume(tray("cylinder").body.mesh)
    assert volume == pytest.approx(wanted, rel=0.06)
    assert volume >= wanted  # one-sided: walls are at least as thick as asked


@pytest.mark.parametrize("name", ["frustum", "cylinder"])
def test_a_tray_is_one_piece_clears_the_scan_and_ends_flush_with_the_panel(name: str) -> None:
    recess, space, _ = prepare(name)
    mesh = tray(name).body.mesh
    assert_printable(mesh)
    assert least_gap(mesh, recess) >= CLEARANCE - TOLERANCE
    assert raw_gap(mesh, recess) >= min(block_gap(name), CLEARANCE - TOLERANCE)
    over = mesh.vertices[:, 2] - lid_height(space.lid, mesh.vertices[:, 0], mesh.vertices[:, 1])
    assert over.max() == pytest.approx(0.0, abs=0.01)


def test_inner_space_is_the_outer_surface_grown_by_a_ball() -> None:
    """Against distances that another library measures from the same surface."""
    _, space, shell = prepare("frustum")
    outer = sample_shell(shell)
    inner = raise_space(space, outer, wall=WALL)
    rows, cols = np.nonzero(inner.height < space.top - 3.0)
    pick = np.random.default_rng(3).choice(len(rows), 4000, replace=False)
    rows, cols = rows[pick], cols[pick]
    points = np.column_stack([inner.x[cols], inner.y[rows], inner.height[rows, cols]])
    away = np.abs(Surface(outer.vertices, outer.faces).measure(points).gap)
    assert away.min() >= WALL + SPARE - 0.02
    # where walls are steeper than the draft the distance is exact; nowhere does the draft add more than its share
    assert np.quantile(away, 0.9) <= WALL + SPARE + 0.05


def test_a_wall_that_fills_the_tray_names_the_largest_that_does_not() -> None:
    _, space, shell = prepare("cylinder")
    with pytest.raises(FeatureError, match="a wall of 40 mm leaves no room") as caught:
        hollow_inside(shell, space, wall=40.0)
    assert caught.value.where == "body.wall"
    largest = float(caught.value.remedy.split()[1])
    assert 25.0 < largest < CYLINDER_RADIUS
    assert hollow_inside(shell, space, wall=largest).space.height.min() < space.top - 1.0


def test_a_part_too_shallow_for_its_wall_is_told_how_deep_it_must_reach() -> None:
    _, space, shell = prepare("frustum")
    with pytest.raises(FeatureError, match=r"a wall of 1\.9 mm leaves no room") as caught:
        hollow_inside(shell, space, wall=1.9, reach=2.0)
    (settings,) = read_remedy(caught.value.remedy)
    reach = float(settings["fit.reach"])
    assert reach == 3.0
    hollow_inside(shell, space, wall=1.9, reach=reach + 1.0)



def test_a_tray_of_facets_has_its_walls_too() -> None:
    """Its inside is measured from the facets that bound it, and neither ends in blades beside the rib and the boss."""
    recess, space, _ = prepare("l_pocket")
    part = make_tray(None, space, recess, recipe=recipe())
    assert part.body.faceted
    assert find_thinnest_of(part.body.mesh) > 1.32  # three printed lines; 0.1 when it was measured from the space
    assert_printable(part.body.mesh)


def test_dividers_stand_where_they_should_and_as_high() -> None:
    recess, space, shell = prepare("frustum")
    tables = {"dividers": {"count_x": 1, "count_y": 1, "thickness": 2.0, "height": 15.0}}
    mesh = make_tray(shell, space, recess, recipe=recipe(**tables)).body.mesh
    assert_printable(mesh)
    surface = Surface(mesh.vertices, mesh.faces)
    floor = -(FRUSTUM_DEPTH - CLEARANCE - WALL)
    middle = 0.5 * (space.mouth.min(axis=0) + space.mouth.max(axis=0))
    down = np.array([[0.0, 0.0, -1.0]])

    def ground(x: float, y: float) -> float:
        start = np.array([[middle[0] + x, middle[1] + y, 20.0]])
        return 20.0 - float(surface.cast(start, down)[0][0])

    assert ground(0.03, 12.0) == pytest.approx(floor + 15.0, abs=0.1)  # on the wall that parts left from right
    assert ground(20.0, 0.03) == pytest.approx(floor + 15.0, abs=0.1)
    assert ground(20.0, 12.0) == pytest.approx(floor, abs=0.1)
    side = np.array([[middle[0] + 15.0, middle[1] + 12.0, floor + 7.0]])
    left, _ = surface.cast(side, np.array([[-1.0, 0.0, 0.0]]))
    assert float(left[0]) == pytest.approx(15.0 - 1.0, abs=0.05)


def test_a_tray_with_a_pocket_under_its_floor_is_put_together_face_by_face(monkeypatch: pytest.MonkeyPatch) -> None:
    """And is the same as what the kernel's booleans make of it, which took minutes on a raw scan."""
    recess, space, whole = prepare("frustum")
    raised = replace(whole.floor, poles=whole.floor.poles + 5.0)
    narrow = replace(whole.wall, poles=whole.wall.poles * np.array([0.5, 0.5, 1.0]))
    shell = replace(whole, floor=raised, pockets=(replace(whole, wall=narrow),))

    def no_boolean(body: Solid, tools: Sequence[Solid], how: str, *, what: str, fuzzy: float = 0.0) -> Solid:
        raise AssertionError(what)

    with monkeypatch.context() as patch:
        patch.setattr(assemble, "combine_many", no_boolean)
        stitched = make_tray(shell, space, recess, recipe=recipe())

    def refuse(*given: object) -> Solid:
        raise KernelError("refused", "body", "")

    monkeypatch.setattr(assemble, "_stitch", refuse)
    kernels = make_tray(shell, space, recess, recipe=recipe())
    assert not stitched.body.faceted
    assert not kernels.body.faceted
    assert_printable(stitched.body.mesh)
    volume = measure_volume(stitched.body.mesh)
    assert volume == pytest.approx(measure_volume(kernels.body.mesh), rel=2e-3)
    flat = make_tray(replace(shell, pockets=()), space, recess, recipe=recipe())
    assert volume > 1.03 * measure_volume(flat.body.mesh)


@pytest.mark.parametrize("failures", [1, 99])
def test_a_divider_that_the_kernel_leaves_out_is_missed(failures: int, monkeypatch: pytest.MonkeyPatch) -> None:
    hollow, wall = make_box((-20.0, -15.0, -30.0), (20.0, 15.0, 0.0)), make_box((-1.0, -20.0, -35.0), (1.0, 20.0, 5.0))
    tries: list[str] = []

    def fail_at_first(body: Solid, tools: list[Solid], how: str, *, what: str, fuzzy: float) -> Solid:
        tries.append(what)
        return body if len(tries) <= failures else combine_many(body, tools, how, what=what, fuzzy=fuzzy)

    monkeypatch.setattr(dividers, "combine_many", fail_at_first)
    if failures > 1:
        with pytest.raises(KernelError, match="leaves a divider out") as caught:
            leave_standing(hollow, [wall])
        assert caught.value.remedy == "change dividers.thickness by 0.2 mm"
        return
    rooms = [measure_volume(tessellate(room)) for room in leave_standing(hollow, [wall])]
    assert len(tries) == 2
    assert sum(rooms) == pytest.approx(38.0 * 30.0 * 30.0)
    assert rooms == pytest.approx([19.0 * 30.0 * 30.0] * 2, rel=0.01)


def test_a_compartment_that_cannot_be_meshed_is_made_another_way(monkeypatch: pytest.MonkeyPatch) -> None:
    hollow, wall = make_box((-20.0, -15.0, -30.0), (20.0, 15.0, 0.0)), make_box((-1.0, -20.0, -35.0), (1.0, 20.0, 5.0))
    meshed: list[Solid] = []

    def fail_once(solid: Solid, *, chord: float) -> Mesh:
        meshed.append(solid)
        if len(meshed) == 2:  # the first compartment; the cavity itself was the first of all
            raise KernelError("a face of the solid cannot be meshed", "body", "change clearance or draft a little")
        return tessellate(solid, chord=chord)

    monkeypatch.setattr(dividers, "tessellate", fail_once)
    rooms = [measure_volume(tessellate(room)) for room in leave_standing(hollow, [wall])]
    assert rooms == pytest.approx([19.0 * 30.0 * 30.0] * 2, rel=1e-6)  # at its place, with a little more tolerance


def test_compartments_are_equal() -> None:
    starts = place_walls(-10.0, 50.0, 3, 2.0, key="dividers.count_x")
    rooms = np.diff([-10.0 - 0.0, *[edge for start in starts for edge in (start, start + 2.0)], 50.0])[::2]
    assert rooms == pytest.approx(np.full(4, 54.0 / 4.0))


@pytest.mark.parametrize(
    ("dividers", "where", "what"),
    [
        ({"count_x": 18}, "dividers.count_x", "18 walls of 20 mm leave"),
        ({"count_y": 1, "height": 60.0}, "dividers.height", "dividers 60 mm high stand out"),
    ],
)
def test_dividers_that_do_not_fit_say_what_would(dividers: dict[str, float], where: str, what: str) -> None:
    _, space, shell = prepare("frustum")
    inner = hollow_inside(shell, space, wall=WALL).space
    table = {"thickness": 20.0} | dividers
    with pytest.raises(FeatureError) as caught:
        make_dividers(inner, Dividers.model_validate(table), radius=0.0)
    assert caught.value.where == where
    assert caught.value.what.startswith(what)
    key = where.split(".")[1]
    value = float(caught.value.remedy.split()[1])
    table[key] = value if key == "height" else int(value)
    slabs = make_dividers(inner, Dividers.model_validate(table), radius=0.0)
    assert len(slabs) == (1 if key == "height" else 4)
    table[key] = value + 1
    with pytest.raises(FeatureError):
        make_dividers(inner, Dividers.model_validate(table), radius=0.0)


@pytest.mark.parametrize(("name", "length", "hole"), [("cylinder", 18.0, 10.0), ("frustum", 8.0, 0.0)])
def test_pull_tab_stands_out_of_the_upper_side_and_clears_the_scan(name: str, length: float, hole: float) -> None:
    recess, space, shell = prepare(name)
    tab = {"width": 20.0, "length": length, "thickness": 3.0}
    part = make_tray(shell, space, recess, recipe=recipe(pull_tab=tab))
    mesh = part.body.mesh
    assert_printable(mesh)
    assert least_gap(mesh, recess) >= CLEARANCE - TOLERANCE
    assert raw_gap(mesh, recess) >= min(block_gap(name), CLEARANCE - TOLERANCE)
    out = mesh.vertices[mesh.vertices[:, 2] > 2.0]
    assert out[:, 2].max() == pytest.approx(length, abs=0.3)
    assert np.ptp(out[:, 0]) == pytest.approx(20.0, abs=0.1)
    assert out[:, 1].min() > 0.5 * space.mouth[:, 1].max()  # up is +y
    assert find_hole(PullTab(**tab)) == hole
    surface = Surface(mesh.vertices, mesh.faces)
    start = np.array([[0.5 * (out[:, 0].min() + out[:, 0].max()) + 0.01, -5.0, length - 4.0 - 0.5 * hole - 0.01]])
    far, _ = surface.cast(start, np.array([[0.0, 1.0, 0.0]]))
    assert np.isinf(far[0]) == (hole > 0.0)


def test_no_slot_is_left_between_a_thick_tongue_and_a_flange() -> None:
    """In a round mouth a straight back meets the flange's edge at both its ends at a small angle: it is filled up to there."""
    recess, space, shell = prepare("cylinder")
    flange, tab, radius = Flange(width=6.0, thickness=3.8), PullTab(width=16.0, length=9.0, thickness=7.2), 1.0
    border = make_flange(recess, space.mouth, flange=flange, clearance=CLEARANCE, radius=radius)
    outline = _outline_below(shell, space, depth=ROOTS[0])
    behind = np.array([[0.01, float(outline[:, 1].max()) - 0.25, 40.0]])  # the sagitta is 1.1 mm there
    tongues = [tessellate(make_pull_tab(space, outline, tab, wall=WALL, radius=radius, border=rim)) for rim in (None, border)]
    down = np.array([[0.0, 0.0, -1.0]])
    tops = [40.0 - float(Surface(mesh.vertices, mesh.faces).cast(behind, down)[0][0]) for mesh in tongues]
    x, y, _ = behind.T
    assert tops[0] == pytest.approx(float(lid_height(space.lid, x, y)[0]), abs=0.1)
    assert tops[1] == pytest.approx(float(border.top_height(x, y)[0]) - 0.3 * radius, abs=0.1)


def test_a_tongue_wider_than_the_mouth_names_the_widest_that_fits() -> None:
    recess, space, shell = prepare("cylinder")
    with pytest.raises(FeatureError) as caught:
        make_tray(shell, space, recess, recipe=recipe(pull_tab={"width": 50.0, "length": 10.0}))
    assert caught.value.what == "a tongue 50 mm wide has no room at the mouth's upper side"
    width = float(caught.value.remedy.split()[1])
    # a chord of that width leaves the circle by the sagitta that is allowed
    radius = CYLINDER_RADIUS - CLEARANCE
    assert radius - np.sqrt(radius**2 - 0.25 * width**2) == pytest.approx(3.0, abs=0.4)


@pytest.mark.parametrize("radius", [60.0, 14.0, 12.0, 8.0])
def test_a_tongue_whose_width_is_left_open_is_as_wide_as_a_round_mouth_allows(radius: float) -> None:
    edges = _upper_edge(shapely.Point(0.0, 0.0).buffer(radius, quad_segs=64))
    width, (middle, outer) = _place_tongue(*edges, PullTab(length=9.0))
    chord = 2.0 * np.sqrt(radius**2 - (radius - 3.0) ** 2)  # whose sagitta is what is allowed
    assert width == pytest.approx(min(18.0, chord - 0.5), abs=0.5)
    assert middle == pytest.approx(0.0, abs=0.3)
    assert outer == pytest.approx(np.sqrt(radius**2 - 0.25 * width**2), abs=0.15)
    with pytest.raises(FeatureError, match="no room"):
        _place_tongue(*edges, PullTab(width=2.5 * radius, length=9.0))


def test_a_mouth_with_no_room_for_the_narrowest_tongue_says_what_fits() -> None:
    edges = _upper_edge(shapely.box(-3.3, -20.0, 3.3, 20.0))
    with pytest.raises(FeatureError, match="a tongue 8 mm wide has no room") as caught:
        _place_tongue(*edges, PullTab(length=9.0))
    assert caught.value.remedy == "give 6 mm or less"
