"""The flange: a border that lies on the panel around the rim and follows its bow."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, sqrt
from typing import Any

import numpy as np

from mountgen.arrays import Bools, Floats
from mountgen.crossing import meet_field
from mountgen.datum import Recess, lid_height
from mountgen.errors import FeatureError
from mountgen.features.rounding import on_field, round_edges
from mountgen.field import InsertableSpace
from mountgen.grid import EMPTY
from mountgen.kernel import Solid
from mountgen.loop import resample_loop, signed_area
from mountgen.raster import raster_faces, sweep_ball
from mountgen.recipe import PlugRecipe, TrayRecipe
from mountgen.recipe_tables import Flange
from mountgen.roll import try_ball
from mountgen.spline import Axis, Surface, fit_surface, uniform_axis
from mountgen.tubes import Rounding, TubeEnd, closed_tube

PITCH, MOST_NODES = 0.4, 400_000  # mm; grid on which the panel is looked at
SLOPE = 4.0  # mm per mm; how steeply a clearance ball falls off beside the panel's own steps
SOFT = 3.0  # mm; radius of the outline's inner corners
EDGE_STEP = 0.1  # mm between points of the rim, from which distances are taken
OUTLINE_STEP = 6.0  # mm between the outline's knots
TUBE_SAMPLE = 0.5  # mm between the points an outline is fitted to
KNOT_STEP = 8.0  # mm between the knots of the underside
LINING = 2.0  # mm past the rim in which its own rounding is bridged instead of followed
REACH = 6.0  # mm over which the underside is carried on where no panel is seen
SPARE = 0.02  # mm; what the facets of a bowed underside may take off the clearance
SAFE = 0.01  # mm by which the underside may at most miss the clearance
ROUNDS = 10  # of correcting, at most
MOST_ROUND = 0.95  # of the flange's thickness that a rounding takes
DEEP = 4.0  # mm below the mouth; scan deeper than this is none of the flange's business


@dataclass(frozen=True, eq=False)
class Border:
    """A flange over the whole mouth, by its faces.

    tube        : its side, upright.
    below, top  : height fields of its underside and its top.
    rise        : least and greatest height of its underside above the lid at the mouth, mm.
    thickness   : mm.
    radius      : rounding of the upper edges, mm.
    """

    tube: Surface
    below: Surface
    top: Surface
    rise: tuple[float, float]
    thickness: float
    radius: float

    @property
    def overlap(self) -> float:
        """Height above the lid up to which a body must reach to be one with the flange, mm."""
        return self.rise[1] + 0.3 * self.thickness

    def plate(self) -> Solid:
        """Return the flange as a solid of its own.

        Raises:
            KernelError: it cannot be made.
        """
        low = meet_field(self.tube, self.below)
        return self.round_edge(closed_tube(self.tube, low, self.find_brow()))

    def find_brow(self) -> TubeEnd | Rounding:
        """Return the upper end of its side, rounded where a ball rolls along the edge.

        Raises:
            KernelError: side and top do not meet in one curve.
        """
        brow = meet_field(self.tube, self.top)
        return try_ball(self.tube, brow, radius=self.edge_radius()) or brow

    def round_edge(self, solid: Solid, *, check: bool = True) -> Solid:
        """Return a solid with what edges the flange's top has left rounded, checked or not; as it was where that fails."""
        return round_edges(solid, on_field(self.top_height), radius=self.edge_radius(), check=check)

    def edge_radius(self) -> float:
        """Return the radius with which its upper edge is rounded, mm."""
        return min(self.radius, MOST_ROUND * self.thickness)

    def top_height(self, x: Floats, y: Floats) -> Floats:
        """Return the height of its top at x (N,), y (N,), mm."""
        return self.top.at_points(x, y)[:, 0]


def make_flange(recess: Recess, mouth: Floats, *, flange: Flange, clearance: float, radius: float) -> Border:
    """Find the border that lies on the panel around the rim, closed over the mouth.

    Args:
        recess: the scan in the part frame.
        mouth: (K, 2) mm, outline of the body at the mouth.
        flange: width past the rim and thickness.
        clearance: gap to the panel, mm.
        radius: rounding of the upper edges, mm.

    Returns:
        Border.

    Raises:
        FeatureError: the scan does not show enough panel; says the largest width that it does.
    """
    import shapely

    rim = shapely.make_valid(shapely.Polygon(recess.rim[:, :2]))
    plan = shapely.buffer(shapely.buffer(rim, flange.width + SOFT, quad_segs=32), -SOFT, quad_segs=32)
    tube = upright_tube(np.asarray(plan.exterior.coords)[:-1, :2], low=-60.0, high=60.0, step=OUTLINE_STEP)
    below = _underside(recess, rim, plan, flange.width, clearance)
    top = Surface(below.u, below.v, below.poles + flange.thickness)
    x, y = mouth.T
    rise = below.at_points(x, y)[:, 0] - lid_height(recess.lid, x, y)
    return Border(tube, below, top, (float(rise.min()), float(rise.max())), flange.thickness, radius)


def flange_of(recess: Recess, space: InsertableSpace, recipe: PlugRecipe | TrayRecipe) -> Border | None:
    """Return the border that a recipe asks for, None where it asks for none; errors as for `make_flange`."""
    if recipe.flange is None:
        return None
    clearance = recipe.fit.clearance if recipe.fit.rim is None else recipe.fit.rim
    radius = recipe.body.edge_radius
    return make_flange(recess, space.mouth, flange=recipe.flange, clearance=clearance, radius=radius)


def upright_tube(loop: Floats, *, low: float, high: float, step: float) -> Surface:
    """Return a smooth upright tube on a closed loop (K, 2), from `low` to `high`, with a knot every `step` mm around."""
    if signed_area(loop) < 0:
        loop = loop[::-1]
    points = resample_loop(loop, step=TUBE_SAMPLE)
    u = np.arange(len(points)) / len(points)
    u_axis = uniform_axis(0.0, 1.0, step / (TUBE_SAMPLE * len(points)), periodic=True)
    v_axis = Axis(np.array([low, high]), periodic=False)
    z = np.linspace(low, high, v_axis.poles)
    flat = fit_surface(u, z, np.repeat(points[:, None, :], len(z), axis=1), u_axis, v_axis)
    poles = np.empty((*flat.poles.shape[:2], 3))
    poles[..., :2] = flat.poles.mean(axis=1, keepdims=True)
    poles[..., 2] = z
    return Surface(u_axis, v_axis, poles)


def _underside(recess: Recess, rim: Any, plan: Any, width: float, clearance: float) -> Surface:
    """Fit the plate's underside from above to the panel grown by the clearance."""
    import shapely
    from scipy import ndimage
    from scipy.spatial import cKDTree

    low, high = (np.array(plan.bounds[k : k + 2]) + (-2.0, 2.0)[k // 2] for k in (0, 2))
    pitch = max(PITCH, sqrt(float(np.prod(high - low)) / MOST_NODES))
    shape = (ceil(float(high[1] - low[1]) / pitch) + 1, ceil(float(high[0] - low[0]) / pitch) + 1)
    x, y = low[0] + pitch * np.arange(shape[1]), low[1] + pitch * np.arange(shape[0])
    gx, gy = np.meshgrid(x, y)
    grid: dict[str, Any] = {"origin": (float(low[0]), float(low[1])), "pitch": pitch, "shape": shape}
    vertices, faces = recess.vertices, _faces_of_panel(recess, low - 2.0, high + 2.0)
    ball = np.full(len(faces), clearance + SPARE)
    seen = raster_faces(vertices, faces, **grid) > EMPTY
    raised = sweep_ball(vertices, faces, ball, slope=SLOPE, **grid)
    away = np.zeros(shape)
    outside = ~shapely.contains_xy(rim, gx, gy)
    edge = resample_loop(np.asarray(rim.exterior.coords)[:-1], step=EDGE_STEP)
    away[outside] = cKDTree(edge).query(np.column_stack([gx[outside], gy[outside]]))[0]
    _require_panel(seen, away, width, pitch)
    lid = lid_height(recess.lid, gx, gy)
    trusted = seen & (away > LINING)
    weight = ndimage.gaussian_filter(trusted.astype(np.float64), REACH / pitch)
    carried = ndimage.gaussian_filter(np.where(trusted, raised - lid, 0.0), REACH / pitch)
    lift = np.where(weight > 1e-3, carried / np.maximum(weight, 1e-3), clearance)
    target = np.where(trusted, raised, lid + lift).astype(np.float64)
    needed = np.where(shapely.contains_xy(plan.buffer(1.0), gx, gy), raised, EMPTY)
    return fit_from_above(x, y, target, needed, step=KNOT_STEP)


def fit_from_above(x: Floats, y: Floats, target: Floats, needed: Floats, *, step: float) -> Surface:
    """Return the smooth height field near target (R, C), knots `step` mm apart, that nowhere lies below needed (R, C)."""
    from scipy import ndimage

    axes = uniform_axis(float(x[0]), float(x[-1]), step), uniform_axis(float(y[0]), float(y[-1]), step)
    data = target.T[..., None].copy()
    for _ in range(ROUNDS):
        surface = fit_surface(x, y, data, *axes)
        short = np.maximum(needed.T - surface.at(x, y)[..., 0], 0.0)
        if short.max() < SAFE:
            return surface
        data[..., 0] += 1.2 * ndimage.maximum_filter(short, size=7)
    lifted = surface.poles + float(short.max())
    return Surface(surface.u, surface.v, lifted)


def _faces_of_panel(recess: Recess, low: Floats, high: Floats) -> Any:
    x, y, z = recess.vertices.T
    near = (x > low[0]) & (x < high[0]) & (y > low[1]) & (y < high[1]) & (z > lid_height(recess.lid, x, y) - DEEP)
    return np.ascontiguousarray(recess.faces[near[recess.faces].any(axis=1)])


def _require_panel(seen: Bools, away: Floats, width: float, pitch: float) -> None:
    from scipy import ndimage

    ground = ndimage.binary_fill_holes(seen | (away == 0.0))
    bare = away[~ground]
    limit = float(bare.min()) if bare.size else np.inf
    if limit >= width:
        return
    largest = floor(10.0 * (limit - pitch)) / 10.0  # another width puts the nodes elsewhere
    remedy = "scan more of the panel around the rim, or leave the flange out"
    raise FeatureError(
        f"the scan shows only {max(largest, 0.0):.1f} mm of panel past the rim, but the flange is {width:g} mm wide",
        "flange.width", f"give {largest:.1f} mm or less, or {remedy}" if largest >= 1.0 else remedy,
    )  # fmt: skip
