"""Wired stations: boards on this computer's USB, which need no Wi-Fi; their packs and receipts are lines over serial.

What goes over the line stands in DEVELOPERS.md (and in firmware/station/line.py, which is the board's half). A thread a
station reads lines and puts what it hears into the queue of the broker's connection, in the same form: there is one
writer, and what it commits is receipted by this line too. Whatever is no whole line with its right CRC is passed over:
prompts, prints, half lines. A port that goes away is looked for each second.

To the board goes little, and slowly: many boards take in 256 bytes, and none of it while they do something else.
A board that says nothing for a minute may stand at its prompt, where somebody has stopped its program: it is started.
"""

from __future__ import annotations

import binascii
import contextlib
import json
import logging
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from . import serial_port
from .mqtt import Intake, Message
from .pack import MOST_BYTES, Topics

log = logging.getLogger("barreltide.wire")

LONGEST = MOST_BYTES + 100
MOST_TOLD = 64  # lines to the board that wait
MOST_SEQ = 16  # in a receipt: as many as a board has in memory
BYTES_PER_S = 2_000.0  # to the board
MOST_ALARMS = 8
LOOK_S = 0.5
AGAIN_S = 1.0
SILENT_S = 30.0
START_AGAIN_S = 60.0
START = b"\r\x02\x04"  # out of the raw prompt, and a soft reset: nothing that a running program heeds


def line_of(kind: str, told: Any) -> bytes:
    """A line: `@KIND CRC BODY` between two line ends."""
    body = f"{kind} {json.dumps(told, separators=(',', ':'))}".encode()
    return b"\n@%s %08x %s\n" % (kind.encode(), binascii.crc32(body), body[len(kind) + 1 :])


class Lines:
    """Puts lines together out of what comes in pieces."""

    def __init__(self) -> None:
        self._rest = b""
        self._skips = False

    def feed(self, data: bytes) -> Iterator[tuple[str, bytes]]:
        """(kind, body) of each line that is whole and right."""
        *ended, rest = data.split(b"\n")
        for piece in ended:
            line, self._rest = self._rest + piece, b""
            if not self._skips and (found := _read(line)) is not None:
                yield found
            self._skips = False
        self._rest += rest
        if len(self._rest) > LONGEST:
            self._rest, self._skips = b"", True


def _read(line: bytes) -> tuple[str, bytes] | None:
    parts = line.rstrip().split(b" ", 2)
    if line[:1] != b"@" or len(parts) != 3:
        return None
    kind, told = parts[0][1:], parts[1]
    if told != b"%08x" % binascii.crc32(kind + b" " + parts[2]):
        return None
    return kind.decode("ascii", "replace"), parts[2]


class Wire:
    """One wired station. put: takes what it hears; now: Unix seconds. problem: one line, or None."""

    def __init__(
        self, station: str, device: str, topics: Topics, put: Callable[[Message], None], now: Callable[[], float]
    ) -> None:
        self.problem: str | None = None
        self._station, self._device = station, device
        self._topics, self._put, self._now = topics, put, now
        self._told: deque[bytes] = deque(maxlen=MOST_TOLD)
        self._alarms: list[dict[str, str]] = []
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._ends = threading.Lock()  # around the pipe, which the thread closes: a closed number may be another file's
        self._is_over = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"wire {station}", daemon=True)
        self._presence: dict[str, Any] | None = None  # as last told to the writer
        self._may_write_s = 0.0

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(5.0)

    def receipt(self, boot: int, seqs: list[int]) -> None:
        """Tell the board what is on disk."""
        for start in range(0, len(seqs), MOST_SEQ):
            self._told.append(line_of("receipt", {"boot": boot, "seq": seqs[start : start + MOST_SEQ]}))
        self._wake()

    def tell_alarms(self, standing: list[dict[str, Any]]) -> None:
        """What a lamp or buzzer needs of the alarms that stand: each kind once, the most urgent first, as they come."""
        rows = [{"priority": row["priority"], "state": row["state"]} for row in standing]
        self._alarms = [row for place, row in enumerate(rows) if row not in rows[:place]][:MOST_ALARMS]

    def _wake(self) -> None:
        with self._ends, contextlib.suppress(BlockingIOError):
            if not self._is_over:
                os.write(self._wake_write, b".")

    # The thread.

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._talk()
            except OSError as error:
                self._tell(serial_port.in_words(error, self._device, "board"))
            except Exception:
                log.exception("the wired station %r cannot be listened to", self._station)
            self._offline()
            self._stopping.wait(AGAIN_S)
        with self._ends:
            self._is_over = True
            os.close(self._wake_read)
            os.close(self._wake_write)

    def _talk(self) -> None:
        """Until the port is lost, is wanted by another, or the service ends."""
        if serial_port.is_wanted(self._device):
            return self._tell("its port is lent to `barreltide board`")
        with serial_port.open_port(self._device, 0, 2.0) as port:
            self._told.clear()
            lines, heard_s, look_s = Lines(), time.monotonic(), 0.0
            start_s = heard_s + START_AGAIN_S
            while not self._stopping.is_set():
                now_s = time.monotonic()
                if now_s >= look_s:
                    look_s = now_s + LOOK_S
                    if serial_port.is_wanted(port.fileno()):
                        return self._tell("its port is lent to `barreltide board`")
                for kind, body in lines.feed(self._read_port(port)):
                    if self._take(kind, body):
                        heard_s = time.monotonic()
                        start_s = heard_s + START_AGAIN_S
                        self._tell(None)
                if now_s - heard_s > SILENT_S:
                    self._tell(f"nothing is heard from {self._device}; is it a board with firmware and wired = true?")
                    self._offline()
                if now_s > start_s:
                    start_s = now_s + START_AGAIN_S
                    port.write(START)
                self._write_port(port)

    def _read_port(self, port: serial_port.Port) -> bytes:
        wait_s = LOOK_S if not self._told else max(0.0, min(LOOK_S, self._may_write_s - time.monotonic()))
        ready, _, _ = select.select([port.fileno(), self._wake_read], [], [], wait_s)
        if self._wake_read in ready:
            os.read(self._wake_read, 4096)
        if port.fileno() not in ready:
            return b""
        data = port.read(4096)
        if not data:  # readable, and nothing there: it is gone
            raise serial_port.PortError("unplugged")
        return data

    def _write_port(self, port: serial_port.Port) -> None:
        now_s = time.monotonic()
        if self._told and now_s >= self._may_write_s:
            line = self._told.popleft()
            port.write(line)
            self._may_write_s = now_s + len(line) / BYTES_PER_S

    def _take(self, kind: str, body: bytes) -> bool:
        """Returns whether this was a station's line."""
        if kind == "readings":
            self._hand_on("readings", body)
            return True
        if kind != "hello":
            return False
        try:
            told = json.loads(body)
            ms, boot, firmware = int(told["ms"]), int(told["boot"]), told["firmware"][:40]
        except (ValueError, LookupError, TypeError, OverflowError):
            return False
        self._told.appendleft(line_of("time", {"ms": ms, "unix_ms": round(self._now() * 1000)}))
        if told.get("alarms"):
            self._told.append(line_of("alarms", self._alarms))
        self._is_there({"online": True, "boot": boot, "firmware": firmware})
        return True

    def _is_there(self, presence: dict[str, Any]) -> None:
        if presence != self._presence:
            if self._presence is None:
                log.info("the wired station %r is there", self._station)
            self._presence = presence
            self._hand_on("presence", json.dumps(presence).encode())

    def _offline(self) -> None:
        if self._presence is not None:
            self._presence = None
            self._hand_on("presence", b'{"online": false}')

    def _hand_on(self, kind: str, body: bytes) -> None:
        self._put(Message(self._topics.of(self._station, kind), body[:MOST_BYTES], len(body), 0, 0, 0))

    def _tell(self, problem: str | None) -> None:
        """Log a problem once."""
        told = problem and f"wired station {self._station!r}: {problem}"
        if told is not None and told != self.problem:
            log.warning("%s", told)
        self.problem = told


class Intakes:
    """The connection to the broker and the lines of wired stations, as one intake for the writer."""

    def __init__(self, broker: Intake, wires: dict[str, Wire]) -> None:
        self.messages = broker.messages
        self._broker, self._wires = broker, wires

    def start(self) -> None:
        self._broker.start()
        for wire in self._wires.values():
            wire.start()

    def stop(self) -> None:
        self._broker.stop()
        for wire in self._wires.values():
            wire.stop()

    @property
    def connected(self) -> bool:
        return self._broker.connected

    @property
    def problems(self) -> list[str]:
        """What is wrong with the broker or a wire, a line each."""
        return [part.problem for part in (self._broker, *self._wires.values()) if part.problem]

    def acknowledge(self, messages: Iterable[Message]) -> None:
        self._broker.acknowledge(messages)

    def receipts(self, packs: dict[tuple[str, int], list[int]]) -> None:
        """Both ways: a station may have been wired since it sent a pack."""
        self._broker.receipts(packs)
        for (station, boot), seqs in packs.items():
            if station in self._wires:
                self._wires[station].receipt(boot, seqs)

    def tell_alarms(self, standing: list[dict[str, Any]]) -> None:
        self._broker.tell_alarms(standing)
        for wire in self._wires.values():
            wire.tell_alarms(standing)
