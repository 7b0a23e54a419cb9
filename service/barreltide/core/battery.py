"""The battery's state of charge, with a 90 % interval and what it rests on.

Theory. A battery that feeds a pump day and night never rests, so by night its voltage is read under a known load and
corrected by I·R; the charge goes down by that load. By day the current is inferred from how far the voltage stands
above rest, but is never more than the sun can give, nor more than the battery accepts near full; a charger that holds
its set-point while the sun is strong says that the battery accepts little, so it is nearly full. Where sensors read
the currents, those count. When the pumps stand still and nothing charges, the voltage goes to where it would come to
rest (see lead.rested_estimate); it is called rested after six hours, not before. All that is unknown is carried along
by a cloud of hypotheses (cloud.py); the answer is its mean and its 5 and 95 % quantiles.

It cannot know the absolute charge of a battery that is never full and never rests better than the published tables
and the voltmeter agree.

Sources: temperature coefficient, tables and times of rest: lead.py. How surface charge fades under a small load: an
hour or so (deep-cycle practice, from memory).
"""

from __future__ import annotations

from collections import deque
from math import exp, hypot

from .cloud import MOST_GAIN, SURFACE_SHARE, Cloud
from .daylight import Daylight
from .event import BatteryJudged
from .lead import REST_S, RESTED_V_PER_K, TABLES, rested_estimate

STEP_S = 840.0  # a judgement is told at least every quarter of an hour
PUMPS_H = 50.0  # a guess where nobody measured: the hours in which all pumps would empty the battery
STATION_A = 0.08  # what the boards draw beside the pumps, and a little self-discharge
PANEL_V = 16.5  # at which a panel gives its power: the current of a charger that only connects it
LOAD_SPREAD, LOAD_SPREAD_UNKNOWN, STATION_UNSURE_A = 0.05, 0.4, 0.05
# Half width of what no hypothesis covers: the shape of tables that are not the battery's own. Those of lithium, of
# which 0.2 V span half the charge, differ most, and one of its own is no better.
MODEL_ERROR, LITHIUM_MODEL_ERROR = 0.008, 0.08
VOLT_ERROR_V, LITHIUM_VOLT_ERROR_V = 0.013, 0.06  # of a steady voltage under load
SURFACE_H, SURFACE_V, SURFACE_UNSURE_V = 0.9, 0.12, 0.30  # surface charge: fades to a third within an hour (cloud.py)
DARKEST_SKY = 0.1  # of a clear one; rain clouds over the whole sky leave a sixth (Kasten and Czeplak 1980, from memory)
CHARGING_V = 0.03  # above rest: current flows in
LEARNED_S = 2 * 3600.0  # of night, before what is rest is taken from the cloud …
UNLEARNED_CHARGING_V = 12.75  # … and not from this
CHARGER_V, JUMP_V = 0.15, 0.10  # so far above a full battery's rest, and so suddenly, by night: a mains charger …
STEADY_V, LEAST_FLOAT_V = 0.01, 13.3  # … and while it does not move, nor stands below where chargers float
SETTLED_V = 0.06  # a charger's set-point stands so still
DROPPED_V = 0.3  # below the highest of the day: gone over to float
MOST_RESTED = 96  # thinned out beyond: a day


class StateOfCharge:
    """Feed it every voltage and current; it steps by fourteen minutes of the station's time."""

    def __init__(self, battery, panel_w: float | None, pumps_a: dict[str, float | None], daylight: Daylight) -> None:
        """battery: the site's table; pumps_a: each pump's current at 12.6 V, None if nobody measured."""
        self._daylight = daylight
        self._scale = 12.0 / battery.nominal_voltage_v
        self._label_ah = battery.capacity_ah * battery.in_parallel
        own = battery.rested_voltage_v
        tables = (tuple((s, v * self._scale) for s, v in own),) * 2 if own else TABLES[battery.chemistry]
        self._full_v = max(table[-1][1] for table in tables)
        is_known = None not in pumps_a.values()
        guess_a = self._label_ah / PUMPS_H / len(pumps_a)
        self._pumps_a = {name: guess_a if amps is None else amps for name, amps in pumps_a.items()}
        # A panel that nobody wrote down is large enough for its load, and may be much larger.
        unknown_w = PANEL_V / self._scale * max(0.15 * self._label_ah, 12 * sum(self._pumps_a.values()))
        self._panel_a = (panel_w or unknown_w) / PANEL_V * self._scale
        self._cloud = Cloud(
            battery.chemistry, tables, self._label_ah,
            hypot(LOAD_SPREAD, STATION_UNSURE_A / sum(self._pumps_a.values())) if is_known else LOAD_SPREAD_UNKNOWN,
            0.35 if panel_w else 0.2,
        )  # fmt: skip
        self._model_error, self._volt_error_v = 0.0 if own else MODEL_ERROR, VOLT_ERROR_V
        if self._cloud.is_lithium:
            self._model_error, self._volt_error_v = LITHIUM_MODEL_ERROR, LITHIUM_VOLT_ERROR_V
        self.mean: float | None = None
        self.low = self.high = 0.0
        self.basis = "loaded"
        self.volts: float | None = None
        self.judged_s = 0.0
        self.charge_ended_s: float | None = None
        self.idle_since_s: float | None = None
        self._steady_a, self._pumps_now_a = STATION_A, sum(self._pumps_a.values())
        self._start_s: float | None = None
        self._sum, self._n = 0.0, 0
        self._currents: dict[str, tuple[float, int]] = {}  # of this step: sum and number, by sensor
        self._measured_a: dict[str, float] = {}  # of the last step
        self._running: frozenset[str] = frozenset(self._pumps_a)
        self._unweighed_s = 0.0
        self._dark_s = 0.0  # how much night has been weighed …
        self._doubted_from_s = 0.0  # … and how much of it when pumps' loads last came to be in doubt
        self._idle: deque[tuple[float, float]] = deque(maxlen=MOST_RESTED)
        self._held_v = self._held_s = self._top_v = self._surface_v = 0.0
        self._rested_v = 0.0  # what the cloud believes since the newest judgement

    # -- what comes in

    def add(self, time_s: float, volts: float, running: frozenset[str], celsius: float | None) -> BatteryJudged | None:
        """Take one voltage; answers every fourteen minutes. running: the pumps that do; celsius: where it stands."""
        judged = None
        if self._start_s is None or time_s < self._start_s:  # at first, and when the station's clock was set back
            self._start_s, self._sum, self._n = time_s, 0.0, 0
            self.charge_ended_s = self.idle_since_s = None
            self._idle.clear()
        elif time_s - self._start_s >= STEP_S:
            self._step(time_s, running, celsius)
            judged = BatteryJudged(time_s, self.mean, self.low, self.high, self.basis)
        self._sum += volts * self._scale
        self._n += 1
        return judged

    def hear_current(self, sensor: str, amperes: float) -> None:
        """One reading of a pump's sensor (by the pump's name), or of the panel's ("panel")."""
        total, n = self._currents.get(sensor, (0.0, 0))
        self._currents[sensor] = (total + amperes, n + 1)

    def hear_resistance(self, ohm: float, sigma_ohm: float) -> None:
        """The series resistance, as a step of the load has shown it."""
        self._cloud.weigh_ohm(ohm, sigma_ohm)
        self._rested_v = self._cloud.rested_v()

    def doubt_loads(self, pumps: frozenset[str], running: frozenset[str]) -> None:
        """These of the running pumps lift no water, and nothing has told whether they still draw: a blocked one may
        draw more, less, or the same. From now on their part of the load is unknown, and what the voltage does then
        tells. Once none is in doubt the load is again what it was. To be told whenever either set changes."""
        guesses = [name for name in sorted(running) if name not in self._measured_a]
        guessed_a = STATION_A + sum([self._pumps_a[name] for name in guesses])
        self._cloud.doubt_loads([self._pumps_a[name] / guessed_a for name in guesses if name in pumps])
        self._doubted_from_s = self._dark_s

    def gone_share(self) -> float | None:
        """How likely the load in doubt is gone, 0 to 1. None while none is, or the voltage cannot tell: two are, or not
        enough of a night has been since."""
        return self._cloud.gone_share() if self._dark_s - self._doubted_from_s >= LEARNED_S else None

    # -- what is asked

    def load_a(self, volts: float) -> float:
        """What is drawn of the battery at this voltage, A, by the newest judgement."""
        return self._steady_a + self._pumps_now_a * volts * self._scale / 12.6

    def clear_sky_a(self, time_s: float) -> float:
        """The most that the panel can give at that time, A."""
        return MOST_GAIN * self._panel_a * self._daylight.noon_share(time_s)

    def dark_sky_a(self, time_s: float) -> float:
        """What even the darkest clouds let the panel give at that time, A."""
        return DARKEST_SKY * self._cloud.mean("gain") * self._panel_a * self._daylight.noon_share(time_s)

    def pump_a(self, name: str) -> float:
        """A pump's current at 12.6 V, as written down or guessed."""
        return self._pumps_a[name]

    @property
    def usable_ah(self) -> float:
        """Capacity as estimated, ampere-hours."""
        return self._label_ah * self._cloud.mean("capacity")

    @property
    def is_learned(self) -> bool:
        """Whether enough of a night has been seen for voltages to be foretold."""
        return self._dark_s >= LEARNED_S

    def drop_v(self) -> float:
        """By how much the present load pulls the voltage down, once that has settled, V."""
        return self._cloud.drop_v(self.mean, self.load_a(self.volts or 12.6)) / self._scale

    def rested_v(self) -> float:
        """What the station would read just now if the battery rested, V."""
        return self._rested_v / self._scale

    def charge_at(self, volts: float) -> float:
        """The charge at which the station would read so many volts under the present load."""
        return self._cloud.charge_at(volts * self._scale, self.load_a(volts))

    # -- a step

    def _load(self, volts: float) -> tuple[float, float]:
        """Amperes as measured, and as guessed."""
        measured = self._measured_a
        known_a = sum([amps for name, amps in measured.items() if name != "panel"])
        guess_a = sum([amps for name, amps in self._pumps_a.items() if name in self._running and name not in measured])
        return known_a, STATION_A + guess_a * volts / 12.6

    def _step(self, time_s: float, running: frozenset[str], celsius: float | None) -> None:
        dt_s = time_s - self._start_s
        volts = self._sum / self._n
        self._start_s, self._sum, self._n = time_s, 0.0, 0
        self._running = running
        self._measured_a = {name: max(total / n, 0.0) for name, (total, n) in self._currents.items()}
        self._currents.clear()
        dark, cloud = self._daylight.is_dark(time_s), self._cloud
        known_a, guessed_a = self._load(volts)
        rested_v = self._rested_v if self.is_learned else 0.0
        surface_v = self._surface(volts, dt_s, rested_v)
        if dt_s > 3 * STEP_S:
            cloud.drift(dt_s, known_a, guessed_a, dark and dt_s < 8 * 3600)
            dt_s, rested_v = STEP_S, cloud.rested_v()
        is_charging = self._is_charging(volts, dark, rested_v)
        if is_charging:
            self.charge_ended_s = time_s
        self._note_rest(time_s, volts, is_charging)
        self._hold(volts, dt_s)
        since_s = time_s - self.charge_ended_s if self.charge_ended_s else 12 * 3600.0
        panel_a = self._measured_a.get("panel")
        if dark and not is_charging:
            cloud.discharge(dt_s, known_a, guessed_a)
            self._dark_s += dt_s
        elif panel_a is not None and not dark:
            cloud.charge_measured(volts, dt_s, known_a, guessed_a, panel_a, self._held_s > 900)
        else:
            sun = self._daylight.noon_share(time_s)
            held = self._held_s > 900 and sun > 0.25
            floating = held and self._top_v - DROPPED_V > volts > 13.2 and not cloud.is_lithium
            most_a = self._panel_a * sun if not dark else 0.25 * self._label_ah
            surface_v = surface_v if self.is_learned else None
            cloud.charge(volts, dt_s, known_a, guessed_a, most_a, held, floating, surface_v)
        if (dark and not is_charging) or (self.idle_since_s is not None and since_s > LEARNED_S):
            self._unweighed_s += dt_s
            if self._unweighed_s > 1.5 * STEP_S:  # neighbours say the same: every other one is enough
                self._weigh(volts, time_s, since_s, self._unweighed_s, known_a, guessed_a, celsius)
                self._unweighed_s = 0.0
        cloud.normalise()
        self._answer(time_s, volts, is_charging, known_a, guessed_a)

    def _is_charging(self, volts: float, dark: bool, rested_v: float) -> bool:
        before_v = self.volts if self.volts is not None else volts
        if dark:
            goes_on = self.basis == "charging" and volts > max(before_v - STEADY_V, LEAST_FLOAT_V)
            return volts > self._full_v + CHARGER_V and (goes_on or volts > before_v + JUMP_V)
        if not self.is_learned:
            return volts > UNLEARNED_CHARGING_V + (0.5 if self._cloud.is_lithium else 0.0)
        if self.idle_since_s is not None and self.basis != "charging" and volts < before_v + STEADY_V:
            return False  # what only fades at rest has not begun to charge, however much it stands above
        return volts > rested_v + CHARGING_V

    def _surface(self, volts: float, dt_s: float, rested_v: float) -> float:
        """What the current of before this step has left on the battery, V; less than zero after a load. It is then
        brought up to date."""
        before_v, fades = self._surface_v, exp(-dt_s / 3600 / SURFACE_H)
        above_v = volts - rested_v if self.is_learned else 0.0
        self._surface_v = before_v * fades + SURFACE_SHARE * above_v * (1 - fades)
        return before_v

    def _note_rest(self, time_s: float, volts: float, is_charging: bool) -> None:
        if self._running or is_charging or sum(self._load(volts)) > 2 * STATION_A:
            self.idle_since_s = None
            self._idle.clear()
            return
        self.idle_since_s = self.idle_since_s or time_s
        if len(self._idle) == MOST_RESTED:
            kept = list(self._idle)[::2]
            self._idle.clear()
            self._idle.extend(kept)
        self._idle.append((time_s, volts))

    def _hold(self, volts: float, dt_s: float) -> None:
        """How long the voltage has stood still at a charger's set-point."""
        lowest = 13.4 if self._cloud.is_lithium else 13.25
        self._top_v = max(volts, self._top_v - 0.3 * dt_s / 3600 if volts < 13.2 else self._top_v)
        if volts > lowest and abs(volts - self._held_v) < SETTLED_V:
            self._held_s += dt_s
            self._held_v += 0.2 * (volts - self._held_v)
        else:
            self._held_v, self._held_s = volts, 0.0

    def _weigh(
        self, volts: float, time_s: float, since_s: float, dt_s: float, known_a: float, guessed_a: float,
        celsius: float | None,
    ) -> None:  # fmt: skip
        warm_v = 0.0 if self._cloud.is_lithium else RESTED_V_PER_K * ((20.0 if celsius is None else celsius) - 26.0)
        surface = exp(-since_s / 3600 / SURFACE_H)
        # Surface charge still lifts the voltage by an amount that nobody knows: look away until it has faded.
        sigma_v = self._volt_error_v + SURFACE_UNSURE_V * surface
        volts -= SURFACE_V * surface
        if self.idle_since_s is not None:
            begun_s = max(self.idle_since_s, self.charge_ended_s or 0.0)
            kept = [(at_s - begun_s, v) for at_s, v in self._idle if at_s > begun_s]
            rested = rested_estimate([at_s for at_s, _ in kept], [v for _, v in kept])
            if rested is None:
                return
            volts, sigma_v = rested[0], hypot(rested[1], self._volt_error_v)
        self._cloud.weigh_voltage(volts - warm_v, sigma_v, dt_s, known_a, guessed_a)

    def _answer(self, time_s: float, volts: float, is_charging: bool, known_a: float, guessed_a: float) -> None:
        cloud = self._cloud
        self._rested_v = cloud.rested_v()
        self.mean = min(max(cloud.mean("charge"), 0.0), 1.0)
        low, high = cloud.quantiles(0.05, 0.95)
        self.low = max(self.mean - hypot(self.mean - low, self._model_error), 0.0)
        self.high = min(self.mean + hypot(high - self.mean, self._model_error), 1.0)
        gain = cloud.mean("load")
        self._steady_a, self._pumps_now_a = known_a + STATION_A * gain, (guessed_a - STATION_A) * gain * 12.6 / volts
        self.basis = "charging" if is_charging else "loaded"
        if self.idle_since_s and time_s - max(self.idle_since_s, self.charge_ended_s or 0.0) >= REST_S + STEP_S:
            self.basis = "rested"
        self.volts, self.judged_s = volts, time_s
