"""The garden's power: a lead battery, its charge controller, and the sun with its clouds.

The battery is a source behind an ohmic resistance and two relaxations, a quick one and a slow one. While charging, the
overvoltage grows as it fills, and part of the current makes gas; so it takes ever less near the top, as real ones do.
A load drops the surface charge faster than rest does. Its voltage is that of a whole step of a few seconds.

Not modelled: stratified acid, ageing within a run, and a capacity that shrinks with cold or with a heavy current: pumps
draw a twentieth of the capacity or less, where those matter little.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import cos, exp, pi, radians, sin
from random import Random

DAY_S = 86400.0


@dataclass(slots=True)
class Battery:
    """Six lead cells behind a charge controller.

    `charge` is the truth that an estimate is held against: the charge left over the charge that this battery holds when
    full, at 25 degC and the 20-hour rate (0 to 1). `capacity_ah` is what it really holds, not what the label says.
    """

    capacity_ah: float
    charge: float
    full_v: float  # rested
    span_v: float  # rested, from full to empty, without the knee
    bow: float
    ohm: float  # ohmic, full, 25 degC
    fast_ohm: float
    slow_ohm: float
    fast_s: float
    slow_s: float
    polar_v: float  # overvoltage of charging
    polar_power: float
    gas_a_per_ah: float  # at 13.5 V
    efficiency: float
    leak_per_s: float  # self-discharge
    absorb_v: float
    float_v: float
    absorb_s: float
    compensation_v_per_c: float
    cut_v: float
    reconnect_v: float
    volts: float = 12.6
    current_a: float = 0.0  # into the battery
    load_on: bool = True
    regulating: bool = False
    stored_ah: float = 0.0  # of all that went in, what stayed
    drawn_ah: float = 0.0
    _fast_v: float = 0.0
    _slow_v: float = 0.0
    _stage: str = "bulk"
    _held_s: float = 0.0
    _dark_s: float = 0.0
    _low_s: float = 0.0

    def rested_v(self, temperature_c: float) -> float:
        empty = 1 - self.charge
        volts = self.full_v - self.span_v * (empty + self.bow * empty * empty) / (1 + self.bow)
        if self.charge < 0.2:
            volts -= 0.9 * exp(-max(self.charge, 0.0) / 0.03)
        return volts + 0.0013 * (temperature_c - 25)

    def advance(self, span_s: float, panel_a: float, load_a: float, temperature_c: float) -> None:
        rested_v = self.rested_v(temperature_c)
        empty = 1 - self.charge
        ohm = self.ohm * (1 + 1.3 * empty * empty) * (1 + 0.008 * (25 - temperature_c))
        charging = self.current_a > 0 or (self.current_a == 0 and panel_a > load_a)
        if charging:
            rate = max(self.current_a / self.capacity_ah, 0.003)
            polar = self.polar_v * rate**-0.3 / self.capacity_ah / (1.035 - self.charge) ** self.polar_power
            fast_ohm, slow_ohm, slow_s = 0.6 * polar, 0.4 * polar, self.slow_s
        else:
            fast_ohm, slow_ohm = self.fast_ohm, self.slow_ohm
            slow_s = self.slow_s / 3 if self._slow_v > 0 else self.slow_s  # a load strips the surface charge
        fast, slow = span_s / (self.fast_s + span_s), span_s / (slow_s + span_s)
        base_v = rested_v + self._fast_v * (1 - fast) + self._slow_v * (1 - slow)
        whole_ohm = ohm + fast * fast_ohm + slow * slow_ohm
        current_a = panel_a - load_a
        limit_v = self._set_point_v(span_s, panel_a, temperature_c)
        self.regulating = panel_a > 0 and base_v + current_a * whole_ohm > limit_v
        if self.regulating:
            current_a = max((limit_v - base_v) / whole_ohm, -load_a)
        self.volts = base_v + current_a * whole_ohm
        self._fast_v += fast * (current_a * fast_ohm - self._fast_v)
        self._slow_v += slow * (current_a * slow_ohm - self._slow_v)
        self.current_a = current_a
        self._store(span_s, current_a, temperature_c)
        self._switch_load(span_s)

    def _store(self, span_s: float, current_a: float, temperature_c: float) -> None:
        if current_a > 0:
            gas_a = self.capacity_ah * self.gas_a_per_ah * 10 ** ((self.volts - 13.5) / 1.3 + (temperature_c - 25) / 35)
            kept = self.efficiency * (1 - exp(-max(1 - self.charge, 0.0) / 0.03))
            stored_ah = max(current_a - gas_a, 0.0) * kept * span_s / 3600
            self.stored_ah += stored_ah
            self.charge = min(self.charge + stored_ah / self.capacity_ah, 1.0)
        else:
            self.drawn_ah -= current_a * span_s / 3600
            self.charge = max(self.charge + current_a * span_s / 3600 / self.capacity_ah, 0.0)
        lost = self.leak_per_s * span_s * self.charge
        self.charge -= lost
        self.drawn_ah += lost * self.capacity_ah

    def _set_point_v(self, span_s: float, panel_a: float, temperature_c: float) -> float:
        self._dark_s = 0.0 if panel_a > 0 else self._dark_s + span_s
        if self._dark_s > 3600 or self.volts < 12.7:
            self._stage, self._held_s = "bulk", 0.0
        elif self._stage == "bulk" and self.regulating:
            self._held_s += span_s
            if self._held_s > self.absorb_s:
                self._stage = "float"
        wanted_v = self.float_v if self._stage == "float" else self.absorb_v
        return wanted_v + self.compensation_v_per_c * (temperature_c - 25)

    def _switch_load(self, span_s: float) -> None:
        self._low_s = self._low_s + span_s if self.volts < self.cut_v else 0.0
        if self.load_on and self._low_s > 60:
            self.load_on = False
        elif not self.load_on and self.volts > self.reconnect_v:
            self.load_on = True


@dataclass(slots=True)
class Sky:
    """The sun over one place, and clouds in bands that come and go by chance."""

    latitude: float
    longitude: float
    gloom: float  # 0 a desert, 1 a wet winter
    rng: Random
    shade: tuple[float, float, float] = (0.0, 0.0, 1.0)  # from and to which hour of solar time, and what is left
    covered: list[tuple[float, float, float]] = field(default_factory=list)  # (start, end, clearness), as staged
    clearness: float = 1.0
    _band: float = 1.0
    _kind: int = 0
    _day: int = -1

    def sun_sine(self, time_s: float) -> float:
        """Sine of the sun's elevation, without refraction or the equation of time: good to a quarter of an hour."""
        day = time_s / DAY_S + 0.5  # days from 1970-01-01 12:00 of the half day before
        tilt = radians(-23.44) * cos(2 * pi * ((day - 0.5) % 365.2422 + 10) / 365.2422)
        hour = 2 * pi * (time_s % DAY_S / DAY_S - 0.5) + radians(self.longitude)
        here = radians(self.latitude)
        return sin(here) * sin(tilt) + cos(here) * cos(tilt) * cos(hour)

    def light(self, time_s: float) -> float:
        """Share of a panel's rated current, 0 to about 1; one call a minute."""
        rng = self.rng
        day = int((time_s / DAY_S) + self.longitude / 360)
        if day != self._day:
            self._day = day
            if rng.random() < 0.6:
                self._kind = 0 if rng.random() > self.gloom else rng.choice((1, 2))
        if rng.random() < 1 / 25:
            self._band = rng.choice(((1.0, 1.0, 0.97, 0.8), (1.0, 0.75, 0.5, 0.3), (0.4, 0.3, 0.2, 0.12))[self._kind])
        band = self._band
        for start_s, end_s, clearness in self.covered:
            if start_s <= time_s < end_s:
                band = clearness
        self.clearness += 0.25 * (band - self.clearness) + rng.gauss(0.0, 0.02)
        self.clearness = min(max(self.clearness, 0.05), 1.1)
        sine = self.sun_sine(time_s)
        hour = (time_s / 3600 + self.longitude / 15) % 24
        left = self.shade[2] if self.shade[0] <= hour < self.shade[1] else 1.0
        return left * self.clearness * sine**1.15 if sine > 0.02 else 0.0
