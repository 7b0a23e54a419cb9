"""The life of an alarm: delays, what follows from what, and one cause, one alarm."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barreltide.core.alarm import FISH, TABLE, Alarms
from barreltide.notices.wording import compose

CAUSES = {
    ("pump-stopped", "pump"): [("station-silent", "barrels")],
    ("bed-starved", "bed-1"): [("pump-stopped", "pump"), ("station-silent", "barrels")],
}


def changes(alarms: Alarms) -> list[tuple[float, str, str]]:
    told = [(event.time, event.alarm, event.change) for event in alarms.events]
    alarms.events = []
    return told


def test_an_alarm_without_delays_is_raised_and_cleared_at_once_and_told_once():
    alarms = Alarms({})
    for now_s in (100, 110, 120):
        alarms.report(now_s, "pump-stopped", "pump", 50, "It stands.")
    alarms.normal(130, "pump-stopped", "pump")
    alarms.normal(140, "pump-stopped", "pump")
    raised, cleared = alarms.events
    assert (raised.time, raised.since, raised.change, raised.priority) == (100, 50, "raised", "urgent")
    assert raised.message.startswith("It stands. ") and TABLE["pump-stopped"].action in raised.message
    assert (cleared.time, cleared.since, cleared.change) == (130, 50, "cleared")


def test_an_on_delay_waits_and_a_condition_that_ends_meanwhile_is_never_told():
    delay_s = TABLE["water-too-warm"].on_delay_s
    alarms = Alarms({})
    alarms.report(0, "water-too-warm", "sump", 0, "Warm.")
    alarms.tick(delay_s - 1)
    alarms.normal(delay_s - 0.5, "water-too-warm", "sump")
    alarms.tick(delay_s + 10)
    assert changes(alarms) == []
    alarms.report(1000, "water-too-warm", "sump", 990, "Warm.")
    alarms.tick(1000 + delay_s - 1)
    assert changes(alarms) == []
    alarms.tick(1000 + delay_s)
    assert changes(alarms) == [(1000 + delay_s, "water-too-warm", "raised")]


def test_an_off_delay_waits_and_starts_again_when_the_condition_returns():
    delay_s = TABLE["station-silent"].off_delay_s
    alarms = Alarms({})
    alarms.report(0, "station-silent", "barrels", 0, "Silent.")
    alarms.normal(10, "station-silent", "barrels")
    alarms.report(20, "station-silent", "barrels", 20, "Silent.")
    alarms.tick(10 + delay_s)
    assert changes(alarms) == [(0, "station-silent", "raised")]
    alarms.normal(100, "station-silent", "barrels")
    alarms.tick(100 + delay_s - 1)
    assert changes(alarms) == []
    alarms.tick(100 + delay_s)
    assert changes(alarms) == [(100 + delay_s, "station-silent", "cleared")]


def test_what_follows_from_a_standing_alarm_waits_and_is_raised_when_the_cause_has_gone_and_it_still_holds():
    alarms = Alarms(CAUSES)
    alarms.report(0, "pump-stopped", "pump", 0, "It stands.")
    alarms.report(10, "bed-starved", "bed-1", 5, "Dry.")
    alarms.tick(20)
    assert changes(alarms) == [(0, "pump-stopped", "raised")]
    alarms.normal(30, "pump-stopped", "pump")
    alarms.tick(40)
    assert changes(alarms) == [(30, "pump-stopped", "cleared"), (40, "bed-starved", "raised")]


def test_what_followed_is_never_told_when_it_ends_before_its_cause():
    alarms = Alarms(CAUSES)
    alarms.report(0, "pump-stopped", "pump", 0, "It stands.")
    alarms.report(10, "bed-starved", "bed-1", 5, "Dry.")
    alarms.normal(20, "bed-starved", "bed-1")
    alarms.normal(30, "pump-stopped", "pump")
    alarms.tick(40)
    assert changes(alarms) == [(0, "pump-stopped", "raised"), (30, "pump-stopped", "cleared")]


def test_withdrawing_clears_without_delay_and_is_silent_about_what_was_never_told():
    alarms = Alarms({})
    alarms.report(0, "battery-low", "battery", 0, "Low.")
    alarms.withdraw(10, "battery-low", "battery")
    assert changes(alarms) == [(0, "battery-low", "raised"), (10, "battery-low", "cleared")]
    alarms.report(20, "water-too-cold", "sump", 20, "Cold.")
    alarms.withdraw(30, "water-too-cold", "sump")
    alarms.withdraw(40, "water-too-cold", "sump")
    alarms.tick(2000)
    assert changes(alarms) == []


def test_the_standing_alarms_are_sorted_by_urgency_and_then_by_age():
    alarms = Alarms({})
    for now_s, alarm in ((1, "sensor-fault"), (2, "pump-stopped"), (3, "bed-starved"), (4, "battery-low")):
        alarms.report(now_s, alarm, "x", now_s, "Seen.")
    assert [row["alarm"] for row in alarms.standing()] == ["pump-stopped", "battery-low", "sensor-fault", "bed-starved"]


@pytest.mark.parametrize("alarm", TABLE)
def test_each_alarm_says_what_it_means_and_what_to_do(alarm):
    rule = TABLE[alarm]
    assert rule.priority in ("urgent", "soon", "note")
    assert rule.consequence.endswith(".") and rule.action.endswith(".")
    assert FISH.keys() <= TABLE.keys() and FISH.get(alarm, "{}.").count("{}") == 1


KEYS = st.sampled_from(
    [("pump-stopped", "pump"), ("bed-starved", "bed-1"), ("station-silent", "barrels"), ("water-too-warm", "sump")]
)


ACTS = st.sampled_from(["report", "normal", "withdraw", "tick"])


@given(st.lists(st.tuples(ACTS, KEYS, st.floats(0, 400)), max_size=80))
def test_raised_and_cleared_take_turns_and_nothing_is_raised_beside_its_cause(steps):
    alarms, now_s, standing = Alarms(CAUSES), 0.0, set()
    for act, key, later_s in steps:
        now_s += later_s
        if act == "tick":
            alarms.tick(now_s)
        elif act == "report":
            alarms.report(now_s, *key, now_s, "Seen.")
        else:
            getattr(alarms, act)(now_s, *key)
        events, alarms.events = alarms.events, []
        for event in events:
            key = (event.alarm, event.subject)
            assert event.time == now_s
            if event.change == "raised":
                assert key not in standing and not standing.intersection(CAUSES.get(key, ()))
                standing.add(key)
            else:
                standing.remove(key)
        assert {(row["alarm"], row["subject"]) for row in alarms.standing()} == standing
        assert all(alarms.is_standing(*key) for key in standing)


def test_how_long_the_fish_have_stands_with_what_the_alarm_means():
    alarms = Alarms({})
    alarms.fish_last = "about 3 to 7 hours"
    alarms.report(0, "pump-stopped", "pump", 0, "It stands.")
    alarms.report(0, "bed-starved", "bed-1", 0, "Dry.")
    alarms.report(0, "station-silent", "barrels", 0, "Silent.")
    stopped, starved, silent = alarms.events
    told = f"{TABLE['pump-stopped'].consequence} It lasts about 3 to 7 hours from the stop on (an estimate)."
    assert stopped.message == f"It stands. {told} {TABLE['pump-stopped'].action}"
    assert "estimate" not in starved.message and "oxygen lasts about 3 to 7 hours (an estimate)." in silent.message
    alarms.fish_last = "about 1 to 2 hours"
    (row,) = [row for row in alarms.standing() if row["alarm"] == "pump-stopped"]
    assert row["consequence"] == told, "as it was told"
    title, body = compose(stopped, "garden", "UTC", row["consequence"], row["action"])
    assert title == "garden: Go now. It stands." and body.count("about 3 to 7 hours") == 1
    alarms.normal(10, "pump-stopped", "pump")
    assert alarms.events[-1].message == "Back to normal: It stands."
