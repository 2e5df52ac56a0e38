"""Specimens brought as far as the features need them, once a process: recess, insertable space, fitted shell; and a listener."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from examples.simulate import write_ply
from mountgen.block import make_block
from mountgen.datum import Recess, find_datum
from mountgen.field import InsertableSpace, build_space
from mountgen.ground import Ground
from mountgen.inspection import ZONES, inspect_body
from mountgen.kernel import CHORD, Mesh, tessellate
from mountgen.loft import Shell, fit_shell
from mountgen.material import find_material
from mountgen.recipe import PlugRecipe
from mountgen.recipe_tables import Fit, Mouth
from mountgen.relief import relieve_mesh
from mountgen.scan import read_scan
from tests.shapes import scan_specimen

CLEARANCE = 0.5


@cache
def prepare(name: str, *, recline: float = 90.0, draft: float = 1.0) -> tuple[Recess, InsertableSpace, Shell]:
    """Return what the stages before the features make of a clean scan of a specimen, its axes kept."""
    scanned = scan_specimen(
        name, triangles=20_000, noise=0.005, dropouts=0, markers=0, fragments=0, pose="identity", occlusion=False
    )
    with TemporaryDirectory() as folder:
        path = Path(folder) / "scan.ply"
        write_ply(path, scanned.vertices, scanned.faces)
        scan = read_scan(path, unit="mm", bridge=6.0)
    recess = find_datum(scan, mouth=Mouth(recline=recline, draw=(0.0, 0.0, 1.0)))
    space = build_space(recess, fit=Fit(clearance=CLEARANCE, draft=draft))
    return recess, space, fit_shell(space)


def least_gap(mesh: Mesh, recess: Recess) -> float:
    """Return the least gap of a part as printed, its facets drawn back, at rest and on the way in, mm."""
    gaps, soft = dict.fromkeys(ZONES, CLEARANCE), np.zeros(len(mesh.faces), dtype=np.bool_)
    return raw_gap(relieve_mesh(mesh, recess, clearance=gaps, soft=soft).mesh, recess)


def raw_gap(mesh: Mesh, recess: Recess) -> float:
    """Return the least gap of a mesh as it is, at rest and on the way in, mm."""
    found = inspect_body(mesh, recess, clearance=CLEARANCE, wall_min=0.0, line_width=0.4)
    return min(*found.zones.values(), found.insertion.min)


@cache
def block_gap(name: str) -> float:
    """Return the least raw gap of the largest insertable body: features must not take any of it, mm.

    Less the chord error: the same surface with other edges around it is cut into other facets, on another processor too
    (0.004 to 0.006 mm measured).
    """
    recess, space, shell = prepare(name)
    return raw_gap(tessellate(make_block(shell, space).solid), recess) - CHORD


class Listening:
    """Progress that keeps what it is told."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def stage(self, name: str) -> AbstractContextManager[None]:
        return nullcontext()

    def say(self, text: str) -> None:
        self.told.append(text)


def lay_frustum() -> Ground:
    """Return the ground of a plain plug in a frustum; it has neither scan nor table of materials."""
    nothing: Any = None
    recess, space, shell = prepare("frustum")
    return Ground(PlugRecipe(name="blank"), find_material("asa"), nothing, nothing, recess, space, shell)
