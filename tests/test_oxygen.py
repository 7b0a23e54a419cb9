"""Oxygen: against published tables and independent packages; and that the range holds for what nobody measured."""

from __future__ import annotations

from math import inf, isclose
from random import Random

import pytest

from barreltide.core import oxygen
from barreltide.core.oxygen import Span, hours, hours_until, in_words, pressure_atm, routine_demand, saturation

# mg/L in fresh water at one atmosphere, 0 to 40 degrees Celsius: APHA Standard Methods 4500-O, table after Benson and
# Krause 1984; to 35 degrees the same as the US Geological Survey's DOTABLES.
AT_SEA = (
    14.62, 14.22, 13.83, 13.46, 13.11, 12.77, 12.45, 12.14, 11.84, 11.56, 11.29, 11.03, 10.78, 10.54, 10.31, 10.08,
    9.87, 9.66, 9.47, 9.28, 9.09, 8.92, 8.74, 8.58, 8.42, 8.26, 8.11, 7.97, 7.83, 7.69, 7.56, 7.43, 7.30, 7.18, 7.06,
    6.95, 6.84, 6.73, 6.62, 6.52, 6.41,
)  # fmt: skip


@pytest.mark.parametrize(("celsius", "mg_per_l"), list(enumerate(AT_SEA)))
def test_saturation_is_the_published_table_s(celsius, mg_per_l):
    assert saturation(celsius) == pytest.approx(mg_per_l, abs=0.0051)


def test_saturation_by_two_independent_ways():
    assert saturation(20) == pytest.approx(9.092, abs=0.005)  # o2sat(20) = 9.092426 in notes on R's marelac
    gsw = pytest.importorskip("gsw", exc_type=ImportError)  # TEOS-10's own; the fit of Garcia and Gordon 1992
    for celsius in range(0, 41, 5):
        mg_per_l = gsw.O2sol_SP_pt(0, celsius) * 31.9988e-6 * gsw.rho_t_exact(0, celsius, 0)
        assert saturation(celsius) == pytest.approx(float(mg_per_l), rel=3e-4)


@pytest.mark.parametrize(
    ("celsius", "altitude_m", "mg_per_l"),
    # Benson and Krause's formula; leaving the vapour's share out of the pressure would be 0.1 mg/L off at 3000 m.
    [(20, 500, 8.55), (20, 1000, 8.04), (25, 1500, 6.85), (10, 2000, 8.83), (30, 3000, 5.13), (0, 3000, 10.09)],
)
def test_the_higher_the_garden_the_less_the_water_holds(celsius, altitude_m, mg_per_l):
    assert saturation(celsius, altitude_m) == pytest.approx(mg_per_l, abs=0.01)


def test_the_air_s_pressure_is_the_standard_atmosphere_s():
    fluids = pytest.importorskip("fluids")  # ATMOSPHERE_1976, alike up to 11 km
    for altitude_m in (0, 500, 1000, 1500, 2000, 3000):
        assert pressure_atm(altitude_m) == pytest.approx(fluids.ATMOSPHERE_1976(altitude_m).P / 101_325, abs=2e-4)


@pytest.mark.parametrize(
    ("each_g", "celsius", "mg_per_kg_h"),
    # Yamanaka et al. 2013, J. Appl. Ichthyol. 29:891: 0.0674 W^-0.193 e^(0.0562 T) mg/g/h, worked out by hand.
    [(100, 10, 48.6), (100, 20, 85.3), (100, 25, 112.9), (100, 30, 149.6), (20, 20, 116.3)],
)
def test_goldfish_at_rest(each_g, celsius, mg_per_kg_h):
    assert routine_demand(each_g, celsius) == pytest.approx(mg_per_kg_h, abs=0.1)


@pytest.mark.parametrize(("each_g", "mg_per_kg_h"), [(100, 70.1), (50, 77.8), (10, 99.1)])
def test_goldfish_by_their_heat(each_g, mg_per_kg_h):
    """Another way to the same: 700 J/h/kg^0.85 at 20 degC (Van Waversveld 1987), 14.1 J a milligram."""
    assert routine_demand(each_g, 20) == pytest.approx(mg_per_kg_h, rel=0.35)


def demand(celsius: float) -> float:
    return routine_demand(100, celsius) * 5 / 500  # 50 fish of 100 g in 500 L


def test_hours_in_a_closed_sump():
    """500 L, 5 kg, 80 % to 2.0 mg/L: (C0 - Cc) V / (M B)."""
    for celsius, expected_h in ((10, 14.46), (15, 9.42), (20, 6.18), (25, 4.08), (28, 3.19), (30, 2.71)):
        sat = saturation(celsius)
        assert hours_until(2.0, 0.8 * sat, sat, demand(celsius)) == pytest.approx(expected_h, abs=0.02)


def test_hours_with_air_through_the_surface():
    """The same at 20 degC with 0.8 m2 of surface; at 0.01 m/h a numerical integration gives 6.75562807."""
    sat = saturation(20)
    for exchange_m_h, expected_h in ((0.005, 6.46), (0.01, 6.75563), (0.02, 7.46), (0.05, 11.35)):
        got_h = hours_until(2.0, 0.8 * sat, sat, demand(20), exchange_m_h * 0.8 / 0.5)
        assert got_h == pytest.approx(expected_h, abs=0.01)
    assert hours_until(2.0, 0.8 * sat, sat, demand(20), 0.3) == inf, "the surface gives what they need"
    assert hours_until(2.0, 1.9, sat, demand(20)) == 0.0


def test_exchange_agrees_with_an_integration_in_small_steps():
    sat, level, at_h = saturation(24), 0.85 * saturation(24), 0.0
    while level > 2.5:
        level += 1e-4 * (0.03 * (sat - level) - demand(24))
        at_h += 1e-4
    assert hours_until(2.5, 0.85 * sat, sat, demand(24), 0.03) == pytest.approx(at_h, rel=1e-3)


@pytest.mark.parametrize("fish", ["goldfish", "carp", "tilapia", "trout", "sunfish"])
@pytest.mark.parametrize("celsius", [10, 18, 26])
def test_the_range_holds_for_about_nine_gardens_in_ten(fish, celsius):
    """Gardens drawn with all that is unknown at once, evenly between its bounds on either side of the usual."""
    chance, kind = Random(11), oxygen.fish_of(fish)

    def draw(least: float, usual: float, most: float) -> float:
        return chance.uniform(least, usual) if chance.random() < 0.5 else chance.uniform(usual, most)

    span, sat, inside, below = hours(300, fish, 2.5, celsius), saturation(celsius), 0, 0
    for _ in range(4000):
        need = draw(kind.demand[0], (kind.demand[0] * kind.demand[1]) ** 0.5, kind.demand[1])
        mg_h = routine_demand(draw(*oxygen.EACH_G), celsius) * draw(*oxygen.FED) * need * 2.5 / 300
        level = chance.uniform(*kind.critical)
        got_h = hours_until(level, draw(*oxygen.FILLED) * sat, sat, mg_h, draw(*oxygen.EXCHANGE_PER_H))
        inside += span.low_h <= min(got_h, oxygen.LONGEST_H) <= span.high_h
        below += got_h < span.low_h
    assert inside / 4000 > 0.88, span
    assert below / 4000 < 0.05, "the low end is what people act on"


def test_what_makes_it_shorter():
    few = hours(500, "goldfish", 5, 20)
    assert few.low_h < 6.18 < few.high_h, "the textbook's sump lies within"
    for other in (
        hours(500, "goldfish", 5, 26), hours(300, "goldfish", 5, 20), hours(500, "goldfish", 8, 20),
        hours(500, "tilapia", 5, 20), hours(500, "goldfish", 5, 20, altitude_m=2000), hours(500, "perch", 5, 20),
    ):  # fmt: skip
        assert other.low_h < few.low_h and other.high_h < few.high_h
    assert hours(500, "Koi and goldfish", 5, 20).low_h == few.low_h, "by the owner's words, whatever stands around"


def test_where_there_is_nothing_to_say():
    assert hours(500, "none", 5, 20) is None and hours(500, "goldfish", 0, 20) is None
    assert hours(0, "goldfish", 1, 20) is None
    assert hours(1e6, "goldfish", 0.1, 5) == Span(oxygen.LONGEST_H, oxygen.LONGEST_H)
    assert isclose(hours(500, "goldfish", 5, 60).low_h, hours(500, "goldfish", 5, 40).low_h), "beyond the formula"
    assert 0 < hours(50, "trout", 20, 25).low_h < 0.1, "too warm for them as it is"


@pytest.mark.parametrize(
    ("low_h", "high_h", "words"),
    [
        (2.4, 6.8, "about 2 to 7 hours"),
        (1.9, 4.3, "about 1 to 4 hours"),
        (0.86, 3.1, "about half an hour to 3 hours"),
        (0.3, 2.4, "about a quarter of an hour to 2 hours"),
        (0.2, 0.58, "about 10 to 35 minutes"),
        (0.01, 0.02, "about 5 minutes"),
        (13.5, 96.0, "at least 13 hours"),
        (30.0, 96.0, "for a day or more"),
    ],
)
def test_hours_in_words_never_promise_more(low_h, high_h, words):
    assert in_words(Span(low_h, high_h)) == words
