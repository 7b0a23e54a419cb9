"""The connection to a real broker, plain and TLS, and the embedded broker."""

from __future__ import annotations

import datetime
import ipaddress
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import time

import paho.mqtt.client as paho
import pytest

from barreltide import broker as broker_module
from barreltide import mqtt
from barreltide.broker import BrokerError, EmbeddedBroker
from barreltide.mqtt import Intake, MqttError
from barreltide.pack import MOST_BYTES, Topics
from barreltide.site import load
from conftest import SITE as LEAST
from conftest import Mosquitto, free_port, until

SITE = LEAST + "[broker]\n"
READINGS = "barreltide/garden/barrels/readings"


@pytest.fixture
def broker_in():
    """Makes brokers with settings of their own: broker_in(folder, settings, port)."""
    made: list[Mosquitto] = []
    yield lambda *arguments, **more: made.append(Mosquitto(*arguments, **more)) or made[-1]
    for broker in made:
        broker.kill()


@pytest.fixture
def intake_for(tmp_path):
    made: list[Intake] = []

    def make(broker: str, start=True) -> Intake:
        (tmp_path / "site.toml").write_text(SITE + broker)
        site = load(tmp_path / "site.toml")
        intake = Intake(site, Topics.of_site(site))
        made.append(intake)
        if start:
            intake.start()
        return intake

    yield make
    for intake in made:
        intake.stop()


class Peer:
    """Another client of the broker, on the station's side."""

    def __init__(self, port: int, *topics: str) -> None:
        self.heard: list[paho.MQTTMessage] = []
        subscribed: list[int] = []
        self.client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self.client.on_message = lambda client, data, message: self.heard.append(message)
        self.client.on_subscribe = lambda client, data, mid, reasons, properties: subscribed.append(mid)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        if topics:
            self.client.subscribe([(topic, 1) for topic in topics])
            until(lambda: subscribed, "the subscription")

    def send(self, topic: str, payload: bytes) -> None:
        self.client.publish(topic, payload, qos=1).wait_for_publish(30)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def peer(mosquitto):
    peer = Peer(mosquitto.port, "barreltide/#")
    yield peer
    peer.close()


def test_what_is_not_acknowledged_comes_again_and_what_is_does_not(mosquitto, peer, intake_for):
    intake = intake_for(f"port = {mosquitto.port}")
    until(lambda: intake.connected, "the connection")
    for number in range(3):
        peer.send(READINGS, b"%d" % number)
    messages = [intake.messages.get(timeout=30) for _ in range(3)]
    intake.acknowledge(messages[:2])
    time.sleep(0.2)
    intake.stop()
    again = intake_for(f"port = {mosquitto.port}")
    assert again.messages.get(timeout=30).payload == b"2"
    peer.send(READINGS, b"3")
    assert again.messages.get(timeout=30).payload == b"3", "and nothing else came before it"


def test_receipts_and_alarms(mosquitto, peer, intake_for):
    intake = intake_for(f"port = {mosquitto.port}")
    intake.tell_alarms([{"alarm": "pump-stopped"}])  # before the connection: told once there is one
    until(lambda: intake.connected, "the connection")
    intake.receipts({("barrels", 7): list(range(600)), ("shed", 8): [3]})
    until(lambda: len(peer.heard) >= 4, "alarms and three receipts")
    told = [(message.topic, json.loads(message.payload)) for message in peer.heard]
    assert ("barreltide/garden/alarms", [{"alarm": "pump-stopped"}]) in told
    assert ("barreltide/garden/barrels/receipt", {"boot": 7, "seq": list(range(500))}) in told
    assert ("barreltide/garden/barrels/receipt", {"boot": 7, "seq": list(range(500, 600))}) in told
    assert ("barreltide/garden/shed/receipt", {"boot": 8, "seq": [3]}) in told
    late = Peer(mosquitto.port, "barreltide/garden/alarms")
    until(lambda: late.heard, "the retained alarms")
    late.close()


def test_a_full_queue_holds_the_broker_back_and_loses_nothing(mosquitto, peer, intake_for, monkeypatch):
    monkeypatch.setattr(mqtt, "MOST_WAITING", 5)
    intake = intake_for(f"port = {mosquitto.port}")
    until(lambda: intake.connected, "the connection")
    for number in range(60):
        peer.send(READINGS, b"%d" % number)
    until(lambda: intake.messages.qsize() == 5, "the queue to fill")
    time.sleep(1.2)  # long enough for an impatient thread to pass a message over
    assert intake.messages.qsize() == 5
    got = []
    while len(got) < 60:
        message = intake.messages.get(timeout=30)
        got.append(int(message.payload))
        intake.acknowledge([message])
    assert got == list(range(60))


def test_a_callback_that_fails_does_not_end_the_thread(mosquitto, peer, intake_for, monkeypatch, caplog):
    intake = intake_for(f"port = {mosquitto.port}")
    until(lambda: intake.connected, "the connection")
    put = intake._put
    monkeypatch.setattr(intake, "_put", lambda message: 1 / 0 if message.payload == b"bad" else put(message))
    peer.send(READINGS, b"bad")
    peer.send(READINGS, b"good")
    assert intake.messages.get(timeout=30).payload == b"good"
    assert "could not be taken in" in caplog.text


def test_a_huge_message_is_cut_but_its_size_is_known(mosquitto, peer, intake_for):
    intake = intake_for(f"port = {mosquitto.port}")
    until(lambda: intake.connected, "the connection")
    peer.send(READINGS, bytes(200_000))
    message = intake.messages.get(timeout=30)
    assert (len(message.payload), message.size) == (MOST_BYTES, 200_000)


def test_no_broker_is_one_line_and_the_connection_comes_with_it(tmp_path, broker_in, intake_for, caplog):
    caplog.set_level(logging.INFO)
    port = free_port()
    intake = intake_for(f"port = {port}")
    until(lambda: "no broker answers" in (intake.problem or ""), "the first attempt to fail")
    time.sleep(2.5)  # another attempt or two
    assert [record.message for record in caplog.records] == [
        f"no broker answers at 127.0.0.1:{port}; trying on (is it running, and the port right?)"
    ]
    broker = broker_in(tmp_path / "late", port=port).start()
    until(lambda: intake.connected and intake.problem is None, "the connection")
    broker.kill()
    until(lambda: intake.problem, "the loss to be seen")
    assert "was lost" in intake.problem or "no broker answers" in intake.problem
    broker.start()
    until(lambda: intake.connected and intake.problem is None, "the connection again", 60)
    broker.kill()


def test_a_broker_that_refuses_is_named(tmp_path, broker_in, intake_for, caplog):
    broker = broker_in(tmp_path / "closed", f"password_file {tmp_path / 'users'}")
    (tmp_path / "users").write_text("")
    broker.configuration.write_text(
        broker.configuration.read_text().replace("allow_anonymous true", "allow_anonymous false")
    )
    broker.start()
    intake = intake_for(f'port = {broker.port}\nusername = "host"\npassword = "wrong"')
    until(lambda: "refuses us" in (intake.problem or ""), "the refusal")
    time.sleep(2.5)  # another attempt or two
    assert not intake.connected and [record.message for record in caplog.records] == [intake.problem]
    assert "refuses us: Not authorized" in intake.problem and "wrong" not in intake.problem
    broker.kill()


def certificates(folder) -> None:
    """A CA and a certificate for 127.0.0.1, made for this test alone."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    def name(text: str) -> x509.Name:
        return x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, text)])

    def certificate(subject, key, issuer, signing, *extensions):
        now = datetime.datetime.now(datetime.UTC)
        builder = (
            x509.CertificateBuilder().subject_name(name(subject)).issuer_name(name(issuer)).public_key(key.public_key())
            .serial_number(x509.random_serial_number()).not_valid_before(now - datetime.timedelta(days=1))
            .not_valid_after(now + datetime.timedelta(days=1))
        )  # fmt: skip
        for extension, critical in extensions:
            builder = builder.add_extension(extension, critical)
        return builder.sign(signing, hashes.SHA256())

    authority, server = ec.generate_private_key(ec.SECP256R1()), ec.generate_private_key(ec.SECP256R1())
    root = certificate("test CA", authority, "test CA", authority, (x509.BasicConstraints(True, None), True))
    address = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    leaf = certificate("127.0.0.1", server, "test CA", authority, (address, False))
    pem = serialization.Encoding.PEM
    (folder / "ca.pem").write_bytes(root.public_bytes(pem))
    (folder / "server.pem").write_bytes(leaf.public_bytes(pem))
    (folder / "server.key").write_bytes(server.private_bytes(
        pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()))  # fmt: skip


def test_tls_with_the_sites_own_ca(tmp_path, broker_in, intake_for):
    certificates(tmp_path)
    broker = broker_in(
        tmp_path / "tls", f"certfile {tmp_path / 'server.pem'}\nkeyfile {tmp_path / 'server.key'}"
    ).start()
    (tmp_path / "secret").write_text("well-kept\n")
    intake = intake_for(f'port = {broker.port}\nca_file = "ca.pem"\nusername = "host"\npassword_file = "secret"')
    until(lambda: intake.connected and intake.problem is None, "the connection over TLS")
    (tmp_path / "other").mkdir()
    certificates(tmp_path / "other")
    stranger = intake_for(f'port = {broker.port}\nca_file = "other/ca.pem"')
    until(lambda: "no broker answers" in (stranger.problem or ""), "the stranger's certificate to be refused")
    assert not stranger.connected


@pytest.mark.parametrize(
    ("broker", "line"),
    [
        ('ca_file = "none.pem"', "broker.ca_file: .*none.pem is no certificate file"),
        ('ca_file = "site.toml"', "broker.ca_file: .*site.toml is no certificate file"),
        ('username = "host"\npassword_file = "none"', "broker.password_file: .*none cannot be read"),
        ('password = "x"', "broker.username: is missing; a password needs one"),
    ],
)
def test_settings_that_cannot_be_used(intake_for, broker, line):
    with pytest.raises(MqttError, match=line):
        intake_for(broker, start=False)


# The embedded broker.


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture(params=["iotcore", "mosquitto"])
def embedded(request, monkeypatch):
    find_spec = broker_module.importlib.util.find_spec
    if request.param == "iotcore" and find_spec("iotcore") is None:
        pytest.skip("iotcore has no wheel for this platform")
    if request.param == "mosquitto":
        monkeypatch.setattr(
            broker_module.importlib.util, "find_spec", lambda name: None if name == "iotcore" else find_spec(name)
        )
        if broker_module.shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin") is None:
            pytest.skip("mosquitto is not installed (Debian: apt-get install mosquitto)")
    broker = EmbeddedBroker(0)
    broker.start()
    yield broker
    broker.stop()
    assert not listens(broker.port)


def test_embedded_broker_carries_messages_and_is_revived(embedded):
    def heard_back(payload: bytes) -> bool:
        peer = Peer(embedded.port, "a/b")
        peer.send("a/b", payload)
        until(lambda: peer.heard, "the message")
        peer.close()
        return peer.heard[0].payload == payload

    assert heard_back(bytes(70_000)), "a pack may be 64 KiB"
    assert not embedded.revive()
    os.kill(embedded._child.pid, signal.SIGKILL)
    until(embedded.revive, "its death to be seen")
    until(lambda: listens(embedded.port), "it to listen again")
    assert heard_back(b"again")


def test_a_port_in_use_is_one_clear_line(embedded):
    with pytest.raises(
        BrokerError, match=rf"port {embedded.port} of 127.0.0.1 cannot be had.*\[broker\] with host and port"
    ):
        EmbeddedBroker(embedded.port).start()


def test_no_broker_at_all_is_one_clear_line(monkeypatch):
    monkeypatch.setattr(broker_module.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(broker_module.shutil, "which", lambda name, path=None: None)
    with pytest.raises(BrokerError, match="install mosquitto, or name a broker in the site file's"):
        EmbeddedBroker(0).start()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux ends a child with its parent (prctl)")
def test_it_dies_with_a_parent_that_is_killed():
    code = (
        "import time\nfrom barreltide.broker import EmbeddedBroker\n"
        "b = EmbeddedBroker(0)\nb.start()\nprint(b.port, flush=True)\ntime.sleep(600)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    port = int(parent.stdout.readline())
    assert listens(port)
    parent.kill()
    parent.wait()
    until(lambda: not listens(port), "the broker to end with its parent")
