"""The battery's state of charge, with a 90 % interval and what it rests on.

Theory. A battery that feeds a pump day and night never rests, so its voltage is read under a known load and corrected
by I·R; what remains unknown (this battery's own table between the published ones, the meter's offset, resistance,
usable capacity, how much of the panel's power arrives) is carried along as a cloud of hypotheses. Each hypothesis
predicts the night's voltage; those that predict badly lose weight. By night the charge goes down by the known load. By
day the current is inferred from how far the voltage stands above rest, but is never more than the sun can give, nor
more than the battery accepts near full; a charger that holds its set-point while the sun is strong says that the
battery accepts little, so it is nearly full. The answer is the cloud's mean and its 5 and 95 % quantiles.

It cannot know the absolute charge of a battery that is never full and never rests better than the published tables
agree. One charge, one battery: unequal batteries in parallel are seen as one.

Sources: rested-voltage tables: BCI at 26.7 °C; a maker's T-105 data sheet (x2); AGM and
gel from "TempTab" and from memory; LiFePO4 from a cell model. Temperature coefficient 1.5 mV/K (textbooks, from
memory). Resistance 5-15 mΩ for 100 Ah flooded (from memory). Charge efficiency falls near full (Stevens & Corey 1996,
abstract).
"""

from __future__ import annotations

from bisect import bisect_right
from math import exp, hypot, log
from random import Random

from .daylight import Daylight
from .event import BatteryJudged

Table = tuple[tuple[float, float], ...]

# (state of charge, rested volts of a 12 V battery); flooded lies between the two.
BCI: Table = ((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65))
T105: Table = (
    (0.0, 11.36), (0.1, 11.51), (0.2, 11.66), (0.3, 11.81), (0.4, 11.96), (0.5, 12.10),
    (0.6, 12.24), (0.7, 12.37), (0.8, 12.50), (0.9, 12.62), (1.0, 12.73),
)  # fmt: skip
AGM_LOW: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.30), (0.75, 12.60), (1.0, 12.80))
AGM_HIGH: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.40), (0.75, 12.60), (1.0, 12.80))
GEL: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.35), (0.75, 12.65), (1.0, 12.85))
LIFEPO4: Table = (
    (0.0, 10.0), (0.1, 11.91), (0.2, 12.67), (0.3, 12.82), (0.4, 13.01), (0.5, 13.06),
    (0.6, 13.08), (0.7, 13.10), (0.8, 13.24), (0.9, 13.26), (1.0, 13.40),
)  # fmt: skip
TABLES: dict[str, tuple[Table, Table]] = {
    "flooded": (BCI, T105), "agm": (AGM_LOW, AGM_HIGH), "gel": (AGM_LOW, GEL), "lifepo4": (LIFEPO4, LIFEPO4),
}  # fmt: skip

STEP_S = 600.0
SAY_S = 600.0
PARTICLES = 72
GRID = 100
REST_S = 6 * 3600.0  # idle time before a voltage counts as rested (a battery maker's user guide, §7.4)
INDEPENDENT_S = 5 * 3600.0  # voltages closer than this share the errors of table, temperature and relaxation
CLOUD_SHARE = 0.5  # how far the inferred charging current is off, at random, from step to step
MODEL_ERROR = 0.045  # half width of what no hypothesis covers: the shape of the tables, an uneven temperature
WANDER_H = 0.004  # how far a state of charge strays within an hour from what the model says
SURFACE_H = 1.3  # how fast the surface charge fades from the voltage's meaning


def rested_voltage(table: Table, state_of_charge: float) -> float:
    """Rested volts by linear interpolation; beyond the table's ends its last slope goes on."""
    at = min(max(bisect_right(table, (state_of_charge, 99.0)), 1), len(table) - 1)
    (s0, v0), (s1, v1) = table[at - 1], table[at]
    return v0 + (v1 - v0) * (state_of_charge - s0) / (s1 - s0)


def state_of_charge(table: Table, volts: float) -> float:
    """The state of charge at which the battery rests at `volts`, within 0 to 1."""
    at = next((i for i in range(1, len(table)) if table[i][1] >= volts), len(table) - 1)
    (s0, v0), (s1, v1) = table[at - 1], table[at]
    return min(max(s0 + (s1 - s0) * (volts - v0) / (v1 - v0), 0.0), 1.0)


def _within(charge: float) -> float:
    """The state of charge within 0 to 1. (`min` and `max` would take three times as long, for each hypothesis.)"""
    return 0.0 if charge < 0.0 else 1.0 if charge > 1.0 else charge


class _Hypothesis:
    """One guess at all that is unknown. Volts and ohms are those of a 12 V battery of 100 Ah."""

    __slots__ = ("accept_h", "blend", "capacity", "charge", "gain", "load", "log_weight", "offset_v", "ohm", "slow_ohm")

    def __init__(self, chance: Random, load_spread: float, own_table: bool, least_gain: float) -> None:
        self.charge = chance.uniform(0.15, 1.0)
        self.blend = 0.5 if own_table else chance.uniform(-0.1, 1.1)
        self.offset_v = chance.gauss(0, 0.012)
        self.ohm = 0.011 * exp(chance.gauss(0, 0.35))
        self.slow_ohm = 0.010 * exp(chance.gauss(0, 0.5))
        self.capacity = min(max(chance.gauss(0.92, 0.09), 0.6), 1.15)
        self.load = exp(chance.gauss(0, load_spread))
        self.gain = chance.uniform(least_gain, 0.95)
        self.accept_h = exp(chance.gauss(log(1.6), 0.4))
        self.log_weight = 0.0


SHRINK = 0.985
# Never surer than this of anything, however long the nights agree: the model itself is not better (standard
# deviations).
LEAST_SPREAD = {
    "blend": 0.2, "offset_v": 0.008, "ohm": 0.0015, "slow_ohm": 0.002, "capacity": 0.05, "load": 0.02, "gain": 0.06,
    "accept_h": 0.3, "charge": 0.012,
}  # fmt: skip


class StateOfCharge:
    """The cloud. Feed it every voltage; it steps by ten minutes of the station's time."""

    def __init__(self, battery, panel_w: float | None, load_a: float | None, daylight: Daylight) -> None:
        """battery: the site's table; load_a: all pumps together at 12.6 V, None if nobody measured."""
        self._daylight = daylight
        self._scale = 12.0 / battery.nominal_voltage_v
        self._capacity_ah = battery.capacity_ah * battery.in_parallel
        own = battery.rested_voltage_v
        tables = (tuple((s, v * self._scale) for s, v in own),) * 2 if own else TABLES[battery.chemistry]
        self._lithium = battery.chemistry == "lifepo4"
        # Tables on a fine grid, so that a hypothesis's voltage is one look-up.
        self._grids = [[rested_voltage(table, (i - 5) / GRID) for i in range(GRID + 11)] for table in tables]
        self._load_a = load_a if load_a is not None else 2.0
        # A panel that nobody wrote down is large enough for its load, and may be much larger.
        unknown_w = 16.5 / self._scale * max(0.15 * self._capacity_ah, 7 * self._load_a)
        self._panel_a = (panel_w or unknown_w) / 16.5 * self._scale
        self._chance = Random(7)
        spread = 0.05 if load_a is not None else 0.35
        least_gain = 0.35 if panel_w else 0.2
        self._cloud = [_Hypothesis(self._chance, spread, bool(own), least_gain) for _ in range(PARTICLES)]
        self._load_gain = self._capacity_gain = 1.0
        self.mean: float | None = None
        self.low = self.high = 0.0
        self.basis = "loaded"
        self.volts: float | None = None
        self.judged_s = 0.0
        self.charge_ended_s: float | None = None  # when the sun last charged
        self.idle_since_s: float | None = None
        self._said_s = 0.0
        self._start_s: float | None = None
        self._sum = 0.0
        self._n = 0
        self._held_v = self._held_s = self._top_v = 0.0

    def add(self, time_s: float, volts: float, pumping: bool, celsius: float | None) -> BatteryJudged | None:
        """Take one reading; answers every ten minutes. celsius: of the battery, if known."""
        if self._start_s is None:
            self._start_s = time_s
        elif time_s - self._start_s >= STEP_S:
            self._step(time_s, pumping, celsius)
        self._sum += volts * self._scale
        self._n += 1
        if self.mean is None or time_s - self._said_s < SAY_S or self.judged_s <= self._said_s:
            return None
        self._said_s = time_s
        return BatteryJudged(time_s, self.mean, self.low, self.high, self.basis)

    def load_a(self, volts: float | None) -> float:
        """The pumps' current at this voltage, A."""
        return self._load_a * self._load_gain * (volts * self._scale / 12.6 if volts else 1.0)

    @property
    def usable_ah(self) -> float:
        """Capacity as estimated, ampere-hours."""
        return self._capacity_ah * self._capacity_gain

    def _step(self, time_s: float, pumping: bool, celsius: float | None) -> None:
        dt_s = time_s - self._start_s
        dark = self._daylight.is_dark(time_s)
        volts = self._sum / self._n
        self._start_s, self._sum, self._n = time_s, 0.0, 0
        if dt_s > 3 * STEP_S:
            self._drift(dt_s, dark, pumping)
            dt_s = STEP_S
        charging = not dark and volts > 12.75 + (0.5 if self._lithium else 0.0)
        if charging:
            self.charge_ended_s = time_s
        self.idle_since_s = None if pumping else (self.idle_since_s or time_s)
        self._hold(volts, dt_s)
        if dark:
            self._discharge(volts, dt_s, pumping)
            self._weigh_night(volts, time_s, pumping, celsius, dt_s)
        else:
            self._charge(volts, dt_s, self._daylight.noon_share(time_s), pumping)
        self.basis = "charging" if charging else "loaded"
        if self.idle_since_s and time_s - max(self.idle_since_s, self.charge_ended_s or 0) > REST_S:
            self.basis = "rested"
        self._normalise()
        self.volts, self.judged_s = volts, time_s

    def _hold(self, volts: float, dt_s: float) -> None:
        """How long the voltage has stood still at a charger's set-point."""
        lowest = 13.4 if self._lithium else 13.25
        self._top_v = max(volts, self._top_v - 0.3 * dt_s / 3600 if volts < 13.2 else self._top_v)
        if volts > lowest and abs(volts - self._held_v) < 0.06:
            self._held_s += dt_s
            self._held_v += 0.2 * (volts - self._held_v)
        else:
            self._held_v, self._held_s = volts, 0.0

    def _rest_v(self, h: _Hypothesis) -> float:
        place = (h.charge + 0.05) * GRID
        at = int(place)
        share = place - at
        first, second = self._grids
        one = first[at] + (first[at + 1] - first[at]) * share
        return one + h.blend * (second[at] + (second[at + 1] - second[at]) * share - one) + h.offset_v

    def _discharge(self, volts: float, dt_s: float, pumping: bool) -> None:
        drawn = (self._load_a * volts / 12.6 if pumping else 0.03) * dt_s / 3600 / self._capacity_ah
        stray = WANDER_H * (dt_s / 3600) ** 0.5
        gauss = self._chance.gauss
        for h in self._cloud:
            h.charge = _within(h.charge - drawn * h.load / h.capacity + stray * gauss(0, 1))

    def _weigh_night(self, volts: float, time_s: float, pumping: bool, celsius: float | None, dt_s: float) -> None:
        since_h = (time_s - self.charge_ended_s) / 3600 if self.charge_ended_s else 12.0
        # Surface charge still lifts the voltage by an amount that nobody knows: look away until it has faded.
        sigma = 0.013 + 0.30 * exp(-since_h / SURFACE_H)
        bias = 0.12 * exp(-since_h / SURFACE_H)
        per_ohm = self._load_a * volts / 12.6 * 100 / self._capacity_ah if pumping else 0.0
        if not pumping and self.idle_since_s is not None:
            sigma += 0.05 * exp(-(time_s - self.idle_since_s) / 7200)
        warm = 0.0015 * ((celsius if celsius is not None else 20.0) - 26.0) if not self._lithium else 0.0
        power = -0.5 / sigma**2 * dt_s / INDEPENDENT_S
        for h in self._cloud:
            miss = volts - warm - bias - self._rest_v(h) + per_ohm * h.load * (h.ohm + h.slow_ohm)
            h.log_weight += max(power * miss * miss, -60.0)

    def _charge(self, volts: float, dt_s: float, sun_share: float, pumping: bool) -> None:
        load_a = self._load_a * volts / 12.6 if pumping else 0.0
        size = self._capacity_ah / 100
        held = self._held_s > 900 and sun_share > 0.25
        floating = held and self._top_v - 0.3 > volts > 13.2 and not self._lithium
        gauss = self._chance.gauss
        for h in self._cloud:
            load = load_a * h.load
            most = self._panel_a * h.gain * sun_share - load
            above = volts - self._rest_v(h)
            ohm = h.ohm + h.slow_ohm
            net = above * size / (ohm + 0.06 if above > 0 else ohm)
            accept = self._capacity_ah * (1.02 - h.charge) / h.accept_h
            if net > most:
                net = most
            if net > accept:
                net = accept
            if net < -load:
                net = -load
            if net > 0:
                efficiency = 0.97 if h.charge < 0.8 else max(0.97 - 1.6 * (h.charge - 0.8), 0.5)
                net *= (1.0 if self._lithium else efficiency) * (1 + CLOUD_SHARE * gauss(0, 1))
            h.charge = _within(h.charge + net * dt_s / 3600 / (self._capacity_ah * h.capacity))
            if held and most > 0 and volts > 13.9:
                # The controller holds back: so the battery accepts less than the sun would give.
                excess = (accept - most) / (0.35 * most + 0.02 * self._capacity_ah)
                h.log_weight -= log(1 + exp(min(excess, 30.0))) * dt_s / INDEPENDENT_S
            elif floating:
                # Its controller has gone over to the lower set-point, as they do when a battery is full.
                h.log_weight -= min(((0.98 - h.charge) / 0.04) ** 2 / 2, 30.0) * dt_s / 3600
            elif above < 0.0 and sun_share > 0.5:
                h.log_weight -= min(above * above / (2 * 0.08**2), 20.0) * dt_s / INDEPENDENT_S

    def _drift(self, dt_s: float, dark: bool, pumping: bool) -> None:
        """Nothing was heard for a while: the load went on, and the sun may have done anything."""
        spread = min(0.25, 0.04 * dt_s / 3600)
        for h in self._cloud:
            drawn = self._load_a * h.load * dt_s / 3600 / (self._capacity_ah * h.capacity) if pumping else 0.0
            gained = 0.0 if dark and dt_s < 8 * 3600 else self._chance.uniform(0, 2 * drawn + spread)
            h.charge = _within(h.charge - drawn + gained)

    def _normalise(self) -> None:
        """Bring the weights to sum 1, answer, and draw the cloud anew when few hypotheses carry it."""
        cloud = self._cloud
        top = max([h.log_weight for h in cloud])
        level = top + log(sum([exp(h.log_weight - top) for h in cloud]))
        for h in cloud:
            h.log_weight = max(h.log_weight - level, -700.0)
        weights = [exp(h.log_weight) for h in cloud]
        self._load_gain = sum([weight * h.load for weight, h in zip(weights, cloud, strict=True)])
        self._capacity_gain = sum([weight * h.capacity for weight, h in zip(weights, cloud, strict=True)])
        self.mean = sum([weight * h.charge for weight, h in zip(weights, cloud, strict=True)])
        ranked = sorted([(h.charge, weight) for weight, h in zip(weights, cloud, strict=True)])
        below = hypot(self.mean - self._quantile(ranked, 0.05), MODEL_ERROR)
        above = hypot(self._quantile(ranked, 0.95) - self.mean, MODEL_ERROR)
        self.low, self.high = max(self.mean - below, 0.0), min(self.mean + above, 1.0)
        if 1 / sum(weight * weight for weight in weights) < 0.5 * len(cloud):
            self._redraw(weights)

    @staticmethod
    def _quantile(ranked: list[tuple[float, float]], share: float) -> float:
        total = 0.0
        for charge, weight in ranked:
            total += weight
            if total >= share:
                return charge
        return ranked[-1][0]

    def _redraw(self, weights: list[float]) -> None:
        """Systematic resampling, then a kernel that keeps mean and spread (Liu & West 2001, from memory)."""
        size, at, reached = len(weights), 0, weights[0]
        start = self._chance.random() / size
        drawn: list[_Hypothesis] = []
        for i in range(size):
            while reached < start + i / size and at < size - 1:
                at += 1
                reached += weights[at]
            drawn.append(self._cloud[at])
        gauss = self._chance.gauss
        columns = {}
        for name, least in LEAST_SPREAD.items():
            values = [getattr(h, name) for h in drawn]
            mean = sum(values) / size
            spread = (sum((value - mean) ** 2 for value in values) / size) ** 0.5
            jitter = (max(spread, least) ** 2 - (SHRINK * spread) ** 2) ** 0.5
            columns[name] = [SHRINK * v + (1 - SHRINK) * mean + jitter * gauss(0, 1) for v in values]
        level = -log(size)
        for i, h in enumerate(self._cloud):
            for name, values in columns.items():
                setattr(h, name, values[i])
            h.charge = _within(h.charge)
            h.ohm, h.slow_ohm, h.accept_h = max(h.ohm, 0.002), max(h.slow_ohm, 0.0), max(h.accept_h, 0.3)
            h.gain, h.load, h.capacity = max(h.gain, 0.05), max(h.load, 0.2), min(max(h.capacity, 0.4), 1.2)
            h.log_weight = level
