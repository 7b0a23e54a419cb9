"""How often people are told: whole months of simulated gardens, one fault in each, through engine, outbox and rounds.

`python -m simulation.notices --seeds 0-33`, from tests/: 34 months are a thousand garden-days. The fault comes on the
second or third day and stays, as nobody repairs anything. Besides, every garden has its mishaps (run.py): nine outages
of the Wi-Fi a month, of a minute to three hours, and reboots; `--calm` leaves them out, so that the fault is the only
one, beside what the drawn battery is too small for.

Two people, by the garden's own clock: Anna is asked first and has a daily word, Ben is asked next. One message in four
is not heard. Who hears something urgent answers it some time later: half of them within a quarter of an hour by day and
half an hour by night, one in six not within twice that (`--answer-min` for other medians; a judgement without source).
Counted are messages by any one way of a person, each of which makes the phone ring; the daily word has a column of its
own. A message is without a cause when the truth of the garden bears out none of the alarms in it (score.py).
"""

from __future__ import annotations

import argparse
import hashlib
import statistics
import tempfile
from collections import Counter
from datetime import datetime
from functools import cache
from math import ceil, exp
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import NamedTuple

from barreltide import core
from barreltide.core.alarm import TABLE
from barreltide.core.event import AlarmChanged
from barreltide.notices import wording
from barreltide.notices.outbox import Answer, Notice
from barreltide.store import Work
from post import Post

from .fault import KINDS, Stage
from .run import plan_for, simulate
from .score import judge_in_process, kept, score, seeds

DAYS = 30.0
PEOPLE = (
    {"name": "anna", "urls": ["json://anna.example/"], "order": 1, "daily_word": "07:30"},
    {"name": "ben", "urls": ["json://ben.example/"], "order": 2},
)
WORD_AT = 7.5  # o'clock, Anna's
ANSWER_MIN, ASLEEP, SPREAD, UNHEARD = 15.0, 2.0, 0.7, 0.25  # SPREAD: of the logarithm
SORTS = ("first", "again", "next person", "over", "over, next person")


class Judged(NamedTuple):
    """What the engine made of one month. alarms: as `replay` prints them; false: what the truth of the garden does not
    bear out (Score.false)."""

    start_s: float
    end_s: float
    zone: str
    alarms: list[dict]
    false: list[str]


class Month(NamedTuple):
    """told: messages by person; words: daily words; sorts: of all messages by (alarm, one of SORTS); together: messages
    with more than one alarm in them; without: the alarms of the messages without a cause; alarms: raised."""

    seed: int
    kind: str
    told: dict[str, int]
    words: int
    sorts: Counter
    together: int
    without: Counter
    alarms: int


def play(seed: int, keep: str = "", calm: bool = False, answer_min: float = ANSWER_MIN) -> Month:
    kind = sorted(KINDS)[seed % len(KINDS)] if seed % (len(KINDS) + 1) else None
    name = f"month-{seed}{'-calm' if calm else ''}"
    judged = kept(keep, f"{name}-judged-{_engine()}", lambda: _judge(seed, kind, keep, calm))
    with tempfile.TemporaryDirectory() as folder:
        post = Post(Path(folder) / "post.db", PEOPLE, now_s=judged.start_s, zone=judged.zone)
        bad = _Month(post, judged, Random(f"notices {seed}"), answer_min).go()
        post.store.close()
    rings = [(channel.split()[0], letter) for _, channel, letter in post.got if letter.key[:10] != "daily-word"]
    told = {person["name"]: sum(who == person["name"] for who, _ in rings) for person in PEOPLE}
    sorts = Counter((_alarm(letter.key), _sort(who, letter)) for who, letter in rings)
    together = sum(len({notice.rsplit("-", 1)[0] for notice in _raisings(letter)}) > 1 for _, letter in rings)
    without = Counter(_alarm(letter.key) for _, letter in rings if all(name in bad for name in letter.notices))
    raised = sum(event["change"] == "raised" for event in judged.alarms)
    return Month(seed, kind or "healthy", told, len(post.got) - len(rings), sorts, together, without, raised)


def _judge(seed: int, kind: str | None, keep: str, calm: bool) -> Judged:
    name = f"month-{seed}{'-calm' if calm else ''}"
    run = kept(keep, name, lambda: simulate(plan_for(seed, kind), DAYS, kind, planted=_no_mishaps if calm else None))
    events = judge_in_process(run)
    alarms = [event | {"evidence": ()} for event in events if event["event"] == "alarm"]
    return Judged(run.start_s, run.end_s, run.plan.time_zone, alarms, score(run, seed, events).false)


@cache
def _engine() -> str:
    """Changes with anything that judges."""
    files = sorted(Path(core.__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:12]


def _no_mishaps(stage: Stage) -> None:
    """What was drawn is taken back at the first step; the fault's own outages come later."""
    stage.after(0.0, lambda: (stage.station.outages.clear(), stage.station.reboots.clear()))


class _Month:
    """Lets a month pass. bad: the notices without a cause."""

    def __init__(self, post: Post, judged: Judged, rng: Random, answer_min: float) -> None:
        self.post, self.judged, self.rng, self.answer_min = post, judged, rng, answer_min
        self.causeless = {" ".join(text.split()[:3]).rstrip(":") for text in judged.false}
        self.bad: set[str] = set()
        self.newest: dict[tuple[str, str], str] = {}  # the last raising of each alarm
        self.about: dict[str, tuple[str, str]] = {}
        self.answers: list[tuple[float, str]] = []
        self.seen = 0
        midnight = datetime.fromtimestamp(post.now_s, post.people.zone).replace(hour=0, minute=0, second=0)
        first_s = midnight.timestamp() + 3600 * WORD_AT
        self.words = [first_s + 86400 * day for day in range(1, int(DAYS) + 1)]

    def go(self) -> set[str]:
        for line in self.judged.alarms:
            self._pass_time(line["time"])
            self._put(line)
        self._pass_time(self.judged.end_s)
        return self.bad

    def _pass_time(self, until_s: float) -> None:
        post = self.post
        while post.now_s < until_s:
            busy = post.store.notices_to_plan() or post.store.waiting_channels()
            ahead = [at_s for at_s in (*self.words, *(at_s for at_s, _ in self.answers)) if at_s > post.now_s]
            post.now_s = min(post.now_s + (30.0 if busy else 600.0), until_s, *ahead)
            if post.now_s in self.words:
                name = f"daily-word-anna-{post.now_s:.0f}"
                row = Notice(name, 0, post.now_s, "daily-word", "anna", "note", "yard: Daily word.", "", "word")
                post.store.put_notice(row)
            self._let_answer()
            post.work()
            self._let_hear()

    def _let_answer(self) -> None:
        for answer in [answer for answer in self.answers if answer[0] <= self.post.now_s]:
            self.answers.remove(answer)
            if self.newest[self.about[answer[1]]] == answer[1]:  # an answer is for one raising only
                self.post.store.commit(Work(answers=[Answer(*self.about[answer[1]], self.post.now_s)]))

    def _let_hear(self) -> None:
        for time_s, channel, letter in self.post.got[self.seen :]:
            urges = letter.priority == "urgent" and letter.kind == "failure"
            if urges and self.rng.random() >= UNHEARD:
                awake = self.post.people.is_awake(channel.split()[0], time_s)
                wait_s = 60 * self.answer_min * (1.0 if awake else ASLEEP) * exp(self.rng.gauss(0, SPREAD))
                self.answers += [(time_s + wait_s, notice) for notice in _raisings(letter)]
        self.seen = len(self.post.got)

    def _put(self, line: dict) -> None:
        event = AlarmChanged(*(line[name] for name in AlarmChanged._fields[:7]))
        title, body = wording.compose(event, "yard", self.judged.zone)
        name = f"{event.alarm}-{event.subject}-{event.time:.0f}{'-over' if event.change == 'cleared' else ''}"
        row = Notice(name, 1, event.time, event.alarm, event.subject, event.priority, title, body, event.change)
        self.post.store.commit(Work(notices=[row]))
        if event.change == "raised":
            self.newest[event.alarm, event.subject] = name
            self.about[name] = event.alarm, event.subject
        day = (event.time - self.judged.start_s) / 86400
        if f"{event.alarm}/{event.subject} day {day:.2f}" in self.causeless:
            self.bad.add(name)


def _raisings(letter) -> list[str]:
    return [notice for notice in letter.notices if not notice.endswith("-over")]


def _alarm(key: str) -> str:
    return max((alarm for alarm in TABLE if key.startswith(alarm)), key=len, default=key)


def _sort(who: str, letter) -> str:
    first = who == PEOPLE[0]["name"]
    if letter.kind == "success":
        return "over" if first else "over, next person"
    if "Still: " in letter.title:
        return "again"
    return "first" if first else "next person"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seeds, default=seeds("0-33"), help="first-last, a month each")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="keep simulated gardens there, and use them again")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--calm", action="store_true", help="no mishaps beside the fault")
    parser.add_argument("--answer-min", type=float, default=ANSWER_MIN, metavar="MINUTES", help="median, by day")
    parser.add_argument("--verbose", action="store_true", help="each month")
    given = parser.parse_args()
    if given.keep:
        Path(given.keep).mkdir(parents=True, exist_ok=True)
    months = []
    with Pool(given.processes) as pool:
        tasks = [(seed, given.keep, given.calm, given.answer_min) for seed in given.seeds]
        for month in pool.imap_unordered(_play, tasks):
            months.append(month)
            if given.verbose:
                print(f"seed {month.seed:3} {month.kind:24} {month.alarms:3} alarms, told {month.told}, "
                      f"without a cause {dict(month.without)}", flush=True)  # fmt: skip
    print_summary(months)


def _play(arguments: tuple) -> Month:
    return play(*arguments)


def print_summary(months: list[Month]) -> None:
    print(f"{len(months)} months, {len(months) * DAYS:.0f} garden-days; messages a month:")
    for person in PEOPLE:
        counts = sorted(month.told[person["name"]] for month in months)
        print(f"  {person['name']:6} median {statistics.median(counts):4.1f}   mean {statistics.mean(counts):4.1f}   "
              f"nine in ten at most {counts[ceil(0.9 * len(counts)) - 1]}   most {counts[-1]}   "
              f"none in {counts.count(0)} of {len(counts)}")  # fmt: skip
    words = statistics.mean(month.words for month in months)
    print(f"  beside {words:.0f} daily words to Anna; {sum(month.together for month in months)} messages told of more"
          " than one alarm")  # fmt: skip
    sorts = sum((month.sorts for month in months), Counter())
    print(f"  {'':24}" + "".join(f"{sort:>20}" for sort in SORTS))
    for alarm in [*sorted({alarm for alarm, _ in sorts}, key=lambda a: -sum(sorts[a, s] for s in SORTS)), "all"]:
        row = [sum(n for key, n in sorts.items() if key[1] == sort and alarm in (key[0], "all")) for sort in SORTS]
        print(f"  {alarm:24}" + "".join(f"{number:>20}" for number in row))
    without = sum((month.without for month in months), Counter())
    print(f"  without a cause: {sum(without.values())} {dict(without.most_common())}")


if __name__ == "__main__":
    main()
