"""Stage 3: the insertable space: the panel as a height field along the draw direction, grown by clearance and draft."""

from __future__ import annotations

from dataclasses import dataclass

from mountgen.arrays import Bools, Floats, Singles, freeze

BLOCKED = 1.0e4  # mm; height of a node that no part may occupy at any level


@dataclass(frozen=True, eq=False)
class InsertableSpace:
    """All points a rigid part may occupy and still be withdrawn along +z: z >= height(x, y), in the part frame.

    height : (R, C) float32, mm, at nodes x = origin[0] + c*pitch, y = origin[1] + r*pitch; BLOCKED outside the mouth.
    seen   : (R, C) bool, true where the scan has a surface over the node.
    mouth  : (K, 2) float64, mm, outline of the mouth after clearance, counter-clockwise: the plan region the part may use.
    """

    height: Singles
    seen: Bools
    mouth: Floats
    origin: tuple[float, float]
    pitch: float
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze(self, "height", "float32")
        freeze(self, "seen", "bool")
        freeze(self, "mouth", "float64")
