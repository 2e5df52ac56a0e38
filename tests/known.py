"""Recesses found in simulated scans of known shapes, with the truth moved to the part frame."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from examples.panel import Specimen
from examples.simulate import SimulatedScan, write_ply
from mountgen.arrays import Floats, freeze
from mountgen.datum import Recess, find_datum
from mountgen.recipe_tables import Fit, Mouth
from mountgen.scan import Scan, read_scan
from tests.shapes import scan_specimen, specimen

CLEAN = {"noise": 0.0, "dropouts": 0, "markers": 0, "fragments": 0, "occlusion": False}


@dataclass(frozen=True, eq=False)
class Known:
    """A recess as found, and what it was made from.

    truth_to_part : (4, 4), rigid, mm: truth frame to part frame.
    truth         : (V, 3) mm, the true shape in the part frame; its faces are those of `shape`.
    """

    recess: Recess
    shape: Specimen
    truth_to_part: Floats
    truth: Floats

    def __post_init__(self) -> None:
        freeze(self, "truth_to_part", "float64")
        freeze(self, "truth", "float64")

    @property
    def draw_error_deg(self) -> float:
        """Angle between the draw direction found and the true one, degrees."""
        return float(np.degrees(np.arccos(min(1.0, float((self.truth_to_part[:3, :3] @ self.shape.draw)[2])))))


def mend_scan(scan: SimulatedScan, **options: Any) -> Scan:
    """Return a simulated scan as read back from a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scan.ply"
        write_ply(path, scan.vertices, scan.faces)
        return read_scan(path, **options)


@lru_cache(maxsize=16)
def known_recess(name: str, *, clean: bool = False, mouth: Mouth | None = None, **options: Any) -> Known:
    """Return the recess found in a scan of the specimen `name`; options as for `scan_specimen`, `clean` for a perfect scan."""
    made = scan_specimen(name, **(CLEAN | options if clean else options))
    recess = find_datum(mend_scan(made), mouth=mouth or Mouth())
    shape = specimen(name)
    move = np.linalg.inv(recess.part_to_scan) @ made.truth_to_scan
    return Known(recess, shape, move, shape.truth_vertices @ move[:3, :3].T + move[:3, 3])


def make_fit(**options: Any) -> Fit:
    """Return a recipe's `[fit]` table."""
    return Fit.model_validate(options)


def make_mouth(**options: Any) -> Mouth:
    """Return a recipe's `[mouth]` table."""
    return Mouth.model_validate(options)


def as_points(rows: Iterable[Iterable[float]]) -> list[list[float]]:
    """Return points as a recipe file would give them."""
    return [[float(v) for v in row] for row in rows]
