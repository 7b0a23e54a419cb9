"""What the battery means for the coming hours: too low, not charging, charged too hard, not till morning.

Theory. By night the charge goes down at the pumps' load, so the charge at which the sun will find the battery can be
told hours ahead; charging begins some time after sunrise, as it did on recent mornings. That night begins before the
dark, when the sun stands so low that even a clear sky would not carry the load. By day a panel that gives anything
carries part of the load, and the voltage stands above where the whole load would hold it; where it does not for hours
of daylight, nothing comes from the panel. Those hours count once what charging has left no longer holds the voltage
above rest, and by how much of the load the darkest clouds would still have let the panel carry, so a small panel under
a low sun waits for the next morning. A floor that is far away is told when it is sure to come, a nearer one when it is
likely. A charger that works keeps to its chemistry's limit, which rises as it gets colder.

It assumes that tonight's load is the load of now. It cannot tell a dead panel from a day darker than that, and says so.

Sources: the chargers' limits and the freezing of acid: lead.py.
"""

from __future__ import annotations

from collections import deque
from math import hypot
from statistics import NormalDist, median
from typing import NamedTuple

from .alarm import Alarms
from .battery import STEP_S, StateOfCharge
from .daylight import Daylight
from .lead import SET_POINT_AT_C, SET_POINTS, freezing_c, set_point_v

HIGH_MARGIN_V = 0.22  # above the makers' highest, as a mean over one step of the charge: chargers differ
CHARGE_LIFT_V, LITHIUM_LIFT_V = 0.10, 0.04  # above the night's last voltage
CHARGING_V = 12.9
UNLIT_SHARE, LEAST_DROP_V = 0.4, 0.012  # less of the load's drop than this made up: no current from the panel
SET_POINT_V, RISE_V, FALL_V = 13.2, 0.005, 0.002  # what stands so high or moves so from step to step
SURFACE_LEFT_V = 0.05  # above rest: more may still be charging
UNLIT_FOR_S = 3 * 3600.0  # of light that would be seen through any clouds
LONGEST_STEP_S = 1800.0  # of a longer span between two judgements nothing is known
LOW_FOR_S = 1200.0
FLOOR_DEADBAND = 0.04
KNOWN_AFTER_S, KNOWN_WIDTH = 8 * 3600.0, 0.22  # before this, or less surely than this, no forecast is made
FIRST_GUESS_S = 2 * 3600.0  # from sunrise to charging, before a morning has been seen
DAY_S = 86400.0
USE_UNSURE = 0.08  # of what will be used: load and capacity, as a share
INNER_90 = 1.645
LIKELY, UNLIKELY = 0.6, 0.2  # chances of not lasting: to raise the alarm, and to take it back …
SURELY, NEAR_H = 0.77, 7.0  # … and to raise it while the floor is still so many hours away: there is time to see more
SURELY_LOW = 0.7  # chance of being below the floor: to raise that alarm
CLOUDED_S = 2 * 3600.0  # by day: without charging for so long, and then as sure as early at night
AFTERNOON = 0.65  # of the day: what is left of it will not fill a battery
FREEZES_C = -20.0  # acid that freezes above this can freeze in a garden


class Outlook(NamedTuple):
    """What is to be expected at the present load: moments, the floor's with its 90 % range, Unix seconds."""

    floor_s: float
    floor_soonest_s: float
    floor_latest_s: float
    cut_off_s: float  # when the controller drops the load
    sun_s: float | None  # when charging is to be expected again
    days_without_sun: float  # from full to the floor


class PowerWatch:
    """Judges once a minute, from the state of charge and the voltage in it."""

    def __init__(self, battery, charge: StateOfCharge, daylight: Daylight, alarms: Alarms) -> None:
        """battery: the site's table."""
        self._floor, self._cut_off_v = battery.lowest_state_of_charge, battery.cut_off_voltage_v
        self._scale = 12.0 / battery.nominal_voltage_v
        self._limit_v = SET_POINTS[battery.chemistry].absorb_high_v
        self._is_lead = battery.chemistry != "lifepo4"
        self._lift_v = CHARGE_LIFT_V if self._is_lead else LITHIUM_LIFT_V
        self._charge, self._daylight, self._alarms = charge, daylight, alarms
        self._judged_s = self._begun_s = 0.0
        self._low_since_s: float | None = None
        self._short_since_s: float | None = None
        self._night_v: float | None = None  # the last voltage of the night
        self._lifted_s: float | None = None  # when it first stood above that by day
        self._before_v = 0.0  # a step ago, by day
        self._signed_s = 0.0  # when something last came from the panel, or the night ended
        self._unlit_s = 0.0  # how much light has gone since, hours in which no cloud would hide it counting in full
        self._outlook: Outlook | None = None
        self._outlook_s = 0.0  # which judgement it belongs to
        self._mornings: deque[float] = deque(maxlen=7)  # seconds from sunrise to charging

    def judge(self, now_s: float, celsius: float | None) -> None:
        """State what holds after the newest step of the charge."""
        charge = self._charge
        if charge.mean is None or charge.judged_s == self._judged_s:
            return
        before_s, self._judged_s = self._judged_s, charge.judged_s
        self._begun_s = self._begun_s or charge.judged_s
        dark = self._daylight.is_dark(charge.judged_s)
        self._judge_low(now_s)
        self._judge_night(now_s, dark)
        self._judge_charging(now_s, dark, charge.judged_s - before_s)
        self._judge_high(now_s, celsius)

    # -- the coming hours

    def outlook(self) -> Outlook | None:
        """None while charging, at rest, or while too little is known."""
        if self._outlook_s != self._charge.judged_s:
            self._outlook_s, self._outlook = self._charge.judged_s, self._look_out()
        return self._outlook

    def _look_out(self) -> Outlook | None:
        charge = self._charge
        if charge.mean is None or charge.basis != "loaded" or not charge.is_learned:
            return None
        per_h = self._used_per_h()
        sun_s = self._sun_s()
        floor = self._until(self._floor, per_h)
        cut_off_s, *_ = self._until(charge.charge_at(self._cut_off_v), per_h)
        days = (1 - self._floor) / per_h / 24
        return Outlook(*floor, cut_off_s, sun_s, days)

    def _used_per_h(self) -> float:
        charge = self._charge
        return max(charge.load_a(charge.volts / self._scale), 0.01) / charge.usable_ah

    def _until(self, level: float, per_h: float) -> tuple[float, float, float]:
        """When the charge comes to that level: likely, soonest and latest."""
        charge = self._charge
        hours = [max(share - level, 0.0) / per_h for share in (charge.mean, charge.low, charge.high)]
        spans = (hours[0], hours[1] * (1 - INNER_90 * USE_UNSURE), hours[2] * (1 + INNER_90 * USE_UNSURE))
        return tuple(charge.judged_s + 3600 * span for span in spans)

    def _sun_s(self) -> float | None:
        """When charging is to be expected again, as on recent mornings."""
        dawn_s = self._daylight.dawn_s
        if dawn_s is None:
            return None
        if dawn_s < self._charge.judged_s and not self._daylight.is_dark(self._charge.judged_s):
            dawn_s += DAY_S
        return dawn_s + (median(self._mornings) if self._mornings else FIRST_GUESS_S)

    def _judge_night(self, now_s: float, dark: bool) -> None:
        charge = self._charge
        is_over = dark or self._is_spent()
        if (charge.basis != "loaded" and not is_over) or charge.basis == "rested" or charge.mean <= self._floor:
            self._short_since_s = None
            if charge.basis == "charging":
                self._alarms.normal(now_s, "battery-will-not-last", "battery")
            return
        clouded_s = charge.judged_s - max(charge.charge_ended_s or self._begun_s, self._begun_s)
        per_h = self._used_per_h()
        is_near = charge.mean - self._floor < NEAR_H * per_h
        is_lost = self._daylight.share_of_day(charge.judged_s) > AFTERNOON or (is_near and self._unlit_s > UNLIT_FOR_S)
        if not is_over and not (is_lost and clouded_s > CLOUDED_S):
            return
        sun_s = self._sun_s() or (charge.judged_s + DAY_S if dark else None)  # a polar night has a day's time at least
        if sun_s is None or charge.judged_s - self._begun_s < KNOWN_AFTER_S or charge.high - charge.low > KNOWN_WIDTH:
            return
        used = per_h * max(sun_s - charge.judged_s, 0.0) / 3600
        fails = self._share_below(charge.mean - used, USE_UNSURE * used)
        if fails < (LIKELY if is_over and is_near else SURELY):
            self._short_since_s = None
            if fails < UNLIKELY:
                self._alarms.normal(now_s, "battery-will-not-last", "battery")
            return
        self._short_since_s = self._short_since_s or charge.judged_s
        if charge.judged_s - self._short_since_s >= LOW_FOR_S:
            likely_s, soonest_s, latest_s = self._until(self._floor, per_h)
            left, soonest, latest = [(s - charge.judged_s) / 3600 for s in (likely_s, soonest_s, latest_s)]
            words = (
                f"The battery will not last till the sun is back. At this load it reaches its floor in about {left:.0f}"
                f" hours ({soonest:.0f} to {latest:.0f}), and charging is not to be expected before"
                f" {(sun_s - charge.judged_s) / 3600:.0f} hours from now.{self._freezing()}"
            )
            self._alarms.report(now_s, "battery-will-not-last", "battery", self._short_since_s, words)

    def _is_spent(self) -> bool:
        """Whether the sun stands so low that even a clear sky would not carry the load: nothing more comes today."""
        charge, now_s = self._charge, self._charge.judged_s
        if self._daylight.share_of_day(now_s) < AFTERNOON or charge.volts > SET_POINT_V:
            return False
        return charge.clear_sky_a(now_s) < charge.load_a(charge.volts / self._scale)

    def _share_below(self, mean: float, more_unsure: float) -> float:
        """The chance of a charge below the floor; more_unsure: beside the interval of the present charge."""
        sigma = hypot((self._charge.high - self._charge.low) / (2 * INNER_90), more_unsure)
        return NormalDist(mean, sigma).cdf(self._floor)

    # -- just now

    def _judge_low(self, now_s: float) -> None:
        charge = self._charge
        if charge.mean > self._floor + FLOOR_DEADBAND:
            self._low_since_s = None
            self._alarms.normal(now_s, "battery-low", "battery")
        elif charge.basis == "charging" or self._share_below(charge.mean, 0.0) < SURELY_LOW:
            self._low_since_s = None
        else:
            self._low_since_s = self._low_since_s or charge.judged_s
            if charge.judged_s - self._low_since_s >= LOW_FOR_S:
                words = (
                    f"The battery is at its floor. It holds about {100 * charge.mean:.0f} % ({100 * charge.low:.0f} to"
                    f" {100 * charge.high:.0f} %), the floor is {100 * self._floor:.0f} %, with"
                    f" {charge.volts / self._scale:.2f} V under load.{self._freezing()}"
                )
                self._alarms.report(now_s, "battery-low", "battery", self._low_since_s, words)

    def _freezing(self) -> str:
        """What a frost would do to it, where a garden's frost can."""
        if not self._is_lead or (below_c := freezing_c(self._charge.low)) < FREEZES_C:
            return ""
        return f" So empty, its acid can freeze from {below_c:.0f} °C on, and burst it: never charge a frozen battery."

    def _judge_charging(self, now_s: float, dark: bool, step_s: float) -> None:
        charge, daylight = self._charge, self._daylight
        if dark:
            self._night_v, self._lifted_s = charge.volts, None
            self._before_v = charge.volts
            self._unlit_s = min(self._unlit_s, UNLIT_FOR_S / 2)  # of a dark afternoon not more: the sky may clear
            return
        if self._night_v is None:
            return
        above_v = charge.volts - charge.rested_v() * self._scale
        if self._is_sign(above_v) or not self._signed_s:
            self._signed_s, self._unlit_s = charge.judged_s, 0.0
        elif above_v < 0:  # above rest it may be charging, or fade; and the lower the sun, the less is said by its want
            told_a = UNLIT_SHARE * charge.load_a(charge.volts / self._scale)  # so much of a load that is well seen
            seen = charge.dark_sky_a(charge.judged_s) / told_a * charge.drop_v() * self._scale / self._drop_v()
            self._unlit_s += min(max(seen, 0.0), 1.0) * min(max(step_s, 0.0), LONGEST_STEP_S)
        self._before_v = charge.volts
        if charge.volts > max(self._night_v + self._lift_v, CHARGING_V) and self._lifted_s is None:
            self._lifted_s = charge.judged_s
            if daylight.dawn_s is not None and 0 < charge.judged_s - daylight.dawn_s < 12 * 3600:
                self._mornings.append(charge.judged_s - daylight.dawn_s)
        is_unlit = self._unlit_s > UNLIT_FOR_S and above_v < SURFACE_LEFT_V
        is_lifted = charge.volts > self._night_v + self._lift_v or charge.basis == "charging"
        if is_lifted and not is_unlit:
            self._lifted_s = self._lifted_s or charge.judged_s
            self._alarms.normal(now_s, "battery-not-charging", "battery")
        elif is_unlit or (self._lifted_s is None and daylight.share_of_day(charge.judged_s) > 0.5):
            since = f"{UNLIT_FOR_S / 3600:.0f} hours have" if is_unlit else "Half the day has"
            words = (
                f"The battery is not charging. {since} gone by daylight without a sign of it:"
                f" {charge.volts / self._scale:.2f} V, at dawn it was {self._night_v / self._scale:.2f} V. Either no"
                " current comes from the panel, or the sky is as dark as dusk."
            )
            since_s = self._signed_s if is_unlit else daylight.dawn_s or charge.judged_s
            self._alarms.report(now_s, "battery-not-charging", "battery", since_s, words)

    def _is_sign(self, above_v: float) -> bool:
        """Whether the panel gives: the voltage stands at a set-point, rises, or stands still where the load alone would
        not hold it. What only falls may be the surface charge of hours before."""
        volts, made_up = self._charge.volts, 1 + above_v / self._drop_v()
        return (
            volts > SET_POINT_V
            or volts > self._before_v + RISE_V
            or (made_up > UNLIT_SHARE and volts > self._before_v - FALL_V)
        )

    def _drop_v(self) -> float:
        """By how much the load pulls the voltage down, or as little as can be told from nothing."""
        return max(self._charge.drop_v() * self._scale, LEAST_DROP_V)

    def _judge_high(self, now_s: float, celsius: float | None) -> None:
        charge = self._charge
        limit_v = self._limit_v + HIGH_MARGIN_V
        if self._is_lead:
            limit_v = set_point_v(limit_v, min(20.0 if celsius is None else celsius, SET_POINT_AT_C))
        if charge.volts < limit_v - 0.1:
            self._alarms.normal(now_s, "charge-voltage-high", "battery")
        elif charge.volts > limit_v:
            words = (
                f"The charge voltage is too high. The battery has been held at {charge.volts / self._scale:.2f} V; its"
                f" chemistry stands about {limit_v / self._scale:.1f} V at this temperature."
            )
            self._alarms.report(now_s, "charge-voltage-high", "battery", charge.judged_s - STEP_S, words)
