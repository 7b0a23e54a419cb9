"""What the grower answers: acknowledged, shelved, out of service. Chatter and stale alarms. Any course of things."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from barreltide.core.alarm import CALM_S, LONGEST_SHELF_S, STALE_S, Alarms
from barreltide.core.alarm_table import TABLE, causes
from barreltide.core.event import as_line
from barreltide.core.monitor import Monitor
from barreltide.core.reading import Answered, ServiceStarted
from small_garden import HOUR_S, NOON_S, SUN, Garden, drive, monitor, site

STOPPED, STARVED = ("pump-stopped", "pump"), ("bed-starved", "bed-1")
SILENT, WARM = ("station-silent", "barrels"), ("water-too-warm", "sump")
CAUSES = {STOPPED: [SILENT], STARVED: [STOPPED, SILENT], SILENT: [], WARM: []}


def answered(at_s: float, what: str, key=STOPPED, for_s: float | None = None, who: str = "anna") -> Answered:
    until_s = at_s + (for_s or HOUR_S) if what == "shelved" else None
    return Answered(at_s, what, *key, until_s, "cleaning" if what in ("shelved", "out-of-service") else "", who)


def answer(alarms: Alarms, at_s: float, what: str, key=STOPPED, for_s: float | None = None) -> None:
    said = answered(at_s, what, key, for_s)
    assert alarms.objection(said) is None
    alarms.answer(at_s, said)


def stopped() -> Alarms:
    alarms = Alarms(CAUSES)
    alarms.report(100, *STOPPED, 50, "It stands.")
    alarms.events.clear()
    return alarms


def told(alarms: Alarms) -> list[tuple[float, str, str]]:
    found = [(event.time, event.alarm, event.change) for event in alarms.events]
    alarms.events.clear()
    return found


def test_acknowledged_it_stands_on_and_ends_without_a_trace():
    alarms = stopped()
    assert alarms.standing()[0]["state"] == "unacknowledged" and alarms.standing()[0]["acknowledged"] is None
    answer(alarms, 160, "acknowledged")
    (row,) = alarms.standing()
    assert (row["state"], row["acknowledged"], row["acknowledged_by"]) == ("acknowledged", 160, "anna")
    alarms.report(170, *STOPPED, 50, "It stands.")
    alarms.normal(200, *STOPPED)
    assert told(alarms) == [(160, "pump-stopped", "acknowledged"), (200, "pump-stopped", "cleared")]
    assert alarms.standing() == alarms.returned() == alarms.shelved() == []


def test_what_went_unseen_waits_for_an_answer_and_does_not_stand():
    alarms = stopped()
    alarms.normal(200, *STOPPED)
    assert alarms.standing() == [] and not alarms.is_standing(*STOPPED)
    (row,) = alarms.returned()
    assert (row["state"], row["since"], row["raised"], row["cleared"]) == ("returned", 50, 100, 200)
    answer(alarms, 300, "acknowledged")
    assert alarms.returned() == [] and told(alarms)[-1] == (300, "pump-stopped", "acknowledged")


def test_raised_again_before_an_answer_it_is_one_alarm():
    alarms = stopped()
    alarms.normal(200, *STOPPED)
    alarms.report(300, *STOPPED, 290, "It stands.")
    assert alarms.returned() == [] and [row["state"] for row in alarms.standing()] == ["unacknowledged"]
    alarms.normal(400, *STOPPED)
    assert [row["raised"] for row in alarms.returned()] == [300]


def test_an_acknowledgement_holds_for_one_raising_only():
    alarms = stopped()
    answer(alarms, 160, "acknowledged")
    alarms.normal(200, *STOPPED)
    alarms.report(300, *STOPPED, 290, "It stands.")
    assert alarms.standing()[0]["state"] == "unacknowledged"


def test_shelved_it_does_not_stand_and_comes_back_by_itself():
    alarms = stopped()
    answer(alarms, 200, "shelved", for_s=1800)
    assert alarms.standing() == [] and alarms.is_standing(*STOPPED), "detectors still see that it holds"
    (row,) = alarms.shelved()
    assert (row["state"], row["until"], row["reason"], row["by"]) == ("shelved", 2000, "cleaning", "anna")
    assert row["holds"] is True
    assert alarms.events[-1].message == "Shelved for 30 minutes (cleaning): It stands."
    alarms.report(300, *STOPPED, 50, "It stands still.")
    alarms.tick(1999)
    assert told(alarms) == [(200, "pump-stopped", "shelved"), (200, "pump-stopped", "cleared")]
    alarms.tick(2000)
    back, raised = alarms.events
    assert (back.change, back.who) == ("unshelved", "") and (raised.change, raised.time) == ("raised", 2000)
    assert raised.since == 50 and raised.message.startswith("It stands still. "), "with what is known by now"
    assert alarms.standing()[0]["raised"] == 2000 and alarms.shelved() == []


def test_what_ends_on_the_shelf_is_never_told():
    alarms = stopped()
    answer(alarms, 200, "shelved", for_s=1800)
    alarms.normal(300, *STOPPED)
    alarms.tick(2010)
    assert [change for _, _, change in told(alarms)] == ["shelved", "cleared", "unshelved"]
    assert alarms.standing() == alarms.returned() == []


def test_what_begins_on_the_shelf_is_raised_when_it_is_taken_back():
    alarms = Alarms(CAUSES)
    answer(alarms, 10, "shelved", for_s=1800)
    alarms.report(100, *STOPPED, 50, "It stands.")
    assert [change for _, _, change in told(alarms)] == ["shelved"]
    answer(alarms, 200, "unshelved")
    assert [change for _, _, change in told(alarms)] == ["unshelved", "raised"]


def test_what_is_about_to_end_is_not_raised_from_the_shelf():
    alarms = Alarms(CAUSES)
    alarms.report(0, *SILENT, 0, "Silent.")
    answer(alarms, 10, "shelved", SILENT, 1800)
    alarms.normal(1800, *SILENT)  # it has an off-delay of a minute
    alarms.tick(1810)
    assert [change for _, _, change in told(alarms)] == ["raised", "shelved", "cleared", "unshelved"]


def test_out_of_service_has_no_end_but_is_shown():
    alarms = stopped()
    answer(alarms, 200, "out-of-service")
    alarms.tick(1e9)
    assert [row["state"] for row in alarms.shelved()] == ["out-of-service"] and alarms.shelved()[0]["until"] is None
    answer(alarms, 2e9, "unshelved")
    assert [change for _, _, change in told(alarms)] == ["out-of-service", "cleared", "in-service", "raised"]


def test_what_follows_from_a_shelved_alarm_still_waits():
    alarms = stopped()
    answer(alarms, 200, "shelved", for_s=1800)
    alarms.report(300, *STARVED, 250, "Dry.")
    alarms.tick(310)
    assert "bed-starved" not in {alarm for _, alarm, _ in told(alarms)}
    alarms.normal(400, *STOPPED)
    alarms.tick(410)
    assert told(alarms) == [(410, "bed-starved", "raised")]


def test_back_from_the_shelf_it_waits_for_its_own_cause():
    alarms = stopped()
    answer(alarms, 200, "shelved", for_s=1800)
    alarms.report(300, *SILENT, 250, "Silent.")
    alarms.tick(2010)
    assert "raised" not in [change for _, alarm, change in told(alarms) if alarm == "pump-stopped"]
    alarms.normal(2100, *SILENT)
    alarms.tick(2160)
    alarms.tick(2220)
    assert told(alarms)[-1] == (2220, "pump-stopped", "raised")


@pytest.mark.parametrize(
    ("what", "key", "line"),
    [
        ("acknowledged", WARM,
         "water-too-warm sump does not wait for an answer; pump-stopped pump or station-silent barrels would do"),
        ("unshelved", STOPPED, "pump-stopped pump is not shelved; nothing is"),
        ("shelved", ("pump-stopped", "hose"),
         "pump-stopped hose is no alarm of this garden; pump-stopped pump would do"),
        ("out-of-service", ("no-such", "pump"),
         "no-such pump is no alarm of this garden; none of that name would do"),
    ],
)  # fmt: skip
def test_what_fits_nothing_gets_a_line_that_names_what_would(what, key, line):
    alarms = stopped()
    alarms.report(110, *SILENT, 100, "Silent.")
    alarms.normal(120, *SILENT)
    alarms.tick(180)
    alarms.events.clear()
    assert alarms.objection(answered(200, what, key)) == line
    alarms.answer(200, answered(200, what, key))
    assert alarms.events == [] and alarms.shelved() == []


def test_acknowledged_twice_is_told_by_whom_it_was():
    alarms = stopped()
    answer(alarms, 160, "acknowledged")
    line = alarms.objection(answered(170, "acknowledged"))
    assert line == "pump-stopped pump is acknowledged already by anna; nothing does"


def test_all_that_this_garden_can_raise_can_be_shelved():
    known = causes(site(), {})
    assert {alarm for alarm, _ in known} == set(TABLE)
    assert ("sensor-fault", "bed-2/high") in known and ("sensor-fault", "pump/current") in known


def test_a_shelf_s_limit_is_shorter_for_what_is_more_urgent():
    assert LONGEST_SHELF_S["urgent"] < LONGEST_SHELF_S["soon"] < LONGEST_SHELF_S["note"]
    assert set(LONGEST_SHELF_S) >= {rule.priority for rule in TABLE.values()}


# Nuisances. Three raisings within 60 s, and 24 h and a second: the check values of the trade's own definitions.


@pytest.mark.parametrize(("step_s", "chatters"), [(30.0, True), (30.5, False)])
def test_three_raisings_within_a_minute_are_chatter_and_then_one_alarm(step_s, chatters):
    alarms = Alarms({})
    for turn in range(3):
        alarms.report(100 + turn * step_s, *STOPPED, 100, "It stands.")
        assert alarms.standing()[0]["chattering"] is (chatters and turn == 2)
        alarms.normal(100 + turn * step_s + 10, *STOPPED)
    last_s = 100 + 2 * step_s
    assert bool(alarms.standing()) is chatters, "chatter is held together by an off-delay"
    alarms.report(last_s + 100, *STOPPED, 100, "It stands.")
    alarms.normal(last_s + 110, *STOPPED)
    assert len([change for _, _, change in told(alarms) if change == "raised"]) == (3 if chatters else 4)
    alarms.tick(last_s + 110 + CALM_S - 1)
    assert bool(alarms.standing()) is chatters
    alarms.tick(last_s + 110 + CALM_S)
    assert alarms.standing() == []
    alarms.report(last_s + 2000, *STOPPED, 100, "It stands.")
    assert alarms.standing()[0]["chattering"] is False, "calm again"


def test_what_stands_for_more_than_a_day_is_stale():
    alarms = stopped()
    assert alarms.standing(100 + STALE_S)[0]["stale"] is False and STALE_S == 86_400
    assert alarms.standing(100 + STALE_S + 1)[0]["stale"] is True


# Any course of things.

KEYS = st.sampled_from(list(CAUSES))
SPANS = st.floats(0, 2000)


class Life(RuleBasedStateMachine):
    """Two of the same: one is driven on, the other is saved and restored at every step, and must say the same."""

    def __init__(self) -> None:
        super().__init__()
        self.alarms, self.copy, self.now_s = Alarms(CAUSES), Alarms(CAUSES), 0.0
        self.visible: set = set()  # by the events alone
        self.aside: dict = {}  # key: until
        self.holds: dict = {}  # key: whether the last word of its detector was that it holds

    def drive(self, act) -> list:
        act(self.alarms)
        self.copy = pickle.loads(pickle.dumps(self.copy))
        act(self.copy)
        events, again = self.alarms.events[:], self.copy.events[:]
        self.alarms.events.clear()
        self.copy.events.clear()
        assert [as_line(event) for event in events] == [as_line(event) for event in again]
        for event in events:
            key = (event.alarm, event.subject)
            assert event.time == self.now_s
            if event.change == "raised":
                assert key not in self.visible and key not in self.aside, "never raised beside a shelf, or twice"
                self.visible.add(key)
            elif event.change == "cleared":
                self.visible.remove(key)
            elif event.change in ("shelved", "out-of-service"):
                self.aside[key] = event.until
            elif event.change in ("unshelved", "in-service"):
                del self.aside[key]
        return events

    @rule(key=KEYS, later_s=SPANS)
    def report(self, key, later_s):
        self.now_s += later_s
        self.drive(lambda alarms: alarms.report(self.now_s, *key, self.now_s, "Seen."))
        self.holds[key] = True

    @rule(key=KEYS, later_s=SPANS, how=st.sampled_from(["normal", "withdraw"]))
    def end(self, key, later_s, how):
        self.now_s += later_s
        self.drive(lambda alarms: getattr(alarms, how)(self.now_s, *key))
        self.holds[key] = False

    @rule(later_s=SPANS)
    def tick(self, later_s):
        self.now_s += later_s
        due = {key for key, until_s in self.aside.items() if until_s is not None and until_s <= self.now_s}
        waited = {key for key, found in CAUSES.items() if any(self.alarms.is_standing(*cause) for cause in found)}
        events = self.drive(lambda alarms: alarms.tick(self.now_s))
        assert not due & set(self.aside), "a shelf has an end"
        assert {(e.alarm, e.subject) for e in events if e.change == "unshelved"} == due
        for key in self.holds:
            # What has waited has one more tick to wait: its cause may have gone in this one.
            waits = key in waited or any(self.alarms.is_standing(*cause) for cause in CAUSES[key])
            delay_s = TABLE[key[0]].on_delay_s
            if self.holds[key] and key not in self.aside and not waits and not delay_s:
                assert key in self.visible, "what holds comes back from the shelf"

    @rule(key=KEYS, later_s=SPANS, for_s=st.floats(60, 4000),
          what=st.sampled_from(["acknowledged", "shelved", "out-of-service", "unshelved"]))  # fmt: skip
    def answer(self, key, later_s, for_s, what):
        self.now_s += later_s
        waiting = {(row["alarm"], row["subject"]) for row in self.alarms.returned()}
        waiting |= {(row["alarm"], row["subject"]) for row in self.alarms.standing()
                    if row["state"] == "unacknowledged"}  # fmt: skip
        fits = {"acknowledged": key in waiting, "unshelved": key in self.aside}.get(what, True)
        said = answered(self.now_s, what, key, for_s)
        assert (self.alarms.objection(said) is None) is fits
        events = self.drive(lambda alarms: alarms.answer(self.now_s, said))
        assert bool(events) is fits

    @precondition(lambda self: self.visible)
    @rule()
    def hold(self):
        self.drive(lambda alarms: alarms.hold(self.now_s, "it rests", [STOPPED, STARVED]))
        assert not self.visible & {STOPPED, STARVED}
        self.drive(lambda alarms: alarms.release("it rests"))

    @invariant()
    def each_is_in_one_state(self):
        standing, returned, shelved = (
            [(row["alarm"], row["subject"]) for row in rows]
            for rows in (self.alarms.standing(self.now_s), self.alarms.returned(), self.alarms.shelved())
        )
        assert len(set(standing + returned + shelved)) == len(standing + returned + shelved)
        assert set(standing) == self.visible and set(shelved) == set(self.aside)
        for key in self.visible:
            assert self.alarms.is_standing(*key)


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=200, stateful_step_count=40, deadline=None)


# Behind the engine's door.

STOP_S = NOON_S + 2 * HOUR_S


def inputs() -> list:
    """A pump that stops, is acknowledged, shelved, comes back from the shelf; it runs again, unseen."""
    plan = Garden(end_s=STOP_S + 5 * HOUR_S, still=[("pump", STOP_S, STOP_S + 4 * HOUR_S)])
    said = [
        answered(STOP_S + 1800, "acknowledged"), answered(STOP_S + 3600, "shelved", for_s=3600),
        answered(STOP_S + 3700, "out-of-service", ("flow-falling", "pump")),
        answered(STOP_S + 99, "acknowledged", WARM),
    ]  # fmt: skip
    return sorted([*plan.packs(), *said], key=lambda item: item.received_s)


def test_through_the_door_answers_are_inputs_like_packs():
    watch = monitor()
    events = drive(watch, inputs())
    life = [(e.kind, e.change, round(e.time - STOP_S, -2)) for e in events if e.kind in ("alarm", "answer")]
    assert life[0][:2] == ("alarm", "raised") and life[1:7] == [
        ("answer", "acknowledged", 1800), ("answer", "shelved", 3600), ("alarm", "cleared", 3600),
        ("answer", "out-of-service", 3700), ("answer", "unshelved", 7200), ("alarm", "raised", 7200),
    ]  # fmt: skip
    assert life[7][:2] == ("alarm", "cleared") and len(life) == 8, "what fits nothing is passed over"
    picture = watch.picture()
    assert [row["alarm"] for row in picture["returned"]] == ["pump-stopped"] and picture["standing"] == []
    assert [(row["alarm"], row["state"]) for row in picture["shelved"]] == [("flow-falling", "out-of-service")]
    assert watch.objection(answered(STOP_S, "acknowledged")) is None
    assert "is not shelved" in watch.objection(answered(STOP_S, "unshelved"))


def test_saved_and_restored_at_any_time_it_tells_the_same():
    whole = [as_line(event) for event in drive(monitor(), inputs())]
    for cut_s in range(1000, 18_000, 3000):
        watch = monitor()
        told = drive(watch, [item for item in inputs() if item.received_s < STOP_S + cut_s])
        watch = Monitor.restore(watch.save(), site(), SUN)
        told += drive(watch, [item for item in inputs() if item.received_s >= STOP_S + cut_s])
        assert [as_line(event) for event in told] == whole


def test_a_shelf_runs_out_while_the_service_sleeps():
    watch = monitor()
    known = [item for item in inputs() if item.received_s < STOP_S + 3660]
    drive(watch, known)
    events = watch.take(ServiceStarted(STOP_S + 9000)) + watch.advance(STOP_S + 9060)
    assert [event.change for event in events if event.kind in ("alarm", "answer")] == ["unshelved", "raised"]
