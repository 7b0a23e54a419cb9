"""A command's way to the service that runs on this host: its pages' JSON, and the one door in (web/api.py)."""

from __future__ import annotations

import getpass
import http.client
import json
import urllib.error
import urllib.parse
import urllib.request
from typing import Any

from .. import Failure
from ..site import Site

TIMEOUT_S = 10.0
MOST_BYTES = 4_000_000


class ClientError(Failure):
    """The service does not answer, or not as it should; the text is one line."""


class Silent(ClientError):
    """Nothing answers where the service would."""


class Client:
    """The service at `address`, like http://127.0.0.1:8420/. Every answer is one JSON object."""

    def __init__(self, address: str, token: str | None = None) -> None:
        """token: by which the service knows a command, where even this host has to sign in."""
        self.address = address.rstrip("/") + "/"
        self._headers = {"X-Barreltide": "command"} | ({"X-Barreltide-Command": token} if token else {})
        # Whatever proxy the environment names, this host is not behind it.
        self._opener = urllib.request.build_opener(urllib.request.ProxyHandler({}))

    @classmethod
    def of_site(cls, site: Site) -> Client:
        """The service of this site file. Raises ClientError where the file does not say where it is."""
        if site.web.port == 0:
            raise ClientError(
                "[web] port: found 0, any free one; a number of its own would do, so that it can be found"
            )
        host = site.web.host
        if host in ("0.0.0.0", "::", ""):
            host = "127.0.0.1"
        token = None
        if site.web.behind_proxy:
            from ..web.sign_in import command_token

            token = command_token(site.store_path)
        return cls(f"http://{f'[{host}]' if ':' in host else host}:{site.web.port}/", token)

    def get(self, path: str, **parameters: Any) -> dict[str, Any]:
        query = f"?{urllib.parse.urlencode(parameters)}" if parameters else ""
        return self._answer(urllib.request.Request(f"{self.address}{path}{query}", headers=self._headers))

    def tell(self, word: dict[str, Any]) -> dict[str, Any]:
        """Tell it what the grower says (grower.py); returns once that is committed."""
        return self.ask("POST", "api/grower", word)

    def ask(self, method: str, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """Anything else that the door lets in from this host only."""
        headers = {"Content-Type": "application/json", **self._headers}
        request = urllib.request.Request(f"{self.address}{path}", json.dumps(body).encode(), headers, method=method)
        return self._answer(request)

    def _answer(self, request: urllib.request.Request) -> dict[str, Any]:
        try:
            with self._opener.open(request, timeout=TIMEOUT_S) as answer:
                found = json.loads(answer.read(MOST_BYTES))
        except urllib.error.HTTPError as error:
            raise ClientError(f"the service says: {_reason(error)}") from None
        except OSError as error:
            told = getattr(error, "reason", error)
            kind = Silent if isinstance(told, ConnectionRefusedError) else ClientError
            raise kind(f"no service answers at {self.address} ({told}); `barreltide serve` starts it") from None
        except (ValueError, http.client.HTTPException):
            found = None
        if not isinstance(found, dict):
            raise ClientError(f"what answers at {self.address} is not the service")
        return found


def who(named: str | None) -> str:
    """Who says it: as named, else the user of this computer, where that one has a name."""
    try:
        return named if named is not None else getpass.getuser()
    except (OSError, KeyError):
        return ""


def _reason(error: urllib.error.HTTPError) -> str:
    try:
        return str(json.loads(error.read(MOST_BYTES))["error"])[:300]
    except (OSError, ValueError, KeyError, TypeError):
        return f"{error.code} {error.reason}"
