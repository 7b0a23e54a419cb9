"""The installer on a clean Debian that really starts: `sudo .venv/bin/python tests/install/walk.py [--cache FOLDER]`.

mmdebstrap makes the Debian (kept in the cache folder), systemd-nspawn starts it with a network of its own that leads
nowhere, and what an owner would do is done in it: dry run, install, install again, a bad update, a good one,
a hung and a killed service, backup and restore, a restart of the computer, remove. Each step asserts what it must show;
the figures are printed. Ten minutes, and 4 GB of disk. Needs root, mmdebstrap and systemd-container.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
INCLUDED = "systemd,systemd-sysv,dbus,python3,ca-certificates"
UP = ("running", "degraded")
FETCHED = ("mosquitto", "openssl", "python3-venv", "systemd-timesyncd")
SITE = """
[site]
name = "quince-yard"
latitude = 39.3
longitude = -8.9
time_zone = "Europe/Lisbon"
[battery]
capacity_ah = 100.0
[[pump]]
name = "pump"
[[bed]]
name = "mint"
[[station]]
name = "barrels"
"""
# Run by the installed Python: publishes packs as the station would, and waits for their receipts.
STATION = """
import json, ssl, sys, threading, time
import paho.mqtt.client as paho
first, count = int(sys.argv[1]), int(sys.argv[2])
config = json.load(open("/etc/barreltide/boards/barrels/config.json"))
broker, missing, done = config["broker"], set(range(first, first + count)), threading.Event()
def heard(client, data, message):
    missing.difference_update(json.loads(message.payload)["seq"])
    missing or done.set()
client = paho.Client(paho.CallbackAPIVersion.VERSION2)
client.username_pw_set(broker["username"], broker["password"])
context = ssl.create_default_context()
context.load_verify_locations(cadata=open("/etc/barreltide/boards/barrels/ca.der", "rb").read())
client.tls_set_context(context)
client.on_message = heard
client.on_connect = lambda *_: client.subscribe("barreltide/quince-yard/barrels/receipt", 1)
client.on_subscribe = lambda *_: ready.set()
ready = threading.Event()
client.connect("127.0.0.1", broker["port"])
client.loop_start()
assert ready.wait(30)
for seq in range(first, first + count):
    head = {"bn": "quince-yard/barrels/", "bt": time.time(), "n": "station/boot", "v": 7}
    pack = [head, {"n": "station/seq", "v": seq}, {"n": "battery/voltage", "v": 12.5 + seq / 1e4},
            {"n": "mint/high", "vb": False}]
    client.publish("barreltide/quince-yard/barrels/readings", json.dumps(pack), qos=1)
assert done.wait(60), f"no receipt for {sorted(missing)}"
client.publish("barreltide/quince-yard/barrels/presence", json.dumps({"online": True, "boot": 7, "firmware": "0.1.0"}),
               qos=1, retain=True).wait_for_publish(30)
client.disconnect()
"""


class Debian:
    """A clean Debian in a folder, started like a computer."""

    def __init__(self, cache: Path, folder: Path) -> None:
        self.cache, self.folder = cache, folder
        self.nspawn: subprocess.Popen | None = None
        self.leader = 0

    def unpack(self) -> None:
        base = self.cache / "base.tar"
        if not base.exists():
            self.cache.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryDirectory(dir=self.cache) as draft:
                subprocess.run(
                    ["mmdebstrap", "--variant=minbase", f"--include={INCLUDED}", "bookworm", f"{draft}/root"],
                    check=True,
                )
                fetch = "apt-get update -q && apt-get install -qy --no-install-recommends --download-only " + " ".join(
                    FETCHED
                )
                subprocess.run(
                    ["systemd-nspawn", "-q", "--register=no", "--keep-unit", "-D", f"{draft}/root", "sh", "-c", fetch],
                    check=True,
                    stdin=subprocess.DEVNULL,
                )
                subprocess.run(["tar", "-C", f"{draft}/root", "-cf", f"{draft}/base.tar", "."], check=True)
                Path(draft, "base.tar").rename(base)
        self.folder.mkdir()
        subprocess.run(["tar", "-C", str(self.folder), "-xf", str(base)], check=True)
        home = self.folder / "root/barreltide"
        for name in ("service", "firmware", "deploy"):
            shutil.copytree(ROOT / name, home / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(ROOT / name, home)
        self.build()
        wheels = self.cache / "wheels"
        _wheels("-w", str(wheels), str(home))
        shutil.copytree(
            wheels, home.parent / "wheels", ignore=shutil.ignore_patterns("barreltide-*"), dirs_exist_ok=True
        )

    def build(self) -> None:
        """This checkout's wheel, into the folder from which the installer takes them: there is no internet in there."""
        home = self.folder / "root"
        _wheels("--no-deps", "-w", str(home / "wheels"), str(home / "barreltide"))

    def start(self) -> None:
        log = open(self.folder.parent / "console", "ab")
        command = [
            "systemd-nspawn",
            "--boot",
            "--register=no",
            "--keep-unit",
            "--private-network",
            "--console=pipe",
            "--link-journal=no",
            "--hostname=quince-host",
            "-D",
            str(self.folder),
        ]
        self.nspawn = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self.leader = wait_for(self._leader, 60, "the container to begin")
        wait_for(
            lambda: self.run("systemctl", "is-system-running", may_fail=True)[1].strip() in UP, 120, "Debian to be up"
        )

    def _leader(self) -> int:
        children = Path(f"/proc/{self.nspawn.pid}/task/{self.nspawn.pid}/children").read_text().split()
        return int(children[0]) if children else 0

    def stop(self) -> None:
        if self.nspawn is not None and self.nspawn.poll() is None:
            self.run("systemctl", "poweroff", may_fail=True)
            try:
                self.nspawn.wait(60)
            except subprocess.TimeoutExpired:
                self.nspawn.kill()
                self.nspawn.wait()
        self.nspawn = None

    def run(self, *command: str, may_fail: bool = False) -> tuple[int, str]:
        """(exit status, what was said) of a command in there, as root."""
        enter = [
            "nsenter",
            "-t",
            str(self.leader),
            "-m",
            "-u",
            "-i",
            "-n",
            "-p",
            "-r",
            "-w",
            "env",
            "-i",
            "PATH=/usr/local/bin:/usr/bin:/usr/sbin:/bin",
            "HOME=/root",
            "LANG=C.UTF-8",
        ]
        done = subprocess.run([*enter, *command], capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=900)
        if done.returncode and not may_fail:
            raise AssertionError(f"{' '.join(command)[:200]}: status {done.returncode}\n{done.stdout}{done.stderr}")
        return done.returncode, done.stdout + done.stderr

    # What is asked of it.

    def install(self, *arguments: str, may_fail: bool = False) -> tuple[int, str]:
        return self.run("/root/barreltide/deploy/install", "--wheels", "/root/wheels", *arguments, may_fail=may_fail)

    def health(self) -> dict:
        ask = "import urllib.request as u; print(u.urlopen('http://127.0.0.1:8420/api/health').read().decode())"
        status, said = self.run("python3", "-c", ask, may_fail=True)
        return json.loads(said) if status == 0 else {}

    def is_well(self) -> bool:
        return self.health().get("status") in ("ok", "degraded")

    def send(self, first: int, count: int) -> None:
        self.run("/opt/barreltide/current/bin/python", "-c", STATION, str(first), str(count))

    def packs(self) -> list[int]:
        _, said = self.run("sh", "-c", "barreltide export --site /etc/barreltide/site.toml")
        return [
            record["v"]
            for line in said.splitlines()
            for record in json.loads(line)["payload"]
            if record["n"] == "station/seq"
        ]

    def show(self, name: str, unit: str = "barreltide.service") -> str:
        return self.run("systemctl", "show", "-P", name, unit)[1].strip()

    def files(self) -> set[str]:
        places = ("etc", "opt", "var/lib", "usr/local")
        return {str(file.relative_to(self.folder)) for place in places for file in (self.folder / place).rglob("*")}


def _wheels(*arguments: str) -> None:
    subprocess.run([sys.executable, "-m", "pip", "wheel", "-qqq", *arguments], check=True)


def wait_for(condition, seconds: float, what: str):
    give_up = time.monotonic() + seconds
    while not (found := condition()):
        assert time.monotonic() < give_up, f"waited {seconds:g} s for {what}"
        time.sleep(0.3)
    return found


def walk(debian: Debian) -> None:
    began_s = time.monotonic()

    def step(what: str, *figures: object) -> None:
        print(f"{time.monotonic() - began_s:5.0f} s  {what}", *figures, flush=True)

    debian.unpack()
    debian.start()
    step("a clean Debian is up:", debian.run("cat", "/etc/debian_version")[1].strip())

    (debian.folder / "root/site.toml").write_text(SITE)
    before = debian.files()
    status, said = debian.install("--dry-run", "--site", "/root/site.toml", may_fail=True)
    assert status == 0 and "would install mosquitto" in said and debian.files() == before, said
    step("dry run: nothing changed,", said.count("would "), "things said")

    installing_s = time.monotonic()
    _, said = debian.install("--site", "/root/site.toml")
    assert "runs and is ok" in said, said
    step(f"installed in {time.monotonic() - installing_s:.0f} s")
    with_packages = debian.files()
    _, said = debian.install()
    assert "nothing was changed" in said, said
    step("installed again: nothing changed")

    debian.send(0, 50)
    assert debian.packs() == list(range(50))
    step("a station's 50 packs over TLS: each stored and receipted")

    pid = debian.show("MainPID")
    status = dict(line.split(":", 1) for line in debian.run("cat", f"/proc/{pid}/status")[1].splitlines())
    uid = debian.run("id", "-u", "barreltide")[1].strip()
    assert status["Uid"].split() == [uid] * 4 and status["NoNewPrivs"].strip() == "1" and int(status["CapEff"], 16) == 0
    assert status["Seccomp"].strip() == "2"
    step("runs as its own user, without rights, its system calls filtered; resident", status["VmRSS"].strip())
    _, said = debian.run(
        "systemd-analyze", "verify", "barreltide.service", "barreltide-backup.service", "barreltide-backup.timer"
    )
    assert said == "", said
    _, said = debian.run("systemd-analyze", "security", "--no-pager", "barreltide.service")
    step(said.strip().splitlines()[-1].strip("→ "))

    _check(debian, step)
    _survive(debian, step)
    _restore(debian, step)
    _update(debian, step)

    debian.stop()
    debian.start()
    wait_for(debian.is_well, 60, "the service after a restart of the computer")
    debian.send(500, 5)
    step("the computer was restarted: it runs by itself")

    seen = debian.packs()
    debian.run("/root/barreltide/deploy/remove")
    gone = debian.run("systemctl", "cat", "barreltide.service", may_fail=True)[0]
    assert gone and not (debian.folder / "opt/barreltide").exists()
    assert "8883" not in debian.run("cat", "/proc/net/tcp")[1] and not _listens(debian)
    _, said = debian.install()
    assert "runs and is ok" in said and debian.packs() == seen, said
    debian.send(600, 5)
    step("removed and installed again: the same", len(seen), "packs, and the board's password and authority still fit")
    debian.run("/root/barreltide/deploy/remove", "--purge")
    ours = {name for name in debian.files() - before if "barreltide" in name}
    assert ours == set() and debian.run("id", "barreltide", may_fail=True)[0], ours
    step("removed with --purge: nothing of it is left;", len(with_packages - before), "paths had been added")


def _listens(debian: Debian) -> bool:
    ask = "import socket; socket.create_connection(('127.0.0.1', 8883), 2)"
    return debian.run("python3", "-c", ask, may_fail=True)[0] == 0


def _check(debian: Debian, step) -> None:
    status, said = debian.run("barreltide", "check", "--site", "/etc/barreltide/site.toml", "--json", may_fail=True)
    rows = {row["about"]: row for row in map(json.loads, said.splitlines())}
    wrong = {name for name, row in rows.items() if not row["fine"]}
    # There is nobody to tell and no backup yet, and perhaps no time server; all else is as it should be.
    assert wrong - {"clock"} == {"people", "backup"} and status == 1, said
    step("check:", len(rows) - len(wrong), "things fine, to look at:", ", ".join(sorted(wrong)))


def _survive(debian: Debian, step) -> None:
    """A hung and a killed service; the watchdog's 180 s are cut short, or the walk takes long."""
    debian.run("mkdir", "-p", "/run/systemd/system/barreltide.service.d")
    debian.run(
        "sh",
        "-c",
        "printf '[Service]\\nWatchdogSec=15\\nRestartSec=1\\n' > /run/systemd/system/barreltide.service.d/quick.conf",
    )
    debian.run("systemctl", "daemon-reload")
    debian.run("systemctl", "restart", "barreltide")
    wait_for(debian.is_well, 60, "the service to be well")
    time.sleep(20)
    assert debian.show("NRestarts") == "0", "fed while it is well"
    pid = debian.show("MainPID")
    debian.run("sh", "-c", f"kill -STOP {pid}")
    wait_for(lambda: debian.show("MainPID") not in ("0", pid), 60, "the watchdog to start it anew")
    wait_for(debian.is_well, 60, "the service to be well")
    _, said = debian.run("journalctl", "-u", "barreltide", "--no-pager", "-o", "cat")
    assert "Watchdog timeout" in said
    pid = debian.show("MainPID")
    debian.run("sh", "-c", f"kill -KILL {pid}")
    wait_for(lambda: debian.show("MainPID") not in ("0", pid) and debian.is_well(), 60, "the killed service")
    debian.send(50, 50)
    assert debian.packs() == list(range(100))
    step("hung: the watchdog started it anew; killed: it came again; no pack was lost")
    debian.run("sh", "-c", "rm -r /run/systemd/system/barreltide.service.d; systemctl daemon-reload")


def _restore(debian: Debian, step) -> None:
    debian.run("systemctl", "start", "barreltide-backup.service")
    (made,) = (debian.folder / "var/lib/barreltide/backups").glob("*.db")
    settings = debian.folder / "var/backups/barreltide/settings.tar.gz"
    assert settings.stat().st_mode & 0o777 == 0o600 and settings.stat().st_uid == 0
    kept = debian.packs()
    debian.send(100, 20)
    debian.run("systemctl", "stop", "barreltide")
    debian.run("sh", "-c", "head -c 200000 /dev/urandom > /var/lib/barreltide/barreltide.db")  # the card is ill
    status, _ = debian.run("barreltide", "export", "--site", "/etc/barreltide/site.toml", may_fail=True)
    assert status == 2
    inside = f"/var/lib/barreltide/backups/{made.name}"
    _, said = debian.run("barreltide", "restore", inside, "--site", "/etc/barreltide/site.toml")
    assert "readings restored" in said, said
    debian.run("systemctl", "start", "barreltide")
    wait_for(debian.is_well, 60, "the service on the restored store")
    assert debian.packs() == kept
    debian.send(200, 10)
    assert debian.packs() == kept + list(range(200, 210))
    step(f"backup ({made.stat().st_size / 1e6:.1f} MB), store destroyed, restored: the same {len(kept)} packs")


def _update(debian: Debian, step) -> None:
    service = debian.folder / "root/barreltide/service/barreltide/service.py"
    good, versions = service.read_text(), debian.folder / "opt/barreltide/versions"
    (first,) = [folder.name for folder in versions.iterdir()]
    kept = debian.packs()
    service.write_text(
        good.replace("    def start(self) -> None:", "    def start(self) -> None:\n        raise RuntimeError", 1)
    )
    debian.build()
    status, said = debian.install("--patience", "25", may_fail=True)
    assert status == 1 and f"version {first} runs again" in said, said
    assert debian.is_well() and (debian.folder / "opt/barreltide/current").readlink().name == first
    debian.send(300, 10)
    assert debian.packs() == kept + list(range(300, 310))
    step("an update that does not start: the version before it runs again, with all readings")
    service.write_text(good + "# the next version\n")
    debian.build()
    _, said = debian.install()
    assert "make a backup before the update" in said and "runs and is ok" in said, said
    debian.send(400, 10)
    assert debian.packs() == kept + list(range(300, 310)) + list(range(400, 410))
    names = {folder.name for folder in versions.iterdir()}
    assert len(names) == 2 and first in names
    step("an update that works: it runs, with all readings; the version before is kept")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--cache", metavar="FOLDER", type=Path, default=Path.home() / ".cache/barreltide-walk")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="barreltide-walk-") as folder:
        debian = Debian(options.cache.resolve(), Path(folder) / "debian")
        try:
            walk(debian)
        finally:
            debian.stop()
    return 0


if __name__ == "__main__":
    sys.exit(main())
