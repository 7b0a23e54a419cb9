"""Whatever order a float's changes arrive in, each cycle is told once, at the first moment of its stable dry run."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from barreltide.core.float_track import HOPE_S, FloatTrack
from barreltide.core.order import DUE_S, HOLD_S, Gap, StationOrder
from barreltide.core.reading import Pack, Reading

START_S = 1_790_000_000.0
LATE_S = 1000.0  # later than this, ripple that is missing may already have been told without
NAME = "bed-1/high"


class Truth(NamedTuple):
    changes: list[tuple[float, bool]]  # ripple included
    falls: list[float]
    end_s: float


def truth(phases: list[tuple[float, float]], ripples: list[list[float]], first_wet: bool = False) -> Truth:
    """phases: (dry_s, wet_s) of each cycle; ripples: for each crossing in turn the lengths of its short runs."""
    at_s, wet, changes, falls = START_S, first_wet, [], []
    lengths = [length_s for cycle in phases for length_s in cycle]
    for i, length_s in enumerate(lengths[first_wet:]):
        at_s, wet = at_s + length_s, not wet
        for ripple_s in ripples[i % len(ripples)] if ripples else []:
            changes += [(at_s, wet), (at_s + ripple_s, not wet)]
            at_s += 2 * ripple_s
        changes.append((at_s, wet))
        if not wet:
            falls.append(at_s)
    return Truth(changes, falls, at_s + 300)


def packs(one: Truth, first_wet: bool = False) -> list[Pack]:
    """As the station sends them: voltage each 15 s, the state repeated each 300 s, a change two seconds after it."""
    found: list[tuple[float, tuple[Reading, ...]]] = []
    at_s = START_S
    while at_s < one.end_s:
        readings = [Reading("battery/voltage", at_s - 5, 12.5), Reading("battery/voltage", at_s, 12.5)]
        if (at_s - START_S) % 300 == 0:
            wet = [wet for changed_s, wet in [(0.0, first_wet), *one.changes] if changed_s + 2 <= at_s][-1]
            readings.append(Reading(NAME, at_s, wet))
        found.append((at_s, tuple(readings)))
        at_s += 15
    found += [(at_s + 2, (Reading(NAME, at_s, wet),)) for at_s, wet in one.changes]
    return [Pack(closed_s + 0.1, "barrels", 1, seq, readings) for seq, (closed_s, readings) in enumerate(sorted(found))]


class Listener:
    """A track behind an order, ticked each ten seconds as the monitor does it."""

    def __init__(self, track: FloatTrack | None = None) -> None:
        self.order, self.track, self.now_s, self.falls = StationOrder(), track or FloatTrack(), START_S, []
        self.track.gaps = self.order.gaps

    def advance(self, time_s: float) -> None:
        while self.now_s + 10 <= time_s:
            self.now_s += 10
            self._judge(self.order.tick(self.now_s))
            if self.track.is_at_rest:
                continue
            self.track.recount()
            if self.track.is_unsettled:
                self.track.settle(self.order.sampled_s, self.now_s)
            self.falls += self.track.falls(self.now_s)

    def hear(self, arrivals: list[Pack], rest_s: float = 400.0) -> Listener:
        for pack in sorted(arrivals, key=lambda pack: pack.received_s):
            self.advance(pack.received_s)
            self._judge(self.order.add(pack))
        self.advance(max(pack.received_s for pack in arrivals) + rest_s)
        return self

    def _judge(self, released: list) -> None:
        for release in released:
            if release.set_back:
                self.track.rewind()
            for reading in release.pack.readings:
                if reading.name == NAME:
                    is_change = self.order.is_change(release, reading, self.track.raw_wet)
                    self.track.hear(reading.sampled_s, reading.value, release.late, is_change)

    def times(self) -> list[float]:
        return sorted(fall.time_s for fall in self.falls)


def later(pack: Pack, seconds: float) -> Pack:
    return pack._replace(received_s=pack.received_s + seconds)


# Moments at quarters of a second past a whole minute's grid: a change shares its moment with a reading now and then.
LENGTHS = st.integers(240, 1600)
CYCLES = st.tuples(LENGTHS, LENGTHS, st.lists(st.integers(-12, 12), min_size=3, max_size=8)).map(
    lambda drawn: [(drawn[0] / 4 + wander / 4, drawn[1] / 4 - wander / 4) for wander in drawn[2]]
)
RIPPLES = st.lists(st.lists(st.integers(8, 14).map(lambda quarters: quarters / 4), max_size=3), max_size=4)


@example(
    [(305.0, 278.25), *[(306.5, 276.75)] * 5], [[2.0], [2.0] * 3, [2.25, 3.5, 3.5], []], True
)  # a report overtaken
@given(CYCLES, RIPPLES, st.booleans())
def test_each_fall_is_told_at_its_own_moment_and_period_is_high_and_low(cycles, ripples, first_wet):
    one = truth(cycles, ripples, first_wet)
    heard = Listener().hear(packs(one, first_wet))
    assert heard.times() == one.falls
    for before, fall in zip(heard.falls[:-1], heard.falls[1:], strict=True):
        assert fall.period_s == pytest.approx(fall.time_s - before.time_s)
        assert fall.period_s == pytest.approx(fall.high_s + fall.low_s)
    assert heard.falls[0].period_s is None


@settings(max_examples=60, deadline=None)
@given(CYCLES, RIPPLES, st.data())
def test_packs_that_overtake_one_another_change_nothing(cycles, ripples, data):
    sent = packs(truth(cycles, ripples))
    delays = data.draw(st.lists(st.floats(0, HOLD_S - 12), min_size=len(sent), max_size=len(sent)))
    shuffled = [later(pack, delay_s) for pack, delay_s in zip(sent, delays, strict=True)]
    again = [later(pack, 500) for pack in data.draw(st.lists(st.sampled_from(sent), max_size=20))]
    assert Listener().hear(shuffled + again).falls == Listener().hear(sent).falls


@settings(max_examples=150, deadline=None)
@given(CYCLES, RIPPLES, st.data())
def test_late_packs_bring_each_fall_once_at_its_own_moment(cycles, ripples, data):
    """But for the first two minutes: that packs are missing before the first one heard, nobody can know.

    And a lone float's report of a change just before its repetition cannot be told from that.
    """
    one = truth(cycles, ripples)
    sent = packs(one)
    late = data.draw(st.dictionaries(st.integers(8, len(sent) - 1), st.floats(0, LATE_S), max_size=12))
    arrivals = [later(pack, late.get(pack.seq, 0.0)) for pack in sent]
    again = [later(pack, 700) for pack in data.draw(st.lists(st.sampled_from(sent), max_size=6))]
    assert Listener().hear(arrivals + again, rest_s=2 * LATE_S).times() == pytest.approx(one.falls, rel=0, abs=DUE_S)


@settings(max_examples=60, deadline=None)
@given(CYCLES, st.integers(0, 7), st.floats(HOLD_S, HOPE_S - 600))
def test_a_falls_own_report_may_be_hours_late(cycles, which, late_s):
    one = truth(cycles, [])
    fall_s = one.falls[which % len(one.falls)]
    sent = [later(pack, late_s) if pack.readings == (Reading(NAME, fall_s, False),) else pack for pack in packs(one)]
    assert Listener().hear(sent).times() == one.falls


@settings(max_examples=60, deadline=None)
@given(CYCLES, RIPPLES, st.data())
def test_what_is_lost_for_good_loses_no_more_than_itself(cycles, ripples, data):
    """The count is off by no more than the floats' readings that are gone; lengths are told where they are known."""
    one = truth(cycles, ripples)
    sent = packs(one)
    lost = data.draw(st.sets(st.integers(1, len(sent) - 1), max_size=12))
    heard = Listener().hear([pack for pack in sent if pack.seq not in lost], rest_s=HOPE_S + 600)
    gone = sum(reading.name == NAME for pack in sent if pack.seq in lost for reading in pack.readings)
    assert abs(len(heard.falls) - len(one.falls)) <= gone
    for fall in heard.falls:
        assert fall.period_s is None or fall.period_s == pytest.approx(fall.high_s + fall.low_s)


def test_a_lost_report_is_told_by_the_repetition_once_it_is_given_up():
    one = truth([(300.0, 200.0)] * 4, [])
    sent = [pack for pack in packs(one) if pack.readings != (Reading(NAME, one.falls[2], False),)]
    heard = Listener().hear(sent, rest_s=400)
    assert heard.times() == [one.falls[0], one.falls[1], one.falls[3]]
    heard.advance(heard.now_s + HOPE_S)
    assert len(heard.falls) == 4
    told = next(fall for fall in heard.falls if fall.time_s not in one.falls)
    assert one.falls[2] < told.time_s <= one.falls[2] + 300
    assert (told.period_s, told.high_s) == (None, None)


def test_a_late_report_before_a_repetition_that_said_the_same_ends_where_the_repetition_stands():
    """Dry, then wet in a lost pack and dry again in another; only the first of the two comes, and late."""
    track = FloatTrack()
    track.gaps = [Gap(START_S + 100, START_S + 200, {4, 9}, START_S + 260)]
    track.hear(START_S, False, late=False, is_change=False)
    track.hear(START_S + 300, False, late=False, is_change=False)
    track.hear(START_S + 120, True, late=True, is_change=True)
    track.recount()
    track.settle(START_S + 900, START_S + 900)
    assert track.wet is False
    assert [fall.time_s for fall in track.falls(START_S + 900 + HOPE_S)] == [START_S + 300]


def test_a_report_that_comes_after_it_was_given_up_is_the_fall_that_was_told_and_no_other():
    one = truth([(300.0, 180.0)] * 4, [])
    own = (Reading(NAME, one.falls[2], False),)
    assert 8 < -(one.falls[2] - START_S) % 300 < 200  # so far behind the fall comes the repetition
    sent = [later(pack, HOPE_S + 3600 if pack.readings == own else 0.0) for pack in packs(one)]
    assert len(Listener().hear(sent).falls) == 4


@pytest.mark.parametrize("wet_s", [7.0, 9.0, 15.0])
def test_a_float_near_the_top_is_wet_for_seconds_only(wet_s):
    one = truth([(180.0 - wet_s, wet_s)] * 12, [])
    assert Listener(FloatTrack(wet_s / 180)).hear(packs(one)).times() == one.falls


def test_a_float_near_the_bottom_is_dry_for_seconds_only():
    one = truth([(15.0, 285.0)] * 12, [])
    assert Listener(FloatTrack(0.95)).hear(packs(one)).times() == one.falls


def test_an_hour_and_a_half_with_minutes_of_ripple():
    one = truth([(3600.0, 1800.0)] * 5, [[20, 25, 30, 10, 30, 15, 5]])
    assert Listener().hear(packs(one)).times() == one.falls


def test_a_repetition_taken_before_a_change_was_settled_may_come_behind_it():
    """A change is back-dated, so a repetition that is newer by number may be older, or already stale."""
    for offset_s in (-1.0, 1.5):
        one = truth([(300.0, 300.0)] * 4, [])  # changes fall where repetitions are due
        sent = []
        for pack in packs(one):
            change = pack.readings[0] if pack.readings[0].name == NAME else None
            sent.append(pack._replace(seq=2 * pack.seq))
            stale = (Reading(NAME, change.sampled_s + offset_s, not change.value),) if change else pack.readings
            stale += (Reading("battery/voltage", stale[0].sampled_s, 12.5),)
            sent.append(pack._replace(received_s=pack.received_s + 0.1, seq=2 * pack.seq + 1, readings=stale))
        assert Listener().hear(sent).times() == one.falls, offset_s


def test_a_clock_set_back_by_two_hours_costs_the_cycle_under_way_and_no_more():
    one = truth([(300.0, 200.0)] * 12, [])
    set_s = one.falls[5] + 100
    sent = [
        pack
        if pack.received_s > set_s
        else pack._replace(readings=tuple(r._replace(sampled_s=r.sampled_s + 7200) for r in pack.readings))
        for pack in packs(one)
    ]
    heard = Listener().hear(sent)
    assert [fall.time_s for fall in heard.falls] == [time_s + 7200 for time_s in one.falls[:6]] + one.falls[6:]
    assert max(heard.track.flips) <= one.end_s  # or old changes would count as chatter of the coming two hours


def test_a_clock_set_forward_keeps_counting():
    one = truth([(300.0, 200.0)] * 12, [])
    set_s = one.falls[5] + 100
    sent = [
        pack._replace(readings=tuple(r._replace(sampled_s=r.sampled_s - 7200) for r in pack.readings))
        if pack.received_s < set_s
        else pack
        for pack in packs(one)
    ]
    falls = [fall.time_s for fall in Listener().hear(sent).falls]
    assert falls == [time_s - 7200 for time_s in one.falls[:6]] + one.falls[6:]


def test_a_station_that_falls_silent_after_a_fall_has_still_told_it():
    one = truth([(300.0, 200.0)] * 4, [])
    sent = [pack for pack in packs(one) if pack.received_s < one.falls[-1] + 3]
    assert Listener().hear(sent, rest_s=300).times() == one.falls


def test_packs_held_back_for_a_missing_one_are_not_silence():
    """The missing pack tells of ripple after what looked like the fall, and comes just before the hold runs out."""
    one = truth([(60.0, 60.0)] * 3, [[2.5], [3.5, 3.5, 2.75]])
    ripple = Reading(NAME, one.changes[-4][0], True)
    assert one.falls[-1] - 10 < ripple.sampled_s < one.falls[-1]
    sent = [later(pack, 64.0) if pack.readings == (ripple,) else pack for pack in packs(one)]
    assert Listener().hear(sent).times() == one.falls


def test_a_fall_waits_for_ripple_that_is_missing_from_after_it():
    one = truth([(300.0, 193.0)] * 4, [[], [12.0]])
    first_s = one.falls[-1] - 24  # looks like the fall, and a voltage comes between it and the ripple
    assert 6 <= -(first_s - START_S) % 15 <= 13
    ripple = (Reading(NAME, first_s + 12, True),)
    sent = [later(pack, 300.0 if pack.readings == ripple else 0.0) for pack in packs(one)]
    assert Listener().hear(sent).times() == one.falls


def test_a_change_to_what_it_was_already_begins_the_dry_run_anew():
    """The ripple's own report is lost for good; the last report of the fall shows that there was one."""
    one = truth([(300.0, 193.0)] * 4, [[], [12.0]])
    ripple = (Reading(NAME, one.falls[-1] - 12, True),)
    sent = [pack for pack in packs(one) if pack.readings != ripple]
    assert len(sent) == len(packs(one)) - 1
    assert Listener().hear(sent, rest_s=2 * LATE_S).times() == one.falls


def test_ripple_whose_end_comes_late_is_no_phase_though_it_seemed_to_last():
    """The fall before is missing too, so that nothing else shows that the bed had been dry."""
    one = truth([(92.5, 115.5)] * 4, [[2.0, 3.0], [2.0, 2.0, 2.25]])
    late = {(Reading(NAME, one.falls[2], False),): 197.0, (Reading(NAME, one.changes[-8][0], True),): 84.0}
    sent = [later(pack, late.get(pack.readings, 0.0)) for pack in packs(one)]
    assert one.changes[-8][1] and sum(pack.readings in late for pack in sent) == 2
    assert Listener().hear(sent, rest_s=2 * LATE_S).times() == one.falls


def test_changes_of_a_station_without_a_clock_are_in_the_order_of_their_packs():
    """Its times are moments of arrival: what took longer on its way seems to be younger than what was sent after it."""
    one = truth([(100.0, 100.0)] * 6, [[3.75, 2.0], []])
    delayed_s = one.changes[21][0]  # no repetition falls into this wet phase
    sent = [
        pack._replace(received_s=pack.received_s + 3, readings=(Reading(NAME, delayed_s + 3, False),))
        if pack.readings == (Reading(NAME, delayed_s, False),)
        else pack
        for pack in packs(one)
    ]
    assert one.changes[22] < (delayed_s + 3, True) < one.changes[23] and sent != packs(one)
    assert Listener().hear(sent).times() == one.falls


def test_half_a_minute_of_water_after_an_hour_without_is_ripple():
    """A slow bed's first rise, before anything about it is known."""
    rises = [(3100.0, 5.5), (3134.0, 28.0), (3202.0, 850.0), (9000.0, 860.0)]
    changes = [(START_S + at_s + wet_s * (not wet), wet) for at_s, wet_s in rises for wet in (True, False)]
    one = Truth(changes, [changes[5][0], changes[7][0]], START_S + 10_400)
    assert Listener().hear(packs(one)).times() == one.falls


def test_ripple_of_the_first_rise_is_no_fall_though_the_packs_before_and_after_it_come_late():
    one = truth([(84.0, 76.0)] * 3, [[2.0, 2.0]])
    sent = [later(pack, {0: 180.0, 11: 76.0}.get(pack.seq, 0.0)) for pack in packs(one)]
    assert sent[11].readings == (Reading(NAME, START_S + 92, True),)
    assert Listener().hear(sent).times() == one.falls


@pytest.mark.parametrize("first_wet", [True, False])
def test_a_recording_may_begin_with_the_report_of_a_change(first_wet):
    one = truth([(300.0, 200.0)] * 4, [], first_wet)
    sent = [pack for pack in packs(one, first_wet) if pack.received_s > one.changes[0][0] + 1]
    assert sent[0].readings == (Reading(NAME, *one.changes[0]),)
    falls = Listener().hear(sent).falls
    assert [fall.time_s for fall in falls] == one.falls
    assert falls[0].low_s is None and falls[0].period_s is None and (falls[0].high_s is None) is first_wet


def test_a_phase_with_a_report_missing_teaches_nothing():
    """The final report of a rise and the repetition after it are late: the dry phase seems five times as long."""
    one = truth([(83.0, 336.5), (86.0, 333.5), (83.0, 336.5)], [[], [2.0], [2.0, 2.0, 2.75]])
    sent = [later(pack, {46: 475.0, 51: 400.0}.get(pack.seq, 0.0)) for pack in packs(one)]
    assert sent[46].readings == (Reading(NAME, START_S + 523, True),)
    assert Reading(NAME, START_S + 600, True) in sent[51].readings
    assert Listener().hear(sent).times() == one.falls


def test_the_first_packs_of_all_may_come_in_any_order():
    one = truth([(60.0, 60.0)] * 3, [])
    late = {0: 76.0, 1: 61.0, 2: 46.0, 3: 31.0, 4: 16.0, 5: 61.0}
    sent = [later(pack, late.get(pack.seq, 0.0)) for pack in packs(one)]
    assert sent[5].readings == (Reading(NAME, one.changes[0][0], True),)
    assert Listener().hear(sent).times() == one.falls


def test_a_report_that_agrees_with_the_edge_before_it_is_kept_for_what_a_late_pack_puts_between():
    """Ripple about a repetition that is stale but comes first by number, with one of the ripple's reports missing."""
    one = truth([(60.0, 118.25)] * 3, [[2.0, 2.0, 3.5], [3.25]])
    missing = (Reading(NAME, one.falls[-1] - 3.25, True),)
    sent = packs(one)
    assert sum(pack.readings == missing for pack in sent) == 1
    late = [later(pack, 72.0 if pack.readings == missing else 0.0) for pack in sent]
    assert Listener().hear(late).times() == one.falls


def test_a_repetition_that_speaks_before_the_changes_own_report_does_not_fix_its_moment():
    one = truth([(60.0, 389.75)] * 8, [])
    fall_s = one.falls[-1]
    assert (fall_s + 2 - START_S) % 300 == 0
    own = (Reading(NAME, fall_s, False),)
    sent = [later(pack, 1280.0 if pack.readings == own else 0.0) for pack in packs(one)]
    assert Listener().hear(sent).times() == one.falls


def test_what_is_too_old_for_any_backlog_is_forgotten_and_not_told_again():
    one = truth([(300.0, 200.0)] * 60, [])
    heard = Listener().hear(packs(one))
    edges = len(heard.track.edges)
    heard.track.forget(one.falls[40])
    assert len(heard.track.edges) < edges / 2
    heard.track.hear(one.falls[50] - 20, False, late=True, is_change=True)
    heard.track.hear(one.falls[50] - 15, True, late=True, is_change=True)
    heard.advance(heard.now_s + 100)
    assert heard.times() == one.falls


def test_a_slow_beds_falls_are_remembered_for_as_long_as_its_changes():
    one = truth([(4250.0, 860.0)] * 8, [])
    heard = Listener().hear(packs(one))
    heard.track.forget(one.falls[4] + 4000)
    assert heard.track.edges[0].time_s == one.falls[4]
    heard.track.hear(one.falls[6] - 20, False, late=True, is_change=True)
    heard.track.hear(one.falls[6] - 15, True, late=True, is_change=True)
    heard.advance(heard.now_s + 100)
    assert heard.times() == one.falls


def test_water_that_stands_at_the_float_through_a_stop_is_no_cycle_and_spoils_none_after_it():
    """Pump off, the bed full to its float: it dips for seconds now and then. What comes after is as it was before."""
    usual = [(220.0, 50.0)] * 12
    stop = [(220.0, 1000.0), (14.0, 2100.0), (13.0, 700.0), (15.0, 5300.0), (13.0, 4600.0)]
    one = truth(usual + stop + usual, [])
    dips = {fall_s for fall_s in one.falls if any(0 < at_s - fall_s < 20 for at_s, wet in one.changes if wet)}
    assert len(dips) == len(stop) - 1
    assert Listener().hear(packs(one)).times() == [fall_s for fall_s in one.falls if fall_s not in dips]


def test_lengths_of_any_kind_in_a_stop_do_not_become_the_usual_ones():
    """The float moves as it likes, for longer than a dip: each change is told, and so is all that comes after it."""
    usual = [(220.0, 50.0)] * 12
    one = truth(usual + [(40.0, 1000.0), (60.0, 2100.0), (90.0, 700.0), (35.0, 5300.0), (45.0, 4600.0)] + usual, [])
    heard = Listener().hear(packs(one)).times()
    assert heard[-12:] == one.falls[-12:]
