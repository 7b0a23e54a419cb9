"""Packs back in the order in which they were sampled.

Theory. A station numbers its packs 0, 1, 2 … within a boot and sends each until it has a receipt, so packs arrive twice,
late, or in the wrong order, and a number that is absent means that something was sampled which we have not heard.
A pack that comes too early is held for a short while: most absent packs turn up within seconds. After that the absent
numbers become a `Gap`, judging goes on, and a pack that fills the gap hours later is released as `late`.

It cannot know what a gap hides, nor how long a station was off between two boots.
"""

from __future__ import annotations

from typing import NamedTuple

from .reading import Pack

HOLD_S = 60.0
MOST_HELD = 20_000
MOST_MISSING = 20_000
MOST_GAPS = 200
MOST_BOOTS = 8
RESTARTED = -1  # stands among a gap's missing numbers for what a station did between two boots: never filled


class Gap:
    """A stretch of a station's time, `from_s` to `to_s` (sampled), that is not fully known while `missing` holds numbers."""

    __slots__ = ("from_s", "missing", "to_s")

    def __init__(self, from_s: float, to_s: float, missing: set[int]) -> None:
        self.from_s, self.to_s, self.missing = from_s, to_s, missing


class Release(NamedTuple):
    """A pack whose turn has come. late: newer packs were released before it. after_gap: what came just before is unknown."""

    pack: Pack
    late: bool
    after_gap: bool


class _Boot:
    __slots__ = ("first_sampled_s", "first_seq", "gaps", "held", "held_since_s", "next_seq", "sampled_s")

    def __init__(self, pack: Pack, first_s: float) -> None:
        self.first_seq = self.next_seq = pack.seq
        self.held: dict[int, Pack] = {}
        self.held_since_s = 0.0
        self.first_sampled_s = first_s
        self.sampled_s = first_s  # newest sample released so far
        self.gaps: list[Gap] = []


class StationOrder:
    """The packs of one station. `gaps` lists what is not known of its past, oldest first."""

    def __init__(self) -> None:
        self.gaps: list[Gap] = []
        self.sampled_s = 0.0
        self._boots: dict[int, _Boot] = {}
        self._current: int | None = None
        self._restart_gaps: dict[int, Gap] = {}  # by the boot that ended there
        self._early: set[tuple[int, int]] = set()  # (boot, seq) released though older than all that we knew of the boot

    def add(self, pack: Pack) -> list[Release]:
        """The packs that may be judged now that `pack` has arrived: none while it is held, or if it was heard before."""
        boot = self._boots.get(pack.boot)
        if boot is None:
            return self._begin(pack)
        if pack.seq < boot.next_seq or pack.boot != self._current:
            return self._fill(boot, pack)
        if pack.seq > boot.next_seq:
            if pack.seq in boot.held:
                return []
            if not boot.held:
                boot.held_since_s = pack.received_s
            boot.held[pack.seq] = pack
            return self._skip(boot) if len(boot.held) > MOST_HELD else []
        released = [self._release(boot, pack, after_gap=False)]
        if boot.held:
            self._run_on(boot, released)
            boot.held_since_s = pack.received_s
        return released

    def tick(self, now_s: float) -> list[Release]:
        """The packs that have been held for long enough."""
        boot = self._boots.get(self._current) if self._current is not None else None
        if boot is None or not boot.held or now_s - boot.held_since_s < HOLD_S:
            return []
        boot.held_since_s = now_s
        return self._skip(boot)

    def _begin(self, pack: Pack) -> list[Release]:
        first_s, last_s = _span(pack)
        boot = self._boots[pack.boot] = _Boot(pack, first_s)
        before = self._boots.get(self._current) if self._current is not None else None
        if before is not None and last_s < before.first_sampled_s:
            boot.next_seq += 1  # an earlier boot's backlog, met after a later boot began
            return [Release(pack, late=True, after_gap=True)]
        released: list[Release] = []
        if before is not None:
            while before.held:
                released += self._skip(before)
            gap = Gap(before.sampled_s, first_s, {RESTARTED})
            self._restart_gaps[self._current] = gap
            self._remember(gap)
        self._current = pack.boot
        released.append(self._release(boot, pack, after_gap=before is not None))
        for old in list(self._boots)[:-MOST_BOOTS]:
            del self._boots[old]
            self._restart_gaps.pop(old, None)
        return released

    def _fill(self, boot: _Boot, pack: Pack) -> list[Release]:
        """A pack from behind the newest released one: new to us if its number is missing, or beyond what its boot had sent."""
        first_s, last_s = _span(pack)
        if pack.seq >= boot.next_seq:
            for seq in range(boot.next_seq, min(pack.seq, boot.next_seq + MOST_MISSING)):
                boot.gaps.append(Gap(boot.sampled_s, first_s, {seq}))
            boot.next_seq = pack.seq + 1
            boot.sampled_s = max(boot.sampled_s, last_s)
            restart = self._restart_gaps.get(pack.boot)
            if restart is not None and last_s < restart.to_s:
                restart.from_s = max(restart.from_s, last_s)
            return [Release(pack, late=True, after_gap=False)]
        for gap in boot.gaps:
            if pack.seq in gap.missing:
                gap.missing.discard(pack.seq)
                if not gap.missing:
                    boot.gaps.remove(gap)
                    if gap in self.gaps:
                        self.gaps.remove(gap)
                return [Release(pack, late=True, after_gap=False)]
        if pack.seq < boot.first_seq and (pack.boot, pack.seq) not in self._early and len(self._early) < MOST_MISSING:
            self._early.add((pack.boot, pack.seq))
            return [Release(pack, late=True, after_gap=False)]
        return []

    def _skip(self, boot: _Boot) -> list[Release]:
        """Give up waiting for the numbers before the first held pack."""
        seq = min(boot.held)
        pack = boot.held.pop(seq)
        first_missing = max(boot.next_seq, seq - MOST_MISSING)
        gap = Gap(boot.sampled_s, _span(pack)[0], set(range(first_missing, seq)))
        boot.gaps.append(gap)
        del boot.gaps[:-MOST_GAPS]
        self._remember(gap)
        boot.next_seq = seq
        released = [self._release(boot, pack, after_gap=True)]
        self._run_on(boot, released)
        return released

    def _run_on(self, boot: _Boot, released: list[Release]) -> None:
        while boot.next_seq in boot.held:
            released.append(self._release(boot, boot.held.pop(boot.next_seq), after_gap=False))

    def _release(self, boot: _Boot, pack: Pack, after_gap: bool) -> Release:
        boot.next_seq = pack.seq + 1
        for reading in pack.readings:
            if reading.sampled_s > boot.sampled_s:
                boot.sampled_s = reading.sampled_s
        if boot.sampled_s > self.sampled_s:
            self.sampled_s = boot.sampled_s
        return Release(pack, False, after_gap)

    def _remember(self, gap: Gap) -> None:
        self.gaps.append(gap)
        del self.gaps[:-MOST_GAPS]


def _span(pack: Pack) -> tuple[float, float]:
    """First and last sampled moment in the pack; its arrival where it holds no reading."""
    times = [reading.sampled_s for reading in pack.readings] or [pack.received_s]
    return min(times), max(times)
