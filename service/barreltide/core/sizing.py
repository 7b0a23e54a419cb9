"""What a garden's power needs: battery, panel, fuse, wire and divider, by published steps.

Battery: the steps of IEEE Std 1013-2007 (its list of contents was read, its figures are from memory): the load of a
day, times the days without sun, is the unadjusted capacity; over the deepest discharge, or over what a worn battery
still holds, whichever gives more; times a factor for cold; times a margin for growth and guesses. A simplified sheet of
the same method works one example: 1000 Wh a day, 2.5 days, half its charge, 40 °F: 6500 Wh, at 12 V 541.7 Ah.

Panel: what a day takes, over what a battery gives back of its charge, over the hours of full sun in the worst month,
over what heat, dirt and wires leave of the label. Wire: the drop is the current through the way out and back. Fuse:
a quarter above what flows for long, for no more than the wire stands.

It cannot know the weather, the load's moods, what a wire is bundled with, nor a battery's age: sizes to begin from.
Local codes and licensed practice decide.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import NamedTuple

from .lead import SET_POINTS

# (°F of the battery, times the capacity at 80 °F): the simplified sheet; the same stands in worksheets of Sandia's
# (from memory). For lead; LiFePO4 loses less, but must not be charged below freezing.
_COLD_F = ((20, 1.59), (30, 1.40), (40, 1.30), (50, 1.19), (60, 1.11), (70, 1.04), (80, 1.00))
COLD = tuple(((fahrenheit - 32) / 1.8, factor) for fahrenheit, factor in _COLD_F)
WORN = 0.8  # of its capacity is left when a battery's life is over (IEEE 1013, from memory)
GIVEN_BACK = 0.85  # of the ampere-hours that go in, lead (PVEducation)
DERATED = 0.77  # of a panel's label: assumption
PANEL_V = 18.0  # at which a panel for 12 V gives its power (common practice)
MOST_DROP = 0.03  # of the voltage, way out and back: what must not fail (practice tables after ABYC)
CONTINUOUS = 1.25  # conductor and fuse above a current that flows for hours (NEC 210.20, 215.2; from memory)
FUSES_A = (1, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100)  # blade fuses (ISO 8820; from memory)


class Wire(NamedTuple):
    """A copper wire. ohm_per_m at 20 °C (IEC 60228, classes 1 and 2); most_a: in a sheathed cable in conduit, PVC at
    40 °C, three loaded (IEC 60364-5-52, method B2, as a maker of machines reproduces it): a cautious figure."""

    mm2: float
    ohm_per_m: float
    most_a: float


WIRES = (
    Wire(1.5, 0.0121, 13), Wire(2.5, 0.00741, 17), Wire(4, 0.00461, 23), Wire(6, 0.00308, 30), Wire(10, 0.00183, 40),
    Wire(16, 0.00115, 54), Wire(25, 0.000727, 70), Wire(35, 0.000524, 86),
)  # fmt: skip

# Volts at a pin up to which a converter reads: ESP-IDF's pages for the ESP32 at 11 dB; elsewhere its supply, 3.3 V.
CONVERTERS_V = {"esp32": 2.45, "rp2040": 3.3, "ads1115": 3.3}
UPPER_OHM = 100e3
E12_OHM = tuple(ohm * 1e3 for ohm in (3.3, 3.9, 4.7, 5.6, 6.8, 8.2, 10, 12, 15, 18, 22, 27, 33, 39, 47))
PARTS = 0.01  # of a resistor's value
EQUALISED_V = 16.2  # a flooded battery by hand, for hours (Trojan T-105)


def cold_factor(celsius: float) -> float:
    """How many times the capacity at 26.7 °C a battery so cold must have, by linear interpolation; ends hold on."""
    at = min(max(bisect_left(COLD, (celsius,)), 1), len(COLD) - 1)
    (c0, f0), (c1, f1) = COLD[at - 1], COLD[at]
    return f0 + (f1 - f0) * min(max((celsius - c0) / (c1 - c0), 0.0), 1.0)


def battery_ah(day_ah: float, days: float, deepest: float, celsius: float = 26.7, margin: float = 0.0) -> float:
    """Capacity for a load of so many ampere-hours a day, with no sun for `days`. deepest: share of the charge that may
    be taken, 0 to 1; margin: 0.1 for a tenth more."""
    unadjusted_ah = day_ah * days
    return max(unadjusted_ah / deepest, unadjusted_ah / WORN) * cold_factor(celsius) * (1 + margin)


def panel_w(day_ah: float, sun_h: float, nominal_v: float = 12.0) -> float:
    """The label of a panel that brings in a day's ampere-hours in so many hours of full sun."""
    return day_ah / GIVEN_BACK / sun_h / DERATED * PANEL_V * nominal_v / 12.0


def fuse_a(current_a: float) -> float | None:
    """The smallest usual fuse for it; None where no blade fuse would do."""
    return next((size for size in FUSES_A if size >= CONTINUOUS * current_a - 1e-9), None)


def drop_v(current_a: float, one_way_m: float, ohm_per_m: float) -> float:
    """What is lost in the wire, out and back."""
    return 2 * one_way_m * current_a * ohm_per_m


def longest_m(current_a: float, wire: Wire, volts: float) -> float:
    """How far away, one way, the load may be for MOST_DROP."""
    return MOST_DROP * volts / (2 * current_a * wire.ohm_per_m)


class Divider(NamedTuple):
    """Two resistors before a converter. scale: battery volts for one at the pin; most_v: the battery's highest, at
    which the pin sees pin_v; error_v: what two 1 % parts may be off together at 12.6 V (a 12 V battery), uncalibrated;
    drain_a: what it takes, always."""

    upper_ohm: float
    lower_ohm: float
    scale: float
    most_v: float
    pin_v: float
    error_v: float
    drain_a: float


def divider(converter: str, chemistry: str, nominal_v: float = 12.0) -> Divider:
    """The largest pin voltage that stays within the converter's, with both parts off to the wrong side."""
    usual_v = 12.6 * nominal_v / 12.0
    most_v = (EQUALISED_V if chemistry == "flooded" else SET_POINTS[chemistry].absorb_high_v + 0.5) * nominal_v / 12.0

    def pin_v(lower_ohm: float, off: float = 0.0) -> float:
        return most_v * lower_ohm * (1 + off) / (lower_ohm * (1 + off) + UPPER_OHM * (1 - off))

    fit = [ohm for ohm in E12_OHM if pin_v(ohm, PARTS) <= CONVERTERS_V[converter]]
    lower_ohm = fit[-1] if fit else E12_OHM[0]
    ratio = lower_ohm / (UPPER_OHM + lower_ohm)
    return Divider(
        UPPER_OHM, lower_ohm, 1 / ratio, most_v, pin_v(lower_ohm), 2 * PARTS * (1 - ratio) * usual_v,
        usual_v / (UPPER_OHM + lower_ohm),
    )  # fmt: skip
