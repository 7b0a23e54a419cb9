"""Packs wait here until the host says that they are on its disk.

The oldest packs lie in RAM; one that is not receipted within `flash_after_ms`, or at once while there is no connection,
is also written to flash, and where RAM is full it lies on flash only. Flash is append-only segment files of lines
`crc32 pack`, so a power cut in mid-write costs at most the lines being written; a segment is deleted whole when its
packs are receipted. After a start the oldest segment may be sent again: the host stores a pack once.

Flash wear: with the host answering nothing is written. While it is away a pack a minute makes 1,440 appends a day.
A receipt is needed for every pack, so what is lost: packs not yet on flash at a power cut (the last `flash_after_ms`
and the open pack), and the oldest segment when `flash_bytes` are full; that is counted in `dropped`.

Packs of a boot that never knew the time have no honest time after the next start: they are counted in `undated` and not
sent. Once a boot learns the time it writes a clock line, and then they can be told.
"""

import binascii
import json
import os

from station.pack import to_senml

RAM_PACKS = 16
SEGMENT_BYTES = 16_384
MAX_LINE = 4_096
FLASH_RETRY_MS = 60_000
CLOCK_LINE = b'["clock"'
NO_SPACE = 28  # errno ENOSPC
AWAY_AFTER_MS = 30_000
RESEND_MS = 10_000
RESEND_LONGEST_MS = 300_000


def line_of(value):
    body = json.dumps(value, separators=(",", ":")).encode()
    return b"%08x %s\n" % (binascii.crc32(body), body)


def body_of(line):
    """A segment's line -> the JSON in it, or None for one that a power cut or worn flash has spoiled."""
    if len(line) < 12 or line[8:9] != b" " or line[-1:] != b"\n":
        return None
    try:
        return line[9:-1] if int(line[:8], 16) == binascii.crc32(line[9:-1]) else None
    except ValueError:
        return None


class _Entry:
    """A pack in RAM. segment: where its copy on flash lies, or None."""

    def __init__(self, pack, added_ms, segment):
        self.pack = pack
        self.boot = pack[0]
        self.seq = pack[1]
        self.added_ms = added_ms
        self.segment = segment
        self.sent_ms = None
        self.tries = 0


class _Segment:
    """waiting: packs of it that are not receipted yet."""

    def __init__(self, number):
        self.number = number
        self.bytes = 0
        self.waiting = 0


class Backlog:
    """folder: where segments lie (made when missing). dropped, undated: packs lost since the start, and why."""

    def __init__(self, folder, boot, clock, base_name, flash_bytes=524_288, flash_after_ms=3_000):
        self.dropped = 0
        self.undated = 0
        self.writes = 0
        self._folder = folder
        self._boot = boot
        self._clock = clock
        self._base_name = base_name
        self._flash_bytes = flash_bytes
        self._flash_after_ms = flash_after_ms
        self._ram = []
        self._segments = []
        self._open = None  # the segment that this boot appends to; never one of an earlier boot: its end may be torn
        self._tail = 0  # packs that lie on flash only
        self._cursor = None  # [segment, offset] of the first of them
        self._receipt_ms = None
        self._offsets = {}  # boot -> epoch offset, of boots that learned the time late
        self._undated_on_flash = False
        self._flash_failed_ms = None
        self._scan()
        self._load()
        self._sweep()

    def waiting(self):
        return len(self._ram) + self._tail

    def on_flash_bytes(self):
        return sum([segment.bytes for segment in self._segments])

    def away(self):
        """Nothing was receipted for a while though something waits: haste is of no use."""
        if not self._ram:
            return False
        now_ms = self._clock.now_ms()
        heard_ms = self._ram[0].added_ms if self._receipt_ms is None else max(self._receipt_ms, self._ram[0].added_ms)
        return now_ms - heard_ms > AWAY_AFTER_MS

    def add(self, pack):
        """Take a closed pack (pack.py)."""
        entry = _Entry(pack, self._clock.now_ms(), None)
        if self._tail or len(self._ram) >= RAM_PACKS:
            if not self._spill(self._unsafe() + [entry]):
                self._give_up_oldest_in_ram()
                self._ram.append(entry)
            return
        self._ram.append(entry)
        if self._flash_after_ms == 0:
            self._spill(self._unsafe())

    def keep(self, connected):
        """To be called often: writes to flash what has waited too long."""
        unsafe = self._unsafe()
        if unsafe and (not connected or self._clock.now_ms() - unsafe[0].added_ms >= self._flash_after_ms):
            self._spill(unsafe)
        if self._undated_on_flash and self._segments and self._clock.offset_ms is not None:
            self._undated_on_flash = not self._append(line_of(["clock", self._boot, self._clock.offset_ms]))
        self._load()

    def _unsafe(self):
        return [entry for entry in self._ram if entry.segment is None]

    def due(self):
        """The pack to send next, oldest first, or None. While the host is silent only the oldest is tried again."""
        now_ms = self._clock.now_ms()
        for place, entry in enumerate(self._ram):
            if entry.sent_ms is None:
                return entry
            overdue_ms = now_ms - entry.sent_ms
            if place == 0 and overdue_ms >= min(RESEND_MS << min(entry.tries - 1, 8), RESEND_LONGEST_MS):
                return entry
            # The host has receipted something younger than this sending: this one got lost, not the host.
            if overdue_ms >= RESEND_MS and self._receipt_ms is not None and self._receipt_ms > entry.sent_ms:
                return entry
        return None

    def payload(self, entry):
        """The pack as SenML, with times as they are at this moment."""
        pack = entry.pack
        if pack[3] is None and pack[0] == self._boot:
            pack = pack[:3] + [self._clock.epoch_ms(pack[2])] + pack[4:]
        return to_senml(pack, self._base_name, self._clock.now_ms())

    def sent(self, entry):
        entry.sent_ms = self._clock.now_ms()
        entry.tries += 1

    def reconnected(self):
        """Whatever was under way on the connection before may be lost."""
        for entry in self._ram:
            entry.sent_ms = None
            entry.tries = 0

    def forget(self, boot, seqs):
        """The host's receipt: these packs are on its disk."""
        kept = []
        for entry in self._ram:
            if entry.boot == boot and entry.seq in seqs:
                self._receipt_ms = self._clock.now_ms()
                if entry.segment:
                    entry.segment.waiting -= 1
            else:
                kept.append(entry)
        self._ram = kept
        self._load()
        self._sweep()

    # Flash

    def _path(self, segment):
        return "%s/%08d.seg" % (self._folder, segment.number)

    def _scan(self):
        try:
            os.mkdir(self._folder)
        except OSError:
            pass  # it is there; or flash cannot be written, and the first spill will show it
        try:
            names = sorted([name for name in os.listdir(self._folder) if name.endswith(".seg") and len(name) == 12])
        except OSError:
            names = []
        for name in names:
            try:
                segment = _Segment(int(name[:8]))
                self._count(segment)
            except (OSError, ValueError):
                continue
            self._segments.append(segment)
            self._tail += segment.waiting
        if self._segments:
            self._cursor = [self._segments[0], 0]

    def _count(self, segment):
        with open(self._path(segment), "rb") as file:
            while True:
                line = file.readline(MAX_LINE)
                if not line:
                    break
                segment.bytes += len(line)
                body = body_of(line)
                if body is None:
                    continue
                if body.startswith(CLOCK_LINE):
                    _, boot, offset_ms = json.loads(body)
                    self._offsets[boot] = offset_ms
                else:
                    segment.waiting += 1

    def _spill(self, entries):
        """Append entries to flash in one write. Those in RAM stay there too, unless older ones lie on flash only."""
        lines = [line_of(entry.pack) for entry in entries]
        if not self._append(b"".join(lines)):
            return False
        offset = self._open.bytes - sum([len(line) for line in lines])
        for entry, line in zip(entries, lines):
            entry.segment = self._open
            self._open.waiting += 1
            self._undated_on_flash = self._undated_on_flash or entry.pack[3] is None
            in_ram = entry in self._ram
            if in_ram and self._tail:
                self._ram.remove(entry)
            if self._tail or not in_ram:
                self._cursor = self._cursor if self._tail else [self._open, offset]
                self._tail += 1
            offset += len(line)
        return True

    def _give_up_oldest_in_ram(self):
        entry = self._ram.pop(0)
        self.dropped += 1
        if entry.segment:
            entry.segment.waiting -= 1

    def _append(self, data):
        """True once data is on flash. A full one costs the oldest segment; one that fails is left for a minute."""
        now_ms = self._clock.now_ms()
        if self._flash_failed_ms is not None and now_ms - self._flash_failed_ms < FLASH_RETRY_MS:
            return False
        for _ in range(2):
            if self._open is None or self._open.bytes + len(data) > SEGMENT_BYTES:
                self._open = _Segment(self._segments[-1].number + 1 if self._segments else 1)
                self._segments.append(self._open)
            while self.on_flash_bytes() + len(data) > self._flash_bytes and self._drop_oldest():
                pass
            try:
                self._write(data)
                self._open.bytes += len(data)
                self._flash_failed_ms = None
                return True
            except OSError as error:
                full = error.args and error.args[0] == NO_SPACE
                dropped = full and self._drop_oldest()
                self._open = None  # it may end in half a line
                if not dropped:
                    break
        self._flash_failed_ms = now_ms
        return False

    def _write(self, data):
        self.writes += 1
        with open(self._path(self._open), "ab") as file:
            file.write(data)

    def _drop_oldest(self):
        """Give up the oldest segment for the newest packs; False where there is none but the open one."""
        if self._segments[0] is self._open:
            return False
        segment = self._segments.pop(0)
        in_ram = len([entry for entry in self._ram if entry.segment is segment])
        self._ram = [entry for entry in self._ram if entry.segment is not segment]
        self.dropped += segment.waiting
        self._tail -= segment.waiting - in_ram
        if self._cursor and self._cursor[0] is segment:
            self._cursor = [self._segments[0], 0]
        self._remove(segment)
        return True

    def _remove(self, segment):
        try:
            os.remove(self._path(segment))
        except OSError:
            pass  # read again after the next start, sent again, stored once

    def _sweep(self):
        """Delete segments whose packs are all receipted, from the oldest on: a clock line outlives what it dates."""
        while self._segments and self._segments[0].waiting <= 0:
            segment = self._segments.pop(0)
            if segment is self._open:
                self._open = None
            if self._cursor and self._cursor[0] is segment:
                self._cursor = [self._segments[0], 0] if self._segments else None
            self._remove(segment)

    def _load(self):
        """Fill RAM from what lies on flash only."""
        while self._tail > 0 and len(self._ram) < RAM_PACKS:
            segment, offset = self._cursor
            line = self._line_at(segment, offset)
            if not line:
                self._leave(segment)
                continue
            self._cursor[1] = offset + len(line)
            body = body_of(line)
            if body is None or body.startswith(CLOCK_LINE):
                continue
            self._tail -= 1
            pack = self._dated(json.loads(body))
            if pack is None:
                self.undated += 1
                segment.waiting -= 1
            else:
                self._ram.append(_Entry(pack, self._clock.now_ms(), segment))

    def _leave(self, segment):
        """The cursor has come to a segment's end: what is still missing of it has become unreadable."""
        lost = segment.waiting - len([entry for entry in self._ram if entry.segment is segment])
        segment.waiting -= lost
        self._tail -= lost
        self.dropped += lost
        following = self._segments.index(segment) + 1
        if following < len(self._segments):
            self._cursor = [self._segments[following], 0]
        else:
            self._tail = 0

    def _dated(self, pack):
        """A pack read from flash, with its time where its own boot has learned it; None where nobody ever will."""
        if pack[3] is None and pack[0] != self._boot:
            if pack[0] not in self._offsets:
                return None
            pack[3] = pack[2] + self._offsets[pack[0]]
        return pack

    def _line_at(self, segment, offset):
        try:
            with open(self._path(segment), "rb") as file:
                file.seek(offset)
                return file.readline(MAX_LINE)
        except OSError:
            return b""
