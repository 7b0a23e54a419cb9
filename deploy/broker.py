"""The garden's mosquitto, for deploy/install: a password for each user, what each may, TLS from an authority made here.

A station publishes as itself and reads its own receipts; a second host that follows may only read; nobody else gets in.
Boards expect the certificate for one name, TLS_NAME, whatever address this computer has. What cannot be helped: a
station with a good password may claim the host's name in its session and push it off the broker; the host comes again.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import ipaddress
import json
import secrets
import shutil
import socket
import subprocess
from pathlib import Path

from machine import Machine, Stop, ask

CHECKOUT = Path(__file__).resolve().parent.parent
TLS_NAME = "barreltide"  # what boards expect in the broker's certificate, whatever address it has
TLS_PORT = 8883
MOST_BEDS = 4  # of one board: firmware/station/settings.py
CA_DAYS, SERVER_DAYS, RENEW_DAYS = 7300, 3650, 90  # common practice, no source: nobody renews by hand in a garden


def set_up(machine: Machine, site: dict, options: argparse.Namespace) -> bool:
    """Passwords, who may what, certificates; whether anything changed."""
    others = [
        file.name for file in machine.at("/etc/mosquitto/conf.d").glob("*.conf") if file.name != "barreltide.conf"
    ]
    if others:
        raise Stop(
            f"/etc/mosquitto/conf.d/{others[0]}: mosquitto is set up for something else already; name it in the "
            "site file's [broker], with its password and ca_file, and give the stations their rights there"
        )
    if twins := {"host", options.follower} & set(site["stations"]):
        raise Stop(f"station {twins.pop()!r}: the broker has a user of that name already; another name would do")
    users = {name: _password(machine, name) for name in ("host", options.follower, *site["stations"])}
    machine.write("/etc/barreltide/host-password", users["host"] + "\n", 0o640, "barreltide")
    before = machine.changes
    hashes = _hashes(machine, users)
    machine.write("/etc/mosquitto/barreltide/passwords", hashes, 0o640, "mosquitto")
    machine.write("/etc/mosquitto/barreltide/rights", rights(site, options.follower), 0o640, "mosquitto")
    ca_der = _certificates(machine, options.name)
    machine.write("/etc/mosquitto/conf.d/barreltide.conf", (CHECKOUT / "deploy" / "mosquitto.conf").read_text())
    changed = machine.changes > before
    for station, usb in site["stations"].items():
        folder = f"/etc/barreltide/boards/{station}"
        part = {
            "site": site["site"],
            "station": station,
            **({"wired": True} if usb else {}),
            **_beds(site),
            "broker": {
                "host": addresses()[0],
                "port": TLS_PORT,
                "username": station,
                "password": users[station],
                "ca_file": "ca.der",
                "certificate_name": TLS_NAME,
                "root": site["root"],
            },
        }
        machine.write(f"{folder}/config.json", json.dumps(part, indent=2) + "\n", 0o600)
        machine.write(f"{folder}/ca.der", ca_der, 0o644)
    return changed


def _beds(site: dict) -> dict:
    """The beds' names for a board's settings, without pins; of several stations nobody has told whose is which."""
    names = site["beds"] if len(site["stations"]) == 1 else []
    return {"beds": {name: {} for name in names}} if 0 < len(names) <= MOST_BEDS else {}


def rights(site: dict, follower: str) -> str:
    """mosquitto's list of who may read and write which topics."""
    garden = f"{site['root']}/{site['site']}"
    lines = ["# Written by deploy/install. A station publishes as itself and reads its own receipts; nobody else does."]
    lines += [
        "user host",
        f"topic read {garden}/+/readings",
        f"topic read {garden}/+/presence",
        f"topic write {garden}/+/receipt",
        f"topic readwrite {garden}/alarms",
    ]
    lines += [f"user {follower}", *(f"topic read {garden}/{what}" for what in ("+/readings", "+/presence", "alarms"))]
    for station in site["stations"]:
        lines += [
            f"user {station}",
            f"topic write {garden}/{station}/readings",
            f"topic readwrite {garden}/{station}/presence",
            f"topic read {garden}/{station}/receipt",
            f"topic read {garden}/alarms",
        ]
    return "\n".join(lines) + "\n"


def _password(machine: Machine, name: str) -> str:
    """The one that there is, else a new one. Kept for root alone, so that a board can be set up again."""
    file = machine.at(f"/etc/barreltide/passwords/{name}")
    if file.is_file():
        return file.read_text().strip()
    password = secrets.token_urlsafe(18)
    machine.folder("/etc/barreltide/passwords", 0o700)
    machine.write(f"/etc/barreltide/passwords/{name}", password + "\n", 0o600)
    return password


def _hashes(machine: Machine, users: dict[str, str]) -> str:
    """mosquitto's password file; lines that still fit stay, so that nothing changes where nothing did."""
    file = machine.at("/etc/mosquitto/barreltide/passwords")
    known = dict(line.split(":", 1) for line in file.read_text().splitlines()) if file.is_file() else {}
    return "".join(f"{name}:{_hash(password, known.get(name))}\n" for name, password in users.items())


def _hash(password: str, known: str | None) -> str:
    """mosquitto-passwd(5): $7$rounds$salt$hash, PBKDF2 with SHA-512, in base 64."""
    salt = base64.b64decode(known.split("$")[3]) if known else secrets.token_bytes(12)
    rounds = 101  # mosquitto_passwd's own; the passwords are long and random
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    made = "$7$%d$%s$%s" % (rounds, base64.b64encode(salt).decode(), base64.b64encode(digest).decode())
    return made if known in (None, made) else _hash(password, None)


def addresses() -> list[str]:
    """This computer's addresses in its network, as a board would use them; the likeliest first."""
    found: list[str] = []
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # sends nothing: it only asks which way it would go
            found.append(probe.getsockname()[0])
    except OSError:
        pass
    said = ask("hostname", "-I")[1] if shutil.which("hostname") else ""
    found += [word for word in said.split() if ":" not in word and word not in found]
    return found or [f"{socket.gethostname()}.local"]


def _certificates(machine: Machine, more_names: list[str]) -> bytes:
    """An authority, made once, and the broker's certificate from it, made anew where names or dates ask for it. Answers
    with the authority's certificate as boards read it, DER."""
    ca, ca_key, server = "/etc/barreltide/ca.pem", "/etc/barreltide/ca.key", "/etc/mosquitto/barreltide/server.pem"
    host = socket.gethostname()
    names = dict.fromkeys([TLS_NAME, "localhost", host, f"{host}.local", "127.0.0.1", *addresses(), *more_names])
    alternative = ",".join(f"{'IP' if _is_address(name) else 'DNS'}:{name}" for name in names)
    if not machine.at(ca).exists() and machine.say("make an authority of your own for certificates"):
        key = _openssl("ecparam", "-name", "prime256v1", "-genkey", "-noout")
        machine.write(ca_key, key, 0o600)
        machine.write(
            ca,
            _openssl(
                "req",
                "-x509",
                "-new",
                "-key",
                str(machine.at(ca_key)),
                "-sha256",
                "-days",
                str(CA_DAYS),
                "-subj",
                f"/CN=Barreltide at {host}",
                "-addext",
                "basicConstraints=critical,CA:TRUE,pathlen:0",
                "-addext",
                "keyUsage=critical,keyCertSign,cRLSign",
            ),
        )
    if not _serves(machine, server, ca, names) and machine.say(f"make the broker's certificate for {', '.join(names)}"):
        key = _openssl("ecparam", "-name", "prime256v1", "-genkey", "-noout")
        machine.write("/etc/mosquitto/barreltide/server.key", key, 0o640, "mosquitto")
        request = _openssl(
            "req", "-new", "-key", str(machine.at("/etc/mosquitto/barreltide/server.key")), "-subj", f"/CN={TLS_NAME}"
        )
        extensions = (
            f"subjectAltName={alternative}\nextendedKeyUsage=serverAuth\nkeyUsage=critical,digitalSignature\n"
            "basicConstraints=critical,CA:FALSE\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
        )
        (scratch := machine.at("/etc/mosquitto/barreltide/.extensions")).write_text(extensions)
        made = _openssl(
            "x509",
            "-req",
            "-CA",
            str(machine.at(ca)),
            "-CAkey",
            str(machine.at(ca_key)),
            "-sha256",
            "-days",
            str(SERVER_DAYS),
            "-set_serial",
            str(secrets.randbits(120)),
            "-extfile",
            str(scratch),
            given=request,
        )
        scratch.unlink()
        machine.write(server, made, 0o640, "mosquitto")
    machine.at(ca).exists() and machine.write("/etc/mosquitto/barreltide/ca.pem", machine.at(ca).read_bytes())
    return _openssl("x509", "-in", str(machine.at(ca)), "-outform", "DER") if machine.at(ca).exists() else b""


def _serves(machine: Machine, server: str, ca: str, names: dict[str, None]) -> bool:
    """Whether the broker's certificate is of this authority, good for long enough and for all these names."""
    file = machine.at(server)
    if not file.exists() or not machine.at("/etc/mosquitto/barreltide/server.key").exists():
        return False
    checks = [
        ["verify", "-CAfile", str(machine.at(ca)), str(file)],
        ["x509", "-in", str(file), "-noout", "-checkend", str(RENEW_DAYS * 86_400)],
    ]
    if any(ask("openssl", *check)[0] for check in checks):
        return False
    said = _openssl("x509", "-in", str(file), "-noout", "-ext", "subjectAltName").decode()
    known = {part.strip().partition(":")[2] for part in said.splitlines()[-1].replace("IP Address", "IP").split(",")}
    return set(names) <= known


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _openssl(*arguments: str, given: bytes = b"") -> bytes:
    done = subprocess.run(["openssl", *arguments], input=given, capture_output=True)
    if done.returncode:
        raise Stop(f"openssl {arguments[0]} failed: {done.stderr.decode(errors='replace').strip()}")
    return done.stdout
