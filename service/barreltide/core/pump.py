"""One pump and the beds that it feeds: is water being lifted, and if a bed has stopped, why.

Theory of operation. Three kinds of evidence, weighed in this order:

- A float that *rises* proves that water came up just then. One that falls proves only that a siphon had started before.
- A pump that stops drawing lifts the battery's voltage by I·R at once; by night that stands out (voltage.py). A
  current sensor says it outright.
- A phase that is overdue (bed.py) says that something has stopped, but not what: stuck wet is a siphon that does not
  start, or a pump that stopped while the bed was full; stuck dry is a siphon that does not break, a starved bed, or the
  pump.

So: all beds overdue is the pump, when there are two or more; one overdue while another rises after its due time is that
bed's own fault, and a neighbour whose own pace changes then has got its water (a closed branch). With a single bed, by
night, the step decides, or its absence; by day the odds of finding the float as it is decide, and the message names the
other cause.

| state | evidence | becomes |
|---|---|---|
| running | step up by night, no rise after it, for WATCHED_S | pump-stopped |
| running | current gone | pump-stopped |
| running | every bed overdue | pump-stopped, or the single bed's siphon |
| running | bed overdue by 1.4 periods, another rose after its due time | bed fault |
| stopped | a rise, or a fall that the stop cannot explain | running |
| bed fault | the bed moves | none |

It assumes that the beds were cycling before. It cannot tell by floats alone, by day, with one bed; nor a stopped pump
from one that spins without lifting: both are `pump-stopped`, as the contract says: no water is being lifted.
"""

from __future__ import annotations

from collections import deque
from math import log
from statistics import median

from .alarm import Alarms
from .bed import Bed
from .voltage import Step, VoltageTrace

WATCHED_S = 235.0  # a step is believed once nothing has contradicted it for so long
STEP_Z = 6.0
OVERDUE_S = 240.0  # beyond the margin, before the pump is called stopped by floats alone
BED_PERIODS, BED_PERIODS_MOST = (
    1.4,
    2.0,
)  # how long beyond its phase one bed may lag before it is called faulty: room for a turned valve
PACE_CHANGE = 0.08  # of a neighbour's phase, when it gets what another bed does not
STOPPED_CURRENT = 0.25
FLOW_LOST, FLOW_BACK = 1.25, 1.15  # longer fills than on the best day


class Pump:
    """Judges one pump from its beds, the voltage and, where there is one, the current."""

    def __init__(self, plan, beds: list[Bed], trace: VoltageTrace, alarms: Alarms, cut_off_v: float) -> None:
        """plan: the pump's table of the site file; beds: those it feeds."""
        self.name: str = plan.name
        self.beds = beds
        self.stopped_since_s: float | None = None
        self.judged_s = 0.0  # how far its water has been judged
        self._trace, self._alarms, self._cut_off_v = trace, alarms, cut_off_v
        self._stop_seen_by_step = False
        self._distrusted_v = 0.0  # a step of this size has once been no stop
        self._faults: dict[str, tuple[str, float]] = {}  # bed: its standing fault, and since when
        self._stop_decided_s = 0.0
        self._currents: deque[float] = deque(maxlen=60)  # running current, A, since its usual value was taken
        self._usual_a = 0.0
        self._current: tuple[float, float] | None = None  # (since, A) of the newest stretch without current
        self._current_s: float | None = None

    def hear_current(self, time_s: float, current_a: float) -> None:
        self._current_s = time_s
        if self._usual_a > 0.05 and current_a < STOPPED_CURRENT * self._usual_a:
            if self._current is None:
                self._current = (time_s, self._usual_a)
            return
        self._current = None
        self._currents.append(current_a)
        if len(self._currents) == self._currents.maxlen:
            self._usual_a = median(self._currents)
            self._currents.clear()

    def judge(self, now_s: float, sampled_s: float, dark: bool, dark_since_s: float) -> None:
        """State what holds at `sampled_s`. dark: nothing charges, and has not since `dark_since_s`."""
        self.judged_s = sampled_s
        usable = [bed for bed in self.beds if bed.high.wet is not None and not self._is_blind(bed)]
        self._clear_beds(now_s)
        if self.stopped_since_s is not None:
            self._clear_stop(now_s, dark and dark_since_s < self.stopped_since_s)
            return
        if self._see_current(now_s, sampled_s) or (dark and self._see_step(now_s, sampled_s, usable)):
            return
        watched = [bed for bed in usable if bed.name not in self._faults]
        late = {bed.name: bed.overdue_s(sampled_s) for bed in watched}
        if not any(seconds is not None and seconds > 0 for seconds in late.values()):
            return
        overdue = [bed for bed in watched if late[bed.name] is not None and late[bed.name] > 0]
        if len(overdue) == len(watched) and min(late[bed.name] for bed in overdue) > OVERDUE_S:
            if len(watched) > 1:
                self._stop(now_s, *self._stop_words(overdue))
            else:
                self._judge_single(now_s, sampled_s, overdue[0], dark, dark_since_s)
            return
        for bed in overdue:
            # Due when its overdue time began; whoever rose after that shows that the pump runs.
            due_s = sampled_s - late[bed.name]
            others = [other for other in watched if other is not bed and other.rise_s > due_s]
            if others and late[bed.name] > BED_PERIODS * bed.period_s and bed.is_learned:
                slowest_s = max(other.period_s for other in [bed, *others])
                self._judge_bed(now_s, bed, others, late[bed.name] > BED_PERIODS_MOST * slowest_s)

    def judge_flow(self, now_s: float) -> None:
        """Whether every bed's fills have become longer, day against best day, than the voltage explains."""
        ratios = [bed.days[-1] / min(bed.days) for bed in self.beds if len(bed.days) > 1]
        if len(ratios) < len(self.beds):
            return
        if min(ratios) > FLOW_LOST:
            words = (
                f"The flow of '{self.name}' is falling. It takes"
                f" {100 * (min(ratios) - 1):.0f} % longer to fill the beds"
                " than on its best day, more than the battery's voltage explains. The pump has become weaker or, with"
                " one bed only, perhaps its siphon slower."
            )
            self._alarms.report(now_s, "flow-falling", self.name, self.beds[0].since_s, words)
        elif min(ratios) < FLOW_BACK:
            self._alarms.normal(now_s, "flow-falling", self.name)

    def _is_blind(self, bed: Bed) -> bool:
        return self._alarms.is_standing("sensor-fault", f"{bed.name}/high")

    def _see_current(self, now_s: float, sampled_s: float) -> bool:
        if self._current is None or self._current_s is None or self._current_s - self._current[0] < WATCHED_S:
            return False
        since_s, usual_a = self._current
        self._stop(
            now_s, since_s, f"The pump '{self.name}' has stopped. It draws no current; it drew {usual_a:.1f} A before."
        )
        return True

    def _see_step(self, now_s: float, sampled_s: float, usable: list[Bed]) -> bool:
        step = self._trace.step_up(sampled_s - 3600, sampled_s - WATCHED_S, STEP_Z)
        if step is None or not usable or step.volts < 1.5 * self._distrusted_v or step.time_s < self._stop_decided_s:
            return False
        if not any(bed.is_learned for bed in usable):
            return False
        if any(bed.rise_s > step.time_s - 5 or self._is_rising(bed, step.time_s) for bed in self.beds):
            return False
        if any(bed.fall_s > step.time_s + max(600.0, bed.normals[True].work_s) for bed in self.beds):
            return False
        if self._trace.step_down(step.time_s + 40, sampled_s, STEP_Z) is not None or not self._trace.holds(step):
            return False
        self._stop_seen_by_step = True
        self._stop(now_s, step.time_s, self._step_words(step))
        return True

    @staticmethod
    def _is_rising(bed: Bed, since_s: float) -> bool:
        last_s = bed.high.last_change_s
        return bool(bed.high.raw_wet and not bed.high.wet and last_s is not None and last_s > since_s)

    def _judge_single(self, now_s: float, sampled_s: float, bed: Bed, dark: bool, dark_since_s: float) -> None:
        """One bed, overdue: the pump or the bed's siphon."""
        wet = bed.high.wet
        step = self._trace.step_up(bed.since_s - 30, sampled_s) or self._trace.step_down(bed.since_s - 30, sampled_s)
        share = min(max(bed.wet_share, 0.05), 0.95)
        # Odds of the pump against the siphon: a stopped pump leaves the float wet for the wet share of the time. Pumps
        # fail in more ways than siphons (common practice, no source), and their failing is the worse one to miss.
        odds = log(share if wet else 1 - share) + 1.0
        if self._current_s is not None and sampled_s - self._current_s < 300:
            odds -= 6  # it still draws, or _see_current had spoken
        elif step is not None:
            odds += 6  # a rotor that is blocked may also draw more than before
        elif self._trace.lowest_v(bed.since_s) < self._cut_off_v + 0.1:
            odds += 4
        elif dark and dark_since_s < bed.since_s:
            # It would have shown, unless the meter is too coarse for it.
            odds -= min(3.0, 0.012 / self._trace.noise_v)
        if bed.refilled() is not None and not wet:
            odds += 4 if bed.refilled() else 0
        if wet and bed.is_brimming() is not None:
            odds += -4 if bed.is_brimming() else 4
        if odds >= 0:
            since_s, words = self._stop_words([bed])
            if step is None and not dark:
                words += (
                    " By day the battery cannot show whether the pump or the siphon has stopped:"
                    f" look whether water runs into '{bed.name}'."
                )
            self._stop(now_s, since_s, words)
        else:
            self._bed_fault(now_s, "siphon-not-starting" if wet else "siphon-not-breaking", bed, "the pump")

    def _judge_bed(self, now_s: float, bed: Bed, others: list[Bed], is_last_word: bool) -> None:
        """One bed stands still while others cycle: its branch or its siphon. Waits for their pace while it can."""
        siphon = "siphon-not-starting" if bed.high.wet else "siphon-not-breaking"
        changes = [change for change in (other.pace_change(bed.since_s) for other in others) if change is not None]
        starved = 0.0
        if changes:
            starved += 3 if max(changes) > PACE_CHANGE else -2
        if bed.high.wet and bed.is_brimming() is not None:
            starved += -4 if bed.is_brimming() else 4
        if not bed.high.wet and bed.refilled() is not None:
            starved += 4 if bed.refilled() else 0
        if starved == 0 and not is_last_word:
            return
        if starved > 0:
            self._bed_fault(now_s, "bed-starved", bed, "its siphon")
        else:
            self._bed_fault(now_s, siphon, bed, "its branch (valve or hose)")

    def _bed_fault(self, now_s: float, alarm: str, bed: Bed, other: str) -> None:
        state = "flooded" if bed.high.wet else "drained"
        told = {
            "bed-starved": f"No water reaches '{bed.name}'. The pump feeds the others, whose pace has changed with it.",
            "siphon-not-starting": f"The siphon of '{bed.name}' does not start.",
            "siphon-not-breaking": f"The siphon of '{bed.name}' does not break.",
        }[alarm]
        self._faults[bed.name] = (alarm, bed.since_s)
        words = (
            f"{told} The bed has stayed {state} well beyond its usual time. It may also be {other}: look at its outlet,"
            " and whether water runs in."
        )
        self._alarms.report(now_s, alarm, bed.name, bed.since_s, words)

    def _stop(self, now_s: float, since_s: float, words: str) -> None:
        self.stopped_since_s, self._stop_decided_s = since_s, now_s
        for bed in self.beds:
            if self._faults.get(bed.name) and bed.since_s >= since_s - 60:
                self._alarms.withdraw(now_s, self._faults.pop(bed.name)[0], bed.name)
        self._alarms.report(now_s, "pump-stopped", self.name, since_s, words)

    def _stop_words(self, overdue: list[Bed]) -> tuple[float, str]:
        last_s = max(max(bed.since_s, bed.rise_s) for bed in overdue)
        step = self._trace.step_up(last_s - 30, last_s + 7 * 3600)
        if step is not None:
            return step.time_s, self._step_words(step)
        names = " and ".join(f"'{bed.name}' has stayed {'flooded' if bed.high.wet else 'drained'}" for bed in overdue)
        return (
            last_s,
            f"The pump '{self.name}' lifts no water. {names[0].upper() + names[1:]} well beyond the usual time.",
        )

    def _step_words(self, step: Step) -> str:
        volts = self._trace.volts or 0.0
        words = (
            f"The pump '{self.name}' has stopped. The battery's voltage rose by {1000 * step.volts:.0f} mV at once,"
            " as when a load goes, and no float has risen since."
        )
        if volts - step.volts < self._cut_off_v + 0.15:
            words += f" The battery was down to {volts - step.volts:.2f} V: the charge controller has dropped the load."
        return words

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
        self._stop_seen_by_step = False
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
