"""What a whole part takes, which its fit gauge is held against; kept in the store, for a part takes longer to make."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from mountgen.store import Entry, Store, make_key

if TYPE_CHECKING:
    from mountgen.arrays import Floats
    from mountgen.features.part import Part
    from mountgen.ground import Ground
    from mountgen.service.case import Finding


@dataclass(frozen=True, eq=False)
class Whole:
    """What a fit gauge is held against. low, high: (2,) mm, corners of the part in plan; mass: g; seconds: both with support."""

    low: Floats
    high: Floats
    mass: float
    seconds: float


def sum_up_whole(part: Part, found: Finding) -> Whole:
    """Return what a gauge is held against. found: of the judge of the print."""
    corners, estimate = part.body.mesh.vertices[:, :2], found.facts["estimate"]
    return Whole(corners.min(axis=0), corners.max(axis=0), estimate["mass"] + estimate["support_mass"], estimate["time"])


def remember_whole(ground: Ground, store: Store, build: Callable[[], Whole]) -> Whole:
    """Return what a gauge is held against: a part takes longer to make than its gauge, and has mostly been made before."""
    shape = ground.recipe.model_dump(mode="json", exclude={"name", "note", "scan", "mouth", "place", "keep_out"})
    key = make_key("whole", ground.key, shape, repr(ground.material))
    return store.remember(
        key, build,
        pack=lambda whole: Entry({"low": whole.low, "high": whole.high}, {"mass": whole.mass, "seconds": whole.seconds}),
        unpack=lambda entry: Whole(
            entry.arrays["low"], entry.arrays["high"], float(entry.facts["mass"]), float(entry.facts["seconds"])
        ),
    )  # fmt: skip
