"""Stage 2: rim, mouth plane, draw direction and up; the scan moved to the part frame."""

from __future__ import annotations

from dataclasses import dataclass

from mountgen.arrays import Floats, Ints, freeze


@dataclass(frozen=True, eq=False)
class Recess:
    """The scan in the part frame, with its mouth.

    vertices       : (V, 3) float64, mm, part frame.      faces: (F, 3) int32, normals to the free side.
    rim            : (K, 3) float64, mm, part frame; counter-clockwise seen from +z, first point not repeated.
    lid            : (6,) float64; the surround's surface carried across the mouth: z = a + b x + c y + d x² + e x y + f y², mm.
    part_to_scan   : (4, 4) float64, rigid, mm; part frame to scan axes (scan already in mm).
    up             : (3,) unit vector, part frame: the vehicle's up.
    depth          : greatest depth below the lid, mm.
    open_side_deg  : clock angles (from, to) in degrees where the rim is open, or None.
    notes          : sentences for the user.
    """

    vertices: Floats
    faces: Ints
    rim: Floats
    lid: Floats
    part_to_scan: Floats
    up: Floats
    depth: float
    open_side_deg: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("vertices", "rim", "lid", "part_to_scan", "up"):
            freeze(self, name, "float64")
        freeze(self, "faces", "int32")
