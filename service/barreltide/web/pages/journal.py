"""The journal of alarms on the page: each raising, clearing and answer, newest first, with the causes that were
weighed. Pure."""

from __future__ import annotations

from typing import Any

from .now import CALLS
from .words import Taste, anchor, lasted, percent

ANSWERS = {
    "acknowledged": "acknowledged", "shelved": "shelved", "out-of-service": "taken out of service",
    "unshelved": "taken back", "in-service": "taken back into service", "held-back": "held back while its pump rests",
}  # fmt: skip

Line = dict[str, Any]


def entries(journal: list[Line], taste: Taste, alarm: str | None) -> list[Line]:
    """Lines of kind "alarm" and "answer", newest first, ready to be written down; of one alarm, if one is named."""
    return [_entry(row, taste) for row in journal if alarm in (None, row["alarm"])]


def anchored(rows: list[Line], taken: set[str]) -> None:
    """Leave an alarm's anchor to its newest entry only, and to none where the alarm itself has it already."""
    for row in rows:
        if row["id"] in taken:
            row["id"] = None
        else:
            taken.add(row["id"])


def _entry(row: Line, taste: Taste) -> Line:
    entry = {
        "when": taste.full(row["time"]), "alarm": row["alarm"], "subject": row["subject"], "change": row["change"],
        "id": anchor(f"{row['alarm']}-{row['subject']}"),
        "mood": "note", "head": row["change"], "words": "", "causes": [],
    }  # fmt: skip
    if row["event"] == "answer":
        by = f" by {row['who']}" if row.get("who") else ""
        until = f" until {taste.moment(row['until'])}" if row.get("until") else ""
        reason = f": {row['reason']}" if row.get("reason") else ""
        return entry | {"head": "answer", "words": f"{ANSWERS.get(row['change'], row['change'])}{by}{until}{reason}."}
    if row["change"] == "raised":
        return entry | {"mood": row["priority"], "head": CALLS.get(row["priority"], row["priority"]),
                        "words": taste.told(row["message"]),
                        "causes": [_cause(a) for a in row.get("evidence") or []]}  # fmt: skip
    return entry | {"mood": "good", "head": "over", "words": f"It had stood for {lasted(row['time'] - row['since'])}."}


def _cause(account: Line) -> Line:
    return {
        "name": f"{account['alarm']} {account['subject']}", "share": percent(account["share"]),
        "for": list(account["speaks_for"]), "against": list(account["speaks_against"]),
    }  # fmt: skip


def in_words(found: Line) -> str:
    """The measures of a month in a sentence (journal.measures)."""
    if not found["alarms"]:
        return "Nothing was raised in the last 30 days."
    words = f"{found['alarms']} raised in the last 30 days"
    worst = found["worst"][0]
    words += f", most often {worst['alarm']} {worst['subject']} ({worst['alarms']})" if found["alarms"] > 1 else ""
    if found["time_to_acknowledge_median_s"] is not None:
        words += f"; acknowledged after {lasted(found['time_to_acknowledge_median_s'])} as a rule"
    return words + "."
