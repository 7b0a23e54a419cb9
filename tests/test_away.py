"""The page from outside: the web server's example as deploy/away.md has it, a real nginx before the real service."""

from __future__ import annotations

import base64
import http.client
import re
import shutil
import socket
import ssl
import subprocess
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from barreltide.service import Service
from barreltide.site import load
from conftest import SITE, free_port, until

AWAY = (Path(__file__).resolve().parent.parent / "deploy" / "away.md").read_text()
OURS = {"Content-Type": "application/json", "X-Barreltide": "command"}
SIGNED_IN = {"Authorization": "Basic " + base64.b64encode(b"anna:secret").decode()}


class ToHere(urllib.request.HTTPSHandler):
    """https://garden.example goes to a port of this machine; the name and the certificate are looked at as always."""

    def __init__(self, port: int, authority: Path) -> None:
        super().__init__(context=ssl.create_default_context(cafile=str(authority)))
        self._port = port

    def https_open(self, request):
        port, context = self._port, self._context

        class Connection(http.client.HTTPSConnection):
            def connect(self) -> None:
                self.sock = context.wrap_socket(
                    socket.create_connection(("127.0.0.1", port), self.timeout), server_hostname="garden.example"
                )

        return self.do_open(Connection, request)


@pytest.fixture
def outside(tmp_path):
    """ask(path, headers, body) → (status, body), as a phone would that knows only https://garden.example."""
    nginx = shutil.which("nginx", path="/usr/sbin:/usr/bin")
    if nginx is None:
        pytest.skip("nginx is not installed (Debian: apt-get install nginx-light)")
    port, page = free_port(), free_port()
    run = lambda *command: subprocess.run(command, check=True, capture_output=True, cwd=tmp_path).stdout  # noqa: E731
    run("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
        "-keyout", "garden.key", "-out", "garden.pem", "-days", "2", "-subj", "/CN=garden.example",
        "-addext", "subjectAltName=DNS:garden.example")  # fmt: skip
    (tmp_path / "users").write_bytes(b"anna:" + run("openssl", "passwd", "-apr1", "secret"))
    (block,) = re.findall(r"```nginx\n(.*?)```", AWAY, re.DOTALL)
    for was, becomes in (
        ("listen 443", f"listen 127.0.0.1:{port}"), ("127.0.0.1:8420", f"127.0.0.1:{page}"),
        ("/etc/ssl/garden.example.", f"{tmp_path}/garden."), ("/etc/nginx/garden-users", f"{tmp_path}/users"),
    ):  # fmt: skip
        assert was in block
        block = block.replace(was, becomes)
    temporary = "".join(f"{kind}_temp_path {tmp_path}/{kind};\n" for kind in
                        ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))  # fmt: skip
    (tmp_path / "nginx.conf").write_text(
        f"user root;\ndaemon off;\npid {tmp_path}/pid;\nevents {{}}\nhttp {{ access_log off;\n{temporary}{block} }}\n"
    )
    (tmp_path / "site.toml").write_text(SITE + f"[web]\nport = {page}\n[broker]\nport = 1\n")
    service = Service(load(tmp_path / "site.toml"))
    service.start()
    proxy = subprocess.Popen([nginx, "-e", "stderr", "-p", str(tmp_path), "-c", str(tmp_path / "nginx.conf")])
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), ToHere(port, tmp_path / "garden.pem"))

    def ask(path: str, headers: dict | None = None, body: bytes | None = None, address="https://garden.example/"):
        request = urllib.request.Request(address + path, body, headers or {})
        try:
            with opener.open(request, timeout=30) as answer:
                return answer.status, answer.read1(400)
        except urllib.error.HTTPError as error:
            return error.code, error.read1(400)

    ask.page = f"http://127.0.0.1:{page}/"
    try:
        until(lambda: socket.socket().connect_ex(("127.0.0.1", port)) == 0, "nginx to listen")
        until(lambda: service.writer.ready, "the service to judge")
        yield ask
    finally:
        proxy.terminate()
        proxy.wait(30)
        service.stop()


def test_the_page_is_reached_from_outside_by_who_may_and_nobody_there_passes_for_the_owner(outside):
    assert outside("")[0] == 401
    assert outside("api/now")[0] == 401
    status, page = outside("", SIGNED_IN)
    assert status == 200 and b"<!doctype html>" in page.lower()
    status, pushed = outside("api/live", SIGNED_IN)
    assert status == 200 and pushed, "what is pushed comes through before there is a lot of it"
    word = b'{"rest": {"pump": "pump", "minutes": 5}}'
    inside, _ = outside("api/grower", OURS, word, outside.page)
    away, why = outside("api/grower", OURS | SIGNED_IN, word)
    assert away == 403 and b"only this host" in why, (away, why)
    assert inside != 403, "the same word is looked at when it comes from this very computer"
    status, words = outside("answer/forged")
    assert status == 403 and b"nginx" not in words, "a link needs no sign-in, and the service refuses a forged one"
