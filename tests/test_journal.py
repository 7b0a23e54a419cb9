"""The journal's measures on journals made by hand, whose answers can be counted on fingers.

The figures (three within a minute, more than ten within ten minutes, a day and a second) are those of ISA-18.2 and
IEC 62682 as the trade restates them; the journals are ours.
"""

from __future__ import annotations

import json
from zoneinfo import ZoneInfo

import pytest

from barreltide import journal
from barreltide.commands.alarms import statistics
from barreltide.core.alarm import Alarms
from barreltide.core.event import AlarmAnswered, AlarmChanged, as_line
from barreltide.core.reading import Answered

DAY_S = 86_400.0
NOW_S = 1_790_000_000.0
SINCE_S = NOW_S - 30 * DAY_S
STOPPED, WARM = ("pump-stopped", "pump"), ("water-too-warm", "sump")


def change(at_s: float, what: str, key=STOPPED) -> dict:
    priority = "urgent" if key == STOPPED else "soon"
    return as_line(AlarmChanged(at_s, at_s - 60, *key, what, priority, "Seen."))


def said(at_s: float, what: str, key=STOPPED) -> dict:
    return as_line(AlarmAnswered(at_s, *key, what, None, "", "anna"))


def span(from_s: float, to_s: float | None, key=STOPPED, answered_s: float | None = None) -> list[dict]:
    lines = [change(from_s, "raised", key)]
    lines += [] if to_s is None else [change(to_s, "cleared", key)]
    return lines + ([] if answered_s is None else [said(answered_s, "acknowledged", key)])


def measured(*journals: list[dict]) -> dict:
    found = journal.measures(journal.merged(*journals), SINCE_S, NOW_S)
    json.dumps(found)
    return found


def test_nothing_gives_nothing():
    found = measured([])
    assert (found["alarms"], found["alarms_a_day"], found["days"], found["worst"]) == (0, 0.0, 30.0, [])
    assert found["time_to_acknowledge_median_s"] is None and found["floods"] == 0
    assert all(row == {"alarms": 0, "share": 0.0} for row in found["priorities"].values())
    assert "none" in "\n".join(statistics(found, ZoneInfo("UTC")))


def test_alarms_a_day_and_shares_count_raisings():
    rows = [span(SINCE_S + n * DAY_S, SINCE_S + n * DAY_S + 600) for n in range(3)]
    rows.append(span(SINCE_S + 5 * DAY_S, SINCE_S + 5 * DAY_S + 600, WARM))
    rows.append(span(SINCE_S - 5, SINCE_S + 600, ("battery-low", "battery")))  # raised before
    found = measured(*rows)
    assert (found["alarms"], found["alarms_a_day"]) == (4, round(4 / 30, 4))
    assert found["priorities"]["urgent"] == {"alarms": 3, "share": 0.75}
    assert found["priorities"]["soon"] == {"alarms": 1, "share": 0.25} and found["priorities"]["note"]["alarms"] == 0
    assert found["worst"] == [
        {"alarm": "pump-stopped", "subject": "pump", "alarms": 3, "share": 0.75},
        {"alarm": "water-too-warm", "subject": "sump", "alarms": 1, "share": 0.25},
    ]


def test_the_worst_are_ten_at_most():
    rows = [span(SINCE_S + n, SINCE_S + n + 0.5, ("sensor-fault", f"x/{n % 12:02}")) for n in range(25)]
    worst = measured(*rows)["worst"]
    assert len(worst) == 10 and worst[0]["subject"] == "x/00" and [row["alarms"] for row in worst] == [3] + [2] * 9


@pytest.mark.parametrize(
    ("starts", "times"),
    [([0, 30, 60], 1), ([0, 30, 60.1], 0), ([0, 10], 0), ([0, 10, 20, 30, 40], 1), ([0, 10, 20, 500, 510, 520], 2)],
)
def test_three_raisings_within_a_minute_are_chatter(starts, times):
    rows = [span(SINCE_S + s, SINCE_S + s + 5) for s in starts]
    found = measured(*rows, span(SINCE_S + 15, SINCE_S + 16, WARM))
    assert found["chattering"] == ([{"alarm": "pump-stopped", "subject": "pump", "times": times}] if times else [])


@pytest.mark.parametrize(("count", "within_s", "floods"), [(11, 600, 1), (10, 600, 0), (11, 601, 0), (30, 600, 1)])
def test_more_than_ten_within_ten_minutes_are_a_flood(count, within_s, floods):
    rows = [
        span(SINCE_S + n * within_s / (count - 1), SINCE_S + 9000, ("sensor-fault", f"x/{n}")) for n in range(count)
    ]
    assert measured(*rows)["floods"] == floods


def test_stale_is_what_stood_for_more_than_a_day_and_may_have_begun_before():
    exactly = span(SINCE_S + 100, SINCE_S + 100 + DAY_S)
    longer = span(SINCE_S + 100, SINCE_S + 101 + DAY_S, WARM)
    before = span(SINCE_S - 9 * DAY_S, SINCE_S + 60, ("battery-low", "battery"))
    long_ago = span(SINCE_S - 9 * DAY_S, SINCE_S - 60, ("sump-low", "sump"))
    standing = span(NOW_S - 2 * DAY_S, None, ("bed-starved", "bed-1"))
    young = span(NOW_S - 60, None, ("bed-starved", "bed-2"))
    found = measured(exactly, longer, before, long_ago, standing, young)
    assert [(row["subject"], row["stood_s"]) for row in found["stale"]] == [
        ("battery", 9 * DAY_S + 60), ("sump", DAY_S + 1), ("bed-1", 2 * DAY_S)]  # fmt: skip
    assert [(row["subject"], row["cleared"]) for row in found["standing"]] == [("bed-1", None), ("bed-2", None)]


def test_time_to_acknowledge_is_from_raising_to_the_first_answer():
    rows = [
        span(SINCE_S, SINCE_S + 900, answered_s=SINCE_S + 60),
        span(SINCE_S + DAY_S, SINCE_S + DAY_S + 300, answered_s=SINCE_S + DAY_S + 7200),  # long after it was over
        [*span(SINCE_S + 2 * DAY_S, SINCE_S + 2 * DAY_S + 120), said(SINCE_S + 2 * DAY_S + 120, "shelved")],
        span(SINCE_S + 3 * DAY_S, SINCE_S + 3 * DAY_S + 900),  # never
        [said(SINCE_S + 2 * DAY_S + 500, "unshelved"), said(SINCE_S + 2 * DAY_S + 600, "acknowledged")],  # answered
        [said(SINCE_S + 2 * DAY_S + 700, "acknowledged", WARM)],  # of what was never raised
    ]
    found = measured(*rows)
    assert (found["answered"], found["unanswered"]) == (3, 1)
    assert (found["time_to_acknowledge_median_s"], found["time_to_acknowledge_longest_s"]) == (120, 7200)
    text = "\n".join(statistics(found, ZoneInfo("UTC")))
    assert "time to acknowledge  2 min (median), 2 h 0 min (longest); 1 of 4 never" in text


def test_twice_raised_is_once_and_cleared_without_a_raising_is_nothing():
    lines = [change(SINCE_S, "cleared"), change(SINCE_S + 1, "raised"), change(SINCE_S + 2, "raised")]
    assert [row[3:] for row in journal.standings(lines)] == [(SINCE_S + 1, None, None)]


def test_lines_of_one_moment_make_sense_whatever_their_kind():
    alarms = [change(10, "raised"), change(10, "cleared"), change(20, "raised"), change(30, "cleared")]
    answers = [said(20, "unshelved"), said(30, "shelved")]
    merged = journal.merged(alarms, answers)
    assert [line["change"] for line in merged] == ["raised", "cleared", "unshelved", "raised", "cleared", "shelved"]
    assert [row[3:] for row in journal.standings(merged)] == [(10, 10, None), (20, 30, 30)]


def test_the_engine_s_own_lines_can_be_measured():
    alarms = Alarms({STOPPED: []})
    alarms.report(SINCE_S + 10, *STOPPED, SINCE_S, "Seen.")
    alarms.answer(SINCE_S + 70, Answered(SINCE_S + 70, "shelved", *STOPPED, SINCE_S + 600, "cleaning", "anna"))
    alarms.tick(SINCE_S + 600)
    alarms.hold(SINCE_S + 700, "it rests", [STOPPED], SINCE_S + 900)
    lines = [as_line(event) for event in alarms.events]
    found = measured(
        [line for line in lines if line["event"] == "alarm"], [ln for ln in lines if ln["event"] != "alarm"]
    )
    assert (found["alarms"], found["answered"], found["standing"]) == (2, 2, [])
    assert (found["time_to_acknowledge_median_s"], found["time_to_acknowledge_longest_s"]) == (80, 100)


def test_what_was_put_aside_is_put_aside_again_for_an_engine_that_begins_later():
    def line(at_s, what, key, until=None):
        return as_line(AlarmAnswered(at_s, *key, what, until, "winter", "anna"))

    lines = [
        line(10, "out-of-service", STOPPED), line(20, "shelved", WARM, 500.0),
        line(30, "shelved", ("battery-low", "battery"), 90.0), line(40, "out-of-service", ("sump-low", "sump")),
        line(50, "in-service", ("sump-low", "sump")), line(60, "acknowledged", STOPPED),
    ]  # fmt: skip
    assert journal.put_aside(lines, 100.0) == [
        Answered(100.0, "out-of-service", *STOPPED, None, "winter", "anna"),
        Answered(100.0, "shelved", *WARM, 500.0, "winter", "anna"),
    ]
