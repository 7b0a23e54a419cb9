"""What the pages are drawn with: style, scripts, icons, and what lets a phone keep them: manifest and service worker.

The chart library is brought by the build (service/charts/) and lies beside the other files in a wheel, and in the
checkout's build folder where the package is installed in a way that follows the checkout. Where the build had no
network it is missing: the pages then show what the server draws, and say that zooming is off.
"""

from __future__ import annotations

from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from fastapi import APIRouter, HTTPException
from fastapi.responses import JSONResponse, Response

TYPES = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml", "png": "image/png"}
CHARTS = ("uPlot.iife.min.js", "uPlot.min.css")
BUILT = Path(__file__).resolve().parents[3] / "build" / "charts"  # of a checkout


def routes(garden: str) -> APIRouter:
    """garden: the site's name, under which a phone keeps the pages."""
    assets = APIRouter(include_in_schema=False)

    @assets.get("/static/{name}")
    def asset(name: str) -> Any:
        # Asked for by anybody: only names of ours are looked for, and kept.
        kind = TYPES.get(name.rpartition(".")[2]) if name in _ours() else None
        if kind is None or (text := _read(name)) is None:
            raise HTTPException(404, "no such file; / is the page of this moment")
        return Response(text, media_type=kind, headers={"Cache-Control": "no-cache"})

    @assets.get("/worker.js")
    def worker() -> Any:
        return Response(_read("worker.js"), media_type=TYPES["js"], headers={"Cache-Control": "no-cache"})

    @assets.get("/manifest.webmanifest")
    def manifest() -> Any:
        """W3C, Web Application Manifest."""
        icons = [
            {"src": f"/static/icon-{size}.png", "sizes": f"{size}x{size}", "type": "image/png"} for size in (192, 512)
        ]
        return JSONResponse({
            "name": garden, "short_name": garden, "id": "/", "start_url": "/", "scope": "/", "display": "standalone",
            "background_color": "#f3f1ea", "theme_color": "#0f2d30",
            "icons": [{"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"}, *icons],
        }, media_type="application/manifest+json")  # fmt: skip

    return assets


@cache
def _ours() -> frozenset[str]:
    return frozenset(file.name for file in (resources.files("barreltide.web") / "static").iterdir()) | {*CHARTS}


@cache
def _read(name: str) -> bytes | None:
    for folder in (resources.files("barreltide.web") / "static", BUILT if name in CHARTS else None):
        if folder is not None and (folder / name).is_file():
            return (folder / name).read_bytes()
    return None


def has_charts() -> bool:
    return all(_read(name) is not None for name in CHARTS)
