"""The JSON answers and the status page, from a real server over a real store, and in a real browser."""

from __future__ import annotations

import html
import json
import os
import shutil
import socket
from pathlib import Path
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import httpx
import pytest

from barreltide import grower
from barreltide.core.event import AlarmChanged, CycleCounted, NightEnded
from barreltide.pack import PackError, Topics
from barreltide.site import load
from barreltide.store import Arrival, Notice, Refused, Store, Work
from barreltide.web import app as web
from barreltide.web import server
from barreltide.web.pages import status

SITE = """
[site]
name = "quince-yard"
latitude = 38.7
longitude = -9.1
time_zone = "Europe/Lisbon"
[battery]
capacity_ah = 100.0
[[pump]]
name = "pump"
[[bed]]
name = "bed-1"
[[bed]]
name = "bed-2"
[sump]
volume_l = 200.0
[[station]]
name = "barrels"
[web]
port = 0
"""
NOW_S = 1_790_000_000.0
SIGN = (
    "The siphon of 'bed-1' is slow to start. The water waits at the top for 41 s, usually 12 s. Air may leak in: look"
    " at the bell's rim and cap, and at its cup."
)
VOLTAGES = 12_000


def good_picture(now_s: float = NOW_S) -> dict:
    return {
        "time": now_s,
        "beds": {
            "bed-1": {"wet": True, "since": now_s - 100, "phase": "filling", "period_s": 912, "cycles": 4312,
                      "last_cycle": now_s - 420, "fill_s": 702.4, "drain_s": 61.2, "flow_ratio": 12.477,
                      "prime_s": 41.3, "break_s": 3.6, "sign": SIGN},
            "bed-2": {"wet": False, "since": now_s - 64, "phase": "draining", "period_s": None, "cycles": 1,
                      "last_cycle": now_s - 64, "fill_s": None, "drain_s": None, "flow_ratio": None, "prime_s": None,
                      "break_s": None, "sign": None},
        },
        "pumps": {"pump": {"running": True, "since": now_s - 9000}},
        "battery": {"voltage_v": 12.413, "state_of_charge": 0.7, "low": 0.61, "high": 0.79, "basis": "loaded",
                    "time": now_s - 40},
        "water": {"temperature_c": 21.37, "time": now_s - 12},
        "stations": {"barrels": {"last_heard": now_s - 4, "silent": False}},
        "standing": [], "returned": [], "shelved": [],
    }  # fmt: skip


def an_alarm(alarm: str = "pump-stopped", priority: str = "urgent", **more: object) -> dict:
    return {
        "alarm": alarm, "subject": "pump", "priority": priority, "since": NOW_S - 1200,
        "message": "The pump stands still.",
        "consequence": "The fish have air for some hours.", "action": "See whether the inlet is clear.", **more,
    }  # fmt: skip


RETURNED = {"alarm": "station-silent", "subject": "barrels", "raised": NOW_S - 9000, "cleared": NOW_S - 7000,
            "message": "The station 'barrels' is silent.", "state": "returned"}  # fmt: skip
SHELVED = {"alarm": "flow-falling", "subject": "pump", "state": "shelved", "until": NOW_S + 3600, "by": "anna",
           "reason": "new rotor tomorrow", "holds": True}  # fmt: skip


class Running:
    """A served site; `shown` and `healthy` are what the service would show, and may be replaced."""

    def __init__(self, folder: Path) -> None:
        (folder / "site.toml").write_text(SITE)
        self.site = load(folder / "site.toml")
        self.store = Store(self.site.store_path)
        self.shown, self.healthy, self.now_s = good_picture(), {}, NOW_S
        self.told: list[dict] = []
        self.answer: Exception | None = None
        self.server = web.serve(self.site, self.site.store_path, self, lambda: self.now_s)
        self.server.start()
        self.client = httpx.Client(base_url=self.server.address, timeout=30)

    def picture(self) -> dict:
        return self.shown

    def health(self) -> dict:
        return self.healthy

    def tell(self, payload: bytes):
        self.told.append(json.loads(payload))
        if isinstance(self.answer, Exception):
            raise self.answer
        return grower.read(Topics.of_site(self.site), payload, self.now_s)

    @property
    def phones(self) -> Running:
        return self

    def public_key(self) -> str:
        return "our-key"

    def get(self, path: str, status_code: int = 200, **parameters: object) -> dict:
        answer = self.client.get(path, params=parameters or None)
        assert answer.status_code == status_code, answer.text
        return answer.json()


@pytest.fixture
def served(tmp_path):
    running = Running(tmp_path)
    yield running
    running.client.close()
    running.server.stop()


@pytest.fixture(scope="module")
def served_once(tmp_path_factory):
    """For tests that change nothing."""
    running = Running(tmp_path_factory.mktemp("web"))
    yield running
    running.client.close()
    running.server.stop()


def fill(store: Store) -> None:
    work = Work()
    work.arrivals = [
        Arrival(store.next_arrival(), NOW_S - 9 + seq, "readings", "barrels", 7, seq, b"[]") for seq in range(3)
    ]
    volts = store.series_id("barrels", "battery/voltage", "V", work)
    high = store.series_id("barrels", "bed-1/high", None, work)
    work.readings = [(volts, NOW_S - VOLTAGES + i, 12 + i / VOLTAGES) for i in range(VOLTAGES)] + [(high, NOW_S, 1)]
    for n in range(1, 6):
        for bed in ("bed-1", "bed-2"):
            cycle = CycleCounted(NOW_S - 9000 + 900 * n, bed, n, 900.0 if n > 1 else None, 300.0, 600.0, None, None)
            work.events.append((store.next_event(), None, cycle))
    night = NightEnded(NOW_S - 5000, "2026-09-20", NOW_S - 50_000, NOW_S - 5000, 0.92, 0.71, 18.4, 12.11, 31.0)
    raised = AlarmChanged(
        NOW_S - 600, NOW_S - 1200, "pump-stopped", "pump", "raised", "urgent", "The pump stands still."
    )
    work.events += [(store.next_event(), None, night), (store.next_event(), None, raised)]
    work.notices = [Notice("n1", 12, NOW_S - 600, "pump-stopped", "pump", "urgent", "title", "body")]
    work.refused = [Refused(NOW_S - 50, "barreltide/quince-yard/barrels/readings", "is no JSON", b"{<b>")]
    store.commit(work)
    store.carry_out("n1", "done", ["1 json"], [], [], NOW_S - 600)


def test_health_tells_the_last_reading_and_what_is_wrong(served):
    assert served.get("api/health") == {
        "last_reading_age_s": 4.0, "time_s": NOW_S, "version": "0.1.0", "packs_stored": 0, "refused": 0,
        "standing_alarms": 0, "problems": [],
    }  # fmt: skip
    fill(served.store)
    served.healthy = {"problems": ["The broker cannot be reached."], "queue": 3}
    served.shown["standing"] = [an_alarm()]
    health = served.get("api/health")
    assert (health["packs_stored"], health["refused"], health["standing_alarms"], health["queue"]) == (3, 1, 1, 3)
    assert health["problems"] == ["The broker cannot be reached."]


def test_health_before_the_first_reading(served):
    served.shown = {}
    assert served.get("api/health")["last_reading_age_s"] is None
    assert served.get("api/now") == {
        "now_s": NOW_S, "time": None, "beds": {}, "pumps": {}, "battery": None, "water": None, "stations": {},
        "standing": [], "returned": [], "shelved": [],
    }  # fmt: skip


def test_now_is_the_engine_s_picture(served):
    assert served.get("api/now") == {"now_s": NOW_S, **served.shown}


def test_the_store_s_answers(served):
    fill(served.store)
    series = served.get("api/series")["series"]
    assert [(row["name"], row["unit"]) for row in series] == [("battery/voltage", "V"), ("bed-1/high", None)]
    assert series[1]["value"] is True and series[0]["time_s"] == NOW_S - 1

    cycles = served.get("api/cycles", bed="bed-2", limit=3)
    assert [cycle["number"] for cycle in cycles["cycles"]] == [5, 4, 3] and cycles["more"] is True
    assert {cycle["bed"] for cycle in cycles["cycles"]} == {"bed-2"}
    assert len(served.get("api/cycles")["cycles"]) == 10
    early = served.get("api/cycles", bed="bed-1", end_s=NOW_S - 9000 + 1800)
    assert [cycle["number"] for cycle in early["cycles"]] == [2, 1] and early["more"] is False

    (night,) = served.get("api/nights")["nights"]
    assert (night["date"], night["used_ah"], night["lowest_voltage_v"]) == ("2026-09-20", 18.4, 12.11)

    served.shown["standing"] = [an_alarm()]
    alarms = served.get("api/alarms")
    assert alarms["standing"][0]["alarm"] == "pump-stopped" and alarms["journal"][0]["change"] == "raised"

    refused = served.get("api/refused")
    assert refused["total"] == 1 and refused["refused"][0]["reason"] == "is no JSON"
    (notice,) = served.get("api/notices")["notices"]
    assert notice["sendings"] == [
        {"channel": "1 json", "state": "waiting", "tries": 0, "told": 0, "sent_s": None, "error": None}
    ]


def test_readings_page_back_from_the_newest_until_all_are_seen(served):
    fill(served.store)
    found, end_s = [], NOW_S
    while True:
        answer = served.get("api/readings", station="barrels", name="battery/voltage", end_s=end_s, limit=5000)
        found = answer["readings"] + found
        end_s = answer["readings"][0][0] - 0.5
        if not answer["more"]:
            break
    assert len(found) == VOLTAGES and [t for t, _ in found] == sorted({t for t, _ in found})
    assert answer["unit"] == "V" and found[0] == [NOW_S - VOLTAGES, 12.0]
    assert (
        len(served.get("api/readings", station="barrels", name="battery/voltage", limit=10_000)["readings"]) == 10_000
    )
    assert served.get("api/readings", station="barrels", name="bed-1/high")["readings"] == [[NOW_S, True]]


@pytest.mark.parametrize(
    ("path", "code", "line"),
    [
        ("api/readings?station=barrels", 422, "name: field required"),
        ("api/readings?station=barrels&name=x", 404,
         "no readings 'x' from station 'barrels'; /api/series lists what there is"),
        ("api/cycles?bed=bed-9", 422, "bed: found 'bed-9'; bed-1 or bed-2 would do"),
        ("api/cycles?bed=" + "x" * 5000, 422,
         "bed: found '" + "x" * 64 + "'; string should have at most 128 characters"),
        ("api/cycles?limit=0", 422, "limit: found '0'; input should be greater than or equal to 1"),
        ("api/cycles?limit=10001", 422, "limit: found '10001'; input should be less than or equal to 10000"),
        ("api/cycles?start_s=nan", 422, "start_s: found 'nan'; input should be a finite number"),
        ("api/cycles?start_s=-1", 422, "start_s: found '-1'; input should be greater than or equal to 0"),
        ("api/nights?end_s=noon", 422,
         "end_s: found 'noon'; input should be a valid number, unable to parse string as a number"),
        ("api/nights?start_s=9&end_s=3", 422, "start_s: found 9, which is after end_s 3; an earlier time would do"),
        ("api/alarms?star_s=1", 422, "star_s: no such parameter; start_s, end_s, limit would do"),
        ("api/now?x=1", 422, "x: no such parameter; this takes none"),
        ("docs", 404, "Not Found"),
        ("redoc", 404, "Not Found"),
        ("pages/%2e%2e/web.py", 404, "Not Found"),
        ("pages/status.py", 404, "no such page; / is the status page"),
    ],
)  # fmt: skip
def test_a_wrong_question_gets_one_clear_line(served_once, path, code, line):
    assert served_once.get(path, code) == {"error": line}


def test_it_only_reads(served):
    for method in ("POST", "PUT", "DELETE", "PATCH"):
        assert served.client.request(method, "api/alarms").status_code == 405


def test_the_answers_are_described(served):
    described = served.get("openapi.json")
    assert set(described["paths"]) == {
        f"/api/{name}"
        for name in (
            "health",
            "now",
            "live",
            "series",
            "readings",
            "cycles",
            "turns",
            "nights",
            "notes",
            "alarms",
            "notices",
            "refused",
            "grower",
            "push/key",
            "push/phones",
        )
    }
    assert set(described["paths"].pop("/api/push/phones")) == {"post"}
    assert set(described["paths"].pop("/api/grower")) == {"post"}, "the one door in"
    assert "text/event-stream" in described["paths"].pop("/api/live")["get"]["responses"]["200"]["content"]
    for path, methods in described["paths"].items():
        answer = methods["get"]["responses"]["200"]["content"]["application/json"]["schema"]["$ref"].rsplit("/", 1)[-1]
        shape = described["components"]["schemas"][answer]
        assert len(shape["description"]) > 40, path
        # What a path answers has every field that its description promises.
        query = {"station": "barrels", "name": "bed-1/high"} if path == "/api/readings" else {}
        fill_once(served)
        assert set(shape["properties"]) <= set(served.get(path, **query)), path


def fill_once(served: Running) -> None:
    if not served.store.counts()["packs"]:
        fill(served.store)


def test_a_store_that_cannot_be_read_is_told_and_the_page_stays(served):
    with open(served.site.store_path, "r+b") as file:
        file.write(b"x" * 8192)
    for suffix in ("-wal", "-shm"):
        Path(f"{served.site.store_path}{suffix}").unlink(missing_ok=True)
    assert served.get("api/cycles", 503)["error"].startswith("the store cannot be read: ")
    assert served.get("api/health")["problems"][0].startswith("the store cannot be read: ")
    page = served.client.get("")
    assert page.status_code == 200 and "the store cannot be read" in page.text and "Yes" in page.text


def test_a_port_in_use_is_named(served):
    with pytest.raises(server.WebError) as told:
        server.WebServer(web.create_app(served.site, served.store, served), "127.0.0.1", served.server.port)
    assert str(told.value) == (
        f"[web] port: {served.server.port} on 127.0.0.1 is in use by another program; "
        "another number, or 0 for any free one, would do"
    )


@pytest.mark.parametrize(
    ("host", "line"),
    [
        ("no such host", "[web] host: found 'no such host', which is no address of this machine; 127.0.0.1 would do"),
        ("192.0.2.1", "[web] host, port: cannot listen on 192.0.2.1 port 0: Cannot assign requested address"),
    ],
)
def test_a_wrong_host_is_named(served, host, line):
    with pytest.raises(server.WebError) as told:
        server.WebServer(web.create_app(served.site, served.store, served), host, 0)
    assert str(told.value).startswith(line)


def test_stop_frees_the_port_though_a_connection_is_open(tmp_path):
    running = Running(tmp_path)
    running.get("api/health")  # leaves its connection open
    with socket.create_connection(("127.0.0.1", running.server.port)) as half:
        half.sendall(b"GET /api/now HTTP/1.1\r\nHost: x\r\n")  # a request that never ends
        running.server.stop()
    server.WebServer(web.create_app(running.site, running.store, running), "127.0.0.1", running.server.port).stop()


# The page's answers, without a server.

GARDEN = status.Garden("quince-yard", "Europe/Lisbon", 0.5, 8.0, 28.0)


@pytest.mark.parametrize(
    ("change", "mood", "word"),
    [
        ({}, "good", "Yes"),
        ({"standing": [an_alarm()]}, "bad", "No"),
        ({"standing": [an_alarm("bed-starved", "soon", subject="bed-2")]}, "bad", "Not everywhere"),
        ({"standing": [an_alarm("station-silent")]}, "unsure", "Cannot tell"),
        ({"standing": [an_alarm("water-too-warm", "soon")]}, "good", "Yes"),
        ({"stations": {"barrels": {"last_heard": NOW_S - 901}}}, "unsure", "Cannot tell"),
        ({"stations": {"barrels": {"last_heard": NOW_S - 899}}}, "good", "Yes"),
        ({"stations": {}}, "unsure", "Cannot tell yet"),
        ({"pumps": {"pump": {"running": None}}}, "unsure", "Cannot tell yet"),
        ({"pumps": {"pump": {"running": False}}}, "unsure", "Perhaps not"),
        ({"pumps": {"pump": {"running": False, "resting_until": NOW_S + 900}}}, "unsure", "It rests"),
        ({"pumps": {"pump": {"resting_until": NOW_S + 900}}, "standing": [an_alarm()]}, "bad", "No"),
        ({"pumps": {}}, "unsure", "Cannot tell yet"),
    ],
)
def test_is_the_water_moving(change, mood, word):
    assert status.water_moves(good_picture() | change, NOW_S)[:2] == (mood, word)


def outlook(floor: float, soonest: float, latest: float, sun: float | None) -> dict:
    """In hours from now."""
    hours = {"floor": floor, "floor_soonest": soonest, "floor_latest": latest, "cut_off": floor + 8, "sun": sun}
    told = {f"{name}_s": None if span is None else NOW_S + 3600 * span for name, span in hours.items()}
    return told | {"days_without_sun": 1.25}


def test_the_outlook_in_words():
    words = status.outlook_in_words(outlook(8, 6, 30, sun=9), ZoneInfo("UTC"), "50 %")
    assert words == (
        "At this load your floor of 50 % comes about 22:13 (between 20:13 and Tue 20:13), and the controller drops the"
        " load about 06:13; charging begins about 23:13."
    )


@pytest.mark.parametrize(
    ("battery", "standing", "mood", "word"),
    [
        ({}, [], "good", "So far, yes"),
        ({"outlook": outlook(8, 6, 12, sun=5)}, [], "good", "Yes"),
        ({"outlook": outlook(8, 6, 12, sun=7)}, [], "good", "Most likely"),
        ({"outlook": outlook(8, 6, 12, sun=9)}, [], "unsure", "Perhaps not"),
        ({"outlook": outlook(8, 6, 12, sun=None)}, [], "unsure", "Perhaps"),
        ({"low": 0.5}, [], "unsure", "Perhaps not"),
        ({"state_of_charge": 0.4, "low": 0.3, "high": 0.5}, [], "bad", "It is low"),
        ({"time": NOW_S - 1801}, [], "unsure", "Cannot tell"),
        ({"state_of_charge": None}, [], "unsure", "Cannot tell yet"),
        ({}, [an_alarm("battery-low")], "bad", "It is low"),
        ({}, [an_alarm("battery-will-not-last")], "bad", "No"),
    ],
)
def test_will_the_battery_last(battery, standing, mood, word):
    picture = good_picture()
    picture["battery"] |= battery
    picture["standing"] = standing
    assert status.battery_lasts(picture, GARDEN, NOW_S)[:2] == (mood, word)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(None, "an unknown time"), (-3, "0 s"), (119, "119 s"), (120, "2 min"), (7199, "119 min"), (7200, "2 h 0 min"),
     (100_000, "27 h 46 min"), (172_800, "2 days")],
)  # fmt: skip
def test_spans_in_words(seconds, words):
    assert status.lasted(seconds) == words


def test_no_name_or_message_can_become_markup():
    evil = "<script>alert(1)</script>\"'&"
    picture = good_picture()
    picture["beds"] = {evil: {"phase": evil}}
    picture["stations"][evil] = {"last_heard": NOW_S}
    picture["standing"] = [an_alarm(evil, evil, subject=evil, message=evil, consequence=evil, action=evil)]
    page = status.page(picture, GARDEN, NOW_S, [evil], [], [evil])
    assert "<script>alert" not in page
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;&quot;&#x27;&amp;") >= 8


def test_a_bed_shows_what_its_siphon_does_and_a_sign_that_stands():
    card = status.page(good_picture(), GARDEN, NOW_S, [], [], []).partition("Beds</h2>")[2].partition("</section>")[0]
    first, second = (html.unescape(part) for part in card.split("bed-2</h3>"))
    assert "<dd>11 min, 61 s</dd>" in first and "<dd>12.5 × the pump's flow</dd>" in first
    assert "<dd>41 s to start, 4 s to break</dd>" in first and first.count(SIGN) == 1
    assert "siphon" not in second and 'class="sign"' not in second


def test_two_floats_show_no_waits():
    floats = {"fill_s": 300.0, "drain_s": 50.0, "flow_ratio": 7.0, "prime_s": None, "break_s": None}
    page = status.page({"beds": {"bed-1": floats}}, GARDEN, NOW_S, [], [], [])
    assert "<dd>5 min, 50 s</dd>" in page and "siphon waits" not in page


def test_an_attribute_cannot_be_left():
    assert status.tag("p", class_='"><script>') == '<p class="&quot;&gt;&lt;script&gt;"></p>'


def test_the_page_bears_a_picture_with_nothing_in_it():
    page = status.page({}, GARDEN, NOW_S, [], [], [])
    assert page.count("Cannot tell yet") >= 2 and "No alarm stands." in page
    bare = {"beds": {"bed-1": {}}, "pumps": {"pump": {}}, "battery": {"voltage_v": 12.0}, "water": {},
            "stations": {"s": {}}, "standing": [{}]}  # fmt: skip
    assert "12.00" in status.page(bare, GARDEN, NOW_S, [], [{}], [])


# In a real browser.

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


def browsing(test):
    skip = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed (Debian: apt-get install chromium)")
    return pytest.mark.xdist_group("browser")(skip(test))


# WCAG 2.2, success criterion 1.4.3 and the definitions of relative luminance and contrast ratio: at least 4.5 : 1 for
# text, 3 : 1 for large text (24 px, or bold from 18.66 px). Typed from memory.
CONTRAST = """() => {
  const parse = c => c.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map(v => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = e => { for (; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
  const poor = []; let seen = 0;
  for (const e of document.body.querySelectorAll('*')) {
    const own = [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length || e.closest('svg')) continue;
    const style = getComputedStyle(e), pair = [light(parse(style.color)), light(ground(e))].sort((a, b) => b - a);
    const large = parseFloat(style.fontSize) >= 24 || (parseFloat(style.fontSize) >= 18.66 && style.fontWeight >= 700);
    const ratio = (pair[0] + 0.05) / (pair[1] + 0.05); seen += 1;
    if (ratio < (large ? 3 : 4.5))
      poor.push(`${e.tagName}.${e.className} ${ratio.toFixed(2)} ${e.textContent.slice(0, 40)}`);
  }
  return {poor, seen};
}"""


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as running:
        chromium = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield chromium
        chromium.close()


@pytest.fixture
def open_page(browser, served):
    """Opens the page and fails the test for any console error, or any request that leaves the host."""
    wrong, contexts = [], []

    def show(width: int = 390, height: int = 844, clock: bool = False, **options):
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: wrong.append(message.text) if message.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on(
            "request",
            lambda request: wrong.append(request.url) if urlsplit(request.url).hostname != "127.0.0.1" else None,
        )
        if clock:
            page.clock.install()
        page.goto(served.server.address)
        return page

    show.wrong = wrong
    yield show
    for context in contexts:
        context.close()
    assert wrong == []


@browsing
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(390, 844), (1280, 800)])
def test_the_page_in_a_browser(served, open_page, width, height, scheme):
    fill(served.store)
    served.healthy = {"problems": ["The broker at 127.0.0.1 port 1883 cannot be reached; trying on."]}
    known = {"state": "acknowledged", "acknowledged": NOW_S - 600, "acknowledged_by": "anna", "stale": True}
    served.shown["standing"] = [
        an_alarm(state="unacknowledged"), an_alarm("water-too-warm", "soon", subject="sump", **known),
        an_alarm("x", "note"),
    ]  # fmt: skip
    served.shown |= {"returned": [RETURNED], "shelved": [SHELVED]}
    page = open_page(width, height, color_scheme=scheme)
    assert page.title() == "No · quince-yard"
    assert page.locator(".answer .word").all_inner_texts() == ["No", "So far, yes"]
    answer = page.locator(".answer").first.bounding_box()
    assert answer["y"] + answer["height"] < height, "the first answer must be seen without scrolling"
    assert page.locator(".alarm h3").first.inner_text() == "The pump stands still."
    assert "What to do: See whether the inlet is clear." in page.locator(".alarm").first.inner_text()
    battery = page.locator(".card", has_text="Battery").inner_text()
    assert "12.41 V" in battery and "61 to 79" in battery and "18 Ah drawn" in battery
    water = page.locator(".card", has_text="Water").last.inner_text()
    assert "21.4 °C" in water and "8 to 28 °C" in water
    assert page.locator(".bed").count() == 2 and "still learning" in page.locator(".bed").last.inner_text()
    assert "as of 15:13:20" in page.locator("#asof").inner_text()  # NOW_S is 14:13:20 UTC; Lisbon keeps summer time
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing may stick out sideways"
    contrast = page.evaluate(CONTRAST)
    assert contrast["poor"] == [] and contrast["seen"] > 40
    grounds = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert grounds == {"light": "rgb(243, 241, 234)", "dark": "rgb(11, 20, 21)"}[scheme]
    if folder := os.environ.get("BARRELTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/status-{scheme}-{width}.png", full_page=True)


@browsing
def test_the_page_refreshes_itself_and_owns_up_when_the_service_is_gone(served, open_page):
    page = open_page(clock=True)
    assert page.locator(".answer .word").first.inner_text() == "Yes"
    served.shown = good_picture() | {"standing": [an_alarm()]}
    page.clock.run_for(6000)
    page.locator(".answer.bad .word", has_text="No").wait_for(timeout=30_000)
    assert page.title() == "No · quince-yard" and page.locator("#lost").is_hidden()
    served.server.stop()
    page.clock.run_for(6000)
    page.locator("#lost").wait_for(state="visible", timeout=30_000)
    assert "has not answered since" in page.locator("#lost").inner_text()
    assert all("ERR_CONNECTION_REFUSED" in line for line in open_page.wrong)  # the browser's own word for it
    open_page.wrong.clear()


@browsing
def test_a_tap_says_a_word_and_the_page_shows_what_became_of_it(served, open_page):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    served.shown["shelved"] = [SHELVED]
    page = open_page()
    alarm = page.locator(".alarm")
    assert "Nobody has acknowledged it yet." in alarm.inner_text()
    about = {"alarm": "pump-stopped", "subject": "pump", "who": "the page"}

    served.shown = good_picture() | {"standing": [an_alarm(state="acknowledged", acknowledged=NOW_S)]}
    alarm.get_by_text("Acknowledge", exact=True).click()
    page.locator(".state", has_text="Acknowledged, ").wait_for(timeout=4_000)  # sooner than by itself
    assert served.told == [{"input": "acknowledged", **about}]
    assert alarm.get_by_text("Acknowledge", exact=True).count() == 0

    served.answer = PackError("it does not stand")
    alarm.get_by_text("Shelve for 1 h").click()
    page.locator("#said", has_text="That was not taken: it does not stand").wait_for(timeout=4_000)
    assert served.told[1] == {"input": "shelved", "for_s": 3600, "reason": "by a tap on the page", **about}
    assert all("422" in line for line in open_page.wrong)  # the browser's own word for it
    open_page.wrong.clear()

    served.answer = None
    alarm.get_by_text("I am at work on it: 30 min").click()
    page.locator("#said").wait_for(state="hidden", timeout=4_000)
    served.shown = good_picture() | {"shelved": [SHELVED]}
    page.locator("button", has_text="I switch pump off: 30 min").click(timeout=9_000)
    page.locator("button", has_text="Take back").click(timeout=9_000)
    page.wait_for_function("!document.querySelector('button:disabled')")
    rest = {"input": "pump-rested", "pump": "pump", "for_s": 1800}
    assert served.told[2:] == [rest, rest, {"input": "unshelved", **about, "alarm": "flow-falling"}]


def test_the_buttons_are_there_only_where_their_word_is_taken():
    picture = good_picture() | {"standing": [an_alarm(state="unacknowledged")], "returned": [RETURNED]}
    picture["shelved"] = [SHELVED]
    for may_answer in (True, False):
        page = status.page(picture, GARDEN, NOW_S, [], [], [], may_answer)
        assert ("data-word" in page) is may_answer
        assert "Over, and not acknowledged" in page and "flow-falling pump: shelved by anna until Mon 16:13" in page


@browsing
def test_the_page_works_without_script(served, open_page):
    page = open_page(java_script_enabled=False)
    assert page.locator(".answer .word").first.inner_text() == "Yes"
    assert page.locator("noscript meta[http-equiv=refresh], meta[http-equiv=refresh]").count() == 1


def test_nothing_on_the_page_may_run_or_load_from_elsewhere(served):
    page = served.client.get("")
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy and "http" not in policy
    assert page.headers["x-content-type-options"] == "nosniff" and page.headers["cache-control"] == "no-store"
    for asset in ("pages/status.css", "pages/status.js", "pages/icon.svg"):
        answer = served.client.get(asset)
        assert answer.status_code == 200 and "//" not in answer.text.replace("http://www.w3.org/2000/svg", "").replace(
            "// ", ""
        )
