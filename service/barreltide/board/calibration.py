"""The battery divider against a multimeter: least squares for scale and offset, and what to make of the result.

Theory. Volts at the battery = scale × volts at the pin + offset. The scale holds the divider and the gain of the
converter, the offset the converter's zero. One reading fixes the scale if the offset is taken as it is; two that lie
apart fix both; more of them are fitted. A multimeter's fault has a part that is common to all its readings (its gain)
and one of its last digits: the first passes into the scale and cannot be found out from here, the second is what
readings may differ by among themselves.

Check values. ±(0.5 % + 2 digits) on a range with 0.01 V is what data sheets of hand meters state for direct voltage
(from memory; see yours). Two readings less than 0.5 V apart fix no slope: their digits alone would turn it by some
percent, which is the firmware's own rule too (settings.py). An ESP32's reference differs by up to 10 % from chip to
chip where the chip is not calibrated (Espressif: 1000 to 1200 mV), two resistors of 1 % by 2 %: a slope further off
from what one reading gives is a slip of the pen, or of the probe.
"""

from __future__ import annotations

from typing import NamedTuple

from . import BoardError

GAIN_ERROR = 0.005
DIGITS_V = 0.02
APART_V = 0.5
SLOPE_OFF = 0.12
MISFIT_V = 0.06
SCALE_OFF = 0.3  # from config.json's: another divider, or a wrong decimal point
NOISY_V = 0.05


class Reading(NamedTuple):
    """pin_v: mean at the pin; noise_v: its standard deviation there; meter_v: what the multimeter shows."""

    pin_v: float
    noise_v: float
    meter_v: float


class Calibration(NamedTuple):
    """scale, offset_v: for config.json; misfit_v: the largest; words: what to expect, a line each."""

    scale: float
    offset_v: float
    misfit_v: float
    words: tuple[str, ...]


def fit(readings: list[Reading], scale: float, offset_v: float = 0.0) -> Calibration:
    """scale, offset_v: as config.json has them. Raises BoardError where the readings cannot be right."""
    for reading in readings:
        _check_one(reading, scale)
    for place, later in enumerate(readings):
        for earlier in readings[:place]:
            _check_two(earlier, later)
    low, high = min(r.meter_v for r in readings), max(r.meter_v for r in readings)
    if high - low < APART_V:
        return _one(readings, offset_v)
    mean_pin = sum(r.pin_v for r in readings) / len(readings)
    mean_meter = sum(r.meter_v for r in readings) / len(readings)
    spread = sum((r.pin_v - mean_pin) ** 2 for r in readings)
    slope = sum((r.pin_v - mean_pin) * (r.meter_v - mean_meter) for r in readings) / spread
    offset_v = mean_meter - slope * mean_pin
    misfits = [abs(slope * r.pin_v + offset_v - r.meter_v) for r in readings]
    if max(misfits) > MISFIT_V:
        worst = readings[misfits.index(max(misfits))]
        raise BoardError(
            f"the readings lie on no line: {worst.meter_v:g} V is off by {max(misfits):.2f} V; take that one again"
        )
    off_v = GAIN_ERROR * high + DIGITS_V + max(misfits)
    words = (
        f"Between {low:g} and {high:g} V it is as good as your multimeter: about ±{off_v:.2f} V with a usual one.",
        f"Beyond that the error grows, by about {2 * DIGITS_V / (high - low):.2f} V for each volt.",
    )
    return Calibration(slope, offset_v, max(misfits), words)


def _one(readings: list[Reading], offset_v: float) -> Calibration:
    pin_v = sum(r.pin_v for r in readings) / len(readings)
    meter_v = sum(r.meter_v for r in readings) / len(readings)
    scale = (meter_v - offset_v) / pin_v
    misfit = max(abs(scale * r.pin_v + offset_v - r.meter_v) for r in readings)
    off_v = GAIN_ERROR * meter_v + DIGITS_V + misfit
    words = (
        f"Near {meter_v:.2f} V it is as good as your multimeter: about ±{off_v:.2f} V with a usual one.",
        f"A second reading at least {APART_V:g} V away, while it charges or before dawn, would set the zero too.",
    )
    if len(readings) > 1:
        words = (f"Readings less than {APART_V:g} V apart count as one: they fix no slope.", *words)
    return Calibration(scale, offset_v, misfit, words)


def _check_one(reading: Reading, scale: float) -> None:
    if reading.pin_v < 0.05:
        raise BoardError(
            f"the pin sees {reading.pin_v:.3f} V, as if nothing were connected: look at the divider's wires and fuse"
        )
    if not reading.meter_v > 0:  # which "nan" is not, either
        raise BoardError(f"{reading.meter_v:g} V is no battery's voltage: are the probes the right way round?")
    found = reading.meter_v / reading.pin_v
    if abs(found / scale - 1) > SCALE_OFF:
        raise BoardError(
            f"{reading.meter_v:g} V at the battery and {reading.pin_v:.3f} V at the pin make a divider of {found:.2f},"
            f" and config.json says {scale:g}: look at the resistors, the pin and the decimal point"
        )
    if reading.noise_v * scale > NOISY_V:
        raise BoardError(
            f"the pin's voltage jumps by ±{reading.noise_v * scale:.2f} V: 100 nF across the lower resistor would do,"
            " and a good earth"
        )


def _check_two(one: Reading, other: Reading) -> None:
    """Whether the pin has moved as the multimeter says that the battery has."""
    moved_v = other.meter_v - one.meter_v
    expected_v = (other.pin_v - one.pin_v) * (one.meter_v / one.pin_v + other.meter_v / other.pin_v) / 2
    if abs(moved_v - expected_v) > SLOPE_OFF * abs(moved_v) + 2 * DIGITS_V + 0.02:
        raise BoardError(
            f"{one.meter_v:g} and {other.meter_v:g} V cannot both be right: the multimeter moved by {moved_v:.2f} V,"
            f" and the pin as if by {expected_v:.2f} V"
        )
