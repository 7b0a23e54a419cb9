"""The daily word: what it says, when, to whom; and the sign of life to a watch elsewhere."""

from __future__ import annotations

import http.server
import threading
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from barreltide.core.event import AlarmChanged, CycleCounted, NightEnded
from barreltide.notices import daily_word
from barreltide.notices.heartbeat import Heartbeat
from barreltide.site import load
from barreltide.store import Store, Work
from conftest import SITE, until
from post import HOUR_S, Post

DAWN_S = datetime(2026, 9, 22, 6, 50, tzinfo=ZoneInfo("America/Los_Angeles")).timestamp()
PEOPLE = """
[[person]]
name = "anna"
urls = ["json://anna.example/"]
daily_word = "07:15"
[[person]]
name = "ben"
urls = ["json://ben.example/"]
order = 2
wakes = "09:00"
daily_word = "06:30"
[[person]]
name = "cleo"
urls = ["json://cleo.example/"]
"""


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE + PEOPLE)
    return load(tmp_path / "site.toml")


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "word.db")
    yield store
    store.close()


def fill(store: Store, now_s: float = DAWN_S, standing: bool = True) -> None:
    work, events = Work(), []
    series = store.series_id("barrels", "water/temperature", "Cel", work)
    work.readings = [(series, now_s - age_s, value) for age_s, value in ((90_000, 9.0), (50_000, 24.26), (60, 21.4))]
    events += [CycleCounted(now_s - 600 * n, "bed-1", n, 600.0, 300.0, 300.0, None, None) for n in range(1, 200)]
    night = "2026-09-21", now_s - 40_000, now_s - 1_200, 0.92, 0.708, 18.4, 12.114, 31.0
    events.append(NightEnded(now_s - 1_200, *night))
    for change, age_s, alarm, subject, message in (
        ("raised", 100_000, "water-too-warm", "sump", "The water was too warm. Shade it."),
        ("cleared", 99_000, "water-too-warm", "sump", "Back to normal."),
        ("raised", 20_000, "siphon-not-starting", "bed-1", "The siphon of bed-1 does not start. More."),
        ("cleared", 15_000, "siphon-not-starting", "bed-1", "Back to normal: it does."),
        ("raised", 7_000, "pump-stopped", "pump", "The pump stands still at 12.31 V. Go."),
    )[: 5 if standing else 4]:  # fmt: skip
        events.append(AlarmChanged(now_s - age_s, now_s - age_s, alarm, subject, change, "soon", message))
    work.events = [(store.next_event(), None, event) for event in events]
    store.commit(work)


def test_what_the_word_says(site, store):
    fill(store)
    over = AlarmChanged(DAWN_S - 3000, DAWN_S - 200_000, "battery-low", "battery", "cleared", "urgent",
                        "Back to normal: The battery is at its floor. It holds 46 %.")  # fmt: skip
    shelved = over._replace(alarm="sensor-fault", subject="sump/low", message="Shelved for 2 hours (rain): The sensor.")
    store.commit(Work(events=[(store.next_event(), None, event) for event in (over, shelved)]))
    title, body = daily_word.compose(site, store, DAWN_S, ["no SMS can be sent: no SIM in the modem"], "07:15")
    assert title == "garden: Daily word, 1 alarm stands."
    assert body.split("\n") == [
        "Battery: 71 % at dawn, lowest 12.11 V, 18 Ah used.",
        "Cycles in a day: bed-1 144.",
        "Water: 21.4 °C, from 21.4 to 24.3 in a day.",
        "Stands since Tue 04:53: The pump stands still at 12.31 V.",
        "Came and went, Tue 01:16: The siphon of bed-1 does not start.",
        "Over since Tue 06:00: The battery is at its floor.",
        "Wrong with the service: no SMS can be sent: no SIM in the modem.",
        "If no word comes tomorrow at 07:15, go and look.",
    ]


def test_a_word_goes_back_to_the_last_one_and_three_days_at_most(site, store):
    gone = AlarmChanged(DAWN_S - 97_200, DAWN_S - 100_000, "battery-low", "battery", "cleared", "urgent",
                        "Back to normal: The battery is at its floor.")  # fmt: skip
    older = gone._replace(time=DAWN_S - 300_000, alarm="sump-low", subject="sump", message="Back to normal: The sump.")
    store.commit(Work(events=[(store.next_event(), None, event) for event in (older, gone)]))
    last_words = (None, DAWN_S - 103_000, 0.0)
    asked = [daily_word.compose(site, store, DAWN_S, [], "07:15", told_s)[1] for told_s in last_words]
    assert ["at its floor" in body for body in asked] == [False, True, True]
    assert not any("The sump" in body for body in asked)


def test_on_a_good_day_and_on_the_first(site, store):
    title, body = daily_word.compose(site, store, DAWN_S, [], "07:15")
    assert title == "garden: Daily word, all is well."
    assert body.split("\n")[:2] == ["Battery: last night was not seen.", "Cycles in a day: bed-1 0."]
    fill(store, standing=False)
    assert daily_word.compose(site, store, DAWN_S, [], "07:15")[0] == "garden: Daily word, all is well."
    assert "has trouble" in daily_word.compose(site, store, DAWN_S, ["x"], "07:15")[0]


def test_a_bad_day_still_fits(site, store):
    work = Work()
    for n in range(40):
        for change in ("raised", "cleared") if n % 2 else ("raised",):
            event = AlarmChanged(DAWN_S - 900, DAWN_S, "sensor-fault", f"bed-{n}/high", change, "soon", "x" * 3000)
            work.events.append((store.next_event(), None, event))
    store.commit(work)
    lines = daily_word.compose(site, store, DAWN_S, ["y" * 3000] * 20, "07:15")[1].split("\n")
    assert len(lines) < 25 and max(len(line) for line in lines) <= 600 and lines.count("And 15 more.") == 2


class Words(Post):
    """A post office with the daily word among its chores."""

    def __init__(self, site, path, now_s):
        self.site = site
        super().__init__(path, [], now_s=now_s)

    def begin(self) -> None:
        self.people = type(self.people).of_site(self.site)
        super().begin()
        self.word = daily_word.DailyWord(self.site, self.store, list, lambda: self.now_s)

    def work(self) -> None:
        self.word.look()
        super().work()


@pytest.fixture
def words(site, tmp_path):
    here = Words(site, tmp_path / "words.db", DAWN_S - 6 * HOUR_S)
    yield here
    here.store.close()


def test_each_gets_one_at_the_hour_chosen_even_asleep(words):
    words.pass_time(72 * HOUR_S, 60)
    assert words.minutes("anna 1 json", DAWN_S) == [25, 25 + 1440, 25 + 2880]
    assert words.minutes("ben 1 json", DAWN_S) == [-20, -20 + 1440, -20 + 2880]
    assert words.letters("cleo 1 json") == []
    assert {letter.key for letter in words.letters("anna 1 json")} == {"daily-word-anna"}


def test_a_new_start_gives_no_second_word(words):
    words.pass_time(7 * HOUR_S, 300)
    assert len(words.letters("anna 1 json")) == 1
    for _ in range(3):
        words.begin()
        words.pass_time(600)
    assert len(words.letters("anna 1 json")) == 1


@pytest.mark.parametrize(("late_h", "given"), [(5, 1), (8, 0)])
def test_a_host_that_was_off_at_the_hour_gives_it_late_or_not_at_all(words, late_h, given):
    words.now_s = DAWN_S + (25 / 60 + late_h) * HOUR_S
    words.pass_time(600)
    assert len(words.letters("anna 1 json")) == given


def test_a_host_that_was_off_late_in_the_evening_gives_the_word_after_midnight(tmp_path):
    (tmp_path / "site.toml").write_text(SITE + PEOPLE.replace("07:15", "23:00"))
    words = Words(load(tmp_path / "site.toml"), tmp_path / "words.db", DAWN_S - 6 * HOUR_S)  # at ten to one
    words.pass_time(600)
    assert [letter.key for letter in words.letters("anna 1 json")] == ["daily-word-anna"]
    words.pass_time(21.5 * HOUR_S, 300)
    assert len(words.letters("anna 1 json")) == 1
    words.pass_time(HOUR_S, 300)
    assert len(words.letters("anna 1 json")) == 2
    words.store.close()


def test_a_word_that_could_not_be_told_gives_way_to_the_next(words):
    words.dead = {"anna 1 json"}
    words.pass_time(50 * HOUR_S, 300)
    words.dead = set()
    words.pass_time(HOUR_S, 60)
    assert len(words.told("anna 1 json")) == 1


def test_a_word_stays_whole_beside_an_alarm(words):
    words.dead = {"anna 1 json"}
    words.pass_time(7 * HOUR_S, 300)
    words.tell()
    words.dead = set()
    words.pass_time(HOUR_S, 60)
    letters = words.letters("anna 1 json")
    assert letters[0].title == "yard: Go now. pump-stopped pump."
    (word,) = [letter for letter in letters if letter.title == "garden: Daily word, all is well."]
    assert "Cycles in a day" in word.body and len(word.notices) == 1


class Watch:
    """A watch elsewhere, over HTTP."""

    def __init__(self, *answers: int) -> None:
        self.got, self.answers, watch = [], list(answers), self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                watch.got.append(self.path)
                self.send_response(watch.answers.pop(0) if watch.answers else 200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}/quince-secret"
        threading.Thread(target=self.server.serve_forever, args=(0.02,), daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


def test_a_sign_of_life_is_given_while_the_engine_judges(caplog):
    watch, stop, judging = Watch(), threading.Event(), [True]
    heart = Heartbeat(watch.url, 0.05, lambda: judging[0])
    thread = threading.Thread(target=heart.watch, args=(stop,))
    thread.start()
    until(lambda: len(watch.got) >= 3, "three signs")
    judging[0] = False
    stop.wait(0.3)
    seen = len(watch.got)
    stop.wait(0.3)
    assert len(watch.got) == seen, "an engine that stands still gives none"
    stop.set()
    thread.join(10)
    watch.close()
    assert not thread.is_alive() and set(watch.got) == {"/quince-secret"} and caplog.text == ""


def test_a_sign_that_is_not_taken_is_logged_once_without_the_secret(caplog):
    watch = Watch(500, 500, 200, 404)
    heart = Heartbeat(watch.url, 60, lambda: True)
    assert [heart.beat() for _ in range(4)] == [False, False, True, False]
    watch.close()
    assert not heart.beat() and not heart.beat()
    told = [record.getMessage() for record in caplog.records]
    start = "the heartbeat is not taken by http://127.0.0.1: "
    assert told == [start + "it answers 500", start + "it answers 404", start + "Connection refused"]
