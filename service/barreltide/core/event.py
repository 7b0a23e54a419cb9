"""What comes out of the engine: facts in the past tense, each able to print itself as a line of `replay`.

Times are Unix seconds, UTC. Field names are those of the printed line, so `as_line` needs no table of its own.
"""

from __future__ import annotations

from typing import NamedTuple

from .evidence import Account


class CycleCounted(NamedTuple):
    """A bed drained past its upper float for good.

    time: first moment of the stable dry run, by the float's own clock; period_s: since the cycle before, None across a
    gap in the data; high_s, low_s: how long the float was wet and dry in the cycle; fill_s, drain_s: where known.

    Beside the facts: work_s, the pump's work in the period, in seconds at 12.6 V; flow_ratio, the siphon's mean flow
    over the pump's; prime_s, break_s, the waits until it starts and breaks, where a level shows them; bottom_s, below
    the lower float where there are two. """

    time: float
    bed: str
    number: int
    period_s: float | None
    high_s: float | None
    low_s: float | None
    fill_s: float | None
    drain_s: float | None
    work_s: float | None = None
    flow_ratio: float | None = None
    prime_s: float | None = None
    break_s: float | None = None
    bottom_s: float | None = None
    kind = "cycle"


class AlarmChanged(NamedTuple):
    """An alarm was raised or cleared.

    time: the engine's clock when it decided; since: when the condition began; evidence: the causes that were weighed
    when it was raised, the likeliest first.
    """

    time: float
    since: float
    alarm: str
    subject: str
    change: str  # "raised" | "cleared"
    priority: str  # "urgent" | "soon" | "note"
    message: str
    evidence: tuple[Account, ...] = ()
    kind = "alarm"


class AlarmAnswered(NamedTuple):
    """An alarm was answered, or is no longer put aside.

    change: "acknowledged", "shelved", "out-of-service", "unshelved", "in-service", or "held-back" of what stood when
    its pump was given a rest; until: the end of a shelf or a rest; who: empty where nobody was named, or time alone
    has ended it.
    """

    time: float
    alarm: str
    subject: str
    change: str
    until: float | None
    reason: str
    who: str
    kind = "answer"


class BatteryJudged(NamedTuple):
    """The state of charge (0 to 1) with a 90 % interval. basis: "rested", "loaded" or "charging"."""

    time: float
    state_of_charge: float
    low: float
    high: float
    basis: str
    kind = "battery"


class NightEnded(NamedTuple):
    """Dawn came. date: local date of the dusk, ISO; hours_left: to the floor at the night's mean load, or None.

    Beside what the night was: slope_v_per_h of its late hours, what the battery holds when full with a 90 % interval,
    and the series resistance as the pumps' stops and starts have last shown it.
    """

    time: float
    date: str
    dusk: float
    dawn: float
    state_of_charge_dusk: float | None
    state_of_charge_dawn: float | None
    used_ah: float | None
    lowest_voltage_v: float | None
    hours_left: float | None
    slope_v_per_h: float | None = None
    capacity_ah: float | None = None
    capacity_low_ah: float | None = None
    capacity_high_ah: float | None = None
    resistance_ohm: float | None = None
    kind = "night"


class SiphonChanged(NamedTuple):
    """An early sign of a siphon that goes wrong has appeared or gone. sign: "slow-to-start", "slow-to-break" or
    "slow-to-drain"; time: of the fall of the upper float that decided."""

    time: float
    bed: str
    sign: str
    change: str  # "seen" | "gone"
    message: str
    kind = "siphon"


class NotePinned(NamedTuple):
    """The grower's note about a bed, or (None) the garden. time: that to which it is pinned, which may lie far back."""

    time: float
    bed: str | None
    text: str
    who: str
    kind = "note"


class RestBegan(NamedTuple):
    """The grower has said that a pump is being switched off; its water is to be back by `until`."""

    time: float
    pump: str
    until: float
    kind = "rest"


class ShakedownBegan(NamedTuple):
    """The grower has started a shakedown (shakedown.py), in place of any before it. until: its end; who: a name."""

    time: float
    until: float
    who: str
    kind = "shakedown"


class PackChoked(NamedTuple):
    """The engine failed on a pack: it is to be kept aside with the reason, a traceback, and never met again."""

    time: float
    station: str
    boot: int
    seq: int
    reason: str
    kind = "choked"


Event = (
    CycleCounted | AlarmChanged | AlarmAnswered | BatteryJudged | NightEnded | SiphonChanged | NotePinned | RestBegan
    | ShakedownBegan | PackChoked
)  # fmt: skip

# Kinds that are told in lines of JSON only where an explanation is asked for: what others read holds facts and alarms.
ASIDE = ("siphon", "answer", "note", "rest", "shakedown")

# What a line says beside its facts: for those who ask for an explanation.
BESIDE = (
    "evidence",
    *CycleCounted._fields[CycleCounted._fields.index("work_s") :],
    *NightEnded._fields[NightEnded._fields.index("slope_v_per_h") :],
)


def as_line(event: Event) -> dict:
    """The JSON object that `replay` prints for the event; floats rounded to what the sensors can mean."""
    line: dict = {"event": event.kind}
    for name, value in zip(event._fields, event, strict=True):
        line[name] = round(value, 4) if isinstance(value, float) else value
    if "evidence" in line:
        line["evidence"] = [account._asdict() for account in line["evidence"]]
    return line
