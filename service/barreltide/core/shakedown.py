"""A shakedown: the rig runs for a day or two before media and fish go in, and what it did is held against what it
must do.

Fed with the lines of events and with the readings of its span, in any order, it answers at any moment with a report: a
check for each thing asked, its evidence, and what to try; and for each stage whether the rig is ready. Nothing here
watches by itself: alarms, cycles and charge are the engine's own findings (monitor.py), so that a shakedown that is
judged again, from a recording or from the store, says the same.

| stage | asks for |
|---|---|
| media | whole, regular cycles of each bed; no trickle, no dribble; a like pace; sound floats; no gap; its length |
| fish | all that; charge above the floor and back by evening, a clear and a cloudy day, water within its limits |

A check is *good*, *bad*, or *open* while more has to be seen. What is bad stays bad: a siphon that failed once at three
in the morning will do so again. After a change, start a new shakedown.

It assumes that nobody works on the rig meanwhile, except for stops told beforehand. It cannot know what does not happen
in its span: a week of cloud, a hot day, a pump that ages.
"""

from __future__ import annotations

from bisect import insort
from math import inf
from statistics import median
from typing import Any, NamedTuple

from .shakedown_beds import BedSpan, Check, Stop, judge_beds
from .siphon import span
from .weather import BIN_S, CLEAR, HALVES, Bin, Day, judge_day, shadow

Line = dict[str, Any]

LEAD_S = 6 * 3600.0  # of voltage before its start: the night's, for the first day
GAP_S = 300.0  # nothing at all heard for longer
LEAST_H, MOST_H = 1.0, 168.0
PLAUSIBLE_C = (-5.0, 45.0)
PLAUSIBLE_V = (0.5, 1.5)  # of the battery's nominal voltage, as the monitor has it
BACK_BY_EVENING, EVENING_SLACK = 0.9, 0.05  # charged so far, or as the evening before but for so much
AFTER_DUSK_S = 2 * 3600.0  # in which the evening's charge is read: by day it is least certain
MOST_CYCLES, MOST_ALARMS = 20_000, 1_000
PUMPS_H = 50.0  # the load where nobody wrote it down: the hours in which the pumps would empty the battery
STAGES = ("media", "fish")


class Stage(NamedTuple):
    """verdict: "ready", "not yet" or "so far" (it runs on, and nothing is wrong); because: the words of what is not
    good."""

    stage: str
    verdict: str
    because: tuple[str, ...]


class Report(NamedTuple):
    """bins: (start, mean volts, mean degrees or None); charge: (time, share, low, high); beds: name → its cycles."""

    start_s: float
    until_s: float
    judged_s: float
    is_over: bool
    stages: tuple[Stage, ...]
    checks: tuple[Check, ...]
    days: tuple[Day, ...]
    shadow: str | None
    stops: tuple[Stop, ...]
    bins: tuple[tuple[float, float | None, float | None], ...]
    charge: tuple[tuple[float, float, float, float], ...]
    beds: dict[str, BedSpan]


class Shakedown:
    """One run between two moments. Not thread-safe."""

    def __init__(self, site, sun, start_s: float, until_s: float) -> None:
        """site: the site file's values; sun: see Monitor."""
        self._site, self._sun = site, sun
        self._start_s, self._until_s = start_s, until_s
        self._beds = {bed.name: BedSpan(bed, start_s, until_s) for bed in site.beds}
        self._feeds = {pump.name: [self._beds[name] for name in pump.feeds] for pump in site.pumps}
        self._stops: list[Stop] = []
        self._alarms: list[Line] = []
        self._charge: list[tuple[float, float, float, float]] = []
        nominal_v = site.battery.nominal_voltage_v
        self._plausible = {"celsius": PLAUSIBLE_C, "volts": tuple(share * nominal_v for share in PLAUSIBLE_V)}
        self._sums: dict[str, dict[int, list[float]]] = {"volts": {}, "celsius": {}, "panel": {}}
        self._heard: set[int] = set()  # minutes in which anything was sampled
        self._cycles = 0

    # -- what comes in

    def hear(self, line: Line) -> None:
        """One event, as its line."""
        kind, time_s = line["event"], line["time"]
        if kind == "cycle" and self._start_s <= time_s <= self._until_s and line["bed"] in self._beds:
            self._cycles += 1
            if self._cycles <= MOST_CYCLES:
                insort(self._beds[line["bed"]].cycles, line, key=lambda cycle: cycle["time"])
        elif kind == "alarm":
            self._hear_alarm(line)
        elif kind == "rest" and self._start_s <= time_s <= self._until_s:
            self._stops.append(Stop(line["pump"], time_s, line["until"], True))
        elif kind == "battery" and self._start_s <= time_s <= self._until_s:
            insort(self._charge, (time_s, line["state_of_charge"], line["low"], line["high"]))

    def _hear_alarm(self, line: Line) -> None:
        """What was raised before the start and stands on is part of it; what was over by then is not."""
        if line["change"] == "raised" and line["time"] <= self._until_s and len(self._alarms) < MOST_ALARMS:
            self._alarms.append(line)
        elif line["change"] == "cleared":
            for at, raised in enumerate(self._alarms):
                if (raised["alarm"], raised["subject"]) == (line["alarm"], line["subject"]) and "cleared" not in raised:
                    self._alarms[at] = raised | {"cleared": line["time"]}
            self._alarms = [a for a in self._alarms if a.get("cleared", self._start_s) >= self._start_s]

    def read(self, name: str, time_s: float, value: Any) -> None:
        """One reading."""
        if not self._start_s - LEAD_S <= time_s <= self._until_s:
            return
        if time_s >= self._start_s:
            self._heard.add(int(time_s // 60))
        key = {"battery/voltage": "volts", "water/temperature": "celsius", "panel/current": "panel"}.get(name)
        if key is None or type(value) not in (int, float):
            return
        low, high = self._plausible.get(key, (-inf, inf))
        if not low < value < high:
            return
        total = self._sums[key].setdefault(int(time_s // BIN_S), [0, 0.0])
        total[0] += 1
        total[1] += value

    # -- what is asked

    def report(self, now_s: float) -> Report:
        """How it stands at `now_s`."""
        end_s = min(now_s, self._until_s)
        is_over = now_s >= self._until_s
        days = self._days(end_s)
        shaded = shadow(days)
        if shaded:  # its kind by the half that the sun reaches
            days = [_by_lit_half(day, shaded) for day in days]
        stops = self._all_stops(end_s)
        checks = [
            self._length(end_s, is_over),
            self._data(end_s),
            *judge_beds(self._feeds, self._alarms, stops, end_s, is_over, self._volts_at),
            self._floor(),
            self._evenings(days, shaded),
            *([self._shade(shaded, days)] if shaded else []),
            self._weather(days, is_over),
            self._water(),
        ]
        stages = []
        for at, stage in enumerate(STAGES):
            mine = [check for check in checks if check.stage in STAGES[: at + 1]]
            bad = [check.words for check in mine if check.state == "bad"]
            missing = [check.words for check in mine if check.state == "open"]
            verdict = "not yet" if bad or (is_over and missing) else "so far" if missing else "ready"
            stages.append(Stage(stage, verdict, tuple(bad + missing)))
        return Report(
            self._start_s, self._until_s, now_s, is_over, tuple(stages), tuple(checks), tuple(days), shaded,
            tuple(stops), self._bins(), tuple(self._charge), self._beds,
        )  # fmt: skip

    def _mean(self, key: str, at: int) -> float | None:
        total = self._sums[key].get(at)
        return total[1] / total[0] if total else None

    def _bins(self) -> tuple[tuple[float, float | None, float | None], ...]:
        keys = sorted(at for at in {*self._sums["volts"], *self._sums["celsius"]} if (at + 1) * BIN_S > self._start_s)
        return tuple((at * BIN_S, self._mean("volts", at), self._mean("celsius", at)) for at in keys)

    def _volts_at(self, from_s: float, to_s: float) -> float | None:
        """The mean voltage over a span."""
        known = [v for at in range(int(from_s // BIN_S), int(to_s // BIN_S) + 1) if (v := self._mean("volts", at))]
        return sum(known) / len(known) if known else None

    def _all_stops(self, end_s: float) -> list[Stop]:
        found = list(self._stops)
        for line in self._alarms:
            if line["alarm"] == "pump-stopped":
                found.append(Stop(line["subject"], line["since"], line.get("cleared"), False))
        return sorted(found, key=lambda stop: stop.from_s)

    # -- the checks

    def _length(self, end_s: float, is_over: bool) -> Check:
        hours = (self._until_s - self._start_s) / 3600
        if is_over:
            return Check("length", "media", "good", f"It ran for its {hours:g} hours.")
        left = span(self._until_s - end_s)
        return Check("length", "media", "open", f"It still runs: {left} of {hours:g} hours to go.")

    def _data(self, end_s: float) -> Check:
        gaps, last = [], int(self._start_s // 60) - 1
        for minute in [*sorted(self._heard), int(end_s // 60)]:
            if (minute - last - 1) * 60 > GAP_S:
                gaps.append((60.0 * (last + 1), 60.0 * minute))
            last = minute
        if not gaps and not self._heard:
            return Check("data", "media", "open", "Nothing has been heard yet.")
        if not gaps:
            return Check("data", "media", "good", "There is no gap in the data.")
        lost_s = sum(to_s - from_s for from_s, to_s in gaps)
        return Check(
            "data", "media", "bad", f"{span(lost_s)} of data are missing, in {_count(len(gaps), 'gap')}.",
            tuple(f"{{{from_s:.0f}}} to {{{to_s:.0f}}}: nothing was read" for from_s, to_s in gaps[:8]),
            "Look at the board's power and Wi-Fi. What nobody saw proves nothing: run it again without a gap.",
        )  # fmt: skip

    def _floor(self) -> Check:
        floor = self._site.battery.lowest_state_of_charge
        raised = [line for line in self._alarms if line["alarm"] == "battery-low"]
        if not self._charge:
            return Check("floor", "fish", "open", "The battery's charge has not been judged yet.")
        at_s, least, low, high = min(self._charge, key=lambda row: row[1])
        seen = f"{{{at_s:.0f}}}: {100 * least:.0f} % (between {100 * low:.0f} and {100 * high:.0f} %)"
        if least >= floor and not raised:
            close = f"; it may have been at the floor of {100 * floor:.0f} %" if low < floor else ""
            return Check("floor", "fish", "good", f"The charge never fell below {100 * least:.0f} %{close}.", (seen,))
        before = [row for row in self._charge if row[0] < at_s]
        most = max((row[1] for row in before), default=least)
        told = (seen, *(f"{{{line['since']:.0f}}}: {line['message'].split('. ')[0]}" for line in raised[:3]))
        words = f"The charge fell to {100 * least:.0f} %, below your floor of {100 * floor:.0f} %."
        if least >= floor:  # raised between two judgements, or before the start
            words = f"The battery was at its floor of {100 * floor:.0f} %, as an alarm has told."
        if most >= BACK_BY_EVENING:
            advice = (
                f"It was at {100 * most:.0f} % before: the battery is too small for this load. A larger battery,"
                " or a lighter load, would do; first see that it holds what its label says."
            )
        else:
            advice = (
                f"It was never above {100 * most:.0f} % before: more or better placed panel, or a lighter load."
                " Charge it fully once, and run again: then it shows whether battery or panel is too small."
            )
        return Check("floor", "fish", "bad", words, told, advice)

    def _evening(self, dusk_s: float) -> float | None:
        known = [row[1] for row in self._charge if dusk_s - 900 <= row[0] <= dusk_s + AFTER_DUSK_S]
        return median(known) if known else None

    def _evenings(self, days: list[Day], shaded: str | None) -> Check:
        """By the evening of each clear day the charge is back where it was the evening before, or nearly full."""
        told, short = [], []
        before = self._charge[0][1] if self._charge else None
        for day in days:
            evening = self._evening(day.dusk_s)
            if evening is None or day.dusk_s < self._start_s:
                continue
            told.append(f"{{{day.dusk_s:.0f}}}: {100 * evening:.0f} % at dusk of a day that was {day.kind}")
            wanted = BACK_BY_EVENING if before is None else min(BACK_BY_EVENING, before - EVENING_SLACK)
            if day.kind == "clear" and evening < wanted:
                short.append(day)
            elif day.kind == "clear" or before is None:
                before = evening
        clear = [day for day in days if day.kind == "clear" and self._evening(day.dusk_s) is not None]
        if short:
            why = f" In the {shaded} something shades it." if shaded else ""
            return Check(
                "evening", "fish", "bad", "A clear day did not bring the charge back by evening.", tuple(told),
                "The panel gives too little for this load: look for shade, dirt, its direction and its cables; else"
                f" a larger panel or a lighter load.{why}",
            )  # fmt: skip
        if clear:
            return Check(
                "evening", "fish", "good", "The charge was back by the evening of each clear day.", tuple(told)
            )
        return Check("evening", "fish", "open", "No clear day has shown yet whether the charge comes back by evening.",
                     tuple(told), "Let it run through a clear day, from before dawn to after dusk.")  # fmt: skip

    def _shade(self, shaded: str, days: list[Day]) -> Check:
        told = tuple(
            f"{day.date}: in the {half} {100 * share:.0f} % of a clear sky's charging"
            for day in days for half in HALVES if (share := getattr(day, half)) is not None
        )  # fmt: skip
        return Check(
            "shade", "fish", "bad", f"Something shades the panel in the {shaded}, each day.", told,
            f"Look at the panel in the {shaded}: a shadow on a few cells takes most of its power. Move it or cut back"
            " what stands before it.",
        )  # fmt: skip

    def _weather(self, days: list[Day], is_over: bool) -> Check:
        kinds = [day.kind for day in days]
        told = tuple(f"{day.date}: {_in_words(day)}" for day in days)
        missing = [kind for kind in ("clear", "cloudy") if kind not in kinds]
        if not missing:
            return Check("weather", "fish", "good", "A clear and a cloudy day have been seen.", told)
        words = f"No {' and no '.join(missing)} day has been seen{'' if is_over else ' yet'}."
        advice = "Let it run until both have come: a clear day shows the strongest pump, a cloudy one the weakest."
        if self._site.panel.power_w is None:
            advice += " Without power_w in [panel], days cannot be told apart."
        return Check("weather", "fish", "open", words, told, advice)

    def _water(self) -> Check:
        sump = self._site.sump
        means = [(at * BIN_S, total / n) for at, (n, total) in sorted(self._sums["celsius"].items())
                 if at * BIN_S >= self._start_s]  # fmt: skip
        if not means:
            return Check("water", "fish", "open", "The water's temperature has not been read.", (),
                         "Put a thermometer into the sump: fish live by it.")  # fmt: skip
        (low_s, low), (high_s, high) = min(means, key=lambda m: m[1]), max(means, key=lambda m: m[1])
        seen = (f"{{{low_s:.0f}}}: {low:.1f} °C, the coldest", f"{{{high_s:.0f}}}: {high:.1f} °C, the warmest")
        if sump is None:
            return Check("water", "fish", "open", f"The water was between {low:.1f} °C and {high:.1f} °C; no limits are"
                         " set.", seen, "Set coldest_c and warmest_c in [sump].")  # fmt: skip
        if sump.coldest_c <= low and high <= sump.warmest_c:
            return Check("water", "fish", "good", f"The water stayed between {low:.1f} °C and {high:.1f} °C.", seen)
        words = f"The water was between {low:.1f} °C and {high:.1f} °C;"
        words += f" {sump.coldest_c:g} °C to {sump.warmest_c:g} °C would do."
        return Check("water", "fish", "bad", words, seen,
                     "More water, shade or insulation round the sump; or fish that stand it.")  # fmt: skip

    def _days(self, end_s: float) -> list[Day]:
        battery = self._site.battery
        scale = 12.0 / battery.nominal_voltage_v
        bins = [
            Bin(at * BIN_S, volts * scale, self._mean("panel", at))
            for at in sorted(self._sums["volts"]) if (volts := self._mean("volts", at)) is not None
        ]  # fmt: skip
        capacity_ah = battery.capacity_ah * battery.in_parallel
        loads_a = [pump.current_a for pump in self._site.pumps]
        load_a = capacity_ah / PUMPS_H if None in loads_a else sum(loads_a)
        found: dict[str, Day] = {}
        for days in range(int((end_s - self._start_s) // 86400) + 2):
            date = self._sun.local_date(min(self._start_s + 86400 * days, end_s))
            dawn_s, dusk_s = self._sun.dawn_dusk(date)
            if dawn_s is None or dusk_s is None or date in found:
                continue
            if dawn_s < end_s and self._start_s < dusk_s:
                found[date] = judge_day(
                    date, dawn_s, dusk_s, self._site.latitude, [b for b in bins if b.start_s >= self._start_s - LEAD_S],
                    self._site.panel.power_w and self._site.panel.power_w / battery.nominal_voltage_v * 12.0,
                    capacity_ah, load_a,
                )  # fmt: skip
        return list(found.values())


def _in_words(day: Day) -> str:
    if day.brightness is None:
        return "not seen whole"
    return f"{day.kind}, {100 * day.brightness:.0f} % of a clear sky's charging"


def _by_lit_half(day: Day, shaded: str) -> Day:
    lit = day.afternoon if shaded == "morning" else day.morning
    return day._replace(kind="clear" if day.kind != "unknown" and lit is not None and lit >= CLEAR else day.kind)


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
