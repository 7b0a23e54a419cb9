"""What the grower tells the service, as JSON: at the page's door, in the store and in recordings the same.

    {"input": "pump-rested", "pump": "pump", "for_s": 1800}      the pump is being switched off, for at most so long
    {"input": "acknowledged", "alarm": "pump-stopped", "subject": "pump", "who": "anna"}
    {"input": "shelved", "alarm": …, "subject": …, "for_s": 3600, "reason": "new rotor tomorrow", "who": "anna"}
    {"input": "out-of-service", "alarm": …, "subject": …, "reason": …, "who": …}      until it is said otherwise
    {"input": "unshelved", "alarm": …, "subject": …, "who": …}      ends either
    {"input": "noted", "text": "cut the tube 1 cm", "bed": "bed-1", "time_s": 1790000000, "who": "anna"}      a note
    {"input": "shakedown", "for_s": 172800, "who": "anna"}      starts one, in place of any before

It becomes an input of the engine like a pack: stamped when it arrives, stored, judged, replayed. A span counts from
that stamp, so that no second clock has a say in it. `who` may be left out: it is what somebody calls themselves. A note
is pinned to `time_s`, which may lie up to a year back (left out: now), and to a bed, or to the whole garden.
"""

from __future__ import annotations

import concurrent.futures
import json
import queue
from typing import Any, NamedTuple

from .core.alarm import LONGEST_SHELF_S
from .core.alarm_table import TABLE
from .core.reading import Answered, Noted, PumpRested, Said, ShakedownStarted
from .core.shakedown import LEAST_H, MOST_H
from .pack import PackError, Topics

MOST_BYTES = 4_096
LONGEST_REST_S = 24 * 3600.0
MOST_WAITING = 100
ANSWER_S = 8.0
OLDEST_NOTE_S = 366 * 86_400.0
FAST_S = 300.0  # a phone's clock may be ahead of ours by so much: that is now
MOST_SUBJECT, MOST_REASON, MOST_TEXT, MOST_WHO = 128, 200, 200, 60  # characters

_KEYS = {
    "pump-rested": ("pump", "for_s"),
    "acknowledged": ("alarm", "subject", "who"),
    "shelved": ("alarm", "subject", "for_s", "reason", "who"),
    "out-of-service": ("alarm", "subject", "reason", "who"),
    "unshelved": ("alarm", "subject", "who"),
    "noted": ("text", "bed", "time_s", "who"),
    "shakedown": ("for_s", "who"),
}


_NAMES = {PumpRested: "pump-rested", Noted: "noted", ShakedownStarted: "shakedown"}


class NotNow(Exception):
    """The service cannot take it in just now; the text is one line."""


class Unfit(PackError):
    """It makes sense, but fits no alarm as they are just now."""


class Word(NamedTuple):
    """What waits for the writer. answer: gets the input once it is committed, or what is wrong with the payload."""

    payload: bytes
    answer: concurrent.futures.Future[Said | PackError]


def read(topics: Topics, payload: bytes | dict[str, Any], received_s: float) -> Said:
    """The input that was told at `received_s`. Raises PackError with what was found and what would do."""
    if isinstance(payload, bytes):
        if len(payload) > MOST_BYTES:
            raise PackError(f"{len(payload):,} bytes; at most {MOST_BYTES:,} would do")
        try:
            payload = json.loads(payload)
        except (ValueError, RecursionError):
            raise PackError("no JSON; an object with input would do") from None
    if not isinstance(payload, dict):
        raise PackError("no JSON object; one with input would do")
    what = payload.get("input")
    if not isinstance(what, str) or what not in _KEYS:
        raise PackError(f"input: found {_shown(what)}; {_listed(_KEYS, 'or')} would do")
    if strange := sorted(set(payload) - {"input", *_KEYS[what]}):
        raise PackError(f"{_shown(strange[0])}: no such key; {_listed(['input', *_KEYS[what]], 'and')} would do")
    if what == "pump-rested":
        pump = payload.get("pump")
        if not isinstance(pump, str) or pump not in topics.pumps:
            raise PackError(f"pump: found {_shown(pump)}; {_listed(sorted(topics.pumps), 'or')} would do")
        return PumpRested(received_s, pump, received_s + _span(payload, LONGEST_REST_S))
    if what == "noted":
        return _note(topics, payload, received_s)
    if what == "shakedown":
        for_s = _span(payload, 3600 * MOST_H, 3600 * LEAST_H)
        return ShakedownStarted(received_s, received_s + for_s, _text(payload, "who", MOST_WHO, ""))
    alarm = payload.get("alarm")
    if not isinstance(alarm, str) or alarm not in TABLE:
        raise PackError(f"alarm: found {_shown(alarm)}; {_listed(TABLE, 'or')} would do")
    subject, who = _text(payload, "subject", MOST_SUBJECT), _text(payload, "who", MOST_WHO, "")
    until_s, reason = None, ""
    if what == "shelved":
        until_s = received_s + _span(payload, LONGEST_SHELF_S[TABLE[alarm].priority])
    if "reason" in _KEYS[what]:
        reason = _text(payload, "reason", MOST_REASON)
    return Answered(received_s, what, alarm, subject, until_s, reason, who)


def say(arrived: queue.SimpleQueue[Any], payload: bytes) -> Said:
    """Enqueue it for the writer, and wait until it is committed. Raises PackError or NotNow."""
    if arrived.qsize() >= MOST_WAITING:
        raise NotNow("too much waits already; try again in a minute")
    word = Word(payload, concurrent.futures.Future())
    arrived.put(word)
    try:
        answer = word.answer.result(ANSWER_S)
    except TimeoutError:
        raise NotNow("not committed yet; look at /api/health, and say it again") from None
    if isinstance(answer, PackError):
        raise answer
    return answer


def as_json(item: Said) -> dict[str, Any]:
    """What was taken in, for whoever told it."""
    fields = item._asdict()
    return {"input": fields.pop("what", None) or _NAMES[type(item)], **fields}


def _note(topics: Topics, payload: dict[str, Any], received_s: float) -> Noted:
    bed, time_s = payload.get("bed"), payload.get("time_s", received_s)
    if bed is not None and (not isinstance(bed, str) or bed not in topics.beds):
        raise PackError(f"bed: found {_shown(bed)}; {_listed(sorted(topics.beds), 'or')} would do, or none")
    if type(time_s) not in (int, float) or not received_s - OLDEST_NOTE_S <= time_s <= received_s + FAST_S:
        raise PackError(f"time_s: found {_shown(time_s)}; Unix seconds, up to a year back, would do")
    text, who = _text(payload, "text", MOST_TEXT), _text(payload, "who", MOST_WHO, "")
    return Noted(received_s, min(float(time_s), received_s), text, bed, who)


def _span(payload: dict[str, Any], longest_s: float, least_s: float = 0.0) -> float:
    for_s = payload.get("for_s")
    if type(for_s) not in (int, float) or not least_s <= for_s <= longest_s or for_s == 0:
        least = f"at least {least_s:,.0f} and " if least_s else ""
        raise PackError(f"for_s: found {_shown(for_s)}; seconds, {least}at most {longest_s:,.0f}, would do")
    return for_s


def _text(payload: dict[str, Any], key: str, most: int, default: str | None = None) -> str:
    text = payload.get(key, default)
    if not isinstance(text, str) or not text.isprintable() or len(text) > most:
        raise PackError(f"{key}: found {_shown(text)}; a line of at most {most} characters would do")
    if default is None and not text.strip():
        raise PackError(f"{key}: found {_shown(text)}; a few words would do")
    return text.strip()


def _listed(words: Any, last: str) -> str:
    words = list(words)
    return f" {last} ".join(([", ".join(words[:-1])] if words[:-1] else []) + words[-1:])


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
