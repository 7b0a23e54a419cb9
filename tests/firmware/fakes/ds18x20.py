"""Sensors are world["one_wire"] = {"28ff...": nine scratchpad bytes in hexadecimal}."""

import world


class DS18X20:
    def __init__(self, onewire):
        pass

    def _sensors(self):
        return world.now().get("one_wire", {})

    def scan(self):
        return [bytearray(bytes.fromhex(rom)) for rom in self._sensors()]

    def convert_temp(self):
        world.happened("convert")

    def read_scratch(self, rom):
        scratchpad = self._sensors().get(bytes(rom).hex())
        if scratchpad is None:
            raise Exception("CRC error")  # a bus on which nobody answers reads all ones
        return bytes.fromhex(scratchpad)

    def read_temp(self, rom):
        raise AssertionError("the firmware reads the scratchpad where it can")
