"""The words of a notice, for a phone read in the dark: one notice, a notice again, or all that has waited as one.

What has waited together (a channel was dead, a person slept) goes out as one message: what is most pressing first and
whole, then one line for each alarm with its times, in the order in which they began.
"""

from __future__ import annotations

from datetime import datetime
from itertools import groupby
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ..core.event import AlarmChanged

TITLE_CHARACTERS = 120
LINE_CHARACTERS = 600
MOST_LINES = 12
MOST_TIMES = 4

CALLS = {"urgent": "Go now", "soon": "Today", "note": "Next visit"}
ORDER = {"urgent": 0, "soon": 1, "note": 2}
_KINDS = {"urgent": "failure", "soon": "warning", "note": "info"}


class Letter(NamedTuple):
    """One message. kind: "failure", "warning", "info" or "success"; key: what it is about, the same for all messages of
    one alarm, so that a newer takes the place of an older where the channel can do that; notices: the ids in it."""

    title: str
    body: str
    priority: str
    kind: str
    key: str
    notices: tuple[str, ...]


def compose(
    event: AlarmChanged, garden: str, time_zone: str, consequence: str = "", action: str = ""
) -> tuple[str, str]:
    """Title and body of the notice of an alarm.

    The title says how soon to go and what happened: the first sentence of the message. The body gives the rest, then
    what it means, what to do, and since when, in the garden's own time. garden: the site's name; consequence, action:
    the alarm's own, whether the message holds them already or not.
    """
    message = event.message.replace(consequence, "").replace(action, "").strip()
    what, _, rest = message.partition(". ")
    call = "" if event.change == "cleared" else f"{CALLS.get(event.priority, event.priority)}. "
    title = cut(f"{garden}: {call}{what.rstrip('.')}.", TITLE_CHARACTERS)
    lines = [message if title.endswith("…") else rest.strip()]
    if event.change != "cleared":
        lines += [consequence, action and f"What to do: {action}"]
    since, told = (datetime.fromtimestamp(t, ZoneInfo(time_zone)) for t in (event.since, event.time))
    lines.append(f"Since {since:%a %H:%M}, told {told:%a %H:%M}.")
    return title, "\n".join(cut(line, LINE_CHARACTERS) for line in lines if line)


def cut(text: str, characters: int) -> str:
    return text if len(text) <= characters else text[: characters - 1] + "…"


def letter(rows: list[dict[str, Any]], garden: str, zone: ZoneInfo, link: str = "") -> Letter:
    """One message of all these sendings (Outbox.waiting), which are in the order of their birth. link: of the alarm
    that comes first, for whoever can answer it with a tap."""
    last = {_about(row): row for row in rows}  # a later notice of an alarm takes the place of an earlier one
    head = min(last.values(), key=lambda row: (row["change"] != "raised", ORDER.get(row["priority"], 3)))
    title, lines = head["title"], [head["body"]]
    if head["told"] and head["change"] == "raised":
        title = _marked(title, garden, "Still: ")
        lines.append(f"Told {_times(head['told'])} so far, and nobody has answered.")
    if len(rows) > 1:
        others = [group for about, group in _grouped(rows) if about != _about(head) or len(group) > 1]
        title = cut(title, TITLE_CHARACTERS - 20) + (f" And {len(last) - 1} more." if len(last) > 1 else "")
        lines += ["", "In order:" if len(last) > 1 else "What was:"] + _listed(others, garden, zone)
    if link:
        lines.append(link)
    ids = tuple(row["notice"] for row in rows)
    lines.append(f"Notice {ids[-1]}" if len(ids) == 1 else f"{len(ids)} notices up to {ids[-1]}")
    kind = {"raised": _KINDS.get(head["priority"], "info"), "cleared": "success"}.get(head["change"], "info")
    return Letter(title, "\n".join(lines), head["priority"], kind, "-".join(_about(head)), ids)


def _about(row: dict[str, Any]) -> tuple[str, str]:
    return row["alarm"], row["subject"]


def _grouped(rows: list[dict[str, Any]]) -> list[tuple[tuple[str, str], list[dict[str, Any]]]]:
    """By alarm, in the order in which they began."""
    groups = [(about, list(group)) for about, group in groupby(sorted(rows, key=_about), key=_about)]
    return sorted(groups, key=lambda pair: pair[1][0]["created_s"])


def _listed(groups: list[list[dict[str, Any]]], garden: str, zone: ZoneInfo) -> list[str]:
    shown = sorted(groups, key=lambda group: ORDER.get(group[0]["priority"], 3))[:MOST_LINES]
    lines = [_one_line(group, garden, zone) for group in groups if group in shown]
    return lines + ([f"and {len(groups) - MOST_LINES} more, on the status page."] if len(groups) > MOST_LINES else [])


def _one_line(group: list[dict[str, Any]], garden: str, zone: ZoneInfo) -> str:
    """ "Mon 03:10 to 05:20, Mon 07:01: The pump stands still." """
    times = "".join(
        f"{' to ' if row['change'] == 'cleared' else ', '}{datetime.fromtimestamp(row['created_s'], zone):%a %H:%M}"
        for row in group[-2 * MOST_TIMES :]
    ).removeprefix(", ")
    first = next((row for row in group if row["change"] != "cleared"), group[0])
    times = f"until {times.removeprefix(' to ')}" if times.startswith(" to ") else times
    return cut(f"{times}: {first['title'].removeprefix(f'{garden}: ')}", LINE_CHARACTERS)


def _marked(title: str, garden: str, mark: str) -> str:
    start = f"{garden}: " if title.startswith(f"{garden}: ") else ""
    return cut(f"{start}{mark}{title.removeprefix(start)}", TITLE_CHARACTERS)


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"
