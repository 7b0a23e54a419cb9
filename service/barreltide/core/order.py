"""Packs back in the order in which they were sampled.

Theory. A station numbers its packs 0, 1, 2 … within a boot and sends each until it has a receipt, so packs arrive
twice, late, or in the wrong order, and a number that is absent means that something was sampled and not heard.
A pack that comes too early is held for a short while: most absent packs turn up within seconds. After that the absent
numbers become a `Gap`, judging goes on, and a pack that fills the gap hours later is released as `late`.

It cannot know what a gap hides, nor how long a station was off between two boots. A clock that was set back while the
station ran makes times that cannot be compared with those before; the release that shows it says so. Where no number is
absent and yet no pack is of the last quarter of an hour, the clock was set forward, or the station stood still: that is
a gap too.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from .reading import Pack, Reading

HOLD_S = 60.0
DUE_S, DELAYED_S = 2.5, 25.0  # a repetition comes so punctually, or so late if a float was just undecided
BACKDATED_S = 5.0  # a change carries the moment before its debouncing, so it may be older than the pack before it
GONE_S = 1500.0  # five times the repetition of states
MOST_APART_S = 60.0  # packs further apart: it was not heard in between
MOST_UNDUE = 4  # so many in a row are the rhythm itself: it is new, or the station's clock was set
LEAP_S = 900.0  # three times the repetition of states: in so long a station has something to say
STEADY_LAG_S = 30.0  # from pack to pack: no backlog is coming in
SET_BACK_S = 120.0  # a station's packs do not overlap by so much, unless its clock was set back
MOST_HELD = 20_000
MOST_MISSING = 20_000
MOST_GAPS = 200
MOST_BOOTS = 8
RESTARTED = -1  # stands among a gap's missing numbers for what a station did between boots, or no pack: never filled


class Gap:
    """A stretch of a station's time, `from_s` to `to_s` (sampled), not fully known while `missing` holds numbers.

    noticed_s: the engine's clock when we gave up waiting.
    """

    __slots__ = ("from_s", "missing", "noticed_s", "to_s")

    def __init__(self, from_s: float, to_s: float, missing: set[int], noticed_s: float) -> None:
        self.from_s, self.to_s, self.missing, self.noticed_s = from_s, to_s, missing, noticed_s


class Release(NamedTuple):
    """A pack whose turn has come.

    late: newer packs were released before it. gap: what came just before is unknown. set_back: its times are no sequel
    to those before.
    """

    pack: Pack
    late: bool = False
    gap: Gap | None = None
    set_back: bool = False


class _Boot:
    __slots__ = ("early", "first_sampled_s", "first_seq", "gaps", "held", "next_seq", "restart", "sampled_s")

    def __init__(self, pack: Pack, first_s: float) -> None:
        self.first_seq = self.next_seq = pack.seq
        self.held: dict[int, Pack] = {}
        self.first_sampled_s = first_s
        self.sampled_s = first_s  # newest sample released so far
        self.gaps: list[Gap] = []
        self.restart: Gap | None = None  # between its end and the next boot
        self.early: set[int] = set()  # numbers released though before the first that we knew of


class StationOrder:
    """The packs of one station. `gaps` lists what is not known of its past, oldest first."""

    def __init__(self) -> None:
        self.gaps: list[Gap] = []
        self._heard_s = 0.0  # for how long in all the station was heard
        self._floats: dict[str, float] = {}  # each float switch, and how much of that was over when it was read last
        self._spoke: dict[str, float] = {}  # … and when it last spoke, in its turn
        self._repeats: deque[float] = deque(maxlen=7)  # when a lone float was repeated
        self._undue: list[float] = []  # when it said the same out of its rhythm, in a row
        self.sampled_s = 0.0
        self._lags = (0.0, 0.0)  # of the last two packs released, from sampled to received
        self._boots: dict[int, _Boot] = {}
        self._current: int | None = None

    def add(self, pack: Pack) -> list[Release]:
        """The packs that may be judged now that `pack` has arrived: none if it is held, or was heard before."""
        received_s, _, number, seq, readings = pack
        for reading in readings:
            if type(reading.value) is bool:
                self._floats[reading.name] = self._heard_s
        boot = self._boots.get(number)
        if boot is None:
            return self._begin(pack)
        if seq < boot.next_seq or number != self._current:
            return self._fill(boot, pack)
        if seq > boot.next_seq:
            boot.held.setdefault(seq, pack)
            return self._skip(boot, received_s) if len(boot.held) > MOST_HELD else []
        released = [self._release(boot, pack, None)]
        if boot.held:
            self._run_on(boot, released)
        return released

    def tick(self, now_s: float) -> list[Release]:
        """The packs that have been held for long enough."""
        boot, released = self._boots.get(self._current), []
        while boot and boot.held and now_s - min(pack.received_s for pack in boot.held.values()) >= HOLD_S:
            released += self._skip(boot, now_s)
        return released

    def is_change(self, release: Release, reading: Reading, known: bool | None, changed_s: float | None = None) -> bool:
        """Whether a float's reading reports a change; known: the state that was heard before; changed_s: since when.

        The same state again reports one only where the report of a change between may be missing. A boot opens with
        the states of all floats, and a repetition carries all of them in one moment, which may be another reading's
        too. A station's only float is repeated alone, or in such a moment, at even intervals: there its rhythm tells as
        well. A repetition that falls into the debouncing of a change still says what was before.
        """
        spoke_s = self._spoke.get(reading.name) if not release.late else None
        if not release.late:
            self._spoke[reading.name] = reading.sampled_s
        if release.pack.seq == 0:
            rhythm_s = None if release.late else self._rhythm_s()
            if rhythm_s is not None:  # it counts from the boot's beginning now
                self._repeats = deque((reading.sampled_s - k * rhythm_s for k in (3, 2, 1, 0)), maxlen=7)
            return False
        is_sequel = spoke_s is not None and not (self.gaps and self.gaps[-1].to_s > spoke_s)  # no report is missing
        is_same = is_sequel and reading.value is known and spoke_s < reading.sampled_s
        moment = [other for other in release.pack.readings if other.sampled_s == reading.sampled_s]
        # One that has long been left out was taken off: the repetitions of the others are whole without it.
        floats = sum(self._heard_s - read_s < GONE_S for read_s in self._floats.values())
        if floats > 1:
            return not is_same and sum(type(other.value) is bool for other in moment) < floats
        if release.late or known is None:
            return len(moment) == 1
        if reading.value is known and spoke_s is not None and reading.sampled_s < spoke_s:
            return True  # dated before its debouncing, which a repetition did not wait for
        if reading.value is not known:
            if changed_s is not None and reading.sampled_s - changed_s < BACKDATED_S:
                is_repeated = self._is_due(reading.sampled_s, unless_learned=False)
                if is_repeated:
                    self._repeats.append(reading.sampled_s)
                return not is_repeated
            if (len(moment) == 1 and is_sequel) or _is_corrected(release.pack, reading):
                return True
            return not self._is_due(reading.sampled_s, unless_learned=len(moment) > 1)
        is_repeated = is_same or len(moment) > 1 or self._is_due(reading.sampled_s, unless_learned=False)
        if is_repeated:
            self._undue.clear()
            self._repeats.append(reading.sampled_s)
        else:
            self._undue.append(reading.sampled_s)
            if len(self._undue) == MOST_UNDUE:
                self._repeats, self._undue = deque(self._undue, maxlen=7), []
        return not is_repeated

    def _is_due(self, time_s: float, unless_learned: bool) -> bool:
        """Whether a lone float is just being repeated, by its rhythm; `unless_learned` before that is known."""
        rhythm_s = self._rhythm_s()
        if rhythm_s is None:
            return unless_learned
        if time_s - self._repeats[-1] < 0.5 * rhythm_s:
            return False  # this turn's has been
        after_s = [time_s - repeat_s for repeat_s in self._repeats]
        return any(-DUE_S < span_s - round(span_s / rhythm_s) * rhythm_s < DELAYED_S for span_s in after_s)

    def _rhythm_s(self) -> float | None:
        """How often a lone float is repeated; None before most of what was taken for repetitions agrees."""
        if len(self._repeats) < 4:
            return None
        spans_s = [after - before for before, after in pairwise(self._repeats)]
        rhythm_s = median(spans_s)
        if rhythm_s <= 0:
            return None
        turns = [span_s / rhythm_s for span_s in spans_s]
        agreed = sum(turn > 0.5 and abs(turn - round(turn)) * rhythm_s < DUE_S for turn in turns)
        return rhythm_s if 2 * agreed > len(turns) else None

    def _begin(self, pack: Pack) -> list[Release]:
        first_s, last_s = _span(pack)
        boot = self._boots[pack.boot] = _Boot(pack, first_s)
        before = self._boots.get(self._current) if self._current is not None else None
        if before is not None and last_s < before.first_sampled_s:
            boot.next_seq += 1  # an earlier boot's backlog, met after a later boot began
            boot.sampled_s = last_s
            released = [Release(pack, late=True)]
        else:
            released = []
            gap = None
            if before is not None:
                while before.held:
                    released += self._skip(before, pack.received_s)
                gap = Gap(before.sampled_s - BACKDATED_S, last_s, {RESTARTED}, pack.received_s)
                before.restart = gap
                self._remember(gap)
            self._current = pack.boot
            released.append(self._release(boot, pack, gap))
        for old in list(self._boots)[:-MOST_BOOTS]:
            if old != self._current:
                del self._boots[old]
        return released

    def _fill(self, boot: _Boot, pack: Pack) -> list[Release]:
        """A pack from behind the newest released: new if its number is missing, or beyond what its boot had sent."""
        if pack.seq >= boot.next_seq:
            first_s, last_s = _span(pack)
            if pack.seq > boot.next_seq:
                missing = set(range(max(boot.next_seq, pack.seq - MOST_MISSING), pack.seq))
                gap = Gap(boot.sampled_s, first_s, missing, pack.received_s)
                boot.gaps.append(gap)
                if boot.restart in self.gaps:
                    self.gaps.insert(self.gaps.index(boot.restart), gap)
            boot.next_seq = pack.seq + 1
            boot.sampled_s = max(boot.sampled_s, last_s)
            if boot.restart is not None:
                boot.restart.from_s = min(max(boot.restart.from_s, last_s), boot.restart.to_s)
            return [Release(pack, late=True)]
        for gap in boot.gaps:
            if pack.seq in gap.missing:
                gap.missing.discard(pack.seq)
                if not gap.missing:
                    boot.gaps.remove(gap)
                    if gap in self.gaps:
                        self.gaps.remove(gap)
                return [Release(pack, late=True)]
        if pack.seq < boot.first_seq and pack.seq not in boot.early and len(boot.early) < MOST_MISSING:
            boot.early.add(pack.seq)
            return [Release(pack, late=True)]
        return []

    def _skip(self, boot: _Boot, now_s: float) -> list[Release]:
        """Give up waiting for the numbers before the first held pack."""
        seq = min(boot.held)
        pack = boot.held.pop(seq)
        missing = set(range(max(boot.next_seq, seq - MOST_MISSING), seq))
        gap = Gap(boot.sampled_s - BACKDATED_S, _span(pack)[1], missing, now_s)
        boot.gaps.append(gap)
        del boot.gaps[:-MOST_GAPS]
        self._remember(gap)
        released = [self._release(boot, pack, gap)]
        self._run_on(boot, released)
        return released

    def _run_on(self, boot: _Boot, released: list[Release]) -> None:
        while boot.next_seq in boot.held:
            released.append(self._release(boot, boot.held.pop(boot.next_seq), None))

    def _release(self, boot: _Boot, pack: Pack, gap: Gap | None) -> Release:
        received_s, _, _, seq, readings = pack
        boot.next_seq = seq + 1
        newest_s = first_s = readings[0].sampled_s if readings else boot.sampled_s
        for _, sampled_s, _ in readings:
            if sampled_s > newest_s:
                newest_s = sampled_s
        set_back = newest_s < self.sampled_s - SET_BACK_S
        lag_s = received_s - newest_s
        if set_back:
            self.gaps.clear()  # their times mean nothing any more …
            self._spoke.clear()  # … nor does when a float spoke last
            gap = None
            self.sampled_s = boot.sampled_s = newest_s
        else:
            span_s = first_s - boot.sampled_s
            if gap is None and span_s > SET_BACK_S and self._has_leapt(span_s, lag_s):
                gap = Gap(boot.sampled_s - BACKDATED_S, newest_s, {RESTARTED}, received_s)
                self._remember(gap)
            if newest_s > boot.sampled_s:
                boot.sampled_s = newest_s
            if newest_s > self.sampled_s:
                apart_s = newest_s - self.sampled_s
                self._heard_s += apart_s if apart_s < MOST_APART_S else MOST_APART_S
                self.sampled_s = newest_s
        self._lags = self._lags[1], lag_s
        return Release(pack, False, gap, set_back)

    def _has_leapt(self, span_s: float, lag_s: float) -> bool:
        """Whether this long span from the pack before is none that this station can have lived through: it is too long,
        or packs that came in as they were sampled suddenly come by so much sooner."""
        before_s, last_s = self._lags
        is_sooner = last_s - lag_s > SET_BACK_S and abs(last_s - before_s) < STEADY_LAG_S
        return span_s > LEAP_S or is_sooner

    def _remember(self, gap: Gap) -> None:
        self.gaps.append(gap)
        del self.gaps[:-MOST_GAPS]


def _is_corrected(pack: Pack, reading: Reading) -> bool:
    """Whether the float speaks again right after, otherwise: a repetition that did not know of this change yet."""
    return any(
        other.name == reading.name and other.value is not reading.value
        and 0 < other.sampled_s - reading.sampled_s < BACKDATED_S
        for other in pack.readings
    )  # fmt: skip


def _span(pack: Pack) -> tuple[float, float]:
    """First and last sampled moment in the pack; its arrival where it holds no reading."""
    times = [reading.sampled_s for reading in pack.readings] or [pack.received_s]
    return min(times), max(times)
