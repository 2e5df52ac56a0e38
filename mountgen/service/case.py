"""What is judged of a finished part in its vehicle, and what a judge finds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import islice
from typing import Any

from mountgen.clearance import find_enlargement
from mountgen.datum import Recess
from mountgen.features.part import Part
from mountgen.inspection import Inspection
from mountgen.material import Material
from mountgen.recipe import Recipe
from mountgen.recipe_settings import tell_settings
from mountgen.scan import Scan
from mountgen.service.foot import Foot, chamfer_foot
from mountgen.service.print_orientation import Orientation, find_orientations
from mountgen.verdict import Check

MOST_REMADE = 3  # parts that are made again for one remedy: each takes as long as the part itself


@dataclass(frozen=True, eq=False)
class Case:
    """A finished part and all that is known about where it goes. Part frame, mm.

    part      : with its final mesh.
    material  : that of the recipe; materials: all rows, those of the user's own sheet among them.
    inspection: what gauging the part against the scan found.
    pictures  : whether the files of findings are wanted; drawing them takes longer than judging.
    mends     : whether the part, made again with other settings (values by key), passes the check of a name and nothing of it is
                judged worse than now; slow. None where it cannot be made again.
    laborious : whether it took so long to make that it is not made again for that.
    """

    recipe: Recipe
    scan: Scan
    recess: Recess
    part: Part
    material: Material
    materials: Mapping[str, Material]
    inspection: Inspection
    pictures: bool = False
    mends: Callable[[Mapping[str, Any], str], bool] | None = None
    laborious: bool = False

    @property
    def scale(self) -> float:
        """By how much STL and 3MF are enlarged to make good the plastic's shrinkage."""
        return find_enlargement(self.recipe, self.material)

    @cached_property
    def orientations(self) -> tuple[Orientation, ...]:
        """Ways up on the printer, the best first: the first is how the part is printed, `up` the direction layers grow."""
        return self.orient()

    @cached_property
    def foot(self) -> Foot:
        """The part as its 3MF has it: with the chamfer along the plate that the recipe asks for."""
        printer = self.recipe.printer
        return chamfer_foot(
            self.part.body.mesh, self.orientations[0].pose, size=printer.foot, line_width=printer.line_width,
            zones=self.part.soft,
        )  # fmt: skip

    def of_material(self, material: Material) -> Case:
        """Return the same part of another material, as it is already shaped and laid on the plate."""
        recipe = self.recipe.model_copy(update={"material": material.key})
        other = replace(self, recipe=recipe, material=material, mends=None)
        vars(other)["orientations"] = self.orientations  # they cost most, and do not ask for the material
        return other

    def find_mending(self, name: str, choices: Iterable[Mapping[str, Any]], *, most: int = MOST_REMADE) -> str:
        """Return the first of several settings that, made again, mends a check, as a remedy says it; "" for none.

        Args:
            name: of the check.
            choices: values by key, the likeliest first.
            most: as many are made at most.
        """
        if self.mends is None or self.laborious:
            return ""
        return next((tell_settings(each) for each in islice(choices, most) if self.mends(each, name)), "")

    def orient(self, *, any_way: bool = False) -> tuple[Orientation, ...]:
        """Price the ways up, all of them where `any_way`, even if the recipe gives one."""
        return find_orientations(
            self.part.body.mesh, bearing=self.inspection.bearing, recess_up=self.recess.up, recipe=self.recipe,
            scale=self.scale, any_way=any_way,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Finding:
    """What one judge found.

    checks: verdicts.  facts: for the report, of what JSON can hold; keys carry their unit where it is not mm.
    notes : sentences that the user must read, no verdicts.
    files : what comes after the part's name ("-heat.png") to the file's bytes.
    """

    checks: tuple[Check, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    files: Mapping[str, bytes] = field(default_factory=dict)
