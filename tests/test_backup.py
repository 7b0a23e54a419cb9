"""Backups while the store is written, their trial, and what a restore makes of them."""

from __future__ import annotations

import http.server
import shutil
import sqlite3
import subprocess
import sys
import threading
from argparse import Namespace
from pathlib import Path

import pytest

from barreltide import Failure
from barreltide.commands import backup as backup_module
from barreltide.site import load
from barreltide.store import Arrival, Store, Work
from conftest import SITE

START_S = 1_790_000_000.0


@pytest.fixture
def site(tmp_path):
    (tmp_path / "site.toml").write_text(SITE + "[web]\nport = 1\n[store]\nkeep_backups = 2\n")
    return load(tmp_path / "site.toml")


def fill(store: Store, first: int, packs: int) -> None:
    for number in range(first, first + packs):
        work = Work([Arrival(number, START_S + number, "readings", "barrels", 1, number, b'{"a": %d}' % number)])
        series = store.series_id("barrels", "battery/voltage", "V", work)
        work.readings = [(series, START_S + number, 12.5 + number / 1e6)]
        store.commit(work)


def run(command: str, *arguments: object) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "barreltide", command, *map(str, arguments)], capture_output=True, text=True, timeout=60
    )
    return done.returncode, done.stdout + done.stderr


def rows(path: Path) -> list[tuple]:
    with sqlite3.connect(path) as db:
        return db.execute("SELECT * FROM readings").fetchall() + db.execute("SELECT * FROM arrivals").fetchall()


def backups(site) -> list[Path]:
    return sorted((site.store_path.parent / "backups").glob("*.db"))


def test_what_is_backed_up_while_it_grows_comes_back_as_it_was(site, tmp_path):
    live, stop = Store(site.store_path), threading.Event()
    live._db.execute("PRAGMA synchronous = OFF")
    fill(live, 1, 300)
    for end in ("key", "push-keys", "sign-in"):
        (tmp_path / f"barreltide.db.{end}").write_text(end)

    def grow() -> None:
        own, number = Store(site.store_path), 1_000
        own._db.execute("PRAGMA synchronous = OFF")
        while not stop.is_set():
            fill(own, number, 1)
            number += 1
        own.close()

    writer = threading.Thread(target=grow)
    writer.start()
    try:
        status, said = run("backup", "--site", tmp_path / "site.toml")
    finally:
        stop.set()
        writer.join()
    assert status == 0 and "restored on trial, and the same" in said
    (made,) = backups(site)
    assert made.stat().st_mode & 0o077 == 0
    assert sorted(file.name for file in made.parent.iterdir()) == [
        made.name,
        f"{made.name}.key",
        f"{made.name}.push-keys",
        f"{made.name}.sign-in",
    ]
    copied, grown = rows(made), rows(site.store_path)
    assert set(copied) < set(grown) and len(copied) >= 600
    live.close()

    for file in tmp_path.glob("barreltide.db*"):
        file.unlink()
    Store(site.store_path).close()  # a new store has been begun meanwhile
    status, said = run("restore", made, "--site", tmp_path / "site.toml")
    assert status == 0 and "readings restored; what was there is in" in said
    assert rows(site.store_path) == copied and all(
        (tmp_path / f"barreltide.db.{end}").read_text() == end for end in ("key", "push-keys", "sign-in")
    )
    again = Store(site.store_path)
    fill(again, 100_000, 1)
    again.close()


def lose_a_row_behind_its_index(path: Path) -> None:
    def edit(*statements: tuple) -> None:
        db = sqlite3.connect(path)
        for statement in statements:
            db.execute(*statement)
        db.commit()
        db.close()

    (schema,) = sqlite3.connect(path).execute("SELECT * FROM sqlite_schema WHERE name = 'packs'").fetchall()
    edit(("PRAGMA writable_schema = ON",), ("DELETE FROM sqlite_schema WHERE name = 'packs'",))
    edit(("DELETE FROM arrivals WHERE id = 7",), ("PRAGMA writable_schema = ON",),
         ("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", schema))  # fmt: skip


def test_a_damaged_backup_is_refused_and_changes_nothing(site, tmp_path):
    live = Store(site.store_path)
    fill(live, 1, 200)
    live.close()
    assert run("backup", "--site", tmp_path / "site.toml")[0] == 0
    (made,) = backups(site)
    before = rows(site.store_path)
    torn, wrong = tmp_path / "torn", tmp_path / "wrong"
    body = bytearray(made.read_bytes())
    body[4096 * 3 : 4096 * 4] = bytes(4096)
    torn.write_bytes(body)
    shutil.copy(made, wrong)
    lose_a_row_behind_its_index(wrong)
    for bad, words in (
        (torn, "is no backup that can be used: database disk image is malformed"),
        (wrong, "trial: is damaged: wrong # of entries in index packs"),
        (tmp_path / "site.toml", "is no backup that can be used: file is not a database"),
        ("nowhere", "nowhere: no such backup"),
    ):
        status, said = run("restore", bad, "--site", tmp_path / "site.toml")
        assert status == 2 and said.count("\n") == 1 and words in said, said
    assert rows(site.store_path) == before and not list(tmp_path.glob("*.before-*"))


def test_nothing_is_restored_beneath_a_service_that_answers_with_trouble(site, tmp_path):
    class InTrouble(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_error(503)

        def log_message(self, *_: object) -> None:
            pass

    Store(site.store_path).close()
    assert backup_module.backup(site, None) == 0
    with http.server.HTTPServer(("127.0.0.1", 0), InTrouble) as service:
        threading.Thread(target=service.serve_forever, daemon=True).start()
        (tmp_path / "site.toml").write_text(SITE + f"[web]\nport = {service.server_port}\n")
        try:
            with pytest.raises(Failure, match="the service runs: stop it first"):
                backup_module.restore(load(tmp_path / "site.toml"), Namespace(backup=backups(site)[0]))
        finally:
            service.shutdown()


def test_a_trial_that_differs_makes_no_backup(site, monkeypatch):
    live = Store(site.store_path)
    fill(live, 1, 50)
    live.close()
    copy = backup_module._copy

    def lose_one(source: Path, to: Path) -> None:
        copy(source, to)
        with sqlite3.connect(to) as db:
            db.execute("DELETE FROM readings WHERE time_s = ?", (START_S + 7,))

    monkeypatch.setattr(backup_module, "_copy", lose_one)
    with pytest.raises(Failure, match="holds rows .*'readings': 49.*the store .*'readings': 50"):
        backup_module.backup(site, None)
    assert not list((site.store_path.parent / "backups").iterdir())


def test_counting_and_copying_see_the_same_moment(site, monkeypatch):
    """Whatever is committed between the two."""
    live = Store(site.store_path)
    fill(live, 1, 5)
    count = backup_module._count

    def count_and_commit(db: sqlite3.Connection) -> dict[str, int]:
        counted = count(db)
        fill(live, 100 + live.counts()["packs"], 1)
        return counted

    monkeypatch.setattr(backup_module, "_count", count_and_commit)
    assert backup_module.backup(site, None) == 0
    assert live.counts()["packs"] == 7 and len(rows(backups(site)[0])) == 2 * 5
    live.close()


def test_only_the_newest_are_kept_and_what_a_power_cut_left_goes(site, monkeypatch, capsys):
    live = Store(site.store_path)
    fill(live, 1, 5)
    live.close()
    folder = site.store_path.parent / "backups"
    folder.mkdir()
    (folder / "barreltide-20200101T000000Z.draft").write_text("half")
    for name in ("mine.txt", "letter.draft.txt", "judge.trial"):
        (folder / name).write_text("not ours")
    for number in range(3):
        monkeypatch.setattr(backup_module.time, "strftime", lambda *_, number=number: f"2026010{number + 1}T000000Z")
        backup_module.backup(site, None)
    assert [file.name for file in sorted(folder.iterdir())] == [
        "barreltide-20260102T000000Z.db",
        "barreltide-20260103T000000Z.db",
        "judge.trial",
        "letter.draft.txt",
        "mine.txt",
    ]
    monkeypatch.setattr(backup_module.shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10, 9, 1))
    with pytest.raises(Failure, match="MB are free; a backup and its trial take"):
        backup_module.backup(site, None)
