"""Stage 3: the insertable space: the panel as a height field along the draw direction, grown by clearance and draft.

A rigid part that moves straight in along -z touches nothing exactly when it lies above the highest material over each point.
Sweeping along z and growing by a ball commute, so the clearance is a dilation of that field by a half-sphere, exact in 3D, and
the draft is a dilation by a cone. Balls are set on the scan's own vertices, edges and faces, not on grid nodes, and every one
is continued by the draft cone: the field is then exact at its nodes and finite in slope, so that a level set between nodes is
good to a small fraction of the pitch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, cos, radians, sqrt, tan
from typing import TYPE_CHECKING

import numpy as np

from mountgen.arrays import Bools, Floats, Ints, Singles, freeze
from mountgen.datum import Recess, lid_height
from mountgen.dilate import dilate_cone
from mountgen.errors import FieldError
from mountgen.faces import touch_faces
from mountgen.grid import EMPTY, fill_loop, look_around
from mountgen.level_line import trace_level
from mountgen.loop import resample_loop
from mountgen.raster import raster_border, raster_faces, stamp_points, sweep_ball
from mountgen.rows import lies_within

if TYPE_CHECKING:
    from mountgen.recipe_tables import Fit

PITCH_SHARE = 0.25  # of the clearance; the scallop between nodes on a ball of radius c is then c/128
FINEST, COARSEST = 0.06, 0.5  # mm
MOST_NODES = 2_500_000
DIGITS = 6  # of mm that count of an outline: buffers take one corner or its like by the last bit, and go 0.0006 mm another way
SPIKE_SHARE, SPIKES = 0.03, (1.0, 3.0)  # of the mouth's size, within mm: spikes of its outline narrower than twice this go
FEATHER = 0.4  # mm; the least thickness of the part at the rim
RIM_ZONE = 3.0  # mm below the lid; the scan above this is the rim's, for its own clearance
WALL_SLOPE = 45.0  # degrees from the plane of the mouth; steeper is wall, flatter is floor
BEYOND = 1.5  # mm outside the outline of the mouth within which a wall above the lid still leans; the grid ends at 2
BORDER = 0.5  # mm around hidden ground within which the scan's border belongs to it
UNSEEN_REPORTED = 4.0  # mm²; smaller unseen spots are counted, not listed


@dataclass(frozen=True)
class UnseenArea:
    """One connected piece of the mouth's plan over which the scan has no surface. Area in mm² of plan; x, y its middle, mm."""

    area: float
    x: float
    y: float


@dataclass(frozen=True, eq=False)
class InsertableSpace:
    """All points a rigid part may occupy and still be withdrawn along +z: z >= height(x, y), in the part frame.

    height : (R, C) float32, mm, at nodes x = origin[0] + c*pitch, y = origin[1] + r*pitch; above `top` outside the mouth.
    seen   : (R, C) bool, true where the scan has a surface over the node.
    mouth  : (K, 2) float64, mm, outline of the mouth after clearance, counter-clockwise: the plan region the part may use.
    lid    : (6,) the surround carried across the mouth (see Recess).
    top    : height up to which the space is bounded by the mouth's outline, mm.
    """

    height: Singles
    seen: Bools
    mouth: Floats
    lid: Floats
    origin: tuple[float, float]
    pitch: float
    draft_deg: float
    top: float
    unseen: tuple[UnseenArea, ...] = ()

    def __post_init__(self) -> None:
        freeze(self, "height", "float32")
        freeze(self, "seen", "bool")
        freeze(self, "mouth", "float64")
        freeze(self, "lid", "float64")

    @property
    def x(self) -> Floats:
        """Node columns' x, (C,) mm."""
        return self.origin[0] + self.pitch * np.arange(self.height.shape[1], dtype=np.float64)

    @property
    def y(self) -> Floats:
        """Node rows' y, (R,) mm."""
        return self.origin[1] + self.pitch * np.arange(self.height.shape[0], dtype=np.float64)

    def volume(self, *, below: float = 0.0) -> float:
        """Return the volume of the largest insertable body from its floor up to the lid less `below`, mm³."""
        x, y = np.meshgrid(self.x, self.y, sparse=True)
        free = lid_height(self.lid, x, y) - below - self.height
        return float(np.maximum(free, 0.0).sum() * self.pitch**2)


def build_space(recess: Recess, *, fit: Fit) -> InsertableSpace:
    """Build the insertable space of a recess.

    Args:
        recess: the scan in the part frame.
        fit: the recipe's `[fit]` table: clearance (with its zones floor, walls, rim), draft in degrees.

    Returns:
        InsertableSpace.

    Raises:
        FieldError: clearance and draft leave no room inside the mouth.
    """
    slope = 1.0 / tan(radians(fit.draft))
    floor_gap, wall_gap, rim_gap = (fit.clearance if c is None else c for c in (fit.floor, fit.walls, fit.rim))
    mouth = shrink_loop(recess.rim[:, :2], rim_gap)
    pitch, origin, shape = _choose_grid(mouth, min(floor_gap, wall_gap, rim_gap))
    # a wall is found between nodes by the balls set on it, which must reach a node: with less gap it was off by half a millimetre
    floor_gap, wall_gap, rim_gap = (max(gap, pitch) for gap in (floor_gap, wall_gap, rim_gap))
    margin = max(floor_gap, wall_gap, rim_gap) + 3.0 * pitch
    faces = _pick_near(recess.vertices, recess.faces, mouth, margin)
    vertices = recess.vertices
    bounds = np.vstack([faces, _pick_near(recess.vertices, recess.covers, mouth, margin)])
    clearance = _face_clearance(recess, bounds, floor_gap, wall_gap, rim_gap)
    bare = raster_faces(vertices, faces, origin=origin, pitch=pitch, shape=shape)
    seen = bare > EMPTY
    inside = fill_loop(mouth, origin=origin, pitch=pitch, shape=shape)
    top = float(lid_height(recess.lid, mouth[:, 0], mouth[:, 1]).max())
    height = sweep_ball(vertices, bounds, clearance, slope=slope, origin=origin, pitch=pitch, shape=shape)
    hidden = inside & ~seen
    if hidden.any():
        reach = float(np.hypot(*(np.ptp(mouth, axis=0))))
        edges = _find_border(vertices, faces, hidden, origin, pitch)
        border = raster_border(vertices, edges, origin=origin, pitch=pitch, shape=shape)
        level = look_around(bare, border, hidden, reach=reach, pitch=pitch)
        level[level <= EMPTY] = top
        row, col = np.nonzero(hidden)
        spots = np.column_stack([origin[0] + pitch * col, origin[1] + pitch * row, level])
        height = stamp_points(
            spots, np.full(len(spots), floor_gap), slope=slope, origin=origin, pitch=pitch, height=height
        )
    space = confine(InsertableSpace(
        height=height, seen=seen, mouth=mouth, lid=recess.lid, origin=origin, pitch=pitch, draft_deg=fit.draft, top=top,
        unseen=_list_unseen(hidden, origin, pitch),
    ), edge=FEATHER)
    if float(space.height.min()) > top - 1.0:
        raise FieldError(
            f"clearance {max(floor_gap, wall_gap, rim_gap):g} mm and draft {fit.draft:g} degrees leave less than 1 mm of depth",
            "fit.clearance, fit.draft", "ask for less clearance or draft",
        )
    return space


def confine(space: InsertableSpace, *, edge: float) -> InsertableSpace:
    """Return the space bounded by its mouth, less the ground so near under the lid that a part there would be a feather edge.

    Args:
        space: height not yet bounded by the mouth's outline.
        edge: least thickness of the part at the rim, mm.

    Raises:
        FieldError: nothing is left.
    """
    inside = fill_loop(space.mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    mouth = _without_feather(space, inside, edge)
    inside = fill_loop(mouth, origin=space.origin, pitch=space.pitch, shape=space.height.shape)
    slope = 1.0 / tan(radians(space.draft_deg))
    bounded = bound_by_mouth(space, inside, mouth, brow=_lay_brow(space.lid, mouth), slope=slope)
    return replace(space, mouth=mouth, height=dilate_cone(bounded, slope=slope, pitch=space.pitch))


def shrink_loop(loop: Floats, gap: float) -> Floats:
    """Return the largest loop left when a closed loop (K, 2) is moved inwards by `gap` mm, counter-clockwise.

    Raises:
        FieldError: nothing is left.
    """
    import shapely

    return fair_loop(shapely.make_valid(shapely.Polygon(loop)), gap)


def fair_loop(region, gap: float) -> Floats:  # type: ignore[no-untyped-def]
    """Return the largest loop of a region moved inwards by `gap` mm and cleared of spikes."""
    import shapely

    region = shapely.transform(region, lambda points: np.round(points, DIGITS))
    spike = float(np.clip(SPIKE_SHARE * sqrt(region.area), *SPIKES))
    region = shapely.buffer(shapely.buffer(region, -gap - spike, quad_segs=16), spike, quad_segs=16)
    parts = [g for g in shapely.get_parts(region) if g.geom_type == "Polygon" and not g.is_empty]
    if not parts:
        raise FieldError(
            f"a gap of {gap:g} mm closes the whole mouth", "fit.clearance", "ask for less clearance, or check scan.unit"
        )
    loop = np.asarray(max(parts, key=lambda g: g.area).exterior.coords)[:-1]
    area = 0.5 * float((loop[:, 0] * np.roll(loop[:, 1], -1) - loop[:, 1] * np.roll(loop[:, 0], -1)).sum())
    return resample_loop(loop if area > 0 else loop[::-1], step=0.5)


def _without_feather(space: InsertableSpace, inside: Bools, edge: float) -> Floats:
    import shapely

    thick = np.clip(lid_height(space.lid, *np.meshgrid(space.x, space.y, sparse=True)) - space.height, 0.0, 2.0 * edge)
    lines = trace_level(space.x, space.y, np.where(inside, thick, 0.0), edge)
    loops = [shapely.make_valid(shapely.Polygon(line)) for line in lines]
    try:
        return fair_loop(max(loops, key=lambda loop: loop.area, default=shapely.Polygon()), 0.0)
    except FieldError as error:
        raise FieldError(
            f"nowhere in the mouth is there room for {edge:g} mm of part", "fit.clearance, fit.draft",
            "ask for less clearance or draft; what nobody saw is no room: if that is much (see the survey), scan it again; if "
            "the draw direction found is wrong, set mouth.draw",
        ) from error


def _choose_grid(mouth: Floats, gap: float) -> tuple[float, tuple[float, float], tuple[int, int]]:
    size = np.ptp(mouth, axis=0) + 4.0
    pitch = min(max(PITCH_SHARE * gap, FINEST), COARSEST)
    pitch = max(pitch, sqrt(float(size[0] * size[1]) / MOST_NODES))
    low = mouth.min(axis=0) - 2.0
    shape = (int(size[1] / pitch) + 2, int(size[0] / pitch) + 2)
    return pitch, (float(low[0]), float(low[1])), shape


def _pick_near(vertices: Floats, faces: Ints, mouth: Floats, margin: float) -> Ints:
    low, high = mouth.min(axis=0) - margin, mouth.max(axis=0) + margin
    near = lies_within(vertices[:, :2], low, high)
    return np.ascontiguousarray(faces[touch_faces(faces, near)])


def _find_border(vertices: Floats, faces, hidden: Bools, origin: tuple[float, float], pitch: float):  # type: ignore[no-untyped-def]
    """Return the edges (E, 2) of one face only that run along hidden ground."""
    from scipy import ndimage

    wide = ndimage.binary_dilation(hidden, iterations=max(2, ceil(BORDER / pitch)))
    cell = np.rint((vertices[:, :2] - origin) / pitch).astype(np.int64)[:, ::-1]
    near = np.asarray(((cell >= 0) & (cell < hidden.shape)).all(axis=1))
    near[near] = wide[cell[near, 0], cell[near, 1]]
    some = faces[touch_faces(faces, near)].astype(np.int64)
    edges = np.sort(np.vstack([some[:, [0, 1]], some[:, [1, 2]], some[:, [2, 0]]]), axis=1)
    _, first, times = np.unique(edges[:, 0] * len(vertices) + edges[:, 1], return_index=True, return_counts=True)
    once = edges[first[times == 1]]
    return once[near[once].all(axis=1)]


def _face_clearance(recess: Recess, faces, floor_gap: float, wall_gap: float, rim_gap: float) -> Floats:  # type: ignore[no-untyped-def]
    if floor_gap == wall_gap == rim_gap:
        return np.full(len(faces), floor_gap)
    a, b, c = (recess.vertices[faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    upright = np.abs(normal[:, 2]) / np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    middle = (a + b + c) / 3.0
    clearance = np.where(upright < cos(radians(WALL_SLOPE)), wall_gap, floor_gap)
    at_rim = lid_height(recess.lid, middle[:, 0], middle[:, 1]) - middle[:, 2] < RIM_ZONE
    return np.where(at_rim, rim_gap, clearance)


def _lay_brow(lid: Floats, mouth: Floats) -> tuple[float, float, float]:
    """Return the plane a, b, c with z = a + b x + c y mm that leans as the mouth (K, 2) does and goes over its highest point."""
    z = lid_height(lid, *mouth.T)
    _, b, c = np.linalg.lstsq(np.column_stack([np.ones(len(mouth)), mouth]), z, rcond=None)[0]
    return float((z - mouth @ (b, c)).max()), float(b), float(c)


def bound_by_mouth(
    space: InsertableSpace, inside: Bools, mouth: Floats, *, brow: tuple[float, float, float], slope: float
) -> Singles:
    """Treat the mouth's outline as a wall that ends at a plane: inside it draft applies, outside nothing may be below the plane.

    Above it the wall goes on with the same draft, up to the highest point at least: where the mouth leans, a wall that went up to
    that everywhere would by its draft take room from the part on the other side.

    Args:
        space: its heights and its grid.
        inside: (R, C) bool, the nodes inside `mouth`.
        mouth: (K, 2) mm, the outline.
        brow: a, b, c of the plane z = a + b x + c y, mm.
        slope: of the draft, height over plan.
    """
    loop, pitch, near = resample_loop(mouth, step=0.4 * space.pitch), space.pitch, 2.5 * space.pitch * slope
    rim = brow[0] + loop @ brow[1:]
    top, lowest = float(rim.max()), float(rim.min())
    level = (brow[0] + brow[1] * space.x[None, :] + brow[2] * space.y[:, None]).astype(np.float32)

    def cones(ends: Floats, height: Singles, skirt: float) -> Singles:
        return stamp_points(
            np.column_stack([loop, ends]), np.zeros(len(loop)), slope=slope, origin=space.origin, pitch=pitch, height=height,
            skirt=skirt,
        )

    ridge = cones(rim, level - np.float32(near), 0.0)
    within = np.where(ridge > level - np.float32(0.996 * near), ridge, EMPTY)
    reach = min(near + top - lowest, BEYOND * slope) / slope
    beyond = -cones(-rim, np.full_like(space.height, -(top + near)), reach)
    return np.where(inside, np.maximum(space.height, within), beyond)


def _list_unseen(hidden: Bools, origin: tuple[float, float], pitch: float) -> tuple[UnseenArea, ...]:
    from scipy import ndimage

    label, count = ndimage.label(hidden)
    if count == 0:
        return ()
    index = np.arange(1, count + 1)
    area = ndimage.sum_labels(hidden, label, index) * pitch**2
    areas = []
    for k in np.argsort(-area):
        if area[k] < UNSEEN_REPORTED:
            break
        row, col = np.nonzero(label == index[k])
        areas.append(UnseenArea(float(area[k]), origin[0] + pitch * float(col.mean()), origin[1] + pitch * float(row.mean())))
    return tuple(areas)
