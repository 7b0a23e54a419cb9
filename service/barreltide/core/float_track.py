"""From the changes of one float switch to wet and dry phases and, for the upper float, to cycles.

Theory. Over a cycle the water passes the float once on its way up and once on its way down, so a bed's life is a chain
of phases, wet and dry in turn. Near each crossing ripple lifts and drops the float a few times: short runs, next to one
another. So a run is *steady* once it has lasted well beyond ripple, a phase begins with the first moment of its
first steady run, and short runs between two steady runs of opposite states are ripple. Short runs between two steady
runs of the same state are ripple too, unless one of them is long enough to have been a whole phase: with a float near
the top of the bed the wet phase is short, and near the bottom the dry one. A report of a change to what the float was
already shows that the change between was not heard: the run begins anew.

It assumes that one of the two phases lasts longer than a minute (periods are three minutes and more), and that the
station's own debouncing has removed bounce. It cannot know what happened in a gap of the data: a change that is only
met on the far side of one has an unknown moment, unless the reading is the report of the change itself. Late readings
are put in where they belong and the track is counted anew. A cycle is told once: two falls are never closer than a good
part of a period, so a fall near one that was told is the same fall, seen better. While a pack is missing that may show
it better, a fall waits to be told.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections import deque
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from .order import BACKDATED_S, HOLD_S, RESTARTED, Gap

KEPT_S = 3 * 86400.0  # backlogs older than this are stored but no longer counted
STEADY_UNLEARNED_S = 40.0
STEADY_LEAST_S, STEADY_MOST_S = 8.0, 120.0
STEADY_SHARE, OWN_SHARE = 0.25, 0.1  # of the shorter kind of phase, and of its own: a run as long as that is steady
STRANGE, AGREEMENT = 3.0, 1.5  # so many times apart, a phase is none of the usual ones, unless three in a row agree
SHORTEST_PERIOD_S = 180.0
LEAST_SHARE = 0.015  # of the phase before it: a shorter one is ripple
SAME_FALL = 0.4  # of a period: closer than this, two falls are one
HOPE_S = 6 * 3600.0  # how long a fall whose own report is missing waits for it
RIPPLE_HOPE_S = 1200.0  # how long a fall waits that was reported, where ripple after it may be missing
RESTLESS, RESTLESS_S = 4, 300.0  # so often within so long
UNSEEN_S = float("-inf")


class Phase(NamedTuple):
    """One finished wet or dry phase.

    start_after_s, end_after_s: when the float was last seen in its former state, where a gap hides the change itself;
    else the same as start and end.
    """

    wet: bool
    start_s: float
    end_s: float
    start_after_s: float
    end_after_s: float


class Fall(NamedTuple):
    """The end of a wet phase: a cycle. Lengths are None where an end of theirs lies in the unknown."""

    time_s: float
    period_s: float | None
    high_s: float | None
    low_s: float | None


class Edge(NamedTuple):
    """The float was found `wet` at `time_s`. is_change: it is the report of the change itself, no repetition."""

    time_s: float
    wet: bool
    is_change: bool


class _Run(NamedTuple):
    """The float was in one state from `time_s` on, or in a gap's shadow perhaps from `after_s` on."""

    time_s: float
    wet: bool
    after_s: float


class FloatTrack:
    """One float switch: `hear` its readings, `settle` as time goes on, and read phases and falls."""

    def __init__(self, wet_share: float | None = None) -> None:
        """wet_share: the share of a cycle that the float should be wet for, by the site's heights; None if unknown."""
        self.gaps: list[Gap] = []  # the station's own list
        self.durations: dict[bool, deque[float]] = {True: deque(maxlen=9), False: deque(maxlen=9)}
        self.flips: deque[float] = deque(maxlen=400)
        self.steady_s = STEADY_UNLEARNED_S  # how long a run must last to be no ripple …
        self._steady = {True: STEADY_UNLEARNED_S, False: STEADY_UNLEARNED_S}  # … and in this state
        self._usual_s: dict[bool, float] = {}  # the median of a state's durations, where there are any
        self._strangers: dict[bool, list[float]] = {True: [], False: []}
        self._shorter_s = SHORTEST_PERIOD_S * min(wet_share, 1 - wet_share) if wet_share else None
        self.rewind()

    def rewind(self) -> None:
        """The station's clock was set back: what was heard has no place among what comes. What was learned stays."""
        self.edges: list[Edge] = []
        self.last_change_s: float | None = None  # newest raw change, ripple included
        self.flips.clear()
        self._restart()
        self._told: list[float] = []  # falls told so far, sorted
        self._told_spans: deque[tuple[float, float]] = deque(maxlen=64)  # those whose moment lay hidden: within it
        self._stirred = False
        self._known_s, self._learned_s = UNSEEN_S, 0.0  # until when it is known, and when the engine's clock learned it

    def _restart(self) -> None:
        self.wet: bool | None = None  # the steady state, None before the first …
        self.since_s = 0.0  # … the first moment of its phase …
        self._after_s = UNSEEN_S  # … and the earliest that it can have been
        self._runs: list[_Run] = []  # short runs since the last steady one, and the run that now lasts
        self._dry: Phase | None = None  # the newest finished phase, if dry
        self._untold: list[tuple[Phase | None, Phase]] = []  # falls found but not told: the dry phase, the wet one

    @property
    def is_at_rest(self) -> bool:
        """Whether the passing of time alone changes nothing: no run to end, nothing to count anew, nothing to tell."""
        return not (self._runs or self._stirred or self._untold)

    @property
    def is_unsettled(self) -> bool:
        """Whether a change waits to last long enough to count."""
        return bool(self._runs)

    @property
    def has_moved_unheard(self) -> bool:
        """Whether a change that is not settled yet lay hidden: only that the float was in the other state is known."""
        return any(run.after_s < run.time_s for run in self._runs)

    @property
    def raw_wet(self) -> bool | None:
        return self.edges[-1].wet if self.edges else None

    def is_restless(self, known_s: float) -> bool:
        """Whether it has moved lately, again and again, ripple included: so does no float in water that stands."""
        return len(self.flips) >= RESTLESS and self.flips[-RESTLESS] > known_s - RESTLESS_S

    def least_s(self, wet: bool, after_s: float) -> float:
        """How long a single run between two steady ones must last to be a phase of its own.

        after_s: how long the phase before it has lasted: no float is wet, or dry, for so small a part of a cycle.
        """
        if wet in self._usual_s:
            return max(5.0, 0.35 * self._usual_s[wet])
        least_s = min(max(0.3 * self._shorter_s, 3.0), 12.0) if self._shorter_s else 12.0
        return max(least_s, LEAST_SHARE * after_s)

    def hear(self, time_s: float, wet: bool, late: bool, is_change: bool) -> list[Phase]:
        """Take one reading; returns the phases that it finished."""
        edge = Edge(time_s, wet, is_change)
        last = self.edges[-1] if self.edges else None
        if last is not None:
            if is_change and last.is_change and not late and 0 < last.time_s - time_s < BACKDATED_S:
                # Without a clock of its own a station's times hang on the way of its packs; their order is certain.
                time_s = last.time_s
                edge = edge._replace(time_s=time_s)
            if time_s < last.time_s:
                self._insert(edge, late)
                return []
            # The same again teaches nothing, unless a change that we did not hear lies, or may lie, between.
            is_news = late or is_change or bool(self.gaps and self.gaps[-1].to_s > last.time_s)
            if wet == last.wet and not is_news:
                return []
            if _is_stale(edge, last):
                return []
            if wet != last.wet:
                self.last_change_s = time_s
                self.flips.append(time_s)
        self.edges.append(edge)
        self._stirred |= late  # what it ends may have been taken for steady
        return self._take(self._feed(self._run(edge, last)))

    def settle(self, sampled_s: float, now_s: float) -> list[Phase]:
        """Let time pass: the float is known to have stayed so until `sampled_s`; the engine's clock is `now_s`."""
        if sampled_s > self._known_s:
            self._known_s, self._learned_s = sampled_s, now_s
        until_s, silent_s = self._known_s, now_s - self._learned_s
        # A station that has fallen silent leaves its last change hanging; after a while nothing better will come. That
        # is more than the hold: packs that wait for one before them are not silence.
        if silent_s > HOLD_S + 20 and silent_s > 2 * max(self._steady.values()) + 20:
            until_s += silent_s
        return self._take(self._end_runs(until_s))

    def recount(self) -> None:
        """After late readings: count anew, so that `falls` knows of those not told before."""
        if not self._stirred:
            return
        self._stirred = False
        self._restart()
        last: Edge | None = None
        for edge in self.edges:
            self._find_falls(self._feed(self._run(edge, last)))
            last = edge
        self._find_falls(self._end_runs(self._known_s))
        usual_s = self._usual_s.values()
        near_s = SAME_FALL * sum(usual_s) if len(usual_s) == 2 else 0.5 * STEADY_UNLEARNED_S
        for from_s, to_s in list(self._told_spans):
            hidden = [wet.end_s for _, wet in self._untold if from_s <= wet.end_s <= to_s]
            if hidden:  # the last of them is the one that was told without its moment
                insort(self._told, hidden[-1])
                self._told_spans.remove((from_s, to_s))
        self._untold = [(dry, wet) for dry, wet in self._untold if not self._is_told(wet.end_s, near_s)]

    def falls(self, now_s: float) -> list[Fall]:
        """The falls that are to be told now. One whose moment lies in a gap waits while there is hope to learn it."""
        if not self._untold:
            return []
        found, waiting = [], []
        for dry, wet in self._untold:
            if self._is_told(wet.end_s, STEADY_LEAST_S):
                continue
            if self._may_be_seen_better(wet, now_s):
                waiting.append((dry, wet))
                continue
            insort(self._told, wet.end_s)
            if UNSEEN_S < wet.end_after_s < wet.end_s:
                self._told_spans.append((wet.end_after_s, wet.end_s))
            high_s = wet.end_s - wet.start_s if self.is_whole(wet) else None
            low_s = dry.end_s - dry.start_s if dry is not None and self.is_whole(dry) else None
            period_s = wet.end_s - dry.start_s if high_s is not None and low_s is not None else None
            found.append(Fall(wet.end_s, period_s, high_s, low_s))
        self._untold = waiting
        return found

    def edges_between(self, from_s: float, to_s: float) -> list[Edge]:
        """The edges after `from_s` and before `to_s`."""
        return self.edges[bisect_right(self.edges, (from_s, True, True)) : bisect_left(self.edges, (to_s,))]

    def turns(self, since_s: float, apart_s: float) -> int:
        """How often the float has fallen since then, after a good while up; falls less than `apart_s` apart are one."""
        edges = self.edges[max(bisect_right(self.edges, (since_s, True, True)) - 1, 0) :]
        count, last_s = 0, since_s - apart_s
        for before, edge in pairwise(edges):
            was_up = before.wet and not edge.wet and edge.time_s - before.time_s > 0.25 * apart_s
            if was_up and edge.time_s - last_s > apart_s:
                count, last_s = count + 1, edge.time_s
        return count

    def is_whole(self, phase: Phase) -> bool:
        """Whether both ends of the phase were seen, and nothing is missing between them that may tell of others."""
        return phase.start_after_s > UNSEEN_S and not self._is_hidden(phase.start_after_s, phase.end_s)

    def is_short(self, gap: Gap) -> bool:
        """Whether the gap is too short to hide a phase."""
        usual_s = self._usual_s.values()
        return gap.to_s - gap.from_s < (0.4 * min(usual_s) if len(usual_s) == 2 else 45.0)

    def forget(self, before_s: float) -> None:
        """Drop what is too old for any backlog."""
        kept = max(bisect_left(self.edges, (before_s,)) - 1, 0)
        del self.edges[:kept]
        # A recount begins at the oldest edge kept, which may be much older: all that it can find must be known as told.
        oldest_s = self.edges[0].time_s if self.edges else before_s
        del self._told[: bisect_right(self._told, min(oldest_s, before_s) - 3600)]

    def _may_be_seen_better(self, wet: Phase, now_s: float) -> bool:
        """Whether a pack that is still expected may move the end of this wet phase."""
        hope_s = RIPPLE_HOPE_S if wet.end_after_s == wet.end_s else HOPE_S
        until_s = wet.end_s + self._steady[False]
        return any(
            now_s < gap.noticed_s + (RIPPLE_HOPE_S if RESTARTED in gap.missing else hope_s)
            for gap in self.gaps
            if gap.missing and gap.from_s < until_s and gap.to_s > wet.end_after_s
        )

    def _is_hidden(self, from_s: float, to_s: float) -> bool:
        """Whether a gap lies within the span."""
        return any(gap.missing and gap.from_s < to_s and gap.to_s > from_s for gap in self.gaps)

    def _run(self, edge: Edge, last: Edge | None) -> _Run:
        after_s = edge.time_s if edge.is_change else UNSEEN_S
        if last is not None and not edge.is_change:
            # A repetition may speak before the report of the change, which then carries a moment a little older.
            hidden = self._is_hidden(last.time_s, edge.time_s)
            after_s = last.time_s if hidden else max(last.time_s, edge.time_s - BACKDATED_S)
        return _Run(edge.time_s, edge.wet, after_s)

    def _feed(self, run: _Run) -> list[Phase]:
        """Take the next run; returns the phases that it finished."""
        finished = self._end_runs(run.time_s)
        if run.wet != (self._runs[-1].wet if self._runs else self.wet):
            self._runs.append(run)
        elif self._runs and run.after_s == run.time_s:
            self._runs[-1] = run  # a change to what it was already: one that we did not hear lies between
        return finished

    def _end_runs(self, known_s: float) -> list[Phase]:
        """The phases that are finished for good, the float having stayed as it is until `known_s`."""
        if not self._runs or known_s - self._runs[-1].time_s < self._steady[self._runs[-1].wet]:
            return []
        last = self._runs[-1]
        finished: list[Phase] = []
        if self.wet is None:
            # The first that was heard: the report of a change tells of the state before it, a repetition of its own.
            first = self._runs[0]
            is_change = first.after_s == first.time_s
            self.wet, self.since_s, self._after_s = first.wet is not is_change, first.time_s, UNSEEN_S
            if not is_change:
                self._runs.pop(0)
        if last.wet != self.wet:
            finished.append(self._end(last))
        elif self._runs:
            runs = zip(self._runs[:-1], self._runs[1:], strict=True)
            length_s, start = max((end.time_s - run.after_s, run) for run, end in runs if run.wet != self.wet)
            if length_s >= self.least_s(start.wet, start.time_s - self.since_s):
                finished += [self._end(start), self._end(last)]
        self._runs.clear()
        return finished

    def _end(self, run: _Run) -> Phase:
        """End the present phase where `run` begins another."""
        phase = Phase(self.wet, self.since_s, run.time_s, self._after_s, run.after_s)
        self.wet, self.since_s, self._after_s = run.wet, run.time_s, run.after_s
        return phase

    def _insert(self, edge: Edge, late: bool) -> None:
        """Put in a reading that is older than the newest edge."""
        at = bisect_right(self.edges, edge)
        before = self.edges[at - 1] if at else None
        is_news = late or edge.is_change
        if before is not None and (_is_stale(edge, before) or (edge.wet == before.wet and not is_news)):
            return
        if edge.time_s > self.edges[-1].time_s - KEPT_S:
            self.edges.insert(at, edge)
            while at + 1 < len(self.edges) and _is_stale(self.edges[at + 1], edge):
                del self.edges[at + 1]
            self._stirred = True

    def _take(self, finished: list[Phase]) -> list[Phase]:
        if not finished:
            return finished
        for phase in finished:
            if self.is_whole(phase):
                self._learn(phase.wet, phase.end_s - phase.start_s)
        self._find_falls(finished)
        return finished

    def _learn(self, wet: bool, length_s: float) -> None:
        """Take a whole phase's length. Water that stands near the float in a stop makes phases of any length."""
        known, strangers, usual_s = self.durations[wet], self._strangers[wet], self._usual_s
        if len(known) < 3 or 1 / STRANGE < length_s / usual_s[wet] < STRANGE:
            known.append(length_s)
            strangers.clear()
        else:
            strangers.append(length_s)
            del strangers[:-3]
            if len(strangers) == 3 and max(strangers) < AGREEMENT * min(strangers):
                known.clear()
                known.extend(strangers)
                strangers.clear()
        usual_s[wet] = median(known)
        if len(usual_s) == 2:
            self.steady_s = min(max(STEADY_SHARE * min(usual_s.values()), STEADY_LEAST_S), STEADY_MOST_S)
            for state, length_s in usual_s.items():
                self._steady[state] = max(self.steady_s, min(OWN_SHARE * length_s, STEADY_MOST_S))

    def _find_falls(self, finished: list[Phase]) -> None:
        for phase in finished:
            if phase.wet:
                self._untold.append((self._dry, phase))
            self._dry = None if phase.wet else phase

    def _is_told(self, time_s: float, near_s: float) -> bool:
        at = bisect_left(self._told, time_s)
        return any(abs(told_s - time_s) < near_s for told_s in self._told[max(at - 1, 0) : at + 1])


def _is_stale(edge: Edge, last: Edge) -> bool:
    """Whether `edge` repeats what was true before `last`: the station had not made up its mind about that change."""
    return last.is_change and not edge.is_change and edge.wet != last.wet and edge.time_s - last.time_s < BACKDATED_S
