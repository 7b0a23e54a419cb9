"""From ADC codes to the battery's volts: register values, the divider, calibration, and a mean without outliers."""

import array

ADS1115_VOLT_PER_CODE = 4.096 / 32768  # gain setting 1, TI SBAS444 table 3
U16_FULL_SCALE = 65535
MAX_BURSTS = 64


def signed16(two_bytes):
    """Two bytes, high first, two's complement."""
    value = two_bytes[0] << 8 | two_bytes[1]
    return value - 65536 if value & 0x8000 else value


def ads1115_config(channel):
    """Configuration word: start one conversion of channel 0..3 against ground, +-4.096 V, 128 a second."""
    return 0x8000 | (4 + channel) << 12 | 1 << 9 | 1 << 8 | 4 << 5 | 3


def ads1115_v(code):
    return code * ADS1115_VOLT_PER_CODE


def u16_v(code, reference_v):
    return code * reference_v / U16_FULL_SCALE


def mean_without_outliers(values):
    """Mean of what lies within 4.5 robust deviations (or 0.5 %) of the median: a spike is dropped, a step is kept."""
    ordered = sorted(values)
    median = ordered[len(ordered) // 2]
    spread = sorted([abs(value - median) for value in ordered])[len(ordered) // 2] * 1.4826
    limit = max(4.5 * spread, abs(median) * 0.005, 0.01)
    kept = [value for value in ordered if abs(value - median) <= limit]
    return sum(kept) / len(kept)


class Mean:
    """Gathers up to 64 values of one interval in fixed memory."""

    def __init__(self, drop_outliers):
        self._drop_outliers = drop_outliers
        self._values = array.array("f", [0.0] * MAX_BURSTS)
        self._count = 0

    def add(self, value):
        if self._count < MAX_BURSTS:
            self._values[self._count] = value
            self._count += 1

    def take(self):
        """The mean since the last take, or None where nothing came."""
        if not self._count:
            return None
        values = [self._values[i] for i in range(self._count)]
        self._count = 0
        # A pulsed current has no outliers: its rare peaks are part of the mean.
        return mean_without_outliers(values) if self._drop_outliers else sum(values) / len(values)


class Scale:
    """Volts at the pin -> volts at the battery. calibration: two (shown, true) pairs in battery volts, or None."""

    def __init__(self, scale, offset_v=0.0, calibration=None):
        self._gain = scale
        self._offset_v = offset_v
        if calibration:
            (shown_1, true_1), (shown_2, true_2) = calibration
            slope = (true_2 - true_1) / (shown_2 - shown_1)
            self._gain = scale * slope
            self._offset_v = (offset_v - shown_1) * slope + true_1

    def battery_v(self, pin_v):
        return pin_v * self._gain + self._offset_v
