"""Check values of the firmware's pure half. Runs under CPython and MicroPython alike: asserts, no test framework."""

import json

from station import (
    battery,
    clock,
    current,
    dns,
    float_switch,
    line,
    mqtt,
    pack,
    sampler,
    settings,
    signals,
    thermometer,
)  # fmt: skip

EPOCH_MS = 1_790_000_000_000


def unhex(text):
    return bytes.fromhex(text.replace(" ", ""))


def close(found, wanted, within):
    assert abs(found - wanted) <= within, (found, wanted)


def refused(action, *arguments):
    try:
        action(*arguments)
    except ValueError as error:
        return str(error)
    raise AssertionError("was not refused")


# CRC-8/MAXIM: AN27's ROM and the catalogue's "123456789" from memory of AN27, verified by calculation.
def check_crc_values():
    assert thermometer.crc8(b"123456789") == 0xA1
    assert thermometer.crc8(unhex("50 05 4B 46 7F FF 0C 10")) == 0x1C
    assert thermometer.crc8(unhex("02 1C B8 01 00 00 00")) == 0xA2
    assert thermometer.crc8(b"\xff" * 8) == 0xC9


def scratchpad(raw, config=0x7F, byte_6=0x10):
    body = bytes([raw & 0xFF, raw >> 8, 0x4B, 0x46, config, 0xFF, byte_6, 0x10])
    return body + bytes([thermometer.crc8(body)])


# Maxim DS18B20 data sheet, temperature/data relationship; -10.125 as FF5E.
def check_data_sheet_temperatures():
    for raw, celsius in (
        (0x07D0, 125.0),
        (0x0550, 85.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0x0000, 0.0),
        (0xFFF8, -0.5),
        (0xFF5E, -10.125),
        (0xFE6F, -25.0625),
        (0xFC90, -55.0),
    ):
        assert thermometer.decode(scratchpad(raw)) == (celsius, None), hex(raw)


# Linux w1_therm.rst: byte 6 of 0x0C with 85.00 is no measurement; 127.94 is too little power.
def check_what_is_no_temperature():
    for data, why in (
        (unhex("50 05 4B 46 7F FF 0C 10 1C"), "power-on"),
        (scratchpad(0x07FF), "power"),
        (bytes(9), "held low"),
        (b"\xff" * 9, "nothing answers"),
        (scratchpad(0x0191)[:8] + b"\x00", "CRC"),
        (b"\x50\x05", "short"),
    ):
        celsius, wrong = thermometer.decode(data)
        assert celsius is None and why in wrong, (data, wrong)


def check_undefined_bits_of_lower_resolution():
    assert thermometer.decode(scratchpad(0x0197, config=0x1F)) == (25.0, None)  # 9 bit: steps of 0.5
    assert thermometer.decode(scratchpad(0x0197, config=0x5F)) == (25.375, None)  # 11 bit: steps of 0.125


def check_driver_without_scratchpad():
    assert thermometer.in_range(21.5) == (21.5, None)
    for value in (85.0, -127.0, 127.9375, 130.0, -60.0, None):
        assert thermometer.in_range(value)[0] is None


# TI SBAS444 (code 26667 at +-4.096 V); dividers by arithmetic: 100k/15k at 12.60 V.
def check_ads1115():
    close(battery.ads1115_v(26667), 3.3334, 0.00005)
    assert battery.signed16(b"\x68\x2b") == 26667
    assert battery.signed16(b"\xff\xff") == -1
    assert battery.ads1115_config(0) == 0xC383  # OS, AIN0 to ground, 4.096 V, single, 128 a second, no comparator
    assert battery.ads1115_config(3) == 0xF383


def check_divider():
    pin_v = 12.60 * 15 / 115
    close(pin_v, 1.6435, 0.001)
    close(battery.Scale(115 / 15).battery_v(1.6435), 12.60, 0.001)
    close(battery.u16_v(65535, 3.3), 3.3, 1e-6)


def check_two_point_calibration():
    scale = battery.Scale(7.667, 0.1, [[11.0, 11.2], [14.0, 14.5]])
    close(scale.battery_v((11.0 - 0.1) / 7.667), 11.2, 1e-5)
    close(scale.battery_v((14.0 - 0.1) / 7.667), 14.5, 1e-5)
    close(scale.battery_v((12.5 - 0.1) / 7.667), 12.85, 1e-5)


# INA219: 10 uV, INA226: 2.5 uV a step (the chips' register tables).
def check_current_sensors():
    close(current.amperes("ina219", 2000, 0.1), 0.2, 1e-9)
    close(current.amperes("ina226", battery.signed16(b"\xc1\x80"), 0.002), -20.0, 1e-5)
    close(current.amperes("ina226", 400, 0.01, -1.0), -0.1, 1e-9)


def check_outliers_are_dropped_and_steps_kept():
    close(battery.mean_without_outliers([12.6] * 20 + [3.3, 20.0]), 12.6, 1e-5)
    close(battery.mean_without_outliers([12.60, 12.62] * 10), 12.61, 1e-5)
    close(battery.mean_without_outliers([12.5] * 10 + [12.9] * 10), 12.7, 1e-5)


def check_pulsed_current_is_averaged_whole():
    mean = battery.Mean(drop_outliers=False)
    for value in [0.0] * 8 + [5.0] * 2:
        mean.add(value)
    close(mean.take(), 1.0, 1e-6)
    assert mean.take() is None


# A board's ticks wrap at 2^30 (MicroPython, time.ticks_ms on 32-bit ports).
def check_clock_over_the_wrap():
    ticks = [(1 << 30) - 1500]
    watched = clock.Clock(lambda: ticks[0])
    total = 0
    for step in (700, 900, 50, 1 << 28, 1 << 28, 1 << 28, 1 << 28, 7):
        ticks[0] = (ticks[0] + step) % (1 << 30)
        total += step
        assert watched.now_ms() == total
    assert watched.epoch_ms(total) is None
    watched.set_epoch(EPOCH_MS)
    assert watched.epoch_ms(total - 10_000) == EPOCH_MS - 10_000


def switched(levels, step_ms=100, debounce_ms=2000):
    switch = float_switch.FloatSwitch("bed-1/high", 0, debounce_ms)
    changes = []
    for number, level in enumerate(levels):
        at_ms = switch.poll(number * step_ms, level)
        if at_ms is not None:
            changes.append((at_ms, switch.wet))
    return changes


def check_float_edges_are_dated_to_the_first_stable_sample():
    dry, wet = [1], [0]
    found = switched(dry * 50 + wet * 60 + dry * 40)
    assert found == [(0, False), (5000, True), (11000, False)], found


def check_float_bounce_and_ripple():
    dry, wet = [1], [0]
    bouncing = [0, 1, 0, 0, 1, 0, 1, 1, 0]
    found = switched(dry * 30 + bouncing + wet * 40)
    assert found == [(0, False), (3800, True)], found
    assert switched(dry * 30 + wet * 19 + dry * 40) == [(0, False)]


def check_float_does_not_count_what_it_did_not_see():
    switch = float_switch.FloatSwitch("f", 0, 2000)
    for at_ms in range(0, 3000, 100):
        switch.poll(at_ms, 1)
    assert switch.poll(3000, 0) is None
    assert switch.poll(9000, 0) is None  # six seconds blind are half a second seen
    settled = [at_ms for at_ms in range(9100, 12000, 100) if switch.poll(at_ms, 0) is not None]
    assert settled == [10500], settled


def check_senml_with_and_without_a_clock():
    readings = [[-3200, "bed-1/high", True], [0, "battery/voltage", 12.61], [-50, "station/fault", 'a "b"']]
    text = pack.to_senml([91823, 17, 500_000, EPOCH_MS + 7, readings], "garden/barrels/", 999_999)
    records = json.loads(text)
    assert '"bt":1790000000.007' in text  # no float of 24 bits has touched it
    assert records[0]["bn"] == "garden/barrels/" and records[0]["v"] == 91823
    assert records[1] == {"n": "station/seq", "v": 17}
    assert records[2] == {"n": "bed-1/high", "t": -3.2, "vb": True}
    assert records[3]["u"] == "V" and "t" not in records[3]
    assert records[4]["vs"] == 'a "b"'
    relative = json.loads(pack.to_senml([91823, 17, 500_000, None, readings], "garden/barrels/", 560_000))
    assert "bt" not in relative[0]
    assert [record.get("t", 0) for record in relative[2:]] == [-63.2, -60, -60.05]


def check_seconds_are_exact():
    assert pack.seconds(1_790_000_000_123) == "1790000000.123"
    assert pack.seconds(-5) == "-0.005"
    assert pack.seconds(-61_002) == "-61.002"


# RFC 1035 4.1: a question for a.example, and an answer with a compressed name; the layout is the RFC's, bytes by hand.
def check_dns():
    asked = dns.question("a.example", 0x1234)
    assert asked == unhex("1234 0100 0001 0000 0000 0000 01 61 07 6578616d706c65 00 0001 0001")
    answer = unhex("1234 8180 0001 0002 0000 0000 01 61 07 6578616d706c65 00 0001 0001")
    alias = unhex("C00C 0005 0001 00000e10 0004 01 62 C00E")
    answer += alias + unhex("C029 0001 0001 00000e10 0004 C0000207")
    assert dns.address(answer, 0x1234) == "192.0.2.7"
    assert dns.address(answer, 0x1235) is None
    for length in range(len(answer)):
        assert dns.address(answer[:length], 0x1234) is None
    assert dns.is_address("10.0.0.1") and not dns.is_address("broker.local") and not dns.is_address("1.2.3")


# MQTT 3.1.1 (OASIS) 3.1, 3.3, 3.8, and the remaining length examples of its table 2.4: 127, 128, 16,383, 16,384.
def check_mqtt_packets():
    greeting = mqtt.connect("c", 30, "w", "x", "u", "p")
    assert greeting == unhex("10 1B 0004 4D515454 04 EE 001E 0001 63 0001 77 0001 78 0001 75 0001 70")[:1] + bytes(
        [len(greeting) - 2]
    ) + unhex("0004 4D515454 04 EC 001E 0001 63 0001 77 0001 78 0001 75 0001 70")
    assert mqtt.publish("a/b", "hi", 10) == unhex("32 09 0003 612F62 000A 6869")
    assert mqtt.publish("a/b", "hi", 10, retain=True)[0] == 0x33
    assert mqtt.subscribe("a/b", 1) == unhex("82 08 0001 0003 612F62 01")
    assert mqtt.acknowledge(0x0102) == unhex("40 02 0102")
    for payload, size in ((122, "7F"), (123, "8001"), (16378, "FF7F"), (16379, "808001")):
        packet = mqtt.publish("a", b"x" * payload, 1)
        assert packet[1 : 1 + len(unhex(size))] == unhex(size), payload
    assert mqtt.published(0x32, unhex("0003 612F62 000A 6869")) == (b"a/b", b"hi", 10)
    assert mqtt.published(0x30, unhex("0003 612F62 6869")) == (b"a/b", b"hi", None)
    for malformed in ("", "00", "0009 61", "0001 61 00"):
        refused(mqtt.published, 0x32, unhex(malformed))


GOOD = {"site": "garden", "station": "barrels", "broker": {"host": "broker.local"}}


def with_changes(**changes):
    values = dict(GOOD)
    values.update(changes)
    return json.dumps(values)


def check_settings_defaults_and_warnings():
    found, warnings = settings.read(json.dumps(GOOD))
    assert (found.sample_ms, found.publish_ms, found.broker_port, found.root) == (5000, 15000, 1883, "barreltide")
    assert found.topic("readings") == "barreltide/garden/barrels/readings" and not warnings
    found, warnings = settings.read("\ufeff" + with_changes(sampel_s=5, wifi={"ssid": "a", "pasword": "b"}))
    assert len(warnings) == 2 and any(["wifi.pasword" in warning for warning in warnings])


def check_settings_name_what_is_wrong():
    for text, *words in (
        ("{", "JSON", "comma"),
        ("[]", "[]", "an object"),
        (b"\xff\xfe{", "UTF-8"),
        (json.dumps({"station": "a"}), "site", "missing", "a name"),
        (with_changes(site="My Garden"), "site", "My Garden", "a-z"),
        (with_changes(broker={"port": 1}), "broker.host", "missing", "192.168.1.10"),
        (with_changes(broker={"host": "b", "port": "1883"}), "broker.port", '"1883"', "1 to 65535"),
        (with_changes(broker={"host": "b", "root": "a/#"}), "broker.root", "a/#"),
        (with_changes(battery={"pin": 34}), "battery.scale", "missing", "a number"),
        (with_changes(battery={"pin": 34, "scale": True}), "battery.scale", "true"),
        (with_changes(battery={"adc": "ads1116", "scale": 1}), "battery.adc", "ads1116", "ads1115"),
        (with_changes(battery={"adc": "ads1115", "scale": 1}), "battery.scl", "missing"),
        (with_changes(battery={"pin": 34, "scale": 1, "calibration": [[1, 2]]}), "battery.calibration", "pairs"),
        (with_changes(beds={"bed-1": {"high": {"pin": 25, "wet": 2}}}), "beds.bed-1.high.wet", "2", "0 to 1"),
        (with_changes(beds={"bed-1": {"high": {"pin": 2.5}}}), "beds.bed-1.high.pin", "2.5", "whole"),
        (with_changes(beds={"bed-1": {"high": 25}}), "beds.bed-1.high", "25", "object"),
        (with_changes(beds={"b%d" % n: {} for n in range(5)}), "fifth", "four"),
        (with_changes(water={"pin": 4, "rom": "28ff"}), "water.rom", "28ff", "16 hexadecimal"),
        (with_changes(water={"pin": 4}, sump={"low": {"pin": 4}}), "pin 4", "sump/low", "1-wire", "each its own"),
        (with_changes(current={"pump": {"chip": "ina220"}}), "current.pump.chip", "ina220", "ina226"),
        (with_changes(sample_s=0), "sample_s", "0", "1 to 300"),
    ):
        said = refused(settings.read, text)
        assert "\n" not in said and len(said) < 250, said
        for word in words:
            assert word in said, (word, said)


class World:
    """A probe and a clock that a check turns by hand."""

    def __init__(self, **changes):
        self.ticks = 0
        self.wet = False
        self.pin_v = 1.6
        self.celsius = 21.5
        self.clock = clock.Clock(lambda: self.ticks)
        self.clock.set_epoch(EPOCH_MS)
        self.settings, _ = settings.read(
            with_changes(
                **dict(
                    battery={"pin": 34, "scale": 10},
                    beds={"bed-1": {"high": {"pin": 25}}},
                    water={"pin": 4},
                    **changes,
                )
            )
        )
        self.sampler = sampler.Sampler(self.settings, self.clock, 9, self)

    def float_level(self, name):
        return 0 if self.wet else 1

    def battery_v(self):
        if self.pin_v is None:
            raise OSError(19)
        return self.pin_v

    def start_conversion(self):
        pass

    def temperature(self, name):
        return (None, "CRC error") if self.celsius is None else (self.celsius, None)

    def health(self):
        return {"station/free-memory": 50_000}

    def run(self, until_ms, away=False):
        packs = []
        while self.ticks < until_ms:
            self.ticks += 100
            packs += self.sampler.poll(away)
        return packs


def readings(packs, name):
    """(ms of the world's clock, value) of every reading of that name."""
    return [(base + offset, v) for _, _, base, _, rs in packs for offset, n, v in rs if n == name]


def check_rhythm_while_the_host_hears():
    world = World()
    packs = world.run(600_000)
    assert [p[1] for p in packs] == list(range(len(packs)))
    assert 39 <= len(packs) <= 43, len(packs)
    volts = readings(packs, "battery/voltage")
    assert 115 <= len(volts) <= 120, len(volts)
    assert max([b[0] - a[0] for a, b in zip(volts, volts[1:])]) == 5000
    for _, v in volts:
        close(v, 16.0, 1e-3)
    assert len(readings(packs, "water/temperature")) == 10
    repeats = [p for p in packs if any([n == "station/uptime" for _, n, _ in p[4]])]
    assert len(repeats) == 2 and all([any([n == "bed-1/high" for _, n, _ in p[4]]) for p in repeats])


def check_a_change_goes_at_once_and_back_dated():
    world = World()
    world.run(60_000)
    world.wet = True
    packs = world.run(62_500)
    assert readings(packs, "bed-1/high") == [(60_100, True)]
    assert packs[-1][2] == 62_100


def check_away_thins_voltage_and_keeps_changes():
    world = World()
    world.run(60_000)
    packs = []
    for minute in range(60):
        world.wet = minute % 2 == 0
        packs += world.run(60_000 * (minute + 2), away=True)
    assert 58 <= len(packs) <= 61, len(packs)
    assert 58 <= len(readings(packs, "battery/voltage")) <= 62
    changes = readings(packs, "bed-1/high")
    edges = [now for before, now in zip(changes, changes[1:]) if before[1] != now[1]]
    assert len(edges) >= 58 and all([at % 60_000 == 100 for at, _ in edges])


def check_repetition_waits_for_an_undecided_float():
    world = World()
    world.run(299_500)
    world.wet = True  # undecided at 300 s, when the repetition is due
    packs = world.run(305_000)
    states = readings(packs, "bed-1/high")
    assert states[0] == (299_600, True) and all([wet for _, wet in states]) and len(states) == 2, states


def check_faults_are_named_and_end():
    world = World()
    world.celsius = world.pin_v = None
    packs = world.run(120_000)
    assert not readings(packs, "water/temperature") and not readings(packs, "battery/voltage")
    told = readings(packs, "station/fault")
    assert "water/temperature: CRC error" in told[-1][1] and "battery/voltage: " in told[-1][1], told
    assert len(told) <= 3, told
    world.celsius, world.pin_v = 20.0, 1.3
    packs = world.run(300_000)
    assert [v for _, v in readings(packs, "station/fault")][-1] == "none"
    assert readings(packs, "water/temperature")


def check_a_pack_is_bounded():
    world = World()
    packs = []
    for flip in range(400):
        world.wet = not world.wet
        packs += world.run(2_200 * (flip + 1), away=True)
    packs += world.run(950_000, away=True)
    assert max([len(p[4]) for p in packs]) <= pack.MAX_READINGS
    changes = readings(packs, "bed-1/high")
    assert len([1 for a, b in zip(changes, changes[1:]) if a[1] != b[1]]) >= 398


# Lamp and buzzer. What the host publishes, as json.dumps writes it and as others might.
URGENT = (
    b'[{"alarm": "pump-stopped", "priority": "urgent", "message": "It said \\"soon\\" [{.", '
    b'"state": "unacknowledged"}, '
)
SOON = b'{"alarm": "siphon-not-breaking", "priority": "soon", "more": {"priority": "urgent", "list": [1, {}]}}]'


def check_alarms_are_read_even_cut_off():
    assert signals.read_alarms(b"[]") == [] and signals.read_alarms(b" [ ] ") == []
    rows = signals.read_alarms(URGENT + SOON)
    assert [row["priority"] for row in rows] == ["urgent", "soon"], rows
    assert rows[0]["state"] == "unacknowledged" and rows[1]["state"] is None
    for end in range(len(URGENT) - 2, len(URGENT + SOON) - 1):
        assert len(signals.read_alarms((URGENT + SOON)[:end])) == 1, end
    assert signals.read_alarms(b'[{"priority":"note"},{"priority":"note"}]')[1]["priority"] == "note"
    for nonsense in (b"", b"{}", b"null", b"[[1]]", b'[{"a": x}]', b"\xff"):
        assert refused(signals.read_alarms, nonsense) is not None, nonsense
    assert signals.read_alarms(b"[1, 2]") == [] and len(signals.read_alarms(b"[" + b"{}," * 500)) == signals.MAX_ROWS


class Garden:
    """Signals by a clock of our own: run() looks every 50 ms, and tells how long lamp and buzzer were on."""

    def __init__(self, **changes):
        values = {"site": "garden", "station": "barrels", "broker": {"host": "h"}, "lamp": {"pin": 2}}
        values["beds"] = {"bed-1": {"high": {"pin": 25}}}
        values.update(changes)
        self.settings = settings.read(json.dumps(values))[0]
        self.ms = self.receipt_ms = self.moved_ms = 0
        self.signals = signals.Signals(self.settings, self)

    def now_ms(self):
        return self.ms

    def run(self, seconds, host=True, water=True):
        lit = sounding = 0
        for _ in range(seconds * 20):
            self.ms += 50
            self.receipt_ms = self.ms if host else self.receipt_ms
            self.moved_ms = self.ms if water else self.moved_ms
            lamp, buzzer = self.signals.poll(self.receipt_ms, self.moved_ms)
            lit += 50 * lamp
            sounding += 50 * buzzer
        return lit, sounding


def check_lamp_and_buzzer_follow_the_host():
    garden = Garden()
    assert garden.run(60) == (0, 0)
    garden.signals.hear(b"[" + SOON)
    lit, sounding = garden.run(60)
    assert 1_500 <= lit <= 2_500 and sounding == 0
    garden.signals.hear(URGENT + SOON)
    lit, sounding = garden.run(60)
    assert 28_000 <= lit <= 32_000 and 3_000 <= sounding <= 4_500, (lit, sounding)
    garden.run(600)
    assert 500 <= garden.run(60)[1] <= 700, "ten minutes later only each minute"
    garden.signals.hear((URGENT + SOON).replace(b"unacknowledged", b"acknowledged"))
    lit, sounding = garden.run(60)
    assert lit >= 28_000 and sounding == 0, "somebody knows"
    garden.signals.hear(b"[]")
    assert garden.run(60) == (0, 0)


def check_the_hosts_word_outlives_it():
    garden = Garden()
    garden.signals.hear(URGENT + SOON)
    garden.run(900, host=False, water=False)
    assert garden.run(60, host=False, water=False)[1] > 0
    lit, sounding = garden.run(60, host=False)
    assert lit >= 28_000 and sounding == 0, "the water moves, whatever the host said last"


def check_a_station_alone_sounds_when_no_water_moves():
    garden = Garden()
    assert garden.run(600, host=False, water=False) == (0, 0)
    lit, sounding = garden.run(60, host=False, water=False)
    assert 1_000 <= lit <= 1_500 and sounding == 0, "only that the host is silent"
    garden.run(1_150, host=False, water=False)
    lit, sounding = garden.run(60, host=False, water=False)
    assert lit >= 28_000 and sounding >= 3_000
    assert garden.run(60, host=False)[1] == 0, "water moves again"
    garden.run(4_000, water=False)
    assert garden.run(60, water=False) == (0, 0), "with its host it has no opinion"


def check_a_station_without_floats_or_told_not_to_never_sounds_by_itself():
    for changes in ({"beds": {}}, {"beds": {}, "sump": {"low": {"pin": 27}}}, {"still_s": 0}):
        garden = Garden(**changes)
        garden.run(8_000, host=False, water=False)
        assert garden.run(60, host=False, water=False)[1] == 0, changes


def check_settings_of_lamp_and_buzzer():
    found = Garden(lamp={"pin": 2, "on": 0}, buzzer={"pin": 15}, still_s=900, host_silent_s=120).settings
    assert (found.lamp["pin"], found.lamp["on"], found.buzzer["on"]) == (2, 0, 1)
    assert (found.still_ms, found.host_silent_ms) == (900_000, 120_000)
    assert Garden(lamp=None).settings.lamp is None and Garden().settings.buzzer is None
    for changes, words in (
        ({"lamp": {"on": 1}}, "lamp.pin is missing"),
        ({"buzzer": {"pin": 3, "on": 2}}, "buzzer.on is 2"),
        ({"buzzer": {"pin": 25}}, "pin 25 is given to bed-1/high and to buzzer"),
        ({"still_s": -1}, "still_s is -1"),
        ({"host_silent_s": 5}, "host_silent_s is 5"),
    ):
        assert words in refused(lambda changes=changes: Garden(**changes)), words


def check_settings_of_a_wired_station():
    wired = {"site": "garden", "station": "barrels", "wired": True}
    found, warnings = settings.read(json.dumps(wired))
    assert found.wired and found.broker_host is None and warnings == []
    assert not settings.read(json.dumps(GOOD))[0].wired
    assert "broker is missing" in refused(settings.read, json.dumps({"site": "a", "station": "b", "wired": False}))
    assert 'wired is "yes": give true' in refused(settings.read, with_changes(wired="yes"))


def check_no_password_is_told():
    for changes in (
        {"wifi": {"ssid": "a", "password": 12345678}},
        {"wifi": "12345678"},
        {"broker": "12345678"},
        {"broker": {"host": "a", "password": "12345678" * 40}},
    ):
        said = refused(settings.read, with_changes(**changes))
        assert "(not shown)" in said and "12345678" not in said, said


# The CRC by Python's zlib.
def check_lines_over_usb():
    assert line.line_of("receipt", '{"boot":1,"seq":[17]}') == b'\n@receipt f00fed12 {"boot":1,"seq":[17]}\n'
    assert line.read_line(b'@receipt f00fed12 {"boot":1,"seq":[17]}\r') == ("receipt", b'{"boot":1,"seq":[17]}')
    for wrong in (b'@receipt f00fed13 {"boot":1,"seq":[17]}', b"@receipt", b"@", b"", b">>> ", b"@a b c", b"\xff@ 1 2"):
        assert line.read_line(wrong) is None, wrong
    assert line.read_line(b"@\xff\xfe b0cdba59 {}") is None, "a kind that is no text, with its right CRC"
    lines = line.Lines(40)
    assert lines.feed(b'print\n@rec\n@receipt f00fed12 {"bo') == []
    assert lines.feed(b'ot":1,"seq":[17]}\n') == [("receipt", b'{"boot":1,"seq":[17]}')]
    assert lines.feed(b"x" * 41 + b'\n\n@receipt f00fed12 {"boot":1,"seq":[17]}\n>>>') != []


CHECKS = {name[6:]: check for name, check in sorted(globals().items()) if name[:6] == "check_"}

if __name__ == "__main__":
    for name in sorted(CHECKS):
        CHECKS[name]()
        print("passed", name)
