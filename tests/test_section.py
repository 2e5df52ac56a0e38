"""Sections against trimesh's plane cuts, and the wall's loops traced through them."""

from __future__ import annotations

from dataclasses import replace
from math import radians, tan

import numpy as np
import pytest
import shapely
import trimesh
from scipy import ndimage

from mountgen.arrays import Floats
from mountgen.errors import SectionError
from mountgen.field import InsertableSpace, build_space
from mountgen.loop import signed_area
from mountgen.section import (
    choose_split,
    cut_sections,
    find_floor,
    find_lowest,
    sample_height,
    steepness,
    trace_wall,
    without_ledges,
)
from tests.known import Known, known_recess, make_fit

TRIANGLES = 40_000
CLEARANCE = 0.1  # mm; as little as the grid resolves, so that sections are nearly those of the panel itself


def _known(name: str) -> Known:
    return known_recess(name, triangles=TRIANGLES, noise=0.0, dropouts=0, markers=0, fragments=0)


def _space(name: str, **fit: float) -> InsertableSpace:
    return build_space(_known(name).recess, fit=make_fit(**fit))


def _cone(radius: float, depth: float, slope: float, *, pitch: float = 0.2) -> InsertableSpace:
    """Return a round space with a flat floor and a wall of the slope given, exact at its nodes."""
    half = radius + 3.0
    count = int(2 * half / pitch) + 1
    axis = -half + pitch * np.arange(count)
    x, y = np.meshgrid(axis, axis)
    height = np.maximum(-depth, (np.hypot(x, y) - radius) * slope)
    angle = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)
    mouth = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    seen = np.ones(height.shape, dtype=bool)
    return InsertableSpace(height.astype(np.float32), seen, mouth, np.zeros(6), (-half, -half), pitch, 1.0, 0.0)


@pytest.mark.parametrize("name", ["l_pocket", "dished_tray"])
def test_sections_are_trimesh_plane_cuts_moved_in_by_the_clearance(name: str) -> None:
    known = _known(name)
    space = _space(name, clearance=CLEARANCE, draft=0.2)
    mesh = trimesh.Trimesh(known.recess.vertices, known.recess.faces, process=False)
    for z in (-8.0, -18.0, -28.0):
        cut = mesh.section(plane_origin=[0.0, 0.0, z], plane_normal=[0.0, 0.0, 1.0])
        rings = [shapely.Polygon(path[:, :2]) for path in cut.discrete if len(path) > 3]
        outer = max(rings, key=lambda ring: ring.area)
        (section,) = cut_sections(space, np.array([z]))
        loop = max(section.loops, key=lambda ring: abs(signed_area(ring)))
        away = shapely.distance(outer.exterior, shapely.points(loop))
        assert shapely.covers(shapely.buffer(outer, 0.01), shapely.Polygon(loop))
        # in the plane of the cut a wall moves by c / cos(lean): up to 2.5 c where this tray's walls flow into its floor
        assert 0.9 * CLEARANCE < np.median(away) < 3.0 * CLEARANCE
        assert np.quantile(away, 0.9) < 5.0 * CLEARANCE


def test_outer_loops_run_counter_clockwise_and_holes_clockwise() -> None:
    """The L-pocket's boss stands in its lower sections."""
    space = _space("l_pocket", clearance=0.5, draft=1.0)
    counts = []
    for section in cut_sections(space, np.array([-5.0, -40.0])):
        areas = np.array([signed_area(loop) for loop in section.loops])
        assert areas[np.argmax(np.abs(areas))] > 0.0
        counts.append((int((areas > 0.0).sum()), int((areas < 0.0).sum())))
        for loop, area in zip(section.loops, areas, strict=True):
            # free ground lies to the left of the way
            along = np.roll(loop, -1, axis=0) - loop
            middle = 0.5 * (np.roll(loop, -1, axis=0) + loop)
            left = np.column_stack([-along[:, 1], along[:, 0]]) / np.maximum(np.linalg.norm(along, axis=1), 1e-9)[:, None]
            if abs(area) > 5.0:
                assert np.mean(sample_height(space, middle + 0.5 * left) < section.z + 0.02) > 0.9
    assert counts[0] == (1, 0)
    assert counts[1][1] >= 1


def test_a_cone_is_cut_in_circles() -> None:
    space = _cone(20.0, 15.0, 3.0)
    for section in cut_sections(space, np.array([-1.0, -7.0, -14.0])):
        (loop,) = section.loops
        # contours are linear between nodes of 0.2 mm: the sagitta on a radius of 15 mm is below a micron
        assert np.linalg.norm(loop, axis=1) == pytest.approx(20.0 + section.z / 3.0, abs=2e-3)


def test_a_level_below_the_floor_has_no_loops() -> None:
    (section,) = cut_sections(_cone(20.0, 15.0, 3.0), np.array([-16.0]))
    assert section.loops == ()


@pytest.mark.parametrize("slope", [0.2, 1.0, 3.0])
def test_steepness_of_a_slope_is_its_slope(slope: float) -> None:
    space = _cone(20.0, 15.0, slope)
    x, y = np.meshgrid(space.x, space.y)
    away = np.hypot(x, y)
    wall = (away > max(2.0, 20.0 - 15.0 / slope + 1.5)) & (away < 18.5)
    # the smaller of two differences over half a millimetre falls short where the direction turns
    assert steepness(space)[wall] == pytest.approx(slope, rel=0.12)


def test_the_split_lies_between_the_slopes_of_floor_and_wall() -> None:
    space = _cone(25.0, 15.0, tan(radians(82.0)))
    assert 45.0 <= choose_split(space) <= 72.5
    # a wall of 50 degrees is no place to part at 50
    assert abs(choose_split(_cone(25.0, 15.0, tan(radians(50.0)))) - 50.0) > 5.0


def test_the_floor_is_the_flat_ground_inside_the_wall() -> None:
    space = _cone(20.0, 15.0, 5.0)
    floor = find_floor(space, 60.0)
    x, y = np.meshgrid(space.x, space.y)
    away = np.hypot(x, y)
    assert floor[away < 20.0 - 3.0 - 0.8].all()
    assert not floor[away > 20.0 - 3.0 + 0.3].any()


def test_ledges_go_and_the_space_only_shrinks() -> None:
    space = _cone(30.0, 20.0, 5.0)
    height = np.array(space.height)
    x, y = np.meshgrid(space.x, space.y)
    ear = (np.abs(y) < 3.0) & (x > 20.0) & (x < 27.0)
    height[ear] = np.minimum(height[ear], -8.0)  # a pit beside the floor, cut off by a sill
    marked = replace(space, height=height)
    floor = find_floor(marked, 60.0)
    assert not floor[ear & (np.hypot(x, y) > 27.0)].any()
    cleared = without_ledges(marked, floor, 64.0, edge=0.6)
    inside = marked.height < marked.top
    assert (cleared.height >= marked.height - 1e-4)[inside].all()
    assert cleared.height[floor] == pytest.approx(marked.height[floor], abs=1e-4)


def test_the_wall_is_traced_through_the_sections_and_dives_below_the_floor() -> None:
    space = _cone(20.0, 15.0, 6.0)
    floor = find_floor(space, 60.0)
    trace = trace_wall(space, floor, 60.0)
    assert trace.points.shape[:2] == trace.on_wall.shape
    assert (np.diff(trace.z) > 0.0).all()
    assert trace.z[0] < -15.0
    assert trace.z[-1] > space.top
    radius = np.linalg.norm(trace.points, axis=2)
    wall = 20.0 + trace.z / 6.0
    level = (trace.z < -0.5) & (trace.z > -14.0)
    assert trace.on_wall[:, level].all()
    assert radius[:, level] == pytest.approx(np.broadcast_to(wall, radius.shape)[:, level], abs=0.01)
    assert (radius[:, 0] < wall[0] + 0.05).all()  # never outside the cone carried on
    for k in range(trace.points.shape[1]):
        ring: Floats = trace.points[:, k]
        assert signed_area(ring) > 0.0
        assert shapely.Polygon(ring).is_valid


def test_no_section_at_the_mouth_is_said() -> None:
    space = _cone(20.0, 15.0, 3.0)
    shut = replace(space, height=np.full_like(space.height, space.top + 0.5))
    with pytest.raises(SectionError, match="no closed section at the mouth") as caught:
        trace_wall(shut, np.zeros(space.height.shape, dtype=bool), 60.0)
    assert "mouth.rim" in caught.value.remedy


def test_the_lowest_of_each_label_is_the_library_s() -> None:
    rng = np.random.default_rng(6)
    height, label = rng.normal(size=(40, 30)).astype(np.float32), rng.integers(0, 6, (40, 30))
    np.testing.assert_array_equal(find_lowest(height, label, 5), ndimage.minimum(height, label, np.arange(1, 6)))
