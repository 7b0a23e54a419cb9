"""The routes of the pages that a person looks at, and of the pages behind the links in notices."""

from __future__ import annotations

import json
import sqlite3
from importlib import resources
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException
from fastapi.responses import HTMLResponse, Response

from .. import __version__, grower
from ..pack import PackError
from .door import Who, who
from .headers import policy
from .links import LinkError, Links, row_of
from .live import Served
from .live import health as the_health
from .pages import answer, status

ASSETS = {"status.css": "text/css", "status.js": "text/javascript", "icon.svg": "image/svg+xml"}


def routes(served: Served) -> APIRouter:
    """The pages and what they are drawn with."""
    site, store, live, now = served
    pages = APIRouter(include_in_schema=False)
    folder = resources.files("barreltide.web.pages")
    assets = {name: (folder / name).read_bytes() for name in ASSETS}
    garden = status.Garden(
        site.name, site.time_zone, site.battery.lowest_state_of_charge,
        site.sump.coldest_c if site.sump else None, site.sump.warmest_c if site.sump else None,
    )  # fmt: skip

    @pages.get("/", response_class=HTMLResponse)
    def page(asks: Annotated[Who, Depends(who)]) -> Any:
        now_s = now()
        health = the_health(served)
        try:
            nights = store.events("night", limit=1)
        except sqlite3.Error:
            nights = []  # `problems` tells already that the store cannot be read
        refused = f" · {health['refused']} refused" if health["refused"] else ""
        footer = [f"Barreltide {__version__} · {health['packs_stored']} packs stored{refused}"]
        may_answer = asks == "owner"
        return HTMLResponse(status.page(live.picture(), garden, now_s, health["problems"], nights, footer, may_answer))

    @pages.get("/pages/{name}")
    def asset(name: str) -> Any:
        if name not in assets:
            raise HTTPException(404, "no such page; / is the status page")
        return Response(assets[name], media_type=ASSETS[name])

    return pages


def answers(served: Served, links: Links) -> APIRouter:
    """The pages behind the links in notices: to look at one does nothing, its button answers."""
    site, live, now = served.site, served.live, served.now
    answers = APIRouter(include_in_schema=False)
    def shown(text: str, code: int = 200) -> HTMLResponse:
        return HTMLResponse(text, code, {"Content-Security-Policy": policy(form="'self'")})

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
