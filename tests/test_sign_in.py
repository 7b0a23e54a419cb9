"""Who comes in: from elsewhere only with the passphrase, slowly when guessing, and not in another's name."""

from __future__ import annotations

import json
import os
import socket
import stat
import time

import argon2
import httpx
import pytest

from barreltide import cli, grower
from barreltide.commands.client import Client
from barreltide.pack import Topics
from barreltide.site import load
from barreltide.store import Store
from barreltide.web import app as web
from barreltide.web.sign_in import SESSION_S, SignIn, SignInError, Wait, Wrong
from browsing import browsing
from conftest import SITE, free_port, until

PASSPHRASE = "four words in a row"
NOTED = {"input": "noted", "text": "cut the tube"}
OURS = {"X-Barreltide": "page"}


@pytest.fixture
def clock():
    return [1_790_000_000.0]


@pytest.fixture
def sign_in(tmp_path, clock):
    known = SignIn(tmp_path / "garden.db", lambda: clock[0])
    known.set_passphrase(PASSPHRASE)
    return known


def test_the_file_holds_no_secret_and_only_its_owner_reads_it(sign_in, tmp_path):
    token = sign_in.enter(PASSPHRASE, "192.0.2.7")
    file = tmp_path / "garden.db.sign-in"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    text = file.read_text()
    assert PASSPHRASE not in text and token not in text and "$argon2id$v=19$m=19456,t=2,p=1$" in text


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_sets_the_service_s_user_can_read(tmp_path, clock):
    (tmp_path / "store").mkdir()
    os.chown(tmp_path / "store", 1234, 1234)
    SignIn(tmp_path / "store" / "garden.db", lambda: clock[0]).set_passphrase(PASSPHRASE)
    assert {file.stat().st_uid for file in (tmp_path / "store").iterdir()} == {1234}


def test_a_session_ends_by_time_by_hand_and_with_its_passphrase(sign_in, clock, tmp_path):
    one, two = (sign_in.enter(PASSPHRASE, "192.0.2.7") for _ in range(2))
    assert sign_in.role_of(one) == sign_in.role_of(two) == "owner" and one != two
    assert [sign_in.role_of(token) for token in (one[:-1] + "x", "", "x" * 999, None)] == [None] * 4
    sign_in.leave(one)
    assert sign_in.role_of(one) is None and sign_in.role_of(two) == "owner"
    clock[0] += SESSION_S - 1
    assert sign_in.role_of(two) == "owner"
    clock[0] += 1
    assert sign_in.role_of(two) is None
    three, link = sign_in.enter(PASSPHRASE, "192.0.2.7"), sign_in.neighbour_token(7)
    command = SignIn(tmp_path / "garden.db", lambda: clock[0])  # beside the service
    command.set_passphrase("another one, longer")
    assert sign_in.role_of(three) is None and sign_in.role_of(link) == "neighbour"
    with pytest.raises(Wrong):
        sign_in.enter(PASSPHRASE, "192.0.2.7")
    assert sign_in.revoke("neighbour") == 1 and sign_in.role_of(link) is None


def test_guessing_is_slowed_by_address_and_in_all(sign_in, clock):
    sign_in._hasher = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)  # a quick one, for sixty tries
    sign_in.set_passphrase(PASSPHRASE)

    def wrong(address: str) -> float:
        """The wait that the next try of this address has, after a wrong one."""
        with pytest.raises(Wrong):
            sign_in.enter("not the passphrase", address)
        try:
            sign_in._tries.look(address)
        except Wait as wait:
            clock[0] += wait.seconds
            return round(wait.seconds)
        return 0

    assert [wrong("192.0.2.7") for _ in range(8)] == [0, 0, 0, 2, 4, 8, 16, 32]
    with pytest.raises(Wrong):
        sign_in.enter("not it", "192.0.2.7")
    with pytest.raises(Wait) as told:
        sign_in.enter(PASSPHRASE, "192.0.2.7")  # it is not even looked at
    assert 60 < told.value.seconds <= 64
    assert sign_in.enter(PASSPHRASE, "192.0.2.8"), "another house need not wait"
    clock[0] += 64
    assert sign_in.enter(PASSPHRASE, "192.0.2.7") and wrong("192.0.2.7") == 0, "whoever knows it begins anew"
    clock[0] += 4000
    waits = [wrong(f"2001:db8:0:{number:x}::1") for number in range(24)]
    assert waits[:18] == [0] * 18 and waits[-1] >= 16, "from many addresses: all wait"
    clock[0] += 4000
    assert [wrong(f"2001:db8::{number:x}") for number in range(5)] == [0, 0, 0, 2, 4], "one house has many of them"
    clock[0] += 4000
    assert [wrong("192.0.2.9") for _ in range(20)][-1] == 900, "a quarter of an hour at the most"


@pytest.mark.parametrize("passphrase", ["", "eleven char", "x" * 257, "with a\nline break in it"])
def test_a_passphrase_that_is_none(sign_in, passphrase):
    with pytest.raises(SignInError, match="12 to 256 would do"):
        sign_in.set_passphrase(passphrase)
    assert sign_in.enter(PASSPHRASE, "192.0.2.7"), "and the old one still holds"


def test_a_broken_file_lets_nobody_in(sign_in, tmp_path):
    (tmp_path / "garden.db.sign-in").write_text("{")
    with pytest.raises(SignInError, match="cannot be read: .*; `barreltide passphrase` makes it anew"):
        sign_in.role_of("x")
    sign_in.set_passphrase(PASSPHRASE)
    assert sign_in.enter(PASSPHRASE, "192.0.2.7")


# Over the wire.


def own_address() -> str | None:
    """An address of this machine that is not loopback; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        return probe.getsockname()[0]


class House:
    """A served garden."""

    def __init__(self, folder, clock, web_toml: str, host: str) -> None:
        port = free_port()
        (folder / "site.toml").write_text(f"{SITE}[web]\nhost = '{host}'\nport = {port}\n{web_toml}")
        self.site, self.clock, self.told = load(folder / "site.toml"), clock, []
        self.file = str(folder / "site.toml")
        self.server = web.serve(self.site, self.site.store_path, self, lambda: self.clock[0])
        self.server.start()
        self.base = f"http://{host}:{port}"

    def picture(self) -> dict:
        return {"time": 1.0}

    def health(self) -> dict:
        return {"status": "ok", "problems": ["the store /garden/x.db is slow"]}

    def tell(self, payload: bytes):
        self.told.append(json.loads(payload))
        return grower.read(Topics.of_site(self.site), payload, self.clock[0])

    def subscribe(self, listener) -> None: ...

    def unsubscribe(self, listener) -> None: ...

    @property
    def phones(self):
        return self

    def visitor(self, **headers: str) -> httpx.Client:
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        return httpx.Client(base_url=self.base, headers=sent, timeout=30)

    def signed_in(self, **headers: str) -> httpx.Client:
        visitor = self.visitor(**headers)
        answer = visitor.post("/sign-in", data={"passphrase": PASSPHRASE, "next": "/"}, headers={"Origin": self.base})
        assert answer.status_code == 303, answer.text
        return visitor


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    address = own_address()
    if address is None or address.startswith("127."):
        pytest.skip("this machine has no address but loopback")
    house = House(tmp_path_factory.mktemp("house"), [time.time()], "", address)
    yield house
    house.server.stop()


@pytest.fixture(scope="module")
def proxied(tmp_path_factory):
    house = House(tmp_path_factory.mktemp("proxied"), [time.time()], "behind_proxy = true\n", "127.0.0.1")
    SignIn(house.site.store_path, lambda: house.clock[0]).set_passphrase(PASSPHRASE)
    yield house
    house.server.stop()


def test_without_a_passphrase_the_page_says_how_to_set_one_and_nothing_else(house):
    visitor = house.visitor()
    for path in ("/", "/alarms", "/sign-in"):
        page = visitor.get(path)
        assert page.status_code in (200, 401) and "barreltide passphrase --site" in page.text
        assert "<form" not in page.text and "Is the water" not in page.text
    answer = visitor.get("/api/now")
    words = "no passphrase is set; `barreltide passphrase --site SITE.toml` on the garden's computer would do"
    assert answer.status_code == 401 and answer.json() == {"error": words}
    health = visitor.get("/api/health")
    assert health.status_code == 200 and set(health.json()) == {"status", "last_reading_age_s", "time_s"}


def test_in_and_out_again(house, monkeypatch, capsys):
    read, write = os.pipe()
    os.write(write, PASSPHRASE.encode() + b"\n")
    os.close(write)
    with open(read) as piped:
        monkeypatch.setattr("sys.stdin", piped)
        assert cli.main(["passphrase", "--site", house.file]) == 0
    assert PASSPHRASE not in capsys.readouterr().out
    visitor = house.visitor()
    for path in ("now", "readings?station=a&name=b", "live", "recording", "no-such", "../openapi.json", "../no-such"):
        assert visitor.get(f"/api/{path}").status_code == 401, path
    assert visitor.post("/api/grower", json=NOTED, headers=OURS).status_code == 401
    page = visitor.get("/nights?last=3")
    assert page.status_code == 401 and 'name="passphrase"' in page.text and 'value="/nights?last=3"' in page.text
    assert "form-action 'self'" in page.headers["content-security-policy"]

    wrong = visitor.post("/sign-in", data={"passphrase": "not this one"}, headers={"Origin": house.base})
    assert wrong.status_code == 401 and "That is not the passphrase." in wrong.text and not wrong.cookies
    sent = {"passphrase": PASSPHRASE, "next": "/nights"}
    answer = visitor.post("/sign-in", data=sent, headers={"Origin": house.base})
    assert (answer.status_code, answer.headers["location"]) == (303, "/nights")
    cookie = answer.headers["set-cookie"]
    assert all(part in cookie for part in ("HttpOnly", "SameSite=strict", "Path=/", "Max-Age=2592000"))
    assert "Secure" not in cookie, "there is no HTTPS here"
    assert visitor.get("/").status_code == 200 and visitor.get("/api/now").json()["time"] == 1.0
    assert len(visitor.get("/api/health").json()["problems"]) == 1
    taken = visitor.post("/api/grower", json=NOTED, headers=OURS | {"Origin": house.base})
    assert taken.status_code == 200 and house.told[-1] == NOTED

    stolen = visitor.cookies["session"]
    assert visitor.post("/sign-out", headers={"Origin": house.base}).status_code == 303
    assert visitor.get("/api/now").status_code == 401
    assert house.visitor(Cookie=f"session={stolen}").get("/api/now").status_code == 401, "it is forgotten here, too"


@pytest.mark.parametrize("after", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "x"])
def test_signing_in_leads_nowhere_else(proxied, after):
    sent = {"passphrase": PASSPHRASE, "next": after}
    answer = proxied.visitor().post("/sign-in", data=sent, headers={"Origin": proxied.base})
    assert answer.headers["location"] == "/"


def test_no_other_page_acts_in_the_owner_s_name(proxied):
    owner, before = proxied.signed_in(), len(proxied.told)
    for headers in (
        {"Origin": "https://elsewhere.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": proxied.base}, {"Origin": "http://127.0.0.1"},
    ):  # fmt: skip
        for path in ("/api/grower", "/sign-out", "/sign-in", "/api/neighbour-link"):
            refused = owner.post(path, json=NOTED, headers=OURS | headers)
            assert refused.status_code == 403 and "another page" in refused.json()["error"], (path, headers)
    assert owner.post("/sign-out").status_code == 403, "a form of which nobody knows where it stood"
    assert owner.post("/api/grower", json=NOTED, headers={"Origin": proxied.base}).status_code == 415
    assert len(proxied.told) == before and owner.get("/api/now").status_code == 200
    assert owner.post("/api/grower", json=NOTED, headers=OURS | {"Origin": proxied.base}).status_code == 200
    assert owner.post("/sign-in", content=b"x" * 70_000, headers=OURS).status_code == 413
    assert owner.post("/sign-in", content=iter([b"x"]), headers=OURS).status_code == 411
    knock = proxied.visitor(Sec_Fetch_Site="cross-site").get("/alarms")
    assert knock.status_code == 401 and 'http-equiv="refresh" content="0"' in knock.text, "then it is our own doing"


def test_what_is_no_address_is_told_so(proxied):
    refused = proxied.visitor().post("/sign-in", data={}, headers={"Origin": "http://["})
    assert refused.status_code == 400 and refused.json() == {"error": "host, origin: no address that would do"}
    assert proxied.visitor(Host="[::1").get("/api/now").status_code in (400, 401)


@pytest.mark.parametrize("path", ["/static/nothing", "/neighbour/a/b", "/answer/a/b"])
def test_who_is_not_signed_in_sees_nothing_of_the_service_around_a_refusal(proxied, path):
    """A page's frame tells of the service's problems and counts; health keeps these back too."""
    refused = proxied.visitor(Accept="text/html").get(path)
    assert refused.status_code in (403, 404)
    assert "packs" not in refused.text and "is slow" not in refused.text and "<nav" not in refused.text


def test_behind_a_proxy_nobody_is_at_home_and_https_is_taken_at_its_word(proxied):
    assert proxied.visitor().get("/api/now").status_code == 401, "it looks like loopback"
    answer = proxied.visitor(X_Forwarded_For="127.0.0.1", X_Forwarded_Proto="https").post(
        "/sign-in", data={"passphrase": PASSPHRASE}, headers={"Origin": proxied.base})  # fmt: skip
    assert "Secure" in answer.headers["set-cookie"]
    assert Client.of_site(proxied.site).get("api/now")["time"] == 1.0, "a command can read the store's key"
    assert proxied.visitor(X_Barreltide_Command="0" * 64).get("/api/now").status_code == 401


def test_guesses_through_a_proxy_are_counted_by_whom_it_names(proxied):
    def guess(address: str, passphrase: str = "not this one") -> httpx.Response:
        # The first address is the guesser's own word: it must not help.
        visitor = proxied.visitor(X_Forwarded_For=f"198.51.100.{len(address)}, {address}")
        return visitor.post("/sign-in", data={"passphrase": passphrase}, headers={"Origin": proxied.base})

    assert [guess("192.0.2.50").status_code for _ in range(6)] == [401, 401, 401, 401, 429, 429]
    waiting = guess("192.0.2.50", PASSPHRASE)
    assert waiting.status_code == 429 and waiting.headers["retry-after"] == "2" and "Wait 2 s" in waiting.text
    assert guess("192.0.2.51", PASSPHRASE).status_code == 303
    proxied.clock[0] += 3
    assert guess("192.0.2.50", PASSPHRASE).status_code == 303


def test_what_a_proxy_hands_on_unannounced_is_not_from_here(tmp_path):
    house = House(tmp_path, [1.0], "", "127.0.0.1")
    try:
        assert house.visitor().get("/api/now").status_code == 200
        assert house.visitor(X_Forwarded_For="127.0.0.1").get("/api/now").status_code == 401
        assert house.visitor(Forwarded="for=127.0.0.1").get("/api/now").status_code == 401
        assert house.visitor(Host="garden.example").get("/api/now").status_code == 401
        forged = house.visitor().post("/api/grower", json=NOTED, headers=OURS | {"Origin": "https://elsewhere.example"})
        assert forged.status_code == 403 and house.told == [], "not even from here"
    finally:
        house.server.stop()


def test_a_neighbour_looks_and_cannot_answer(proxied, capsys):
    assert cli.main(["neighbour-link", "--days", "2", "--site", proxied.file]) == 0
    link = capsys.readouterr().out.strip()
    neighbour = proxied.visitor()
    page = neighbour.get(link)
    assert page.status_code == 200 and 'content="0;url=/"' in page.text and neighbour.cookies["neighbour"]
    for path in ("/", "/api/now", "/api/nights", "/api/cycles", "/api/alarms", "/api/days", "/api/battery"):
        assert neighbour.get(path).status_code == 200, path
    assert neighbour.get("/api/chart?name=x").status_code == 404
    pages = neighbour.get("/").text
    assert 'href="/nights"' in pages and 'href="/set-up"' not in pages and 'href="/readings"' not in pages
    for path in ("/api/recording", "/api/readings.csv?station=a&name=b", "/api/refused", "/api/notices", "/set-up",
                 "/api/push/key", "/openapi.json", "/readings"):  # fmt: skip
        assert neighbour.get(path).status_code == 403, path
    own, before = OURS | {"Origin": proxied.base}, len(proxied.told)
    for path in ("/api/grower", "/api/push/phones", "/api/neighbour-link", "/alarms", "/api/now"):
        assert neighbour.post(path, json=NOTED, headers=own).status_code == 403
    assert len(proxied.told) == before

    owner = proxied.signed_in()
    made = owner.post("/api/neighbour-link", json={"days": 1}, headers=own).json()
    assert made["link"].startswith("/neighbour/") and proxied.visitor().get(made["link"]).status_code == 200
    for wrong in ({"days": 0}, {"days": "2"}, {"day": 2}, []):
        assert owner.post("/api/neighbour-link", json=wrong, headers=own).status_code == 422
    proxied.clock[0] += 2 * 86_400 + 600  # the command has gone by the real clock
    assert neighbour.get("/api/now").status_code == 401 and proxied.visitor().get(link).status_code == 410
    assert cli.main(["neighbour-link", "--days", "0", "--site", proxied.file]) == 2
    assert "--days: found 0; 1 to 366 would do" in capsys.readouterr().err
    fresh = owner.post("/api/neighbour-link", json={}, headers=own).json()["link"]
    assert cli.main(["neighbour-link", "--revoke", "--site", proxied.file]) == 0
    assert proxied.visitor().get(fresh).status_code == 410 and owner.get("/api/now").status_code == 200


def test_a_neighbour_can_leave_and_the_link_stays_good_for_others(proxied, capsys):
    assert cli.main(["neighbour-link", "--site", proxied.file]) == 0
    link = capsys.readouterr().out.strip()
    neighbour = proxied.visitor()
    neighbour.get(link)
    page = neighbour.get("/nights")
    assert 'action="/sign-out"' in page.text and "form-action 'self'" in page.headers["content-security-policy"]
    assert neighbour.post("/sign-out", headers={"Origin": proxied.base}).status_code == 303
    assert neighbour.get("/").status_code == 401 and proxied.visitor().get(link).status_code == 200
    neighbour.get(link)
    assert cli.main(["neighbour-link", "--revoke", "--site", proxied.file]) == 0
    assert neighbour.post("/sign-out", headers={"Origin": proxied.base}).status_code == 303 and not neighbour.cookies


def test_links_in_notices_need_no_sign_in(proxied):
    answer = proxied.visitor().get("/answer/not-a-link")
    assert answer.status_code == 403 and "This link was not made here" in answer.text


def test_only_what_is_opened_is_open(proxied):
    """Every route that is there: one that somebody adds is closed, unless it is named."""
    app = web.create_app(proxied.site, Store(proxied.site.store_path), proxied)
    seen = 0
    for route in app.openapi()["paths"]:
        if route != "/api/health":
            seen += 1
            assert proxied.visitor().get(route.replace("{phone}", "1")).status_code in (401, 405), route
    assert seen > 15


@browsing
def test_a_browser_signs_in_comes_back_by_a_link_and_is_asked_again_when_it_has_run_out(browser, proxied):
    """SameSite=Strict in a real browser: a link on another page opens ours as signed in, by way of the knock."""
    context = browser.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(f"{proxied.base}/nights")
    page.get_by_label("The garden's passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/nights")
    assert page.locator("nav").count() == 1
    (cookie,) = [cookie for cookie in context.cookies() if cookie["name"] == "session"]
    assert cookie["httpOnly"] and cookie["sameSite"] == "Strict"
    # Another site: localhost is none of 127.0.0.1's, and a page of its own making.
    elsewhere = "http://localhost/elsewhere"
    page.route(elsewhere, lambda route: route.fulfill(body=f"<a href='{proxied.base}/cycles'>a link in a mail</a>"))
    page.goto(elsewhere)
    page.get_by_text("a link in a mail").click()
    page.wait_for_url("**/cycles")
    page.locator("nav").wait_for()
    SignIn(proxied.site.store_path, lambda: proxied.clock[0]).revoke("owner")
    page.goto(f"{proxied.base}/alarms")
    page.get_by_label("The garden's passphrase").wait_for()
    context.close()


@browsing
def test_what_a_browser_keeps_is_bounded_and_gone_once_it_is_no_longer_signed_in(browser, proxied):
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{proxied.base}/sign-in")
    page.get_by_label("The garden's passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.locator("nav").wait_for()
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    until(lambda: page.evaluate("Boolean(navigator.serviceWorker.controller)"), "the worker at work")
    kept = """caches.open("barreltide-1").then(k => k.keys())
        .then(l => l.map(r => new URL(r.url)).map(u => u.pathname + u.search))"""
    page.evaluate("""async () => {
        for (let day = 1; day < 70; day += 1) await (await fetch(`/cycles?until=${day * 86400}`)).text(); }""")
    found = page.evaluate(kept)
    assert len(found) == 60 and found[-1] == "/cycles?until=5961600" and "/cycles?until=86400" not in found
    SignIn(proxied.site.store_path, lambda: proxied.clock[0]).revoke("owner")
    page.goto(f"{proxied.base}/alarms")
    page.get_by_label("The garden's passphrase").wait_for()
    assert [path for path in page.evaluate(kept) if not path.startswith(("/static/", "/manifest"))] == []
    context.close()
