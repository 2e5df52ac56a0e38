"""Least-squares tensor B-splines, fitted from one side, with knots put where the data need them. A leaf.

Bicubic throughout. A fit is "one-sided" when no sample lies more than a tolerance on the wrong side of it: the data are moved
by the (spread) shortfall and fitted again, until it holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mountgen.arrays import Bools, Floats
from mountgen.compiled import compiled

DEGREE = 3
_jit = compiled(error_model="numpy")  # the knots' spans that are divided by have a length


@dataclass(frozen=True, eq=False)
class Axis:
    """Knots of one parameter. breaks: (B,) float64, rising, first and last the ends; periodic: the ends are the same place."""

    breaks: Floats
    periodic: bool

    @property
    def poles(self) -> int:
        """Number of poles along the axis."""
        return len(self.breaks) - 1 if self.periodic else len(self.breaks) - 1 + DEGREE

    def local(self, at: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Return, for parameters `at` (N,), the index of the first of the four poles that count, (N,), and their weights, (N, 4).

        On a periodic axis indices run on past the last pole; take them modulo `poles`.

        References:
            C. de Boor (1972), On calculating with B-splines, J. Approx. Theory 6:50-62.
        """
        start, values = np.empty(len(at), dtype=np.int64), np.empty((len(at), DEGREE + 1))
        _weigh(self.knots, np.ascontiguousarray(at, dtype=np.float64), start, values)
        return start, values

    @cached_property
    def knots(self) -> Floats:
        """The knots, (B + 6,): the ends repeated, or on a periodic axis those of the next turns."""
        if not self.periodic:
            return np.concatenate([np.full(DEGREE, self.breaks[0]), self.breaks, np.full(DEGREE, self.breaks[-1])])
        span, inner = self.breaks[-1] - self.breaks[0], self.breaks[:-1]
        turns = DEGREE // len(inner) + 1
        before = np.concatenate([inner - k * span for k in range(turns, 0, -1)])[-DEGREE:]
        after = np.concatenate([inner + k * span for k in range(1, turns + 2)])[: DEGREE + 1]
        return np.concatenate([before, inner, after])

    @property
    def abscissae(self) -> Floats:
        """Where the poles of a field that is its own parameter stand, (poles,): means of three knots; not of a periodic axis.

        References:
            W. J. Gordon, R. F. Riesenfeld (1974), B-spline curves and surfaces, in R. E. Barnhill, R. F. Riesenfeld (eds.),
            Computer Aided Geometric Design, Academic Press, 95-126 (Greville's abscissae).
        """
        return np.array([self.knots[i + 1 : i + 1 + DEGREE].mean() for i in range(self.poles)])

    def basis(self, at: Floats) -> Floats:
        """Return the (N, poles) matrix of basis values at parameters `at` (N,), within the ends."""
        start, values = self.local(at)
        full = np.zeros((len(at), self.poles))
        rows = np.arange(len(at))
        for r in range(DEGREE + 1):  # one pole of each row at a time, so none is added to twice at once
            full[rows, (start + r) % self.poles] += values[:, r]
        return full

    def split(self, where: Bools, *, shortest: float) -> Axis:
        """Return the axis with every marked interval (B-1,) bool halved, if the halves are no shorter than `shortest`."""
        length = np.diff(self.breaks)
        middle = 0.5 * (self.breaks[:-1] + self.breaks[1:])
        return Axis(np.sort(np.concatenate([self.breaks, middle[where & (length >= 2 * shortest)]])), self.periodic)


@dataclass(frozen=True, eq=False)
class Surface:
    """A tensor B-spline. poles: (U, V, D) float64; D = 3 for a surface in space, 1 for a height field."""

    u: Axis
    v: Axis
    poles: Floats

    def at(self, u: Floats, v: Floats) -> Floats:
        """Return values on the grid of parameters u (N,) x v (M,), (N, M, D)."""
        grid: Floats = np.einsum("ni,ijd,mj->nmd", self.u.basis(u), self.poles, self.v.basis(v), optimize=True)
        return grid

    def at_points(self, u: Floats, v: Floats) -> Floats:
        """Return values at the N single points (u, v), each (N,), as (N, D)."""
        value = np.empty((len(u), self.poles.shape[2]))
        places = (np.ascontiguousarray(each, dtype=np.float64) for each in (u, v))
        _evaluate(np.ascontiguousarray(self.poles), self.u.knots, self.v.knots, *places, value)
        return value

    def at_places(self, u: Floats, v: Floats, places: NDArray[np.int64]) -> Floats:
        """Return values at places (K,) of the grid of parameters u (N,) x v (M,), counted row by row and rising, (K, D)."""
        value = np.empty((len(places), self.poles.shape[2]))
        _evaluate_places(np.ascontiguousarray(self.poles), *self.u.local(u), *self.v.local(v), places, value)
        return value


@_jit
def _find_cell(knots, x, cell):  # type: ignore[no-untyped-def]
    """Return the number of the knot that begins the span of x, which mostly lies in the cell of the one before."""
    if knots[cell] <= x < knots[cell + 1]:
        return cell
    low, high = 0, knots.shape[0]
    while low < high:
        middle = (low + high) // 2
        if knots[middle] <= x:
            low = middle + 1
        else:
            high = middle
    return min(max(low - 1, DEGREE), knots.shape[0] - DEGREE - 2)


@_jit
def _weigh_one(knots, x, cell, values):  # type: ignore[no-untyped-def]
    values[0] = 1.0
    for degree in range(1, DEGREE + 1):
        saved = 0.0
        for r in range(degree):
            right, left = knots[cell + r + 1] - x, x - knots[cell + 1 - degree + r]
            term = values[r] / (right + left)
            values[r] = saved + right * term
            saved = left * term
        values[degree] = saved


@_jit
def _weigh(knots, at, start, values):  # type: ignore[no-untyped-def]
    low, high = knots[DEGREE], knots[knots.shape[0] - DEGREE - 1]
    cell = DEGREE
    for n in range(at.shape[0]):
        x = min(max(at[n], low), high)
        cell = _find_cell(knots, x, cell)
        _weigh_one(knots, x, cell, values[n])
        start[n] = cell - DEGREE


@_jit
def _evaluate(poles, knots_u, knots_v, u, v, value):  # type: ignore[no-untyped-def]
    count_u, count_v, size = poles.shape
    low_u, high_u = knots_u[DEGREE], knots_u[knots_u.shape[0] - DEGREE - 1]
    low_v, high_v = knots_v[DEGREE], knots_v[knots_v.shape[0] - DEGREE - 1]
    cell_u, cell_v = DEGREE, DEGREE
    a, b = np.empty(DEGREE + 1), np.empty(DEGREE + 1)
    rows, columns = np.empty(DEGREE + 1, dtype=np.uint64), np.empty(DEGREE + 1, dtype=np.uint64)
    for n in range(value.shape[0]):
        at_u, at_v = min(max(u[n], low_u), high_u), min(max(v[n], low_v), high_v)
        cell_u, cell_v = _find_cell(knots_u, at_u, cell_u), _find_cell(knots_v, at_v, cell_v)
        _weigh_one(knots_u, at_u, cell_u, a)
        _weigh_one(knots_v, at_v, cell_v, b)
        for k in range(DEGREE + 1):
            rows[k], columns[k] = (cell_u - DEGREE + k) % count_u, (cell_v - DEGREE + k) % count_v
        for d in range(size):
            total = 0.0
            for k in range(DEGREE + 1):
                for m in range(DEGREE + 1):
                    total += a[k] * b[m] * poles[rows[k], columns[m], d]
            value[n, d] = total


@_jit
def _evaluate_places(poles, i, a, j, b, places, value):  # type: ignore[no-untyped-def]
    count_u, count_v, size = poles.shape
    columns = (j.reshape(-1, 1) + np.arange(4)) % count_v
    strip = np.empty((count_v, size))  # of the surface along the row that the place before lay in
    start = stop = 0
    for k in range(places.shape[0]):
        if places[k] >= stop:
            n = places[k] // b.shape[0]
            start, stop = n * b.shape[0], (n + 1) * b.shape[0]
            strip[:] = 0.0
            for q in range(4):
                weight, from_row = a[n, q], poles[(i[n] + q) % count_u]
                for c in range(count_v):
                    for d in range(size):
                        strip[c, d] += weight * from_row[c, d]
        m = places[k] - start
        for d in range(size):
            value[k, d] = (
                b[m, 0] * strip[columns[m, 0], d] + b[m, 1] * strip[columns[m, 1], d]
                + b[m, 2] * strip[columns[m, 2], d] + b[m, 3] * strip[columns[m, 3], d]
            )


@_jit
def _scatter_grid(data, i, a, j, b, moments):  # type: ignore[no-untyped-def]
    """Add to each pole what its basis function weighs of the data (N, M, D)."""
    count_u, count_v, size = moments.shape
    row = np.empty((count_v, size))
    for n in range(data.shape[0]):
        row[:] = 0.0
        for m in range(data.shape[1]):
            for k in range(4):
                weight, at = b[m, k], (j[m] + k) % count_v
                for d in range(size):
                    row[at, d] += weight * data[n, m, d]
        for k in range(4):
            weight, to_row = a[n, k], moments[(i[n] + k) % count_u]
            for m in range(count_v):
                for d in range(size):
                    to_row[m, d] += weight * row[m, d]


def fit_curve(at: Floats, data: Floats, axis: Axis) -> Floats:
    """Return the poles (P, D) of the cubic on a clamped axis nearest to data (N, D) at parameters (N,), through its two ends."""
    from scipy.linalg import solveh_banded

    start, weight = axis.local(at)
    count = axis.poles
    poles = np.zeros((count, data.shape[1]))
    poles[0], poles[-1] = data[0], data[-1]
    held = np.einsum("nk,nkd->nd", weight, np.where(
        ((start[:, None] + np.arange(4)) % (count - 1) == 0)[..., None], poles[start[:, None] + np.arange(4)], 0.0
    ))
    rest = data - held
    band, right = np.zeros((4, count)), np.zeros_like(poles)
    for k in range(4):
        np.add.at(right, start + k, weight[:, k, None] * rest)
        for m in range(k, 4):
            np.add.at(band[3 - (m - k)], start + m, weight[:, k] * weight[:, m])
    band[3] += 1e-12 * band[3].max()
    inner = band[:, 1:-1].copy()
    for k in range(3):
        inner[k, : 3 - k] = 0.0  # couplings to the held first pole
    poles[1:-1] = solveh_banded(inner, right[1:-1])
    return poles


def fit_surface(u: Floats, v: Floats, data: Floats, u_axis: Axis, v_axis: Axis) -> Surface:
    """Return the bicubic surface nearest (least squares, slightly stiffened) to data (N, M, D) at parameters u (N,), v (M,)."""
    (i, a), (j, b) = u_axis.local(u), v_axis.local(v)
    moments = np.zeros((u_axis.poles, v_axis.poles, data.shape[2]))
    _scatter_grid(np.ascontiguousarray(data), i, a, j, b, moments)
    poles = (_solver(u.tobytes(), u_axis) @ moments.reshape(len(moments), -1)).reshape(moments.shape)
    return Surface(u_axis, v_axis, _solver(v.tobytes(), v_axis) @ poles)


@lru_cache(maxsize=8)  # while a fit is corrected, its axes stay
def _solver(samples: bytes, axis: Axis) -> Floats:
    """Return the (poles, poles) matrix that takes weighed sums of the data at `samples` (N,) float64 to poles.

    A little stiffness keeps unsampled poles finite.
    """
    basis = axis.basis(np.frombuffer(samples))
    eye = np.eye(axis.poles)
    stiff = np.roll(eye, 1, axis=0) - 2 * eye + np.roll(eye, -1, axis=0) if axis.periodic else np.diff(eye, n=2, axis=0)
    normal = basis.T @ basis
    scale = float(np.trace(normal)) / axis.poles
    return np.asarray(np.linalg.inv(normal + 1e-5 * scale * (stiff.T @ stiff)), dtype=np.float64)


def uniform_axis(low: float, high: float, step: float, *, periodic: bool = False) -> Axis:
    """Return equal intervals of about `step` between two ends."""
    count = max(4 if periodic else 1, round((high - low) / step))
    return Axis(np.linspace(low, high, count + 1), periodic)


def sample_breaks(breaks: Floats, parts: int) -> Floats:
    """Return the breaks (B,) of an axis with each interval cut into so many equal parts."""
    inner = breaks[:-1, None] + np.arange(parts) * (np.diff(breaks) / parts)[:, None]
    return np.append(inner.ravel(), breaks[-1])


def interval_error(axis: Axis, at: Floats, error: Floats, *, share: float) -> Floats:
    """Return, per interval of an axis, the quantile `share` of error (N, M) over the samples in it; their `at` (N,) rises."""
    edges = np.searchsorted(at, axis.breaks)
    edges[-1] = len(at)  # the last sample belongs to the last interval
    worst = np.zeros(len(axis.breaks) - 1)
    for k, (first, last) in enumerate(pairwise(edges)):
        strip = error[first:last].ravel()
        if strip.size:
            rank = share * (strip.size - 1)
            low = min(int(rank), max(strip.size - 2, 0))
            near = np.partition(strip, [low, min(low + 1, strip.size - 1)])[low : low + 2]
            worst[k] = near[0] + (rank - low) * (near[-1] - near[0])
    return worst
