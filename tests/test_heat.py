"""Temperatures of a parked vehicle, softening and hot modulus."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from scipy.integrate import solve_ivp

from mountgen.errors import EnduranceError
from mountgen.heat import (
    AIR_ENVELOPE,
    AIR_MEAN,
    HDT_STRAIN,
    PLACES,
    SURFACE_TAU,
    find_modulus,
    find_modulus_at_hdt,
    find_part_temperature,
    find_place,
    find_sustained_modulus,
    find_temperature_after,
    interpolate_modulus,
    judge_softening,
    rank_materials,
)
from mountgen.material import Quantity, find_material, load_materials

RECESS, DASH = PLACES["recess_in_sunlit_car"], PLACES["dash_top_sun"]


def quantity(value: float, unit: str = "°C") -> Quantity:
    return Quantity(value, value, value, unit, "test", "our rule")


def test_parked_day_by_place() -> None:
    assert find_part_temperature(RECESS, ambient_c=35.0) == 78.0
    assert find_part_temperature(DASH, ambient_c=35.0) == 92.0
    assert find_part_temperature(PLACES["cabin_cooled_drive"], ambient_c=35.0) == 35.0


def test_modifiers_never_cool_below_the_outside_air() -> None:
    assert find_part_temperature(DASH, light_body=True) == 87.0
    assert find_part_temperature(DASH, light_body=True, cloudy=True) == 77.0
    shade = PLACES["shade_parked_dash"]
    assert find_part_temperature(shade, light_body=True, cloudy=True, ambient_c=20.0) == 20.0


def test_envelope_at_half_an_hour_and_two_hours() -> None:
    def after(minutes: float) -> float:
        return find_temperature_after(
            minutes, rise_k=AIR_ENVELOPE.rise_k, tau_min=AIR_ENVELOPE.tau_min, ambient_c=35.0
        )

    assert after(30) == pytest.approx(51.0, abs=0.05)
    assert after(120) == pytest.approx(71.2, abs=0.05)
    assert after(1e5) == pytest.approx(77.7)


@pytest.mark.parametrize(("minutes", "rise"), [(5, 4.0), (10, 7.0), (30, 16.0), (60, 26.0)])
def test_envelope_against_measured_air(minutes: float, rise: float) -> None:
    # Grundstein, Dowd, Meentemeyer, BAMS 91 (2010): fastest rises of 14 clear days.
    curve = find_temperature_after(
        minutes, rise_k=AIR_ENVELOPE.rise_k, tau_min=AIR_ENVELOPE.tau_min, ambient_c=0.0
    )
    assert curve == pytest.approx(rise, abs=0.85)


def test_mean_curve_against_measured_air() -> None:
    # McLaren, Null, Quinn, Pediatrics 116 (2005): mean +40 °F in 60 min, 80 % of it in the first 30.
    def rise(minutes: float) -> float:
        return find_temperature_after(
            minutes, rise_k=AIR_MEAN.rise_k, tau_min=AIR_MEAN.tau_min, ambient_c=0.0
        )

    assert rise(60) == pytest.approx(40 / 1.8, abs=0.05)
    assert rise(30) / rise(60) == pytest.approx(0.8)


def test_dash_is_reached_as_fast_as_measured() -> None:
    # Press reports of Vanos et al. (2018): worst dash 51 K above the air after 1 h in the sun.
    assert (
        51.0
        < find_temperature_after(60, rise_k=DASH.rise_k, tau_min=SURFACE_TAU, ambient_c=0.0)
        < DASH.rise_k
    )


def test_warm_up_solves_newtons_law() -> None:
    def law(_: float, t: list[float]) -> list[float]:
        return [(35.0 + 42.7 - t[0]) / 63.8]

    solved = solve_ivp(law, (0.0, 240.0), [35.0], rtol=1e-9, atol=1e-9, t_eval=[0.0, 7.0, 90.0, 240.0])
    ours = [find_temperature_after(t, rise_k=42.7, tau_min=63.8, ambient_c=35.0) for t in solved.t]
    assert ours == pytest.approx(solved.y[0], abs=1e-6)


def test_ambient_in_fahrenheit_is_noticed() -> None:
    with pytest.raises(EnduranceError) as caught:
        find_part_temperature(RECESS, ambient_c=95.0)
    assert caught.value.what == "ambient temperature is 95 °C"
    assert "that is 35 °C" in caught.value.remedy


def test_impossible_times_and_temperatures() -> None:
    for options in ({"minutes": -1.0}, {"rise_k": -1.0}, {"tau_min": 0.0}, {"ambient_c": -80.0}):
        with pytest.raises(EnduranceError):
            find_temperature_after(**{"minutes": 1.0, "rise_k": 1.0, "tau_min": 1.0, **options})
    with pytest.raises(EnduranceError, match="part temperature"):
        judge_softening(find_material("pla"), 500.0)


def test_unknown_place_names_the_nearest() -> None:
    assert find_place("Recess in sunlit car") is RECESS
    with pytest.raises(EnduranceError) as caught:
        find_place("dash_top")
    assert 'did you mean "dash_top_sun"?' in caught.value.remedy


@pytest.mark.parametrize(
    ("key", "temp_c", "verdict"),
    [
        ("pla", 78, "fail"),
        ("petg", 78, "fail"),
        ("abs", 78, "fail"),
        ("asa", 78, "caution"),
        ("pc", 78, "pass"),
        ("asa", 92, "fail"),
        ("pc", 92, "pass"),
    ],
)
def test_softening_in_the_recess_and_on_the_dash(key: str, temp_c: float, verdict: str) -> None:
    assert judge_softening(find_material(key), temp_c).verdict == verdict


def test_softening_bounds_and_reason() -> None:
    asa = judge_softening(find_material("asa"), 78.0)
    assert (asa.pass_to_c, asa.caution_to_c, asa.margin_k) == (70.0, 85.0, -8.0)
    assert "90 °C under 0.45 MPa" in asa.why
    assert asa.tag == "common practice"
    free = judge_softening(find_material("asa"), 78.0, loaded=False)
    assert (free.verdict, free.pass_to_c) == ("pass", 80.0)


def test_edges_of_the_bands_belong_to_the_better_side() -> None:
    asa = find_material("asa")
    verdicts = [judge_softening(asa, t).verdict for t in (70.0, 70.01, 85.0, 85.01)]
    assert verdicts == ["pass", "caution", "caution", "fail"]


def test_high_stress_takes_the_deflection_temperature_under_high_load() -> None:
    asa = find_material("asa")
    assert judge_softening(asa, 66.0, stress=0.45).verdict == "pass"
    stressed = judge_softening(asa, 66.0, stress=0.46)
    assert (stressed.verdict, stressed.pass_to_c) == ("caution", 58.0)
    assert "under 1.80 MPa" in stressed.why


def test_high_stress_without_that_value_never_passes() -> None:
    annealed = find_material("pla-annealed")
    assert annealed.hdt_180 is None
    assert judge_softening(annealed, 60.0, stress=0.2).verdict == "pass"
    blind = judge_softening(annealed, 60.0, stress=0.5)
    assert blind.verdict == "caution"
    assert "not known" in blind.why


def test_glass_transition_counts_for_amorphous_plastics_only() -> None:
    base = replace(
        find_material("pc"),
        hdt_045=quantity(150.0),
        hdt_180=quantity(150.0),
        glass_transition=quantity(100.0),
    )
    glassy = judge_softening(base, 95.0)
    assert (glassy.verdict, glassy.pass_to_c, glassy.caution_to_c) == ("caution", 90.0, 100.0)
    crystal = replace(base, structure="semicrystalline", service_limit=None)
    assert judge_softening(crystal, 95.0).verdict == "pass"


def test_semicrystalline_and_elastic_plastics_keep_their_service_limit() -> None:
    assert [judge_softening(find_material("pa12"), t).verdict for t in (70, 78, 81)] == [
        "pass",
        "caution",
        "fail",
    ]
    assert [judge_softening(find_material("tpu-95a"), t).verdict for t in (70, 90, 92)] == [
        "pass",
        "caution",
        "fail",
    ]


def test_a_material_without_heat_values_fails_and_says_so() -> None:
    bare = replace(find_material("tpu-95a"), service_limit=None)
    verdict = judge_softening(bare, 40.0)
    assert verdict.verdict == "fail"
    assert "spool's own sheet" in verdict.why


def test_rank_puts_passes_first_and_the_nearest_last_of_them() -> None:
    ranked = rank_materials(load_materials().values(), 78.0)
    verdicts = [s.verdict for s in ranked]
    assert verdicts == sorted(verdicts, key=["pass", "caution", "fail"].index)
    passing = [s for s in ranked if s.verdict == "pass"]
    assert [s.margin_k for s in passing] == sorted((s.margin_k for s in passing), reverse=True)
    assert {s.material for s in passing} == {"pa-cf", "pc", "pc-abs", "pla-annealed"}
    assert len(ranked) == len(load_materials())


def test_modulus_at_the_deflection_temperatures_of_asa() -> None:
    assert find_modulus_at_hdt(2200.0, 1.8) == pytest.approx(639, abs=0.5)
    assert find_modulus_at_hdt(2200.0, 0.45) == pytest.approx(204, abs=0.5)


def test_bar_at_that_modulus_gains_the_strain_of_the_test() -> None:
    for stress in (0.45, 1.8):
        assert stress / find_modulus_at_hdt(2200.0, stress) - stress / 2200.0 == pytest.approx(0.002)


def test_strain_of_the_test_is_that_of_its_standard_deflection() -> None:
    """A property database lists 0.34 mm for a bar of 80 x 10 x 4 mm lying flat over 64 mm (ISO 75)."""
    outer_fibre = 6.0 * 4.0 * 0.34 / 64.0**2  # three-point bending
    assert outer_fibre == pytest.approx(HDT_STRAIN, rel=5e-3)


def test_hot_modulus_worked_examples() -> None:
    assert interpolate_modulus(78.0, modulus=2200, hdt_180=92, hdt_045=97) == pytest.approx(821, abs=0.5)
    assert interpolate_modulus(65.0, modulus=2200, hdt_180=69, hdt_045=73) == pytest.approx(711, abs=0.5)


def test_hot_modulus_of_polypropylene_errs_low_against_published_values() -> None:
    # R. Corneliussen, PP (Modern Plastics Encyclopedia 99): 50 ksi at 93 °C, at 23 °C 170 to 250.
    ours = interpolate_modulus(93.3, modulus=1380, hdt_180=73, hdt_045=110)
    assert ours == pytest.approx(309, abs=0.5)
    assert 0.8 < ours / (50 * 6.894757) < 1.0


def test_hot_modulus_falls_without_jumps_to_nothing() -> None:
    curve = [interpolate_modulus(t / 4, modulus=2200, hdt_180=92, hdt_045=97) for t in range(0, 389)]
    assert curve[0] == curve[4 * 23] == pytest.approx(2200.0)
    assert all(a >= b for a, b in pairwise(curve))
    assert max(math.log(a / b) for a, b in pairwise(curve)) < 0.06
    assert interpolate_modulus(97.01, modulus=2200, hdt_180=92, hdt_045=97) == 0.0


def test_hot_modulus_from_the_table_takes_low_ends() -> None:
    asa = find_material("asa")
    assert find_modulus(asa, 78.0) == interpolate_modulus(78.0, modulus=1600, hdt_180=78, hdt_045=90)
    assert find_sustained_modulus(asa, 78.0) == 0.5 * find_modulus(asa, 78.0)
    abs_ = find_material("abs")
    assert abs_.hdt_045 is not None
    equal = replace(abs_, hdt_180=abs_.hdt_045)
    assert find_modulus(equal, abs_.hdt_045.low) == pytest.approx(find_modulus_at_hdt(2000.0, 1.8))


def test_hot_modulus_without_data_and_with_disordered_data() -> None:
    with pytest.raises(EnduranceError) as caught:
        find_modulus(find_material("tpu-95a"), 60.0)
    assert caught.value.what == "no modulus is known for TPU 95A"
    assert "sheet of your own" in caught.value.remedy
    with pytest.raises(EnduranceError, match="deflection temperatures 99 and 90"):
        interpolate_modulus(60.0, modulus=2000, hdt_180=99, hdt_045=90)
    with pytest.raises(EnduranceError, match="modulus is 0 MPa"):
        find_modulus_at_hdt(0.0, 1.8)
