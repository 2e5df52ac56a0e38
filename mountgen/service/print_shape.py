"""What a printer meets in a shape: air under overhangs, bridges, and gaps so narrow that they fuse."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin, sqrt, tan

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.columns import Columns, cut_columns
from mountgen.kernel import Mesh
from mountgen.sampling import Indices

PITCHES, NODES = (0.4, 3.0), 25_000  # mm, finest and coarsest grid; nodes that are aimed at
# Layers. Support takes one, and one of air parts it from what it carries, so under what is less than two above the plate none can
# be laid: it sinks on to the plate by a layer at most, and lies (our rule).
SETTLES = 2.0
HIGHEST_LAYER = 0.8  # of a line's width; higher layers do not hold on to each other (common practice)
BRIDGE_DEG = 10.0  # from level; a flatter underside is printed as a bridge from wall to wall
LEDGE = 2.0  # mm; so wide a strip is held along its side by the layer that it grows out of, however far it runs (our rule)
BRIDGE_POINTS = 300  # places at which bridges are measured, at most
WAYS = ((0, 1), (1, 0), (1, 1), (1, -1))  # of the grid, rows and columns, along which a bridge may run
PARALLEL_DEG = 20.0  # two faces closer to parallel than this leave a gap; others a notch, narrow by nature
ACROSS_DEG = 50.0  # a face that leans more against the line says nothing of the gap's width: another axis measures it


@dataclass(frozen=True)
class Undersides:
    """What hangs over air in a print; what is less than SETTLES layers above the plate does not, it lies.

    support : air below overhangs, down to the part or the plate, mm³.
    bridge  : longest way that a flat underside runs from wall to wall, mm, each taken along its shortest direction; 0 if none.
    middle  : a point of that bridge, (3,) mm, plate frame.
    """

    support: float
    bridge: float
    middle: tuple[float, float, float]


@dataclass(frozen=True)
class Narrowest:
    """The narrowest gap between two faces of a part, mm (inf where none is found), and its middle, (3,) mm."""

    gap: float
    middle: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class _Grid:
    """Nodes of a grid. x: (C,) mm, y: (R,) mm, evenly spaced by `pitch`."""

    x: Floats
    y: Floats
    pitch: float


def measure_undersides(mesh: Mesh, *, layer: float, overhang_deg: float, skip: Bools | None = None) -> Undersides:
    """Measure what hangs over air in a part on the plate.

    Args:
        mesh: the part, plate frame: z upwards, the plate at z = 0, mm.
        layer: height of a layer, mm.
        overhang_deg: from vertical; what faces down more than this needs support.
        skip: (F,) bool, faces that no bridge is looked for under; none if absent.

    Returns:
        Undersides.

    Raises:
        Nothing.
    """
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces)
    rise = _rise_of(vertices, faces)
    above = vertices[:, 2][faces].max(axis=1) >= layer  # what lies on the plate hangs over nothing
    hanging = above & (rise < -sin(radians(overhang_deg)))
    if not hanging.any():
        return Undersides(0.0, 0.0, (0.0, 0.0, 0.0))
    grid = _spread_nodes(vertices)
    whole = cut_columns(vertices, faces, x=grid.x, y=grid.y)
    lies = SETTLES * layer
    whole = replace(whole, height=np.where(~whole.rises & (whole.height < lies), 0.0, whole.height))
    under = cut_columns(vertices, faces[hanging], x=grid.x, y=grid.y)
    support = 0.0
    for k in range(under.height.shape[2]):
        here = under.height[:, :, k]
        some = np.isfinite(here) & (here >= lies)
        floor = whole.highest(np.where(some, here - 1e-6, -np.inf), rising=True).clip(min=0.0)
        support += float((here - floor)[some].sum()) * grid.pitch**2
    flat = above & (rise < -cos(radians(BRIDGE_DEG)))
    if skip is not None:
        flat &= ~skip
    bridge, middle = _measure_bridges(whole, vertices, faces[flat], grid, layer=layer)
    return Undersides(support, bridge, middle)


def find_narrowest(mesh: Mesh, *, below: float) -> Narrowest:
    """Find the narrowest gap between two faces that look at each other, along the three axes.

    Args:
        mesh: mm.
        below: only gaps narrower than this are looked for, mm.

    Returns:
        Narrowest: gap is inf where none is narrower.

    Raises:
        Nothing.
    """
    best, where = np.inf, np.zeros(3)
    for axis in range(3):
        turn = np.roll(np.arange(3), 2 - axis)  # `axis` comes last, the frame stays right-handed
        vertices = np.ascontiguousarray(mesh.vertices[:, turn])
        grid = _spread_nodes(vertices)
        cut = cut_columns(vertices, np.asarray(mesh.faces), x=grid.x, y=grid.y)
        if cut.height.shape[2] < 4:
            continue
        lower, upper = cut.height[:, :, :-1], cut.height[:, :, 1:]
        air = cut.rises[:, :, :-1] & ~cut.rises[:, :, 1:] & np.isfinite(upper)
        gap = np.where(air, np.where(air, upper, 0.0) - np.where(air, lower, 0.0), np.inf)
        gap[~_is_slot(gap, lower, grid.pitch) | (gap >= below)] = np.inf
        if float(gap.min()) < best:
            row, column, k = np.unravel_index(int(np.argmin(gap)), gap.shape)
            best = float(gap.min())
            where[turn] = grid.x[column], grid.y[row], lower[row, column, k] + 0.5 * best
    return Narrowest(best, (float(where[0]), float(where[1]), float(where[2])))


def _is_slot(gap: Floats, lower: Floats, pitch: float) -> Bools:
    """Return where a gap (R, C, K) above `lower` is between two faces that look along the line and are about parallel.

    That is: beside it, in a row and in a column, the line meets about the same gap at about the same height.
    """
    width, level = np.where(np.isfinite(gap), gap, -1.0), np.where(np.isfinite(lower), lower, 0.0)
    found = np.isfinite(gap)
    for axis in (0, 1):
        one, other = ([slice(None)] * 3 for _ in range(2))
        one[axis], other[axis] = slice(1, None), slice(None, -1)
        a, b = tuple(one), tuple(other)
        alike = (width[a] >= 0.0) & (width[b] >= 0.0)
        alike &= np.abs(width[a] - width[b]) < pitch * tan(radians(PARALLEL_DEG))
        alike &= np.abs(level[a] - level[b]) < pitch * tan(radians(ACROSS_DEG))
        either = np.zeros(gap.shape, dtype=np.bool_)
        either[a] |= alike
        either[b] |= alike
        found &= either
    return found


def _rise_of(vertices: Floats, faces: Ints) -> Floats:
    """Return the upward component (F,) of each face's unit normal."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    return np.asarray(normal[:, 2] / np.maximum(np.sqrt(np.einsum("ij,ij->i", normal, normal)), 1e-300))


def _spread_nodes(vertices: Floats) -> _Grid:
    low, high = vertices[:, :2].min(axis=0), vertices[:, :2].max(axis=0)
    pitch = float(np.clip(sqrt(float(np.prod(high - low)) / NODES), *PITCHES))
    counts = np.ceil((high - low) / pitch).astype(np.int64) + 1
    x, y = (start + pitch * (np.arange(count) - 0.43) for start, count in zip(low, counts, strict=True))
    return _Grid(x, y, pitch)


def _measure_bridges(
    whole: Columns, vertices: Floats, flat: Ints, grid: _Grid, *, layer: float
) -> tuple[float, tuple[float, float, float]]:
    """Return the longest bridge, mm, and a point of it."""
    if len(flat) == 0:
        return 0.0, (0.0, 0.0, 0.0)
    under = cut_columns(vertices, flat, x=grid.x, y=grid.y)
    row, column, slot = np.nonzero(np.isfinite(under.height) & (under.height >= SETTLES * layer))
    few = np.linspace(0, len(row) - 1, min(BRIDGE_POINTS, len(row))).astype(np.int64) if len(row) else row
    row, column, z = row[few], column[few], under.height[row[few], column[few], slot[few]]
    span, nearest = np.full(len(row), np.inf), np.full(len(row), np.inf)
    for way in WAYS:
        there = _walk(whole, row, column, z, way, layer)
        back = _walk(whole, row, column, z, (-way[0], -way[1]), layer)
        step = grid.pitch * float(np.hypot(*way))
        span = np.minimum(span, (there + back - 1.0) * step)
        nearest = np.minimum(nearest, (np.minimum(there, back) - 0.5) * step)
    held = np.flatnonzero(np.isfinite(span) & ((nearest > LEDGE) | (span <= 2.0 * LEDGE)))
    if len(held) == 0:
        return 0.0, (0.0, 0.0, 0.0)
    k = int(held[np.argmax(span[held])])
    return float(span[k]), (float(grid.x[column[k]]), float(grid.y[row[k]]), float(z[k]))


def _walk(whole: Columns, row: Indices, column: Indices, z: Floats, way: tuple[int, int], layer: float) -> Floats:
    """Return in how many steps of the grid an underside at z comes to what holds it; inf where it ends in the air first."""
    rows, columns = whole.height.shape[:2]
    steps = np.full(len(z), np.inf)
    going = np.arange(len(z))
    for step in range(1, rows + columns):
        r, c = row[going] + step * way[0], column[going] + step * way[1]
        inside = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
        going, r, c = going[inside], r[inside], c[inside]
        if len(going) == 0:
            break
        height = whole.height[r, c]
        held = (height < (z[going] - layer)[:, None]).sum(axis=1) % 2 == 1
        goes_on = (height < (z[going] + layer)[:, None]).sum(axis=1) % 2 == 1
        steps[going[held]] = step
        going = going[~held & goes_on]
    return steps
