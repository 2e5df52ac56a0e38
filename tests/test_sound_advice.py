"""What is said of a part that is not one whole body: each way out is made and looked at, in keys that its kind has."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from examples.simulate import write_ply
from mountgen import pipeline
from mountgen.errors import KernelError
from mountgen.features.part import Part
from mountgen.ground import Ground
from mountgen.kernel import Mesh
from mountgen.progress import Clock
from mountgen.prove import build_part, prove_part
from mountgen.recipe import PhoneShelfRecipe, PlugRecipe, Recipe, TrayRecipe
from mountgen.recipe_settings import with_settings
from mountgen.service.sound_advice import advise_sound, list_changes
from mountgen.store import Store
from tests.prepared import Listening, lay_frustum
from tests.recesses import box_recess
from tests.remedies import read_remedy
from tests.solids import box_mesh

SHELF = {"deck": {"height": 14}, "device": {"length": 100, "width": 60, "thickness": 9, "mass": 0.2}, "lip": {"height": 4}}


@pytest.mark.parametrize(
    ("kind", "tables", "changes"),
    [
        (PlugRecipe, {"body": {"wall": 2, "open": "back", "ribs": 2}, "flange": {"width": 4}},
         [{"body.open": "underneath"}, {"body.wall": False, "body.ribs": 0}, {"flange": False}]),
        (PlugRecipe, {}, []),
        (TrayRecipe, {"body": {"wall": 1.8}, "dividers": {"count_x": 1}, "pull_tab": {"width": 16, "length": 9}},
         [{"body.wall": 2.0}, {"dividers": False}, {"pull_tab": False}]),
        (PhoneShelfRecipe, SHELF | {"drains": {"count": 2}, "body": {"wall": 2.4}},
         [{"body.open": "back"}, {"body.wall": False}, {"drains": False}, {"lip": False}]),
    ],
)  # fmt: skip
def test_only_what_the_recipe_has_is_tried_and_all_of_it_may_be_set(
    kind: type[Recipe], tables: dict[str, Any], changes: list[dict[str, Any]]
) -> None:
    recipe = kind.model_validate({"name": "part", **tables})
    changes = [*changes, {"fit.clearance": 0.53}, {"fit.clearance": 0.57}]
    assert list(list_changes(recipe)) == changes
    for settings in changes:
        changed = with_settings(recipe, settings)
        assert kind.model_validate(changed.model_dump()) == changed
        assert changed != recipe
    told = advise_sound(recipe, lambda other: False)
    assert read_remedy(told) == []  # nothing is named that was not found to be whole
    assert all(key in told for settings in changes for key in settings)


def with_bubble(part: Part) -> Part:
    """Return a part with a shut hollow of 2 mm in its middle."""
    mesh, middle = part.body.mesh, part.body.mesh.vertices.mean(axis=0)
    bubble = box_mesh((2.0, 2.0, 2.0), tuple(middle - 1.0))
    vertices = np.vstack([mesh.vertices, bubble.vertices])
    faces = np.vstack([mesh.faces, bubble.faces[:, ::-1] + len(mesh.vertices)]).astype(np.int32)
    return replace(part, body=replace(part.body, mesh=Mesh(vertices, faces)))


def test_what_is_named_was_made_again_and_is_whole() -> None:
    """As if its hollow were shut whichever way it is open, and could not be made at all from behind."""
    ground, tried = lay_frustum(), []
    solid = build_part(ground)
    ground = replace(ground, recipe=PlugRecipe.model_validate({"name": "blank", "body": {"wall": 2.0, "open": "underneath"}}))

    def remake(recipe: Recipe) -> Part:
        tried.append(recipe.body.model_dump(include={"wall", "open"}))
        if len(tried) == 1:
            raise KernelError("it cannot be made", "hollow", "leave it out")
        return solid if recipe.body.wall is None else with_bubble(solid)

    clock = Clock(Listening())
    case = prove_part(with_bubble(solid), ground, clock=clock, remake=remake)
    check = next(check for check in case.inspection.checks if check.name == "one piece")
    assert check.verdict == "caution"
    assert read_remedy(check.remedy) == [{"body.wall": "false"}]
    assert tried == [{"wall": 2.0, "open": "back"}, {"wall": None, "open": "underneath"}]
    plain = prove_part(solid, ground, clock=clock, remake=remake)
    assert len(tried) == 2  # of a part that is whole nothing is made again
    assert next(check for check in plain.inspection.checks if check.name == "one piece").verdict == "pass"


def test_another_gap_is_tried_in_the_space_that_it_leaves(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the plug came out with a shut hollow at this gap: the next one is made from the scan on, not from the old space."""
    recess = box_recess(60, 40, left=20, right=20)
    write_ply(tmp_path / "box.ply", recess.vertices, recess.faces)
    made: list[tuple[float, float]] = []

    def build(ground: Ground) -> Part:
        part = plain(ground)
        made.append((ground.recipe.fit.clearance, float(np.ptp(part.body.mesh.vertices[:, 0]))))
        return with_bubble(part) if ground.recipe.fit.clearance == 0.5 else part

    plain = build_part
    monkeypatch.setattr(pipeline, "build_part", build)
    recipe = PlugRecipe.model_validate({"name": "blank", "scan": {"file": tmp_path / "box.ply"}, "fit": {"clearance": 0.5}})
    found = pipeline.make(recipe, tmp_path / "out", store=Store(None), progress=Listening())
    check = next(check for check in found.checks if check.name == "one piece")
    assert read_remedy(check.remedy) == [{"fit.clearance": "0.53"}]
    assert [gap for gap, _ in made[:2]] == [0.5, 0.53]
    assert made[0][1] - made[1][1] > 0.04  # narrower by 0.03 mm on each side, less what two fits of the walls differ by
