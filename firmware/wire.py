"""The link of a wired station: the same packs and receipts as link.py, as lines (station/line.py) over USB.

The station speaks first: `hello` with its boot, its firmware and its own milliseconds, each second until a host
answers, then every ten. The answer is `time` with those milliseconds and the host's clock; half of the way there and
back is allowed for. An answer to another question than the last, or one that took long, lay somewhere on the way: it is
no time. No pack is sent before the time is known, so none is dated by when it happened to be read at the other end. A
host that has not answered for half a minute is gone.

This is the only file that reads and writes the bytes of USB. It blocks nothing: it reads what is there, and writes
pieces that a port takes at once, while it takes them. Ctrl-C still stops the program: it is how `barreltide board`
gets the prompt. With `"wired": true` nothing of Wi-Fi is touched.
"""

import asyncio
import json
import select
import sys

from station import FIRMWARE
from station.line import Lines, line_of

TURN_MS = 20
PIECE = 128  # bytes: 11 ms at 115,200 baud, which is less than a turn
MAX_READ = 512
LONGEST = 1_024
ASK_MS = 10_000
ASK_UNHEARD_MS = 1_000
HOST_SILENT_MS = 30_000
HELD_UP_MS = 2_000
OFF_MS = 500  # the clock is put right where it is further off than this


class Wire:
    """As link.Link: run() for ever; `connected`, `turned_ms`, `receipt_ms` and `wake` are for the others."""

    def __init__(self, settings, backlog, clock, boot, read_epoch_ms, folder, hear=None):
        self.connected = False
        self.wake = asyncio.Event()
        self._backlog = backlog
        self._clock = clock
        self._hello = {"boot": boot, "firmware": FIRMWARE, "alarms": bool(settings.lamp or settings.buzzer)}
        self._hear = hear
        self._lines = Lines(LONGEST)
        self._in = getattr(sys.stdin, "buffer", sys.stdin)
        self._out = getattr(sys.stdout, "buffer", sys.stdout)
        self._readable, self._writable = select.poll(), select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable.register(sys.stdout, select.POLLOUT)
        self.turned_ms = self.receipt_ms = self._heard_ms = self._ask_due_ms = clock.now_ms()
        self._asked_ms = None
        now_ms = read_epoch_ms()
        if now_ms is not None:
            clock.set_epoch(now_ms)

    def signal_dbw(self):
        return None

    async def run(self):
        while True:
            self.turned_ms = now_ms = self._clock.now_ms()
            self._read()
            if self.connected and now_ms - self._heard_ms > HOST_SILENT_MS:
                self.connected = False
                print("barreltide: the host has fallen silent")
            if now_ms >= self._ask_due_ms:
                self._asked_ms = now_ms
                self._ask_due_ms = now_ms + (ASK_MS if self.connected else ASK_UNHEARD_MS)
                self._hello["ms"] = now_ms
                await self._write("hello", json.dumps(self._hello))
            entry = self._backlog.due() if self.connected else None
            if entry:
                payload = self._backlog.payload(entry)
                self._backlog.sent(entry)
                await self._write("readings", payload)
            await asyncio.sleep_ms(TURN_MS)

    async def _write(self, kind, body):
        """What a port does not take for two seconds is given up: the host asks for nothing, and gets it again."""
        data = line_of(kind, body)
        for start in range(0, len(data), PIECE):
            since_ms = self._clock.now_ms()
            while not _ready(self._writable):
                if self._clock.now_ms() - since_ms > HELD_UP_MS:
                    return
                self._read()
                await asyncio.sleep_ms(TURN_MS)
            self._out.write(data[start : start + PIECE])
            self._read()
            if start + PIECE < len(data):
                await asyncio.sleep_ms(TURN_MS // 2)

    def _read(self):
        data = b""
        while len(data) < MAX_READ and _ready(self._readable):
            byte = self._in.read(1)
            if not byte:
                break
            data += byte
        for kind, body in self._lines.feed(data):
            try:
                self._take(kind, body)
            except (ValueError, KeyError, TypeError, AttributeError):
                print("barreltide: a line that cannot be read is left unused: %s" % kind[:20])

    def _take(self, kind, body):
        now_ms = self._clock.now_ms()
        if kind == "receipt":
            told = json.loads(body)
            self._backlog.forget(told["boot"], told["seq"])
            self.receipt_ms = now_ms
        elif kind == "alarms" and self._hello["alarms"]:
            self._hear(body)
        elif kind == "time":
            told = json.loads(body)
            if told["ms"] == self._asked_ms:
                self._asked_ms = None
                self._set_clock(now_ms, now_ms - told["ms"], told["unix_ms"])

    def _set_clock(self, now_ms, way_ms, unix_ms):
        if way_ms > HELD_UP_MS or not isinstance(unix_ms, int):
            return
        unix_ms += way_ms // 2
        known_ms = self._clock.epoch_ms(now_ms)
        if known_ms is None or abs(unix_ms - known_ms) > OFF_MS:
            self._clock.set_epoch(unix_ms)
        self._heard_ms = now_ms
        if not self.connected:
            self.connected = True
            print("barreltide: connected to the host over USB")
            self._backlog.reconnected()


def _ready(poll):
    for _ in poll.ipoll(0):
        return True
    return False
