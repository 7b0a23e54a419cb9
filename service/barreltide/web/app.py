"""The plain web face: documented JSON (api.py) and the pages (views.py), on loopback unless told otherwise.

Reads the store through a connection for each thread and the engine's picture through `live`; writes nothing itself. No
request of the page leaves this host. What the grower says comes in by one door (door.py), or by a signed link of a
notice that answers the one alarm that it was made for (links.py).
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
import time
from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.middleware.gzip import GZipMiddleware
from fastapi.responses import JSONResponse, Response

from .. import __version__
from ..site import Site
from ..store import Store
from . import api, assets, charts, entrance, views
from .door import Door, is_loopback, who
from .frame import Page, taste_of
from .headers import Headers
from .links import Links
from .live import Listeners, Live, Served
from .server import WebServer
from .shapes import Wrong
from .sign_in import SignIn, SignInError

SMALLEST_SQUEEZED = 1_000  # bytes
WRONG = {404: "There is no such page", 503: "That cannot be told just now"}  # headings

log = logging.getLogger("barreltide.web")


def create_app(site: Site, store: Store, live: Live, now: Callable[[], float] = time.time) -> FastAPI:
    """The application. now: the host's clock, Unix seconds."""
    app = FastAPI(
        title="Barreltide", version=__version__, docs_url=None, redoc_url=None, description=api.__doc__,
        responses={422: {"model": Wrong}},
    )  # fmt: skip
    served = Served(site, store, live, now)
    _handle_errors(app, served)
    app.state.listeners = Listeners(served)
    app.include_router(api.routes(served, app.state.listeners))
    app.include_router(charts.routes(served))
    app.include_router(views.routes(served))
    app.include_router(assets.routes(site.name))
    app.include_router(views.answers(served, Links.of_store(site.store_path)))
    sign_in = SignIn(site.store_path, now)
    app.include_router(entrance.routes(served, sign_in))
    app.add_middleware(Door, site=site, sign_in=sign_in)
    app.add_middleware(GZipMiddleware, minimum_size=SMALLEST_SQUEEZED, compresslevel=6)
    app.add_middleware(Headers)
    return app


def serve(site: Site, store_path: str | Path, live: Live, now: Callable[[], float] = time.time) -> WebServer:
    """A web server for the site, bound and ready for `start()`. Raises WebError where the address cannot be had."""
    store = Store(store_path)
    app = create_app(site, store, live, now)
    if not (is_loopback(site.web.host) or SignIn(store_path, now).is_set):
        log.warning("no passphrase is set: from elsewhere the page only says how; `barreltide passphrase` sets one")
    # A year's packs are counted once: not while the first page waits for it.
    threading.Thread(target=_count_ahead, args=(store,), name="count", daemon=True).start()
    return WebServer(app, site.web.host, site.web.port, app.state.listeners.close)


def _count_ahead(store: Store) -> None:
    with contextlib.suppress(sqlite3.Error):  # whoever asks is told
        store.counts()
        store.close()


def _handle_errors(app: FastAPI, served: Served) -> None:
    def told(request: Request, words: str, code: int) -> Response:
        """What is wrong: a page with a way back to who looks with a browser and may see one, JSON to all others."""
        is_read = "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")
        if not is_read or request.method not in ("GET", "HEAD") or who(request) == "nobody":
            return JSONResponse({"error": words}, code)
        heading = WRONG.get(code, "That cannot be shown")
        words = "no page has this address." if words == HTTPStatus(404).phrase else words
        page = Page(served, who(request), taste_of(served, request)).show(heading, "wrong.html", words=words)
        page.status_code = code
        return page

    @app.exception_handler(RequestValidationError)
    async def wrong_parameter(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:]) or "the request"
        found = "" if first["type"] == "missing" else f"found {str(first.get('input'))[:64]!r}; "
        return told(request, f"{where}: {found}{first['msg'][:1].lower()}{first['msg'][1:]}", 422)

    @app.exception_handler(404)
    @app.exception_handler(405)
    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        return told(request, error.detail, error.status_code)

    @app.exception_handler(SignInError)
    async def cannot_tell_who(request: Request, error: SignInError) -> JSONResponse:
        return JSONResponse({"error": str(error)}, 503)

    @app.exception_handler(sqlite3.Error)
    async def store_fails(request: Request, error: sqlite3.Error) -> Response:
        log.error("the store cannot be read: %s", error)
        return told(request, f"the store cannot be read: {error}", 503)
