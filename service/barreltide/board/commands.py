"""`barreltide board …`: what the command line asks of a board on USB."""

from __future__ import annotations

import getpass
import time
from argparse import Namespace

from .. import serial_port
from ..wire import Lines
from . import BoardError, configure, find, firmware, install
from .bench import Bench
from .repl import Repl

LISTEN_S = 0.2
STOPPED = {
    "read": "", "log": "", "find": "",
    "update": "Stopped; a trial that has begun goes on: `barreltide board log --kept` tells how it ended.",
}  # fmt: skip


def _say(line: str) -> None:
    print(line, flush=True)


def _ask(words: str) -> str:
    try:
        return input(words)
    except EOFError:
        raise BoardError("this needs answers from a keyboard") from None


def _ask_secret(words: str) -> str:
    try:
        return getpass.getpass(words)
    except EOFError:
        raise BoardError("this needs answers from a keyboard") from None


def run(options: Namespace) -> int:
    """One action on one board. Raises BoardError."""
    try:
        return _act(options)
    except KeyboardInterrupt:
        _say("\n" + STOPPED.get(options.action, "Stopped; what runs on the board is as it was."))
        raise


def _act(options: Namespace) -> int:
    if options.action == "find":
        return find.run(options.port, _say)
    device = find.chosen(options.port)
    if options.action == "log":
        return _kept(device) if options.kept else _log(device)
    if options.action == "update":
        return install.update(device, _say, options.compiled, options.wait)
    with Repl(device) as repl:
        if options.action == "install":
            return _install(repl, options)
        if options.action == "configure":
            return _configure(repl, options)
        bench = Bench(repl, _ask, _say)
        if options.action == "read":
            return bench.read(options.once)
        return getattr(bench, options.action)()


def _install(repl: Repl, options: Namespace) -> int:
    for line in find.about(repl):
        _say(line)
    install.install(repl, _say, options.compiled)
    _say(f"Firmware {firmware.version()} is on the board, each file as it was sent.")
    if configure.load(repl):
        _say("config.json is as it was.")
    else:
        _say("It has no config.json yet: `barreltide board configure` writes it.")
    return 0


def _configure(repl: Repl, options: Namespace) -> int:
    if options.file is not None:
        configure.from_file(repl, options.file, _say)
    else:
        judge = configure.judge_of(repl)
        questions = configure.Questions(_ask, _ask_secret, _say, judge)
        configure.write(repl, questions.go_through(configure.load(repl)), _say, judge)
    _say(
        "config.json is on the board, and the station is started with it."
        " `barreltide board read --once` shows what each sensor says."
    )
    return 0


def _log(device: str) -> int:
    """What the board prints, until Ctrl-C; the station is not disturbed."""
    try:
        with serial_port.Borrowed(device), serial_port.open_port(device, LISTEN_S, LISTEN_S) as port:
            _say(f"Listening to {device}; Ctrl-C ends it. A station that is well may say nothing for minutes.")
            rest, lines = b"", Lines()
            while True:
                data = port.read(max(1, port.in_waiting))
                for kind, body in lines.feed(data):
                    _say(f"{time.strftime('%H:%M:%S')}  ({kind}, {len(body)} bytes)")
                *ended, rest = (rest + data).split(b"\n")
                for line in ended:
                    text = line.decode(errors="replace").strip()
                    if text and not text.startswith("@"):
                        _say(f"{time.strftime('%H:%M:%S')}  {text}")
                rest = rest[-10_000:]
    except BlockingIOError:
        raise BoardError(f"{device} is in use by another `barreltide board`") from None
    except OSError as error:
        raise BoardError(serial_port.in_words(error, device, "board")) from None


def _kept(device: str) -> int:
    """What the board has kept on its flash: its last error, and what runs. It is stopped for a moment."""
    with Repl(device) as repl:
        state, crash = install.read_state(repl), repl.read("crash.log")
        waiting = repl.ask("sorted(os.listdir('backlog'))") if repl.ask("'backlog' in os.listdir()") else []
    _say(f"runs: folder {state.get('run') or 'beside main.py'}{', on trial' if 'boots' in state else ''}")
    if state.get("failed"):
        _say(f"the last update was taken back: {state['failed']}")
    _say(f"backlog: {len(waiting)} files")
    _say(crash.decode(errors="replace").rstrip() if crash else "no error has been kept")
    return 0
