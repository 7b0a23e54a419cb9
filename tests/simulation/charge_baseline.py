"""How a grower would tell the state of charge without a filter, to hold one against: a table, and counting.

Both read the very inputs that the engine reads and give events of the same form. Neither has an interval of its own:
the table's is what its two published sources say apart, counting has none.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import pi, sin

from barreltide.core.lead import TABLES, state_of_charge

SAY_S = 600.0
GUESSED_A = 2.0  # the load where nobody measured it
GUESSED_CHARGE = 0.8
FULL_V, FULL_FOR_S = 14.2, 3600.0
PANEL_V, PANEL_YIELD = 17.0, 0.75  # a panel's amperes are its watts over these volts, less what dirt and heat take


class _EveryTenMinutes:
    """Hands each ten minutes' mean voltage to `charge`, which answers (state of charge, low, high)."""

    def events(self, inputs: Iterable, end_s: float) -> Iterator[dict]:
        start_s, volts = None, []
        for item in inputs:
            for reading in getattr(item, "readings", ()):
                if reading.name == "battery/voltage":
                    volts.append(reading.value)
            start_s = item.received_s if start_s is None else start_s
            if item.received_s - start_s >= SAY_S and volts and item.received_s <= end_s:
                charge, low, high = self.charge(item.received_s, item.received_s - start_s, sum(volts) / len(volts))
                yield {"event": "battery", "time": item.received_s, "state_of_charge": charge, "low": low, "high": high,
                       "basis": "loaded"}  # fmt: skip
                start_s, volts = item.received_s, []


class TableLookUp(_EveryTenMinutes):
    """The voltage as it is, read off the table: the battery's own, or the mean of the two published ones."""

    def __init__(self, run) -> None:
        label = run.plan.label
        self._tables = [label["rested"]] if label["rested"] else TABLES[label["chemistry"]]

    def charge(self, now_s: float, span_s: float, volts: float) -> tuple[float, float, float]:
        found = [state_of_charge(table, volts) for table in self._tables]
        return sum(found) / len(found), min(found), max(found)


class Counting(_EveryTenMinutes):
    """Ampere-hours of the label: out goes the load, in comes a clear day's panel, and an hour at the charger's
    set-point is full."""

    def __init__(self, run) -> None:
        plan, label = run.plan, run.plan.label
        self._ah = label["capacity_ah"]
        self._load_a = sum(label["current_a"].values()) if label["current_a"] else GUESSED_A
        self._panel_a = PANEL_YIELD * label["panel_w"] / PANEL_V
        self._longitude = plan.longitude
        self._charge, self._held_s = GUESSED_CHARGE, 0.0

    def charge(self, now_s: float, span_s: float, volts: float) -> tuple[float, float, float]:
        hour = (now_s / 3600 + self._longitude / 15) % 24
        panel_a = self._panel_a * max(sin(pi * (hour - 6) / 12), 0.0)
        self._held_s = self._held_s + span_s if volts >= FULL_V else 0.0
        counted = self._charge + (panel_a - self._load_a) * span_s / 3600 / self._ah
        self._charge = 1.0 if self._held_s >= FULL_FOR_S else min(max(counted, 0.0), 1.0)
        return (self._charge,) * 3
