"""Recordings: JSON Lines of what arrived, written from the store and played through the engine."""

from __future__ import annotations

import contextlib
import gzip
import json
import math
import sys
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any, TextIO

from . import Failure, grower
from .core.event import Event, PackChoked
from .core.reading import ServiceStarted
from .pack import RELATIVE_BELOW, PackError, Topics, iso, parse_json, read_pack, read_presence
from .site import Site

LONGEST_LINE = 1 << 20
LONGEST_GAP_S = 366 * 86_400
MOST_TOLD = 5
MOST_BEYOND = 100_000  # packs behind one that is missing: two weeks


class RecordingError(Failure):
    """The recording cannot be read; the text is one line."""


def replay(
    path: str, site: Site, until_s: float | None = None, tell: Callable[[str], None] = lambda line: None
) -> Iterator[Event]:
    """The events of a recording, in order of the engine's clock, as they come.

    path: of the file, gzipped if it ends in .gz, or - for standard input. until_s: Unix seconds at which the clock is
    to stand in the end; what arrived later is left out. tell: takes a line about what was no valid message. Raises
    RecordingError.
    """
    from .core.monitor import Monitor
    from .sun import Sun

    monitor = Monitor(site, Sun(site.latitude, site.longitude, site.time_zone))
    player = _Player(Topics.of_site(site), monitor, until_s)
    number, bad = 0, 0
    for number, line in enumerate(_lines(path), start=1):
        try:
            events = player.play(line)
        except PackError as error:
            bad += 1
            if bad <= MOST_TOLD:
                tell(f"line {number}: {error}")
            continue
        if events is None:
            break
        for event in events:
            if isinstance(event, PackChoked):
                tell(f"line {number}: the engine failed on it: {event.reason.strip().rpartition(chr(10))[2]}")
            else:
                yield event
    if until_s is not None:
        yield from (event for event in monitor.advance(until_s) if not isinstance(event, PackChoked))
    if bad:
        tell(f"{bad} of {number} lines {'was' if bad == 1 else 'were'} no valid message")


class _Player:
    """Feeds lines to the engine; each pack once, and never with a clock that goes back."""

    def __init__(self, topics: Topics, monitor: Any, until_s: float | None) -> None:
        self._topics, self._monitor = topics, monitor
        self._until_s = math.inf if until_s is None else until_s
        self._clock_s = -math.inf
        self._seen: defaultdict[tuple[str, int], _Seen] = defaultdict(_Seen)

    def play(self, line: bytes) -> list[Event] | None:
        """The events of one line; None once the clock has passed the end. Raises PackError."""
        received_s, topic, payload = _read_line(line)
        if received_s > self._clock_s + LONGEST_GAP_S and self._clock_s > 0:
            raise PackError(f"received is {iso(received_s)}, more than a year after the line before")
        if received_s > self._until_s:
            return None
        station, kind = self._topics.parse(topic)
        if kind == "service":
            return self._monitor.take(ServiceStarted(self._on(received_s)))
        if kind == "grower":
            return self._monitor.take(grower.read(self._topics, payload, self._on(received_s)))
        if kind == "presence":
            read_presence(payload)
        if kind != "readings":
            return self._monitor.advance(self._on(received_s))
        pack = read_pack(self._topics, topic, payload, received_s)
        clock_s = self._on(received_s)
        if not self._seen[pack.station, pack.boot].add(pack.seq):
            return self._monitor.advance(clock_s)
        return self._monitor.take(pack if clock_s == received_s else pack._replace(received_s=clock_s))

    def _on(self, received_s: float) -> float:
        self._clock_s = max(self._clock_s, received_s)
        return self._clock_s


class _Seen:
    """The numbers seen of one boot, in little room."""

    def __init__(self) -> None:
        self._below, self._beyond = 0, set[int]()

    def add(self, seq: int) -> bool:
        """False if it was seen before."""
        if seq < self._below or seq in self._beyond:
            return False
        self._beyond.add(seq)
        if len(self._beyond) > MOST_BEYOND:  # what is missing from so long ago no engine counts any more
            self._below = sorted(self._beyond)[MOST_BEYOND // 2]
            self._beyond = {later for later in self._beyond if later >= self._below}
        while self._below in self._beyond:
            self._beyond.remove(self._below)
            self._below += 1
        return True


def _read_line(line: bytes) -> tuple[float, str, Any]:
    if len(line) > LONGEST_LINE:
        raise PackError(f"longer than {LONGEST_LINE:,} bytes")
    try:
        message = parse_json(line)
    except (ValueError, RecursionError) as error:
        raise PackError(f"no JSON: {error}") from None
    if not isinstance(message, dict):
        raise PackError("no JSON object; received, topic and payload would do")
    try:
        received_s, topic, payload = message["received"], message["topic"], message["payload"]
    except KeyError as error:
        raise PackError(f"no {error.args[0]!r}; received, topic and payload would do") from None
    if type(received_s) not in (int, float) or not RELATIVE_BELOW <= received_s < 2**53:
        raise PackError(f"received is {str(received_s)[:60]}; Unix seconds would do")
    if not isinstance(topic, str):
        raise PackError(f"topic is {str(topic)[:60]}; text would do")
    return float(received_s), topic, payload


def _lines(path: str) -> Iterator[bytes]:
    """The lines that are not empty, with a progress bar on a terminal."""
    try:
        with contextlib.ExitStack() as stack:
            raw = sys.stdin.buffer if path == "-" else stack.enter_context(open(path, "rb"))
            stream = stack.enter_context(gzip.open(raw)) if path.endswith(".gz") else raw
            bar = stack.enter_context(_progress(path))
            done = count = 0
            while line := stream.readline(LONGEST_LINE + 1):
                rest = line
                while len(rest) > LONGEST_LINE and not rest.endswith(b"\n"):
                    rest = stream.readline(LONGEST_LINE + 1)
                count += 1
                if bar is not None and count % 1000 == 0:
                    bar.update(raw.tell() - done)
                    done = raw.tell()
                if not line.isspace():
                    yield line
    except FileNotFoundError:
        raise RecordingError(f"{path}: no such recording") from None
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise RecordingError(f"{path}: is broken, and was played up to there: {error}") from None
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {error.strerror}") from None


def _progress(path: str) -> contextlib.AbstractContextManager[Any]:
    if path == "-" or not sys.stderr.isatty() or sys.stdout.isatty():
        return contextlib.nullcontext()
    from tqdm import tqdm

    return tqdm(total=Path(path).stat().st_size, unit="B", unit_scale=True, desc=Path(path).name, leave=False)


def export(store: Any, topics: Topics, out: TextIO | IO[str], everything: bool = False) -> int:
    """Write what the store holds as a recording, in order of arrival; returns the number of lines.

    everything: presence, starts of the service and what the grower told it too, not only packs.
    """
    count = 0
    for line in lines(store, topics, everything):
        out.write(line)
        count += 1
    return count


def lines(
    store: Any, topics: Topics, everything: bool = False, start_s: float = 0.0, end_s: float = math.inf
) -> Iterator[str]:
    """The lines of such a recording, of what was received in the span (Unix seconds)."""
    kinds = ("readings", "presence", "started", "grower") if everything else ("readings",)
    own = {"started": topics.service, "grower": topics.grower}
    for arrival in store.arrivals(since_s=start_s, kinds=kinds):
        if arrival.received_s > end_s:
            return
        topic = own[arrival.kind] if arrival.kind in own else topics.of(arrival.station, arrival.kind)
        line = {"received": arrival.received_s, "topic": topic, "payload": json.loads(arrival.payload)}
        yield json.dumps(line, ensure_ascii=False, separators=(", ", ": ")) + "\n"
