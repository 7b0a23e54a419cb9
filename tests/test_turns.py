"""Beds that take turns: against closed forms, ideal beds stepped through, and gardens with physics of their own."""

from __future__ import annotations

import json
import subprocess
import sys
import urllib.request
from math import inf, log, pi, sqrt
from zoneinfo import ZoneInfo

import pytest

from barreltide.commands import turns as command
from barreltide.core import turns
from barreltide.core.event import CycleCounted
from barreltide.core.turns import Rhythm
from barreltide.site import load
from barreltide.store import Store, Work
from barreltide.web import app as web
from barreltide.web.pages.words import Taste
from conftest import SITE, free_port
from simulation.draw import draw_garden

NOW_S = 1_790_000_000.0


def ideal(bed: str, period_s: float, full_s: float, ends_s: float = NOW_S, count: int = 30, **more) -> list:
    return [CycleCounted(ends_s - k * period_s, bed, count - k, period_s, full_s, period_s - full_s,
                         more.get("fill_s"), more.get("drain_s")) for k in range(count)][::-1]  # fmt: skip


def two(first_s: float = 261.5, second_s: float = 270.0, full_s: float = 58.0, ago_s: float = 100.0, count: int = 13):
    known = turns.rhythms({"mint": ideal("mint", first_s, full_s, NOW_S, count),
                           "kale": ideal("kale", second_s, full_s, NOW_S - ago_s, count)})  # fmt: skip
    return turns.moving(known, NOW_S)


def test_beat_and_overlap_of_two_ideal_beds():
    """Worked by hand: 261.5 · 270 / 8.5 = 8306.47 s; 58² / (261.5 · 270) = 0.04765; 116 / 8.5 = 13.6 turns."""
    assert turns.beat_s(261.5, 270.0) == pytest.approx(8306.47, abs=0.1) and turns.beat_s(270.0, 270.0) == inf
    (pair,) = turns.pairs(two(), NOW_S)
    assert pair.beat_s == pytest.approx(8306.47, abs=0.1) and pair.turns == pytest.approx(13.65, abs=0.05)
    assert pair.beat_low_s < pair.beat_s < pair.beat_high_s and pair.differs
    assert pair.drift_per_h == pytest.approx(3600 / 8306.47, abs=1e-4)
    assert pair.meeting.share == pytest.approx(0.04765, abs=1e-5)
    at_s, both_s, running, runs, before = 0.0, 0, 0, [], False  # stepped through: twenty beats, second by second
    for at_s in range(int(20 * 8306.47)):
        now = at_s % 261.5 >= 203.5 and at_s % 270.0 >= 212.0
        both_s, running = both_s + now, running + (now and not before)
        if not now and not before and running and at_s % 8306 == 4000:
            runs.append(running)
            running = 0
        before = now
    assert both_s / (20 * 8306.47) == pytest.approx(pair.meeting.share, rel=0.03)
    assert sum(runs) / len(runs) == pytest.approx(pair.turns, abs=1)


def test_the_next_meeting_of_two_ideal_beds_by_hand():
    """mint falls now, kale fell 100 s ago and falls 8.5 s later each turn: 58 - 5.8 s apart they meet, 4.9 turns on."""
    (pair,) = turns.pairs(two(), NOW_S)
    assert pair.apart == pytest.approx(1 - 100 / 270, abs=1e-6)
    first_s = next(k * 261.5 - 58 for k in range(1, 40) if any(
        min(k * 261.5, j * 270 - 100) - max(k * 261.5, j * 270 - 100) + 58 > 5.8 for j in range(1, 40)))  # fmt: skip
    meeting = pair.meeting
    assert meeting.low_s < NOW_S + first_s + 270 and meeting.high_s > NOW_S + first_s
    assert meeting.next_s == pytest.approx(NOW_S + first_s, abs=600)
    assert meeting == turns.pairs(two(), NOW_S)[0].meeting, "the same question has the same answer"


def test_periods_that_may_be_equal_and_a_beat_of_days_are_told_as_such():
    (alike,) = turns.pairs(two(270.0, 270.2), NOW_S)
    assert not alike.differs and alike.beat_high_s is None and alike.turns is None
    assert alike.meeting.next_s is None or alike.meeting.high_s is None or alike.meeting.high_s > NOW_S + 43_200
    (slow,) = turns.pairs(two(1800.0, 1803.0, 600.0, 900.0, 120), NOW_S)
    assert slow.beat_s > 3 * 86_400
    assert turns.meeting(two(1800.0, 1803.0, 300.0, 900.0), NOW_S).high_s is None
    in_step = [Rhythm(f"bed-{n}", 600.0 + n, 0.5, 1.0, 60.0, NOW_S - n, 12) for n in range(8)]  # since a joint restart
    together = turns.meeting(in_step, NOW_S)
    assert together.share < 1e-7 and together.high_s == pytest.approx(NOW_S + 550, abs=90), "rare, and due at once"


def test_a_stall_or_a_gap_is_no_turn_and_a_bed_that_stands_takes_none():
    rows = ideal("mint", 300.0, 90.0)
    rows[20] = rows[20]._replace(period_s=2900.0)
    rows[22] = rows[22]._replace(period_s=None)
    rhythm = turns.rhythms({"mint": rows})["mint"]
    assert rhythm.period_s == 300.0 and rhythm.periods == 10 and rhythm.spread_s == turns.LEAST_SPREAD_S
    assert not turns.moving({"mint": rhythm}, NOW_S + 751) and turns.moving({"mint": rhythm}, NOW_S + 749)
    assert turns.rhythms({"mint": rows[:4]}) == {} and turns.rhythms({}) == {}


def of_garden(garden) -> dict[str, list[CycleCounted]]:
    """What the garden's upper floats truly did, by bed."""
    return {
        bed.name: [CycleCounted(c.time, bed.name, k, c.high_s and c.low_s and c.high_s + c.low_s, c.high_s, c.low_s,
                                None, None) for k, c in enumerate(bed.cycles)]
        for bed in garden.beds
    }  # fmt: skip


def test_the_hour_of_the_next_meeting_holds_in_gardens_of_their_own():
    """Two to four beds, night and day, as the garden's floats truly were: nine of ten ranges hold, most are narrow."""
    held, told, narrow = 0, 0, 0
    for seed in range(6):
        garden = draw_garden(seed, beds=2 + seed % 3, pumps=1, period_s=500 + 100 * (seed % 4)).build()
        start_s = garden.now_s
        garden.advance(start_s + 20 * 3600)
        truth = of_garden(garden)
        for hour in (6, 12):
            now_s = start_s + hour * 3600 + 333
            known = turns.rhythms({bed: [row for row in rows if row.time < now_s] for bed, rows in truth.items()})
            for pair in turns.pairs(turns.moving(known, now_s), now_s):
                windows = [[(row.time - row.high_s, row.time) for row in truth[bed] if row.high_s and row.time > now_s]
                           for bed in pair.meeting.beds]  # fmt: skip
                least_s = turns.WORTH * min(known[bed].full_s for bed in pair.meeting.beds)
                met = [max(a, c, now_s) for a, b in windows[0] for c, d in windows[1]
                       if min(b, d) - max(a, c, now_s) > least_s]  # fmt: skip
                low_s, high_s = (at or inf for at in (pair.meeting.low_s, pair.meeting.high_s))
                met_s = min(met, default=garden.now_s)
                held += low_s - 1 <= met_s <= high_s + 1 if met else high_s > met_s
                told += 1
                narrow += high_s - low_s < 3600
    assert told > 20 and held > 0.85 * told and narrow > 0.6 * told, (held, narrow, told)


def torricelli(flow_l_min: float) -> tuple[float, float]:
    """Fill and drain, s, of a bed of 0.10 m² between 0.03 and 0.25 m, 25 mm bore, Cd 0.55, outlet 0.15 m lower: the
    closed form 2Ae/a [(y1-y0) + Q/a ln((a·y1-Q)/(a·y0-Q))], which gives 41.497 s at 6 L/min."""
    q, a = flow_l_min / 60_000, 0.55 * pi * 0.025**2 / 4 * sqrt(2 * 9.80665)
    y1, y0 = sqrt(0.40), sqrt(0.18)
    return 0.10 * 0.22 / q, 0.2 / a * ((y1 - y0) + q / a * log((a * y1 - q) / (a * y0 - q)))


def bed_at(name: str, flow_l_min: float, known: bool = True) -> Rhythm:
    fill_s, drain_s = torricelli(flow_l_min)
    more = (fill_s, drain_s) if known else (None, None)
    return Rhythm(name, fill_s + drain_s, 0.1, 1.0, 50.0, NOW_S, 12, *more)


def test_what_a_branch_must_change_against_a_siphon_s_closed_form():
    assert torricelli(6.0)[1] == pytest.approx(41.4974, abs=1e-3)
    litres = {"mint": 22.0, "kale": 22.0}
    period_s, changes = turns.balance([bed_at("mint", 6.0), bed_at("kale", 10.0)], litres)
    assert period_s == pytest.approx(sum(torricelli(8.0)), rel=0.01), "16 L/min between two alike are 8 for each"
    assert changes[0].bed == "mint" and changes[0].low == pytest.approx(8 / 6 - 1, abs=0.01) == changes[0].high
    assert changes[1].high == pytest.approx(8 / 10 - 1, abs=0.01)
    _, unknown = turns.balance([bed_at("mint", 6.0, False), bed_at("kale", 10.0, False)], litres)
    assert unknown[0].low < 8 / 6 - 1 < unknown[0].high < 0.6, "one float a bed: a range, with the truth in it"
    # The period is least at 18.45 L/min: beyond it more water makes the cycle longer, and there is nothing to advise.
    assert sum(torricelli(18.45)) == pytest.approx(141.18, abs=0.01)
    assert turns.balance([bed_at("mint", 6.0), bed_at("kale", 24.0)], litres) is None
    assert turns.balance([bed_at("mint", 6.0)], litres) is None


def test_branches_turned_as_told_bring_a_garden_s_periods_together():
    """Two or three beds on one pump, by a physics with a pump's curve in it: turned as told, they come much nearer."""

    def run(plan, changes: dict[str, float]) -> dict[str, Rhythm]:
        garden = plan.build()
        for bed in garden.beds:
            bed.branch *= 1 + changes.get(bed.name, 0.0)
        garden.advance(garden.now_s + 6 * 3600)
        return turns.rhythms(of_garden(garden))

    def differ(known: dict[str, Rhythm]) -> float:
        periods = [rhythm.period_s for rhythm in known.values()]
        return max(periods) / min(periods) - 1

    left = []
    for seed in range(10):
        plan = draw_garden(seed, beds=2 + seed % 2, pumps=1, period_s=700, gloom=0.0)
        before = run(plan, {})
        litres = {bed["name"]: 1000 * bed["area_m2"] * (bed["standpipe_m"] - bed["break_m"]) for bed in plan.beds}
        found = turns.balance(list(before.values()), litres)
        changes = {branch.bed: (branch.low + branch.high) / 2 for branch in (found[1] if found else ())}
        if found and max(map(abs, changes.values())) < turns.MOST_TURNED:
            left.append(differ(run(plan, changes)) / differ(before))
    assert len(left) >= 6 and max(left) < 0.7 and sorted(left)[len(left) // 2] < 0.25, left


def test_water_left_for_the_fish():
    """44 L off 0.5 m² are 88 mm; 22 L are 0.25 m² · 0.22 m · 0.40 of clean stone."""
    left = turns.water(200.0, [22.0, 22.0], 0.5, 2.0)
    assert left.left_l == 156.0 and left.drop_m == pytest.approx(0.088) and left.enough
    assert left.kg_per_m3 == pytest.approx(2.0 / 0.156)
    assert not turns.water(80.0, [22.0, 22.0], None, 0.0).enough, "less than half is left"
    assert not turns.water(200.0, [22.0, 22.0], None, 3.2).enough, "more than 20 kg to a cubic metre then"
    assert not turns.water(40.0, [22.0, 22.0], None, 0.1).enough and turns.water(40, [44], None, 0.1).left_l == 0


GARDEN = SITE.replace('[[bed]]\nname = "bed-1"\n', "") + "".join(
    f'[[bed]]\nname = "{name}"\narea_m2 = 0.25\nstandpipe_height_m = 0.25\ndrain_height_m = 0.03\n'
    "media_void_fraction = 0.4\n"
    for name in ("mint", "kale", "sage", "leek")
)
SUMP = '[sump]\nvolume_l = 150.0\narea_m2 = 0.5\nfish = "goldfish"\nfish_mass_kg = 0.5\n'


def stored(tmp_path, site_text: str, **beds: tuple[float, float]):
    """The site and its store, with the cycles of beds of these periods that fell so long ago."""
    (tmp_path / "site.toml").write_text(site_text)
    site = load(tmp_path / "site.toml")
    store = Store(site.store_path)
    store.commit(Work(events=[
        (store.next_event(), None, cycle)
        for bed, (period_s, ago_s) in beds.items() for cycle in ideal(bed, period_s, 0.3 * period_s, NOW_S - ago_s)
    ]))  # fmt: skip
    return site, store


def test_four_beds_in_words(tmp_path):
    site, store = stored(tmp_path, GARDEN + SUMP, mint=(600, 0), kale=(630, 200), sage=(660, 400), leek=(700, 40))
    answer = command.found(site, store, NOW_S)
    text = "\n".join(answer["words"])
    assert len(answer["pairs"]) == 6 and answer["together"]["beds"] == ("mint", "kale", "sage", "leek")
    assert answer["together"]["share"] == pytest.approx(0.3**4) and "All 4 beds are " in text
    plain = text.replace("\u00a0", " ")
    assert "With every bed full, 88 L of the sump's 150 L are upstairs and 62 L (41 %) stay below, 176 mm low" in plain
    american = Taste(ZoneInfo("America/Los_Angeles"), gallons=True, twelve=True)
    other = "\n".join(command.found(site, store, NOW_S, taste=american)["words"])
    assert "23\u00a0gal" in other and "\u00a0am" in other and "\u00a0am" not in text
    assert "That is too little" in text and "leek gets" in text and "mint's by about" in text
    assert "still drift" in text and "couples the beds" in text
    assert answer["branches"]["pump"]["period_s"] == pytest.approx(640, abs=15)
    store.close()
    (tmp_path / "near").mkdir()
    site, store = stored(tmp_path / "near", GARDEN, mint=(600, 0), kale=(604, 200), sage=(602, 400), leek=(600, 40))
    assert "leave the branches as they are" in "\n".join(command.found(site, store, NOW_S)["words"])
    store.close()


def test_what_is_not_known_is_named(tmp_path):
    site, store = stored(tmp_path, GARDEN.replace("area_m2 = 0.25\n", "", 1), mint=(600, 0), kale=(600.5, 4000))
    text = "\n".join(command.found(site, store, NOW_S)["words"])
    assert "sage and leek: fewer than 4 whole cycles" in text
    assert "kale has not drained since 06:06: it takes no turns" in text
    assert "the site file lacks volume_l of [sump] and heights or area_m2 of mint." in text
    store.close()
    site, store = stored(tmp_path / ".", SITE)
    assert "only one bed" in "\n".join(command.found(site, store, None)["words"])
    store.close()


class Idle:
    """A service of which only the pages run."""

    def picture(self) -> dict:
        return {}

    health = picture


def test_the_command_asks_the_service_where_one_runs_and_reads_the_store_where_none_does(tmp_path):
    port = free_port()
    site, store = stored(tmp_path, GARDEN + SUMP + f"[web]\nport = {port}\n", mint=(600, 0), kale=(640, 100))
    store.close()

    def run(*more: str) -> subprocess.CompletedProcess:
        arguments = [sys.executable, "-m", "barreltide", "turns", "--site", tmp_path / "site.toml", *more]
        return subprocess.run(arguments, capture_output=True, text=True, timeout=60)

    answer = json.loads(run("--json").stdout)
    assert answer["time"] == NOW_S and answer["pairs"][0]["beat_s"] == pytest.approx(600 * 640 / 40)
    wrong = run("--last", "2")
    assert (wrong.returncode, wrong.stderr) == (2, "barreltide: --last: found 2; 4 to 200 cycles would do\n")
    server = web.serve(site, site.store_path, Idle(), lambda: NOW_S + 60.0)
    server.start()
    try:
        served = run("--last", "6").stdout
        with urllib.request.urlopen(f"{server.address}api/turns?last=6", timeout=30) as reply:
            answer = json.load(reply)
    finally:
        server.stop()
    assert answer["time"] == NOW_S + 60.0 and answer["beds"]["kale"]["periods"] == 6
    assert served.splitlines() == answer["words"]
