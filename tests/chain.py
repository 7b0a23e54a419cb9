"""The whole chain by one clock that runs faster than life: the real interpreter's firmware and `barreltide serve`.

Learning a garden's cycles takes a quarter of an hour and seeing its pump stop some minutes more. Nothing on the way is
told to hurry: boards and service read the time from a `FastClock`, and so have garden minutes in seconds.
`python tests/chain.py ARGUMENTS` is `barreltide ARGUMENTS` by such a clock, handed over in the variable FAST, and on a
disk that takes SLOW_DISK_S before and after each commit, where that is given: a memory card does.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

from conftest import SITE as LEAST
from firmware_board import TESTS, Board, micropython, wait_for

NIGHT_S = 1_790_049_600.0  # 2026-09-22 04:00 UTC: two hours after sunset at the site below
SITE = LEAST.removesuffix('[[station]]\nname = "barrels"\n') + "[web]\nport = 0\n"  # each test names its stations


class FastClock:
    """Stands at NIGHT_S when made, and runs `speed` times as fast as life from then on."""

    def __init__(self, speed: int, began_ns: int | None = None, epoch_ns: int = int(NIGHT_S) * 10**9) -> None:
        self.speed = speed
        self._began_ns, self._epoch_ns = began_ns or time.time_ns(), epoch_ns

    @property
    def environment(self) -> dict[str, str]:
        return {"FAST": f"{self.speed} {self._began_ns} {self._epoch_ns}"}

    def now(self) -> float:
        return ((time.time_ns() - self._began_ns) * self.speed + self._epoch_ns) / 1e9


class FastBoard(Board):
    """A board (firmware_board.py) by a fast clock. program: another start than main.py, from the test's own text."""

    def __init__(self, folder: Path, values: dict, clock: FastClock, program: str = "main.py") -> None:
        super().__init__(folder, values)
        self.program = program
        self.environment |= clock.environment
        self.environment["MICROPYPATH"] = f"{TESTS / 'firmware' / 'fast_time'}:{self.environment['MICROPYPATH']}"

    def start(self, *options: str) -> FastBoard:
        with open(self.folder / "output.log", "ab") as output:
            self.process = subprocess.Popen(
                [micropython(), *options, self.program],
                cwd=self.folder, env=self.environment, stdout=output, stderr=subprocess.STDOUT,
            )  # fmt: skip
        return self


class FastService:
    """`barreltide serve` as a process by a fast clock, or by the machine's own; it can be killed and started again."""

    def __init__(self, folder: Path, site: str, clock: FastClock | None = None, slow_disk_s: float = 0.0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.site = folder, folder / "site.toml"
        self.site.write_text(site)
        command = [str(Path(__file__))] if clock else ["-m", "barreltide"]
        self._command = [sys.executable, *command, "serve", "--site", str(self.site)]
        self._environment = os.environ | (clock.environment if clock else {}) | {"SLOW_DISK_S": str(slow_disk_s)}
        self._said_before = 0
        self.process: subprocess.Popen | None = None

    def start(self) -> FastService:
        self._said_before = len(self.log())
        with open(self.folder / "log", "ab") as log:
            self.process = subprocess.Popen(self._command, env=self._environment, stderr=log)
        return self

    def log(self) -> str:
        file = self.folder / "log"
        return file.read_text() if file.exists() else ""

    def said(self) -> str:
        """What it has logged since its last start."""
        return self.log()[self._said_before :]

    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def health(self) -> dict:
        address = wait_for(lambda: self.said().partition("pages at ")[2].partition(",")[0], what="the pages' address")
        with urllib.request.urlopen(address + "api/health", timeout=30) as answer:
            return json.load(answer)

    def kill(self) -> None:
        """kill -9 of it and, as when the power goes, of the couriers that carry its notices."""
        if self.process is not None:
            children = Path(f"/proc/{self.process.pid}/task").glob("*/children")  # Linux only
            pids = [int(pid) for file in children for pid in file.read_text().split()]
            self.process.kill()
            for pid in pids:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def end(self) -> int:
        """SIGTERM; the exit status."""
        self.process.terminate()
        return self.process.wait(60)

    def export(self) -> list[dict]:
        done = subprocess.run(
            [sys.executable, "-m", "barreltide", "export", "--site", str(self.site)],
            capture_output=True, text=True, check=True, timeout=60,
        )  # fmt: skip
        return [json.loads(line) for line in done.stdout.splitlines()]


def _main() -> int:
    from barreltide import cli, service, store

    clock = FastClock(*[int(word) for word in os.environ["FAST"].split()])
    service.Service = functools.partial(service.Service, now=clock.now)
    if slow_s := float(os.environ.get("SLOW_DISK_S", 0)):
        commit = store.Store.commit

        def slow_commit(self: store.Store, work: store.Work) -> None:
            time.sleep(slow_s)
            commit(self, work)
            time.sleep(slow_s)

        store.Store.commit = slow_commit
    return cli.main(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(_main())
