"""Columns through meshes: against closed forms, volumes and another library's rays."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest
import trimesh

from mountgen.columns import cut_columns
from mountgen.kernel import Mesh
from tests.decks import as_mesh


def grid(low: float, high: float, count: int) -> np.ndarray:
    """Return the middles of `count` equal cells."""
    return low + (np.arange(count) + 0.5) * (high - low) / count


def box(size: tuple[float, float, float], corner: tuple[float, float, float]) -> Mesh:
    return as_mesh(manifold3d.Manifold.cube(size).translate(corner))


def test_a_box_is_crossed_twice_in_each_column() -> None:
    mesh = box((30.0, 20.0, 5.0), (0.0, 0.0, -7.0))
    found = cut_columns(mesh.vertices, mesh.faces, x=grid(-10, 40, 50), y=grid(-10, 30, 40))
    inside = np.isfinite(found.height).all(axis=2)
    assert found.height.shape == (40, 50, 2)
    assert np.count_nonzero(inside) == 600  # 30 x 20 cells of 1 mm: exact, as the box ends where cells do
    np.testing.assert_allclose(found.height[inside], [[-7.0, -2.0]] * 600)
    assert (found.rises[inside] == [False, True]).all()
    np.testing.assert_array_equal(np.isfinite(found.height).any(axis=2), inside)


def test_columns_fill_a_ring_with_its_volume() -> None:
    ring = manifold3d.Manifold.revolve(manifold3d.CrossSection.circle(6.0, 200).translate((15.0, 0.0)), 300)
    mesh = as_mesh(ring.rotate((63.0, 0.0, 20.0)))
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    x, y = grid(low[0], high[0], 211), grid(low[1], high[1], 193)
    found = cut_columns(mesh.vertices, mesh.faces, x=x, y=y)
    assert found.height.shape[2] == 4  # two walls of the ring one above the other
    height = np.where(np.isfinite(found.height), found.height, 0.0)
    solid = np.where(found.rises, height, -height).sum()
    volume = solid * (x[1] - x[0]) * (y[1] - y[0])
    assert volume == pytest.approx(2.0 * np.pi**2 * 15.0 * 6.0**2, rel=2e-3)  # a torus, Pappus
    ups, downs = (np.isfinite(found.height) & (found.rises == way) for way in (True, False))
    np.testing.assert_array_equal(ups.sum(axis=2), downs.sum(axis=2))  # whatever is entered is left


def test_crossings_agree_with_another_librarys_rays() -> None:
    rng = np.random.default_rng(3)
    mesh = as_mesh(manifold3d.Manifold.hull_points(rng.normal(size=(60, 3)) * [20.0, 12.0, 8.0]))
    x, y = grid(-30.0, 30.0, 23), grid(-20.0, 20.0, 17)
    found = cut_columns(mesh.vertices, mesh.faces, x=x, y=y)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    px, py = x[1] - x[0], y[1] - y[0]
    start = np.array([[a + 1.234567e-5 * px, b + 0.987654e-5 * py, -100.0] for b in y for a in x])
    at, ray, _ = other.ray.intersects_location(start, np.tile([0.0, 0.0, 1.0], (len(start), 1)))
    for k in range(len(start)):
        heights = np.sort(at[ray == k, 2])
        mine = found.height.reshape(len(start), -1)[k]
        np.testing.assert_allclose(mine[np.isfinite(mine)], heights, atol=1e-6)


def test_the_highest_below() -> None:
    mesh = as_mesh(
        manifold3d.Manifold.cube((4.0, 4.0, 1.0)) + manifold3d.Manifold.cube((4.0, 4.0, 1.0)).translate((0.0, 0.0, 5.0))
    )
    found = cut_columns(mesh.vertices, mesh.faces, x=grid(0, 4, 4), y=grid(0, 4, 4))
    np.testing.assert_allclose(found.highest(np.inf), 6.0)
    np.testing.assert_allclose(found.highest(5.5), 5.0)
    np.testing.assert_allclose(found.highest(5.5, rising=True), 1.0)
    np.testing.assert_allclose(found.highest(5.5, rising=False), 5.0)
    assert (found.highest(-0.5) == -np.inf).all()


def test_a_mesh_beside_the_grid_is_not_met() -> None:
    mesh = box((5.0, 5.0, 5.0), (100.0, 0.0, 0.0))
    found = cut_columns(mesh.vertices, mesh.faces, x=grid(0, 4, 4), y=grid(0, 4, 4))
    assert found.height.shape == (4, 4, 0)
    assert (found.highest(np.inf) == -np.inf).all()
    with pytest.raises(ValueError, match="two nodes or more along each axis, got 1 x 4"):
        cut_columns(mesh.vertices, mesh.faces, x=np.zeros(1), y=grid(0, 4, 4))
