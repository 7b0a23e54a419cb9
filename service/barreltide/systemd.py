"""What the service tells systemd, where that started it (Type=notify): that it judges, still does, or ends.

The protocol is sd_notify(3)'s: lines over the datagram socket that $NOTIFY_SOCKET names. Elsewhere nothing is said. The
watchdog is fed by the writer after each turn, which ends with a commit: a thread of its own would go on saying that all
is well while the writer hangs.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time

STARTING_S = 120.0  # asked for anew while the engine is fed with what is stored, or the clock is not set
BEAT_EVERY_S = 5.0


class Systemd:
    """`beat` may be called as often as one likes; what is sent never raises."""

    def __init__(self) -> None:
        self._address = os.environ.pop("NOTIFY_SOCKET", "")  # children, the embedded broker for one, would use it too
        self._is_ready = False
        self._sent_s = float("-inf")

    def beat(self, is_judging: bool) -> None:
        """A turn is done. Until the service judges this asks for more time to start; then it feeds the watchdog."""
        if is_judging and not self._is_ready:
            self._is_ready = True
            self._send("READY=1\nSTATUS=takes readings in and judges them\nWATCHDOG=1")
        elif time.monotonic() - self._sent_s >= BEAT_EVERY_S:
            self._sent_s = time.monotonic()
            self._send("WATCHDOG=1" if self._is_ready else f"EXTEND_TIMEOUT_USEC={STARTING_S * 1e6:.0f}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, lines: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
            to.connect(address)
            to.sendall(lines.encode())
