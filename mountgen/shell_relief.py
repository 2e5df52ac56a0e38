"""The last hundredths of the smooth faces: where a fitted face stands nearer to the scan than asked, its poles are moved.

Between its nodes the height field is a chord: within a pitch of a wall's upper end, and over bumps of the scan, a level set is
some hundredths of a millimetre off. So wall, floor, posts and pockets are sampled and held against the scan's own triangles,
and where a sample is too near, the sixteen poles that carry it move, each by its weight there: the least movement of poles that
moves the face by what is missing, so that the face beside it moves little. What is more than a fitting error is left for the
gauge to report.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import shapely

from mountgen.arrays import Bools, Floats
from mountgen.compiled import compiled
from mountgen.crossing import meet_field
from mountgen.datum import Recess, lid_height
from mountgen.errors import KernelError
from mountgen.field import InsertableSpace
from mountgen.gap import Standing, make_standing
from mountgen.grid import sample_grid
from mountgen.inspection import ZONES, classify_faces
from mountgen.loft import Shell, fit_shell
from mountgen.nearest import find_nearest, is_within
from mountgen.sampling import Indices, sort_nearby
from mountgen.section import local_slope, sample_height
from mountgen.spline import DEGREE, Surface
from mountgen.surface import surface_of

STEP = 0.4  # mm between samples
AIM = 0.015  # mm; how much nearer than asked a sample may be when it is done; facets of the face add their chord
WORTH = 0.018  # mm; from which it is moved
CLOSE = ((0.0, 0.3), (0.018, 0.08))  # mm; samples that lack as much have closer ones all about them looked at, then these
CROWD = 3  # of them each way
MOST = 0.25  # mm; more than this is a fault, not a fitting error
BESIDE = 0.15  # mm; only what lies as near as this to the insertable surface bounds the body
STRAIGHT = 0.4  # least share of a movement that leads away from the scan
ROUNDS = 6
LEVELS = 0.1  # mm between the loops by which it is told what lies inside a wall
BURIED = 0.05  # mm; what lies deeper inside another part of the shell bounds nothing


@dataclass(frozen=True)
class Walk:
    """How a face moves. place: the face and parameters (N,), (N,) to points (N, 3); away: the same to unit directions (N, 3)."""

    place: Callable[[Surface, Floats, Floats], Floats]
    away: Callable[[Surface, Floats, Floats], Floats]


class Room:
    """What a shell's wall holds over its floor, or, on the other `side`, under a post's cap.

    foot: where the wall meets that field, in plan.
    """

    def __init__(self, shell: Shell, *, side: float = 1.0) -> None:
        """Find the foot.

        Raises:
            KernelError: wall and field do not meet in one curve.
        """
        self.shell, self.side = shell, side
        self.foot = shapely.make_valid(shapely.Polygon(meet_field(shell.wall, shell.floor).space[:, :2]))

    def is_over(self, points: Floats, *, by: float = 0.0) -> Bools:
        """Return which points (N, 3) lie on this side of the field, or `by` mm beyond it."""
        field = self.shell.floor.at_points(points[:, 0], points[:, 1])[:, 0]
        return np.asarray(self.side * (points[:, 2] - field) > -by)

    def holds(self, points: Floats, *, by: float) -> Bools:
        """Return which points (N, 3) lie inside this room grown by `by` mm."""
        inside = self.is_over(points, by=by)
        some = np.flatnonzero(inside)
        level = np.rint((points[some, 2] - self.shell.wall.v.breaks[0]) / LEVELS).astype(np.int64)
        loops = self._loops
        level = np.clip(level, 0, len(loops) - 1)
        for k in np.unique(level):
            here = some[level == k]
            inside[here] = shapely.contains_xy(shapely.buffer(loops[k], by), points[here, 0], points[here, 1])
        return inside

    @cached_property
    def _loops(self) -> list[shapely.Geometry]:
        wall = self.shell.wall
        low, high = wall.v.breaks[[0, -1]]
        z = low + LEVELS * np.arange(int((high - low) / LEVELS) + 1)
        grid = wall.at(np.arange(0.0, 1.0, 0.25 / wall.u.poles), z)
        return [shapely.make_valid(shapely.Polygon(grid[:, k, :2])) for k in range(len(z))]


@dataclass(frozen=True, eq=False)
class Samples:
    """Where a face is felt. u, v: (N,) parameters; du, dv: how far apart they are."""

    u: Floats
    v: Floats
    du: float
    dv: float

    def pick(self, which: Bools | Indices) -> Samples:
        """Return some of the samples."""
        return replace(self, u=self.u[which], v=self.v[which])

    def crowd(self, face: Surface) -> Samples:
        """Return samples all about these, CROWD by CROWD for each, that lie on the face."""
        beside = (np.arange(CROWD) + 0.5) / CROWD - 0.5
        u = (self.u[:, None, None] + self.du * beside[:, None] + 0.0 * beside).ravel()
        v = (self.v[:, None, None] + self.dv * beside + 0.0 * beside[:, None]).ravel()
        low, high = face.v.breaks[[0, -1]]
        u = u % 1.0 if face.u.periodic else np.clip(u, *face.u.breaks[[0, -1]])
        return Samples(u, np.clip(v, low, high), self.du / CROWD, self.dv / CROWD)


def fit_clear_shell(space: InsertableSpace, recess: Recess, *, clearance: Mapping[str, float]) -> Shell:
    """Return wall and floor fitted to the space, whose faces keep the clearance from the scan's triangles.

    The scan is made ready for the latter in a thread while the faces are fitted.

    Args:
        space: the insertable space of the recess.
        recess: the scan in the part frame.
        clearance: asked for in each zone of the scan: "floor", "walls", "rim", mm.

    Raises:
        SectionError, LoftError: as `fit_shell`.
    """
    with ThreadPoolExecutor(1) as pool:
        standing = pool.submit(_stand, recess, clearance)
        shell = fit_shell(space)
    return _relieve(shell, space, standing.result())


def _stand(recess: Recess, clearance: Mapping[str, float]) -> Standing:
    scan = surface_of(recess)
    asked = np.array([clearance[name] for name in ZONES])[classify_faces(scan.vertices, scan.faces, recess.lid)]
    return make_standing(scan, asked)


def _relieve(shell: Shell, space: InsertableSpace, standing: Standing) -> Shell:
    """Return a shell relieved, with the posts that are cut out of it and the pockets under its floor."""
    try:
        trunk, posts, pockets = Room(shell), [Room(post, side=-1.0) for post in shell.posts], [Room(p) for p in shell.pockets]
    except KernelError:
        return shell  # its edge is left to the kernel, which shifts of a hundredth could confuse

    def is_bare(points: Floats) -> Bools:
        bare = np.ones(len(points), dtype=np.bool_)
        for other in (*posts, *pockets):
            bare &= ~other.holds(points, by=-BURIED)
        return bare

    def is_cut(points: Floats) -> Bools:
        return trunk.holds(points, by=BURIED)

    def is_below(points: Floats) -> Bools:
        return ~trunk.holds(points, by=-BURIED)

    relieve = partial(_relieve_room, space=space, standing=standing)
    return replace(
        relieve(trunk, is_bare),
        posts=tuple(relieve(post, is_cut) for post in posts),
        pockets=tuple(relieve(pocket, is_below) for pocket in pockets),
    )


def _relieve_room(room: Room, bounds: Callable[[Floats], Bools], *, space: InsertableSpace, standing: Standing) -> Shell:
    """Return a room's shell with both faces relieved where they bound the body. bounds: whether points (N, 3) do."""
    wall, floor = room.shell.wall, room.shell.floor

    def on_wall(points: Floats) -> Bools:
        return np.asarray(room.is_over(points) & bounds(points))

    def on_floor(points: Floats) -> Bools:
        return np.asarray(shapely.contains_xy(room.foot, points[:, 0], points[:, 1]) & bounds(points))

    beside = partial(_lies_beside, space=space)
    with ThreadPoolExecutor(1) as pool:  # most of the time goes to compiled loops, which leave the interpreter to the other
        walls = pool.submit(_relieve_face, wall, _wall_grid(wall), beside, on_wall, _walk_wall(room.side), standing)
        level = _relieve_face(floor, _floor_grid(floor), beside, on_floor, _WALK_FLOOR, standing)
        moved = walls.result()
    tries = [replace(room.shell, wall=a, floor=b) for a, b in ((moved, level), (moved, floor), (wall, level))]
    return next((each for each in tries if _meets(each)), room.shell)


def _meets(shell: Shell) -> bool:
    """Return whether wall and floor meet in one curve: where they run almost alike hundredths can undo that."""
    try:
        meet_field(shell.wall, shell.floor)
    except KernelError:
        return False
    return True


def _relieve_face(
    face: Surface, at: Samples, beside: Callable[[Floats], Bools], bounds: Callable[[Floats], Bools], walk: Walk,
    standing: Standing,
) -> Surface:
    """Return a face moved where it is too near to the scan: at samples, then at closer ones about what nearly is.

    An edge runs between samples that bound the body and others that do not; so both kinds are looked at more closely.

    beside, bounds: whether points of the face (N, 3) lie near the insertable surface, and whether they bound the body, (N,).
    """
    points = walk.place(face, at.u, at.v)
    for close in (None, *CLOSE):
        if close is not None:
            least, most = (is_within(standing.tree, points, travel=0.0, bound=np.full(len(points), -by)) for by in close)
            at = at.pick(least & ~most).crowd(face)
            points = walk.place(face, at.u, at.v)
        which = np.flatnonzero(beside(points))
        which = which[sort_nearby(points[which])]
        at, points = at.pick(which), points[which]
        bounding = bounds(points)
        some = at.pick(bounding)
        for _ in range(ROUNDS):
            face, some = _relieve_once(face, some, walk, standing)
            if not len(some.u):
                break
        if close is not None:  # what bounds the body keeps its distance now
            at, points = at.pick(~bounding), points[~bounding]
    return face


def _relieve_once(face: Surface, at: Samples, walk: Walk, standing: Standing) -> tuple[Surface, Samples]:
    """Return a face moved where its samples are too near to the scan, and those samples: no other comes nearer by that."""
    points = walk.place(face, at.u, at.v)
    found = find_nearest(standing.tree, points, travel=0.0, bound=np.full(len(points), -WORTH))
    near = np.flatnonzero(found.face >= 0)
    points, at = points[near], at.pick(near)
    away = walk.away(face, at.u, at.v)
    signed = standing.surface.measure_to(found.face[near], points)
    lack = standing.clearance[signed.face] - signed.gap
    off = points - signed.foot
    gain = (off * away).sum(axis=1) / np.maximum(np.linalg.norm(off, axis=1), 1e-9)
    wanted = np.flatnonzero((lack > WORTH) & (lack < MOST) & (gain > STRAIGHT) & ~signed.border)
    at = at.pick(wanted)
    step = (lack[wanted] - AIM) / gain[wanted]
    return _move_poles(face, at.u, at.v, step, away[wanted]), at


def _lies_beside(points: Floats, *, space: InsertableSpace) -> Bools:
    """Return which points (N, 3) lie under the lid and about on the insertable surface."""
    slope = sample_grid(local_slope(space), points[:, :2], origin=space.origin, pitch=space.pitch)
    over = (points[:, 2] - sample_height(space, points[:, :2])) / np.sqrt(1.0 + slope**2)
    under: Bools = lid_height(space.lid, points[:, 0], points[:, 1]) > points[:, 2]
    return under & (over < BESIDE) & (over > -MOST)


def _move_poles(face: Surface, u: Floats, v: Floats, step: Floats, away: Floats) -> Surface:
    """Return a face with poles moved so that its points at (u, v), each (N,), move by `step` (N,) mm or more along `away` (N, 3).

    One point after the other, the longest step first: what it still lacks by the least movement of its poles in sum of squares.

    References:
        S. Kaczmarz (1937), Angenäherte Auflösung von Systemen linearer Gleichungen, Bull. Int. Acad. Polon. Sci. A 35:355-357.
    """
    longest_first = np.argsort(-step, kind="stable")
    (i, a), (j, b) = face.u.local(u[longest_first]), face.v.local(v[longest_first])
    moves = np.zeros((face.u.poles, face.v.poles, 3))
    _move_in_turn(i, a, j, b, step[longest_first], np.ascontiguousarray(away[longest_first]), moves)
    return Surface(face.u, face.v, face.poles + (moves[..., 2:] if face.poles.shape[2] == 1 else moves))


@compiled(error_model="numpy")
def _move_in_turn(i, a, j, b, step, away, moves):  # type: ignore[no-untyped-def]
    count_u = moves.shape[0]
    for n in range(step.shape[0]):
        moved, squares = 0.0, 0.0
        for k in range(DEGREE + 1):
            for m in range(DEGREE + 1):
                pole, weight = moves[(i[n] + k) % count_u, j[n] + m], a[n, k] * b[n, m]
                squares += weight * weight
                for d in range(3):
                    moved += weight * pole[d] * away[n, d]
        if moved >= step[n]:
            continue
        for k in range(DEGREE + 1):
            for m in range(DEGREE + 1):
                share = (step[n] - moved) * a[n, k] * b[n, m] / squares
                for d in range(3):
                    moves[(i[n] + k) % count_u, j[n] + m, d] += share * away[n, d]


def _wall_grid(wall: Surface) -> Samples:
    """Return samples all over a wall."""
    low, high = wall.v.breaks[[0, -1]]
    ring = wall.at(np.linspace(0.0, 1.0, 200), np.array([0.5 * (low + high)]))[:, 0, :2]
    around = int(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum() / STEP) + 8
    up = int((high - low) / STEP) + 2
    u, v = np.meshgrid(np.arange(around) / around, np.linspace(low, high, up), indexing="ij")
    return Samples(u.ravel(), v.ravel(), 1.0 / around, (high - low) / (up - 1))


def _floor_grid(floor: Surface) -> Samples:
    """Return samples all over a floor."""
    x, y = (np.arange(axis.breaks[0], axis.breaks[-1], STEP) for axis in (floor.u, floor.v))
    u, v = np.meshgrid(x, y, indexing="ij")
    return Samples(u.ravel(), v.ravel(), STEP, STEP)


def _walk_wall(inward: float) -> Walk:
    """Return how a wall moves: in plan, square to its loop, inwards (1.0) or outwards (-1.0)."""

    def away(face: Surface, u: Floats, v: Floats) -> Floats:
        small = 0.25 / face.u.poles
        along = (face.at_points((u + small) % 1.0, v) - face.at_points((u - small) % 1.0, v))[:, :2]
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
        return inward * np.column_stack([-along[:, 1], along[:, 0], np.zeros(len(u))])

    return Walk(Surface.at_points, away)


def _on_floor(face: Surface, u: Floats, v: Floats) -> Floats:
    return np.column_stack([u, v, face.at_points(u, v)[:, 0]])


def _upwards(face: Surface, u: Floats, v: Floats) -> Floats:
    return np.tile([0.0, 0.0, 1.0], (len(u), 1))


_WALK_FLOOR = Walk(_on_floor, _upwards)
