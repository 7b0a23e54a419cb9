"""A sign of life to a watch that is kept elsewhere: an address is fetched every few minutes while the engine judges.

Nothing here can tell anybody that this host has died. Whoever keeps that watch can, when the sign stays away. That it
cannot be given is only logged: the watch will see it.
"""

from __future__ import annotations

import logging
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable

TIMEOUT_S = 20.0
MOST_BYTES = 1_000

log = logging.getLogger("barreltide.heartbeat")


class Heartbeat:
    """judging: whether the engine's clock goes on. The address is a secret."""

    def __init__(self, url: str, every_s: float, judging: Callable[[], bool]) -> None:
        self._url, self._every_s, self._judging = url, every_s, judging
        self._told = ""

    def watch(self, stop: threading.Event) -> None:
        """Until `stop`; for a thread of its own."""
        while not stop.wait(self._every_s):
            if self._judging():
                self.beat()

    def beat(self) -> bool:
        """Give one sign; whether it was taken."""
        parts = urllib.parse.urlsplit(self._url)
        request = urllib.request.Request(self._url, headers={"User-Agent": "barreltide"})
        try:
            with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
                answer.read(MOST_BYTES)
            self._told = ""
            return True
        except urllib.error.HTTPError as error:
            why = f"it answers {error.code}"
            error.close()
        except urllib.error.URLError as error:
            why = getattr(error.reason, "strerror", None) or type(error.reason).__name__
        except (OSError, ValueError) as error:
            why = type(error).__name__
        if why != self._told:
            log.warning("the heartbeat is not taken by %s://%s: %s", parts.scheme, parts.hostname, why)
            self._told = why
        return False
