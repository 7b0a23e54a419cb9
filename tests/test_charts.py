"""What is drawn and taken away, asked of a real server: charts, days, a night, CSV, a recording."""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime

import pytest

from barreltide.core.event import AlarmChanged, BatteryJudged, CycleCounted, NightEnded, NotePinned
from barreltide.recording import replay
from barreltide.store import Arrival, Work
from barreltide.sun import Sun
from barreltide.web import charts
from test_web import Running

DATE = "2026-03-28"  # in that night Lisbon sets its clocks ahead
SUN = Sun(38.7, -9.1, "Europe/Lisbon")
DUSK, DAWN = SUN.dawn_dusk(DATE)[1], SUN.dawn_dusk("2026-03-29")[0]
START, END = int(DUSK) // 600 * 600 - 7200, int(DAWN) + 7200


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    running = Running(tmp_path_factory.mktemp("charts"))
    store, work = running.store, Work()
    store.zone = SUN._zone
    for seq, time_s in enumerate(range(START, END, 600)):
        records = [
            {"bn": "quince-yard/barrels/", "bt": time_s, "n": "station/boot", "v": 7}, {"n": "station/seq", "v": seq},
            {"n": "battery/voltage", "u": "V", "v": 12.5},
        ]  # fmt: skip
        payload = json.dumps(records).encode()
        work.arrivals.append(Arrival(store.next_arrival(), time_s + 1.0, "readings", "barrels", 7, seq, payload))
    names = {name: store.series_id("barrels", name, None, work) for name in ("battery/voltage", "bed-1/high", "odd")}
    work.readings = [(names["battery/voltage"], float(t), 12.75 if t < DUSK else 12.25) for t in range(START, END, 60)]
    work.readings += [(names["bed-1/high"], float(t), int(t % 600 == 0)) for t in range(START, END, 300)]
    work.readings += [(names["odd"], float(START), '=2+2'), (names["odd"], START + 1.0, "fine, thanks")]
    told = [BatteryJudged(float(t), 0.8, 0.7, 0.9, "loaded") for t in range(START, END, 300)]
    told += [CycleCounted(float(t), "bed-1", 1, 600.0, 200.0, 400.0, None, None) for t in range(START + 600, END, 600)]
    told += [
        NightEnded(DAWN + 30, DATE, DUSK, DAWN, 0.9, 0.7, 18.0, 12.1, 30.0),
        AlarmChanged(DUSK + 700, DUSK + 600, "pump-stopped", "pump", "raised", "urgent", "The pump stands still."),
        AlarmChanged(DUSK + 1300, DUSK + 600, "pump-stopped", "pump", "cleared", "urgent", "The pump runs again."),
        AlarmChanged(DAWN + 7100, DAWN + 7000, "pump-stopped", "pump", "raised", "urgent", "It stands still."),
        NotePinned(DUSK + 900, "bed-1", "cut the tube 1 cm", "anna"),
    ]  # fmt: skip
    work.events = [(store.next_event(), None, event) for event in told]
    store.commit(work)
    running.now_s = float(END)
    yield running
    running.client.close()
    running.server.stop()


def test_a_chart_is_ready_for_drawing(served):
    found = served.get("api/chart", name="battery/voltage", points=50)
    assert found["complete"] and found["each_s"] > 300 and 30 < len(found["t"]) <= 52
    assert {len(found[key]) for key in ("t", "mean", "low", "high")} == {len(found["t"])}
    assert found["high"][0] == 12.75 and found["mean"][-1] == 12.25
    few = served.get("api/chart", name="battery/voltage", station="barrels", start_s=DUSK - 200, end_s=DUSK + 200)
    assert few["each_s"] == 0 and set(few["mean"]) == {12.75, 12.25}
    assert served.get("api/battery", points=20)["low"][3] == pytest.approx(0.7)


@pytest.mark.parametrize(
    ("path", "code", "line"),
    [
        ("api/chart?name=x", 404, "no readings 'x'; /api/series lists what there is"),
        ("api/chart?name=odd&station=y", 404, "no readings 'odd' from station 'y'; /api/series lists what there is"),
        ("api/chart?name=odd&points=1", 422, "points: found '1'; input should be greater than or equal to 2"),
        ("api/battery?start_s=9&end_s=3", 422, "start_s: found 9, which is after end_s 3; an earlier time would do"),
        ("api/night?date=soon", 422,
         "date: found 'soon'; input should be a valid date or datetime, input is too short"),
        ("api/night?date=9999-12-31", 422, "date: found 9999-12-31; one from 1970 to 2999 would do"),
        ("api/night?date=0001-01-01", 422, "date: found 0001-01-01; one from 1970 to 2999 would do"),
        ("api/readings.csv?station=y&name=odd", 404,
         "no readings 'odd' from station 'y'; /api/series lists what there is"),
    ],
)  # fmt: skip
def test_what_cannot_be_drawn_gets_one_line(served, path, code, line):
    assert served.get(path, code) == {"error": line}


def test_a_night_has_all_that_its_drawing_needs(served):
    night = served.get("api/night", date=DATE)
    assert (night["dusk"], night["dawn"], night["floor"], night["cut_off_v"]) == (DUSK, DAWN, 0.5, 11.4)
    assert night["record"]["used_ah"] == 18.0
    times = night["voltage"]["t"]
    assert abs(times[0] - (DUSK - 3600)) < 120 and abs(times[-1] - (DAWN + 3600)) < 120
    assert night["charge"]["high"][0] == 0.9
    assert night["stops"] == [{"pump": "pump", "since_s": pytest.approx(DUSK + 600), "until_s":
                               pytest.approx(DUSK + 1300)}]  # fmt: skip
    assert [row["change"] for row in night["journal"]] == ["raised", "cleared"]
    assert [row["text"] for row in night["notes"]] == ["cut the tube 1 cm"]
    assert served.get("api/night")["date"] == DATE, "the last night by itself"
    assert served.get("api/night", date="2026-03-01")["record"] is None


def test_days_that_are_to_come_are_none(served):
    assert served.get("api/days", start_s=1e12) == {"days": [], "more": False}


def test_days_are_the_garden_s(served):
    days = served.get("api/days")
    assert [(row["date"], row["start_s"]) for row in days["days"]] == [
        (DATE, datetime.fromisoformat("2026-03-28T00:00+00:00").timestamp()),
        ("2026-03-29", datetime.fromisoformat("2026-03-29T00:00+00:00").timestamp()),
    ]
    assert days["more"] is True, "as all of time was asked for"
    first, second = days["days"]
    assert first["voltage_v"]["high"] == 12.75 and second["voltage_v"] == {"low": 12.25, "mean": 12.25, "high": 12.25}
    bed = first["beds"]["bed-1"]
    assert (bed["period_s"], bed["high_s"], bed["fill_s"], first["water_c"]) == (600.0, 200.0, None, None)
    assert bed["cycles"] + second["beds"]["bed-1"]["cycles"] == len(range(START + 600, END, 600))


def test_a_series_is_taken_away_as_csv(served, monkeypatch):
    monkeypatch.setattr(charts, "CSV_PART", 50)
    answer = served.client.get("api/readings.csv", params={"station": "barrels", "name": "bed-1/high"})
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="quince-yard-bed-1-high.csv"'
    head, *rows = csv.reader(io.StringIO(answer.text))
    assert head == ["time_s", "time", "value"] and len(rows) == len(range(START, END, 300))
    assert all(float(row[0]) == datetime.fromisoformat(row[1]).timestamp() for row in rows)
    assert {row[1][-6:] for row in rows} == {"+00:00", "+01:00"} and {row[2] for row in rows} == {"0", "1"}
    odd = served.client.get("api/readings.csv", params={"station": "barrels", "name": "odd"}).text.splitlines()
    assert odd[1].endswith(",'=2+2") and odd[2].endswith(',"fine, thanks"')
    monkeypatch.setattr(charts, "MOST_CSV", 10)
    assert served.get("api/readings.csv?station=barrels&name=bed-1/high", 422) == {
        "error": "more than 10 readings in the span; a shorter one would do"}  # fmt: skip


def test_a_recording_is_taken_away_and_replayed(served, tmp_path, monkeypatch):
    answer = served.client.get("api/recording", params={"start_s": DUSK, "end_s": DUSK + 7000})
    lines = [json.loads(line) for line in answer.text.splitlines()]
    assert all(DUSK <= line["received"] <= DUSK + 7000 for line in lines) and len(lines) in (11, 12)
    assert lines[0]["topic"] == "barreltide/quince-yard/barrels/readings"
    (tmp_path / "span.jsonl").write_text(answer.text)
    wrong: list[str] = []
    list(replay(str(tmp_path / "span.jsonl"), served.site, tell=wrong.append))
    assert wrong == []
    assert len(served.client.get("api/recording").text.splitlines()) == len(range(START, END, 600))
    monkeypatch.setattr(charts, "MOST_LINES", 10)
    assert "more than 10 messages" in served.get("api/recording", 422)["error"]
