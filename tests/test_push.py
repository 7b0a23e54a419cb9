"""Web Push to a push service of our own, which decrypts, checks signature and headers, and can lose its phone."""

from __future__ import annotations

import json
import os
import stat
import threading

import pytest

from barreltide.notices import notify, push
from barreltide.notices.outbox import Notice
from barreltide.notices.people import People, Way
from barreltide.notices.wording import Letter
from barreltide.site import Person
from barreltide.store import Store, Work
from push_service import PushService
from test_notify import until

NEVER = threading.Event()


@pytest.fixture
def services():
    made: list[PushService] = []

    def make(*answers: int) -> PushService:
        made.append(PushService(*answers))
        return made[-1]

    yield make
    for service in made:
        service.close()


def way(service: PushService, phone: int = 1) -> Way:
    return Way(f"push {phone}", "push", service.subscription["endpoint"], None, phone, service.subscription)


def letter(body: str = "Look at it.", priority: str = "urgent", kind: str = "failure", key: str = "pump-stopped-pump"):
    return Letter("yard: Go now. The pump – 12.3 V.", body, priority, kind, key, ("n1",))


def test_a_phone_can_read_it_and_knows_who_sent_it(services, tmp_path):
    service, sender = services(), push.Push(tmp_path / "store.db", contact="anna@garden.example")
    assert sender.send(way(service), letter(), NEVER) is None
    assert service.wrong == []
    (pushed,) = service.got
    assert pushed.shown["title"] == "yard: Go now. The pump – 12.3 V." and pushed.shown["body"] == "Look at it."
    assert pushed.claims["sub"] == "mailto:anna@garden.example"
    assert service.sender_key == sender.public_key(), "the key that the phone subscribed with"
    assert (pushed.headers["urgency"], pushed.headers["ttl"]) == ("high", "86400")
    assert pushed.shown["tag"] == pushed.headers["topic"]


def test_a_newer_one_takes_the_place_of_an_older_of_the_same_alarm_only(services, tmp_path):
    service, sender = services(), push.Push(tmp_path / "store.db")
    for message in (
        letter(), letter("again"), letter(priority="soon", key="bed-starved-mint", kind="warning"),
        letter(priority="note", key="daily-word-anna", kind="info"),
    ):  # fmt: skip
        assert sender.send(way(service), message, NEVER) is None
    topics = [pushed.headers["topic"] for pushed in service.got]
    assert topics[0] == topics[1] and len(set(topics)) == 3 and len({len(topic) for topic in topics} | {32}) == 1
    assert [pushed.headers["urgency"] for pushed in service.got] == ["high", "high", "normal", "low"]
    assert service.got[-1].headers["ttl"] == "43200"


@pytest.mark.parametrize("body", ["long " * 4000, "Насос " * 4000, '"\n' * 4000], ids=["long", "cyrillic", "escapes"])
def test_what_is_too_long_is_cut_and_still_arrives(services, tmp_path, body):
    service = services()
    assert push.Push(tmp_path / "store.db").send(way(service), letter(body), NEVER) is None
    assert service.wrong == [] and 2_000 < service.got[0].octets <= 4_096
    assert service.got[0].shown["body"].endswith("…")


def test_the_keys_are_made_once_and_are_nobody_elses(tmp_path):
    first = push.Push(tmp_path / "store.db").public_key()
    (file,) = tmp_path.iterdir()
    assert stat.S_IMODE(os.stat(file).st_mode) == 0o600
    assert push.Push(tmp_path / "store.db").public_key() == first and len(push._bytes(first)) == 65
    assert push.Push(tmp_path / "other.db").public_key() != first
    with pytest.raises(push.PushError, match="cannot be made: No such file or directory"):
        push.Push(tmp_path / "nowhere" / "store.db").public_key()
    file.write_text("{")
    with pytest.raises(push.PushError, match="store.db.push-keys: the keys for Web Push cannot be read"):
        push.Push(tmp_path / "store.db").public_key()


@pytest.mark.parametrize(
    ("status", "gone", "words"),
    [
        (404, True, "the phone has unsubscribed (404)"), (410, True, "the phone has unsubscribed (410)"),
        (429, False, "the push service answered 429"), (500, False, "the push service answered 500"),
        (403, False, "the push service answered 403"),
    ],
)  # fmt: skip
def test_what_a_push_service_refuses_is_told_without_the_address(services, tmp_path, status, gone, words):
    service = services(status)
    answer = push.Push(tmp_path / "store.db").send(way(service), letter(), NEVER)
    assert answer == words and isinstance(answer, notify.Gone) is gone


def test_a_push_service_that_cannot_be_reached(services, tmp_path):
    service = services()
    service.close()
    answer = push.Push(tmp_path / "store.db").send(way(service), letter(), NEVER)
    assert answer == "ConnectionError on the way to the push service"


def test_a_phone_that_is_gone_is_forgotten_and_the_others_are_told(services, tmp_path):
    gone, busy = services(410), services(500)
    store = Store(tmp_path / "store.db")
    for person, service in (("anna", gone), ("anna", busy)):
        store.add_phone(person, service.subscription, 1.0)
    people = People((), [Person(name="anna")])
    sender = push.Push(tmp_path / "store.db")
    notifier = notify.Notifier(people, store, "yard", senders={"push": sender.send})
    notify_at = notify.BACKOFF_S
    try:
        notify.BACKOFF_S = (0.1,) * 6
        notifier.start()
        until(lambda: len(notifier.health()) == 2)
        row = Notice("n1", 1, 1_800_000_000.0, "pump-stopped", "pump", "soon", "yard: Today. x.", "Look.")
        notifier.people.persons["anna"] = Person(name="anna", wakes="00:00", sleeps="00:00")
        store.commit(Work(notices=[row]))
        notifier.wake()
        until(lambda: busy.got and len(store.phones()) == 1)
        assert [row["channel"] for row in notifier.health()] == ["anna push 2"]
        states = {row["channel"]: row["state"] for row in store.notices()[0]["sendings"]}
        until(lambda: [s["state"] for s in store.notices()[0]["sendings"]] == ["given-up", "sent"])
        assert states["anna push 1"] == "given-up" and len(busy.got) == 1
    finally:
        notify.BACKOFF_S = notify_at
        notifier.stop()


GOOD = {"endpoint": "https://push.example/x", "keys": {"p256dh": "B" + "A" * 86, "auth": "A" * 22}}


@pytest.mark.parametrize(
    ("told", "words"),
    [
        (b"no json", "a JSON object with person"), (b"[]", "a JSON object"), (b'{"person": null}', "a JSON object"),
        ({"person": "zoe", "subscription": GOOD}, "person: found 'zoe'; a name of a [[person]], or null, would do"),
        ({"subscription": GOOD | {"endpoint": "http://push.example/"}}, "its endpoint is no https address"),
        ({"subscription": GOOD | {"endpoint": "file:///etc/passwd"}}, "its endpoint is no https address"),
        ({"subscription": GOOD | {"endpoint": "https://" + "x" * 2000}}, "its endpoint is no https address"),
        ({"subscription": GOOD | {"endpoint": 7}}, "a JSON object"),
        ({"subscription": GOOD | {"keys": {"p256dh": "AAAA", "auth": "A" * 22}}}, "its keys are not of Web Push"),
        ({"subscription": GOOD | {"keys": {"p256dh": "B" + "A" * 86, "auth": "A"}}}, "a JSON object"),
        ({"subscription": GOOD | {"keys": {"p256dh": "B" + "A" * 86, "auth": "AAAA"}}}, "its keys are not of Web"),
    ],
)  # fmt: skip
def test_a_subscription_that_is_none(told, words):
    with pytest.raises(push.PushError, match=words.replace("[", r"\[")) as error:
        push.read_subscription(told if isinstance(told, bytes) else json.dumps(told).encode(), ["anna"])
    assert error.value.status == 422 and "passwd" not in str(error.value)


def test_of_a_subscription_only_what_is_needed_is_kept():
    told = {"person": "anna", "subscription": GOOD | {"expirationTime": None, "more": "x" * 100}}
    assert push.read_subscription(json.dumps(told).encode(), ["anna"]) == ("anna", GOOD)
