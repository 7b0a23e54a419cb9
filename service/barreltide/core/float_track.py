"""From the changes of one float switch to wet and dry phases and, for the upper float, to cycles.

Theory. Over a cycle the water passes the float once on its way up and once on its way down, so a bed's life is a chain
of phases, wet and dry in turn. Near each crossing ripple lifts and drops the float a few times: short runs, next to one
another. So a run is *steady* once it has lasted well beyond ripple, a phase begins with the first moment of its
first steady run, and short runs between two steady runs of opposite states are ripple. Short runs between two steady
runs of the same state are ripple too, unless one of them is long enough to have been a whole phase: with a float near
the top of the bed the wet phase is short, and near the bottom the dry one.

It assumes that one of the two phases lasts longer than a minute (periods are three minutes and more), and that the
station's own debouncing has removed bounce. It cannot know what happened in a gap of the data: a phase whose start
lies in one has an unknown length. Late packs are put in where they belong, and the track is then counted anew; a cycle is
told once, by the time of its fall.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import deque
from statistics import median
from typing import NamedTuple

from .order import Gap

KEPT_S = 3 * 86400.0  # backlogs older than this are stored but no longer counted
STEADY_UNLEARNED_S = 40.0
DOUBTFUL_S = 600.0  # how long a fall whose moment lies in a gap waits for the late pack that tells it
STEADY_LEAST_S, STEADY_MOST_S = 8.0, 120.0
SHORTEST_PERIOD_S = 180.0


class Phase(NamedTuple):
    """One finished wet or dry phase. sure: both of its ends were seen; end_sure: its end was."""

    wet: bool
    start_s: float
    end_s: float
    sure: bool
    end_sure: bool


class Fall(NamedTuple):
    """The end of a wet phase: a cycle. Lengths are None where an end of theirs lies in the unknown."""

    time_s: float
    period_s: float | None
    high_s: float | None
    low_s: float | None


class Edge(NamedTuple):
    """The float was found `wet` at `time_s`; unless `sure`, it may have changed at any time since the edge before."""

    time_s: float
    wet: bool
    sure: bool


class _Phases:
    """The chain of phases, fed edge by edge in order of time."""

    def __init__(self) -> None:
        self.wet: bool | None = None  # the confirmed state …
        self.since_s = 0.0  # … its first moment
        self.sure = False  # … and whether that moment was seen
        self.runs: list[Edge] = []  # short runs since the last steady one, and the run that now lasts

    def feed(self, edge: Edge, steady_s: float, least_s: float) -> list[Phase]:
        finished = self.settle(edge.time_s, steady_s, least_s)
        if self.wet is None and not self.runs:
            self.runs.append(edge)
        elif (self.runs[-1].wet if self.runs else self.wet) != edge.wet:
            self.runs.append(edge)
        return finished

    def settle(self, now_s: float, steady_s: float, least_s: float) -> list[Phase]:
        """The phases that are finished for good, the float having stayed as it is until `now_s`."""
        if not self.runs or now_s - self.runs[-1].time_s < steady_s:
            return []
        last = self.runs[-1]
        finished: list[Phase] = []
        if self.wet is None:
            self.wet, self.since_s, self.sure = last.wet, last.time_s, len(self.runs) > 1 and last.sure
        elif last.wet != self.wet:
            finished.append(Phase(self.wet, self.since_s, last.time_s, self.sure and last.sure, last.sure))
            self.wet, self.since_s, self.sure = last.wet, last.time_s, last.sure
        else:
            ends = [run.time_s for run in self.runs[1:]]
            length_s, start = max(
                (end_s - run.time_s, run)
                for run, end_s in zip(self.runs[:-1], ends, strict=True)
                if run.wet != self.wet
            )
            if length_s >= least_s:
                finished.append(Phase(self.wet, self.since_s, start.time_s, self.sure and start.sure, start.sure))
                finished.append(Phase(not self.wet, start.time_s, last.time_s, start.sure and last.sure, last.sure))
                self.since_s, self.sure = last.time_s, last.sure
        self.runs.clear()
        return finished


class FloatTrack:
    """One float switch: `hear` its readings, `settle` as time goes on, and read phases and falls."""

    def __init__(self, wet_share: float | None = None) -> None:
        """wet_share: the share of a cycle that the float should be wet for, from the site's heights; None if unknown."""
        self.edges: list[Edge] = []
        self.gaps: list[Gap] = []  # the station's own list
        self.durations: dict[bool, deque[float]] = {True: deque(maxlen=9), False: deque(maxlen=9)}
        self.last_change_s: float | None = None  # newest raw change, ripple included
        self.flips: deque[float] = deque(maxlen=400)
        self._phases = _Phases()
        self._fall_s: float | None = None
        self._low_s: float | None = None
        self._told: list[float] = []  # falls told so far, sorted
        self._doubtful: list[tuple[float, Fall]] = []  # (when to tell it at the latest, fall)
        self._shorter_s = SHORTEST_PERIOD_S * min(wet_share, 1 - wet_share) if wet_share else None
        self._stirred = False
        self._unsure = True

    @property
    def wet(self) -> bool | None:
        """The steady state, None before the first."""
        return self._phases.wet

    @property
    def is_unsettled(self) -> bool:
        """Whether a change waits to last long enough to count."""
        return bool(self._phases.runs)

    @property
    def raw_wet(self) -> bool | None:
        return self.edges[-1].wet if self.edges else None

    @property
    def since_s(self) -> float:
        """First moment of the present phase."""
        return self._phases.since_s

    @property
    def steady_s(self) -> float:
        """How long a run must last to be no ripple."""
        if not self.durations[True] or not self.durations[False]:
            return STEADY_UNLEARNED_S
        shorter_s = min(median(self.durations[True]), median(self.durations[False]))
        return min(max(0.25 * shorter_s, STEADY_LEAST_S), STEADY_MOST_S)

    def least_s(self, wet: bool) -> float:
        """How long a single run between two steady ones must last to be a phase of its own."""
        if self.durations[wet]:
            return max(5.0, 0.35 * median(self.durations[wet]))
        return min(max(0.3 * self._shorter_s, 3.0), 12.0) if self._shorter_s else 12.0

    def hear(self, time_s: float, wet: bool, late: bool) -> list[Phase]:
        """Take one reading; returns the phases that it finished."""
        if late:
            self._insert(time_s, wet)
            return []
        if self.edges:
            last = self.edges[-1]
            if wet == last.wet and not self._unsure:
                return []
            time_s = max(time_s, last.time_s)  # a clock set back does not undo what was seen
            if wet == last.wet:
                # No change, but after a gap it must be remembered: a late pack may bring the change that was before it.
                self.edges.append(Edge(time_s, wet, False))
                self._unsure = False
                return []
        edge = Edge(time_s, wet, not self._unsure)
        self._unsure = False
        self.edges.append(edge)
        self.last_change_s = time_s
        self.flips.append(time_s)
        return self._feed(edge)

    def doubt(self) -> None:
        """What comes next follows a gap in the data."""
        self._unsure = True

    def settle(self, sampled_s: float, now_s: float) -> list[Phase]:
        """Let time pass: the float is known to have stayed as it is until `sampled_s`; the engine's clock shows `now_s`."""
        runs = self._phases.runs
        if not runs:
            return []
        steady_s = self.steady_s
        # A station that has fallen silent leaves its last change hanging; after twice the time nothing better will come.
        until_s = sampled_s if now_s - runs[-1].time_s < 2 * steady_s + 20 else now_s
        return self._learn(self._phases.settle(until_s, steady_s, self.least_s(not self._phases.wet)))

    def recount(self, now_s: float) -> list[Fall]:
        """After late packs: the falls that were not told before, oldest first."""
        if not self._stirred:
            return []
        self._stirred = False
        anew = _Phases()
        finished: list[Phase] = []
        steady_s = self.steady_s
        before: Edge | None = None
        for edge in self.edges:
            if before is not None and not edge.sure:
                edge = edge._replace(sure=not self.hides(before.time_s, edge.time_s))
            finished += anew.feed(edge, steady_s, self.least_s(not anew.wet))
            before = edge
        falls, self._fall_s, self._low_s = [], None, None
        waiting, self._doubtful = self._doubtful, []
        for phase in finished:
            fall = self._fall(phase)
            if fall is None or not self._is_news(fall.time_s, steady_s, remember=phase.end_sure):
                continue
            if phase.end_sure:
                falls.append(fall)
            else:
                until_s = next((at_s for at_s, other in waiting if other.time_s == fall.time_s), now_s)
                self._doubtful.append((until_s, fall))
        self._phases = anew
        return falls

    def falls(self, finished: list[Phase], now_s: float) -> list[Fall]:
        """The falls among phases just finished; one whose moment lies in a gap waits, see `overdue_falls`."""
        found = []
        for phase in finished:
            fall = self._fall(phase)
            if fall is not None and not phase.end_sure and self.gaps:
                self._doubtful.append((now_s + DOUBTFUL_S, fall))
            elif fall is not None and self._is_news(fall.time_s, 1.0):
                found.append(fall)
        return found

    def overdue_falls(self, now_s: float) -> list[Fall]:
        """Falls that have waited long enough for a late pack."""
        if not self._doubtful or now_s < self._doubtful[0][0]:
            return []
        _, fall = self._doubtful.pop(0)
        return [fall] if self._is_news(fall.time_s, self.steady_s) else []

    def _fall(self, phase: Phase) -> Fall | None:
        length_s = phase.end_s - phase.start_s if phase.sure and not self.hides(phase.start_s, phase.end_s) else None
        if not phase.wet:
            self._low_s = length_s
            return None
        before_s, self._fall_s = self._fall_s, phase.end_s
        whole = before_s is not None and length_s is not None and self._low_s is not None
        fall = Fall(phase.end_s, phase.end_s - before_s if whole else None, length_s, self._low_s)
        self._low_s = None
        return fall

    def _is_news(self, time_s: float, tolerance_s: float, remember: bool = True) -> bool:
        at = bisect_right(self._told, time_s)
        if any(abs(self._told[i] - time_s) <= tolerance_s for i in (at - 1, at) if 0 <= i < len(self._told)):
            return False
        if remember:
            insort(self._told, time_s)
        return True

    def hides(self, start_s: float, end_s: float) -> bool:
        """Whether a gap that could have hidden a phase lies within the span."""
        return any(
            gap.missing and gap.from_s < end_s and gap.to_s > start_s and not self._short(gap.to_s - gap.from_s)
            for gap in self.gaps
        )

    def _short(self, gap_s: float) -> bool:
        known = [median(lengths) for lengths in self.durations.values() if lengths]
        return gap_s < (0.4 * min(known) if len(known) == 2 else 45.0)

    def _feed(self, edge: Edge) -> list[Phase]:
        return self._learn(self._phases.feed(edge, self.steady_s, self.least_s(not self._phases.wet)))

    def _learn(self, finished: list[Phase]) -> list[Phase]:
        for phase in finished:
            if phase.sure and not self.hides(phase.start_s, phase.end_s):
                self.durations[phase.wet].append(phase.end_s - phase.start_s)
        return finished

    def _insert(self, time_s: float, wet: bool) -> None:
        if self.edges and time_s < self.edges[-1].time_s - KEPT_S:
            return
        insort(self.edges, Edge(time_s, wet, True))
        self._stirred = True

    def forget(self, before_s: float) -> None:
        """Drop what is too old for any backlog."""
        while len(self.edges) > 2 and self.edges[1].time_s < before_s:
            self.edges.pop(0)
        del self._told[: bisect_right(self._told, before_s)]
