"""Boards on this computer's USB: which are there, what they are, and which one is meant.

A vendor's number tells who made the USB chip, not what the board is: that the board says itself, at its prompt. A port
of an unknown vendor may be anything, a modem say, and is asked only if it is named.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from .. import serial_port
from ..serial_port import UsbPort
from . import BoardError
from .repl import Repl

# 303A: esptool-js' documentation; 2E8A: github.com/raspberrypi/usb-pid; 0403: Linux' ftdi_sio_ids.h; others: memory.
VENDORS = {
    0x303A: "Espressif, on the chip itself", 0x2E8A: "Raspberry Pi", 0x10C4: "Silicon Labs USB bridge",
    0x1A86: "WCH USB bridge", 0x0403: "FTDI USB bridge", 0xF055: "MicroPython", 0x239A: "Adafruit",
    0x1B4F: "SparkFun", 0x2341: "Arduino", 0x2886: "Seeed",
}  # fmt: skip
NONE = (
    "no board is found on USB: does the cable carry data, not only power? A new board needs MicroPython first, as its"
    " maker's page or micropython.org/download says"
)
ABOUT = (
    "[list(sys.implementation), sys.platform, (gc.collect(), gc.mem_free())[1] if hasattr(gc, 'mem_free') else 0,"
    " os.statvfs('.')]"
)
FIRMWARE = """
try:
    import json, main
    main.enter()
    import station
    _told = [station.FIRMWARE]
    with open(main._here() + "config.json") as _file:
        _config = json.load(_file)
    _told += [_config.get("station"), _config.get("site")]
except Exception:
    _told = locals().get("_told")
"""


def ports() -> list[UsbPort]:
    """The ports that are likely to be boards."""
    return [port for port in serial_port.usb_ports() if port.vendor in VENDORS]


def chosen(device: str | None) -> str:
    """The port that is named, or the only one there is. Raises BoardError."""
    found = ports()
    if device is not None:
        if not os.path.exists(device):
            others = f" There may be one at {', '.join(port.device for port in found)}." if found else ""
            raise BoardError(f"no board at {device}: is it plugged in?{others}")
        return device
    if len(found) == 1:
        return found[0].device
    if not found:
        raise BoardError(_none())
    raise BoardError(f"{len(found)} ports may be boards: name one by --port: {', '.join(p.device for p in found)}")


def _none() -> str:
    others = ", ".join(f"{port.device} ({port.about})" for port in serial_port.usb_ports())
    return f"{NONE}. What is there, {others}, is asked only if --port names it" if others else NONE


def about(repl: Repl) -> list[str]:
    """What the board says of itself, a line each."""
    (name, version, machine, *_), _, free, flash = repl.ask(ABOUT)
    number = ".".join(str(part) for part in version[:3])
    size, room = flash[1] * flash[2], flash[0] * flash[3]
    lines = [
        f"{'MicroPython' if name == 'micropython' else name} {number} on {machine}",
        f"{free / 1000:,.0f} kB of memory free, {room / 1000:,.0f} of {size / 1000:,.0f} kB of flash",
    ]
    repl.run(FIRMWARE)
    told = repl.ask("_told")
    if told is None:
        return [*lines, "no firmware of ours yet: `barreltide board install` puts it there"]
    if told[1:]:
        return [*lines, f"firmware {told[0]}, station {told[1]!r} of site {told[2]!r}"]
    return [*lines, f"firmware {told[0]}, no config.json yet: `barreltide board configure` writes it"]


def run(device: str | None, say: Callable[[str], None]) -> int:
    """List what is there; the exit status is 1 where no board answers."""
    named = [port for port in serial_port.usb_ports() if port.device == device] if device else ports()
    if device and not named:
        named = [UsbPort(device, 0, 0, "")]
    if not named:
        raise BoardError(_none())
    answered = 0
    for port in named:
        kind = f"  {port.vendor:04x}:{port.product:04x} {VENDORS.get(port.vendor, port.about)}" if port.vendor else ""
        say(port.device + kind)
        try:
            with Repl(port.device) as repl:
                for line in about(repl):
                    say(f"    {line}")
            answered += 1
        except BoardError as error:
            say(f"    {error}")
    return 0 if answered else 1
