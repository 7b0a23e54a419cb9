"""`barreltide check` beside a real broker and a real service: all that is well is said to be, each harm is named."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from barreltide import mqtt
from barreltide import site as site_module
from barreltide.commands import check
from barreltide.service import Service
from conftest import free_port, until
from test_install import Client, broker, install, installed, with_program  # noqa: F401

LEAST = """
[site]
name = "garden"
latitude = 38.5
longitude = -8.9
time_zone = "Europe/Lisbon"
[battery]
capacity_ah = 100.0
[[pump]]
name = "pump"
[[bed]]
name = "bed-1"
[[station]]
name = "barrels"
"""
pytestmark = pytest.mark.xdist_group("installed")
NOT_HERE = {"clock"}  # whether a time server sets this machine's clock is not the test's to say


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(mqtt, "KEPT_COMES_S", 0.3)


@pytest.fixture(scope="module")
def garden(installed, broker, tmp_path_factory):  # noqa: F811
    """(the site file's text with its places filled in, folder) of a set-up with nothing wrong; its service runs."""
    folder = tmp_path_factory.mktemp("garden")
    for name in ("host-password", "ca.pem"):
        shutil.copy(installed / "etc/barreltide" / name, folder)
    text = (
        LEAST
        + f'[broker]\nport = {broker.port}\nusername = "host"\npassword_file = "host-password"\nca_file = "ca.pem"\n'
        + f'[web]\nport = {free_port()}\n[notify]\nurls = ["json://127.0.0.1:{broker.port}/"]\n'
    )
    (folder / "site.toml").write_text(text)
    site = site_module.load(folder / "site.toml")
    service = Service(site)
    service.start()
    until(lambda: service.live.health()["broker"]["connected"], "the service to be connected")
    station = Client(broker, installed, "barrels").read("barreltide/garden/barrels/receipt")
    station.write(
        "barreltide/garden/barrels/presence", b'{"online": true, "boot": 1, "firmware": "0.1.0"}', retain=True
    )
    head = {"bn": "garden/barrels/", "bt": time.time(), "n": "station/boot", "v": 1}
    sampled = [{"n": "battery/voltage", "u": "V", "v": 12.6}, {"n": "bed-1/high", "vb": False}]
    pack = [head, {"n": "station/seq", "v": 0}, *sampled]
    station.write("barreltide/garden/barrels/readings", json.dumps(pack).encode())
    until(lambda: station.heard, "the receipt")
    station.close()
    done = run("backup", folder)
    assert done.returncode == 0, done.stderr
    yield text, folder
    service.stop()


def run(command: str, folder: Path, *options: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "barreltide", command, "--site", str(folder / "site.toml"), *options],
        capture_output=True,
        text=True,
        timeout=60,
    )


def rows(folder: Path, text: str) -> dict[str, check.Row]:
    """What is found with another site file for the same garden; of lines about one thing, the one to look at."""
    (folder / "other.toml").write_text(text)
    found: dict[str, check.Row] = {}
    for row in check.look(site_module.load(folder / "other.toml")):
        if row.about not in found or not found[row.about].to_do:
            found[row.about] = row
    return found


def wrong(found: dict[str, check.Row]) -> set[str]:
    return {name for name, row in found.items() if row.to_do} - NOT_HERE


def test_what_is_well_is_said_to_be(garden):
    _, folder = garden
    done = run("check", folder, "--json")
    found = {row["about"]: row for row in map(json.loads, done.stdout.splitlines())}
    assert {name for name, row in found.items() if not row["fine"]} <= NOT_HERE, done.stdout
    assert {
        "disk",
        "store",
        "certificate",
        "broker",
        "strangers",
        "alarm list",
        "service",
        "barrels",
        "sensors",
        "page",
        "1 json",
        "backup",
    } <= set(found)
    assert all(row["fine"] == (row["to_do"] is None) and row["words"] for row in found.values())
    plain = run("check", folder)
    assert plain.returncode == done.returncode == int(not found["clock"]["fine"])
    lines = plain.stdout.splitlines()
    assert sum(line.startswith(("fine ", "LOOK ")) for line in lines) == len(found) and "firmware 0.1.0" in plain.stdout


@pytest.mark.parametrize(
    "old, new, about, words",
    [
        ('"ca.pem"', '"other.pem"', "certificate", "is not who it should be"),
        ('"ca.pem"', '"site.toml"', "certificate", "is no certificate file"),
        ('"ca.pem"', '"missing.pem"', "certificate", "is no certificate file"),
        ("[broker]", '[broker]\nhost = "127.0.0.2"', "certificate", "is not who it should be: IP address mismatch"),
        ('"host"', '"nobody"', "broker", "does not let nobody in"),
        ('ca_file = "ca.pem"', "", "broker", "does it ask for TLS"),
        ("json://127.0.0.1:", "json://127.0.0.1:1/x?", "1 json", "its server cannot be reached: Connection refused"),
        ("json://127.0.0.1:", "json://me:se/cret@127.0.0.1:", "1 json", "its address cannot be read"),
        ('urls = ["', 'urls = [] # "', "people", "nobody would be told"),
        ('"barrels"', '"shed"', "shed", "has never been heard"),
        ('"barrels"', '"barrels"\nusb = "/dev/no-such-board"', "barrels", "/dev/no-such-board is not there"),
        ('"bed-1"', '"lettuce"', "lettuce", "no float of this bed has ever been heard"),
        ('"bed-1"', '"lettuce"', "sensors", "bed-1/high is heard, and the site file has no such bed"),
        ("[web]", '[web]\nhost = "0.0.0.0"', "page", "no passphrase is set"),
        ("[web]", "[web]\nbehind_proxy = true", "page", "no passphrase is set"),
        ("[web]", '[store]\npath = "nowhere/a.db"\n[web]', "disk", "is not there"),
        ("[web]", '[store]\nbackups = "nowhere"\n[web]', "backup", "there is none in"),
    ],
)
def test_each_harm_in_the_site_file_is_named(garden, tmp_path, old, new, about, words):
    text, folder = garden
    if "other.pem" in new and not (folder / "other.pem").exists():
        other = with_program(tmp_path / "other")
        (other / "mine.toml").write_text(LEAST)
        assert install(other, "--site", other / "mine.toml")[0] == 0
        shutil.copy(other / "etc/barreltide/ca.pem", folder / "other.pem")
    assert old in text
    found = rows(folder, text.replace(old, new, 1))
    assert about in wrong(found) and words in found[about].words, found


def test_a_battery_of_which_no_station_tells_is_named(tmp_path):
    (tmp_path / "site.toml").write_text(LEAST)
    with sqlite3.connect(tmp_path / "barreltide.db") as store:
        store.execute("CREATE TABLE series (id INTEGER PRIMARY KEY, station, name, unit)")
        store.execute("CREATE TABLE readings (series, time_s, value)")
        site = site_module.load(tmp_path / "site.toml")
        assert list(check._sensors(site)) == [], "before anything is heard there is nothing to say"
        store.executemany("INSERT INTO series (name) VALUES (?)", [("bed-1/level",), ("bed-9/high",), ("sump/low",)])
        store.executemany("INSERT INTO readings VALUES (?, ?, 1)", [(1, 9_000), (2, 100), (3, 9_000)])
        store.commit()
        (row,) = check._sensors(site)
    assert row.about == "battery" and row.to_do, "bed-9 was heard hours before all else: it is gone"


def test_what_time_brings_is_named(garden, monkeypatch):
    text, folder = garden
    ahead_s, now, year_s = [0.0], time.time, 365 * 86_400.0
    monkeypatch.setattr(check.time, "time", lambda: now() + ahead_s[0])
    for ahead_s[0], expected in (
        (600.0, {"barrels"}),
        (9 * 86_400.0, {"barrels", "backup"}),
        (10 * year_s - 30 * 86_400.0, {"barrels", "backup", "certificate"}),
    ):
        assert wrong(rows(folder, text)) == expected
    ahead_s[0] = -3600.0
    found = rows(folder, text)
    assert "earlier than what is stored already" in found["clock"].words


def test_what_the_machine_lacks_is_named(garden, monkeypatch):
    text, folder = garden
    usage = shutil.disk_usage(folder)
    monkeypatch.setattr(check.shutil, "disk_usage", lambda _: usage._replace(free=100_000_000))
    monkeypatch.setattr(check, "__version__", "9.9.9")
    found = rows(folder, text)
    assert wrong(found) == {"disk", "service"} and "0.1 GB" in found["disk"].words
    assert "version 0.1.0 runs, 9.9.9 is installed" in found["service"].words


def test_a_board_with_old_firmware_and_a_list_that_is_none_are_named(garden, broker, installed):  # noqa: F811
    text, folder = garden
    old = b'{"online": true, "boot": 1, "firmware": "0.0.1"}'
    barrels, host = Client(broker, installed, "barrels"), Client(broker, installed, "host")
    barrels.write("barreltide/garden/barrels/presence", old, retain=True)
    host.write("barreltide/garden/alarms", b"no list", retain=True)
    found = rows(folder, text)
    assert wrong(found) == {"barrels", "alarm list"} and "firmware is 0.0.1" in found["barrels"].words
    barrels.write("barreltide/garden/barrels/presence", old.replace(b"0.0.1", b"0.1.0"), retain=True)
    host.write("barreltide/garden/alarms", b"", retain=True)
    assert wrong(rows(folder, text)) == {"alarm list"}
    host.write("barreltide/garden/alarms", b"[]", retain=True)
    for one in (barrels, host):
        one.close()


def test_a_damaged_store_and_a_service_that_is_down_are_named(garden, tmp_path):
    text, folder = garden
    (made,) = (folder / "backups").glob("*.db")
    body = bytearray(made.read_bytes())
    body[4096 * 3 : 4096 * 5] = bytes(8192)
    (tmp_path / "barreltide.db").write_bytes(body)
    for name in ("host-password", "ca.pem"):
        shutil.copy(folder / name, tmp_path)
    found = rows(tmp_path, text.replace("[web]\nport", f"[web]\nport = {free_port()} #"))
    assert {"store", "service", "backup"} <= wrong(found) and "is damaged" in found["store"].words
    assert "no service answers" in found["service"].words


def test_a_broker_that_lets_anybody_in_is_named(tmp_path, mosquitto):
    (tmp_path / "site.toml").write_text(
        LEAST + f'[broker]\nport = {mosquitto.port}\nusername = "host"\npassword = "x"\n'
    )
    found = {row.about: row for row in check.look(site_module.load(tmp_path / "site.toml"))}
    assert "lets in whoever comes" in found["strangers"].words


def test_a_follower_is_served_by_the_same_broker(garden, broker, installed, tmp_path):  # noqa: F811
    """With the user, the password and the rights that the installer made for it."""
    text, folder = garden
    shutil.copy(installed / "etc/barreltide/passwords/home", tmp_path / "home-password")
    shutil.copy(folder / "ca.pem", tmp_path)
    text = text.replace('"host"', '"home"').replace('"host-password"', '"home-password"\nfollow = true')
    (tmp_path / "site.toml").write_text(text.replace("[web]\nport", f"[web]\nport = {free_port()} #"))
    follower = Service(site_module.load(tmp_path / "site.toml"))
    follower.start()
    station = Client(broker, installed, "barrels").read("barreltide/garden/barrels/receipt")
    try:
        until(lambda: follower.live.health()["broker"]["connected"], "the follower to be connected")
        time.sleep(0.3)  # its subscription
        head = {"bn": "garden/barrels/", "bt": time.time(), "n": "station/boot", "v": 2}
        station.write("barreltide/garden/barrels/readings", json.dumps([head, {"n": "station/seq", "v": 0}]).encode())
        until(lambda: follower.store.counts()["packs"] == 1, "the pack in the follower's store")
        until(lambda: station.heard, "the receipt")
        time.sleep(0.5)
        assert [json.loads(payload) for _, payload in station.heard] == [{"boot": 2, "seq": [0]}], "the host's, once"
    finally:
        station.close()
        follower.stop()


def test_a_page_for_elsewhere_is_fine_once_it_has_a_passphrase(garden):
    text, folder = garden
    text = text.replace("[web]", '[web]\nhost = "0.0.0.0"')
    assert wrong(rows(folder, text)) == {"page"}
    command = [sys.executable, "-m", "barreltide", "passphrase", "--site", str(folder / "site.toml")]
    subprocess.run(command, input="four words are enough\n", text=True, check=True, capture_output=True, timeout=60)
    try:
        assert wrong(rows(folder, text)) == set()
    finally:
        (folder / "barreltide.db.sign-in").unlink()
