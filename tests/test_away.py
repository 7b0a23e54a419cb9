"""The page from outside: the web server's example as deploy/away.md has it, a real nginx before the real service."""

from __future__ import annotations

import http.client
import re
import shutil
import socket
import ssl
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path

import pytest

from barreltide.service import Service
from barreltide.site import load
from barreltide.web.sign_in import SignIn
from conftest import SITE, free_port, until

AWAY = (Path(__file__).resolve().parent.parent / "deploy" / "away.md").read_text()
OURS = {"Content-Type": "application/json", "X-Barreltide": "command"}
PASSPHRASE = "four words in a row"


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


class NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


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
    (table,) = re.findall(r"```toml\n(\[web\]\n.*?)```", AWAY, re.DOTALL)
    (block,) = re.findall(r"```nginx\n(.*?)```", AWAY, re.DOTALL)
    for was, becomes in (
        ("listen 443", f"listen 127.0.0.1:{port}"), ("127.0.0.1:8420", f"127.0.0.1:{page}"),
        ("/etc/ssl/garden.example.", f"{tmp_path}/garden."),
    ):  # fmt: skip
        assert was in block
        block = block.replace(was, becomes)
    temporary = "".join(f"{kind}_temp_path {tmp_path}/{kind};\n" for kind in
                        ("client_body", "proxy", "fastcgi", "uwsgi", "scgi"))  # fmt: skip
    (tmp_path / "nginx.conf").write_text(
        f"user root;\ndaemon off;\npid {tmp_path}/pid;\nevents {{}}\nhttp {{ access_log off;\n{temporary}{block} }}\n"
    )
    (tmp_path / "site.toml").write_text(SITE + f"{table}port = {page}\n[broker]\nport = 1\n")
    site = load(tmp_path / "site.toml")
    SignIn(site.store_path, time.time).set_passphrase(PASSPHRASE)
    service = Service(site)
    service.start()
    proxy = subprocess.Popen([nginx, "-e", "stderr", "-p", str(tmp_path), "-c", str(tmp_path / "nginx.conf")])
    opener = urllib.request.build_opener(
        urllib.request.ProxyHandler({}), ToHere(port, tmp_path / "garden.pem"), NoRedirect()
    )

    def ask(path: str, headers: dict | None = None, body: bytes | None = None, address="https://garden.example/"):
        request = urllib.request.Request(address + path, body, headers or {})
        try:
            with opener.open(request, timeout=30) as answer:
                return answer.status, answer.read1(400)
        except urllib.error.HTTPError as error:
            return error.code, error.headers["Set-Cookie"] or error.read1(400)

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
    status, page = outside("")
    assert status == 401 and b"Sign in" in page
    assert outside("api/now")[0] == 401
    assert outside("api/now", address=outside.page)[0] == 401, "what comes from this computer may be the proxy's"
    assert outside("api/health")[0] == 200
    word = b'{"input": "noted", "text": "cut the tube"}'
    assert outside("api/grower", OURS, word)[0] == 401
    own = {"Origin": "https://garden.example"}
    entered, cookie = outside("sign-in", own, urllib.parse.urlencode({"passphrase": PASSPHRASE}).encode())
    assert entered == 303 and "Secure" in cookie and "HttpOnly" in cookie
    signed_in = {"Cookie": cookie.partition(";")[0]}
    status, page = outside("", signed_in)
    assert status == 200 and b"<!doctype html>" in page.lower()
    status, pushed = outside("api/live", signed_in)
    assert status == 200 and pushed, "what is pushed comes through before there is a lot of it"
    assert outside("api/grower", OURS | signed_in | own, word)[0] == 200
    away, why = outside("api/grower", OURS | signed_in | {"Origin": "https://elsewhere.example"}, word)
    assert away == 403 and b"another page" in why
    status, words = outside("answer/forged")
    assert status == 403 and b"nginx" not in words, "a link needs no sign-in, and the service refuses a forged one"
