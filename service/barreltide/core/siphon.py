"""What a bed's siphon does, turn by turn, and the early signs of one that goes wrong.

Theory. Between two marks, a lower and an upper one, the pump fills the bed in `up_s` and the siphon empties it in
`down_s` against the pump. So the siphon carries, on the mean, 1 + up/down times what the pump brings, whatever the law
of its flow and the shape of the bed; over the water between the marks 1/up goes with the pump's flow and 1/up + 1/down
with the siphon's. Beyond the marks lie the time at the top (to the crest, the wait until the siphon starts, and back)
and at the bottom (the wait until it breaks). The marks are the two floats or, with a level, a fifth and four fifths of
the bed's own stroke; a level also shows the ways to the crest and back, so that the waits themselves are known.

An ageing siphon shows before it fails: it waits ever longer before it starts (air leaks in, or the flow is near the
least that starts it) or before it breaks (air comes late, or too much water), or it carries less (its pipe is fouled).
So the medians of some turns each are held against those of the first day, and two in a row beyond what that day showed
are a sign. The hour of the day, a turned valve and more medium are none: a pump that brings more or less changes the
time beyond two floats by no more than its fills and drains, and medium changes all times by one factor.

| sign | holds while | a grower looks at |
|---|---|---|
| slow-to-start | longer at the top than this flow explains | bell, cap and cup; the flow, if fills are longer too |
| slow-to-break | longer at the bottom than this flow explains | tube and notches; the flow, if fills are shorter |
| slow-to-drain | less carried than on the first day, also for what the pump brings | pipe, bell and outlet |

It assumes that the first day was a good one and that one flow fills and drains a turn. What is clearly better than the
first day, or has stood for a week, is the usual from then on. It cannot know litres; nor, from two floats, the waits
themselves: a centimetre's error in the floats' heights would be minutes.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from itertools import pairwise
from statistics import fmean, median
from typing import NamedTuple

from .event import SiphonChanged
from .float_track import Fall, FloatTrack
from .voltage import VoltageTrace

LOW_MARK, HIGH_MARK = 0.2, 0.8  # of the stroke, with a level
LEAST_STROKE_M = 0.03
LEAST_STROKES = 3  # before they are believed rather than the site's heights
MOST_SAMPLES = 4096
BLOCK_TURNS, BLOCK_S = 4, 3600.0  # one median: at least so many turns, over so long
USUAL_BLOCKS, USUAL_S = 4, 86400.0
SPREADS = 2.0  # a sign is this much beyond the widest of the first day …
WAIT_SHARE, LEVEL_SHARE = 0.04, 0.015  # … and more than this share of a period, by floats and by a level, …
FLOW_SHARE = 0.12  # … or more than the siphon's own mean flow changes with the pump's
ADOPTED_S = 7 * 86400.0
FLOW_CHANGE = 1.15  # from here on the pump has its part in it

START, BREAK, DRAIN = SIGNS = "slow-to-start", "slow-to-break", "slow-to-drain"
CONCERNS = {"siphon-not-starting": (START, DRAIN), "siphon-not-breaking": (BREAK, DRAIN)}


class Turn(NamedTuple):
    """One turn of the siphon, in seconds; it ends when the upper float falls, at `time_s`.

    top_s, bottom_s: beyond the two floats or, with a level, the waits themselves, until the siphon starts and breaks.
    fill_s, drain_s: between the heights of the two floats or, with a level and no lower float's height, between the
    level at which the siphon breaks and its crest. work_s: the pump's in `up_s`. step_s: of a level's samples; 0 with
    floats.
    """

    time_s: float
    period_s: float
    up_s: float
    down_s: float
    top_s: float
    bottom_s: float
    fill_s: float
    drain_s: float
    work_s: float
    step_s: float

    @property
    def waits(self) -> tuple[float, float]:
        """At the top and at the bottom."""
        return self.top_s, self.bottom_s

    @property
    def moving_s(self) -> float:
        """Between the marks, both ways."""
        return self.up_s + self.down_s

    @property
    def flow_ratio(self) -> float:
        """The siphon's mean flow over the pump's, between the marks."""
        return 1 + self.up_s / self.down_s

    @property
    def carried(self) -> float:
        """The siphon's mean flow, in the water between the marks, a second."""
        return 1 / self.up_s + 1 / self.down_s

    @property
    def prime_s(self) -> float | None:
        """How long the water rests at its crest until the siphon starts; None with floats only."""
        return max(self.top_s, 0.0) if self.step_s else None

    @property
    def break_s(self) -> float | None:
        """How long it rests at the bottom until the siphon breaks; None with floats only."""
        return max(self.bottom_s, 0.0) if self.step_s else None


class Siphon:
    """One bed's siphon: `turn` measures what a fall ends, `learn` holds it against the usual."""

    def __init__(self, bed: str, span_m: float | None, trace: VoltageTrace) -> None:
        """span_m: between the heights of the two floats, where the site gives both."""
        self.last: Turn | None = None
        self.sign: str | None = None
        self._words = ""  # what the sign rests on and what to look at
        self._bed, self._span_m, self._trace = bed, span_m, trace
        self._level: LevelTrack | None = None
        self._since_s = 0.0
        self._restart()

    def hear_level(self, time_s: float, level_m: float) -> None:
        """Take one sample of the level, in any order."""
        if self._level is None:
            self._level = LevelTrack(self._span_m)
        self._level.hear(time_s, level_m)

    @property
    def ends_m(self) -> tuple[float, float] | None:
        """Between which levels the bed drains and fills, as a level has shown it; None before some turns."""
        return self._level.ends_m if self._level is not None and self._level.turns >= LEAST_STROKES else None

    def rewind(self) -> None:
        """The station's clock was set back: what was heard has no place among what comes."""
        self._block.clear()
        if self._level is not None:
            self._level = LevelTrack(self._span_m)

    def turn(self, fall: Fall, low: FloatTrack | None) -> Turn | None:
        """The turn that the fall of the upper float ends: by the level if that shows it, else by both floats."""
        turn = None
        if fall.period_s is not None:
            turn = self._level.turn(fall, self._trace) if self._level is not None else None
            if turn is None and low is not None:
                turn = turn_of_floats(fall, low, self._trace)
        return turn

    def learn(self, turn: Turn) -> list[SiphonChanged]:
        """Take the newest turn; returns the sign that it makes appear or go."""
        if self.last is not None and bool(self.last.step_s) is not bool(turn.step_s):
            if self.last.step_s and turn.time_s - self.last.time_s < USUAL_S:
                return []  # the level has missed a turn: it comes back
            self._restart()  # another kind of sensor: its times are not to be compared
        self.last = turn
        self._block.append(turn)
        if len(self._block) < BLOCK_TURNS or turn.time_s - self._block[0].time_s < BLOCK_S:
            return []
        block, since_s = _median(self._block), self._block[0].time_s
        self._block.clear()
        if self._usual is None:
            self._first.append(block)
            if len(self._first) >= USUAL_BLOCKS and turn.time_s - self._first[0].time_s >= USUAL_S - BLOCK_S:
                self._usual = Usual(self._first)
            return []
        self._lately.append((since_s, block, self._usual.strays(block)))
        return self._judge() if len(self._lately) == 2 else []

    @property
    def message(self) -> str | None:
        """The sign that stands, in a grower's words."""
        return f"The siphon of '{self._bed}' is {self.sign.replace('-', ' ')}. {self._words}" if self.sign else None

    def advice(self, alarm: str) -> str:
        """What the time before has to say about an alarm that now stands; empty if nothing."""
        if self.last is None or alarm not in CONCERNS:
            return ""
        if self.sign in CONCERNS[alarm]:
            lasted = span(self.last.time_s - self._since_s)
            words = self._words[0].lower() + self._words[1:]
            return f"For {lasted} before, it had been {self.sign.replace('-', ' ')}: {words}"
        return self._words_of_flow(alarm == "siphon-not-starting") if self._lately else ""

    def _restart(self) -> None:
        self._block: list[Turn] = []
        self._first: list[Turn] = []
        self._usual: Usual | None = None
        self._lately: deque[tuple[float, Turn, dict[str, float]]] = deque(maxlen=2)

    def _judge(self) -> list[SiphonChanged]:
        strays = {sign: sorted(strays[sign] for _, _, strays in self._lately) for sign in SIGNS}
        since_s, block = self._lately[0][0], self._lately[-1][1]
        if self.sign is not None:
            if strays[self.sign][1] < 0.5:
                return [self._gone(block.time_s, "as usual again")]
            if block.time_s - self._since_s > ADOPTED_S:
                self._restart()
                return [self._gone(block.time_s, "as for a week now: that is taken as its usual from now on")]
            self._words = self._explain(self.sign, block)
            return []
        found = [sign for sign in (DRAIN, START, BREAK) if strays[sign][0] > 1]
        if found:
            # A pipe that carries less also stays longer at the bottom: what explains the other is named.
            self.sign, self._since_s = found[0], since_s
            self._words = self._explain(self.sign, block)
            return [SiphonChanged(block.time_s, self._bed, self.sign, "seen", self.message)]
        if any(strays[sign][1] < -1 for sign in SIGNS):
            self._restart()  # cleaned or rebuilt: the better one is the usual
        return []

    def _gone(self, time_s: float, how: str) -> SiphonChanged:
        sign, self.sign, self._words = self.sign, None, ""
        verb = sign.rpartition("-")[2]
        return SiphonChanged(time_s, self._bed, sign, "gone", f"The siphon of '{self._bed}' {verb}s {how}.")

    def _explain(self, sign: str, block: Turn) -> str:
        usual = self._usual
        if sign == DRAIN:
            return (
                f"Draining takes {span(block.drain_s)}, usually {span(usual.turn.drain_s)}. Its pipe may be fouled:"
                " look for roots, slime or grains in the pipe, under the bell and at the outlet."
            )
        at_top = sign == START
        end = 0 if at_top else 1
        time_s, usual_s = block.waits[end], usual.explained_s(block, end)[1]
        if block.step_s:
            place = "waits at the top" if at_top else "waits at the bottom"
        else:
            place = "stays above the upper float" if at_top else "stays below the lower float"
        flow = self._words_of_flow(at_top)
        look = (
            "Air may leak in: look at the bell's rim and cap, and at its cup."
            if at_top
            else "Air may come too late to break it: look at its tube and at the notches of the bell."
        )
        return f"The water {place} for {span(time_s)}, usually {span(usual_s)}. {flow + ' ' if flow else ''}{look}"

    def _words_of_flow(self, is_weaker: bool) -> str:
        """Whether filling takes so much longer, or shorter, that the flow may be the cause."""
        block, usual = self._lately[-1][1], self._usual.turn
        change = block.work_s / usual.work_s
        if (change if is_weaker else 1 / change) < FLOW_CHANGE:
            return ""
        limit = "too weak to start it" if is_weaker else "too strong for it to break"
        return f"Filling takes {span(block.fill_s)}, usually {span(usual.fill_s)}: the flow may have become {limit}."


class Usual:
    """What turns are like on a good day: their medians, and how far single blocks of them were off."""

    def __init__(self, blocks: list[Turn]) -> None:
        self.turn = turn = _median(blocks)
        # Of the time at the top and at the bottom, what goes with the flow; a level's waits have no ways in them.
        self._shares = [
            0.0 if turn.step_s else median(block.waits[end] / block.moving_s for block in blocks) for end in (0, 1)
        ]
        floor_s = max(turn.step_s, LEVEL_SHARE * turn.period_s) if turn.step_s else WAIT_SHARE * turn.period_s
        off_s = [max(abs(block.waits[end] - self._scaled_s(block, end)) for block in blocks) for end in (0, 1)]
        off = max(abs(block.carried / turn.carried - 1) for block in blocks)
        self._limits = [
            max(floor_s, SPREADS * off_s[0]),
            max(floor_s, SPREADS * off_s[1]),
            max(FLOW_SHARE, SPREADS * off),
        ]

    def explained_s(self, block: Turn, end: int) -> tuple[float, float]:
        """The least and the longest time at the top (end 0) or bottom (1) that the flow of these turns explains."""
        low_s, high_s = sorted((self.turn.waits[end], self._scaled_s(block, end)))
        return low_s, high_s

    def strays(self, block: Turn) -> dict[str, float]:
        """How far each sign's measure is off the usual, in its limits; above 1 is worse, below -1 better."""
        found = []
        for end in (0, 1):
            low_s, high_s = self.explained_s(block, end)
            found.append(block.waits[end] - min(max(block.waits[end], low_s), high_s))
        # Less medium means more water between the marks, for the siphon and for the pump: both must say so.
        less, more = sorted((block.carried / self.turn.carried - 1, block.flow_ratio / self.turn.flow_ratio - 1))
        found.append(-min(more, 0.0) - max(less, 0.0))
        return {sign: stray / limit for sign, stray, limit in zip(SIGNS, found, self._limits, strict=True)}

    def _scaled_s(self, block: Turn, end: int) -> float:
        return self._shares[end] * block.moving_s or self.turn.waits[end]


class LevelTrack:
    """The samples of one bed's level since the last crest, and the turn that is in them."""

    def __init__(self, span_m: float | None) -> None:
        """span_m: see Siphon."""
        self._span_m = span_m
        self._samples: list[tuple[float, float]] = []
        self._strokes: deque[tuple[float, float]] = deque(maxlen=9)  # lowest and highest level of each turn
        self._bends: deque[float] = deque(maxlen=15)
        self._before: tuple[float, float] | None = None  # the last turn's fall, and its passing of the upper mark

    @property
    def turns(self) -> int:
        """How many turns are remembered."""
        return len(self._strokes)

    @property
    def ends_m(self) -> tuple[float, float]:
        """The lowest and the highest level of a turn, each a median over the last ones."""
        lowest_m, crest_m = (median(column) for column in zip(*self._strokes, strict=True))
        return lowest_m, crest_m

    def hear(self, time_s: float, level_m: float) -> None:
        """Take one sample, in any order."""
        insort(self._samples, (time_s, level_m))
        if len(self._samples) > MOST_SAMPLES:
            del self._samples[: MOST_SAMPLES // 4]

    def turn(self, fall: Fall, trace: VoltageTrace) -> Turn | None:
        """The turn between this fall's crest and the one before; None if the samples do not show it whole."""
        rise_s = fall.time_s - fall.high_s
        before_s = rise_s - fall.low_s
        legs = _legs([sample for sample in self._samples if sample[0] <= fall.time_s], before_s, rise_s)
        self._samples = [sample for sample in self._samples if sample[0] >= rise_s]
        before, self._before = self._before, None
        if legs is None:
            return None
        drained, filled = legs
        self._strokes.append((filled[0][1], filled[-1][1]))
        lowest_m, crest_m = self.ends_m
        stroke_m = crest_m - lowest_m
        low_m, high_m = lowest_m + LOW_MARK * stroke_m, lowest_m + HIGH_MARK * stroke_m
        up, down = _line(filled, low_m, high_m), _line(drained, low_m, high_m)
        if stroke_m < LEAST_STROKE_M or up is None or down is None or not up.rate_m_s > 0 > down.rate_m_s:
            return None
        self._before = (fall.time_s, up.at(high_m))
        if before is None or abs(before[0] - before_s) > 1:
            return None
        rise_way_s = LOW_MARK * stroke_m / up.rate_m_s
        over_s, under_s = self._fall_ways_s(drained, low_m, high_m, up.rate_m_s, down.rate_m_s)
        span_m = self._span_m or stroke_m
        return Turn(
            fall.time_s, fall.period_s, (high_m - low_m) / up.rate_m_s, (low_m - high_m) / down.rate_m_s,
            down.at(high_m) - before[1] - rise_way_s - over_s, up.at(low_m) - down.at(low_m) - rise_way_s - under_s,
            span_m / up.rate_m_s, -span_m / down.rate_m_s, trace.work_s(up.at(low_m), up.at(high_m)),
            median(later[0] - sooner[0] for sooner, later in pairwise(filled)),
        )  # fmt: skip

    def _fall_ways_s(self, drained: list, low_m: float, high_m: float, in_m_s: float, down_m_s: float) -> list[float]:
        """How long the water takes from the crest down to the upper mark, and from the lower one to the lowest level.

        The square of a siphon's flow goes linearly with the level (Torricelli). How much of it is lost from the upper
        half between the marks to the lower is a matter of the pipe: a median over turns.
        """
        middle_m = 0.5 * (low_m + high_m)
        halves = [_line(drained, middle_m, high_m), _line(drained, low_m, middle_m)]
        if all(half is not None and half.rate_m_s < 0 for half in halves):
            upper, lower = ((in_m_s - half.rate_m_s) ** 2 for half in halves)
            self._bends.append((upper - lower) / (upper + lower))
        bend = max(median(self._bends), 0.0) if self._bends else 0.0
        half_m, way_m = 0.25 * (high_m - low_m), LOW_MARK / (HIGH_MARK - LOW_MARK) * (high_m - low_m)
        ways_s = []
        for off_m in (0.5 * (high_m - low_m + way_m), -0.5 * (high_m - low_m + way_m)):
            flow_m_s = (in_m_s - down_m_s) * max(1 + bend * off_m / half_m, 0.0) ** 0.5
            # Near its least flow a siphon hardly gains on the pump: that is the wait, no way.
            ways_s.append(way_m / max(flow_m_s - in_m_s, -0.3 * down_m_s))
        return ways_s


class _Line(NamedTuple):
    """A straight line through the level on its way up or down."""

    time_s: float
    level_m: float
    rate_m_s: float

    def at(self, level_m: float) -> float:
        return self.time_s + (level_m - self.level_m) / self.rate_m_s


def _legs(samples: list, before_s: float, rise_s: float) -> tuple[list, list] | None:
    """The samples from the crest before a fall down to the lowest, and from there up to the crest after a rise."""
    crest = max((sample for sample in samples if sample[0] <= before_s), key=_level, default=None)
    lowest = min((sample for sample in samples if before_s <= sample[0] <= rise_s), key=_level, default=None)
    last = max((sample for sample in samples if sample[0] >= rise_s), key=_level, default=None)
    if crest is None or lowest is None or last is None:
        return None
    turn = [sample for sample in samples if crest[0] <= sample[0] <= last[0]]
    steps_s = [later[0] - sooner[0] for sooner, later in pairwise(turn)]
    if max(steps_s) > 4 * median(steps_s):
        return None  # a hole in the samples
    return [s for s in turn if s[0] <= lowest[0]], [s for s in turn if s[0] >= lowest[0]]


def _level(sample: tuple[float, float]) -> float:
    return sample[1]


def _line(samples: list, low_m: float, high_m: float) -> _Line | None:
    """The line of least squares through the samples between two levels, or their neighbours where these are few."""
    inside = [i for i, (_, level_m) in enumerate(samples) if low_m <= level_m <= high_m]
    if len(inside) < 3:
        is_low = [level_m < 0.5 * (low_m + high_m) for _, level_m in samples]
        changes = [i for i in range(1, len(samples)) if is_low[i] is not is_low[i - 1]]
        if not changes:
            return None
        inside = sorted({*inside, changes[0] - 1, changes[-1]})
    mean_s, mean_m = (fmean(samples[i][k] for i in inside) for k in (0, 1))
    spread = sum((samples[i][0] - mean_s) ** 2 for i in inside)
    slope = sum((samples[i][0] - mean_s) * (samples[i][1] - mean_m) for i in inside) / spread
    return _Line(mean_s, mean_m, slope)


def turn_of_floats(fall: Fall, low: FloatTrack, trace: VoltageTrace) -> Turn | None:
    """The turn that ends with the fall of the upper float, by both floats; None if the lower one did not follow."""
    rise_s = fall.time_s - fall.high_s
    before_s = rise_s - fall.low_s
    crossings = _crossings(low, before_s, rise_s)
    if crossings is None:
        return None
    fell_s, rose_s = crossings
    up_s, down_s = max(rise_s - rose_s, 0.5), max(fell_s - before_s, 0.5)
    return Turn(
        fall.time_s, fall.period_s, up_s, down_s, fall.high_s, rose_s - fell_s, up_s, down_s,
        trace.work_s(rise_s - up_s, rise_s), 0.0,
    )  # fmt: skip


def _crossings(low: FloatTrack, before_s: float, rise_s: float) -> tuple[float, float] | None:
    """When the water passed the lower float between a fall and a rise of the upper one: down, and up again.

    As with the upper float, each is the first moment of a run that lasts; the longest dry one is what counts.
    """
    edges = low.edges_between(before_s - 1, rise_s + 1)
    if not edges:
        return None
    ends_s = [*(edge.time_s for edge in edges[1:]), rise_s]
    runs = [(end_s - edge.time_s, edge.time_s, edge.wet) for edge, end_s in zip(edges, ends_s, strict=True)]
    longest = max((run for run in runs if not run[2]), default=None)
    if longest is None:
        return None
    steady_s = low.steady_s
    fell_s = next(start_s for length_s, start_s, wet in runs if not wet and length_s >= min(steady_s, longest[0]))
    rises = [(length_s, start_s) for length_s, start_s, wet in runs if wet and start_s > longest[1]]
    if not rises:
        return None
    return fell_s, next((start_s for length_s, start_s in rises if length_s >= steady_s), rises[-1][1])


def _median(turns: list[Turn]) -> Turn:
    """Field by field; its time is the newest's."""
    return Turn(*(median(column) for column in zip(*turns, strict=True)))._replace(time_s=turns[-1].time_s)


def span(seconds: float) -> str:
    """In a grower's words: "40 s", "3 min 20 s", "26 min", "5 h", "2 days"."""
    if 119.5 <= seconds < 600:
        minutes, rest_s = divmod(round(seconds / 5) * 5, 60)
        return f"{minutes} min {rest_s} s" if rest_s else f"{minutes} min"
    for unit_s, unit, until_s in ((1, "s", 120), (60, "min", 7200), (3600, "h", 172800)):
        if seconds < until_s:
            return f"{max(seconds, 0) / unit_s:.0f} {unit}"
    return f"{seconds / 86400:.0f} days"
