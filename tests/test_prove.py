"""Where the smooth part fails, one of facets takes its place."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from mountgen import features
from mountgen.deviation import step_stl_deviation
from mountgen.errors import KernelError
from mountgen.features.part import Part
from mountgen.loft import Shell
from mountgen.progress import Clock
from mountgen.prove import build_part, make_of_facets, prove_part
from mountgen.recipe_tables import Fit
from tests.prepared import Listening, lay_frustum


def test_a_smooth_part_that_comes_too_near_is_made_again_of_facets() -> None:
    """Its floor sinks by 0.6 mm, more than is ever drawn back; where facets come too near as well the smooth one stays."""
    ground = lay_frustum()
    assert ground.shell is not None
    floor = ground.shell.floor
    sunken = replace(ground, shell=replace(ground.shell, floor=replace(floor, poles=floor.poles - 0.6)))
    listening = Listening()
    clock = Clock(listening)
    smooth = prove_part(build_part(sunken), sunken, clock=clock)
    assert smooth.inspection.rest.min == pytest.approx(-0.1, abs=0.05)
    faceted = make_of_facets(smooth, sunken, clock=clock)
    assert all(check.verdict != "fail" for check in faceted.inspection.checks)
    assert "made of facets: smooth, it comes as near to the scan as -0.1" in listening.told[0]
    assert faceted.part.notes[0] in listening.told[0]
    tighter = replace(sunken, recipe=sunken.recipe.model_copy(update={"fit": Fit(clearance=0.9)}))
    assert make_of_facets(smooth, tighter, clock=clock) is smooth


def test_what_the_kernel_does_not_get_done_is_made_of_facets(monkeypatch: pytest.MonkeyPatch) -> None:
    ground, real = lay_frustum(), features.add_features

    def refuse(shell: Shell | None, *rest: Any, **named: Any) -> Part:
        if shell is not None:
            raise KernelError("the solid kernel does not get done with the cavity", "cavity", "change body.wall")
        return real(shell, *rest, **named)

    monkeypatch.setattr(features, "add_features", refuse)
    part = build_part(ground)
    assert part.body.faceted
    assert part.notes == ("made of facets throughout, because the solid kernel does not get done with the cavity",)
    with pytest.raises(KernelError, match="with the cavity"):
        build_part(replace(ground, recipe=ground.recipe.model_copy(update={"fit": Fit().model_copy(update={"reach": 0.01})})))


def test_facets_that_were_drawn_back_are_so_in_the_solid_as_well() -> None:
    """With 0.1 mm more asked of them than they were made for some dozen corners move; smooth faces stay as they were made."""
    ground = lay_frustum()
    asked = replace(ground, recipe=ground.recipe.model_copy(update={"fit": Fit(clearance=0.6)}))
    faceted, smooth = build_part(replace(ground, shell=None)), build_part(ground)
    assert faceted.body.faceted
    case = prove_part(faceted, asked, clock=Clock(Listening()))
    moved = np.linalg.norm(case.part.body.mesh.vertices - faceted.body.mesh.vertices, axis=1)
    assert (moved > 0.05).sum() > 20
    assert step_stl_deviation(case.part.body.solid, case.part.body.mesh) < 1e-6
    assert prove_part(smooth, asked, clock=Clock(Listening())).part.body.solid is smooth.body.solid
