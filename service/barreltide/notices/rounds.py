"""Whom to ask next about a notice, and when: pure rules over rows of the outbox.

Theory. A notice goes to everybody's channels once. Of the people, those are asked who come first; `soon` and `note`
end there. What is urgent comes again to those who have been told, each time after twice as long, and when nobody has
answered for a while, or no way to them works, the next are asked as well. An answer ends all that, and so does the end
of the alarm, which is told in one short notice to those who know of the alarm, and to nobody else. What waited for
somebody's morning and is over by then asks nobody to act, and is left to the daily word.

SMS costs money and patience: where a person has other ways, only what is urgent goes by SMS, unless the others fail.

It cannot know whether a message that a channel took was read: only an answer tells.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from .people import People, Way

LONGEST_GAP_S = 12 * 3600.0
IN_VAIN_TRIES = 3  # a minute and a half: a hiccup of one mail server must not get the next person out of bed
OTHERS_FAIL_TRIES = 4  # some four minutes of trying by all other ways


class Plan(NamedTuple):
    """See Outbox.carry_out."""

    stage: str
    ask: list[str]
    again: list[str]
    passed: list[tuple[str, str]]

    def is_idle(self, stage: str) -> bool:
        return not (self.ask or self.again or self.passed) and self.stage == stage


def plan(
    notice: dict[str, Any], before: list[dict[str, Any]], newest: bool, people: People, ways: list[Way],
    now_s: float, flying: frozenset[tuple[str, str]] = frozenset(),
) -> Plan:  # fmt: skip
    """What to do about a notice that is new or open. before: of a cleared alarm, the sendings of its raising; newest:
    nothing later is to be told of this alarm; flying: (notice, channel) that are under way at this moment."""
    if notice["change"] == "word":
        return _word(notice, before, ways)
    if notice["change"] == "cleared":
        return _cleared(before, ways, flying, notice["priority"])
    if notice["stage"] == "new":
        asked = _first(people, ways, notice["priority"])
        lasting = notice["priority"] == "urgent" and bool(people.persons)
        lasting |= any(way.kind == "sms" and way.channel not in asked for way in ways)
        return Plan("open" if lasting else "done", asked, [], [])
    return _open(notice, newest, people, ways, now_s)


def _first(people: People, ways: list[Way], priority: str) -> list[str]:
    return [way.channel for way in ways if way.person is None] + _of_group(people.in_turn(), 0, ways, priority)


def _of(person: str, ways: list[Way], priority: str) -> list[str]:
    theirs = [way for way in ways if way.person == person]
    chosen = theirs if priority == "urgent" else [way for way in theirs if way.kind != "sms"]
    return [way.channel for way in chosen or theirs]


def _word(notice: dict[str, Any], before: list[dict[str, Any]], ways: list[Way]) -> Plan:
    """A word to one person; it takes the place of an older one."""
    asked = _of(notice["subject"], ways, "note")
    return Plan("done", asked, [], [(row["notice"], row["channel"]) for row in before if row["state"] == "waiting"])


def _cleared(before: list[dict[str, Any]], ways: list[Way], flying: frozenset[tuple[str, str]], priority: str) -> Plan:
    known, asked, passed = {way.channel for way in ways}, [], []
    for row in before:
        identity = row["notice"], row["channel"]
        under_way = identity in flying or row["state"] == "waiting" and (row["tries"] > 0 or priority == "urgent")
        if row["told"] > 0 or under_way:
            asked.append(row["channel"])
        if row["state"] == "waiting" and identity not in flying and (row["told"] > 0 or not under_way):
            passed.append(identity)
    return Plan("done", [channel for channel in asked if channel in known], [], passed)


def _open(notice: dict[str, Any], newest: bool, people: People, ways: list[Way], now_s: float) -> Plan:
    owner = {way.channel: way.person for way in ways if way.person is not None}
    theirs = [row for row in notice["sendings"] if row["channel"] in owner]
    if notice["answered_s"] is not None or not newest:
        waiting = [(row["notice"], row["channel"]) for row in theirs if row["state"] == "waiting"]
        return Plan("done", [], [], waiting if newest else [])
    asked_channels = {row["channel"] for row in notice["sendings"]}
    ask = [channel for channel in _by_sms_after_all(theirs, ways, owner) if channel not in asked_channels]
    if notice["priority"] != "urgent":
        settled = all(row["state"] != "waiting" for row in theirs)
        return Plan("done" if settled and not ask else "open", ask, [], [])
    again = [row["channel"] for row in theirs if row["state"] == "sent" and _is_time(row, people, now_s)]
    ask += [channel for channel in _next(theirs, people, ways, owner, now_s) if channel not in asked_channels]
    return Plan("open", list(dict.fromkeys(ask)), again, [])


def _by_sms_after_all(theirs: list[dict[str, Any]], ways: list[Way], owner: dict[str, str | None]) -> list[str]:
    """The SMS of those whom no other way reaches."""
    found = []
    for way in ways:
        rows = [row for row in theirs if owner[row["channel"]] == way.person] if way.kind == "sms" else []
        if rows and all(row["told"] == 0 and row["tries"] >= OTHERS_FAIL_TRIES for row in rows):
            found.append(way.channel)
    return found


def _is_time(row: dict[str, Any], people: People, now_s: float) -> bool:
    gap_s = min(people.repeat_after_s * 2 ** min(row["told"] - 1, 20), LONGEST_GAP_S)
    return not row["sent_s"] - gap_s < now_s < row["sent_s"] + gap_s  # or the clock was put back far


def _next(
    theirs: list[dict[str, Any]], people: People, ways: list[Way], owner: dict[str, str | None], now_s: float
) -> list[str]:
    """The ways of those who are to be asked next, if it is time."""
    groups = people.in_turn()
    asked = {owner[row["channel"]] for row in theirs}
    reached = [number for number, group in enumerate(groups) if asked & set(group)]
    if not reached:  # nobody who was asked is left in the site file, or none of them can be reached
        return _of_group(groups, 0, ways)
    last = groups[reached[-1]]
    rows = [row for row in theirs if owner[row["channel"]] in last]
    since_s = min(row["asked_s"] or 0.0 for row in rows)
    waited = not since_s - people.escalate_after_s < now_s < since_s + people.escalate_after_s
    in_vain = all(row["told"] == 0 and row["tries"] >= IN_VAIN_TRIES for row in rows)
    return _of_group(groups, reached[-1] + 1, ways) if waited or in_vain else []


def _of_group(groups: list[list[str]], number: int, ways: list[Way], priority: str = "urgent") -> list[str]:
    """The ways of the group, or of the first one after it that can be reached at all."""
    for group in groups[number:]:
        if channels := [channel for person in group for channel in _of(person, ways, priority)]:
            return channels
    return []
