"""What lamp and buzzer show to whoever is at the barrels: the host's word, and the station's own when it is alone.

The host's word is the retained list of standing alarms. It outlives the host: the broker keeps it, and so does this. A
host counts as silent when it has sent no receipt for `host_silent_ms`. Then the station has one judgement of its own:
no float of any bed has moved for `still_ms`, so no water moves. It knows no cause, and cannot tell one bed's fault:
while any bed still turns, it is quiet. A float that moves again proves an old word of a host that is gone wrong about
the water: the lamp keeps it, the buzzer does not.

An urgent alarm that somebody has acknowledged lights the lamp and does not sound.
"""

import json

URGENT, SOON, ALONE, QUIET = "urgent", "soon", "alone", "quiet"
LOUD_MS = 600_000
MAX_ROWS = 64

# By what there is to show: how long the pattern is, and from when to when in it the output is on.
LAMP = {
    URGENT: (500, ((0, 250),)),
    SOON: (3_000, ((0, 100),)),
    ALONE: (10_000, ((0, 100), (300, 400))),
    QUIET: (1_000, ()),
}
BEEPS = ((0, 200), (400, 600), (800, 1_000))
BUZZER_FIRST, BUZZER_LATER = (10_000, BEEPS), (60_000, BEEPS)  # later: who is to come is on the way, or is not there


class Signals:
    """poll() often; it returns whether lamp and buzzer are to be on. has_floats: whether a bed has a float at all."""

    def __init__(self, settings, clock):
        self._host_silent_ms = settings.host_silent_ms
        self._still_ms = settings.still_ms
        self._has_floats = any([switch["name"][:5] != "sump/" for switch in settings.floats])
        self._clock = clock
        self._urgent = self._sounding = self._soon = False
        self._mood, self._loud, self._since_ms = QUIET, False, 0

    def hear(self, payload):
        """The payload of the alarms' topic, perhaps cut off at its end. ValueError where it is no list of alarms."""
        rows = read_alarms(payload)
        urgent = [row for row in rows if row.get("priority") == URGENT]
        self._urgent, self._soon = bool(urgent), len(rows) > len(urgent)
        self._sounding = any([row.get("state") != "acknowledged" for row in urgent])

    def poll(self, receipt_ms, moved_ms):
        """receipt_ms: when the host last sent a receipt; moved_ms: when a bed's float last moved."""
        now_ms = self._clock.now_ms()
        silent = now_ms - receipt_ms > self._host_silent_ms
        still = self._has_floats and now_ms - moved_ms > self._still_ms
        own = silent and still and self._still_ms > 0
        # Beds go on draining for a while after a pump has stopped: only what moves much later proves anything.
        moves = not still and moved_ms - receipt_ms > self._host_silent_ms
        mood = URGENT if own or self._urgent else SOON if self._soon else ALONE if silent else QUIET
        loud = own or (self._sounding and not (silent and moves))
        if (mood, loud) != (self._mood, self._loud):
            self._mood, self._loud, self._since_ms = mood, loud, now_ms
        into_ms = now_ms - self._since_ms
        buzzer = BUZZER_FIRST if into_ms < LOUD_MS else BUZZER_LATER
        return _is_on(LAMP[mood], into_ms), loud and _is_on(buzzer, into_ms)


def _is_on(pattern, into_ms):
    length_ms, spans = pattern
    at_ms = into_ms % length_ms
    return any([begin <= at_ms < end for begin, end in spans])


def read_alarms(payload):
    """The alarms of a JSON list, one after the other, so that a long list costs no more memory than its longest alarm;
    where the end is cut off, the whole ones before it. The most urgent come first."""
    text = payload.strip()
    if text[:1] != b"[":
        raise ValueError("no list of alarms")
    rows, depth, begin, quoted, escaped = [], 0, 0, False, False
    for place in range(len(text)):
        byte = text[place]
        if escaped:
            escaped = False
        elif quoted:
            escaped = byte == 92  # a backslash
            quoted = byte != 34
        elif byte == 34:
            quoted = True
        elif byte in b"{[":
            depth += 1
            if depth == 2:
                begin = place
        elif byte in b"}]":
            depth -= 1
            if depth == 1 and len(rows) < MAX_ROWS:
                row = json.loads(text[begin : place + 1])
                if not isinstance(row, dict):
                    raise ValueError("no list of alarms")
                rows.append({key: row.get(key) for key in ("priority", "state")})
    return rows
