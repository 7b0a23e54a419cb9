"""The board's pins, converters and one-wire sensors: the only file that imports `machine`, `onewire`, `ds18x20`.

Everything is read; the only outputs are the board's own LED, used to blink where config.json is wrong, and the lamp and
buzzer that config.json may name. Nothing here controls a pump.
"""

import gc
import os
import time

import machine
from station import battery, current, thermometer
from station.settings import SettingsError

BURST = 8
BUS_HZ = 100_000
LATEST_UNSET_YEAR = 2024  # boards wake in 2000, 2015 or 2021


def boot_number():
    """Random, 31 bits: the same number for two starts would hide packs from the host."""
    value = int.from_bytes(os.urandom(4), "big")
    return value & 0x7FFFFFFF or 1


def epoch_ms():
    """Unix time in ms, or None while the board's clock is not set. Boards count from 1970 or from 2000."""
    if time.gmtime()[0] <= LATEST_UNSET_YEAR:
        return None
    shift_s = 946_684_800 if time.gmtime(0)[0] == 2000 else 0
    now_ms = time.time_ns() // 1_000_000 if hasattr(time, "time_ns") else int(time.time() * 1000)
    return now_ms + shift_s * 1000


watchdog = None  # once started none can be stopped: who takes the board over at the prompt has to feed this one


def start_watchdog(timeout_ms):
    """The watchdog, or None where the board has none."""
    global watchdog
    try:
        watchdog = machine.WDT(timeout=timeout_ms)
        return watchdog
    except (AttributeError, OSError, ValueError, TypeError) as error:
        print("barreltide: no watchdog on this board (%s)" % error)
        return None


class Lamp:
    """The board's own LED, where there is one."""

    def __init__(self, pin):
        try:
            self._pin = machine.Pin("LED" if pin is None else pin, machine.Pin.OUT)
        except Exception:  # boards differ in how they refuse a pin
            self._pin = None

    def put(self, lit):
        if self._pin is not None:
            self._pin.value(1 if lit else 0)


class Output:
    """A lamp or a buzzer: `output` as in settings, or None. Raises SettingsError for a pin that this board lacks."""

    def __init__(self, output):
        self._pin = None
        self._is_on = False
        if output:
            self._levels = (1 - output["on"], output["on"])
            try:
                self._pin = machine.Pin(output["pin"], machine.Pin.OUT)
                self._pin.value(self._levels[0])
            except Exception as error:  # ValueError, TypeError or OSError, by port
                wrong = (output["key"], output["pin"], error)
                raise SettingsError("config.json: %s is pin %s: give a pin that can be an output (%s)" % wrong)

    def put(self, on):
        if self._pin is not None and on != self._is_on:
            self._is_on = on
            self._pin.value(self._levels[on])


def _input(pin, key, pull=True):
    try:
        return machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_UP) if pull else machine.Pin(pin)
    except Exception as error:  # ValueError, TypeError or OSError, by port
        raise SettingsError("config.json: %s is pin %s: give a pin that this board has (%s)" % (key, pin, error))


class Board:
    """The sampler's probe (station/sampler.py). Raises SettingsError for a pin that this board does not have."""

    def __init__(self, settings, health=dict):
        self._health = health
        self._buses = {}
        self._floats = {switch["name"]: _input(switch["pin"], switch["key"]) for switch in settings.floats}
        self._battery = settings.battery
        self._adc = None
        self._started = False
        if settings.battery:
            if settings.battery["adc"] == "internal":
                self._adc = self._converter(settings.battery["pin"])
            else:
                self._bus(settings.battery)
        self._currents = {sensor["name"]: sensor for sensor in settings.currents}
        for sensor in settings.currents:
            self._bus(sensor)
        self._wires = {}
        self._thermometers = {sensor["name"]: sensor for sensor in settings.thermometers}
        for sensor in settings.thermometers:
            pin = sensor["pin"]
            if pin not in self._wires:
                self._wires[pin] = OneWire(_input(pin, sensor["key"], pull=False))

    def float_level(self, name):
        return self._floats[name].value()

    def battery_v(self):
        if self._adc is None:
            return self._ads1115_v()
        codes = sorted([self._read_adc() for _ in range(BURST)])
        middle = codes[BURST // 4 : -(BURST // 4)]
        mean = sum(middle) / len(middle)
        return mean / 1e6 if self._microvolts else battery.u16_v(mean, self._battery["reference_v"])

    def amperes(self, name):
        sensor = self._currents[name]
        data = self._bus(sensor).readfrom_mem(sensor["address"], current.SHUNT_REGISTER, 2)
        return current.amperes(sensor["chip"], battery.signed16(data), sensor["shunt_ohm"], sensor["scale"])

    def start_conversion(self):
        for wire in self._wires.values():
            wire.start_conversion()

    def temperature(self, name):
        sensor = self._thermometers[name]
        return self._wires[sensor["pin"]].temperature(sensor["rom"])

    def one_wire(self):
        """{pin: OneWire}."""
        return self._wires

    def health(self):
        told = {"station/free-memory": gc.mem_free()} if hasattr(gc, "mem_free") else {}
        told.update(self._health())
        return told

    def _converter(self, pin):
        source = _input(pin, "battery.pin", pull=False)
        try:
            adc = machine.ADC(source)
        except Exception as error:
            raise SettingsError("config.json: battery.pin is %s: give a pin with a converter (%s)" % (pin, error))
        if hasattr(machine.ADC, "ATTN_11DB") and hasattr(adc, "atten"):
            adc.atten(machine.ADC.ATTN_11DB)  # ESP32: 0.15 to 2.45 V instead of 0.95 V
        self._microvolts = hasattr(adc, "read_uv")
        self._read_adc = adc.read_uv if self._microvolts else adc.read_u16
        return adc

    def _ads1115_v(self):
        """The conversion started at the call before, then start the next: no waiting, no state to lose in the chip."""
        bus, address = self._bus(self._battery), self._battery["address"]
        value = None
        if self._started:
            value = battery.ads1115_v(battery.signed16(bus.readfrom_mem(address, 0, 2)))
        self._started = False
        config = battery.ads1115_config(self._battery["channel"])
        bus.writeto_mem(address, 1, bytes([config >> 8, config & 0xFF]))
        self._started = True
        return value

    def _bus(self, sensor):
        wires = (sensor["scl"], sensor["sda"])
        if wires not in self._buses:
            self._buses[wires] = _open_bus(*wires)
        return self._buses[wires]


def _open_bus(scl, sda):
    wires = {"scl": _input(scl, "scl", pull=False), "sda": _input(sda, "sda", pull=False), "freq": BUS_HZ}
    # RP2 ties pins to bus 0 or 1; where neither takes them a bus in software does.
    for number in (0, 1):
        try:
            return machine.I2C(number, **wires)
        except Exception as error:
            refused = error
    if hasattr(machine, "SoftI2C"):
        return machine.SoftI2C(**wires)
    raise SettingsError("config.json: scl %s, sda %s: give two pins of one I2C bus (%s)" % (scl, sda, refused))


class OneWire:
    """The DS18B20s on one pin. Without the port's driver every question is answered with what is missing."""

    def __init__(self, pin):
        self._roms = []
        try:
            import ds18x20
            import onewire

            self._driver = ds18x20.DS18X20(onewire.OneWire(pin))
        except ImportError as error:
            self._driver = None
            self._missing = str(error)

    def start_conversion(self):
        if self._driver is None:
            return
        if not self._roms:
            self._roms = sorted([bytes(rom) for rom in self._driver.scan()])
        if self._roms:
            self._driver.convert_temp()

    def found(self):
        """[(address in hexadecimal, degrees Celsius or None, what is wrong or None)] of all that answer now."""
        if self._driver is None:
            return []
        self._roms = sorted([bytes(rom) for rom in self._driver.scan()])
        return [("".join(["%02x" % byte for byte in rom]),) + self._read(rom) for rom in self._roms]

    def temperature(self, wanted):
        """(degrees Celsius, None) or (None, what is wrong); wanted: address in hexadecimal, or None for the first."""
        if self._driver is None:
            return None, "this MicroPython has no driver: %s" % self._missing
        roms = [rom for rom in self._roms if wanted in (None, "".join(["%02x" % byte for byte in rom]))]
        if not roms:
            self._roms = []
            return None, "no sensor answers"
        celsius, wrong = self._read(roms[0])
        if wrong:
            self._roms = []  # look again: it may have been changed for another
        return celsius, wrong

    def _read(self, rom):
        if rom[0] == 0x28 and hasattr(self._driver, "read_scratch"):
            try:
                scratchpad = self._driver.read_scratch(rom)
            except Exception as error:  # the driver raises a bare Exception for a wrong CRC
                return None, str(error) or "no answer"
            if scratchpad is not None and len(scratchpad) == 9:
                return thermometer.decode(bytes(scratchpad))
        try:
            return thermometer.in_range(self._driver.read_temp(rom))
        except Exception as error:
            return None, str(error) or "no answer"


def ticks_ms():
    return time.ticks_ms()


def ticks_diff(later, earlier):
    return time.ticks_diff(later, earlier)
