"""Every page in a real browser: what it shows and takes at a phone's and a desk's width, in light and in dark."""

from __future__ import annotations

import json
import os
import re
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from barreltide.core.event import AlarmAnswered, AlarmChanged, BatteryJudged, NightEnded, NotePinned
from barreltide.core.evidence import Account
from barreltide.notices import push
from barreltide.notices.wording import Letter
from barreltide.pack import PackError
from barreltide.store import Refused, Work
from barreltide.web import assets
from browsing import DESK, PHONE, axe_finds, browsing
from conftest import until
from test_web import NOW_S, RETURNED, SHELVED, Phones, Running, an_alarm, fill, good_picture

ABOUT = {"alarm": "pump-stopped", "subject": "pump", "who": "the page"}


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """One server for all tests of this module; `served` puts it back to a quiet garden."""
    running = Running(tmp_path_factory.mktemp("pages"))
    fill(running.store)
    fill_a_season(running.store)
    yield running
    running.client.close()
    running.server.stop()


def fill_a_season(store) -> None:
    """Nights before the one that is there, charge through them, a note, an answer, evidence, and a strange station."""
    work = Work()
    for n in range(1, 35):
        dawn_s = NOW_S - 5000 - 86_400 * n
        night = NightEnded(dawn_s, f"night {n}", dawn_s - 45_000, dawn_s, 0.9, 0.75 - 0.01 * n, 18.0, 12.1, 20.0,
                           -0.02, 91.0, 80.0, 104.0, 0.014)  # fmt: skip
        work.events.append((store.next_event(), None, night))
    for n in range(400):
        judged = BatteryJudged(NOW_S - 900.0 * (400 - n), 0.7, 0.62, 0.78, "loaded")
        work.events.append((store.next_event(), None, judged))
    causes = (
        Account("pump-stopped", "pump", 0.9, ("the voltage rose",), ()),
        Account("bed-starved", "bed-1", 0.1, (), ("x",)),
    )
    work.events += [
        (store.next_event(), None, event)
        for event in (
            NotePinned(NOW_S - 4000, "bed-1", "cut the tube 1 cm", "anna"),
            AlarmAnswered(NOW_S - 300, "pump-stopped", "pump", "acknowledged", None, "", "anna"),
            AlarmChanged(
                NOW_S - 86_400 * 40, NOW_S - 86_400 * 40, "pump-stopped", "pump", "raised", "urgent", "Old.", causes
            ),
        )
    ]
    work.refused = [Refused(NOW_S - 40, "barreltide/quince-yard/lodger/readings", "station: found 'lodger'", b"[]")]
    store.commit(work)


@pytest.fixture
def served(once):
    once.shown, once.healthy, once.now_s, once.answer = good_picture(), {}, NOW_S, None
    once.told.clear()
    once.phones = Phones()
    return once


def picture_of(page, name: str) -> None:
    """For the eyes of whoever works on the pages: BARRELTIDE_SCREENSHOTS=FOLDER keeps what the tests have seen."""
    if folder := os.environ.get("BARRELTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


# Where each page is, and words that it must show. A new page has its row here.
VIEWS = {
    "": ["The water stands still.", "The battery holds so far.", "12.41 V", "61 to 79", "18 Ah drawn", "21.4 °C",
         "8 °C to 28 °C", "still being learnt", "What to do: See whether the inlet is clear.",
         "The broker at 127.0.0.1"],
    "nights": ["The last 30 nights", "71 %", "What dawn has found", "about 91 Ah", "lowest 12.11 V"],
    "cycles": ["bed-1", "5 turns, of 15 min as a rule", "cut the tube 1 cm", "What was done",
               "How the beds take turns", "bed-2 has not drained since"],
    "cycles?span=season": ["bed-2", "the middle one of each day"],
    "trials": ["Shakedown", "Dialling in"],
    "sign-in": ["No passphrase yet"],
    "alarms": ["1 raised in the last 30 days", "No alarm stands.", "Go now", "The pump stands still.",
               "acknowledged by anna", "What spoke for it"],
    "readings": ["battery/voltage", "This span as CSV", "as a recording", "bed-1/high", "wet"],
    "set-up": ["is no JSON", "lodger", "Phone 1, for everybody", "100 Ah", "Europe/Lisbon"],
}  # fmt: skip


def shows(page) -> str:
    return page.locator("main").inner_text().replace("\u00a0", " ")


@browsing
@pytest.mark.parametrize("path", VIEWS)
def test_every_page_at_both_widths_and_in_both_schemes(served, visit, path):
    if path == "":
        served.healthy = {"problems": ["The broker at 127.0.0.1 port 1883 cannot be reached; trying on."]}
        known = {"state": "acknowledged", "acknowledged": NOW_S - 600, "acknowledged_by": "anna", "stale": True}
        served.shown["standing"] = [
            an_alarm(state="unacknowledged"), an_alarm("water-too-warm", "soon", subject="sump", **known),
            an_alarm("x", "note"),
        ]  # fmt: skip
        served.shown |= {"returned": [RETURNED], "shelved": [SHELVED]}
    page = visit(path)
    words = shows(page)
    assert [word for word in VIEWS[path] if word not in words] == []
    for scheme, ground in (("light", "rgb(243, 241, 234)"), ("dark", "rgb(3, 6, 7)")):
        for width, height in (PHONE, DESK):
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("getComputedStyle(document.body).backgroundColor") == ground
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing may stick out sideways"
            picture_of(page, f"{path.partition('?')[0] or 'now'}-{scheme}-{width}")
            assert axe_finds(page) == []
            if path == "":
                answer = page.locator(".answer").last.bounding_box()
                assert answer["y"] + answer["height"] < height, "both answers are seen without scrolling"


def test_the_answers_come_first(served):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    text = served.client.get("").text
    places = [
        text.index(word) for word in ("The water stands still.", "The battery holds", "The pump stands still.", "<svg")
    ]
    assert places == sorted(places)
    assert "as of 15:13:20" in text  # NOW_S is 14:13:20 UTC; Lisbon keeps summer time
    assert "<title>The water stands still · quince-yard</title>" in text


@browsing
def test_the_page_follows_the_garden_and_owns_up_when_the_service_is_gone(served, visit, tmp_path):
    own = Running(tmp_path)
    visit._address = own.server.address
    page = visit(clock=True)
    assert page.locator(".answer .word").first.inner_text() == "The water is moving."
    own.shown = good_picture() | {"standing": [an_alarm()]}
    own.tell_listeners()
    page.locator(".answer.bad .word", has_text="stands still").wait_for(timeout=30_000)
    assert page.title() == "The water stands still · quince-yard" and page.locator("#lost").is_hidden()
    own.client.close()
    own.server.stop()
    page.clock.run_for(12_000)
    page.locator("#lost").wait_for(state="visible", timeout=30_000)
    assert re.search(r"has not answered since \d\d:\d\d: what", page.locator("#lost").inner_text())
    visit.forgive("ERR_")  # the browser's own words for it


@browsing
def test_without_the_stream_the_page_asks_by_itself(served, visit):
    page = visit(clock=True)
    page.evaluate("stream.close()")
    served.shown = good_picture() | {"standing": [an_alarm()]}
    page.clock.run_for(6_000)
    page.locator(".answer.bad .word", has_text="stands still").wait_for(timeout=30_000)


@browsing
def test_a_tap_says_a_word_and_the_page_shows_what_became_of_it(served, visit):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    served.shown["shelved"] = [SHELVED]
    page = visit()
    alarm = page.locator(".alarm")
    assert "Nobody has acknowledged it yet." in alarm.inner_text()

    served.shown = good_picture() | {"standing": [an_alarm(state="acknowledged", acknowledged=NOW_S)]}
    alarm.get_by_role("button", name="Acknowledge").click()
    page.locator(".state", has_text="Acknowledged, ").wait_for(timeout=9_000)
    assert served.told == [{"input": "acknowledged", **ABOUT}]
    assert alarm.get_by_role("button", name="Acknowledge").count() == 0

    served.answer = PackError("it does not stand")
    alarm.get_by_text("Shelve it").click()
    alarm.get_by_label("for").select_option("10800")
    alarm.get_by_label("because").fill("new rotor tomorrow")
    alarm.get_by_role("button", name="Shelve").click()
    page.locator("#said", has_text="That was not taken: it does not stand").wait_for(timeout=9_000)
    assert served.told[1] == {"input": "shelved", "for_s": 10800, "reason": "new rotor tomorrow", **ABOUT}
    visit.forgive("422")  # the browser's own word for it

    served.answer = None
    served.shown = good_picture() | {"shelved": [SHELVED]}
    alarm.get_by_role("button", name="Shelve").click()
    alarm.wait_for(state="detached", timeout=9_000)
    page.get_by_label("I switch pump off for").select_option("900")
    page.get_by_role("button", name="Say so").click()
    until(lambda: len(served.told) == 4, "the word")
    page.get_by_role("button", name="Take back").click()
    until(lambda: len(served.told) == 5, "the word")
    rest = {"input": "pump-rested", "pump": "pump", "for_s": 900}
    assert served.told[3:] == [rest, {"input": "unshelved", **ABOUT, "alarm": "flow-falling"}]


@browsing
def test_the_water_moves_along_its_line_unless_motion_is_unwelcome(served, visit):
    page = visit(reduced_motion="reduce")
    assert page.evaluate("document.getAnimations().length") == 0
    page = visit()
    assert page.evaluate("document.getAnimations().length") > 2
    at = "document.querySelector('.tub .water').getAttribute('transform')"
    begun = page.evaluate(at)
    until(lambda: page.evaluate(at) != begun, "the water to move")


@browsing
def test_the_page_of_now_works_without_script(served, visit):
    page = visit(java_script_enabled=False)
    assert page.locator(".answer .word").first.inner_text() == "The water is moving."
    assert page.locator("noscript meta[http-equiv=refresh], meta[http-equiv=refresh]").count() == 1


def test_nothing_on_a_page_may_run_or_load_from_elsewhere(served):
    page = served.client.get("")
    policy = page.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy and "http" not in policy
    assert page.headers["x-content-type-options"] == "nosniff" and page.headers["cache-control"] == "no-store"
    for asset in ("static/almanac.css", "static/page.js", "static/icon.svg"):
        answer = served.client.get(asset)
        assert answer.status_code == 200 and "//" not in answer.text.replace("http://www.w3.org/2000/svg", "").replace(
            "// ", ""
        )


@browsing
def test_a_note_is_pinned_at_the_garden_s_time_wherever_the_browser_is(served, visit):
    page = visit("cycles", timezone_id="Asia/Tokyo")
    page.get_by_label("What was done").fill("new rotor")
    page.locator("select[name=bed]").select_option("bed-2")
    page.get_by_label("when").fill("2026-09-20T14:30")
    page.get_by_role("button", name="Pin it").click()
    until(lambda: served.told, "the note")
    when_s = 1_789_911_000  # 13:30 UTC: Lisbon keeps summer time
    assert served.told == [{"input": "noted", "text": "new rotor", "bed": "bed-2", "time_s": when_s, "who": "the page"}]


@browsing
def test_units_are_chosen_and_kept(served, visit):
    page = visit("set-up")
    page.get_by_label("Temperature").select_option("f")
    page.get_by_label("Clock").select_option("12h")
    page.get_by_role("button", name="Keep").click()
    page.wait_for_url("**/set-up")
    assert page.get_by_label("Temperature").input_value() == "f"
    page.goto(served.server.address)
    assert "70.5 °F" in shows(page) and "pm" in page.locator("#asof").inner_text()


@browsing
def test_channels_are_tried_and_a_lost_phone_is_removed(served, visit):
    page = visit("set-up")
    page.get_by_role("button", name="Send a test through each").click()
    page.locator("#tried li").nth(1).wait_for()
    assert page.locator("#tried li").all_inner_texts() == ["1 json: taken", "anna sms: not taken: no SIM"]
    page.get_by_role("button", name="Remove Phone 1").click()
    page.get_by_text("No phone has subscribed yet.").wait_for()
    assert served.phones.numbers == {}


@browsing
def test_a_neighbour_s_link_is_made_shown_and_taken_back(served, visit):
    page = visit("set-up")
    word = page.locator("#neighbour-word")
    page.get_by_role("button", name="Make it").click()
    until(lambda: "/neighbour/" in word.inner_text(), "the link")
    link = word.inner_text().rpartition(" ")[2]
    assert link.startswith(served.server.address) and httpx.get(link).status_code == 200
    page.get_by_role("button", name="Take all such links back").click()
    until(lambda: word.inner_text() == "Taken back: 1.", "the word")
    assert httpx.get(link).status_code == 410


@browsing
def test_a_series_can_be_looked_at_more_closely(served, visit):
    if not assets.has_charts():
        pytest.skip("the build had no network to bring the chart library")
    page = visit("readings", *DESK)
    figure = page.locator("figure[data-zooms]")
    figure.wait_for()
    box = page.locator(".u-over").bounding_box()
    with page.expect_request("**/api/chart?**") as asked:
        page.mouse.move(box["x"] + box["width"] * 0.9, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.95, box["y"] + 60, steps=4)
        page.mouse.up()
    span = {
        key: float(value[0]) for key, value in parse_qs(urlsplit(asked.value.url).query).items() if key.endswith("_s")
    }
    assert span["end_s"] - span["start_s"] == pytest.approx(0.05 * 86_400, rel=0.05)
    assert axe_finds(page) == []
    page.get_by_role("button", name="The whole span").click()


@browsing
def test_without_the_chart_library_the_drawn_series_stays(served, visit, monkeypatch):
    monkeypatch.setattr(assets, "has_charts", lambda: False)
    page = visit("readings")
    assert "Zooming is off" in shows(page) and page.locator("figure svg path.line").count() == 1


@browsing
def test_everything_can_be_reached_and_done_by_keyboard(served, visit):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    page = visit()
    reached = []
    for _ in range(30):
        page.keyboard.press("Tab")
        at = page.evaluate("""() => { const e = document.activeElement; const s = getComputedStyle(e);
            return [e.innerText.trim(), s.outlineStyle, parseFloat(s.outlineWidth)]; }""")
        if at[0]:
            assert at[1] != "none" and at[2] >= 2, f"{at[0]} shows its focus"
        reached.append(at[0])
        if at[0] == "Acknowledge":
            break
    assert reached[0] == "To the page itself" and "Set-up" in reached and reached[-1] == "Acknowledge"
    page.keyboard.press("Enter")
    until(lambda: served.told, "the word")
    assert served.told == [{"input": "acknowledged", **ABOUT}]


@browsing
def test_the_focus_stays_with_its_alarm_when_another_comes_before_it(served, visit):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    page = visit()
    page.get_by_role("button", name="Acknowledge").focus()
    newer = an_alarm("battery-low", subject="battery", state="unacknowledged")
    served.shown["standing"] = [newer, *served.shown["standing"]]
    served.tell_listeners()
    page.locator("#alarm-battery-low-battery").wait_for()
    page.keyboard.press("Enter")
    until(lambda: served.told, "the word")
    assert served.told == [{"input": "acknowledged", **ABOUT}]


@browsing
def test_what_is_pushed_is_shown_and_opens_its_alarm(served, visit):
    served.shown["standing"] = [an_alarm(state="unacknowledged")]
    page = visit("set-up", permissions=["notifications"])
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    # A push service cannot be reached from here: the browser's own part is put in its place.
    page.evaluate("""() => { PushManager.prototype.subscribe = async (options) => ({ toJSON: () => ({
        endpoint: "https://push.example/x",
        keys: { p256dh: String(options.applicationServerKey.length), auth: "y" } }) }); }""")
    page.get_by_role("button", name="Tell this phone").click()
    page.get_by_text("This is phone 2").wait_for()
    assert served.phones.subscribed[0]["subscription"]["endpoint"] == "https://push.example/x"

    session, found = page.context.new_cdp_session(page), {}
    session.on("ServiceWorker.workerRegistrationUpdated", lambda event: found.update(
        (row["scopeURL"], row["registrationId"]) for row in event["registrations"] if not row["isDeleted"]
    ))  # fmt: skip
    session.send("ServiceWorker.enable")
    until(lambda: page.evaluate("1") and served.server.address in found, "the worker's registration")
    list_them = "navigator.serviceWorker.ready.then(r => r.getNotifications()).then(l => l.map(n => n.title))"

    def push_until_shown(title: str) -> None:
        """A push service sends again what was not taken; here it is the browser that may still be busy."""
        letter = Letter(title, "What to do: go.", "urgent", "failure", "pump-stopped-pump", ("n1",))
        for tries in range(200):
            if tries % 20 == 0:
                session.send("ServiceWorker.deliverPushMessage", {
                    "origin": served.server.address.rstrip("/"), "registrationId": found[served.server.address],
                    "data": push._payload(letter),
                })  # fmt: skip
            if page.evaluate(list_them) == [title]:
                return
            page.wait_for_timeout(100)
        raise AssertionError(f"{title} is not shown, or not alone: {page.evaluate(list_them)}")

    push_until_shown("quince-yard: Go now. The pump stands still.")
    push_until_shown("quince-yard: Still: Go now. The pump stands still.")  # in the place of the older one

    (worker,) = page.context.service_workers
    with page.expect_navigation():
        worker.evaluate("""async () => { const [notification] = await self.registration.getNotifications();
            self.dispatchEvent(new NotificationEvent("notificationclick", { notification })); }""")
    assert page.url == f"{served.server.address}alarms#alarm-pump-stopped-pump"
    assert "The pump stands still." in page.locator(":target").inner_text()


@browsing
def test_a_phone_can_keep_the_pages(served, visit):
    page = visit()
    found = page.context.new_cdp_session(page).send("Page.getAppManifest")
    assert found["errors"] == [] and found["url"].endswith("/manifest.webmanifest")
    manifest = json.loads(found["data"])
    assert (manifest["name"], manifest["display"], manifest["start_url"]) == ("quince-yard", "standalone", "/")
    for icon in manifest["icons"]:
        assert served.client.get(icon["src"]).headers["content-type"] == icon["type"]


@browsing
def test_with_no_way_to_the_service_the_last_state_opens_and_says_how_old_it_is(visit, browser, tmp_path):
    own = Running(tmp_path)
    context = browser.new_context()
    visit.contexts.append(context)
    visit._address = own.server.address
    page = visit(context=context)
    page.evaluate("navigator.serviceWorker.ready.then(() => true)")
    until(
        lambda: page.evaluate("caches.open('barreltide-1').then(k => k.match('/')).then(a => Boolean(a))"), "the keep"
    )
    own.client.close()
    own.server.stop()
    page.locator("#lost", has_text="has not answered since").wait_for(timeout=30_000)  # what is open does not take its
    page.close()  # own past, which the worker has kept, for news
    page = visit(context=context)
    page.locator("#lost", has_text="There is no way to the service: this is how it was at 15:13:20").wait_for()
    assert "days ago." in page.locator("#lost").inner_text()
    assert page.locator(".answer .word").first.inner_text() == "The water is moving."
    visit.forgive("ERR_")
