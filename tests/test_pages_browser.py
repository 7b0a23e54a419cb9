"""Every page in a real browser: what it shows and takes at a phone's and a desk's width, in light and in dark."""

from __future__ import annotations

import os

import pytest

from barreltide.pack import PackError
from browsing import DESK, PHONE, axe_finds, browsing
from conftest import until
from test_web import NOW_S, RETURNED, SHELVED, Running, an_alarm, fill, good_picture

ABOUT = {"alarm": "pump-stopped", "subject": "pump", "who": "the page"}


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """One server for all tests of this module; `served` puts it back to a quiet garden."""
    running = Running(tmp_path_factory.mktemp("pages"))
    fill(running.store)
    yield running
    running.client.close()
    running.server.stop()


@pytest.fixture
def served(once):
    once.shown, once.healthy, once.now_s, once.answer = good_picture(), {}, NOW_S, None
    once.told.clear()
    return once


def picture_of(page, name: str) -> None:
    """For the eyes of whoever works on the pages: BARRELTIDE_SCREENSHOTS=FOLDER keeps what the tests have seen."""
    if folder := os.environ.get("BARRELTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)


@browsing
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [PHONE, DESK])
def test_the_page_of_now(served, visit, width, height, scheme):
    served.healthy = {"problems": ["The broker at 127.0.0.1 port 1883 cannot be reached; trying on."]}
    known = {"state": "acknowledged", "acknowledged": NOW_S - 600, "acknowledged_by": "anna", "stale": True}
    served.shown["standing"] = [
        an_alarm(state="unacknowledged"), an_alarm("water-too-warm", "soon", subject="sump", **known),
        an_alarm("x", "note"),
    ]  # fmt: skip
    served.shown |= {"returned": [RETURNED], "shelved": [SHELVED]}
    page = visit("", width, height, color_scheme=scheme)
    assert page.title() == "The water stands still · quince-yard"
    assert page.locator(".answer .word").all_inner_texts() == ["The water stands still.", "The battery holds so far."]
    answer = page.locator(".answer").last.bounding_box()
    assert answer["y"] + answer["height"] < height, "both answers must be seen without scrolling"
    assert page.locator(".alarm h3").first.inner_text() == "The pump stands still."
    assert "What to do: See whether the inlet is clear." in page.locator(".alarm").first.inner_text()
    words = page.locator("main").inner_text().replace("\u00a0", " ")
    assert "12.41 V" in words and "61 to 79" in words and "18 Ah drawn" in words
    assert "21.4 °C" in words and "8 °C to 28 °C" in words
    assert page.locator(".bed").count() == 2 and "still being learnt" in page.locator(".bed").last.inner_text()
    assert "as of 15:13:20" in page.locator("#asof").inner_text()  # NOW_S is 14:13:20 UTC; Lisbon keeps summer time
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing may stick out sideways"
    grounds = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert grounds == {"light": "rgb(243, 241, 234)", "dark": "rgb(3, 6, 7)"}[scheme]
    picture_of(page, f"now-{scheme}-{width}")
    assert axe_finds(page) == []


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
    assert "has not answered since" in page.locator("#lost").inner_text()
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
