"""A bed's pace against its own past: what a neighbour's closed branch changes, and what only the voltage does."""

from __future__ import annotations

from math import log
from random import Random

import pytest

from barreltide.core.bed import Bed
from barreltide.core.siphon import Turn
from barreltide.core.voltage import VoltageTrace
from small_garden import site


def bed_of(periods: list[tuple[float, float]], fills: list[float] | None = None) -> Bed:
    """A bed after these periods, each with its length (s) and its work in times of that; one half of each is wet."""
    bed = Bed(site(["bed-1"]).beds[0], VoltageTrace())
    at_s = 0.0
    for number, (length_s, pace) in enumerate(periods):
        for is_wet in (True, False):
            bed.phases.append((at_s, at_s + length_s / 2, is_wet, pace * length_s / 2))
            bed.learn(is_wet, pace * length_s / 2, length_s / 2)
            at_s += length_s / 2
        if fills is not None:
            bed._fills.append((at_s - fills[number], at_s, fills[number]))
    return bed


def noisy(seed: int, count: int, length_s: float) -> list[tuple[float, float]]:
    rng = Random(seed)
    return [(length_s * (1 + 0.005 * rng.gauss(0, 1)), 1.0) for _ in range(count)]


def test_periods_tell_of_a_fifth_more_water_where_one_float_is_all():
    since_s = sum(length_s for length_s, _ in noisy(1, 20, 1200.0))
    change, error, *_ = bed_of([*noisy(1, 20, 1200.0), *noisy(2, 3, 1000.0)]).pace_change(since_s - 1)
    assert change == pytest.approx(log(1000 / 1200), abs=0.01) and error < 0.03


def test_fills_tell_of_it_though_the_siphon_then_drains_for_longer():
    periods = noisy(3, 23, 1200.0)
    since_s = sum(length_s for length_s, _ in periods[:20])
    bed = bed_of(periods, [600.0 + k % 3 for k in range(20)] + [500.0, 501.0, 499.0])
    change, error, *_ = bed.pace_change(since_s - 1)
    assert change == pytest.approx(log(500 / 601), abs=0.01) and error < 0.03
    silent = bed_of(periods, [600.0] * 20 + [500.0] * 3)  # a lower float that has stopped moving says no more
    for _ in range(3):
        silent._fills.pop()
    change, *_ = silent.pace_change(since_s - 1)
    assert abs(change) < 0.01


def test_fills_alone_tell_where_a_ripple_has_left_no_whole_phase():
    bed = bed_of(noisy(3, 23, 1200.0), [600.0 + k % 3 for k in range(20)] + [500.0, 501.0, 499.0])
    bed.phases.clear()
    change, *_ = bed.pace_change(bed._fills[19][1] + 1)
    assert change == pytest.approx(log(500 / 601), abs=0.01)


@pytest.mark.parametrize("power", [0.0, 1.0, 2.0])
def test_how_a_flow_follows_the_voltage_is_learned_from_the_hours_before(power):
    """By night 12.2 V, by day 14.4 V, and the fault at noon: no other water than the voltage brings."""
    rng = Random(4)
    volts = [1.0 + 0.14 * (k % 10 > 5) for k in range(24)]
    periods = [(1200.0 / v**power * (1 + 0.005 * rng.gauss(0, 1)), v) for v in [*volts, 1.14, 1.14, 1.14]]
    since_s = sum(length_s for length_s, _ in periods[:24])
    change, error, follows, unsure, _ = bed_of(periods).pace_change(since_s - 1)
    assert abs(change) < 2 * error and error < 0.03
    assert abs(follows - power) < 2 * unsure and unsure < 0.1


@pytest.mark.parametrize(("drain_s", "share"), [(100.0, 0.5 * 2 / 3), (40.0, 0.5 * 5 / 6), (None, 0.5 * 0.8)])
def test_water_that_stops_coming_leaves_a_bed_wet_only_while_it_fills(drain_s, share):
    """A bed that is wet for half of its period, with 200 s between its floats on the way up, or no lower one."""
    bed = Bed(site(["bed-1"]).beds[0], VoltageTrace())
    for _ in range(3):
        for wet in (True, False):
            bed.learn(wet, 300.0, 300.0)
    if drain_s is not None:
        bed.siphon.last = Turn(0.0, 600.0, 200.0, drain_s, 100.0, 100.0, 200.0, drain_s, 200.0, 0.0)
    assert bed.left_wet_share == pytest.approx(share)


def test_a_low_float_that_falls_just_after_the_upper_one_tells_of_no_turn_that_the_upper_one_missed():
    """Its fall is known before the upper float's has settled: for those seconds it is no float that hangs."""
    bed = Bed(site(["bed-1"]).beds[0], VoltageTrace())
    for turn in range(6):
        for after_s, wet in ((140, True), (600, False)):
            at_s = 600.0 * turn + after_s
            for hear, late_s in ((bed.hear_low, -60 if wet else 4), (bed.hear_high, 0)):
                hear(at_s + late_s, wet, False, True)
            if turn < 5 or wet:
                bed.settle(at_s + 60, at_s + 60)
    assert bed.high.wet and not bed.high.raw_wet and bed.low.raw_wet is False
    assert bed.other_turns() == 0
    bed.hear_low(4080.0, True, False, True)
    bed.hear_low(4204.0, False, False, True)
    bed.settle(4300.0, 4300.0)
    assert not bed.high.wet and bed.other_turns() == 1
