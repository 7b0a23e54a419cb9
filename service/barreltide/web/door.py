"""The door: who asks, what they may, and what no other page may do in their name. All that is asked comes through here.

Who asks. From this very computer, by the name localhost or a loopback address, no sign-in is needed: who sits there has
the files too. A name that only pretends to be this host's is refused, and what a proxy hands on is not from here,
whatever it looks like: `[web] behind_proxy = true` says that all comes through one, and so does X-Forwarded-For; then
commands show that they can read the store's key. All others need a session or a neighbour's link (sign_in.py). What is
not named in OPEN or FOR_NEIGHBOURS is the owner's alone: a page that somebody adds is closed until it is opened here.

Forgery. The cookies are SameSite=Strict: a browser sends them only with what our own pages start, so no other page can
act, or even look, in the owner's name. Lax would let a link in a mail open a page as signed in. Links in notices do
without, as each is signed for its alarm; and where somebody comes to another page by a link, the first answer is a page
that opens the same one again, which is then our own doing. Beside that, what changes anything must say that it comes
from our own origin (Origin, RFC 6454; Sec-Fetch-Site), or bear a header that other origins get no leave for.
"""

from __future__ import annotations

import ipaddress
from typing import Annotated, Any, Literal, NamedTuple
from urllib.parse import urlsplit

from fastapi import Depends, HTTPException, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from .. import grower
from ..site import Site
from .headers import policy
from .render import render
from .sign_in import SignIn, SignInError

OUR_HEADER = "x-barreltide"
COMMAND_HEADER = "x-barreltide-command"  # bears sign_in.command_token
SESSION, LOOKING = "session", "neighbour"  # cookies
MOST_BODY = 65_536

# Out goes everybody: a link for looking may have expired under the page that it showed.
OPEN = (
    "/api/health", "/answer/", "/static/", "/manifest.webmanifest", "/worker.js", "/sign-in", "/sign-out",
    "/neighbour/",
)  # fmt: skip
FOR_NEIGHBOURS = {
    "/", "/nights", "/cycles", "/alarms", "/taste", "/api/now", "/api/live", "/api/nights", "/api/night",
    "/api/days", "/api/chart", "/api/battery", "/api/cycles", "/api/turns", "/api/alarms", "/api/notes", "/api/series",
}  # fmt: skip
SAFE = ("GET", "HEAD", "OPTIONS")

Who = Literal["owner", "neighbour", "nobody"]


class Caller(NamedTuple):
    """Who asks, from which address, and whether nobody can listen on the way."""

    who: Who
    address: str
    is_secret: bool


def who(request: Request) -> Who:
    """Who asks: "owner" may answer alarms and pin notes, "neighbour" may look, "nobody" sees what is OPEN."""
    return request.state.caller.who


def may_open(who: Who, page: str) -> bool:
    """Whether the page is there for whom that is."""
    return who == "owner" or page in FOR_NEIGHBOURS


def caller(request: Request) -> Caller:
    return request.state.caller


async def from_owner(request: Request, asks: Annotated[Who, Depends(who)]) -> bytes:
    """The body of what the owner's own page or command says."""
    if asks != "owner":
        raise HTTPException(403, "only the garden's owner may say that")
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if OUR_HEADER not in request.headers or kind != "application/json":
        raise HTTPException(415, f"content-type application/json and a header {OUR_HEADER} would do")
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > grower.MOST_BYTES:
            raise HTTPException(413, f"at most {grower.MOST_BYTES:,} bytes would do")
    return body


class Door:
    """ASGI: lets in whom it concerns, and answers everybody else."""

    def __init__(self, app: Any, site: Site, sign_in: SignIn) -> None:
        self._app, self._site, self._sign_in = app, site, sign_in
        self._own_host = urlsplit(site.web.address or "").netloc

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        try:
            asks = self._caller(request)
            scope.setdefault("state", {})["caller"] = asks
            refusal = self._refusal(request, asks.who)
        except SignInError as error:
            refusal = JSONResponse({"error": str(error)}, 503)
        except ValueError:  # urlsplit's, of a host or origin that is none
            refusal = JSONResponse({"error": "host, origin: no address that would do"}, 400)
        await (refusal or self._app)(scope, receive, send)

    def _caller(self, request: Request) -> Caller:
        address = request.client.host if request.client else ""
        handed_on = [part.strip() for part in request.headers.get("x-forwarded-for", "").split(",")]
        is_proxied = (
            self._site.web.behind_proxy or "x-forwarded-for" in request.headers or "forwarded" in request.headers
        )
        is_secret = request.url.scheme == "https"
        if self._site.web.behind_proxy:
            address = handed_on[-1] or address  # what the proxy itself has added: the rest is the caller's own word
            is_secret = request.headers.get("x-forwarded-proto", "").strip() == "https"
        who: Who = "nobody"
        if (
            not is_proxied
            and is_from_this_host(request)
            or self._sign_in.is_command(request.headers.get(COMMAND_HEADER))
        ):
            who = "owner"
        else:
            for name in (SESSION, LOOKING):
                role = self._sign_in.role_of(request.cookies.get(name))
                if role is not None and who != "owner":
                    who = role
        return Caller(who, address, is_secret)

    def _refusal(self, request: Request, who: Who) -> Response | None:
        path, is_safe = request.scope["path"], request.method in SAFE  # what is routed: a URL is made of Host, too
        if not is_safe and (wrong := self._forged(request)):
            return JSONResponse({"error": wrong[1]}, wrong[0])
        if who == "owner" or any(path == place or (place.endswith("/") and path.startswith(place)) for place in OPEN):
            return None
        if who == "neighbour":
            if path in FOR_NEIGHBOURS and (is_safe or path == "/taste"):
                return None
            return self._no(request, 403, "This link is for looking: Now, Nights, Cycles and Alarms.")
        if is_safe and request.headers.get("sec-fetch-site") == "cross-site" and not path.startswith("/api/"):
            # 401, so that no service worker keeps it for the page itself.
            return HTMLResponse(render("knock.html", garden=self._site.name, to=""), 401)
        return self._no(request, 401, sign_in_first(self._sign_in))

    def _no(self, request: Request, code: int, words: str) -> Response:
        if request.scope["path"].startswith("/api/") or request.method not in SAFE:
            return JSONResponse({"error": words}, code)
        if code == 401:
            after = request.scope["path"] + (f"?{request.url.query}" if request.url.query else "")
            page = sign_in_page(self._site, self._sign_in, after, code=code)
            page.headers["X-Barreltide-Page"] = "Sign-in"  # by which worker.js knows that its keep is to go
            return page
        return HTMLResponse(render("sign_in.html", garden=self._site.name, words=words, form=False, next="/"), code)

    def _forged(self, request: Request) -> tuple[int, str] | None:
        """What is wrong with a request that would change something: (status, one line)."""
        headers, length = request.headers, request.headers.get("content-length", "")
        if "transfer-encoding" in headers or not (length or "0").isdecimal():
            return 411, "no content-length; a body of a known length would do"
        if int(length or 0) > MOST_BODY:
            return 413, f"at most {MOST_BODY:,} bytes would do"
        origin, fetched = headers.get("origin"), headers.get("sec-fetch-site", "same-origin")
        if request.scope["path"].startswith("/answer/"):
            return None  # its token is good for whoever holds it, and for nothing else
        own = {headers.get("host"), self._own_host} - {"", None}
        if fetched not in ("same-origin", "none") or origin is not None and urlsplit(origin).netloc not in own:
            return 403, "this comes from another page; only our own may say that"
        if origin is None and OUR_HEADER not in headers and {SESSION, LOOKING} & set(request.cookies):
            return 403, f"no origin; a header {OUR_HEADER} would do"
        return None


def sign_in_first(sign_in: SignIn) -> str:
    """What nobody is told."""
    if sign_in.is_set:
        return "sign in first; the page /sign-in takes the passphrase"
    return "no passphrase is set; `barreltide passphrase --site SITE.toml` on the garden's computer would do"


def sign_in_page(site: Site, sign_in: SignIn, after: str = "/", words: str = "", code: int = 200) -> HTMLResponse:
    """The page that takes the passphrase, or says how to set one."""
    text = render("sign_in.html", garden=site.name, words=words, form=sign_in.is_set, next=own_path(after))
    return HTMLResponse(text, code, {"Content-Security-Policy": policy(form="'self'")})


def own_path(path: str) -> str:
    """A page of ours, whatever was asked for."""
    return path if path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable() else "/"


def is_from_this_host(request: Request) -> bool:
    client, named = request.client.host if request.client else "", request.url.hostname or ""
    return is_loopback(client) and (named == "localhost" or is_loopback(named))


def is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return (getattr(address, "ipv4_mapped", None) or address).is_loopback
