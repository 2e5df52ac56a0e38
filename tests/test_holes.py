"""Bridges over small holes lie on the free side of the true surface, whichever way it bends."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from mountgen.arrays import Floats, Ints
from mountgen.faces import measure_faces
from mountgen.holes import Bridges, bridge_holes, cover_holes, measure_extent
from mountgen.links import link_faces, trace_loops
from tests.sheets import Surface, cut_hole, make_sheet, random_pose


def bridge(vertices: Floats, faces: Ints) -> Bridges:
    loops = trace_loops(faces, link_faces(faces, len(vertices)).on_border)
    extents = [measure_extent(vertices[loop.vertices]) for loop in loops]
    inner = [loop for loop, extent in zip(loops, extents, strict=True) if extent < max(extents)]
    return bridge_holes(vertices, faces, inner)


def sample_faces(vertices: Floats, faces: Ints, per_face: int = 40) -> Floats:
    weights = np.random.default_rng(0).dirichlet(np.ones(3), per_face)
    points: Floats = np.einsum("pk,fki->fpi", weights, vertices[faces]).reshape(-1, 3)
    return points


SURFACES: dict[str, Surface] = {
    "plane": lambda x, y: 0.2 * x - 0.1 * y,
    "hollow": lambda x, y: (x**2 + y**2) / 40.0,
    "bulging": lambda x, y: -(x**2 + y**2) / 40.0,
    "trough": lambda x, y: x**2 / 30.0,
    "ridge": lambda x, y: -(x**2) / 30.0,
    "saddle": lambda x, y: (x**2 - y**2) / 40.0,
    "fillet": lambda x, y: np.where(x < 0, 0.0, 8.0 - np.sqrt(np.maximum(64.0 - np.clip(x, 0, 6) ** 2, 0.0))),
    "rim": lambda x, y: -np.where(x < 0, 0.0, 8.0 - np.sqrt(np.maximum(64.0 - np.clip(x, 0, 6) ** 2, 0.0))),
}


@pytest.mark.parametrize("name", SURFACES)
@pytest.mark.parametrize("radius", [1.0, 2.0, 2.9])
@pytest.mark.parametrize("centre", [(0.0, 0.0), (1.3, -0.4)])
def test_no_bridge_dips_below_the_surface(name: str, radius: float, centre: tuple[float, float]) -> None:
    """0.04 mm: the mesh's own chord error, e²/(8 r) = 0.008 mm for e 0.7 and r 8 mm, and a jump of curvature
    inside the hole.
    """
    surface = SURFACES[name]
    vertices, faces = make_sheet(surface, half=(10.0, 10.0), pitch=0.5)
    holed = cut_hole(vertices, faces, centre=centre, radius=radius)
    done = bridge(vertices, holed)
    assert (done.filled, done.folded) == (1, 0)
    points = sample_faces(done.vertices, done.faces[len(holed) :])
    over = points[:, 2] - surface(points[:, 0], points[:, 1])
    assert over.min() > (-0.04 if name in ("fillet", "rim") else -0.01)
    assert over.max() < 0.25 * 2.0 * radius + 0.1  # and stays near it
    _, areas = measure_faces(done.vertices * [1, 1, 0], done.faces[len(holed) :])
    _, cut = measure_faces(vertices * [1, 1, 0], faces)
    _, left = measure_faces(vertices * [1, 1, 0], holed)
    # covers the hole once, without a fold
    assert areas.sum() == pytest.approx(cut.sum() - left.sum(), rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_ragged_holes_in_noise(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vertices, faces = make_sheet(SURFACES["bulging"], half=(12.0, 12.0), pitch=0.5)
    vertices[:, 2] += rng.normal(0.0, 0.03, len(vertices))
    middle = vertices[faces].mean(axis=1)
    away = np.hypot(middle[:, 0], middle[:, 1])
    holed = faces[~((away < 2.5) & (rng.random(len(faces)) < 0.8))]
    links = link_faces(holed, len(vertices))
    holed = holed[links.piece == np.bincount(links.piece).argmax()]
    done = bridge(vertices, holed)
    assert done.filled > 0
    points = sample_faces(done.vertices, done.faces[len(holed) :])
    over = points[:, 2] - SURFACES["bulging"](points[:, 0], points[:, 1])
    assert over.min() > -0.12  # four times the noise
    assert np.median(over) > -0.02
    vectors, _ = measure_faces(done.vertices, done.faces[len(holed) :])
    assert (vectors[:, 2] > 0).mean() > 0.97  # all but slivers face the free side


def test_bridges_move_with_the_scan() -> None:
    vertices, faces = make_sheet(SURFACES["saddle"], half=(10.0, 10.0), pitch=0.5)
    holed = cut_hole(vertices, faces, centre=(1.0, 2.0), radius=2.0)
    turn, shift = random_pose(4)
    plain = bridge(vertices, holed)
    moved = bridge(vertices @ turn.T + shift, holed)
    np.testing.assert_array_equal(moved.faces, plain.faces)
    np.testing.assert_allclose(moved.vertices, plain.vertices @ turn.T + shift, atol=1e-6)


def test_crack_without_width_is_left_alone() -> None:
    vertices, faces = make_sheet(SURFACES["plane"], half=(5.0, 5.0), pitch=1.0)
    vertices[:, 2] = 0.0
    a = int(np.flatnonzero((vertices[:, 0] == 0.0) & (vertices[:, 1] == 0.0))[0])
    middle = len(vertices)
    vertices = np.vstack([vertices, [[0.5, 0.0, 0.0]]])
    rows = np.flatnonzero((faces == a).any(axis=1) & (faces == a + 1).any(axis=1))
    split = faces[rows[0]]
    other = int(split[(split != a) & (split != a + 1)][0])
    halves = np.array([[a, middle, other], [middle, a + 1, other]], np.int32)
    done = bridge(vertices, np.vstack([np.delete(faces, rows[0], axis=0), halves]))
    assert (done.filled, done.folded, len(done.faces)) == (0, 0, len(faces) + 1)


def test_extent_does_not_depend_on_the_pose() -> None:
    points = np.random.default_rng(2).normal(size=(60, 3))
    turn, shift = random_pose(5)
    apart = np.linalg.norm(points[:, None] - points[None], axis=2).max()
    assert measure_extent(points) == pytest.approx(apart, rel=1e-12)
    assert measure_extent(points @ turn.T + shift) == pytest.approx(apart, rel=1e-12)
    many = np.random.default_rng(3).normal(size=(2000, 3))
    exact = np.linalg.norm(many[:, None, :] - many[None, :, :], axis=2).max()
    assert 0.87 * exact <= measure_extent(many) <= exact * (1 + 1e-12)  # sqrt(3)/2, see _MANY


CREASED: dict[str, Surface] = {
    "roof": lambda x, y: -np.abs(0.9 * x + 0.43 * y),
    "steep roof": lambda x, y: -2.0 * np.abs(0.9 * x + 0.43 * y),
    "edge of a plateau": lambda x, y: -np.maximum(x, 0.0),
    "corner of a box": lambda x, y: -1.2 * np.maximum(np.maximum(x, y), 0.0),
    "step": lambda x, y: np.clip(2.0 * x, 0.0, 2.0),
    "three planes": lambda x, y: np.maximum(np.maximum(x, y), 0.0),
}
VALLEYS: dict[str, Surface] = {
    "shallow valley": lambda x, y: 0.5 * np.abs(x + 0.3 * y),
    "valley": lambda x, y: np.abs(x + 0.3 * y),
}


def holed_noise(surface: Surface, radius: float, centre: tuple[float, float]) -> tuple[Floats, Ints]:
    vertices, faces = make_sheet(surface, half=(10.0, 10.0), pitch=0.5)
    vertices = vertices + np.random.default_rng(1).normal(0.0, 0.03, vertices.shape)
    return vertices, cut_hole(vertices, faces, centre=centre, radius=radius)


@pytest.mark.parametrize("radius", [1.2, 2.0, 2.9])
@pytest.mark.parametrize("centre", [(0.0, 0.0), (0.8, -0.4)])
@pytest.mark.parametrize("name", CREASED)
def test_a_hole_that_an_edge_may_go_through_stays_open_and_is_covered_by_its_hull(
    name: str, radius: float, centre: tuple[float, float]
) -> None:
    """A roof of slope 1 would be cut by 0.3 to 0.4 mm, one of slope 2 by 1.8, by a fan to the middle of its border."""
    vertices, holed = holed_noise(CREASED[name], radius, centre)
    done = bridge(vertices, holed)
    assert (done.filled, done.uneven, len(done.left)) == (0, 1, 1)
    np.testing.assert_array_equal(done.faces, holed)


def test_the_hull_of_a_hole_covers_a_ridge_that_goes_through_it() -> None:
    surface = CREASED["roof"]
    vertices, faces = make_sheet(surface, half=(10.0, 10.0), pitch=0.5)
    holed = cut_hole(vertices, faces, centre=(0.8, -0.4), radius=2.9)
    loops = trace_loops(holed, link_faces(holed, len(vertices)).on_border)
    (hole,) = (loop for loop in loops if len(loop.vertices) < 80)
    hull = trimesh.Trimesh(vertices, cover_holes(vertices, [hole]), process=False)
    ridge = np.array([(t * 0.43, -t * 0.9) for t in np.linspace(-2.0, 2.0, 30)])
    inside = np.hypot(ridge[:, 0] - 0.8, ridge[:, 1] + 0.4) < 2.2
    met, ray, _ = hull.ray.intersects_location(
        np.column_stack([ridge[inside], np.full(inside.sum(), 20.0)]), np.tile([0.0, 0.0, -1.0], (inside.sum(), 1))
    )
    assert set(ray.tolist()) == set(range(inside.sum()))
    top = np.full(inside.sum(), -np.inf)
    np.maximum.at(top, ray, met[:, 2])
    assert (top - surface(*ridge[inside].T)).min() > -0.12  # the border is cut out of faces of 0.5 mm, which cut the ridge


@pytest.mark.parametrize("radius", [1.2, 2.0, 2.9])
@pytest.mark.parametrize("name", VALLEYS)
def test_a_hole_in_a_valley_is_bridged_above_it(name: str, radius: float) -> None:
    surface = VALLEYS[name]
    vertices, holed = holed_noise(surface, radius, (0.0, 0.0))
    done = bridge(vertices, holed)
    assert (done.filled, done.uneven) == (1, 0)
    points = sample_faces(done.vertices, done.faces[len(holed) :])
    assert (points[:, 2] - surface(points[:, 0], points[:, 1])).min() > -0.12  # four times the noise
