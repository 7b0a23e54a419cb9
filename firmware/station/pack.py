"""A pack: readings that travel, are kept and are forgotten together.

In memory and on flash it is [boot, seq, base_ms, epoch_ms, [[offset_ms, name, value], ...]]: base_ms by the station's
own clock, epoch_ms the same moment in Unix ms or None while the clock is not set. On the wire it is SenML (RFC 8428).
"""

import json

MAX_READINGS = 48
_UNITS = {
    "voltage": "V", "current": "A", "temperature": "Cel", "level": "m",
    "uptime": "s", "free-memory": "B", "signal": "dBW",
}  # fmt: skip


def seconds(ms):
    """Integer ms as a decimal number of seconds; through no float, which on a board has 24 bits only."""
    sign = "-" if ms < 0 else ""
    return "%s%d.%03d" % (sign, abs(ms) // 1000, abs(ms) % 1000)


def _value(value):
    if isinstance(value, bool):
        return '"vb":' + ("true" if value else "false")
    if isinstance(value, str):
        return '"vs":' + json.dumps(value)
    return '"v":' + ("%d" % value if isinstance(value, int) else "%.4f" % value)


def to_senml(pack, base_name, now_ms):
    """SenML JSON. Without a set clock there is no bt, and times are relative to the moment of sending."""
    boot, seq, base_ms, epoch_ms, readings = pack
    base_time = "" if epoch_ms is None else '"bt":%s,' % seconds(epoch_ms)
    shift_ms = base_ms - now_ms if epoch_ms is None else 0
    parts = [
        '[{"bn":"%s",%s"n":"station/boot","v":%d}' % (base_name, base_time, boot),
        '{"n":"station/seq","v":%d}' % seq,
    ]
    for offset_ms, name, value in readings:
        unit = _UNITS.get(name[name.rfind("/") + 1 :])
        at_ms = offset_ms + shift_ms
        parts.append(
            '{"n":"%s",%s%s%s}'
            % (name, '"u":"%s",' % unit if unit else "", '"t":%s,' % seconds(at_ms) if at_ms else "", _value(value))
        )
    return ",".join(parts) + "]"
