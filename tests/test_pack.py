"""Packs and topics: RFC 8428's own examples, the contract's example, and every kind of bad message."""

from __future__ import annotations

import json

import pytest

from barreltide import pack as wire
from barreltide.core.reading import Pack, Reading
from barreltide.pack import (
    MOST_BYTES,
    PackError,
    StrangeStation,
    Topics,
    iso,
    read_pack,
    read_presence,
    read_records,
    resolve_senml,
)  # fmt: skip

NOW_S = 1_790_000_000.0
TOPICS = Topics("barreltide", "garden", ["barrels"], ["bed-1"], ["pump", "lift"])
TOPIC = "barreltide/garden/barrels/readings"


def resolved(text: str, now_s: float = NOW_S) -> list[dict]:
    return [
        {key: value for key, value in record._asdict().items() if value is not None}
        for record in resolve_senml(read_records(text.encode()), now_s)
    ]


# The worked examples of RFC 8428, August 2018, https://www.rfc-editor.org/rfc/rfc8428, section 5.1.


def test_rfc_8428_5_1_1_single_data_point():
    assert resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]') == [
        {"name": "urn:dev:ow:10e2073a01080063", "time_s": NOW_S, "value": 23.1, "unit": "Cel"}
    ]


def test_rfc_8428_5_1_2_multiple_data_points():
    assert resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"voltage","u":"V","v":120.1},{"n":"current","u":"A","v":1.2}]'
    ) == [
        {"name": "urn:dev:ow:10e2073a01080063:voltage", "time_s": NOW_S, "value": 120.1, "unit": "V"},
        {"name": "urn:dev:ow:10e2073a01080063:current", "time_s": NOW_S, "value": 1.2, "unit": "A"},
    ]


def test_rfc_8428_5_1_2_base_time_unit_and_version():
    records = resolved(
        '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
        '{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
        '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
    )
    base, earlier = "urn:dev:ow:10e2073a0108006:", ((5, 1.2), (4, 1.3), (3, 1.4), (2, 1.5), (1, 1.6))
    assert [(r["name"], r["time_s"], r["unit"], r["value"]) for r in records] == [
        *[(base + "current", 1276020076.001 - back, "A", value) for back, value in earlier],
        (base + "voltage", 1276020076.001, "V", 120.1),
        (base + "current", 1276020076.001, "A", 1.7),
    ]  # fmt: skip


def test_rfc_8428_5_1_3_and_5_1_4_resolved_data():
    name = "urn:dev:ow:10e2073a01080063"
    pack = (
        '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},{"u":"lon","v":24.30621},'
        '{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},'
        '{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},'
        '{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]'
    )
    expected = [
        ("%RH", 1.320067464e09, 20), ("lon", 1.320067464e09, 24.30621), ("lat", 1.320067464e09, 60.07965),
        ("%RH", 1.320067524e09, 20.3), ("lon", 1.320067524e09, 24.30622), ("lat", 1.320067524e09, 60.07965),
        ("%RH", 1.320067584e09, 20.7), ("lon", 1.320067584e09, 24.30623), ("lat", 1.320067584e09, 60.07966),
        ("%EL", 1.320067614e09, 98),
        ("%RH", 1.320067644e09, 21.2), ("lon", 1.320067644e09, 24.30628), ("lat", 1.320067644e09, 60.07967),
    ]  # fmt: skip
    assert [(r["name"], r["unit"], r["time_s"], r["value"]) for r in resolved(pack)] == [
        (name, *row) for row in expected
    ]


def test_rfc_8428_5_1_5_multiple_data_types():
    records = resolved(
        '[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},{"n":"label","vs":"Machine Room"},'
        '{"n":"open","vb":false},{"n":"nfv-reader","vd":"aGkgCg"}]'
    )
    assert [r["value"] for r in records] == [23.1, "Machine Room", False, "aGkgCg"]


def test_rfc_8428_base_value_sum_and_relative_limit():
    # §4.5.1: base value and base sum are added; §4.5.3: below 2^28 a time counts from now, at and above it is absolute.
    assert [(r["value"], r["sum"]) for r in resolved('[{"n":"a","bv":10,"bs":5,"v":1,"s":2},{"n":"b","v":-3}]')] == [
        (11, 7),
        (7, 5),
    ]
    times = [
        r["time_s"] for r in resolved('[{"n":"a","v":1,"t":268435456},{"n":"a","v":1,"t":268435455}]', now_s=1000.0)
    ]
    assert sorted(times) == [268435456.0, 268436455.0]


def test_the_contracts_own_pack():
    pack = read_pack(TOPICS, TOPIC, b"""[{"bn": "garden/barrels/", "bt": 1790000000.0, "n": "station/boot", "v": 91823},
     {"n": "station/seq", "v": 17},
     {"n": "battery/voltage", "u": "V", "t": -10, "v": 12.61},
     {"n": "battery/voltage", "u": "V", "t": -5, "v": 12.60},
     {"n": "bed-1/high", "t": -3.2, "vb": true},
     {"n": "water/temperature", "u": "Cel", "v": 21.4}]""", NOW_S + 1)  # fmt: skip
    assert pack == Pack(NOW_S + 1, "barrels", 91823, 17, (
        Reading("battery/voltage", NOW_S - 10, 12.61), Reading("battery/voltage", NOW_S - 5, 12.60),
        Reading("bed-1/high", NOW_S - 3.2, True), Reading("water/temperature", NOW_S, 21.4),
    ))  # fmt: skip


def pack_of(*records: dict, boot=1, seq=0) -> list[dict]:
    head = {"bn": "garden/barrels/"}
    identity = [
        {"n": name, "v": value} for name, value in (("station/boot", boot), ("station/seq", seq)) if value is not None
    ]
    return [head | record if number == 0 else record for number, record in enumerate([*identity, *records])]


def test_a_station_without_a_clock_counts_from_the_arrival():
    pack = read_pack(TOPICS, TOPIC, pack_of({"n": "battery/voltage", "t": -90_000, "v": 12.6}), NOW_S)
    assert pack.readings == (Reading("battery/voltage", NOW_S - 90_000, 12.6),)


def test_unknown_names_and_fields_are_kept_or_passed_over():
    pack = read_pack(
        TOPICS, TOPIC, pack_of({"n": "tank/high", "v": 3, "new": [1]}, {"n": "note", "vs": "hello"}), NOW_S
    )
    assert [reading.value for reading in pack.readings] == [3.0, "hello"]


def test_an_impossible_magnitude_is_the_engines_business():
    assert read_pack(TOPICS, TOPIC, pack_of({"n": "battery/voltage", "v": 500}), NOW_S).readings[0].value == 500


VOLTAGE = {"n": "battery/voltage", "v": 12.6}


@pytest.mark.parametrize(
    ("payload", "line"),
    [
        (b"", "no JSON"),
        (b"nope", "no JSON"),
        (b'[{"v":1', "no JSON"),
        (b"\xff\xfe", "no JSON"),
        (b"[" * 5_000, "no JSON: recursion limit"),
        (b'{"n":"a"}', "found {'n': 'a'}; a JSON array of records would do"),
        (b"[]", "no records; 1 to 4096 would do"),
        (b"[1]", "record 1: found 1; a JSON object would do"),
        (b'[{"n":"a","v":NaN}]', "record 1: v is nan; a finite number would do"),
        (b'[{"n":"a","v":1e999}]', "record 1: v is inf; a finite number would do"),
        (b'[{"n":"a","v":null}]', "record 1: v is None; a number would do"),
        (b" " * (MOST_BYTES + 1), "65,537 bytes; at most 65,536 would do"),
        (json.dumps(pack_of(VOLTAGE | {"u": "V"})).encode().ljust(MOST_BYTES + 1), "65,537 bytes"),
        (pack_of(*[VOLTAGE | {"u": "V"}] * 4095), "4097 records; 1 to 4096 would do"),
        ([{"n": "a", "v": 1}] * 4097, "4097 records; 1 to 4096 would do"),
        (pack_of({"n": "battery/voltage", "v": "12.6"}), "record 3: v is '12.6'; a number would do"),
        (pack_of({"n": "battery/voltage", "v": True}), "record 3: v is True; a number would do"),
        (pack_of({"n": "bed-1/high", "vb": 1}), "record 3: vb is 1; true or false would do"),
        (pack_of({"n": 7, "v": 1}), "record 3: n is 7; text would do"),
        (pack_of(VOLTAGE | {"vs": "12.6"}), "record 3: more than one value"),
        (pack_of({"n": "battery/voltage"}), "record 3: no value"),
        (pack_of(VOLTAGE | {"must_": 1}), "record 3: field 'must_' must be understood"),
        (pack_of(VOLTAGE | {"bver": 11}), "record 3: bver is 11; 1 to 10 would do"),
        (pack_of({"n": "no spaces", "v": 1}), "record 3: name 'garden/barrels/no spaces'"),
        (pack_of({"bn": "", "n": "", "v": 1}), "record 3: name ''"),
        (pack_of({"bn": "garden/other/", "n": "battery/voltage", "v": 1}), "does not start with 'garden/barrels/'"),
        (pack_of({"n": "", "v": 1}), "a record has no name of its own"),
        (pack_of({"n": "note", "vs": "x" * 1001}), "record 3: text of 1001 letters"),
        (pack_of({"n": "a", "bv": 1e308, "v": 1e308}), "record 3: v with bv added is inf"),
        (pack_of(VOLTAGE, boot=None), "no station/boot"),
        (pack_of(VOLTAGE, seq=None), "no station/seq"),
        (pack_of(VOLTAGE, seq=-1), "station/seq is -1.0; a whole number"),
        (pack_of(VOLTAGE, seq=1.5), "station/seq is 1.5; a whole number"),
        (pack_of(VOLTAGE, boot=2**53), "station/boot is 9007199254740992.0; a whole number"),
        (pack_of(VOLTAGE, {"n": "station/seq", "v": 3}), "station/seq appears twice"),
        (pack_of({"n": "battery/voltage", "vb": True}), "battery/voltage is True; v, a number, would do"),
        (pack_of({"n": "battery/voltage", "s": 3}), "battery/voltage is only a sum of 3"),
        (pack_of({"n": "bed-1/high", "v": 1}), "bed-1/high is 1.0; vb, true or false, would do"),
        (pack_of({"n": "lift/current", "u": "mA", "v": 1}), "lift/current is in 'mA'; A would do"),
        (pack_of({"n": "battery/voltage", "u": "mV", "v": 12_600}), "battery/voltage is in 'mV'; V would do"),
        (pack_of(VOLTAGE | {"t": 300_000_000}), "battery/voltage is of 1979-07-05T05:20:00Z"),
        (pack_of(VOLTAGE | {"t": 4_102_444_800}), "battery/voltage is of 2100-01-01T00:00:00Z"),
        (pack_of(VOLTAGE | {"t": 1e300}), "battery/voltage is of 1e+300 s"),
        (pack_of(VOLTAGE | {"t": -1_790_000_000}), "battery/voltage is of 1970-01-01T00:00:00Z"),
    ],
)  # fmt: skip
def test_a_bad_pack_is_refused_with_one_line(payload, line):
    with pytest.raises(PackError) as error:
        read_pack(TOPICS, TOPIC, payload, NOW_S)
    assert line in str(error.value)
    assert "\n" not in str(error.value) and len(str(error.value)) < 300


# What stations send all day takes a short way through the reader, everything else a long one: they must agree.

PLAIN = pack_of({"n": "lift/current", "u": "A", "t": -5.0, "v": 2}, {"n": "bed-1/high", "t": -7, "vb": True})
VALUES = (None, True, 0, -3, 12.6, 1e300, 2**28, 2**53, 10**400, float("nan"), float("inf"), "V", "note", "garden/", [])


def outcome(read, *arguments) -> str:
    try:
        return repr(read(*arguments))
    except PackError as error:
        return f"{error} {error.boot} {error.seq}"


@pytest.mark.parametrize("base", [{}, {"bt": NOW_S - 3.5}, {"bt": 1_790_000_000}])
@pytest.mark.parametrize("place", range(len(PLAIN)))
def test_both_ways_through_the_reader_agree_whatever_a_field_holds(base, place):
    plain = [PLAIN[0] | base, *PLAIN[1:]]
    changed = [plain[place] | {label: value} for label in (*wire.Record.__annotations__, "x", "x_") for value in VALUES]
    shorter = [{key: plain[place][key] for key in plain[place] if key != label} for label in plain[place]]
    for record in [*changed, *shorter, 1, None, [], "text"]:
        payload = [*plain[:place], record, *plain[place + 1 :]]
        for form in (payload, payload[:2], json.dumps(payload).encode()):
            short = outcome(read_pack, TOPICS, TOPIC, form, NOW_S)
            assert short == outcome(wire._read_any, TOPICS, "barrels", form, NOW_S)


@pytest.mark.parametrize("base", [{}, {"bt": NOW_S}])
def test_what_stations_send_all_day_takes_the_short_way(base, monkeypatch):
    monkeypatch.delattr(wire, "_read_any")
    payload = pack_of({"n": "battery/voltage", "u": "V", "t": -5.0, "v": 12.61}, {"n": "bed-1/high", "vb": False})
    payload[0] |= base
    readings = (Reading("battery/voltage", NOW_S - 5, 12.61), Reading("bed-1/high", NOW_S, False))
    for form in (payload, json.dumps(payload).encode()):
        assert read_pack(TOPICS, TOPIC, form, NOW_S).readings == readings


def test_the_window_of_times_is_sixty_days_and_an_hour():
    for t in (NOW_S - 60 * 86_400, NOW_S + 3_600):
        assert read_pack(TOPICS, TOPIC, pack_of(VOLTAGE | {"t": t}), NOW_S).readings[0].sampled_s == t
    for t in (NOW_S - 60 * 86_400 - 1, NOW_S + 3_601):
        with pytest.raises(PackError) as error:
            read_pack(TOPICS, TOPIC, pack_of(VOLTAGE | {"t": t}, boot=4, seq=9), NOW_S)
        assert (error.value.boot, error.value.seq) == (4, 9), "its identity is known, so that it can get its receipt"


def test_topics():
    assert TOPICS.parse("barreltide/garden/barrels/presence") == ("barrels", "presence")
    assert TOPICS.parse("barreltide/garden/alarms") == ("", "alarms")
    assert Topics("farm/house", "garden", ["barrels"]).parse("farm/house/garden/barrels/readings") == (
        "barrels",
        "readings",
    )
    for topic in (
        "barreltide/yard/barrels/readings",
        "barreltide/garden/a/b/readings",
        "barreltide/garden/B/readings",
        "",
        "x",
    ):
        with pytest.raises(PackError, match="none of barreltide/garden/STATION/readings"):
            TOPICS.parse(topic)
    with pytest.raises(StrangeStation, match="'shed' is not in the site file"):
        read_pack(TOPICS, "barreltide/garden/shed/readings", pack_of(VOLTAGE), NOW_S)


def test_presence():
    assert read_presence(b'{"online": true, "boot": 5}')["boot"] == 5
    for payload in (
        b"{",
        b"[]",
        b"1",
        b'{"online": 1}',
        json.dumps({"online": True, "x": "y" * 2000}).encode(),
        b"\xff",
    ):
        with pytest.raises(PackError, match="presence"):
            read_presence(payload)


def test_iso_of_times_that_no_calendar_reaches():
    assert iso(0) == "1970-01-01T00:00:00Z" and iso(1e300) == "1e+300 s"


BAD = ({"n": "x", "v": 1, "vs": "two"}, {"n": "bad name!", "v": 1}, {"n": "x", "v": float("nan")}, 7)


@pytest.mark.parametrize("bad", BAD)
def test_a_pack_that_is_no_senml_is_known_by_the_name_that_it_plainly_has(bad):
    """Else it gets no receipt, and the station sends it for ever."""
    for form in (pack_of(bad, boot=4, seq=9), json.dumps(pack_of(bad, boot=4, seq=9)).encode()):
        with pytest.raises(PackError) as error:
            read_pack(TOPICS, TOPIC, form, NOW_S)
        assert (error.value.boot, error.value.seq) == (4, 9)
    for nameless in (pack_of(bad, boot="x", seq=9), [{}, bad], [], b"[", b"7"):
        with pytest.raises(PackError) as error:
            read_pack(TOPICS, TOPIC, nameless, NOW_S)
        assert (error.value.boot, error.value.seq) == (None, None)
