"""What the fake hardware sees: a JSON file that the test rewrites at will (see tests/firmware_board.py)."""

import json
import os
import time

_PATH = os.getenv("FAKE_WORLD") or "world.json"
_EVENTS = os.getenv("FAKE_EVENTS")
_FRESH_MS = 20
_seen = [None, {}]


def now():
    ticks = time.ticks_ms()
    if _seen[0] is None or not 0 <= time.ticks_diff(ticks, _seen[0]) < _FRESH_MS:
        _seen[0] = ticks
        try:
            with open(_PATH) as file:
                _seen[1] = json.load(file)
        except (OSError, ValueError):
            pass
    return _seen[1]


def happened(what):
    if _EVENTS:
        with open(_EVENTS, "a") as file:
            file.write("%d %s\n" % (time.ticks_ms(), what))
