"""The JSON answers, from a real server over a real store. The pages have tests of their own (test_pages.py)."""

from __future__ import annotations

import json
import socket
from pathlib import Path

import httpx
import pytest

from barreltide import grower
from barreltide.core.event import AlarmChanged, CycleCounted, NightEnded
from barreltide.pack import Topics
from barreltide.site import load
from barreltide.store import Arrival, Notice, Refused, Store, Work
from barreltide.web import app as web
from barreltide.web import server

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


class Phones:
    """In the place of notices/delivery.py: phones that take Web Push, and one channel that works and one that fails."""

    def __init__(self) -> None:
        self.numbers = {1: None}
        self.subscribed: list[dict] = []

    def public_key(self) -> str:
        return "our-key"

    def subscribe(self, payload: bytes) -> int:
        self.subscribed.append(json.loads(payload))
        self.numbers[2] = self.subscribed[-1]["person"]
        return 2

    def known(self) -> list[dict]:
        last = {"since_s": NOW_S - 9e5, "service": "push.example", "last_sent_s": None}
        return [{"phone": number, "person": person} | last
                for number, person in self.numbers.items()]  # fmt: skip

    def forget(self, phone: int) -> None:
        del self.numbers[phone]

    def test(self) -> list[dict]:
        return [{"channel": "1 json", "error": None}, {"channel": "anna sms", "error": "no SIM"}]


class Running:
    """A served site; `shown` and `healthy` are what the service would show, and may be replaced."""

    def __init__(self, folder: Path, site: str = SITE) -> None:
        (folder / "site.toml").write_text(site)
        self.site = load(folder / "site.toml")
        self.store = Store(self.site.store_path)
        self.shown, self.healthy, self.now_s = good_picture(), {}, NOW_S
        self.told: list[dict] = []
        self.listeners: list = []
        self.answer: Exception | None = None
        self.phones = Phones()
        self.server = web.serve(self.site, self.site.store_path, self, lambda: self.now_s)
        self.server.start()
        self.client = httpx.Client(base_url=self.server.address, timeout=30)

    def picture(self) -> dict:
        return self.shown

    def subscribe(self, listener) -> None:
        self.listeners.append(listener)

    def unsubscribe(self, listener) -> None:
        self.listeners.remove(listener)

    def tell_listeners(self) -> None:
        for listener in list(self.listeners):
            listener()

    def health(self) -> dict:
        return self.healthy

    def tell(self, payload: bytes):
        self.told.append(json.loads(payload))
        if isinstance(self.answer, Exception):
            raise self.answer
        return grower.read(Topics.of_site(self.site), payload, self.now_s)

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
        ("static/%2e%2e/app.py", 404, "Not Found"),
        ("static/page.py", 404, "no such file; / is the page of this moment"),
        ("static/" + "x" * 300 + ".js", 404, "no such file; / is the page of this moment"),
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
            "chart",
            "days",
            "battery",
            "night",
            "readings.csv",
            "recording",
            "readings",
            "cycles",
            "turns",
            "shakedown",
            "trials",
            "nights",
            "notes",
            "alarms",
            "notices",
            "refused",
            "grower",
            "notices/test",
            "neighbour-link",
            "push/key",
            "push/phones",
            "push/phones/{phone}",
        )
    }
    assert set(described["paths"].pop("/api/push/phones")) == {"get", "post"}
    assert set(described["paths"].pop("/api/push/phones/{phone}")) == {"delete"}
    assert set(described["paths"].pop("/api/notices/test")) == {"post"}
    assert set(described["paths"].pop("/api/grower")) == {"post"}, "the one door in"
    assert set(described["paths"].pop("/api/neighbour-link")) == {"post"}
    assert "text/event-stream" in described["paths"].pop("/api/live")["get"]["responses"]["200"]["content"]
    for path, kind in (("readings.csv", "text/csv"), ("recording", "application/jsonl")):
        assert kind in described["paths"].pop(f"/api/{path}")["get"]["responses"]["200"]["content"]
    for path, methods in described["paths"].items():
        answer = methods["get"]["responses"]["200"]["content"]["application/json"]["schema"]["$ref"].rsplit("/", 1)[-1]
        shape = described["components"]["schemas"][answer]
        assert len(shape["description"]) > 40, path
        # What a path answers has every field that its description promises.
        query = {"station": "barrels", "name": "bed-1/high"} if path in ("/api/readings", "/api/chart") else {}
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
    assert page.status_code == 200 and "the store cannot be read" in page.text and "The water is moving." in page.text


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
