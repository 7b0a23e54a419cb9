"""A link in a notice to a page that answers its alarm: signed, for one raising, and only for some time.

    http://garden.lan:8420/answer/WORDS.SIGNATURE

Theory. Who is called at night has a phone, not the garden's computer. So a notice carries one link, which lets its
holder answer the one alarm that it was sent for, from anywhere that reaches the pages: one, because three would fill a
short message and be mistaken for one another in the dark. WORDS are the alarm, its subject, when it was raised, when
the link expires, and whom it was sent to, as JSON in base64; SIGNATURE is their HMAC-SHA256 (RFC 2104, cut to 128 bits
as its section 5 allows) under a key that never leaves this computer. Looking at a link does nothing: scanners of mail
fetch each one. Its page has a button for each answer that fits, and those answer.

A link is worth nothing for another raising of the same alarm: what stands then is another matter. It cannot know who
holds the phone: whoever has the notice has the link.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import os
from pathlib import Path
from typing import Any, NamedTuple

from ..store import StoreError

LASTS_S = 48 * 3600.0
SHELF_S = 3600.0
REST_S = 1800.0
KEY_BYTES = 32
SIGNATURE_BYTES = 16
MOST_TOKEN = 1_000
SAME_S = 1.0  # lines of events have rounded times

OF_PUMPS = ("pump-stopped", "flow-falling")  # whose subject is a pump
ANSWERS = ("acknowledged", "shelved", "pump-rested")


class LinkError(Exception):
    """The link does not work: status is 403 for one that we never made, 410 for one whose time is over, 503 for one
    that may work later; the text is a sentence."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Link(NamedTuple):
    """What a link says. who: to whom it was sent."""

    alarm: str
    subject: str
    raised_s: float
    expires_s: float
    who: str

    def word(self, what: str) -> dict[str, Any]:
        """What one of ANSWERS tells the service (grower.py)."""
        if what == "pump-rested":
            return {"input": what, "pump": self.subject, "for_s": REST_S}
        word = {"input": what, "alarm": self.alarm, "subject": self.subject, "who": self.who}
        return word | ({"for_s": SHELF_S, "reason": "by the link in its notice"} if what == "shelved" else {})


class Links:
    """Makes links and reads them again; key: a secret of this computer."""

    def __init__(self, key: bytes) -> None:
        self._key = key

    @classmethod
    def of_store(cls, path: str | Path) -> Links:
        """With the key that lies beside the store, made where missing. Raises StoreError where that cannot be."""
        file = Path(f"{path}.key")
        try:
            if not file.exists() or file.stat().st_size != KEY_BYTES:
                new = Path(f"{file}.new")
                new.unlink(missing_ok=True)
                with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                    out.write(os.urandom(KEY_BYTES))
                    out.flush()
                    os.fsync(out.fileno())
                new.replace(file)
            return cls(file.read_bytes())
        except OSError as error:
            raise StoreError(f"{file}: cannot be made or read: {error.strerror}; it signs links in notices") from None

    def answer_link(
        self, base_url: str, alarm: str, subject: str, raised_s: float, now_s: float, who: str = ""
    ) -> str:
        """A link for a notice that goes out at `now_s`. base_url: `[web] address`; raised_s: the time of the alarm's
        event; who: to whom it is sent."""
        link = Link(alarm, subject, round(raised_s, 3), round(now_s + LASTS_S), who)
        words = json.dumps(link, ensure_ascii=False, separators=(",", ":")).encode()
        return f"{base_url.rstrip('/')}/answer/{_text(words)}.{_text(self._signature(words))}"

    def read(self, token: str, now_s: float) -> Link:
        """What the link says, if we made it and it has not expired. Raises LinkError."""
        words, dot, signature = token.partition(".")
        try:
            if len(token) > MOST_TOKEN or not hmac.compare_digest(self._signature(_bytes(words)), _bytes(signature)):
                raise ValueError
            link = Link(*json.loads(_bytes(words)))
        except (ValueError, TypeError, binascii.Error, RecursionError):
            raise LinkError(403, "This link was not made here, or has lost a part on its way.") from None
        if now_s > link.expires_s:
            raise LinkError(410, "This link has expired: it worked for two days.")
        return link

    def _signature(self, words: bytes) -> bytes:
        return hmac.digest(self._key, b"answer " + words, hashlib.sha256)[:SIGNATURE_BYTES]


def row_of(link: Link, picture: dict[str, Any]) -> dict[str, Any]:
    """The alarm that the link is about, as the engine has it, if it can still be answered. Raises LinkError."""
    if not picture:
        raise LinkError(503, "The service is still starting. Try again in a minute.")
    key = link.alarm, link.subject
    standing, returned, shelved = (
        [row for row in picture.get(name) or [] if (row["alarm"], row["subject"]) == key]
        for name in ("standing", "returned", "shelved")
    )
    if shelved:
        raise LinkError(410, "It is put aside already.")
    for row in standing + returned:
        if abs(row["raised"] - link.raised_s) > SAME_S:
            raise LinkError(410, "What this notice told of is over, and the same has come again: see the newer notice.")
        return row
    raise LinkError(410, "What this notice told of is over: nothing is left to answer.")


def fitting(row: dict[str, Any]) -> tuple[str, ...]:
    """The ANSWERS that the alarm of this row can get."""
    if row["state"] == "returned":
        return ("acknowledged",)
    known, of_pump = row["state"] == "acknowledged", row["alarm"] in OF_PUMPS
    return (*(() if known else ("acknowledged",)), "shelved", *(("pump-rested",) if of_pump else ()))


def word_of(link: Link, picture: dict[str, Any], what: str) -> dict[str, Any]:
    """What the link's page tells the service by the button of this answer. Raises LinkError."""
    row = row_of(link, picture)
    if what == "acknowledged" and row["state"] == "acknowledged":
        raise LinkError(410, acknowledged(row))
    if what not in fitting(row):
        raise LinkError(410 if what in ANSWERS else 422, "That is no answer to it. Open the link again.")
    return link.word(what)


def acknowledged(row: dict[str, Any]) -> str:
    """That somebody has, in words."""
    by = f" by {row['acknowledged_by']}" if row["acknowledged_by"] else ""
    return f"It is acknowledged already{by}."


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
