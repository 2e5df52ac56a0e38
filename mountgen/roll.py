"""The edge between a tube and a height field rounded by a ball that rolls along it and touches both.

The kernel's own rounding follows every knot of the edge with spans of degree 14: on a body of 365 000 scanned points it took
three quarters of the STEP file and a third of the triangles. Here it is one cubic face like the others.
"""

from __future__ import annotations

from math import radians
from typing import Final

import numpy as np

from mountgen.arrays import Floats
from mountgen.errors import KernelError
from mountgen.spline import Axis, Surface, fit_curve, sample_breaks
from mountgen.tubes import Rounding, TubeEnd, end_heights

ROUNDS = 7  # of halving intervals where the face is off, at most
ERROR = 0.002  # mm between the face and the ball's
STEPS, SETTLED = 30, 1e-7  # of Newton's method, and the move in mm at which it ends
KEEP_SLOPES = 0.1  # mm; after a smaller move the slopes stay as they are: three of four evaluations, and two or three steps more
STRIDE = 1e-5  # of the parameters, for differences
LEAST_TURN, MOST_TURN = radians(15.0), radians(150.0)  # between the two faces that are joined
SAMPLES = 4  # an interval
GRID = 2000  # meridians on which the ball's size is found
LOW = 0.7  # of a tube's height that the ball takes at most
EASE = 3.0  # mm along the edge over which the ball grows
LEAST = 0.1  # mm; a smaller ball is none
SHRINK, SHRINKS = 0.6, 8  # of a ball where it is stuck, and how often it is tried
ACROSS_STEPS = 24  # between two edges, to measure what lies there: of the loss 0.3 % too much
ACROSS: Final = Axis(np.array([0.0, 1.0]), periodic=False)  # one cubic from the tube to the field


class StuckError(KernelError):
    """A ball that is too large to roll along an edge. at: (K,) the tube's u where it is stuck; radius: (K,) its own there, mm."""

    def __init__(self, where: str, at: Floats, radius: Floats) -> None:
        super().__init__(*_tell_stuck(where))
        self.at, self.radius = at, radius


def roll_ball(
    tube: Surface, brow: TubeEnd, *, radius: float, flared: bool = False, foot: TubeEnd | None = None,
    most: Floats | None = None,
) -> Rounding:  # fmt: skip
    """Round the upper edge of a body inside a tube, or of one around it, whose hollow is flared then.

    Args:
        tube: u periodic and counter-clockwise, v upwards; mm.
        brow: where it meets the field that closes the body on top.
        radius: of the ball, mm, above 0.
        flared: whether the body lies outside the tube.
        foot: the tube's lower end: where that comes close, as at the end of a trough that runs out, the ball is smaller.
        most: (GRID + 1,) mm, what the ball's radius may be on as many meridians.

    Returns:
        Rounding.

    Raises:
        StuckError: the ball is too large for a bend of the edge, or of the wall below it.
        KernelError: the ball is too large for the tube, or the faces are joined too smoothly or too sharply.

    References:
        The ball's centre is the one point at its radius from both faces; a quarter of a circle as one cubic is off by 0.027 % of
        its radius (common practice: handles of 4/3 tan(turn/4)).
    """
    axis, side = Axis(tube.u.breaks, periodic=False), -1.0 if flared else 1.0
    grid = np.linspace(0.0, 1.0, GRID + 1)
    sizes = _fit_sizes(tube, brow, foot, grid, np.minimum(radius, np.inf if most is None else most), side)
    at, contact = np.empty(0), np.empty((0, 3))
    for _ in range(ROUNDS):
        before, at = at, sample_breaks(axis.breaks, SAMPLES)
        radii = np.interp(at, grid, sizes)
        near = np.column_stack([np.interp(at, before, known) for known in contact.T]) if len(before) else None
        contact, normals = _find_contact(tube, brow, at, radii, side, near)
        arcs = _draw_arcs(tube.at_points(at, contact[:, 0]), *normals, radii)
        face = _fit_face(axis, at, arcs)
        low, high = _make_ends(axis, at, arcs, contact, face, brow.field)
        off = _measure_error(tube, face, low, high, at, arcs)
        worst = off[:-1].reshape(-1, SAMPLES).max(axis=1)
        if worst.max() < ERROR:
            _require_smooth(face, at, radii)
            loss = side * _measure_loss(tube, brow, face, at, contact)
            return Rounding(face, low, high, loss, float(sizes.min()))
        axis = axis.split(worst > 0.3 * ERROR, shortest=0.0)
    kinked = np.repeat(worst >= ERROR, SAMPLES)
    raise StuckError("along a kink", at[:-1][kinked], radii[:-1][kinked])


def try_ball(
    tube: Surface, brow: TubeEnd, *, radius: float, flared: bool = False, foot: TubeEnd | None = None
) -> Rounding | None:
    """Round an upper edge as `roll_ball` does, by a smaller one where it is stuck; None if the radius is 0 or none can."""
    if radius <= 0.0:
        return None
    most = np.full(GRID + 1, radius)
    for _ in range(SHRINKS):
        try:
            return roll_ball(tube, brow, radius=radius, flared=flared, foot=foot, most=most)
        except StuckError as error:
            near = np.rint(GRID * error.at).astype(int)
            np.minimum.at(most, near, SHRINK * error.radius)
            most[[0, -1]] = most[[0, -1]].min()
        except KernelError:
            break
    return None


def _fit_sizes(tube: Surface, brow: TubeEnd, foot: TubeEnd | None, grid: Floats, most: Floats, side: float) -> Floats:
    """Return the ball's radius on meridians `grid` (N,), mm: `most` (N,) and, slowly, less where that or the tube is low.

    A ball in a corner touches the faces at radius times tan(turn/2) from it.
    """
    from scipy.ndimage import minimum_filter1d, uniform_filter1d

    sizes: Floats = np.broadcast_to(most, grid.shape)
    if foot is not None:
        corner = brow.axis.basis(grid) @ np.hstack([brow.wall[:, 1:], brow.plan])
        normals = _find_normal(tube, grid, corner[:, 0]), _find_upright(brow.field, corner[:, 1:])
        turn = np.arccos(np.clip(side * np.einsum("nk,nk->n", *normals), -1.0, 1.0))
        room = LOW * (corner[:, 0] - end_heights(foot, grid))
        sizes = np.minimum(sizes, room / np.maximum(np.tan(turn / 2.0), 1e-6))
    if sizes.min() < LEAST:
        raise _cannot("where the wall ends")
    if float(sizes.min()) < float(sizes.max()):
        step = float(np.linalg.norm(np.diff(brow.axis.basis(grid) @ brow.space, axis=0), axis=1).mean())
        reach = 2 * int(EASE / (2.0 * step)) + 1
        least = minimum_filter1d(sizes[:-1], 2 * reach - 1, mode="wrap")
        eased = uniform_filter1d(uniform_filter1d(least, reach, mode="wrap"), reach, mode="wrap")
        sizes = np.append(eased, eased[0])
    return sizes


def _find_contact(
    tube: Surface, brow: TubeEnd, at: Floats, radius: Floats, side: float, near: Floats | None
) -> tuple[Floats, tuple[Floats, Floats]]:
    """Return where the ball touches, (N, 3): v on the tube, x and y on the field; and the body's outward normals there.

    Newton's method on all meridians `at` (N,) at once: three unknowns each, three coordinates of the ball's centre.

    radius: of the ball, (N,) mm.
    side: 1 where the body lies inside the tube, -1 where it lies outside.
    near: (N, 3), about where it touches; None where that is not known.
    """
    field, across = brow.field, radius[:, None]

    def miss(state: Floats) -> Floats:
        return _offset_tube(tube, at, state[:, 0], side * radius) - _offset_field(field, state[:, 1:], radius)

    corner = brow.axis.basis(at) @ np.hstack([brow.wall[:, 1:], brow.plan])  # v, x, y
    lowest = float(tube.v.breaks[0])
    if near is None:
        outwards = side * _find_normal(tube, at, corner[:, 0])[:, :2]
        near = np.column_stack([np.maximum(corner[:, 0] - radius, lowest), corner[:, 1:] - across * outwards])
    state = near
    inverse: Floats = np.empty(0)
    last = np.inf
    for _ in range(STEPS):
        wrong = miss(state)
        if last > KEEP_SLOPES:
            slopes = np.stack([(miss(state + STRIDE * e) - wrong) / STRIDE for e in np.eye(3)], axis=2)
            with np.errstate(invalid="ignore"):
                alike = ~(np.isfinite(slopes).all(axis=(1, 2)) & (np.abs(np.linalg.det(slopes)) > 1e-6))
            if alike.any():
                raise StuckError("where the faces run alike", at[alike], radius[alike])
            inverse = np.asarray(np.linalg.inv(slopes), dtype=np.float64)
        move = np.clip(-np.einsum("nij,nj->ni", inverse, wrong), -across, across)
        state = state + move
        last = float(np.abs(move).max())
        if last < SETTLED:
            break
    else:
        lost = np.abs(move).max(axis=1) >= SETTLED
        raise StuckError("where no place is found for it", at[lost], radius[lost])
    height = state[:, 0]
    past = (height > corner[:, 0] - 1e-6) | (height < lowest)
    if past.any():
        raise StuckError("where the wall ends", at[past], radius[past])
    return state, (side * _find_normal(tube, at, height), _find_upright(field, state[:, 1:]))


def _offset_tube(tube: Surface, u: Floats, v: Floats, radius: Floats) -> Floats:
    centre: Floats = tube.at_points(u, v) - radius[:, None] * _find_normal(tube, u, v)
    return centre


def _offset_field(field: Surface, plan: Floats, radius: Floats) -> Floats:
    z = field.at_points(plan[:, 0], plan[:, 1])
    centre: Floats = np.hstack([plan, z]) - radius[:, None] * _find_upright(field, plan)
    return centre


def _find_normal(tube: Surface, u: Floats, v: Floats) -> Floats:
    """Return a tube's outward unit normals (N, 3)."""
    around = tube.at_points((u + STRIDE) % 1.0, v) - tube.at_points((u - STRIDE) % 1.0, v)
    up = tube.at_points(u, v + STRIDE) - tube.at_points(u, v - STRIDE)
    return _unit(np.cross(around, up))


def _find_upright(field: Surface, plan: Floats) -> Floats:
    """Return a height field's upward unit normals (N, 3)."""
    x, y = plan.T
    slope = [field.at_points(x + a, y + b)[:, 0] - field.at_points(x - a, y - b)[:, 0] for a, b in ((STRIDE, 0), (0, STRIDE))]
    return _unit(np.column_stack([*(-each / (2 * STRIDE) for each in slope), np.ones(len(plan))]))


def _unit(vectors: Floats) -> Floats:
    units: Floats = vectors / np.maximum(np.linalg.norm(vectors, axis=1), 1e-30)[:, None]  # none past the tube's ends
    return units


def _draw_arcs(start: Floats, first: Floats, last: Floats, radius: Floats) -> Floats:
    """Return arcs of radius (N,) from points `start` (N, 3) between two outward normals, as cubics (N, 4, 3)."""
    cosine = np.einsum("nk,nk->n", first, last)
    turn = np.arccos(np.clip(cosine, -1.0, 1.0))
    if (turn < LEAST_TURN).any() or (turn > MOST_TURN).any():
        raise _cannot("where the faces are joined too smoothly or too sharply")
    handle = (radius * 4.0 / 3.0 * np.tan(turn / 4.0))[:, None]
    stop = start + radius[:, None] * (last - first)
    leave, arrive = _unit(last - cosine[:, None] * first), _unit(first - cosine[:, None] * last)
    return np.stack([start, start + handle * leave, stop + handle * arrive, stop], axis=1)


def _fit_face(axis: Axis, at: Floats, arcs: Floats) -> Surface:
    """Return the face through arcs (N, 4, 3); it ends where it begins, and its edges are those of its ends to the last digit."""
    return Surface(axis, ACROSS, fit_curve(at, arcs.reshape(len(at), 12), axis).reshape(axis.poles, 4, 3))


def _measure_error(tube: Surface, face: Surface, low: TubeEnd, high: TubeEnd, at: Floats, arcs: Floats) -> Floats:
    """Return how far the face is off the arcs, and its edges off the same curves on tube and field, (N,) mm."""
    thirds = np.array([0.0, 1 / 3, 2 / 3, 1.0])
    rows = face.at(at, thirds)
    basis = low.axis.basis(at)
    on_tube, plan = basis @ low.wall, basis @ high.plan
    on_field = np.column_stack([plan, high.field.at_points(plan[:, 0], plan[:, 1])])
    off = [
        np.linalg.norm(rows - np.einsum("nid,mi->nmd", arcs, ACROSS.basis(thirds)), axis=2).max(axis=1),
        np.linalg.norm(rows[:, 0] - tube.at_points(on_tube[:, 0], on_tube[:, 1]), axis=1),
        np.linalg.norm(rows[:, 3] - on_field, axis=1),
    ]
    worst: Floats = np.max(off, axis=0)
    return worst


def _require_smooth(face: Surface, at: Floats, radius: Floats) -> None:
    """Make sure that a face runs forward everywhere: where an edge bends more sharply than the ball (N,) it would turn back.

    Raises:
        StuckError: it does not.
        KernelError: it crosses itself.
    """
    import shapely

    rows = face.at(at, np.linspace(0.0, 1.0, 5))
    runs = np.diff(rows, axis=0)
    back = (np.einsum("nmd,nd->nm", runs, runs[:, 0]) <= 0.0).any(axis=1)
    if back.any():
        raise StuckError("in a bend of the edge", at[:-1][back], radius[:-1][back])
    if not shapely.Polygon(rows[:-1, -1, :2]).is_valid:
        raise _cannot("where it meets itself")


def _make_ends(
    axis: Axis, at: Floats, arcs: Floats, contact: Floats, face: Surface, field: Surface
) -> tuple[TubeEnd, TubeEnd]:
    """Return the face's edges with the tube and with the field; on the face itself they run along v = 0 and v = 1."""
    foot, brow = (fit_curve(at, np.column_stack([at, np.full_like(at, v)]), axis) for v in (0.0, 1.0))
    wall = fit_curve(at, np.column_stack([at, contact[:, 0]]), axis)
    low = TubeEnd(axis=axis, space=fit_curve(at, arcs[:, 0], axis), wall=wall, plan=foot[:, ::-1], field=face)
    high = TubeEnd(
        axis=axis, space=fit_curve(at, arcs[:, 3], axis), wall=brow, plan=fit_curve(at, contact[:, 1:], axis), field=field
    )
    return low, high


def _measure_loss(tube: Surface, brow: TubeEnd, face: Surface, at: Floats, contact: Floats) -> float:
    """Return what lies between the edge and the face that rounds it, mm³, by the divergence theorem on a ring of triangles.

    contact: (N, 3) v on the tube, and x and y on the field, where they meet the face.
    """
    corner = brow.axis.basis(at) @ np.hstack([brow.wall[:, 1:], brow.plan])
    share = np.arange(ACROSS_STEPS) / ACROSS_STEPS
    strips = [(1.0 - t) * contact + t * corner for t in share]
    up = [tube.at_points(at, strip[:, 0]) for strip in strips]
    in_ = [(1.0 - t) * corner + t * contact for t in share]
    over = [np.column_stack([strip[:, 1:], brow.field.at_points(strip[:, 1], strip[:, 2])]) for strip in in_]
    down = face.at(at, 1.0 - share).transpose(1, 0, 2)
    ring = np.concatenate([up, over, down])  # (3 * steps, N, 3), once around the section
    after = np.roll(ring, -1, axis=0)
    a, b, c, d = ring[:, :-1], ring[:, 1:], after[:, 1:], after[:, :-1]
    return float(np.einsum("mnk,mnk->", a, np.cross(b, c) + np.cross(c, d)) / 6.0)


def _cannot(where: str) -> KernelError:
    return KernelError(*_tell_stuck(where))


def _tell_stuck(where: str) -> tuple[str, str, str]:
    return f"a ball does not roll along the edge {where}", "edge", "give a smaller body.edge_radius"
