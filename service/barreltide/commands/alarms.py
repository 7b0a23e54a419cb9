"""`barreltide alarms` as text: what stands, what waits for an answer, what is put aside; the journal; its measures."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from ..web.pages.words import lasted

Line = dict[str, Any]


def report(answer: dict[str, Any], zone: ZoneInfo, now_s: float) -> list[str]:
    """What /api/alarms has answered, as lines of text."""
    lines = [line for row in answer["standing"] for line in _standing(row, zone, now_s)] or ["No alarm stands."]
    if answer["returned"]:
        lines += ["", "Over, but nobody has acknowledged it:"]
        lines += [
            f"  {_name(row)}  {moment(row['raised'], zone)} to {moment(row['cleared'], zone)}. {row['message']}"
            for row in answer["returned"]
        ]
    if answer["shelved"]:
        lines += ["", "Put aside:", *(f"  {_aside(row, zone)}" for row in answer["shelved"])]
    if unanswered(answer):
        lines += ["", "`barreltide acknowledge ALARM SUBJECT` (or --all) says that you know and see to it."]
    return lines


def unanswered(answer: dict[str, Any]) -> list[tuple[str, str]]:
    """(alarm, subject) of all that waits to be acknowledged, the most pressing first."""
    rows = [row for row in answer["standing"] if row["state"] == "unacknowledged"] + answer["returned"]
    return [(row["alarm"], row["subject"]) for row in rows]


def moment(time_s: float, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(time_s, zone):%a %d %b %H:%M}"


def _name(row: Line) -> str:
    return f"{row['alarm']} {row['subject']}"


def _standing(row: Line, zone: ZoneInfo, now_s: float) -> list[str]:
    state = row["state"]
    if state == "acknowledged":
        state += f" {moment(row['acknowledged'], zone)}" + (
            f" by {row['acknowledged_by']}" if row["acknowledged_by"] else ""
        )
    signs = [word for word in ("chattering", "stale") if row.get(word)]
    head = f"{_name(row)}  {', '.join([row['priority'], state, *signs])}"
    since = f"since {moment(row['since'], zone)}, {lasted(now_s - row['since'])}"
    return [f"{head}, {since}", f"  {row['message']} {row['consequence']}", f"  What to do: {row['action']}"]


def _aside(row: Line, zone: ZoneInfo) -> str:
    until = f"until {moment(row['until'], zone)}" if row["until"] is not None else "until it is said otherwise"
    by = f" by {row['by']}" if row["by"] else ""
    holds = "It holds just now." if row["holds"] else "It does not hold just now."
    return f"{_name(row)}  {row['state'].replace('-', ' ')}{by} {until}: {row['reason']}. {holds}"


def journal(lines: Iterable[Line], zone: ZoneInfo) -> list[str]:
    """Raisings, clearings and answers, in the order given."""
    told = []
    for line in lines:
        words = f"{moment(line['time'], zone)}  {line['change']:<14}  {line['alarm']} {line['subject']}"
        if line["event"] == "alarm":
            words += f" ({line['priority']}): {line['message']}"
        else:
            words += in_words(line, zone)
        told.append(words)
    return told or ["No alarm has been raised yet."]


def in_words(line: Line, zone: ZoneInfo) -> str:
    """By whom, until when and why: the rest of an answer's line."""
    words = f" by {line['who']}" if line["who"] else ""
    words += f", until {moment(line['until'], zone)}" if line["until"] is not None else ""
    return words + (f": {line['reason']}" if line["reason"] else "")


def statistics(found: dict[str, Any], zone: ZoneInfo) -> list[str]:
    """The measures of journal.py as text."""
    count, priorities = found["alarms"], found["priorities"]
    shares = ", ".join(f"{row['alarms']} {name} ({100 * row['share']:.0f} %)" for name, row in priorities.items())
    lines = [
        f"From {moment(found['since'], zone)} to {moment(found['until'], zone)}:",
        f"alarms               {count}, {found['alarms_a_day']:.2f} a day" + (f": {shares}" if count else ""),
        f"time to acknowledge  {_answers(found)}",
        f"chattering           {_named(found['chattering'], lambda row: _times(row['times']))}",
        f"floods               {_times(found['floods']) if found['floods'] else 'none'}",
        f"stale                {_named(found['stale'], lambda row: lasted(row['stood_s']))}",
        f"standing now         {_named(found['standing'], lambda row: lasted(row['stood_s']))}",
    ]
    if found["worst"]:
        lines += ["", "The worst:"]
    return lines + [f"{row['alarms']:6d}  {100 * row['share']:3.0f} %  {_name(row)}" for row in found["worst"]]


def _answers(found: dict[str, Any]) -> str:
    if not found["answered"]:
        return f"none of {found['alarms']} was answered" if found["alarms"] else "–"
    spans = [lasted(found[f"time_to_acknowledge_{which}_s"]) for which in ("median", "longest")]
    words = f"{spans[0]} (median), {spans[1]} (longest)"
    return words + (f"; {found['unanswered']} of {found['alarms']} never" if found["unanswered"] else "")


def _named(rows: list[Line], of) -> str:
    return "; ".join(f"{_name(row)} ({of(row)})" for row in rows) or "none"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
