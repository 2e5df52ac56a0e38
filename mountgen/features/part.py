"""What a kind of part is: the body with all its features, and what the gauge must know about them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, freeze
from mountgen.faces import find_middles
from mountgen.kernel import Body, Mesh
from mountgen.rows import lies_within
from mountgen.verdict import Check

if TYPE_CHECKING:
    from mountgen.features.tab_place import Tab
    from mountgen.features.tabs import TabTrial
    from mountgen.features.tape_pads import Pad
    from mountgen.recipe import PhoneShelfRecipe, PlugRecipe


@dataclass(frozen=True)
class SoftZone:
    """An upright box in which the part is meant to touch or flex: a tab's hook, a tape pad. Corners in mm, part frame."""

    name: str
    low: tuple[float, float, float]
    high: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Device:
    """The device at its seat.

    mesh : part frame, mm.
    legs : (L, 3) mm, straight movements, one after the other, that take it out of its seat to clear of the mouth.
    """

    mesh: Mesh
    legs: Floats

    def __post_init__(self) -> None:
        freeze(self, "legs", "float64")


@dataclass(frozen=True, eq=False)
class Part:
    """A finished part.

    soft: where it is meant to touch or flex; device: what must reach its seat; checks: verdicts of the features.
    tabs, pads: what holds it in the recess. suits: of a shelf, whether the device of another recipe goes in and is held.
    seats: of a shelf, that device at its seat; None where it does not go in or is not held. trial: to try other tabs on it.
    rounds: of a plug, whether a ball rolls along all of its upper edge with the rounding of another recipe.
    """

    body: Body
    soft: tuple[SoftZone, ...] = ()
    device: Device | None = None
    checks: tuple[Check, ...] = ()
    notes: tuple[str, ...] = ()
    tabs: tuple[Tab, ...] = ()
    pads: tuple[Pad, ...] = ()
    suits: Callable[[PhoneShelfRecipe], bool] | None = None
    seats: Callable[[PhoneShelfRecipe], Device | None] | None = None
    trial: TabTrial | None = None
    rounds: Callable[[PlugRecipe], bool] | None = None

    def soft_faces(self) -> Bools:
        """Return, for each face of the mesh, whether its middle lies in a soft zone, (F,) bool."""
        soft = np.zeros(len(self.body.mesh.faces), dtype=np.bool_)
        for zone in self.soft:
            soft |= lies_within(find_middles(self.body.mesh.vertices, self.body.mesh.faces), zone.low, zone.high)
        return soft
