"""The counting of what a month tells people (simulation/notices.py), on a month that is written down by hand."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from simulation import notices

START_S = datetime(2026, 3, 1, 12, 0, tzinfo=ZoneInfo("Australia/Sydney")).timestamp()
DAY_S = 86_400.0


def line(day: float, change: str, alarm: str, subject: str, priority: str) -> dict:
    at_s = START_S + DAY_S * day
    fields = (at_s, at_s, alarm, subject, change, priority, f"{alarm} of {subject}. More.")
    return dict(zip(("time", "since", "alarm", "subject", "change", "priority", "message"), fields, strict=True))


@pytest.fixture
def month(monkeypatch):
    """A pump that stops for six hours, a siphon by night, and a sensor's fault that the truth does not bear out."""
    alarms = [
        line(2.0, "raised", "pump-stopped", "pump", "urgent"),
        line(2.25, "cleared", "pump-stopped", "pump", "urgent"),
        line(5.6, "raised", "siphon-not-starting", "bed-1", "soon"),  # at 02:24
        line(9.0, "raised", "sensor-fault", "bed-1/high", "soon"),
        line(9.5, "cleared", "sensor-fault", "bed-1/high", "soon"),
    ]
    false = ["sensor-fault/bed-1/high day 9.00: sensor-fault of bed-1/high. More."]
    made = notices.Judged(START_S, START_S + 30 * DAY_S, "Australia/Sydney", alarms, false)
    monkeypatch.setattr(notices, "kept", lambda *_: made)
    return lambda **given: notices.play(0, **given)


def test_each_message_is_counted_for_what_it_was(month):
    told = month()
    assert told.alarms == 3 and told.words == 30
    firsts = {alarm for alarm, sort in told.sorts if sort == "first"}
    assert firsts == {"pump-stopped", "siphon-not-starting", "sensor-fault"}
    assert told.sorts["pump-stopped", "over"] == 1 and ("sensor-fault", "over") not in told.sorts, "that is in the word"
    assert sum(told.sorts.values()) == sum(told.told.values())
    assert told.without == {"sensor-fault": 1}


def test_who_answers_later_is_told_more_often(month):
    soon, late = month(answer_min=1.0), month(answer_min=300.0)
    assert late.sorts["pump-stopped", "again"] > soon.sorts["pump-stopped", "again"]
    assert late.sorts["pump-stopped", "next person"] == 1
    assert late.sorts["pump-stopped", "over, next person"] == 1


def test_the_night_is_the_garden_s_own(month, monkeypatch):
    seen = []
    post = notices.Post
    monkeypatch.setattr(notices, "Post", lambda *given, **named: seen.append(post(*given, **named)) or seen[-1])
    month()
    (at_s,) = [time_s for time_s, _, letter in seen[0].got if letter.key == "siphon-not-starting-bed-1"]
    assert f"{datetime.fromtimestamp(at_s, ZoneInfo('Australia/Sydney')):%H:%M}" == "07:00"
