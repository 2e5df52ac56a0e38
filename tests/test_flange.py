"""Flanges: they follow a bowed panel at the clearance, reach as far as asked, and say how far the scan would let them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely

from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError
from mountgen.features.flange import make_flange, upright_tube
from mountgen.features.plug import make_plug
from mountgen.gap import TOLERANCE
from mountgen.kernel import tessellate
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import Flange
from mountgen.surface import Surface
from tests.checks import assert_printable
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap

BOW = 400.0  # mm, radius of the bowed panel


def dome_recess(*, size: float = 120.0, step: float = 1.5, hole: float = 25.0, bow: float = BOW) -> Recess:
    """A round hole in a panel bowed like a ball, upright walls left out: a flange needs no more."""
    axis = np.arange(-0.5 * size, 0.5 * size + 0.1, step)
    x, y = np.meshgrid(axis, axis)
    z = np.sqrt(bow**2 - x**2 - y**2) - bow
    index = np.arange(x.size).reshape(x.shape)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    vertices = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    faces = faces[(np.hypot(*vertices[faces].mean(axis=1)[:, :2].T) > hole)]
    turn = np.linspace(0.0, 2.0 * np.pi, 160, endpoint=False)
    rim = hole * np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])
    rim[:, 2] = np.sqrt(bow**2 - hole**2) - bow
    lid = np.array([0.0, 0.0, 0.0, -0.5 / bow, 0.0, -0.5 / bow])
    return Recess(vertices, faces.astype(np.int32), rim, lid, np.eye(4), np.array([0.0, 1.0, 0.0]), 20.0)


def test_underside_keeps_the_clearance_from_a_bowed_panel() -> None:
    """Exact: the panel grown by a ball is a ball of the larger radius."""
    recess = dome_recess()
    border = make_flange(recess, 0.9 * recess.rim[:, :2], flange=Flange(width=10.0, thickness=2.0), clearance=0.6, radius=0.0)
    mesh = tessellate(border.plate())
    r = np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1])
    height = np.linalg.norm(mesh.vertices + np.array([0.0, 0.0, BOW]), axis=1) - BOW
    ring = r > 25.5
    assert height[ring].min() >= 0.6
    under = height[ring & (r < 34.9) & (height < 1.6)]
    assert np.quantile(under, 0.95) <= 0.6 + 0.08
    assert height[ring].max() == pytest.approx(2.6, abs=0.1)
    assert r.max() == pytest.approx(35.0, abs=0.05)
    # the plate's plan is a disc, and its height everywhere its thickness
    assert measure_volume(mesh) == pytest.approx(np.pi * 35.0**2 * 2.0, rel=0.005)


def exact_volume(solid: Any) -> float:
    """The volume of a solid by the kernel's own integration over its faces, mm³."""
    from OCP.BRepGProp import BRepGProp
    from OCP.GProp import GProp_GProps

    properties = GProp_GProps()
    BRepGProp.VolumeProperties_s(solid, properties)
    return float(properties.Mass())


def test_rounding_takes_material_from_the_upper_outer_edge_only() -> None:
    recess = dome_recess()
    sharp, rounded = (
        exact_volume(
            make_flange(
                recess, 0.9 * recess.rim[:, :2], flange=Flange(width=10.0, thickness=2.0), clearance=0.6, radius=radius
            ).plate()
        )
        for radius in (0.0, 1.0)
    )
    # the top falls away to the edge by asin(35 / 400), so the corner is that much wider than a right angle; what a
    # unit circle leaves of a corner of angle t has the area cot(t/2) - (pi - t)/2 (Pappus: turned about the axis)
    angle = 0.5 * np.pi + np.arcsin(35.0 / BOW)
    lost = (1.0 / np.tan(0.5 * angle) - 0.5 * (np.pi - angle)) * 2.0 * np.pi * 34.8
    assert sharp - rounded == pytest.approx(lost, rel=0.01)


def test_a_panel_that_is_too_small_names_the_widest_flange() -> None:
    recess = dome_recess(size=80.0)  # the panel ends 15 mm past the rim
    with pytest.raises(FeatureError) as caught:
        make_flange(recess, recess.rim[:, :2], flange=Flange(width=20.0, thickness=2.0), clearance=0.5, radius=0.0)
    assert caught.value.where == "flange.width"
    assert "but the flange is 20 mm wide" in caught.value.what
    widest = float(caught.value.remedy.split()[1])
    assert widest == pytest.approx(15.0, abs=0.6)
    make_flange(recess, recess.rim[:, :2], flange=Flange(width=widest, thickness=2.0), clearance=0.5, radius=0.0)


def test_plug_with_a_flange_is_one_sound_body_that_clears_the_panel() -> None:
    recess, space, shell = prepare("round_well")
    recipe = PlugRecipe(name="plug", flange={"width": 6.0, "thickness": 2.0})  # type: ignore[arg-type]
    mesh = make_plug(shell, space, recess, recipe=recipe).body.mesh
    assert_printable(mesh)
    assert least_gap(mesh, recess) >= CLEARANCE - TOLERANCE
    assert raw_gap(mesh, recess) >= min(block_gap("round_well"), CLEARANCE - TOLERANCE)
    outline = shapely.Polygon(recess.rim[:, :2]).buffer(6.0)
    reach = shapely.MultiPoint(mesh.vertices[:, :2]).convex_hull
    assert reach.symmetric_difference(outline.convex_hull).area < 0.005 * outline.area
    # it lies on the panel: under its border nothing is further from the scan than the clearance and a little
    down = mesh.vertices[mesh.faces].mean(axis=1)
    normal = Surface(mesh.vertices, mesh.faces).normals
    away = shapely.distance(shapely.points(down[:, :2]), shapely.Polygon(recess.rim[:, :2]))
    under = (normal[:, 2] < -0.9) & (away > 2.5) & (away < 5.5)
    gap = Surface(recess.vertices, recess.faces).measure(down[under]).gap
    assert under.sum() > 50
    assert np.quantile(gap, 0.95) <= CLEARANCE + 0.15
    over = mesh.vertices[:, 2] - lid_height(space.lid, mesh.vertices[:, 0], mesh.vertices[:, 1])
    assert over.max() == pytest.approx(CLEARANCE + 2.0, abs=0.4)


def test_upright_tube_follows_its_loop() -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 500, endpoint=False)
    loop = np.column_stack([30.0 * np.cos(turn), 20.0 * np.sin(turn)])
    for given in (loop, loop[::-1]):
        tube = upright_tube(given, low=-5.0, high=7.0, step=5.0)
        at = tube.at(np.linspace(0.0, 1.0, 300, endpoint=False), np.array([-5.0, 0.0, 7.0]))
        assert np.abs((at[..., 0] / 30.0) ** 2 + (at[..., 1] / 20.0) ** 2 - 1.0).max() < 2e-3
        assert at[:, :, 2] == pytest.approx(np.broadcast_to([-5.0, 0.0, 7.0], at.shape[:2]))
