"""The sump's low mark: water that is missing, told from water that is only upstairs in the beds.

Theory. Each flood borrows its water from the sump, so the mark may fall dry in every cycle, longest when the beds are
full together. A dry spell is an alarm only when it outlasts the spells that this garden has shown, or, before it has
shown any, the slowest bed's whole period. A slow leak shows in another way: flood by flood the spells grow, until they
last for a whole period. Ripple breaks a spell into pieces: those less than a minute apart are one.

It cannot tell a leak from evaporation, nor either from a bed that keeps its water.
"""

from __future__ import annotations

from collections import deque

from .alarm import Alarms

TOGETHER_S = 60.0
SHORTEST_S = 300.0
SPELL_FACTOR = 1.6
HELD_S = 12 * 3600.0  # so long may a bed that keeps its water excuse the sump
GROWING, GROWING_SHARE = 4, 1.0  # spells in a row, each longer than the one before, the last that share of a period


class Sump:
    """Fed with the `sump/low` float: True while water stands at or above the mark."""

    def __init__(self, alarms: Alarms) -> None:
        self._alarms = alarms
        self._low_since_s: float | None = None
        self._wet_since_s: float | None = None
        self._spells: deque[float] = deque(maxlen=40)

    def hear_low(self, time_s: float, is_covered: bool) -> None:
        if is_covered:
            self._wet_since_s = self._wet_since_s or time_s
        else:
            self._wet_since_s = None
            self._low_since_s = self._low_since_s or time_s

    @property
    def is_in_spell(self) -> bool:
        """Whether a dry spell lasts, or has not been over for long enough to be counted."""
        return self._low_since_s is not None

    def count_from(self, time_s: float) -> None:
        """Water stood still for a known reason until then: no spell is counted from before it."""
        if self._low_since_s is not None:
            self._low_since_s = max(self._low_since_s, time_s)
            if not self._alarms.is_standing("sump-low", "sump"):
                self._alarms.withdraw(time_s, "sump-low", "sump")

    def judge(self, now_s: float, sampled_s: float, slowest_period_s: float, bed_holds_water: bool) -> None:
        """While `is_in_spell`. slowest_period_s: the longest normal period among the beds. bed_holds_water: one stands
        flooded unduly.
        """
        if self._wet_since_s is not None:
            is_standing = self._alarms.is_standing("sump-low", "sump")
            # Each flood of a sump that leaks crosses the mark: it is well again when a whole period has stayed above
            # it.
            if sampled_s - self._wet_since_s > (1.2 * slowest_period_s if is_standing else TOGETHER_S):
                if not is_standing:
                    self._spells.append(self._wet_since_s - self._low_since_s)
                self._low_since_s = None
                self._alarms.normal(now_s, "sump-low", "sump")
            return
        usual_s = SPELL_FACTOR * max(self._spells) if len(self._spells) >= 3 else 1.2 * slowest_period_s
        spell_s = sampled_s - self._low_since_s
        spells = [*self._spells, spell_s][-GROWING:]
        if len(spells) == GROWING and all(b > 1.1 * a for a, b in zip(spells[:-1], spells[1:], strict=True)):
            usual_s = min(usual_s, GROWING_SHARE * slowest_period_s)
        if bed_holds_water:
            usual_s = max(usual_s, HELD_S)  # what it keeps is missing down here
        if spell_s > max(SHORTEST_S, usual_s):
            minutes = f"{spell_s / 60:.0f} minutes"
            words = f"The sump is low. It has been below its mark for {minutes}, longer than a flood draws it down."
            self._alarms.report(now_s, "sump-low", "sump", self._low_since_s, words)
