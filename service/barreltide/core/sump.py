"""The sump's low mark: water that is missing, told from water that is only upstairs in the beds.

Theory. Each flood borrows its water from the sump, so the mark may fall dry in every cycle, longest when the beds are
full together. A dry spell is an alarm only when it outlasts the spells that this garden has shown, or, before it has
shown any, the slowest bed's whole period. A slow leak shows in another way: flood by flood the spells grow, until they
last for a whole period. And where the mark was covered while every bed stood flooded above its float, it cannot fall
dry while none does, or while each has stood flooded for less long: that water is lost, whatever the beds' sizes. But a
bed stands flooded while it drains, too, with less and less in it: from half of its flood on no more is certain of it
than that its water stood above its float. Ripple breaks a spell into pieces: those less than a minute apart are one.

It cannot tell a leak from evaporation, nor either from a bed that keeps its water.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from .alarm import Alarms

TOGETHER_S = 60.0
SHORTEST_S = 300.0
SPELL_FACTOR = 1.6
USUAL_SPELLS = 3  # so many show what is usual
RISES = 0.5  # of its flood, while a bed surely still fills: siphons that drain no faster than beds fill are rare
KEPT, LESS = 8, 0.8  # moments remembered; so much less long must beds be flooded than in one of them
HELD_S = 12 * 3600.0  # so long may a bed that keeps its water excuse the sump
GROWING, GROWING_SHARE = 4, 1.0  # spells in a row, each longer than the one before, the last that share of a period


class Sump:
    """Fed with the `sump/low` float: True while water stands at or above the mark."""

    def __init__(self, alarms: Alarms) -> None:
        self._alarms = alarms
        self._low_since_s: float | None = None
        self._wet_since_s: float | None = None
        self._dip_s = 0.0  # since when it was dry last, ripple apart
        self._spells: deque[float] = deque(maxlen=40)
        self._covered: list[tuple[float, ...]] = []  # for how long all beds had been flooded, the mark being covered
        self._is_lost = False  # in this spell there was less upstairs than in such a moment

    def hear_low(self, time_s: float, is_covered: bool) -> None:
        if is_covered:
            self._wet_since_s = self._wet_since_s or time_s
        else:
            wet_s = time_s - self._wet_since_s if self._wet_since_s is not None else 0.0
            if self._low_since_s is None or wet_s > TOGETHER_S:
                self._dip_s = time_s
            self._wet_since_s = None
            self._low_since_s = self._low_since_s or time_s

    @property
    def is_in_spell(self) -> bool:
        """Whether a dry spell lasts, or has not been over for long enough to be counted."""
        return self._low_since_s is not None

    def count_from(self, time_s: float) -> None:
        """Water stood still for a known reason until then, and may have been changed: no spell is counted from before
        it, nor compared with what was before."""
        self._covered.clear()
        self._is_lost = False
        if self._low_since_s is not None:
            self._low_since_s = max(self._low_since_s, time_s)
            if not self._alarms.is_standing("sump-low", "sump"):
                self._alarms.withdraw(time_s, "sump-low", "sump")

    def compare(self, sampled_s: float, flooded: list[float]) -> None:
        """Once a minute, where all floats can be trusted: for how long each bed has been flooded, as a share of the
        time for which it usually is; 0 if it is not. Outside a spell only floods of all beds together say anything."""
        if self._low_since_s is None:
            sure = tuple(share if share < RISES else 0.0 for share in flooded)
            if all(flooded) and not any(_is_less(sure, then, 1.0) for then in self._covered):
                self._covered = [then for then in self._covered if not _is_less(then, sure, 1.0)][1 - KEPT :]
                self._covered.append(sure)
        elif self._wet_since_s is None and sampled_s - self._low_since_s > TOGETHER_S:
            self._is_lost |= any(_is_less(flooded, then, LESS) for then in self._covered)

    def judge(self, now_s: float, sampled_s: float, slowest_period_s: float, bed_holds_water: bool) -> None:
        """While `is_in_spell`. slowest_period_s: the longest normal period among the beds. bed_holds_water: one stands
        flooded unduly.
        """
        if self._wet_since_s is not None:
            is_standing = self._alarms.is_standing("sump-low", "sump")
            # Each flood of a sump that leaks crosses the mark: it is well again when a whole period has stayed above
            # it, or a new spell was no longer than those that were usual.
            is_new = self._dip_s > self._low_since_s and len(self._spells) >= USUAL_SPELLS
            if is_new and self._wet_since_s - self._dip_s <= max(self._spells):
                is_standing = False
            if sampled_s - self._wet_since_s > (1.2 * slowest_period_s if is_standing else TOGETHER_S):
                if not self._alarms.is_standing("sump-low", "sump"):
                    self._spells.append(self._wet_since_s - self._low_since_s)
                self._low_since_s, self._is_lost = None, False
                self._alarms.normal(now_s, "sump-low", "sump")
            return
        usual_s = SPELL_FACTOR * max(self._spells) if len(self._spells) >= USUAL_SPELLS else 1.2 * slowest_period_s
        spell_s = sampled_s - self._low_since_s
        spells = [*self._spells, spell_s][-GROWING:]
        if len(spells) == GROWING and all(b > 1.1 * a for a, b in zip(spells[:-1], spells[1:], strict=True)):
            usual_s = min(usual_s, GROWING_SHARE * slowest_period_s)
        if bed_holds_water:
            usual_s = max(usual_s, HELD_S)  # what it keeps is missing down here
        if self._is_lost and len(self._spells) < USUAL_SPELLS:
            usual_s = 0.0
        if spell_s > max(SHORTEST_S, usual_s):
            minutes = f"{spell_s / 60:.0f} minutes"
            words = f"The sump is low. It has been below its mark for {minutes}, longer than a flood draws it down."
            if self._is_lost:
                words += " It was above the mark before with more of its water up in the beds: that water is lost."
            self._alarms.report(now_s, "sump-low", "sump", self._low_since_s, words)


def _is_less(flooded: Sequence[float], then: Sequence[float], share: float) -> bool:
    return all(now <= share * before for now, before in zip(flooded, then, strict=True))
