"""Firmware onto a board: into the folder that does not run, verified by hash, then made the one that runs.

`install` makes it so for good. `update` puts it on trial: firmware/main.py goes back to the one before unless the host
has receipted a pack within a few starts; and this command goes back at once if that has not happened when it looks.
config.json and what waits in the backlog are not touched. main.py itself is outside of the trial: it is replaced,
whole and verified, only where it differs.
"""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable
from typing import Any

from . import BoardError, firmware
from .repl import Repl

STATE = "firmware.json"
LEAST = [1, 24]  # of MicroPython; no older one was tried
SPARE_BLOCKS = 4
MPY_VERSION = 6  # MicroPython 1.19 and later; sys.implementation._mpy


def install(repl: Repl, say: Callable[[str], None], compiled: bool = False, on_trial: bool = False) -> str:
    """Put the firmware of this package on the board. Returns the folder it lies in."""
    name, version = repl.ask("[sys.implementation[0], list(sys.implementation[1][:3])]")
    if name != "micropython" or version[:2] < LEAST:
        raise BoardError(
            f"the firmware needs MicroPython {LEAST[0]}.{LEAST[1]} or newer, and this board has {name}"
            f" {'.'.join(map(str, version))}: micropython.org/download has one for it"
        )
    content = firmware.files(compiled)
    if compiled and repl.ask("getattr(sys.implementation, '_mpy', 0) & 0xFF") != MPY_VERSION:
        raise BoardError("this board's MicroPython does not run what mpy-cross compiles; leave out --compiled")
    state = read_state(repl)
    if "boots" in state:
        raise BoardError("an update is still on trial on this board; wait for it to report in, or start it 3 times")
    target = "b" if state.get("run") == "a" else "a"
    repl.remove(target)
    _check_room(repl, target, content)
    folders = sorted({f"{target}/{path.rpartition('/')[0]}".rstrip("/") for path in content})
    for folder in [target, *(folder for folder in folders if folder != target)]:
        repl.run(f"os.mkdir({folder!r})")
    for number, (path, data) in enumerate(content.items(), start=1):
        repl.put(f"{target}/{path}", data)
        say(f"  {number:2}/{len(content)} {path}")
    chooser = firmware.chooser()
    if repl.hash(firmware.CHOOSER) != hashlib.sha256(chooser).digest():
        repl.put(firmware.CHOOSER, chooser)
    new: dict[str, Any] = {"run": target}
    if on_trial:
        new |= {"before": state.get("run", ""), "boots": 0}
    repl.put(STATE, json.dumps(new).encode())
    return target


def update(
    device: str, say: Callable[[str], None], compiled: bool, wait_s: float, sleep: Callable[[float], None] = time.sleep
) -> int:
    """Put the firmware on trial, and see whether it is kept; the exit status is 1 where it was not."""
    with Repl(device) as repl:
        if not _runs_something(repl):
            raise BoardError("no firmware of ours is on this board: `barreltide board install` puts it there")
        target = install(repl, say, compiled, on_trial=True)
    say(f"The new firmware is started, and has {wait_s:g} s to report in to the service.")
    sleep(wait_s)
    with Repl(device) as repl:
        state = read_state(repl)
        if state.get("run") == target and "boots" not in state:
            say(f"It has reported in: firmware {firmware.version()} is kept.")
            return 0
        why = state.get("failed") or f"no pack of it was receipted within {wait_s:g} s"
        if "boots" in state:
            repl.put(STATE, json.dumps({"run": state.get("before", ""), "failed": why}).encode())
    say(f"It has not reported in ({why}): the firmware before is back.")
    return 1


def read_state(repl: Repl) -> dict[str, Any]:
    """firmware.json of the board, or {}."""
    try:
        found = json.loads(repl.read(STATE) or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _runs_something(repl: Repl) -> bool:
    names = [f"{folder}program{ending}" for folder in ("", "a/", "b/") for ending in (".py", ".mpy")]
    return repl.ask(f"any([_hash(name) for name in {names}])")


def _check_room(repl: Repl, target: str, content: dict[str, bytes]) -> None:
    block, _, _, free = repl.ask("os.statvfs('.')[:4]")
    needed = sum(-(-len(data) // block) + 1 for data in content.values()) + SPARE_BLOCKS
    if needed > free:
        raise BoardError(
            f"the board's flash has {free * block // 1000:,} kB free, and {needed * block // 1000:,} are needed;"
            " --compiled takes less, or remove files of your own"
        )
