"""The installer, into a folder instead of onto this computer, and a real broker with what it wrote.

What only a whole Debian shows (users, systemd, an update that fails, removing) is walked through by tests/install/walk.
"""

from __future__ import annotations

import contextlib
import importlib.machinery
import importlib.util
import json
import re
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from barreltide import cli
from barreltide.board import configure
from barreltide.site import load
from conftest import SITE, Mosquitto, until
from firmware_board import config
from usb_board import UsbBoard

ROOT = Path(__file__).resolve().parent.parent
DEPLOY = ROOT / "deploy"
pytestmark = pytest.mark.xdist_group("installed")  # one installation for all that look at it
UNITS = ("barreltide.service", "barreltide-backup.service", "barreltide-backup.timer")
STATIONS = SITE + '[[station]]\nname = "shed"\n'


def installer():
    loader = importlib.machinery.SourceFileLoader("installer", str(DEPLOY / "install"))
    sys.path.insert(0, str(DEPLOY))
    spec = importlib.util.spec_from_loader("installer", loader)
    module = importlib.util.module_from_spec(spec)
    sys.modules["installer"] = module
    sys.dont_write_bytecode = True
    loader.exec_module(module)
    sys.path.remove(str(DEPLOY))
    return module


def install(root: Path, *arguments: object) -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, str(DEPLOY / "install"), "--root", str(root), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, done.stdout + done.stderr


def with_program(root: Path) -> Path:
    """The program as if installed already: making its private Python takes minutes and the internet."""
    module = installer()
    version = module._program(module.Machine(str(root), dry=True), module.argparse.Namespace(wheels=None))
    place = root / "opt/barreltide/versions" / version
    (place / "bin").mkdir(parents=True)
    (place / "bin/python").write_text(f'#!/bin/sh\nexec {sys.executable} "$@"\n')
    (place / "bin/python").chmod(0o755)
    shutil.copytree(DEPLOY, place / "deploy")
    (place / "complete").touch()
    return root


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed (Debian: apt-get install openssl)")
    root = with_program(tmp_path_factory.mktemp("installed"))
    (root / "mine.toml").write_text(STATIONS)
    status, said = install(root, "--site", root / "mine.toml", "--name", "garden.example", "--name", "192.0.2.7")
    assert status == 0, said
    return root


def tree(root: Path) -> dict[str, tuple[bytes, int]]:
    return {
        str(file.relative_to(root)): (file.read_bytes(), file.stat().st_mode)
        for file in root.rglob("*")
        if file.is_file()
    }


def test_installed_again_nothing_changes(installed):
    before = tree(installed)
    status, said = install(installed, "--name", "garden.example", "--name", "192.0.2.7")
    assert status == 0 and "nothing was changed" in said, said
    assert tree(installed) == before


def test_a_dry_run_changes_nothing_and_says_what_it_would_do(tmp_path):
    root = with_program(tmp_path / "root")
    (root / "mine.toml").write_text(STATIONS)
    before = tree(root)
    status, said = install(root, "--site", root / "mine.toml", "--dry-run")
    assert status == 0 and tree(root) == before, said
    assert "would write /etc/barreltide/site.toml" in said and "would make an authority" in said
    known = ("would ", "systemd does not", "look ", "boards ", "  sudo barreltide board configure --from /etc")
    assert all(line.startswith(known) for line in said.splitlines())


def test_what_is_secret_is_private(installed):
    private = [
        *installed.glob("etc/barreltide/passwords/*"),
        *installed.glob("etc/barreltide/boards/*/config.json"),
        installed / "etc/barreltide/ca.key",
    ]
    assert len(private) == 7 and all(file.stat().st_mode & 0o777 == 0o600 for file in private)
    for name in (
        "etc/barreltide/site.toml",
        "etc/barreltide/host-password",
        "etc/mosquitto/barreltide/passwords",
        "etc/mosquitto/barreltide/server.key",
    ):
        assert (installed / name).stat().st_mode & 0o777 == 0o640, name
    site = load(installed / "etc/barreltide/site.toml")
    assert site.broker.ca_file == "ca.pem" and str(site.store_path) == "/var/lib/barreltide/barreltide.db"


def test_what_does_not_fit_is_said_in_one_line_before_anything_is_written(tmp_path):
    wrong = {
        "": "no site file yet: copy deploy/site.example.toml",
        STATIONS.replace("latitude", "lattitude"): "site.lattitude: no such key; did you mean latitude?",
        STATIONS.replace('"shed"', '"home"'): "station 'home': the broker has a user of that name already",
        STATIONS + '[store]\npath = "mine.db"\n': "a file in /var/lib/barreltide/ would do",
    }
    for number, (text, words) in enumerate(wrong.items()):
        root = with_program(tmp_path / str(number))
        (root / "mine.toml").write_text(text)
        status, said = install(root, *(["--site", root / "mine.toml"] if text else []))
        assert status == 1 and words in said.splitlines()[-1], said
        assert not (root / "etc/mosquitto").exists()


def test_a_board_is_told_the_beds_names_where_nobody_can_mistake_them(tmp_path):
    """Of two stations it is not known whose bed is which."""
    wired = SITE.replace('name = "barrels"', 'name = "barrels"\nusb = "/dev/ttyACM0"') + '[[bed]]\nname = "mint"\n'
    for number, (text, expected) in enumerate(((wired, {"bed-1": {}, "mint": {}}), (STATIONS, None))):
        root = with_program(tmp_path / str(number))
        (root / "mine.toml").write_text(text)
        status, said = install(root, "--site", root / "mine.toml")
        command = "  sudo barreltide board configure --from /etc/barreltide/boards/barrels/config.json"
        assert status == 0 and command in said.splitlines(), said
        part = json.loads((root / "etc/barreltide/boards/barrels/config.json").read_text())
        assert part.get("beds") == expected and part.get("wired") == (True if expected else None)
        configure.check(json.dumps(part))


def test_a_broker_of_ones_own_is_left_alone(tmp_path):
    root = with_program(tmp_path / "root")
    (root / "mine.toml").write_text(
        SITE + '[broker]\nhost = "garden.example"\nport = 8883\nusername = "home"\npassword_file = "home-password"\n'
        'ca_file = "garden-ca.pem"\nfollow = true\n'
    )
    (root / "home-password").write_text("secret")
    (root / "garden-ca.pem").write_text("certificate")
    status, said = install(root, "--site", root / "mine.toml")
    assert status == 0 and "leave mosquitto alone" in said, said
    assert not (root / "etc/mosquitto").exists() and (root / "etc/barreltide/home-password").read_text() == "secret"
    assert (root / "etc/barreltide/garden-ca.pem").is_file()
    others = root / "etc/mosquitto/conf.d/mine.conf"
    others.parent.mkdir(parents=True)
    others.write_text("listener 1883\n")
    (root / "etc/barreltide/site.toml").write_text(STATIONS)
    status, said = install(root)
    assert status == 1 and "mine.conf: mosquitto is set up for something else already" in said


def test_whatever_is_put_in_place_is_taken_off_again(installed):
    text = (DEPLOY / "remove").read_text()
    listed = text.partition("files=(")[2].partition(")")[0].split()
    taken = [name for name in listed if name.startswith("/")] + [f"/etc/systemd/system/{unit}" for unit in UNITS]
    kept = re.search(r"purge\"? \] \|\| files\+=\(([^)]*)\)", text)[1].split()
    put = {f"/{file.relative_to(installed)}" for file in installed.rglob("*") if file.is_file() or file.is_symlink()}
    put.discard("/mine.toml")
    assert len(put) > 15 and "/usr/local/bin/barreltide" in put
    assert [name for name in put if not any(name == one or name.startswith(f"{one}/") for one in taken + kept)] == []
    assert {"/etc/barreltide", "/var/lib/barreltide", "/var/backups/barreltide"} == set(kept), "what stays"


@pytest.mark.parametrize(
    "options, status, words", [(["--dry-run"], 0, "kept: /var/lib"), (["--all"], 2, "is no option")]
)
def test_removing_says_what_it_would_do_and_takes_no_other_word(options, status, words):
    done = subprocess.run([str(DEPLOY / "remove"), *options], capture_output=True, text=True, timeout=30)
    assert done.returncode == status and words in done.stdout + done.stderr


# -- the broker


@pytest.fixture(scope="module")
def broker(installed, tmp_path_factory):
    """A real mosquitto with the configuration that was written, but for its place and its port."""
    folder = tmp_path_factory.mktemp("broker")
    made = Mosquitto(folder)
    text = (installed / "etc/mosquitto/conf.d/barreltide.conf").read_text()
    text = text.replace("/etc/mosquitto", f"{installed}/etc/mosquitto").replace("8883", str(made.port))
    made.configuration.write_text(f"user root\npersistence true\npersistence_location {folder / 'data'}/\n{text}")
    yield made.start()
    made.kill()


class Client:
    """One who tries: `heard` is what came, `let_in` whether the broker took it."""

    def __init__(self, broker, installed: Path, user: str | None, password: str | None = None, ca: Path | None = None):
        self.heard: list[tuple[str, bytes]] = []
        self.let_in: bool | None = None
        answered = threading.Event()
        if user is not None and password is None:
            password = (installed / "etc/barreltide/passwords" / user).read_text().strip()
        self.client = client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        if user is not None:
            client.username_pw_set(user, password)
        client.tls_set(ca_certs=str(ca or installed / "etc/barreltide/ca.pem"))

        def connected(client, data, flags, reason, properties):
            self.let_in = not reason.is_failure
            answered.set()

        client.on_connect = connected
        client.on_message = lambda client, data, message: self.heard.append((message.topic, message.payload))
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        assert answered.wait(30)

    def read(self, *topics: str) -> Client:
        done = threading.Event()
        self.client.on_subscribe = lambda *_: done.set()
        self.client.subscribe([(topic, 1) for topic in topics])
        assert done.wait(30)
        return self

    def write(self, topic: str, payload: bytes = b"x", retain: bool = False) -> Client:
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(30)
        return self

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def client(broker, installed):
    made: list[Client] = []
    yield lambda *arguments, **more: made.append(Client(broker, installed, *arguments, **more)) or made[-1]
    for one in made:
        one.close()


def test_strangers_are_refused(client, broker, installed, tmp_path):
    assert client("host").let_in and client("barrels").let_in and client("home").let_in
    assert not client(None).let_in
    assert not client("barrels", "guessed").let_in
    assert not client("nobody", "guessed").let_in
    assert not client("host", (installed / "etc/barreltide/passwords/barrels").read_text().strip()).let_in
    with socket.create_connection(("127.0.0.1", broker.port), timeout=30) as plain:  # without TLS there is no answer
        plain.sendall(bytes.fromhex("100d00044d5154540402003c000178"))  # CONNECT, MQTT 3.1.1
        answer = b""
        with contextlib.suppress(ConnectionResetError):
            answer = plain.recv(100)
        assert answer[:1] in (b"", b"\x15"), "closed, or TLS's own alert"


def test_a_broker_of_another_authority_is_not_believed(client, installed, tmp_path):
    other = with_program(tmp_path / "other")
    (other / "mine.toml").write_text(STATIONS)
    assert install(other, "--site", other / "mine.toml")[0] == 0
    with pytest.raises(ssl.SSLCertVerificationError, match="unable to get local issuer|self.signed"):
        client("barrels", ca=other / "etc/barreltide/ca.pem")


def test_each_may_only_what_is_its_own(client):
    """What the rights refuse looks as if it had been taken (MQTT 3.1.1): only what arrives tells."""
    everything = "barreltide/#"
    host = client("host").read(everything)
    barrels, shed, home = (client(name).read(everything) for name in ("barrels", "shed", "home"))
    for name, one in (("barrels", barrels), ("shed", shed), ("home", home), ("host", host)):
        for topic in (
            "barrels/readings",
            "shed/readings",
            "barrels/presence",
            "barrels/receipt",
            "alarms",
            "other/readings",
        ):
            one.write(f"barreltide/garden/{topic}", f"{name} {topic}".encode())
        one.write("barreltide/elsewhere/barrels/readings", name.encode())
    heard = lambda one: sorted(payload.decode() for _, payload in one.heard)  # noqa: E731
    told = ["host alarms"]
    stations = ["barrels barrels/presence", "barrels barrels/readings", "shed shed/readings"]
    until(lambda: len(heard(barrels)) >= 3 and len(heard(home)) >= 4, "what may be read")
    time.sleep(0.3)
    assert heard(host) == sorted(told + stations)
    assert heard(home) == sorted(told + stations)
    assert heard(barrels) == sorted(told + ["host barrels/receipt", "barrels barrels/presence"])
    assert heard(shed) == told


def test_the_certificate_is_for_the_names_that_were_asked_for(installed, broker):
    context = ssl.create_default_context(cafile=str(installed / "etc/barreltide/ca.pem"))
    context.verify_flags |= ssl.VERIFY_X509_STRICT  # Python's own default from 3.13 on
    for name in ("127.0.0.1", "localhost", "barreltide", "garden.example", "192.0.2.7"):
        with socket.create_connection(("127.0.0.1", broker.port)) as plain:
            with context.wrap_socket(plain, server_hostname=name) as secure:
                assert secure.version() in ("TLSv1.2", "TLSv1.3")
    with socket.create_connection(("127.0.0.1", broker.port)) as plain:
        with pytest.raises(ssl.SSLCertVerificationError, match="not valid for"):
            context.wrap_socket(plain, server_hostname="other.example")


def test_a_board_gets_in_with_what_was_written_for_it(installed, broker, client, tmp_path, capsys):
    """As the guide says: `board configure --from` its part, the authority beside it; then the rest. Real firmware."""
    shutil.copytree(installed / "etc/barreltide/boards/barrels", tmp_path / "barrels")
    part = json.loads((tmp_path / "barrels/config.json").read_text())
    part["broker"] |= {"host": "127.0.0.1", "port": broker.port}
    (tmp_path / "barrels/config.json").write_text(json.dumps(part))
    rest = {name: value for name, value in config(broker.port).items() if name not in part}
    (tmp_path / "rest.json").write_text(json.dumps(part | rest | {"publish_s": 1, "sample_s": 1}))
    host = client("host").read("barreltide/garden/+/readings")
    board = UsbBoard(tmp_path / "board").give_firmware().power_on()
    try:
        board.settle()
        assert (
            cli.main(["board", "configure", "--from", f"{tmp_path}/barrels/config.json", "--port", board.device]) == 0
        )
        assert "ca.der is on the board" in capsys.readouterr().out
        assert (
            part["broker"]["password"] == json.loads((board.folder / "config.json").read_text())["broker"]["password"]
        )
        shutil.move(tmp_path / "rest.json", tmp_path / "barrels/config.json")
        board.settle()
        assert (
            cli.main(["board", "configure", "--from", f"{tmp_path}/barrels/config.json", "--port", board.device]) == 0
        )
        measured = lambda: [topic for topic, payload in host.heard if b"battery/voltage" in payload]  # noqa: E731
        topic = until(measured, "the board's first reading of the battery")[0]
    finally:
        board.scrap()
    assert topic == "barreltide/garden/barrels/readings"


# -- systemd's units


def test_the_units_are_sound_and_what_their_hardening_leaves_is_explained(tmp_path):
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not installed")
    units = [tmp_path / name for name in UNITS]
    for unit in units:
        unit.write_text((DEPLOY / unit.name).read_text().replace("/opt/barreltide/current/bin/barreltide", "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", *map(str, units)], capture_output=True, text=True)
    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    text = (DEPLOY / "barreltide.service").read_text()
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(units[0])], capture_output=True, text=True
    )
    findings = re.findall(r"✗ (\S+)", done.stdout)
    explained = text.partition("[Unit]")[0]
    assert 5 < len(findings) < 15
    assert [name for name in findings if name.rstrip("=").split("=/")[0].rstrip("=") not in explained] == []
    level = float(re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)[1])
    assert level <= 2.0
