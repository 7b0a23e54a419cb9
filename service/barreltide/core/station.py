"""One station as a sender: when it was heard, how often it used to speak, and how far behind it is."""

from __future__ import annotations

from collections import deque
from statistics import median

from .order import StationOrder

SILENT_S = 420.0


class Station:
    """What is known of one station as a sender."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.order = StationOrder()
        self.heard_s: float | None = None  # or when watching began: from here its silence is reckoned
        self.spoke_s: float | None = None
        self.came_back_s = 0.0  # when it was first heard after its last silence
        self.intervals: deque[float] = deque(maxlen=31)
        self.lag_s = 0.0
        self.is_catching_up = False
        self.is_waited_for = False  # it is silent, or catches up: its garden is not judged

    def hear(self, now_s: float) -> None:
        quiet_s = now_s - self.heard_s if self.heard_s is not None else 0.0
        if quiet_s > 0:
            if quiet_s > SILENT_S and quiet_s > self.silent_after_s:
                self.came_back_s = now_s
            self.intervals.append(quiet_s)
        self.heard_s = self.spoke_s = now_s

    @property
    def silent_after_s(self) -> float:
        return max(SILENT_S, 4 * median(self.intervals)) if len(self.intervals) > 5 else SILENT_S
