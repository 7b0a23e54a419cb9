"""A modem on a pseudo-terminal that behaves as TS 27.005 and TS 27.007 say, with its SIM, its network and its troubles.

It reads the octets of a message with code of its own, bit by bit, and knows nothing of ours.
"""

from __future__ import annotations

import contextlib
import os
import pty
import re
import select
import threading
import time
import tty
from pathlib import Path
from typing import NamedTuple

import gsm0338

ALPHABET = gsm0338.Codec()


class Short(NamedTuple):
    """A message as the network got it. header: (reference, of how many, which), or None."""

    number: str
    text: str
    header: tuple[int, int, int] | None
    wants_report: bool
    octets: int


class Modem:
    """path: where its device appears. Its state may be changed at any time; `sent` is what the network has."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.sim, self.pin, self.tries_left, self.knows_tries = "READY", "4711", 3, True
        self.registration: dict[str, list[int]] = {"CREG": [1], "CEREG": [0]}  # one for each time that it is asked
        self.rssi = 17
        self.refuse: dict[str, list[str]] = {}  # by the start of a command: what it says to it, once each
        self.silent = False
        self.ignores = 0  # so many bytes that it does not hear, as one that wakes up
        self.reports: list[int] | None = [0]  # TP-Status of each message to come, the last one again; None: no report
        self.report_delay_s = 0.05
        self.report_memory: str | None = None  # where it must put reports before it can tell of them (<ds> 2 of +CNMI)
        self.memory: dict[str, dict[int, str]] = {"SM": {1: "somebody's message"}, "SR": {}}
        self._chosen = "SM"
        self.news = b""  # what it says without being asked, in the midst of every answer
        self.sent: list[Short] = []
        self.commands: list[str] = []
        self.unplugs_at: str | None = None
        self._reference = 0
        self._fd: int | None = None
        self._lock = threading.Lock()
        self.plug_in()

    def plug_in(self) -> None:
        self._fd, slave = pty.openpty()
        tty.setraw(slave)
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()
        self.path.symlink_to(os.ttyname(slave))
        self._echo, self._cmee, self._format, self._cnmi = True, 0, 1, "0,0,0,0,0"
        self._body: int | None = None
        threading.Thread(target=self._run, args=(self._fd, slave), daemon=True).start()

    def pull_out(self) -> None:
        with self._lock:
            fd, self._fd = self._fd, None
            self.path.unlink(missing_ok=True)
            if fd is not None:
                os.close(fd)

    def _say(self, *lines: str) -> None:
        text = b"".join(b"\r\n" + line.encode() + b"\r\n" for line in lines)
        with self._lock, contextlib.suppress(OSError):
            if self._fd is not None:
                os.write(self._fd, text)

    def _run(self, fd: int, slave: int) -> None:
        heard = b""
        try:
            while self._fd == fd:
                if not select.select([fd], [], [], 0.02)[0]:
                    continue
                got = os.read(fd, 1024)
                drop = min(self.ignores, len(got))
                self.ignores -= drop
                heard += got[drop:]
                if self._echo and self._body is None and not self.silent:
                    os.write(fd, got[drop:])
                heard = self._hear(heard)
        except OSError:
            pass
        finally:
            with contextlib.suppress(OSError):
                os.close(slave)

    def _hear(self, heard: bytes) -> bytes:
        while True:
            if self._body is not None:
                end = re.search(rb"[\x1a\x1b]", heard)
                if end is None:
                    return heard
                body, heard = heard[: end.start()], heard[end.end() :]
                length, self._body = self._body, None
                self._say("OK") if end.group() == b"\x1b" else self._take(length, body)
                continue
            line, end_, heard_ = heard.partition(b"\r")
            if not end_:
                return heard
            heard = heard_
            text = line.decode("ascii", "replace").strip("\n\x1b ")
            if text and not self.silent:
                self.commands.append(text)
                if self.unplugs_at and text.startswith(self.unplugs_at):
                    self.pull_out()
                    return b""
                self._obey(text)

    def _error(self, kind: str, code: int) -> None:
        # TS 27.007, 9.1: without +CMEE=1 a plain ERROR; +CMS ERROR (TS 27.005, 3.2.5) is not governed by it.
        self._say(f"+{kind} ERROR: {code}" if kind == "CMS" or self._cmee else "ERROR")

    def _obey(self, text: str) -> None:
        if self.news:
            with self._lock:
                os.write(self._fd, self.news)
        for start, words in self.refuse.items():
            if text.startswith(start) and words:
                self._say(words.pop(0))
                return
        upper = text.upper()
        if upper == "AT" or upper.startswith("AT+CSMS"):
            self._say("OK")
        elif upper in ("ATE0", "ATE1"):
            self._echo = upper == "ATE1"
            self._say("OK")
        elif upper.startswith("AT+CMEE="):
            self._cmee = int(upper[8:])
            self._say("OK")
        elif upper == "AT+CPIN?":
            self._error("CME", 10) if self.sim == "missing" else self._say(f"+CPIN: {self.sim}", "OK")
        elif upper.startswith("AT+CPIN="):
            self._enter(upper[8:].strip('"'))
        elif upper.startswith("AT+CPINR"):
            self._say(f"+CPINR: SIM PIN,{self.tries_left},3", "OK") if self.knows_tries else self._say("ERROR")
        elif found := re.fullmatch(r"AT\+(CREG|CEREG)\?", upper):
            states = self.registration.get(found.group(1))
            if states is None:
                self._say("ERROR")
            else:
                self._say(f"+{found.group(1)}: 0,{states.pop(0) if len(states) > 1 else states[0]}", "OK")
        elif upper == "AT+CSQ":
            self._say(f"+CSQ: {self.rssi},99", "OK")
        elif upper.startswith("AT+CMGF="):
            self._format = int(upper[8:])
            self._say("OK")
        elif upper.startswith("AT+CNMI="):
            stores = upper.split(",")[3] == "2"
            if upper.split(",")[3] != "0" and stores is not (self.report_memory is not None):
                self._error("CMS", 303)
                return
            self._cnmi = upper[8:]
            self._say("OK")
        elif upper.startswith("AT+CPMS="):
            self._chosen = upper[8:].strip('"')
            used = len(self.memory.get(self._chosen, {}))
            known = self._chosen in self.memory
            self._say(f"+CPMS: {used},20,{used},20,{used},20", "OK") if known else self._error("CMS", 302)
        elif upper.startswith("AT+CMGR="):
            tpdu = self.memory[self._chosen].get(int(upper[8:]))
            if tpdu is None:
                self._error("CMS", 321)  # TS 27.005, 3.2.5: invalid memory index
            else:  # 4.2: status, no name, and the length without the service centre's address
                self._say(f"+CMGR: 0,,{len(tpdu) // 2}\r\n0791534850020200F1{tpdu}", "OK")
        elif upper.startswith("AT+CMGD="):
            place, _, flag = upper[8:].partition(",")
            if flag == "4":
                self.memory[self._chosen].clear()
            else:
                self.memory[self._chosen].pop(int(place), None)
            self._say("OK")
        elif upper.startswith("AT+CMGS="):
            self._prompt(upper[8:])
        else:
            self._say("ERROR")

    def _enter(self, pin: str) -> None:
        if self.sim != "SIM PIN":
            self._error("CME", 3)
        elif pin == self.pin:
            self.sim, self.tries_left = "READY", 3
            self._say("OK")
        else:
            self.tries_left -= 1
            self.sim = "SIM PUK" if self.tries_left <= 0 else self.sim
            self._error("CME", 16 if self.tries_left > 0 else 12)

    def _prompt(self, length: str) -> None:
        if self.sim != "READY":
            self._error("CMS", 310 if self.sim == "missing" else 311)
        elif self._format != 0 or not length.isdigit():
            self._error("CMS", 304)
        else:
            self._body = int(length)
            with self._lock:
                os.write(self._fd, b"\r\n> ")

    def _take(self, length: int, body: bytes) -> None:
        for start, words in self.refuse.items():
            if start == "the message" and words and words[0]:
                self._say(words.pop(0))
                return
            if start == "the message" and words:
                words.pop(0)
        try:
            octets = bytes.fromhex(body.decode("ascii").strip())
            tpdu = octets[1 + octets[0] :]
            assert len(tpdu) == length
            message = read_submit(tpdu)
        except (ValueError, AssertionError, IndexError):
            self._error("CMS", 304)
            return
        self._reference = (self._reference + 1) % 256
        reference = self._reference
        self.sent.append(message)
        self._say(f"+CMGS: {reference}", "OK")
        if self.reports is not None and message.wants_report and self._cnmi.split(",")[3] in "12":
            status = self.reports.pop(0) if len(self.reports) > 1 else self.reports[0]
            threading.Thread(target=self._report, args=(reference, message.number, status), daemon=True).start()

    def _report(self, reference: int, number: str, status: int) -> None:
        time.sleep(self.report_delay_s)
        digits = number.lstrip("+")
        swapped = "".join(digits[i + 1 : i + 2].ljust(1, "F") + digits[i] for i in range(0, len(digits), 2))
        tpdu = f"06{reference:02X}{len(digits):02X}91{swapped}{'62902221300140' * 2}{status:02X}"
        if self.report_memory is None:
            self._say(f"+CDS: {len(tpdu) // 2}\r\n0791534850020200F1{tpdu}")
            return
        stored = self.memory[self.report_memory]
        stored[place := max(stored, default=0) + 1] = tpdu
        self._say(f'+CDSI: "{self.report_memory}",{place}')


def read_submit(tpdu: bytes) -> Short:
    """TS 23.040, 9.2.2.2, bit by bit."""
    first = tpdu[0]
    assert first & 0x03 == 0x01, "SMS-SUBMIT"
    digits = tpdu[2]
    assert tpdu[3] == 0x91, "an international number"
    size = (digits + 1) // 2
    number = "".join(f"{octet & 15:X}{octet >> 4:X}" for octet in tpdu[4 : 4 + size])
    number, filler = number[:digits], number[digits:]
    assert filler in ("", "F") and number.isdigit()
    at = 4 + size
    pid, coding = tpdu[at], tpdu[at + 1]
    assert pid == 0 and coding in (0, 8)
    at += 2 + {0x00: 0, 0x10: 1, 0x08: 7, 0x18: 7}[first & 0x18]
    length, data = tpdu[at], tpdu[at + 1 :]
    header, skip = None, 0
    if first & 0x40:
        skip = data[0] + 1
        assert data[1:3] == b"\x00\x03"
        header = (data[3], data[4], data[5])
    if coding == 8:
        assert length == len(data) <= 140
        return Short(f"+{number}", data[skip:].decode("utf-16-be"), header, bool(first & 0x20), len(data))
    bits = "".join(f"{octet:08b}"[::-1] for octet in data)
    assert length <= 160 and len(data) == (length * 7 + 7) // 8 <= 140
    septets = [int(bits[7 * n : 7 * n + 7][::-1], 2) for n in range(length)]
    text = ALPHABET.decode(bytes(septets[(skip * 8 + 6) // 7 :]))[0]
    return Short(f"+{number}", text, header, bool(first & 0x20), len(data))
