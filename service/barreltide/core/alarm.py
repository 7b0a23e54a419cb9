"""The life of an alarm, after IEC 62682 (ISA-18.2): what detectors state becomes at most one alarm for one cause.

Theory. Detectors state a condition (`report`) or its absence (`normal`) as often as they like; only this module knows
on-delay, off-delay, and what follows from what. An alarm asks somebody to act: each has a consequence and an action,
and what needs no action is an event, not an alarm. What follows from a standing alarm is not raised beside it: it
waits, and is raised when the cause has gone and it still holds. What the grower knows of and brings about is held
back in the same way (`hold`, until `release`).

The states here are normal, held back, and unacknowledged until it returns to normal; acknowledging is to come.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from .event import AlarmChanged
from .evidence import Account


class Rule(NamedTuple):
    """What is fixed about an alarm. Delays in seconds of the engine's clock; about: its cause, `{}` for the subject."""

    priority: str
    on_delay_s: float
    off_delay_s: float
    about: str
    consequence: str
    action: str


TABLE: dict[str, Rule] = {
    "pump-stopped": Rule(
        "urgent", 0, 0,
        "the pump '{}' lifts no water",
        "No water moves, and the fish have only the oxygen that is in the sump.",
        "Go and look: is the pump turning, its fuse whole, its intake clear, the battery on? Stir or aerate the sump"
        " meanwhile.",
    ),
    "bed-starved": Rule(
        "soon", 0, 0,
        "no water reaches '{}', though its pump runs",
        "The plants in this bed dry out, and its bacteria with them.",
        "Look at this bed's branch: valve closed, hose off, or blocked.",
    ),
    "flow-falling": Rule(
        "soon", 0, 0,
        "the pump '{}' lifts less water than it did",
        "Less water reaches the beds each day; in the end the siphons will not start.",
        "Clean the pump's intake and rotor, look for a kink or a leak in the hose.",
    ),
    "siphon-not-starting": Rule(
        "soon", 0, 0,
        "the siphon of '{}' does not start",
        "The bed stays flooded: roots get no air.",
        "Look into the bell: air leak at its rim or cap, standpipe blocked, or too little flow to start it.",
    ),
    "siphon-not-breaking": Rule(
        "soon", 0, 0,
        "the siphon of '{}' does not break",
        "The bed stays drained: roots dry out.",
        "Look at the snorkel and the notches of the bell: blocked, too low, or too much flow for the siphon to break.",
    ),
    "battery-low": Rule(
        "urgent", 0, 900,
        "the battery is at its floor",
        "The pump will stop when the controller drops the load, and the battery ages fast down here.",
        "Charge it or lighten the load; have a battery air pump ready for the fish.",
    ),
    "battery-will-not-last": Rule(
        "urgent", 0, 900,
        "the battery reaches its floor before the sun is back",
        "The pump may stop before the sun is back.",
        "Charge the battery or lighten the load before night.",
    ),
    "battery-not-charging": Rule(
        "soon", 0, 900,
        "the battery is not being charged",
        "The coming night will draw the battery down further.",
        "Look at the panel (shade, dirt, plug), its fuse and the controller's light.",
    ),
    "charge-voltage-high": Rule(
        "soon", 0, 300,
        "the battery is charged at too high a voltage",
        "The battery gasses and loses water; hydrogen can explode.",
        "Keep flames away, switch the panel off, check the controller's setting.",
    ),
    "water-too-warm": Rule(
        "soon", 300, 300,
        "the water in the sump is too warm",
        "Warm water holds less oxygen while fish need more of it.",
        "Shade the sump, feed less, add air.",
    ),
    "water-too-cold": Rule(
        "soon", 300, 300,
        "the water in the sump is too cold",
        "Fish stop feeding, and the bacteria that clean the water slow down.",
        "Feed less or not at all, cover the sump.",
    ),
    "sump-low": Rule(
        "urgent", 0, 60,
        "the sump has lost water",
        "The pump may run dry, and the fish lose their water.",
        "Look for a leak or an overflowing bed, and top up with water of like temperature, free of chlorine.",
    ),
    "station-silent": Rule(
        "urgent", 0, 60,
        "the station '{}' is not heard",
        "Nothing is watched: a stopped pump would go unseen.",
        "Look at the board's light, its supply and fuse, and the Wi-Fi; see with your own eyes that the water moves.",
    ),
    "sensor-fault": Rule(
        "soon", 0, 300,
        "the sensor of '{}' is at fault",
        "What hangs on this reading is not watched as it should be.",
        "Look at the sensor, its plug and its cable.",
    ),
}  # fmt: skip


# What an alarm adds to its consequence where it is known for how long the fish can do without the pump.
FISH = {
    "pump-stopped": "It lasts {} from the stop on (an estimate).",
    "battery-low": "Without the pump the fish's oxygen lasts {} (an estimate).",
    "battery-will-not-last": "Without the pump the fish's oxygen lasts {} (an estimate).",
    "station-silent": "Without the pump the fish's oxygen lasts {} (an estimate).",
}


def causes(site) -> dict[tuple[str, str], list[tuple[str, str]]]:
    """One cause, one alarm: for each alarm, those that it follows from. A silent station hides all that it reads."""
    silent = [("station-silent", station.name) for station in site.stations]
    found: dict[tuple[str, str], list[tuple[str, str]]] = {}
    for pump in site.pumps:
        found["pump-stopped", pump.name] = silent
        found["flow-falling", pump.name] = [*silent, ("pump-stopped", pump.name)]
        for bed in pump.feeds:
            hidden = [*silent, ("pump-stopped", pump.name), ("sensor-fault", f"{bed}/high")]
            found["bed-starved", bed] = found["siphon-not-breaking", bed] = hidden
            found["siphon-not-starting", bed] = [*hidden, ("flow-falling", pump.name)]  # too little water to start it
    for alarm in ("battery-low", "battery-will-not-last", "battery-not-charging", "charge-voltage-high"):
        found[alarm, "battery"] = [*silent, ("sensor-fault", "battery/voltage")]
    found["battery-will-not-last", "battery"].append(("battery-low", "battery"))
    for alarm in ("water-too-warm", "water-too-cold"):
        found[alarm, "sump"] = [*silent, ("sensor-fault", "water/temperature")]
    found["sump-low", "sump"] = [*silent, *(("pump-stopped", pump.name) for pump in site.pumps)]
    return found


class _Condition:
    """One (alarm, subject) that is reported or standing."""

    __slots__ = ("consequence", "evidence", "message", "normal_since_s", "raised_s", "reported_s", "since_s")

    def __init__(self, reported_s: float, since_s: float, message: str, evidence: tuple[Account, ...]) -> None:
        self.reported_s, self.since_s, self.message, self.evidence = reported_s, since_s, message, evidence
        self.consequence = ""  # as it was when raised
        self.raised_s: float | None = None
        self.normal_since_s: float | None = None


class Alarms:
    """All alarms of a garden. `events` is drained by the monitor."""

    def __init__(self, causes: dict[tuple[str, str], list[tuple[str, str]]]) -> None:
        """causes: for each (alarm, subject), the pairs that it may follow from: one that stands keeps it waiting."""
        self._causes = causes
        self._conditions: dict[tuple[str, str], _Condition] = {}
        self._held: dict[str, frozenset[tuple[str, str]]] = {}
        self.fish_last = ""  # in words, for how long; empty where that is not known
        self.events: list[AlarmChanged] = []

    def is_standing(self, alarm: str, subject: str) -> bool:
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
        if condition.raised_s is None:
            condition.message, condition.evidence = message, evidence
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

    def hold(self, reason: str, keys: Iterable[tuple[str, str]]) -> None:
        """Raise none of these (alarm, subject) until the same reason is released; what is reported meanwhile waits."""
        self._held[reason] = frozenset(keys)

    def release(self, reason: str) -> None:
        """What still waits is raised when it is reported next, or at the next tick."""
        self._held.pop(reason, None)

    def tick(self, now_s: float) -> None:
        """Let delays run out."""
        for key, condition in list(self._conditions.items()):
            if condition.normal_since_s is not None:
                self._clear_if_due(key, condition, now_s)
            elif condition.raised_s is None:
                self._raise_if_due(key, condition, now_s)

    def standing(self) -> list[dict]:
        """The alarms that stand, most urgent and then oldest first."""
        order = {"urgent": 0, "soon": 1, "note": 2}
        rows = [
            {
                "alarm": alarm,
                "subject": subject,
                "priority": TABLE[alarm].priority,
                "since": condition.since_s,
                "raised": condition.raised_s,
                "message": condition.message,
                "consequence": condition.consequence,
                "action": TABLE[alarm].action,
            }
            for (alarm, subject), condition in self._conditions.items()
            if condition.raised_s is not None
        ]
        return sorted(rows, key=lambda row: (order[row["priority"]], row["raised"]))

    def _must_wait(self, key: tuple[str, str]) -> bool:
        if any(key in keys for keys in self._held.values()):
            return True
        return any(self.is_standing(*cause) for cause in self._causes.get(key, ()))

    def _raise_if_due(self, key: tuple[str, str], condition: _Condition, now_s: float) -> None:
        rule = TABLE[key[0]]
        if now_s - condition.reported_s < rule.on_delay_s or self._must_wait(key):
            return
        condition.raised_s = now_s
        condition.consequence = rule.consequence
        if self.fish_last and key[0] in FISH:
            condition.consequence += f" {FISH[key[0]].format(self.fish_last)}"
        text = f"{condition.message} {condition.consequence} {rule.action}"
        evidence = condition.evidence or (Account(*key, 1.0, (condition.message,), ()),)
        self.events.append(AlarmChanged(now_s, condition.since_s, *key, "raised", rule.priority, text, evidence))

    def _clear_if_due(self, key: tuple[str, str], condition: _Condition, now_s: float) -> None:
        if condition.normal_since_s is not None and now_s - condition.normal_since_s >= TABLE[key[0]].off_delay_s:
            self._clear(key, condition, now_s)

    def _clear(self, key: tuple[str, str], condition: _Condition, now_s: float) -> None:
        del self._conditions[key]
        text = f"Back to normal: {condition.message}"
        self.events.append(AlarmChanged(now_s, condition.since_s, *key, "cleared", TABLE[key[0]].priority, text))
