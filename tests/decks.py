"""Shelves made of boxes in a box recess, with a device on them: what bears and what spans is known exactly.

The recess is 60 wide (x), 40 high (y, which is up) and 20 deep (-z); a shelf stands 0.5 mm above its floor at y = -20.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import manifold3d
import numpy as np

from mountgen.datum import Recess
from mountgen.features.part import Device, Part
from mountgen.kernel import Body, Mesh
from mountgen.material import find_material, load_materials
from mountgen.recipe import PhoneShelfRecipe, Recipe
from mountgen.service.case import Case
from mountgen.surface import Surface
from tests.recesses import as_scan, box_recess

CLEARANCE = 0.5
FLOOR = -20.0  # y of the recess's floor
UP = np.array([0.0, 1.0, 0.0])
Block = tuple[float, float, float, float, float, float]  # x, y, z from, x, y, z to


def as_mesh(solid: manifold3d.Manifold) -> Mesh:
    """Return a solid of the mesh library as a mesh."""
    mesh = solid.to_mesh64()
    return Mesh(np.array(mesh.vert_properties[:, :3]), np.array(mesh.tri_verts).astype(np.int32))


def block(*corners: float) -> manifold3d.Manifold:
    """Return a box between two corners (x, y, z, x, y, z)."""
    low, high = np.array(corners[:3]), np.array(corners[3:])
    return manifold3d.Manifold.cube(tuple(high - low)).translate(tuple(low))


def table(*, deck: float, legs: float, wall: float = 2.0, back: bool = False, ribs: int = 0) -> manifold3d.Manifold:
    """Return a shelf with its underside open: a deck of thickness `deck` on legs of height `legs` at both ends.

    back: a leg along the back too.  ribs: plates as thick as the legs, evenly spaced between them.
    """
    low = FLOOR + CLEARANCE
    whole = block(-29.5, low, -19.5, 29.5, low + legs + deck, 0.0)
    inside = 59.0 - 2.0 * wall
    room = block(-29.5 + wall, low - 1.0, -19.5 + (wall if back else -1.0), 29.5 - wall, low + legs, 1.0)
    cell = (inside - ribs * wall) / (ribs + 1)
    for k in range(ribs):
        start = -29.5 + wall + (k + 1) * cell + k * wall
        room -= block(start, -50.0, -50.0, start + wall, 50.0, 50.0)
    return whole - room


def lying(top: float, *, x: tuple[float, float] = (-29.5, 29.5), z: tuple[float, float] = (-19.5, 0.0)) -> manifold3d.Manifold:
    """Return a device that lies 0.1 mm above a deck whose top is at y = top."""
    return block(x[0], top + 0.1, z[0], x[1], top + 8.0, z[1])


def shelf_recipe(**changes: Any) -> PhoneShelfRecipe:
    """Return a recipe of a shelf, with other tables where given; its layers grow upwards."""
    tables: dict[str, Any] = {
        "name": "shelf",
        "fit": {"clearance": CLEARANCE},
        "printer": {"layers_along": [0.0, 1.0, 0.0]},
        "deck": {"height": 10.0},
        "device": {"length": 59.0, "width": 19.5, "thickness": 8.0, "mass": 0.25},
    }
    return PhoneShelfRecipe.model_validate(tables | changes)


def make_case(
    shelf: manifold3d.Manifold, device: manifold3d.Manifold | None, recipe: Recipe, *, recess: Recess | None = None
) -> Case:
    """Return a finished part in a box recess, with as much around it as the judges of heat and load ask for."""
    recess = recess or box_recess(60, 40, left=20, right=20, up=UP)
    materials = load_materials()
    standing = SimpleNamespace(surface=Surface(np.asarray(recess.vertices), np.asarray(recess.faces)))
    mesh = as_mesh(shelf)
    inspection: Any = SimpleNamespace(standing=standing, bearing=np.zeros(len(mesh.faces)))
    solid: Any = None
    seated = None if device is None else Device(mesh=as_mesh(device), legs=np.zeros((1, 3)))
    part = Part(body=Body(solid=solid, mesh=mesh), device=seated)
    return Case(
        recipe=recipe, scan=as_scan(recess), recess=recess, part=part, materials=materials,
        material=find_material(recipe.material, materials), inspection=inspection,
    )  # fmt: skip
