"""Dialling in and the page of trials: a garden whose siphon is set right in mid-run, from its recording, over the wire
and in a real browser; and the report of its shakedown, printed."""

from __future__ import annotations

import json
import os
import re
from types import SimpleNamespace

import pytest

from barreltide.cli import main
from barreltide.commands import dial_in
from barreltide.commands.client import Client
from barreltide.core.event import CycleCounted, NotePinned
from barreltide.core.reading import Noted
from barreltide.pack import Topics
from barreltide.recording import replay
from barreltide.store import Work
from browsing import DESK, PHONE, axe_finds, browsing
from conftest import until
from simulation.draw import draw_garden
from simulation.run import simulate
from test_shakedown import LEAD_H, fill
from test_web import Running, good_picture

CUT_H = 40.0


@pytest.fixture(scope="module")
def once(tmp_path_factory):
    """A served garden: a level in each bed; bed-1 waits long until it breaks, and from a noted cut on does no more."""
    plan = draw_garden(8, beds=2, pumps=1, period_s=1500.0, start_s=1_780_000_000.0, level=True, low_float=False)
    plan.shade = (0.0, 0.0, 1.0)
    plan.beds[0]["break_s"] = 90.0
    for bed in plan.beds:
        bed["label"]["standpipe_bore_m"] = bed["bore_m"]

    def cut(stage) -> None:
        stage.after(CUT_H * 3600, lambda: setattr(stage.garden.beds[0], "break_s", 5.0))

    run = simulate(plan, 2.3, planted=cut)
    running = Running(tmp_path_factory.mktemp("trials"), plan.site_toml() + "\n[web]\nport = 0\n")
    running.run, running.note = (
        run,
        Noted(run.start_s + CUT_H * 3600, run.start_s + CUT_H * 3600, "cut the tube 1 cm", "bed-1"),
    )
    fill(running.store, running.site, run, running.note)
    running.now_s, running.shown = run.end_s, good_picture(run.end_s)
    yield running
    running.client.close()
    running.server.stop()


@pytest.fixture
def served(once):
    once.told.clear()
    return once


def test_a_recording_tells_whether_the_cut_was_better(served, tmp_path, capsys):
    path, site = tmp_path / "recording.jsonl", served.site.store_path.parent / "site.toml"
    note = {"input": "noted", "text": "cut the tube 1 cm", "bed": "bed-1"}
    lines = [
        *served.run.lines(),
        {"received": served.note.received_s, "topic": Topics.of_site(served.site).grower, "payload": note},
    ]
    lines = [line for line in lines if abs(line["received"] - served.note.received_s) < 13 * 3600]
    path.write_text("".join(json.dumps(line) + "\n" for line in sorted(lines, key=lambda line: line["received"])))
    told = ["dial-in", "--recording", str(path), "--site", str(site)]
    assert main([*told, "--json"]) == 0
    bed = json.loads(capsys.readouterr().out)["beds"]["bed-1"]
    assert [trial["note"] for trial in bed["trials"]] == ["", "cut the tube 1 cm"]
    before, after = (trial["measures"]["break_s"] for trial in bed["trials"])
    assert before["median"] > 30 and after["median"] < 25 and after["chance"] < 0.01 and before["chance"] is None
    assert bed["verdict"].startswith("Better: wait until it breaks")
    assert bed["limits_m3_s"]["how"] == "level" and "l/h to start at all" in bed["advice"][0]
    assert main([*told, "--bed", "bed-1"]) == 0
    text = capsys.readouterr().out
    assert (
        "Better: " in text and "bed-2" not in text and "If it will not break" in text and "Pull the pump's plug" in text
    )
    # What is asked of the engine's own lines: the facts of the contract, and no more unless an explanation is wanted.
    cycle = next(
        event for event in replay(str(path), served.site) if event.kind == "cycle" and event.break_s is not None
    )
    assert cycle.work_s > 0 and cycle.flow_ratio > 1
    assert main(["replay", str(path), "--json", "--site", str(site)]) == 0
    plain = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    cycles = [line for line in plain if line["event"] == "cycle"]
    assert set(cycles[-1]) == {"event", *CycleCounted._fields[: CycleCounted._fields.index("work_s")]}
    assert {line["event"] for line in plain} <= {"cycle", "alarm", "battery", "night"}


def test_what_cannot_be_done_is_told_in_one_line(served, capsys):
    site = str(served.site.store_path.parent / "site.toml")
    for options, line in (
        (["--bed", "bed-9"], "--bed: found bed-9; bed-1 or bed-2 would do"),
        (["--hours", "0"], "--hours: found 0; more than 0, at most 336, would do"),
        (["--recording", "none.jsonl"], "none.jsonl: no such recording"),
    ):
        assert main(["dial-in", *options, "--site", site]) == 2 and line in capsys.readouterr().err


def test_it_follows_the_service_cycle_by_cycle(served, capsys):
    """Over the real wire: one more cycle and a note come while it looks; then Ctrl-C."""
    start_s, turns = served.run.end_s - 24 * 3600, []
    client = Client(served.server.address)
    cycles, notes = dial_in._lines(client, start_s)
    assert len(cycles) > 20 and [note["text"] for note in notes] == ["cut the tube 1 cm"]

    def sleep(seconds: float) -> None:
        turns.append(seconds)
        if len(turns) == 3:
            raise KeyboardInterrupt
        work = Work()
        at_s = served.run.end_s + 60 * len(turns)
        event = [
            NotePinned(at_s, None, "opened the valve", "anna"),
            CycleCounted(at_s, "bed-1", 999, 1600.0, 400.0, 1200.0, 900.0, 200.0, 1611.0),
        ][len(turns) - 1]
        work.events = [(served.store.next_event(), None, event)]
        served.store.commit(work)

    with pytest.raises(KeyboardInterrupt):
        dial_in._follow(served.site, served.site.beds, client, start_s, cycles, notes, sleep)
    told = capsys.readouterr().out.splitlines()
    assert told[0].startswith("Following") and told[1].endswith("note: opened the valve")
    assert "bed-1 #999  a whole cycle 26.7 min, upper float wet 400 s" in told[2] and "Too few cycles" in told[3]
    with served.store._db.atomic():
        served.store._db.execute("DELETE FROM events WHERE time_s > ?", (served.run.end_s,))


def test_the_documented_json(served):
    trials = served.get("api/trials", bed="bed-1", start_s=served.run.start_s)
    assert list(trials["beds"]) == ["bed-1"] and trials["beds"]["bed-1"]["trials"][1]["measures"]["flow_ratio"]["n"] > 4
    assert served.get("api/trials")["beds"].keys() == {"bed-1", "bed-2"}
    assert "bed-1 or bed-2" in served.get("api/trials", 422, bed="bed-9")["error"]
    proof = served.get("api/shakedown")["shakedown"]
    assert proof["is_over"] and [stage["stage"] for stage in proof["stages"]] == ["media", "fish"]
    assert proof["start_s"] == served.run.start_s + LEAD_H * 3600 and "bins" not in proof


@browsing
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [PHONE, DESK])
def test_the_page_of_trials(served, visit, width, height, scheme):
    page = visit("trials", width, height, color_scheme=scheme)
    assert page.title() == "Trials · garden"
    proof = served.get("api/shakedown")["shakedown"]
    words = {"ready": "Ready for", "not yet": "Not yet ready for", "so far": "Not known yet for"}
    heads = [f"{words[stage['verdict']]} {stage['stage']}" for stage in proof["stages"]]
    assert page.locator(".answer .word").all_inner_texts() == heads
    bed = page.locator("#bed-bed-1")
    assert "Better: wait until it breaks" in bed.inner_text() and "chance" in bed.locator("table").inner_text()
    assert bed.locator("thead th").nth(1).inner_text().startswith("2. cut the tube 1 cm")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "nothing may stick out sideways"
    if folder := os.environ.get("BARRELTIDE_SCREENSHOTS"):
        page.screenshot(path=f"{folder}/trials-{scheme}-{width}.png", full_page=True)
    assert axe_finds(page) == []


@browsing
def test_a_note_and_a_start_go_by_the_one_door(served, visit):
    page = visit("trials")
    form = page.locator("#bed-bed-2 form")
    form.get_by_label("I have").fill("closed the valve a quarter")
    form.get_by_role("button", name="Pin it to now").click()
    until(lambda: len(served.told) == 1, "the note")
    page = visit("trials")  # the first one fetches itself anew just now, and closes what is open
    page.get_by_text("Start a new one").click()
    page.get_by_label("for").select_option("86400")
    page.get_by_role("button", name="Start the shakedown").click()
    until(lambda: len(served.told) == 2, "the start")
    assert served.told == [
        {"input": "noted", "bed": "bed-2", "text": "closed the valve a quarter", "who": "the page"},
        {"input": "shakedown", "for_s": 86400, "who": "the page"},
    ]


@browsing
def test_the_report_prints_on_both_papers_and_asks_nobody(served, visit):
    page = visit("trials/report", 900, 1100)
    assert page.title() == "Shakedown of garden"
    assert page.evaluate("getComputedStyle(document.body).maxWidth") == "832px", "its own style is let in by its digest"
    assert page.locator("svg").count() == len(served.site.beds) + 3
    dots = page.locator("figure").first.locator("circle").count()
    cycles = served.store.events("cycle", "bed-1", start_s=served.run.start_s + LEAD_H * 3600)
    assert 0 < dots <= len(cycles) and dots >= len(cycles) - 10
    assert page.evaluate("performance.getEntriesByType('resource').map((e) => e.name)") == []
    for paper in ("A4", "Letter"):
        pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper, print_background=True)))
        assert 2 <= pages <= 4, f"{paper}: {pages} pages"
    assert axe_finds(page) == []
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_without_a_shakedown_there_is_no_report(tmp_path):
    running = Running(tmp_path)
    assert "no shakedown has been started" in running.get("trials/report", 404)["error"]
    assert running.get("api/shakedown") == {
        "shakedown": None, "words": ["No shakedown has been started yet: `barreltide shakedown start`."]
    }  # fmt: skip
    page = running.client.get("trials").text
    assert "Start the shakedown" in page and "let the rig run for a day or two" in page
    assert SimpleNamespace(**running.get("api/trials")).beds["bed-1"]["trials"][0]["cycles"] == 0
    running.client.close()
    running.server.stop()
