"""The battery's series resistance, from each start and stop of a pump.

Theory. A load that goes lifts the voltage at once by I·R: the battery's own resistance, and that of clamps, fuse and
leads up to where the voltage is read. In the following hour it rises about half as much again, as the acid evens out.
A resistance that grows beside its own past is a joint that works loose or corrodes, a cold battery, or an old one.

It sees a step by night only, and knows the current only as well as the site file or a sensor tells it.

Sources: I·R of 3 A on 8 mΩ is 24 mV (Ohm). The slow part beside the quick: a cell model of lead, and fits of published
discharge curves (from memory).
"""

from __future__ import annotations

from collections import deque
from statistics import median

from .voltage import Step

SETTLED, SETTLED_UNSURE = 1.5, 0.5  # the whole drop beside the quick one, and how unsure that is
KEPT = 5
NEAR_S = 240.0  # of a stop as told by other signs: the step that belongs to it


class Resistance:
    """Fed with the steps that belong to a pump's stops and starts."""

    def __init__(self) -> None:
        self._seen: deque[float] = deque(maxlen=KEPT)
        self._last_s = 0.0

    @property
    def ohm(self) -> float | None:
        """The quick part: the median of the last steps."""
        return median(self._seen) if self._seen else None

    def hear(self, step: Step | None, amperes: float) -> tuple[float, float] | None:
        """One step and the current that came or went with it; answers the whole resistance and its standard error."""
        if step is None or step.time_s == self._last_s or amperes < 0.1:
            return None
        self._last_s = step.time_s
        self._seen.append(abs(step.volts) / amperes)
        return SETTLED * self.ohm, SETTLED_UNSURE * self.ohm
