"""The insertable space against closed forms, planted holes, zones and the brute-force ideal."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sqrt, tan

import numpy as np
import pytest
import shapely

from mountgen.arrays import Floats, Ints
from mountgen.datum import Recess, lid_height
from mountgen.dilate import dilate_cone
from mountgen.errors import FieldError
from mountgen.field import FEATHER, InsertableSpace, bound_by_mouth, build_space, shrink_loop
from mountgen.ground import list_raised_gaps
from mountgen.holes import cover_holes
from mountgen.links import link_faces, trace_loops
from mountgen.recipe import PlugRecipe
from mountgen.section import cut_sections, sample_height
from tests.known import known_recess, make_fit
from tests.shapes import CYLINDER_DEPTH, CYLINDER_RADIUS, FRUSTUM_DEPTH, FRUSTUM_DRAFT_DEG, FRUSTUM_MOUTH
from tests.truth import ideal_height

TRIANGLES = 40_000
LEVELS = (-5.0, -12.0, -20.0, -31.0)


def _wall_recess(radius: float, depth: float, *, floor_hole: tuple[float, float, float] | None = None) -> Recess:
    """Return a round recess with a sharp brow as a fine mesh of its own, without a floor in a disc (x, y, radius) if asked."""
    angle = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    radii = np.concatenate([np.linspace(0.25, radius, 120), np.full(30, radius), np.linspace(radius, radius + 20.0, 12)[1:]])
    heights = np.concatenate([np.full(120, -depth), np.linspace(-depth, 0.0, 31)[1:], np.zeros(11)])
    points = np.concatenate([np.column_stack([r * ring, np.full(720, z)]) for r, z in zip(radii, heights, strict=True)])
    index = np.arange(len(radii) * 720).reshape(len(radii), 720)
    a, b = index[:-1], np.roll(index, -1, axis=1)[:-1]
    c, d = np.roll(index, -1, axis=1)[1:], index[1:]
    faces: Ints = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, d, c), (a, c, b))]).astype(np.int32)
    middle = points[faces].mean(axis=1)
    drop = np.hypot(middle[:, 0], middle[:, 1]) < 0.0
    if floor_hole is not None:
        x, y, size = floor_hole
        drop = (np.hypot(middle[:, 0] - x, middle[:, 1] - y) < size) & (middle[:, 2] < -depth + 0.1)
    rim = np.column_stack([radius * ring, np.zeros(720)])
    return Recess(points, faces[~drop], rim, np.zeros(6), np.eye(4), np.array([0.0, 1.0, 0.0]), depth)


def _section_area(space: InsertableSpace, z: float) -> float:
    (section,) = cut_sections(space, np.array([z]))
    return max(shapely.Polygon(loop).area for loop in section.loops)


@pytest.mark.parametrize(("clearance", "draft"), [(0.4, 2.0), (1.0, 0.5), (0.6, 6.0)])
def test_a_cylinder_is_shrunk_by_clearance_and_draft(clearance: float, draft: float) -> None:
    """The ball on the brow is continued by its tangent cone: at height z the wall stands c / cos(draft) - z tan(draft) inside."""
    space = build_space(_wall_recess(30.0, 40.0), fit=make_fit(clearance=clearance, draft=draft))
    for z in LEVELS:
        radius = 30.0 - clearance / cos(radians(draft)) + z * tan(radians(draft))
        found = sqrt(_section_area(space, z) / np.pi)
        # the mouth's outline is found to half a node and taken from inside; the chamfer's distance is up to 2.8 % too long
        assert radius - 0.5 * space.pitch - 0.02 < found < radius + 0.005 - z * 0.028 * tan(radians(draft)), z
    floor = sample_height(space, np.array([[0.0, 0.0], [5.0, -8.0]]))
    assert floor == pytest.approx(clearance - 40.0, abs=0.012)


@pytest.mark.parametrize("clearance", [0.4, 0.9])
def test_a_frustum_leaning_more_than_the_draft_is_moved_by_the_clearance_alone(clearance: float) -> None:
    known = known_recess("frustum", clean=True, triangles=TRIANGLES)
    space = build_space(known.recess, fit=make_fit(clearance=clearance, draft=1.0))
    lean = radians(FRUSTUM_DRAFT_DEG)
    for z in LEVELS:
        inside = 2.0 * (clearance / cos(lean) - z * tan(lean))
        wanted = (FRUSTUM_MOUTH[0] - inside) * (FRUSTUM_MOUTH[1] - inside)
        edge = 2.0 * (sum(FRUSTUM_MOUTH) - 2.0 * inside)  # of the section: area error over it is a distance
        off = (_section_area(space, z) - wanted) / edge
        assert -0.05 < off < 0.02, z  # a scan's triangles cut the sharp corners, to the safe side
    middle = sample_height(space, np.zeros((1, 2)))
    assert middle[0] == pytest.approx(clearance - FRUSTUM_DEPTH, abs=0.02)


@pytest.mark.parametrize("clearance", [0.0, 0.02])
def test_with_no_gap_the_part_still_stands_nowhere_in_the_scan(clearance: float) -> None:
    """What is left instead of the gap asked for is about a pitch, which is finest then."""
    recess = known_recess("frustum", clean=True, triangles=TRIANGLES).recess
    space = build_space(recess, fit=make_fit(clearance=clearance, draft=1.0))
    assert space.pitch < 0.07
    (note,) = list_raised_gaps(PlugRecipe.model_validate({"name": "plug", "fit": {"clearance": clearance, "walls": 0.4}}), space)
    assert note.startswith(f"fit.clearance = {clearance:g} is less than can be told")
    points = recess.vertices[(recess.vertices[:, 2] < -1.0) & (recess.vertices[:, 2] > 1.0 - FRUSTUM_DEPTH)]
    assert (sample_height(space, points[:, :2]) > points[:, 2]).mean() > 0.999
    lean = tan(radians(FRUSTUM_DRAFT_DEG))
    for z in (-1.0, *LEVELS):
        side = (FRUSTUM_MOUTH[0] + 2.0 * z * lean) * (FRUSTUM_MOUTH[1] + 2.0 * z * lean)
        inside = (side - _section_area(space, z)) / (2.0 * (sum(FRUSTUM_MOUTH) + 4.0 * z * lean))
        assert 0.0 < inside < 0.15, z


@pytest.mark.parametrize("name", ["l_pocket", "dished_tray"])
def test_heights_are_those_of_brute_force_on_the_same_triangles(name: str) -> None:
    """The ideal is computed from the scan's own triangles: nothing but the grid and its chamfer may differ."""
    recess = known_recess(name, triangles=TRIANGLES).recess
    space = build_space(recess, fit=make_fit(clearance=0.5, draft=1.0))
    row, col = np.nonzero(space.seen & (space.height < space.top - 3.0))
    pick = np.random.default_rng(1).choice(len(row), 3000, replace=False)
    place = np.column_stack([space.x[col[pick]], space.y[row[pick]]])
    exact = ideal_height(place, np.asarray(recess.vertices), np.asarray(recess.faces), clearance=0.5, draft_deg=1.0)
    found = space.height[row[pick], col[pick]]
    slope = np.hypot(*np.gradient(space.height.astype(np.float64), space.pitch))[row[pick], col[pick]]
    across = (found - exact) / np.sqrt(1.0 + slope**2)
    assert np.quantile(across, 0.005) > -0.012  # the scallop between balls
    assert np.quantile(np.abs(across), 0.9) < 0.005
    flat = slope < 0.5
    assert np.quantile(np.abs(found - exact)[flat], 0.97) < 0.02  # the rest lies beside drop-outs, which are bridged
    assert flat.sum() > 500


def test_a_hole_in_the_floor_is_unknown_and_never_free() -> None:
    x, y, size = 6.0, -4.0, 7.0
    space = build_space(_wall_recess(30.0, 25.0, floor_hole=(x, y, size)), fit=make_fit(clearance=0.5, draft=1.0))
    (hole,) = space.unseen
    assert hole.area == pytest.approx(np.pi * size**2, rel=0.05)
    assert (hole.x, hole.y) == pytest.approx((x, y), abs=0.2)
    inside = np.hypot(*np.meshgrid(space.x - x, space.y - y)) < size
    assert (space.height[inside] >= 0.5 - 25.0 - 0.02).all()  # bridged at its border's level, with the clearance
    assert not space.seen[np.hypot(*np.meshgrid(space.x - x, space.y - y)) < size - 0.6].any()


def test_where_a_hole_goes_across_a_ridge_of_a_wall_the_space_keeps_clear_of_the_ridge() -> None:
    """Seen from the mouth a leaning wall hides its own holes: without their hulls the space took the ridge's place there."""
    plain = _wall_recess(30.0, 25.0)
    points = plain.vertices.copy()
    ridge = np.clip(2.0 - np.abs(points[:, 1]), 0.0, None) * np.clip(-points[:, 2], 0.0, 25.0) / 25.0
    points[:, 0] -= np.where((points[:, 0] > 25.0) & (np.hypot(points[:, 0], points[:, 1]) > 29.9), ridge, 0.0)
    middle = points[plain.faces].mean(axis=1)
    gone = (middle[:, 0] > 25.0) & (np.abs(middle[:, 1]) < 1.5) & (np.abs(middle[:, 2] + 15.0) < 5.0)
    holed = plain.faces[~gone]
    loops = trace_loops(holed, link_faces(holed, len(points)).on_border)
    hole = [loop for loop in loops if np.ptp(points[loop.vertices, 2]) > 5.0]
    assert len(hole) == 1
    recess = replace(plain, vertices=points, faces=holed)
    clearance = 0.5
    spaces = [
        build_space(each, fit=make_fit(clearance=clearance, draft=1.0))
        for each in (recess, replace(recess, covers=cover_holes(points, hole)), replace(recess, faces=plain.faces))
    ]
    z = np.linspace(-18.0, -12.0, 7)
    edge = np.column_stack([30.0 + 2.0 * z / 25.0, np.zeros(7)])  # the ridge's own line
    beside = edge - np.array([clearance - 0.1, 0.0])
    bare, covered, seen = (sample_height(space, beside) - z for space in spaces)
    assert covered == pytest.approx(seen, abs=0.5)
    assert covered.min() > 0.0 > bare.min()


def test_a_hole_between_wall_and_floor_is_bridged_at_the_higher_side() -> None:
    """The unseen ring at the foot of the wall takes the wall's lowest seen height, not the floor's."""
    recess = _wall_recess(30.0, 25.0)
    middle = recess.vertices[recess.faces].mean(axis=1)
    away = np.hypot(middle[:, 0], middle[:, 1])
    ring = ((away > 24.0) & (middle[:, 2] < -24.9)) | ((away > 29.5) & (middle[:, 2] < -15.0))
    space = build_space(
        Recess(recess.vertices, recess.faces[~ring], recess.rim, recess.lid, recess.part_to_scan, recess.up, 25.0),
        fit=make_fit(clearance=0.5, draft=1.0),
    )
    x, y = np.meshgrid(space.x, space.y)
    hidden = (np.hypot(x, y) > 25.0) & (np.hypot(x, y) < 28.5)
    assert (space.height[hidden] > -15.0).all()
    assert space.height[(np.hypot(x, y) < 22.0)].max() < -24.0


def test_zones_have_their_own_clearance() -> None:
    recess = _wall_recess(30.0, 25.0)
    space = build_space(recess, fit=make_fit(clearance=0.5, floor=2.0, walls=0.8, rim=1.4, draft=1.0))
    assert sample_height(space, np.zeros((1, 2)))[0] == pytest.approx(2.0 - 25.0, abs=0.012)
    # the brow's 1.4 mm hang down with the draft: deep down the wall's own 0.8 mm would leave more room
    radius = sqrt(_section_area(space, -20.0) / np.pi)
    assert radius == pytest.approx(30.0 - 1.4 / cos(radians(1.0)) - 20.0 * tan(radians(1.0)), abs=0.5 * space.pitch + 0.02)
    wide = build_space(recess, fit=make_fit(clearance=0.5, walls=2.0, rim=0.5, draft=1.0))
    assert sqrt(_section_area(wide, -20.0) / np.pi) == pytest.approx(
        30.0 - 2.0 / cos(radians(1.0)) - 17.0 * tan(radians(1.0)), abs=0.5 * wide.pitch + 0.02  # the wall's zone begins 3 mm down
    )


def test_more_clearance_and_more_draft_leave_less_room_everywhere() -> None:
    recess = known_recess("l_pocket", triangles=TRIANGLES).recess
    little, clear, lean = (build_space(recess, fit=make_fit(**o)) for o in (
        {"clearance": 0.5, "draft": 1.0}, {"clearance": 0.9, "draft": 1.0}, {"clearance": 0.5, "draft": 3.0}
    ))
    points = np.random.default_rng(2).uniform(-50.0, 50.0, (4000, 2))
    at = [sample_height(space, points) for space in (little, clear, lean)]
    inside = at[0] < little.top - 2.0
    assert inside.sum() > 1000
    assert np.quantile((at[1] - at[0])[inside], 0.01) > 0.3  # the grids differ, and so do their nodes at steep walls
    drop = (at[2] - at[0])[inside]
    assert np.quantile(drop, 0.03) > -0.01  # the mouth, found anew to half a node, moves the steepest walls
    assert (drop > 0.5).mean() > 0.02
    assert little.volume() > clear.volume() > 0.0
    assert little.volume() > lean.volume() > 0.0


def test_volume_of_a_cylinder_below_its_lid() -> None:
    c, draft = 0.5, radians(1.0)
    space = build_space(_wall_recess(CYLINDER_RADIUS, CYLINDER_DEPTH), fit=make_fit(clearance=c, draft=1.0))
    top, low = (CYLINDER_RADIUS - c / cos(draft) + z * tan(draft) for z in (0.0, c - CYLINDER_DEPTH))
    exact = np.pi * (CYLINDER_DEPTH - c) * (top**2 + top * low + low**2) / 3.0
    assert space.volume() == pytest.approx(exact, rel=0.003)
    shallow = exact - np.pi * 5.0 * (top - 2.5 * tan(draft)) ** 2
    assert space.volume(below=5.0) == pytest.approx(shallow, rel=0.003)


def test_the_space_ends_at_the_mouth_and_has_no_feather_edge() -> None:
    space = build_space(known_recess("dished_tray", triangles=TRIANGLES).recess, fit=make_fit(clearance=0.5, draft=1.0))
    mouth = shapely.Polygon(space.mouth)
    x, y = (g.ravel() for g in np.meshgrid(space.x, space.y))
    free = (space.height < space.top).ravel()
    beyond = shapely.distance(mouth, shapely.points(x[free], y[free]))
    assert beyond.max() <= space.pitch
    edge = np.asarray(shapely.segmentize(mouth.exterior, 1.0).coords)
    thick = lid_height(space.lid, edge[:, 0], edge[:, 1]) - sample_height(space, edge * 0.998)
    assert np.quantile(thick, 0.05) > 0.5 * FEATHER


@pytest.mark.parametrize("draft", [1.0, 3.0])
def test_below_a_mouth_that_leans_no_room_is_taken_by_the_draft_of_a_wall_above_it(draft: float) -> None:
    """Against exact sums over the true triangles. A wall up to the highest point all round would take 1.6 % at 3 degrees."""
    known = known_recess("tilted_box", clean=True, triangles=TRIANGLES)
    space = build_space(known.recess, fit=make_fit(clearance=0.5, draft=draft))
    assert np.ptp(lid_height(space.lid, *space.mouth.T)) > 9.0  # mm: it leans by 8 degrees
    x, y = (g.ravel() for g in np.meshgrid(space.x[::3], space.y[::3]))
    plan = np.column_stack([x, y])[shapely.contains_xy(shapely.Polygon(space.mouth), x, y)]
    exact = ideal_height(plan, known.truth, known.shape.truth_faces, clearance=0.5, draft_deg=draft)
    room = float(np.maximum(lid_height(space.lid, *plan.T) - exact, 0.0).sum()) * (3.0 * space.pitch) ** 2
    assert 0.9948 * room < space.volume() < 1.001 * room


@pytest.mark.parametrize("draft", [0.25, 1.0, 5.0])
def test_the_mouths_outline_is_a_wall_that_leans_at_the_draft_below_the_lid_and_above(draft: float) -> None:
    """Closed form: about a circle, the lid plus slope times how far outside one is, on a lid that climbs by 0.4."""
    pitch, radius, slope = 0.125, 12.0, 1.0 / tan(radians(draft))
    nodes = np.arange(-radius - 2.0, radius + 2.0, pitch)
    x, y = np.meshgrid(nodes, nodes)
    turn = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    mouth = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    lid = np.array([1.0, 0.4, 0.0, 0.0, 0.0, 0.0])
    top = float(lid_height(lid, *mouth.T).max())
    deep = np.full(x.shape, -500.0, dtype=np.float32)
    grid = (float(nodes[0]), float(nodes[0]))
    space = InsertableSpace(deep, np.ones(x.shape, dtype=np.bool_), mouth, lid, grid, pitch, draft, top)
    inside = np.hypot(x, y) < radius
    bounded = bound_by_mouth(space, inside, mouth, brow=(1.0, 0.4, 0.0), slope=slope)
    level, out = lid_height(lid, x, y), np.hypot(x, y) - radius
    near = np.abs(out) < 2.0 * pitch
    assert bounded[near] == pytest.approx((level + slope * out)[near], abs=0.03 * slope + 0.4 * 2.0 * pitch)
    assert (bounded[~inside] >= level[~inside] - 0.02 * slope).all()
    edge = np.maximum(np.abs(x), np.abs(y)) > radius + 1.8
    assert bounded[edge].min() > top  # each section up to there is closed
    carried = dilate_cone(bounded, slope=slope, pitch=pitch)  # whose chamfer is out by 2.8 %
    beside = inside & (out > -1.0)
    assert carried[beside] == pytest.approx((level + slope * out)[beside], abs=0.05 * slope + 0.4)


def test_loops_are_shrunk_as_shapely_buffers_them() -> None:
    square: Floats = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 30.0], [0.0, 30.0]])
    small = shapely.Polygon(shrink_loop(square, 2.0))
    whole = shapely.buffer(shapely.Polygon(square), -2.0)
    assert shapely.difference(small, shapely.buffer(whole, 1e-6)).area < 1e-6
    assert whole.area - small.area < 0.3 * 3.0**2  # corners are rounded
    assert shapely.hausdorff_distance(shapely.Polygon(shrink_loop(square[::-1], 2.0)).exterior, small.exterior) < 0.3


def test_a_mouth_without_any_room_is_not_put_down_to_the_clearance_alone() -> None:
    with pytest.raises(FieldError, match="nowhere in the mouth is there room") as caught:
        build_space(_wall_recess(30.0, 0.5), fit=make_fit(clearance=0.3, draft=1.0))
    assert "mouth.draw" in caught.value.remedy


def test_a_clearance_that_closes_the_mouth_is_refused() -> None:
    with pytest.raises(FieldError, match="a gap of 16 mm closes the whole mouth") as caught:
        build_space(_wall_recess(15.0, 20.0), fit=make_fit(clearance=16.0))
    assert "less clearance" in caught.value.remedy


def test_a_clearance_that_leaves_no_depth_is_refused() -> None:
    with pytest.raises(FieldError) as caught:
        build_space(_wall_recess(40.0, 5.0), fit=make_fit(clearance=0.5, floor=4.2))
    assert "less than 1 mm of depth" in caught.value.what
    assert caught.value.where == "fit.clearance, fit.draft"


@pytest.mark.parametrize(("draft_deg", "aside"), [(0.5, 0.349), (1.0, 0.698), (2.0, 1.40)])
def test_draft_takes_as_much_of_a_side_as_the_worked_example_says(draft_deg: float, aside: float) -> None:
    """40 mm deep: 0.349, 0.698 and 1.40 mm a side at 0.5, 1 and 2 degrees, where a wall's top, carried down, is 40 mm lower."""
    wall = np.full((5, 5), -500.0, dtype=np.float32)
    wall[2, 2] = 0.0
    carried = dilate_cone(wall, slope=1.0 / tan(radians(draft_deg)), pitch=aside)
    assert carried[2, 3] == pytest.approx(-40.0, abs=40.0 * (5e-4 if aside < 1.0 else 5e-3) / aside)
