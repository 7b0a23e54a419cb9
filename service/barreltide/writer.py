"""The writer: takes messages in, lets the engine judge, commits, and only then acknowledges.

    MQTT thread ─► queue ─► writer: engine ─► one transaction ─► PUBACK, receipt ─► notifier, pages

Time. A message is stamped with the host's clock when it leaves the queue, never earlier than a stamp or a tick before
it: so the store's order, the recording's order and the engine's clock are one, and a clock that is put back only makes
the engine's stand still. Between messages the engine is advanced to multiples of 10 s that lie two seconds back.
A small computer without a clock of its own starts in the past: while its year cannot be, nothing is taken in, and
boards keep their packs. A clock that is set ahead later on is put on record as a start: nothing was heard in between.

A start. The engine is the last snapshot, fed with every pack since and ticked to where it had been; what it says on
the way is in the store already. Where there is no snapshot that fits, it is fed with the last thirty days instead.
"""

from __future__ import annotations

import contextlib
import logging
import math
import queue
import sqlite3
import threading
import time
import zoneinfo
from collections.abc import Callable
from typing import Any

from . import grower, journal
from .core import monitor as engine
from .core.alarm_table import TABLE
from .core.event import AlarmAnswered, AlarmChanged, Event, PackChoked
from .core.reading import Answered, Pack, Said, ServiceStarted
from .mqtt import Message
from .notices import wording
from .pack import MOST_BYTES, PackError, StrangeStation, Topics, read_pack, read_presence
from .site import Site
from .store import Answer, Arrival, Notice, Refused, Snapshot, Store, Work
from .sun import Sun
from .wire import Intakes

log = logging.getLogger("barreltide.writer")

MOST_IN_BATCH = 100  # of what waits already: nobody waits for a batch to fill
BATCH_S = 1.0
TICK_S = 10.0
TICK_BEHIND_S = 2.0
SNAPSHOT_EVERY_S = 600.0
REBUILD_S = 30 * 86_400.0
RETRY_S = (0.5, 1.0, 2.0, 5.0, 10.0, 30.0)
EARLIEST_S = 1_735_689_600.0  # 2025: before this program was written
SET_AHEAD_S = 60.0
DRAWABLE = 1e100  # what is drawn is summed up, and sums of more leave what a number holds


class Writer:
    """The only one who writes arrivals and drives the engine."""

    def __init__(
        self, site: Site, topics: Topics, store: Store, intake: Intakes,
        after_commit: Callable[[Work], None], now: Callable[[], float], beat: Callable[[], None] = lambda: None,
    ) -> None:  # fmt: skip
        self._site, self._topics, self._store, self._intake = site, topics, store, intake
        self._after_commit, self._now, self._beat = after_commit, now, beat
        # What tells that the clock was set; another clock than the machine's is taken at its word.
        self._steady = time.monotonic if now is time.time else now
        self._turned = (0.0, 0.0)
        self._sun = Sun(site.latitude, site.longitude, site.time_zone)
        self._fingerprint = engine.fingerprint(site)
        self._presence = {station: store.presence(station) for station in topics.stations}
        self._through = 0
        self._snapshot_s = 0.0
        self._alarms_changed = False
        self._has_older = True
        store.zone = zoneinfo.ZoneInfo(site.time_zone)
        self.monitor: Any = None
        self.clock_s = 0.0
        self.last_reading_s = store.last_reading_s()
        self.started_s: float | None = None
        self.problem: str | None = None
        self.failure: str | None = None
        self.ready = False

    def run(self, stopping: threading.Event) -> None:
        self._stopping = stopping
        if not self._wait_for_the_time() or not self._wake_engine():
            return
        self._intake.start()
        self.ready = True
        self._turned = self._now(), self._steady()
        while not stopping.is_set():
            messages = self._gather()
            if not self._mind_the_clock():
                break
            self._turn(messages)
            if not messages:
                self._roll_up_older()
            self._beat()
        if self.problem is None:
            self._commit(self._with_snapshot(Work()))

    def _wait_for_the_time(self) -> bool:
        """False when the service was told to stop meanwhile."""
        if self._now() < EARLIEST_S:
            year = time.gmtime(self._now()).tm_year
            self.problem = f"this computer's clock stands in {year}; nothing is judged until it is set"
            log.warning("%s", self.problem)
            while self._now() < EARLIEST_S and not self._stopping.wait(1.0):
                self._beat()
            self.problem = None
        return not self._stopping.is_set()

    def _mind_the_clock(self) -> bool:
        """False when the service was told to stop before a clock set ahead could be put on record."""
        now_s, steady_s = self._now(), self._steady()
        ahead_s = (now_s - self._turned[0]) - (steady_s - self._turned[1])
        self._turned = now_s, steady_s
        if ahead_s > SET_AHEAD_S:
            log.warning("this computer's clock was set ahead by %.0f s, or it slept so long", ahead_s)
            return self._begin()
        return True

    # Waking.

    def _wake_engine(self) -> bool:
        """False when the service was told to stop meanwhile."""
        snapshot, since_s = self._store.snapshot(), 0.0
        self.monitor = self._restored(snapshot)
        if self.monitor is None:
            snapshot, since_s = None, self._now() - REBUILD_S
            self.monitor = engine.Monitor(self._site, self._sun)
            for answer in journal.put_aside(self._store.events("answer", end_s=since_s)[::-1], since_s):
                self.monitor.take(answer)
        self._through = snapshot.through_arrival if snapshot else 0
        fed = 0
        for arrival in self._store.arrivals(self._through, since_s, ("readings", "started", "grower")):
            if self._stopping.is_set():
                return False
            self._feed_again(arrival)
            self._beat()
            fed += 1
        if fed > 5_000:
            log.info("the engine was fed with %d stored packs", fed)
        ticked_s = self._store.ticked_s()
        if ticked_s is not None and ticked_s > self.clock_s:
            self.monitor.advance(ticked_s)
            self.clock_s = ticked_s
        self.clock_s = max(self.clock_s, self._store.last_received_s() or 0.0)
        if snapshot is None:
            self.monitor.number_cycles_from(self._store.last_cycles())
        return self._begin()

    def _restored(self, snapshot: Snapshot | None) -> Any:
        if snapshot is None or snapshot.fingerprint != self._fingerprint:
            return None
        try:
            monitor = engine.Monitor.restore(snapshot.blob, self._site, self._sun)
        except Exception as error:
            log.warning("the engine's snapshot cannot be used (%s); it is fed with the last days instead", error)
            return None
        self.clock_s = snapshot.saved_s
        return monitor

    def _feed_again(self, arrival: Arrival) -> None:
        self._through = arrival.id
        self.clock_s = max(self.clock_s, arrival.received_s)
        if arrival.kind == "started":
            self.monitor.take(ServiceStarted(arrival.received_s))
            return
        try:
            if arrival.kind == "grower":
                item: Pack | Said = grower.read(self._topics, arrival.payload, arrival.received_s)
            else:
                topic = self._topics.of(arrival.station or "", "readings")
                item = read_pack(self._topics, topic, arrival.payload, arrival.received_s)
        except PackError:
            return  # the site file has changed since, and does not know this station, pump or reading any more
        self.monitor.take(item)

    def _begin(self) -> bool:
        """Put the start on record, and bring the store's standing alarms and the engine's together."""
        work = Work()
        self.started_s = self.clock_s = received_s = self._stamp()
        arrival = Arrival(self._store.next_arrival(), received_s, "started", None, None, None, b"{}")
        work.arrivals.append(arrival)
        before = {(line["alarm"], line["subject"]): line for line in self._store.standing()}
        self._note(work, arrival.id, self._reconciled(before, received_s))
        self._note(work, arrival.id, self.monitor.take(ServiceStarted(received_s)))
        self._through = arrival.id
        self._alarms_changed = True
        return self._commit(self._with_snapshot(work))

    def _reconciled(self, before: dict[tuple[str, str], dict[str, Any]], now_s: float) -> list[Event]:
        standing = {(row["alarm"], row["subject"]): row for row in self.monitor.standing()}
        events: list[Event] = [
            AlarmChanged(now_s, line["since"], *key, "cleared", line["priority"],
                         f"{line['message']} (No longer found after the service was started anew.)")
            for key, line in before.items() if key not in standing
        ]  # fmt: skip
        return events + [
            AlarmChanged(now_s, row["since"], *key, "raised", row["priority"], row["message"])
            for key, row in standing.items() if key not in before
        ]  # fmt: skip

    # Turning.

    def _gather(self) -> list[Message | grower.Word]:
        """What waits, at most a batch; waits for the first of it, but no longer than a tick may."""
        messages: list[Message | grower.Word] = []
        try:
            messages.append(self._intake.messages.get(timeout=BATCH_S))
            while len(messages) < MOST_IN_BATCH:
                messages.append(self._intake.messages.get_nowait())
        except queue.Empty:
            pass
        return messages

    def _turn(self, arrived: list[Message | grower.Word]) -> None:
        work = Work()
        told = [(word, self._take_word(word, work)) for word in arrived if isinstance(word, grower.Word)]
        messages = [message for message in arrived if isinstance(message, Message)]
        receipts: dict[tuple[str, int], list[int]] = {}
        pending: set[tuple[str, int, int]] = set()
        for message in messages:
            pack = self._take(message, work, pending)
            if pack is not None:
                receipts.setdefault(pack[:2], []).append(pack[2])
        if len(messages) < MOST_IN_BATCH:
            self._tick(work)
        if work and self.clock_s - self._snapshot_s >= SNAPSHOT_EVERY_S:
            self._with_snapshot(work)
        if self._commit(work):
            self._intake.acknowledge(messages)
            self._intake.receipts(receipts)
            for word, answer in told:
                word.answer.set_result(answer)

    def _stamp(self) -> float:
        return max(self._now(), self.clock_s)

    def _roll_up_older(self) -> None:
        """Give what was stored before there were roll-ups its own, a little at a time."""
        if self._has_older:
            with contextlib.suppress(sqlite3.Error):  # a full disk is told of by whoever must write
                self._has_older = self._store.roll_up_older()

    def _take(self, message: Message, work: Work, pending: set[tuple[str, int, int]]) -> tuple[str, int, int] | None:
        """Let one message into `work`. Returns the pack that deserves a receipt once `work` is committed."""
        received_s = self._stamp()
        try:
            if message.size > MOST_BYTES:
                raise PackError(f"{message.size:,} bytes; at most {MOST_BYTES:,} would do")
            station, kind = self._topics.parse(message.topic)
            if kind == "presence":
                self._take_presence(station, message.payload, received_s, work)
                return None
            pack = read_pack(self._topics, message.topic, message.payload, received_s)
        except PackError as error:
            return self._refuse(message, received_s, error, work)
        identity = pack[1:4]
        if identity not in pending and not self._store.has_pack(*identity):
            pending.add(identity)
            self._take_pack(pack, message.payload, work)
        return identity

    def _take_word(self, word: grower.Word, work: Work) -> Said | PackError:
        """Let the grower's word into `work`. Returns the answer that it deserves once `work` is committed."""
        received_s = self._stamp()
        try:
            item = grower.read(self._topics, word.payload, received_s)
        except PackError as error:
            return error
        if isinstance(item, Answered) and (objection := self.monitor.objection(item)) is not None:
            return grower.Unfit(objection)
        arrival = Arrival(self._store.next_arrival(), received_s, "grower", None, None, None, word.payload)
        work.arrivals.append(arrival)
        self._through, self.clock_s = arrival.id, received_s
        log.info("the grower says: %s", item)
        self._note(work, arrival.id, self.monitor.take(item))
        return item

    def _refuse(self, message: Message, received_s: float, error: PackError, work: Work) -> tuple[str, int, int] | None:
        log.warning("refused a message on %s: %s", message.topic, error)
        work.refused.append(Refused(received_s, message.topic, str(error), message.payload))
        if error.boot is None or error.seq is None or isinstance(error, StrangeStation):
            return None
        # It is on disk too, if aside: without a receipt the station would send it for ever, and block what is good.
        return self._topics.parse(message.topic)[0], error.boot, error.seq

    def _take_presence(self, station: str, payload: bytes, received_s: float, work: Work) -> None:
        presence = read_presence(payload)
        if (
            station in self._presence and presence != self._presence[station]
        ):  # it is retained: it comes at each connection
            self._presence[station] = presence
            work.arrivals.append(
                Arrival(self._store.next_arrival(), received_s, "presence", station, None, None, payload))  # fmt: skip

    def _take_pack(self, pack: Pack, payload: bytes, work: Work) -> None:
        store, kinds = self._store, self._topics.kinds
        arrival = Arrival(store.next_arrival(), pack.received_s, "readings", *pack[1:4], payload)
        work.arrivals.append(arrival)
        for name, sampled_s, value in pack.readings:
            unit = kinds.get(name)
            series = store.series_id(pack.station, name, unit if isinstance(unit, str) else None, work)
            if type(value) is float and not -DRAWABLE < value < DRAWABLE:
                value = math.copysign(DRAWABLE, value)  # the pack itself is kept as it came
            if series is not None:
                work.readings.append((series, sampled_s, value))
        self._through, self.clock_s, self.last_reading_s = arrival.id, pack.received_s, pack.received_s
        self._note(work, arrival.id, self.monitor.take(pack))

    def _tick(self, work: Work) -> None:
        tick_s = math.floor((self._now() - TICK_BEHIND_S) / TICK_S) * TICK_S
        if tick_s <= self.clock_s:
            return
        self.clock_s = tick_s
        events = self.monitor.advance(tick_s)
        if events:
            work.ticked_s = tick_s
            self._note(work, None, events)

    def _note(self, work: Work, arrival: int | None, events: list[Event]) -> None:
        standing: dict[tuple[str, str], dict[str, Any]] | None = None
        for event in events:
            if isinstance(event, PackChoked):
                log.error("the engine failed on pack %s/%d/%d: %s", event.station, event.boot, event.seq,
                          event.reason.strip().rpartition("\n")[2])  # fmt: skip
                payload = next((row.payload for row in work.arrivals if row[3:6] == event[1:4]), b"")
                topic = self._topics.of(event.station, "readings")
                work.refused.append(Refused(event.time, topic, event.reason, payload))
                continue
            event_id = self._store.next_event()
            work.events.append((event_id, arrival, event))
            if isinstance(event, AlarmAnswered):
                self._alarms_changed = True
                if event.change not in ("unshelved", "in-service"):
                    work.answers.append(Answer(event.alarm, event.subject, event.time))
                log.warning("%s %s is %s (%s)", event.alarm, event.subject, event.change, event.who or "nobody named")
            if isinstance(event, AlarmChanged):
                self._alarms_changed = True
                log.warning("%s %s %s: %s", event.alarm, event.subject, event.change, event.message)
                if event.change in ("raised", "cleared") and event.alarm in (self._site.notify.alarms or TABLE):
                    if standing is None:
                        standing = {(row["alarm"], row["subject"]): row for row in self.monitor.standing()}
                    work.notices.append(self._notice(event_id, event, standing.get((event.alarm, event.subject), {})))

    def _notice(self, event_id: int, event: AlarmChanged, alarm: dict[str, Any]) -> Notice:
        title, body = wording.compose(
            event, self._site.name, self._site.time_zone, alarm.get("consequence", ""), alarm.get("action", "")
        )
        if event.alarm == "station-silent" and event.change == "raised":
            body += "".join(f"\n{line[:1].upper()}{line[1:]}." for line in self._intake.problems)
        # By when it was decided, not since when it holds: what is over and comes again is another notice.
        name = f"{event.alarm}-{event.subject}-{event.time:.0f}"
        name += "-over" if event.change == "cleared" else ""
        row = (name, event_id, event.time, event.alarm, event.subject, event.priority, title, body, event.change)
        return Notice(*row)

    def _with_snapshot(self, work: Work) -> Work:
        work.snapshot = Snapshot(self._fingerprint, self._through, self.clock_s, self.monitor.save())
        self._snapshot_s = self.clock_s
        return work

    def _commit(self, work: Work) -> bool:
        """Commit, however long it takes; False when the service was told to stop before it could be done."""
        tries = 0
        while work:
            try:
                self._store.commit(work)
                break
            except sqlite3.IntegrityError:
                raise  # our own mistake: no patience mends it, and the next start reads the store anew
            except sqlite3.Error as error:
                problem = f"the store cannot be written: {error} ({self._store.path}); nothing is lost, trying on"
                if self.problem is None:
                    log.error("%s", problem)
                self.problem = problem
                if self._stopping.wait(RETRY_S[min(tries, len(RETRY_S) - 1)]):
                    return False
                self._beat()  # a full disk is not cured by starting anew
                tries += 1
        if self.problem is not None:
            log.info("the store is written again")
            self.problem = None
        self._after_commit(work)
        if self._alarms_changed:
            self._intake.tell_alarms(self.monitor.standing())
            self._alarms_changed = False
        return True
