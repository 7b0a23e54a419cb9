"""What every answer's head says to the browser: load and run nothing but ours, keep nothing, tell nobody."""

from __future__ import annotations

import base64
import hashlib
from typing import Any


def policy(form: str = "'none'", style: str = "'self'", image: str = "'self'") -> str:
    """The Content-Security-Policy (W3C, CSP level 3). form: where a form of it may go; style, image: whose."""
    return (
        f"default-src 'none'; style-src {style}; script-src 'self'; connect-src 'self'; img-src {image};"
        " manifest-src 'self'; worker-src 'self';"
        f" base-uri 'none'; form-action {form}; frame-ancestors 'none'"
    )


def style_of(text: str) -> str:
    """The one style that a page brings with it, by its digest (CSP level 3, §2.3.1)."""
    style = text.partition("<style>")[2].partition("</style>")[0]
    return f"'sha256-{base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"


HEADERS = {
    "Content-Security-Policy": policy(),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class Headers:
    """ASGI: puts HEADERS on each answer that does not say otherwise itself. It passes a stream on as it comes."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self._headers = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        async def send_with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                said = [*message.get("headers", [])]
                names = {name.lower() for name, _ in said}
                message = message | {"headers": said + [row for row in self._headers if row[0] not in names]}
            await send(message)

        await self._app(scope, receive, send_with_headers if scope["type"] == "http" else send)
