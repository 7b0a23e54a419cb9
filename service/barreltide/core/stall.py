"""A bed stands still: what speaks for which cause.

Theory. The causes are the pump (no water is lifted), the bed's branch (it gets none) and its siphon (it does not start,
or does not break). Each sensor adds something to what a single upper float says:

- the float itself: a siphon always sticks in one state, while water that stops coming leaves the bed as it happens to
  be, and drained if it was just draining, so the share of a cycle that the float is wet for tells how surprising its
  state is;
- the voltage: a load that goes lifts it, one that grows pulls it down, by night; a load that stays leaves it alone, as
  can be told by day, too, under an even sky while the battery is far from full. A pump that turns and lifts nothing is
  not seen there;
- a current sensor says the same by day and night, and whether the pump draws otherwise than it did;
- a lower float tells whether water came in after the last draining;
- a level tells where the water stands: at the standpipe's top, where the siphon breaks, or in between, where no siphon
  leaves it;
- the neighbours: one that fills shows that the pump runs; one whose pace has changed has got this bed's water.

Weights are as in evidence.py. Where they are no more than judgement they are small.
"""

from __future__ import annotations

from math import exp, hypot, log, pi, sqrt

from .alarm import TABLE, Alarms
from .bed import Bed
from .current import PumpCurrent
from .evidence import Verdict
from .siphon import span
from .voltage import Jump, Step, VoltageTrace

PUMP_PRIOR = 0.7  # pumps fail in more ways than siphons (common practice, no source), and missing that is the worse
SIPHON_PRIOR = 0.5  # a siphon fails more often than a branch closes (common practice, no source)
STILL_DRAWS = -1.2  # of the ways in which lifting stops, about a third leave the current as it was: hose off, air
NO_LOAD = 4.0  # a siphon's fault leaves the load as it was
SMALL_STEP_V = 0.006  # what a small pump's load makes of a large battery
# Of the beds that get no water (judgement): their branch is closed; their hose is off, and takes some of the others'
# flow; or it has slipped out of the bed, and pours as much as ever.
CLOSED, HOSE_OFF, SLIPPED = 0.6, 0.15, 0.15
MOST_TAKEN = 0.5  # of the others' flow, as log, by a branch whose hose has come off
STRANGE_CHANGE = 0.3  # in the others' times, as log, where it is none of these
OVER_BEFORE = 0.4  # how often the only time that a neighbour has shown was over when the water stopped coming
PARTS = 20  # of a share that may be anything, for a mean over it
MOST_BY_PACE = 5.0  # no more is made of the neighbours' pace
DAYS_ODDS, DAYS_STEP = 6.0, 1.5  # of a step by day; what is made of it: the sun may have come out (judgement)
WORTH_NAMING = 0.05  # the least share of a cause that a message names beside the likeliest
SIPHONS = {True: "siphon-not-starting", False: "siphon-not-breaking"}


class Stall:
    """Weighs the causes for one pump's beds."""

    def __init__(self, pump: str, trace: VoltageTrace, current: PumpCurrent, alarms: Alarms, cut_off_v: float) -> None:
        """pump: its name; cut_off_v: where the charge controller drops the load."""
        self._pump = ("pump-stopped", pump)
        self._trace, self._current, self._alarms, self._cut_off_v = trace, current, alarms, cut_off_v

    def of_all(self, overdue: list[Bed], sampled_s: float, dark_since_s: float | None) -> tuple[Verdict, float]:
        """Two beds or more, all overdue: one cause for all of them is the pump. Also since when it would have stopped.

        dark_since_s: since when nothing charges, None by day.
        """
        verdict = Verdict({self._pump: 0.0})
        for bed in overdue:
            verdict.weigh(lateness(bed, sampled_s), {self._pump: 2.0})
        return verdict, self._weigh_power(verdict, overdue, sampled_s, dark_since_s)

    def of_single(
        self, bed: Bed, sampled_s: float, dark_since_s: float | None, others_stand: bool
    ) -> tuple[Verdict, float]:
        """The only bed that tells of the pump: its siphon, or the pump. Also since when that would have stopped."""
        siphon = (SIPHONS[bed.high.wet], bed.name)
        verdict = Verdict({self._pump: PUMP_PRIOR, siphon: 0.0})
        verdict.weigh(lateness(bed, sampled_s), {self._pump: 1.0, siphon: 1.0})
        self._weigh_state(verdict, bed)
        since_s = self._weigh_power(verdict, [bed], sampled_s, dark_since_s)
        self._weigh_water(verdict, bed, self._pump)
        if others_stand:
            verdict.weigh("another bed of this pump stands still too", {self._pump: 1.5})
        return verdict, since_s

    def of_bed(self, bed: Bed, others: list[Bed], sampled_s: float) -> Verdict:
        """One bed stands while `others` have filled since it was due: its branch or its siphon."""
        starved, siphon = ("bed-starved", bed.name), (SIPHONS[bed.high.wet], bed.name)
        verdict = Verdict({starved: 0.0, siphon: SIPHON_PRIOR, self._pump: 0.0})
        verdict.weigh(lateness(bed, sampled_s), {starved: 1.0, siphon: 1.0, self._pump: 1.0})
        names = " and ".join(f"'{other.name}'" for other in others)
        verdict.weigh(f"{names} filled meanwhile", {self._pump: -9.0})
        self._weigh_state(verdict, bed)
        self._weigh_water(verdict, bed, starved)
        self._weigh_pace(verdict, bed, others)
        return verdict

    def of_step(self, step: Step, sampled_s: float, rivals: list[str]) -> Verdict:
        """A step in the voltage that nothing has contradicted; rivals: other pumps that may have made it."""
        verdict = Verdict({self._pump: 0.2} | {("pump-stopped", rival): 0.0 for rival in rivals})
        self._weigh_step(verdict, step, sampled_s)
        return verdict

    def _weigh_power(self, verdict: Verdict, overdue: list[Bed], sampled_s: float, dark_since_s: float | None) -> float:
        """What voltage, current and sump say of the pump; returns since when it would have stopped.

        It stopped after the last sign of water and before the first bed was due: what the voltage did later proves
        nothing of it.
        """
        pump, last_s = self._pump, max(max(bed.since_s, bed.rise_s) for bed in overdue)
        dues = [sampled_s - max(bed.overdue_s(sampled_s), 0.0) for bed in overdue]
        from_s, until_s = last_s - 30, min((due_s for due_s in dues if due_s > last_s), default=sampled_s) + 60
        since_s = last_s
        up, down = self._trace.step_up(from_s, until_s), self._trace.step_down(from_s, until_s)
        if self._current.is_drawing(sampled_s):  # one that says nothing, while water came, is wrong
            usual_a, odd_a = self._current.usual_a, self._current.odd_a(from_s)
            if odd_a is not None:
                words = f"it draws {odd_a:.1f} A instead of {usual_a:.1f}: blocked, or lifting nothing"
                verdict.weigh(words, {pump: 3.0})
            else:
                words = f"it draws {usual_a:.1f} A as before: it has power and turns, whether it lifts or not"
                verdict.weigh(words, {pump: STILL_DRAWS})
        elif up is not None:
            self._weigh_step(verdict, up, sampled_s)
            since_s = up.time_s
        elif down is not None:
            words = f"the battery's voltage fell by {-1000 * down.volts:.0f} mV at once: a blocked pump may draw more"
            verdict.weigh(words, {pump: 4.0})
        elif self._trace.lowest_v(from_s, until_s) < self._cut_off_v + 0.1:
            words = "the battery was down to where the charge controller drops the load"
            verdict.weigh(words, {pump: 4.0})
        elif dark_since_s is not None:
            jump = self._trace.jump(max(from_s, dark_since_s + 600), until_s, sampled_s)
            if jump is not None and jump.odds > 1:
                since_s = jump.time_s
            self._weigh_jump(verdict, jump, sampled_s, dark_since_s < from_s)
        elif self._trace.is_free(from_s - 900, sampled_s):
            # Seen for longer, the day's slow drift is no parabola any more.
            self._weigh_day(verdict, self._trace.jump(from_s, until_s, min(sampled_s, until_s + 600)), sampled_s)
        if self._alarms.is_standing("sump-low", "sump"):
            verdict.weigh("the sump is below its mark: the pump may suck air", {pump: 4.0})
        return since_s

    def _weigh_jump(self, verdict: Verdict, jump: Jump | None, sampled_s: float, all_dark: bool) -> None:
        """By night, with an hour of voltage at hand, even a small pump's load shows when it goes, or changes."""
        if jump is None:
            return
        if jump.odds > 1:
            way, ago = ("rose" if jump.volts > 0 else "fell"), span(sampled_s - jump.time_s)
            words = f"the battery's voltage {way} a little, by {abs(1000 * jump.volts):.0f} mV, about {ago} ago"
            verdict.weigh(words, {self._pump: min(jump.odds, 5.0)})
        elif all_dark and jump.sure_v < SMALL_STEP_V:
            words = "the battery's voltage made no step, as it would by night if the pump's current had gone"
            verdict.weigh(words, {self._pump: STILL_DRAWS * (1 - jump.sure_v / SMALL_STEP_V)})

    def _weigh_day(self, verdict: Verdict, jump: Jump | None, sampled_s: float) -> None:
        """By day cloud makes steps of its own, but under an even sky even a small pump's load shows when it goes, where
        no charger holds the voltage."""
        if jump is None or jump.sure_v > SMALL_STEP_V:
            return
        if jump.odds < 1 or abs(jump.volts) < SMALL_STEP_V:
            words = "the battery's voltage, which no charger holds, made no step, as it does when the pump's load goes"
            verdict.weigh(words, {self._pump: STILL_DRAWS * (1 - jump.sure_v / SMALL_STEP_V)})
        elif jump.odds > DAYS_ODDS and jump.volts > 2 * SMALL_STEP_V:
            words = f"the battery's voltage rose by {1000 * jump.volts:.0f} mV, {span(sampled_s - jump.time_s)} ago"
            verdict.weigh(words, {self._pump: DAYS_STEP})

    def weigh_night(self, verdict: Verdict, is_gone: bool) -> str:
        """What the battery's voltage has shown through dark hours, as its charge was judged by it (battery.py)."""
        ways = {True: ("held", "without", NO_LOAD), False: ("fallen", "under", STILL_DRAWS)}
        way, load, weight = ways[is_gone]
        words = f"through the dark hours the battery's voltage has {way}, as it does {load} the pump's load"
        verdict.weigh(words, {self._pump: weight})
        return words

    def _weigh_step(self, verdict: Verdict, step: Step, sampled_s: float) -> None:
        """Any pump of the garden may have made it."""
        pumps = [cause for cause in verdict.causes if cause[0] == "pump-stopped"]
        words = (
            f"the battery's voltage rose by {1000 * step.volts:.0f} mV at once, {span(sampled_s - step.time_s)} ago,"
            " as when a load goes"
        )
        verdict.weigh(words, dict.fromkeys(pumps, min(step.z, 8.0)))
        verdict.weigh("none of its floats has risen since", dict.fromkeys(pumps, 1.0))

    def _weigh_state(self, verdict: Verdict, bed: Bed) -> None:
        """A siphon sticks in one state; water that stops coming leaves the bed as it happens to be."""
        share = min(max(bed.left_wet_share if bed.high.wet else 1 - bed.left_wet_share, 0.05), 0.95)
        state = "flooded" if bed.high.wet else "drained"
        weight = log(share / 0.5)
        words = f"water that stops coming leaves this bed {state} {100 * share:.0f} times in a hundred"
        verdict.weigh(words, {self._pump: weight, ("bed-starved", bed.name): weight})

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
                words = f"{centimetres}, at the standpipe's top, as when it trickles over"
                verdict.weigh(words, {dry_cause: -1.7})
            else:
                verdict.weigh(f"{centimetres}, below the standpipe's top", {not_starting: -3.0})
        elif not bed.high.wet and bed.is_emptied() is not None:
            if bed.is_emptied():
                words = f"{centimetres}, where the siphon breaks"
                verdict.weigh(words, {dry_cause: -1.7})
            else:
                verdict.weigh(f"{centimetres}, above where the siphon breaks", {not_breaking: -3.0})

    def _weigh_pace(self, verdict: Verdict, bed: Bed, others: list[Bed]) -> None:
        """Whether neighbours have got the water that this bed does not get."""
        starved = ("bed-starved", bed.name)
        paces = [(other, pace) for other in others if (pace := other.pace_change(bed.since_s)) is not None]
        if not paces:
            return
        # All of them would change together: a mean, the surest counting most.
        sureness = [1 / pace.error**2 for _, pace in paces]
        change, follows = (
            sum(sure * pace[part] for sure, (_, pace) in zip(sureness, paces, strict=True)) / sum(sureness)
            for part in (0, 2)
        )
        error, unsure = min(pace.error for _, pace in paces), min(pace.unsure for _, pace in paces)
        # Closed, it leaves the others between none and all of its water, as the pump's curve and the hoses have it;
        # with its hose off it takes some of theirs.
        all_its_water = -log(1 - bed.inflow / sum(each.inflow for each in (bed, *others)))
        without = sum(
            share * _mean_normal(change, error, follows * most, unsure * most)
            for share, most in ((CLOSED, all_its_water), (HOSE_OFF, -MOST_TAKEN))
        )
        kept = _normal(change, error)
        without += SLIPPED * kept + (1 - CLOSED - HOSE_OFF - SLIPPED) * _normal(change, STRANGE_CHANGE)
        before = OVER_BEFORE / max(pace.count for _, pace in paces) ** 2
        without = (1 - before) * without + before * kept
        weight = min(log(without / kept), MOST_BY_PACE) if kept > 0 else MOST_BY_PACE
        names = " and ".join(f"'{other.name}'" for other, _ in paces)
        if weight > 0:
            way = "shorter" if change < 0 else "longer"
            why = "more water comes there" if change < 0 else "too much water for a siphon does that, or a hose off"
            words = f"the periods of {names} have become {100 * abs(change):.0f} % {way}: {why}"
        else:
            words = f"the periods of {names} are as before: this bed's water does not go there"
        verdict.weigh(words, {starved: weight})


def _normal(value: float, error: float) -> float:
    """The normal distribution's density about 0."""
    return exp(-0.5 * (value / error) ** 2) / (error * sqrt(2 * pi))


def _mean_normal(value: float, error: float, most: float, unsure: float) -> float:
    """The same about a mean that is anything from 0 to -most, which itself is known to `unsure`."""
    shares = [(k + 0.5) / PARTS for k in range(PARTS)]
    return sum(_normal(value + share * most, hypot(error, share * unsure)) for share in shares) / PARTS


def lateness(bed: Bed, sampled_s: float) -> str:
    """What is seen of an overdue bed, in words."""
    state, usual_s = ("flooded", bed.normals[True]) if bed.high.wet else ("drained", bed.normals[False])
    usual = f"usually that takes {span(usual_s.work_s)}" if bed.is_learned else "its usual time is not known yet"
    return f"'{bed.name}' has stayed {state} for {span(sampled_s - bed.since_s)}; {usual}"


def others_words(verdict: Verdict, by_day: bool) -> str:
    """What else it may be, and where to look to tell."""
    likeliest, *others = verdict.accounts()
    others = [account for account in others if account.share > WORTH_NAMING]
    if not others:
        return ""
    bed = next(account.subject for account in (likeliest, *others) if account.alarm != "pump-stopped")
    causes = " or that ".join(TABLE[account.alarm].about.format(account.subject) for account in others)
    cannot = " By day the battery cannot tell." if by_day else ""
    return f" It may also be that {causes}.{cannot} Look at the outlet of '{bed}', and whether water runs into it."
