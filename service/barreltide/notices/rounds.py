"""Whom to ask next about a notice, and when: pure rules over rows of the outbox.

Theory. A notice goes to everybody's channels once. Of the people, those are asked who come first; `soon` and `note`
end there. What is urgent comes again to those who have been told, each time after twice as long, and when nobody has
answered for a while, or no way to them works, the next are asked as well. An answer ends all that, and so does the end
of the alarm, which is told in one short notice to those who know of the alarm, and to nobody else. What waited for
somebody's morning and is over by then asks nobody to act, and is left to the daily word.

Alarms would otherwise call again and again for what needs nobody, or for what is known:

- A station that is not heard is mostly one whose Wi-Fi is away for minutes, and its board keeps what it sees. People
  are asked when it has lasted, and later where it has come and gone before; fish are sure to live twice as long. They
  are asked at once where the battery is at its floor: what stops the board may then stop the pump. Where a pump is
  known to stand, that is no reason any more.
- What comes and goes day after day is one story, as long as it stays away for no more than a day and a half: water that
  is too warm in a third afternoon, or a battery that is too weak for the season, once somebody has answered for it. It
  is told again every third day, in waking hours and without asking on. That the floor is reached is no part of the
  story that it will be; a pump that stops is never part of it. What somebody has shelved is told anew when it is
  back.
- A battery on its way down and a station that is not heard leave hours, where a pump that stands leaves minutes: they
  come again, and go to the next person, later.
- Who has a daily word learns from it each day what stands and what came and went. That is enough for the end of what
  was not urgent, for the end of a weak battery's night that somebody has answered for, and, for a week, for a story
  that goes on.

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
# From the telling of a silence (station.SILENT_S after the last word) on: half an hour of silence, or an hour and a
# half where it has come and gone within a month.
SILENT, PASSES_S, USUAL_S = ("station-silent",), (1380.0, 4980.0), 30 * 24 * HOUR_S
WEAK = ("battery-will-not-last", "battery-low")
STORY_S, RETOLD_S, RETOLD_BESIDE_WORD_S = 36 * HOUR_S, 66 * HOUR_S, 7 * 24 * HOUR_S
BACK_IS_NEWS = 2  # raisings of what is not urgent, until it is known to come and go
MATTERS = ("battery-low", "pump-stopped")  # while they stand, to what is told of a silence
ASIDE = (": Shelved for ", ": Taken out of service ")  # how the title of an alarm says it that somebody put aside
PATIENCE = {"battery-will-not-last": 6.0, "battery-low": 3.0, "station-silent": 3.0}  # how many times later


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
    now_s: float, flying: frozenset[tuple[str, str]] = frozenset(), stands: frozenset[str] = frozenset(),
) -> Plan:  # fmt: skip
    """What to do about a notice that is new or open. before: of a cleared alarm, the sendings of its raising, and of a
    raised one, its story (Outbox.story); newest: nothing later is to be told of this alarm; flying: (notice, channel)
    that are under way at this moment; stands: of the alarms in MATTERS, those that were raised and are not over."""
    if notice["change"] == "word":
        return _word(notice, before, ways)
    if notice["change"] == "cleared":
        return _cleared(notice, before, people, ways, flying)
    if notice["stage"] == "new":
        return _new(notice, before, newest, people, ways, now_s, stands)
    return _open(notice, newest, people, ways, now_s)


def story_of(notice: dict[str, Any]) -> tuple[tuple[str, ...], float] | None:
    """The alarms whose earlier notices count for this new one, and how far back in seconds; None where none do."""
    if notice["change"] != "raised" or notice["stage"] != "new":
        return None
    for alarms, back_s in ((SILENT, USUAL_S), (WEAK, RETOLD_BESIDE_WORD_S)):
        if notice["alarm"] in alarms:
            return alarms, back_s
    return ((notice["alarm"],), RETOLD_BESIDE_WORD_S) if notice["priority"] != "urgent" else None


def _new(
    notice: dict[str, Any], story: list[dict[str, Any]], newest: bool, people: People, ways: list[Way], now_s: float,
    stands: frozenset[str],
) -> Plan:  # fmt: skip
    asked_already = {row["channel"] for row in notice["sendings"]}
    everybody = [way.channel for way in ways if way.person is None and way.channel not in asked_already]
    if notice["alarm"] in SILENT and people.persons:
        if not newest or notice["answered_s"] is not None:
            return Plan("done", everybody, [], [])
        wait_s = PASSES_S[any(row["change"] == "cleared" for row in story)]
        presses = "battery-low" in stands and "pump-stopped" not in stands
        if not presses and notice["created_s"] - wait_s < now_s < notice["created_s"] + wait_s:
            return Plan("new", everybody, [], [])
    told = [] if _was_put_aside(story, notice["alarm"]) else _going_on(story, now_s)
    if notice["alarm"] in WEAK and any(
        row["answered_s"] is not None for row in told if row["alarm"] == notice["alarm"]
    ):
        asked = _of_group(people.in_turn(), 0, ways, "soon")
        return Plan("done", everybody + _not_told_lately(asked, told, people, ways, now_s), [], [], True)
    asked = _of_group(people.in_turn(), 0, ways, notice["priority"])
    if notice["priority"] != "urgent" and len(told) >= BACK_IS_NEWS:
        asked = _not_told_lately(asked, told, people, ways, now_s)
    lasting = notice["priority"] == "urgent" and bool(people.persons)
    lasting |= any(way.kind == "sms" and way.channel not in asked for way in ways)
    return Plan("open" if lasting else "done", everybody + asked, [], [])


def _was_put_aside(story: list[dict[str, Any]], alarm: str) -> bool:
    """Whether somebody had shelved it, and it is back because that is over: as promised, it is raised anew."""
    newest = next((row for row in story if row["alarm"] == alarm), None)
    return newest is not None and newest["change"] == "cleared" and any(words in newest["title"] for words in ASIDE)


def _going_on(story: list[dict[str, Any]], now_s: float) -> list[dict[str, Any]]:
    """What was raised before in the same story: until all of it had been over for long. story: the newest first."""
    raised, later_s, later = [], now_s, "raised"
    for row in story:
        if later == "raised" and row["change"] == "cleared" and later_s - row["created_s"] > STORY_S:
            break
        later_s, later = row["created_s"], row["change"]
        raised += [row] if later == "raised" else []
    return raised


def _not_told_lately(
    asked: list[str], told: list[dict[str, Any]], people: People, ways: list[Way], now_s: float
) -> list[str]:
    """Those of the channels that the story has not reached for days, or for a week where a daily word does."""
    worded = {way.channel for way in ways if people.has_word(way.person)}
    sent_s: dict[str, float] = {}
    for row in (sending for each in told for sending in each["sendings"]):
        sent_s[row["channel"]] = max(sent_s.get(row["channel"], 0.0), row["sent_s"] or 0.0)
    gaps_s = {channel: RETOLD_BESIDE_WORD_S if channel in worded else RETOLD_S for channel in asked}
    return [channel for channel in asked if sent_s.get(channel, 0.0) <= now_s - gaps_s[channel]]


def _of(person: str, ways: list[Way], priority: str) -> list[str]:
    theirs = [way for way in ways if way.person == person]
    chosen = theirs if priority == "urgent" else [way for way in theirs if way.kind != "sms"]
    return [way.channel for way in chosen or theirs]


def _word(notice: dict[str, Any], before: list[dict[str, Any]], ways: list[Way]) -> Plan:
    """A word to one person; it takes the place of an older one."""
    asked = _of(notice["subject"], ways, "note")
    return Plan("done", asked, [], [(row["notice"], row["channel"]) for row in before if row["state"] == "waiting"])


def _cleared(
    notice: dict[str, Any], before: list[dict[str, Any]], people: People, ways: list[Way],
    flying: frozenset[tuple[str, str]],
) -> Plan:  # fmt: skip
    ours, asked, passed = {way.channel: way.person for way in ways}, [], []
    for row in before:
        identity, person = (row["notice"], row["channel"]), ours.get(row["channel"])
        urges = notice["priority"] == "urgent" and not row["known"]
        under_way = identity in flying or row["state"] == "waiting" and (row["tries"] > 0 or urges)
        by_word = notice["priority"] != "urgent" or notice["alarm"] in WEAK and row["answered"]
        is_told = person and (row["known"] or by_word and people.has_word(person))
        if (row["told"] > 0 or under_way) and not is_told:
            asked.append(row["channel"])
        if row["state"] == "waiting" and identity not in flying and (row["told"] > 0 or is_told or not under_way):
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
    patience = PATIENCE.get(notice["alarm"], 1.0)
    repeat_s, next_s = patience * people.repeat_after_s, patience * people.escalate_after_s
    again = [row["channel"] for row in theirs if row["state"] == "sent" and _is_time(row, repeat_s, now_s)]
    ask += [channel for channel in _next(theirs, people, ways, owner, next_s, now_s) if channel not in asked_channels]
    return Plan("open", list(dict.fromkeys(ask)), again, [])


def _by_sms_after_all(theirs: list[dict[str, Any]], ways: list[Way], owner: dict[str, str | None]) -> list[str]:
    """The SMS of those whom no other way reaches."""
    found = []
    for way in ways:
        rows = [row for row in theirs if owner[row["channel"]] == way.person] if way.kind == "sms" else []
        if rows and all(row["told"] == 0 and row["tries"] >= OTHERS_FAIL_TRIES for row in rows):
            found.append(way.channel)
    return found


def _is_time(row: dict[str, Any], repeat_s: float, now_s: float) -> bool:
    gap_s = min(repeat_s * 2 ** min(row["told"] - 1, 20), LONGEST_GAP_S)
    return not row["sent_s"] - gap_s < now_s < row["sent_s"] + gap_s  # or the clock was put back far


def _next(
    theirs: list[dict[str, Any]], people: People, ways: list[Way], owner: dict[str, str | None], next_s: float,
    now_s: float,
) -> list[str]:  # fmt: skip
    """The ways of those who are to be asked next, if it is time."""
    groups = people.in_turn()
    asked = {owner[row["channel"]] for row in theirs}
    reached = [number for number, group in enumerate(groups) if asked & set(group)]
    if not reached:  # nobody who was asked is left in the site file, or none of them can be reached
        return _of_group(groups, 0, ways)
    last = groups[reached[-1]]
    rows = [row for row in theirs if owner[row["channel"]] in last]
    since_s = min(row["asked_s"] or 0.0 for row in rows)
    waited = not since_s - next_s < now_s < since_s + next_s
    in_vain = all(row["told"] == 0 and row["tries"] >= IN_VAIN_TRIES for row in rows)
    return _of_group(groups, reached[-1] + 1, ways) if waited or in_vain else []


def _of_group(groups: list[list[str]], number: int, ways: list[Way], priority: str = "urgent") -> list[str]:
    """The ways of the group, or of the first one after it that can be reached at all."""
    for group in groups[number:]:
        if channels := [channel for person in group for channel in _of(person, ways, priority)]:
            return channels
    return []
