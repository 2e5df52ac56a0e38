"""Snap arms: worked example, tapers by integration, forces by statics, fillet against a second formula."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve

from mountgen.errors import EnduranceError
from mountgen.material import find_material
from mountgen.snap import (
    Arm,
    find_deflection_force,
    find_deflection_limit,
    find_fillet,
    find_length_needed,
    find_mating_force,
    find_permissible_strain,
    find_root_concentration,
    find_strain,
    find_wall_factor,
    judge_snap,
    locks,
)

ARM = Arm(length=15.0, thickness=1.8, width=8.0)
TAPERED = replace(ARM, taper="thickness")


def test_worked_example_strain_and_forces() -> None:
    assert 100 * find_strain(ARM, 1.2) == pytest.approx(1.44, abs=5e-3)
    assert 100 * find_strain(TAPERED, 1.2) == pytest.approx(0.883, abs=5e-4)
    force = find_deflection_force(ARM, 1.2, modulus=1800.0)
    assert force == pytest.approx(7.46, abs=6e-3)
    mating = find_mating_force(force, angle_deg=30.0, friction=0.5)
    assert mating / force == pytest.approx(1.515, abs=5e-4)
    assert mating == pytest.approx(11.3, abs=0.05)
    assert find_mating_force(force, angle_deg=45.0, friction=0.5) == pytest.approx(22.4, abs=0.05)
    assert 0.5 * math.tan(math.radians(80.0)) == pytest.approx(2.84, abs=5e-3)
    assert locks(0.5, 80.0)
    assert find_mating_force(force, angle_deg=80.0, friction=0.5) == math.inf


def test_worked_example_verdicts_for_asa() -> None:
    asa = find_material("asa")
    once = judge_snap(ARM, 1.2, asa)
    assert once.verdict == "pass"
    assert once.deflection_limit == pytest.approx(1.58, abs=5e-3)
    again = judge_snap(ARM, 1.2, asa, repeated=True)
    assert (again.verdict, again.allowed_pct) == ("fail", pytest.approx(1.14))
    assert again.length_needed == pytest.approx(16.9, abs=0.05)
    assert find_length_needed(ARM, 1.2, 0.0114) == pytest.approx(again.length_needed)


def test_needed_length_and_deflection_just_pass() -> None:
    petg = find_material("petg")
    for arm in (ARM, TAPERED, replace(ARM, taper="width")):
        verdict = judge_snap(arm, 2.4, petg, repeated=True)
        longer = replace(arm, length=verdict.length_needed)
        assert 100 * find_strain(longer, 2.4) == pytest.approx(verdict.allowed_pct)
        assert 100 * find_strain(arm, verdict.deflection_limit) == pytest.approx(verdict.allowed_pct)
        assert find_deflection_limit(arm, find_strain(arm, 0.7)) == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("taper", "thin", "narrow"), [("none", 1.0, 1.0), ("thickness", 0.5, 1.0), ("width", 1.0, 0.25)]
)
def test_tapers_by_integrating_the_arm(taper: str, thin: float, narrow: float) -> None:
    modulus, force, length, h, b = 1800.0, 5.0, 15.0, 1.8, 8.0

    def bend(x: float) -> float:  # curvature times lever, x from the tip
        t, w = h * (thin + (1 - thin) * x / length), b * (narrow + (1 - narrow) * x / length)
        return force * x * x / (modulus * w * t**3 / 12.0)

    deflection = quad(bend, 0.0, length)[0]
    root_strain = force * length * 6.0 / (b * h * h) / modulus
    arm = Arm(length, h, b, taper)  # type: ignore[arg-type]
    assert find_strain(arm, deflection) == pytest.approx(root_strain, rel=6e-3)
    assert find_deflection_force(arm, deflection, modulus=modulus) == pytest.approx(force, rel=6e-3)
    # nowhere is the strain greater than at the root
    share = [u / ((narrow + (1 - narrow) * u) * (thin + (1 - thin) * u) ** 2) for u in (0.2, 0.5, 0.8, 0.99)]
    assert max(share) <= 1.0


def test_handbook_values_of_the_thickness_taper() -> None:
    # Coefficients 0.67 and 1.09 of a moulding handbook (from memory); 1.63 on a university's page.
    assert find_strain(ARM, 1.0) / find_strain(TAPERED, 1.0) == pytest.approx(1.09 / 0.67, rel=5e-3)


def test_strain_and_force_dimensions() -> None:
    assert find_strain(replace(ARM, length=30.0), 1.2) == pytest.approx(find_strain(ARM, 1.2) / 4)
    assert find_strain(replace(ARM, thickness=3.6), 1.2) == pytest.approx(find_strain(ARM, 1.2) * 2)
    assert find_strain(replace(ARM, width=1.0), 1.2) == find_strain(ARM, 1.2)
    base = find_deflection_force(ARM, 1.2, modulus=1800.0)
    assert base == pytest.approx(3 * 1800.0 * (8.0 * 1.8**3 / 12.0) * 1.2 / 15.0**3)  # end-loaded cantilever
    assert find_deflection_force(replace(ARM, thickness=3.6), 1.2, modulus=1800.0) == pytest.approx(8 * base)


@pytest.mark.parametrize(
    ("angle", "friction"), [(0.0, 0.3), (30.0, 0.5), (45.0, 0.2), (60.0, 0.4), (20.0, 0.0)]
)
def test_mating_force_is_that_of_a_wedge(angle: float, friction: float) -> None:
    a = math.radians(angle)
    normal = 1.0 / (math.cos(a) - friction * math.sin(a))  # balance across the movement, P = 1
    along = normal * (math.sin(a) + friction * math.cos(a))
    assert find_mating_force(1.0, angle_deg=angle, friction=friction) == pytest.approx(along)
    tan = math.tan(a)
    assert along == pytest.approx((friction + tan) / (1.0 - friction * tan))


def test_locking_edge() -> None:
    edge = 90.0 - math.degrees(math.atan(0.5))
    assert not locks(0.5, edge - 0.01)
    assert find_mating_force(1.0, angle_deg=edge - 0.01, friction=0.5) > 1000.0
    assert locks(0.5, edge)
    assert locks(0.0, 90.0)
    assert not locks(0.0, 89.0)


@pytest.mark.parametrize(("ratio", "power_law"), [(0.1, 1.95), (0.25, 1.44), (0.5, 1.14)])
def test_root_concentration_against_a_fitted_power_law(ratio: float, power_law: float) -> None:
    # 0.9072 * (r/h)^(-1/3), a textbook's fit for a large step in bending (from memory).
    assert 0.9072 * ratio ** (-0.3333) == pytest.approx(power_law, abs=6e-3)
    assert find_root_concentration(ratio * 1.8, 1.8) == pytest.approx(power_law, rel=0.08)


def test_root_concentration_falls_with_the_fillet_and_has_no_jump() -> None:
    curve = [find_root_concentration(0.05 * 1.07**k, 1.0) for k in range(70)]
    assert curve == sorted(curve, reverse=True)
    assert 1.0 <= curve[-1] < 1.05
    assert find_root_concentration(0.4999, 1.0) == pytest.approx(
        find_root_concentration(0.5001, 1.0), rel=5e-3
    )
    assert find_root_concentration(0.9, 1.8) == find_root_concentration(1.5, 3.0)


def test_root_concentration_near_the_two_halves_of_the_formula() -> None:
    # By hand, shoulder 4 times the radius, 2h/D = 2/3: 2.862 - 2.085 * 2/3 - 0.498 * 4/9 + 0.721 * 8/27.
    assert find_root_concentration(0.25, 1.0) == pytest.approx(1.464, abs=2e-3)
    # Shoulder as large as the radius: 1.976 - 1.925 * 2/3 + 0.906 * 4/9 + 0.043 * 8/27.
    assert find_root_concentration(1.0, 1.0) == pytest.approx(1.108, abs=2e-3)


def test_fillet_rule_and_too_sharp_a_root() -> None:
    assert (find_fillet(1.8), find_fillet(0.6)) == (0.9, 0.4)
    with pytest.raises(EnduranceError) as caught:
        find_root_concentration(0.05, 1.8)
    assert caught.value.what == "root fillet is 0.05 mm"
    assert "0.9 mm is right for a tab of 1.8 mm" in caught.value.remedy


def test_permissible_strain_of_the_table() -> None:
    pc = find_material("pc")
    assert find_permissible_strain(pc) == pytest.approx(0.020)
    assert find_permissible_strain(pc, repeated=True) == pytest.approx(0.012)
    assert find_permissible_strain(pc, upright=True) == pytest.approx(0.010)
    # below the smallest strain at break of printed bars: 3 % flat for PC, 1 % upright (additive.tools)
    assert find_permissible_strain(pc) < 0.03
    assert find_permissible_strain(pc, upright=True) <= 0.01


def test_upright_arms_are_never_a_plain_pass() -> None:
    upright = judge_snap(replace(ARM, length=40.0), 1.2, find_material("asa"), upright=True)
    assert upright.verdict == "caution"
    assert any("layers lie across" in note for note in upright.notes)


def test_short_arms_are_marked() -> None:
    assert not judge_snap(ARM, 0.5, find_material("asa")).slender
    assert judge_snap(replace(ARM, length=18.1), 0.5, find_material("asa")).slender
    assert any("do not count on them" in n for n in judge_snap(ARM, 0.5, find_material("asa")).notes)


def test_snaps_that_cannot_be() -> None:
    with pytest.raises(EnduranceError) as caught:
        judge_snap(ARM, 1.0, find_material("tpu-95a"))
    assert caught.value.what == "TPU 95A has no permissible strain: not for snap arms"
    assert "PETG" in caught.value.remedy
    with pytest.raises(EnduranceError, match="tab thickness is 0 mm"):
        Arm(10.0, 0.0, 5.0)
    with pytest.raises(EnduranceError, match="deflection is -1 mm"):
        find_strain(ARM, -1.0)
    with pytest.raises(EnduranceError, match="hook angle is 95"):
        find_mating_force(1.0, angle_deg=95.0)
    with pytest.raises(EnduranceError) as caught:
        Arm(10.0, 1.0, 5.0, "thick")  # type: ignore[arg-type]
    assert "none, thickness, width" in caught.value.remedy


def bend_on_wall(length: float, *, deep: float, across: int = 6) -> float:
    """Deflection at the tip of a plane arm of thickness 1, E 1 under load 1, on a wall `deep` deep (rigid if 0): finite elements.

    Four-node squares with incompatible modes (E. L. Wilson et al. 1973), which bend without locking.
    """
    size, reach, half = 1.0 / across, round(length * across), round(deep * across)
    cells = [(i, j) for i in range(reach) for j in range(across)]
    cells += [(i, j) for i in range(-half, 0) for j in range(-half, across + half)]
    number: dict[tuple[int, int], int] = {}
    quads = np.array(
        [[number.setdefault((i + a, j + b), len(number)) for a, b in ((0, 0), (1, 0), (1, 1), (0, 1))] for i, j in cells]
    )
    poisson = 0.35
    law = np.array([[1.0, poisson, 0.0], [poisson, 1.0, 0.0], [0.0, 0.0, 0.5 * (1.0 - poisson)]]) / (1.0 - poisson**2)
    stiff, mixed, inner = np.zeros((8, 8)), np.zeros((8, 4)), np.zeros((4, 4))
    for r in (-1.0, 1.0):
        for s in (-1.0, 1.0):
            p, q = r / math.sqrt(3.0), s / math.sqrt(3.0)
            slope = np.array([[q - 1, 1 - q, 1 + q, -1 - q], [p - 1, -1 - p, 1 + p, 1 - p]]) / (2.0 * size)
            strain, modes = np.zeros((3, 8)), np.zeros((3, 4))
            strain[0, 0::2], strain[1, 1::2], strain[2, 0::2], strain[2, 1::2] = slope[0], slope[1], slope[1], slope[0]
            modes[0, 0] = modes[2, 1] = -4.0 * p / size
            modes[2, 2] = modes[1, 3] = -4.0 * q / size
            weight = size**2 / 4.0
            stiff += weight * strain.T @ law @ strain
            mixed += weight * strain.T @ law @ modes
            inner += weight * modes.T @ law @ modes
    stiff -= mixed @ np.linalg.solve(inner, mixed.T)
    freedom = np.stack([2 * quads, 2 * quads + 1], axis=-1).reshape(len(quads), 8)
    rows, columns = np.repeat(freedom, 8, axis=1).ravel(), np.tile(freedom, (1, 8)).ravel()
    whole = coo_array((np.tile(stiff.ravel(), len(quads)), (rows, columns))).tocsc()
    held = [
        2 * k + d for (i, j), k in number.items() for d in (0, 1)
        if i == -half or (half and i < 0 and j in (-half, across + half))
    ]  # fmt: skip
    load = np.zeros(2 * len(number))
    tip = [2 * number[reach, j] + 1 for j in range(across + 1)]
    load[tip] = 1.0 / len(tip)
    free = np.setdiff1d(np.arange(len(load)), held)
    moved = np.zeros(len(load))
    moved[free] = spsolve(whole[free][:, free], load[free])
    return float(moved[tip].mean())


@pytest.mark.parametrize("length", [5.0, 10.0])
def test_the_wall_at_the_root_gives_way_a_little_less_than_the_bound(length: float) -> None:
    rigid = bend_on_wall(length, deep=0.0)
    assert rigid == pytest.approx(4.0 * length**3, rel=0.03)  # the beam's own, and some shear
    factor = bend_on_wall(length, deep=5.0) / rigid
    bound = find_wall_factor(Arm(length=length, thickness=1.0, width=1.0))
    assert 0.75 < (factor - 1.0) / (bound - 1.0) < 1.0


def test_the_turn_of_the_wall_by_flamant() -> None:
    """Work of the bending stress 12 M s / h³ on the half-plane's edge, for M = h = E = 1: a turn of 18 / pi."""
    n = 2000
    s = (np.arange(n) + 0.5) / n - 0.5
    apart = np.abs(s[:, None] - s[None, :])
    np.fill_diagonal(apart, 0.5 / n / math.e)  # the mean of a logarithm over a cell about 0
    sinks = -2.0 / math.pi * np.log(apart) @ (12.0 * s) / n
    turn = float((12.0 * s * sinks).sum() / n)
    arm = Arm(length=7.0, thickness=1.0, width=1.0)
    assert turn == pytest.approx(18.0 / math.pi, rel=1e-3)
    assert find_wall_factor(arm) - 1.0 == pytest.approx(turn * arm.length**2 / (4.0 * arm.length**3), rel=1e-3)


def test_a_long_arm_does_not_feel_the_wall() -> None:
    assert find_wall_factor(Arm(length=1000.0, thickness=1.0, width=1.0)) == pytest.approx(1.0, abs=2e-3)
