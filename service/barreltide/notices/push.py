"""Web Push: notices to phones and browsers that have subscribed at our page, through their makers' push services.

Three standards: a message and how long it may wait (RFC 8030), encrypted for that one phone (RFC 8291), and signed with
a key pair of our own (RFC 8292, VAPID), which is made at the first start and lies beside the store, readable by its
owner only. Whoever loses it must subscribe all phones anew. The push service sees when something is sent and how long
it is, not what.

The library that encrypts and posts costs 21 MB, so it lives in the courier's child process only. A phone that its push
service has never heard of, or hears of no more, is forgotten.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import threading
import time
import urllib.parse
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from ..core.alarm_table import TABLE
from ..store import Store
from ..web.pages.words import anchor
from . import courier
from .notify import Gone
from .people import Way
from .wording import Letter, cut

TTL_S = 86_400  # a later warning would only mislead
WORD_TTL_S = 43_200
URGENCY = {"urgent": "high", "soon": "normal", "note": "low"}  # RFC 8030, 5.3
MOST_PAYLOAD = 3_000  # RFC 8291 leaves 3,993 octets of text in a message of 4,096
MOST_ENDPOINT = 1_024
MOST_SUBSCRIPTION = 4_096
KEYS_S = 30.0
POST_S = 10.0
CONTACT = "mailto:nobody@example.org"  # RFC 8292, 2.1: whom a push service may write to; some refuse to do without


class PushError(Exception):
    """Why a phone cannot subscribe; the text is one line. status: of HTTP."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Push:
    """store_path: where the keys lie beside; persons: who may be named; contact: an address of the garden's owner."""

    def __init__(self, store_path: str | Path, persons: Iterable[str] = (), contact: str | None = None) -> None:
        self._file = Path(f"{store_path}.push-keys")
        self._persons = set(persons)
        self._contact = f"mailto:{contact}" if contact else CONTACT
        self._lock = threading.Lock()

    def public_key(self) -> str:
        """What a browser needs to subscribe: the public key in base64 (applicationServerKey)."""
        return self._keys()["public"]

    def send(self, way: Way, letter: Letter, stop: threading.Event) -> str | None:
        """Send it to the phone of `way`; None when its push service has taken it, else why not, in one line."""
        payload = _payload(letter)
        job = {
            "push": way.subscription, "payload": payload, "key": self._keys()["private"], "contact": self._contact,
            "ttl": WORD_TTL_S if letter.kind == "info" and letter.priority == "note" else TTL_S,
            "headers": {"Urgency": URGENCY.get(letter.priority, "normal"), "Topic": topic(letter.key)},
        }  # fmt: skip
        answer = courier.run(job, courier.SEND_TIMEOUT_S, stop)
        if answer.get("ok") is True:
            return None
        words = str(answer.get("error") or "no reason given")[: courier.ERROR_CHARACTERS]
        return Gone(words) if answer.get("gone") is True else words

    def subscribe(self, payload: bytes, store: Store, now_s: float) -> int:
        """Take a phone in; its number. Raises PushError."""
        person, subscription = read_subscription(payload, self._persons)
        phone = store.add_phone(person, subscription, now_s)
        if phone is None:
            raise PushError(507, "there are too many phones already; one that is gone is forgotten at its next notice")
        return phone

    def _keys(self) -> dict[str, str]:
        with self._lock:
            if not self._file.exists():
                answer = courier.run({"push-keys": str(self._file)}, KEYS_S, None)
                if answer.get("ok") is not True:
                    raise PushError(503, f"the keys for Web Push cannot be made: {answer.get('error')}")
            try:
                return json.loads(self._file.read_text())
            except (OSError, ValueError):
                raise PushError(503, f"{self._file.name}: the keys for Web Push cannot be read") from None


def topic(key: str) -> str:
    """RFC 8030, 5.4: at most 32 letters; a newer message of one topic takes the place of one that still waits."""
    return base64.urlsafe_b64encode(hashlib.sha256(key.encode()).digest()[:24]).decode()


def _payload(letter: Letter) -> str:
    """What the page's service worker shows. tag: a newer one takes the place of the older on the screen as well;
    address: where its alarm stands on the pages."""
    body = letter.body
    while True:
        text = json.dumps(
            {"title": letter.title, "body": body, "tag": topic(letter.key), "priority": letter.priority,
             "kind": letter.kind, "notices": letter.notices[-1], "address": _address(letter.key)},
            ensure_ascii=False, separators=(",", ":"))  # fmt: skip
        if len(text.encode()) <= MOST_PAYLOAD:
            return text
        body = cut(body, len(body) * 9 // 10)


def _address(key: str) -> str:
    """The page of the alarm; a daily word or a test is about none."""
    is_alarm = any(key.startswith(f"{alarm}-") for alarm in TABLE)
    return f"/alarms#{anchor(key)}" if is_alarm else "/"


def read_subscription(payload: bytes, persons: Iterable[str]) -> tuple[str | None, dict[str, Any]]:
    """(person or None, subscription with only what is needed) of {"person": …, "subscription": …}. Raises PushError."""
    try:
        told = json.loads(payload[:MOST_SUBSCRIPTION])
        person, given = told.get("person"), told["subscription"]
        endpoint, keys = given["endpoint"], given["keys"]
        point, secret = _bytes(keys["p256dh"]), _bytes(keys["auth"])
        url = urllib.parse.urlsplit(endpoint)
        local = url.scheme == "http" and url.hostname in ("127.0.0.1", "localhost")
        host = bool(url.hostname) and (url.scheme == "https" or local)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        raise PushError(422, "a JSON object with person and the browser's subscription would do") from None
    if person is not None and person not in set(persons):
        raise PushError(422, f"person: found {str(person)[:64]!r}; a name of a [[person]], or null, would do")
    if not host or len(endpoint) > MOST_ENDPOINT:
        raise PushError(422, "subscription: its endpoint is no https address")
    if len(point) != 65 or point[0] != 4 or len(secret) != 16:  # RFC 8291, 3.1 and 3.2
        raise PushError(422, "subscription: its keys are not of Web Push")
    return person, {"endpoint": endpoint, "keys": {"p256dh": keys["p256dh"], "auth": keys["auth"]}}


def _bytes(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


# What follows runs in the courier's child.


def make_keys(path: str) -> dict[str, Any]:
    """Make our key pair and write it down, whole or not at all."""
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

    key = ec.generate_private_key(ec.SECP256R1())
    private = key.private_numbers().private_value.to_bytes(32, "big")
    public = key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    shown = {name: base64.urlsafe_b64encode(value).rstrip(b"=").decode()
             for name, value in (("private", private), ("public", public))}  # fmt: skip
    new = Path(f"{path}.new")
    try:
        new.unlink(missing_ok=True)
        with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
            json.dump(shown, out)
            out.flush()
            os.fsync(out.fileno())
        new.replace(path)
    except OSError as error:
        return {"ok": False, "error": error.strerror}
    return {"ok": True}


def deliver(job: dict[str, Any], now: Callable[[], float] = time.time) -> dict[str, Any]:
    """Encrypt, sign and post."""
    import pywebpush

    try:
        pywebpush.webpush(
            job["push"], job["payload"], job["key"], {"sub": job["contact"], "exp": int(now()) + 12 * 3600},
            timeout=POST_S, ttl=job["ttl"], headers=job["headers"],
        )  # fmt: skip
    except pywebpush.WebPushException as error:
        status = error.response.status_code if error.response is not None else None
        if status in (404, 410):  # RFC 8030, 7.3: never heard of, and expired
            return {"ok": False, "gone": True, "error": f"the phone has unsubscribed ({status})"}
        return {"ok": False, "error": f"the push service answered {status or 'nothing of use'}"}
    except Exception as error:  # a message of requests' holds the endpoint, which is a secret
        return {"ok": False, "error": f"{type(error).__name__} on the way to the push service"}
    return {"ok": True}
