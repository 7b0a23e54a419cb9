"""The link in a notice that answers its alarm: signed, for one raising, and only a button acts."""

from __future__ import annotations

import asyncio
import base64
import json
import os
import re
import stat

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from barreltide.notices.delivery import Delivery
from barreltide.site import SiteError, load
from barreltide.store import StoreError
from barreltide.web import app as web
from barreltide.web.links import LASTS_S, LinkError, Links, word_of
from browsing import DESK, PHONE, axe_finds, browsing
from conftest import SITE
from test_alarms import SUMP, WARM, heat
from test_service import Bench
from test_web import served  # noqa: F401

NOW_S = 1_790_000_000.0
BASE = "http://garden.lan:8420"
STOPPED = ("pump-stopped", "pump")
LINKS = Links(b"k" * 32)


def token(raised_s: float = NOW_S - 600, key=STOPPED, links: Links = LINKS) -> str:
    link = links.answer_link(BASE, *key, raised_s, NOW_S, "anna")
    start, _, token = link.rpartition("/")
    assert start == f"{BASE}/answer" and len(link) < 200
    return token


def row(state: str = "unacknowledged", raised_s: float = NOW_S - 600, **more) -> dict:
    return {"alarm": "pump-stopped", "subject": "pump", "state": state, "raised": raised_s, "message": "It stands.",
            "action": "Go and look.", "acknowledged_by": "ben", **more}  # fmt: skip


def test_a_link_says_what_it_was_made_for_and_for_how_long():
    link = LINKS.read(token(), NOW_S + LASTS_S)
    assert link[:3] == (*STOPPED, NOW_S - 600) and link.who == "anna"
    known = {"input": "acknowledged", "alarm": "pump-stopped", "subject": "pump", "who": "anna"}
    assert link.word("acknowledged") == known
    assert link.word("pump-rested") == {"input": "pump-rested", "pump": "pump", "for_s": 1800}
    assert link.word("shelved") == known | {"input": "shelved", "for_s": 3600, "reason": "by the link in its notice"}
    with pytest.raises(LinkError, match="expired") as told:
        LINKS.read(token(), NOW_S + LASTS_S + 1)
    assert told.value.status == 410


def forged(text: str) -> None:
    with pytest.raises(LinkError) as told:
        LINKS.read(text, NOW_S)
    assert told.value.status == 403


@given(st.integers(0, len(token()) - 1), st.sampled_from("ABYZabyz0189-_.=é \n"))
def test_no_letter_of_a_link_can_be_changed(place, letter):
    """All but the last letter's idle bits, which say nothing: then it is the same link."""
    whole = token()
    changed = whole[:place] + letter + whole[place + 1 :]
    try:
        assert LINKS.read(changed, NOW_S) == LINKS.read(whole, NOW_S)
        assert changed == whole or place == len(whole) - 1 or whole[place + 1] == "."
    except LinkError as error:
        assert error.status == 403


def test_another_alarm_another_key_or_no_link_at_all():
    words, _, signature = token().partition(".")
    fields = json.loads(base64.urlsafe_b64decode(words + "=" * (-len(words) % 4)))
    for place, other in ((0, "sump-low"), (1, "hose"), (2, NOW_S), (3, NOW_S * 2), (4, "eve")):
        changed = json.dumps([*fields[:place], other, *fields[place + 1 :]], separators=(",", ":")).encode()
        forged(f"{base64.urlsafe_b64encode(changed).rstrip(b'=').decode()}.{signature}")
    forged(token(links=Links(b"q" * 32)))
    for text in ("", ".", "a.b", words, f"{words}.", f".{signature}", "x" * 2_000, "é.é", "[" * 900):
        forged(text)


@pytest.mark.parametrize(
    ("picture", "what", "status", "words"),
    [
        ({"standing": [row()]}, "acknowledged", None, ""),
        ({"standing": [row(raised_s=NOW_S - 600.4)]}, "acknowledged", None, ""),
        ({"standing": [row()]}, "shelved", None, ""),
        ({"standing": [row()]}, "pump-rested", None, ""),
        ({"standing": [row("acknowledged")]}, "shelved", None, ""),
        ({"returned": [row("returned")]}, "acknowledged", None, ""),
        ({"standing": [row(raised_s=NOW_S - 60)]}, "acknowledged", 410, "the same has come again"),
        ({"standing": [row("acknowledged")]}, "acknowledged", 410, "acknowledged already by ben"),
        ({"returned": [row("returned")]}, "shelved", 410, "no answer to it"),
        ({"shelved": [row("shelved")]}, "acknowledged", 410, "put aside already"),
        ({"standing": [row() | {"subject": "hose"}]}, "acknowledged", 410, "over"),
        ({"standing": []}, "acknowledged", 410, "over"),
        ({"standing": [row()]}, "unshelved", 422, "no answer to it"),
        ({"standing": [row()]}, "", 422, "no answer to it"),
        ({}, "acknowledged", 503, "starting"),
    ],
)
def test_a_link_works_for_the_one_raising_that_it_was_sent_for(picture, what, status, words):
    link = LINKS.read(token(), NOW_S)
    if status is None:
        assert word_of(link, picture, what)["input"] == what
        return
    with pytest.raises(LinkError, match=words) as told:
        word_of(link, picture, what)
    assert told.value.status == status


def test_maintenance_is_only_for_what_is_about_a_pump():
    picture = {"standing": [row() | {"alarm": WARM[0], "subject": WARM[1]}]}
    with pytest.raises(LinkError, match="no answer to it"):
        word_of(LINKS.read(token(key=WARM), NOW_S), picture, "pump-rested")


def test_the_key_is_made_once_and_only_its_owner_reads_it(tmp_path):
    store = tmp_path / "barreltide.db"
    old = os.umask(0)
    try:
        made = token(links=Links.of_store(store))
    finally:
        os.umask(old)
    file = tmp_path / "barreltide.db.key"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600 and len(file.read_bytes()) == 32
    assert Links.of_store(store).read(made, NOW_S).alarm == "pump-stopped"
    file.write_bytes(b"")  # a power cut in the wrong moment
    with pytest.raises(LinkError):
        Links.of_store(store).read(made, NOW_S)
    assert len(file.read_bytes()) == 32
    with pytest.raises(StoreError, match="signs links"):
        Links.of_store(tmp_path / "nowhere" / "barreltide.db")


@pytest.mark.parametrize("address", ["http://garden.lan:8420", "https://example.org/garden/"])
def test_the_site_file_names_the_address(tmp_path, address):
    (tmp_path / "site.toml").write_text(SITE + f'[web]\naddress = "{address}"\nbehind_proxy = true\n')
    site = load(tmp_path / "site.toml")
    assert site.web.address == address
    assert LINKS.answer_link(site.web.address, *STOPPED, 1, 2).startswith(f"{address.rstrip('/')}/answer/")
    for wrong in ("garden.lan", "http://", "http://a b", "ftp://a", "http://a/?q"):
        (tmp_path / "site.toml").write_text(SITE + f'[web]\naddress = "{wrong}"\n')
        with pytest.raises(SiteError, match=r"web.address: found .*; an address like http://garden.lan:8420 would do"):
            load(tmp_path / "site.toml")


# Through the pages, from any address, to the real engine.


class Door:
    """The application over a bench whose water is too warm, asked from a phone."""

    def __init__(self, folder, more: str = SUMP) -> None:
        self.bench = Bench(folder, more)
        self.seq = heat(self.bench)
        self.links = Links.of_store(self.bench.site.store_path)
        self._app = web.create_app(self.bench.site, self.bench.store, self, lambda: self.bench.now_s)

    def picture(self) -> dict:
        return self.bench.writer.monitor.picture()

    def health(self) -> dict:
        return {}

    def tell(self, payload: bytes):
        from test_grower import say

        (taken,) = say(self.bench, json.loads(payload))
        if isinstance(taken, Exception):
            raise taken
        return taken

    def link(self) -> str:
        (raised,) = [event for event in self.bench.events("alarm") if event["change"] == "raised"][-1:]
        return self.links.answer_link(BASE, *WARM, raised["time"], self.bench.now_s, "anna")

    def ask(self, method: str, url: str, what: str = "acknowledged") -> httpx.Response:
        """GET it, or POST it as its page's button of that answer would."""
        async def answer() -> httpx.Response:
            transport = httpx.ASGITransport(self._app, client=("192.0.2.7", 50_000))
            async with httpx.AsyncClient(transport=transport) as phone:
                return await phone.request(method, url, data={"what": what} if method == "POST" else None)

        return asyncio.run(answer())

    def answers(self) -> list[tuple[str, str]]:
        return [(event["change"], event["who"]) for event in self.bench.events("answer")]


@pytest.fixture
def door(tmp_path):
    door = Door(tmp_path / "bench")
    yield door
    door.bench.store.close()


def test_looking_does_nothing_and_the_button_answers(door):
    link = door.link()
    for _ in range(3):
        page = door.ask("GET", link)
        assert page.status_code == 200 and '<form method="post">' in page.text
        assert re.findall(r'name="what" value="([a-z-]+)"', page.text) == ["acknowledged", "shelved"]
    assert "The water is too warm." in page.text and "Shade the sump" in page.text and "script" not in page.text
    assert door.answers() == [] and door.ask("HEAD", link).status_code == 405
    page = door.ask("POST", link)
    assert page.status_code == 200 and "Acknowledged." in page.text and "<form" not in page.text
    assert door.answers() == [("acknowledged", "anna")] and door.picture()["standing"][0]["state"] == "acknowledged"
    page = door.ask("POST", link)
    assert page.status_code == 410 and "It is acknowledged already by anna." in page.text and len(door.answers()) == 1


def test_a_notice_ends_with_a_link_and_who_follows_it_is_asked_no_more(tmp_path):
    person = '[[person]]\nname = "anna"\nurls = ["json://127.0.0.1:9/"]\n'
    door = Door(tmp_path / "bench", SUMP + person)
    site = door.bench.site
    site = site.model_copy(update={"web": site.web.model_copy(update={"address": BASE})})
    delivery = Delivery(site, door.bench.store, lambda: door.bench.now_s)
    got = []
    delivery.notifier._senders = dict.fromkeys(("url", "sms", "push"), lambda way, letter, stop: got.append(letter))
    door.bench.arrive(after_s=900)  # nothing more is heard: urgent, at any hour

    def minutes(count: int) -> None:
        for _ in range(count):
            delivery.notifier.plan()
            while any(delivery.notifier.send_next(channel) for channel in list(delivery.notifier._ways)):
                pass
            door.bench.now_s += 60

    minutes(56)  # a silence is told once it has lasted for half an hour, and asks again half an hour later
    asked = [letter for letter in got if letter.priority == "urgent"]
    assert len(asked) == 2, "asked twice so far"
    (link,) = [line.removeprefix("Answer: ") for line in asked[-1].body.splitlines() if line.startswith("Answer: ")]
    assert link.startswith(f"{BASE}/answer/") and "Acknowledge" in door.ask("GET", link).text
    assert door.ask("POST", link).status_code == 200 and ("acknowledged", "anna") in door.answers()
    minutes(120)
    assert [letter for letter in got if letter.priority == "urgent"] == asked
    door.bench.store.close()


def test_a_shelf_from_a_link_is_used_once(door):
    link = door.link()
    assert door.ask("POST", link).status_code == 200 and door.answers() == [("acknowledged", "anna")]
    page = door.ask("GET", link).text
    assert "acknowledged already by anna" in page and "Shelve for an hour" in page and "Acknowledge<" not in page
    assert door.ask("POST", link, "shelved").status_code == 200
    (aside,) = door.picture()["shelved"]
    assert aside["until"] - door.bench.now_s == 3600 and aside["by"] == "anna"
    assert door.ask("POST", link, "shelved").status_code == 410
    heat(door.bench, door.seq, 65)
    assert [row["alarm"] for row in door.picture()["standing"]] == ["water-too-warm"]
    page = door.ask("POST", link)
    assert page.status_code == 410 and "the same has come again" in page.text, "what stands now has its own notice"


def test_expired_forged_or_over(door):
    link = door.link()
    assert door.ask("POST", link[:-3]).status_code == 403
    page = door.ask("GET", f"{BASE}/answer/nonsense")
    assert page.status_code == 403 and "This link does nothing." in page.text and "not made here" in page.text
    door.seq = heat(door.bench, door.seq, 10, 20.0)
    assert "waits for somebody to say" in door.ask("GET", link).text
    assert door.ask("POST", link).status_code == 200 and door.picture()["returned"] == []
    assert door.ask("POST", link).status_code == 410
    door.bench.now_s += LASTS_S
    assert "has expired" in door.ask("POST", link).text and door.answers() == [("acknowledged", "anna")]


def test_a_link_opens_nothing_else_and_says_nothing_of_itself_elsewhere(door):
    page = door.ask("GET", door.link())
    policy = page.headers["content-security-policy"]
    assert "form-action 'self'" in policy and "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
    assert page.headers["referrer-policy"] == "same-origin" and page.headers["cache-control"] == "no-store"
    assert "form-action 'none'" in door.ask("GET", f"{BASE}/static/icon.svg").headers["content-security-policy"]
    assert door.ask("POST", f"{BASE}/api/grower").status_code == 401
    assert "data-word" not in door.ask("GET", f"{BASE}/").text


@browsing
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [PHONE, DESK])
def test_the_page_of_a_link_in_a_browser(served, visit, width, height, scheme):  # noqa: F811
    served.shown["standing"] = [row()]
    links = Links.of_store(served.site.store_path)
    page = visit("", width, height, color_scheme=scheme)
    page.goto(links.answer_link(served.server.address, *STOPPED, NOW_S - 600, NOW_S))
    buttons = page.get_by_role("button").all_inner_texts()
    assert buttons == ["Acknowledge", "Shelve for an hour", "Maintenance for 30 minutes"]
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert axe_finds(page) == []
    if folder := os.environ.get("BARRELTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/answer-{scheme}-{width}.png")
    page.get_by_role("button", name="Maintenance").click()
    page.get_by_text("Nothing is raised about this pump for 30 minutes.").wait_for()
    assert served.told == [{"input": "pump-rested", "pump": "pump", "for_s": 1800}]
