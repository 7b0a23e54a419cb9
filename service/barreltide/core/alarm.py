"""The life of an alarm, after IEC 62682 (ISA-18.2): what detectors state becomes at most one alarm for one cause.

Theory. Detectors state a condition (`report`) or its absence (`normal`) as often as they like; only this module knows
on-delay, off-delay, and what follows from what. An alarm asks somebody to act: each has a consequence and an action,
and what needs no action is an event, not an alarm. What follows from a standing alarm is not raised beside it: it
waits, and is raised when the cause has gone and it still holds. What the grower knows of and brings about is held
back in the same way (`hold`, until `release`).

A grower answers an alarm by acknowledging it (I know, and see to it) or by shelving it (not now, and why). Nobody has
to be there for an alarm to end; but one that came and went unseen stays on the list until somebody says that they know.

| state | it holds | it is over | acknowledged | shelved | its time is over, or it is taken back |
|---|---|---|---|---|---|
| normal | raised: unacknowledged | | | shelved | |
| unacknowledged | | cleared: returned | acknowledged | cleared: shelved | |
| acknowledged | | cleared: normal | | cleared: shelved | |
| returned | raised: unacknowledged | | normal | shelved | |
| shelved | goes unsaid | goes unsaid | | shelved anew | raised if it holds: unacknowledged; else normal |
| out of service | goes unsaid | goes unsaid | | shelved | the same, but never by time alone |

`it holds` and `it is over` are meant with their delays, and with no cause of it standing. Unacknowledged and
acknowledged alarms stand. A shelved one does not, so that nothing sounds and nobody is called; but what follows from
it still waits, and detectors still see that it holds (`is_standing`). A shelf has an end, for the more urgent the
sooner, so that what was put aside cannot be forgotten; out of service has none, and is therefore always shown.

Two nuisances are recognised, with the figures of the field: three raisings within a minute are chatter, and as long as
it lasts its off-delay is ten minutes at least; what stands for more than a day is stale.

It cannot know whether who acknowledges has understood, nor whether what is put aside is looked after.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import NamedTuple

from .alarm_table import FISH, TABLE, Key
from .event import AlarmAnswered, AlarmChanged
from .evidence import Account
from .reading import Answered

HOUR_S = 3600.0
# Judgement: a stopped pump may not be put aside for longer than fish are sure to live (oxygen.py: often three hours).
LONGEST_SHELF_S = {"urgent": 3 * HOUR_S, "soon": 72 * HOUR_S, "note": 14 * 24 * HOUR_S}
CHATTER_RAISES, CHATTER_S, CALM_S = 3, 60.0, 600.0
STALE_S = 24 * HOUR_S
ORDER = {"urgent": 0, "soon": 1, "note": 2}


class _Condition:
    """One (alarm, subject) that is reported or stands."""

    __slots__ = (
        "acknowledged", "consequence", "evidence", "message", "normal_since_s", "raised_s", "reported_s", "since_s",
    )  # fmt: skip

    def __init__(self, reported_s: float, since_s: float, message: str, evidence: tuple[Account, ...]) -> None:
        self.reported_s, self.since_s, self.message, self.evidence = reported_s, since_s, message, evidence
        self.consequence = ""  # as it was when raised
        self.raised_s: float | None = None
        self.normal_since_s: float | None = None
        self.acknowledged: tuple[float, str] | None = None  # when, and by whom


class _Returned(NamedTuple):
    """What came and went, and nobody has said that they know."""

    since_s: float
    raised_s: float
    cleared_s: float
    message: str


class _Shelf(NamedTuple):
    """until_s: None is out of service."""

    since_s: float
    until_s: float | None
    reason: str
    who: str


class Alarms:
    """All alarms of a garden. `events` is drained by the monitor."""

    def __init__(self, causes: dict[Key, list[Key]]) -> None:
        """causes: for each (alarm, subject), the pairs that it may follow from: one that stands keeps it waiting."""
        self.causes = causes
        self._conditions: dict[Key, _Condition] = {}
        self._held: dict[str, frozenset[Key]] = {}
        self._returned: dict[Key, _Returned] = {}
        self._shelves: dict[Key, _Shelf] = {}
        self._raises: dict[Key, deque[float]] = {}
        self.fish_last = ""  # in words, for how long; empty where that is not known
        self.events: list[AlarmChanged | AlarmAnswered] = []

    # -- what detectors state

    def is_standing(self, alarm: str, subject: str) -> bool:
        """Whether it stands, or would if it were not shelved."""
        condition = self._conditions.get((alarm, subject))
        return condition is not None and condition.raised_s is not None

    def report(
        self, now_s: float, alarm: str, subject: str, since_s: float, message: str, evidence: tuple[Account, ...] = ()
    ) -> None:
        """The condition holds.

        message: what was seen, in a grower's words; consequence and action are added here. evidence: the causes that
        were weighed, where there were several; else the message is all that speaks for it.
        """
        key = (alarm, subject)
        condition = self._conditions.get(key)
        if condition is None:
            condition = self._conditions[key] = _Condition(now_s, since_s, message, evidence)
        condition.normal_since_s = None
        if condition.raised_s is None or key in self._shelves:
            condition.message, condition.evidence = message, evidence
        if condition.raised_s is None:
            self._raise_if_due(key, condition, now_s)

    def normal(self, now_s: float, alarm: str, subject: str) -> None:
        """The condition does not hold."""
        condition = self._conditions.get((alarm, subject))
        if condition is None:
            return
        if condition.raised_s is None:
            del self._conditions[(alarm, subject)]
            return
        if condition.normal_since_s is None:
            condition.normal_since_s = now_s
        self._clear_if_due((alarm, subject), condition, now_s)

    def withdraw(self, now_s: float, alarm: str, subject: str) -> None:
        """Later evidence decided otherwise: clear without any delay."""
        condition = self._conditions.get((alarm, subject))
        if condition is None:
            return
        if condition.raised_s is None:
            del self._conditions[(alarm, subject)]
        else:
            self._clear((alarm, subject), condition, now_s)

    def hold(self, now_s: float, reason: str, keys: Iterable[Key], until_s: float | None = None) -> None:
        """Raise none of these until the same reason is released: what is reported meanwhile waits, and what stands
        waits again. reason: in words that follow `while`; until_s: when that is to be."""
        self._held[reason] = frozenset(keys)
        for key in self._visible():
            if key in self._held[reason]:
                condition = self._conditions[key]
                self._say(now_s, key, "held-back", until_s, f"while {reason}", "")
                self._tell(now_s, key, "cleared", f"Held back while {reason}: {condition.message}")
                condition.raised_s = None
                if condition.normal_since_s is not None:
                    del self._conditions[key]

    def release(self, reason: str) -> None:
        """What still waits is raised when it is reported next, or at the next tick."""
        self._held.pop(reason, None)

    def tick(self, now_s: float) -> None:
        """Let delays and shelves run out."""
        for key, shelf in list(self._shelves.items()):
            if shelf.until_s is not None and now_s >= shelf.until_s:
                self._unshelve(now_s, key)
        for key, condition in list(self._conditions.items()):
            if condition.normal_since_s is not None:
                self._clear_if_due(key, condition, now_s)
            elif condition.raised_s is None:
                self._raise_if_due(key, condition, now_s)

    # -- what the grower answers

    def objection(self, answer: Answered) -> str | None:
        """Why this answer fits nothing, in one line; None where it does."""
        key, name = (answer.alarm, answer.subject), f"{answer.alarm} {answer.subject}"
        if answer.what == "acknowledged":
            open_keys = [row for row in self._visible() if self._conditions[row].acknowledged is None]
            open_keys += self._returned
            if key in open_keys:
                return None
            said = self._conditions[key].acknowledged if key in self._visible() else None
            found = f"{name} is acknowledged already{_by(said[1])}" if said else f"{name} does not wait for an answer"
            return f"{found}; {_listed(open_keys, '')} would do" if open_keys else f"{found}; nothing does"
        if answer.what == "unshelved":
            if key in self._shelves:
                return None
            would_do = f"{_listed(self._shelves, '')} would do" if self._shelves else "nothing is"
            return f"{name} is not shelved; {would_do}"
        if key not in self.causes and key not in self._conditions:
            would = [other for other in self.causes if other[0] == answer.alarm]
            return f"{name} is no alarm of this garden; {_listed(would, 'none of that name')} would do"
        return None

    def answer(self, now_s: float, answer: Answered) -> None:
        """Let it count. What fits nothing any more is passed over: the alarm may just have ended."""
        if self.objection(answer) is not None:
            return
        key = (answer.alarm, answer.subject)
        if answer.what == "acknowledged":
            self._returned.pop(key, None)
            if key in self._conditions:
                self._conditions[key].acknowledged = (now_s, answer.who)
            self._say(now_s, key, "acknowledged", None, "", answer.who)
        elif answer.what == "unshelved":
            self._unshelve(now_s, key, answer.who)
        else:
            self._shelve(now_s, key, answer.until_s, answer.reason, answer.who)

    def _shelve(self, now_s: float, key: Key, until_s: float | None, reason: str, who: str) -> None:
        stood = key in self._visible()
        self._shelves[key] = _Shelf(now_s, until_s, reason, who)
        self._returned.pop(key, None)
        self._say(now_s, key, "shelved" if until_s is not None else "out-of-service", until_s, reason, who)
        if stood:
            span = f"Shelved for {_span(until_s - now_s)}" if until_s is not None else "Taken out of service"
            self._tell(now_s, key, "cleared", f"{span} ({reason}): {self._conditions[key].message}")

    def _unshelve(self, now_s: float, key: Key, who: str = "") -> None:
        """Its time is over, or someone takes it back: what holds is raised, with nothing of its answers left."""
        shelf, condition = self._shelves.pop(key), self._conditions.get(key)
        self._say(now_s, key, "unshelved" if shelf.until_s is not None else "in-service", None, "", who)
        if condition is None or condition.raised_s is None:
            return
        condition.raised_s = None
        if condition.normal_since_s is not None:
            del self._conditions[key]  # it was about to end, unsaid
        else:
            self._raise_if_due(key, condition, now_s)

    # -- what is shown

    def standing(self, now_s: float = 0.0) -> list[dict]:
        """The alarms that stand, most urgent and then oldest first."""
        rows = []
        for alarm, subject in self._visible():
            condition = self._conditions[alarm, subject]
            said = condition.acknowledged or (None, None)
            rows.append(
                {
                    "alarm": alarm,
                    "subject": subject,
                    "priority": TABLE[alarm].priority,
                    "since": condition.since_s,
                    "raised": condition.raised_s,
                    "message": condition.message,
                    "consequence": condition.consequence,
                    "action": TABLE[alarm].action,
                    "state": "unacknowledged" if condition.acknowledged is None else "acknowledged",
                    "acknowledged": said[0],
                    "acknowledged_by": said[1],
                    "chattering": self._chatters((alarm, subject)),
                    "stale": now_s - condition.raised_s > STALE_S,
                }
            )
        return sorted(rows, key=lambda row: (ORDER[row["priority"]], row["raised"]))

    def returned(self) -> list[dict]:
        """What is over and waits to be acknowledged, the newest first."""
        rows = [
            {
                "alarm": alarm, "subject": subject, "priority": TABLE[alarm].priority, "since": row.since_s,
                "raised": row.raised_s, "cleared": row.cleared_s, "message": row.message, "state": "returned",
            }
            for (alarm, subject), row in self._returned.items()
        ]  # fmt: skip
        return sorted(rows, key=lambda row: -row["cleared"])

    def shelved(self) -> list[dict]:
        """What is shelved or out of service, the latest end last; holds: whether it would stand otherwise."""
        rows = [
            {
                "alarm": alarm, "subject": subject, "priority": TABLE[alarm].priority,
                "state": "shelved" if row.until_s is not None else "out-of-service", "shelved": row.since_s,
                "until": row.until_s, "reason": row.reason, "by": row.who, "holds": self.is_standing(alarm, subject),
            }
            for (alarm, subject), row in self._shelves.items()
        ]  # fmt: skip
        return sorted(rows, key=lambda row: (row["until"] is None, row["until"]))

    # -- raising and clearing

    def _visible(self) -> list[Key]:
        return [key for key, row in self._conditions.items() if row.raised_s is not None and key not in self._shelves]

    def _must_wait(self, key: Key) -> bool:
        if any(key in keys for keys in self._held.values()):
            return True
        return any(self.is_standing(*cause) for cause in self.causes.get(key, ()))

    def _raise_if_due(self, key: Key, condition: _Condition, now_s: float) -> None:
        rule = TABLE[key[0]]
        if now_s - condition.reported_s < rule.on_delay_s or self._must_wait(key):
            return
        condition.raised_s, condition.acknowledged = now_s, None
        condition.consequence = rule.consequence
        if self.fish_last and key[0] in FISH:
            condition.consequence += f" {FISH[key[0]].format(self.fish_last)}"
        if key not in self._shelves:
            self._returned.pop(key, None)
            self._raises.setdefault(key, deque(maxlen=CHATTER_RAISES)).append(now_s)
            self._tell(now_s, key, "raised", f"{condition.message} {condition.consequence} {rule.action}")

    def _chatters(self, key: Key) -> bool:
        raises = self._raises.get(key, ())
        return len(raises) == CHATTER_RAISES and raises[-1] - raises[0] <= CHATTER_S

    def _clear_if_due(self, key: Key, condition: _Condition, now_s: float) -> None:
        off_delay_s = max(TABLE[key[0]].off_delay_s, CALM_S if self._chatters(key) else 0.0)
        if condition.normal_since_s is not None and now_s - condition.normal_since_s >= off_delay_s:
            self._clear(key, condition, now_s)

    def _clear(self, key: Key, condition: _Condition, now_s: float) -> None:
        if key not in self._shelves:
            self._tell(now_s, key, "cleared", f"Back to normal: {condition.message}")
            if condition.acknowledged is None:
                self._returned[key] = _Returned(condition.since_s, condition.raised_s, now_s, condition.message)
        del self._conditions[key]

    def _tell(self, now_s: float, key: Key, change: str, text: str) -> None:
        condition, evidence = self._conditions[key], ()
        if change == "raised":
            evidence = condition.evidence or (Account(*key, 1.0, (condition.message,), ()),)
        priority = TABLE[key[0]].priority
        self.events.append(AlarmChanged(now_s, condition.since_s, *key, change, priority, text, evidence))

    def _say(self, now_s: float, key: Key, change: str, until_s: float | None, reason: str, who: str) -> None:
        self.events.append(AlarmAnswered(now_s, *key, change, until_s, reason, who))


def _by(who: str) -> str:
    return f" by {who}" if who else ""


def _listed(keys: Iterable[Key], none: str) -> str:
    named = [" ".join(key) for key in keys]
    return " or ".join(named[:8]) + (f" or {len(named) - 8} more" if len(named) > 8 else "") if named else none


def _span(seconds: float) -> str:
    minutes = round(seconds / 60)
    if minutes < 120:
        return f"{minutes} minutes"
    return f"{minutes / 60:.0f} hours" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"
