"""What is known of a battery's chemistry from others: tables, coefficients and laws, all for a 12 V battery.

Nothing here knows a garden. Volts are those of six lead cells, or of four LiFePO4 cells, at 25 °C unless told
otherwise; the state of charge runs from 0 to 1. "From memory" stands where a figure's source was not at hand.

What these facts cannot tell is which of them a given battery follows: the published rested voltages differ by 19
points of charge at 12.1 V, mostly because makers call different acid densities empty.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import hypot, log
from typing import NamedTuple

Table = tuple[tuple[float, float], ...]

# -- rested voltage: (state of charge, volts); a flooded battery lies between the first two

# Battery Council International at 26.7 °C, as reproduced in "State of Charge - SOC Measurement" and in Discover
# Battery's FAQ. The pessimistic one below 12.4 V.
BCI: Table = ((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65))
# Trojan Battery Co., data sheet of the T-105, twice its volts. The sheet ends at 10 %; empty is its last step again.
T105: Table = (
    (0.0, 11.36), (0.1, 11.51), (0.2, 11.66), (0.3, 11.81), (0.4, 11.96), (0.5, 12.10),
    (0.6, 12.24), (0.7, 12.37), (0.8, 12.50), (0.9, 12.62), (1.0, 12.73),
)  # fmt: skip
# An East Penn manual (from memory), and a table of voltage over temperature at 26.7 °C that differs at the half.
AGM_LOW: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.30), (0.75, 12.60), (1.0, 12.80))
AGM_HIGH: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.40), (0.75, 12.60), (1.0, 12.80))
GEL: Table = ((0.0, 11.80), (0.25, 12.00), (0.5, 12.35), (0.75, 12.65), (1.0, 12.85))  # the same manual, from memory
# Four cells of the model Prada2013 in PyBaMM; the ends, where its cell is at its limits, are judgement.
LIFEPO4: Table = (
    (0.0, 10.0), (0.1, 11.91), (0.2, 12.67), (0.3, 12.82), (0.4, 13.01), (0.5, 13.06),
    (0.6, 13.08), (0.7, 13.10), (0.8, 13.24), (0.9, 13.26), (1.0, 13.40),
)  # fmt: skip
TABLES: dict[str, tuple[Table, Table]] = {
    "flooded": (BCI, T105), "agm": (AGM_LOW, AGM_HIGH), "gel": (AGM_LOW, GEL), "lifepo4": (LIFEPO4, LIFEPO4),
}  # fmt: skip


def _along(table: Table, place: float) -> float:
    """Linear interpolation; beyond the table's ends its last slope goes on."""
    at = min(max(bisect_right(table, (place, 99.0)), 1), len(table) - 1)
    (x0, y0), (x1, y1) = table[at - 1], table[at]
    return y0 + (y1 - y0) * (place - x0) / (x1 - x0)


def rested_voltage(table: Table, state_of_charge: float) -> float:
    """Rested volts by linear interpolation; beyond the table's ends its last slope goes on."""
    return _along(table, state_of_charge)


def state_of_charge(table: Table, volts: float) -> float:
    """The state of charge at which the battery rests at `volts`, within 0 to 1."""
    at = next((i for i in range(1, len(table)) if table[i][1] >= volts), len(table) - 1)
    (s0, v0), (s1, v1) = table[at - 1], table[at]
    return min(max(s0 + (s1 - s0) * (volts - v0) / (v1 - v0), 0.0), 1.0)


# -- temperature

# Of the rested voltage, at one state of charge. Published: 1.2 to 1.5 mV/K (Vinal, Bode, Berndt; from memory), 2.0 (a
# table over temperature), and 4.3 (deep-cycle FAQs; it is the hydrometer's correction and no property of the voltage).
RESTED_V_PER_K = 0.0015
# Of a charger's set-point: -5 mV a cell from 25 °C (Trojan's T-105 sheet and user's guide). None for LiFePO4.
SET_POINT_V_PER_K = -0.030
SET_POINT_AT_C = 25.0


def set_point_v(volts: float, celsius: float) -> float:
    """What a set-point of so many volts at 25 °C is at the battery's temperature, for lead."""
    return volts + SET_POINT_V_PER_K * (celsius - SET_POINT_AT_C)


# (state of charge, specific gravity at 26.7 °C): Battery Council International, as above.
GRAVITY: Table = ((0.0, 1.120), (0.25, 1.155), (0.5, 1.190), (0.75, 1.225), (1.0, 1.265))
# (specific gravity, °C at which the acid begins to freeze): US Army TM 5-1185, table III; an owner's manual of Polaris
# agrees. The °F beside the charge in the widely copied table (0 %: -10 °F) belong to no acid of that gravity.
FREEZING: Table = (
    (1.050, -3.0), (1.100, -7.5), (1.150, -15.0), (1.200, -27.0), (1.225, -37.0), (1.250, -52.0), (1.265, -59.0),
    (1.280, -68.0),
)  # fmt: skip


def freezing_c(state_of_charge: float) -> float:
    """The temperature, °C, at which a lead battery so far charged begins to freeze. Sealed ones, whose acid is
    stronger, stand a little more."""
    return _along(FREEZING, _along(GRAVITY, state_of_charge))


# -- charging


class SetPoints(NamedTuple):
    """Volts at 25 °C at which chargers hold a battery: the lowest and highest absorption that makers name, and float.
    Above the highest only equalisation goes, by hand and for hours: 16.20 V, flooded (Trojan T-105)."""

    absorb_low_v: float
    absorb_high_v: float
    float_v: float


SET_POINTS = {
    "flooded": SetPoints(14.40, 14.82, 13.50),  # Century, 96 Ah; Trojan T-105 for the rest
    "agm": SetPoints(14.70, 15.00, 13.80),  # sheet of a 12 V 40 Ah starved battery: float 13.7 to 13.9 V
    "gel": SetPoints(14.40, 14.40, 13.50),  # Trojan's user's guide, table 6
    "lifepo4": SetPoints(14.20, 14.60, 13.60),  # from memory
}

# -- capacity

RATED_H = 20.0  # the hours that a rated capacity is told for
MOST_OF_RATED = 1.1  # no current is so small that more comes out: 250 of 225 Ah at 100 h (T-105 sheet)
RESERVE_A = 25.0  # of the reserve capacity test, at 27 °C and down to 10.5 V (MK Battery's glossary; Rolls)
# Peukert's exponent near the 20-hour rate, where a pump's load lies. It grows with the current: the T-105's is 1.07
# from 100 to 20 h, 1.14 from 20 to 10 h and 1.24 at 25 A; a starved 40 Ah battery's 1.12. Gel and LiFePO4: middle of
# the ranges that are published.
PEUKERT = {"flooded": 1.14, "agm": 1.12, "gel": 1.15, "lifepo4": 1.05}


def run_time_h(capacity_ah: float, current_a: float, exponent: float) -> float:
    """Hours from full to empty at a steady current, by Peukert's law (1897) from the 20-hour capacity. Below the
    20-hour rate the law would promise ever more ampere-hours, so they are capped."""
    hours = RATED_H * (capacity_ah / (RATED_H * current_a)) ** exponent
    return min(hours, MOST_OF_RATED * capacity_ah / current_a)


def reserve_ah(minutes: float) -> float:
    """The ampere-hours that a reserve capacity in minutes is, at its own 25 A."""
    return RESERVE_A * minutes / 60


def rated_ah(minutes: float, exponent: float) -> float:
    """The 20-hour capacity that Peukert's law makes of a reserve capacity in minutes. Its exponent is that of heavy
    currents, 1.2 to 1.25 for flooded batteries (from pairs in makers' sheets, from memory)."""
    return RATED_H * RESERVE_A * (minutes / 60 / RATED_H) ** (1 / exponent)


# -- rest

REST_S = 6 * 3600.0  # without charge or load before a voltage is a rested one (Trojan's user's guide, §7.4) …
FULL_REST_S = 24 * 3600.0  # … and until nothing moves any more (the same, "preferably"; Discover Battery's FAQ)
RECOVERED_S, FALLEN_S = 1200.0, 3 * 3600.0  # before these nothing is told of a voltage that rises, or that falls
FIT_SPAN = 3.0  # the newest readings, back to a third of the time
FIT_LEAST = 8
METER_V = 0.004  # what the readings may be off together though each is quiet
UNSEEN_V = 0.020  # what may still be to come when nothing shows yet: I·R of the slow part of a pump's load


def rested_estimate(times_s: Sequence[float], volts: Sequence[float]) -> tuple[float, float] | None:
    """Where the voltage will rest, and its standard error in volts; None while too little is known.

    times_s: ascending, since charge and load both went; they may be thinned out, but not below eight in the newest two
    thirds.

    A voltage does not come to rest along one exponential. Surface charge fades about evenly in the logarithm of time
    (a logged 35 Ah battery fell 0.5 V between one and five hours, 0.1 V in the next nineteen, and 0.2 V in a month);
    after a discharge diffusion brings it up sooner. So the slope over the logarithm of time is taken from the newest
    readings, and what is still to come lies between nothing and that slope kept up until the day is over: the middle
    is told, with half the span as its error. (Aylor, Thieme and Johnson 1992 extrapolate so too, from minutes; from
    memory.) A part too slow to be seen yet is allowed for until six hours have passed.

    It cannot know of surface charge that a recovery from the load hides for the moment: soon after sunset it errs.
    """
    now_s = times_s[-1] if times_s else 0.0
    if now_s < RECOVERED_S:
        return None
    near = [(log(at_s), v) for at_s, v in zip(times_s, volts, strict=True) if at_s >= now_s / FIT_SPAN]
    n = len(near)
    mean_x, mean_v = sum(x for x, _ in near) / n, sum(v for _, v in near) / n
    spread = sum((x - mean_x) ** 2 for x, _ in near)
    if n < FIT_LEAST or near[0][0] > log(now_s) - 0.5 * log(FIT_SPAN):
        return None
    slope = sum((x - mean_x) * (v - mean_v) for x, v in near) / spread
    noise = (sum((v - mean_v - slope * (x - mean_x)) ** 2 for x, v in near) / (n - 2)) ** 0.5
    slope_error = noise / spread**0.5
    if now_s < FALLEN_S and slope < -2 * slope_error:
        return None
    newest_v = mean_v + slope * (log(now_s) - mean_x)
    to_go = max(log((FULL_REST_S if slope < 0 else REST_S) / now_s), 0.0) / 2
    unseen_v = UNSEEN_V * max(log(REST_S / now_s), 0.0) / log(REST_S / RECOVERED_S)
    newest_error = noise * (1 / n + (log(now_s) - mean_x) ** 2 / spread) ** 0.5
    error = hypot(to_go * slope, to_go * slope_error, newest_error, unseen_v, METER_V)
    return newest_v + to_go * slope, error
