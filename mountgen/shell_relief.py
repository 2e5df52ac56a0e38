"""The last hundredths of the smooth faces: where a fitted face stands nearer to the scan than asked, its poles are moved.

Between its nodes the height field is a chord: within a pitch of a wall's upper end, and over bumps of the scan, a level set is
some hundredths of a millimetre off. So wall, floor, posts and pockets are sampled and held against the scan's own triangles,
and where a sample is too near, the sixteen poles that carry it move by what is missing: the face then moves by just as much
there, and less and less within two knots. What is more than a fitting error is left for the gauge to report.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from mountgen.arrays import Bools, Floats
from mountgen.datum import Recess, lid_height
from mountgen.errors import KernelError
from mountgen.field import InsertableSpace
from mountgen.gap import Standing, make_standing
from mountgen.inspection import ZONES, classify_faces
from mountgen.loft import Shell, meet_field
from mountgen.nearest import find_nearest, is_within
from mountgen.raster import sample_grid
from mountgen.sampling import Indices, sort_nearby
from mountgen.section import local_slope, sample_height
from mountgen.spline import Surface
from mountgen.surface import surface_of

STEP = 0.5  # mm between samples
AIM = 0.025  # mm; how much nearer than asked a sample may be when it is done
WORTH = 0.029  # mm; from which it is moved
CLOSE = 0.01  # mm; a sample that lacks more has closer ones all about it looked at
CROWD = 4  # of them each way
MOST = 0.25  # mm; more than this is a fault, not a fitting error
BESIDE = 0.35  # mm; only what lies as near as this to the insertable surface bounds the body
SUNK = 0.04  # mm; what lies farther below it is cut away by another face
STRAIGHT = 0.4  # least share of a movement that leads away from the scan
ROUNDS = 4


@dataclass(frozen=True)
class Walk:
    """How a face moves. place: the face and parameters (N,), (N,) to points (N, 3); away: the same to unit directions (N, 3)."""

    place: Callable[[Surface, Floats, Floats], Floats]
    away: Callable[[Surface, Floats, Floats], Floats]


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


def relieve_shell(shell: Shell, space: InsertableSpace, recess: Recess, *, clearance: Mapping[str, float]) -> Shell:
    """Return a shell whose faces keep the clearance from the scan's triangles.

    Args:
        shell: fitted to the space.
        space: the insertable space of the recess.
        recess: the scan in the part frame.
        clearance: asked for in each zone of the scan: "floor", "walls", "rim", mm.
    """
    scan = surface_of(recess)
    asked = np.array([clearance[name] for name in ZONES])[classify_faces(scan.vertices, scan.faces, recess.lid)]
    return _relieve(shell, space, make_standing(scan, asked), inward=1.0)


def _relieve(shell: Shell, space: InsertableSpace, standing: Standing, *, inward: float) -> Shell:
    """Return a shell relieved, `inward` 1.0 for one that bounds the body, -1.0 for one that is cut out of it."""
    wall, floor = shell.wall, shell.floor
    try:
        foot = shapely.make_valid(shapely.Polygon(meet_field(wall, floor).space[:, :2]))
    except KernelError:
        return shell  # its edge is left to the kernel, which shifts of a hundredth could confuse

    def on_wall(points: Floats) -> Bools:
        over = inward * (points[:, 2] - floor.at_points(points[:, 0], points[:, 1])[:, 0]) > 0.0
        return np.asarray(over & _bounds_body(points, space))

    def on_floor(points: Floats) -> Bools:
        return np.asarray(shapely.contains_xy(foot, points[:, 0], points[:, 1]) & _bounds_body(points, space))

    return replace(
        shell,
        wall=_relieve_face(wall, _wall_grid(wall), on_wall, _walk_wall(inward), standing),
        floor=_relieve_face(floor, _floor_grid(floor), on_floor, _WALK_FLOOR, standing),
        pockets=tuple(_relieve(pocket, space, standing, inward=1.0) for pocket in shell.pockets),
        posts=tuple(_relieve(post, space, standing, inward=-1.0) for post in shell.posts),
    )


def _relieve_face(
    face: Surface, at: Samples, bounds: Callable[[Floats], Bools], walk: Walk, standing: Standing
) -> Surface:
    """Return a face moved where it is too near to the scan: at samples, then at closer ones about what nearly is.

    bounds: whether points of the face (N, 3) bound the body, (N,).
    """
    for closer in (False, True):
        points = walk.place(face, at.u, at.v)
        if closer:
            close = is_within(standing.tree, points, travel=0.0, bound=np.full(len(points), -CLOSE))
            at = at.pick(close).crowd(face)
            points = walk.place(face, at.u, at.v)
        which = np.flatnonzero(bounds(points))
        at = at.pick(which[sort_nearby(points[which])])
        for _ in range(ROUNDS):
            face, moved = _relieve_once(face, at, walk, standing)
            if not moved:
                break
    return face


def _relieve_once(face: Surface, at: Samples, walk: Walk, standing: Standing) -> tuple[Surface, bool]:
    """Return a face moved where its samples are too near to the scan, and whether any was."""
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
    if not len(wanted):
        return face, False
    step = (lack[wanted] - AIM) / gain[wanted]
    return _move_poles(face, at.u[wanted], at.v[wanted], step[:, None] * away[wanted]), True


def _bounds_body(points: Floats, space: InsertableSpace) -> Bools:
    """Return which points (N, 3) lie under the lid and about on the insertable surface."""
    slope = sample_grid(local_slope(space), points[:, :2], origin=space.origin, pitch=space.pitch)
    over = (points[:, 2] - sample_height(space, points[:, :2])) / np.sqrt(1.0 + slope**2)
    under: Bools = lid_height(space.lid, points[:, 0], points[:, 1]) > points[:, 2]
    return under & (over < BESIDE) & (over > -SUNK)


def _move_poles(face: Surface, u: Floats, v: Floats, shift: Floats) -> Surface:
    """Return a face whose poles moved by the longest of the shifts (N, 3) that ask each of them to."""
    i, _ = face.u.local(u)
    j, _ = face.v.local(v)
    poles = np.array(face.poles)
    longest = np.zeros((*poles.shape[:2], 3))
    size = np.linalg.norm(shift, axis=1)
    for k in np.argsort(size):  # the longest last, so that it counts
        rows = (i[k] + np.arange(4)) % face.u.poles
        longest[np.ix_(rows, j[k] + np.arange(4))] = shift[k]
    poles += longest[..., 2:] if poles.shape[2] == 1 else longest
    return Surface(face.u, face.v, poles)


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
