"""The solid kernel (OCCT through OCP) behind a few functions with our units and errors. Only modules from `loft.py` on use it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from mountgen.arrays import Floats, Ints, freeze


@dataclass(frozen=True, eq=False)
class Mesh:
    """A triangle mesh in the part frame. vertices: (V, 3) float64, mm; faces: (F, 3) int32, normals outwards."""

    vertices: Floats
    faces: Ints

    def __post_init__(self) -> None:
        freeze(self, "vertices", "float64")
        freeze(self, "faces", "int32")


@dataclass(frozen=True, eq=False)
class Body:
    """One closed solid in the part frame and its tessellation.

    solid   : TopoDS_Shape holding exactly one solid.
    mesh    : its tessellation (chord error <= 0.02 mm).
    faceted : True where the smooth faces could not be made and the solid is made of facets.
    """

    solid: Any
    mesh: Mesh
    faceted: bool = False
    notes: tuple[str, ...] = ()
