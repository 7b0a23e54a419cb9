"""What a shakedown asks of each bed: that it goes on filling and draining, each time whole and each like the one
before.

Theory. In the pump's work (voltage.py) a sound bed's cycles repeat within a few per cent, and so does the share of
each that its upper float is wet. So a cycle far from its neighbours is a fault's, not the day's. A siphon that
trickles leaves the float wet for too long, one that dribbles on leaves it dry; both are also alarms of the engine
while they last, and then its own evidence counts. At which voltage they came tells of the flow: a siphon that only
trickles by night, when the battery is low, lacks flow to start it, and one that only dribbles by day has too much to
break. A float whose wet share wanders while its bed's period does not has moved on its rod.

It assumes an upper float that lies between the siphon's two levels. With one float, a long dry time may also be a
branch that gave less: then both are named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any, NamedTuple

from .siphon import span

Line = dict[str, Any]

LEAST_CYCLES = 4
NEAR = 4  # neighbours to each side
IRREGULAR = 0.25  # of its neighbours' work
LONG, LONG_S = 1.4, 60.0  # a wet or dry time beyond the usual by this factor, and by so much
LOOSE, STEADY = 0.05, 0.12  # of a cycle: the wet share's wandering, and the period's, in three of four
LEAST_FOR_FLOAT = 10
UNEVEN = 2.5  # times the quickest bed's period
BACK_PERIODS = 2.5
STANDING_PERIODS, LONGEST_UNKNOWN_S = 2.0, 6000.0
VOLTS_APART = 0.15  # 12 V: between where it failed and where it did not
SHARE_NAMED = 0.25  # of an alarm's evidence
MOST_TOLD = 6


class Check(NamedTuple):
    """name: of what is asked; stage: from which on; state: "good", "bad" or "open"; words: one sentence; evidence: when
    and how much, each a line, a moment in it as {Unix seconds}; advice: what to try, "" where it is good; subject: the
    bed it is about, if one."""

    name: str
    stage: str
    state: str
    words: str
    evidence: tuple[str, ...] = ()
    advice: str = ""
    subject: str = ""


class Stop(NamedTuple):
    """A pump stood still, or was told to. until_s: None while nothing is known of its end; told: beforehand."""

    pump: str
    from_s: float
    until_s: float | None
    told: bool


@dataclass
class BedSpan:
    """One bed's cycles in the span, oldest first, as lines."""

    plan: Any
    start_s: float
    until_s: float
    cycles: list[Line] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.plan.name

    @property
    def whole(self) -> list[Line]:
        """Those whose period is known."""
        return [cycle for cycle in self.cycles if cycle["period_s"]]

    @property
    def work_s(self) -> float | None:
        """The usual work of a cycle."""
        return median(_work(cycle) for cycle in self.whole) if len(self.whole) >= LEAST_CYCLES else None

    def part(self, key: str) -> list[tuple[Line, float]]:
        """(cycle, its high_s or low_s at 12.6 V) of the whole cycles."""
        return [(c, c[key] * _work(c) / c["period_s"]) for c in self.whole if c[key] is not None]


def judge_beds(
    feeds: dict[str, list[BedSpan]], alarms: Sequence[Line], stops: Sequence[Stop], end_s: float, is_over: bool,
    volts_at: Callable[[float, float], float | None],
) -> list[Check]:  # fmt: skip
    """feeds: beds by pump; end_s: how far the span is known; volts_at: the mean voltage of a span."""
    checks: list[Check] = []
    for pump, beds in feeds.items():
        excused = [(s.from_s, s.until_s or end_s) for s in stops if s.pump == pump]
        own = [line for line in alarms if line["alarm"] == "pump-stopped" and line["subject"] == pump]
        for bed in beds:
            judge = _Bed(bed, alarms, own, excused, end_s, volts_at)
            mine = [judge.trickle(), judge.dribble(), judge.upper_float()]
            # Without a whole cycle nothing is proven of them.
            checks += [judge.cycles(is_over), *(check for check in mine if bed.whole or check.state == "bad")]
        # A bed that dribbles on looks starved at first: with hindsight it is one finding.
        dribbling = {check.subject for check in checks if check.name == "dribble" and check.state == "bad"}
        starved = [a for a in alarms if a["alarm"] == "bed-starved" and a["subject"] not in dribbling]
        checks += [_back(pump, beds, [s for s in stops if s.pump == pump], end_s), *_even(pump, beds, starved)]
    return checks


class _Bed:
    """The checks of one bed."""

    def __init__(self, bed, alarms, pump_alarms, excused, end_s, volts_at) -> None:
        self.bed, self.excused, self.end_s, self.volts_at = bed, excused, end_s, volts_at
        self.alarms = [line for line in alarms if line["subject"] == bed.name]
        self.float_alarms = [
            line for line in alarms if line["alarm"] == "sensor-fault" and line["subject"] == f"{bed.name}/high"
        ]
        self.pump_alarms = pump_alarms
        self.loose = self._loose()
        self.long = {key: self._long(key) for key in ("high_s", "low_s")}

    def _is_excused(self, cycle: Line) -> bool:
        from_s = cycle["time"] - (cycle["period_s"] or 0.0)
        return any(from_s < to_s and cycle["time"] > since_s for since_s, to_s in self.excused)

    def _long(self, key: str) -> list[Line]:
        parts = self.bed.part(key)
        if len(parts) < LEAST_CYCLES or self.loose:
            return []
        usual_s = median(work for _, work in parts)
        return [
            c for c, work in parts
            if work > LONG * usual_s and work > usual_s + LONG_S and not self._is_excused(c)
            and _work(c) - self.bed.work_s > 0.5 * (work - usual_s)  # else the float has moved, not the water
        ]  # fmt: skip

    def _loose(self) -> str:
        """What speaks for a float that moves on its rod; empty if nothing."""
        kept = [(c, work / _work(c)) for c, work in self.bed.part("high_s") if not self._is_excused(c)]
        if len(kept) < LEAST_FOR_FLOAT or not self.bed.work_s:
            return ""
        shares = [share for _, share in kept]
        usual = median(shares)
        strays = _most(0.75, (abs(share - usual) for share in shares))
        steady = _most(0.75, (abs(_work(c) / self.bed.work_s - 1) for c, _ in kept))
        if strays <= LOOSE or steady >= STEADY:
            return ""
        return (
            f"It is wet for {100 * _most(0.1, shares):.0f} to {100 * _most(0.9, shares):.0f} % of a cycle, while the"
            f" cycles themselves keep within {100 * steady:.0f} %"
        )

    def _named(self, alarm: str) -> list[Line]:
        """Alarms that were raised so, and others of it and its pump whose evidence gave this bed's siphon a share."""
        found = [line for line in self.alarms if line["alarm"] == alarm]
        for line in self.alarms + self.pump_alarms:
            if line in found:
                continue
            shares = {(a["alarm"], a["subject"]): a["share"] for a in line.get("evidence", ())}
            if shares.get((alarm, self.bed.name), 0.0) >= SHARE_NAMED:
                found.append(line)
        return found

    def _check(self, name, bad, words, told, advice):
        return Check(name, "media", "bad" if bad else "good", words, tuple(told[:MOST_TOLD]), advice if bad else "",
                     self.bed.name)  # fmt: skip

    def cycles(self, is_over: bool) -> Check:
        bed, name = self.bed, self.bed.name
        told = []
        works = [_work(cycle) for cycle in bed.whole]
        odd = 0
        for at, cycle in enumerate(bed.whole):
            near = works[max(at - NEAR, 0) : at] + works[at + 1 : at + 1 + NEAR]
            if len(near) < LEAST_CYCLES - 1 or self._is_excused(cycle):
                continue
            if cycle in self.long["high_s"] or cycle in self.long["low_s"]:
                continue  # told as a trickle or a dribble
            if abs(works[at] / median(near) - 1) > IRREGULAR:
                odd += 1
                told.append(f"{{{cycle['time']:.0f}}}: {span(cycle['period_s'])}, its neighbours"
                            f" {span(median(near) * cycle['period_s'] / works[at])}")  # fmt: skip
        standing = self._standing()
        told = [f"{{{a:.0f}}} to {{{b:.0f}}}: no cycle" for a, b in standing] + told
        if odd or standing:
            parts = [f"stood still {_times(len(standing))}"] if standing else []
            parts += [f"had {odd} cycle{'' if odd == 1 else 's'} unlike the others"] if odd else []
            return self._check("cycles", True, f"'{name}' {' and '.join(parts)}.", told,
                               "See what the other points say of this bed; else its valve and hose.")  # fmt: skip
        if bed.work_s is None:
            state = "bad" if is_over else "open"
            n = len(bed.cycles)
            return Check("cycles", "media", state, f"'{name}' has gone through {n} cycle{'' if n == 1 else 's'} only.",
                         (), "Is its valve open, its float wired? See `barreltide dial-in`.", name)  # fmt: skip
        period_s = median(cycle["period_s"] for cycle in bed.whole)
        spread = _most(0.9, (abs(work / bed.work_s - 1) for work in works))
        words = f"'{name}' went through {len(bed.cycles)} cycles of {span(period_s)}, nine of ten within"
        return self._check("cycles", False, f"{words} {100 * max(spread, 0.01):.0f} %.", [], "")

    def _standing(self) -> list[tuple[float, float]]:
        """Spans without a cycle, beyond what is excused or told otherwise."""
        bed = self.bed
        limit_s = LONGEST_UNKNOWN_S
        if bed.work_s is not None:
            limit_s = STANDING_PERIODS * max(c["period_s"] for c in bed.whole if c not in self._all_long())
        edges = [bed.start_s, *(cycle["time"] for cycle in bed.cycles), self.end_s]
        told = [(line["since"], line.get("cleared", self.end_s)) for line in self.alarms + self.pump_alarms]
        known = [(c["time"] - c["period_s"], c["time"]) for c in self._all_long()]
        return [
            (a, b) for a, b in zip(edges[:-1], edges[1:], strict=True)
            if b - a > limit_s and not any(a < to_s and b > from_s for from_s, to_s in [*self.excused, *told, *known])
        ]  # fmt: skip

    def _all_long(self) -> list[Line]:
        return self.long["high_s"] + self.long["low_s"]

    def trickle(self) -> Check:
        raised = self._named("siphon-not-starting")
        long = self.long["high_s"]
        if not raised and not long:
            return self._check("trickle", False, f"The siphon of '{self.bed.name}' started each time.", [], "")
        told, volts, usual = self._told(raised, long, "full")
        words = f"The siphon of '{self.bed.name}' did not start, and trickled {_times(max(len(raised), len(long)))}."
        advice = (
            "More flow starts it: open its branch, or clean the pump's intake. Else a narrower standpipe, a reducing"
            " funnel on its top less wide, or a bell without an air leak at its rim and cap."
        )
        if _is_above(usual, volts):
            words = words[:-1] + f", with the battery at {volts:.1f} V; at {usual:.1f} V it starts."
            advice = "Its flow is too low when the battery is low. " + advice
        return self._check("trickle", True, words, told, advice)

    def dribble(self) -> Check:
        raised = self._named("siphon-not-breaking")
        starved = [line for line in self.alarms if line["alarm"] == "bed-starved"]
        long = self.long["low_s"]
        told, volts, usual = self._told([*raised, *(s for s in starved if s not in raised)], long, "drained")
        if not raised and starved and not _is_above(volts, usual):  # no water came: told elsewhere
            long = []
        if not raised and not long:
            return self._check("dribble", False, f"The siphon of '{self.bed.name}' broke each time.", [], "")
        words = f"The siphon of '{self.bed.name}' did not break, and dribbled on {_times(max(len(raised), len(long)))}."
        advice = (
            "Less flow lets it break: close its branch a little. Else let air in sooner and faster: a wider tube, its"
            " end higher, a cup under it, clear notches at the bell's rim; or a wider standpipe."
        )
        if not raised:
            words = f"'{self.bed.name}' stayed drained for too long {_times(len(long))}:"
            words += " its siphon dribbled on, or less water came."
        if _is_above(volts, usual):
            words = words[:-1] + f", with the battery at {volts:.1f} V; at {usual:.1f} V it breaks."
            advice = "Its flow is too high when the battery is high. " + advice
        return self._check("dribble", True, words, told, advice)

    def _told(self, raised: list[Line], long: list[Line], how: str) -> tuple[list[str], float | None, float | None]:
        """Evidence in lines, and the mean voltages where it failed and where it did not."""
        spans = [(line["since"], line.get("cleared", self.end_s)) for line in raised]
        told = [f"{{{a:.0f}}} to {{{b:.0f}}}: {_first(line)}"
                for (a, b), line in zip(spans, raised, strict=True)]  # fmt: skip
        for cycle in long:
            a, b = cycle["time"] - cycle["period_s"], cycle["time"]
            if not any(a < to_s and b > from_s for from_s, to_s in spans):
                spans.append((a, b))
                told.append(f"{{{b:.0f}}}: a cycle of {span(cycle['period_s'])}, too long {how}")
        bad = [v for a, b in spans if (v := self.volts_at(a, min(b, self.end_s))) is not None]
        good = [12.6 * _work(c) / c["period_s"] for c in self.bed.whole if c not in long]
        return told, (sum(bad) / len(bad) if bad else None), (median(good) if good else None)

    def upper_float(self) -> Check:
        if self.float_alarms:
            return self._check(
                "float", True, f"The upper float of '{self.bed.name}' cannot be trusted.",
                [f"{{{row['since']:.0f}}}: {_first(row)}" for row in self.float_alarms],
                "Is it loose on its rod, tangled, or its wire chafed? A stilling tube round it keeps ripples away.",
            )  # fmt: skip
        if self.loose:
            return self._check("float", True, f"The upper float of '{self.bed.name}' seems to be loose.", [self.loose],
                               "Fasten it on its rod, and see that it moves freely: its height changes from cycle to"
                               " cycle.")  # fmt: skip
        return self._check(
            "float", False, f"The upper float of '{self.bed.name}' tells the same story each time.", [], ""
        )


def _back(pump: str, beds: list[BedSpan], stops: Sequence[Stop], end_s: float) -> Check:
    """Whether water came back to each bed after each stop of its pump."""
    missing, waiting, told = [], False, []
    for stop in stops:
        for bed in beds:
            usual_s = BACK_PERIODS * (bed.work_s or LONGEST_UNKNOWN_S)
            since_s = stop.until_s if stop.until_s is not None else stop.from_s
            back_s = next((c["time"] for c in bed.cycles if c["time"] > stop.from_s + 60), None)
            if back_s is not None and back_s <= since_s + usual_s:
                continue
            if back_s is None and stop.until_s is not None and end_s < since_s + usual_s:
                waiting = True
            else:
                missing.append(bed.name)
        to = f"{{{stop.until_s:.0f}}}" if stop.until_s is not None else "now"
        told.append(f"{{{stop.from_s:.0f}}} to {to}: {'told beforehand' if stop.told else 'it stopped by itself'}")
    unsaid = sum(not stop.told for stop in stops)
    if missing:
        names = " and ".join(f"'{name}'" for name in sorted(set(missing)))
        words = f"After a stop of '{pump}', water did not come back to {names}."
        return Check("back", "media", "bad", words, tuple(told),
                     "Start the pump by hand and watch: does it suck air, is its hose off, is it seized?")  # fmt: skip
    if unsaid:
        return Check("back", "media", "bad", f"'{pump}' stopped by itself {_times(unsaid)}.", tuple(told[:MOST_TOLD]),
                     "Look at its plug, fuse and intake, and at whether the controller dropped the load. If it was you,"
                     " say so before: `barreltide maintenance`.")  # fmt: skip
    if waiting:
        return Check("back", "media", "open", f"Water has not come back yet after the stop of '{pump}'.", tuple(told))
    words = f"Water came back after each stop of '{pump}'." if stops else f"'{pump}' has not stopped."
    advice = "" if stops else "To see water come back, switch it off for ten minutes once: `barreltide maintenance`."
    return Check("back", "media", "good", words, tuple(told), advice)


def _even(pump: str, beds: list[BedSpan], starved: Sequence[Line]) -> list[Check]:
    """Whether the pump's beds go round at a like pace, and none was left without. starved: alarms that say so."""
    known = sorted((bed.work_s, bed.name) for bed in beds if bed.work_s is not None)
    checks = []
    for bed in beds:
        mine = [line for line in starved if line["subject"] == bed.name]
        if mine:
            told = tuple(f"{{{line['since']:.0f}}}: {_first(line)}" for line in mine[:MOST_TOLD])
            checks.append(Check("even", "media", "bad", f"No water reached '{bed.name}' {_times(len(mine))}.", told,
                                "Look at this bed's branch: valve, hose, a blockage.", bed.name))  # fmt: skip
    if len(known) < 2:
        return checks
    (quick_s, quick), (slow_s, slow) = known[0], known[-1]
    told = tuple(f"'{name}': {span(work_s)} for a cycle at 12.6 V" for work_s, name in known)
    if slow_s > UNEVEN * quick_s:
        words = f"'{slow}' is slow: it takes {slow_s / quick_s:.1f} times as long for a cycle as '{quick}'."
        advice = f"Open the branch of '{slow}' a little, or close that of '{quick}'; if its fills are as quick, its"
        return [*checks, Check("even", "media", "bad", words, told, f"{advice} siphon drains slowly.", slow)]
    return checks or [Check("even", "media", "good", f"The beds of '{pump}' go round at a like pace.", told)]


def _first(line: Line) -> str:
    """The first sentence of an alarm's message."""
    return line["message"].split(". ")[0]


def _is_above(one_v: float | None, other_v: float | None) -> bool:
    return one_v is not None and other_v is not None and one_v > other_v + VOLTS_APART


def _work(cycle: Line) -> float:
    return cycle.get("work_s") or cycle["period_s"]


def _most(share: float, values: Any) -> float:
    """What this share of the values does not pass."""
    ranked = sorted(values)
    return ranked[int(share * (len(ranked) - 1))] if ranked else 0.0


def _times(n: int) -> str:
    return "once" if n == 1 else "twice" if n == 2 else f"{n} times"
