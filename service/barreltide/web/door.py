"""Who asks, and what they may: the grower or nobody, and the one door in for what the grower says.

The door opens to loopback only, wherever the pages are served. Other pages that a browser on this host has open cannot
use it: they would need the browser's leave for a JSON body and a header of ours, which is never given, and a name that
only pretends to be this host's is refused.
"""

from __future__ import annotations

import ipaddress
from typing import Literal

from fastapi import HTTPException, Request

from .. import grower

OUR_HEADER = "x-barreltide"

Who = Literal["owner", "neighbour", "nobody"]


def who(request: Request) -> Who:
    """Who asks: "owner" may answer alarms and pin notes."""
    return "owner" if is_from_this_host(request) else "nobody"


async def from_this_host(request: Request) -> bytes:
    """The body, if nobody but a program on this host can have sent it."""
    if not is_from_this_host(request):
        raise HTTPException(403, "only this host may say that; use the command line there")
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if OUR_HEADER not in request.headers or kind != "application/json":
        raise HTTPException(415, f"content-type application/json and a header {OUR_HEADER} would do")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > grower.MOST_BYTES:
            raise HTTPException(413, f"at most {grower.MOST_BYTES:,} bytes would do")
    return body


def is_from_this_host(request: Request) -> bool:
    client, named = request.client.host if request.client else "", request.url.hostname or ""
    return _is_loopback(client) and (named == "localhost" or _is_loopback(named))


def _is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return (getattr(address, "ipv4_mapped", None) or address).is_loopback
