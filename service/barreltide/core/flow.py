"""The pump's flow, day against day: what clogging slowly changes.

Theory. A bed takes the same water each time, so the work (voltage.py) of filling it goes up as the pump's flow goes
down. A day holds the same hours and nearly the same voltages as the day before, so medians over a whole day are
compared, anew every few hours, with the best that this garden has shown. Where two floats give the filling alone, that
is measured; else the whole cycle, in which the draining changes the other way and hides a part.

A grower's adjustment moves one bed against the others, or a single bed at once, and the pump all beds together. So all
beds of a pump must have become slower; a single bed's that jumped counts only beyond what a turned valve does.

It cannot tell, with one float a bed, a weaker pump from a siphon that has become slower.
"""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import NamedTuple

from .event import CycleCounted
from .voltage import VoltageTrace

DAY_S = 86400.0
STRIDE_S = 6 * 3600.0
LEAST_CYCLES = 6
REMEMBERED = 120  # strides: thirty days
LOST, LOST_AT_ONCE, BACK = 1.25, 1.45, 1.15  # times the best day's work


class Day(NamedTuple):
    """The median work (s) of the day up to `time_s`; `adjusted`: how often the bed had been adjusted by then."""

    time_s: float
    work_s: float
    adjusted: int


class Flow:
    """One bed's record."""

    def __init__(self, trace: VoltageTrace) -> None:
        self.days: deque[Day] = deque(maxlen=REMEMBERED)
        # The last day's work in times of the best day's: since the last adjustment, and over all. None at first.
        self.loss: tuple[float, float] | None = None
        self._trace = trace
        self._recent: deque[tuple[float, float]] = deque(maxlen=600)  # (time, work) of the last day's cycles
        self._is_fill = False
        self._next_s = 0.0

    def gather(self, cycle: CycleCounted, adjusted: int) -> None:
        """Take a cycle that was seen whole. adjusted: how often the bed's normal was set anew."""
        rise_s = cycle.time - cycle.high_s
        is_fill = cycle.fill_s is not None
        if is_fill != self._is_fill:
            if self._recent and not is_fill and cycle.time - self._recent[-1][0] < DAY_S:
                return  # a level misses a fill now and then
            self._is_fill = is_fill  # another float has come or gone: no measure for what was before
            self._recent.clear()
            self.days.clear()
            self.loss = None
        from_s, to_s = (rise_s - cycle.fill_s, rise_s) if is_fill else (cycle.time - cycle.period_s, cycle.time)
        if not self._recent:
            self._next_s = cycle.time + DAY_S
        self._recent.append((cycle.time, self._trace.work_s(from_s, to_s)))
        if cycle.time < self._next_s:
            return
        self._next_s = cycle.time + STRIDE_S
        works = [work for time_s, work in self._recent if time_s > cycle.time - DAY_S]
        if len(works) >= LEAST_CYCLES:
            last = Day(cycle.time, median(works), adjusted)
            self.days.append(last)
            if len(self.days) > 1:
                alike = min(day.work_s for day in self.days if day.adjusted == adjusted)
                self.loss = last.work_s / alike, last.work_s / min(day.work_s for day in self.days)

    def since_s(self) -> float:
        """When half of the present loss was there; a bed without two days has none: ask `loss` first."""
        half_s = (self.days[-1].work_s + min(day.work_s for day in self.days)) / 2
        return max((day.time_s for day in self.days if day.work_s <= half_s), default=self.days[-1].time_s)


def falling(flows: list[Flow]) -> float | None:
    """How many times longer all beds of a pump take, if its flow is falling; 0.0 if it is not, None in between."""
    losses = [flow.loss for flow in flows]
    if None in losses or not losses:
        return None
    at_once = LOST if len(flows) > 1 else LOST_AT_ONCE
    gradual, overall = min([loss[0] for loss in losses]), min([loss[1] for loss in losses])
    if gradual > LOST or overall > at_once:
        return overall
    return 0.0 if overall < BACK else None
