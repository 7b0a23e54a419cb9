"""What the journal of alarms tells: its measures after IEC 62682 (ISA-18.2), and what was put aside. Pure: lines in.

A journal is the lines of kind "alarm" and "answer" in order of time, as the store keeps them. From a raising to its
clearing is one standing. Its answer is the first word of a grower to it, be it an acknowledgement, a shelf, or a rest
of the pump, also after it was over; what was never answered counts for no time.

| measure | counted |
|---|---|
| alarms a day | raisings in the span, over its days |
| worst ten | alarms by their raisings, with their share of all |
| chattering | three raisings of one alarm within a minute |
| flood | more than ten raisings within ten minutes |
| stale | standings of more than a day |
| time to acknowledge | from raising to answer: median and longest |
| priorities | share of the raisings |

The published targets are for plants with operators on duty; here one raising a day is already too many. A raising from
the shelf is a raising: it calls somebody.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from statistics import median
from typing import Any, NamedTuple

from .core.alarm import CHATTER_RAISES, CHATTER_S, ORDER, STALE_S
from .core.reading import Answered

DAY_S = 86_400.0
FLOOD_S, FLOOD_RAISES = 600.0, 10
WORST = 10
ANSWERS = ("acknowledged", "shelved", "out-of-service", "held-back")

Line = dict[str, Any]
Key = tuple[str, str]


class Standing(NamedTuple):
    """One raising and its clearing, None while it stands; answered_s: the first answer, None before it."""

    alarm: str
    subject: str
    priority: str
    raised_s: float
    cleared_s: float | None
    answered_s: float | None


def merged(*journals: Iterable[Line]) -> list[Line]:
    """One journal of several, in order of time. Alarms of one moment keep their order among themselves."""
    return sorted((line for lines in journals for line in lines), key=lambda line: (line["time"], _rank(line)))


def _rank(line: Line) -> int:
    """Taking back brings a raising about, and any other answer is one to what was raised before."""
    return 0 if line["event"] == "alarm" else -1 if line["change"] in ("unshelved", "in-service") else 1


def standings(journal: list[Line]) -> list[Standing]:
    """In order of their raising. A clearing without a raising is passed over, a second raising is the same one."""
    found: list[Standing] = []
    newest: dict[Key, int] = {}
    for line in journal:
        key = line["alarm"], line["subject"]
        last = found[newest[key]] if key in newest else None
        if line["event"] == "answer":
            if last is not None and last.answered_s is None and line["change"] in ANSWERS:
                found[newest[key]] = last._replace(answered_s=line["time"])
        elif line["change"] == "raised":
            if last is None or last.cleared_s is not None:
                newest[key] = len(found)
                found.append(Standing(*key, line["priority"], line["time"], None, None))
        elif last is not None and last.cleared_s is None:
            found[newest[key]] = last._replace(cleared_s=line["time"])
    return found


def measures(journal: list[Line], since_s: float, now_s: float) -> dict[str, Any]:
    """The measures of the span; times in Unix seconds, spans in seconds, shares from 0 to 1. A standing counts where it
    was raised in the span, but for what is stale or stands now."""
    everything = [row for row in standings(journal) if row.raised_s <= now_s]
    rows = [row for row in everything if row.raised_s >= since_s]
    days = max(now_s - since_s, 1.0) / DAY_S
    counts = Counter((row.alarm, row.subject) for row in rows)
    waits = [row.answered_s - row.raised_s for row in rows if row.answered_s is not None]
    stale = [row for row in everything if _end_s(row, now_s) - row.raised_s > STALE_S and _end_s(row, now_s) >= since_s]
    return {
        "since": since_s, "until": now_s, "days": round(days, 3),
        "alarms": len(rows), "alarms_a_day": round(len(rows) / days, 4),
        "priorities": {
            name: {"alarms": count, "share": round(count / len(rows), 4) if rows else 0.0}
            for name in ORDER for count in [sum(row.priority == name for row in rows)]
        },
        "worst": [
            {"alarm": key[0], "subject": key[1], "alarms": count, "share": round(count / len(rows), 4)}
            for key, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:WORST]
        ],
        "chattering": [
            {"alarm": key[0], "subject": key[1], "times": times}
            for key in counts
            if (times := _bursts(_raisings(rows, key), CHATTER_RAISES, CHATTER_S))
        ],
        "floods": _bursts([row.raised_s for row in rows], FLOOD_RAISES + 1, FLOOD_S),
        "stale": [_shown(row, now_s) for row in stale],
        "standing": [_shown(row, now_s) for row in everything if row.cleared_s is None],
        "answered": len(waits), "unanswered": len(rows) - len(waits),
        "time_to_acknowledge_median_s": round(median(waits), 3) if waits else None,
        "time_to_acknowledge_longest_s": round(max(waits), 3) if waits else None,
    }  # fmt: skip


def _end_s(row: Standing, now_s: float) -> float:
    return now_s if row.cleared_s is None else row.cleared_s


def _raisings(rows: list[Standing], key: Key) -> list[float]:
    return [row.raised_s for row in rows if (row.alarm, row.subject) == key]


def _shown(row: Standing, now_s: float) -> Line:
    return {
        "alarm": row.alarm, "subject": row.subject, "raised": row.raised_s, "cleared": row.cleared_s,
        "stood_s": round(_end_s(row, now_s) - row.raised_s, 3),
    }  # fmt: skip


def _bursts(times_s: list[float], count: int, span_s: float) -> int:
    """How often so many fell into the span; one burst that lasts is one."""
    bursts, window, is_within = 0, deque[float](maxlen=count), False
    for time_s in times_s:
        window.append(time_s)
        was_within, is_within = is_within, len(window) == count and window[-1] - window[0] <= span_s
        bursts += is_within and not was_within
    return bursts


def put_aside(answers: list[Line], at_s: float) -> list[Answered]:
    """What was shelved or out of service at that moment, as inputs of it, for an engine that begins there."""
    aside: dict[Key, Line] = {}
    for line in answers:
        key = line["alarm"], line["subject"]
        if line["change"] in ("shelved", "out-of-service"):
            aside[key] = line
        elif line["change"] in ("unshelved", "in-service"):
            aside.pop(key, None)
    return [
        Answered(at_s, line["change"], *key, line["until"], line["reason"], line["who"])
        for key, line in aside.items() if line["until"] is None or line["until"] > at_s
    ]  # fmt: skip
