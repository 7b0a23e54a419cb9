"""The command line. Imports late, so that each command loads only what it needs."""

from __future__ import annotations

import argparse
import datetime
import json
import logging
import os
import sys
import time
import zoneinfo
from collections.abc import Callable
from typing import Any

from . import __version__
from .site import Site, SiteError, load


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status: 0, or 2 with one line on standard error."""
    options = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="barreltide: %(message)s", stream=sys.stderr)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    try:
        return options.run(options)
    except SiteError as error:
        return _fail(error)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # `| head` has seen enough; Python would complain again when it flushes at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="barreltide", description="Watches flood-and-drain beds and the solar battery that lifts their water."
    )
    parser.add_argument("--version", action="version", version=f"barreltide {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int], about: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about)
        sub.set_defaults(run=run)
        return sub

    def late(name: str) -> Callable[[argparse.Namespace], int]:
        def run(options: argparse.Namespace) -> int:
            from .commands import alarm_commands

            try:
                return getattr(alarm_commands, name)(load(options.site), options)
            except alarm_commands.Failed as error:
                return _fail(error)

        return run

    serve = command("serve", _serve, "Run the service until SIGTERM or Ctrl-C.")
    replay = command("replay", _replay, "Run a recording through the engine and print what it finds.")
    replay.add_argument(
        "recording", metavar="RECORDING", help="JSON Lines, gzipped if it ends in .gz; - for standard input"
    )
    replay.add_argument("--until", metavar="TIME", type=_time, help="stop there: Unix seconds, or ISO 8601 with zone")
    replay.add_argument("--json", action="store_true", help="one JSON object a line")
    replay.add_argument(
        "--explain", action="store_true", help="for each alarm what speaks for and against each cause that was weighed"
    )
    export = command("export", _export, "Print what the store holds as a recording.")
    export.add_argument(
        "--all", action="store_true", help="presence, starts and the grower's words too, not only packs"
    )
    export.add_argument("--out", metavar="FILE", help="write there instead of to standard output")
    nights = command("nights", _nights, "Print what the battery did in the last nights.")
    nights.add_argument("--last", metavar="N", type=_count, default=14, help="so many nights (default: 14)")
    nights.add_argument("--json", action="store_true", help="one JSON object a line")
    alarms = command("alarms", late("alarms"), "Print what stands, what waits for an answer, and what is put aside.")
    alarms.add_argument("--all", action="store_true", help="the journal: every raising, clearing and answer")
    alarms.add_argument(
        "--statistics", action="store_true", help="the journal's measures: alarms a day, the worst, time to acknowledge"
    )
    alarms.add_argument("--days", metavar="N", type=_days, default=30.0, help="of statistics (default: 30)")
    alarms.add_argument("--json", action="store_true", help="one JSON object a line")
    acknowledge = command("acknowledge", late("acknowledge"), "Say that you know of an alarm and see to it.")
    shelve = command("shelve", late("shelve"), "Put an alarm aside for a while; it comes back by itself.")
    shelve.add_argument("--hours", metavar="N", type=float, required=True, help="for so long")
    aside = command("out-of-service", late("put_aside"), "Put an alarm aside until you take it back with unshelve.")
    unshelve = command("unshelve", late("unshelve"), "Take back an alarm that is shelved or out of service.")
    for sub in (acknowledge, shelve, aside, unshelve):
        sub.add_argument("alarm", metavar="ALARM", nargs="?" if sub is acknowledge else None)
        sub.add_argument("subject", metavar="SUBJECT", nargs="?" if sub is acknowledge else None)
        sub.add_argument("--who", metavar="NAME", default=None, help="instead of your name on this computer")
    acknowledge.add_argument("--all", action="store_true", help="whatever waits for it")
    for sub in (shelve, aside):
        sub.add_argument("--reason", metavar="TEXT", required=True, help="why, for whoever looks next")
    maintenance = command(
        "maintenance",
        late("maintenance"),
        "Hold back what a pump that you switch off would raise; told if no water comes back.",
    )
    maintenance.add_argument("--pump", metavar="NAME", help="which, where there are several")
    maintenance.add_argument("--minutes", metavar="N", type=float, default=30.0, help="at most so long (default: 30)")
    rest = command(
        "rest-test", _rest_test, "Walk through a rest of the pump, to see the battery's voltage without its load."
    )
    rest.add_argument("--minutes", metavar="N", type=float, help="so long, instead of what is safe for the fish")
    note = command("note", _note, "Pin a note to a moment, so that before and after can be compared.")
    note.add_argument("text", metavar="TEXT", help="what was done or seen, in up to 200 characters")
    note.add_argument("--bed", metavar="BED", help="where; left out: the whole garden")
    note.add_argument("--at", metavar="TIME", help="when, like 14:30 or 2026-07-01T14:30; left out: now")
    note.add_argument("--who", metavar="NAME", default=None, help="instead of your name on this computer")
    answers = (note, alarms, acknowledge, shelve, aside, unshelve, maintenance)
    notices = command("notify", _notify, "Send a test through every notice channel and print each one's answer.")
    notices.add_argument("--test", action="store_true", required=True, help="send it; the only thing that there is")
    for sub in (serve, replay, export, nights, rest, notices, *answers):
        sub.add_argument("--site", metavar="SITE.toml", required=True, help="the site file")
    demo = command("demo", _demo, "Show the whole chain on an invented garden, faster than life.")
    demo.add_argument("--seed", metavar="N", type=int, help="another garden for another number")
    demo.add_argument("--speed", metavar="N", type=float, help="times faster than life")
    return parser


def _time(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        pass
    try:
        moment = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no time; Unix seconds or 2026-07-01T05:00:00+02:00 would do"
        ) from None
    if moment.tzinfo is None:
        raise argparse.ArgumentTypeError(f"{text!r} has no zone; {text}Z or {text}+02:00 would do")
    return moment.timestamp()


def _count(text: str) -> int:
    try:
        if 1 <= int(text) <= 10_000:
            return int(text)
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is no number of nights; 1 to 10000 would do")


def _days(text: str) -> float:
    try:
        if 0 < float(text) <= 3660:
            return float(text)
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is no number of days; more than 0, at most 3660, would do")


def _fail(problem: object) -> int:
    print(f"barreltide: {problem}", file=sys.stderr)
    return 2


def _serve(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .broker import BrokerError
    from .mqtt import MqttError
    from .notices.notify import NotifyError
    from .service import Service
    from .store import StoreError
    from .web.app import WebError

    try:
        return Service(site).run()
    except (BrokerError, MqttError, NotifyError, StoreError, WebError) as error:
        return _fail(error)


def _replay(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .core.event import ASIDE, BESIDE, as_line
    from .recording import RecordingError, replay

    zone = zoneinfo.ZoneInfo(site.time_zone)
    try:
        for event in replay(
            options.recording, site, options.until, lambda line: print(f"barreltide: {line}", file=sys.stderr)
        ):
            line = as_line(event)
            if options.json and event.kind in ASIDE and not options.explain:
                continue
            if options.json:
                left_out = BESIDE if not options.explain else () if line.get("evidence") else ("evidence",)
                shown = {name: value for name, value in line.items() if name not in left_out}
                print(json.dumps(shown, ensure_ascii=False))
                continue
            evidence = line.pop("evidence", [])
            print(_in_words(line, zone))
            if options.explain:
                print("".join(_explained(cause) for cause in evidence), end="")
        sys.stdout.flush()
    except RecordingError as error:
        sys.stdout.flush()
        return _fail(error)
    return 0


def _in_words(line: dict[str, Any], zone: zoneinfo.ZoneInfo) -> str:
    when, kind = _moment(line.pop("time"), zone), line.pop("event")
    if kind == "alarm":
        since = _moment(line["since"], zone)
        about = f"{line['change']} {line['alarm']} {line['subject']} ({line['priority']}), since {since}"
        return f"{when}  {kind:<8}{about}: {line['message']}"
    if kind == "answer":
        from .commands.alarms import in_words

        return f"{when}  {kind:<8}{line['change']} {line['alarm']} {line['subject']}{in_words(line, zone)}"
    if kind == "siphon":
        return f"{when}  {kind:<8}{line['change']} {line['sign']} {line['bed']}: {line['message']}"
    rest = "  ".join(f"{name}={value}" for name, value in line.items() if value is not None)
    return f"{when}  {kind:<8}{rest}"


def _moment(time_s: float, zone: datetime.tzinfo) -> str:
    return f"{datetime.datetime.fromtimestamp(time_s, zone):%Y-%m-%d %H:%M:%S %Z}"


def _explained(cause: dict[str, Any]) -> str:
    """One cause of an alarm's evidence, as lines of text."""
    from .core.alarm import TABLE

    about = TABLE[cause["alarm"]].about.format(cause["subject"])
    lines = [f"{'':10}{100 * cause['share']:4.0f} %  {about}"]
    for name, told in (("for", cause["speaks_for"]), ("against", cause["speaks_against"])):
        lines += [f"{'':18}{name + ':':8} {words}" for words in told]
    return "".join(f"{line}\n" for line in lines)


def _export(options: argparse.Namespace) -> int:
    site: Site = load(options.site)
    from .pack import Topics
    from .recording import export
    from .store import Store, StoreError

    if not site.store_path.exists():
        return _fail(f"{site.store_path}: no store there yet; `barreltide serve` makes it")
    try:
        store, topics = Store(site.store_path), Topics.of_site(site)
        if options.out is None:
            export(store, topics, sys.stdout, options.all)
            sys.stdout.flush()
        else:
            with open(options.out, "w", encoding="utf-8") as out:
                export(store, topics, out, options.all)
    except StoreError as error:
        return _fail(error)
    except BrokenPipeError:
        raise
    except OSError as error:
        return _fail(f"{options.out}: cannot be written: {error.strerror}")
    return 0


def _nights(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .commands import nights
    from .commands.client import Client, ClientError
    from .store import Store, StoreError

    if not site.store_path.exists():
        return _fail(f"{site.store_path}: no store there yet; `barreltide serve` makes it")
    try:
        store = Store(site.store_path)
        tell = nights.as_json if options.json else nights.report
        try:
            outlook = (Client.of_site(site).get("api/now").get("battery") or {}).get("outlook")
        except ClientError:  # no service runs: then nothing is known of the coming hours
            outlook = None
        for line in tell(site, store, options.last, time.time(), outlook):
            print(line)
        sys.stdout.flush()
    except StoreError as error:
        return _fail(error)
    return 0


def _notify(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .notices import notify_test
    from .store import StoreError

    try:
        return 0 if notify_test.run(site, lambda line: print(line, flush=True)) else 1
    except StoreError as error:
        return _fail(error)


def _note(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .commands import note
    from .commands.client import ClientError

    try:
        print(note.pin(site, options.text, options.bed, options.at, options.who), flush=True)
    except ClientError as error:
        return _fail(error)
    return 0


def _rest_test(options: argparse.Namespace) -> int:
    site = load(options.site)
    from .commands.client import Client, ClientError
    from .commands.rest_test import Refusal, RestTest

    def ask(line: str) -> None:
        try:
            input(line)
        except EOFError:  # nobody at the keyboard: whoever started it so has switched
            print()

    try:
        return RestTest(site, Client.of_site(site), lambda line: print(line, flush=True), ask).run(options.minutes)
    except (ClientError, Refusal) as error:
        return _fail(error)


def _demo(options: argparse.Namespace) -> int:
    from .demo import run

    return run.main(seed=options.seed, speed=options.speed)
