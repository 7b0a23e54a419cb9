"""How often people are told: whole months of simulated gardens, one fault in each, through engine, outbox and rounds.

`python -m simulation.notices --seeds 0-33`, from tests/: 34 months are a thousand garden-days. Two people: Anna is
asked first, Ben next. Whoever is told of something urgent answers it, a quarter of an hour later by day and half an
hour later by night; every fourth time Anna does not hear it. Nobody repairs anything, as the simulated fault stays: so
what is counted is the telling, not the mending. Counted are messages by any one way of a person, without the daily
word. A message is without a cause when the truth of the garden bears out none of the alarms in it (score.py).
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections import Counter
from multiprocessing import Pool
from pathlib import Path
from random import Random
from typing import NamedTuple

from barreltide.core.alarm import TABLE
from barreltide.core.event import AlarmChanged
from barreltide.notices import wording
from barreltide.notices.outbox import Answer, Notice
from barreltide.store import Work
from post import Post

from .fault import KINDS
from .run import plan_for, simulate
from .score import judge_in_process, kept, score, seeds

DAYS = 30.0
PEOPLE = (
    {"name": "anna", "urls": ["json://anna.example/"], "order": 1},
    {"name": "ben", "urls": ["json://ben.example/"], "order": 2},
)
ANSWERED_S, ANSWERED_ASLEEP_S, UNHEARD = 900.0, 1800.0, 0.25


class Month(NamedTuple):
    """told: messages by person; sorts: of all of them, by what they were; firsts: the first tellings, by alarm;
    without: messages without a cause; alarms: raised."""

    seed: int
    kind: str
    told: dict[str, int]
    sorts: dict[str, int]
    firsts: dict[str, int]
    without: int
    alarms: int


def play(seed: int, keep: str = "") -> Month:
    rng = Random(f"notices {seed}")
    kind = sorted(KINDS)[seed % len(KINDS)] if seed % (len(KINDS) + 1) else None
    run = kept(keep, f"month-{seed}", lambda: simulate(plan_for(seed, kind), DAYS, kind))
    events = judge_in_process(run)
    result = score(run, seed, events)
    causeless = {" ".join(text.split()[:3]).rstrip(":") for text in result.false}
    alarms = [event for event in events if event["event"] == "alarm"]
    with tempfile.TemporaryDirectory() as folder:
        post = Post(Path(folder) / "post.db", PEOPLE, now_s=run.start_s)
        bad = _deliver(post, run, alarms, causeless, rng)
        post.store.close()
    told = {person["name"]: len(post.letters(f"{person['name']} 1 json")) for person in PEOPLE}
    sorts = Counter(_sort(letter) for _, _, letter in post.got)
    firsts = Counter(letter.notices[-1].rsplit("-", 1)[0] for _, _, letter in post.got if "first" in _sort(letter))
    without = sum(all(notice in bad for notice in letter.notices) for _, _, letter in post.got)
    raised = sum(event["change"] == "raised" for event in alarms)
    return Month(seed, kind or "healthy", told, sorts, firsts, without, raised)


def _deliver(post: Post, run, alarms: list[dict], causeless: set[str], rng: Random) -> set[str]:
    """Let the month pass; the notices without a cause."""
    bad: set[str] = set()
    answers: list[tuple[float, str, str]] = []
    seen = 0
    for line in [*alarms, None]:
        until_s = line["time"] if line else run.end_s
        while post.now_s < until_s:
            busy = post.store.notices_to_plan() or post.store.waiting_channels()
            step_s = 30.0 if busy else 600.0
            post.now_s = min(post.now_s + step_s, until_s, *(at_s for at_s, *_ in answers if at_s > post.now_s))
            for answer in [answer for answer in answers if answer[0] <= post.now_s]:
                answers.remove(answer)
                post.store.commit(Work(answers=[Answer(*answer[1:], post.now_s)]))
            post.work()
            for time_s, channel, letter in post.got[seen:]:
                heard = letter.priority == "urgent" and letter.kind == "failure"
                if heard and (channel.startswith("ben") or rng.random() > UNHEARD):
                    wait_s = ANSWERED_S if post.people.is_awake("anna", time_s) else ANSWERED_ASLEEP_S
                    answers += [(time_s + wait_s, *_about(post, notice)) for notice in letter.notices]
            seen = len(post.got)
        if line is not None:
            name = _put(post, line)
            day = (line["time"] - run.start_s) / 86400
            if f"{line['alarm']}/{line['subject']} day {day:.2f}" in causeless:
                bad.add(name)
    return bad


def _put(post: Post, line: dict) -> str:
    event = AlarmChanged(*(line[name] for name in AlarmChanged._fields[:7]))
    title, body = wording.compose(event, "yard", "UTC")
    name = f"{event.alarm}-{event.subject}-{event.time:.0f}{'-over' if event.change == 'cleared' else ''}"
    row = Notice(name, 1, event.time, event.alarm, event.subject, event.priority, title, body, event.change)
    post.store.commit(Work(notices=[row]))
    return name


def _about(post: Post, notice: str) -> tuple[str, str]:
    return next((row["alarm"], row["subject"]) for row in post.store.notices(1000) if row["id"] == notice)


def _sort(letter) -> str:
    if letter.kind == "success":
        return "back to normal"
    again = "Still: " in letter.title
    return f"{letter.priority}, again" if again else f"{letter.priority}, first"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=seeds, default=seeds("0-33"), help="first-last, a month each")
    parser.add_argument("--keep", default="", metavar="FOLDER", help="keep simulated gardens there, and use them again")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--verbose", action="store_true", help="each month")
    given = parser.parse_args()
    months = []
    with Pool(given.processes) as pool:
        for month in pool.imap_unordered(_play, [(seed, given.keep) for seed in given.seeds]):
            months.append(month)
            if given.verbose:
                print(f"seed {month.seed:3} {month.kind:24} {month.alarms:3} alarms, told {month.told}, "
                      f"{month.without} without a cause", flush=True)  # fmt: skip
    print_summary(months)


def _play(arguments: tuple[int, str]) -> Month:
    return play(*arguments)


def print_summary(months: list[Month]) -> None:
    print(f"{len(months)} months, {len(months) * DAYS:.0f} garden-days; messages a month:")
    for person in PEOPLE:
        counts = sorted(month.told[person["name"]] for month in months)
        print(f"  {person['name']:8} median {statistics.median(counts):4.1f}   mean {statistics.mean(counts):4.1f}   "
              f"most {counts[-1]}   none in {counts.count(0)} of {len(counts)}")  # fmt: skip
    sorts = sum((Counter(month.sorts) for month in months), Counter())
    print("  " + ", ".join(f"{sort} {count}" for sort, count in sorts.most_common()))
    firsts = sum((Counter(month.firsts) for month in months), Counter())
    by_alarm = Counter()
    for name, count in firsts.items():
        by_alarm[next((alarm for alarm in TABLE if name.startswith(alarm)), name)] += count
    print("  first tellings: " + ", ".join(f"{name} {count}" for name, count in by_alarm.most_common()))
    print(f"  without a cause: {sum(month.without for month in months)}")


if __name__ == "__main__":
    main()
