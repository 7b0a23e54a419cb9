"""DS18B20: what its scratchpad says, and when it only seems to say it.

Layout and values from the Maxim DS18B20 data sheet; power-on and no-power marks from Linux' w1_therm.rst.
"""


def crc8(data):
    """CRC-8/MAXIM (x^8+x^5+x^4+1, reflected); over data with its own CRC appended it gives 0."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def decode(scratchpad):
    """Nine bytes of scratchpad -> (degrees Celsius, None) or (None, what is wrong)."""
    if len(scratchpad) != 9:
        return None, "short answer"
    if crc8(scratchpad[:8]) != scratchpad[8]:
        return None, "nothing answers" if min(scratchpad) == 0xFF else "garbled answer (CRC)"
    if scratchpad[4] == 0:  # an all-zero scratchpad passes the CRC; the configuration byte never is zero
        return None, "data line held low"
    raw = scratchpad[0] | scratchpad[1] << 8
    raw -= (raw & 0x8000) << 1
    if raw == 0x0550 and scratchpad[6] == 0x0C:
        return None, "85 C of power-on, not measured"
    if raw == 0x07FF:
        return None, "127.94 C, too little power to measure"
    # At 9 to 11 bits the lowest bits are undefined.
    raw &= ~((1 << (3 - (scratchpad[4] >> 5 & 3))) - 1)
    return _within_range(raw / 16)


def in_range(celsius):
    """A temperature from a driver that hides the scratchpad: its conventional fault values are no temperatures."""
    if celsius is None or celsius in (85.0, -127.0, 127.9375):
        return None, "%s C, not measured" % celsius
    return _within_range(celsius)


def _within_range(celsius):
    return (celsius, None) if -55 <= celsius <= 125 else (None, "%s C, out of the sensor's range" % celsius)
