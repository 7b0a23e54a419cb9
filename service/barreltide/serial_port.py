"""Serial ports of this computer: opened for one user alone, borrowed from the service, found on USB, faults in words.

Borrowing. The service keeps a wired station's port open for as long as it runs. Who wants it for a while, on the bench,
asks by a lock on the port's device file (`Borrowed`): the service looks for such a lock (`is_wanted`), lets go of the
port, and opens it again when the lock has gone, be it that its holder was killed. The lock is one of an open file
description (Linux, fcntl(2)), apart from the flock by which a port is had alone. It needs no file and no common user.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import time
from typing import NamedTuple

import serial
from serial.tools import list_ports

BAUD = 115_200  # of the modem and of a board's USB chip; a board whose chip does USB itself ignores it
LENT_S = 8.0  # by when the service has let a port go
CAN_LEND = hasattr(fcntl, "F_OFD_SETLK")

PortError = serial.SerialException  # an OSError, as are all faults of an open port
TakesNothing = serial.SerialTimeoutException
Port = serial.Serial


class UsbPort(NamedTuple):
    """device: its path, the lasting one where there is one; vendor, product: the USB numbers; about: its own words."""

    device: str
    vendor: int
    product: int
    about: str


def open_port(device: str, timeout_s: float, write_timeout_s: float) -> Port:
    """The port, had alone. Raises PortError."""
    return serial.Serial(device, BAUD, timeout=timeout_s, write_timeout=write_timeout_s, exclusive=True, rtscts=False)


def in_words(error: Exception, device: str, what: str) -> str:
    """Why `what` (a modem, a board) at this device cannot be had; one line that says what would do."""
    told = str(error)
    if "lock" in told:
        return f"{device} is in use by another program"
    if isinstance(error, TakesNothing):
        return f"the {what} takes nothing in"
    if isinstance(error, PermissionError) or "Permission denied" in told:
        return f"{device} may not be opened; sudo, or membership in the group dialout, would do"
    return f"no {what} at {device}: is it plugged in?"


def usb_ports() -> list[UsbPort]:
    """The serial ports that are on USB."""
    lasting = {}
    for folder in ("/dev/serial/by-id",):
        names = os.listdir(folder) if os.path.isdir(folder) else []
        lasting |= {os.path.realpath(f"{folder}/{name}"): f"{folder}/{name}" for name in names}
    return [
        UsbPort(lasting.get(port.device, port.device), port.vid, port.pid or 0, port.description or "")
        for port in sorted(list_ports.comports())
        if port.vid is not None
    ]


def _lock(kind: int) -> bytes:
    return struct.pack("hhqqi", kind, os.SEEK_SET, 0, 1, 0)


def is_wanted(device: str | int) -> bool:
    """Whether somebody asks for this port: its path, or the file descriptor of the open port. Raises OSError."""
    if not CAN_LEND:
        return False
    file = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK) if isinstance(device, str) else device
    try:
        found = fcntl.fcntl(file, fcntl.F_OFD_GETLK, _lock(fcntl.F_WRLCK))
        return struct.unpack_from("h", found)[0] != fcntl.F_UNLCK
    finally:
        if isinstance(device, str):
            os.close(file)


class Borrowed:
    """While it is entered, the service leaves this port alone. Raises OSError; BlockingIOError if it is lent."""

    def __init__(self, device: str) -> None:
        self._device = device

    def __enter__(self) -> Borrowed:
        self._file = os.open(self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            if CAN_LEND:
                fcntl.fcntl(self._file, fcntl.F_OFD_SETLK, _lock(fcntl.F_WRLCK))
            self._await_release()
        except BaseException:
            os.close(self._file)
            raise
        return self

    def _await_release(self) -> None:
        """Until nobody else has the port for himself, by the lock that pyserial takes."""
        give_up = time.monotonic() + LENT_S
        while True:
            try:
                fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                fcntl.flock(self._file, fcntl.LOCK_UN)
                return
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EACCES) or time.monotonic() > give_up:
                    raise PortError(f"could not lock {self._device}") from None
            time.sleep(0.1)

    def __exit__(self, *_: object) -> None:
        os.close(self._file)
