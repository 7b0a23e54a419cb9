"""Short messages through a modem with a SIM at this computer: no internet on the way.

A modem of 3GPP TS 27.005 and TS 27.007, spoken to in PDU mode, which every one of them has. The port is opened for one
conversation at a time: a modem that was pulled out and put back needs nobody to notice, and another program, or
`barreltide notify --test`, can have its turn. A message counts as taken when the network has taken every part; where
the network reports soon that it cannot be delivered, it counts as refused. Such a report comes by itself (+CDS) or,
from modems that must put it away first, as the place where it lies (+CDSI): it is fetched there, and cleared away.

A SIM locks itself after three wrong PINs. So a PIN is entered only while the SIM says that all its tries are left, or,
where it does not say, once in the life of this program.

Two minutes after a start and daily from then on (sooner after trouble) it is asked for a sign of life: SIM, network and
signal. It cannot know whether there is credit left on the SIM until a message is refused.
"""

from __future__ import annotations

import contextlib
import logging
import re
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from .. import serial_port
from . import sms_pdu
from .people import Way
from .wording import Letter

ANSWER_S = 5.0
SENDING_S = 90.0  # TS 27.005 names no limit; networks have been seen to take a minute
NETWORK_S = 60.0
SIM_S = 20.0
PORT_S = 30.0
REPORT_S = 20.0
SLICE_S = 0.2
FIRST_LOOK_S, DAY_S, AFTER_TROUBLE_S = 120.0, 86_400.0, 900.0
MOST_PARTS = 3
MOST_LINE = 1024
MOST_REPORTS = 20

log = logging.getLogger("barreltide.sms")

# TS 27.005, 3.2.5, and TS 27.007, 9.2, for what a grower can do something about.
CMS = {
    "1": "no such number", "8": "the network bars this SIM", "10": "the network bars this SIM",
    "21": "the network rejects it: no credit left?", "27": "that phone is out of service", "28": "no such subscriber",
    "29": "the network refuses this SIM", "30": "the network does not know this SIM",
    "38": "the network is out of order", "41": "the network has a failure for the moment",
    "42": "the network is congested", "47": "the network is short of resources",
    "50": "this SIM has no SMS, or no credit", "69": "the network has no such service", "300": "the modem failed",
    "302": "the modem does not allow it", "303": "the modem cannot do it",
    "304": "the modem refuses the form of the message", "310": "no SIM in the modem",
    "311": "the SIM asks for its PIN", "313": "the SIM has failed", "314": "the SIM is busy",
    "315": "this is no SIM for it", "316": "the SIM is locked and asks for its PUK",
    "320": "the modem's memory failed", "322": "the modem's memory is full", "330": "the SIM knows no service centre",
    "331": "no network", "332": "the network did not answer in time", "500": "the modem does not say why",
}  # fmt: skip
CME = {
    "0": "the modem failed", "3": "the modem does not allow it", "4": "the modem cannot do it",
    "10": "no SIM in the modem", "11": "the SIM asks for its PIN", "12": "the SIM is locked and asks for its PUK",
    "13": "the SIM has failed", "14": "the SIM is busy", "15": "this is no SIM for it", "16": "the PIN is wrong",
    "20": "the modem's memory is full", "30": "no network", "31": "the network did not answer in time",
    "32": "the network lets this SIM only call for help", "100": "the modem does not say why",
}  # fmt: skip
REGISTRATION = {
    "0": "no network: the modem does not look for one", "2": "no network yet: the modem is looking for one",
    "3": "the network refuses this SIM", "4": "no network", "": "the modem does not say whether it has a network",
}  # fmt: skip
TRY_LATER = {"14", "314"}


class ModemError(Exception):
    """Why the modem did not do it, in one line."""


class Refused(ModemError):
    """The modem's own word: its code, and what that means."""

    def __init__(self, kind: str, code: str) -> None:
        self.kind, self.code = kind, code
        words = (CMS if kind == "CMS" else CME).get(code)
        super().__init__(words or (f"the modem says +{kind} ERROR: {code}" if kind else "the modem says ERROR"))


class Modem:
    """device: its serial port; pin: reads the SIM's PIN when it is needed, "" for none."""

    def __init__(self, device: str, pin: Callable[[], str] = lambda: "") -> None:
        self.device, self._pin = device, pin
        self._turn = threading.Lock()
        self._entered: set[str] = set()
        self._reference = int(time.time()) & 0xFF
        self._state: dict[str, Any] = {"device": device, "problem": None, "signal_dbm": None, "checked_s": None}

    def health(self) -> dict[str, Any]:
        """Whether it lives: problem (None when well), signal_dbm, and checked_s, when that was found."""
        return dict(self._state)

    def watch(self, stop: threading.Event, now: Callable[[], float] = time.time) -> None:
        """Look for signs of life until `stop`; for a thread of its own."""
        wait_s = FIRST_LOOK_S
        while not stop.wait(wait_s):
            wait_s = AFTER_TROUBLE_S if self.check(stop, now()) else DAY_S

    def check(self, stop: threading.Event, now_s: float | None = None) -> str | None:
        """Ask for a sign of life; None when it is well, else what is wrong, in one line."""
        problem, found = None, None
        try:
            with self._turn, _Talk(self.device, stop) as talk:
                found = self._ready(talk)
        except (ModemError, OSError) as error:
            problem = _in_words(error, self.device)
        if stop.is_set():
            return problem
        if problem and problem != self._state["problem"]:
            log.warning("the SMS modem: %s", problem)
        self._state = {**self._state, "problem": problem, "signal_dbm": found, "checked_s": now_s or time.time()}
        return problem

    def send(self, way: Way, letter: Letter, stop: threading.Event) -> str | None:
        """Send it to way.address; None when the network has taken it, else why not, in one line."""
        pieces = sms_pdu.parts(_short(letter), MOST_PARTS)
        try:
            with self._turn, _Talk(self.device, stop) as talk:
                self._ready(talk)
                problem = self._hand_over(talk, way, pieces)
        except (ModemError, OSError) as error:
            problem = _in_words(error, self.device)
            if not stop.is_set() and not (isinstance(error, Refused) and error.kind == "CMS"):
                self._state = {**self._state, "problem": problem, "checked_s": time.time()}
            return problem
        self._state = {**self._state, "problem": None, "checked_s": time.time()}
        return problem

    # In a conversation.

    def _ready(self, talk: _Talk) -> int | None:
        """Bring SIM and network up; the signal in dBm."""
        talk.wake()
        self._unlock(talk)
        self._find_network(talk)
        signal = re.search(r"\+CSQ:\s*(\d+)", talk.ask("AT+CSQ", "+CSQ:"))
        rssi = int(signal.group(1)) if signal else 99
        return -113 + 2 * rssi if rssi <= 31 else None  # TS 27.007, 8.5

    def _unlock(self, talk: _Talk) -> None:
        give_up = time.monotonic() + SIM_S
        while True:
            try:
                state = talk.ask("AT+CPIN?", "+CPIN:").partition(":")[2].partition("\n")[0].strip()
            except Refused as error:
                if error.code not in TRY_LATER or time.monotonic() > give_up:
                    raise
                state = "busy"
            if state == "READY":
                return
            if state == "SIM PIN":
                self._enter_pin(talk)
            elif state != "busy":
                raise ModemError(f"the SIM asks for {state or 'something unknown'}; only its owner can give that")
            if time.monotonic() > give_up:
                raise ModemError("the SIM does not become ready")
            talk.rest(SLICE_S)

    def _enter_pin(self, talk: _Talk) -> None:
        pin = self._pin()
        if not re.fullmatch(r"[0-9]{4,8}", pin):
            raise ModemError("the SIM asks for its PIN; [sms] pin_file with 4 to 8 digits would do")
        if pin in self._entered:
            raise ModemError(
                "the SIM did not take the PIN of [sms] pin_file; it is not tried again, as the third locks it"
            )
        try:
            left = re.search(r"SIM PIN\"?,\s*(\d+)", talk.ask('AT+CPINR="SIM PIN"', "+CPINR:"))
        except Refused:
            left = None
        if left and int(left.group(1)) < 3:
            raise ModemError(
                f"the SIM has {left.group(1)} tries for its PIN left, so none is made: enter it once in a phone, which"
                " gives all three back, or switch it off there"
            )
        self._entered.add(pin)
        talk.ask(f'AT+CPIN="{pin}"', limit_s=SIM_S)
        self._entered.discard(pin)

    def _find_network(self, talk: _Talk) -> None:
        give_up = time.monotonic() + NETWORK_S
        while True:
            found = [self._registration(talk, command) for command in ("CREG", "CEREG")]
            if {"1", "5", "6", "7"} & set(found):  # home, roaming, and both for SMS only
                return
            if "2" not in found or time.monotonic() > give_up:
                raise ModemError(REGISTRATION.get(found[0], REGISTRATION[""]))
            talk.rest(1.0)

    def _registration(self, talk: _Talk, command: str) -> str:
        try:
            answer = re.search(rf"\+{command}:\s*\d+,\s*(\d+)", talk.ask(f"AT+{command}?", f"+{command}:"))
        except Refused:
            return ""
        return answer.group(1) if answer else ""

    def _hand_over(self, talk: _Talk, way: Way, pieces: list[str]) -> str | None:
        talk.ask("AT+CMGF=0")
        reports = talk.will_report()
        self._reference = (self._reference + 1) & 0xFF
        sent = []
        for length, hexadecimal in sms_pdu.submit(way.address, pieces, self._reference):
            answer = re.search(r"\+CMGS:\s*(\d+)", talk.hand(f"AT+CMGS={length}", hexadecimal))
            if answer:
                sent.append(int(answer.group(1)))
        status = self._await_reports(talk, sent) if reports and sent else {}
        if bad := [report for report in status.values() if report.is_final and not report.is_delivered]:
            return f"the network could not deliver it (status {bad[0].status})"
        delivered = len(status) == len(sent) and all(report.is_delivered for report in status.values())
        log.info("channel %s: %s", way.channel, "delivered" if sent and delivered else "taken by the network")
        return None

    def _await_reports(self, talk: _Talk, sent: list[int]) -> dict[int, sms_pdu.Report]:
        give_up, found = time.monotonic() + REPORT_S, {}
        while time.monotonic() < give_up and not set(sent) <= {n for n, report in found.items() if report.is_final}:
            try:
                report = talk.report(min(SLICE_S, give_up - time.monotonic()))
                if report is not None and report.reference in sent:
                    found[report.reference] = report
            except (ModemError, OSError):
                return found  # it has been taken: a modem that is pulled out now cannot change that
        with contextlib.suppress(ModemError, OSError):
            talk.clear_reports()
        return found


class _Talk:
    """One conversation with the modem at an open port."""

    def __init__(self, device: str, stop: threading.Event) -> None:
        self._device, self._stop = device, stop
        self._rest, self._reports = b"", []  # what was read and not yet asked for
        self._stored: list[tuple[str, str]] = []  # memory and place of reports that lie in the modem
        self._memory: str | None = None  # where they lie, once one has been fetched there

    def __enter__(self) -> _Talk:
        give_up = time.monotonic() + PORT_S
        while True:
            try:
                self._port = serial_port.open_port(self._device, SLICE_S, ANSWER_S)
                return self
            except serial_port.PortError as error:
                if "lock" not in str(error) or time.monotonic() > give_up or self._stop.is_set():
                    raise
            self.rest(1.0)

    def __exit__(self, *_: object) -> None:
        self._port.close()

    def rest(self, seconds: float) -> None:
        if self._stop.wait(seconds):
            raise ModemError("stopped with the service")

    def wake(self) -> None:
        """Get its attention, out of whatever a conversation cut short may have left it in."""
        self._port.write(b"\x1b\r")
        self.rest(SLICE_S)
        self._port.reset_input_buffer()
        for _ in range(3):
            try:
                self.ask("AT", limit_s=1.0)
                break
            except ModemError:
                self._rest = b""
        else:
            raise ModemError("the modem does not answer AT")
        self.ask("ATE0")
        self.ask("AT+CMEE=1")

    def ask(self, command: str, prefix: str = "", limit_s: float = ANSWER_S, lines_after: int = 0) -> str:
        """The lines that start with `prefix`, each with so many after it: the answer, and perhaps news in the same
        form. Raises ModemError."""
        self._port.write(command.encode("ascii") + b"\r")
        return self._answer(command, prefix, time.monotonic() + limit_s, lines_after)

    def hand(self, command: str, hexadecimal: str) -> str:
        """Give the modem what it prompts for (TS 27.005, 3.5.1)."""
        self._port.write(command.encode("ascii") + b"\r")
        self._answer(command, ">", time.monotonic() + ANSWER_S)
        self._port.write(hexadecimal.encode("ascii") + b"\x1a")
        try:
            return self._answer(command, "+CMGS:", time.monotonic() + SENDING_S)
        except ModemError:
            self._port.write(b"\x1b")  # should it still be listening, what comes next must not become a message
            raise

    def will_report(self) -> bool:
        """Ask that reports be handed on: as they come or, of a modem that cannot do that, as the place where they lie
        (TS 27.005, 3.4.1). False: it keeps them to itself, so that nobody need wait for them."""
        for how in ("1", "2"):
            try:
                self.ask(f"AT+CNMI=2,0,0,{how},0")
                return True
            except Refused:
                continue
        return False

    def report(self, limit_s: float) -> sms_pdu.Report | None:
        """A status report, if one has come or comes within so long."""
        give_up = time.monotonic() + limit_s
        while not self._reports:
            if self._stored:
                self._fetch(*self._stored.pop(0))
                continue
            if (line := self._line(give_up)) is None:
                return None
            self._unasked(line, give_up)
        return self._reports.pop(0)

    def _fetch(self, memory: str, place: str) -> None:
        """Read a report where it lies, and clear it away (TS 27.005, 3.2.2, 4.2 and 3.5.4)."""
        try:
            if memory != self._memory:
                self.ask(f'AT+CPMS="{memory}"', "+CPMS:")
                self._memory = memory
            head, _, body = self.ask(f"AT+CMGR={place}", "+CMGR:", lines_after=1).partition("\n")
            self._keep(head.rpartition(",")[2], body)
            self.ask(f"AT+CMGD={place}")
        except Refused:
            log.info("the modem does not give its report away")

    def clear_reports(self) -> None:
        """Clear away what came after nobody waited any more, or its memory fills. Only where nothing but reports lies:
        elsewhere there may be somebody's messages."""
        if self._memory == "SR":
            self.ask("AT+CMGD=1,4")

    def _answer(self, command: str, prefix: str, give_up: float, lines_after: int = 0) -> str:
        found = ""
        while True:
            line = self._line(give_up, prefix == ">")
            if line is None:
                raise ModemError(f"the modem gave no answer to {command.partition('=')[0]} in time")
            if line == ">" == prefix or line == "OK":
                return found
            if line in ("ERROR", "COMMAND NOT SUPPORT"):
                raise Refused("", "")
            if refused := re.match(r"\+(CM[ES]) ERROR:\s*(.*)", line):
                raise Refused(refused.group(1), refused.group(2).strip())
            if prefix and line.startswith(prefix):
                found += line + "\n"
                for _ in range(lines_after):
                    found += (self._line(give_up) or "") + "\n"
            else:
                self._unasked(line, give_up)  # an echo, a ring, a message that came: none of it is the answer

    def _unasked(self, line: str, give_up: float) -> None:
        if head := re.match(r"\+CDS:\s*(\d+)", line):
            self._keep(head.group(1), self._line(give_up) or "")
        elif place := re.match(r'\+CDSI:\s*"(\w{2})"\s*,\s*(\d{1,5})$', line):
            if len(self._stored) < MOST_REPORTS:
                self._stored.append((place.group(1), place.group(2)))

    def _keep(self, length: str, body: str) -> None:
        """A report's octets, as the modem told them."""
        report = sms_pdu.read_report(int(length), body) if length.strip().isdigit() else None
        if report is not None and len(self._reports) < MOST_REPORTS:
            self._reports.append(report)

    def _line(self, give_up: float, or_prompt: bool = False) -> str | None:
        """The next line that is not empty; None when there is none in time."""
        while True:
            if or_prompt and self._rest.lstrip(b"\r\n").startswith(b">"):
                self._rest = b""
                return ">"
            line, end, rest = self._rest.partition(b"\n")
            if end:
                self._rest = rest
                if text := line.decode("ascii", "replace").strip():
                    return text
                continue
            if self._stop.is_set():
                raise ModemError("stopped with the service")
            if time.monotonic() > give_up:
                return None
            self._rest = (self._rest + self._port.read(max(1, self._port.in_waiting)))[-MOST_LINE:]


def pin_of(path: Path | None) -> Callable[[], str]:
    """Reads the PIN when it is asked for, so that a corrected file needs no new start."""

    def read() -> str:
        try:
            return path.read_text()[:64].strip() if path is not None else ""
        except (OSError, UnicodeDecodeError):
            raise ModemError("the SIM asks for its PIN, and [sms] pin_file cannot be read") from None

    return read


def _short(letter: Letter) -> str:
    """Title and body without the notice's id, which means nothing on a small screen."""
    lines = [line for line in letter.body.split("\n")[:-1] if line]
    return "\n".join([letter.title, *lines])


def _in_words(error: Exception, device: str) -> str:
    if isinstance(error, ModemError):
        return str(error)
    return serial_port.in_words(error, device, "modem")
