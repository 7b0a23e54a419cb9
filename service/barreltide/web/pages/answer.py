"""The page behind a link in a notice: what it would answer, and one button that does. It needs no script."""

from __future__ import annotations

from typing import Any

from .status import Html, joined, tag

DOES = {
    "acknowledged": ("Acknowledge", "You say that you know and see to it. Nobody else is called about it any more."),
    "shelved": (
        "Shelve for an hour",
        "It is put aside for an hour. If it still holds then, it is raised anew.",
    ),
    "pump-rested": (
        "Maintenance for 30 minutes",
        "You have switched the pump off by hand. Nothing is raised about it for 30 minutes; if no water has come back"
        " by then, you are told at once.",
    ),
}  # fmt: skip
DONE = {
    "acknowledged": "Acknowledged.",
    "shelved": "Shelved for an hour.",
    "pump-rested": "Nothing is raised about this pump for 30 minutes.",
}


def ask(garden: str, row: dict[str, Any], what: str) -> str:
    """What stands, and the button. row: of the engine's picture."""
    button, means = DOES[what]
    over = "It is over already, and waits for somebody to say that they know." if row["state"] == "returned" else None
    return _frame(
        garden,
        tag("h2", f"{row['alarm']} · {row['subject']}"),
        tag("p", row["message"]),
        tag("p", over) if over else None,
        tag("p", tag("b", "What to do: "), row["action"]) if row.get("action") else None,
        tag("p", means, class_="means"),
        tag("form", tag("button", button, type="submit"), method="post"),
    )


def done(garden: str, what: str) -> str:
    return _frame(garden, tag("p", DONE[what], class_="word"))


def sorry(garden: str, reason: str) -> str:
    return _frame(garden, tag("h2", "This link does nothing."), tag("p", reason))


def _frame(garden: str, *parts: Html | None) -> str:
    body = [tag("header", tag("h1", garden)), tag("section", *parts, class_="card answering")]
    body.append(tag("p", tag("a", "How the garden is now", href="/"), class_="small"))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"><meta name="robots" content="noindex">'
        '<link rel="icon" href="/pages/icon.svg" type="image/svg+xml">'
        '<link rel="stylesheet" href="/pages/status.css">'
        f"{tag('title', garden)}</head><body>{tag('main', joined(body))}</body></html>\n"
    )
