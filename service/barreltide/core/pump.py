"""One pump and the beds that it feeds: is water being lifted, and if a bed has stopped, why.

Theory of operation. What is seen, and what it tells:

- A float that *rises* proves that water came up just then. One that falls proves only that a siphon had started before.
- A pump that stops drawing lifts the battery's voltage by I·R at once; by night that stands out (voltage.py). A
  current sensor says it outright, unless the pump turns and lifts nothing.
- A phase that is overdue (bed.py) says that something has stopped, but not what: stuck wet is a siphon that does not
  start, or water that stopped coming while the bed was full; stuck dry is a siphon that does not break, or water that
  stopped coming while it was drained. A lower float or a level tells which: it shows whether water came in.
- Two or more beds on one pump: all overdue is the pump; one overdue while another rises after its due time is that
  bed's own fault, and a neighbour whose own pace has changed with it has got its water (a closed branch).

A stop seen by step or current is told at once. Otherwise the causes are weighed against each other (evidence.py), the
likeliest is raised, and the message names whatever else remains likely. A verdict between a single bed's siphon and its
pump is weighed again every minute, and changed once the other cause is clearly ahead.

| state | evidence | becomes |
|---|---|---|
| running | step up by night, no rise after it, for WATCHED_S | pump-stopped |
| running | current gone | pump-stopped |
| running | every bed overdue for ALL_OVERDUE_S (a single one: SINGLE_OVERDUE_S) | pump-stopped, or the bed's siphon |
| running | bed overdue by BED_PERIODS, another rose after its due time | bed fault |
| stopped | a rise, or a fall that the stop cannot explain | running |
| bed fault | the bed moves | none |

It assumes that the beds were cycling before. It cannot tell by floats alone, by day, with one bed; nor a stopped pump
from one that spins without lifting: both are `pump-stopped`, as no water is being lifted.
"""

from __future__ import annotations

from collections import deque
from math import log
from statistics import median

from .alarm import TABLE, Alarms
from .bed import Bed
from .evidence import Verdict
from .sensor import chatter
from .voltage import Step, VoltageTrace

WATCHED_S = 235.0  # a step is believed once nothing has contradicted it for so long
STEP_Z = 6.0
SMALL_STEP_V = 0.006  # what a small pump's load makes of a large battery
ALL_OVERDUE_S, SINGLE_OVERDUE_S = 100.0, 150.0  # beyond the margin, before floats alone are believed
BED_PERIODS, BED_PERIODS_MOST = 1.0, 1.5  # how long one bed may lag behind its phase: room for a turned valve
STOPPED_CURRENT, ODD_CURRENT = 0.25, 0.15
FLOW_LOST, FLOW_BACK = 1.25, 1.15  # longer fills than on the best day
PATIENT_S = 6 * 3600.0
CHANGED_MIND = 2.0  # so far ahead must another cause be before a verdict is changed
WORTH_NAMING = 0.05  # the least share of a cause that a message names beside the likeliest
# Weights, as in evidence.py. Where no experiment gives them they are judgement, and small.
PUMP_PRIOR = 0.7  # pumps fail in more ways than siphons (common practice, no source), and missing that is the worse
STILL_DRAWS = -1.2  # of the ways in which lifting stops, about a third leave the current as it was: hose off, air
SIPHONS = {True: "siphon-not-starting", False: "siphon-not-breaking"}


class Pump:
    """Judges one pump from its beds, the voltage and, where there is one, the current."""

    def __init__(self, plan, beds: list[Bed], trace: VoltageTrace, alarms: Alarms, cut_off_v: float) -> None:
        """plan: the pump's table of the site file; beds: those it feeds."""
        self.name: str = plan.name
        self.beds = beds
        self.stopped_since_s: float | None = None
        self.judged_s = 0.0  # how far its water has been judged
        self._cause = ("pump-stopped", self.name)
        self._trace, self._alarms, self._cut_off_v = trace, alarms, cut_off_v
        self._stop_seen_by_step = False
        self._distrusted_v = 0.0  # a step of this size has once been no stop
        self._faults: dict[str, tuple[str, float]] = {}  # bed: its standing fault, and since when
        self._single: Bed | None = None  # the bed whose siphon and this pump a standing verdict was between
        self._stop_decided_s = 0.0
        self._stop_judged_s = 0.0  # how far the water was known when a stop was last decided
        self._patience = (0.0, 0.0)  # (until when, s): beds must be overdue by so much more after a stop that was none
        self._currents: deque[float] = deque(maxlen=60)  # running current, A, since its usual value was taken
        self._usual_a = 0.0
        self._current: tuple[float, float] | None = None  # (since, A) of the newest stretch without current
        self._current_s: float | None = None
        self._odd_a: tuple[float, float] | None = None  # (since, A) of the newest stretch with an unusual current

    def hear_current(self, time_s: float, current_a: float) -> None:
        self._current_s = time_s
        if self._usual_a > 0.05 and current_a < STOPPED_CURRENT * self._usual_a:
            if self._current is None:
                self._current = (time_s, self._usual_a)
            return
        self._current = None
        is_odd = self._usual_a > 0.05 and abs(current_a / self._usual_a - 1) > ODD_CURRENT
        if is_odd:
            self._odd_a = (self._odd_a[0] if self._odd_a else time_s, current_a)
        else:
            self._odd_a = None
        self._currents.append(current_a)
        if len(self._currents) == self._currents.maxlen:
            if self._odd_a is None or time_s - self._odd_a[0] > 6 * 3600:
                self._usual_a = median(self._currents)
            self._currents.clear()

    def judge(self, now_s: float, sampled_s: float, dark: bool, dark_since_s: float) -> None:
        """State what holds at `sampled_s`. dark: nothing charges, and has not since `dark_since_s`."""
        self.judged_s = sampled_s
        usable = [bed for bed in self.beds if bed.high.wet is not None and not self._is_blind(bed)]
        self._clear_beds(now_s)
        if self._single is not None and now_s % 60 < 10:
            self._think_again(now_s, sampled_s, dark, dark_since_s)
        if self.stopped_since_s is not None:
            self._clear_stop(now_s, dark and dark_since_s < self.stopped_since_s)
            return
        if self._see_current(now_s, sampled_s) or (dark and self._see_step(now_s, sampled_s, usable)):
            return
        watched = [bed for bed in usable if bed.name not in self._faults]
        late = {bed.name: seconds for bed in watched if (seconds := bed.overdue_s(sampled_s)) is not None}
        overdue = [bed for bed in watched if late.get(bed.name, 0.0) > 0]
        if not overdue:
            return
        if len(overdue) == len(watched):
            least_s = min(late.values()) - (self._patience[1] if sampled_s < self._patience[0] else 0.0)
            if len(watched) > 1 and least_s > ALL_OVERDUE_S:
                self._judge_all(now_s, sampled_s, overdue, dark, dark_since_s)
            elif len(watched) == 1 and least_s > SINGLE_OVERDUE_S:
                self._judge_single(now_s, sampled_s, overdue[0], dark, dark_since_s)
            return
        for bed in overdue:
            # Due when its overdue time began; whoever rose after that shows that the pump runs.
            due_s = sampled_s - late[bed.name]
            others = [other for other in watched if other is not bed and other.rise_s > due_s]
            if others and late[bed.name] > BED_PERIODS * bed.period_s and bed.is_learned:
                slowest_s = max(other.period_s for other in [bed, *others])
                self._judge_bed(now_s, sampled_s, bed, others, late[bed.name] > BED_PERIODS_MOST * slowest_s)

    def judge_flow(self, now_s: float) -> None:
        """Whether every bed's fills have become longer, day against best day, than the voltage explains."""
        ratios = [bed.days[-1] / min(bed.days) for bed in self.beds if len(bed.days) > 1]
        if len(ratios) < len(self.beds):
            return
        if min(ratios) > FLOW_LOST:
            verdict = Verdict({("flow-falling", self.name): 0.0})
            for bed, ratio in zip(self.beds, ratios, strict=True):
                verdict.weigh(
                    f"'{bed.name}' takes {100 * (ratio - 1):.0f} % longer than on its best of {len(bed.days)} days,"
                    " the battery's voltage allowed for",
                    {("flow-falling", self.name): 1.0},
                )
            words = (
                f"The flow of '{self.name}' is falling. It takes"
                f" {100 * (min(ratios) - 1):.0f} % longer to fill the beds"
                " than on its best day, more than the battery's voltage explains. The pump has become weaker or, with"
                " one bed only, perhaps its siphon slower."
            )
            self._alarms.report(now_s, "flow-falling", self.name, self.beds[0].since_s, words, verdict.accounts())
        elif min(ratios) < FLOW_BACK:
            self._alarms.normal(now_s, "flow-falling", self.name)

    def _is_blind(self, bed: Bed) -> bool:
        """Whether its float cannot be trusted, or may soon be said to chatter or to hang."""
        if chatter(bed.high.flips, self.judged_s, bed.period_s) > 0.5 or bed.other_turns() > 1:
            return True
        return self._alarms.is_standing("sensor-fault", f"{bed.name}/high")

    # -- a stop that shows itself

    def _see_current(self, now_s: float, sampled_s: float) -> bool:
        if self._current is None or self._current_s is None or self._current_s - self._current[0] < WATCHED_S:
            return False
        since_s, usual_a = self._current
        verdict = Verdict({self._cause: 0.0})
        verdict.weigh(f"it draws no current; it drew {usual_a:.1f} A before", {self._cause: 9.0})
        words = f"The pump '{self.name}' has stopped. It draws no current; it drew {usual_a:.1f} A before."
        self._stop(now_s, since_s, words, verdict)
        return True

    def _see_step(self, now_s: float, sampled_s: float, usable: list[Bed]) -> bool:
        step = self._trace.step_up(sampled_s - 3600, sampled_s - WATCHED_S)
        if (
            step is None
            or self._trace.contrast(step) < STEP_Z
            or not usable
            or step.volts < 1.5 * self._distrusted_v
            or step.time_s < self._stop_decided_s
        ):
            return False
        if not any(bed.is_learned for bed in usable):
            return False
        if any(bed.is_hidden(step.time_s) for bed in usable):
            return False
        if any(bed.rise_s > step.time_s - 5 or self._is_rising(bed, step.time_s) for bed in self.beds):
            return False
        if any(bed.fall_s > step.time_s + max(600.0, bed.normals[True].work_s) for bed in self.beds):
            return False
        if self._trace.step_down(step.time_s + 40, sampled_s, STEP_Z) is not None or not self._trace.holds(step):
            return False
        self._stop_seen_by_step = True
        verdict = Verdict({self._cause: 0.0})
        self._weigh_step(verdict, step, sampled_s)
        self._stop(now_s, step.time_s, self._step_words(step), verdict)
        return True

    @staticmethod
    def _is_rising(bed: Bed, since_s: float) -> bool:
        last_s = bed.high.last_change_s
        return bool(bed.high.raw_wet and not bed.high.wet and last_s is not None and last_s > since_s)

    # -- a stop, or another cause, by what is overdue

    def _judge_all(self, now_s: float, sampled_s: float, overdue: list[Bed], dark: bool, dark_since_s: float) -> None:
        """Two beds or more, all overdue: one cause for all of them is the pump."""
        verdict = Verdict({self._cause: 0.0})
        for bed in overdue:
            verdict.weigh(_lateness(bed, sampled_s), {self._cause: 2.0})
        since_s = self._weigh_power(verdict, overdue, sampled_s, dark, dark_since_s)
        self._stop(now_s, since_s, self._stop_words(overdue, since_s), verdict)

    def _judge_single(self, now_s: float, sampled_s: float, bed: Bed, dark: bool, dark_since_s: float) -> None:
        """One bed, overdue: the pump or the bed's siphon."""
        siphon = (SIPHONS[bed.high.wet], bed.name)
        verdict, since_s = self._weigh_single(bed, sampled_s, dark, dark_since_s)
        self._single = bed
        if verdict.lead(self._cause) >= 0:
            words = self._stop_words([bed], since_s)
            self._stop(now_s, since_s, words + _others_words(verdict, dark), verdict)
        else:
            self._bed_fault(now_s, siphon[0], bed, verdict, dark)

    def _weigh_single(self, bed: Bed, sampled_s: float, dark: bool, dark_since_s: float) -> tuple[Verdict, float]:
        """The bed's siphon against the pump, and since when the pump would have stopped."""
        siphon = (SIPHONS[bed.high.wet], bed.name)
        verdict = Verdict({self._cause: PUMP_PRIOR, siphon: 0.0})
        verdict.weigh(_lateness(bed, sampled_s), dict.fromkeys((self._cause, siphon), 1.0))
        self._weigh_state(verdict, bed)
        since_s = self._weigh_power(verdict, [bed], sampled_s, dark, dark_since_s)
        self._weigh_water(verdict, bed, self._cause)
        if self._faults and bed.name not in self._faults:
            verdict.weigh("another bed of this pump stands still too", {self._cause: 1.5})
        return verdict, since_s

    def _think_again(self, now_s: float, sampled_s: float, dark: bool, dark_since_s: float) -> None:
        """Later evidence may decide a standing verdict between a single bed's siphon and its pump otherwise."""
        bed = self._single
        is_stop = self.stopped_since_s is not None
        if not is_stop and bed.name not in self._faults:
            self._single = None
            return
        verdict, since_s = self._weigh_single(bed, sampled_s, dark, dark_since_s)
        if is_stop and verdict.lead(self._cause) < -CHANGED_MIND:
            self.stopped_since_s = None
            self._alarms.withdraw(now_s, *self._cause)
            self._bed_fault(now_s, SIPHONS[bed.high.wet], bed, verdict, dark)
        elif not is_stop and verdict.lead(self._cause) > CHANGED_MIND:
            self._stop(now_s, since_s, self._stop_words([bed], since_s) + _others_words(verdict, dark), verdict)

    def _judge_bed(self, now_s: float, sampled_s: float, bed: Bed, others: list[Bed], is_last_word: bool) -> None:
        """One bed stands still while others cycle: its branch or its siphon. Waits for their pace while it can."""
        starved, siphon = ("bed-starved", bed.name), (SIPHONS[bed.high.wet], bed.name)
        verdict = Verdict({starved: 0.0, siphon: 0.0, self._cause: 0.0})
        verdict.weigh(_lateness(bed, sampled_s), dict.fromkeys((starved, siphon, self._cause), 1.0))
        names = " and ".join(f"'{other.name}'" for other in others)
        verdict.weigh(f"{names} filled meanwhile", {self._cause: -9.0})
        self._weigh_state(verdict, bed)
        self._weigh_water(verdict, bed, starved)
        self._weigh_pace(verdict, bed, others)
        lead = verdict.lead(starved)
        if abs(lead) < 1.5 and not is_last_word:
            return
        self._bed_fault(now_s, "bed-starved" if lead > 0 else siphon[0], bed, verdict, True)

    # -- what is weighed

    def _weigh_state(self, verdict: Verdict, bed: Bed) -> None:
        """A siphon sticks in one state; water that stops coming leaves the bed as it happens to be."""
        share = min(max(bed.wet_share if bed.high.wet else 1 - bed.wet_share, 0.05), 0.95)
        state = "flooded" if bed.high.wet else "drained"
        weight = log(share / 0.5)
        words = f"water that stops coming finds this bed {state} {100 * share:.0f} times in a hundred"
        verdict.weigh(words, {self._cause: weight, ("bed-starved", bed.name): weight})

    def _weigh_water(self, verdict: Verdict, bed: Bed, dry_cause: tuple[str, str]) -> None:
        """What a lower float or a level says of water coming in. dry_cause: that it does not come."""
        not_starting, not_breaking = ((alarm, bed.name) for alarm in SIPHONS.values())
        if not bed.high.wet and bed.refilled() is not None:
            if bed.refilled():
                verdict.weigh(
                    "its lower float rose after the last draining: the siphon had broken, and water came in then",
                    {not_breaking: -4.0},
                )
            else:
                verdict.weigh("its lower float has stayed dry since the last draining", {dry_cause: -1.5})
        if bed.level_m is None:
            return
        centimetres = f"its water stands at {100 * bed.level_m:.0f} cm"
        if bed.high.wet and bed.is_brimming() is not None:
            if bed.is_brimming():
                words = f"{centimetres}, at the standpipe's top, and trickles over"
                verdict.weigh(words, {dry_cause: -1.7})
            else:
                verdict.weigh(f"{centimetres}, below the standpipe's top", {not_starting: -3.0})
        elif not bed.high.wet and bed.is_emptied() is not None:
            if bed.is_emptied():
                words = f"{centimetres}, where the siphon breaks"
                verdict.weigh(words, {dry_cause: -1.7})
            else:
                verdict.weigh(f"{centimetres}, above where the siphon breaks", {not_breaking: -3.0})

    def _weigh_power(
        self, verdict: Verdict, overdue: list[Bed], sampled_s: float, dark: bool, dark_since_s: float
    ) -> float:
        """What voltage, current and sump say of the pump; returns since when it would have stopped."""
        pump, since_s = self._cause, self._stop_since_s(overdue, sampled_s)
        from_s = max(max(bed.since_s, bed.rise_s) for bed in overdue) - 30
        up, down = self._trace.step_up(from_s, sampled_s), self._trace.step_down(from_s, sampled_s)
        if self._current_s is not None and sampled_s - self._current_s < 300 and self._usual_a:
            if self._odd_a is not None and self._odd_a[0] > from_s:
                words = f"it draws {self._odd_a[1]:.1f} A instead of {self._usual_a:.1f}: blocked, or lifting nothing"
                verdict.weigh(words, {pump: 3.0})
            else:
                words = f"it draws {self._usual_a:.1f} A as before: it has power and turns, whether it lifts or not"
                verdict.weigh(words, {pump: STILL_DRAWS})
        elif up is not None:
            self._weigh_step(verdict, up, sampled_s)
        elif down is not None:
            words = f"the battery's voltage fell by {-1000 * down.volts:.0f} mV at once: a blocked pump may draw more"
            verdict.weigh(words, {pump: 4.0})
        elif self._trace.lowest_v(from_s) < self._cut_off_v + 0.1:
            words = "the battery was down to where the charge controller drops the load"
            verdict.weigh(words, {pump: 4.0})
        elif dark:
            since_s = self._weigh_jump(verdict, from_s, sampled_s, dark_since_s) or since_s
        if self._alarms.is_standing("sump-low", "sump"):
            verdict.weigh("the sump is below its mark: the pump may suck air", {pump: 4.0})
        return since_s

    def _weigh_jump(self, verdict: Verdict, from_s: float, sampled_s: float, dark_since_s: float) -> float | None:
        """By night, with an hour of voltage at hand, even a small pump's load shows when it goes, or changes: when?"""
        jump = self._trace.jump(max(from_s, dark_since_s + 600), sampled_s)
        if jump is None:
            return None
        if jump.odds > 1:
            way = "rose" if jump.volts > 0 else "fell"
            ago = _span(sampled_s - jump.time_s)
            words = f"the battery's voltage {way} a little, by {abs(1000 * jump.volts):.0f} mV, about {ago} ago"
            verdict.weigh(words, {self._cause: min(jump.odds, 5.0)})
            return jump.time_s
        if dark_since_s < from_s and jump.sure_v < SMALL_STEP_V:
            words = "the battery's voltage made no step, as it would by night if the pump's current had gone"
            verdict.weigh(words, {self._cause: STILL_DRAWS * (1 - jump.sure_v / SMALL_STEP_V)})
        return None

    def _weigh_step(self, verdict: Verdict, step: Step, sampled_s: float) -> None:
        words = (
            f"the battery's voltage rose by {1000 * step.volts:.0f} mV at once, {_span(sampled_s - step.time_s)} ago,"
            " as when a load goes"
        )
        verdict.weigh(words, {self._cause: min(step.z, 8.0)})
        verdict.weigh("no float has risen since", {self._cause: 1.0})

    def _weigh_pace(self, verdict: Verdict, bed: Bed, others: list[Bed]) -> None:
        """Whether neighbours have got the water that this bed does not get."""
        starved, siphon = ("bed-starved", bed.name), (SIPHONS[bed.high.wet], bed.name)
        for other in others:
            pace = other.pace_change(bed.since_s)
            if pace is None:
                continue
            change, z = pace
            told = f"the phases of '{other.name}' have changed by {100 * change:.0f} % since then"
            if z > 3 and change > 0.05:
                weight = min(1.0 + 0.5 * (z - 3), 4.0)
                verdict.weigh(f"{told}: it gets more water", {starved: weight, siphon: -weight / 2})
            elif change < 0.12:
                verdict.weigh(f"'{other.name}' keeps its pace: it gets no more water", {starved: -1.5, siphon: 0.5})

    # -- what is raised

    def _bed_fault(self, now_s: float, alarm: str, bed: Bed, verdict: Verdict, dark: bool) -> None:
        state = "flooded" if bed.high.wet else "drained"
        told = {
            "bed-starved": f"No water reaches '{bed.name}'. The pump feeds the others.",
            "siphon-not-starting": f"The siphon of '{bed.name}' does not start.",
            "siphon-not-breaking": f"The siphon of '{bed.name}' does not break.",
        }[alarm]
        self._faults[bed.name] = (alarm, bed.since_s)
        words = f"{told} The bed has stayed {state} well beyond its usual time.{_others_words(verdict, dark)}"
        if bed.low is None and bed.level_m is None:
            words += " Lift its float by hand once: if it hangs, this is all that is wrong."
        self._alarms.report(now_s, alarm, bed.name, bed.since_s, words, verdict.accounts())

    def _stop(self, now_s: float, since_s: float, words: str, verdict: Verdict) -> None:
        self.stopped_since_s, self._stop_decided_s, self._stop_judged_s = since_s, now_s, self.judged_s
        for bed in self.beds:
            if self._faults.get(bed.name) and bed.since_s >= since_s - 60:
                self._alarms.withdraw(now_s, self._faults.pop(bed.name)[0], bed.name)
        self._alarms.report(now_s, "pump-stopped", self.name, since_s, words, verdict.accounts())

    def _stop_since_s(self, overdue: list[Bed], sampled_s: float) -> float:
        last_s = max(max(bed.since_s, bed.rise_s) for bed in overdue)
        step = self._trace.step_up(last_s - 30, sampled_s)
        return step.time_s if step is not None else last_s

    def _stop_words(self, overdue: list[Bed], since_s: float) -> str:
        step = self._trace.step_up(since_s - 1, since_s + 1)
        if step is not None:
            return self._step_words(step)
        names = " and ".join(f"'{bed.name}' has stayed {'flooded' if bed.high.wet else 'drained'}" for bed in overdue)
        words = f"The pump '{self.name}' lifts no water. {names[0].upper() + names[1:]} well beyond the usual time."
        if self._trace.lowest_v(since_s) < self._cut_off_v + 0.1:
            words += " The battery was down to where the charge controller drops the load."
        elif self._current_s is not None and self.judged_s - self._current_s < 300 and self._usual_a:
            words += " It draws current all the same: look for a hose that came off, a blocked intake, air."
        return words

    def _step_words(self, step: Step) -> str:
        volts = self._trace.volts or 0.0
        words = (
            f"The pump '{self.name}' has stopped. The battery's voltage rose by {1000 * step.volts:.0f} mV at once,"
            " as when a load goes, and no float has risen since."
        )
        if volts - step.volts < self._cut_off_v + 0.15:
            words += f" The battery was down to {volts - step.volts:.2f} V: the charge controller has dropped the load."
        return words

    # -- what is over

    def _clear_stop(self, now_s: float, dark: bool) -> None:
        since_s = self.stopped_since_s
        moved = None
        for bed in self.beds:
            if bed.rise_s > since_s + 30:
                moved = max(moved or 0.0, bed.rise_s)
            elif bed.fall_s > since_s + max(600.0, 1.3 * bed.normals[True].work_s):
                moved = max(moved or 0.0, bed.fall_s)
        if moved is None:
            return
        if dark and self._stop_seen_by_step and self._trace.step_down(since_s + 40, moved + 300) is None:
            step = self._trace.step_up(since_s - 1, since_s + 1)
            self._distrusted_v = max(self._distrusted_v, step.volts if step else 0.0)
        elif not self._stop_seen_by_step and moved - self._stop_judged_s < 0.5 * max(bed.period_s for bed in self.beds):
            # Perhaps they were only slow. The same surprise shall not be told twice.
            self._patience = (moved + PATIENT_S, max(2 * (moved - self._stop_judged_s), self._patience[1]) + 60)
        self._stop_seen_by_step, self._single = False, None
        self.stopped_since_s = None
        for bed in self.beds:
            bed.base_s = max(bed.base_s, moved)
        self._alarms.normal(now_s, "pump-stopped", self.name)

    def _clear_beds(self, now_s: float) -> None:
        for bed in self.beds:
            alarm, since_s = self._faults.get(bed.name, ("", 0.0))
            if alarm and max(bed.rise_s, bed.fall_s) > since_s:
                del self._faults[bed.name]
                bed.base_s = max(bed.base_s, bed.high.since_s)
                self._alarms.normal(now_s, alarm, bed.name)


def _lateness(bed: Bed, sampled_s: float) -> str:
    """What is seen of an overdue bed, in words."""
    state, usual_s = ("flooded", bed.normals[True]) if bed.high.wet else ("drained", bed.normals[False])
    usual = f"usually that takes {_span(usual_s.work_s)}" if bed.is_learned else "its usual time is not known yet"
    return f"'{bed.name}' has stayed {state} for {_span(sampled_s - bed.since_s)}; {usual}"


def _span(seconds: float) -> str:
    return (
        f"{seconds:.0f} s"
        if seconds < 100
        else f"{seconds / 60:.0f} minutes"
        if seconds < 7200
        else (f"{seconds / 3600:.1f} hours")
    )


def _others_words(verdict: Verdict, dark: bool) -> str:
    """What else it may be, and where to look to tell."""
    named = verdict.accounts()
    others = [account for account in named[1:] if account.share > WORTH_NAMING]
    if not others:
        return ""
    bed = next(account.subject for account in named if account.alarm != "pump-stopped")
    causes = " or that ".join(TABLE[account.alarm].about.format(account.subject) for account in others)
    by_day = "" if dark else " By day the battery cannot tell."
    return f" It may also be that {causes}.{by_day} Look at the outlet of '{bed}', and whether water runs into it."
