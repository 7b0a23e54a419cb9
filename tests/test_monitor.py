"""The whole engine through its one door: any stream of packs, in any order, at any moment saved and restored."""

from __future__ import annotations

import itertools
import math
import pickle
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from barreltide.core.event import as_line
from barreltide.core.monitor import Monitor, fingerprint
from barreltide.core.reading import Pack, Reading, ServiceStarted
from small_garden import (
    DAWN_S,
    DUSK_S,
    HOUR_S,
    NOON_S,
    SUN,
    Garden,
    alarms,
    assert_all_counted,
    cycles,
    drive,
    monitor,
    site,
)

NAMES = ["bed-1/high", "bed-2/high", "bed-1/low", "bed-1/level", "battery/voltage", "water/temperature", "sump/low"]
NAMES += ["pump/current", "panel/current", "battery/temperature", "station/uptime", "no/such", "bed-9/high"]


def outage(packs, from_s: float, to_s: float, packs_per_s: float = 10.0):
    """What is sent between the two moments arrives after the second, so many packs a second."""
    kept = 0
    for pack in packs:
        if from_s <= pack.received_s < to_s:
            kept += 1
            pack = pack._replace(received_s=to_s + kept / packs_per_s)
        elif to_s <= pack.received_s < to_s + kept / packs_per_s:
            pack = pack._replace(received_s=to_s + kept / packs_per_s + (pack.received_s - to_s) / 1000)
        yield pack


# -- anything that may arrive


def _value(name: str):
    if name.endswith(("high", "sump/low", "bed-1/low")):
        return st.booleans()
    return st.sampled_from([0.0, -0.0, 12.6, 85.0, -127.0, 1e300, -1e300, 20.5, 14.4])


READINGS = st.sampled_from(NAMES).flatmap(
    lambda name: st.builds(Reading, st.just(name), st.floats(NOON_S - 90_000, NOON_S + 90_000), _value(name))
)
PACKS = st.builds(
    Pack,
    st.floats(NOON_S, NOON_S + 30_000),
    st.sampled_from(["barrels", "shed", "stranger"]),
    st.integers(0, 3),
    st.integers(0, 40),
    st.lists(READINGS, max_size=5).map(tuple),
)
INPUTS = st.lists(PACKS | st.builds(ServiceStarted, st.floats(NOON_S, NOON_S + 30_000)), max_size=40)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(INPUTS)
def test_no_valid_pack_stops_the_engine_and_what_it_tells_takes_turns(inputs):
    events = drive(monitor(stations=("barrels", "shed")), inputs, NOON_S + 40_000)
    assert [event.reason for event in events if event.kind == "choked"] == []
    standing = set()
    for event in events:
        assert not any(isinstance(value, float) and not math.isfinite(value) for value in as_line(event).values())
        if event.kind == "alarm" and event.change == "raised":
            assert (event.alarm, event.subject) not in standing
            standing.add((event.alarm, event.subject))
        elif event.kind == "alarm":
            standing.remove((event.alarm, event.subject))
    for bed in ("bed-1", "bed-2"):
        told = cycles(events, bed)
        assert [cycle.number for cycle in told] == list(range(1, len(told) + 1))
        for cycle in told:
            assert cycle.period_s is None or cycle.period_s == pytest.approx(cycle.high_s + cycle.low_s)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(INPUTS, st.integers(0, 40))
def test_saved_and_restored_at_any_moment_it_goes_on_as_if_nothing_had_been(inputs, at):
    inputs = sorted(inputs, key=lambda item: item.received_s)
    one = monitor(stations=("barrels", "shed"))
    drive(one, inputs[:at])
    two = Monitor.restore(one.save(), site(stations=("barrels", "shed")), SUN)
    assert two.standing() == one.standing() and two.picture() == one.picture()
    assert drive(two, inputs[at:], NOON_S + 40_000) == drive(one, inputs[at:], NOON_S + 40_000)


def test_a_garden_saved_and_restored_every_hour_tells_the_same():
    still = [("pump", DUSK_S + 2 * HOUR_S, DUSK_S + 4 * HOUR_S)]
    garden = Garden(end_s=NOON_S + 20 * HOUR_S, still=still)
    packs = list(garden.packs())
    watch, events = monitor(), []
    for at in range(0, len(packs), 240):
        events += drive(watch, packs[at : at + 240])
        watch = Monitor.restore(watch.save(), site(), SUN)
    assert events == drive(monitor(), packs)
    assert {event.kind for event in events} == {"cycle", "alarm", "battery", "night"}


def test_the_same_recording_tells_the_same_twice():
    garden = Garden(end_s=NOON_S + 20 * HOUR_S)
    assert drive(monitor(), garden.packs()) == drive(monitor(), garden.packs())


def test_a_blob_that_is_not_ours_is_refused():
    for blob in (b"", b"nonsense", pickle.dumps(print), pickle.dumps([1])):
        with pytest.raises(ValueError, match="saved state cannot be read"):
            Monitor.restore(blob, site(), SUN)


def test_the_fingerprint_changes_with_the_garden():
    assert fingerprint(site()) == fingerprint(site())
    assert fingerprint(site()) != fingerprint(site(beds=("bed-1",)))


# -- the clock


def test_a_station_was_heard_only_when_it_has_spoken():
    watch = monitor()
    watch.take(ServiceStarted(NOON_S))
    watch.advance(NOON_S + 60)
    assert watch.picture()["stations"]["barrels"]["last_heard"] is None
    watch.take(Pack(NOON_S + 70, "barrels", 7, 0, ()))
    watch.take(ServiceStarted(NOON_S + 9000))
    assert watch.picture()["stations"]["barrels"]["last_heard"] == NOON_S + 70


def test_the_clock_neither_goes_back_nor_repeats_itself():
    watch = monitor()
    drive(watch, Garden(end_s=NOON_S + HOUR_S).packs(), NOON_S + 2 * HOUR_S)
    now_s = watch.picture()["time"]
    watch.take(Pack(NOON_S, "barrels", 7, 5000, ()))
    assert watch.advance(NOON_S) == []
    assert watch.picture()["time"] == now_s == NOON_S + 2 * HOUR_S
    assert watch.picture()["stations"]["barrels"]["last_heard"] == now_s


def test_ticks_come_of_the_inputs_times_so_advancing_between_them_changes_nothing():
    garden = Garden(end_s=NOON_S + 12 * HOUR_S)
    one, two, events = monitor(), monitor(), []
    for pack in garden.packs():
        events += two.advance(pack.received_s - 0.2) + two.take(pack)
    assert events == drive(one, garden.packs())


def test_a_start_of_the_service_jumps_over_its_sleep_without_a_word():
    garden = Garden(end_s=NOON_S + 8 * HOUR_S)
    # The station needs five minutes to find the service again.
    slept = [pack for pack in garden.packs() if not NOON_S + 3 * HOUR_S < pack.received_s < NOON_S + 5 * HOUR_S + 300]
    events = drive(monitor(), [*slept, ServiceStarted(NOON_S + 5 * HOUR_S)], garden.end_s)
    assert alarms(events) == []
    told = {cycle.time for cycle in cycles(events, "bed-1")}
    awake = [at_s for at_s in garden.falls("bed-1") if not NOON_S + 3 * HOUR_S - 60 < at_s < NOON_S + 5 * HOUR_S + 360]
    assert {at_s for at_s in awake if at_s < garden.end_s - 300} <= told


# -- stations


def test_a_silent_station_is_the_only_alarm_and_clears_when_it_talks_again():
    garden = Garden(end_s=NOON_S + 8 * HOUR_S, still=[("pump", NOON_S + 3.1 * HOUR_S, NOON_S + 5 * HOUR_S)])
    heard = [pack for pack in garden.packs() if not NOON_S + 3 * HOUR_S < pack.received_s < NOON_S + 6 * HOUR_S]
    events = drive(monitor(), heard, garden.end_s)
    assert alarms(events) == [("station-silent", "barrels", "raised"), ("station-silent", "barrels", "cleared")]
    raised, cleared = (event for event in events if event.kind == "alarm")
    assert NOON_S + 3 * HOUR_S + 300 < raised.time < NOON_S + 3 * HOUR_S + 900
    assert NOON_S + 6 * HOUR_S < cleared.time < NOON_S + 6 * HOUR_S + 600


def test_a_station_that_never_came_is_silent():
    events = monitor().take(Pack(NOON_S, "stranger", 1, 0, ()))
    watch = monitor()
    events += drive(watch, [ServiceStarted(NOON_S)], NOON_S + HOUR_S)
    assert alarms(events) == [("station-silent", "barrels", "raised")]


def test_a_backlog_is_counted_right_and_raises_nothing_but_the_silence():
    garden = Garden(end_s=NOON_S + 14 * HOUR_S)
    watch = monitor()
    events = drive(watch, outage(garden.packs(), NOON_S + 3 * HOUR_S, NOON_S + 9 * HOUR_S), garden.end_s)
    assert alarms(events) == [("station-silent", "barrels", "raised"), ("station-silent", "barrels", "cleared")]
    for bed in garden.beds:
        assert_all_counted(garden, events, bed)
        assert all(cycle.period_s is not None for cycle in cycles(events, bed)[1:])


def test_a_pump_that_stopped_unheard_is_told_after_the_backlog():
    stop_s = NOON_S + 4 * HOUR_S
    garden = Garden(end_s=NOON_S + 14 * HOUR_S, still=[("pump", stop_s, NOON_S + 20 * HOUR_S)])
    events = drive(monitor(), outage(garden.packs(), NOON_S + 3 * HOUR_S, NOON_S + 7 * HOUR_S), garden.end_s)
    assert alarms(events) == [
        ("station-silent", "barrels", "raised"),
        ("station-silent", "barrels", "cleared"),
        ("pump-stopped", "pump", "raised"),
    ]
    last = [event for event in events if event.kind == "alarm"][-1]
    assert NOON_S + 7 * HOUR_S < last.time < NOON_S + 8 * HOUR_S and abs(last.since - stop_s) < 600


def test_a_pump_that_stopped_and_ran_again_unheard_is_no_news_while_a_slow_backlog_comes_in():
    garden = Garden(end_s=NOON_S + 14 * HOUR_S, still=[("pump", NOON_S + 4 * HOUR_S, NOON_S + 6 * HOUR_S)])
    events = drive(monitor(), outage(garden.packs(), NOON_S + 3 * HOUR_S, NOON_S + 7 * HOUR_S, 0.7), garden.end_s)
    assert alarms(events) == [("station-silent", "barrels", "raised"), ("station-silent", "barrels", "cleared")]


def test_unknown_stations_and_names_are_passed_over():
    garden = Garden(end_s=NOON_S + 3 * HOUR_S)
    packs = list(garden.packs())
    strange = [pack._replace(station="stranger", received_s=pack.received_s + 0.1) for pack in packs]
    more = [pack._replace(readings=(*pack.readings, Reading("no/such", pack.received_s, 1.0))) for pack in packs]
    assert drive(monitor(), more + strange) == drive(monitor(), packs)


def test_two_stations_each_with_a_bed_of_their_own():
    gardens = [
        Garden({"bed-1": (400.0, 200.0)}, end_s=NOON_S + 8 * HOUR_S, station="barrels"),
        Garden({"bed-2": (520.0, 230.0)}, end_s=NOON_S + 4 * HOUR_S, station="shed", water_c=None),
    ]
    packs = [*gardens[0].packs(boot=1)]
    for pack in gardens[1].packs(boot=2):
        packs.append(pack._replace(readings=tuple(r for r in pack.readings if r.name != "battery/voltage")))
    events = drive(monitor(stations=("barrels", "shed")), packs, NOON_S + 8 * HOUR_S)
    assert alarms(events) == [("station-silent", "shed", "raised")]
    for garden, bed in zip(gardens, ("bed-1", "bed-2"), strict=True):
        assert_all_counted(garden, events, bed)


@pytest.mark.parametrize("stations", [("barrels", "shed"), ("shed", "barrels")])
def test_what_a_silent_station_does_not_read_is_watched_all_the_same(stations):
    def volts(at_s):
        return 12.6 if at_s < DUSK_S else 12.2 - 0.06 * (at_s - DUSK_S) / HOUR_S

    garden = Garden(station="shed", end_s=DAWN_S, volts=volts, still=[("pump", DUSK_S + HOUR_S, DAWN_S)])
    raised = [alarm for alarm, _, _ in alarms(drive(monitor(stations=stations), garden.packs(), garden.end_s))]
    assert raised[:2] == ["station-silent", "pump-stopped"] and "battery-low" in raised


def test_a_power_cut_that_the_service_slept_through_as_well_leaves_no_reading_missing():
    garden = Garden(end_s=NOON_S + 6 * HOUR_S)
    off_s, on_s = NOON_S + 3 * HOUR_S, NOON_S + 4 * HOUR_S + 10
    packs = [pack for pack in garden.packs() if pack.received_s < off_s]
    states = [
        Reading(f"{bed}/high", on_s, [wet for at_s, wet in garden.changes(bed) if at_s < on_s][-1])
        for bed in garden.beds
    ]
    packs += [ServiceStarted(on_s - 5), Pack(on_s + 0.3, garden.station, 8, 0, tuple(states))]
    late = (pack for pack in garden.packs() if pack.received_s > on_s + 60)
    packs += [pack._replace(boot=8, seq=seq) for seq, pack in enumerate(late, start=1)]
    assert alarms(drive(monitor(), packs, garden.end_s)) == []


def test_a_bed_is_heard_from_the_station_that_spoke_of_it_first():
    garden = Garden(end_s=NOON_S + 4 * HOUR_S)
    other = Garden({"bed-1": (90.0, 90.0)}, end_s=NOON_S + 4 * HOUR_S, station="shed", water_c=None)
    other = [pack._replace(received_s=pack.received_s + 0.2) for pack in other.packs(boot=2)]
    events = drive(monitor(stations=("barrels", "shed")), [*garden.packs(), *other], garden.end_s)
    assert_all_counted(garden, events, "bed-1")


def test_a_float_that_is_moved_to_another_station_is_heard_from_there():
    garden = Garden(end_s=NOON_S + 8 * HOUR_S)
    moved_s = NOON_S + 4 * HOUR_S
    packs, moved = [], []
    for pack in garden.packs():
        if pack.received_s >= moved_s:
            own = tuple(reading for reading in pack.readings if reading.name == "bed-1/high")
            moved.append(
                Pack(pack.received_s, "shed", 2, len(moved), own or (Reading("shed/signal", pack.received_s, 1.0),))
            )
            pack = pack._replace(readings=tuple(r for r in pack.readings if r not in own))
        packs.append(pack)
    events = drive(monitor(stations=("barrels", "shed")), packs + moved, garden.end_s)
    assert alarms(events) == [("station-silent", "shed", change) for change in ("raised", "cleared")]
    told = {cycle.time for cycle in cycles(events, "bed-1")}
    falls = [at_s for at_s in garden.falls("bed-1") if at_s < garden.end_s - 300]
    assert told >= {at_s for at_s in falls if not moved_s - 60 < at_s < moved_s + 1200} and told <= set(falls)
    assert_all_counted(garden, events, "bed-2")


def test_a_station_that_starts_again_costs_one_period_and_no_alarm():
    garden = Garden(end_s=NOON_S + 6 * HOUR_S)
    off_s, on_s = NOON_S + 3 * HOUR_S + 40, NOON_S + 3 * HOUR_S + 160
    packs = []
    for pack in garden.packs():
        if pack.received_s < off_s:
            packs.append(pack)
        elif pack.received_s >= on_s:
            packs.append(pack._replace(boot=8, seq=len(packs)))
    events = drive(monitor(), packs, garden.end_s)
    assert alarms(events) == []
    for bed in garden.beds:
        told = cycles(events, bed)
        seen = [at_s for at_s in garden.falls(bed) if at_s < garden.end_s - 300 and not off_s - 3 <= at_s < on_s]
        assert set(seen) <= {cycle.time for cycle in told} and len(told) <= len(seen) + 1
        assert sum(cycle.period_s is None for cycle in told[1:]) <= 2


@pytest.mark.parametrize("into_s", [0, 75, 300, 450])
@pytest.mark.parametrize("beds", [("bed-1",), ("bed-1", "bed-2")], ids=["one bed", "two beds"])
@pytest.mark.parametrize("ahead_s", [300.0, 3400.0])
def test_a_clock_set_forward_costs_one_period_and_no_alarm(beds, into_s, ahead_s):
    plan = {bed: plan for bed, plan in Garden().beds.items() if bed in beds}
    garden, set_s = Garden(plan, end_s=NOON_S + 5 * HOUR_S), NOON_S + 3 * HOUR_S + into_s
    packs = [
        pack._replace(readings=tuple(r._replace(sampled_s=r.sampled_s + ahead_s) for r in pack.readings))
        if pack.received_s >= set_s
        else pack
        for pack in garden.packs()
    ]
    events = drive(monitor(beds=beds), packs, garden.end_s)
    assert alarms(events) == []
    for bed in beds:
        told = cycles(events, bed)
        reported = [fall_s + (ahead_s if fall_s + 2.5 >= set_s else 0) for fall_s in garden.falls(bed)]
        assert [cycle.time for cycle in told] == reported[: len(told)] and len(told) >= len(reported) - 1
        assert {cycle.period_s for cycle in told} == {None, sum(garden.beds[bed])}
        assert sum(cycle.period_s is None for cycle in told) <= 3


@pytest.mark.parametrize("seed", range(3))
def test_an_earlier_boots_backlog_that_comes_in_any_order_among_the_later_ones_packs_is_counted_once(seed):
    garden, chance = Garden(end_s=NOON_S + 6 * HOUR_S), Random(seed)
    off_s, packs, again = NOON_S + 3 * HOUR_S + 60, [], itertools.count()
    for pack in garden.packs():
        if pack.received_s >= off_s + 40:
            packs.append(pack._replace(boot=8, seq=next(again)))
        elif pack.received_s >= off_s - HOUR_S:
            packs += [pack._replace(received_s=off_s + 120 + chance.uniform(0, 1800))] * (pack.received_s < off_s)
        else:
            packs.append(pack)
    events = drive(monitor(), packs, garden.end_s)
    assert alarms(events) == [("station-silent", "barrels", change) for change in ("raised", "cleared")]
    for bed in garden.beds:
        told = [cycle.time for cycle in cycles(events, bed)]
        assert sorted(told) == garden.falls(bed)[: len(told)] and len(told) >= len(garden.falls(bed)) - 1


def test_numbers_go_on_from_where_they_were():
    watch = monitor()
    watch.number_cycles_from({"bed-1": 41, "no-such": 5})
    events = drive(watch, Garden(end_s=NOON_S + 2 * HOUR_S).packs())
    assert cycles(events, "bed-1")[0].number == 42 and cycles(events, "bed-2")[0].number == 1


# -- battery and night


def test_the_charge_is_told_four_times_an_hour_and_the_night_at_dawn():
    garden = Garden(end_s=NOON_S + 26 * HOUR_S)
    events = drive(monitor(), garden.packs(), garden.end_s)
    told = [event for event in events if event.kind == "battery"]
    assert max(b.time - a.time for a, b in zip(told[:-1], told[1:], strict=True)) <= 900
    for one in told:
        assert 0 <= one.low <= one.state_of_charge <= one.high <= 1 and one.basis in ("rested", "loaded", "charging")
    (night,) = (event for event in events if event.kind == "night")
    assert night.date == "2026-06-10" and night.dawn <= night.time < night.dawn + 120
    # Sunset and sunrise at 38.5 N 121.7 W on 10 and 11 June (from memory, to the quarter of an hour): 20:30, 05:42 PDT.
    assert abs(night.dusk - DUSK_S) < 900 and abs(night.dawn - DAWN_S) < 900
    hours = (night.dawn - night.dusk) / HOUR_S
    assert 0.7 * 2 * hours < night.used_ah < 1.3 * 2 * hours  # the site says 2 A at 12.6 V
    assert abs(night.lowest_voltage_v - min(garden.battery_v(DAWN_S - 1), 12.55 - 0.01 * 9.2)) < 0.03
    assert 0 <= night.state_of_charge_dusk <= 1 and 0 <= night.state_of_charge_dawn <= 1 and night.hours_left >= 0


def test_a_battery_at_its_floor_is_told_once_by_night():
    def sagging(at_s):
        return 13.6 if at_s < DUSK_S else 12.4 - 0.12 * (at_s - DUSK_S) / HOUR_S

    garden = Garden(end_s=DUSK_S + 8 * HOUR_S, volts=sagging)
    found = alarms(drive(monitor(), garden.packs(), garden.end_s))
    assert found.count(("battery-low", "battery", "raised")) == 1
    assert {alarm for alarm, _, _ in found} <= {"battery-low", "battery-will-not-last"}


# -- a mistake in the engine


def test_a_pack_that_the_engine_chokes_on_is_told_and_the_next_one_is_judged(monkeypatch):
    watch = monitor()
    packs = list(Garden(end_s=NOON_S + HOUR_S).packs())
    hear = Monitor._hear_voltage

    def stumbling(self, subject, reading, *rest):
        if reading.sampled_s == NOON_S + 1800:
            raise ZeroDivisionError("on purpose")
        return hear(self, subject, reading, *rest)

    monkeypatch.setattr(Monitor, "_hear_voltage", stumbling)
    watch._sinks = watch._wire(site())
    events = drive(watch, packs)
    (choked,) = (event for event in events if event.kind == "choked")
    assert (choked.station, choked.boot) == ("barrels", 7) and "on purpose" in choked.reason
    assert ("sensor-fault", "barrels/readings", "raised") in alarms(events)
    assert len(cycles(events, "bed-1")) == 5


def test_a_pack_that_was_held_and_chokes_is_told_by_its_own_name(monkeypatch):
    packs = [pack for pack in Garden(end_s=NOON_S + HOUR_S).packs() if pack.seq != 50]
    hear = Monitor._hear_voltage

    def stumbling(self, subject, reading, release, *rest):
        if release.gap is not None:
            raise ZeroDivisionError("on purpose")
        return hear(self, subject, reading, release, *rest)

    monkeypatch.setattr(Monitor, "_hear_voltage", stumbling)
    events = drive(monitor(), packs)
    assert [(event.station, event.seq) for event in events if event.kind == "choked"] == [("barrels", 51)]


def test_a_tick_that_fails_never_leaves_the_engine(monkeypatch):
    watch = monitor()
    monkeypatch.setattr(Monitor, "_judge_water", lambda self, now_s: 1 / 0)
    events = drive(watch, Garden(end_s=NOON_S + HOUR_S).packs())
    assert [event.station for event in events if event.kind == "choked"] == ["engine"]
    assert ("sensor-fault", "engine/judgement", "raised") in alarms(events)


def test_a_station_whose_clock_is_slow_is_judged_all_the_same():
    stop_s = NOON_S + 4 * HOUR_S
    garden = Garden(end_s=NOON_S + 6 * HOUR_S, still=[("pump", stop_s, stop_s + 9 * HOUR_S)])
    packs = [
        pack._replace(readings=tuple(r._replace(sampled_s=r.sampled_s - 900) for r in pack.readings))
        for pack in garden.packs()
    ]
    assert ("pump-stopped", "pump", "raised") in alarms(drive(monitor(), packs, garden.end_s))


# -- anything that floats, packs and stations may do, one thing after another


class AnySequence(RuleBasedStateMachine):
    """A station that lives through whatever the rules do to it, heard by a monitor and by another one that is saved and
    restored now and then: both tell the same, and neither ever contradicts itself."""

    def __init__(self) -> None:
        super().__init__()
        healthy = Garden(end_s=NOON_S + HOUR_S)
        self.one, self.now_s = monitor(), healthy.end_s
        packs = list(healthy.packs())
        events = drive(self.one, packs)
        self.cycles = {bed: cycles(events, bed) for bed in healthy.beds}
        self.two = Monitor.restore(self.one.save(), site(), SUN)
        self.floats = dict.fromkeys(("bed-1/high", "bed-1/low", "bed-2/high"), False)
        self.boot, self.seq, self.volts = packs[-1].boot, packs[-1].seq + 1, 13.6
        self.sent: list[Pack] = []
        self.kept: list[Pack] = []
        self.to_keep = self.to_lose = 0  # so many of the next packs
        self.standing: set[tuple[str, str]] = set()
        self.clock_s = 0.0

    # what happens at the barrels

    def _send(self, *readings: Reading) -> None:
        pack = Pack(self.now_s + 0.5, "barrels", self.boot, self.seq, readings)
        self.seq += 1
        if self.to_lose:
            self.to_lose -= 1
        elif self.to_keep:
            self.to_keep -= 1
            self.kept.append(pack)
        else:
            self._arrive(pack)
        self.sent = [*self.sent[-30:], pack]

    def _pass(self, seconds: float) -> None:
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.now_s = min(self.now_s + 60, end_s)
            again = [Reading(name, self.now_s, wet) for name, wet in self.floats.items()] if self.seq % 5 == 0 else []
            self._send(Reading("battery/voltage", self.now_s, self.volts + self.seq % 3 / 1000), *again)

    @rule(name=st.sampled_from(["bed-1/high", "bed-1/low", "bed-2/high"]), after_s=st.floats(0.25, 5000))
    def float_changes(self, name, after_s):
        self._pass(after_s)
        self.floats[name] = not self.floats[name]
        self.now_s += 2.0
        self._send(Reading(name, self.now_s - 2.0, self.floats[name]))

    @rule(bed=st.sampled_from(["bed-1", "bed-2"]), lengths_s=st.lists(st.floats(2, 900), min_size=4, max_size=8))
    def bed_turns(self, bed, lengths_s):
        for which, length_s in zip(itertools.cycle(("low", "high", "high", "low")), lengths_s, strict=False):
            if f"{bed}/{which}" in self.floats:
                self.float_changes(f"{bed}/{which}", length_s)

    @rule(volts=st.sampled_from([11.2, 12.4, 12.5, 12.56, 13.6, 14.9]))
    def voltage_steps(self, volts):
        self.volts = volts

    @rule(off_s=st.floats(5, 4000))
    def station_starts_again(self, off_s):
        self.now_s += off_s
        self.boot, self.seq = self.boot + 1, 0
        self._send(*(Reading(name, self.now_s, wet) for name, wet in self.floats.items()))

    # what happens on the way

    @rule(packs=st.integers(1, 90))
    def packs_will_be_late(self, packs):
        self.to_keep = packs

    @rule(packs=st.integers(1, 20))
    def packs_will_be_lost(self, packs):
        self.to_lose = packs

    @precondition(lambda self: self.kept)
    @rule(chance=st.integers(0, 9))
    def late_packs_arrive(self, chance):
        """As they were kept, or in any other order. After six hours a fall has been told without them."""
        late, self.kept = [pack for pack in self.kept if self.now_s - pack.received_s < 5 * HOUR_S], []
        if chance:
            Random(chance).shuffle(late)
        for pack in late:
            self._arrive(pack._replace(received_s=self.now_s))

    @precondition(lambda self: self.sent)
    @rule(which=st.integers(1, 30))
    def pack_comes_again(self, which):
        self._arrive(self.sent[-which % len(self.sent)]._replace(received_s=self.now_s))

    @rule(seconds=st.floats(1, 40_000))
    def nothing_comes(self, seconds):
        self.now_s += seconds
        self._tell(self.one.advance(self.now_s), self.two.advance(self.now_s))

    # what happens in the service

    @rule()
    def service_starts(self):
        self._arrive(ServiceStarted(self.now_s))

    @rule()
    def one_of_them_is_restored(self):
        self.two = Monitor.restore(self.two.save(), site(), SUN)

    # what must hold

    def _arrive(self, item) -> None:
        self._tell(self.one.take(item), self.two.take(item))

    def _tell(self, events: list, same: list) -> None:
        assert events == same
        for event in events:
            assert event.kind != "choked", event.reason
            if event.kind == "cycle":
                self._count(event)
                continue
            assert event.time >= self.clock_s
            self.clock_s = event.time
            if event.kind == "alarm":
                key = (event.alarm, event.subject)
                assert (key in self.standing) is (event.change == "cleared")
                self.standing ^= {key}

    def _count(self, cycle) -> None:
        told = self.cycles[cycle.bed]
        assert cycle.number == len(told) + 1
        assert cycle.time not in [other.time for other in told]
        assert all(length_s is None or length_s > 0 for length_s in (cycle.high_s, cycle.low_s))
        assert all(length_s is None or length_s >= 0 for length_s in (cycle.fill_s, cycle.drain_s))
        assert (cycle.period_s is None) is (cycle.high_s is None or cycle.low_s is None)
        assert cycle.period_s is None or cycle.period_s == pytest.approx(cycle.high_s + cycle.low_s)
        told.append(cycle)

    @invariant()
    def what_stands_was_raised_and_not_cleared(self):
        for watch in (self.one, self.two):
            assert sorted((row["alarm"], row["subject"]) for row in watch.standing()) == sorted(self.standing)

    @invariant()
    def no_two_cycles_share_a_phase(self):
        for told in self.cycles.values():
            for before, cycle in itertools.pairwise(sorted(told, key=lambda cycle: cycle.time)):
                assert cycle.time - (cycle.period_s or cycle.high_s or 0.0) >= before.time - 1e-3


AnySequence.TestCase.settings = settings(max_examples=30, stateful_step_count=25, deadline=None, derandomize=True)
test_any_sequence_keeps_the_engine_true_to_itself = AnySequence.TestCase
