"""Trials: a bed's cycles between one change and the next, and whether the last change made a difference.

Theory. A grower cuts a tube, and pins a note; the cycles between two notes are one trial. A cycle in which the note
lies belongs to neither. Each trial is told by its median and its quartiles. Whether two differ by more than chance is
asked of their ranks alone (Wilcoxon 1945; Mann and Whitney 1947): of all ways to deal the same values out to the two,
the share in which the rank sums lie as far apart. That share is counted, not approximated, ties at their mean rank,
so it holds for the handful of cycles that a grower waits for; four against four is the least that can say anything.

The pump's flow follows the battery's voltage, so what the pump does (the period, filling, wet and dry) is taken at
12.6 V: in its work, ∫V dt, as far as the voltage was heard. What the siphon does alone (draining, the waits) is not.

It assumes that cycles come one as another within a trial. Flow that drifts, a filter that clogs, a sump that empties,
make neighbours alike and chance look smaller than it is: a note between two trials that are hours apart compares hours
too. It cannot know that a note was forgotten.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import comb
from statistics import median, quantiles
from typing import Any, NamedTuple

Line = dict[str, Any]  # of a cycle or a note, as `replay --explain` prints it

MOST_COMPARED = 25  # newest cycles of a trial: an hour or a night is as good as a week
LEAST_CYCLES = 4  # on each side: 2 of 70 ways is under one in twenty
SURE, LIKELY = 0.01, 0.05
FIELD_BITS = 64  # counts of ways: comb(50, 25) has 47


class Measure(NamedTuple):
    """better: -1 where less is better, 1 where more is, 0 where it depends."""

    key: str
    name: str
    unit: str
    better: int
    of: Callable[[Line], float | None]


def _plain(key: str) -> Callable[[Line], float | None]:
    return lambda cycle: cycle.get(key)


def _at_reference(key: str) -> Callable[[Line], float | None]:
    """The time as it would be at 12.6 V, by the mean voltage of its own cycle."""

    def of(cycle: Line) -> float | None:
        seconds, work_s, period_s = cycle.get(key), cycle.get("work_s"), cycle.get("period_s")
        return seconds * work_s / period_s if seconds is not None and work_s and period_s else seconds

    return of


MEASURES = (
    Measure("period_s", "a whole cycle", "s", 0, _at_reference("period_s")),
    Measure("high_s", "upper float wet", "s", 0, _at_reference("high_s")),
    Measure("low_s", "upper float dry", "s", 0, _at_reference("low_s")),
    Measure("fill_s", "filling", "s", 0, _at_reference("fill_s")),
    Measure("drain_s", "draining", "s", -1, _plain("drain_s")),
    Measure("prime_s", "wait until it starts", "s", -1, _plain("prime_s")),
    Measure("break_s", "wait until it breaks", "s", -1, _plain("break_s")),
    Measure("bottom_s", "below the lower float", "s", -1, _plain("bottom_s")),
    Measure("flow_ratio", "siphon to pump", "times", 1, _plain("flow_ratio")),
)  # fmt: skip


class Summary(NamedTuple):
    """n values: their median and quartiles; chance: the share of deals that lie as far from the trial before, if
    any."""

    n: int
    median: float
    lower: float
    upper: float
    chance: float | None = None


class Trial(NamedTuple):
    """number: from 1; note: what was done at its beginning, "" of the first; cycles: oldest first."""

    number: int
    since_s: float
    note: str
    cycles: tuple[Line, ...]
    summaries: dict[str, Summary]


def trials(cycles: Sequence[Line], notes: Sequence[Line], bed: str) -> list[Trial]:
    """The bed's trials, oldest first. cycles, notes: of any beds, in any order; a note about the garden counts too."""
    mine = sorted((cycle for cycle in cycles if cycle["bed"] == bed), key=lambda cycle: cycle["time"])
    cuts = sorted((note for note in notes if note["bed"] in (bed, None)), key=lambda note: note["time"])
    edges = [float("-inf"), *(note["time"] for note in cuts), float("inf")]
    found: list[Trial] = []
    for number, note in enumerate([None, *cuts], start=1):
        from_s, to_s = edges[number - 1], edges[number]
        own = tuple(c for c in mine if from_s <= c["time"] - (c["period_s"] or 0.0) and c["time"] < to_s)
        before = found[-1] if found else None
        found.append(
            Trial(number, note["time"] if note else (own[0]["time"] if own else 0.0), note["text"] if note else "", own,
                  {m.key: s for m in MEASURES if (s := _summary(m, own, before)) is not None})
        )  # fmt: skip
    return found


def _summary(measure: Measure, cycles: Sequence[Line], before: Trial | None) -> Summary | None:
    values = values_of(measure, cycles)
    if not values:
        return None
    lower, _, upper = quantiles(values, n=4, method="inclusive") if len(values) > 1 else values * 3
    old = values_of(measure, before.cycles) if before else []
    enough = min(len(old), len(values)) >= LEAST_CYCLES
    return Summary(len(values), median(values), lower, upper, chance(old, values) if enough else None)


def values_of(measure: Measure, cycles: Sequence[Line]) -> list[float]:
    """What is known of the measure, of the newest cycles; a cycle after a gap in the data tells nothing."""
    known = [measure.of(cycle) for cycle in cycles if cycle["period_s"] is not None]
    return [value for value in known if value is not None][-MOST_COMPARED:]


def median_of(key: str, cycles: Sequence[Line]) -> float:
    """The median as it was measured, at whatever voltage. There must be one."""
    return median(cycle[key] for cycle in cycles if cycle.get(key) is not None)


def chance(one: Sequence[float], other: Sequence[float]) -> float:
    """The share of all ways to deal the values out that set the rank sums as far apart, to both sides; exact.

    Either may hold at most MOST_COMPARED values and must hold one.
    """
    every = sorted([*one, *other])
    first = {value: every.index(value) for value in set(every)}
    count = {value: every.count(value) for value in first}
    rank2 = {value: 2 * first[value] + count[value] + 1 for value in first}  # twice the mean rank: a whole number
    # ways[k]: one number that holds, a field for each rank sum, in how many ways k of the values make that sum.
    ways = [1] + [0] * len(one)
    for value in every:
        for k in range(len(one), 0, -1):
            ways[k] += ways[k - 1] << (FIELD_BITS * rank2[value])
    seen = sum(rank2[value] for value in one)
    below = ways[-1] & ((1 << (FIELD_BITS * (seen + 1))) - 1)
    above = ways[-1] >> (FIELD_BITS * seen)
    tail = min(_total(below), _total(above))
    return min(2 * tail / comb(len(every), len(one)), 1.0)


def _total(fields: int) -> int:
    """The sum of all fields: modulo one less than a field's reach, each counts for itself."""
    reach = (1 << FIELD_BITS) - 1
    return fields % reach


def verdict(trials_: Sequence[Trial]) -> str:
    """Whether the last change made it better, in a grower's words; one or two sentences."""
    if len(trials_) < 2:
        return "One trial so far: pin a note at each change, and before and after are compared."
    last, before = trials_[-1], trials_[-2]
    for which, trial in (("this trial", last), ("the trial before", before)):
        if (n := len(values_of(MEASURES[0], trial.cycles))) < LEAST_CYCLES:
            return f"Too few cycles to tell: {which} has {n} of {LEAST_CYCLES}."
    better, worse, other = [], [], []
    for measure in MEASURES:
        new, old = last.summaries.get(measure.key), before.summaries.get(measure.key)
        if new is None or old is None or new.chance is None or new.chance >= LIKELY:
            continue
        words = (
            f"{measure.name} {shown(old.median, measure.unit)} → {shown(new.median, measure.unit)} ({odds(new.chance)})"
        )
        way = measure.better * (1 if new.median > old.median else -1)
        (better if way > 0 else worse if way < 0 else other).append((new.chance, words))
    if not (better or worse or other):
        return "The last change made no difference that chance would not make as well."
    parts = [
        f"{head}: {'; '.join(words for _, words in sorted(told))}."
        for head, told in (("Better", better), ("Worse", worse), ("Changed", other))
        if told
    ]
    sure = any(p < SURE for p, _ in [*better, *worse, *other])
    return " ".join(parts) + ("" if sure else " It may be chance: some more cycles will tell.")


def odds(share: float) -> str:
    """How likely chance alone is to do as much: "chance 1 in 250"."""
    if share >= LIKELY:
        return "could be chance"
    return f"chance 1 in {round(1 / share):,}" if share > 1e-6 else "chance below 1 in a million"


def shown(value: float, unit: str) -> str:
    """In a grower's figures: "12.3 s", "412 s", "18.6 min", "18.4 h"; times with two digits."""
    if unit == "times":
        return f"{value:.2f}"
    if abs(value) >= 7200:
        return f"{value / 3600:.1f} h"
    if abs(value) >= 600:
        return f"{value / 60:.1f} min"
    return f"{value:.1f} s" if abs(value) < 100 else f"{value:.0f} s"


def between(summary: Summary, unit: str) -> str:
    """Its quartiles, the unit once: "11.9 to 13.1 s"."""
    lower, upper = shown(summary.lower, unit), shown(summary.upper, unit)
    number, _, its = lower.partition(" ")
    return f"{number if its == upper.partition(' ')[2] else lower} to {upper}"
