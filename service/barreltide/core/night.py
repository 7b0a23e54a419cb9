"""The night: what the battery had at dusk and at dawn, what it gave, how fast its voltage fell, and how long it would
have lasted.

Theory. Late at night, when the surface charge of the day has faded, the voltage under a steady load falls as the
charge does. So the ampere-hours drawn between two moments late at night, over the share of charge that the change of
voltage means by the battery's table, are what the battery holds when full. One night tells that to a third; weeks of
them tell it as well as the table is known (`Capacity`).

It assumes a steady load: nights in which the pumps rested tell of no capacity.
"""

from __future__ import annotations

from math import hypot
from statistics import linear_regression

from .battery import StateOfCharge
from .daylight import Daylight
from .event import NightEnded

DUSK_KNOWN_S = 1800.0  # a night first heard of later than this has no charge at dusk
FADED_S = 5 * 3600.0  # after dusk: no surface charge any more
PART_S = 1800.0
LEAST_PARTS = 6
LEAST_FALL_V = 0.03  # of a 12 V battery
PART_ERROR_V = 0.008  # of a part's mean, beside what is the same all night: warmth, a resistance that grows
LABEL_SHARE, LABEL_UNSURE = 0.92, 0.12  # what a battery holds of its label before a night has been seen
NIGHTS = 30  # over how many a capacity is averaged: it changes within months
TABLE_UNSURE, OWN_TABLE_UNSURE, LOAD_UNSURE = 0.15, 0.05, 0.06  # shares that no number of nights makes smaller
INNER_90 = 1.645  # standard deviations to either side of the mean that hold 90 %


class Capacity:
    """What the battery holds when full, from one night after another."""

    def __init__(self, label_ah: float, own_table: bool) -> None:
        self._unsure = hypot(OWN_TABLE_UNSURE if own_table else TABLE_UNSURE, LOAD_UNSURE)
        # What is averaged is the share of charge for an ampere-hour: its errors lie evenly to both sides.
        self._per_ah = 1 / (LABEL_SHARE * label_ah)
        self._certainty = (LABEL_UNSURE / LABEL_SHARE * self._per_ah) ** -2

    @property
    def ah(self) -> float:
        return 1 / self._per_ah

    def add(self, drawn_ah: float, share: float, sigma_share: float) -> None:
        """One night's late hours: what was drawn, and the share of charge that the voltage has gone down by."""
        certainty = (drawn_ah / sigma_share) ** 2
        self._certainty += certainty
        self._per_ah += certainty / self._certainty * (share / drawn_ah - self._per_ah)
        self._certainty *= 1 - 1 / NIGHTS

    def span(self) -> tuple[float, float]:
        """Its 90 % interval, Ah."""
        unsure = INNER_90 * hypot(self._unsure, self._certainty**-0.5 / self._per_ah)
        return self.ah / (1 + unsure), self.ah / max(1 - unsure, 0.3)


class Night:
    """Gathers one night at a time; `tick` answers with its record at dawn."""

    def __init__(self, daylight: Daylight, battery) -> None:
        """battery: the site's table."""
        self._daylight, self._floor = daylight, battery.lowest_state_of_charge
        self._scale = 12.0 / battery.nominal_voltage_v
        self._capacity = Capacity(battery.capacity_ah * battery.in_parallel, bool(battery.rested_voltage_v))
        self.resistance_ohm: float | None = None  # as the pumps' last stops and starts have shown it
        self._clear()

    def _clear(self) -> None:
        self._dusk_s: float | None = None
        self._dawn_s: float | None = None
        self._charge_dusk: float | None = None
        self._used_ah = self._hours = 0.0
        self._lowest_v: float | None = None
        self._last_s: float | None = None
        # Of the faded hours: start, number of readings, sum of volts, Ah drawn till its end.
        self._parts: list[tuple[float, int, float, float]] = []
        self._loads: tuple[float, float] = (float("inf"), 0.0)  # lowest and highest in those hours

    def hear(self, time_s: float, volts: float, battery: StateOfCharge) -> None:
        """One voltage reading, and the battery as judged then; passed over if it is none of the night that is being
        gathered."""
        if self._dusk_s is None or not self._dusk_s <= time_s < self._dawn_s:
            return
        load_a = battery.load_a(volts)
        if self._last_s is None and time_s - self._dusk_s < DUSK_KNOWN_S:
            self._charge_dusk = battery.mean
        if self._lowest_v is None or volts < self._lowest_v:
            self._lowest_v = volts
        dt_s = time_s - self._last_s if self._last_s is not None else 0.0
        if 0 < dt_s < 1800:
            self._used_ah += load_a * dt_s / 3600
            self._hours += dt_s / 3600
        self._last_s = time_s
        if time_s - self._dusk_s < FADED_S:
            return
        if not self._parts or time_s - self._parts[-1][0] >= PART_S:
            self._parts.append((time_s, 0, 0.0, 0.0))
            self._loads = (min(self._loads[0], load_a), max(self._loads[1], load_a))
        start_s, n, sum_v, _ = self._parts[-1]
        self._parts[-1] = (start_s, n + 1, sum_v + volts, self._used_ah)

    def tick(self, now_s: float, local_date, battery: StateOfCharge) -> NightEnded | None:
        """Begin a night at its dusk and end it at its dawn. local_date: from Unix seconds to the garden's ISO date."""
        if self._dusk_s is None:
            self._dusk_s, self._dawn_s = self._daylight.night_at(now_s) or (None, None)
            return None
        if now_s < self._dawn_s:
            return None
        heard = self._last_s is not None
        load_a = self._used_ah / self._hours if self._hours else None
        slope = self._learn(battery)
        left = None
        if heard and battery.mean is not None and load_a:
            left = max(battery.mean - self._floor, 0.0) * battery.usable_ah / load_a
        night = NightEnded(
            now_s, local_date(self._dusk_s), self._dusk_s, self._dawn_s,
            self._charge_dusk, battery.mean if heard else None,
            self._used_ah if heard else None, self._lowest_v, left,
            slope, self._capacity.ah, *self._capacity.span(), self.resistance_ohm,
        )  # fmt: skip
        self._clear()
        return night

    def _learn(self, battery: StateOfCharge) -> float | None:
        """The voltage's slope in V/h, and what the night says of the capacity."""
        parts = [(start_s, total / n, ah) for start_s, n, total, ah in self._parts]
        if len(parts) < LEAST_PARTS or self._loads[0] < 0.7 * self._loads[1] or battery.basis == "charging":
            return None
        slope, begun_v = linear_regression(
            [(at_s - parts[0][0]) / 3600 for at_s, _, _ in parts], [v for _, v, _ in parts]
        )
        fall_v = -slope * (parts[-1][0] - parts[0][0]) / 3600
        if battery.is_learned and fall_v > LEAST_FALL_V / self._scale:
            share = battery.charge_at(begun_v) - battery.charge_at(begun_v - fall_v)
            if share > 0.03:
                sigma = share * 2**0.5 * PART_ERROR_V / self._scale / fall_v
                self._capacity.add(parts[-1][2] - parts[0][2], share, sigma)
        return slope
