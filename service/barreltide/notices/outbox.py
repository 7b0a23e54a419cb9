"""The outbox's statements: notices, to whom each is sent, who has answered, and the phones that take Web Push.

A part of the store (store.py), kept apart because it is written by two: the writer puts a notice down in the
transaction of its event, and the notifier does the rest. A notice goes through three stages: `new`, nobody has been
asked yet; `open`, urgent and unanswered, so that it may be repeated or go to the next person; `done`, its sendings see
to themselves. A sending is one notice to one channel: waiting, sent, given-up, or passed (it came to be of no use).
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

MOST_ROWS = 10_000
MOST_SUBSCRIPTIONS = 64
MOST_ERROR = 500

# Notices of before this migration are told or waiting already: nobody is asked about them anew.
STAGES = (
    "ALTER TABLE notices ADD COLUMN change TEXT NOT NULL DEFAULT 'raised'",
    "ALTER TABLE notices ADD COLUMN stage TEXT NOT NULL DEFAULT 'done'",
    "ALTER TABLE notices ADD COLUMN answered_s REAL",
    "UPDATE notices SET change = 'cleared' WHERE id LIKE '%-over'",
    "CREATE INDEX notices_to_plan ON notices (stage) WHERE stage <> 'done'",
    "CREATE INDEX notices_by_alarm ON notices (alarm, subject)",
    "ALTER TABLE sendings ADD COLUMN told INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE sendings ADD COLUMN asked_s REAL",
    "UPDATE sendings SET told = 1 WHERE state = 'sent'",
    "CREATE INDEX sendings_by_channel ON sendings (channel, sent_s)",
    "CREATE TABLE phones (id INTEGER PRIMARY KEY AUTOINCREMENT, person TEXT, endpoint TEXT NOT NULL UNIQUE,"
    " subscription TEXT NOT NULL, created_s REAL NOT NULL)",
)


class Notice(NamedTuple):
    """What a phone is to show. id: the same however often it is sent; event: the id of the event that it tells of;
    alarm and subject: what it is about, so that a later notice takes its place; change: "raised", "cleared", or "word"
    for what is no alarm."""

    id: str
    event: int
    created_s: float
    alarm: str
    subject: str
    priority: str
    title: str
    body: str
    change: str = "raised"


class Answer(NamedTuple):
    """Somebody has answered an alarm (acknowledged or shelved it): nobody else is asked, and nothing is repeated."""

    alarm: str
    subject: str
    answered_s: float


class Outbox:
    """What the store does for notices; `_db`, `_rows`, `_dicts` and `_insert` are the store's."""

    # Called within the writer's transaction.

    def _put_notices(self, notices: list[Notice], answers: list[Answer]) -> None:
        self._insert(
            "INSERT OR IGNORE INTO notices (id, event, created_s, alarm, subject, priority, title, body, change,"
            " stage)",
            [(*notice, "new") for notice in notices],
        )
        for answer in answers:
            self._db.conn.execute(
                "UPDATE notices SET answered_s = ? WHERE alarm = ? AND subject = ? AND answered_s IS NULL"
                " AND stage <> 'done'", (answer.answered_s, answer.alarm, answer.subject))  # fmt: skip

    # For the notifier.

    def put_notice(self, notice: Notice) -> None:
        """Put down a notice that is born of no event; one that is there already stays as it is."""
        with self._db.atomic():
            self._put_notices([notice], [])

    def notices_to_plan(self, limit: int = 1000) -> list[dict[str, Any]]:
        """The notices that are new or open, in the order of their birth, each with its `sendings`."""
        rows = self._dicts(
            "SELECT rowid AS number, id, created_s, alarm, subject, priority, change, stage, answered_s FROM notices"
            " WHERE stage <> 'done' ORDER BY rowid LIMIT ?", (limit,))  # fmt: skip
        return [row | {"sendings": self._sendings(row["id"])} for row in rows]

    def told_before(self, number: int, alarm: str, subject: str) -> list[dict[str, Any]]:
        """The sendings of what was told last of this alarm (or word) before the notice of this number, not counting
        that it was over; answered: that somebody had; known: that it went on with what somebody had answered."""
        rows = self._rows(
            "SELECT id, answered_s IS NOT NULL, coalesce(answered_s <= created_s, 0) FROM notices WHERE alarm = ?"
            " AND subject = ? AND rowid < ? AND change <> 'cleared' ORDER BY rowid DESC LIMIT 1",
            (alarm, subject, number))  # fmt: skip
        if not rows:
            return []
        said = {"answered": bool(rows[0][1]), "known": bool(rows[0][2])}
        return [row | said for row in self._sendings(rows[0][0])]

    def is_newest(self, number: int, alarm: str, subject: str) -> bool:
        """Whether nothing later is to be told of this alarm."""
        sql = "SELECT 1 FROM notices WHERE alarm = ? AND subject = ? AND rowid > ? LIMIT 1"
        return not self._rows(sql, (alarm, subject, number))

    def story(self, number: int, alarms: tuple[str, ...], subject: str, since_s: float) -> list[dict[str, Any]]:
        """What was raised or over of these alarms since then, before the notice of this number, each with its
        `sendings`: the newest first."""
        marks = ", ".join("?" * len(alarms))
        rows = self._dicts(
            "SELECT id, created_s, alarm, change, title, answered_s FROM notices"
            f" WHERE alarm IN ({marks}) AND subject = ? AND rowid < ? AND created_s >= ? ORDER BY rowid DESC LIMIT 100",
            (*alarms, subject, number, since_s),
        )
        return [row | {"sendings": self._sendings(row["id"])} for row in rows]

    def last_word_s(self, person: str) -> float | None:
        """When the newest daily word was put down that a way to this person has taken."""
        return self._rows(
            "SELECT max(created_s) FROM notices n WHERE alarm = 'daily-word' AND subject = ? AND EXISTS"
            " (SELECT 1 FROM sendings WHERE notice = n.id AND told > 0)", (person,))[0][0]  # fmt: skip

    def stands(self, alarms: tuple[str, ...]) -> frozenset[str]:
        """Those of these that were raised and are not over."""
        marks = ", ".join("?" * len(alarms))
        sql = (
            f"SELECT DISTINCT alarm FROM notices n WHERE alarm IN ({marks}) AND change = 'raised' AND NOT EXISTS"
            " (SELECT 1 FROM notices WHERE alarm = n.alarm AND subject = n.subject AND rowid > n.rowid)"
        )
        return frozenset(row[0] for row in self._rows(sql, alarms))

    def _sendings(self, notice: str) -> list[dict[str, Any]]:
        return self._dicts(
            "SELECT notice, channel, state, tries, told, asked_s, sent_s FROM sendings WHERE notice = ?"
            " ORDER BY rowid", (notice,))  # fmt: skip

    def carry_out(
        self, notice: str, stage: str, ask: list[str], again: list[str], passed: list[tuple[str, str]], now_s: float,
        known: bool = False,
    ) -> None:  # fmt: skip
        """What was planned for a notice, in one transaction. ask: channels that get it now; again: those that get it
        once more; passed: (notice, channel) of older sendings that are of no use any more; known: it goes on with what
        somebody has answered, and counts as answered from its birth."""
        with self._db.atomic():
            self._insert(
                "INSERT OR IGNORE INTO sendings (notice, channel, state, tries, next_try_s, asked_s)",
                [(notice, channel, "waiting", 0, now_s, now_s) for channel in ask],
            )
            for channel in again:
                self._db.conn.execute(
                    "UPDATE sendings SET state = 'waiting', tries = 0, next_try_s = ? WHERE notice = ? AND channel = ?"
                    " AND state = 'sent'", (now_s, notice, channel))  # fmt: skip
            for older, channel in passed:
                self._db.conn.execute(
                    "UPDATE sendings SET state = 'passed' WHERE notice = ? AND channel = ? AND state = 'waiting'",
                    (older, channel))  # fmt: skip
            self._db.conn.execute("UPDATE notices SET stage = ? WHERE id = ?", (stage, notice))
            if known:
                self._db.conn.execute("UPDATE notices SET answered_s = created_s WHERE id = ?", (notice,))

    def waiting_channels(self) -> list[str]:
        """The channels that something waits for."""
        return [row[0] for row in self._rows("SELECT DISTINCT channel FROM sendings WHERE state = 'waiting'")]

    def waiting(self, channels: list[str], limit: int = 1000) -> list[dict[str, Any]]:
        """The sendings that wait for these channels, in the order of their notices' birth, each with its notice.
        answered_s: when somebody answered the alarm, and of one that is over, whether anybody had."""
        marks = ", ".join("?" * len(channels))
        return self._dicts(
            "SELECT s.notice, s.channel, s.tries, s.told, s.next_try_s, n.created_s, n.alarm, n.subject, n.priority,"
            " n.change, n.title, n.body, coalesce(n.answered_s, (SELECT r.answered_s FROM notices r WHERE n.change ="
            " 'cleared' AND r.alarm = n.alarm AND r.subject = n.subject AND r.change = 'raised' AND r.rowid < n.rowid"
            " ORDER BY r.rowid DESC LIMIT 1)) AS answered_s FROM sendings s JOIN notices n ON n.id = s.notice"
            f" WHERE s.state = 'waiting' AND s.channel IN ({marks}) ORDER BY n.rowid LIMIT ?",
            (*channels, min(limit, MOST_ROWS)),
        )

    def messages_since(self, channel: str, since_s: float) -> int:
        """How many messages went to this channel: sendings that went in one message have one time."""
        sql = "SELECT count(DISTINCT sent_s) FROM sendings WHERE channel = ? AND sent_s > ?"
        return self._rows(sql, (channel, since_s))[0][0]

    def mark_sent(self, sendings: list[tuple[str, str]], sent_s: float) -> None:
        """These (notice, channel) went out in one message."""
        with self._db.atomic():
            for notice, channel in sendings:
                self._db.conn.execute(
                    "UPDATE sendings SET state = 'sent', tries = tries + 1, told = told + 1, sent_s = ?, error = NULL"
                    " WHERE notice = ? AND channel = ?", (sent_s, notice, channel))  # fmt: skip

    def mark_failed(self, sendings: list[tuple[str, str, float | None]], error: str) -> None:
        """These (notice, channel, when to try again, None to give up) did not."""
        with self._db.atomic():
            for notice, channel, next_try_s in sendings:
                self._db.conn.execute(
                    "UPDATE sendings SET state = ?, tries = tries + 1, next_try_s = coalesce(?, next_try_s), error = ?"
                    " WHERE notice = ? AND channel = ?",
                    ("waiting" if next_try_s is not None else "given-up", next_try_s, error[:MOST_ERROR], notice,
                     channel))  # fmt: skip

    # Phones that take Web Push.

    def phones(self) -> list[dict[str, Any]]:
        """id, person (None for everybody's), subscription and created_s of each phone; the subscription holds
        secrets."""
        rows = self._dicts("SELECT id, person, subscription, created_s FROM phones ORDER BY id")
        return [row | {"subscription": json.loads(row["subscription"])} for row in rows]

    def add_phone(self, person: str | None, subscription: dict[str, Any], now_s: float) -> int | None:
        """Its id, the same when the same phone comes again; None when there are too many."""
        endpoint = subscription["endpoint"]
        with self._db.atomic():
            self._db.conn.execute(
                "INSERT INTO phones (person, endpoint, subscription, created_s) SELECT ?, ?, ?, ?"
                " WHERE (SELECT count(*) FROM phones) < ? OR EXISTS (SELECT 1 FROM phones WHERE endpoint = ?)"
                " ON CONFLICT (endpoint) DO UPDATE SET person = excluded.person, subscription = excluded.subscription",
                (person, endpoint, json.dumps(subscription), now_s, MOST_SUBSCRIPTIONS, endpoint),
            )
        rows = self._rows("SELECT id FROM phones WHERE endpoint = ?", (endpoint,))
        return rows[0][0] if rows else None

    def remove_phone(self, phone: int) -> bool:
        """It is gone for good; what waits for it goes to its person's other ways. False where there is none."""
        with self._db.atomic():
            return self._db.conn.execute("DELETE FROM phones WHERE id = ?", (phone,)).rowcount > 0

    def last_sent_s(self, channel: str) -> float | None:
        """When a channel last took something."""
        return self._rows("SELECT max(sent_s) FROM sendings WHERE channel = ?", (channel,))[0][0]

    # For the pages.

    def notices(self, limit: int = 100) -> list[dict[str, Any]]:
        """The newest notices with the state of each sending: channel, state, tries, told, sent_s, error."""
        rows = self._dicts(
            "SELECT id, event, created_s, alarm, subject, priority, title, body, change, answered_s FROM notices"
            " ORDER BY created_s DESC, rowid DESC LIMIT ?", (min(limit, MOST_ROWS),))  # fmt: skip
        for row in rows:
            row["sendings"] = self._dicts(
                "SELECT channel, state, tries, told, sent_s, error FROM sendings WHERE notice = ? ORDER BY channel",
                (row["id"],),
            )
        return rows
