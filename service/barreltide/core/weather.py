"""What kind of day it was, from the charging itself held against a clear sky: clear, cloudy or in between; and a
shadow.

Theory. Under a clear sky the ground gets 1098 · sin h · exp(−0.057 / sin h) W/m² (B. Haurwitz 1945, as given by Reno,
Hansen and Stein, Sandia SAND2012-2389, 2012), h being the height of the sun: from latitude, declination and the hours
from noon, midway between sunrise and sunset. A panel of so many watts could then give a current. What it did give is
read from its sensor or, without one, from how far the battery's voltage stands above what it was before dawn: by the
law that the charge's judgement uses (cloud.py), and a battery at its charger's set-point takes no more, so it counts
as full sun. The share of the day's possible current that came is the day's *brightness*. It names the day only where
voltage can tell: a clear one, and one that stayed dark throughout.

A cloud does not come back at the same hours. If on every day seen the same half of the day brought less than half of
what the other half did, and that one was bright, something stands before the panel.

It assumes a panel that looks up rather than sideways, and the watts of the site file (four fifths of them arrive). It
cannot tell haze from dust on the glass, nor two cloudy mornings in a row from a tree; and a cloud that comes when the
battery is full is not seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, exp, pi, radians, sin
from statistics import median
from typing import NamedTuple

from .cloud import CHARGE_POWER, CHARGE_V

DAY_S = 86400.0
BIN_S = 600.0
PANEL_V, ARRIVES = 16.5, 0.8  # at which a panel gives its watts, and how much of them arrives
STRONG_W_M2 = 200.0  # weaker light tells nothing
FULL_V, HELD_V = 13.9, 13.3  # at a charger's set-point; held at its float after that (12 V battery)
DRAWN_V = 0.15  # above the night's voltage: the load is carried
HALF_LIT, GONE = 0.5, 0.1  # a deep battery shows less of what it takes; but next to nothing is no cloud's
CLEAR, CLOUDY = 0.9, 0.62  # brightness from which on a day is clear, and down to which it is cloudy
SHADED, LIT = 0.5, 0.7  # of the other half; and how bright that one has to be
LEAST_SEEN = 0.8  # of the day's clear-sky light
HALVES = ("morning", "afternoon")
BASE_S, FADED_S = 4 * 3600.0, 5 * 3600.0  # of night before dawn; and what fades the day's charge after dusk


class Bin(NamedTuple):
    """Means over BIN_S: start, volts of a 12 V battery, and the panel's current where a sensor reads it."""

    start_s: float
    volts: float
    panel_a: float | None = None


class Day(NamedTuple):
    """kind: "clear", "cloudy", "between" or "unknown"; brightness: 0 to 1 or None; morning, afternoon: their own."""

    date: str
    dawn_s: float
    dusk_s: float
    kind: str
    brightness: float | None
    morning: float | None
    afternoon: float | None


def sun_sine(time_s: float, noon_s: float, latitude: float) -> float:
    """Sine of the sun's height at a time of the day whose solar noon is `noon_s`."""
    day = time_s % (365.25 * DAY_S) / DAY_S
    tilt = radians(-23.44) * cos(2 * pi * (day + 10) / 365.25)
    here, hour = radians(latitude), 2 * pi * (time_s - noon_s) / DAY_S
    return sin(here) * sin(tilt) + cos(here) * cos(tilt) * cos(hour)


def clear_sky_w_m2(sine: float) -> float:
    """Haurwitz's clear sky on a level surface."""
    return 1098 * sine * exp(-0.057 / sine) if sine > 0 else 0.0


def judge_day(
    date: str, dawn_s: float, dusk_s: float, latitude: float, bins: Sequence[Bin],
    panel_w: float | None, capacity_ah: float, load_a: float,
) -> Day:  # fmt: skip
    """The day between two moments. bins: in order, some hours of the night before included; panel_w: None where the
    site file does not say, and then no day is known but by a sensor."""
    noon_s = 0.5 * (dawn_s + dusk_s)
    dark = [b.volts for b in bins if dawn_s - BASE_S <= b.start_s < dawn_s - BIN_S]
    if len(dark) < 6:  # begun by day: then the night after
        dark = [b.volts for b in bins if dusk_s + FADED_S <= b.start_s < dusk_s + FADED_S + 2 * BASE_S]
    base_v = median(dark) if len(dark) >= 6 else None
    by_day = [b for b in bins if dawn_s <= b.start_s < dusk_s]
    full_v = max((b.volts for b in by_day), default=0.0)
    came, could = [0.0, 0.0], [0.0, 0.0]
    for b in by_day:
        light = clear_sky_w_m2(sun_sine(b.start_s + BIN_S / 2, noon_s, latitude))
        if light < STRONG_W_M2 or panel_w is None:
            continue
        can_a = ARRIVES * panel_w / PANEL_V * light / 1000
        if b.volts > FULL_V or (full_v > FULL_V and b.volts > HELD_V):
            does_a = can_a
        elif b.panel_a is not None:
            does_a = b.panel_a
        elif base_v is not None:
            above_v = max(b.volts - base_v, 0.0)
            does_a = capacity_ah * (above_v / CHARGE_V) ** CHARGE_POWER + load_a * min(above_v / DRAWN_V, 1.0)
        else:
            continue
        half = b.start_s + BIN_S / 2 > noon_s
        came[half] += min(does_a, can_a)
        could[half] += can_a
    whole_a = 0.0 if panel_w is None else sum(
        ARRIVES * panel_w / PANEL_V * light / 1000
        for k in range(int((dusk_s - dawn_s) // BIN_S))
        if (light := clear_sky_w_m2(sun_sine(dawn_s + (k + 0.5) * BIN_S, noon_s, latitude))) >= STRONG_W_M2
    )  # fmt: skip
    halves = [a / b if b > 0.3 * whole_a else None for a, b in zip(came, could, strict=True)]
    if whole_a == 0 or sum(could) < LEAST_SEEN * whole_a:
        return Day(date, dawn_s, dusk_s, "unknown", None, *halves)
    bright = sum(came) / sum(could)
    kind = "clear" if bright >= CLEAR else "cloudy" if bright <= CLOUDY else "between"
    return Day(date, dawn_s, dusk_s, kind, bright, *halves)


def shadow(days: Sequence[Day]) -> str | None:
    """ "morning" or "afternoon" where something shades the panel then, each day; None where nothing is known to."""
    halves = {name: [share for day in days if (share := getattr(day, name)) is not None] for name in HALVES}
    for here, there in (HALVES, HALVES[::-1]):
        dim, lit = halves[here], halves[there]
        if min(len(dim), len(lit)) < 2:
            continue
        if (min(lit) >= LIT and max(dim) <= SHADED * min(lit)) or (min(lit) >= HALF_LIT and max(dim) <= GONE):
            return here
    return None
