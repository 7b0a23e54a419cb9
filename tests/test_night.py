"""The night's record over weeks: what the battery holds when full, and the resistance of battery and leads."""

from __future__ import annotations

from math import exp
from random import Random

import pytest

from barreltide.core.monitor import Monitor
from barreltide.core.night import Capacity
from barreltide.core.reading import Pack, Reading
from barreltide.demo.power import Battery, Sky
from barreltide.site import load
from barreltide.sun import Sun
from simulation.draw import draw_garden
from small_garden import DUSK_S, HOUR_S, NOON_S, Garden, drive, monitor

LABEL_AH, LOAD_A = 100.0, 2.0


QUIET, NOISY = 0.07, 0.15  # a night's share read to 7 %: the voltage falls by 0.16 V; to 15 %: by 0.08 V


def after_nights(
    true_ah: float,
    count: int,
    own_table: bool,
    rng: Random,
    noise: float = QUIET,
    table: float = 1.0,
    load: float = 1.0,
) -> Capacity:
    """So many late nights of seven hours, each share read with an error of its own; table, load: by what factors the
    table reads a change of charge, and the load was written down, too large all along."""
    capacity = Capacity(LABEL_AH, own_table)
    for _ in range(count):
        drawn_ah = LOAD_A * 7 * rng.uniform(0.8, 1.2)
        share = table * drawn_ah / true_ah
        sigma_share = noise * share
        capacity.add(load * drawn_ah, max(rng.gauss(share, sigma_share), 0.03), sigma_share)
    return capacity


@pytest.mark.parametrize("noise", [QUIET, NOISY])
@pytest.mark.parametrize("true_ah", [68.0, 80.0, 97.0])
def test_weeks_of_nights_tell_the_capacity_and_how_surely(true_ah, noise):
    first, last = (after_nights(true_ah, count, True, Random(3), noise) for count in (1, 40))
    low_ah, high_ah = last.span()
    assert low_ah < true_ah < high_ah and last.ah == pytest.approx(true_ah, rel=0.05)
    assert high_ah - low_ah < 0.8 * (first.span()[1] - first.span()[0])


def test_a_battery_that_has_lost_a_third_is_surely_worn_by_its_own_table_alone():
    assert after_nights(66.0, 40, True, Random(5)).span()[1] < 0.8 * LABEL_AH
    assert after_nights(66.0, 40, False, Random(5)).span()[1] > 0.8 * LABEL_AH, "the published tables differ too much"


def test_a_battery_that_fails_within_weeks_is_followed():
    capacity, rng = after_nights(95.0, 60, True, Random(2)), Random(4)
    for _ in range(60):
        capacity.add(14.0, max(rng.gauss(14 / 60, QUIET * 14 / 60), 0.03), QUIET * 14 / 60)
    assert capacity.ah == pytest.approx(60.0, rel=0.12)


@pytest.mark.parametrize("own_table", [True, False])
def test_the_interval_holds_nine_times_in_ten_over_many_batteries(own_table):
    rng, held = Random(8), 0
    for _ in range(300):
        true_ah = rng.gauss(92.0, 12.0)
        table, load = rng.gauss(1.0, 0.04 if own_table else 0.12), rng.gauss(1.0, 0.06)
        low_ah, high_ah = after_nights(true_ah, 25, own_table, rng, QUIET, table, load).span()
        held += low_ah <= true_ah <= high_ah
    assert 0.82 * 300 <= held <= 0.97 * 300


# -- a garden for three weeks


def last_night(tmp_path, seed: int, held: float, days: int):
    """The record of the last night of a garden in fair weather whose battery holds that share of its label, and that
    capacity. The voltage comes once a minute; the load is known."""
    plan = draw_garden(seed, gloom=0.1, chemistry="flooded", capacity_ah=100.0, charge=0.95, pump_current=False)
    plan.label["current_a"] = {pump["name"]: round(pump["current_a"], 2) for pump in plan.pumps}
    true_ah = held * plan.label["capacity_ah"]
    battery = Battery(**plan.battery | {"capacity_ah": true_ah})
    sky, rng = Sky(plan.latitude, plan.longitude, plan.gloom, Random(seed)), Random(seed)
    load_a = sum(pump["current_a"] for pump in plan.pumps)
    (tmp_path / "site.toml").write_text(plan.site_toml(), encoding="utf-8")
    watch = Monitor(load(tmp_path / "site.toml"), Sun(plan.latitude, plan.longitude, plan.time_zone))
    found = []
    for seq in range(days * 1440):
        at_s = plan.start_s + 60.0 * seq
        drawn_a = (load_a + plan.electronics_a) if battery.load_on else 0.0
        battery.advance(60.0, plan.panel_a * sky.light(at_s), drawn_a, 20.0)
        volts = Reading("battery/voltage", at_s, round(battery.volts + rng.gauss(0.0, 0.005), 2))
        found += [event for event in watch.take(Pack(at_s + 0.5, "barrels", 1, seq, (volts,))) if event.kind == "night"]
    return found[-1], true_ah


@pytest.mark.parametrize(("seed", "held"), [(2, 0.95), (2, 0.70), (6, 0.85)])
def test_three_weeks_of_a_garden_hold_the_true_capacity_in_the_interval(seed, held, tmp_path):
    night, true_ah = last_night(tmp_path, seed, held, 20)
    assert night.capacity_low_ah <= true_ah <= night.capacity_high_ah
    assert night.capacity_high_ah - night.capacity_low_ah < 0.8 * true_ah


# -- resistance


@pytest.mark.parametrize(("ohm", "amperes", "measured"), [(0.030, 2.0, False), (0.015, 2.0, True), (0.060, 2.0, False)])
def test_a_pump_that_stops_and_starts_by_night_shows_the_resistance(ohm, amperes, measured):
    stop_s, start_s = DUSK_S + 4 * HOUR_S, DUSK_S + 4 * HOUR_S + 2700

    def volts(at_s: float) -> float:
        """Beside the step, half as much again comes and goes within an hour: the acid evens out."""
        if not DUSK_S - 1800 < at_s < DUSK_S + 11 * HOUR_S:
            return 13.6
        lift = 0.0
        if at_s >= stop_s:
            lift = 1.0 + 0.5 * (1 - exp(-(min(at_s, start_s) - stop_s) / 1800))
        if at_s >= start_s:
            lift = (lift - 1.0) * exp(-(at_s - start_s) / 1800)
        return 12.45 - 0.01 * (at_s - DUSK_S) / HOUR_S + ohm * amperes * lift

    garden = Garden(end_s=NOON_S + 18 * HOUR_S, still=[("pump", stop_s, start_s)], volts=volts, current=measured)
    events = drive(monitor(), garden.packs(), garden.end_s)
    (night,) = (event for event in events if event.kind == "night")
    assert night.resistance_ohm == pytest.approx(ohm, rel=0.15)


def test_no_pump_that_stops_tells_no_resistance():
    garden = Garden(end_s=NOON_S + 18 * HOUR_S)
    (night,) = (event for event in drive(monitor(), garden.packs(), garden.end_s) if event.kind == "night")
    assert night.resistance_ohm is None
