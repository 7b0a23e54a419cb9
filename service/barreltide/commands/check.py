"""`barreltide check`: what is wrong with a set-up, a line each, and what would mend it.

It looks from outside, with the site file alone: at the service that runs, the broker as the service would meet it, the
store on the disk, the clock, the ways to people. Nothing is published, sent or changed. A thing that it cannot look at
(no systemd, another user's files) is said to be so.
"""

from __future__ import annotations

import json
import math
import shutil
import socket
import sqlite3
import ssl
import subprocess
import time
import urllib.parse
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

from .. import Failure, __version__
from ..board import firmware as ours
from ..mqtt import MqttError, visit
from ..notices.people import People
from ..pack import Topics
from ..site import Site
from ..web.sign_in import SignIn
from .client import Client, ClientError

SILENT_S = 420.0  # a station that sends every 15 s is missed by then; the engine waits for as long
CLOCK_OFF_S = 5.0
LEAST_FREE_BYTES = 300_000_000
LEAST_FREE_SHARE = 0.05
BACKUP_OLD_S = 8 * 86_400.0  # they are weekly
RENEW_S = 60 * 86_400.0
REPEATED_S = 3_600.0  # by then a station has said the state of each of its floats again, many times
REACH_S = 5.0
AGAIN = "sudo deploy/install makes a new one"


class Row(NamedTuple):
    """One thing. to_do: what would mend it, empty where it is fine."""

    about: str
    words: str
    to_do: str = ""


def run(site: Site, options: Namespace) -> int:
    """Print what was found; 0 if all is fine, else 1."""
    well = True
    for row in look(site):
        well = well and not row.to_do
        if options.json:
            print(
                json.dumps(
                    {"about": row.about, "fine": not row.to_do, "words": row.words, "to_do": row.to_do or None},
                    ensure_ascii=False,
                ),
                flush=True,
            )
        elif row.to_do:
            print(f"LOOK   {row.about:<14} {row.words}\n{'':22}{row.to_do}", flush=True)
        else:
            print(f"fine   {row.about:<14} {row.words}", flush=True)
    return 0 if well else 1


def look(site: Site) -> Iterator[Row]:
    """Everything, in the order in which one thing rests on another."""
    health = _health(site)
    kept: dict[str, bytes] = {}
    parts: list[tuple[str, Callable[[], Iterator[Row]]]] = [
        ("clock", lambda: _clock(site)),
        ("disk", lambda: _disk(site)),
        ("store", lambda: _store(site)),
        ("broker", lambda: _broker(site, kept)),
        ("service", lambda: _service(site, health)),
        ("stations", lambda: _stations(site, kept)),
        ("sensors", lambda: _sensors(site)),
        ("page", lambda: _page(site)),
        ("people", lambda: _people(site, health)),
        ("backup", lambda: _backup(site)),
    ]
    for about, part in parts:
        try:
            yield from part()
        except PermissionError as error:
            yield Row(about, f"{error.filename} may not be read", "run this as its owner, or with sudo")
        except (Failure, OSError, sqlite3.Error) as error:
            yield Row(about, f"could not be looked at: {error}", "see whether the line tells why")


def _health(site: Site) -> dict[str, Any]:
    try:
        return Client.of_site(site).get("api/health")
    except ClientError as error:
        return {"silent": str(error)}


def _clock(site: Site) -> Iterator[Row]:
    store, now_s = site.store_path, time.time()
    newest_s = 0.0
    if store.exists():
        with closing(_read_only(store)) as db:
            newest_s = db.execute(
                "SELECT coalesce(max(received_s), 0) FROM arrivals WHERE id > (SELECT max(id) - 100 FROM arrivals)"
            ).fetchone()[0]
    shown = f"{time.strftime('%Y-%m-%d %H:%M UTC', time.gmtime(now_s))}"
    if newest_s > now_s + CLOCK_OFF_S:
        yield Row("clock", f"{shown} is earlier than what is stored already", "set this computer's clock")
        return
    try:
        said = subprocess.run(
            ["timedatectl", "show", "-P", "NTPSynchronized"], capture_output=True, text=True, timeout=10
        )
        is_set = said.stdout.strip()
    except (OSError, subprocess.TimeoutExpired):
        is_set = ""
    if is_set == "no":
        yield Row(
            "clock",
            f"{shown}, set by no time server",
            "let it reach one (timedatectl status tells), or expect times and night hours to drift",
        )
    else:
        yield Row(
            "clock", shown + (", set by a time server" if is_set == "yes" else "; who sets it cannot be told here")
        )


def _disk(site: Site) -> Iterator[Row]:
    folder = site.store_path.parent
    if not folder.is_dir():
        yield Row("disk", f"{folder} is not there", "make the folder, or mend [store] path")
        return
    usage = shutil.disk_usage(folder)
    words = f"{usage.free / 1e9:.1f} GB of {usage.total / 1e9:.0f} GB are free at {folder}"
    if usage.free < max(LEAST_FREE_BYTES, LEAST_FREE_SHARE * usage.total):
        yield Row("disk", words, "make room: a full disk stops the taking in (boards keep their readings a while)")
    else:
        yield Row("disk", words)


def _store(site: Site) -> Iterator[Row]:
    store = site.store_path
    if not store.exists():
        yield Row("store", f"{store} is not there yet", "start the service: it makes it")
        return
    with closing(_read_only(store)) as db:
        try:
            found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            packs = db.execute("SELECT count(*) FROM arrivals WHERE kind = 'readings'").fetchone()[0]
        except sqlite3.DatabaseError as error:
            found, packs = str(error), 0
    if found != "ok":
        yield Row(
            "store", f"{store} is damaged: {found}", "stop the service and bring a backup back: barreltide restore"
        )
    else:
        yield Row("store", f"{store} is sound: {packs:,} packs, {store.stat().st_size / 1e6:.1f} MB")


def _broker(site: Site, kept: dict[str, bytes]) -> Iterator[Row]:
    broker, topics = site.broker, Topics.of_site(site)
    if site.embedded_broker:
        yield Row("broker", "the service's own, which only this computer can reach; a board on Wi-Fi needs [broker]")
        return
    where = f"{broker.host}:{broker.port}"
    if broker.ca_file is not None:
        row = _certificate(site, where)
        yield row
        if row.to_do:
            return
    elif not _is_loopback(broker.host):
        yield Row("certificate", f"passwords cross the network to {where} for all to read", "TLS: [broker] ca_file")
    try:
        seen = visit(site, topics)
    except MqttError as error:
        yield Row("broker", str(error), "mend the site file")
        return
    except OSError as error:
        yield Row("broker", f"none answers at {where}: {error.strerror or error}", "sudo systemctl restart mosquitto")
        return
    kept.update(seen.kept)
    if seen.refused is not None:
        yield Row(
            "broker",
            f"{where} does not let {broker.username or 'us'} in: {seen.refused}",
            "[broker] username and password: those that the broker knows",
        )
        return
    yield Row("broker", f"{where} lets {broker.username or 'us'} in")
    if visit(site, topics, as_stranger=True).refused is None and broker.username is not None:
        yield Row("strangers", f"{where} lets in whoever comes, without a password", "mosquitto: allow_anonymous false")
    elif broker.username is not None:
        yield Row("strangers", "the broker refuses who has no password")
    try:
        standing = json.loads(kept[topics.alarms])
        yield Row("alarm list", f"the broker keeps it for lamps and buzzers: {len(standing)} standing")
    except KeyError:
        yield Row(
            "alarm list",
            f"the broker keeps none at {topics.alarms}",
            f"let the service run, and let its user {broker.username or ''} write there (the broker's rights)",
        )
    except (ValueError, TypeError):
        yield Row("alarm list", f"what the broker keeps at {topics.alarms} is no list", "see who else writes there")


def _certificate(site: Site, where: str) -> Row:
    path = site.beside(site.broker.ca_file)
    try:
        context = ssl.create_default_context(cafile=str(path))
    except (OSError, ssl.SSLError) as error:
        return Row("certificate", f"{path} is no certificate file that can be read: {error}", "mend [broker] ca_file")
    try:
        with (
            socket.create_connection((site.broker.host, site.broker.port), REACH_S) as plain,
            context.wrap_socket(plain, server_hostname=site.broker.host) as secure,
        ):
            until_s = ssl.cert_time_to_seconds(secure.getpeercert()["notAfter"])
    except ssl.SSLCertVerificationError as error:
        return Row(
            "certificate",
            f"{where} is not who it should be: {error.verify_message}",
            f"if its names or dates are wrong, {AGAIN}; if its authority is, ca_file must be the broker's",
        )
    except (OSError, ssl.SSLError) as error:
        return Row(
            "certificate",
            f"{where} does not answer with TLS: {error.strerror or error}",
            "sudo systemctl restart mosquitto; journalctl -u mosquitto tells why it would not start",
        )
    date = time.strftime("%Y-%m-%d", time.gmtime(until_s))
    if until_s - time.time() < RENEW_S:
        return Row("certificate", f"the broker's is good until {date} only", AGAIN)
    return Row("certificate", f"of our authority, for {site.broker.host}, good until {date}")


def _service(site: Site, health: dict[str, Any]) -> Iterator[Row]:
    if "silent" in health:
        yield Row(
            "service", health["silent"], "sudo systemctl start barreltide; journalctl -u barreltide -e tells more"
        )
        return
    if health.get("version") != __version__:
        yield Row(
            "service",
            f"version {health.get('version')} runs, {__version__} is installed",
            "sudo systemctl restart barreltide",
        )
    elif health.get("status") == "starting":
        yield Row("service", "is starting", "wait a minute, and look again")
    else:
        yield Row("service", f"version {__version__} runs and judges")
    for problem in health.get("problems", []):
        yield Row("service", problem, "see below, or in journalctl -u barreltide -e")


def _stations(site: Site, kept: dict[str, bytes]) -> Iterator[Row]:
    topics = Topics.of_site(site)
    for station in site.stations:
        about, age_s = station.name, _age_s(site.store_path, station.name)
        if station.usb is not None and not Path(station.usb).exists() and not site.broker.follow:
            yield Row(about, f"{station.usb} is not there", "plug its USB cable in, or mend [[station]] usb")
            continue
        presence = _object(kept.get(topics.of(station.name, "presence"), b"{}"))
        if age_s is None:
            yield Row(about, "has never been heard", "its config.json: station, broker, password; barreltide board log")
            continue
        words = f"was heard {_for_humans(age_s)} ago"
        if age_s > SILENT_S:
            yield Row(about, words, "is it powered, in reach of the Wi-Fi, and its lamp not blinking thrice?")
            continue
        firmware = presence.get("firmware")
        if firmware and firmware != ours.version():
            yield Row(
                about,
                f"{words}; its firmware is {firmware}, this version's is {ours.version()}",
                "barreltide board update",
            )
        else:
            yield Row(about, words + (f"; firmware {firmware}" if firmware else ""))


def _sensors(site: Site) -> Iterator[Row]:
    """Whether what is judged is heard under the very names that the site file has; once there is any reading."""
    store = site.store_path
    if not store.exists():
        return
    with closing(_read_only(store)) as db:
        heard_s = dict(
            db.execute(
                "SELECT name, (SELECT max(time_s) FROM readings WHERE series = series.id) FROM series"
            ).fetchall()
        )
    if not heard_s:
        return
    missing = [bed.name for bed in site.beds if not {f"{bed.name}/high", f"{bed.name}/level"} & set(heard_s)]
    for name in missing:
        yield Row(name, "no float of this bed has ever been heard", "barreltide board configure: its pin, by this name")
    if "battery/voltage" not in heard_s:
        yield Row("battery", "no voltage has ever been heard", "barreltide board configure: the pin of its divider")
    newest_s = max((at_s for at_s in heard_s.values() if at_s), default=0.0)
    places = {"sump", *(bed.name for bed in site.beds)}
    recent = [name for name, at_s in heard_s.items() if at_s and at_s > newest_s - REPEATED_S]
    strange = [
        name for name in recent if name.endswith(("/high", "/low", "/level")) and name.split("/")[0] not in places
    ]
    for name in strange:
        yield Row("sensors", f"{name} is heard, and the site file has no such bed", "the same name in both")
    if not missing and not strange and "battery/voltage" in heard_s:
        yield Row("sensors", "the battery's voltage and each bed's float have been heard")


def _page(site: Site) -> Iterator[Row]:
    web = site.web
    where = f"http://{web.host}:{web.port}"
    if _is_loopback(web.host) and not web.behind_proxy:
        yield Row("page", f"{where}, on this computer alone")
    elif SignIn(site.store_path, time.time).is_set:
        yield Row("page", f"{where}, and whoever comes from elsewhere is asked for the passphrase")
    else:
        yield Row(
            "page", f"{where} lets nobody in from elsewhere: no passphrase is set", "barreltide passphrase sets it"
        )


def _people(site: Site, health: dict[str, Any]) -> Iterator[Row]:
    ways = People.of_site(site).ways
    if not ways:
        yield Row("people", "nobody would be told of anything", "name yourself: [[person]] with urls or sms")
    errors = {row["channel"]: row["error"] for row in health.get("notify") or [] if row.get("error")}
    for way in ways:
        about = way.channel
        if way.channel in errors:
            yield Row(about, f"the last notice was not taken: {errors[way.channel]}", "barreltide notify --test")
            continue
        trouble = _modem(site) if way.kind == "sms" else _unreachable(way.address)
        if trouble:
            yield Row(about, trouble, "mend it, then barreltide notify --test")
        else:
            yield Row(about, "barreltide notify --test sends one" if trouble is None else "answers; nothing was sent")
    if site.notify.heartbeat_url and (trouble := _unreachable(site.notify.heartbeat_url)):
        yield Row("heartbeat", trouble, "mend notify.heartbeat_url, or the way to it")


def _modem(site: Site) -> str:
    device = Path(site.sms.device) if site.sms else None
    return "" if device is None or device.exists() else f"{device} is not there: is the modem plugged in?"


def _unreachable(url: str) -> str | None:
    """Why its host cannot be reached, "" where it can, None where only a sending tells. Never shows the address."""
    try:
        parts = urllib.parse.urlsplit(url)
        mail = urllib.parse.parse_qs(parts.query).get("smtp") if parts.scheme.startswith("mailto") else None
        secure = parts.scheme in ("jsons", "xmls", "forms", "https")
        if mail:
            host, port = mail[0], parts.port or 587
        elif secure or parts.scheme in ("json", "xml", "form", "http"):
            host, port = parts.hostname or "", parts.port or (443 if secure else 80)
        else:
            return None
    except ValueError:  # whose words may hold a part of the password
        return "its address cannot be read: in a name or password / is written %2F, # is %23, [ is %5B"
    try:
        socket.create_connection((host, port), REACH_S).close()
    except OSError as error:
        return f"its server cannot be reached: {error.strerror or error}"
    return ""


def _backup(site: Site) -> Iterator[Row]:
    folder = site.beside(site.store.backups)
    made = sorted(folder.glob(f"{site.store_path.stem}-*Z.db")) if folder.is_dir() else []
    if not made:
        yield Row(
            "backup", f"there is none in {folder}", "barreltide backup, or sudo systemctl start barreltide-backup"
        )
        return
    age_s = time.time() - made[-1].stat().st_mtime
    words = f"the newest is {_for_humans(age_s)} old: {made[-1]}"
    if age_s > BACKUP_OLD_S:
        yield Row("backup", words, "journalctl -u barreltide-backup tells why there is no newer one")
    else:
        yield Row("backup", words)


def _read_only(store: Path) -> sqlite3.Connection:
    with open(store, "rb"):  # SQLite's own words do not tell a file that may not be read from a damaged one
        pass
    return sqlite3.connect(f"{store.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)


def _age_s(store: Path, station: str) -> float | None:
    if not store.exists():
        return None
    with closing(_read_only(store)) as db:
        row = db.execute(
            "SELECT received_s FROM arrivals WHERE kind = 'readings' AND station = ? ORDER BY id DESC LIMIT 1",
            (station,),
        ).fetchone()
    return None if row is None else max(0.0, time.time() - row[0])


def _object(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _for_humans(age_s: float) -> str:
    for unit, seconds in (("days", 86_400), ("hours", 3_600), ("minutes", 60)):
        if age_s >= 2 * seconds:
            return f"{math.floor(age_s / seconds)} {unit}"
    return f"{age_s:.0f} seconds"


def _is_loopback(host: str) -> bool:
    return host in ("localhost", "::1") or host.startswith("127.")
