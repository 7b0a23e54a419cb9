"""A push service, and the phone behind it: decrypts what comes (RFC 8291), and checks who signed it (RFC 8292).

Written from the RFCs over `cryptography` alone: the library that the service encrypts with has no part in it.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.server
import json
import os
import threading
import time
from typing import NamedTuple

from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat


class Pushed(NamedTuple):
    """shown: the decrypted payload; headers: lower-case; claims: of the signature; octets: of the body on the wire."""

    shown: dict
    headers: dict[str, str]
    claims: dict
    octets: int


class PushService:
    """One phone at a push service. answers: to the coming messages, 201 when they have run out. got: what it took."""

    def __init__(self, *answers: int) -> None:
        self.answers, self.got, self.wrong = list(answers), [], []
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._auth = os.urandom(16)
        service = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                answer = service.answers.pop(0) if service.answers else 201
                try:
                    pushed = service.opened({k.lower(): v for k, v in self.headers.items()}, body)
                    if answer < 300:
                        service.got.append(pushed)
                except Exception as error:
                    service.wrong.append(repr(error))
                    answer = 400
                self.send_response(answer)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.origin = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    @property
    def subscription(self) -> dict:
        """As a browser's PushSubscription.toJSON() gives it."""
        return {
            "endpoint": f"{self.origin}/push/quince-secret", "expirationTime": None,
            "keys": {"p256dh": text(point(self._key)), "auth": text(self._auth)},
        }  # fmt: skip

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def opened(self, headers: dict[str, str], body: bytes) -> Pushed:
        assert headers["content-encoding"] == "aes128gcm", "RFC 8291, 4"
        assert 0 <= int(headers["ttl"]) and len(body) <= 4096, "RFC 8030, 5.2 and 7.2"
        assert headers["urgency"] in ("very-low", "low", "normal", "high"), "RFC 8030, 5.3"
        assert len(headers["topic"]) <= 32 and set(headers["topic"]) <= set(BASE64URL), "RFC 8030, 5.4"
        return Pushed(json.loads(self._decrypted(body)), headers, self._claims(headers["authorization"]), len(body))

    def _decrypted(self, body: bytes) -> bytes:
        # RFC 8188, 2.1: salt, size of records, length of the key's name; which is the sender's public key (RFC 8291, 4)
        salt, record_size, name_length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
        sender, sealed = body[21 : 21 + name_length], body[21 + name_length :]
        assert name_length == 65 and len(sealed) <= record_size, "one record"
        theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
        shared = self._key.exchange(ec.ECDH(), theirs)
        # RFC 8291, 3.4
        material = hkdf(self._auth, shared, b"WebPush: info\0" + point(self._key) + sender, 32)
        key = hkdf(salt, material, b"Content-Encoding: aes128gcm\0", 16)
        nonce = hkdf(salt, material, b"Content-Encoding: nonce\0", 12)
        padded = AESGCM(key).decrypt(nonce, sealed, None).rstrip(b"\0")
        assert padded.endswith(b"\2"), "RFC 8188, 2: the last record"
        return padded[:-1]

    def _claims(self, authorization: str) -> dict:
        # RFC 8292, 3: "vapid t=…, k=…"
        scheme, _, rest = authorization.partition(" ")
        assert scheme.lower() == "vapid"
        parameters = dict(part.strip().split("=", 1) for part in rest.split(","))
        self.sender_key = parameters["k"]
        signed, _, signature = parameters["t"].rpartition(".")
        header, claims = (json.loads(data(part)) for part in signed.split("."))
        assert (header["typ"], header["alg"]) == ("JWT", "ES256")
        key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), data(parameters["k"]))
        raw = data(signature)
        r, s = int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big")
        key.verify(utils.encode_dss_signature(r, s), signed.encode(), ec.ECDSA(SHA256()))
        assert claims["aud"] == self.origin and claims["sub"].startswith(("mailto:", "https:"))
        assert time.time() < claims["exp"] <= time.time() + 24 * 3600, "RFC 8292, 2"
        return claims


BASE64URL = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"


def hkdf(salt: bytes, material: bytes, info: bytes, length: int) -> bytes:
    """RFC 5869, for up to 32 octets."""
    return hmac.digest(hmac.digest(salt, material, hashlib.sha256), info + b"\1", hashlib.sha256)[:length]


def point(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def text(octets: bytes) -> str:
    return base64.urlsafe_b64encode(octets).rstrip(b"=").decode()


def data(base64url: str) -> bytes:
    return base64.urlsafe_b64decode(base64url + "=" * (-len(base64url) % 4))
