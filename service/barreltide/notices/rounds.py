"""Whom to ask next about a notice, and when: pure rules over rows of the outbox.

Theory. A notice goes to everybody's channels once. Of the people, those are asked who come first; `soon` and `note`
end there. What is urgent comes again to those who have been told, each time after twice as long, and when nobody has
answered for a while, or no way to them works, the next are asked as well. An answer ends all that, and so does the end
of the alarm, which is told in one short notice to those who know of the alarm, and to nobody else. What waited for
somebody's morning and is over by then asks nobody to act, and is left to the daily word.

Two kinds of alarm would otherwise call again and again for what needs nobody, or for what is known:

- A station that is not heard is mostly one whose Wi-Fi is away for minutes, and its board keeps what it sees. People
  are asked when it has lasted, and later where it has come and gone before; fish are sure to live three times as long.
  They are asked at once where the battery is near its end: what stops the board may then have stopped the pump.
- A battery that is too weak for the season comes to its floor night after night. Once somebody has answered, the same
  alarm of the next nights is the same story: told once a day, in waking hours, without asking on. That the floor is
  reached is no part of the story that it will be; a pump that stops is never part of it.

SMS costs money and patience: where a person has other ways, only what is urgent goes by SMS, unless the others fail.

It cannot know whether a message that a channel took was read: only an answer tells.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from .people import People, Way

LONGEST_GAP_S = 12 * 3600.0
IN_VAIN_TRIES = 3  # a minute and a half: a hiccup of one mail server must not get the next person out of bed
OTHERS_FAIL_TRIES = 4  # some four minutes of trying by all other ways
HOUR_S = 3600.0
# From the telling of a silence (station.SILENT_S after the last word) on: half an hour of silence, or an hour where it
# has come and gone within a week.
SILENT, PASSES_S, USUAL_S = ("station-silent",), (1380.0, 3180.0), 7 * 24 * HOUR_S
WEAK, STORY_S, RETOLD_S = ("battery-will-not-last", "battery-low"), 36 * HOUR_S, 18 * HOUR_S


class Plan(NamedTuple):
    """See Outbox.carry_out."""

    stage: str
    ask: list[str]
    again: list[str]
    passed: list[tuple[str, str]]
    known: bool = False

    def is_idle(self, stage: str) -> bool:
        return not (self.ask or self.again or self.passed) and self.stage == stage


def plan(
    notice: dict[str, Any], before: list[dict[str, Any]], newest: bool, people: People, ways: list[Way],
    now_s: float, flying: frozenset[tuple[str, str]] = frozenset(), is_weak: bool = False,
) -> Plan:  # fmt: skip
    """What to do about a notice that is new or open. before: of a cleared alarm, the sendings of its raising, and of a
    raised one, its story (Outbox.story); newest: nothing later is to be told of this alarm; flying: (notice, channel)
    that are under way at this moment; is_weak: the battery is, or will be, at its floor."""
    if notice["change"] == "word":
        return _word(notice, before, ways)
    if notice["change"] == "cleared":
        return _cleared(before, ways, flying, notice["priority"])
    if notice["stage"] == "new":
        return _new(notice, before, newest, people, ways, now_s, is_weak)
    return _open(notice, newest, people, ways, now_s)


def story_of(notice: dict[str, Any]) -> tuple[tuple[str, ...], float] | None:
    """The alarms whose earlier notices count for this new one, and how far back in seconds; None where none do."""
    if notice["change"] == "raised" and notice["stage"] == "new":
        for alarms, back_s in ((SILENT, USUAL_S), (WEAK, STORY_S)):
            if notice["alarm"] in alarms:
                return alarms, back_s
    return None


def _new(
    notice: dict[str, Any], story: list[dict[str, Any]], newest: bool, people: People, ways: list[Way], now_s: float,
    is_weak: bool,
) -> Plan:  # fmt: skip
    asked_already = {row["channel"] for row in notice["sendings"]}
    everybody = [way.channel for way in ways if way.person is None and way.channel not in asked_already]
    if notice["alarm"] in SILENT and people.persons:
        if not newest or notice["answered_s"] is not None:
            return Plan("done", everybody, [], [])
        wait_s = PASSES_S[any(row["change"] == "cleared" for row in story)]
        if not is_weak and notice["created_s"] - wait_s < now_s < notice["created_s"] + wait_s:
            return Plan("new", everybody, [], [])
    answered = {row["alarm"] for row in story if row["answered_s"] is not None}
    if notice["alarm"] in WEAK and notice["alarm"] in answered:
        first = _of_group(people.in_turn(), 0, ways, "soon")
        sendings = [sending for row in story if row["change"] == "raised" for sending in row["sendings"]]
        if any(row["channel"] in first and now_s - RETOLD_S < (row["sent_s"] or 0.0) for row in sendings):
            first = []
        return Plan("done", everybody + first, [], [], True)
    asked = everybody + _of_group(people.in_turn(), 0, ways, notice["priority"])
    lasting = notice["priority"] == "urgent" and bool(people.persons)
    lasting |= any(way.kind == "sms" and way.channel not in asked for way in ways)
    return Plan("open" if lasting else "done", asked, [], [])


def _of(person: str, ways: list[Way], priority: str) -> list[str]:
    theirs = [way for way in ways if way.person == person]
    chosen = theirs if priority == "urgent" else [way for way in theirs if way.kind != "sms"]
    return [way.channel for way in chosen or theirs]


def _word(notice: dict[str, Any], before: list[dict[str, Any]], ways: list[Way]) -> Plan:
    """A word to one person; it takes the place of an older one."""
    asked = _of(notice["subject"], ways, "note")
    return Plan("done", asked, [], [(row["notice"], row["channel"]) for row in before if row["state"] == "waiting"])


def _cleared(before: list[dict[str, Any]], ways: list[Way], flying: frozenset[tuple[str, str]], priority: str) -> Plan:
    ours, asked, passed = {way.channel: way.person for way in ways}, [], []
    for row in before:
        identity = row["notice"], row["channel"]
        urges = priority == "urgent" and not row["known"]
        under_way = identity in flying or row["state"] == "waiting" and (row["tries"] > 0 or urges)
        if (row["told"] > 0 or under_way) and not (row["known"] and ours.get(row["channel"])):
            asked.append(row["channel"])
        if row["state"] == "waiting" and identity not in flying and (row["told"] > 0 or not under_way):
            passed.append(identity)
    return Plan("done", [channel for channel in asked if channel in ours], [], passed)


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
