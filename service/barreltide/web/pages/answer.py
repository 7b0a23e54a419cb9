"""What the page behind the link in a notice says: what stands, and a button for each answer. It needs no script."""

from __future__ import annotations

from typing import Any

from ..links import acknowledged, fitting
from .now import CALLS
from .words import Taste

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

Words = dict[str, Any]  # mood, call, heading, lines of (call, text), buttons: (answer, its word, what it means)


def ask(row: dict[str, Any], taste: Taste) -> Words:
    """What stands, and the buttons. row: of the engine's picture."""
    first, _, rest = taste.told(row["message"]).partition(". ")
    lines = [("", rest)] if rest else []
    if row["state"] == "returned":
        lines.append(("", "It is over already, and waits for somebody to say that they know."))
    if row["state"] == "acknowledged":
        lines.append(("", acknowledged(row)))
    if row.get("action"):
        lines.append(("What to do:", row["action"]))
    buttons = [(what, *DOES[what]) for what in fitting(row)]
    mood = row.get("priority") if row["state"] != "returned" else "good"
    call = " · ".join([CALLS[mood], row["subject"]] if mood in CALLS else [row["subject"]])
    return {"mood": mood or "", "call": call, "heading": f"{first.rstrip('.')}.", "lines": lines, "buttons": buttons}


def done(what: str) -> Words:
    return {"mood": "good", "call": "", "heading": DONE[what], "lines": [], "buttons": []}


def sorry(reason: str) -> Words:
    return {"mood": "", "call": "", "heading": "This link does nothing.", "lines": [("", reason)], "buttons": []}
