"""One garden's physics: sun, battery, pumps, beds with bell siphons, sump and fish water.

The water goes round: a pump lifts it from the sump through a manifold into beds; a bed fills to its standpipe, trickles
over the crest until the siphon has swallowed its air, drains to where the snorkel lets air in, and fills again. The
pump's lift follows the battery's voltage, and the battery follows the sun.

It is stepped: `Garden.advance(until_s)` moves everything on, after which the attributes tell the present truth and
`edges` holds what the float switches did. It knows nothing of the engine that judges it and shares no curve with it, so
that agreement between the two means something. Units: SI, save where a name ends otherwise.

Assumed: open-ended outlets (a bed's level does not press back on the pump), a bed as a prism, instant mixing. Not
modelled: film drainage from the medium, stratified acid, a battery's ageing within a run.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import cos, exp, pi, radians, sin, sqrt
from random import Random

GRAVITY = 9.80665
STEP_S = 5.0  # the battery and the flows stand still for this long
REST_S = 2.0  # a float that stays put this long has settled
FINE_S = 0.25  # ripple is looked at this closely, near a float's trip point only
WEIR = 1.75  # broad crest, SI: q = WEIR * rim * head^1.5
DAY_S = 86400.0

FILLING, PRIMING, SIPHONING, BREAKING, DRIBBLING = "filling", "priming", "siphoning", "breaking", "dribbling"


@dataclass(slots=True)
class Float:
    """A float switch: trips up half its hysteresis above `height_m` and down half of it below.

    `rose_s` and `fell_s`: since when it was last wet, and last dry, for two seconds without a break.
    """

    height_m: float
    hysteresis_m: float
    wet: bool = False
    rose_s: float | None = None
    fell_s: float | None = None
    _since_s: float = 0.0
    _rests_wet: bool = False

    def trip(self, at_s: float) -> None:
        self.settle(at_s)
        self.wet, self._since_s = not self.wet, at_s

    def settle(self, now_s: float) -> None:
        if self.wet is not self._rests_wet and now_s - self._since_s >= REST_S:
            self._rests_wet = self.wet
            if self.wet:
                self.rose_s = self._since_s
            else:
                self.fell_s = self._since_s


@dataclass(slots=True)
class Drain:
    """A cycle as it truly was: the float's last fall, and how long it had been wet, and dry before that."""

    time: float
    high_s: float | None
    low_s: float | None


@dataclass(slots=True)
class Bed:
    """A flooding bed. `area_m2` is drainable: the plan's area times the medium's void fraction."""

    name: str
    area_m2: float
    standpipe_m: float
    break_m: float
    outlet_below_m: float  # under the bed's floor
    bore_m: float
    discharge: float
    branch: float  # conductance of hose and valve, relative to the pump's other beds
    choke_m3_s: float  # least overflow that carries the bell's air away
    prime_s: float
    break_s: float
    floats: dict[str, Float]
    ripple_m: float = 0.001
    ripple_s: float = 1.0
    dribble_m: float = 0.02  # where the level stalls when the siphon will not break
    primes: bool = True
    breaks: bool = True
    level_m: float = 0.0
    state: str = FILLING
    cycles: list[Drain] = field(default_factory=list)
    _wait_s: float = 0.0
    _surge: float = 0.0
    _siphoned_s: float = 0.0
    _counted: bool = True

    def siphon_m3_s(self, level_m: float) -> float:
        """What a full siphon carries at that level."""
        bore = pi * self.bore_m * self.bore_m / 4
        return self.discharge * bore * sqrt(2 * GRAVITY * max(level_m + self.outlet_below_m, 0.0))

    def advance(self, now_s: float, span_s: float, inflow_m3_s: float, rng: Random, edges: list) -> float:
        """Moves on by `span_s`; appends (time, bed, float, wet) to `edges`; gives the water that left the bed, m3."""
        left = 0.0
        end_s = now_s + span_s
        while (rest_s := end_s - now_s) > 1e-9:
            before_m = self.level_m
            took_s, out = PIECES[self.state](self, now_s, rest_s, inflow_m3_s, rng)
            self.level_m += (inflow_m3_s * took_s - out) / self.area_m2
            left += out
            self._watch(now_s, took_s, before_m, inflow_m3_s > 0.0, rng, edges)
            now_s += took_s
            if not self._counted and self.state in (FILLING, DRIBBLING):
                self._count(now_s)
        return left

    def _fill(self, now_s, rest_s, inflow, rng):
        rise = inflow / self.area_m2
        to_top_m = self.standpipe_m - self.level_m
        if rise * rest_s < to_top_m:
            return rest_s, 0.0
        self.state = PRIMING
        self._wait_s = self.prime_s * rng.lognormvariate(0.0, 0.25)
        return max(to_top_m / rise, 0.0) if rise > 0 else 0.0, 0.0

    def _prime(self, now_s, rest_s, inflow, rng):
        part_s = min(rest_s, 0.5)
        head_m = max(self.level_m - self.standpipe_m, 0.0)
        out = min(WEIR * pi * self.bore_m * head_m**1.5, inflow + self.area_m2 * head_m / part_s)
        if self.primes and out >= self.choke_m3_s:
            self._wait_s -= part_s
            if self._wait_s <= 0:
                self.state, self._counted, self._siphoned_s = SIPHONING, False, now_s
        elif inflow == 0.0 and head_m < 1e-4:
            self.state = FILLING
        return part_s, out * part_s

    def _siphon(self, now_s, rest_s, inflow, rng):
        part_s = min(rest_s, 1.0)
        first = self.siphon_m3_s(self.level_m)
        out = self.siphon_m3_s(self.level_m + (inflow - first) * part_s / 2 / self.area_m2)
        fall = (out - inflow) / self.area_m2
        if self.level_m - fall * part_s > self.break_m:
            return part_s, out * part_s
        part_s = min(part_s, (self.level_m - self.break_m) / fall) if fall > 0 else part_s
        self.state = BREAKING if self.breaks else DRIBBLING
        self._wait_s = self.break_s * rng.lognormvariate(0.0, 0.25)
        return part_s, out * part_s

    def _break(self, now_s, rest_s, inflow, rng):
        part_s = min(rest_s, 1.0, max(self._wait_s, 0.01))
        slack = self._wait_s / (self._wait_s + self.break_s)  # air comes in, the flow dies away
        out = min(self.siphon_m3_s(self.level_m) * slack * part_s, self.area_m2 * max(self.level_m, 0.0))
        self._wait_s -= part_s
        if self._wait_s <= 0:
            self.state = FILLING
        return part_s, out

    def _dribble(self, now_s, rest_s, inflow, rng):
        part_s = min(rest_s, 5.0)
        out = max(inflow + self.area_m2 * (self.level_m - self.dribble_m) / 30.0, 0.0)
        if self.breaks:
            self.state = FILLING
        return part_s, out * part_s

    def _watch(self, now_s: float, span_s: float, before_m: float, flowing: bool, rng: Random, edges: list) -> None:
        """Trips the floats; between two calls the mean level is a straight line, with ripple on it."""
        after_m = self.level_m
        ripple_m = self.ripple_m if flowing or self.state is SIPHONING else self.ripple_m * 0.1
        low_m, high_m = (before_m, after_m) if before_m < after_m else (after_m, before_m)
        for name, switch in self.floats.items():
            trip_m = switch.height_m + (-0.5 if switch.wet else 0.5) * switch.hysteresis_m
            reach_m = 3.5 * ripple_m
            if (low_m - reach_m > trip_m) if switch.wet else (high_m + reach_m < trip_m):
                continue
            self._look_closely(name, switch, now_s, span_s, before_m, ripple_m, rng, edges)

    def _look_closely(self, name, switch, now_s, span_s, before_m, ripple_m, rng, edges) -> None:
        steps = max(1, round(span_s / FINE_S))
        keep = exp(-span_s / steps / self.ripple_s)
        kick = sqrt(1 - keep * keep)
        half_m = switch.hysteresis_m / 2
        for step in range(1, steps + 1):
            self._surge = self._surge * keep + kick * rng.gauss(0.0, 1.0)
            level_m = before_m + (self.level_m - before_m) * step / steps + ripple_m * self._surge
            wet = level_m > switch.height_m - half_m if switch.wet else level_m > switch.height_m + half_m
            if wet is not switch.wet:
                at_s = now_s + span_s * step / steps
                switch.trip(at_s)
                edges.append((at_s, self.name, name, wet))

    def _count(self, now_s: float) -> None:
        """The siphon has ended its run: a cycle, if the upper float fell for good in it."""
        upper = self.floats["high"]
        upper.settle(now_s)
        if now_s - upper._since_s < REST_S:
            return
        self._counted = True
        if upper.wet or upper.fell_s is None or upper.fell_s < self._siphoned_s:
            return
        rose_s = upper.rose_s if upper.rose_s is not None and upper.rose_s < upper.fell_s else None
        before = self.cycles[-1].time if self.cycles else None
        self.cycles.append(
            Drain(
                upper.fell_s,
                None if rose_s is None else upper.fell_s - rose_s,
                None if rose_s is None or before is None else rose_s - before,
            )
        )


PIECES = {
    FILLING: Bed._fill,
    PRIMING: Bed._prime,
    SIPHONING: Bed._siphon,
    BREAKING: Bed._break,
    DRIBBLING: Bed._dribble,
}


@dataclass(slots=True)
class Pump:
    """A DC pump: shut-off head grows with voltage, a curve q^2 inside it, all its branches behind one manifold."""

    name: str
    feeds: list[Bed]
    flow_m3_s: float  # at 12.6 V, sump full, everything clean and open
    lift_m: float
    shut_off_m: float  # at 12.6 V
    volts_power: float
    inner_share: float  # of the head lost, the part that is lost inside the pump when all branches are open
    current_a: float  # at 12.6 V
    current_power: float
    running: bool = True  # false: no power reaches it
    lifting: float = 1.0  # 0 with the hose off or the rotor blocked; fouling lowers it
    current_factor: float = 1.0
    _branches: float = 0.0

    def __post_init__(self) -> None:
        self._branches = sum(bed.branch for bed in self.feeds)

    def flow_now_m3_s(self, volts: float, sump_down_m: float) -> float:
        head_m = self.shut_off_m * (volts / 12.6) ** self.volts_power - self.lift_m - sump_down_m
        open_branches = sum([bed.branch for bed in self.feeds])
        if head_m <= 0 or open_branches <= 0 or not self.running or volts < 6:
            return 0.0
        relative = open_branches / self._branches
        # head = (inner + outer / relative^2) q^2, with inner + outer scaled to the clean flow
        resist = self.inner_share + (1 - self.inner_share) / (relative * relative)
        return self.lifting * self.flow_m3_s * sqrt(head_m / (self.shut_off_m - self.lift_m) / resist)

    def current_now_a(self, volts: float) -> float:
        return self.current_a * self.current_factor * (volts / 12.6) ** self.current_power if self.running else 0.0


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
            polar = self.polar_v * rate**-0.3 / self.capacity_ah / (1.06 - self.charge) ** self.polar_power
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
        return self.clearness * sine**1.15 if sine > 0.02 else 0.0


@dataclass(slots=True)
class Warmth:
    """Air, fish water and battery, degC: a daily swing about a mean, with slow weather on it."""

    air_c: float
    swing_c: float
    water_c: float
    water_swing_c: float
    water_ramp_c_per_h: float = 0.0  # a heater stuck on, a cold spell
    _weather_c: float = 0.0
    _ramped_c: float = 0.0

    def advance(self, span_s: float, rng: Random) -> None:
        keep = exp(-span_s / (1.5 * DAY_S))
        self._weather_c = self._weather_c * keep + rng.gauss(0.0, 1.5) * sqrt(1 - keep * keep)
        self._ramped_c += self.water_ramp_c_per_h * span_s / 3600

    def battery_now_c(self, solar_s: float) -> float:
        return self.air_c + self._weather_c + 0.6 * self.swing_c * sin(2 * pi * (solar_s / DAY_S - 0.45))

    def water_now_c(self, solar_s: float) -> float:
        swing_c = self.water_swing_c * sin(2 * pi * (solar_s / DAY_S - 0.46))
        return self.water_c + 0.4 * self._weather_c + swing_c + self._ramped_c


@dataclass(slots=True)
class Sump:
    """The tank below: `volume_m3` is what is in it now."""

    volume_m3: float
    area_m2: float
    low_m: float  # the mark of its float
    full_m: float  # the level with all beds drained
    evaporates_m3_s: float = 0.0
    leaks_m3_s: float = 0.0
    lost_m3: float = 0.0
    low_wet: bool = True


@dataclass
class Garden:
    """Everything together. `edges` collects (time, bed or "sump", float, wet); whoever reads it, clears it."""

    now_s: float
    beds: list[Bed]
    pumps: list[Pump]
    battery: Battery
    panel_a: float  # at full sun
    sky: Sky
    warmth: Warmth
    sump: Sump
    electronics_a: float
    rng: Random
    fouling_per_day: float = 0.0
    panel_connected: bool = True
    edges: list[tuple[float, str, str, bool]] = field(default_factory=list)
    light: float = 0.0
    battery_c: float = 20.0
    water_c: float = 18.0
    pump_a: dict[str, float] = field(default_factory=dict)
    flow_m3_s: dict[str, float] = field(default_factory=dict)
    _minute: int = -1
    _wobble: float = 0.0

    def advance(self, until_s: float) -> None:
        """Moves the whole garden on to `until_s`, in steps of at most five seconds."""
        while until_s - self.now_s > 1e-6:
            span_s = min(STEP_S, until_s - self.now_s)
            self._step(span_s)
            self.now_s += span_s

    @property
    def panel_now_a(self) -> float:
        """What the panel could give; the controller takes what it wants of it."""
        return self.panel_a * self.light if self.panel_connected else 0.0

    def water_m3(self) -> float:
        """All water in the garden, and what evaporated or leaked away: constant."""
        return self.sump.volume_m3 + self.sump.lost_m3 + sum(bed.area_m2 * bed.level_m for bed in self.beds)

    def _step(self, span_s: float) -> None:
        if int(self.now_s // 60) != self._minute:
            self._each_minute()
        battery, sump = self.battery, self.sump
        load_a = self.electronics_a
        down_m = sump.full_m - sump.volume_m3 / sump.area_m2
        for pump in self.pumps:
            powered = battery.load_on
            pump_a = pump.current_now_a(battery.volts) if powered else 0.0
            flow = pump.flow_now_m3_s(battery.volts, down_m) * (1 + self._wobble) if powered else 0.0
            if sump.volume_m3 < 0.02 * sump.area_m2:
                flow = 0.0  # it sucks air
            self.pump_a[pump.name], self.flow_m3_s[pump.name] = pump_a, flow
            load_a += pump_a
            branches = sum([bed.branch for bed in pump.feeds]) or 1.0
            for bed in pump.feeds:
                inflow = flow * bed.branch / branches
                out = bed.advance(self.now_s, span_s, inflow, self.rng, self.edges)
                sump.volume_m3 += out - inflow * span_s
        battery.advance(span_s, self.panel_now_a, load_a, self.battery_c)
        self._lose_water(span_s)

    def _each_minute(self) -> None:
        self._minute = int(self.now_s // 60)
        solar_s = (self.now_s + self.sky.longitude * 240) % DAY_S
        self.light = self.sky.light(self.now_s)
        self.warmth.advance(60.0, self.rng)
        self.battery_c = self.warmth.battery_now_c(solar_s)
        self.water_c = self.warmth.water_now_c(solar_s)
        keep = exp(-60 / 10800)
        self._wobble = self._wobble * keep + self.rng.gauss(0.0, 0.012) * sqrt(1 - keep * keep)
        for pump in self.pumps:
            pump.lifting *= 1 - self.fouling_per_day / 1440

    def _lose_water(self, span_s: float) -> None:
        sump = self.sump
        lost = min((sump.evaporates_m3_s + sump.leaks_m3_s) * span_s, max(sump.volume_m3, 0.0))
        sump.volume_m3 -= lost
        sump.lost_m3 += lost
        level_m = sump.volume_m3 / sump.area_m2
        wet = level_m > sump.low_m - (0.004 if sump.low_wet else -0.004)
        if wet is not sump.low_wet:
            sump.low_wet = wet
            self.edges.append((self.now_s + span_s, "sump", "low", wet))
