"""What the battery means for the coming hours, from a charge that the test sets by hand."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from barreltide.core.alarm import Alarms
from barreltide.core.daylight import Daylight
from barreltide.core.power import PowerWatch
from small_garden import NOON_S, SUN

HOUR_S = 3600.0
BATTERY = SimpleNamespace(
    chemistry="flooded", nominal_voltage_v=12.0, lowest_state_of_charge=0.5, cut_off_voltage_v=11.5
)  # fmt: skip


class Charge:
    """A battery of 100 Ah that draws 2 A: 2 % an hour. Charge and voltage are what the test says."""

    usable_ah, is_learned = 100.0, True

    def __init__(self) -> None:
        self.mean, self.low, self.high, self.basis, self.volts = 0.8, 0.76, 0.84, "loaded", 12.3
        self.judged_s, self.charge_ended_s = 0.0, None
        self.clear_sky, self.dark_sky, self.drop = 8.0, 0.8, 0.04

    def clear_sky_a(self, time_s: float) -> float:
        return self.clear_sky

    def dark_sky_a(self, time_s: float) -> float:
        return self.dark_sky

    def load_a(self, volts: float) -> float:
        return 2.0

    def drop_v(self) -> float:
        return self.drop

    def rested_v(self) -> float:
        return 12.34

    def charge_at(self, volts: float) -> float:
        return 0.2


@pytest.fixture
def watch():
    """(the watch, judge(time_s, **changes)): what the alarms say after a judgement at that time."""
    charge, alarms = Charge(), Alarms({})
    power = PowerWatch(BATTERY, charge, Daylight(SUN, 38.5), alarms)

    def judge(time_s: float, **changes) -> list[tuple[str, str]]:
        vars(charge).update(changes | {"judged_s": time_s})
        if charge.basis == "charging":
            charge.charge_ended_s = time_s
        power.judge(time_s, None)
        told = [(event.alarm, event.change) for event in alarms.events]
        judge.messages_of |= {event.alarm: event.message for event in alarms.events}
        alarms.events.clear()
        return told

    judge.messages_of = {}
    return power, judge


def _through(judge, from_s: float, hours: float, per_h: float, **changes) -> list[tuple[float, str, str]]:
    """Judged each quarter of an hour while the charge goes down; (hours since `from_s`, alarm, change)."""
    charge, told = changes.pop("mean"), []
    for i in range(round(4 * hours) + 1):
        mean = charge - per_h * i / 4
        told += [
            (i / 4, *pair)
            for pair in judge(from_s + i * HOUR_S / 4, mean=mean, low=mean - 0.04, high=mean + 0.04, **changes)
        ]
    return told


DUSK_S = NOON_S + 8 * HOUR_S  # a little after it; the night lasts nine hours there


def test_a_night_that_will_end_below_the_floor_is_foretold_hours_ahead(watch):
    _, judge = watch
    assert _through(judge, DUSK_S - 10 * HOUR_S, 9, 0.0, mean=0.63, basis="charging") == []
    (told,) = _through(judge, DUSK_S + HOUR_S, 6, 0.02, mean=0.63, basis="loaded")
    assert told[1:] == ("battery-will-not-last", "raised") and told[0] < 2  # of 6.5 h to the floor


def test_a_floor_that_is_far_away_is_foretold_when_that_is_sure(watch):
    """Nine hours and a half before the floor, a night that is likely to fail waits; seven before it is told."""
    _, judge = watch
    _through(judge, DUSK_S - 10 * HOUR_S, 9, 0.0, mean=0.69, basis="charging")
    (told,) = _through(judge, DUSK_S + HOUR_S / 4, 8, 0.02, mean=0.69, basis="loaded")
    assert told[1:] == ("battery-will-not-last", "raised") and 2.5 < told[0] < 9.5 - 6


def test_in_a_polar_night_the_floor_is_foretold_a_day_ahead():
    class NoSun:
        def dawn_dusk(self, date):
            return None, None

        def local_date(self, time_s):
            return "2026-12-10"

    charge, alarms = Charge(), Alarms({})
    midwinter_s = NOON_S + 183 * 24 * HOUR_S
    power = PowerWatch(BATTERY, charge, Daylight(NoSun(), 78.2), alarms)
    for quarter in range(40):
        charge.judged_s = midwinter_s + quarter * HOUR_S / 4
        charge.mean, charge.low, charge.high = (share - quarter / 200 for share in (0.8, 0.76, 0.84))
        power.judge(charge.judged_s, None)
    (told,) = alarms.events
    hours_to_floor = (0.8 - 0.5) / 0.02 - (told.time - midwinter_s) / HOUR_S
    assert told.alarm == "battery-will-not-last" and hours_to_floor > 4


def test_a_clouded_afternoon_is_enough_to_foretell_it(watch):
    """By day no more sun is counted on, but the alarm is surer of itself than by night."""
    _, judge = watch
    assert _through(judge, NOON_S - 8 * HOUR_S, 9, 0.0, mean=0.66, basis="charging", volts=13.4) == []
    told = _through(judge, NOON_S + 2 * HOUR_S, 5, 0.02, mean=0.66, basis="loaded", volts=12.335)
    assert [pair[1] for pair in told] == ["battery-will-not-last"] and 1.5 <= told[0][0] < 4.5


@pytest.mark.parametrize(("clear_sky", "told"), [(1.5, ["battery-will-not-last"]), (2.5, [])])
def test_before_dark_the_night_begins_when_no_sky_can_carry_the_load_any_more(clear_sky, told, watch):
    """The load is 2 A. What stands above rest then is what is left of the day's charge; a mains charger holds more."""
    _, judge = watch
    _through(judge, NOON_S - 8 * HOUR_S, 14.5, 0.0, mean=0.62, basis="charging", volts=13.1)
    last_light = {"mean": 0.62, "basis": "charging", "clear_sky": clear_sky}
    assert _through(judge, DUSK_S - 1.25 * HOUR_S, 0.75, 0.02, volts=13.6, **last_light) == []
    found = _through(judge, DUSK_S - 1.25 * HOUR_S, 0.75, 0.02, volts=12.5, **last_light)
    assert [alarm for _, alarm, _ in found] == told


def test_a_night_that_ends_above_the_floor_is_none_to_wake_anyone_for(watch):
    _, judge = watch
    _through(judge, DUSK_S - 10 * HOUR_S, 9, 0.0, mean=0.8, basis="charging")
    assert _through(judge, DUSK_S + HOUR_S, 9, 0.02, mean=0.8, basis="loaded") == []


def test_the_outlook_is_when_floor_and_cut_off_come_at_this_load(watch):
    power, judge = watch
    judge(DUSK_S + HOUR_S)
    outlook = power.outlook()
    assert (outlook.floor_s - DUSK_S) / HOUR_S == pytest.approx(1 + 15)  # 30 of 100 Ah at 2 A
    assert (outlook.cut_off_s - DUSK_S) / HOUR_S == pytest.approx(1 + 30)
    assert outlook.floor_soonest_s < outlook.floor_s < outlook.floor_latest_s
    assert outlook.days_without_sun == pytest.approx(25 / 24)  # 50 Ah at 2 A
    assert 8 < (outlook.sun_s - DUSK_S) / HOUR_S < 13
    judge(DUSK_S + 2 * HOUR_S, basis="charging")
    assert power.outlook() is None


def test_hours_of_daylight_without_any_of_the_load_carried_are_no_charging(watch):
    _, judge = watch
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.8, volts=12.3)  # the night before
    lit = _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.8, basis="charging", volts=13.4)
    assert lit == []
    dead = _through(judge, NOON_S + HOUR_S / 4, 4, 0.0, mean=0.85, basis="loaded", volts=12.3)
    assert [pair[1:] for pair in dead] == [("battery-not-charging", "raised")] and 3 <= dead[0][0] <= 3.5


def test_a_panel_that_dies_when_the_battery_is_full_is_told_the_same_afternoon(watch):
    _, judge = watch
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.9, volts=12.3)
    assert _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.98, basis="charging", volts=13.4) == []
    dead = _through(judge, NOON_S + HOUR_S / 4, 4, 0.01, mean=0.98, basis="loaded", volts=12.3)
    assert [pair[1:] for pair in dead] == [("battery-not-charging", "raised")] and 3 <= dead[0][0] <= 3.5


@pytest.mark.parametrize("drop", [0.0, -0.02])
def test_a_load_that_pulls_nothing_down_tells_nothing_of_a_panel(watch, drop):
    """A voltmeter that reads high leaves no resistance to be believed: nothing is counted, neither up nor down."""
    _, judge = watch
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.8, volts=12.3)
    assert _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.8, basis="charging", volts=13.4) == []
    assert _through(judge, NOON_S + HOUR_S / 4, 2, 0.0, mean=0.85, basis="loaded", volts=12.3, drop=drop) == []
    dead = _through(judge, NOON_S + 2.5 * HOUR_S, 3.5, 0.0, mean=0.85, drop=0.04)
    assert [pair[1:] for pair in dead] == [("battery-not-charging", "raised")] and 2.7 <= dead[0][0] <= 3.2


def test_a_voltage_that_fades_above_rest_all_afternoon_is_no_dead_panel(watch):
    """A full battery under rain clouds that carry the load: it falls by 5 mV a step, from 12.47 to 12.35 V at dusk."""
    _, judge = watch
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.9, volts=12.3)
    assert _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.98, basis="charging", volts=13.4) == []
    for i in range(24):
        told = judge(NOON_S + (i + 1) * HOUR_S / 4, mean=0.98, basis="loaded", volts=12.47 - 0.005 * i)
        assert told == []


def _full_by_noon_and_dark_from_then(judge) -> list[tuple[float, str, str]]:
    """What is told from noon till two hours after the next sunrise, if dark clouds let a small panel give 0.3 A."""
    judge(NOON_S - 13 * HOUR_S, dark_sky=0.3)
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.9, volts=12.3)
    assert _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.95, basis="charging", volts=13.4) == []
    afternoon = _through(judge, NOON_S + HOUR_S / 4, 7.5, 0.01, mean=0.95, basis="loaded", volts=12.3)
    return afternoon + _through(judge, NOON_S + 8 * HOUR_S, 10.7, 0.01, mean=0.87, basis="loaded", volts=12.25)


def test_a_dark_afternoon_is_no_dead_panel_where_clouds_may_let_too_little_through(watch):
    _, judge = watch
    assert _full_by_noon_and_dark_from_then(judge) == []
    assert _through(judge, NOON_S + 19 * HOUR_S, 5, 0.0, mean=0.8, basis="charging", volts=13.2) == []


def test_a_dark_afternoon_counts_for_half_on_the_morning_after(watch):
    """Three hours of 0.8 A are wanted, 40 % of the load. Four hours of 0.3 A are the other half of that, and begin with
    the light, 2.5 hours before."""
    _, judge = watch
    assert _full_by_noon_and_dark_from_then(judge) == []
    told = _through(judge, NOON_S + 19 * HOUR_S, 5, 0.01, mean=0.76, basis="loaded", volts=12.2)
    assert [pair[1:] for pair in told] == [("battery-not-charging", "raised")] and 1 < told[0][0] < 2


def test_where_nothing_charges_the_floor_is_foretold_before_noon(watch):
    _, judge = watch
    assert _full_by_noon_and_dark_from_then(judge) == []
    told = _through(judge, NOON_S + 19 * HOUR_S, 4, 0.02, mean=0.7, basis="loaded", volts=12.2)
    assert [pair[1] for pair in told] == ["battery-not-charging", "battery-will-not-last"]
    assert 3 < told[1][0] < 4, "the sun may still come before a floor that is more than seven hours away"


def test_a_dark_sky_that_still_carries_the_load_is_a_sign_of_charge(watch):
    _, judge = watch
    _through(judge, NOON_S - 12 * HOUR_S, 7, 0.0, mean=0.8, volts=12.3)
    _through(judge, NOON_S - 3 * HOUR_S, 3, 0.0, mean=0.8, basis="charging", volts=13.4)
    assert _through(judge, NOON_S + HOUR_S / 4, 4, 0.0, mean=0.95, basis="loaded", volts=12.335) == []


def test_a_battery_so_empty_that_frost_can_burst_it_is_told_so(watch):
    _, judge = watch
    """Down to 8 %: a gravity of 1.131 by the industry's table, which freezes at -12 °C (US Army TM 5-1185)."""
    told = _through(judge, DUSK_S + HOUR_S, 1, 0.0, mean=0.12, basis="loaded")
    assert [pair[1] for pair in told] == ["battery-low"] and "freeze from -12 °C on" in judge.messages_of["battery-low"]


def test_a_battery_at_its_floor_in_a_garden_that_no_frost_can_hurt(watch):
    _, judge = watch
    told = _through(judge, DUSK_S + HOUR_S, 1, 0.0, mean=0.48, basis="loaded")
    assert [pair[1] for pair in told] == ["battery-low"] and "freeze" not in judge.messages_of["battery-low"]


def test_a_charge_voltage_beyond_the_chemistry_is_told_after_one_step_of_it(watch):
    """Flooded: 14.82 V at 25 °C (a maker's sheet), and room for what chargers differ."""
    _, judge = watch
    assert _through(judge, NOON_S - HOUR_S, 0.5, 0.0, mean=0.95, basis="charging", volts=15.0) == []  # chargers differ
    told = _through(judge, NOON_S, 1, 0.0, mean=0.95, basis="charging", volts=15.6)
    assert [pair[1:] for pair in told] == [("charge-voltage-high", "raised")] and told[0][0] <= 0.25
    assert _through(judge, NOON_S + HOUR_S, 1, 0.0, mean=0.95, basis="charging", volts=14.8)[-1][1:] == (
        "charge-voltage-high", "cleared",
    )  # fmt: skip
