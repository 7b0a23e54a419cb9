"""One pump and the beds that it feeds: is water being lifted, and if a bed has stopped, why.

Theory of operation. What starts a judgement:

- A float that *rises* proves that water came up just then. One that falls proves only that a siphon had started before.
- A pump that stops drawing lifts the battery's voltage by I·R at once; by night that stands out (voltage.py). A
  current sensor says it outright. Either is believed once nothing has contradicted it for a few minutes.
- A phase that is overdue (bed.py) says that something has stopped, but not what. All beds of a pump overdue is the
  pump; one overdue while another rises after its due time is that bed's own fault; a single bed's may be either. What
  speaks for which cause is weighed (stall.py), the likeliest is raised, and the message names whatever else remains
  likely. A verdict between a single bed's siphon and its pump is weighed again each minute for an hour, and changed
  once the other cause is clearly ahead. A step may be any pump's: the one whose bed is the most overdue is named first,
  the others with it.

| state | evidence | becomes |
|---|---|---|
| running | step up by night, no rise after it, for WATCHED_S | pump-stopped |
| running | current gone for WATCHED_S | pump-stopped |
| running | every bed overdue for ALL_OVERDUE_S (a single one: SINGLE_OVERDUE_S) | pump-stopped, or the bed's siphon |
| running | bed overdue by BED_PERIODS, another rose after its due time | bed fault |
| stopped | a rise, or a fall that the stop cannot explain | running |
| bed fault | the bed moves | none |

It assumes that the beds were cycling before. It cannot tell by floats alone, by day, with one bed; nor a stopped pump
from one that spins without lifting: both are `pump-stopped`, as no water is being lifted.
"""

from __future__ import annotations

from .alarm import TABLE, Alarms
from .bed import Bed
from .current import PumpCurrent
from .evidence import Verdict
from .flow import falling
from .sensor import chatter
from .stall import SIPHONS, Stall, others_words
from .voltage import Step, VoltageTrace

WATCHED_S = 235.0  # a step is believed once nothing has contradicted it for so long
STEP_Z = 6.0
DROPPED_V = 0.15  # above the cut-off: so low was the battery when the charge controller has dropped its loads
ALL_OVERDUE_S, SINGLE_OVERDUE_S = 100.0, 150.0  # beyond the margin, before floats alone are believed
RESTLESS_S = 1800.0  # so long is a float that moves all the time taken for none that stands still
BED_PERIODS, BED_PERIODS_MOST = 1.0, 1.5  # how long one bed may lag behind its phase: room for a turned valve
PATIENT_S = 6 * 3600.0
SURE = 1.5  # so far ahead is a cause named before the last word
CHANGED_MIND = 2.0  # so far ahead must another cause be before a verdict is changed …
NIGHT_UNSURE = 0.05  # what the voltage of a night has told is told by then
THINK_S = 3600.0  # … within this time: later evidence tells of later things
THINK_EACH_S = 60.0
OPEN_PERIODS = 3.0  # so long may neighbours' periods change what is said of a bed


class Pump:
    """Judges one pump from its beds, the voltage and, where there is one, the current."""

    def __init__(self, plan, beds: list[Bed], trace: VoltageTrace, alarms: Alarms, cut_off_v: float) -> None:
        """plan: the pump's table of the site file; beds: those it feeds."""
        self.name: str = plan.name
        self.beds = beds
        self.stopped_since_s: float | None = None
        self.judged_s = 0.0  # how far its water has been judged
        self.rivals: list[Pump] = []  # the garden's other pumps: a step may be any one's
        self._cause = ("pump-stopped", self.name)
        self.current = PumpCurrent()
        self._trace, self._alarms, self._cut_off_v = trace, alarms, cut_off_v
        self._stall = Stall(self.name, trace, self.current, alarms, cut_off_v)
        self._seen_by: Step | None = None  # the step by which the standing stop was seen
        self._distrusted_v = 0.0  # a step of this size has once been no stop
        self._faults: dict[str, tuple[str, float]] = {}  # bed: its standing fault, and since when
        self._single: Bed | None = None  # the bed whose siphon and this pump a standing verdict was between
        self._decided_s = 0.0  # when that was
        self._thought_s = 0.0  # when verdicts were last weighed again
        self._by_day: tuple[Bed, Verdict, float] | None = None  # such a verdict that no voltage has helped with yet
        self._open: dict[str, tuple[float, float]] = {}  # bed: until when its fault is weighed again, by rises since
        self._stop_decided_s = 0.0
        self._stop_judged_s = 0.0  # how far the water was known when a stop was last decided
        self._refuted_s = 0.0  # since when a stop was told last that water has then refuted, without a step
        self._patience = (0.0, 0.0)  # (until when, s): beds must be overdue by so much more after a stop that was none

    @property
    def holds_water(self) -> bool:
        """Whether one of its beds stands flooded for longer than it should."""
        is_late = any(bed.high.wet and bed.overdue_s(self.judged_s) > 0 for bed in self.beds)
        return is_late or any(alarm == "siphon-not-starting" for alarm, _ in self._faults.values())

    def flooded(self, bed: Bed) -> float | None:
        """For how long the bed has been flooded, as a share of the time for which it usually is; 0 if it is not. None
        where its float cannot be trusted, or may just be changing."""
        high = bed.high
        if high.raw_wet != high.wet or not bed.is_learned or self._is_blind(bed) or bed.overdue_s(self.judged_s) > 0:
            return None
        return self._trace.work_s(bed.since_s, self.judged_s) / bed.normals[True].work_s if high.wet else 0.0

    def rewind(self, station: str, to_s: float) -> None:
        """That station's clock was set back to `to_s`: what was to be known of later moments is known of that one."""
        beds = [bed for bed in self.beds if bed.station == station]
        if not beds:
            return
        for bed in beds:
            bed.rewind(to_s)
        self.judged_s, self._stop_judged_s = min(self.judged_s, to_s), min(self._stop_judged_s, to_s)
        self._stop_decided_s, self._patience = min(self._stop_decided_s, to_s), (0.0, 0.0)
        self._refuted_s = min(self._refuted_s, to_s)
        if self.stopped_since_s is not None:
            self.stopped_since_s = min(self.stopped_since_s, to_s)
        self._faults = {name: (alarm, min(since_s, to_s)) for name, (alarm, since_s) in self._faults.items()}
        self._open = {name: (until_s, min(since_s, to_s)) for name, (until_s, since_s) in self._open.items()}
        self.current.rewind(to_s)

    def judge(self, now_s: float, sampled_s: float, dark_since_s: float | None) -> None:
        """State what holds at `sampled_s`. dark_since_s: since when nothing charges, None by day."""
        self.judged_s = sampled_s
        if self._faults:
            self._clear_beds(now_s)
        if now_s - self._thought_s >= THINK_EACH_S:  # new samples come in their own rhythm, not on the minute
            self._thought_s = now_s
            if self._single is not None:
                self._think_again(now_s, sampled_s, dark_since_s)
            for bed in self._usable() if self._open and self.stopped_since_s is None else ():
                if now_s < self._open.get(bed.name, (0.0, 0.0))[0]:
                    self._think_again_of(bed, now_s, sampled_s)
        if self.stopped_since_s is not None:
            self._clear_stop(now_s, dark_since_s is not None and dark_since_s < self.stopped_since_s)
            return
        gone_s = self.current.gone_since_s(0.0)
        if gone_s is not None and self._see_current(now_s):
            return
        if dark_since_s is not None and self._see_step(now_s, sampled_s, dark_since_s):
            return
        if gone_s is not None and sampled_s - gone_s < WATCHED_S + 30:
            return  # in a moment the sensor will have told, whatever is overdue
        late: dict[str, float] = {}
        for bed in self.beds:
            late_s = bed.overdue_s(sampled_s)
            if late_s > 0 and (late_s > RESTLESS_S or not bed.high.is_restless(sampled_s)):
                late[bed.name] = late_s
        if not late:
            return
        watched = [bed for bed in self._usable() if bed.name not in self._faults]
        overdue = [bed for bed in watched if bed.name in late]
        if not overdue:
            return
        # Due when its overdue time began; whoever rose after that shows that the pump runs.
        risen = {
            bed.name: [o for o in self.beds if o is not bed and o.rise_s > sampled_s - late[bed.name]]
            for bed in overdue
        }
        first_due_s = sampled_s - max(late[bed.name] for bed in overdue)
        if len(overdue) == len(watched) and not any(o.rise_s > first_due_s for o in self.beds if o not in watched):
            least_s = min(late[bed.name] for bed in overdue)
            least_s -= self._patience[1] if sampled_s < self._patience[0] else 0.0
            if len(watched) > 1 and least_s > ALL_OVERDUE_S:
                verdict, since_s = self._stall.of_all(overdue, sampled_s, dark_since_s)
                self._stop(now_s, since_s, self._stop_words(overdue, since_s) + self._branch_words(overdue), verdict)
            elif len(watched) == 1 and least_s > SINGLE_OVERDUE_S:
                self._judge_single(now_s, sampled_s, overdue[0], dark_since_s)
            return
        for bed in overdue:
            if risen[bed.name] and late[bed.name] > BED_PERIODS * bed.period_s and bed.is_learned:
                is_last_word = late[bed.name] > BED_PERIODS_MOST * bed.period_s
                self._judge_bed(now_s, sampled_s, bed, risen[bed.name], is_last_word)

    def judge_flow(self, now_s: float) -> None:
        """Whether every bed takes longer to fill, day against best day, than the voltage explains."""
        times = falling([bed.flow for bed in self.beds])
        if times is None:
            return
        if times == 0.0:
            self._alarms.normal(now_s, "flow-falling", self.name)
            return
        cause = ("flow-falling", self.name)
        verdict = Verdict({cause: 0.0})
        for bed in self.beds:
            words = (
                f"'{bed.name}' takes {100 * (bed.flow.loss[1] - 1):.0f} % longer than on its best day, the battery's"
                " voltage allowed for"
            )
            verdict.weigh(words, {cause: 1.0})
        words = (
            f"The flow of '{self.name}' is falling. It takes {100 * (times - 1):.0f} % longer to fill the beds than on"
            " the best day, more than the battery's voltage explains."
        )
        if len(self.beds) == 1:
            words += " The pump has become weaker, or the siphon slower: measure the flow with a bucket to tell."
        since_s = min(bed.flow.since_s() for bed in self.beds)
        self._alarms.report(now_s, *cause, since_s, words, verdict.accounts())

    def _usable(self) -> list[Bed]:
        return [bed for bed in self.beds if bed.high.wet is not None and not self._is_blind(bed)]

    def _is_blind(self, bed: Bed) -> bool:
        """Whether its float cannot be trusted, or may soon be said to chatter or to hang."""
        if chatter(bed.high.flips, self.judged_s, bed.period_s) > 0.5 or bed.other_turns() > 0:
            return True
        return self._alarms.is_standing("sensor-fault", f"{bed.name}/high")

    # -- a stop that shows itself

    def _see_current(self, now_s: float) -> bool:
        since_s = self.current.gone_since_s(WATCHED_S)
        if since_s is None or any(bed.rise_s > since_s + 30 for bed in self.beds):
            return False  # where water has come up since, the sensor is wrong, not the pump
        seen = f"It draws no current; it drew {self.current.usual_a:.1f} A before."
        verdict = Verdict({self._cause: 0.0})
        verdict.weigh(seen, {self._cause: 9.0})
        self._stop(now_s, since_s, f"The pump '{self.name}' has stopped. {seen}", verdict)
        return True

    def _see_step(self, now_s: float, sampled_s: float, dark_since_s: float) -> bool:
        step = self._trace.step_up(max(sampled_s - 3600, dark_since_s), sampled_s - WATCHED_S)
        if step is None or step.volts < 1.5 * self._distrusted_v or step.time_s < self._stop_decided_s:
            return False
        if self._trace.undoes(step, dark_since_s) or self.current.is_drawing(sampled_s):
            return False  # another load went, and floats will tell
        usable = self._usable()
        if not any(bed.is_learned for bed in usable) or any(bed.is_hidden(step.time_s) for bed in usable):
            return False
        if any(bed.rise_s > step.time_s - 5 or self._is_rising(bed, step.time_s) for bed in self.beds):
            return False
        if any(bed.fall_s > step.time_s + max(600.0, bed.normals[True].work_s) for bed in self.beds):
            return False
        if self._trace.step_down(step.time_s + 40, sampled_s, STEP_Z) is not None or not self._trace.holds(step):
            return False
        if self._trace.contrast(step) < STEP_Z:
            return False
        rivals = [] if self.is_of_all(step) else self.rivals
        if any(self._is_likelier(rival, step, sampled_s) for rival in rivals):
            return False
        self._seen_by = step
        doubted = [rival for rival in rivals if not any(bed.rise_s > step.time_s - 5 for bed in rival.beds)]
        verdict = self._stall.of_step(step, sampled_s, [rival.name for rival in doubted])
        words = "".join(f" It may also be that the pump '{rival.name}' has: look at both." for rival in doubted)
        self._stop(now_s, step.time_s, self._step_words(step) + words, verdict)
        return True

    def is_of_all(self, step: Step) -> bool:
        """Whether the step is that of several pumps: so low, the charge controller drops all loads at once."""
        return bool(self.rivals) and step.base_v < self._cut_off_v + DROPPED_V

    def _is_likelier(self, rival: Pump, step: Step, sampled_s: float) -> bool:
        """Whether the step is more likely another pump's: nothing of it has filled since either, and more was due."""
        if rival.stopped_since_s is not None:
            return abs(rival.stopped_since_s - step.time_s) < 60  # it has been told
        if any(bed.rise_s > step.time_s - 5 for bed in rival.beds):
            return False
        return (rival.lateness(sampled_s), rival.name) > (self.lateness(sampled_s), self.name)

    def lateness(self, sampled_s: float) -> float:
        """How far the bed that should next have filled is beyond that, in its periods; negative before."""
        return max((bed.next_rise(sampled_s) for bed in self.beds if bed.is_learned), default=-1.0)

    @staticmethod
    def _is_rising(bed: Bed, since_s: float) -> bool:
        last_s = bed.high.last_change_s
        return bool(bed.high.raw_wet and not bed.high.wet and last_s is not None and last_s > since_s)

    # -- a stop, or another cause, by what is overdue

    def _judge_single(self, now_s: float, sampled_s: float, bed: Bed, dark_since_s: float | None) -> None:
        """One bed, overdue: the pump or the bed's siphon."""
        verdict, since_s = self._stall.of_single(bed, sampled_s, dark_since_s, bool(self._faults))
        self._single, self._decided_s = bed, now_s
        is_dark = dark_since_s is not None
        self._by_day = None if is_dark or self.current.is_known(sampled_s) else (bed, verdict, since_s)
        others = others_words(verdict, not is_dark and not self._trace.is_free(bed.since_s, sampled_s))
        if verdict.lead(self._cause) >= 0:
            self._stop(now_s, since_s, self._stop_words([bed], since_s) + others, verdict)
        else:
            self._bed_fault(now_s, SIPHONS[bed.high.wet], bed, verdict, others)
            self._keep_open(now_s, bed, sampled_s)

    def _keep_open(self, now_s: float, bed: Bed, since_s: float) -> None:
        """Let neighbours that fill after `since_s` tell what is wrong with the bed."""
        self._open[bed.name] = (now_s + OPEN_PERIODS * max(other.period_s for other in self.beds), since_s)

    def _think_again(self, now_s: float, sampled_s: float, dark_since_s: float | None) -> None:
        """Later evidence may decide a standing verdict between a single bed's siphon and its pump otherwise."""
        bed = self._single
        is_stop = self.stopped_since_s is not None
        is_filling = bed.overdue_s(sampled_s) <= 0  # what it stood for is over
        if is_filling or now_s - self._decided_s > THINK_S or not (is_stop or bed.name in self._faults):
            self._single = None
            return
        verdict, since_s = self._stall.of_single(bed, sampled_s, dark_since_s, len(self._faults) > (not is_stop))
        is_held = dark_since_s is None and not self._trace.is_free(bed.since_s, sampled_s)
        self._decide_again(now_s, bed, verdict, since_s, others_words(verdict, is_held))

    def hear_of_night(self, now_s: float, gone_share: float | None) -> None:
        """How likely the pump's load is gone, by the voltage of the dark hours since, None before that is known: it may
        decide a verdict between it and a single bed's siphon that was left open by day."""
        if self._by_day is None or gone_share is None or NIGHT_UNSURE < gone_share < 1 - NIGHT_UNSURE:
            return
        bed, verdict, since_s = self._by_day
        self._by_day = None
        seen = self._stall.weigh_night(verdict, gone_share > 0.5)
        self._decide_again(now_s, bed, verdict, since_s, f" {seen[0].upper()}{seen[1:]}.{others_words(verdict, False)}")

    def _decide_again(self, now_s: float, bed: Bed, verdict: Verdict, since_s: float, others: str) -> None:
        is_stop = self.stopped_since_s is not None
        if is_stop and verdict.lead(self._cause) < -CHANGED_MIND:
            self.stopped_since_s = None
            self._alarms.withdraw(now_s, *self._cause)
            self._bed_fault(now_s, SIPHONS[bed.high.wet], bed, verdict, others)
        elif not is_stop and verdict.lead(self._cause) > CHANGED_MIND:
            self._stop(now_s, since_s, self._stop_words([bed], since_s) + others, verdict)

    @property
    def is_in_question(self) -> bool:
        """Whether a bed's siphon was found at fault by day where it may be this pump, and still is; a neighbour
        that has filled since shows that the pump runs."""
        if self._by_day is None or (bed := self._by_day[0]).name not in self._faults:
            return False
        return not any(other.rise_s > bed.since_s + 30 for other in self.beds if other is not bed)

    def _judge_bed(self, now_s: float, sampled_s: float, bed: Bed, others: list[Bed], is_last_word: bool) -> None:
        """One bed stands still while others cycle: its branch or its siphon. Waits for their pace while it can."""
        verdict = self._stall.of_bed(bed, others, sampled_s)
        lead = verdict.lead(("bed-starved", bed.name))
        if abs(lead) > SURE or is_last_word:
            alarm = "bed-starved" if lead > 0 else SIPHONS[bed.high.wet]
            self._bed_fault(now_s, alarm, bed, verdict, others_words(verdict, by_day=False))
            self._keep_open(now_s, bed, bed.since_s)

    def _think_again_of(self, bed: Bed, now_s: float, sampled_s: float) -> None:
        """Neighbours go on to show whether they have got the bed's water."""
        (alarm, _), (_, since_s) = self._faults.get(bed.name, ("", 0.0)), self._open[bed.name]
        others = [other for other in self.beds if other is not bed and other.rise_s > since_s]
        if not alarm or not others:
            return
        if self._single is bed:
            self._single = None  # the pump runs
        verdict = self._stall.of_bed(bed, others, sampled_s)
        lead = verdict.lead(("bed-starved", bed.name))
        if lead > CHANGED_MIND if alarm != "bed-starved" else lead < -CHANGED_MIND:
            self._alarms.withdraw(now_s, alarm, bed.name)
            alarm = "bed-starved" if lead > 0 else SIPHONS[bed.high.wet]
            self._bed_fault(now_s, alarm, bed, verdict, others_words(verdict, by_day=False))

    # -- what is raised

    def _bed_fault(self, now_s: float, alarm: str, bed: Bed, verdict: Verdict, others: str) -> None:
        state = "flooded" if bed.high.wet else "drained"
        told = {
            "bed-starved": f"No water reaches '{bed.name}'. The pump feeds the others.",
            "siphon-not-starting": f"The siphon of '{bed.name}' does not start.",
            "siphon-not-breaking": f"The siphon of '{bed.name}' does not break.",
        }[alarm]
        self._faults[bed.name] = (alarm, bed.since_s)
        words = f"{told} The bed has stayed {state} well beyond its usual time.{others}"
        if advice := bed.siphon.advice(alarm):
            words += f" {advice}"
        if bed.low is None and bed.level_m is None:
            words += " Lift its float by hand once: if it hangs, this is all that is wrong."
        self._alarms.report(now_s, alarm, bed.name, bed.since_s, words, verdict.accounts())

    def _stop(self, now_s: float, since_s: float, words: str, verdict: Verdict) -> None:
        self.stopped_since_s, self._stop_decided_s, self._stop_judged_s = since_s, now_s, self.judged_s
        for bed in self.beds:
            if self._faults.get(bed.name) and bed.since_s >= since_s - 60:
                self._alarms.withdraw(now_s, self._faults.pop(bed.name)[0], bed.name)
        self._alarms.report(now_s, "pump-stopped", self.name, since_s, words, verdict.accounts())

    def _stop_words(self, overdue: list[Bed], since_s: float) -> str:
        step = self._trace.step_up(since_s - 1, since_s + 1)
        if step is not None:
            return self._step_words(step)
        names = " and ".join(f"'{bed.name}' has stayed {'flooded' if bed.high.wet else 'drained'}" for bed in overdue)
        words = f"The pump '{self.name}' lifts no water. {names[0].upper() + names[1:]} well beyond the usual time."
        if self._trace.lowest_v(since_s, since_s + 900) < self._cut_off_v + 0.1:
            words += " The battery was down to where the charge controller drops the load."
        elif self.current.is_known(self.judged_s):
            words += " It draws current all the same: look for a hose that came off, a blocked intake, air."
        return words

    def _branch_words(self, overdue: list[Bed]) -> str:
        """A pump that has stopped before, as it seemed, while one bed has not moved since, may run all the time."""
        still = [bed.name for bed in overdue if bed.high.since_s < self._refuted_s]
        if len(still) != 1:
            return ""
        about = TABLE["bed-starved"].about.format(still[0])
        return f" It may also be that {about}, and that its neighbours get more than their siphons carry."

    def _step_words(self, step: Step) -> str:
        volts = self._trace.volts or 0.0
        words = (
            f"The pump '{self.name}' has stopped. The battery's voltage rose by {1000 * step.volts:.0f} mV at once,"
            " as when a load goes, and no float has risen since."
        )
        if volts - step.volts < self._cut_off_v + DROPPED_V:
            words += f" The battery was down to {volts - step.volts:.2f} V: the charge controller has dropped the load."
        return words

    # -- a rest (rest.py)

    def stay_away(self, now_s: float, since_s: float, until_s: float) -> None:
        """The rest that began at `since_s` is over, and no water has come."""
        seen = f"It was switched off for {(until_s - since_s) / 60:.0f} minutes, and no bed has filled since."
        verdict = Verdict({self._cause: 0.0})
        verdict.weigh(seen, {self._cause: 6.0})
        words = f"The pump '{self.name}' is not back from its rest. {seen} The time given for it is over."
        self._single = self._by_day = None
        since_s = self.stopped_since_s if self.stopped_since_s is not None else since_s
        self._stop(now_s, since_s, words, verdict)

    def come_back(self, now_s: float, moved_s: float) -> None:
        """Water has moved again since `moved_s`: what stood still in the rest was no fault, and teaches nothing."""
        if self.stopped_since_s is not None and not self._alarms.is_standing(*self._cause):
            self.stopped_since_s = self._seen_by = None
            self._alarms.withdraw(now_s, *self._cause)
        self._single = self._by_day = None
        for bed in self.beds:
            bed.base_s = max(bed.base_s, moved_s)
            alarm, _ = self._faults.get(bed.name, ("", 0.0))
            if alarm and not self._alarms.is_standing(alarm, bed.name):
                del self._faults[bed.name]
                self._alarms.withdraw(now_s, alarm, bed.name)

    # -- what is over

    def moved_since(self, since_s: float) -> float | None:
        """When water has last moved in a way that a pump that stands from `since_s` on does not explain; or None."""
        moved = None
        for bed in self.beds:
            if bed.rise_s > since_s + 30:
                moved = max(moved or 0.0, bed.rise_s)
            elif bed.fall_s > since_s + max(600.0, 1.3 * bed.normals[True].work_s):
                moved = max(moved or 0.0, bed.fall_s)
        return moved

    def _clear_stop(self, now_s: float, dark: bool) -> None:
        since_s, step = self.stopped_since_s, self._seen_by
        moved = self.moved_since(since_s)
        if moved is None:
            return
        if (
            dark
            and step is not None
            and all(rival.moved_since(since_s) is not None for rival in self.rivals)
            and self._trace.step_down(since_s + 40, moved + 300) is None
        ):
            for pump in (self, *self.rivals):  # it was none of theirs
                pump._distrusted_v = max(pump._distrusted_v, step.volts)
        if step is None:
            self._refuted_s = since_s
            if moved - self._stop_judged_s < 0.5 * max(bed.period_s for bed in self.beds):
                # Perhaps they were only slow. The same surprise shall not be told twice.
                self._patience = (moved + PATIENT_S, max(2 * (moved - self._stop_judged_s), self._patience[1]) + 60)
        self.stopped_since_s = self._seen_by = self._single = self._by_day = None
        for bed in self.beds:
            bed.base_s = max(bed.base_s, moved)
        self._alarms.normal(now_s, "pump-stopped", self.name)

    def _clear_beds(self, now_s: float) -> None:
        for bed in self.beds:
            alarm, since_s = self._faults.get(bed.name, ("", 0.0))
            has_broken = alarm == SIPHONS[False] and bed.refilled() and bed.low.since_s > since_s
            if has_broken or (alarm and max(bed.rise_s, bed.fall_s) > since_s):
                del self._faults[bed.name]
                self._by_day = None
                bed.base_s = max(bed.base_s, bed.high.since_s)
                self._alarms.normal(now_s, alarm, bed.name)
