"""Compiled loops against other means: rays, an exact Minkowski sum, brute force, Dijkstra, shapely, scipy."""

from __future__ import annotations

import heapq
from math import cos, hypot, pi, sqrt

import igl
import numpy as np
import pytest
import shapely
from scipy import ndimage

from mountgen.arrays import Bools, Floats, Ints, Singles
from mountgen.raster import (
    EMPTY,
    SAGITTA,
    climb,
    dilate_cone,
    dilate_disc,
    empty_field,
    fill_loop,
    find_beside,
    lead_uphill,
    look_around,
    open_disc,
    raster_border,
    raster_faces,
    reach_disc,
    sample_both,
    sample_grid,
    stamp_points,
    sum_free,
    sweep_ball,
)

PITCH, SHAPE, ORIGIN = 0.173, (120, 150), (-12.91, -10.37)  # nodes on no edge of the meshes below
STEEP = 57.29  # 1 / tan(1 degree)


def _nodes(shape: tuple[int, int] = SHAPE, origin: tuple[float, float] = ORIGIN, pitch: float = PITCH) -> Floats:
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    return np.stack([x, y], axis=-1)


def _tops(vertices: Floats, faces: Ints, plan: Floats) -> tuple[Floats, Floats]:
    """Return the highest point of a mesh over each place (N, 2), and its face's normal z, by rays from above; -inf over none."""
    points, corners = np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.int64)
    tree = igl.AABB()
    tree.init(points, corners)
    start = np.column_stack([plan, np.full(len(plan), 100.0)])
    face, far, _ = tree.intersect_ray_first(points, corners, start, np.tile([0.0, 0.0, -1.0], (len(plan), 1)))
    a, b, c = (points[corners[face, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    met = face >= 0
    return np.where(met, 100.0 - far, -np.inf), np.where(met, normal[:, 2] / np.linalg.norm(normal, axis=1), 0.0)


def _crumpled_sheet(seed: int) -> tuple[Floats, Ints]:
    """Return a sheet that folds over itself, so that one place of the plan has several heights."""
    rng = np.random.default_rng(seed)
    u, v = np.meshgrid(np.linspace(-1, 1, 18), np.linspace(-1, 1, 15))
    points = np.stack([10 * u + 3 * np.sin(4 * v), 8 * v + 2.5 * np.sin(5 * u), 4 * np.cos(3 * u) * v], axis=-1).reshape(-1, 3)
    points += rng.normal(0.0, 0.4, points.shape)
    index = np.arange(18 * 15).reshape(15, 18)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    return points, np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))]).astype(np.int32)


@pytest.mark.parametrize("seed", [1, 2])
def test_heights_are_what_rays_from_above_meet(seed: int) -> None:
    vertices, faces = _crumpled_sheet(seed)
    height = raster_faces(vertices, faces, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    top, _ = _tops(vertices, faces, _nodes().reshape(-1, 2))
    met = np.isfinite(top).reshape(SHAPE)
    assert 0.3 < met.mean() < 0.95
    np.testing.assert_array_equal(height > EMPTY, met)
    assert height[met] == pytest.approx(top.reshape(SHAPE)[met], abs=1e-5)
    assert (height[~met] == EMPTY).all()


@pytest.mark.parametrize("ball", [0.5, 1.3])
def test_balls_and_moved_faces_make_the_minkowski_sum(ball: float) -> None:
    """The exact sum comes from manifold3d; its ball is a polyhedron inside ours by the chord of its segments."""
    from manifold3d import Manifold

    segments = 48
    solid = Manifold.cube((9.0, 7.0, 5.0), True) - Manifold.cube((4.0, 3.0, 6.0), True).translate((1.0, 1.0, 3.0))
    solid = (solid + Manifold.cylinder(8.0, 0.0, 1.5, 5).translate((-3.0, -1.5, 0.0))).rotate((23.0, 14.0, 31.0))
    grown = solid.minkowski_sum(Manifold.sphere(ball, segments)).to_mesh64()
    mesh = solid.to_mesh64()
    vertices, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32)
    clearance = np.full(len(faces), ball)
    height = sweep_ball(vertices, faces, clearance, slope=STEEP, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    top, upright = _tops(np.asarray(grown.vert_properties)[:, :3], np.asarray(grown.tri_verts).astype(np.int32),
                         _nodes().reshape(-1, 2))
    chord = ball * (1.0 - cos(pi / segments) ** 2)  # of a sphere facetted both ways
    met = np.isfinite(top)
    # beside a step the cones of its brow hang in; elsewhere a node's neighbour is no higher than the face's slope makes it
    climb_a_node = PITCH * sqrt(2.0) * np.sqrt(1.0 / np.maximum(upright, 0.35) ** 2 - 1.0)
    step = ndimage.maximum_filter(np.where(met, top, -50.0).reshape(SHAPE), size=5).reshape(-1)
    plain = met & (upright > 0.35) & (step < top + 2.0 * climb_a_node + 0.3)
    # measured square to the surface; at a slope a distance shows up as height by 1 / normal z
    across = (height.reshape(-1)[plain] - top[plain]) * upright[plain]
    assert len(across) > 2500
    scallop = ball - sqrt(ball**2 - 2.0 * ball * SAGITTA)  # between balls along an edge, exactly
    assert across.min() > -scallop - 1e-3
    assert across.max() < chord + 2e-3
    assert (height.reshape(-1)[met] > EMPTY).all()


def test_one_ball_is_a_half_ball_with_a_tangent_cone() -> None:
    ball, slope, skirt = 0.9, 4.0, 2.5 * PITCH
    place = np.array([[0.31, -0.22, -7.0]])
    height = stamp_points(place, np.array([ball]), slope=slope, origin=ORIGIN, pitch=PITCH, height=empty_field(SHAPE))
    away = np.linalg.norm(_nodes() - place[0, :2], axis=-1)
    touch = ball * slope / sqrt(1.0 + slope**2)
    flank = place[0, 2] + ball * sqrt(1.0 + slope**2) - slope * away
    wanted = np.where(away < touch, place[0, 2] + np.sqrt(np.maximum(ball**2 - away**2, 0.0)), flank)
    near = away <= ball + skirt
    assert height[near] == pytest.approx(wanted[near], abs=1e-5)
    assert (height[~near] == EMPTY).all()
    # value and slope agree where ball and cone meet
    assert sqrt(ball**2 - touch**2) == pytest.approx(ball * sqrt(1.0 + slope**2) - slope * touch)
    assert touch / sqrt(ball**2 - touch**2) == pytest.approx(slope)


def test_stamping_points_keeps_what_is_higher() -> None:
    before = np.full(SHAPE, 2.0, dtype=np.float32)
    low = stamp_points(np.array([[0.0, 0.0, 0.0]]), np.array([1.0]), slope=STEEP, origin=ORIGIN, pitch=PITCH, height=before)
    np.testing.assert_array_equal(low, before)
    high = stamp_points(np.array([[0.0, 0.0, 5.0]]), np.array([1.0]), slope=STEEP, origin=ORIGIN, pitch=PITCH, height=before)
    assert float(high.max()) == pytest.approx(6.0, abs=0.02)
    assert (before == 2.0).all()


@pytest.mark.parametrize("slope", [0.7, 5.0])
def test_cone_dilation_is_the_brute_force_one_but_for_2_8_per_cent_of_distance(slope: float) -> None:
    rng = np.random.default_rng(4)
    pitch, shape = 0.3, (31, 37)
    height = rng.normal(0.0, 4.0, shape).astype(np.float32)
    height[10:15, 8:30] = EMPTY
    found = dilate_cone(height, slope=slope, pitch=pitch)
    nodes = _nodes(shape, (0.0, 0.0), pitch).reshape(-1, 2)
    away = np.linalg.norm(nodes[:, None] - nodes[None], axis=2)
    flat = height.reshape(-1).astype(np.float64)
    exact = (flat[None] - slope * away).max(axis=1).reshape(shape)
    lowest = (flat[None] - slope * 1.028 * away).max(axis=1).reshape(shape)
    assert (found <= exact + 1e-4).all()
    assert (found >= lowest - 1e-4).all()
    assert (found > height + 1e-3).mean() > 0.3  # the cone did something


def _climb_slowly(height: Singles, start: Bools, rise: Singles) -> Floats:
    """Dijkstra: settle the lowest node first; a step away from it climbs at least its rise."""
    rows, cols = height.shape
    level = np.full(height.shape, np.inf)
    queue = [(float(height[r, c]), int(r), int(c)) for r, c in np.argwhere(start)]
    for z, r, c in queue:
        level[r, c] = z
    heapq.heapify(queue)
    while queue:
        z, r, c = heapq.heappop(queue)
        if z > level[r, c]:
            continue
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                i, j = r + dr, c + dc
                if (dr or dc) and 0 <= i < rows and 0 <= j < cols:
                    at = max(float(height[i, j]), z + float(rise[r, c]) * hypot(dr, dc))
                    if at < level[i, j]:
                        level[i, j] = at
                        heapq.heappush(queue, (at, i, j))
    return level


@pytest.mark.parametrize("seed", [5, 6])
def test_climbing_settles_where_dijkstra_does(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape, pitch = (26, 33), 0.25
    height = ndimage.gaussian_filter(rng.normal(0.0, 30.0, shape), 2.0).astype(np.float32)
    start = height < np.quantile(height, 0.1)
    slope = rng.uniform(0.3, 3.0, shape).astype(np.float32)
    found = climb(height, start, slope, pitch=pitch)
    assert found == pytest.approx(_climb_slowly(height, start, slope * pitch), abs=2e-3)
    assert (found >= height).all()
    assert (found > height + 0.1).any()


def test_a_pit_that_the_floor_cannot_reach_is_filled_to_its_sill() -> None:
    height = np.full((9, 30), -10.0, dtype=np.float32)
    height[:, 12:14] = -4.0  # a sill between the floor and a pit as deep
    start = np.zeros(height.shape, dtype=bool)
    start[:, :5] = True
    filled = climb(height, start, np.zeros(height.shape, dtype=np.float32), pitch=0.5)
    assert (filled[:, :12] == -10.0).all()
    assert (filled[:, 12:] == -4.0).all()


@pytest.mark.parametrize("seed", range(3))
def test_nodes_inside_a_loop_are_those_shapely_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0.0, 2.0 * pi, 40))
    radius = rng.uniform(3.0, 9.0, 40)
    loop = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    inside = fill_loop(loop, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    wanted = shapely.contains_xy(shapely.Polygon(loop), _nodes().reshape(-1, 2)).reshape(SHAPE)
    assert wanted.any()
    np.testing.assert_array_equal(inside, wanted)
    np.testing.assert_array_equal(fill_loop(loop[::-1], origin=ORIGIN, pitch=PITCH, shape=SHAPE), wanted)


def test_a_loop_that_crosses_itself_is_filled_by_the_even_odd_rule() -> None:
    angle = np.arange(5) * 4.0 * pi / 5.0 + 0.1
    star = 8.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    inside = fill_loop(star, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
    wanted = shapely.contains_xy(shapely.make_valid(shapely.Polygon(star)), _nodes().reshape(-1, 2)).reshape(SHAPE)
    np.testing.assert_array_equal(inside, wanted)
    assert not inside[round(-ORIGIN[1] / PITCH), round(-ORIGIN[0] / PITCH)]  # its heart is covered twice


def test_looking_around_takes_the_highest_of_what_is_met_first() -> None:
    height = np.full((41, 61), -10.0, dtype=np.float32)
    height[:, 40:] = -3.0  # the side on which the hole is bounded higher
    height[:, :8] = 5.0  # higher still, but behind the low ground on the left
    height[12:29, 20:40] = EMPTY
    wanted = height == EMPTY
    found = look_around(height, np.full_like(height, EMPTY), wanted, reach=30.0, pitch=1.0)
    assert found.shape == (int(wanted.sum()),)
    assert (found == -3.0).all()


def test_looking_around_meets_nothing_beyond_its_reach() -> None:
    height = np.full((41, 41), -10.0, dtype=np.float32)
    height[5:36, 5:36] = EMPTY
    wanted = np.zeros(height.shape, dtype=bool)
    wanted[20, 20] = True
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=5.0, pitch=0.5)[0] == EMPTY
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=20.0, pitch=0.5)[0] == -10.0


def test_samples_between_nodes_are_those_of_scipy() -> None:
    rng = np.random.default_rng(7)
    field = rng.normal(0.0, 5.0, (23, 31)).astype(np.float32)
    points = rng.uniform([-1.0, -2.0], [2.0 + 31 * 0.4, 3.0 + 23 * 0.4], (50, 40, 2))
    found = sample_grid(field, points, origin=(0.5, 1.0), pitch=0.4)
    places = np.stack([(points[..., 1] - 1.0) / 0.4, (points[..., 0] - 0.5) / 0.4])
    wanted = ndimage.map_coordinates(field.astype(np.float64), places, order=1, mode="nearest")
    assert found.shape == (50, 40)
    # the last node is left by a thousandth of a pitch, so that there always is a next one
    assert found == pytest.approx(wanted, abs=2e-3 * float(np.ptp(field)))
    inner = ((places >= 0.0) & (places <= np.array([21.9, 29.9])[:, None, None])).all(axis=0)
    assert found[inner] == pytest.approx(wanted[inner], abs=1e-5)
    both = sample_both(field, -2.0 * field, points.reshape(-1, 2), origin=(0.5, 1.0), pitch=0.4)
    for values, scale in zip(both, (1.0, -2.0), strict=True):
        np.testing.assert_array_equal(values.reshape(found.shape), scale * found)


@pytest.mark.parametrize("radius", [0.1, 0.9, 2.0])
def test_flat_disc_dilation_is_that_of_scipy(radius: float) -> None:
    field = np.random.default_rng(8).normal(0.0, 5.0, (40, 30)).astype(np.float32)
    reach = int(radius / 0.25)
    row, col = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    wanted = ndimage.maximum_filter(field, footprint=row**2 + col**2 <= reach**2, mode="nearest")
    np.testing.assert_array_equal(dilate_disc(field, radius=radius, pitch=0.25), wanted)


@pytest.mark.parametrize("nodes", [0.4, 1.0, 2.5, 6.0, 7.9])
def test_a_mask_is_opened_like_by_the_library_s_erosion_and_dilation(nodes: float) -> None:
    rng = np.random.default_rng(3)
    mask = ndimage.gaussian_filter(rng.normal(size=(80, 90)), 3.0) > -0.02  # reaches the grid's edge
    reach = np.arange(-8, 9)
    disc = reach[:, None] ** 2 + reach**2 <= nodes**2
    opened = open_disc(mask, radius=nodes * 0.25, pitch=0.25)
    assert 0 < opened.sum() <= mask.sum()
    np.testing.assert_array_equal(opened, ndimage.binary_opening(mask, disc))


@pytest.mark.parametrize("nodes", [0.5, 1.5, 4.0, 7.5])
def test_what_lies_within_a_radius_of_a_mask_is_told_by_the_library_s_distances(nodes: float) -> None:
    mask = np.random.default_rng(5).random((50, 70)) < 0.02
    away = ndimage.distance_transform_edt(~mask)
    np.testing.assert_array_equal(reach_disc(mask, radius=nodes * 0.2, pitch=0.2), away <= nodes)
    assert not reach_disc(np.zeros_like(mask), radius=nodes * 0.2, pitch=0.2).any()
    label = np.where(mask, 3, 0).astype(np.int32)
    wanted = np.flatnonzero(~mask)
    found = find_beside(label, wanted, radius=nodes * 0.2, pitch=0.2)
    near = away.ravel()[wanted] <= nodes
    np.testing.assert_array_equal(found >= 0, near)
    assert mask.ravel()[found[near]].all()
    apart = [np.subtract(*each) for each in zip(divmod(found[near], 70), divmod(wanted[near], 70), strict=True)]
    np.testing.assert_allclose(np.hypot(*apart), away.ravel()[wanted][near])  # of several as near any will do


def test_a_border_stands_in_for_the_steep_ground_behind_it() -> None:
    height = np.full((11, 21), -10.0, dtype=np.float32)
    height[:, 12:] = 50.0  # a pitch into the wall
    height[:, 8:12] = EMPTY
    border = np.full_like(height, EMPTY)
    border[:, 12] = -3.0  # where the wall was last seen
    wanted = height == EMPTY
    assert look_around(height, border, wanted, reach=20.0, pitch=1.0).max() == -3.0
    assert look_around(height, np.full_like(height, EMPTY), wanted, reach=20.0, pitch=1.0).max() == 50.0


def test_border_edges_are_met_at_every_node_they_pass() -> None:
    vertices = np.array([[1.0, 1.0, -4.0], [7.0, 3.0, -1.0], [7.0, 3.0, -9.0]])
    grid = {"origin": (0.0, 0.0), "pitch": 0.5, "shape": (12, 20)}
    found = raster_border(vertices, np.array([[0, 1], [0, 2]]), **grid)
    line = shapely.LineString(vertices[:2, :2])
    row, col = np.nonzero(found > EMPTY)
    away = shapely.distance(line, shapely.points(np.column_stack([0.5 * col, 0.5 * row])))
    assert away.max() < 0.5 * 1.5 * np.sqrt(2.0)  # in the cell or one beside it
    x, y = np.meshgrid(0.5 * np.arange(20), 0.5 * np.arange(12))
    near = shapely.distance(line, shapely.points(np.column_stack([x.ravel(), y.ravel()]))).reshape(x.shape) < 0.25
    assert (found[near] > EMPTY).all()
    at = line.project(shapely.points(0.5 * col, 0.5 * row), normalized=True)
    np.testing.assert_allclose(found[row, col], -4.0 + 3.0 * at, atol=0.45)  # the higher of the two edges


def test_every_node_is_led_uphill_to_where_always_the_highest_neighbour_leads() -> None:
    rng = np.random.default_rng(4)
    height = rng.random((14, 17)).astype(np.float32)
    label = np.where(rng.random(height.shape) < 0.1, rng.integers(1, 5, height.shape), 0).astype(np.int32)
    found = lead_uphill(height, label)
    for start in np.ndindex(height.shape):
        here = start
        while label[here] == 0:
            around = [
                (here[0] + dr, here[1] + dc) for dr in (-1, 0, 1) for dc in (-1, 0, 1)
                if 0 <= here[0] + dr < height.shape[0] and 0 <= here[1] + dc < height.shape[1]
            ]  # fmt: skip
            best = max(around, key=lambda node: height[node])
            if best == here:
                break
            here = best
        assert found[start] == label[here], start


@pytest.mark.parametrize("order", [(0, 1, 2), (1, 2, 0), (2, 0, 1), (0, 2, 1), (2, 1, 0), (1, 0, 2)])
def test_a_lone_triangle_is_cleared_along_every_one_of_its_edges(order: tuple[int, int, int]) -> None:
    """However its corners are numbered: no neighbour stamps an edge that has none."""
    corners = np.array([[-3.0, -2.0, 1.0], [3.5, -1.0, 1.0], [0.0, 4.0, 1.0]])
    vertices = np.empty((3, 3))
    vertices[list(order)] = corners
    clear = 0.6
    height = sweep_ball(
        vertices, np.array([order], dtype=np.int32), np.array([clear]), slope=STEEP, origin=ORIGIN, pitch=PITCH, shape=SHAPE
    )
    away = shapely.distance(shapely.Polygon(corners[:, :2]), shapely.points(_nodes().reshape(-1, 2))).reshape(SHAPE)
    near = away < 0.9 * clear
    np.testing.assert_allclose(height[near], 1.0 + np.sqrt(clear**2 - away[near] ** 2), atol=0.03)


@pytest.mark.parametrize("numbers", [(0, 1, 2, 3), (1, 0, 2, 3), (3, 2, 1, 0)])
def test_an_edge_between_two_zones_is_cleared_by_the_larger_of_their_balls(numbers: tuple[int, int, int, int]) -> None:
    """However its ends are numbered. Closed form: the ball of either face's own clearance about every point of the ridge."""
    ridge, less, more = 12.0, 0.3, 1.1
    corners = np.array([[-ridge / 2, 0.0, 0.0], [ridge / 2, 0.0, 0.0], [0.0, 4.0, -12.0], [0.0, -4.0, -12.0]])
    vertices = np.empty((4, 3))
    vertices[list(numbers)] = corners
    faces = np.array(numbers, dtype=np.int32)[[[0, 1, 2], [1, 0, 3], [2, 1, 3], [0, 2, 3]]]
    for zones in ([less, more, less, less], [more, less, less, less]):
        height = sweep_ball(vertices, faces, np.array(zones), slope=STEEP, origin=ORIGIN, pitch=PITCH, shape=SHAPE)
        x, y = np.moveaxis(_nodes(), -1, 0)
        over = (abs(x) < 0.4 * ridge) & (abs(y) < 0.2 * more)
        assert over.sum() > 100
        np.testing.assert_allclose(height[over], np.sqrt(more**2 - y[over] ** 2), atol=0.02)


@pytest.mark.parametrize("turn", [0.0, 0.5, -1.2])
@pytest.mark.parametrize("slope", [(0.0, 0.0), (0.1, -0.2)])
def test_free_room_over_a_plane_floor_is_a_prism_whichever_way_it_is_left(turn: float, slope: tuple[float, float]) -> None:
    """Under a plane lid the room over a level floor, left through a round mouth along a slope, is a slanted cylinder."""
    depth, radius, pitch, lean = 20.0, 30.0, 0.25, 0.1
    shape, origin = (400, 400), (-50.0, -50.0)
    x, y = np.meshgrid(origin[0] + pitch * np.arange(shape[1]), origin[1] + pitch * np.arange(shape[0]))
    height = np.full(shape, -depth, dtype=np.float32)
    height[y > 40.0] = EMPTY
    lid = np.array([1.0, lean, 0.0, 0.0, 0.0, 0.0])
    mouth = np.hypot(x, y) < radius
    room = sum_free(
        height, mouth, lid, slope=np.array(slope), level=0.0, turn=turn, origin=origin, pitch=pitch, steps=8
    )  # fmt: skip
    squeezed = 1.0 - lean * slope[0]  # of plan area at level 0 per area where lines along the slope meet the lid
    assert room == pytest.approx(np.pi * radius**2 * (depth + 1.0) * squeezed, rel=2e-3)
