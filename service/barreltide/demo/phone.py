"""A stand-in for the grower's phone: takes a notice over HTTP, as a phone's push service would, and draws it."""

from __future__ import annotations

import json
import queue
import textwrap
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple

WIDTH = 46
MOST_BYTES = 64 * 1024


class Message(NamedTuple):
    title: str
    body: str


class Phone:
    """Listens on loopback; `url` is its address for `[notify] urls`, `messages` what it has received."""

    def __init__(self) -> None:
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        messages = self.messages

        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def do_POST(self) -> None:
                try:
                    notice = json.loads(self.rfile.read(min(int(self.headers["Content-Length"]), MOST_BYTES)))
                    messages.put(Message(str(notice["title"]), str(notice["message"])))
                except (KeyError, TypeError, ValueError):
                    self.send_error(400, "a JSON object with title and message would do")
                    return
                self.send_response(200)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"json://127.0.0.1:{self._server.server_port}/"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.1,), name="phone", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


def drawn(message: Message, clock: str) -> str:
    """The notice in the frame of a phone that shows `clock`."""
    lines = textwrap.wrap(message.title, WIDTH)
    lines += [""] + [piece for line in message.body.splitlines() for piece in textwrap.wrap(line, WIDTH)]
    head = f"{clock} {'▂▄▆':>{WIDTH - len(clock) - 1}}"
    inside = [head, "─" * WIDTH, *lines]
    edge = "─" * (WIDTH + 2)
    return "\n".join([f"    ╭{edge}╮", *(f"    │ {line:<{WIDTH}} │" for line in inside), f"    ╰{edge}╯"])
