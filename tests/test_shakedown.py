"""Shakedowns: what each check finds, that the store says the same as the stream, and that planted defects are named."""

from __future__ import annotations

import json
import re
from random import Random
from zoneinfo import ZoneInfo

import pytest

from barreltide.cli import main
from barreltide.commands import shakedown as command
from barreltide.core.event import as_line
from barreltide.core.monitor import Monitor
from barreltide.core.reading import ShakedownStarted
from barreltide.core.shakedown import Shakedown
from barreltide.recording import replay
from barreltide.service import Service
from barreltide.site import load
from barreltide.store import Store, Work
from barreltide.sun import Sun
from barreltide.web.pages.words import Taste
from conftest import free_port, until
from simulation.draw import draw_garden
from simulation.run import simulate
from simulation.shakedown import DEFECTS, LEAD_H, SHAKEDOWN_H, judged, shake, site_of
from small_garden import DAWN_S, DUSK_S, HOUR_S, NOON_S, SUN, site

# Quick gardens, one for each defect; the whole table comes from `python -m simulation.shakedown`.
SEEDS = dict(zip(DEFECTS, (0, 1, 2, 3, 4, 5, 6), strict=True))


@pytest.mark.parametrize("defect", DEFECTS)
def test_a_planted_defect_is_named_and_nothing_invented(defect):
    found = shake(SEEDS[defect], defect)
    bad = [
        (check.name, check.subject, check.words, check.advice) for check in found.report.checks if check.state == "bad"
    ]
    assert found.named and not found.invented, bad
    assert all(words.endswith(".") and advice for _, _, words, advice in bad)
    assert "not yet" in {stage.verdict for stage in found.report.stages}


@pytest.mark.parametrize("seed", [3, 7])
def test_a_sound_garden_is_ready_for_media(seed):
    found = shake(seed, None)
    assert found.report.stages[0].verdict == "ready", found.report.stages[0].because
    assert [check.words for check in found.report.checks if check.state == "bad"] == []


# A run drawn with a ruler: beds of 600 and 750 s, 24 hours from noon, a battery that is charged by day.


def ruled(
    until_s: float = NOON_S + 24 * HOUR_S, skip=(), odd=(), events=(), volts=12.6, water_c=20.0, quiet=(), **site_of
):
    """A report at the end. skip: (bed, from, to) without cycles; odd: (bed, at which cycle, parts by which factor);
    quiet: (from, to) without readings."""
    shakedown = Shakedown(site(**site_of), SUN, NOON_S, NOON_S + 24 * HOUR_S)
    for bed, period_s in (("bed-1", 600.0), ("bed-2", 750.0)):
        at_s, number = NOON_S + 90, 0
        while at_s < until_s:
            number += 1
            factors = next((f for name, n, f in odd if (name, n) == (bed, number)), (1.0, 1.0))
            high_s, low_s = 0.4 * period_s * factors[0], 0.6 * period_s * factors[1]
            at_s += high_s + low_s
            if at_s < until_s and not any(name == bed and a < at_s < b for name, a, b in skip):
                shakedown.hear(
                    {"event": "cycle", "time": at_s, "bed": bed, "number": number, "period_s": high_s + low_s,
                     "high_s": high_s, "low_s": low_s, "fill_s": None, "drain_s": None, "work_s": high_s + low_s}
                )  # fmt: skip
    at_s = NOON_S
    while at_s < until_s:
        if not any(a <= at_s < b for a, b in quiet):
            shakedown.read("battery/voltage", at_s, volts(at_s) if callable(volts) else volts)
            shakedown.read("water/temperature", at_s, water_c(at_s) if callable(water_c) else water_c)
        at_s += 60
    for line in events:
        shakedown.hear(line)
    return shakedown.report(until_s)


def alarm(name: str, subject: str, since_s: float, change: str = "raised", time_s: float | None = None, **more) -> dict:
    return {
        "event": "alarm", "time": since_s if time_s is None else time_s, "since": since_s, "alarm": name,
        "subject": subject, "change": change, "priority": "soon", "message": "So it is. More.", "evidence": [], **more,
    }  # fmt: skip


def charge(time_s: float, share: float) -> dict:
    return {"event": "battery", "time": time_s, "state_of_charge": share, "low": share - 0.04, "high": share + 0.04,
            "basis": "loaded"}  # fmt: skip


def states(report, name: str) -> dict[str, str]:
    return {check.subject: check.state for check in report.checks if check.name == name}


def words(report, state: str = "bad") -> str:
    return " ".join(check.words for check in report.checks if check.state == state)


def test_a_run_as_by_a_ruler_is_ready_for_media_once_it_is_over():
    assert ruled().stages[0].verdict == "ready"
    half = ruled(NOON_S + 12 * HOUR_S)
    assert half.stages[0].verdict == "so far" and half.stages[0].because == ("It still runs: 12 h of 24 hours to go.",)


def test_a_bed_that_stood_still_and_a_cycle_unlike_the_others():
    still = ruled(skip=[("bed-1", NOON_S + 3 * HOUR_S, NOON_S + 4 * HOUR_S)])
    assert states(still, "cycles") == {"bed-1": "bad", "bed-2": "good"} and "'bed-1' stood still once" in words(still)
    assert still.stages[0].verdict == "not yet" and "stood still" in still.stages[0].because[0]
    assert words(ruled(odd=[("bed-2", 20, (0.6, 0.6))])) == "'bed-2' had 1 cycle unlike the others."
    none = ruled(skip=[("bed-2", NOON_S, NOON_S + 24 * HOUR_S)])
    assert states(none, "cycles")["bed-2"] == "bad"
    # An hour in, nothing is known yet of a bed that has not come round; it is not blamed.
    early = ruled(NOON_S + HOUR_S, skip=[("bed-2", NOON_S, NOON_S + HOUR_S)])
    assert states(early, "cycles") == {"bed-1": "good", "bed-2": "open"}


def test_long_wet_is_a_trickle_and_long_dry_a_dribble():
    wet = ruled(odd=[("bed-1", 30, (2.5, 1.0))])
    assert words(wet) == "The siphon of 'bed-1' did not start, and trickled once."
    dry = ruled(odd=[("bed-2", 30, (1.0, 2.2))])
    assert words(dry) == "'bed-2' stayed drained for too long once: its siphon dribbled on, or less water came."
    moved = ruled(
        odd=[("bed-1", 30, (1.9, 0.4))]
    )  # wet for longer, in a cycle that is no longer: the float, not the water
    assert words(moved) == ""
    # The same by the engine's alarm, and with the battery's voltage beside it.
    by_alarm = ruled(events=[alarm("siphon-not-breaking", "bed-2", NOON_S + HOUR_S),
                             alarm("siphon-not-breaking", "bed-2", NOON_S + HOUR_S, "cleared", NOON_S + 2 * HOUR_S)],
                     volts=14.3)  # fmt: skip
    assert "did not break, and dribbled on once, with the battery at 14.3 V; at 12.6 V it breaks." in words(by_alarm)
    assert states(by_alarm, "dribble") == {"bed-1": "good", "bed-2": "bad"}


def test_a_stop_told_beforehand_is_excused_if_water_comes_back():
    rest = {"event": "rest", "time": NOON_S + 5 * HOUR_S, "pump": "pump", "until": NOON_S + 5.5 * HOUR_S}
    off = [(bed, NOON_S + 5 * HOUR_S, NOON_S + 5.4 * HOUR_S) for bed in ("bed-1", "bed-2")]
    assert words(ruled(skip=off, events=[rest])) == ""
    assert "stood still" in words(ruled(skip=off))
    gone = ruled(skip=[("bed-1", NOON_S + 5 * HOUR_S, NOON_S + 9 * HOUR_S), *off], events=[rest])
    assert "After a stop of 'pump', water did not come back to 'bed-1'." in words(gone)
    still = [(bed, NOON_S + 5 * HOUR_S, NOON_S + 6 * HOUR_S) for bed in ("bed-1", "bed-2")]
    minutes = ruled(NOON_S + 5.6 * HOUR_S, skip=still,
                    events=[rest])  # fmt: skip
    assert states(minutes, "back") == {"": "open"} and "has not come back yet" in words(minutes, "open")
    untold = ruled(skip=off, events=[
        alarm("pump-stopped", "pump", NOON_S + 5 * HOUR_S),
        alarm("pump-stopped", "pump", NOON_S + 5 * HOUR_S, "cleared", NOON_S + 5.5 * HOUR_S),
    ])  # fmt: skip
    assert words(untold) == "'pump' stopped by itself once."


def test_what_stood_at_the_start_counts_and_what_was_over_does_not():
    old = alarm("siphon-not-starting", "bed-1", NOON_S - 5 * HOUR_S)
    assert states(ruled(events=[old]), "trickle")["bed-1"] == "bad"
    over = alarm("siphon-not-starting", "bed-1", NOON_S - 5 * HOUR_S, "cleared", NOON_S - HOUR_S)
    assert states(ruled(events=[old, over]), "trickle")["bed-1"] == "good"


def test_a_loose_float_and_one_that_cannot_be_trusted():
    wander = [("bed-1", n, (0.4 + 0.3 * (n % 5), 1.4 - 0.2 * (n % 5))) for n in range(1, 160)]
    loose = ruled(odd=wander)
    assert states(loose, "float") == {"bed-1": "bad", "bed-2": "good"} and "seems to be loose" in words(loose)
    assert states(loose, "trickle")["bed-1"] == "good", "the float has moved, not the water"
    fault = ruled(events=[alarm("sensor-fault", "bed-2/high", NOON_S + HOUR_S)])
    assert words(fault) == "The upper float of 'bed-2' cannot be trusted."


def test_a_gap_is_told_with_its_times():
    gap = ruled(quiet=[(NOON_S + HOUR_S, NOON_S + 1.5 * HOUR_S)])
    assert words(gap) == "30 min of data are missing, in 1 gap."
    (check,) = (check for check in gap.checks if check.name == "data")
    assert check.evidence == (f"{{{NOON_S + HOUR_S:.0f}}} to {{{NOON_S + 1.5 * HOUR_S:.0f}}}: nothing was read",)
    assert words(ruled(quiet=[(NOON_S + HOUR_S, NOON_S + HOUR_S + 240)])) == "", "a restart of the board is no gap"
    ended = ruled(NOON_S + 3 * HOUR_S, quiet=[(NOON_S + 2 * HOUR_S, NOON_S + 3 * HOUR_S)])
    assert "59 min of data" in words(ended) or "60 min of data" in words(ended)


def test_the_floor_names_battery_or_panel():
    low = [charge(DUSK_S, 0.95), charge(DAWN_S, 0.41)]
    (check,) = (check for check in ruled(events=low).checks if check.name == "floor")
    assert (
        check.words == "The charge fell to 41 %, below your floor of 50 %." and "battery is too small" in check.advice
    )
    (check,) = (
        check for check in ruled(events=[charge(DUSK_S, 0.6), charge(DAWN_S, 0.41)]).checks if check.name == "floor"
    )
    assert "panel" in check.advice and "battery is too small" not in check.advice
    (check,) = (
        check for check in ruled(events=[charge(DUSK_S, 0.95), charge(DAWN_S, 0.52)]).checks if check.name == "floor"
    )
    assert check.state == "good" and "may have been at the floor" in check.words
    told = [charge(DUSK_S, 0.95), charge(DAWN_S, 0.52), alarm("battery-low", "battery", DAWN_S - 60)]
    (check,) = (check for check in ruled(events=told).checks if check.name == "floor")
    assert check.state == "bad" and check.words == "The battery was at its floor of 50 %, as an alarm has told."


@pytest.mark.parametrize("volts", [1e6, 1e308, 0.0, -3.0])
def test_a_voltage_that_cannot_be_true_is_left_out_of_the_sheet(volts):
    mad = ruled(volts=lambda at_s: volts if at_s == NOON_S + HOUR_S else 12.6)
    assert {round(mean_v, 9) for _, mean_v, _ in mad.bins} == {12.6}
    assert "12.6 V</text>" in command.document(site(), mad, Taste(ZoneInfo("UTC")))


def test_water_beyond_its_limits():
    warm = ruled(water_c=lambda at_s: 29.5 if at_s > NOON_S + 20 * HOUR_S else 22.0)
    assert words(warm) == "The water was between 22.0 °C and 29.5 °C; 8 °C to 28 °C would do."
    assert states(ruled(water_c=85.0), "water") == {"": "open"}, "a thermometer that cannot be right tells nothing"


def test_the_sheet_is_in_the_reader_s_degrees():
    american = Taste(ZoneInfo("UTC"), fahrenheit=True)
    text = command.document(site(), ruled(water_c=lambda at_s: 29.5 if at_s > NOON_S + 20 * HOUR_S else 22.0), american)
    assert "between 71.6\u00a0°F and 85.1\u00a0°F; 46\u00a0°F to 82\u00a0°F would do." in text and "°C" not in text


def test_without_a_cycle_nothing_is_proven_of_a_siphon():
    report = Shakedown(site(), SUN, NOON_S, NOON_S + 48 * HOUR_S).report(NOON_S + 60)
    proven = {check.name for check in report.checks if check.state == "good"}
    assert not proven & {"trickle", "dribble", "float", "data"}


# One garden from its recording through the store to the command.

TWO_BEDS = {"beds": 2, "pumps": 1, "period_s": 1500.0, "start_s": 1_780_000_000.0}


@pytest.fixture(scope="module")
def proved(tmp_path_factory):
    """(site, store, run): a shakedown with a siphon that dribbles at high flow, in a store as the service fills it."""
    plan = draw_garden(8, **TWO_BEDS)
    plan.shade = (0.0, 0.0, 1.0)
    DEFECTS["siphon dribbles at high flow"].plan(plan, Random(2))
    run = simulate(plan, 2.3)
    folder = tmp_path_factory.mktemp("proved")
    (folder / "site.toml").write_text(plan.site_toml() + f"\n[web]\nport = {free_port()}\n", encoding="utf-8")
    garden = load(folder / "site.toml")
    store = Store(garden.store_path)
    fill(store, garden, run)
    return garden, store, run


def fill(store: Store, garden, run, *said) -> None:
    """As the service does; said: what the grower tells it besides."""
    monitor, work = Monitor(garden, Sun(garden.latitude, garden.longitude, garden.time_zone)), Work()
    start_s = run.start_s + LEAD_H * 3600
    started = ShakedownStarted(start_s, start_s + SHAKEDOWN_H * 3600, "anna")
    inputs = sorted([*run.inputs(), started, *said], key=lambda item: item.received_s)
    for given in inputs:
        for name, sampled_s, value in getattr(given, "readings", ()):
            work.readings.append((store.series_id("barrels", name, None, work), sampled_s, value))
        work.events += [(store.next_event(), None, event) for event in monitor.take(given)]
    work.events += [(store.next_event(), None, event) for event in monitor.advance(run.end_s)]
    store.commit(work)


def test_the_store_says_what_the_stream_has_said(proved):
    garden, store, run = proved
    streamed, stored = judged(run, garden), command.latest(garden, store, run.end_s)
    assert [check[:4] for check in stored.checks] == [check[:4] for check in streamed.checks]
    assert stored.stages == streamed.stages
    assert [day[:4] for day in stored.days] == [day[:4] for day in streamed.days]  # a pack may come twice in a stream
    assert len(stored.bins) == len(streamed.bins) and "dribbled on" in " ".join(c.words for c in stored.checks)
    early = command.latest(garden, store, run.start_s + 10 * 3600)
    assert not early.is_over and early.stages[1].verdict in ("so far", "not yet")
    assert max(cycle["time"] for bed in early.beds.values() for cycle in bed.cycles) <= run.start_s + 10 * 3600


def test_the_command_tells_and_writes(proved, capsys, tmp_path):
    garden, store, run = proved
    at = ["--site", str(garden.store_path.parent / "site.toml")]
    assert main(["shakedown", "status", *at]) == 0
    told = capsys.readouterr().out
    assert "Ready for media: not yet, because" in told and "To try: " in told and "{" not in told
    assert re.search(r"^ {6}\w{3} \d+ \w{3} \d\d:\d\d", told, re.MULTILINE), "evidence with the garden's time"
    assert main(["shakedown", "report", "--json", *at]) == 0
    line = json.loads(capsys.readouterr().out)
    assert line["is_over"] and {"stages", "checks", "days", "beds", "bins", "charge", "cycles"} <= set(line)
    file = tmp_path / "report.html"
    assert main(["shakedown", "report", "--out", str(file), *at]) == 0
    text = file.read_text(encoding="utf-8")
    assert text.count("<svg") == len(garden.beds) + 3 and "http" not in text and "src=" not in text
    assert "<script" not in text and text.count("<link") == 1
    assert main(["shakedown", "report", "--out", str(tmp_path), *at]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_it_is_started_by_a_word_that_is_recorded_and_replayed(tmp_path, capsys):
    run_site = site()
    topic = "barreltide/garden/grower"
    line = {"received": NOON_S, "topic": topic, "payload": {"input": "shakedown", "for_s": 86400, "who": "anna"}}
    (tmp_path / "one.jsonl").write_text(json.dumps(line) + "\n")
    from barreltide.pack import Topics

    line["topic"] = Topics.of_site(run_site).grower
    (tmp_path / "one.jsonl").write_text(json.dumps(line) + "\n")
    assert [as_line(event) for event in replay(str(tmp_path / "one.jsonl"), run_site)] == [
        {"event": "shakedown", "time": NOON_S, "until": NOON_S + 86400, "who": "anna"}
    ]
    for for_s in (60, 8 * 86400, None, True):
        line["payload"]["for_s"] = for_s
        (tmp_path / "one.jsonl").write_text(json.dumps(line) + "\n")
        told: list[str] = []
        assert list(replay(str(tmp_path / "one.jsonl"), run_site, tell=told.append)) == []
        assert "at least 3,600 and at most 604,800, would do" in told[0]


def test_what_cannot_be_done_is_told_in_one_line(tmp_path, capsys):
    plan = draw_garden(3)
    (tmp_path / "site.toml").write_text(plan.site_toml() + f"\n[web]\nport = {free_port()}\n", encoding="utf-8")
    at = ["--site", str(tmp_path / "site.toml")]
    assert main(["shakedown", "status", *at]) == 2 and "no store there yet" in capsys.readouterr().err
    Store(tmp_path / "barreltide.db").close()
    assert main(["shakedown", "status", *at]) == 0 and "No shakedown has been started" in capsys.readouterr().out
    assert main(["shakedown", "report", *at]) == 2 and "shakedown start" in capsys.readouterr().err
    assert main(["shakedown", "start", "--hours", "0.5", *at]) == 2
    assert "--hours: found 0.5; 1 to 168 would do" in capsys.readouterr().err
    assert main(["shakedown", "start", *at]) == 2 and "barreltide serve" in capsys.readouterr().err
    assert site_of(plan).name == "garden"


def test_over_the_real_service_and_a_start_of_it_anew(tmp_path, capsys):
    file = tmp_path / "site.toml"
    file.write_text(draw_garden(3).site_toml() + f"\n[web]\nport = {free_port()}\n", encoding="utf-8")
    at, garden = ["--site", str(file)], load(file)

    def run(*words: str) -> str:
        service = Service(garden, broker_port=free_port())
        service.start()
        try:
            until(lambda: service.writer.ready, "the engine")
            assert main([*words, *at]) == 0
            return capsys.readouterr().out
        finally:
            service.stop()

    assert "The shakedown runs until " in run("shakedown", "start", "--hours", "24", "--who", "anna")
    (begun,) = Store(garden.store_path).events("shakedown")
    assert begun["who"] == "anna" and begun["until"] - begun["time"] == 24 * 3600
    told = run("shakedown", "status")  # as the service that was started anew tells it
    assert "Ready for media: not known yet, and nothing is wrong so far." in told and "of 24 hours to go" in told
    assert len(Store(garden.store_path).events("shakedown")) == 1
    (word,) = Store(garden.store_path).arrivals(kinds=("grower",))
    assert json.loads(word.payload) == {"input": "shakedown", "for_s": 86400.0, "who": "anna"}
