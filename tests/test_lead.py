"""The law of rest on voltages that come to rest in ways of their own, none of which the law assumes."""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log, pi
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barreltide.core.lead import (
    BCI,
    LIFEPO4,
    SET_POINTS,
    TABLES,
    freezing_c,
    rested_estimate,
    rested_voltage,
    state_of_charge,
)

HOUR_S = 3600.0
RESTED_V = 12.30


def _watched(volts: Callable[[float], float], until_s: float, chance: Random) -> tuple[list[float], list[float]]:
    """A reading a minute by a meter of 10 mV with 5 mV of noise."""
    times = [60.0 * minute for minute in range(1, int(until_s / 60) + 1)]
    return times, [round(volts(at_s) + chance.gauss(0, 0.005), 2) for at_s in times]


def _recoveries(amount_v: float, tau_s: float) -> dict[str, Callable[[float], float]]:
    """After a discharge: one and two exponentials, diffusion through a plate, and a power of time."""

    def plate(at_s: float) -> float:
        return 6 / pi**2 * sum(exp(-n * n * at_s / tau_s) / n**2 for n in range(1, 12))

    return {
        "exponential": lambda at_s: RESTED_V - amount_v * exp(-at_s / tau_s),
        "two": lambda at_s: RESTED_V - amount_v / 2 * (exp(-at_s / tau_s) + exp(-8 * at_s / tau_s)),
        "plate": lambda at_s: RESTED_V - amount_v * plate(at_s),
        "power": lambda at_s: RESTED_V - amount_v * (1 + at_s / 300) ** -0.5,
    }


@pytest.mark.parametrize("hours", [0.5, 1, 2, 4, 6, 8])
def test_a_recovery_from_a_pumps_load_is_foretold_within_its_error(hours):
    chance = Random(11)
    misses = []
    for _ in range(30):
        amount_v, tau_s = exp(chance.gauss(log(0.03), 0.5)), exp(chance.uniform(log(600), log(2 * HOUR_S)))
        for volts in _recoveries(amount_v, tau_s).values():
            found = rested_estimate(*_watched(volts, hours * HOUR_S, chance))
            if found is not None:  # noise may look like a voltage that falls, of which less is said
                misses.append((found[0] - RESTED_V, found[1]))
    assert len(misses) > 110
    assert sum(abs(miss) < 2 * error for miss, error in misses) > 0.93 * len(misses)
    assert sum(error for _, error in misses) / len(misses) < 0.025, "or it says nothing"


def test_the_estimate_is_nearer_to_rest_than_the_reading_is():
    chance = Random(5)
    for volts in _recoveries(0.12, 1.5 * HOUR_S).values():
        found = rested_estimate(*_watched(volts, HOUR_S, chance))
        assert abs(found[0] - RESTED_V) < 0.8 * abs(volts(HOUR_S) - RESTED_V)


def test_a_recovery_too_slow_to_show_yet_is_allowed_for():
    """By a meter without noise, which might think itself sure."""
    times = [60.0 * minute for minute in range(1, 26)]
    volts, error = rested_estimate(times, [_recoveries(0.03, 2 * HOUR_S)["exponential"](at_s) for at_s in times])
    assert 0.015 < RESTED_V - volts < 1.5 * error


def test_nothing_is_told_too_early_or_of_too_little():
    """Not in the first twenty minutes, of a falling voltage not in the first three hours."""
    for minutes, rising, falling in ((19, False, False), (21, True, False), (178, True, False), (182, True, True)):
        times = [60.0 * minute for minute in range(1, minutes + 1)]
        assert (rested_estimate(times, [12.2 + 0.01 * log(at_s) for at_s in times]) is not None) is rising
        assert (rested_estimate(times, [12.9 - 0.10 * log(at_s) for at_s in times]) is not None) is falling
    assert rested_estimate([], []) is None
    assert rested_estimate([1800.0 * i for i in range(1, 8)], [12.3] * 7) is None, "few readings are no course"
    assert rested_estimate([7000.0 + i for i in range(30)], [12.3] * 30) is None, "nor is half a minute"


def test_what_stands_still_for_six_hours_is_told_to_a_few_millivolts():
    times = [60.0 * minute for minute in range(1, 361)]
    volts, error = rested_estimate(times, [12.34] * len(times))
    assert volts == pytest.approx(12.34) and error < 0.006


@given(st.sampled_from([table for pair in TABLES.values() for table in pair]), st.floats(0, 1))
def test_tables_read_both_ways(table, charge):
    assert state_of_charge(table, rested_voltage(table, charge)) == pytest.approx(charge, abs=1e-6)


def test_beyond_a_table_charge_ends_and_volts_go_on():
    assert state_of_charge(BCI, 14.4) == 1.0 and state_of_charge(BCI, 9.0) == 0.0
    assert rested_voltage(BCI, 1.05) > rested_voltage(BCI, 1.0) > rested_voltage(LIFEPO4, 0.05)


def test_set_points_are_in_order_and_above_every_rested_voltage():
    for chemistry, points in SET_POINTS.items():
        full_v = max(table[-1][1] for table in TABLES[chemistry])
        assert full_v < points.float_v < points.absorb_low_v <= points.absorb_high_v
    assert SET_POINTS.keys() == TABLES.keys()


def test_the_emptier_the_sooner_it_freezes():
    found = [freezing_c(charge / 20) for charge in range(21)]
    assert found == sorted(found, reverse=True)
