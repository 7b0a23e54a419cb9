"""The plain web face: documented JSON and one status page, on loopback unless told otherwise.

Reads the store through a connection for each thread and the engine's picture through `live`; writes nothing itself. No
request of the page leaves this host. Times are Unix seconds (UTC), and names carry their units.

One door leads in, for commands and the page on this very host: what the grower tells the service. As there is no
sign-in yet, it opens to loopback only, wherever the pages are served. Other pages that a browser on this host has open
cannot use it: they would need the browser's leave for a JSON body and a header of ours, which is never given, and a
name that only pretends to be this host's is refused. From anywhere else, a signed link of a notice answers the one
alarm that it was made for (links.py).
"""

from __future__ import annotations

import errno
import ipaddress
import json
import logging
import socket
import sqlite3
import threading
import time
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Protocol

import uvicorn
from fastapi import APIRouter, Depends, FastAPI, HTTPException, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response

from .. import Failure, __version__, grower, journal
from ..core.reading import Said
from ..notices.push import PushError
from ..pack import PackError
from ..site import Site
from ..store import MOST_ROWS, Store
from .links import LinkError, Links, row_of
from .pages import answer, status
from .shapes import (
    Alarms,
    Cycles,
    Health,
    Nights,
    Notes,
    Notices,
    Now,
    Phone,
    PushKey,
    Readings,
    Refused,
    SeriesList,
    Told,
    Wrong,
)

START_TIMEOUT_S = 20
STOP_TIMEOUT_S = 4
FOREVER_S = 1e12
MOST_CONNECTIONS = 64
OUR_HEADER = "x-barreltide"

log = logging.getLogger("barreltide.web")

HEADERS = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
ASSETS = {"status.css": "text/css", "status.js": "text/javascript", "icon.svg": "image/svg+xml"}


class WebError(Failure):
    """The pages cannot be served; the text is one clear line."""


class Live(Protocol):
    """What the running service shows: the engine's picture and its own health, each a dict replaced whole; and
    `tell`, which hands it what the grower says and raises PackError or grower.NotNow."""

    def picture(self) -> dict: ...

    def health(self) -> dict: ...

    def tell(self, payload: bytes) -> Said: ...

    phones: Phones


class Phones(Protocol):
    """What takes phones in that ask for Web Push; both raise PushError."""

    def public_key(self) -> str: ...

    def subscribe(self, payload: bytes) -> int: ...


Name = Annotated[str, Query(min_length=1, max_length=128)]
Start = Annotated[float, Query(ge=0, le=FOREVER_S, allow_inf_nan=False, description="from this time on, Unix seconds")]
End = Annotated[float, Query(ge=0, le=FOREVER_S, allow_inf_nan=False, description="up to this time, Unix seconds")]
Limit = Annotated[int, Query(ge=1, le=MOST_ROWS, description="rows at most")]


def create_app(site: Site, store: Store, live: Live, now: Callable[[], float] = time.time) -> FastAPI:
    """The application. now: the host's clock, Unix seconds."""
    app = FastAPI(
        title="Barreltide", version=__version__, docs_url=None, redoc_url=None, description=__doc__,
        responses={422: {"model": Wrong}},
    )  # fmt: skip
    _handle_errors(app)
    app.include_router(_api(site, store, live, now))
    app.include_router(_pages(site, store, live, now))
    app.include_router(_answers(site, Links.of_store(site.store_path), live, now))

    @app.middleware("http")
    async def headers(request: Request, call_next):
        response = await call_next(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return app


def _only_known(request: Request) -> None:
    """A misspelt parameter would be passed over in silence, and the answer be taken for what was asked."""
    known = [field.alias for field in request.scope["route"].dependant.query_params]
    for name in request.query_params:
        if name not in known:
            would = f"{', '.join(known)} would do" if known else "this takes none"
            raise HTTPException(422, f"{name[:64]}: no such parameter; {would}")


async def _from_this_host(request: Request) -> bytes:
    """The body, if nobody but a program on this host can have sent it."""
    if not _is_from_this_host(request):
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


def _is_from_this_host(request: Request) -> bool:
    client, named = request.client.host if request.client else "", request.url.hostname or ""
    return _is_loopback(client) and (named == "localhost" or _is_loopback(named))


def _is_loopback(host: str) -> bool:
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    return (getattr(address, "ipv4_mapped", None) or address).is_loopback


def _in_order(start_s: float, end_s: float) -> None:
    if start_s > end_s:
        raise HTTPException(
            422, f"start_s: found {start_s:.0f}, which is after end_s {end_s:.0f}; an earlier time would do"
        )


def _one_of(parameter: str, value: str | None, names: list[str]) -> None:
    if value is not None and value not in names:
        raise HTTPException(422, f"{parameter}: found {value[:64]!r}; {' or '.join(names[:16])} would do")


def _more(rows: list, limit: int) -> bool:
    """Whether there are more than `limit`; the store was asked for one beyond it, but never gives over MOST_ROWS."""
    return len(rows) > limit or len(rows) == MOST_ROWS


def _health(store: Store, live: Live, now_s: float) -> dict:
    picture, shown = live.picture(), live.health()
    problems = list(shown.get("problems") or [])
    try:
        counts = store.counts()
    except sqlite3.Error as error:
        counts = {}
        problems.append(f"the store cannot be read: {error}")
    heard = [s["last_heard"] for s in (picture.get("stations") or {}).values() if s.get("last_heard") is not None]
    return {
        "last_reading_age_s": round(max(0.0, now_s - max(heard)), 1) if heard else None,
        "time_s": now_s,
        "version": __version__,
        "packs_stored": counts.get("packs", 0),
        "refused": counts.get("refused", 0),
        "standing_alarms": len(picture.get("standing") or []),
        **shown,
        "problems": problems,
    }


def _api(site: Site, store: Store, live: Live, now: Callable[[], float]) -> APIRouter:
    api = APIRouter(prefix="/api", default_response_class=JSONResponse, dependencies=[Depends(_only_known)])
    beds = [bed.name for bed in site.beds]

    def events(kind: str, subject: str | None, start_s: float, end_s: float, limit: int) -> tuple[list, bool]:
        _in_order(start_s, end_s)
        rows = store.events(kind, subject, start_s, end_s, limit + 1)
        return rows[:limit], _more(rows, limit)

    @api.get("/health", response_model=Health)
    def health() -> Any:
        return JSONResponse(_health(store, live, now()))

    @api.get("/now", response_model=Now)
    def the_moment() -> Any:
        blank: dict[str, Any] = {"time": None, "beds": {}, "pumps": {}, "battery": None, "water": None, "stations": {}}
        blank |= {"standing": [], "returned": [], "shelved": []}
        return JSONResponse({"now_s": now(), **blank, **live.picture()})

    @api.get("/series", response_model=SeriesList)
    def series() -> Any:
        return JSONResponse({"series": store.latest_readings()[:MOST_ROWS]})

    @api.get("/readings", response_model=Readings)
    def readings(station: Name, name: Name, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 1000) -> Any:
        _in_order(start_s, end_s)
        known = [s for s in store.series() if (s["station"], s["name"]) == (station, name)]
        if not known:
            raise HTTPException(404, f"no readings {name!r} from station {station!r}; /api/series lists what there is")
        rows = store.readings(station, name, start_s, end_s, limit + 1)
        pairs = [[row["time_s"], row["value"]] for row in rows[-limit:]]
        return JSONResponse({**known[0], "readings": pairs, "more": _more(rows, limit)})

    @api.get("/cycles", response_model=Cycles)
    def cycles(bed: Name | None = None, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        _one_of("bed", bed, beds)
        rows, more = events("cycle", bed, start_s, end_s, limit)
        return JSONResponse({"cycles": rows, "more": more})

    @api.get("/nights", response_model=Nights)
    def nights(start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        rows, more = events("night", None, start_s, end_s, limit)
        return JSONResponse({"nights": rows, "more": more})

    @api.get("/alarms", response_model=Alarms)
    def alarms(start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        kinds = [events(kind, None, start_s, end_s, limit) for kind in ("alarm", "answer")]
        rows = journal.merged(*(rows[::-1] for rows, _ in kinds))[::-1]
        more = len(rows) > limit or any(more for _, more in kinds)
        now_so = {key: live.picture().get(key) or [] for key in ("standing", "returned", "shelved")}
        return JSONResponse({**now_so, "journal": rows[:limit], "more": more})

    @api.get("/notes", response_model=Notes)
    def notes(bed: Name | None = None, start_s: Start = 0.0, end_s: End = FOREVER_S, limit: Limit = 100) -> Any:
        _one_of("bed", bed, beds)
        rows, more = events("note", bed, start_s, end_s, limit)
        return JSONResponse({"notes": rows, "more": more})

    @api.get("/notices", response_model=Notices)
    def notices(limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> Any:
        return JSONResponse({"notices": store.notices(limit)})

    @api.get("/refused", response_model=Refused)
    def refused(limit: Limit = 100) -> Any:
        return JSONResponse({"total": store.counts().get("refused", 0), "refused": store.refusals(limit)})

    @api.post("/grower", response_model=Told, responses={code: {"model": Wrong} for code in (403, 413, 415, 503)})
    def told(payload: Annotated[bytes, Depends(_from_this_host)]) -> Any:
        try:
            item = live.tell(payload)
        except PackError as error:
            raise HTTPException(422, str(error)) from None
        except grower.NotNow as error:
            raise HTTPException(503, str(error)) from None
        return JSONResponse(grower.as_json(item))

    @api.get("/push/key", response_model=PushKey)
    def push_key() -> Any:
        return JSONResponse({"key": _of_phones(live.phones.public_key)})

    @api.post("/push/phones", response_model=Phone, responses={code: {"model": Wrong} for code in (403, 413, 415, 507)})
    def new_phone(payload: Annotated[bytes, Depends(_from_this_host)]) -> Any:
        return JSONResponse({"phone": _of_phones(lambda: live.phones.subscribe(payload))})

    return api


def _of_phones(ask: Callable[[], Any]) -> Any:
    try:
        return ask()
    except PushError as error:
        raise HTTPException(error.status, str(error)) from None


def _pages(site: Site, store: Store, live: Live, now: Callable[[], float]) -> APIRouter:
    pages = APIRouter(include_in_schema=False)
    folder = resources.files("barreltide.web.pages")
    assets = {name: (folder / name).read_bytes() for name in ASSETS}
    garden = status.Garden(
        site.name, site.time_zone, site.battery.lowest_state_of_charge,
        site.sump.coldest_c if site.sump else None, site.sump.warmest_c if site.sump else None,
    )  # fmt: skip

    @pages.get("/", response_class=HTMLResponse)
    def page(request: Request) -> Any:
        now_s = now()
        health = _health(store, live, now_s)
        try:
            nights = store.events("night", limit=1)
        except sqlite3.Error:
            nights = []  # `problems` tells already that the store cannot be read
        refused = f" · {health['refused']} refused" if health["refused"] else ""
        footer = [f"Barreltide {__version__} · {health['packs_stored']} packs stored{refused}"]
        may_answer = _is_from_this_host(request)
        return HTMLResponse(status.page(live.picture(), garden, now_s, health["problems"], nights, footer, may_answer))

    @pages.get("/pages/{name}")
    def asset(name: str) -> Any:
        if name not in assets:
            raise HTTPException(404, "no such page; / is the status page")
        return Response(assets[name], media_type=ASSETS[name])

    return pages


def _answers(site: Site, links: Links, live: Live, now: Callable[[], float]) -> APIRouter:
    """The pages behind the links in notices: to look at one does nothing, its button answers."""
    answers = APIRouter(include_in_schema=False)
    form = {
        "Content-Security-Policy": HEADERS["Content-Security-Policy"].replace(
            "form-action 'none'", "form-action 'self'"
        )
    }

    def shown(text: str, code: int = 200) -> HTMLResponse:
        return HTMLResponse(text, code, form)

    @answers.get("/answer/{token}")
    def look(token: str) -> Any:
        try:
            link = links.read(token, now())
            return shown(answer.ask(site.name, row_of(link, live.picture()), link.what))
        except LinkError as error:
            return shown(answer.sorry(site.name, str(error)), error.status)

    @answers.post("/answer/{token}")
    def act(token: str) -> Any:
        try:
            link = links.read(token, now())
            row_of(link, live.picture())
            live.tell(json.dumps(link.word()).encode())
        except LinkError as error:
            return shown(answer.sorry(site.name, str(error)), error.status)
        except (PackError, grower.NotNow) as error:
            return shown(
                answer.sorry(site.name, f"The service says: {error}."), 410 if isinstance(error, PackError) else 503
            )
        return shown(answer.done(site.name, link.what))

    return answers


def _handle_errors(app: FastAPI) -> None:
    @app.exception_handler(RequestValidationError)
    async def wrong_parameter(request: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        found = "" if first["type"] == "missing" else f"found {str(first.get('input'))[:64]!r}; "
        return JSONResponse({"error": f"{where}: {found}{first['msg'][:1].lower()}{first['msg'][1:]}"}, 422)

    @app.exception_handler(404)
    @app.exception_handler(405)
    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> JSONResponse:
        return JSONResponse({"error": error.detail}, error.status_code)

    @app.exception_handler(sqlite3.Error)
    async def store_fails(request: Request, error: sqlite3.Error) -> JSONResponse:
        log.error("the store cannot be read: %s", error)
        return JSONResponse({"error": f"the store cannot be read: {error}"}, 503)


class WebServer:
    """uvicorn in a thread, on a socket that was bound before, so that a port in use is told at once."""

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._socket = _bind(host, port)
        self.host, self.port = host, self._socket.getsockname()[1]
        config = uvicorn.Config(
            app, log_config=None, log_level="warning", access_log=False, lifespan="off", ws="none",
            loop="asyncio", http="h11",
            limit_concurrency=MOST_CONNECTIONS, timeout_graceful_shutdown=1, server_header=False,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    @property
    def address(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/"

    def start(self) -> None:
        """Returns once requests are answered; raises WebError when that does not come about."""
        self._thread.start()
        give_up = time.monotonic() + START_TIMEOUT_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > give_up:
                raise WebError(f"the pages did not start on {self.address}")
            time.sleep(0.02)

    def stop(self) -> None:
        """End within a few seconds, cutting off requests that are still open then."""
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(STOP_TIMEOUT_S)
            self._server.force_exit = True
        self._socket.close()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])


def _bind(host: str, port: int) -> socket.socket:
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as error:
        if isinstance(error, socket.gaierror):
            raise WebError(
                f"[web] host: found {host!r}, which is no address of this machine; 127.0.0.1 would do"
            ) from None
        if error.errno == errno.EADDRINUSE:
            raise WebError(
                f"[web] port: {port} on {host} is in use by another program; "
                "another number, or 0 for any free one, would do"
            ) from None
        raise WebError(f"[web] host, port: cannot listen on {host} port {port}: {error.strerror}") from None


def serve(site: Site, store_path: str | Path, live: Live, now: Callable[[], float] = time.time) -> WebServer:
    """A web server for the site, bound and ready for `start()`. Raises WebError where the address cannot be had."""
    return WebServer(create_app(site, Store(store_path), live, now), site.web.host, site.web.port)
