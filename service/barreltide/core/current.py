"""What a pump's current sensor says: it has stopped drawing, draws as usual, or draws otherwise than it did.

Theory. A DC pump's current follows its voltage and its load. Without power it is nothing; with a blocked rotor, or
sucking air, it differs from what is usual at once and stays so, while the day's voltage moves it slowly.

It cannot tell a pump that turns with its hose off from one that lifts.
"""

from __future__ import annotations

from collections import deque
from statistics import median

STOPPED, ODD = 0.25, 0.15  # of the usual current: less than this share, or off by more than this share
USUAL_READINGS = 60  # of which the usual current is the median
ODD_FOR_S = 6 * 3600.0  # an odd current that has lasted so long is the new usual
KNOWN_FOR_S = 300.0


class PumpCurrent:
    """Fed with readings (A) in order of sampling."""

    def __init__(self) -> None:
        self.usual_a = 0.0  # 0 until it is known
        self._readings: deque[float] = deque(maxlen=USUAL_READINGS)
        self._heard_s: float | None = None
        self._gone_s: float | None = None
        self._odd: tuple[float, float] | None = None  # since when, and the newest

    def hear(self, time_s: float, current_a: float) -> None:
        self._heard_s = time_s
        if self.usual_a > 0.05:
            if current_a < STOPPED * self.usual_a:
                self._gone_s = self._gone_s or time_s
                return
            is_odd = abs(current_a / self.usual_a - 1) > ODD
            self._odd = (self._odd[0] if self._odd else time_s, current_a) if is_odd else None
        self._gone_s = None
        self._readings.append(current_a)
        if len(self._readings) == USUAL_READINGS:
            if self._odd is None or time_s - self._odd[0] > ODD_FOR_S:
                self.usual_a = median(self._readings)
            self._readings.clear()

    def rewind(self, to_s: float) -> None:
        """The station's clock was set back to `to_s`."""
        self._heard_s = self._heard_s and min(self._heard_s, to_s)
        self._gone_s = self._gone_s and min(self._gone_s, to_s)
        self._odd = self._odd and (min(self._odd[0], to_s), self._odd[1])

    def is_known(self, sampled_s: float) -> bool:
        """Whether the sensor spoke lately, and long enough for its usual current to be known."""
        return self._heard_s is not None and sampled_s - self._heard_s < KNOWN_FOR_S and self.usual_a > 0.05

    def is_drawing(self, sampled_s: float) -> bool:
        """Whether the sensor says that the pump draws."""
        return self.is_known(sampled_s) and self._gone_s is None

    def gone_since_s(self, for_s: float) -> float | None:
        """Since when it has drawn nothing, if that has lasted for `for_s`."""
        is_gone = self._gone_s is not None and self._heard_s - self._gone_s >= for_s
        return self._gone_s if is_gone else None

    def odd_a(self, from_s: float) -> float | None:
        """An unusual current that began after `from_s` and lasts."""
        return self._odd[1] if self._odd is not None and self._odd[0] > from_s else None
