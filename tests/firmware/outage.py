"""A garden of the heaviest kind through simulated time, against a host that can be away. CPython and MicroPython alike.

Four beds, two floats each, three-minute periods. The floats' true edges can be told, so that what reached the host is
compared with what happened.
"""

import json

from station import settings
from station.backlog import Backlog
from station.clock import Clock
from station.sampler import Sampler

EPOCH_MS = 1_790_000_000_000
BOOT = 77
PERIOD_MS = 180_000
CONFIG = {
    "site": "garden",
    "station": "barrels",
    "broker": {"host": "127.0.0.1"},
    "battery": {"pin": 34, "scale": 7.667},
    "beds": {"bed-%d" % n: {"high": {"pin": 2 * n}, "low": {"pin": 2 * n + 1}} for n in range(1, 5)},
    "water": {"pin": 20},
}


class Garden:
    """The probe and the clock. step_ms: how far the clock goes at each poll."""

    def __init__(self, folder, step_ms=500, boot=BOOT, epoch_ms=EPOCH_MS, **backlog):
        self.ticks = 0
        self.step_ms = step_ms
        self.clock = Clock(lambda: self.ticks & ((1 << 30) - 1))
        if epoch_ms is not None:
            self.clock.set_epoch(epoch_ms)
        self.settings, _ = settings.read(json.dumps(CONFIG))
        self.sampler = Sampler(self.settings, self.clock, boot, self)
        self.backlog = Backlog(folder, boot, self.clock, self.settings.base_name, **backlog)
        self.packs = 0

    def wet(self, name, at_ms):
        bed = int(name[4])
        share = 45 if name[-4:] == "high" else 70
        return (at_ms + bed * 41_000) % PERIOD_MS < PERIOD_MS * share // 100

    def float_level(self, name):
        return 0 if self.wet(name, self.ticks) else 1

    def battery_v(self):
        return 1.64 + (self.ticks // 1000 % 17) / 10_000

    def start_conversion(self):
        pass

    def temperature(self, name):
        return 21.5 + (self.ticks // 60_000 % 9) / 16, None

    def health(self):
        return {"station/dropped": self.backlog.dropped}

    def run(self, until_ms, host):
        """host(payload) -> True where it receipts, or None while there is no connection."""
        while self.ticks < until_ms:
            self.ticks += self.step_ms
            for pack in self.sampler.poll(self.backlog.away()):
                self.packs += 1
                self.backlog.add(pack)
            self.backlog.keep(host is not None)
            if host is not None:
                self.deliver(host)

    def deliver(self, host, most=8):
        for _ in range(most):
            entry = self.backlog.due()
            if entry is None:
                return
            self.backlog.sent(entry)
            if host(self.backlog.payload(entry)):
                self.backlog.forget(entry.boot, [entry.seq])

    def true_edges(self, name, from_ms, until_ms):
        """The moments, on the grid of polls, at which a float changed, back-dated to the first sample after it."""
        return [
            at_ms
            for at_ms in range(from_ms, until_ms, self.step_ms)
            if self.wet(name, at_ms) != self.wet(name, at_ms - self.step_ms)
        ]
