"""What a fit gauge is held against is made once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from mountgen.ground import Ground
from mountgen.material import find_material
from mountgen.recipe import PlugRecipe
from mountgen.store import Store
from mountgen.whole import Whole, remember_whole


def test_what_a_gauge_is_held_against_is_kept_by_all_that_it_depends_on(tmp_path: Path) -> None:
    """Another name, place or note changes no gram; another size, material or scan does."""
    store = Store(tmp_path)
    recipe = PlugRecipe(name="well")
    nothing: Any = None
    ground = Ground(recipe, find_material("asa"), nothing, nothing, nothing, nothing, None, key="scan and fit")
    made: list[float] = []

    def build() -> Whole:
        made.append(1.0)
        return Whole(np.array([-1.5, -2.5]), np.array([3.0, 4.0]), 10.0 + len(made), 60.0)

    first = remember_whole(ground, store, build)
    renamed = replace(ground, recipe=recipe.model_copy(update={"name": "other", "note": "x"}))
    again = remember_whole(renamed, Store(tmp_path), build)
    assert (again.mass, again.seconds, again.low.tolist(), again.high.tolist()) == (11.0, 60.0, [-1.5, -2.5], [3.0, 4.0])
    assert first.mass == 11.0
    for other in (
        replace(ground, key="another scan"),
        replace(ground, material=find_material("petg")),
        replace(ground, recipe=recipe.model_copy(update={"printer": recipe.printer.model_copy(update={"infill": 0.5})})),
        replace(ground, recipe=recipe.model_copy(update={"plug": recipe.plug.model_copy(update={"below": 1.0})})),
    ):
        before = len(made)
        remember_whole(other, store, build)
        assert len(made) == before + 1
