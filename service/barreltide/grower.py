"""What the grower tells the service, as JSON: at the page's door, in the store and in recordings the same.

    {"input": "pump-rested", "pump": "pump", "for_s": 1800}      the pump is being switched off, for at most so long

It becomes an input of the engine like a pack: stamped when it arrives, stored, judged, replayed. A span counts from
that stamp, so that no second clock has a say in it.
"""

from __future__ import annotations

import concurrent.futures
import json
import queue
from typing import Any, NamedTuple

from .core.reading import PumpRested
from .pack import PackError, Topics

MOST_BYTES = 4_096
LONGEST_REST_S = 24 * 3600.0
MOST_WAITING = 100
ANSWER_S = 8.0


class NotNow(Exception):
    """The service cannot take it in just now; the text is one line."""


class Word(NamedTuple):
    """What waits for the writer. answer: gets the input once it is committed, or what is wrong with the payload."""

    payload: bytes
    answer: concurrent.futures.Future[PumpRested | PackError]


def read(topics: Topics, payload: bytes | dict[str, Any], received_s: float) -> PumpRested:
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
    if payload.get("input") != "pump-rested":
        raise PackError(f"input: found {_shown(payload.get('input'))}; 'pump-rested' would do")
    if strange := sorted(set(payload) - {"input", "pump", "for_s"}):
        raise PackError(f"{_shown(strange[0])}: no such key; input, pump and for_s would do")
    pump, for_s = payload.get("pump"), payload.get("for_s")
    if not isinstance(pump, str) or pump not in topics.pumps:
        raise PackError(f"pump: found {_shown(pump)}; {' or '.join(sorted(topics.pumps))} would do")
    if type(for_s) not in (int, float) or not 0 < for_s <= LONGEST_REST_S:
        raise PackError(f"for_s: found {_shown(for_s)}; seconds, at most {LONGEST_REST_S:,.0f}, would do")
    return PumpRested(received_s, pump, received_s + for_s)


def say(arrived: queue.SimpleQueue[Any], payload: bytes) -> PumpRested:
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


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
