"""The z-buffer and the dilation by a ball against rays, an exact Minkowski sum and shapely."""

from __future__ import annotations

from math import cos, pi, sqrt

import igl
import numpy as np
import pytest
import shapely
from scipy import ndimage

from mountgen.arrays import Floats, Ints
from mountgen.grid import EMPTY, empty_field
from mountgen.raster import SAGITTA, raster_border, raster_faces, stamp_points, sweep_ball
from tests.nodes import ORIGIN, PITCH, SHAPE, lay_nodes

STEEP = 57.29  # 1 / tan(1 degree)


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
    top, _ = _tops(vertices, faces, lay_nodes().reshape(-1, 2))
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
                         lay_nodes().reshape(-1, 2))
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
    away = np.linalg.norm(lay_nodes() - place[0, :2], axis=-1)
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
    away = shapely.distance(shapely.Polygon(corners[:, :2]), shapely.points(lay_nodes().reshape(-1, 2))).reshape(SHAPE)
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
        x, y = np.moveaxis(lay_nodes(), -1, 0)
        over = (abs(x) < 0.4 * ridge) & (abs(y) < 0.2 * more)
        assert over.sum() > 100
        np.testing.assert_allclose(height[over], np.sqrt(more**2 - y[over] ** 2), atol=0.02)
