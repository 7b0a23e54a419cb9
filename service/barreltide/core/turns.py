"""How the floods of several beds fall together: phase, drift, beat, when all are next full at once, the water then.

Theory. A bed floods every T seconds and its upper float is wet for w of them. Two beds slide past one another: bed 2
falls T2 - T1 later each turn, all phases come round once in a beat, T1·T2 / |T1 - T2|, and in a beat the two are full
at once in about (w1 + w2) / |T1 - T2| turns running. However the phases lie, in the long run both are full for
w1·w2 / (T1·T2) of the time: equal periods do not make that less, they only bunch it. (Textbook kinematics; simulated in
the tests.) Without coupling no ratio of periods holds: fouling, leaves and the battery's voltage move it. Beds lock
only where one drives the other (in a row, or a common timer), or where a shared manifold couples them more strongly
than they differ: dphi/dt = dw - K sin phi, locked for |dw| < K, else a beat of 2 pi / sqrt(dw^2 - K^2) (Adler 1946,
from memory).

The hour of the next meeting is drawn: each draw takes the periods within their errors, lets each turn scatter as the
last ones did, and all breathe together with the voltage. Nine draws in ten give the range.

What turns a branch by: a bed takes V litres at a flow q, t_f = V/q, and drains V at what its siphon carries less q, so
with the flow in times of today's and m = 1 + t_f/t_d its period is t_f/q + t_f/(m - q): least at q = m/2, beyond which
more water makes the cycle longer. What one branch loses the pump's others gain, about. Where only one float speaks,
the draining's share of the cycle is not known, and the answer is a range.

It cannot know what the grower turns next, nor how a valve's angle makes a flow: turn, wait some cycles, look again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from math import hypot, inf, prod, sqrt
from random import Random
from statistics import fmean, median, stdev
from typing import NamedTuple

from .event import CycleCounted

LEAST_PERIODS = 4
USUAL_LAST = 12  # cycles of the slowest bed that the rhythm is taken from
STRANGE = 0.25  # a period so far from the median is no turn of the rhythm: a stall, a gap, a rest
LEAST_SPREAD_S = 1.0  # a float's own doubt
STILL = 2.5  # periods without a cycle: the bed stands still
SURE = 2.0  # standard errors by which periods must differ to be called different
BREATHES = 0.04  # what all periods may change together, as one standard deviation: the flow follows the voltage
WORTH = 0.1  # of the shortest flood: a meeting shorter than this is none
HORIZON_S = 3 * 86_400.0
DRAWS, DRAWS_LEAST, DRAWS_ALL = 99, 19, 600  # of a pair; of three beds and more, slow to meet; of all pairs together
MOST_TURNED = 0.3  # of a branch's flow: beyond it a siphon may come near its limits, and a small change says little
DRAIN_SHARES = (0.05, 0.30)  # of a cycle, where nothing tells: judgement, from gardens with 10 to 40 mm bores

# Enough water for the fish. Stocking: at most 20 kg to a cubic metre in a unit with media beds (FAO 589; from memory).
MOST_KG_PER_M3 = 20.0
LEAST_LEFT = 0.5  # of the sump's water, with every bed full: common practice, no source


class Rhythm(NamedTuple):
    """One bed's turns: their mean period and its standard error, the spread of one, how long the upper float is wet,
    its last fall (Unix seconds), whole periods counted; fill and drain where two floats or a level tell them."""

    bed: str
    period_s: float
    error_s: float
    spread_s: float
    full_s: float
    fall_s: float
    periods: int
    fill_s: float | None = None
    drain_s: float | None = None


class Meeting(NamedTuple):
    """When beds are next full at once, Unix seconds: the median and nine draws in ten; None: beyond HORIZON_S. share:
    of all time in the long run."""

    beds: tuple[str, ...]
    next_s: float | None
    low_s: float | None
    high_s: float | None
    lasts_s: float | None  # the first time …
    longest_s: float  # … and in the middle of a meeting
    share: float


class Pair(NamedTuple):
    """Two beds. apart: by what share of first's cycle second falls after it, 0 to 1; drift_per_h: by how much that
    grows in an hour, in cycles, with its standard error; beat_s with a range, whose high end is None where the periods
    may be equal; turns: how many running have them full at once, of which more than one make a meeting."""

    first: str
    second: str
    apart: float
    drift_per_h: float
    drift_error: float
    beat_s: float | None
    beat_low_s: float
    beat_high_s: float | None
    turns: float | None
    meeting: Meeting

    @property
    def differs(self) -> bool:
        return abs(self.drift_per_h) > SURE * self.drift_error


class Branch(NamedTuple):
    """By how much a branch's flow would change for a common period: shares, +0.05 for 5 % more; least and most."""

    bed: str
    low: float
    high: float


class Water(NamedTuple):
    """Litres in the sump with all beds drained, in the beds with all full, and left then; drop_m where the sump's
    surface is known; kg_per_m3 of fish at the lowest; enough: by both rules above."""

    sump_l: float
    up_l: float
    left_l: float
    drop_m: float | None
    kg_per_m3: float | None
    enough: bool


def beat_s(first_s: float, second_s: float) -> float:
    """After how long two beds of these periods are as they were; infinite where they are equal."""
    return first_s * second_s / abs(first_s - second_s) if first_s != second_s else inf


def turns_running(first: Rhythm, second: Rhythm) -> float:
    """In how many turns running, once in a beat, both are full at once."""
    apart_s = abs(first.period_s - second.period_s)
    return (first.full_s + second.full_s) / apart_s if apart_s else inf


def rhythms(cycles: Mapping[str, Sequence[CycleCounted]], last: int = USUAL_LAST) -> dict[str, Rhythm]:
    """The rhythm of each bed that has one: from the hours of the slowest bed's `last` cycles, so that all are taken at
    the same voltages. cycles: by bed, oldest first."""
    enough = {bed: rows for bed, rows in cycles.items() if len(rows) > LEAST_PERIODS}
    since_s = min((rows[-min(last + 1, len(rows))].time for rows in enough.values()), default=0.0)
    found = (_rhythm(bed, [row for row in rows if row.time > since_s]) for bed, rows in enough.items())
    return {rhythm.bed: rhythm for rhythm in found if rhythm is not None}


def _rhythm(bed: str, rows: Sequence[CycleCounted]) -> Rhythm | None:
    whole = [row for row in rows if row.period_s]
    if len(whole) < LEAST_PERIODS:
        return None
    usual_s = median(row.period_s for row in whole)
    whole = [row for row in whole if abs(row.period_s / usual_s - 1) < STRANGE]
    if len(whole) < LEAST_PERIODS or not any(row.high_s for row in whole):
        return None
    periods = [row.period_s for row in whole]
    spread_s = max(stdev(periods), LEAST_SPREAD_S)
    full, fills, drains = ([v for row in whole if (v := getattr(row, key))] for key in ("high_s", "fill_s", "drain_s"))
    return Rhythm(
        bed, fmean(periods), spread_s / sqrt(len(periods)), spread_s, median(full), rows[-1].time,
        len(periods), median(fills) if fills else None, median(drains) if drains else None,
    )  # fmt: skip


def moving(known: Mapping[str, Rhythm], now_s: float) -> list[Rhythm]:
    """Those that still turn."""
    return [rhythm for rhythm in known.values() if now_s - rhythm.fall_s < STILL * rhythm.period_s]


def pairs(beds: Sequence[Rhythm], now_s: float) -> list[Pair]:
    """Each two of the beds, those that meet soonest first."""
    twos = list(combinations(beds, 2))
    found = [_pair(first, second, now_s, len(twos)) for first, second in twos]
    return sorted(found, key=lambda pair: pair.meeting.next_s or inf)


def _pair(first: Rhythm, second: Rhythm, now_s: float, groups: int) -> Pair:
    apart = (now_s - first.fall_s) / first.period_s - (now_s - second.fall_s) / second.period_s
    drift = 1 / first.period_s - 1 / second.period_s
    error = hypot(first.error_s / first.period_s**2, second.error_s / second.period_s**2)
    surely = abs(drift) - SURE * error
    return Pair(
        first.bed, second.bed, apart % 1.0, 3600 * drift, 3600 * error, 1 / abs(drift) if drift else None,
        1 / (abs(drift) + SURE * error), 1 / surely if surely > 0 else None,
        turns_running(first, second) if surely > 0 else None, meeting((first, second), now_s, groups),
    )  # fmt: skip


def meeting(beds: Sequence[Rhythm], now_s: float, groups: int = 1) -> Meeting:
    """When all of these are next full at once. groups: how many such are asked for, which the draws are shared by."""
    chance = Random(f"{[bed.bed for bed in beds]} {now_s:.0f}")  # the same question has the same answer
    share, shortest_s = prod(min(bed.full_s / bed.period_s, 1.0) for bed in beds), min(bed.full_s for bed in beds)
    names, least_s = tuple(bed.bed for bed in beds), WORTH * shortest_s
    draws = DRAWS_LEAST if len(beds) > 2 else min(DRAWS, max(DRAWS_LEAST, DRAWS_ALL // groups))
    found = [_drawn(beds, now_s, least_s, chance) for _ in range(draws)]
    starts = sorted(start_s for start_s, _ in found)
    low_s, next_s, high_s = (starts[round(at * (draws - 1))] for at in (0.05, 0.5, 0.95))
    lasts = [lasts_s for start_s, lasts_s in found if start_s < inf]
    return Meeting(
        names, *(None if at == inf else at for at in (next_s, low_s, high_s)),
        median(lasts) if next_s < inf else None, shortest_s, share,
    )  # fmt: skip


def _drawn(beds: Sequence[Rhythm], now_s: float, least_s: float, chance: Random) -> tuple[float, float]:
    """One draw of what comes: start and length of the first meeting; infinite where there is none in time."""
    breath = chance.gauss(1.0, BREATHES)
    periods = [breath * max(chance.gauss(bed.period_s, bed.error_s), 1.0) for bed in beds]
    falls = [bed.fall_s for bed in beds]

    def turn(at: int) -> None:
        bed = beds[at]
        falls[at] += max(periods[at] + chance.gauss(0.0, bed.spread_s), bed.full_s)

    for at in range(len(beds)):
        turn(at)
        falls[at] = max(falls[at], now_s)  # it has not fallen yet: that is known
    while True:
        ends_first = min(range(len(beds)), key=falls.__getitem__)
        start_s = max(now_s, *(fall_s - bed.full_s for fall_s, bed in zip(falls, beds, strict=True)))
        if falls[ends_first] - start_s > least_s:
            return start_s, falls[ends_first] - start_s
        if falls[ends_first] > now_s + HORIZON_S:
            return inf, 0.0
        turn(ends_first)


def balance(beds: Sequence[Rhythm], litres: Mapping[str, float | None]) -> tuple[float, list[Branch]] | None:
    """The common period of a pump's beds, s, and what each one's branch would have to change for it; None where a bed
    fills faster than it drains, so that more water makes its cycle longer. litres: of one flood, by bed."""
    told = [_balanced(beds, litres, share) for share in DRAIN_SHARES]
    if len(beds) < 2 or None in told:
        return None
    (one_s, ones), (other_s, others) = told
    changes = [(bed.bed, *sorted(both)) for bed, *both in zip(beds, ones, others, strict=True)]
    return (one_s + other_s) / 2, [Branch(*change) for change in changes]


def _balanced(
    beds: Sequence[Rhythm], litres: Mapping[str, float | None], share: float
) -> tuple[float, list[float]] | None:
    """share: of the draining, where it is not known."""
    fills, ms = [], []
    for bed in beds:
        known = bed.fill_s and bed.drain_s
        fill_s, drain_s = (bed.fill_s, bed.drain_s) if known else (1 - share, share)
        fills.append(bed.period_s * fill_s / (fill_s + drain_s))  # waits at top and bottom are shared out
        ms.append(1 + fill_s / drain_s)
    volumes = [litres.get(bed.bed) for bed in beds]
    if None in volumes:
        volumes = [1.0] * len(beds)
    takes = [volume / fill_s for volume, fill_s in zip(volumes, fills, strict=True)]

    def flows(period_s: float) -> list[float] | None:
        inside = [m * m - 4 * fill_s * m / period_s for m, fill_s in zip(ms, fills, strict=True)]
        return None if min(inside) < 0 else [(m - sqrt(x)) / 2 for m, x in zip(ms, inside, strict=True)]

    if min(ms) <= 2.0:
        return None
    low_s, high_s = min(bed.period_s for bed in beds), max(bed.period_s for bed in beds)
    for _ in range(40):
        middle_s = (low_s + high_s) / 2
        tried = flows(middle_s)
        used = sum(q * take for q, take in zip(tried, takes, strict=True)) if tried else inf
        low_s, high_s = (middle_s, high_s) if used > sum(takes) else (low_s, middle_s)
    settled = flows(high_s)
    return None if settled is None else (high_s, [q - 1 for q in settled])


def flood_l(bed) -> float | None:
    """Litres that a bed of the site file takes in one flood; None where a height or its area is not given."""
    if None in (bed.area_m2, bed.standpipe_height_m, bed.drain_height_m):
        return None
    return 1000 * bed.area_m2 * (bed.standpipe_height_m - bed.drain_height_m) * bed.media_void_fraction


def water(sump_l: float, floods_l: Sequence[float], area_m2: float | None, fish_mass_kg: float) -> Water:
    """What is left below with all of these beds full."""
    up_l = sum(floods_l)
    left_l = max(sump_l - up_l, 0.0)
    stocking = fish_mass_kg / (left_l / 1000) if fish_mass_kg > 0 and left_l > 0 else None
    crowded = fish_mass_kg > 0 and (stocking is None or stocking > MOST_KG_PER_M3)
    return Water(sump_l, up_l, left_l, up_l / 1000 / area_m2 if area_m2 else None, stocking,
                 left_l >= LEAST_LEFT * sump_l and not crowded)  # fmt: skip
