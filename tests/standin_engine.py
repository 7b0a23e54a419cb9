"""A stand-in for the engine, for tests of what is around it: its judgements can be ordered by a reading's name.

It counts a cycle at each falling `bed-1/high`, raises and clears `pump-stopped` on `test/alarm` "raise" and "clear",
raises `station-silent` by the clock alone after 60 s without a pack, and chokes on `test/choke`.
"""

from __future__ import annotations

import json
import math

from barreltide.core.event import AlarmChanged, CycleCounted, NotePinned, PackChoked
from barreltide.core.reading import Answered, Noted, Pack, PumpRested, ServiceStarted

SILENT_S = 60


def fingerprint(site) -> str:
    return f"stand-in {site.name}"


class Monitor:
    def __init__(self, site, sun) -> None:
        self.state = {"clock_s": 0.0, "heard_s": None, "cycles": 0, "wet": None, "fed": 0, "starts": 0, "alarms": {}}

    @classmethod
    def restore(cls, blob: bytes, site, sun) -> Monitor:
        monitor = cls(site, sun)
        monitor.state = json.loads(blob)
        return monitor

    def save(self) -> bytes:
        return json.dumps(self.state).encode()

    def take(self, item):
        state = self.state
        assert item.received_s >= state["clock_s"], "the clock went back"
        if isinstance(item, ServiceStarted):
            state["starts"] += 1
            state["clock_s"] = item.received_s
            state["heard_s"] = None if state["heard_s"] is None else item.received_s
            return []
        events = self.advance(item.received_s)
        if isinstance(item, PumpRested):
            state["rested"] = [item.pump, item.until_s]
            return events
        if isinstance(item, Answered):
            state["answered"] = [item.what, item.alarm, item.subject]
            return events
        if isinstance(item, Noted):
            return [*events, NotePinned(item.time_s, item.bed, item.text, item.who)]
        state["fed"] += 1
        state["heard_s"] = item.received_s
        events += self._change("station-silent", item.station, False, item.received_s)
        for reading in item.readings:
            events += self._read(item, reading)
        return events

    def _read(self, pack: Pack, reading) -> list:
        state = self.state
        if reading.name == "test/choke":
            return [PackChoked(pack.received_s, pack.station, pack.boot, pack.seq, "Traceback\nValueError: choked")]
        if reading.name == "test/alarm":
            return self._change("pump-stopped", "pump", reading.value == "raise", pack.received_s)
        if reading.name == "bed-1/high":
            fell, state["wet"] = bool(state["wet"]) and not reading.value, reading.value
            if fell:
                state["cycles"] += 1
                return [CycleCounted(reading.sampled_s, "bed-1", state["cycles"], None, None, None, None, None)]
        return []

    def _change(self, alarm, subject, on, time_s):
        standing = self.state["alarms"]
        if on and alarm not in standing:
            standing[alarm] = {
                "alarm": alarm,
                "subject": subject,
                "priority": "urgent",
                "since": time_s,
                "message": f"{alarm}!",
            }
            return [AlarmChanged(time_s, time_s, alarm, subject, "raised", "urgent", f"{alarm}!")]
        if not on and alarm in standing:
            since = standing.pop(alarm)["since"]
            return [AlarmChanged(time_s, since, alarm, subject, "cleared", "urgent", f"{alarm} no more")]
        return []

    def advance(self, time_s):
        state, events = self.state, []
        assert time_s >= state["clock_s"], "the clock went back"
        heard = state["heard_s"]
        if heard is not None and time_s - heard > SILENT_S:
            tick_s = max(math.ceil((heard + SILENT_S) / 10) * 10, state["clock_s"])
            events = self._change("station-silent", "barrels", True, tick_s)
        state["clock_s"] = time_s
        return events

    def standing(self):
        return list(self.state["alarms"].values())

    def objection(self, answer):
        return None if answer.alarm in self.state["alarms"] else f"{answer.alarm} does not stand"

    def picture(self):
        return {"time": self.state["clock_s"], "fed": self.state["fed"], "standing": self.standing()}

    def number_cycles_from(self, last):
        self.state["cycles"] = last.get("bed-1", self.state["cycles"])
