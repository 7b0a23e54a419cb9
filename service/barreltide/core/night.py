"""The night: what the battery had at dusk and at dawn, what it gave, and how long it would have lasted."""

from __future__ import annotations

from .battery import StateOfCharge
from .daylight import Daylight
from .event import NightEnded

DUSK_KNOWN_S = 1800.0  # a night first heard of later than this has no charge at dusk


class Night:
    """Gathers one night at a time; `tick` answers with its record at dawn."""

    def __init__(self, daylight: Daylight, floor: float) -> None:
        """floor: the state of charge that the owner does not want to pass."""
        self._daylight, self._floor = daylight, floor
        self._dusk_s: float | None = None
        self._dawn_s: float | None = None
        self._charge_dusk: float | None = None
        self._used_ah = 0.0
        self._hours = 0.0
        self._lowest_v: float | None = None
        self._last_s: float | None = None

    def spans(self, time_s: float) -> bool:
        """Whether the moment lies in the night that is being gathered."""
        return self._dusk_s is not None and self._dusk_s <= time_s < self._dawn_s

    def hear(self, time_s: float, volts: float, load_a: float, charge: float | None) -> None:
        """One voltage reading of this night, the load that the pumps were, and the state of charge as judged then."""
        if self._last_s is None and time_s - self._dusk_s < DUSK_KNOWN_S:
            self._charge_dusk = charge
        if self._lowest_v is None or volts < self._lowest_v:
            self._lowest_v = volts
        if self._last_s is not None and 0 < time_s - self._last_s < 1800:
            self._used_ah += load_a * (time_s - self._last_s) / 3600
            self._hours += (time_s - self._last_s) / 3600
        self._last_s = time_s

    def tick(self, now_s: float, local_date, battery: StateOfCharge) -> NightEnded | None:
        """Begin a night at its dusk and end it at its dawn. local_date: from Unix seconds to the garden's ISO date."""
        if self._dusk_s is None:
            self._dusk_s, self._dawn_s = self._daylight.night_at(now_s) or (None, None)
            return None
        if now_s < self._dawn_s:
            return None
        heard = self._last_s is not None
        load_a = self._used_ah / self._hours if self._hours else None
        left = None
        if heard and battery.mean is not None and load_a:
            left = max(battery.mean - self._floor, 0.0) * battery.usable_ah / load_a
        night = NightEnded(
            now_s, local_date(self._dusk_s), self._dusk_s, self._dawn_s,
            self._charge_dusk, battery.mean if heard else None,
            self._used_ah if heard else None, self._lowest_v, left,
        )  # fmt: skip
        self.__init__(self._daylight, self._floor)
        return night
