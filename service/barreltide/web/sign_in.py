"""Who may look and who may answer: the passphrase, sessions, links for a neighbour. Knows no HTTP; door.py asks here.

Theory. One passphrase for the house; only its hash is kept (argon2id, RFC 9106; 19 MiB and two passes, the least that
OWASP names, from memory, as this computer is small). Whoever gives it gets a session: 256 random bits in a cookie, of
which only the SHA-256 is kept here, for thirty days. A neighbour's link holds bits of the same kind: they show the
garden for some days, and answer nothing. Both are forgotten here to be revoked. All of it lies in one file beside the
store that only its owner can read; the service and the commands both write it, one after the other, under a lock.

Guessing is slowed for each address (an IPv6 one by its /64, which is what one house is given), and for all together:
after a few wrong tries each further one has to wait, twice as long each time. What waits is refused unlooked at. The
counts live in memory: whoever can restart the service has the computer anyway. Who guesses from many addresses can keep
the owner from signing in for a quarter of an hour, but not who is signed in, nor who sits at this computer.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import hmac
import ipaddress
import json
import math
import os
import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import argon2

from .. import Failure

Role = Literal["owner", "neighbour"]
SESSION_S = 30 * 86_400.0
MOST_DAYS = 366
SHORTEST, LONGEST = 12, 256  # characters of a passphrase
MOST_TOKENS = 64  # of each role; the oldest makes room
MOST_TOKEN = 100  # characters
FREE_TRIES, FREE_TRIES_OF_ALL = 4, 20
LONGEST_WAIT_S = 900.0
FORGET_S = 3600.0
MOST_ADDRESSES = 1_000


class SignInError(Failure):
    """It cannot be done; the text is one line."""


class Wrong(Exception):
    """That is not the passphrase."""


class Wait(Exception):
    """Too many wrong tries: whole seconds after which the next one is looked at."""

    def __init__(self, seconds: float) -> None:
        self.seconds = math.ceil(seconds)
        super().__init__(f"too many wrong tries; wait {self.seconds} s")


class SignIn:
    """What is known of those who may come in. now: Unix seconds. Raises SignInError where the file cannot be used."""

    def __init__(self, store_path: str | Path, now: Callable[[], float]) -> None:
        self._store_path = store_path
        self._file = Path(f"{store_path}.sign-in")
        self._now = now
        self._hasher = argon2.PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
        self._one = threading.Lock()  # a hash at a time: each takes memory
        self._known: tuple[Any, dict[str, Any]] = None, {}
        self._tries = _Tries(now)

    def is_command(self, token: str | None) -> bool:
        """Whether this is the word of a command of whoever owns the store's files."""
        return token is not None and secrets.compare_digest(token.encode(), command_token(self._store_path).encode())

    @property
    def is_set(self) -> bool:
        """Whether there is a passphrase at all."""
        return "passphrase" in self._read()

    def set_passphrase(self, passphrase: str) -> None:
        """Whoever was signed in is no longer."""
        if not SHORTEST <= len(passphrase) <= LONGEST or not passphrase.isprintable():
            raise SignInError(
                f"the passphrase has {len(passphrase)} characters; {SHORTEST} to {LONGEST} would do, like four words"
            )
        hashed = self._hasher.hash(passphrase)
        with self._changed() as kept:
            kept["passphrase"] = hashed
            kept["tokens"] = [row for row in kept.get("tokens", []) if row["role"] != "owner"]

    def enter(self, passphrase: str, address: str) -> str:
        """A new session's token. Raises Wrong or Wait."""
        with self._one:
            self._tries.look(address)
            try:
                if len(passphrase) > LONGEST:
                    raise argon2.exceptions.VerifyMismatchError
                self._hasher.verify(self._read().get("passphrase", ""), passphrase)
            except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
                self._tries.failed(address)
                raise Wrong from None
            self._tries.forget(address)
        return self._new("owner", SESSION_S)

    def neighbour_token(self, days: int) -> str:
        """For a link that shows the garden for so long."""
        if not 1 <= days <= MOST_DAYS:
            raise SignInError(f"days: found {days}; 1 to {MOST_DAYS} would do")
        return self._new("neighbour", days * 86_400.0)

    def role_of(self, token: str | None) -> Role | None:
        """What the holder may be here, if anything."""
        if not token or len(token) > MOST_TOKEN:
            return None
        digest, now_s = _digest(token), self._now()
        rows = self._read().get("tokens", [])
        return next((row["role"] for row in rows if row["digest"] == digest and now_s < row["expires_s"]), None)

    def leave(self, token: str) -> None:
        """Forget it."""
        with self._changed() as kept:
            kept["tokens"] = [row for row in kept.get("tokens", []) if row["digest"] != _digest(token)]

    def revoke(self, role: Role) -> int:
        """Forget all tokens of that role; how many there were."""
        with self._changed() as kept:
            before = kept.get("tokens", [])
            kept["tokens"] = [row for row in before if row["role"] != role]
            return len(before) - len(kept["tokens"])

    def _new(self, role: Role, lasts_s: float) -> str:
        token, now_s = secrets.token_urlsafe(32), self._now()
        with self._changed() as kept:
            good = [row for row in kept.get("tokens", []) if now_s < row["expires_s"]]
            same = [row for row in good if row["role"] == role][-(MOST_TOKENS - 1) :]
            row = {"digest": _digest(token), "role": role, "expires_s": now_s + lasts_s}
            kept["tokens"] = [*(row for row in good if row["role"] != role), *same, row]
        return token

    def _read(self) -> dict[str, Any]:
        """The file's content, read again only when it has changed; empty where there is none."""
        try:
            stat = self._file.stat()
            mark = stat.st_mtime_ns, stat.st_ino, stat.st_size
            if self._known[0] != mark:
                self._known = mark, json.loads(self._file.read_bytes())
            return self._known[1]
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise SignInError(f"{self._file}: cannot be read: {error}; `barreltide passphrase` makes it anew") from None

    @contextlib.contextmanager
    def _changed(self) -> Iterator[dict[str, Any]]:
        try:
            with open(os.open(f"{self._file}.lock", os.O_RDWR | os.O_CREAT, 0o600)) as lock:
                self._hand_over(lock.fileno())
                fcntl.flock(lock, fcntl.LOCK_EX)
                try:
                    kept = json.loads(self._file.read_bytes())
                except (FileNotFoundError, ValueError):
                    kept = {}
                yield kept
                new = Path(f"{self._file}.new")
                new.unlink(missing_ok=True)
                with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as out:
                    json.dump(kept, out)
                    out.flush()
                    self._hand_over(out.fileno())
                    os.fsync(out.fileno())
                new.replace(self._file)
        except OSError as error:
            raise SignInError(f"{self._file}: cannot be written: {error.strerror}") from None

    def _hand_over(self, file: int) -> None:
        """A command that runs as root leaves its file to whom the folder belongs: the service runs as that."""
        if os.geteuid() == 0:
            folder = self._file.absolute().parent.stat()
            os.fchown(file, folder.st_uid, folder.st_gid)


class _Tries:
    """Wrong tries by address, and of all together (under "")."""

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._failed: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def look(self, address: str) -> None:
        """Raises Wait if this address, or everybody, has to."""
        now_s = self._now()
        for key, free in ((_house(address), FREE_TRIES), ("", FREE_TRIES_OF_ALL)):
            count, last_s = self._failed.get(key, (0, 0.0))
            if now_s - last_s > FORGET_S:
                self._failed.pop(key, None)
            elif count >= free:
                wait_s = last_s + min(2.0 ** (count - free + 1), LONGEST_WAIT_S) - now_s
                if wait_s > 0:
                    raise Wait(wait_s)

    def failed(self, address: str) -> None:
        for key in (_house(address), ""):
            self._failed[key] = self._failed.pop(key, (0, 0.0))[0] + 1, self._now()
        while len(self._failed) > MOST_ADDRESSES:
            self._failed.popitem(last=False)

    def forget(self, address: str) -> None:
        self._failed.pop(_house(address), None)


def command_token(store_path: str | Path) -> str:
    """By which a command is known where even this computer has to sign in, made from the store's key (links.py). Raises
    SignInError where that cannot be read."""
    try:
        key = Path(f"{store_path}.key").read_bytes()
    except OSError as error:
        raise SignInError(f"{store_path}.key: cannot be read: {error.strerror}; who serves the site can") from None
    return hmac.digest(key, b"command", hashlib.sha256).hex()


def _house(address: str) -> str:
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if parsed.version == 6 and parsed.ipv4_mapped is None:
        return str(ipaddress.ip_network((parsed, 64), strict=False))
    return str(getattr(parsed, "ipv4_mapped", None) or parsed)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
