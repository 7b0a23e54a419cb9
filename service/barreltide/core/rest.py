"""A pump that rests because the grower has switched it off, for a water change, a cleaning, or a look at the battery.

Theory. Who works on the garden knows that no water moves, and an alarm about it would only teach to ignore alarms. So
while a rest lasts, what follows from it is held back: it waits, it is not lost (suppressed by design, IEC 62682 says).
What must not happen is that the pump is forgotten. A rest therefore has an end, and an end without water is told at
once, as urgently as any stop. Maintenance is no more than that: one word and thirty minutes.

| a rest that lasts, and | becomes |
|---|---|
| a float moves as no standing pump explains, later than a grower takes to reach the switch | over: nothing was wrong |
| its time is over, by the barrels' own time, and no float has moved so | over: the pump has stopped, and is told so |
| its station is silent | stays: that is told itself, and what is not known is not judged |

It cannot know whether the pump was switched off at all. A rise proves that water came up; a current proves only that
the pump turns, and pumps that were switched off like to suck air when they come back.
"""

from __future__ import annotations

from .alarm import Alarms
from .pump import Pump
from .sump import Sump

SWITCHING_S = 300.0  # from the grower's word to the switch: until then water may still rise
_OF_PUMP = ("pump-stopped", "flow-falling")
_OF_BED = ("bed-starved", "siphon-not-starting", "siphon-not-breaking")


class Rests:
    """The rests of all pumps of a garden."""

    def __init__(self, sump: Sump, alarms: Alarms) -> None:
        self._sump, self._alarms = sump, alarms
        self._spans: dict[str, tuple[float, float]] = {}  # pump: from when, until when

    def until_s(self, pump: str) -> float | None:
        """When the pump's rest is to be over; None if it has none."""
        return self._spans[pump][1] if pump in self._spans else None

    def begin(self, now_s: float, pump: Pump, until_s: float) -> None:
        """The grower says so. Said again, it is the same rest with another end. What stands already is held back too:
        the grower knows of it, and is told again if no water comes back."""
        self._spans[pump.name] = (self._spans.get(pump.name, (now_s,))[0], until_s)
        keys = [(alarm, pump.name) for alarm in _OF_PUMP] + [("sump-low", "sump")]
        keys += [(alarm, bed.name) for alarm in _OF_BED for bed in pump.beds]
        self._alarms.hold(now_s, _reason(pump), keys, until_s)

    def judge(self, now_s: float, pump: Pump, known_s: float | None) -> None:
        """Whether the pump's rest is over. known_s: how far its water is known, None while a station is waited for."""
        since_s, until_s = self._spans.get(pump.name, (None, None))
        if since_s is None or known_s is None:
            return
        moved_s = pump.moved_since(since_s + SWITCHING_S)
        if moved_s is None and known_s < until_s:
            return
        del self._spans[pump.name]
        if moved_s is not None:
            pump.come_back(now_s, moved_s)
            self._sump.count_from(moved_s)
            self._alarms.release(_reason(pump))
        else:
            self._alarms.release(_reason(pump))
            pump.stay_away(now_s, since_s, until_s)


def _reason(pump: Pump) -> str:
    return f"the pump '{pump.name}' rests"
