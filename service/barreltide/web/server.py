"""The web server: uvicorn in a thread, on a socket of ours."""

from __future__ import annotations

import errno
import socket
import threading
import time
from collections.abc import Callable
from typing import Any

import uvicorn

from .. import Failure

START_TIMEOUT_S = 20
STOP_TIMEOUT_S = 4
MOST_CONNECTIONS = 64


class WebError(Failure):
    """The pages cannot be served; the text is one clear line."""


class WebServer:
    """uvicorn in a thread, on a socket that was bound before, so that a port in use is told at once. before_stop: ends
    what would not end by itself."""

    def __init__(self, app: Any, host: str, port: int, before_stop: Callable[[], None] = lambda: None) -> None:
        self._before_stop = before_stop
        self._socket = _bind(host, port)
        self.host, self.port = host, self._socket.getsockname()[1]
        config = uvicorn.Config(
            app, log_config=None, log_level="warning", access_log=False, lifespan="off", ws="none",
            loop="asyncio", http="h11",
            limit_concurrency=MOST_CONNECTIONS, timeout_graceful_shutdown=1, server_header=False,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    @property
    def address(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/"

    def start(self) -> None:
        """Returns once requests are answered; raises WebError when that does not come about."""
        self._thread.start()
        give_up = time.monotonic() + START_TIMEOUT_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > give_up:
                raise WebError(f"the pages did not start on {self.address}")
            time.sleep(0.02)

    def stop(self) -> None:
        """End within a few seconds, cutting off requests that are still open then."""
        self._before_stop()
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(STOP_TIMEOUT_S)
            self._server.force_exit = True
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def _bind(host: str, port: int) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        listening = socket.create_server(address[:2], family=family, backlog=128)
        # What it accepts inherits this; asyncio does so only for sockets of its own. Without it the second part of an
        # answer waits for the first one's acknowledgement: 40 ms, for nothing.
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listening
    except OSError as error:
        if isinstance(error, socket.gaierror):
            raise WebError(
                f"[web] host: found {host!r}, which is no address of this machine; 127.0.0.1 would do"
            ) from None
        if error.errno == errno.EADDRINUSE:
            raise WebError(
                f"[web] port: {port} on {host} is in use by another program; "
                "another number, or 0 for any free one, would do"
            ) from None
        raise WebError(f"[web] host, port: cannot listen on {host} port {port}: {error.strerror}") from None
