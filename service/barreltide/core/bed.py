"""One bed: its float switches, what its cycles normally look like, and how late it is.

Theory. A bed's wet and dry phases repeat. Measured in the pump's work (voltage.py) a healthy phase varies by a few per
cent, so a phase that has gone on well beyond the median of the last ones is *overdue*. The normal is learned from whole
phases only. A phase far from the normal teaches nothing by itself, as it may be a fault's; three in a row that agree
with one another are a grower's adjustment, and become the new normal.

It cannot tell from one float why a phase is overdue: that takes the other beds and the battery (pump.py).
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from math import exp, log, sqrt
from statistics import fmean, median
from typing import NamedTuple

from .event import CycleCounted, SiphonChanged
from .float_track import Fall, FloatTrack, Phase
from .flow import Flow
from .order import Gap
from .sensor import MISSING_S, chatter
from .siphon import Siphon
from .voltage import REFERENCE_V, VoltageTrace

LEAST_PHASES = 2  # of each kind, before anything can be overdue
LONGEST_PERIOD_S = 5400.0  # until a bed is known: it should cycle no slower than this …
UNLEARNED = 1.35  # … times so much, for one that a weak battery slows
MARGIN, MARGIN_UNSURE = 0.05, 0.15  # beyond the normal: at least, and more by one phase's share while few are known
ALIKE = 1.35  # so many times apart are a normal's phases at most …
AGREEMENT = 1.25  # … and those that become a new one
WANDER = 0.008  # of a flow within hours, as log
VOLTS_UNSURE = 0.5  # by so much the flow's exponent of the voltage may differ from one …
PHASES_UNSURE = 1.0  # … and a phase's: near a siphon's limits more flow makes it no shorter (a drain lasts longer)
FILL_FOLLOWS_UNSURE = 0.15  # how a filling follows the flow: a float's lag, and what the medium gives back
PHASE_FOLLOWS_UNSURE = 0.5  # how a single phase does: much of it may be a siphon's drain
PHASE_SCATTER = 0.015  # of a single phase at least, as log: ripple, and waits
ASTRIDE = 0.25  # so much of a span may lie before a moment and still tell of what came after it
MOST_SLOWER = 2.0  # the last phase, if it was so many times as long at most, may be what this one will be
LEVEL_HYSTERESIS_M = 0.01
LEVEL_RISE_M = 0.015  # from the bottom: beyond ripple
FILLING_SHARE = 0.8  # of a period, where it is not known: a siphon carries about five times the flow (judgement)
AT_END_M = 0.015  # from the crest, or from where the siphon breaks: ripple, and a meter's error
REPEATED_S, SAMPLED_S = 330.0, 120.0  # so long a float's state, and a level, is good for
CONTRADICTED_S = 90.0  # wet above and dry below for so long is no ripple
LEAST_UNSEEN, MOST_USED_TO = 3, 4  # floods that a lower float has not shown: it hangs; no more are taken for its habit


class Pace(NamedTuple):
    """By how much a bed's times have changed, as log of works, with its standard error; by which power its times go
    down as its flow goes up, with that one's; and how many times show it."""

    change: float
    error: float
    follows: float
    unsure: float
    count: int


class Normal:
    """The normal work of one kind of phase: a median over the last ones, and their spread."""

    def __init__(self) -> None:
        self.works: deque[float] = deque(maxlen=9)
        self._strangers: list[float] = []
        self.adoptions = 0  # how often an adjustment has become the new normal
        self.work_s = 0.0
        self.expected_s = 0.0  # the work that the next phase may take: the normal's, or the last one's if longer
        self.spread = 0.0
        self.margin = 0.0  # beyond the normal, before a phase is overdue
        self.pace = 0.0  # its phases' work in a second: their voltage in terms of the reference

    def __len__(self) -> int:
        return len(self.works)

    def learn(self, work_s: float, span_s: float) -> None:
        if not self.works or 1 / ALIKE < work_s / self.work_s < ALIKE:
            self.works.append(work_s)
            self._strangers.clear()
        elif len(self.works) == 1:
            self.works[0] = work_s  # two that differ are no normal, and the first may have begun with a ripple
        else:
            self._strangers = [*self._strangers[-2:], work_s]
            if len(self._strangers) < 3 or max(self._strangers) > AGREEMENT * min(self._strangers):
                self.expected_s = max(self.work_s, min(work_s, MOST_SLOWER * self.work_s))
                return
            self.works.clear()
            self.works.extend(self._strangers)
            self.adoptions += 1
            self._strangers.clear()
        self.work_s = self.expected_s = median(self.works)
        self.spread = min(max(max(self.works) / self.work_s - 1, 1 - min(self.works) / self.work_s), 0.3)
        self.margin = max(MARGIN + MARGIN_UNSURE / len(self.works), 1.5 * self.spread)
        self.pace += (work_s / span_s - self.pace) / len(self.works)


class Bed:
    """What is known of one bed. Times are the station's; `sampled_s` is how far they are known."""

    def __init__(self, plan, trace: VoltageTrace) -> None:
        """plan: the bed's table of the site file."""
        self.name: str = plan.name
        self.station: str | None = None
        self.told_s = 0.0  # the engine's clock when that last spoke of it
        share = None
        if plan.float_height_m and plan.standpipe_height_m and plan.drain_height_m is not None:
            share = (plan.standpipe_height_m - plan.float_height_m) / (plan.standpipe_height_m - plan.drain_height_m)
        self.high = FloatTrack(share if share and 0 < share < 1 else None)
        self.low: FloatTrack | None = None
        self.normals = {True: Normal(), False: Normal()}
        self.is_learned = False  # both normals are …
        self.period_s = LONGEST_PERIOD_S  # … and then this is their sum, in seconds of reference work
        self.cycles = 0
        self.last_cycle: CycleCounted | None = None
        self.rise_s = 0.0  # newest confirmed moments at which the water passed the upper float
        self.fall_s = 0.0
        self.base_s = 0.0  # lateness counts from here at the earliest: the pump came back, or a gap ended
        self.phases: deque[tuple[float, float, bool, float]] = deque(maxlen=48)  # whole ones: start, end, wet, work
        self._fills: deque[tuple[float, float, float]] = deque(maxlen=24)  # between two floats: start, end, work
        self.heard_s: float | None = None  # newest reading of the upper float, repetitions included
        self.low_heard_s: float | None = None
        self.gap_s = 0.0  # the end of the newest gap that may hide several repetitions
        self.level_m: float | None = None
        self._lowest_m, self._highest_m, self._was_up = 9.0, -9.0, False
        self._bottom = (9.0, 0.0)  # the lowest level since the upper float fell, and when it was last near that
        self._level_turns = 0  # how often the level has gone down since the upper float changed
        self._hangs, self._low_hangs = (-1.0, ""), (-1.0, "")  # a float's phase in which it was found to hang, and why
        self._unseen, self._used_to = (0.0, 0), 0  # floods that the lower float has not shown: since when; its habit
        self._float_height_m = plan.float_height_m
        self._standpipe_height_m, self._drain_height_m = plan.standpipe_height_m, plan.drain_height_m
        self._low_height_m = plan.low_float_height_m
        height_m = (plan.standpipe_height_m or 0.3) - (plan.drain_height_m or 0.0)
        self._size = (plan.area_m2 or 0.25) * height_m * (plan.media_void_fraction or 1.0)
        span_m = None
        if plan.float_height_m is not None and plan.low_float_height_m is not None:
            span_m = plan.float_height_m - plan.low_float_height_m
        self.siphon = Siphon(plan.name, span_m, trace)
        if plan.float_height_m is None and plan.standpipe_height_m and plan.drain_height_m is not None:
            # A level needs no float, nor its height: the middle of the stroke does as well.
            self._float_height_m = 0.5 * (plan.standpipe_height_m + plan.drain_height_m)
        self._trace = trace
        self._has_switch = self._has_low_switch = False
        self.flow = Flow(trace)

    def hear_from(self, station: str, gaps: list[Gap], time_s: float) -> None:
        """Its sensors are read by this station, from `time_s` on; gaps: the station's own list."""
        if self.station not in (None, station):
            self.rewind(time_s)
        self.station = station
        for track in filter(None, (self.high, self.low)):
            track.gaps = gaps

    def hear_high(self, time_s: float, wet: bool, late: bool, is_change: bool) -> None:
        self._has_switch = True
        self._hear_high(time_s, wet, late, is_change)

    def hear_low(self, time_s: float, wet: bool, late: bool, is_change: bool) -> None:
        self._has_low_switch = True
        self._hear_low(time_s, wet, late, is_change)

    def _hear_low(self, time_s: float, wet: bool, late: bool, is_change: bool) -> None:
        if self.low is None:
            self.low, self.low_heard_s = FloatTrack(), time_s
            self.low.gaps = self.high.gaps
        if not late:
            self.low_heard_s = max(time_s, self.low_heard_s or 0.0)
        self.low.hear(time_s, wet, late, is_change)

    def hear_level(self, time_s: float, level_m: float, late: bool) -> None:
        """A continuous level; where no switch speaks, it stands in for the floats at their heights."""
        self.siphon.hear_level(time_s, level_m)
        if not late:
            self._watch_level(time_s, level_m)
            self.level_m = level_m
        for track_is_high, height_m in ((True, self._float_height_m), (False, self._low_height_m)):
            if height_m is None or (self._has_switch if track_is_high else self._has_low_switch):
                continue
            track = self.high if track_is_high else self.low
            was_wet = track.raw_wet if track else None
            edge_m = height_m + (-LEVEL_HYSTERESIS_M if was_wet else LEVEL_HYSTERESIS_M) / 2
            wet = level_m >= edge_m
            hear = self._hear_high if track_is_high else self._hear_low
            hear(time_s, wet, late, False)

    def _hear_high(self, time_s: float, wet: bool, late: bool, is_change: bool) -> None:
        if not late and (self.heard_s is None or time_s > self.heard_s):
            if self.heard_s is not None and time_s - self.heard_s > MISSING_S:
                self.base_s = max(self.base_s, time_s)  # nobody knows what it did meanwhile
            self.heard_s = time_s
        if not late and wet != self.high.raw_wet:
            self._level_turns = 0
        elif not late and is_change:
            self.base_s = max(self.base_s, time_s)  # a change to what it was already: we missed the one before
        self._finish(self.high.hear(time_s, wet, late, is_change))

    def doubt(self, gap: Gap) -> None:
        """What the float did in a gap that may hide a phase is unknown, so lateness counts from its end."""
        if gap.to_s - gap.from_s > REPEATED_S:
            self.gap_s = max(self.gap_s, gap.to_s)
        if not self.high.is_short(gap):
            self.base_s = max(self.base_s, gap.to_s)

    def rewind(self, to_s: float) -> None:
        """The station's clock was set back to `to_s`."""
        for track in (self.high, self.low, self.siphon):
            if track is not None:
                track.rewind()
        self.base_s = self.heard_s = self.gap_s = to_s
        self.rise_s, self.fall_s = min(self.rise_s, to_s), min(self.fall_s, to_s)
        self.low_heard_s = self.low_heard_s and min(self.low_heard_s, to_s)
        if self.last_cycle is not None:  # else none that is counted from now on would be the newest
            self.last_cycle = self.last_cycle._replace(time=min(self.last_cycle.time, to_s))
        self.phases.clear()
        self._fills.clear()

    @property
    def is_at_rest(self) -> bool:
        """Whether the passing of time alone changes nothing."""
        return self.high.is_at_rest and (self.low is None or self.low.is_at_rest)

    def settle(self, sampled_s: float, now_s: float) -> list[CycleCounted | SiphonChanged]:
        """Let time pass."""
        if self.low is not None:
            self.low.recount()
            if self.low.is_unsettled:
                self.low.settle(sampled_s, now_s)
        self.high.recount()
        if self.high.is_unsettled and (finished := self.high.settle(sampled_s, now_s)):
            self._finish(finished)
        return [event for fall in self.high.falls(now_s) for event in self._count(fall)]

    def overdue_s(self, sampled_s: float) -> float:
        """How far the present phase is beyond its margin, in seconds; 0 or less if it is not."""
        high = self.high
        wet, since_s = high.wet, self.since_s
        if wet is None:
            return 0.0
        normal = self.normals[wet]
        expected_s = normal.expected_s
        if self.is_learned and (sampled_s - since_s) * self._trace.highest_v < expected_s * REFERENCE_V:
            return 0.0  # not even at the highest voltage: so it is nearly always, and this is soon told
        if high.gaps and self.is_hidden(high.since_s):
            sampled_s = self.heard_s  # a change may lie in what is missing, until the float speaks again
        elif self.heard_s is not None:  # a float that is no longer read is no bed that stands still
            sampled_s = min(sampled_s, self.heard_s + (REPEATED_S if self._has_switch else SAMPLED_S))
        if high.raw_wet != wet or high.has_moved_unheard:
            return 0.0
        if not self.is_learned:
            return sampled_s - since_s - UNLEARNED * LONGEST_PERIOD_S
        work_s = self._trace.work_s(since_s, sampled_s)
        late_s = work_s - expected_s * (1 + normal.margin) - 20
        if late_s <= 0:
            return 0.0
        # But at another voltage than was learned from, work is not all that counts.
        late_s -= expected_s * PHASES_UNSURE * abs(log(work_s / (sampled_s - since_s) / normal.pace))
        if late_s > 0 and not wet:  # water may have come in, however late: from there on it fills
            has_risen = self.level_m is not None and self.level_m >= self._bottom[0] + LEVEL_RISE_M
            from_s, fill_s = self._bottom[1] if has_risen else 0.0, expected_s
            if self._fills and self.refilled():
                from_s, fill_s = self.low.since_s, median(work for *_, work in self._fills)
            if from_s > since_s:
                late_s = min(late_s, self._trace.work_s(from_s, sampled_s) - fill_s * (1 + normal.margin) - 20)
        return late_s * (sampled_s - since_s) / work_s

    def is_hidden(self, since_s: float) -> bool:
        """Whether a pack is missing, after `since_s`, from when the upper float was last heard on."""
        gaps = self.high.gaps
        return bool(
            gaps and gaps[-1].missing and self.heard_s is not None and gaps[-1].to_s > max(since_s, self.heard_s)
        )

    @property
    def since_s(self) -> float:
        since_s = self.high.since_s
        return since_s if since_s > self.base_s else self.base_s

    def next_rise(self, sampled_s: float) -> float:
        """How far beyond the moment at which the upper float should have risen next, in periods; negative before."""
        due_s = self.normals[False].work_s + (self.normals[True].work_s if self.high.wet else 0.0)
        return (self._trace.work_s(self.since_s, sampled_s) - due_s) / self.period_s

    @property
    def inflow(self) -> float:
        """About what it takes of its pump's flow, in any unit: by its size if the site file gives it."""
        return self._size / self.period_s

    @property
    def left_wet_share(self) -> float:
        """How often water that stops coming leaves the upper float wet: what drains just then still drains, so only the
        filling's part of its wet phase counts."""
        turn = self.siphon.last
        filling = 1 - 1 / turn.flow_ratio if turn is not None else FILLING_SHARE
        return filling * (self.normals[True].work_s / self.period_s if self.is_learned else 0.5)

    def pace_change(self, since_s: float) -> Pace | None:
        """How this bed's times have changed since `since_s`.

        Where two floats or a level give the filling alone, that is compared, for what comes in faster also drains
        slower; else whole periods: where ripple moves the moment between two phases, their sum stays; and before one
        is over, the phase that is. The error knows the scatter of this bed's own times, the flow's slow wandering, and
        what the voltage's share may hide: work allows for a flow that goes with the voltage, and how far this one does
        not is learned from the hours before. That tells as well how far a period follows the flow at all: near a
        siphon's limits it does not, or goes the other way. None if too few times are known.
        """
        fills, phases = [*self._fills], self.phases
        if fills and not (phases and phases[-1][1] - fills[-1][1] > 2 * self.period_s):
            pace = _pace(fills, since_s, 0.004)
            if pace is not None:
                return pace._replace(follows=1.0, unsure=FILL_FOLLOWS_UNSURE)
        periods = [
            (first[0], second[1], first[3] + second[3]) for first, second in pairwise(phases) if first[1] == second[0]
        ]
        pace = _pace(periods, since_s, 0.004)
        if pace is None and phases:
            alike = [(start_s, end_s, work) for start_s, end_s, wet, work in phases if wet is phases[-1][2]]
            pace = _pace(alike, since_s, PHASE_SCATTER)
            return pace and pace._replace(unsure=max(pace.unsure, PHASE_FOLLOWS_UNSURE))
        return pace

    def is_brimming(self) -> bool | None:
        """Whether the level stands where it usually is highest: at the standpipe's top. None without a level."""
        crest_m = ends_m[1] if (ends_m := self.siphon.ends_m) else self._standpipe_height_m
        return None if self.level_m is None or crest_m is None else self.level_m > crest_m - AT_END_M

    def is_emptied(self) -> bool | None:
        """Whether the level stands where the siphon breaks, or below. None without a level."""
        lowest_m = ends_m[0] if (ends_m := self.siphon.ends_m) else self._drain_height_m
        return None if self.level_m is None or lowest_m is None else self.level_m < lowest_m + AT_END_M

    def other_turns(self) -> int:
        """How often the bed has drained, by its lower float or its level, since its upper float last changed."""
        by_low = self.low.turns(self.high.since_s, 0.4 * self.period_s) if self.low else 0
        turns = max(by_low, self._level_turns if self._has_switch else 0)
        has_fallen = self.high.wet is False or self.high.raw_wet is False
        return max(turns - has_fallen, 0)  # the upper float's own fall is followed by the lower one's

    def contradictions(self, sampled_s: float) -> tuple[str, str]:
        """What this bed's other sensors say against its upper and its lower float, in words; empty if nothing.

        A float that was found to hang is not trusted again before it moves.
        """
        high, low = self.high, self.low
        if low is None and self.level_m is None:
            return "", ""  # there is no other sensor
        if chatter(high.flips, sampled_s, self.period_s) <= 0.25:  # else what it said lately proves nothing
            self._contradict(sampled_s)
        against_high = self._hangs[1] if self._hangs[0] == high.since_s else ""
        return against_high, self._low_hangs[1] if low is not None and self._low_hangs[0] == low.since_s else ""

    def _contradict(self, sampled_s: float) -> None:
        high, low, is_late = self.high, self.low, self.overdue_s(sampled_s) > 0
        if is_late and self.other_turns() > 0:
            self._hangs = (high.since_s, "The bed has drained meanwhile, and it has not moved")
        elif is_late and high.wet and low is not None and low.wet is False and sampled_s - low.since_s > CONTRADICTED_S:
            self._hangs = (high.since_s, "It says wet, while the bed's lower float is dry")
        elif low is not None and low.wet is not None and not is_late:
            floods = self._floods_unseen(low)
            if floods >= LEAST_UNSEEN + 2 * self._used_to:
                words = f"The upper float rose and fell {floods} times meanwhile, and it has not moved"
                self._low_hangs = (low.since_s, words)

    def _floods_unseen(self, low: FloatTrack) -> int:
        """How many floods have passed the lower float unseen. One that lies where the siphon breaks is now and then
        not left by the water, or not reached, and moves again: so many are no fault of it from then on. One that hung
        for longer must not be taken for that, or it would never be found again."""
        since_s, floods = self._unseen
        if since_s == low.since_s:
            floods = self._usual_floods(since_s)
        else:
            self._used_to = max(self._used_to, min(floods, MOST_USED_TO))
            floods = 0
        self._unseen = (low.since_s, floods)
        return floods

    def _usual_floods(self, since_s: float) -> int:
        """How often since then the upper float was wet for as long as it usually is."""
        usual_s = self.normals[True].work_s
        wet = [work for start_s, _, is_wet, work in self.phases if is_wet and start_s > since_s]
        return sum(0.7 < work / usual_s < 1.4 for work in wet)

    def _watch_level(self, time_s: float, level_m: float) -> None:
        """Count how often the level alone has shown the bed draining, and note when it last lay at the bottom."""
        if self.high.raw_wet is not False or level_m < self._bottom[0] + LEVEL_RISE_M:
            self._bottom = (level_m if self.high.raw_wet is not False else min(level_m, self._bottom[0]), time_s)
        self._lowest_m, self._highest_m = min(self._lowest_m, level_m), max(self._highest_m, level_m)
        share = (level_m - self._lowest_m) / max(self._highest_m - self._lowest_m, 0.05)
        if share > 0.75:
            self._was_up = True
        elif share < 0.25 and self._was_up:
            self._was_up = False
            self._level_turns += 1

    def refilled(self) -> bool | None:
        """Whether the lower float rose after the last fall: water came in then. None without a lower float that can be
        trusted."""
        if self.low is None or self.low.wet is None or self._low_hangs[0] == self.low.since_s:
            return None
        return self.low.wet and self.low.since_s > self.high.since_s

    def picture(self, stopped_s: float | None) -> dict:
        """What is believed of it just now, as plain values. stopped_s: since when its pump stands, None if it runs."""
        phase, since_s = ("full or draining" if self.high.wet else "filling"), self.high.since_s
        if self.high.wet is None:
            phase, since_s = "unknown", None
        elif stopped_s is not None:
            phase, since_s = "standing still", stopped_s
        turn = self.siphon.last
        return {
            "wet": self.high.wet,
            "since": since_s,
            "phase": phase,
            "period_s": self.period_s if self.is_learned else None,
            "cycles": self.cycles,
            "last_cycle": self.last_cycle.time if self.last_cycle else None,
            "fill_s": turn and turn.fill_s,
            "drain_s": turn and turn.drain_s,
            "flow_ratio": turn and turn.flow_ratio,
            "prime_s": turn and turn.prime_s,
            "break_s": turn and turn.break_s,
            "sign": self.siphon.message,
        }

    def _finish(self, finished: list[Phase]) -> None:
        for phase in finished:
            if phase.wet:
                self.fall_s = max(self.fall_s, phase.end_s)
            else:
                self.rise_s = max(self.rise_s, phase.end_s)
            is_restless = chatter(self.high.flips, phase.end_s, self.period_s) > 0.25
            if phase.start_s >= self.base_s and self.high.is_whole(phase) and not is_restless:
                work_s = max(self._trace.work_s(phase.start_s, phase.end_s), 1.0)
                self.learn(phase.wet, work_s, max(phase.end_s - phase.start_s, 1.0))
                self.phases.append((phase.start_s, phase.end_s, phase.wet, work_s))

    def learn(self, wet: bool, work_s: float, span_s: float) -> None:
        """Take the work of a whole phase, and how long it lasted."""
        self.normals[wet].learn(work_s, span_s)
        if all(len(normal.works) >= LEAST_PHASES for normal in self.normals.values()):
            self.is_learned, self.period_s = True, self.normals[True].work_s + self.normals[False].work_s

    def _count(self, fall: Fall) -> list[CycleCounted | SiphonChanged]:
        self.cycles += 1
        # The fill is this cycle's, the drain that of the cycle before: its own is not over when the upper float falls.
        turn = self.siphon.turn(fall, self.low)
        period_s, work_s = fall.period_s, None
        if period_s is not None:
            work_s = self._trace.work_s(fall.time_s - period_s, fall.time_s)
        cycle = CycleCounted(fall.time_s, self.name, self.cycles, period_s, fall.high_s, fall.low_s, None, None, work_s)
        if turn is not None:
            cycle = cycle._replace(
                fill_s=turn.fill_s, drain_s=turn.drain_s, flow_ratio=turn.flow_ratio, prime_s=turn.prime_s,
                break_s=turn.break_s, bottom_s=None if turn.step_s else turn.bottom_s,
            )  # fmt: skip
        events: list[CycleCounted | SiphonChanged] = [cycle]
        if self.last_cycle is None or cycle.time > self.last_cycle.time:
            self.last_cycle = cycle
            if turn is not None:
                events += self.siphon.learn(turn)
                rise_s = fall.time_s - fall.high_s
                self._fills.append((rise_s - turn.up_s, rise_s, max(turn.work_s, 1.0)))
            if cycle.period_s is not None and cycle.time - cycle.period_s >= self.base_s:
                self.flow.gather(cycle, self.normals[True].adoptions + self.normals[False].adoptions)
        return events


def _pace(spans: list[tuple[float, float, float]], since_s: float, least_scatter: float) -> Pace | None:
    """What spans (start, end, work) after `since_s` are beside those before it; None if too few are known."""
    works = [(start_s, end_s, log(work), log(work / (end_s - start_s))) for start_s, end_s, work in spans]
    old = [row for row in works if row[1] <= since_s]
    new = [row for row in works if row[0] + ASTRIDE * (row[1] - row[0]) >= since_s][-6:]
    if len(old) < 4 or not new:
        return None
    exponent, unsure = _exponent([(work, volts) for *_, work, volts in old])
    flows = [(work - exponent * volts, volts) for *_, work, volts in (*old[-14:], *new)]
    old, new = flows[: -len(new)], flows[-len(new) :]
    usual, now = median(flow for flow, _ in old), median(flow for flow, _ in new)
    scatter = max(1.48 * median(abs(flow - usual) for flow, _ in old), 2.0 / exp(usual), least_scatter)
    volts = median(volts for _, volts in new) - median(volts for _, volts in old)
    # Neighbouring pairs share a phase, so that half of them are independent.
    error = sqrt(scatter**2 * (2 / len(old) + 2 / max(len(new), 2)) + WANDER**2 + (unsure * volts) ** 2)
    # A flow goes about with the voltage, so that times that stay as they are on a higher one do not follow it.
    return Pace(now - usual, error, 1.0 - exponent, unsure, len(new))


def _exponent(works: list[tuple[float, float]]) -> tuple[float, float]:
    """By which power of the voltage works go, and its standard error: least squares on logs of (work, voltage), held
    to what is known before, that it is none within VOLTS_UNSURE."""
    usual, middle = median(work for work, _ in works), fmean(volts for _, volts in works)
    scatter = max(1.48 * median(abs(work - usual) for work, _ in works), WANDER)
    weight = scatter**2 * 2 / VOLTS_UNSURE**2  # neighbours share a phase: half of them are independent
    spread = sum((volts - middle) ** 2 for _, volts in works)
    slope = sum((work - usual) * (volts - middle) for work, volts in works) / (spread + weight)
    return slope, VOLTS_UNSURE * sqrt(weight / (spread + weight))
