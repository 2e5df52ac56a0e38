"""Triangles of a spline face, halved until they keep their chord error; held against dense samples of the surface."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import Delaunay

from mountgen import child, refine
from mountgen.arrays import Floats
from mountgen.kernel import height_surface
from mountgen.nearest import build_tree, find_nearest
from mountgen.patch import Patch
from mountgen.refine import refine_patch, refine_patches
from mountgen.spline import Axis, Surface, fit_surface, uniform_axis

SIDE = 20.0  # mm
CHORD = 0.02  # mm


def _rippled(height: float) -> Surface:
    """Return waves 5 mm long, across both ways, as a height field over a square."""
    axis = uniform_axis(0.0, SIDE, 0.5)
    x = np.linspace(0.0, SIDE, 161)
    waves = height * np.sin(2 * np.pi * x / 5.0)[:, None] * np.cos(2 * np.pi * x / 5.0)[None, :]
    return fit_surface(x, x, waves[..., None], axis, Axis(axis.breaks, False))


def _patch(surface: Surface, count: int, seed: int) -> Patch:
    """Return a few triangles on the surface whose border is fine."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    rng = np.random.default_rng(seed)
    edge = np.linspace(0.0, SIDE, 201)
    border = np.vstack([
        np.column_stack(pair) for pair in ((edge, 0 * edge), (edge, 0 * edge + SIDE), (0 * edge, edge), (0 * edge + SIDE, edge))
    ])
    at = np.unique(np.vstack([border, rng.uniform(0.5, SIDE - 0.5, (count, 2))]), axis=0)
    triangles = Delaunay(at).simplices
    (ax, ay), (bx, by) = (at[triangles[:, k]].T - at[triangles[:, 0]].T for k in (1, 2))
    turn = ax * by - ay * bx
    triangles = triangles[np.abs(turn) > 1e-9]
    triangles[turn[np.abs(turn) > 1e-9] < 0] = triangles[turn[np.abs(turn) > 1e-9] < 0][:, ::-1]
    corners = np.column_stack([at, surface.at_points(at[:, 0], at[:, 1])])
    face = BRepBuilderAPI_MakeFace(height_surface(surface), 1e-6).Face()
    return Patch(face, corners, at, triangles.astype(np.int32), False)


def _area(points: Floats, triangles: Floats) -> float:
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_every_place_of_the_surface_is_within_the_chord(seed: int) -> None:
    surface = _rippled(0.4)
    made = refine_patch(_patch(surface, 60, seed), chord=CHORD)
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(0.2, SIDE - 0.2, 400), np.linspace(0.2, SIDE - 0.2, 400)))
    dense = np.column_stack([x, y, surface.at_points(x, y)])
    tree = build_tree(made.corners, made.triangles)
    away = find_nearest(tree, dense, travel=0.0, bound=np.full(len(dense), np.inf)).distance
    assert away.max() < 1.5 * CHORD  # of single places between those that are looked at
    assert np.quantile(away, 0.999) < CHORD


def test_triangles_stay_a_sheet_over_the_same_ground() -> None:
    surface = _rippled(0.4)
    given = _patch(surface, 60, 3)
    made = refine_patch(given, chord=CHORD)
    assert len(made.triangles) > 3 * len(given.triangles)
    assert np.array_equal(made.corners[: len(given.corners)], given.corners)
    flat = np.column_stack([made.parameters, np.zeros(len(made.parameters))])
    a, b, c = (flat[made.triangles[:, k]] for k in range(3))
    assert (np.cross(b - a, c - a)[:, 2] > 0.0).all()  # none turned over
    assert _area(flat, made.triangles) == pytest.approx(SIDE**2)  # no gap, no overlap
    # borders are those that were given: each edge is used once there, twice inside
    edges = np.sort(np.stack([made.triangles, np.roll(made.triangles, -1, axis=1)], axis=-1).reshape(-1, 2), axis=1)
    pairs, count = np.unique(edges, axis=0, return_counts=True)
    assert set(count.tolist()) == {1, 2}
    assert (pairs[count == 1] < len(given.corners)).all()


@pytest.mark.parametrize("inside", [1, 2])
def test_corners_on_the_wrong_side_of_a_straight_border_are_dropped(inside: int) -> None:
    """A plane whose parameters are bent: x = s + 0.4 sin(pi t / 10), z = t. Its border x = 0 from z = 0 to 10 is one chord.

    In parameters that chord is the line s = 0, and in space what lies on it in the middle is 0.4 mm beyond the border.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Pln

    across, along = uniform_axis(-2.0, 8.0, 1.0), uniform_axis(0.0, 10.0, 0.5)
    s, t = np.linspace(-2.0, 8.0, 81), np.linspace(0.0, 10.0, 161)
    bent = s[:, None] - 0.4 * np.sin(np.pi * t / 10.0)[None, :]
    plane = np.stack([bent, np.zeros_like(bent), np.broadcast_to(t, bent.shape)], axis=-1)
    surface = fit_surface(s, t, plane, across, along)
    at = np.array([[0.0, 10.0], [0.0, 0.0], [5.0, 0.0], [5.0, 10.0], [0.15, 5.0], [0.25, 5.5]])[: 4 + inside]
    triangles = Delaunay(at).simplices
    (ax, ay), (bx, by) = (at[triangles[:, k]].T - at[triangles[:, 0]].T for k in (1, 2))
    turn = ax * by - ay * bx
    triangles[turn < 0.0] = triangles[turn < 0.0][:, ::-1]
    corners = surface.at_points(*at.T)
    assert (corners[4:, 0] < -0.05).all()  # beyond x = 0
    face = BRepBuilderAPI_MakeFace(gp_Pln(), 0.0, 1.0, 0.0, 1.0).Face()
    given = Patch(face, corners, at, triangles.astype(np.int32), False, spline=surface)
    made = refine_patch(given, chord=CHORD)
    a, b, c = (made.corners[made.triangles[:, k]] for k in range(3))
    assert (np.cross(b - a, c - a)[:, 1] < 0.0).all()  # all the same way round
    assert made.corners[:, 0].min() > -1e-3
    assert np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0 == pytest.approx(50.0, rel=1e-3)
    assert len(np.unique(made.triangles)) == len(made.corners)  # none is left over


def test_a_face_whose_triangles_never_come_near_it_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """One on a surface of much finer ripples than its border: halved ten times, its triangles would be a million for one."""
    given = _patch(_rippled(4.0), 60, 5)
    monkeypatch.setattr(refine, "MOST", 10_000)
    made = refine_patch(given, chord=1e-5)
    assert 2_500 < len(made.triangles) < 60_000
    flat = np.column_stack([made.parameters, np.zeros(len(made.parameters))])
    assert _area(flat, made.triangles) == pytest.approx(SIDE**2)  # still a sheet


def test_what_is_near_enough_stays_as_it_is() -> None:
    given = _patch(_rippled(0.001), 60, 4)
    assert np.array_equal(refine_patch(given, chord=CHORD).triangles, given.triangles)


def test_other_surfaces_are_left_to_the_kernel() -> None:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Ax3, gp_Cylinder

    face = BRepBuilderAPI_MakeFace(gp_Cylinder(gp_Ax3(), 5.0), 0.0, 1.0, 0.0, 1.0).Face()
    given = Patch(face, np.eye(3), np.zeros((3, 2)), np.array([[0, 1, 2]], dtype=np.int32), False)
    assert refine_patch(given, chord=CHORD) is given


def test_a_sliver_that_leans_is_put_across() -> None:
    """Three corners almost in a row on a bulge of 0.016 mm make a triangle that leans 58 degrees; with the fourth, none does."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace

    axis = uniform_axis(-1.5, 1.5, 0.5)
    x = np.linspace(-1.5, 1.5, 121)
    surface = fit_surface(x, x, np.broadcast_to(-0.016 * x[:, None, None] ** 2, (121, 121, 1)), axis, axis)
    at = np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, 0.01], [0.0, -1.0]])
    corners = np.column_stack([at, surface.at_points(at[:, 0], at[:, 1])])
    face = BRepBuilderAPI_MakeFace(height_surface(surface), 1e-6).Face()
    given = Patch(face, corners, at, np.array([[0, 1, 2], [1, 0, 3]], dtype=np.int32), False)
    made = refine_patch(given, chord=CHORD)
    assert {frozenset(t) for t in made.triangles.tolist()} == {frozenset((0, 3, 2)), frozenset((3, 1, 2))}
    normals = np.cross(*(corners[made.triangles[:, k]] - corners[made.triangles[:, 0]] for k in (1, 2)))
    assert (normals[:, 2] > 0.9 * np.linalg.norm(normals, axis=1)).all()


@pytest.mark.parametrize("processors", [1, 2])
@pytest.mark.parametrize("few", [0, 10**9])
def test_many_faces_are_refined_as_each_alone(monkeypatch: pytest.MonkeyPatch, processors: int, few: int) -> None:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Ax3, gp_Cylinder

    monkeypatch.setattr(child, "count_processors", lambda: processors)
    monkeypatch.setattr(refine, "FEW", few)
    face = BRepBuilderAPI_MakeFace(gp_Cylinder(gp_Ax3(), 5.0), 0.0, 1.0, 0.0, 1.0).Face()
    other = Patch(face, np.eye(3), np.zeros((3, 2)), np.array([[0, 1, 2]], dtype=np.int32), False)
    given = [_patch(_rippled(height), count, seed) for seed, (height, count) in enumerate([(0.2, 30), (0.4, 60), (0.1, 20)])]
    given.insert(1, other)
    made = refine_patches(given, chord=CHORD)
    assert made[1] is other
    for before, after in zip(given, made, strict=True):
        alone = refine_patch(before, chord=CHORD)
        assert after.face is before.face
        for name in ("corners", "parameters", "triangles"):
            assert np.array_equal(getattr(after, name), getattr(alone, name))


def test_no_faces_are_no_triangles() -> None:
    assert refine_patches([], chord=CHORD) == []
