import time

import world

if hasattr(time, "become_a_board"):
    time.become_a_board()


class Pin:
    IN, OUT, OPEN_DRAIN, PULL_UP, PULL_DOWN = 0, 1, 2, 1, 2

    def __init__(self, id, mode=-1, pull=-1, value=None):
        if id != "LED" and not (isinstance(id, int) and 0 <= id < 40):
            raise ValueError("invalid pin")
        self.id = id
        if mode == self.OUT:
            world.happened("output %s" % id)

    def value(self, level=None):
        if level is None:
            return world.now().get("pins", {}).get(str(self.id), 1)
        world.happened("pin %s = %d" % (self.id, level))


class ADC:
    def __init__(self, pin):
        self.id = pin.id
        if not 26 <= self.id < 40:
            raise ValueError("pin has no ADC")

    def read_uv(self):
        return int(world.now().get("adc_v", {}).get(str(self.id), 0) * 1_000_000)


class I2C:
    """Chips are world["i2c"] = {"72": {"0": [high, low], ...}}: address, register, bytes."""

    def __init__(self, id, scl, sda, freq=400000):
        if id != 0:
            raise ValueError("no such bus")

    def readfrom_mem(self, address, register, count):
        chip = world.now().get("i2c", {}).get(str(address))
        if chip is None:
            raise OSError(19)  # ENODEV, as a bus without an acknowledge
        return bytes(chip.get(str(register), [0, 0])[:count])

    def writeto_mem(self, address, register, data):
        if str(address) not in world.now().get("i2c", {}):
            raise OSError(19)
        world.happened("i2c %d/%d = %s" % (address, register, bytes(data).hex()))


class WDT:
    def __init__(self, id=0, timeout=5000):
        if timeout > 8388:
            raise ValueError("timeout too large")
        world.happened("watchdog %d" % timeout)

    def feed(self):
        world.happened("feed")


class RTC:
    pass


def reset():
    world.happened("reset")


def unique_id():
    return b"\x01\x02\x03\x04\x05\x06"
