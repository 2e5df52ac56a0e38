"""Even walls: the inner space of a hollow part, measured from the part's own outer surface in 3D."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import ceil, floor, radians, tan
from typing import Any

import numpy as np

from mountgen.arrays import Bools, Floats, Ints, Singles
from mountgen.block import pocket_tube
from mountgen.crossing import meet_field
from mountgen.dilate import dilate_cone
from mountgen.errors import FeatureError, FieldError, KernelError, LoftError, SectionError
from mountgen.faces import measure_faces
from mountgen.facet_relief import mesh_ground
from mountgen.field import InsertableSpace, shrink_loop
from mountgen.grid import fill_loop
from mountgen.kernel import Mesh
from mountgen.loft import Shell, fit_shell
from mountgen.raster import sweep_ball
from mountgen.spline import Axis, Surface

INNER_PITCH = 0.25  # mm; grid of the inner space: balls of a wall's radius are large, so a coarse grid holds them
SKIN_STEP = 0.5  # mm between the samples of the outer surface
SPARE = 0.03  # mm; what the fitted surfaces and their facets may take off a wall
INNER_RADIUS = 1.5  # mm; rounding of the edges between wall and floor inside a tray
TOP = 0.2  # of the normal; a faceted body's faces that look up by more than this are its top
FENCE = 30.0  # mm above the mouth; height of ground outside the part, so that nothing spills over it
LEAST_DEPTH = 1.0  # mm; an inner space less deep than this is none


@dataclass(frozen=True, eq=False)
class Cavity:
    """What is inside a part's walls: the space, the shell fitted to it (None where that failed), and the wall, mm."""

    space: InsertableSpace
    shell: Shell | None
    wall: float


@lru_cache(maxsize=2)  # other dividers or another flange leave it as it is
def hollow_inside(shell: Shell | None, space: InsertableSpace, *, wall: float, reach: float | None = None) -> Cavity:
    """Find the space inside a body's walls and fit its shell.

    Args:
        shell: wall and floor of the body; None where they could not be fitted.
        space: the body's insertable space.
        wall: thickness of wall and floor, mm.
        reach: how deep from the mouth plane the body goes, mm; None for all the way.

    Raises:
        FeatureError: the walls leave no room.
    """
    outer = sample_facets(space, reach=reach) if shell is None else sample_shell(shell)
    inner = round_inside(raise_space(space, outer, wall=wall, reach=reach))
    return Cavity(inner, None if shell is None else fit_inner(inner), wall)  # splines cut out of facets take the kernel minutes


def fit_inner(inner: InsertableSpace) -> Shell | None:
    """Fit wall and floor to an inner space; None where that fails, for a faceted hollow.

    Pockets under the floor are left full: beside them the floor would end in fins too thin to print.
    """
    try:
        return replace(fit_shell(inner), pockets=())
    except (FieldError, LoftError, SectionError):
        return None


def raise_space(space: InsertableSpace, outer: Mesh, *, wall: float, reach: float | None = None) -> InsertableSpace:
    """Return the space inside a part's walls: all points at least `wall` from its outer surface, towards the mouth.

    The same sum with a ball as the clearance, exact in 3D: it is set on the outer surface's own faces, edges and corners.

    Args:
        space: the insertable space of the part.
        outer: the part's outer surface without its top, faces towards the inside of the part; at the mouth it goes on
            straight up to above `space.top`. Surface of it that lies outside the part does no harm.
        wall: thickness of wall and floor, mm.
        reach: how deep from the mouth plane the part goes, mm; None for all the way.

    Returns:
        InsertableSpace: on a grid of its own; `seen` is true throughout, as no scan bounds it.

    Raises:
        FeatureError: the walls leave no room; says the largest wall that would.
    """
    step = max(1, round(INNER_PITCH / space.pitch))
    pitch = step * space.pitch
    shape = (-(-space.height.shape[0] // step), -(-space.height.shape[1] // step))
    try:
        mouth = shrink_loop(space.mouth, wall)
    except FieldError as error:
        raise _no_room(space, wall, reach) from error
    slope = 1.0 / tan(radians(space.draft_deg))
    ball = np.full(len(outer.faces), wall + SPARE)
    grid: dict[str, Any] = {"origin": space.origin, "pitch": pitch, "shape": shape}
    height = sweep_ball(outer.vertices, outer.faces, ball, slope=slope, **grid)
    if reach is not None:
        height = np.maximum(height, np.float32(wall + SPARE - reach))
    height = dilate_cone(height, slope=slope, pitch=pitch)
    inside = fill_loop(space.mouth, **grid)
    height = np.where(inside, height, np.maximum(height, np.float32(space.top + FENCE)))
    if float(height.min()) > space.top - LEAST_DEPTH:
        raise _no_room(space, wall, reach)
    return replace(space, height=height, seen=np.ones(shape, dtype=np.bool_), mouth=mouth, pitch=pitch, unseen=())


def round_inside(inner: InsertableSpace, *, radius: float = INNER_RADIUS) -> InsertableSpace:
    """Return an inner space whose concave edges are rounded, so that it can be wiped and its wall fitted.

    Ground swept by a ball from below and then from above (a morphological closing): a ball of that radius reaches all of
    the room that is left. Where the room is too narrow for the ball it stays as it was.
    """
    clip = np.float32(inner.top + FENCE / 3.0)
    height = np.minimum(inner.height, clip)
    slope = 1.0 / tan(radians(inner.draft_deg))
    raised = _sweep_ball(replace(inner, height=height), radius, slope)
    if float(raised.min()) > inner.top - LEAST_DEPTH:
        return inner
    lowered = -_sweep_ball(replace(inner, height=-np.minimum(raised, clip)), radius, slope)
    return replace(inner, height=np.maximum(inner.height, lowered))


def _sweep_ball(space: InsertableSpace, radius: float, slope: float) -> Singles:
    """Return the height field swept by a ball, set on its facets between nodes, edges and corners, (R, C)."""
    rows, cols = space.height.shape
    gx, gy = np.meshgrid(space.x, space.y)
    index = np.arange(rows * cols).reshape(rows, cols)
    faces = _cells(index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1])
    points = np.column_stack([gx.ravel(), gy.ravel(), space.height.ravel()]).astype(np.float64)
    ball = np.full(len(faces), radius)
    grid: dict[str, Any] = {"origin": space.origin, "pitch": space.pitch, "shape": space.height.shape}
    return dilate_cone(sweep_ball(points, faces, ball, slope=slope, **grid), slope=slope, pitch=space.pitch)


def _no_room(space: InsertableSpace, wall: float, reach: float | None) -> FeatureError:
    import shapely

    circle = shapely.maximum_inscribed_circle(shapely.Polygon(space.mouth))
    depth = space.top - float(space.height.min())
    largest = floor(10.0 * (min(float(shapely.length(circle)), depth) - 1.5)) / 10.0
    while largest > 0.0 and not _leaves_mouth(space, largest):
        largest = round(largest - 0.5, 1)
    remedy = f"give {largest:.1f} mm or less" if largest > 0.0 else "let the part go deeper"
    if reach is not None and reach < wall + LEAST_DEPTH + SPARE:
        remedy = f"the part ends {reach:g} mm below the mouth: set fit.reach = {ceil(wall + LEAST_DEPTH + SPARE)} or more"
    return FeatureError(f"a wall of {wall:g} mm leaves no room inside the part", "body.wall", remedy)


def _leaves_mouth(space: InsertableSpace, wall: float) -> bool:
    try:
        shrink_loop(space.mouth, wall)
    except FieldError:
        return False
    return True


def sample_shell(shell: Shell) -> Mesh:
    """Return the fitted surfaces that bound a body as one mesh, faces towards its inside, samples SKIN_STEP apart."""
    parts = [sample_wall(shell)]
    ground = _sample_floor(shell.floor)
    for pocket in shell.pockets:
        try:
            edge = meet_field(pocket.wall, shell.floor).space[:, :2]
            pocket_tube(pocket, shell.floor)
        except KernelError:
            continue  # whether or not the kernel unites it with the body, that is only thicker there
        ground = _pick(ground, ~_within(edge, ground))
        wall = sample_wall(pocket)
        middle = wall.vertices[wall.faces].mean(axis=1)
        under = middle[:, 2] < shell.floor.at_points(middle[:, 0], middle[:, 1])[:, 0]
        parts += [_pick(wall, under), _sample_floor(pocket.floor)]
    for post in shell.posts:
        edge = meet_field(post.wall, post.floor).space[:, :2]
        wall, cap = sample_wall(post), _sample_floor(post.floor)
        middle = wall.vertices[wall.faces].mean(axis=1)
        under = middle[:, 2] < post.floor.at_points(middle[:, 0], middle[:, 1])[:, 0]
        around = _pick(wall, under)
        parts += [Mesh(around.vertices, around.faces[:, ::-1]), _pick(cap, _within(edge, cap))]
    return join_meshes([*parts, ground])


def join_meshes(parts: Sequence[Mesh]) -> Mesh:
    """Return meshes as one, unwelded."""
    start = np.cumsum([0, *(len(part.vertices) for part in parts)])
    faces = [part.faces + at for part, at in zip(parts, start, strict=False)]
    return Mesh(np.vstack([part.vertices for part in parts]), np.vstack(faces))


def _sample_floor(floor: Surface) -> Mesh:
    x, y = _spread(floor.u.breaks[[0, -1]]), _spread(floor.v.breaks[[0, -1]])
    points = np.stack([*np.meshgrid(x, y, indexing="ij"), floor.at(x, y)[..., 0]], axis=-1)
    index = np.arange(len(x) * len(y)).reshape(len(x), len(y))
    return Mesh(points.reshape(-1, 3), _cells(index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]))


def _pick(mesh: Mesh, which: Bools) -> Mesh:
    return Mesh(mesh.vertices, np.ascontiguousarray(mesh.faces[which]))


def _within(loop: Floats, mesh: Mesh) -> Bools:
    """Return which faces of a mesh have their middle inside a loop (K, 2) in plan."""
    import shapely

    middle = mesh.vertices[mesh.faces].mean(axis=1)
    return np.asarray(shapely.contains_xy(shapely.make_valid(shapely.Polygon(loop)), middle[:, 0], middle[:, 1]))


def sample_wall(shell: Shell) -> Mesh:
    """Return the fitted wall of a body as a mesh, faces towards its inside, samples SKIN_STEP apart."""
    wall = shell.wall
    edge = wall.at(wall.u.breaks, wall.v.breaks[-1:])[:, 0]
    count = ceil(float(np.linalg.norm(np.diff(edge, axis=0), axis=1).sum()) / SKIN_STEP)
    points = wall.at(np.arange(count) / count, _spread(wall.v.breaks[[0, -1]]))
    index = np.arange(points.shape[0] * points.shape[1]).reshape(points.shape[:2])
    ahead = np.roll(index, -1, axis=0)
    faces = _cells(index[:, :-1], index[:, 1:], ahead[:, 1:], ahead[:, :-1])
    return Mesh(points.reshape(-1, 3), faces)


def sample_facets(space: InsertableSpace, *, reach: float | None) -> Mesh:
    """Return what bounds a faceted body, which stands some tenths inside its space, and the space's own surface."""
    from mountgen.facet import NOT_FITTED, facet_body

    mesh = facet_body(space, below=0.0, reach=reach, why=NOT_FITTED).mesh
    ground = mesh_ground(space, step=max(1, round(INNER_PITCH / space.pitch)))
    vectors, areas = measure_faces(mesh.vertices, mesh.faces)
    return join_meshes([_pick(Mesh(mesh.vertices, mesh.faces[:, ::-1]), vectors[:, 2] < TOP * areas), ground])


def _spread(ends: Floats) -> Floats:
    return np.linspace(ends[0], ends[1], max(2, ceil(float(ends[1] - ends[0]) / SKIN_STEP)))


def _cells(a: Any, b: Any, c: Any, d: Any) -> Ints:
    """Return the two triangles of each cell whose corners a, b, c, d run counter-clockwise seen from the free side."""
    corners = [np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))]
    return np.concatenate(corners).astype(np.int32)


def extend_up(shell: Shell, by: float) -> Shell:
    """Return a shell whose wall goes on straight up by `by` mm above its top, for features that stand out of the mouth."""
    wall = shell.wall
    breaks = np.append(wall.v.breaks, wall.v.breaks[-1] + by)
    axis = Axis(breaks, periodic=False)
    poles = np.concatenate([wall.poles, wall.poles[:, -1:]], axis=1)
    poles[..., 2] = axis.abscissae
    return replace(shell, wall=Surface(wall.u, axis, poles))
