"""Splines against scipy's: basis, curves and surfaces by least squares, on clamped and on closed axes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import BSpline, make_lsq_spline

from mountgen.arrays import Floats
from mountgen.spline import DEGREE, Axis, Surface, fit_curve, fit_surface, interval_error, uniform_axis

UNEVEN: Floats = np.array([0.0, 0.7, 1.0, 2.5, 2.8, 4.0])


def _clamped_knots(breaks: Floats) -> Floats:
    return np.concatenate([np.full(DEGREE, breaks[0]), breaks, np.full(DEGREE, breaks[-1])])


def _scipy_curve(axis: Axis, poles: Floats) -> BSpline:
    """Return the same curve in scipy: periodic poles repeated over wrapped knots."""
    if not axis.periodic:
        return BSpline(_clamped_knots(axis.breaks), poles, DEGREE)
    span = axis.breaks[-1] - axis.breaks[0]
    inner = axis.breaks[:-1]
    knots = np.concatenate([inner - span, inner, inner + span, [axis.breaks[-1] + span]])
    start = len(inner) - DEGREE
    knots = knots[start : start + len(inner) + 2 * DEGREE + 1]
    return BSpline(knots, poles[np.arange(len(inner) + DEGREE) % len(inner)], DEGREE)


@pytest.mark.parametrize("periodic", [False, True])
def test_curves_are_those_of_scipy(periodic: bool) -> None:
    axis = Axis(UNEVEN, periodic)
    rng = np.random.default_rng(1)
    poles = rng.normal(size=(axis.poles, 2))
    at = np.sort(rng.uniform(0.0, 4.0, 200))
    wanted = _scipy_curve(axis, poles)(at)
    assert axis.basis(at) @ poles == pytest.approx(wanted, abs=1e-12)
    start, weight = axis.local(at)
    near = poles[(start[:, None] + np.arange(4)) % axis.poles]
    assert (weight[..., None] * near).sum(axis=1) == pytest.approx(wanted, abs=1e-12)
    assert weight.sum(axis=1) == pytest.approx(1.0)
    assert weight.min() >= -1e-15


def test_a_closed_axis_is_smooth_across_its_seam() -> None:
    axis = Axis(UNEVEN, True)
    poles = np.random.default_rng(2).normal(size=(axis.poles, 1))
    step = 1e-4
    values = (axis.basis(np.array([0.0, step, 2 * step, 4.0 - 2 * step, 4.0 - step, 4.0])) @ poles)[:, 0]
    assert values[5] == pytest.approx(values[0], abs=1e-12)
    first = (values[1] - values[0]) / step, (values[5] - values[4]) / step
    assert first[0] == pytest.approx(first[1], abs=1e-2)
    second = (values[2] - 2 * values[1] + values[0]) / step**2, (values[5] - 2 * values[4] + values[3]) / step**2
    assert second[0] == pytest.approx(second[1], abs=2e-2)


def test_poles_at_their_abscissae_make_a_field_its_own_parameter() -> None:
    axis = Axis(UNEVEN, False)
    at = np.linspace(0.0, 4.0, 50)
    assert len(axis.abscissae) == axis.poles
    assert axis.basis(at) @ axis.abscissae == pytest.approx(at, abs=1e-12)


def test_parameters_beyond_the_ends_count_as_the_ends() -> None:
    axis = Axis(UNEVEN, False)
    assert axis.basis(np.array([-1.0, 9.0])) == pytest.approx(axis.basis(np.array([0.0, 4.0])))


def test_single_points_and_grids_agree_with_scipy() -> None:
    rng = np.random.default_rng(3)
    u, v = Axis(UNEVEN, True), Axis(np.array([-1.0, 0.0, 3.0]), False)
    surface = Surface(u, v, rng.normal(size=(u.poles, v.poles, 3)))
    at_u, at_v = rng.uniform(0.0, 4.0, 40), rng.uniform(-1.0, 3.0, 30)
    across = np.stack([_scipy_curve(v, surface.poles[i])(at_v) for i in range(u.poles)])  # (U, M, 3)
    wanted = _scipy_curve(u, across)(at_u)
    assert surface.at(at_u, at_v) == pytest.approx(wanted, abs=1e-12)
    grid_u, grid_v = (g.ravel() for g in np.meshgrid(at_u, at_v, indexing="ij"))
    assert surface.at_points(grid_u, grid_v).reshape(40, 30, 3) == pytest.approx(wanted, abs=1e-12)
    some = np.array([0, 7, 8, 29, 30, 31, 400, 1199])  # of rows in part, whole rows left out
    assert surface.at_places(at_u, at_v, some) == pytest.approx(wanted.reshape(-1, 3)[some], abs=1e-12)


def test_a_curve_through_its_ends_is_the_nearest_there_is() -> None:
    """Scipy knows no held ends, so its own curve without them is subtracted: the rest must be a smaller problem's optimum."""
    rng = np.random.default_rng(4)
    axis = Axis(np.linspace(0.0, 4.0, 9), False)
    at = np.sort(np.concatenate([[0.0, 4.0], rng.uniform(0.0, 4.0, 120)]))
    data = np.column_stack([np.sin(at), np.cos(2.0 * at)]) + rng.normal(0.0, 0.05, (122, 2))
    poles = fit_curve(at, data, axis)
    assert poles[[0, -1]] == pytest.approx(data[[0, -1]])
    basis = BSpline.design_matrix(at, _clamped_knots(axis.breaks), DEGREE).toarray()
    held = basis[:, [0, -1]] @ data[[0, -1]]
    wanted, *_ = np.linalg.lstsq(basis[:, 1:-1], data - held, rcond=None)
    assert poles[1:-1] == pytest.approx(wanted, abs=1e-8)
    free = make_lsq_spline(at, data, _clamped_knots(axis.breaks), DEGREE)
    ours, theirs = (((basis @ p - data) ** 2).sum() for p in (poles, free.c))
    assert theirs <= ours <= 1.6 * theirs


def test_a_surface_of_smooth_data_is_the_least_squares_one() -> None:
    """The slight stiffening must not show where data are dense: within a thousandth of scipy's unstiffened fit."""
    u, v = np.linspace(0.0, 10.0, 90), np.linspace(0.0, 6.0, 70)
    axes = uniform_axis(0.0, 10.0, 1.0), uniform_axis(0.0, 6.0, 1.0)
    data = (np.sin(0.8 * u)[:, None] * np.cos(0.7 * v)[None, :])[..., None]
    rough = fit_surface(u, v, data, *axes).at(u, v)[..., 0]
    half = make_lsq_spline(u, data[..., 0], _clamped_knots(axes[0].breaks), DEGREE)(u)
    exact = make_lsq_spline(v, half.T, _clamped_knots(axes[1].breaks), DEGREE)(v).T
    assert np.abs(rough - exact).max() < 1e-3
    assert np.abs(exact - data[..., 0]).max() < 5e-3


def test_more_intervals_come_closer() -> None:
    at = np.linspace(0.0, 1.0, 400)
    data = np.stack([np.cos(2 * np.pi * at), np.sin(2 * np.pi * at)], axis=-1)[:, None, :].repeat(2, axis=1)
    off = []
    for count in (6, 12, 24):
        axes = Axis(np.linspace(0.0, 1.0, count + 1), True), Axis(np.array([0.0, 1.0]), False)
        surface = fit_surface(at, np.array([0.0, 1.0]), data, *axes)
        radius = np.linalg.norm(surface.at(at, np.array([0.3]))[:, 0], axis=1)
        off.append(np.abs(radius - 1.0).max())
    assert off[1] < 0.3 * off[0]
    assert off[2] < 0.5 * off[1]


def test_a_straight_sheet_is_kept_exactly() -> None:
    """Splines reproduce planes, and so does the stiffening, which only resists bending of the poles."""
    x, y = np.linspace(-3.0, 5.0, 60), np.linspace(0.0, 4.0, 50)
    plane = (1.0 + 0.2 * x[:, None] - 0.5 * y[None, :])[..., None]
    surface = fit_surface(x, y, plane, uniform_axis(-3.0, 5.0, 2.0), uniform_axis(0.0, 4.0, 1.0))
    assert surface.at(x, y) == pytest.approx(plane, abs=2e-4)


def test_marked_intervals_are_halved_unless_too_short() -> None:
    axis = Axis(UNEVEN, False)
    split = axis.split(np.array([True, True, True, False, False]), shortest=0.2)
    assert split.breaks.tolist() == [0.0, 0.35, 0.7, 1.0, 1.75, 2.5, 2.8, 4.0]  # 0.3 mm long: its halves would be 0.15
    assert split.poles == axis.poles + 2


def test_an_axis_has_as_many_poles_as_basis_functions() -> None:
    assert uniform_axis(0.0, 10.0, 2.5).poles == 4 + DEGREE
    assert uniform_axis(0.0, 10.0, 2.5, periodic=True).poles == 4
    assert uniform_axis(0.0, 1.0, 5.0, periodic=True).poles == 4  # never fewer than a closed cubic needs
    axis = uniform_axis(0.0, 10.0, 2.5, periodic=True)
    assert axis.basis(np.array([1.0])).shape == (1, 4)


def test_errors_are_gathered_by_interval() -> None:
    axis = Axis(np.array([0.0, 1.0, 2.0, 3.0]), False)
    at = np.array([0.2, 0.8, 1.5, 3.0])
    error = np.array([[0.1, 0.2], [0.4, 0.3], [0.9, 0.0], [0.5, 0.7]])
    assert interval_error(axis, at, error, share=1.0).tolist() == [0.4, 0.9, 0.7]
    assert interval_error(axis, at, error, share=0.0).tolist() == [0.1, 0.0, 0.5]
    assert interval_error(axis, at[:2], error[:2], share=1.0).tolist() == [0.4, 0.0, 0.0]
