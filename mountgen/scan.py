"""Stage 1: a scan file to a clean triangle mesh in millimetres, and the list of what was mended."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from mountgen.arrays import Floats, Ints, freeze


@dataclass(frozen=True)
class Mend:
    """One kind of repair done to the scan: what was mended, how often, and a sentence for the user."""

    what: str  # short fixed word, e.g. "duplicate faces"
    count: int
    note: str = ""


@dataclass(frozen=True, eq=False)
class Scan:
    """A mended scan: one triangle mesh, consistently oriented, in mm, axes as in the file.

    vertices : (V, 3) float64, mm.
    faces    : (F, 3) int32; normals point to the free side (towards the scanner) wherever pieces could be oriented.
    unit     : unit of the file ("mm", "cm", "m", "inch"); mm_per_unit: its length in mm.
    sha256   : of the file's bytes, hex.
    spacing  : median edge length, mm.  noise: robust standard deviation along the normal, mm.
    mended   : repairs, in the order done.
    """

    vertices: Floats
    faces: Ints
    path: Path
    sha256: str
    unit: str
    mm_per_unit: float
    spacing: float
    noise: float
    mended: tuple[Mend, ...] = ()

    def __post_init__(self) -> None:
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")
