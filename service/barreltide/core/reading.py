"""What goes into the engine.

Every input carries `received_s`, the moment it arrived (Unix seconds, UTC), and inputs reach the engine in that
order. A reading carries `sampled_s`, the moment its value was true at the barrels, which may lie hours before.
Named tuples of plain values: a recording, a test and the live service all make the very same ones.
"""

from __future__ import annotations

from typing import NamedTuple


class Reading(NamedTuple):
    """One sampled value.

    name: without the base name, e.g. `battery/voltage` or `bed-1/high`.
    value: SI float in the unit that the name implies, or bool for a float switch, or str for a name unknown here.
    """

    name: str
    sampled_s: float
    value: float | bool | str


class Pack(NamedTuple):
    """A station's pack; (station, boot, seq) is its identity, `seq` counts from 0 in each boot."""

    received_s: float
    station: str
    boot: int
    seq: int
    readings: tuple[Reading, ...]


class ServiceStarted(NamedTuple):
    """The service came up: what happened before this moment may have gone unheard through no fault of a station."""

    received_s: float


class PumpRested(NamedTuple):
    """The grower has said that the pump is being switched off by hand, and that its water is back by `until_s`."""

    received_s: float
    pump: str
    until_s: float


class Answered(NamedTuple):
    """The grower has answered an alarm, or what is put aside of it.

    what: "acknowledged", "shelved", "out-of-service" (until it is said otherwise) or "unshelved" (which ends both);
    until_s: of a shelf, else None; reason: why it is put aside; who: a name, as far as one is known.
    """

    received_s: float
    what: str
    alarm: str
    subject: str
    until_s: float | None = None
    reason: str = ""
    who: str = ""


class Noted(NamedTuple):
    """The grower has pinned a note to a moment, which may have passed: what was done, or seen, at a bed or (None) in
    the garden. time_s: that moment; who: a name, as far as one is known."""

    received_s: float
    time_s: float
    text: str
    bed: str | None = None
    who: str = ""


class ShakedownStarted(NamedTuple):
    """The grower has started a shakedown that runs until `until_s`."""

    received_s: float
    until_s: float
    who: str = ""


Said = PumpRested | Answered | Noted | ShakedownStarted  # by the grower
Input = Pack | ServiceStarted | Said
