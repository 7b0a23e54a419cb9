"""What `barreltide board` asks a station on the bench: every input's raw value beside what becomes of it.

It runs at the prompt while the program stands still. Each method takes a few seconds at the most and feeds the watchdog
that the program has left behind.
"""

import time

import board
from station import settings
from station.battery import Scale

CONVERSION_MS = 800
MAX_EDGES = 200
STEP_MS = 2


def feed():
    if board.watchdog:
        board.watchdog.feed()


class Bench:
    """config: the text of config.json. Raises SettingsError."""

    def __init__(self, config):
        self._found, _ = settings.read(config)
        self._probe = board.Board(self._found)

    def sensors(self):
        """[[name, raw value as text, value or None, unit, what is wrong or None], ...]"""
        rows = []
        for switch in self._found.floats:
            level = self._probe.float_level(switch["name"])
            rows.append([switch["name"], "pin %s is %d" % (switch["pin"], level), level == switch["wet"], "", None])
        if self._found.battery:
            rows.append(self._ask("battery/voltage", "V", self._battery))
        for sensor in self._found.currents:
            rows.append(self._ask(sensor["name"], "A", lambda sensor=sensor: self._current(sensor)))
        if self._found.thermometers:
            self._probe.start_conversion()
            time.sleep_ms(CONVERSION_MS)
        for sensor in self._found.thermometers:
            rows.append(self._ask(sensor["name"], "Cel", lambda sensor=sensor: self._temperature(sensor)))
        feed()
        return rows

    def _ask(self, name, unit, question):
        try:
            raw, value, wrong = question()
        except Exception as error:  # a chip that does not answer
            raw, value, wrong = "", None, str(error) or type(error).__name__
        return [name, raw, value, unit, wrong]

    def _battery(self):
        pin_v, _, _ = self.volts(200)
        found = self._found.battery
        value = Scale(found["scale"], found["offset_v"], found["calibration"]).battery_v(pin_v)
        return "%.4f V at the pin" % pin_v, value, None

    def _current(self, sensor):
        amperes = self._probe.amperes(sensor["name"])
        return "%.3f mV at the shunt" % (amperes / sensor["scale"] * sensor["shunt_ohm"] * 1000), amperes, None

    def _temperature(self, sensor):
        celsius, wrong = self._probe.temperature(sensor["name"])
        return "1-wire, pin %s" % sensor["pin"], celsius, wrong

    def volts(self, ms):
        """For so long: (mean volts at the pin, standard deviation, how many)."""
        values, until_ms = [], time.ticks_add(time.ticks_ms(), ms)
        while time.ticks_diff(until_ms, time.ticks_ms()) > 0 or len(values) < 3:
            value = self._probe.battery_v()
            if value is not None:
                values.append(value)
            time.sleep_ms(20)
        feed()
        mean = sum(values) / len(values)
        return mean, (sum([(value - mean) ** 2 for value in values]) / len(values)) ** 0.5, len(values)

    def levels(self):
        return {switch["name"]: self._probe.float_level(switch["name"]) for switch in self._found.floats}

    def watch(self, ms):
        """For so long: [[after how many ms, name, level], ...], each change of each float's pin."""
        levels, edges = self.levels(), []
        began_ms = time.ticks_ms()
        while time.ticks_diff(time.ticks_ms(), began_ms) < ms and len(edges) < MAX_EDGES:
            for name, level in self.levels().items():
                if level != levels[name]:
                    levels[name] = level
                    edges.append([time.ticks_diff(time.ticks_ms(), began_ms), name, level])
            time.sleep_ms(STEP_MS)
        feed()
        return edges

    def thermometers(self):
        """[[pin, address, degrees Celsius or None, what is wrong or None], ...] of all that answer."""
        self._probe.start_conversion()
        time.sleep_ms(CONVERSION_MS)
        rows = []
        for pin, wire in self._probe.one_wire().items():
            rows += [[pin] + list(row) for row in wire.found()]
        feed()
        return rows
