"""The MQTT client: messages go into a bounded queue, acknowledgements and receipts go out after the commit.

Nothing is judged here. paho's thread ends for good if a callback raises, so none does. While the queue is full that
thread waits, and with it, through TCP, the broker: a message passed over instead would keep its place among the
unacknowledged ones, of which a broker allows only so many, until the next connection.

A host that follows another's broker ([broker] follow) has a session of its own there and publishes nothing: a receipt
says that *the* host has a pack, and stations forget it then.
"""

from __future__ import annotations

import json
import logging
import platform
import queue
import ssl
import time
from collections.abc import Iterable
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from . import Failure
from .pack import MOST_BYTES, Topics
from .site import Site

log = logging.getLogger("barreltide.mqtt")

MOST_WAITING = 200
MOST_OUTGOING = 1_000
MOST_SEQ_IN_RECEIPT = 500
KEEP_ALIVE_S = 30
VISIT_S = 10.0
KEPT_COMES_S = 1.0  # retained messages follow a subscription at once


class MqttError(Failure):
    """The broker's settings cannot be used; the text is one line."""


class Visit(NamedTuple):
    """What a look at the broker has shown. refused: why we are not let in, None where we are; kept: the retained
    messages of the stations' presence and the standing alarms, by topic."""

    refused: str | None
    kept: dict[str, bytes]


class Message(NamedTuple):
    """What arrived. payload is cut at MOST_BYTES, size is what it was; mid and session are for the acknowledgement."""

    topic: str
    payload: bytes
    size: int
    qos: int
    mid: int
    session: int


class Intake:
    """The connection to the broker of `site`, at `port` where that is given. Raises MqttError."""

    def __init__(self, site: Site, topics: Topics, port: int | None = None) -> None:
        self._topics = topics
        self._host, self._port = site.broker.host, port or site.broker.port
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()  # bounded in put
        self._stopping = False
        self.problem: str | None = f"no broker at {self._host}:{self._port} yet"
        self._session = 0
        self._alarms = b""
        self._follows = site.broker.follow
        name = f"{site.name}-follower-{platform.node()}" if self._follows else f"{site.name}-host"
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False, manual_ack=True)
        client.max_inflight_messages_set(100)
        client.max_queued_messages_set(MOST_OUTGOING)
        client.reconnect_delay_set(1, 30)
        client.on_connect = self._connected
        client.on_connect_fail = self._failed
        client.on_disconnect = self._disconnected
        client.on_subscribe = self._subscribed
        client.on_message = self._arrived
        _let_in(client, site)
        self._client = client

    def start(self) -> None:
        """Connect now and for ever again, in a thread of its own."""
        self._client.connect_async(self._host, self._port, KEEP_ALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        self._stopping = True
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def connected(self) -> bool:
        return self._client.is_connected()

    def acknowledge(self, messages: Iterable[Message]) -> None:
        """Tell the broker that these need not come again. What came before a reconnection comes again in any case."""
        for message in messages:
            if message.qos and message.session == self._session:
                self._client.ack(message.mid, message.qos)

    def receipts(self, packs: dict[tuple[str, int], list[int]]) -> None:
        """Tell stations what is on disk: {(station, boot): [seq, …]}. A station that hears nothing sends again."""
        if self._follows or not self._client.is_connected():
            return
        for (station, boot), seqs in packs.items():
            for start in range(0, len(seqs), MOST_SEQ_IN_RECEIPT):
                receipt = {"boot": boot, "seq": seqs[start : start + MOST_SEQ_IN_RECEIPT]}
                self._client.publish(self._topics.receipt(station), json.dumps(receipt), qos=1)

    def tell_alarms(self, standing: list[dict[str, Any]]) -> None:
        """Publish the standing alarms, retained, if they changed."""
        alarms = json.dumps(standing, ensure_ascii=False).encode()
        if alarms != self._alarms:
            self._alarms = alarms
            if self._client.is_connected():
                self._publish_alarms()

    def _publish_alarms(self) -> None:
        if self._alarms and not self._follows:
            self._client.publish(self._topics.alarms, self._alarms, qos=1, retain=True)

    def put(self, arrived: Message) -> None:
        """Let a message into the queue; waits while that is full."""
        while self.messages.qsize() >= MOST_WAITING and not self._stopping:
            time.sleep(0.005)
        self.messages.put(arrived)

    def _arrived(self, client: paho.Client, _: Any, message: paho.MQTTMessage) -> None:
        try:
            self._put(message)
        except Exception:
            log.exception("a message could not be taken in")

    def _put(self, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(no UTF-8)"
        payload = message.payload
        self.put(Message(topic, payload[:MOST_BYTES], len(payload), message.qos, message.mid, self._session))

    def _connected(self, client: paho.Client, _: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            self._tell(f"the broker at {self._host}:{self._port} refuses us: {reason}")
            return
        self._session += 1
        if self.problem is not None:
            log.info("connected to the broker at %s:%s", self._host, self._port)
        self.problem = None
        client.subscribe([(self._topics.readings, 1), (self._topics.presence, 1)])
        self._publish_alarms()

    def _subscribed(self, client: paho.Client, _: Any, mid: int, reasons: list[Any], properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._tell(f"the broker at {self._host}:{self._port} does not let us read {self._topics.readings}")

    def _failed(self, client: paho.Client, _: Any) -> None:
        self._tell(f"no broker answers at {self._host}:{self._port}; trying on (is it running, and the port right?)")

    def _disconnected(self, client: paho.Client, _: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure and self.problem is None:  # a refusal is followed by this, and says more
            self._tell(f"the broker at {self._host}:{self._port} was lost: {reason}; trying on")

    def _tell(self, problem: str) -> None:
        """Log a problem once, not at each attempt."""
        if self.problem != problem:
            log.warning("%s", problem)
        self.problem = problem


def visit(site: Site, topics: Topics, as_stranger: bool = False) -> Visit:
    """Connect once, beside a service that may run, and read what the broker keeps; nothing is published.

    as_stranger: with no name and password. Raises MqttError for settings that cannot be used, OSError (ssl.SSLError
    among them) where no broker answers as it should.
    """
    client = paho.Client(CallbackAPIVersion.VERSION2)
    _let_in(client, site)
    if as_stranger:
        client.username_pw_set(None)
    answers: queue.SimpleQueue[str | None] = queue.SimpleQueue()
    kept: dict[str, bytes] = {}
    client.on_connect = lambda _, data, flags, reason, more: answers.put(str(reason) if reason.is_failure else None)
    client.on_disconnect = lambda *_: answers.put("it ends the connection at once: does it ask for TLS?")
    client.on_message = lambda client, data, message: kept.update({message.topic: message.payload})
    client.connect(site.broker.host, site.broker.port)
    client.loop_start()
    try:
        refused = answers.get(timeout=VISIT_S)
        if refused is None and not as_stranger:
            client.subscribe([(topics.presence, 0), (topics.alarms, 0)])
            time.sleep(KEPT_COMES_S)
        return Visit(refused, kept)
    except queue.Empty:
        return Visit(f"no answer within {VISIT_S:g} s", kept)
    finally:
        client.disconnect()
        client.loop_stop()


def _let_in(client: paho.Client, site: Site) -> None:
    broker = site.broker
    password = broker.password
    if broker.password_file is not None:
        path = site.beside(broker.password_file)
        try:
            password = path.read_text().strip()
        except (OSError, UnicodeDecodeError) as error:
            raise MqttError(f"broker.password_file: {path} cannot be read: {error}") from None
    if broker.username is not None:
        client.username_pw_set(broker.username, password)
    elif password is not None:
        raise MqttError("broker.username: is missing; a password needs one")
    if broker.ca_file is not None:
        path = site.beside(broker.ca_file)
        try:
            client.tls_set(ca_certs=str(path))
        except (OSError, ssl.SSLError) as error:
            raise MqttError(f"broker.ca_file: {path} is no certificate file that can be read: {error}") from None
