"""How a part in its recess is driven by weight and road, and what of that the recess does not hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mountgen.arrays import Floats
from mountgen.faces import measure_faces
from mountgen.mesh_measure import measure_centroid, measure_volume
from mountgen.recipe import PhoneShelfRecipe
from mountgen.service.bearing import level_axes
from mountgen.service.case import Case
from mountgen.service.tape_bond import Bond, find_pull
from mountgen.stiffness import DOWN_G, SIDE_G, UP_G, find_load

SQUARE_ON = 0.5  # cosine; a face turned farther than 60 degrees from a load's direction does not bear it
BEARS_MPA = 0.1  # MPa that trim bears where a part leans on it (our rule; far below what any plastic takes)


@dataclass(frozen=True, eq=False)
class Load:
    """One way the part is driven. direction: (3,) unit, part frame; g: acceleration over gravity's; held: by the recess."""

    name: str
    direction: Floats
    g: float
    held: bool


def list_loads(case: Case, bonds: Sequence[Bond], *, mass: float) -> list[Load]:
    """Return the weight at rest, then the peaks, each with whether the recess itself holds the part against it.

    The recess holds where enough of the part's surface faces that way and bears on the scan, or presses a pad on.

    Args:
        case: its inspection knows what bears.
        bonds: the pads.
        mass: of part and device, kg.
    """
    right, inwards, up = level_axes(case.recess.up)
    ways = [
        ("weight", -up, 1.0), ("down", -up, DOWN_G), ("up", up, UP_G - 1.0), ("to the left", -right, SIDE_G),
        ("to the right", right, SIDE_G), ("inwards", inwards, SIDE_G), ("outwards", -inwards, SIDE_G),
    ]  # fmt: skip
    bearing, normals = case.inspection.bearing, _find_normals(case)
    loads = []
    for name, way, g in ways:
        square = normals @ way
        bears = float((bearing * square)[square > SQUARE_ON].sum())
        bears += sum(bond.area * cos for bond in bonds if (cos := float(bond.pad.spot.normal @ way)) > SQUARE_ON)
        loads.append(Load(name, way, g, bears * BEARS_MPA >= find_load(mass, g_factor=g)))
    return loads


def _find_normals(case: Case) -> Floats:
    """Return the outward unit normals of the part's faces, (F, 3)."""
    mesh = case.part.body.mesh
    vectors, areas = measure_faces(mesh.vertices, mesh.faces)
    normals: Floats = vectors / np.maximum(areas, 1e-12)[:, None]
    return normals


def weigh(case: Case, recipe: PhoneShelfRecipe) -> tuple[float, Floats]:
    """Return the mass of part and device, kg, and where their common centre is, (3,) mm; the part counts as solid."""
    mesh, device = case.part.body.mesh, case.part.device
    own = measure_volume(mesh) * case.material.density.value * 1e-6  # mm³ times g/cm³ to kg
    centre = measure_centroid(mesh)
    if device is None:
        return own, centre
    total = own + recipe.device.mass
    return total, (own * centre + recipe.device.mass * measure_centroid(device.mesh)) / total


def find_peel(
    case: Case, bonds: Sequence[Bond], loads: Sequence[Load], *, mass: float, centre: Floats
) -> tuple[float, float]:
    """Return how hard the weight pulls at the edge of a pad, kPa, and how far the centre of mass overhangs, mm.

    Where the recess carries the weight, only what lies beside where the part bears pulls: it tips the part, unless the recess
    holds it from above as well.

    Args:
        case: the part and its surroundings.
        bonds: the pads.
        loads: from `list_loads`.
        mass: of part and device, kg; centre: (3,) mm, of both.
    """
    held = {load.name: load.held for load in loads}
    weight = loads[0]
    if held["weight"] and held["up"]:
        return 0.0, 0.0
    force = find_load(mass) * weight.direction
    if not weight.held:
        arm = float(np.linalg.norm(np.cross(_middle(bonds) - centre, weight.direction)))
        return 1000.0 * find_pull(bonds, force=force, moment=np.zeros(3), about=centre), arm
    edge = _find_support(case, bonds, weight.direction, centre)
    lever = centre - edge
    lever = lever - (lever @ weight.direction) * weight.direction
    overhang = float(np.linalg.norm(lever))
    if overhang == 0.0:
        return 0.0, 0.0
    pull = find_pull(bonds, force=np.zeros(3), moment=np.cross(lever, force), about=_middle(bonds))
    return 1000.0 * pull, overhang


def _middle(bonds: Sequence[Bond]) -> Floats:
    middle: Floats = np.mean([bond.pad.middle for bond in bonds], axis=0)
    return middle


def _find_support(case: Case, bonds: Sequence[Bond], down: Floats, centre: Floats) -> Floats:
    """Return the place nearest to the centre of mass, seen along the weight, within the hull of what bears; (3,) mm."""
    import shapely

    mesh = case.part.body.mesh
    bears = (_find_normals(case) @ down > SQUARE_ON) & (case.inspection.bearing > 0.0)
    pressed = [bond.points for bond in bonds if bond.pad.spot.normal @ down > SQUARE_ON]
    points = np.vstack([mesh.vertices[mesh.faces[bears]].mean(axis=1), *pressed])
    right, inwards, _ = level_axes(-down)
    plan = np.column_stack([points @ right, points @ inwards])
    hull, spot = shapely.MultiPoint(plan).convex_hull, shapely.Point(centre @ right, centre @ inwards)
    if hull.intersects(spot):
        return centre
    x, s = shapely.get_coordinates(shapely.shortest_line(hull, spot))[0]
    edge: Floats = x * right + s * inwards + (centre @ down) * down
    return edge
