"""Where a wall crosses a height field: the edge in which they meet, and the places at which they do not part. Part of stage 5."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np

from mountgen.arrays import Floats
from mountgen.datum import lid_height
from mountgen.errors import KernelError
from mountgen.spline import Axis, Surface, fit_curve, sample_breaks
from mountgen.tubes import TubeEnd

EDGE_ROUNDS = 7  # of halving the edge's intervals where it is off, at most
EDGE_ERROR = 0.002  # mm between an edge and the faces it bounds
CROSSING_ROUNDS, CROSSING_ERROR = 40, 1e-9  # of looking for where a meridian crosses a field, at most; mm it may still move
TANGLE = 0.4  # mm; a wall along the floor may come out of it by this much without being cut there: the floor is safe itself
LEAST_EDGE = 0.2  # mm under the lid at which the floor may meet the wall
LOOPS = 30  # of the wall that are looked at, from the floor up


class TangleError(KernelError):
    """A wall and a field do not meet in one simple curve.

    Args:
        what: what is wrong, with the number found.
        places: (K, 2) mm, where in plan.
    """

    def __init__(self, what: str, places: Floats) -> None:
        super().__init__(what, "body", "the solid is made another way")
        self.places = places


@lru_cache(maxsize=16)  # the same wall and floor meet when they are fitted, when pockets are sought and when the solid is made
def meet_field(wall: Surface, field: Surface) -> TubeEnd:
    """Return the curve in which a tube meets a height field: along every meridian the one height at which both agree.

    Raises:
        TangleError: a meridian crosses the field more than once, or not at all, or its neighbours elsewhere.
    """
    v = sample_breaks(wall.v.breaks, 3)

    def above(u: Floats, height: Floats) -> Floats:
        point = wall.at_points(u, height)
        return point[:, 2] - field.at_points(point[:, 0], point[:, 1])[:, 0]

    axis = Axis(sample_breaks(wall.u.breaks, 2), periodic=False)
    for _ in range(EDGE_ROUNDS):
        at = sample_breaks(axis.breaks, 3)
        grid = wall.at(at, v)
        over = grid[..., 2] - field.at_points(grid[..., 0].ravel(), grid[..., 1].ravel()).reshape(grid.shape[:2])
        across = (over[:, 0] < 0) & (over[:, -1] > 0)
        if not across.all():
            raise TangleError("the wall does not reach across the floor", grid[~across, 0, :2])
        last = len(v) - 1 - np.argmax(over[:, ::-1] < 0, axis=1)  # the highest sample still below the floor
        again = np.where(np.arange(len(v))[None, :] < last[:, None], over, -np.inf).max(axis=1)
        if again.max() > TANGLE:
            what = f"the wall comes {again.max():.2f} mm out of the floor again"
            raise TangleError(what, grid[again > TANGLE, last[again > TANGLE], :2])
        rows = np.arange(len(at))
        height = _find_crossing(partial(above, at), v[last], v[last + 1], over[rows, last], over[rows, last + 1])
        point = wall.at_points(at, height)
        point[:, 2] = field.at_points(point[:, 0], point[:, 1])[:, 0]
        end = TubeEnd(
            axis=axis, space=fit_curve(at, point, axis), wall=fit_curve(at, np.column_stack([at, height]), axis),
            plan=fit_curve(at, point[:, :2], axis), field=field,
        )
        off = _edge_error(wall, end)
        if off.max() < EDGE_ERROR:
            return end
        axis = axis.split(off > 0.3 * EDGE_ERROR, shortest=0.0)
    raise TangleError("the wall meets the floor in a curve with kinks", point[1::3][off > EDGE_ERROR, :2])


def _find_crossing(above: Callable[[Floats], Floats], low: Floats, high: Floats, below: Floats, over: Floats) -> Floats:
    """Return where functions (N,) that are negative at `low` and not at `high` change sign; `below`, `over`: their values there.

    References:
        M. Dowell, P. Jarratt (1971), A modified regula falsi method, BIT 11:168-174 (the Illinois method).
    """
    was_free = np.zeros(len(low), dtype=np.int8)  # which end moved last: 1 the higher, -1 the lower
    middle = 0.5 * (low + high)
    for _ in range(CROSSING_ROUNDS):
        before, middle = middle, low + (high - low) * below / np.minimum(below - over, -1e-300)
        if np.abs(middle - before).max(initial=0.0) < CROSSING_ERROR:
            break
        value = above(middle)
        free = value > 0.0
        over = np.where(free, value, np.where(was_free == -1, 0.5 * over, over))
        below = np.where(free, np.where(was_free == 1, 0.5 * below, below), value)
        low, high = np.where(free, low, middle), np.where(free, middle, high)
        was_free = np.where(free, 1, -1).astype(np.int8)
    return middle


def _edge_error(wall: Surface, end: TubeEnd) -> Floats:
    """Return how far, in each interval of its axis, an edge's curve in space lies from the same curve on wall and field, mm."""
    at = sample_breaks(end.axis.breaks, 4)
    basis = Surface(end.axis, Axis(np.array([0.0, 1.0]), False), np.repeat(
        np.hstack([end.space, end.wall, end.plan])[:, None, :], 4, axis=1
    )).at_points(at, np.zeros(len(at)))
    space, on_wall, plan = basis[:, :3], basis[:, 3:5], basis[:, 5:]
    on_field = np.column_stack([plan, end.field.at_points(plan[:, 0], plan[:, 1])])
    off = np.maximum(
        np.linalg.norm(wall.at_points(on_wall[:, 0], on_wall[:, 1]) - space, axis=1), np.linalg.norm(on_field - space, axis=1)
    )
    worst: Floats = off[:-1].reshape(-1, 4).max(axis=1)
    return worst


def find_flaws(wall: Surface, floor: Surface, lid: Floats) -> Floats:
    """Return the places (K, 2), mm, at which wall and floor do not meet in a simple curve under the lid, or a loop is none.

    lid: coefficients of its height. Where a solid can be made of them there is none.
    """
    try:
        foot = meet_field(wall, floor)
    except TangleError as error:
        return error.places
    plan, z = foot.space[:, :2], foot.space[:, 2]
    high = lid_height(lid, plan[:, 0], plan[:, 1]) - z < LEAST_EDGE
    if high.any():
        return np.asarray(plan[high])
    around = np.linspace(0.0, 1.0, 6 * wall.u.poles, endpoint=False)
    lowest = float(foot.wall[:, 1].min())
    loops = wall.at(around, np.linspace(lowest, wall.v.breaks[-1], LOOPS))[..., :2].transpose(1, 0, 2)
    return np.vstack([find_crossed(loop) for loop in (foot.axis.basis(around) @ foot.plan, *loops)])


def find_crossed(loop: Floats) -> Floats:
    """Return the corners (K, 2) of a closed loop (N, 2) from which it goes on across another of its sides."""
    import shapely

    if shapely.Polygon(loop).is_valid:
        return np.empty((0, 2))
    sides = shapely.linestrings(np.stack([loop, np.roll(loop, -1, axis=0)], axis=1))
    crossed = np.unique(shapely.STRtree(sides).query(sides, predicate="crosses")[0])
    return loop[crossed] if len(crossed) else loop  # it touches itself somewhere
