"""Dividers: walls that are left standing in a tray."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor
from typing import Any

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import lid_height
from mountgen.errors import FeatureError, KernelError
from mountgen.field import InsertableSpace
from mountgen.kernel import Solid, combine_many, solids_of, tessellate
from mountgen.recipe_tables import Dividers
from mountgen.shape import Axes, extrude, move, round_polygon
from mountgen.solid_mesh import load_solid

# How dividers are cut out of a cavity until the kernel gets it right: mm beside their place, and mm of extra tolerance.
WAYS = tuple((nudge, fuzzy) for nudge in (0.0, 0.06, -0.06, 0.13, -0.13) for fuzzy in (0.0, 0.001))
SLIP = 0.05  # of a volume by which what the kernel made may differ from an exact boolean of coarse meshes
COARSE = 0.2  # mm; chord of those meshes
CRUMB = 0.5  # mm³; a compartment smaller than this is filled
NARROWEST = 3.0  # mm; a compartment less wide than this takes no finger and no brush
BEYOND = 5.0  # mm by which a divider's tool stands out of the cavity on every side


def make_dividers(inner: InsertableSpace, dividers: Dividers, *, radius: float) -> list[Solid]:
    """Return the slabs that are to be left standing in a tray's cavity.

    Args:
        inner: the cavity's space.
        dividers: the recipe's table.
        radius: rounding of the upper edges of dividers that end below the mouth, mm.

    Raises:
        FeatureError: they leave no compartments, or are higher than the cavity is deep; says what would fit.
    """
    low, high = inner.mouth.min(axis=0), inner.mouth.max(axis=0)
    ground = float(inner.height.min())
    x, y = np.meshgrid(inner.x, inner.y)
    deepest = float((lid_height(inner.lid, x, y) - inner.height).max())
    if dividers.height is not None and dividers.height > deepest:
        raise FeatureError(
            f"dividers {dividers.height:g} mm high stand out of a tray that is {deepest:.1f} mm deep inside",
            "dividers.height", f"give {floor(10.0 * deepest) / 10.0:g} mm or less, or leave it out for the mouth's level",
        )  # fmt: skip
    top = inner.top + BEYOND + 40.0 if dividers.height is None else ground + dividers.height
    slabs: list[Solid] = []
    for axis, count in ((0, dividers.count_x), (1, dividers.count_y)):
        first, last = float(low[axis]), float(high[axis])
        for start in place_walls(first, last, count, dividers.thickness, key=f"dividers.count_{'xy'[axis]}"):
            ends = float(low[1 - axis]) - BEYOND, float(high[1 - axis]) + BEYOND
            edge = radius if dividers.height is not None else 0.0
            slabs.append(_slab(axis, start, dividers.thickness, ends, (ground - BEYOND, top), edge))
    return slabs


def place_walls(first: float, last: float, count: int, thickness: float, *, key: str) -> list[float]:
    """Return where each of `count` walls begins, so that the compartments between two ends are equal, mm.

    Raises:
        FeatureError: the compartments are less than NARROWEST wide; says how many walls would fit.
    """
    if count == 0:
        return []
    room = (last - first - count * thickness) / (count + 1)
    if room < NARROWEST:
        most = max(0, floor((last - first - NARROWEST) / (thickness + NARROWEST)))
        raise FeatureError(
            f"{count} walls of {thickness:g} mm leave {max(room, 0.0):.1f} mm between them (at least {NARROWEST:g} mm is needed)",
            key, f"give {most} or fewer" if most else "leave it out",
        )  # fmt: skip
    return [first + room * (k + 1) + thickness * k for k in range(count)]


def _slab(axis: int, start: float, thickness: float, ends: tuple[float, float], z: tuple[float, float], radius: float) -> Solid:
    """Return a slab square to x (axis 0) or y (axis 1) with rounded upper edges."""
    edge = min(radius, 0.49 * thickness)
    outline = round_polygon([(0.0, z[0]), (thickness, z[0]), (thickness, z[1]), (0.0, z[1])], [0.0, 0.0, edge, edge])
    right: Floats
    if axis == 0:  # right x up = -y, so the prism starts at the far end
        right, origin = np.array([1.0, 0.0, 0.0]), np.array([start, ends[1], 0.0])
    else:
        right, origin = np.array([0.0, 1.0, 0.0]), np.array([ends[0], start, 0.0])
    axes = Axes(origin, right, np.array([0.0, 0.0, 1.0]))
    return extrude(outline, axes=axes, height=ends[1] - ends[0])


def leave_standing(hollow: Solid, walls: Sequence[Solid]) -> list[Solid]:
    """Return the rooms that are left of a cavity when walls stand in it.

    The kernel may leave walls out without a word, mostly where one runs nearly along a face, or leave a face that cannot be
    meshed. So what it left is held against exact booleans of the meshes, and other tolerances and places are tried.

    Raises:
        FeatureError: nothing is left.
        KernelError: the kernel cannot make them.
    """
    whole = _mesh_solid(hollow)
    for nudge, fuzzy in WAYS:
        moved = [move(wall, (nudge, nudge, 0.0)) if nudge else wall for wall in walls]
        try:
            rest = solids_of(combine_many(hollow, moved, "cut", what="dividers", fuzzy=fuzzy))
            meshes = [_mesh_solid(room) for room in rest]
        except KernelError:
            continue
        if _are_right(meshes, whole, [_mesh_solid(wall) for wall in moved]):
            break
    else:
        raise KernelError("the solid kernel leaves a divider out", "dividers", "change dividers.thickness by 0.2 mm")
    rooms = [room for room, mesh in zip(rest, meshes, strict=True) if float(mesh.volume()) > CRUMB]
    if not rooms:
        raise FeatureError("the dividers fill the whole tray", "dividers", "give fewer, or thinner ones")
    return rooms


def _are_right(rooms: Sequence[Any], whole: Any, walls: Sequence[Any]) -> bool:
    """Return whether rooms are what exact booleans leave of the whole without the walls, and no wall is in one."""
    wanted = whole
    for wall in walls:
        wanted -= wall
    for wall in walls:
        if sum(float((room ^ wall).volume()) for room in rooms) > SLIP * float((whole ^ wall).volume()) + CRUMB:
            return False
    volume = sum(float(room.volume()) for room in rooms)
    return abs(volume - float(wanted.volume())) <= SLIP * float(whole.volume())


def _mesh_solid(solid: Solid) -> Any:
    """Return a solid, coarsely, as one of the library whose booleans are exact."""
    return load_solid(tessellate(solid, chord=COARSE))
