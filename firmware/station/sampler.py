"""Turns raw inputs into packs, at the right moments, by a clock that is handed in.

The probe that is handed in has:
    float_level(name) -> 0 or 1             the pin's level
    battery_v() -> volts at the pin         None: nothing to read yet
    amperes(name) -> A                      None: nothing to read yet
    start_conversion(); temperature(name) -> (degrees Celsius, None) or (None, what is wrong)
    health() -> {reading's name: value}     told with every repetition
Any of them may raise: that input is then missing, and named in `station/fault` once it has failed for long.

While the host hears us, a float's change closes the pack at once. While it is away, nobody gains by haste: voltage is
averaged to one a minute and a pack a minute is closed, changes with their own times in it.
"""

from station.battery import MAX_BURSTS, Mean, Scale
from station.float_switch import FloatSwitch
from station.pack import MAX_READINGS

AWAY_MS = 60_000
CHANGE_GAP_MS = 250
CONVERSION_MS = 800  # DS18B20, 12 bit: 750 ms at most
RETRY_TEMPERATURE_MS = 10_000
FAULT_AFTER_MS = 30_000
UNDECIDED_MS = 20_000
MAX_HEALTH = 12
MAX_FAULT_TEXT = 200


class Sampler:
    """poll() every 50 to 100 ms; it returns the packs that were closed, most often none."""

    def __init__(self, settings, clock, boot, probe):
        self._settings = settings
        self._clock = clock
        self._probe = probe
        self._boot = boot
        self._seq = 0
        self._readings = []
        self._floats = [FloatSwitch(f["name"], f["wet"], f["debounce_ms"]) for f in settings.floats]
        self._failures = {}
        now_ms = clock.now_ms()
        self._told_fault = "none"
        self._told_fault_ms = now_ms
        battery = settings.battery
        self._scale = battery and Scale(battery["scale"], battery["offset_v"], battery["calibration"])
        self._means = {name: Mean(drop_outliers=name == "battery/voltage") for name in settings.analogue}
        self._kept = {name: [0.0, 0] for name in settings.analogue}
        self._burst_ms = max(settings.poll_ms, settings.sample_ms // MAX_BURSTS)
        self._next_burst_ms = now_ms
        self._next_sample_ms = now_ms + settings.sample_ms
        self._voltage_told_ms = now_ms
        self._next_convert_ms = now_ms
        self._read_due_ms = None
        self._next_repeat_ms = now_ms
        self._closed_ms = now_ms
        self._changed = False
        self.moved_ms = now_ms  # when a bed's float last moved

    def poll(self, away=False):
        """away: the host has not been heard for a while. Returns a list of packs (see pack.py)."""
        now_ms = self._clock.now_ms()
        packs = []
        self._poll_floats(now_ms)
        self._poll_analogue(now_ms, away)
        self._poll_thermometers(now_ms)
        self._repeat(now_ms, packs)
        since_ms = now_ms - self._closed_ms
        due = since_ms >= (max(AWAY_MS, self._settings.publish_ms) if away else self._settings.publish_ms)
        if self._changed and not away and since_ms >= CHANGE_GAP_MS:
            due = True
        if due and self._readings:
            packs.append(self._close(now_ms))
        while len(self._readings) >= MAX_READINGS:
            packs.append(self._close(now_ms))
        return packs

    def _close(self, now_ms):
        taken, self._readings = self._readings[:MAX_READINGS], self._readings[MAX_READINGS:]
        readings = [[at_ms - now_ms, name, value] for at_ms, name, value in taken]
        pack = [self._boot, self._seq, now_ms, self._clock.epoch_ms(now_ms), readings]
        self._seq += 1
        self._closed_ms = now_ms
        self._changed = False
        return pack

    def _note(self, at_ms, name, value):
        self._readings.append((at_ms, name, round(value, 4) if isinstance(value, float) else value))

    def _ask(self, name, question, *arguments):
        """What the probe says, or None; a failure is counted under the reading's name."""
        try:
            return question(*arguments)
        except Exception as error:
            self._fail(name, str(error) or type(error).__name__)

    def _fail(self, name, why):
        since_ms = self._failures[name][0] if name in self._failures else self._clock.now_ms()
        self._failures[name] = (since_ms, why)

    def _poll_floats(self, now_ms):
        for switch in self._floats:
            level = self._ask(switch.name, self._probe.float_level, switch.name)
            if level is None:
                continue
            self._failures.pop(switch.name, None)
            changed_ms = switch.poll(now_ms, level)
            if changed_ms is not None:
                self._note(changed_ms, switch.name, switch.wet)
                self._changed = True
                if switch.name[:5] != "sump/":
                    self.moved_ms = changed_ms

    def _poll_analogue(self, now_ms, away):
        if now_ms >= self._next_burst_ms:
            self._next_burst_ms = now_ms + self._burst_ms
            for name in self._means:
                value = self._ask(name, self._measure, name)
                if value is not None and value == value:
                    self._failures.pop(name, None)
                    self._means[name].add(value)
        if now_ms < self._next_sample_ms:
            return
        self._next_sample_ms += self._settings.sample_ms
        if self._next_sample_ms <= now_ms:  # after a long block: no burst of catching up
            self._next_sample_ms = now_ms + self._settings.sample_ms
        tell = not away or now_ms - self._voltage_told_ms >= AWAY_MS
        for name, mean in self._means.items():
            value = mean.take()
            kept = self._kept[name]
            if value is not None:
                kept[0] += value
                kept[1] += 1
            if tell and kept[1]:
                self._note(now_ms, name, kept[0] / kept[1])
                self._kept[name] = [0.0, 0]
        if tell:
            self._voltage_told_ms = now_ms

    def _measure(self, name):
        if name != "battery/voltage":
            return self._probe.amperes(name)
        pin_v = self._probe.battery_v()
        return None if pin_v is None else self._scale.battery_v(pin_v)

    def _poll_thermometers(self, now_ms):
        if not self._settings.thermometers:
            return
        if self._read_due_ms is None:
            if now_ms >= self._next_convert_ms:
                self._ask(self._settings.thermometers[0]["name"], self._probe.start_conversion)
                self._read_due_ms = now_ms + CONVERSION_MS
            return
        if now_ms < self._read_due_ms:
            return
        self._read_due_ms = None
        self._next_convert_ms = now_ms + self._settings.temperature_ms
        for thermometer in self._settings.thermometers:
            name = thermometer["name"]
            celsius, wrong = self._ask(name, self._probe.temperature, name) or (None, None)
            if celsius is not None:
                self._failures.pop(name, None)
                self._note(now_ms, name, celsius)
                continue
            if wrong:
                self._fail(name, wrong)
            self._next_convert_ms = min(self._next_convert_ms, now_ms + RETRY_TEMPERATURE_MS)

    def _repeat(self, now_ms, packs):
        """All floats in one pack at one time, and the board's health.

        Waits while a float is undecided: its change, once settled, will be dated before this moment.
        """
        late_ms = now_ms - self._next_repeat_ms
        if late_ms < 0 or (late_ms < UNDECIDED_MS and any([switch.undecided() for switch in self._floats])):
            self._tell_fault(now_ms, False)
            return
        if len(self._readings) + len(self._floats) + MAX_HEALTH > MAX_READINGS:
            packs.append(self._close(now_ms))
        self._next_repeat_ms = now_ms + self._settings.repeat_ms
        for switch in self._floats:
            if not switch.undecided():
                self._note(now_ms, switch.name, switch.wet)
        self._note(now_ms, "station/uptime", now_ms // 1000)
        for name, value in (self._ask("station/health", self._probe.health) or {}).items():
            self._note(now_ms, name, value)
        self._tell_fault(now_ms, True)
        self._changed = True

    def _tell_fault(self, now_ms, again):
        """Names what has given nothing for half a minute; "none" once it is over."""
        if not self._failures and self._told_fault == "none":
            return
        lasting = [
            "%s: %s" % (name, why)
            for name, (since_ms, why) in sorted(self._failures.items())
            if now_ms - since_ms >= FAULT_AFTER_MS
        ]
        fault = "; ".join(lasting)[:MAX_FAULT_TEXT] or "none"
        changed = fault != self._told_fault and now_ms - self._told_fault_ms >= FAULT_AFTER_MS
        if changed or (again and fault != "none"):
            self._told_fault = fault
            self._told_fault_ms = now_ms
            self._note(now_ms, "station/fault", fault)
