"""The sump's low mark: what a flood borrows, what is only held upstairs, and water that is lost."""

from __future__ import annotations

import pytest

from barreltide.core.alarm import Alarms
from barreltide.core.sump import Sump
from small_garden import HOUR_S, NOON_S, Garden, alarms, drive, monitor

PERIOD_S = 5400.0
MINUTE_S = 60.0


def watch(*hours: tuple[float, bool, list[float]]) -> list[float]:
    """When sump-low was raised, in minutes. hours: (minutes, the mark is covered, share of each bed's flood so far)."""
    told = Alarms({})
    sump, now_s = Sump(told), 0.0
    for minutes, is_covered, flooded in hours:
        until_s = now_s + minutes * MINUTE_S
        while now_s < until_s:
            sump.hear_low(now_s, is_covered)
            sump.compare(now_s, flooded)
            if sump.is_in_spell:
                sump.judge(now_s, now_s, PERIOD_S, False)
            now_s += MINUTE_S
    return [event.time / MINUTE_S for event in told.events if event.change == "raised"]


def test_a_mark_that_falls_dry_with_less_upstairs_than_once_tells_of_lost_water_within_minutes():
    covered = (60, True, [0.45, 0.25])
    (told,) = watch(covered, (30, True, [0.0, 0.0]), (60, False, [0.0, 0.0]))
    assert 95 <= told <= 97
    (told,) = watch(covered, (60, False, [0.3, 0.15]))
    assert 65 <= told <= 67


@pytest.mark.parametrize("flooded", [[0.45, 0.25], [0.3, 0.4], [0.5, 0.0]], ids=["as much", "another's", "one's crest"])
def test_what_may_be_upstairs_is_no_loss(flooded):
    assert watch((60, True, [0.45, 0.25]), (50, False, flooded)) == []


@pytest.mark.parametrize(
    "flood",
    [
        [(9, True, [0.3]), (3, False, [0.7]), (9, True, [0.95]), (9, True, [0.0]), (9, True, [0.3]), (9, False, [0.7])],
        [(10, True, [0.95, 0.9]), (30, True, [0.0, 0.0]), (12, False, [0.6, 0.6])],
    ],
    ids=["one bed, dry at the crest", "two beds that had met when both drained"],
)
def test_a_bed_that_drains_holds_less_than_at_its_crest_and_proves_no_loss(flood):
    assert watch(*flood) == []


def test_nothing_is_compared_with_the_time_before_a_rest_in_which_water_may_have_been_changed():
    sump = Sump(Alarms({}))
    sump.hear_low(0.0, True)
    sump.compare(0.0, [0.9])
    sump.count_from(60.0)
    for minute in range(2, 12):
        sump.hear_low(minute * MINUTE_S, False)
        sump.compare(minute * MINUTE_S, [0.0])
        sump.judge(minute * MINUTE_S, minute * MINUTE_S, PERIOD_S, False)
    assert not sump._alarms.is_standing("sump-low", "sump")


def test_a_spell_in_which_the_float_is_no_longer_read_is_the_sensors_fault_and_no_loss():
    off_s = NOON_S + 3 * HOUR_S
    garden = Garden(end_s=NOON_S + 6 * HOUR_S)
    garden.floats = {f"{bed}/high": garden.changes(bed) for bed in garden.beds} | {
        "sump/low": [(NOON_S + 30, True), (off_s - 60, False)]
    }
    packs = (
        pack._replace(readings=tuple(r for r in pack.readings if r.name != "sump/low" or r.sampled_s < off_s))
        for pack in garden.packs()
    )
    found = alarms(drive(monitor(), packs, garden.end_s))
    assert ("sensor-fault", "sump/low", "raised") in found


def test_a_sump_that_every_flood_draws_down_is_well_again_after_a_spell_as_usual():
    told = Alarms({})
    sump, now_s = Sump(told), 0.0
    usual = [(70, True), (20, False)]
    for minutes, is_covered in [*usual * 4, (70, True), (200, False), *usual * 2, (70, True)]:
        for _ in range(minutes):
            sump.hear_low(now_s, is_covered)
            if sump.is_in_spell:
                sump.judge(now_s, now_s, PERIOD_S, False)
            told.tick(now_s)
            now_s += MINUTE_S
    raised, cleared = told.events
    assert (raised.change, cleared.change) == ("raised", "cleared")
    well_s = MINUTE_S * (90 * 4 + 70 + 200 + 90)  # the mark comes up after the first spell as usual
    assert well_s < cleared.time < well_s + 300


def test_a_rise_over_the_mark_in_a_pack_that_never_came_is_no_lost_water():
    """Nothing tells of it before the mark is repeated."""
    garden = Garden({"bed-1": (400.0, 200.0)}, end_s=NOON_S + 5 * HOUR_S)
    marks = [(NOON_S + 600 * k + at_s, at_s > 200) for k in range(30) for at_s in (130, 320)]
    garden.floats = {"bed-1/high": garden.changes("bed-1"), "sump/low": [(NOON_S + 20, True), *marks]}
    lost = ("sump/low", NOON_S + 600 * 20 + 320, True)
    packs = [pack for pack in garden.packs() if lost not in pack.readings]
    assert len(packs) == len(list(garden.packs())) - 1
    assert alarms(drive(monitor(beds=["bed-1"]), packs, garden.end_s)) == []
