"""Which way up a part is printed: every pose tried is priced by the same stated terms, and the cheapest wins.

Tried are the six axes, the twelve directions halfway between two of them, and the faces of the convex hull on which the part
can lie. The air that support would have to fill takes longer to measure and is priced for the cheapest few only. A term is a
measured quantity times a stated number of points; one point is about what a square centimetre of support costs in time and
cleaning. The weights are a rule of this project, the quantities are measured on the mesh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import radians, sin

import numpy as np

from mountgen.arrays import Floats, Ints, freeze
from mountgen.kernel import Mesh
from mountgen.mesh_measure import measure_volume
from mountgen.recipe import PhoneShelfRecipe, Recipe, TrayRecipe
from mountgen.rows import extent, lengths
from mountgen.service.plate import Pose, lay_down, move_points
from mountgen.service.print_estimate import estimate_print
from mountgen.service.print_shape import SETTLES

OVERHANG_DEG = 45.0  # from vertical; what faces down more than this is printed on support (trade page on overhangs, read)
HOT_LAYER = 10.0  # s; a layer that is done sooner is still soft when the next one comes (common practice)
LAYER_BIN = 1.0  # mm, step at which cross-sections are measured
SPACING = 6.0  # mm between the points that stand for a large triangle
CELL, TILTS = 3.0, 24  # mm, and steps from -1 to 1 of a normal's component; small triangles that share both are taken as one
MOST_PARTS = 64  # a side of a triangle is parted in, at most
HULL_FACES = 8  # faces of the hull that are tried, the largest first
SAME_WAY = 0.9995  # cosine of 1.8 degrees; directions closer than this are the same pose
FOOTING = 0.02  # share of what the part covers of the plate that must lie on it: on less it does not stand (our rule)
STEADY = 3.0  # height of the centre of mass over the distance from its foot to the edge of the first layer
MOST_UNSTEADY = 10.0  # times STEADY; a part that would fall over counts as this, and no more
SHORTLIST = 6  # ways up whose air under overhangs is measured
LOOKS_UP = 0.05  # of the normal; support can stand on faces that look up by more than this
ACROSS = 0.5  # cosine; a pull nearer than this (60 degrees) to the growth of the layers is a pull across them (our rule)
FIRST_LAYER_FLAT = 0.98  # of the normal; faces flatter than this within the first layer lie on the plate

WEIGHTS = {  # points for one unit of each term: a rule of this project
    "support on fit faces": 1.0,
    "overhang": 1.0,
    "height": 0.1,
    "layers across loaded arms": 15.0,
    "layers that stay hot": 0.2,
    "first layer missing": 20.0,
    "unsteady": 5.0,
    "air under overhangs": 0.2,
}
UNITS = {
    "support on fit faces": "cm²", "overhang": "cm²", "height": "mm", "layers across loaded arms": "share",
    "layers that stay hot": "mm", "first layer missing": "share", "unsteady": "", "air under overhangs": "cm³",
}  # fmt: skip


@dataclass(frozen=True)
class Arm:
    """What is bent in use, and the unit direction (3,) in the part frame along which it stands out of the part."""

    name: str
    direction: tuple[float, float, float]


@dataclass(frozen=True)
class Term:
    """One term of the cost: a measured value in `unit`, and the points it counts."""

    name: str
    value: float
    unit: str
    points: float


@dataclass(frozen=True, eq=False)
class Orientation:
    """One way up, priced.

    up   : (3,) unit, part frame; the direction in which the layers grow.
    pose : how it then lies on the plate.
    terms: of the cost, in the order of `WEIGHTS`; the last one only where it was measured.
    first_layer : area that lies on the plate, mm².
    lean : height of the centre of mass over the distance from its foot to the edge of the first layer;
           inf where it falls over or has next to no first layer.
    """

    up: Floats
    pose: Pose
    terms: tuple[Term, ...]
    first_layer: float
    lean: float

    def __post_init__(self) -> None:
        freeze(self, "up", "float64")

    @property
    def cost(self) -> float:
        """Sum of all points."""
        return sum(term.points for term in self.terms)

    def value(self, name: str) -> float:
        """Return what was measured for one term."""
        return next(term.value for term in self.terms if term.name == name)


@dataclass(frozen=True, eq=False)
class Skin:
    """N points that stand for a mesh's surface. Part frame.

    points: (N, 3) mm.  normals: (N, 3) unit, outwards.  area: (N,) mm².  fit: (N,) share of it that bears on the recess.
    """

    points: Floats
    normals: Floats
    area: Floats
    fit: Floats

    def __post_init__(self) -> None:
        for name in ("points", "normals", "area", "fit"):
            freeze(self, name, "float64")


def spread_points(mesh: Mesh, fit_share: Floats, *, spacing: float = SPACING) -> Skin:
    """Stand points for a mesh's surface: the middles of equal parts of each triangle.

    Args:
        mesh: mm.
        fit_share: (F,) share of each face that bears on the recess.
        spacing: longest side of the parts of a triangle, mm; only triangles larger than that are parted.

    Returns:
        Skin: its areas add up to the mesh's.

    Raises:
        Nothing.
    """
    corners = np.take(mesh.vertices, mesh.faces, axis=0)
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    ab, ac, bc = b - a, c - a, c - b
    normal = np.cross(ab, ac)
    twice = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    longest = np.maximum.reduce([np.einsum("ij,ij->i", side, side) for side in (ab, ac, bc)])
    parts = np.clip(np.ceil(np.sqrt(longest) / spacing), 1, MOST_PARTS).astype(np.int64)
    points, owner = [], []
    for count in np.unique(parts):
        chosen = np.flatnonzero(parts == count)
        weight = _middles(int(count))
        points.append((weight @ corners[chosen]).reshape(-1, 3))
        owner.append(np.repeat(chosen, len(weight)))
    face = np.concatenate(owner)
    unit = normal / np.maximum(twice, 1e-300)[:, None]
    return Skin(np.concatenate(points), unit[face], (0.5 * twice / parts**2)[face], np.asarray(fit_share)[face])


def gather_points(skin: Skin) -> Skin:
    """Return fewer points: those of one cell of space that look the same way become one, in their middle."""
    cell = np.floor((skin.points - extent(skin.points)[0]) / CELL).astype(np.int64)
    tilt = np.rint((skin.normals + 1.0) * (0.5 * TILTS)).astype(np.int64)
    size = cell[:, 0].max() + 1, cell[:, 1].max() + 1, cell[:, 2].max() + 1
    place = (cell[:, 0] * size[1] + cell[:, 1]) * size[2] + cell[:, 2]
    way = (tilt[:, 0] * (TILTS + 1) + tilt[:, 1]) * (TILTS + 1) + tilt[:, 2]
    _, group = np.unique(place * (TILTS + 1) ** 3 + way, return_inverse=True)
    area: Floats = np.bincount(group, weights=skin.area).astype(np.float64)
    scale = np.maximum(area, 1e-300)

    def gather(values: Floats) -> Floats:
        return np.asarray(np.bincount(group, weights=values * skin.area) / scale)

    points, normals = (np.column_stack([gather(v) for v in each.T]) for each in (skin.points, skin.normals))
    normals /= np.maximum(lengths(normals), 1e-300)[:, None]
    return Skin(points, normals, area, gather(skin.fit))


def _middles(count: int) -> Floats:
    """Return the barycentric weights (count², 3) of the middles of a triangle's equal parts."""
    i, j = (v.ravel() for v in np.meshgrid(np.arange(count), np.arange(count), indexing="ij"))
    upright, turned = i + j < count, i + j < count - 1
    u = np.concatenate([i[upright] + 1 / 3, i[turned] + 2 / 3]) / count
    v = np.concatenate([j[upright] + 1 / 3, j[turned] + 2 / 3]) / count
    return np.column_stack([u, v, 1.0 - u - v])


def find_orientations(
    mesh: Mesh, *, bearing: Floats, recess_up: Floats, recipe: Recipe, scale: float = 1.0, any_way: bool = False
) -> tuple[Orientation, ...]:
    """Price the ways up of a recipe's part, the best first.

    Args:
        mesh: the finished part, part frame.
        bearing: (F,) mm² of each face that bear on the recess.
        recess_up: (3,) the vehicle's up, part frame.
        recipe: its `[printer]` table says what the printer can do, and may give the way up.
        scale: by which the mesh is enlarged when it is written.
        any_way: price all ways up even where the recipe gives one.

    Returns:
        tuple of Orientation; only the recipe's own where it gives one.

    Raises:
        Nothing.
    """
    printer = recipe.printer
    volume, areas = measure_volume(mesh), face_areas(mesh)
    solid = estimate_print(volume=volume, area=float(areas.sum()), height=0.0, air=0.0, density=1.0, printer=printer)
    return rank_orientations(
        mesh,
        bed=[side / scale for side in printer.bed],
        layer=printer.layer_height,
        layer_rate=solid.rate / printer.layer_height * volume / solid.laid,
        fit_share=np.clip(bearing / np.maximum(areas, 1e-300), 0.0, 1.0),
        arms=list_arms(recipe, recess_up),
        wanted=None if any_way else printer.layers_along,
    )


def face_areas(mesh: Mesh) -> Floats:
    """Return the area of each face, (F,) mm²."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    vector = np.cross(b - a, c - a)
    return np.asarray(0.5 * np.sqrt(np.einsum("ij,ij->i", vector, vector)))


def list_arms(recipe: Recipe, up: Floats) -> tuple[Arm, ...]:
    """Return what of a recipe's part is bent in use: tabs and the tongue of a tray along +z, a lip along the vehicle's up."""
    out, upwards = (0.0, 0.0, 1.0), (float(up[0]), float(up[1]), float(up[2]))
    arms = []
    if isinstance(recipe, PhoneShelfRecipe):
        arms += [Arm("retaining tabs", out)] if recipe.tabs is not None else []
        arms += [Arm("lip", upwards)] if recipe.lip is not None else []
    if isinstance(recipe, TrayRecipe) and recipe.pull_tab is not None:
        arms.append(Arm("pull tab", out))
    return tuple(arms)


def rank_orientations(
    mesh: Mesh,
    *,
    bed: Sequence[float],
    layer: float,
    layer_rate: float,
    fit_share: Floats,
    arms: Sequence[Arm] = (),
    wanted: Sequence[float] | None = None,
) -> tuple[Orientation, ...]:
    """Price every way up, the best first.

    What fits on the bed comes before what does not, then what stands on its own first layer before what would fall over, then
    what costs less. The cheapest few are ranked once more with the air under their overhangs; only they have that term.

    Args:
        mesh: the part, closed, part frame, mm.
        bed: (3,) room of the printer, mm.
        layer: height of a layer, mm.
        layer_rate: cross-section that is printed in a second, mm²/s.
        fit_share: (F,) share of each face that bears on the recess, 0 to 1.
        arms: what is bent in use.
        wanted: (3,) direction of the part frame in which the layers shall grow; only this one is priced then.

    Returns:
        tuple of Orientation, at least one.

    Raises:
        ValueError: a shape is wrong.
    """
    if np.shape(fit_share) != (len(mesh.faces),):
        raise ValueError(f"fit_share has one value a face, shape ({len(mesh.faces)},), got {np.shape(fit_share)}")
    hull, faces = hull_of(mesh.vertices)
    tried = list_directions(hull, faces) if wanted is None else np.asarray([wanted], dtype=np.float64)
    tried = tried / np.linalg.norm(tried, axis=1)[:, None]
    skin = gather_points(spread_points(mesh, fit_share))
    centre = _find_centre(skin)
    found = [
        _price(skin, hull, centre, up, bed=bed, layer=layer, layer_rate=layer_rate, arms=arms) for up in tried
    ]
    found.sort(key=_rank)
    few = [_add_air(skin, each) for each in found[:SHORTLIST]]
    return (*sorted(few, key=_rank), *found[SHORTLIST:])


def _rank(each: Orientation) -> tuple[bool, bool, float]:
    return each.pose.spare < 0.0, not np.isfinite(each.lean), round(each.cost, 6)


def hull_of(points: Floats) -> tuple[Floats, Ints]:
    """Return corners (H, 3) and triangles (T, 3) of the convex hull of points (N, 3)."""
    import manifold3d

    hull = manifold3d.Manifold.hull_points(np.asarray(points, dtype=np.float64)).to_mesh64()
    return np.asarray(hull.vert_properties)[:, :3], np.asarray(hull.tri_verts, dtype=np.int32)


def list_directions(hull: Floats, faces: Ints) -> Floats:
    """Return the directions (C, 3), unit, in which layers may grow: axes, halfways, and away from faces of the hull."""
    a, b, c = (hull[faces[:, k]] for k in range(3))
    vector = np.cross(b - a, c - a)
    area = np.linalg.norm(vector, axis=1)
    normal = vector / np.maximum(area, 1e-300)[:, None]
    grid = np.array([d for d in product((-1.0, 0.0, 1.0), repeat=3) if 0 < np.count_nonzero(d) < 3])
    grid = grid[np.argsort(np.count_nonzero(grid, axis=1), kind="stable")]
    found = [d / np.linalg.norm(d) for d in grid]
    order = np.argsort(-area)[:400]  # a facet that is not among these is no face to lie on
    seen: list[tuple[float, Floats]] = []
    left = np.ones(len(order), dtype=np.bool_)
    for k, first in enumerate(order):
        if left[k]:
            same = left & (normal[order] @ normal[first] > SAME_WAY)
            left &= ~same
            seen.append((float(area[order][same].sum()), -normal[first]))
    for _, up in sorted(seen, key=lambda pair: -pair[0])[:HULL_FACES]:
        if max(float(up @ other) for other in found) < SAME_WAY:
            found.append(up)
    return np.asarray(found)


def _price(
    skin: Skin, hull: Floats, centre: Floats, up: Floats, *, bed: Sequence[float], layer: float,
    layer_rate: float, arms: Sequence[Arm],
) -> Orientation:  # fmt: skip
    pose = lay_down(hull, up, bed=bed)
    height_of = hull @ up
    base = float(height_of.min())
    level = skin.points @ up - base
    rise = skin.normals @ up
    lying = (rise < -FIRST_LAYER_FLAT) & (level < layer)
    hanging = (rise < -sin(radians(OVERHANG_DEG))) & (level >= SETTLES * layer)
    first = float(skin.area[lying].sum())
    shadow = float((skin.area * rise).clip(min=0.0).sum())
    height = pose.size[2]
    lean = _measure_lean(hull[height_of - base < layer], centre, up, base) if first > FOOTING * shadow else float("inf")
    hot = _measure_hot(level, skin.area * rise, height, HOT_LAYER * layer_rate)
    values = {
        "support on fit faces": float((skin.area[hanging] * skin.fit[hanging]).sum()) / 100.0,
        "overhang": float(skin.area[hanging].sum()) / 100.0,
        "height": height,
        "layers across loaded arms": sum(float(np.dot(arm.direction, up)) ** 2 for arm in arms),
        "layers that stay hot": hot,
        "first layer missing": 1.0 - min(first / shadow, 1.0) if shadow > 0.0 else 1.0,
        "unsteady": min(max(lean / STEADY - 1.0, 0.0), MOST_UNSTEADY),
    }
    terms = tuple(Term(name, value, UNITS[name], WEIGHTS[name] * value) for name, value in values.items())
    return Orientation(up, pose, terms, first, lean)


def _add_air(skin: Skin, found: Orientation) -> Orientation:
    """Return a way up with the air under its overhangs priced too, from points in upright shafts of a cell's width."""
    matrix = found.pose.part_to_plate
    at = move_points(skin.points, matrix)
    rise = skin.normals @ found.up
    counts = (rise > LOOKS_UP) | (rise < -sin(radians(OVERHANG_DEG)))
    at, rise, area = at[counts], rise[counts], skin.area[counts]
    cell = np.floor(at[:, :2] / CELL).astype(np.int64)
    shaft = cell[:, 0] * (int(cell[:, 1].max()) + 1) + cell[:, 1]
    order = np.lexsort((at[:, 2], shaft))
    shaft, z, rise, area = shaft[order], at[order, 2], rise[order], area[order]
    # the last point below that looks up, if it is in the same shaft; else the plate
    last = np.maximum.accumulate(np.where(rise > LOOKS_UP, np.arange(len(z)), -1))
    floor = np.where((last >= 0) & (shaft[last] == shaft), z[last], 0.0)
    hangs = rise < 0.0
    air = float((area * -rise * (z - floor))[hangs].sum()) / 1000.0
    term = Term("air under overhangs", air, UNITS["air under overhangs"], WEIGHTS["air under overhangs"] * air)
    return replace(found, terms=(*found.terms, term))


def _find_centre(skin: Skin) -> Floats:
    """Return the centre of mass (3,), mm, by the divergence theorem, which costs less here than the exact sum over triangles."""
    middle = 0.5 * np.add(*extent(skin.points))
    at, vector = skin.points - middle, skin.normals * skin.area[:, None]
    return np.asarray(middle + 0.5 * (at**2 * vector).sum(axis=0) / ((at * vector).sum() / 3.0))


def _measure_lean(foot: Floats, centre: Floats, up: Floats, base: float) -> float:
    """Return height over reach: how far the centre of mass stands above the plate for each mm to the nearest edge of its foot."""
    aside = np.eye(3)[int(np.argmin(np.abs(up)))]
    right = np.cross(up, aside)
    right /= np.linalg.norm(right)
    turn = np.radians(np.arange(0.0, 360.0, 5.0))
    way = np.cos(turn)[:, None] * right + np.sin(turn)[:, None] * np.cross(up, right)
    reach = float(((foot - centre) @ way.T).max(axis=0).min())
    return (float(centre @ up) - base) / reach if reach > 0.0 else float("inf")


def _measure_hot(level: Floats, upward: Floats, height: float, area: float) -> float:
    """Return over how many mm of the height the cross-section is less than `area`, mm².

    The cross-section at a height is the sum of the upward areas of all surface above it (divergence theorem).
    """
    bins = max(int(np.ceil(height / LAYER_BIN)), 1)
    above = np.bincount((level / LAYER_BIN).astype(np.int64).clip(0, bins - 1), weights=upward, minlength=bins)
    section = np.cumsum(above[::-1])[::-1] - 0.5 * above
    return float((section < area).sum()) * height / bins
