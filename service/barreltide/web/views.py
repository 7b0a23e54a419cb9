"""The routes of the pages that a person looks at, and of the pages behind the links in notices.

A page is a pure view model (pages/) and a template (templates/); here they meet the store and the service that runs.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from importlib import resources
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from .. import __version__, grower
from ..pack import PackError
from ..sun import Sun
from .door import Who, who
from .headers import policy
from .links import LinkError, Links, row_of, word_of
from .live import Served
from .live import health as the_health
from .pages import answer, drawing, now, tide
from .pages.words import Taste
from .render import render

# The pages in the order of the navigation. A page is for whoever may look; what it offers is for the owner.
PAGES = {"Now": "/"}
TASTE = "taste"  # the cookie of units and clock
YEAR_S = 366 * 86_400
TYPES = {
    "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml", "png": "image/png",
    "webmanifest": "application/manifest+json",
}  # fmt: skip


class Page:
    """What every page is made from. Ask for it as `page: Page = Depends(frame)`."""

    def __init__(self, served: Served, asks: Who, taste: Taste) -> None:
        self.served, self.taste, self.may_answer = served, taste, asks == "owner"
        self.role, self.now_s, self.picture = asks, served.now(), served.live.picture()

    def events(self, kind: str, *arguments: Any, **limits: Any) -> list[dict[str, Any]]:
        """Lines of the store; none where it cannot be read, which the page's problems tell already."""
        try:
            return self.served.store.events(kind, *arguments, **limits)
        except sqlite3.Error:
            return []

    def show(self, here: str, template: str, **values: Any) -> HTMLResponse:
        """The page `here` of PAGES, from its template."""
        health = the_health(self.served)
        refused = f" · {health['refused']} refused" if health["refused"] else ""
        return HTMLResponse(render(
            template, here=here, pages=list(PAGES.items()), garden=self.served.site.name, taste=self.taste,
            now_s=self.now_s, role=self.role, may_answer=self.may_answer, problems=health["problems"][:now.MOST_ROWS],
            footer=f"Barreltide {__version__} · {health['packs_stored']:,} packs stored{refused}", **values,
        ))  # fmt: skip


def taste_of(served: Served, request: Request) -> Taste:
    return Taste.of_cookie(ZoneInfo(served.site.time_zone), request.cookies.get(TASTE))


def framed(served: Served) -> Callable[..., Page]:
    def frame(request: Request, asks: Annotated[Who, Depends(who)]) -> Page:
        return Page(served, asks, taste_of(served, request))

    return frame


def routes(served: Served) -> APIRouter:
    """The pages and what they are drawn with."""
    site = served.site
    pages, frame = APIRouter(include_in_schema=False), framed(served)
    sun = Sun(site.latitude, site.longitude, site.time_zone)
    floor = site.battery.lowest_state_of_charge

    @pages.get("/", response_class=HTMLResponse)
    def the_moment(page: Page = Depends(frame)) -> Any:
        picture, now_s, taste = page.picture, page.now_s, page.taste
        judged = page.events("battery", start_s=now_s - tide.BEHIND_S, newest_first=False)
        nights = page.events("night", limit=1)

        def dark(start_s: float, end_s: float) -> list[tuple[float, float]]:
            return tide.nights_between(start_s, end_s, sun.dawn_dusk, sun.local_date)

        return page.show(
            "Now", "now.html", title=now.title(picture, now_s),
            answers=[("Is the water moving?", now.water_moves(picture, now_s)),
                     ("Will the battery last?", now.battery_lasts(picture, floor, now_s, taste))],
            alarms=now.alarm_rows(picture, now_s, taste), waiting=now.waiting_rows(picture, taste),
            aside=now.aside_rows(picture, taste), rests=now.pumps_to_rest(picture),
            g=drawing.garden(site, picture, now_s, sun.dawn_dusk(sun.local_date(now_s)), taste),
            t=tide.curve(judged, picture, floor, now_s, dark, taste),
            battery=now.battery_words(picture, floor, now_s, nights[0] if nights else {}, taste),
            water=now.water_words(picture, site, now_s, taste), beds=now.bed_entries(picture, now_s),
            stations=now.station_words(picture, now_s),
        )  # fmt: skip

    @pages.post("/taste")
    def choose(
        temperature: Annotated[str, Form()] = "",
        volume: Annotated[str, Form()] = "",
        clock: Annotated[str, Form()] = "",
    ) -> Any:
        taste = Taste(ZoneInfo("UTC"), temperature == "f", volume == "gal", clock == "12h")
        answer = RedirectResponse("/set-up", 303)
        answer.set_cookie(TASTE, taste.cookie(), max_age=YEAR_S, samesite="lax", httponly=True)
        return answer

    folder = resources.files("barreltide.web") / "static"

    @pages.get("/static/{name}")
    def asset(name: str) -> Any:
        kind, file = TYPES.get(name.rpartition(".")[2]), folder / name
        if kind is None or not file.is_file():
            raise HTTPException(404, "no such file; / is the page of this moment")
        return Response(file.read_bytes(), media_type=kind, headers={"Cache-Control": "no-cache"})

    return pages


def answers(served: Served, links: Links) -> APIRouter:
    """The pages behind the links in notices: to look at one does nothing, its buttons answer."""
    site, live, clock = served.site, served.live, served.now
    answers = APIRouter(include_in_schema=False)

    def shown(request: Request, words: answer.Words, code: int = 200) -> HTMLResponse:
        text = render(
            "answer.html", here="Answer", pages=[], garden=site.name, taste=taste_of(served, request), now_s=clock(),
            role="nobody", problems=[], footer=f"Barreltide {__version__}", **words,
        )  # fmt: skip
        return HTMLResponse(text, code, {"Content-Security-Policy": policy(form="'self'")})

    @answers.get("/answer/{token}")
    def look(token: str, request: Request) -> Any:
        try:
            link = links.read(token, clock())
            return shown(request, answer.ask(row_of(link, live.picture())))
        except LinkError as error:
            return shown(request, answer.sorry(str(error)), error.status)

    @answers.post("/answer/{token}")
    def act(token: str, request: Request, what: Annotated[str, Form()] = "") -> Any:
        try:
            link = links.read(token, clock())
            live.tell(json.dumps(word_of(link, live.picture(), what)).encode())
        except LinkError as error:
            return shown(request, answer.sorry(str(error)), error.status)
        except (PackError, grower.NotNow) as error:
            code = 410 if isinstance(error, PackError) else 503
            return shown(request, answer.sorry(f"The service says: {error}."), code)
        return shown(request, answer.done(what))

    return answers
