"""Hollow bodies that are open underneath or at the back, so that no support stays inside and no water stands in them."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, floor, radians, tan
from typing import Any

import numpy as np

from mountgen.arrays import Bools, Floats, Ints
from mountgen.block import make_block
from mountgen.bounded import run_bounded
from mountgen.crossing import meet_field
from mountgen.errors import FeatureError, KernelError
from mountgen.features.cavity import SPARE, fit_inner, join_meshes, raise_space, round_inside, sample_shell
from mountgen.features.dividers import leave_standing, place_walls
from mountgen.features.flange import fit_from_above, upright_tube
from mountgen.field import InsertableSpace
from mountgen.grid import EMPTY
from mountgen.kernel import Mesh, Solid, combine, combine_many, loft_solid, prism_solid, solids_of, tessellate
from mountgen.loft import Shell
from mountgen.raster import raster_faces, sweep_ball
from mountgen.shape import make_box, require_one_solid
from mountgen.spline import Surface
from mountgen.tubes import closed_tube

PITCH, MOST_NODES = 0.35, 300_000  # mm; grid on which a body is looked at from underneath
STEEP = 65.0  # degrees; ceiling steeper than this is left to the wall beside it
FALL = 1000.0  # mm per mm; how steeply a wall's ball ends: at once, as its plan is what counts
OPEN_SIDE = 0.6  # of a face's normal towards the opening; a face that looks there more than this is left out
SHALLOWEST = 2.0  # mm; a hollow less deep than this is not worth its edge
CORNER, SMALLEST = 2.0, 40.0  # mm, mm²; the hollow's corners are rounded to this; smaller hollows are left solid
TUBE_STEP, CEILING_STEP = 3.0, 4.0  # mm between the knots of a hollow's side and of its ceiling
MARGIN = 0.3  # mm by which the side keeps inside where the fit may stray
THROUGH = 1.0  # mm by which the tool of a hollow stands out of the body's floor
STEEP_WALL = 0.7  # of a face's normal along z; less is a wall, which keeps its thickness where the back is open
LONGEST = 120.0  # s of CPU for the cut; it takes 13 for the plug of the example
BAR = 400.0  # mm; a tool that goes through any body


def hollow_out(
    solid: Solid,
    space: InsertableSpace,
    shell: Shell | None,
    *,
    up: Floats,
    wall: float,
    ribs: int,
    opening: str,
    below: float = 0.0,
    carved: bool = False,
) -> Solid:
    """Hollow a body out.

    Args:
        solid: the body.
        space: the insertable space it was made from.
        shell: its wall and floor; None where they could not be fitted.
        up: (3,) unit vector, part frame: the vehicle's up.
        wall: least thickness of what is left, mm.
        ribs: number of plates of that thickness, square to x, that are left standing.
        opening: "underneath": open towards -up, so that whatever is inside can be seen and reached straight from
            below; "back": open at the deep side, with walls of even thickness.
        below: how far below the lid the body's face lies, mm.
        carved: whether the body differs from the largest insertable one in more than its face.

    Returns:
        One solid without trapped hollows.

    Raises:
        FeatureError: the walls leave no room, or the ribs fill it; says what would fit.
        KernelError: the hollow cannot be cut.
    """
    if opening == "back":
        extra = tessellate(solid) if carved else None
        hollows = _rooms_behind(space, shell, extra, wall=wall, below=below)
    else:
        hollows = _rooms_underneath(tessellate(solid), up, wall=wall)
    if ribs:
        plates = _plates(hollows, ribs, wall)
        hollows = [room for hollow in hollows for room in leave_standing(hollow, plates)]
    body = run_bounded(
        lambda: combine_many(solid, hollows, "cut", what="hollow"), solid, what="hollow", seconds=LONGEST,
        made_of=("cut", solid, *hollows),
    )  # fmt: skip
    other = 'set body.open = "underneath"' if opening == "back" else "give a thicker body.wall"
    return require_one_solid(body, what="hollow", remedy=f"{other}, or leave body.wall out")


def _plates(hollows: list[Solid], ribs: int, wall: float) -> list[Solid]:
    """Return evenly spaced plates square to x that go through all hollows."""
    x = np.concatenate([tessellate(hollow, chord=0.2).vertices[:, 0] for hollow in hollows])
    starts = place_walls(float(x.min()), float(x.max()), ribs, wall, key="body.ribs")
    return [make_box((start, -BAR, -BAR), (start + wall, BAR, BAR)) for start in starts]


def _rooms_behind(space: InsertableSpace, shell: Shell | None, extra: Mesh | None, *, wall: float, below: float) -> list[Solid]:
    """Return the room inside walls and floor, `wall` under the face, and the way out through the floor."""
    depth = space.top - below - float(space.height.min())
    if shell is None or depth < wall + SHALLOWEST:
        raise _too_thick(wall, depth - 0.5 * SHALLOWEST)
    outer = sample_shell(shell)
    if extra is not None:
        outer = join_meshes([outer, _inner_faces(extra, _normals(extra)[:, 2], STEEP_WALL)])
    inner = round_inside(raise_space(space, outer, wall=wall))
    inside = fit_inner(inner)
    if inside is None:
        remedy = "change body.wall by 0.2 mm, or leave the body solid"
        raise FeatureError(f"a wall of {wall:g} mm leaves an inside with no smooth wall", "body.wall", remedy)
    inside = replace(inside, posts=(), pockets=())  # a boss needs no skin where the floor is gone
    block = make_block(inside, inner, below=below + wall)
    if block.faceted:
        raise KernelError("the hollow does not make a smooth solid", "body.wall", "change it by 0.2 mm")
    return [block.solid, *_ways_out(shell, inside, wall)]


def _ways_out(shell: Shell, inside: Shell, wall: float) -> list[Solid]:
    """Return upright shafts from the inner floor down through the outer one that leave `wall` beside them all the way."""
    import shapely

    outer, inner = (shapely.make_valid(shapely.Polygon(meet_field(s.wall, s.floor).space[:, :2])) for s in (shell, inside))
    plan = outer.buffer(-wall - MARGIN).intersection(inner.buffer(-MARGIN)).buffer(-CORNER).buffer(CORNER)
    low, high = (Surface(f.u, f.v, f.poles + up) for f, up in ((shell.floor, -THROUGH), (inside.floor, THROUGH)))
    bottom, top = float(low.poles.min()) - THROUGH, float(high.poles.max()) + THROUGH
    shafts = []
    for part in shapely.get_parts(plan):
        if part.geom_type != "Polygon" or part.area < SMALLEST:
            continue
        loop = np.asarray(part.exterior.coords)[:-1, :2]
        side = upright_tube(loop, low=bottom, high=top, step=TUBE_STEP)
        shafts.append(closed_tube(side, meet_field(side, low), meet_field(side, high)))
    if not shafts:
        raise _too_thick(wall, wall - 0.5)
    return shafts


def _inner_faces(mesh: Mesh, along: Floats, least: float) -> Mesh:
    """Return the faces whose normal has less than `least` along an axis, turned to look inside."""
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[np.abs(along) < least][:, ::-1]))


def _normals(mesh: Mesh) -> Floats:
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    unit: Floats = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    return unit


def _rooms_underneath(mesh: Mesh, up: Floats, *, wall: float) -> list[Solid]:
    """Return the rooms that leave `wall` above and beside them and go straight out towards -up."""
    turn = np.array([[1.0, 0.0, 0.0], [0.0, -up[2], up[1]], -up])  # rows: across, out of the recess, down
    turned = Mesh(mesh.vertices @ turn.T, mesh.faces)
    x, y, ceiling, way_out = _look_from_below(turned, wall)
    plan = _plan_rooms(x, y, ceiling, way_out)
    if not plan:
        raise _too_thick(wall, 0.5 * float(np.where(way_out > EMPTY, way_out - ceiling + wall, 0.0).max()))
    lowest = float(turned.vertices[:, 2].max()) + THROUGH
    rooms = []
    for polygon in plan:
        inside = _contains(polygon, x, y)
        surface = fit_from_above(x, y, _carry_on(ceiling, inside), np.where(inside, ceiling, EMPTY), step=CEILING_STEP)
        low = float(ceiling[inside].min()) - 10.0
        loop = np.asarray(polygon.exterior.coords)[:-1, :2]
        side = upright_tube(loop, low=low, high=lowest, step=TUBE_STEP)
        room = combine(loft_solid(side), prism_solid(surface, lowest - low + 50.0), "common", what="hollow")
        rooms += [_turn_back(piece, turn) for piece in solids_of(room)]
    if not rooms:
        raise KernelError("the hollow does not make a solid", "body.wall", "change it by 0.1 mm")
    return rooms


def _look_from_below(mesh: Mesh, wall: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Return x (C,), y (R,), how high a room may reach (R, C), and where it leaves the body (R, C), heights downwards."""
    low, high = mesh.vertices[:, :2].min(axis=0) - 1.0, mesh.vertices[:, :2].max(axis=0) + 1.0
    pitch = max(PITCH, float(np.sqrt(np.prod(high - low) / MOST_NODES)))
    shape = (ceil(float(high[1] - low[1]) / pitch) + 1, ceil(float(high[0] - low[0]) / pitch) + 1)
    grid: dict[str, Any] = {"origin": (float(low[0]), float(low[1])), "pitch": pitch, "shape": shape}
    down = _normals(mesh)[:, 2]
    shut: Ints = np.ascontiguousarray(mesh.faces[down < OPEN_SIDE][:, ::-1])
    ball = np.full(len(shut), wall + SPARE)
    ceiling = sweep_ball(mesh.vertices, shut, ball, slope=FALL, **grid)
    way_out = raster_faces(mesh.vertices, np.ascontiguousarray(mesh.faces[down > 0.0]), **grid)
    x, y = low[0] + pitch * np.arange(shape[1]), low[1] + pitch * np.arange(shape[0])
    return x, y, ceiling.astype(np.float64), way_out.astype(np.float64)


def _plan_rooms(x: Floats, y: Floats, ceiling: Floats, way_out: Floats) -> list[Any]:
    """Return the outlines, as polygons with round corners, over which a room is worth while."""
    import shapely
    from contourpy import contour_generator

    pitch = float(x[1] - x[0])
    dy, dx = np.gradient(ceiling, pitch)
    room = (way_out > EMPTY) & (way_out - ceiling > SHALLOWEST) & (np.hypot(dx, dy) < tan(radians(STEEP)))
    if not room.any():
        return []
    lines = contour_generator(x=x, y=y, z=np.where(room, 1.0, -1.0)).lines(0.0)
    region = shapely.Polygon()
    for line in sorted((shapely.Polygon(line) for line in lines if len(line) > 3), key=lambda g: -g.area):
        region = region.symmetric_difference(shapely.make_valid(line))
    region = region.buffer(-CORNER - MARGIN, quad_segs=16).buffer(CORNER, quad_segs=16)
    parts = [g for g in shapely.get_parts(region) if g.geom_type == "Polygon" and g.area > SMALLEST]
    return [_without_holes(part) for part in parts]


def _without_holes(polygon: Any) -> Any:
    """Return the larger side of a polygon with holes, cut at its largest hole, until none is left."""
    import shapely

    while polygon.interiors:
        hole = max(polygon.interiors, key=lambda ring: shapely.Polygon(ring).area)
        x0, y0, x1, y1 = hole.bounds
        a0, b0, a1, b1 = polygon.bounds
        boxes = [(a0, b0, x0, b1), (x1, b0, a1, b1), (a0, b0, a1, y0), (a0, y1, a1, b1)]
        halves = [polygon.intersection(shapely.box(*box)) for box in boxes]
        whole = [g for half in halves for g in shapely.get_parts(half) if g.geom_type == "Polygon"]
        polygon = max(whole, key=lambda g: g.area)
        polygon = polygon.buffer(-CORNER).buffer(CORNER)
        polygon = max(shapely.get_parts(polygon), key=lambda g: g.area)
    return polygon


def _contains(polygon: Any, x: Floats, y: Floats) -> Bools:
    import shapely

    gx, gy = np.meshgrid(x, y)
    return np.asarray(shapely.contains_xy(polygon.buffer(MARGIN), gx, gy))


def _carry_on(height: Floats, inside: Bools) -> Floats:
    """Return heights (R, C) that go on outside a region as they are at the nearest place inside it."""
    from scipy import ndimage

    nearest = ndimage.distance_transform_edt(~inside, return_distances=False, return_indices=True)
    return np.asarray(height[tuple(nearest)])


def _turn_back(solid: Solid, turn: Floats) -> Solid:
    """Return a solid given in turned axes (rows of `turn`) in the part frame."""
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.gp import gp_Trsf

    back = gp_Trsf()
    back.SetValues(*(float(v) for row in turn.T for v in (*row, 0.0)))
    return BRepBuilderAPI_Transform(solid, back, True).Shape()


def _too_thick(wall: float, largest: float) -> FeatureError:
    fits = floor(10.0 * (largest - 0.5 * SHALLOWEST)) / 10.0
    remedy = f"give {fits:.1f} mm or less" if fits >= 0.4 else "leave the body solid"
    return FeatureError(f"a wall of {wall:g} mm leaves no room inside the part", "body.wall", remedy)
