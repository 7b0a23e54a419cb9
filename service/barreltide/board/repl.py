"""The prompt of a board on USB, by mpremote: to run code there and to put files on it. The only use of mpremote.

To have the prompt is to stop the station: its port is borrowed from the service, Ctrl-C ends its program, and at the
end a soft reset starts it anew. A watchdog that the program has started cannot be stopped, so it is fed from here for
as long as the board is held, whatever the person at the keyboard is doing meanwhile.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import struct
import threading
import time
from collections.abc import Iterator
from typing import Any

from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from .. import serial_port
from . import BoardError

TIMEOUT_S = 10.0
PROMPT_S, TRIES = 3.0, 4
FEED_EVERY_S = 0.5  # a watchdog may be set to two seconds
CHUNK = 1_024  # bytes of a file at a time, which a board has to hold twice
RESET_S = 0.3

# Frees what the program has left behind. _feed says whether there is a watchdog. One call each, as each takes its time.
GREETING = """
import gc, os, sys
if "asyncio" in sys.modules:
    sys.modules["asyncio"].new_event_loop()
gc.collect()
def _feed():
    watchdog = getattr(sys.modules.get("board"), "watchdog", None)
    if watchdog:
        watchdog.feed()
    return watchdog is not None
def _hash(path):
    import hashlib
    total, piece = hashlib.sha256(), bytearray(512)
    try:
        with open(path, "rb") as file:
            while True:
                size = file.readinto(piece)
                if not size:
                    return total.digest()
                total.update(memoryview(piece)[:size])
    except OSError:
        return None
def _settle(path, wanted):
    if _hash(path + ".new") != wanted:
        return False
    os.rename(path + ".new", path)
    return True
def _remove(path):
    try:
        for name in os.listdir(path):
            _remove(path + "/" + name)
        os.rmdir(path)
    except OSError:
        try:
            os.remove(path)
        except OSError:
            pass
"""


class Repl:
    """The prompt of the board at `device`, while it is entered. Every method raises BoardError."""

    def __init__(self, device: str) -> None:
        self.device = device
        self._lock = threading.RLock()
        self._leaving = threading.Event()
        self._fed_s = 0.0
        self._feeds = False

    def __enter__(self) -> Repl:
        with contextlib.ExitStack() as stack, self._in_words():
            stack.enter_context(serial_port.Borrowed(self.device))
            self._transport = SerialTransport(self.device, serial_port.BAUD, timeout=TIMEOUT_S)
            stack.callback(self._close)
            self._get_prompt()
            stack.callback(self._leave)
            self._transport.exec(GREETING)
            self._feeds = self._transport.eval("_feed()")
            feeder = threading.Thread(target=self._feed_on, daemon=True)
            stack.callback(feeder.join)
            stack.callback(self._leaving.set)
            feeder.start()
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def run(self, code: str) -> str:
        """Run code there; what it printed."""
        with self._in_words():
            return self._transport.exec(code).decode(errors="replace")

    def ask(self, expression: str) -> Any:
        """The value of an expression there."""
        with self._in_words():
            return self._transport.eval(expression)

    def read(self, path: str) -> bytes | None:
        """A file's content; None where there is none."""
        with self._in_words():
            try:
                return bytes(self._transport.fs_readfile(path, CHUNK))
            except FileNotFoundError:
                return None

    def put(self, path: str, data: bytes) -> None:
        """A file, whole or not at all; what lies there afterwards is read back by its hash."""
        with self._in_words():
            self._transport.fs_writefile(f"{path}.new", data, CHUNK, lambda *_: self._feed())
        if not self.ask(f"_settle({path!r}, {hashlib.sha256(data).digest()!r})"):
            raise BoardError(f"{path} did not arrive on the board as it was sent; try again, or another cable")

    def hash(self, path: str) -> bytes | None:
        """SHA-256 of a file; None where there is none."""
        return self.ask(f"_hash({path!r})")

    def remove(self, path: str) -> None:
        """A file, or a folder with all that is in it; nothing where there is none."""
        self.run(f"_remove({path!r})")

    def _get_prompt(self) -> None:
        """A board that is just starting, be it that opening the port has reset it, hears no Ctrl-C: then again."""
        for attempt in range(1, TRIES + 1):
            try:
                self._transport.serial.write(b"\r\x03")
                time.sleep(0.1)
                with contextlib.redirect_stdout(io.StringIO()):  # mpremote prints what it did not expect
                    self._transport.enter_raw_repl(soft_reset=False, timeout_overall=PROMPT_S)
                return
            except TransportError:
                if attempt == TRIES:
                    raise

    def _feed(self) -> None:
        if self._feeds and time.monotonic() - self._fed_s >= FEED_EVERY_S:
            self._fed_s = time.monotonic()
            self._transport.exec("_feed()")

    def _feed_on(self) -> None:
        while not self._leaving.wait(FEED_EVERY_S):
            with self._lock, contextlib.suppress(Exception):  # whoever uses the prompt next is told what is wrong
                self._feed()

    def _leave(self) -> None:
        """To the friendly prompt, and from there a soft reset, which runs main.py."""
        with contextlib.suppress(Exception):
            for _ in range(TRIES):
                self._transport.serial.write(b"\r\x03\x02")
                if self._transport.read_until(1, b">>> ", timeout_overall=PROMPT_S).endswith(b">>> "):
                    break
            self._transport.serial.write(b"\x04")
            time.sleep(RESET_S)  # what a USB chip still holds is lost when its port is closed

    def _close(self) -> None:
        with contextlib.suppress(Exception):
            self._transport.close()

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        with self._lock:
            try:
                yield
            except TransportExecError as error:
                told = error.error_output.strip().rpartition("\n")[2]
                raise BoardError(told.removeprefix("SettingsError: ") or "the board failed") from None
            except BlockingIOError:
                raise BoardError(f"{self.device} is in use by another `barreltide board`") from None
            except serial_port.PortError as error:
                raise BoardError(serial_port.in_words(error, self.device, "board")) from None
            except (TransportError, struct.error, SyntaxError, ValueError) as error:
                raise BoardError(_no_prompt(self.device, str(error))) from None
            except OSError as error:
                raise BoardError(serial_port.in_words(error, self.device, "board")) from None


def _no_prompt(device: str, told: str) -> str:
    if told.startswith("failed to access"):
        return f"{device} is in use by another program, or may not be opened (then sudo in front would do)"
    return f"{device} gives no MicroPython prompt; pull the plug and put it in again, or put MicroPython on it first"
