"""Plugs: flush or a depth below the mouth, in closed form; a flange closes the mouth."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from mountgen.datum import lid_height
from mountgen.errors import FeatureError
from mountgen.features import plug
from mountgen.features.plug import make_plug
from mountgen.gap import TOLERANCE
from mountgen.kernel import count_faces, solids_of
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import PlugFace
from tests.checks import assert_printable, is_valid
from tests.prepared import CLEARANCE, block_gap, least_gap, prepare, raw_gap
from tests.shapes import CYLINDER_RADIUS, FRUSTUM_DEPTH, FRUSTUM_DRAFT_DEG, FRUSTUM_MOUTH
from tests.test_tray import frustum_volume

# mm², of the plug's floor, which is its mouth less what the draft takes over its depth
INSET = 2.0 * (CLEARANCE + np.tan(np.radians(FRUSTUM_DRAFT_DEG)) * FRUSTUM_DEPTH)
FLOOR = float(np.prod([side - INSET for side in FRUSTUM_MOUTH]))


@pytest.mark.parametrize(("below", "reach"), [(500.0, "full"), (FRUSTUM_DEPTH - 1.0, "full"), (12.0, 13.0)])
def test_a_face_below_where_the_plug_ends_is_refused_with_how_deep_it_may_lie(below: float, reach: float | str) -> None:
    recess, space, shell = prepare("frustum")
    recipe = PlugRecipe.model_validate({"name": "plug", "plug": {"below": below}, "fit": {"reach": reach}})
    with pytest.raises(FeatureError, match=f"whose face lies {below:g} mm below the mouth") as caught:
        make_plug(shell, space, recess, recipe=recipe)
    assert caught.value.where == "plug.below"
    most = float(caught.value.remedy.split()[1])
    assert most == pytest.approx((space.top - space.height.min() if reach == "full" else reach) - 2.0, abs=0.15)
    make_plug(shell, space, recess, recipe=recipe.model_copy(update={"plug": PlugFace(below=most)}))


def test_a_body_that_is_not_in_the_room_under_its_face_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel made one 2.2 mm above the mouth where nothing was left between face and floor."""
    recess, space, shell = prepare("frustum")
    recipe = PlugRecipe.model_validate({"name": "plug", "plug": {"below": 6.0}})
    monkeypatch.setattr(plug, "solid_volume", lambda solid: 0.3 * space.volume(below=6.0))
    with pytest.raises(FeatureError, match="too little of the recess is left under it") as caught:
        make_plug(shell, space, recess, recipe=recipe)
    assert caught.value.remedy == "give 3 mm or less"


@pytest.mark.parametrize("below", [0.0, 6.0])
def test_frustum_plug_has_the_volume_of_its_room(below: float) -> None:
    recess, space, shell = prepare("frustum")
    recipe = PlugRecipe(name="plug", plug={"below": below})  # type: ignore[arg-type]
    body = make_plug(shell, space, recess, recipe=recipe).body
    mouth = (100.0 - 1.0 - 0.17 * below / 2) * (60.0 - 1.0 - 0.17 * below / 2)
    wanted = frustum_volume(CLEARANCE) - below * mouth
    assert measure_volume(body.mesh) == pytest.approx(wanted, rel=0.015)
    deep = lid_height(space.lid, body.mesh.vertices[:, 0], body.mesh.vertices[:, 1]) - body.mesh.vertices[:, 2]
    assert deep.min() == pytest.approx(below, abs=0.01)
    assert_printable(body.mesh)


def test_reach_ends_the_plug() -> None:
    recess, space, shell = prepare("frustum")
    recipe = PlugRecipe(name="plug", fit={"reach": 15.0})  # type: ignore[arg-type]
    mesh = make_plug(shell, space, recess, recipe=recipe).body.mesh
    assert mesh.vertices[:, 2].min() == pytest.approx(-15.0, abs=1e-6)
    assert_printable(mesh)


def test_what_is_left_unused_is_the_share_of_the_largest_body_that_is_missing() -> None:
    """Rounded edges and hollows leave nothing unused; a floor 2 mm too high leaves a twentieth, and facets some hundredths."""
    recess, space, shell = prepare("frustum")
    for tables in ({"body": {"edge_radius": 4.0}}, {"body": {"wall": 3.0}}, {"fit": {"reach": 15.0}}, {"plug": {"below": 6.0}}):
        (check,) = make_plug(shell, space, recess, recipe=PlugRecipe(name="plug", **tables)).checks  # type: ignore[arg-type]
        assert (check.name, check.verdict, check.limit) == ("room left unused", "pass", 1.5)
        assert check.value < 0.6
    raised = replace(shell, floor=replace(shell.floor, poles=shell.floor.poles + 2.0))
    plain = PlugRecipe(name="plug")
    (check,) = make_plug(raised, space, recess, recipe=plain).checks
    assert check.verdict == "caution"
    assert check.value == pytest.approx(100.0 * 2.0 * FLOOR / frustum_volume(CLEARANCE), rel=0.1)
    assert "no key of the recipe" in check.remedy
    faceted = make_plug(None, space, recess, recipe=plain)
    told = re.search(r"(\d+) % of the room", faceted.body.notes[0])
    assert told is not None
    assert faceted.checks[0].value == pytest.approx(float(told[1]), abs=0.6)


@pytest.mark.parametrize("hollow", [False, True])
def test_flange_closes_the_mouth(hollow: bool) -> None:
    recess, space, shell = prepare("cylinder")
    body = {"wall": 2.4, "open": "back", "ribs": 1} if hollow else {}
    recipe = PlugRecipe(name="plug", body=body, flange={"width": 5.0, "thickness": 2.0})  # type: ignore[arg-type]
    made = make_plug(shell, space, recess, recipe=recipe).body
    assert is_valid(made.solid)
    assert len(solids_of(made.solid)) == 1
    if not hollow:
        assert count_faces(made.solid) == 11  # floor, underside, side, rounding and top, and a wall cut into strips
    mesh = made.mesh
    assert_printable(mesh)
    assert least_gap(mesh, recess) >= CLEARANCE - TOLERANCE
    assert raw_gap(mesh, recess) >= min(block_gap("cylinder"), CLEARANCE - TOLERANCE)
    offset = mesh.vertices[:, :2] - recess.rim[:, :2].mean(axis=0)
    assert np.hypot(*offset.T).max() == pytest.approx(CYLINDER_RADIUS + 5.0, abs=0.25)


@pytest.mark.parametrize(("radius", "rolls"), [(1.0, True), (15.0, False)])
def test_a_plug_tells_whether_a_ball_rolls_along_its_edge(radius: float, rolls: bool) -> None:
    """Not if it is larger than the upright edges are round."""
    recess, space, shell = prepare("frustum")
    other = PlugRecipe(name="plug", body={"edge_radius": radius})  # type: ignore[arg-type]
    part = make_plug(shell, space, recess, recipe=PlugRecipe(name="plug"))
    assert part.rounds is not None
    assert part.rounds(other) is rolls
    facets = make_plug(None, space, recess, recipe=PlugRecipe(name="plug"))
    assert facets.rounds is not None
    assert not facets.rounds(other)
