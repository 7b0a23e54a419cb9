"""Backups of the store: each is made while the service runs, restored on trial at once, and kept only if the two agree.

SQLite's own backup copies one moment of a store that is being written. A backup is one plain SQLite file, beside it the
keys that lie beside the store; the oldest go when there are more than [store] keep_backups.

What this cannot do: a backup on the same card does not outlive the card. Copy the folder elsewhere now and then, or let
[store] backups name a folder on another medium.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import time
from argparse import Namespace
from pathlib import Path

from .. import Failure
from ..site import Site
from ..store import Store
from .client import Client, ClientError, Silent

SPARE_BYTES = 50_000_000
BESIDE = ("key", "push-keys", "sign-in")  # what lies beside the store, as STORE.key


def backup(site: Site, options: Namespace) -> int:
    """Make one, and try it. Raises Failure; then what was there before is untouched."""
    store = site.store_path
    Store.existing(store)
    folder = site.beside(site.store.backups)
    made = folder / f"{store.stem}-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}.db"
    draft, trial = made.with_suffix(".draft"), made.with_suffix(".trial")
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for end in ("draft", "trial"):  # the power went while one was made; nothing else there is ours
            for left in folder.glob(f"{store.stem}-*Z.{end}*"):
                left.unlink()
        _make_room(folder, store)
        counted = _copy_live(store, draft)
        _copy(draft, trial)
        _agree(trial, counted)
        trial.unlink()
        for end in BESIDE:
            if (kept := store.with_name(f"{store.name}.{end}")).exists():
                _copy(kept, folder / f"{made.name}.{end}")
        _keep(draft, made)
    except OSError as error:
        raise Failure(f"{folder}: no backup can be made there: {error.strerror or error}") from None
    except sqlite3.Error as error:
        raise Failure(f"{store}: no backup can be made of it: {error}") from None
    finally:
        for left in (draft, trial):
            left.unlink(missing_ok=True)
    backups = sorted(folder.glob(f"{store.stem}-*Z.db"))
    for old in backups[: -site.store.keep_backups]:
        for file in folder.glob(f"{old.name}*"):
            file.unlink()
    print(
        f"{made}: {counted['readings']:,} readings, {made.stat().st_size / 1e6:.1f} MB; "
        f"restored on trial, and the same; {min(len(backups), site.store.keep_backups)} are kept"
    )
    return 0


def restore(site: Site, options: Namespace) -> int:
    """Put a backup in the store's place; what was there is kept beside it. Raises Failure, with nothing changed."""
    source, store = Path(options.backup), site.store_path
    if not source.is_file():
        raise Failure(f"{source}: no such backup; those made are in {site.beside(site.store.backups)}")
    if _runs(site):
        raise Failure("the service runs: stop it first (sudo systemctl stop barreltide), and start it afterwards")
    trial = store.with_name(f"{store.name}.trial")
    aside = store.with_name(f"{store.name}.before-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}")
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        _copy(source, trial)
        counted = _agree(trial)
        for end in ("", "-wal", "-shm"):
            if (old := store.with_name(store.name + end)).exists():
                old.rename(aside.with_name(aside.name + end))
        _keep(trial, store)
        for end in BESIDE:
            if (kept := source.with_name(f"{source.name}.{end}")).exists():
                _copy(kept, store.with_name(f"{store.name}.{end}"))
    except OSError as error:
        raise Failure(f"{store}: nothing can be restored there: {error.strerror or error}") from None
    except sqlite3.Error as error:
        raise Failure(f"{source}: is no backup that can be used: {error}") from None
    finally:
        trial.unlink(missing_ok=True)
    kept = f"; what was there is in {aside}" if aside.exists() else ""
    print(f"{store}: {counted['readings']:,} readings restored{kept}")
    return 0


def _runs(site: Site) -> bool:
    """Whether a service answers, be it with trouble: its store may be what is to be mended."""
    try:
        Client.of_site(site).get("api/health")
    except Silent:
        return False
    except ClientError:
        return site.web.port != 0  # of any free port nobody can tell
    return True


def _make_room(folder: Path, store: Path) -> None:
    size = sum(file.stat().st_size for file in store.parent.glob(f"{store.name}*"))
    free = shutil.disk_usage(folder).free
    if free < 2 * size + SPARE_BYTES:
        raise Failure(f"{folder}: {free / 1e6:,.0f} MB are free; a backup and its trial take {2 * size / 1e6:,.0f} MB")


def _copy_live(store: Path, draft: Path) -> dict[str, int]:
    """Copy one moment of the store; how many rows each table had in it."""
    with contextlib.closing(sqlite3.connect(store, timeout=30.0)) as live:
        live.execute("BEGIN")  # counting and copying see the same moment
        counted = _count(live)
        with contextlib.closing(sqlite3.connect(draft)) as copy:
            live.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, with nothing beside it
    _own(draft)
    return counted


def _agree(trial: Path, counted: dict[str, int] | None = None) -> dict[str, int]:
    """Open it as the service will, and look at every page of it. Raises Failure or sqlite3.Error."""
    with contextlib.closing(sqlite3.connect(trial)) as db:
        found = db.execute("PRAGMA integrity_check").fetchone()[0]
        if found != "ok":
            raise Failure(f"{trial}: is damaged: {found}")
        restored = _count(db)
    if counted is not None and restored != counted:
        raise Failure(f"{trial}: holds rows {restored}, the store {counted}")
    Store(trial).close()
    for end in ("-wal", "-shm"):
        trial.with_name(trial.name + end).unlink(missing_ok=True)
    return restored


def _count(db: sqlite3.Connection) -> dict[str, int]:
    """Rows by table."""
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    return {table: db.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0] for table in tables}


def _copy(source: Path, to: Path) -> None:
    shutil.copyfile(source, to)
    _own(to)
    with open(to, "rb") as file:
        os.fsync(file.fileno())


def _own(file: Path) -> None:
    """Private, and owned by whoever owns the folder, even where root has made it."""
    file.chmod(0o600)
    if os.geteuid() == 0:
        owner = file.parent.stat()
        os.chown(file, owner.st_uid, owner.st_gid)


def _keep(draft: Path, name: Path) -> None:
    """Give it its name once it is on disk whole."""
    with open(draft, "rb") as file:
        os.fsync(file.fileno())
    draft.replace(name)
    folder = os.open(name.parent, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)
