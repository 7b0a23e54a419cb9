"""The outbox through every failure that we can make: nothing lost, order kept, no flood."""

from __future__ import annotations

import sqlite3
from itertools import count

import pytest

from post import ANNA, BEN, HOUR_S, Post

PEOPLE = (ANNA, BEN | {"order": 1})
CHANNELS = ("1 json", "anna 1 json", "ben 1 json", "ben 2 mailto")


def story(here: Post, between=lambda: None) -> list[str]:
    """A day of alarms; the ids of their notices in order."""
    names = []
    for change, priority, subject in (
        ("raised", "urgent", "pump"), ("raised", "soon", "bed-1"), ("cleared", "urgent", "pump"),
        ("raised", "urgent", "pump"), ("cleared", "urgent", "pump"), ("raised", "note", "bed-2"),
    ):  # fmt: skip
        names.append(here.tell(change, priority, subject))
        between()
        here.now_s += 90
    return names


@pytest.fixture
def post(tmp_path):
    made: list[Post] = []

    def make(name: str = "post", **options) -> Post:
        made.append(Post(tmp_path / f"{name}.db", PEOPLE, ["json://all.example/"], **options))
        return made[-1]

    yield make
    for each in made:
        each.store.close()


def in_order(told: list[str], names: list[str]) -> bool:
    """Whether first tellings came in the order of birth (a repetition may come again later)."""
    return list(dict.fromkeys(told)) == names


@pytest.mark.parametrize("hours", [1, 24])
def test_a_network_that_was_gone_brings_one_message_with_everything_in_order(post, hours):
    here = post()
    here.dead = set(CHANNELS)
    names = story(here, here.work)
    here.pass_time(hours * HOUR_S, 60)
    assert here.got == [] and here.tries < 4 * (hours * 4 + 40), "and it was not hammered at meanwhile"
    here.dead = set()
    here.pass_time(HOUR_S)
    for channel in CHANNELS:
        assert in_order(here.told(channel), names), channel
        assert len(here.letters(channel)) == 1
        assert "to Tue" in here.letters(channel)[0].body, "with the times in it"


def test_one_dead_channel_holds_up_no_other_and_keeps_its_own_order(post):
    here = post()
    here.dead = {"ben 1 json"}
    names = story(here, here.pass_time)
    assert in_order(here.told("anna 1 json"), names) and len(here.letters("anna 1 json")) > 1
    here.pass_time(24 * HOUR_S, 60)
    here.dead = set()
    here.pass_time(HOUR_S)
    assert in_order(here.told("ben 1 json"), names) and len(here.letters("ben 1 json")) == 1


@pytest.mark.parametrize("answer", ["not taken", "500, though it was taken"])
def test_the_nth_sending_fails(post, answer):
    for n in count(1):
        here = post(f"send-{n}")
        here.failing = lambda number, n=n: answer if number == n else None
        names = story(here, here.pass_time)
        here.pass_time(HOUR_S)
        if here.tries < n:  # there is no n-th any more: all have failed in their turn
            assert n > len(CHANNELS) * 4
            break
        for channel in CHANNELS:
            assert in_order(here.told(channel), names), (n, channel)
            again = 1 if answer != "not taken" else 0
            assert len(here.told(channel)) <= len(names) + again * 6, "sent once more at the most, under the same ids"


WRITES = ("carry_out", "mark_sent", "mark_failed")  # the notifier's; the writer's own commits: test_service.py


def test_the_nth_write_fails(post, monkeypatch):
    """The n-th write of the outbox fails, for n = 1, 2, 3 …; the service goes on."""
    monkeypatch.setattr("barreltide.notices.notify.LOOK_AGAIN_S", 0)
    for n in count(1):
        here, writes = post(f"write-{n}"), count(1)
        for name in WRITES:

            def failing(*arguments, write=getattr(here.store, name), writes=writes, n=n):
                if next(writes) == n:
                    raise sqlite3.OperationalError("database or disk is full")
                write(*arguments)

            setattr(here.store, name, failing)
        work = here.work

        def patient(work=work):
            try:
                work()
            except sqlite3.OperationalError:
                work()

        here.work = patient
        names = story(here, here.pass_time)
        here.pass_time(HOUR_S)
        if next(writes) <= n:
            assert n > 2 * len(names)
            break
        for channel in CHANNELS:
            assert here.told(channel) == names, (n, channel)


class Killed(BaseException):
    """kill -9: nothing after it runs."""


@pytest.mark.parametrize("before", [True, False], ids=["before the write", "after the write"])
def test_killed_at_the_nth_write(post, before):
    """The service is killed at its n-th write, for n = 1, 2, 3 …, and starts again: all is told, in order."""
    for n in count(1):
        here, writes = post(f"kill-{n}"), count(1)

        def arm(here=here, writes=writes, n=n):
            for name in WRITES:

                def dying(*arguments, write=getattr(here.store, name)):
                    number = next(writes)
                    if number == n and before:
                        raise Killed
                    write(*arguments)
                    if number == n:
                        raise Killed

                setattr(here.store, name, dying)

        arm()

        def work(here=here, work=here.work):
            try:
                work()
            except Killed:
                here.begin()
                work()

        here.work = work
        names = story(here, here.pass_time)
        here.pass_time(HOUR_S)
        if next(writes) <= n:
            assert n > 2 * len(names)
            break
        for channel in CHANNELS:
            assert in_order(here.told(channel), names), (n, channel)
            assert len(here.told(channel)) <= len(names) + 1, "a notice twice at the most, under the same id"


def test_what_is_under_way_when_it_is_over_is_followed_by_its_end(post):
    """The alarm is cleared while its `soon` notice is being handed over: who gets it must hear the end too."""
    here = post()
    send = here._send

    def slow(way, letter, stop):
        if way.channel == "anna 1 json" and not here.letters("anna 1 json"):
            here.tell("cleared", "soon", "bed-1")
            here.notifier.plan()
        return send(way, letter, stop)

    here.notifier._senders = dict.fromkeys(("url", "sms", "push"), slow)
    here.tell("raised", "soon", "bed-1")
    here.pass_time(60)
    assert [letter.kind for letter in here.letters("anna 1 json")] == ["warning", "success"]
    assert here.letters("ben 1 json") == [], "he had not been told"


def test_the_link_to_answer_goes_to_a_person_and_not_to_everybody(post):
    here = post()
    here.notifier._link = lambda alarm, subject, raised_s, person: f"Answer: http://here/{alarm}/{raised_s:.0f}/{person}"
    here.tell()
    here.pass_time()
    assert f"Answer: http://here/pump-stopped/{here.now_s:.0f}/anna" in here.letters("anna 1 json")[0].body
    assert "Answer" not in here.letters("1 json")[0].body
    here.tell("cleared")
    here.pass_time()
    assert "Answer" not in here.letters("anna 1 json")[1].body


def test_a_link_says_where_it_answers_only_one_of_several_alarms(post):
    here = post()
    here.notifier._link = lambda alarm, subject, raised_s, person: f"Answer: http://here/{alarm}"
    here.dead.add("anna 1 json")
    here.tell()
    here.tell(subject="battery", alarm="battery-low")
    here.pass_time(20)
    here.dead.clear()
    here.pass_time(120)
    body = here.letters("anna 1 json")[0].body
    assert "answers the first of these alarms only; the page answers each.\nAnswer: http://here/pump-stopped" in body
