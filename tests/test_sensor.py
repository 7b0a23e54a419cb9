"""Readings that cannot be true, stand still, stop coming or chatter; and water past its limits.

The power-on value 85 °C and the no-supply value 127.94 °C are those of the DS18B20 data sheet and the Linux kernel's
w1_therm notes; -127 °C is what libraries say of a thermometer that does not answer.
"""

from __future__ import annotations

from random import Random
from types import SimpleNamespace

import pytest

from barreltide.core.alarm import Alarms
from barreltide.core.reading import Reading
from barreltide.core.sensor import Gauge, chatter
from small_garden import HOUR_S, NOON_S, Garden, alarms, drive, monitor

BAD_S = NOON_S + 2 * HOUR_S


def after(bad_s: float, value, until_s: float = float("inf")):
    """20 °C with a thermometer's last digit moving, but `value` from `bad_s` to `until_s`."""
    return lambda at_s: value if bad_s <= at_s < until_s else 20.0 + 0.0625 * (at_s // 600 % 3)


def run(hours: float = 4, **plan) -> list:
    garden = Garden(end_s=NOON_S + hours * HOUR_S, **plan)
    return drive(monitor(), garden.packs(), garden.end_s)


@pytest.mark.parametrize("value", [85.0, 127.94, 127.9375, -127.0, 60.0, -20.0])
def test_an_impossible_temperature_is_the_sensors_fault_and_no_warm_or_cold_water(value):
    events = run(water_c=after(BAD_S, value, BAD_S + HOUR_S))
    assert alarms(events) == [("sensor-fault", "water/temperature", change) for change in ("raised", "cleared")]
    raised = next(event for event in events if event.kind == "alarm")
    assert BAD_S <= raised.since < BAD_S + 61 and raised.time < BAD_S + 600
    assert f"{value:g}" in raised.message


def test_one_impossible_reading_among_good_ones_is_no_alarm():
    assert alarms(run(water_c=lambda at_s: 85.0 if at_s % 1800 == 0 else 20.0 + 0.0625 * (at_s // 600 % 3))) == []


def test_a_thermometer_that_no_longer_comes_is_missing():
    events = run(water_c=after(BAD_S, None))
    assert alarms(events) == [("sensor-fault", "water/temperature", "raised")]
    raised = next(event for event in events if event.kind == "alarm")
    assert BAD_S - 61 <= raised.since <= BAD_S and "missing" in raised.message


@pytest.mark.parametrize("last_words", [1, 2])
def test_a_thermometer_whose_last_words_were_impossible_is_missing_too(last_words):
    events = run(water_c=lambda at_s: after(BAD_S, 85.0 if at_s < BAD_S + 60 * last_words else None)(at_s))
    assert alarms(events) == [("sensor-fault", "water/temperature", "raised")]
    assert "missing" in next(event for event in events if event.kind == "alarm").message


def test_a_thermometer_that_fails_after_its_stations_clock_was_set_back_is_missing():
    """The station began a day ahead, with the value of a thermometer that has just got its supply."""
    gauge, told = Gauge("water/temperature", -3.0, 45.0, 3.0, {}), Alarms({})
    gauge.hear(NOON_S + 24 * HOUR_S, 85.0)
    for minute in range(60):
        gauge.hear(NOON_S + 60 * minute, 20.0 + 0.06 * (minute % 3))
    now_s = NOON_S + 2 * HOUR_S
    gauge.judge(now_s, SimpleNamespace(sampled_s=now_s, gaps=[]), told)
    assert [(event.alarm, event.subject) for event in told.events] == [("sensor-fault", "water/temperature")]


def test_a_thermometer_that_stands_still_for_half_a_day_is_frozen():
    events = run(hours=18, water_c=after(BAD_S, 20.0625))
    assert alarms(events) == [("sensor-fault", "water/temperature", "raised")]
    assert next(event for event in events if event.kind == "alarm").time > BAD_S + 12 * HOUR_S


def test_a_thermometer_that_never_was_there_is_not_missed():
    assert alarms(run(water_c=None)) == []


def test_a_float_that_chatters_is_a_fault_and_raises_nothing_else():
    def chattering():
        for pack in Garden(end_s=NOON_S + 4 * HOUR_S).packs():
            readings = pack.readings
            if pack.received_s > BAD_S:
                beats = readings[0].sampled_s // 15 % 2 == 0
                own = [reading for reading in readings if reading.name != "bed-1/high"]
                readings = (*own, readings[0]._replace(name="bed-1/high", value=beats))
            yield pack._replace(readings=tuple(readings))

    events = drive(monitor(), chattering(), NOON_S + 4 * HOUR_S)
    assert alarms(events) == [("sensor-fault", "bed-1/high", "raised")]


@pytest.mark.parametrize("seed", range(3))
def test_a_loose_float_is_told_once_though_chance_gives_it_calmer_half_hours(seed):
    chance, at_s, wet, flips = Random(seed), BAD_S, False, []
    while at_s < NOON_S + 14 * HOUR_S:
        at_s, wet = at_s + 3 + chance.expovariate(1 / 50), not wet
        flips.append((at_s, wet))
    garden = Garden(end_s=NOON_S + 14 * HOUR_S, volts=lambda at_s: 13.6)
    garden.floats = {"bed-1/high": flips, "bed-2/high": garden.changes("bed-2")}
    found = alarms(drive(monitor(), garden.packs(), garden.end_s))
    assert [each for each in found if each[1] != "battery"] == [("sensor-fault", "bed-1/high", "raised")]


@pytest.mark.parametrize(("period_s", "is_loose"), [(5400.0, False), (1800.0, True)], ids=["slow bed", "quicker bed"])
def test_ripple_around_a_float_that_the_water_takes_long_to_pass_is_no_chatter(period_s, is_loose):
    """A quarter of an hour of ripple: what a slow bed does at each passage, and no quick one."""
    flips = [15.0 * k for k in range(60)]
    assert (chatter(flips, flips[-1], period_s) > 1) is is_loose
    assert chatter([15.0 * k for k in range(130)], 15.0 * 130, period_s) > 1  # without rest


@pytest.mark.parametrize("name", ["bed-1/level", "pump/current", "sump/low"])
def test_what_no_longer_comes_is_a_fault_of_its_sensor_alone(name):
    def with_more():
        for pack in Garden(end_s=NOON_S + 4 * HOUR_S, current=name == "pump/current").packs():
            at_s, readings = pack.readings[0].sampled_s, pack.readings
            if name != "pump/current" and at_s % 300 == 0:
                readings = (*readings, Reading(name, at_s, True if name == "sump/low" else 0.1))
            if at_s > BAD_S:
                readings = tuple(reading for reading in readings if reading.name != name)
            yield pack._replace(readings=readings)

    assert alarms(drive(monitor(), with_more(), NOON_S + 4 * HOUR_S)) == [("sensor-fault", name, "raised")]


@pytest.mark.parametrize(
    ("alarm", "limit_c", "sign"), [("water-too-warm", 28.0, 1), ("water-too-cold", 8.0, -1)], ids=["warm", "cold"]
)
def test_water_past_its_limit_is_told_once_through_its_deadband(alarm, limit_c, sign):
    """Up past the limit at one hour, then to and fro within the deadband, then clear of it at three hours."""

    def celsius(at_s):
        hour = (at_s - NOON_S) / HOUR_S
        if hour < 1:
            return limit_c - sign * (0.3 + 0.0625 * (at_s // 600 % 2))
        if hour < 3:
            return limit_c + sign * (0.25 if at_s // 120 % 2 else -0.25)
        return limit_c - sign * (0.6 + 0.0625 * (at_s // 600 % 2))

    events = run(water_c=celsius)
    assert alarms(events) == [(alarm, "sump", "raised"), (alarm, "sump", "cleared")]
    raised, cleared = (event for event in events if event.kind == "alarm")
    assert abs(raised.since - (NOON_S + HOUR_S)) < 130
    assert NOON_S + 3 * HOUR_S < cleared.time < NOON_S + 3 * HOUR_S + 600


def test_warm_water_for_two_minutes_is_no_alarm():
    assert alarms(run(water_c=after(BAD_S, 28.5, BAD_S + 120))) == []
