"""What the battery means for the coming hours: too low, not charging, charged too hard, not till morning.

Theory. By night the charge goes down at the pumps' load, so the charge at which the sun will find the battery can be
told hours ahead; charging begins some time after sunrise, as it did on recent mornings. By day a panel that gives
anything lifts the voltage well above where the night left it. A charger that works keeps to its chemistry's limit,
which rises as it gets colder.

It assumes that tonight's load is the load of now. It cannot tell a dead panel from a day as dark as dusk, and says so.

Sources: absorption 14.82 V flooded, 14.7-15.0 V AGM, 14.4 V gel at 25 °C, -30 mV/K (makers'
sheets); LiFePO4 14.6 V from memory.
"""

from __future__ import annotations

from collections import deque
from statistics import median

from .alarm import Alarms
from .battery import StateOfCharge
from .daylight import Daylight

HIGHEST_V = {"flooded": 14.82, "agm": 15.0, "gel": 14.4, "lifepo4": 14.6}
HIGH_MARGIN_V, HIGH_FOR_S = 0.35, 1200.0
COMPENSATION_V_PER_K = -0.030
CHARGE_LIFT_V = 0.10
CHARGING_V = 12.9
LOW_FOR_S = 1200.0
FLOOR_DEADBAND = 0.04
UNSURE = 0.25  # an interval that reaches so far above the floor says nothing yet
KNOWN_AFTER_S, KNOWN_WIDTH = 8 * 3600.0, 0.2  # before this, or less surely than this, no forecast is made
FIRST_GUESS_S = 2 * 3600.0  # from sunrise to charging, before a morning has been seen


class PowerWatch:
    """Judges once a minute, from the state of charge and the voltage in it."""

    def __init__(self, battery, charge: StateOfCharge, daylight: Daylight, alarms: Alarms) -> None:
        """battery: the site's table."""
        self._floor = battery.lowest_state_of_charge
        self._scale = 12.0 / battery.nominal_voltage_v
        self._limit_v = HIGHEST_V[battery.chemistry]
        self._charge, self._daylight, self._alarms = charge, daylight, alarms
        self._judged_s = self._begun_s = 0.0
        self._low_since_s: float | None = None
        self._short_since_s: float | None = None
        self._high_since_s: float | None = None
        self._night_v: float | None = None  # the last voltage of the night
        self._lifted_s: float | None = None  # when it first stood above that by day
        self._mornings: deque[float] = deque(maxlen=7)  # seconds from sunrise to charging

    def judge(self, now_s: float, load_a: float, celsius: float | None) -> None:
        """State what holds after the newest step of the charge. load_a: what the pumps draw just now."""
        charge = self._charge
        if charge.mean is None or charge.judged_s == self._judged_s:
            return
        self._judged_s = charge.judged_s
        self._begun_s = self._begun_s or charge.judged_s
        dark = self._daylight.is_dark(charge.judged_s)
        self._judge_low(now_s)
        self._judge_night(now_s, dark, load_a)
        self._judge_charging(now_s, dark)
        self._judge_high(now_s, celsius)

    def _judge_low(self, now_s: float) -> None:
        charge = self._charge
        if charge.mean > self._floor + FLOOR_DEADBAND:
            self._low_since_s = None
            self._alarms.normal(now_s, "battery-low", "battery")
        elif charge.mean > self._floor or charge.basis == "charging" or charge.high > self._floor + UNSURE:
            self._low_since_s = None
        else:
            self._low_since_s = self._low_since_s or charge.judged_s
            if charge.judged_s - self._low_since_s >= LOW_FOR_S:
                words = (
                    f"The battery is at its floor. It holds about {100 * charge.mean:.0f} % ({100 * charge.low:.0f} to"
                    f" {100 * charge.high:.0f} %), the floor is {100 * self._floor:.0f} %, with"
                    f" {charge.volts / self._scale:.2f} V under load."
                )
                self._alarms.report(now_s, "battery-low", "battery", self._low_since_s, words)

    def _judge_night(self, now_s: float, dark: bool, load_a: float) -> None:
        charge = self._charge
        if charge.basis == "charging" or charge.mean <= self._floor:
            self._short_since_s = None
            if charge.basis == "charging":
                self._alarms.normal(now_s, "battery-will-not-last", "battery")
            return
        dawn_s = self._daylight.dawn_s
        if not dark or dawn_s is None or load_a <= 0:
            return
        if charge.judged_s - self._begun_s < KNOWN_AFTER_S or charge.high - charge.low > KNOWN_WIDTH:
            return
        lag_s = median(self._mornings) if self._mornings else FIRST_GUESS_S
        hours = max(dawn_s + lag_s - charge.judged_s, 0.0) / 3600
        left = (charge.mean - self._floor) * charge.usable_ah / load_a
        if left >= hours:
            self._short_since_s = None
            if left > 1.15 * hours + 1:
                self._alarms.normal(now_s, "battery-will-not-last", "battery")
            return
        self._short_since_s = self._short_since_s or charge.judged_s
        if charge.judged_s - self._short_since_s >= LOW_FOR_S:
            soonest = max(charge.low - self._floor, 0.0) * charge.usable_ah / load_a
            words = (
                f"The battery will not last till the sun is back. At this load it reaches its floor in about {left:.0f}"
                f" hours (perhaps in {soonest:.0f}), and charging is not to be expected before {hours:.0f} hours from"
                " now."
            )
            self._alarms.report(now_s, "battery-will-not-last", "battery", self._short_since_s, words)

    def _judge_charging(self, now_s: float, dark: bool) -> None:
        charge, daylight = self._charge, self._daylight
        if dark:
            self._night_v, self._lifted_s = charge.volts, None
            return
        if self._night_v is None:
            return
        if charge.volts > max(self._night_v + CHARGE_LIFT_V, CHARGING_V) and self._lifted_s is None:
            self._lifted_s = charge.judged_s
            if daylight.dawn_s is not None and 0 < charge.judged_s - daylight.dawn_s < 12 * 3600:
                self._mornings.append(charge.judged_s - daylight.dawn_s)
        if charge.volts > self._night_v + CHARGE_LIFT_V:
            self._lifted_s = self._lifted_s or charge.judged_s
            self._alarms.normal(now_s, "battery-not-charging", "battery")
        elif self._lifted_s is None and daylight.share_of_day(charge.judged_s) > 0.5:
            words = (
                "The battery is not charging. Half the day has gone without a sign of it:"
                f" {charge.volts / self._scale:.2f} V, at dawn it was {self._night_v / self._scale:.2f} V. Either no"
                " current comes from the panel, or the sky is as dark as dusk."
            )
            self._alarms.report(now_s, "battery-not-charging", "battery", daylight.dawn_s or charge.judged_s, words)

    def _judge_high(self, now_s: float, celsius: float | None) -> None:
        charge = self._charge
        limit_v = self._limit_v + HIGH_MARGIN_V
        if self._limit_v != HIGHEST_V["lifepo4"]:
            limit_v += COMPENSATION_V_PER_K * min((celsius if celsius is not None else 20.0) - 25.0, 0.0)
        if charge.volts <= limit_v:
            self._high_since_s = None
            if charge.volts < limit_v - 0.1:
                self._alarms.normal(now_s, "charge-voltage-high", "battery")
            return
        self._high_since_s = self._high_since_s or charge.judged_s
        if charge.judged_s - self._high_since_s >= HIGH_FOR_S:
            words = (
                f"The charge voltage is too high. The battery has been held at {charge.volts / self._scale:.2f} V; its"
                f" chemistry stands about {limit_v / self._scale:.1f} V at this temperature."
            )
            self._alarms.report(now_s, "charge-voltage-high", "battery", self._high_since_s, words)
