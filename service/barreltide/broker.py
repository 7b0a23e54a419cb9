"""The embedded MQTT broker, for a first trial: a child process on loopback that dies with its parent.

It is `iotcore` where that is installed, else a `mosquitto` found on the machine. This module is also the child's
program (`python -m barreltide.broker PORT`), so that the service itself never loads the broker.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from . import Failure

HOST = "127.0.0.1"
MOST_PAYLOAD = 1 << 20  # beyond a pack's 64 KiB, so that the service can say what was wrong with a bigger one
START_S = 20.0


class BrokerError(Failure):
    """No broker could be brought up; the text is one line."""


class EmbeddedBroker:
    """port: to listen on, 0 for a free one; `port` tells which it became. Start, revive and stop in one thread that
    outlives the broker: Linux ends the child with the thread that made it."""

    def __init__(self, port: int = 1883) -> None:
        self.port = port
        self._child: subprocess.Popen[bytes] | None = None
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def start(self) -> None:
        """Returns once it listens. Raises BrokerError."""
        self.port = _claim(self.port)
        self._child = self._spawn()
        give_up = time.monotonic() + START_S
        while not _listens(self.port):
            if self._child.poll() is not None:
                raise BrokerError(f"the embedded broker ended at once, with status {self._child.returncode}")
            if time.monotonic() > give_up:
                self.stop()
                raise BrokerError(f"the embedded broker did not listen on {HOST}:{self.port} within {START_S:g} s")
            time.sleep(0.05)

    def revive(self) -> bool:
        """Start it again if it died; True if it had. Its port may still be busy: then the next call tries again."""
        if self._child is None or self._child.poll() is None:
            return False
        self._child = self._spawn()
        return True

    def stop(self) -> None:
        if self._child is not None and self._child.poll() is None:
            self._child.terminate()
            try:
                self._child.wait(3)
            except subprocess.TimeoutExpired:
                self._child.kill()
                self._child.wait()
        self._child = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def _spawn(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            self._command(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, preexec_fn=_dying_with_parent()
        )

    def _command(self) -> list[str]:
        if importlib.util.find_spec("iotcore") is not None:
            return [sys.executable, "-m", "barreltide.broker", str(self.port)]
        mosquitto = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
        if mosquitto is None:
            raise BrokerError(
                "no embedded broker for this machine: install mosquitto, or name a broker in the site file's [broker]"
            )
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="barreltide-broker-")
            os.chmod(self._folder.name, 0o755)  # mosquitto gives up root before it reads the file again
        configuration = Path(self._folder.name) / "mosquitto.conf"
        configuration.write_text(
            f"listener {self.port} {HOST}\nallow_anonymous true\npersistence false\nmax_packet_size {MOST_PAYLOAD}\n"
            "log_type error\n")  # fmt: skip
        return [mosquitto, "-c", str(configuration)]


def _claim(port: int) -> int:
    """The port, or a free one for 0. Raises BrokerError if it is in use."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise BrokerError(
                f"port {port} of {HOST} cannot be had for the embedded broker: {error.strerror}; "
                "stop what uses it, or name that broker in the site file: [broker] with host and port"
            ) from None
        return probe.getsockname()[1]


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex((HOST, port)) == 0


def _dying_with_parent() -> Callable[[], None] | None:
    if not sys.platform.startswith("linux"):
        return None
    prctl, parent = ctypes.CDLL(None).prctl, os.getpid()

    def die_with_parent() -> None:
        os.setpgid(0, 0)  # Ctrl-C is the parent's to handle: the broker is stopped last
        prctl(1, signal.SIGKILL)  # 1 is PR_SET_PDEATHSIG, prctl(2)
        if os.getppid() != parent:
            os._exit(1)

    return die_with_parent


def main() -> None:
    """The child: rumqttd on loopback until it is ended."""
    import logging

    import iotcore

    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)  # it reports each packet as an error
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    iotcore.IotCoreBroker(listen=HOST, port=int(sys.argv[1]), max_payload_size=MOST_PAYLOAD).run_forever()


if __name__ == "__main__":
    main()
