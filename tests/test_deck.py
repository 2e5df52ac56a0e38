"""How pieces of a deck act: worked examples, limits, and loads gathered where they bend most."""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from mountgen.service.bearing import Span
from mountgen.service.deck import GATHERED, GATHERED_AT_END, SOURCES, bend_piece, choose_model, cut_by_ribs, find_load_on
from mountgen.stiffness import Bending, find_load

ALL = frozenset(("left", "right", "front", "back"))
WEIGHT = find_load(0.25)  # N
DECK = Span(
    along=150.0, inwards=80.0, thickness=3.0, held=ALL, area=12_000.0, loaded=12_000.0, place=(0.0, 0.0, 0.0),
    cells=np.ones((1, 1), dtype=np.bool_),
)  # fmt: skip


def bend(span: Span, *, weight: float = WEIGHT, modulus: float = 2000.0) -> Bending:
    return bend_piece(choose_model(span), weight=weight, loaded=span.loaded, modulus=modulus)


@pytest.mark.parametrize(
    ("held", "model", "span", "width"),
    [
        (ALL, "plate on four edges", 80.0, 150.0),
        (ALL - {"front"}, "plate on three edges", 150.0, 80.0),
        (frozenset(("left", "right")), "beam", 150.0, 80.0),
        (frozenset(("front", "back")), "beam", 80.0, 150.0),
        (frozenset(("back",)), "cantilever", 80.0, 150.0),
        (frozenset(("left",)), "cantilever", 150.0, 80.0),
        (frozenset(("left", "back")), "cantilever", 80.0, 150.0),
        (frozenset(), "not carried", 80.0, 150.0),
    ],
)
def test_a_deck_acts_as_it_is_held(held: frozenset[str], model: str, span: float, width: float) -> None:
    piece = choose_model(replace(DECK, held=held))
    assert (piece.model, piece.span, piece.width) == (model, span, width)
    assert piece.model in SOURCES


@pytest.mark.parametrize(
    ("narrow", "border", "model", "span", "width"),
    [
        (10.0, 0.7, "cantilever", 10.0, 300.0),
        (10.0, 0.3, "plate on three edges", 150.0, 80.0),  # neither of its long edges is held
        (45.0, 0.7, "plate on three edges", 150.0, 80.0),  # no strip
    ],
)
def test_a_strip_around_what_bears_stands_out_by_its_width(
    narrow: float, border: float, model: str, span: float, width: float
) -> None:
    """As a tray's floor along a rounded bottom edge, where one of the sides of the rectangle about it meets nothing."""
    strip = replace(DECK, held=ALL - {"front"}, narrow=narrow, border=border, area=3000.0, loaded=3000.0)
    piece = choose_model(strip)
    assert (piece.model, piece.span, piece.width) == (model, span, width)
    if model == "cantilever":
        assert piece.area == 3000.0
        assert piece.gathered == GATHERED_AT_END


def test_worked_examples_of_a_deck_under_a_quarter_kilogram() -> None:
    """150 x 80 x 3 mm, 2000 MPa, 0.25 kg: worked by hand from the formulae and tables named in `SOURCES`."""
    beam = bend(replace(DECK, held=frozenset(("left", "right"))))
    assert (beam.sag, beam.stress) == (pytest.approx(0.299, abs=5e-4), pytest.approx(0.383, abs=5e-4))
    jolt = bend(replace(DECK, held=frozenset(("left", "right"))), weight=find_load(0.25, g_factor=6.0))
    assert (jolt.sag, jolt.stress) == (pytest.approx(1.80, abs=5e-3), pytest.approx(2.30, abs=5e-3))
    four = bend(DECK)
    assert (four.sag, four.stress) == (pytest.approx(0.0163, abs=5e-5), pytest.approx(0.0849, abs=5e-5))
    three = bend(replace(DECK, held=ALL - {"front"}))
    assert three.sag == pytest.approx(0.163, abs=5e-4)
    assert three.span == 150.0
    shelf = bend(replace(DECK, held=frozenset(("back",))))
    assert (shelf.sag, shelf.stress) == (pytest.approx(0.233, abs=5e-4), pytest.approx(0.436, abs=5e-4))


def test_a_beam_twice_as_long_sags_eight_times_under_the_same_weight() -> None:
    short = replace(DECK, held=frozenset(("left", "right")))
    long = replace(short, along=300.0, area=24_000.0, loaded=24_000.0)
    assert bend(long).sag == pytest.approx(8.0 * bend(short).sag)
    assert bend(long).stress == pytest.approx(2.0 * bend(short).stress)
    thick = replace(short, thickness=6.0)
    assert bend(thick).sag == pytest.approx(bend(short).sag / 8.0)
    assert bend(thick).stress == pytest.approx(bend(short).stress / 4.0)


def test_holding_one_more_side_never_lets_it_sag_more() -> None:
    order = [frozenset(("left", "right")), ALL - {"front"}, ALL]
    sags = [bend(replace(DECK, held=held)).sag for held in order]
    assert sags == sorted(sags, reverse=True)
    assert bend(replace(DECK, held=ALL - {"front"}, inwards=30.0)).sag <= bend(
        replace(DECK, held=frozenset(("left", "right")), inwards=30.0)
    ).sag * (1.0 + 1e-9)


def test_a_deck_too_shallow_for_the_table_is_a_beam_or_a_cantilever() -> None:
    assert choose_model(replace(DECK, held=ALL - {"front"}, inwards=74.9)).model == "cantilever"
    assert choose_model(replace(DECK, held=ALL - {"front"}, inwards=75.1)).model == "plate on three edges"
    assert choose_model(replace(DECK, held=ALL - {"back", "left"} | {"left"}, inwards=20.0)).model == "cantilever"


def test_a_gathered_load_counts_as_the_even_one_that_bends_more() -> None:
    """Anywhere on a beam a gathered load bends no more than twice itself spread out; at a free end 8/3 times itself.

    Checked by integrating the moment of point loads.
    """
    x = np.linspace(0.0, 1.0, 2001)
    dx = x[1] - x[0]

    def sag_of_beam(at: float) -> tuple[float, float]:
        moment = np.where(x < at, (1.0 - at) * x, at * (1.0 - x))
        unit = np.where(x < 0.5, 0.5 * x, 0.5 * (1.0 - x))  # of a unit load at midspan: virtual work
        return float((moment * unit).sum() * dx), float(moment.max())

    even = 5.0 / 384.0, 1.0 / 8.0
    for at in np.linspace(0.05, 0.95, 19):
        sag, moment = sag_of_beam(float(at))
        assert sag <= GATHERED * even[0]
        assert moment <= GATHERED * even[1] + 1e-9
    assert pytest.approx((1.0 / 3.0) / (1.0 / 8.0)) == GATHERED_AT_END

    beam = choose_model(replace(DECK, held=frozenset(("left", "right")), loaded=600.0))
    assert find_load_on(beam, weight=1.0, loaded=600.0) == GATHERED  # on a strip of 4 mm: as if gathered
    assert find_load_on(replace(beam, loaded=12_000.0), weight=1.0, loaded=12_000.0) == 1.0
    assert find_load_on(replace(beam, loaded=9_000.0), weight=1.0, loaded=9_000.0) == pytest.approx(4.0 / 3.0)
    assert find_load_on(replace(beam, area=6_000.0, loaded=6_000.0), weight=1.0, loaded=12_000.0) == 0.5


def test_what_nothing_carries_falls_and_what_is_soft_sinks() -> None:
    assert bend(replace(DECK, held=frozenset())).sag == inf
    soft = bend(DECK, modulus=0.0)
    assert (soft.sag, soft.stress) == (inf, pytest.approx(bend(DECK).stress))


def test_ribs_cut_a_span_into_equal_parts() -> None:
    piece = cut_by_ribs(DECK, ribs=2, rib=3.0)
    assert piece is not None
    assert piece.origin is not None
    assert piece.origin.along == pytest.approx((150.0 - 2 * 3.0) / 3)
    assert (piece.span, piece.width) == (pytest.approx(48.0), 80.0)
    assert cut_by_ribs(replace(DECK, held=ALL - {"left"}), ribs=2, rib=3.0) is None  # its free end would stay
    assert cut_by_ribs(DECK, ribs=50, rib=3.0) is None
