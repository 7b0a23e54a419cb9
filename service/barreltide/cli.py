"""The command line: each command names the function that runs it, which is imported only then."""

from __future__ import annotations

import argparse
import datetime
import logging
import os
import re
import sys
from importlib import import_module
from typing import NoReturn

from . import Failure, __version__
from .site import load


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status: 0, or 2 with one line on standard error."""
    options = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="barreltide: %(message)s", stream=sys.stderr)
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    try:
        module, _, function = options.run.partition(":")
        given = (load(options.site) if options.site else None, options) if "site" in options else (options,)
        return getattr(import_module(f".{module}", __package__), function)(*given)
    except Failure as failure:
        print(f"barreltide: {failure}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # `| head` has seen enough; Python would complain again when it flushes at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


class _Parser(argparse.ArgumentParser):
    """Says in one line what is wrong with the words of a command, as is said of all other bad input."""

    def error(self, message: str) -> NoReturn:
        message = message.removeprefix("argument ").replace("the following arguments are required:", "there is no")
        for kind, would_do in (("int", "a whole number"), ("float", "a number")):
            message = re.sub(f"invalid {kind} value: (.*)", rf"found \1; {would_do} would do", message)
        message = re.sub(r"invalid choice: (.*) \(choose from (.*)\)", r"found \1; there are \2", message)
        self.exit(2, f"barreltide: {message}; `{self.prog} --help` tells more\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="barreltide", description="Watches flood-and-drain beds and the solar battery that lifts their water."
    )
    parser.add_argument("--version", action="version", version=f"barreltide {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    def command(name: str, run: str, about: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about)
        sub.set_defaults(run=run)
        return sub

    serve = command("serve", "service:run", "Run the service until SIGTERM or Ctrl-C.")
    replay = command(
        "replay", "commands.recordings:replay", "Run a recording through the engine and print what it finds."
    )
    replay.add_argument(
        "recording", metavar="RECORDING", help="JSON Lines, gzipped if it ends in .gz; - for standard input"
    )
    replay.add_argument("--until", metavar="TIME", type=_time, help="stop there: Unix seconds, or ISO 8601 with zone")
    replay.add_argument("--json", action="store_true", help="one JSON object a line")
    replay.add_argument(
        "--explain", action="store_true", help="for each alarm what speaks for and against each cause that was weighed"
    )
    export = command("export", "commands.recordings:export", "Print what the store holds as a recording.")
    export.add_argument(
        "--all", action="store_true", help="presence, starts and the grower's words too, not only packs"
    )
    export.add_argument("--out", metavar="FILE", help="write there instead of to standard output")
    nights = command("nights", "commands.nights:run", "Print what the battery did in the last nights.")
    nights.add_argument("--last", metavar="N", type=_count, default=14, help="so many nights (default: 14)")
    nights.add_argument("--json", action="store_true", help="one JSON object a line")
    turns = command(
        "turns", "commands.turns:run", "Tell how the beds take turns: when they are full at once, and the water then."
    )
    turns.add_argument(
        "--last", metavar="N", type=int, help="by so many cycles of the slowest bed (default: 12); few after a change"
    )
    turns.add_argument("--json", action="store_true", help="one JSON object")
    size = command(
        "size", "commands.size:run", "Size battery, panel, fuse, wire and divider, and tell the water's budget."
    )
    for option, what in (
        ("pump-a", "current of all pumps together, where the site file has no current_a"),
        ("flow-l-per-h", "flow of all pumps together, by bucket and stopwatch"),
        ("electronics-a", "board, computer and all else that never rests (default: 0.1)"),
        ("hours-a-day", "that the pumps run (default: 24)"),
        ("days", "without any sun (default: 3)"),
        ("battery-c", "the battery at its coldest, in degrees Celsius (default: 5)"),
        ("margin", "for growth and guesses (default: 0.1, a tenth more)"),
        ("sun-hours", "of full sun in a day of the worst month; a table of your region tells (default: 4)"),
        ("wire-m", "from the battery to the pump, one way"),
        ("wire-mm2", "its copper"),
    ):
        size.add_argument(f"--{option}", metavar="N", type=float, help=what)
    size.add_argument("--adc", choices=("esp32", "rp2040", "ads1115"), default="esp32", help="what reads the battery")
    size.add_argument("--json", action="store_true", help="one JSON object")
    oxygen = command(
        "oxygen", "commands.oxygen:run", "Tell for how long the fish can do without the pump, and what else they stand."
    )
    oxygen.add_argument("--site", metavar="SITE.toml", help="the site file; without one, the options below tell all")
    for option, what in (
        ("temperature-c", "of the water; left out: as the running service has it"),
        ("altitude-m", "above the sea"),
        ("volume-l", "of the water that the fish live in"),
        ("fish-kg", "of all fish together"),
        ("measured-mg-per-l", "oxygen in the water, by a meter"),
        ("ph", "of the water, by a test"),
        ("ammonia-mg-per-l", "total ammonia as nitrogen, by a test"),
    ):
        oxygen.add_argument(f"--{option}", metavar="N", type=float, help=what)
    oxygen.add_argument("--fish", metavar="NAME", help="like goldfish, carp, tilapia or trout")
    oxygen.add_argument("--json", action="store_true", help="one JSON object")
    alarms = command(
        "alarms",
        "commands.alarm_commands:alarms",
        "Print what stands, what waits for an answer, and what is put aside.",
    )
    alarms.add_argument("--all", action="store_true", help="the journal: every raising, clearing and answer")
    alarms.add_argument(
        "--statistics", action="store_true", help="the journal's measures: alarms a day, the worst, time to acknowledge"
    )
    alarms.add_argument("--days", metavar="N", type=_days, default=30.0, help="of statistics (default: 30)")
    alarms.add_argument("--json", action="store_true", help="one JSON object a line")
    acknowledge = command(
        "acknowledge", "commands.alarm_commands:acknowledge", "Say that you know of an alarm and see to it."
    )
    shelve = command(
        "shelve", "commands.alarm_commands:shelve", "Put an alarm aside for a while; it comes back by itself."
    )
    shelve.add_argument("--hours", metavar="N", type=float, required=True, help="for so long")
    aside = command(
        "out-of-service",
        "commands.alarm_commands:put_aside",
        "Put an alarm aside until you take it back with unshelve.",
    )
    unshelve = command(
        "unshelve", "commands.alarm_commands:unshelve", "Take back an alarm that is shelved or out of service."
    )
    for sub in (acknowledge, shelve, aside, unshelve):
        sub.add_argument("alarm", metavar="ALARM", nargs="?" if sub is acknowledge else None)
        sub.add_argument("subject", metavar="SUBJECT", nargs="?" if sub is acknowledge else None)
        sub.add_argument("--who", metavar="NAME", default=None, help="instead of your name on this computer")
    acknowledge.add_argument("--all", action="store_true", help="whatever waits for it")
    for sub in (shelve, aside):
        sub.add_argument("--reason", metavar="TEXT", required=True, help="why, for whoever looks next")
    maintenance = command(
        "maintenance",
        "commands.alarm_commands:maintenance",
        "Hold back what a pump that you switch off would raise; told if no water comes back.",
    )
    maintenance.add_argument("--pump", metavar="NAME", help="which, where there are several")
    maintenance.add_argument("--minutes", metavar="N", type=float, default=30.0, help="at most so long (default: 30)")
    rest = command(
        "rest-test",
        "commands.rest_test:run",
        "Walk through a rest of the pump, to see the battery's voltage without its load.",
    )
    rest.add_argument("--minutes", metavar="N", type=float, help="so long, instead of what is safe for the fish")
    passphrase = command("passphrase", "commands.passphrase:run", "Set the passphrase that the page asks a phone for.")
    neighbour = command(
        "neighbour-link", "commands.passphrase:neighbour_link", "Print a link for looking at the garden only."
    )
    neighbour.add_argument("--days", metavar="N", type=int, default=7, help="works for so long (default: 7)")
    neighbour.add_argument("--revoke", action="store_true", help="take all such links back")
    note = command("note", "commands.note:run", "Pin a note to a moment, so that before and after can be compared.")
    note.add_argument("text", metavar="TEXT", help="what was done or seen, in up to 200 characters")
    note.add_argument("--bed", metavar="BED", help="where; left out: the whole garden")
    note.add_argument("--at", metavar="TIME", help="when, like 14:30 or 2026-07-01T14:30; left out: now")
    note.add_argument("--who", metavar="NAME", default=None, help="instead of your name on this computer")
    dial_in = command(
        "dial-in", "commands.dial_in:run", "Tell each cycle as it comes, and compare trials: before a change and after."
    )
    dial_in.add_argument("--bed", metavar="BED", help="this one only")
    dial_in.add_argument("--hours", metavar="N", type=float, default=24.0, help="from so long ago on (default: 24)")
    dial_in.add_argument("--recording", metavar="RECORDING", help="from this instead of from the running service")
    dial_in.add_argument("--once", action="store_true", help="do not go on following")
    dial_in.add_argument("--json", action="store_true", help="one JSON object, and do not go on following")
    shakedown = command(
        "shakedown", "commands.shakedown:run", "Let the rig prove itself before media and fish go in, and report."
    )
    shakedown.add_argument("what", choices=("start", "status", "report"), help="what to do")
    shakedown.add_argument("--hours", metavar="N", type=float, default=48.0, help="start: so long (default: 48)")
    shakedown.add_argument("--who", metavar="NAME", default=None, help="start: instead of your name on this computer")
    shakedown.add_argument(
        "--out", metavar="FILE", default="shakedown.html", help="report: write there (default: shakedown.html)"
    )
    shakedown.add_argument("--json", action="store_true", help="one JSON object instead")
    answers = (note, dial_in, shakedown, alarms, acknowledge, shelve, aside, unshelve, maintenance)
    notices = command(
        "notify", "notices.notify_test:run", "Send a test through every notice channel and print each one's answer."
    )
    notices.add_argument("--test", action="store_true", required=True, help="send it; the only thing that there is")
    phones = command("phones", "commands.phones:run", "List the phones that take Web Push, or forget one that is lost.")
    phones.add_argument("--forget", metavar="N", type=int, help="send to the phone of this number no more")
    phones.add_argument("--json", action="store_true", help="one JSON object")
    backup = command("backup", "commands.backup:backup", "Make a backup of the store while it is in use, and try it.")
    restore = command("restore", "commands.backup:restore", "Put a backup in the store's place.")
    restore.add_argument("backup", metavar="BACKUP", help="a file that `barreltide backup` made")
    check = command("check", "commands.check:run", "Tell in plain words what is wrong with a set-up.")
    check.add_argument("--json", action="store_true", help="one JSON object a line")
    for sub in (
        check, backup, restore, serve, replay, export, nights, turns, size, rest, notices, phones,
        passphrase, neighbour, *answers,
    ):  # fmt: skip
        sub.add_argument("--site", metavar="SITE.toml", required=True, help="the site file")
    _add_board(command("board", "board.commands:run", "Work with a board on USB: find, install, configure, calibrate."))
    demo = command("demo", "demo.run:run", "Show the whole chain on an invented garden, faster than life.")
    demo.add_argument("--seed", metavar="N", type=int, help="another garden for another number")
    demo.add_argument("--speed", metavar="N", type=float, help="times faster than life")
    return parser


def _add_board(board: argparse.ArgumentParser) -> None:
    board.add_argument(
        "action",
        choices="find install configure read calibrate floats thermometers log update".split(),
        help="find: which boards are there; install: put the firmware on; configure: write config.json; read: every"
        " sensor; calibrate: the battery's divider against a multimeter; floats, thermometers: try them out by hand;"
        " log: what it says; update: new firmware, taken back if it does not report in",
    )  # fmt: skip
    board.add_argument("--port", metavar="PORT", help="of the board, where there are several, like /dev/ttyACM0")
    board.add_argument("--from", dest="file", metavar="FILE", help="configure: this config.json over the board's")
    board.add_argument("--compiled", action="store_true", help="install, update: compiled here; takes mpy-cross")
    board.add_argument("--once", action="store_true", help="read: one round, not until Ctrl-C")
    board.add_argument("--kept", action="store_true", help="log: the last error on its flash; stops it for a moment")
    board.add_argument("--wait", metavar="S", type=_trial_s, default=90.0, help="update: seconds to report in (90)")


def _trial_s(text: str) -> float:
    try:
        if 1 <= float(text) <= 600:
            return float(text)
    except ValueError:
        pass
    raise argparse.ArgumentTypeError(f"{text!r} is no such time; 1 to 600 would do: then a board gives up by itself")


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
