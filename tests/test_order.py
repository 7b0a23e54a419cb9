"""Packs are released once each, in order while it can be known, and what is missing is told."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from barreltide.core.order import HOLD_S, Gap, Release, StationOrder
from barreltide.core.reading import Pack, Reading

START_S = 1_790_000_000.0


def pack(seq: int, boot: int = 1, received_s: float | None = None, sampled_s: float | None = None) -> Pack:
    sampled_s = START_S + 15 * seq if sampled_s is None else sampled_s
    return Pack(received_s or sampled_s + 1, "barrels", boot, seq, (Reading("battery/voltage", sampled_s, 12.5),))


def hear(order: StationOrder, packs: list[Pack]) -> list:
    """Releases of packs taken in order of arrival, with a tick each ten seconds and a long rest at the end."""
    released, now_s = [], START_S
    for one in sorted(packs, key=lambda one: one.received_s):
        while now_s + 10 <= one.received_s:
            now_s += 10
            released += order.tick(now_s)
        released += order.add(one)
    return released + order.tick(max(one.received_s for one in packs) + 2 * HOLD_S)


def seqs(released: list) -> list[int]:
    return [release.pack.seq for release in released]


@given(st.lists(st.floats(0, HOLD_S - 12), min_size=2, max_size=40), st.data())
def test_packs_that_overtake_one_another_within_the_hold_come_out_in_order(delays, data):
    packs = [pack(seq, received_s=START_S + 15 * seq + delay) for seq, delay in enumerate([0.0, *delays])]
    again = [one._replace(received_s=one.received_s + 40) for one in data.draw(st.lists(st.sampled_from(packs)))]
    order = StationOrder()
    released = hear(order, packs + again)
    assert seqs(released) == list(range(len(packs)))
    assert not any(release.late or release.gap for release in released)
    assert order.gaps == []


@given(st.lists(st.floats(0, 5000), min_size=2, max_size=40), st.data())
def test_however_late_and_however_often_each_pack_is_released_once(delays, data):
    packs = [pack(seq, received_s=START_S + 15 * seq + delay) for seq, delay in enumerate(delays)]
    again = [one._replace(received_s=one.received_s + 900) for one in data.draw(st.lists(st.sampled_from(packs)))]
    order = StationOrder()
    released = hear(order, packs + again)
    assert sorted(seqs(released)) == list(range(len(packs)))
    in_turn = [release.pack.seq for release in released if not release.late]
    assert in_turn == sorted(in_turn)
    assert order.gaps == []


def test_a_pack_lost_for_good_becomes_a_gap_that_reaches_over_what_it_may_have_held():
    order = StationOrder()
    released = hear(order, [pack(0), pack(1), pack(3), pack(4)])
    assert seqs(released) == [0, 1, 3, 4]
    (gap,) = order.gaps
    assert released[2].gap is gap and gap.missing == {2}
    assert gap.from_s < START_S + 15 and gap.to_s == START_S + 45
    assert order.add(pack(2, received_s=START_S + 4000))[0].late
    assert order.gaps == []


def test_many_losses_do_not_add_up_to_a_lag():
    order = StationOrder()
    packs = [pack(seq) for seq in range(2000) if seq % 3]
    released = hear(order, packs[:-10])
    last_s = packs[-11].received_s
    assert seqs(released) == [one.seq for one in packs[:-10]]
    assert [release.pack.seq for release in order.add(packs[-10])] in ([], [packs[-10].seq])
    assert order.sampled_s > last_s - 60


def is_change(
    floats: int, readings: tuple[Reading, ...], known: bool | None = None, seq: int = 5, missing: bool = False
) -> bool:
    """Of the first reading, in a station whose floats have been repeated every 300 s until START_S - 300; missing: a
    pack since then."""
    order = StationOrder()
    names = [f"bed-{k + 1}/high" for k in range(floats)]
    for k in range(-6, 0):
        repeated = tuple(Reading(name, START_S + 300 * k, False) for name in names)
        one = pack(k + 7)._replace(readings=(*repeated, Reading("battery/voltage", START_S + 300 * k, 12.6)))
        for release in order.add(one):
            order.is_change(release, repeated[0], False)
    if missing:
        order.gaps.append(Gap(START_S - 250, START_S - 200, {8}, START_S - 100))
    return order.is_change(Release(pack(seq)._replace(readings=readings)), readings[0], known)


def test_a_change_is_told_from_a_repetition_by_its_company_and_its_number():
    alone = (Reading("bed-1/high", START_S + 100, True),)
    measured = (*alone, Reading("battery/voltage", START_S + 100, 12.6))
    together = (*measured, Reading("bed-2/high", START_S + 100, False))
    assert is_change(2, alone) and is_change(2, measured)  # a voltage taken in the same moment proves nothing
    assert not is_change(2, together)
    assert not is_change(2, alone, seq=0)  # a boot begins with its states


@pytest.mark.parametrize("floats", [1, 2])
def test_the_same_again_is_no_change_where_nothing_is_missing(floats):
    """A neighbour that is undecided is left out of a repetition; a lone float's may come out of any rhythm."""
    alone = (Reading("bed-1/high", START_S + 100, False),)
    assert not is_change(floats, alone, known=False)
    assert is_change(floats, alone, known=False, missing=True)


def test_a_float_that_is_left_out_for_long_no_longer_counts_among_those_repeated_together():
    order = StationOrder()
    taken = []
    for seq in range(1, 20):
        at_s = START_S + 300.0 * seq
        names = ["bed-1/high", "bed-2/high", *(["sump/low"] if seq < 5 else [])]
        readings = tuple(Reading(name, at_s, True) for name in names)
        volts = [pack(1000 + k)._replace(readings=(Reading("battery/voltage", at_s - 300 + 60 * k, 12.6),))
                 for k in range(1, 5)]  # fmt: skip
        packs = [*volts, pack(0)._replace(readings=readings)]
        for k, one in enumerate(packs):
            (release,) = order.add(one._replace(seq=5 * seq + k))
        taken.append(order.is_change(release, readings[0], True))
    assert taken[:4] == [False] * 4 and not any(taken[10:]), taken


def test_a_lone_float_is_repeated_in_its_rhythm_or_in_another_readings_moment():
    def told(at_s: float) -> tuple[Reading, ...]:
        return (Reading("bed-1/high", at_s, True), Reading("battery/voltage", at_s, 12.6))

    between, due = told(START_S + 100), told(START_S + 301)
    assert is_change(1, between, known=False) and is_change(1, between[:1], known=False)
    assert not is_change(1, between, known=True)
    assert is_change(1, between[:1], known=True, missing=True)  # the change before it was missed
    assert not is_change(1, due[:1], known=True, missing=True) and not is_change(1, due, known=False)
    assert not is_change(
        1, told(START_S + 12)[:1], known=True, missing=True
    )  # a careful station waits while the float is undecided


def repeating() -> tuple[StationOrder, float]:
    """A lone float that was wet each time, and when it is due next."""
    order = StationOrder()
    for k in range(6):
        repeated = Reading("bed-1/high", START_S + 250 * k, True)
        (release,) = order.add(pack(k)._replace(readings=(repeated,)))
        order.is_change(release, repeated, True)
    return order, START_S + 1500


def test_a_lone_floats_repetition_within_a_changes_debouncing_is_no_change_back():
    """The change carries the moment before its debouncing, so it is dated before a repetition that came before it."""
    for company in ((), (Reading("battery/voltage", START_S + 1498, 12.6),)):
        order, due_s = repeating()
        fell, stale = Reading("bed-1/high", due_s - 2, False), Reading("bed-1/high", due_s, True)
        release = Release(pack(6)._replace(readings=(fell, *company, stale)))
        assert order.is_change(release, fell, True, due_s - 400)
        assert not order.is_change(release, stale, False, fell.sampled_s)
    assert order.is_change(Release(pack(6)._replace(readings=(stale,))), stale, False, due_s - 100)  # it fell long ago


@pytest.mark.parametrize("wet", [False, True], ids=["what it was", "what it was before the change's debouncing"])
def test_a_change_just_after_a_lone_floats_repetition_is_no_second_one(wet):
    """Ripple at the surface: it falls, is repeated, and rises for good within three seconds."""
    order, due_s = repeating()
    fell, repeated, last = (
        Reading("bed-1/high", due_s + at_s, is_wet) for at_s, is_wet in ((-2.5, False), (0.0, wet), (0.7, True))
    )
    assert order.is_change(Release(pack(6)._replace(readings=(fell,))), fell, True, due_s - 400)
    assert not order.is_change(Release(pack(7)._replace(readings=(repeated,))), repeated, False, fell.sampled_s)
    assert order.is_change(Release(pack(8)._replace(readings=(last,))), last, False, fell.sampled_s)


def test_a_missed_change_among_the_first_repetitions_does_not_spoil_a_lone_floats_rhythm():
    order = StationOrder()

    def ask(seq: int, at_s: float, wet: bool, known: bool) -> bool:
        readings = (Reading("bed-1/high", START_S + at_s, wet), Reading("battery/voltage", START_S + at_s, 12.6))
        (release,) = order.add(pack(seq)._replace(readings=readings[: 2 if at_s % 300 == 0 else 1]))
        return order.is_change(release, readings[0], known)

    ask(0, 0.0, False, False)
    assert not ask(1, 300.0, False, False)
    ask(2, 576.0, False, False)  # it was wet meanwhile, and that report is missing
    assert [ask(seq, 300.0 * (seq - 1), False, False) for seq in (3, 4)] == [False, False]
    assert not ask(5, 1200.0, False, True)


def ask_alone(order: StationOrder, boot: int, seq: int, at_s: float, shared: bool = False) -> bool:
    """Of a lone float that says again what it said before, now and then in the moment of another reading."""
    readings = (Reading("bed-1/high", START_S + at_s, False), Reading("battery/voltage", START_S + at_s, 12.6))
    one = pack(seq, boot, received_s=START_S + at_s + 1)._replace(readings=readings[: 1 + shared])
    return order.is_change(order.add(one)[-1], readings[0], False)


def test_a_lone_floats_rhythm_survives_a_repetition_that_falls_into_another_readings_moment():
    order = StationOrder()
    assert not any([ask_alone(order, 1, seq, 120.0 * seq, shared=seq == 6) for seq in range(12)][5:])


def test_a_lone_floats_rhythm_begins_anew_with_its_station_and_follows_its_clock():
    order = StationOrder()
    assert not any([ask_alone(order, 1, seq, 120.0 * seq) for seq in range(12)][5:])
    assert not any([ask_alone(order, 2, seq, 1500.0 + 120.0 * seq) for seq in range(12)])
    later = [ask_alone(order, 2, seq, 1560.0 + 120.0 * seq) for seq in range(12, 30)]  # its clock was set
    assert not any(later[4:])


def test_no_pack_is_held_for_longer_because_one_before_it_came_too():
    order = StationOrder()
    for one in (pack(0), pack(3), pack(2, received_s=START_S + 45 + HOLD_S)):
        order.add(one)
    assert seqs(order.tick(START_S + 47 + HOLD_S)) == [2, 3]


def test_a_station_that_starts_again_leaves_a_gap_and_its_old_packs_still_count():
    order = StationOrder()
    old = [pack(seq) for seq in range(5)]
    new = [pack(seq, boot=2, sampled_s=START_S + 200 + 15 * seq) for seq in range(3)]
    released = hear(order, [*old[:3], *new, *(one._replace(received_s=START_S + 400) for one in old[2:])])
    assert [(release.pack.boot, release.pack.seq, release.late) for release in released] == [
        (1, 0, False), (1, 1, False), (1, 2, False), (2, 0, False), (2, 1, False), (2, 2, False),
        (1, 3, True), (1, 4, True),
    ]  # fmt: skip
    (gap,) = order.gaps
    assert gap.from_s == START_S + 60 and gap.to_s == START_S + 200


def test_an_earlier_boots_backlog_that_is_met_first_after_the_later_boot_is_late():
    order = StationOrder()
    now = [pack(seq, boot=2, sampled_s=START_S + 900 + 15 * seq) for seq in range(3)]
    old = [pack(seq, received_s=START_S + 1000 + seq) for seq in range(5)]
    released = hear(order, now + old)
    assert [release.late for release in released] == [False] * 3 + [True] * 5
    assert order.sampled_s == START_S + 930


def test_packs_from_before_the_first_that_was_heard_are_released_once():
    order = StationOrder()
    packs = [pack(7), pack(8), pack(3, received_s=START_S + 300), pack(3, received_s=START_S + 400)]
    assert seqs(hear(order, packs)) == [7, 8, 3]


def test_a_clock_that_is_set_back_begins_anew():
    order = StationOrder()
    first = [pack(seq, sampled_s=START_S + 7200 + 15 * seq, received_s=START_S + 15 * seq + 1) for seq in range(5)]
    then = [pack(seq) for seq in range(5, 9)]
    released = hear(order, first + then)
    assert [release.set_back for release in released] == [False] * 5 + [True] + [False] * 3
    assert order.sampled_s == START_S + 15 * 8


def test_a_number_far_ahead_keeps_its_limit():
    order = StationOrder()
    released = hear(order, [pack(0), pack(2**40, sampled_s=START_S + 30)])
    assert seqs(released) == [0, 2**40]
    assert len(order.gaps[0].missing) == 20_000
