"""What every page is made from: who asks, in which units, what the garden is like now; and the frame around it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse

from .. import __version__
from .door import Who, may_open, who
from .headers import policy
from .live import Served
from .live import health as the_health
from .pages.nights import Rows, rows_of
from .pages.now import MOST_ROWS
from .pages.words import Taste
from .render import render

# The pages in the order of the navigation.
PAGES = {
    "Now": "/", "Nights": "/nights", "Cycles": "/cycles", "Trials": "/trials", "Alarms": "/alarms",
    "Readings": "/readings", "Set-up": "/set-up",
}  # fmt: skip
TASTE = "taste"  # the cookie of units and clock


class Page:
    """One page while it is made. A route takes it as `page: Page = Depends(frame)`, with `frame` of `framed`."""

    def __init__(self, served: Served, asks: Who, taste: Taste) -> None:
        self.served, self.taste, self.role, self.may_answer = served, taste, asks, asks == "owner"
        self.now_s, self.picture = served.now(), served.live.picture()

    def ask(self, question: Callable[..., Any], *arguments: Any, otherwise: Any = None, **limits: Any) -> Any:
        """What the store answers; `otherwise` where it cannot be read, which the page's problems tell already."""
        try:
            return question(*arguments, **limits)
        except sqlite3.Error:
            return otherwise

    def events(self, kind: str, *arguments: Any, **limits: Any) -> list[dict[str, Any]]:
        """Lines of the store (Store.events)."""
        return self.ask(self.served.store.events, kind, *arguments, otherwise=[], **limits)

    def volts(self, start_s: float, end_s: float, points: int = 240) -> Rows:
        """The battery's voltage, as its station has read it."""
        return rows_of(self.ask(self.served.store.chart, None, "battery/voltage", start_s, end_s, points))

    def charge(self, start_s: float, end_s: float, points: int = 240) -> Rows:
        """The charge with its interval."""
        return rows_of(self.ask(self.served.store.charge, start_s, end_s, points))

    def show(self, here: str, template: str, form: str = "'none'", **values: Any) -> HTMLResponse:
        """The page `here` of PAGES, from its template. form: where a form on it may be sent without a script."""
        health = the_health(self.served)
        form = "'self'" if self.role == "neighbour" else form  # who can leave by each page
        refused = f" · {health['refused']:,} refused" if health["refused"] else ""
        text = render(
            template, here=here, pages=[row for row in PAGES.items() if may_open(self.role, row[1])],
            garden=self.served.site.name, taste=self.taste,
            now_s=self.now_s, role=self.role, may_answer=self.may_answer, problems=health["problems"][:MOST_ROWS],
            footer=f"Barreltide {__version__} · {health['packs_stored']:,} packs stored{refused}", **values,
        )  # fmt: skip
        return HTMLResponse(text, headers={"Content-Security-Policy": policy(form=form), "X-Barreltide-Page": here})


def taste_of(served: Served, request: Request) -> Taste:
    """What the reader has chosen."""
    return Taste.of_cookie(ZoneInfo(served.site.time_zone), request.cookies.get(TASTE))


def framed(served: Served) -> Callable[..., Page]:
    """The dependency that makes a page."""

    def frame(request: Request, asks: Annotated[Who, Depends(who)]) -> Page:
        return Page(served, asks, taste_of(served, request))

    return frame
