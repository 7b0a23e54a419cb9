"""One garden's physics: sun, battery, pumps, beds with bell siphons, sump and fish water.

The water goes round: a pump lifts it from the sump through a manifold into beds; a bed fills to its standpipe, trickles
over the crest until the siphon has swallowed its air, drains to where the snorkel lets air in, and fills again. The
pump's lift follows the battery's voltage, and the battery follows the sun.

It is stepped: `Garden.advance(until_s)` moves everything on, after which the attributes tell the present truth and
`edges` holds what the float switches did. It knows nothing of the engine that judges it and shares no curve with it, so
that agreement between the two means something. Units: SI, save where a name ends otherwise. Sun and battery: power.py.

Assumed: open-ended outlets (a bed's level does not press back on the pump), a bed as a prism, instant mixing. Not
modelled: film drainage from the medium.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, pi, sin, sqrt
from random import Random

from .power import DAY_S, Battery, Sky

GRAVITY = 9.80665
STEP_S = 5.0  # the battery and the flows stand still for this long
REST_S = 2.0  # a float that stays put this long has settled
FINE_S = 0.25  # ripple is looked at this closely, near a float's trip point only
WEIR = 1.75  # broad crest, SI: q = WEIR * rim * head^1.5

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
    mains_a: float = 0.0  # of a charger that the owner has put on; it holds the same voltages as the controller
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
        battery.advance(span_s, self.panel_now_a + self.mains_a, load_a, self.battery_c)
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
