"""The site file: what it gives, and the one line for each way to get it wrong; and the sun over the site."""

from __future__ import annotations

import datetime

import pytest

from barreltide.site import SiteError, load
from barreltide.sun import Sun

FULL = """
[site]
name = "garden"
latitude = 38.5
longitude = -121.7
time_zone = "America/Los_Angeles"

[battery]
chemistry = "flooded"
nominal_voltage_v = 12.0
capacity_ah = 100.0
in_parallel = 1
rested_voltage_v = [[0.1, 11.51], [0.5, 12.10], [1.0, 12.73]]
lowest_state_of_charge = 0.5
cut_off_voltage_v = 11.4

[panel]
power_w = 100.0

[[pump]]
name = "pump"
current_a = 2.0
flow_l_per_h = 600.0
feeds = ["bed-1", "bed-2"]

[[bed]]
name = "bed-1"
area_m2 = 0.25
standpipe_height_m = 0.30
drain_height_m = 0.04
float_height_m = 0.25
low_float_height_m = 0.08
media_void_fraction = 1.0

[[bed]]
name = "bed-2"

[sump]
volume_l = 200.0
fish = "goldfish"
fish_mass_kg = 0.4
coldest_c = 8.0
warmest_c = 28.0

[[station]]
name = "barrels"

[broker]
host = "127.0.0.1"
port = 1883
username = "host"
password = "well-kept"
root = "barreltide"

[store]
path = "kept/garden.db"

[web]
port = 8420

[notify]
urls = ["json://127.0.0.1:9/well-kept"]
escalate_after_min = 15.0
heartbeat_url = "https://watch.example/well-kept"

[[person]]
name = "anna"
urls = ["json://127.0.0.1:9/well-kept"]
wakes = "06:30"
sleeps = "22:15"
daily_word = "07:15"

[[person]]
name = "ben"
order = 2
sms = "+351912345678"

[sms]
device = "/dev/ttyUSB0"
"""

LEAST = """
[site]
name = "garden"
latitude = 38
longitude = -121.7
time_zone = "America/Los_Angeles"
[battery]
capacity_ah = 100
[[pump]]
name = "pump"
[[bed]]
name = "bed-1"
[[bed]]
name = "bed-2"
[[station]]
name = "barrels"
"""


def written(tmp_path, text: str):
    path = tmp_path / "site.toml"
    path.write_text(text)
    return path


def test_whole_file_is_told_as_it_stands(tmp_path):
    site = load(written(tmp_path, FULL))
    assert (site.name, site.latitude, site.longitude, site.time_zone) == ("garden", 38.5, -121.7, "America/Los_Angeles")
    assert site.battery.rested_voltage_v == [[0.1, 11.51], [0.5, 12.10], [1.0, 12.73]]
    assert site.pumps[0].feeds == ["bed-1", "bed-2"] and site.beds[0].low_float_height_m == 0.08
    assert site.beds[1].float_height_m is None
    assert not site.embedded_broker and site.broker.username == "host"
    assert site.store_path == tmp_path.resolve() / "kept/garden.db"


def test_least_file_has_sound_defaults(tmp_path):
    site = load(written(tmp_path, LEAST))
    assert site.pumps[0].feeds == ["bed-1", "bed-2"], "one pump feeds every bed unless told otherwise"
    assert site.embedded_broker and (site.broker.host, site.broker.port) == ("127.0.0.1", 1883)
    assert (site.battery.chemistry, site.battery.cut_off_voltage_v) == ("flooded", 11.4)
    assert site.sump is None and site.web.host == "127.0.0.1" and site.notify.urls == []


def test_cut_off_follows_the_nominal_voltage(tmp_path):
    site = load(written(tmp_path, LEAST.replace("capacity_ah = 100", "capacity_ah = 100\nnominal_voltage_v = 24.0")))
    assert site.battery.cut_off_voltage_v == 22.8


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("capacity_ah", "capacity_a", "battery.capacity_a: no such key; did you mean capacity_ah?"),
        ("[panel]", "[pannel]", "pannel: no such key; did you mean panel?"),
        ("power_w", "xyzzy", "panel.xyzzy: no such key; power_w would do"),
        ("capacity_ah = 100.0", "", "battery.capacity_ah: is missing; ampere-hours"),
        ("Los_Angeles", "Los_Angles", "no such time zone; did you mean America/Los_Angeles?"),
        ("= 38.5", "= 138.5", "site.latitude: found 138.5; 90.0 or less would do"),
        ("= 38.5", '= "38.5"', "site.latitude: found '38.5'; a number would do"),
        ("= 38.5", "= nan", "site.latitude: found nan; a finite number would do"),
        ('"flooded"', '"floded"', "battery.chemistry: found 'floded'; one of 'flooded', 'agm', 'gel' or 'lifepo4'"),
        ("in_parallel = 1", "in_parallel = 1.5", "battery.in_parallel: found 1.5; a whole number would do"),
        ("[0.5, 12.10]", "[0.5, 11.10]", "battery.rested_voltage_v: found a list of 3: both the state of charge"),
        ("[0.5, 12.10]", "[0.5]", "battery.rested_voltage_v: found a list of 3: pairs [state of charge"),
        ('name = "pump"', 'name = "Pump 1"', "pump[1].name: found 'Pump 1'; a name of up to 32 of a-z, 0-9 and -"),
        ('name = "bed-2"', 'name = "bed-1"', "bed[2].name: found 'bed-1' a second time"),
        ('name = "bed-2"', 'name = "battery"', "bed[2].name: found 'battery', which readings use already"),
        ('"bed-2"]', '"bed-3"]', "pump[1].feeds: found 'bed-3', which is no [[bed]]; did you mean bed-2?"),
        (', "bed-2"]', "]", "pump.feeds: found no pump that feeds bed 'bed-2'"),
        ("float_height_m = 0.25", "float_height_m = 0.31", "bed[1].float_height_m: found 0.31; at most standpipe"),
        ("float_height_m = 0.25", "float_height_m = 0.03", "bed[1].float_height_m: found 0.03; more than drain_"),
        ("low_float_height_m = 0.08", "low_float_height_m = 0.3", "low_float_height_m: found 0.3; less than float_"),
        ("warmest_c = 28.0", "warmest_c = 7.0", "sump.coldest_c: found 8; less than warmest_c = 7 would do"),
        ('root = "barreltide"', 'root = "a/#"', "broker.root: found 'a/#'; topic levels joined by /"),
        ("port = 8420", "port = 84200", "web.port: found 84200; 65535 or less would do"),
        ("port = 8420", 'port = 8420\naddress = "https://a.example"', "web.behind_proxy: is missing; the service"),
        ('wakes = "06:30"', 'wakes = "6:30"', "person[1].wakes: found '6:30'; an hour like 07:00 would do"),
        ('sleeps = "22:15"', 'sleeps = "24:00"', "person[1].sleeps: found '24:00'; an hour like 07:00 would do"),
        ("order = 2", "order = 0", "person[2].order: found 0; 1 or more would do"),
        ('name = "ben"', 'name = "anna"', "person[2].name: found 'anna' a second time"),
        ("daily_word", "dayly_word", "person[1].dayly_word: no such key; did you mean daily_word?"),
        ("[sms]\ndevice", "[smss]\ndevice", "smss: no such key; did you mean sms?"),
        ('[sms]\ndevice = "/dev/ttyUSB0"', "", "person[2].sms: needs a modem; [sms] with its device would do"),
        ('device = "/dev/ttyUSB0"', "", "sms.device: is missing; the modem, like device = "),
        ("escalate_after_min = 15.0", "escalate_after_min = 0", "escalate_after_min: found 0; 1.0 or more would do"),
        ('"+351912345678"', '"0912345678"', "person[2].sms: found '(not shown)'; a number with its country's, like"),
        ('"https://watch', '"ftp://watch', "notify.heartbeat_url: found '(not shown)'; an address like https://"),
        ("[site]", "[sit", "is no TOML: "),
        ("[battery]", "[[battery]]", "battery: found a list of 1; a table would do"),
        ("[[station]]", "[station]", "station: found a table; a list would do"),
    ],
)  # fmt: skip
def test_each_mistake_gets_one_line(tmp_path, old, new, line):
    assert old in FULL
    with pytest.raises(SiteError) as error:
        load(written(tmp_path, FULL.replace(old, new, 1)))
    assert line in str(error.value) and "site.toml" in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"well-kept"', "77001"),
        ('urls = ["json://127.0.0.1:9/well-kept"]', "urls = [77001]"),
        ('"https://watch.example/well-kept"', "77001"),
        ('"+351912345678"', "77001"),
    ],
)
def test_a_secret_is_not_shown(tmp_path, old, new):
    assert old in FULL
    for place in range(FULL.count(old)):
        parts = FULL.split(old)
        text = old.join(parts[: place + 1]) + new + old.join(parts[place + 1 :])
        with pytest.raises(SiteError) as error:
            load(written(tmp_path, text))
        assert "77001" not in str(error.value) and "text in quotes would do" in str(error.value)
    shown = repr(load(written(tmp_path, FULL)))
    assert "well-kept" not in shown and "+351912345678" not in shown


def test_a_person_has_waking_hours_and_is_asked_first_unless_told_otherwise(tmp_path):
    anna, ben = load(written(tmp_path, FULL)).persons
    assert (anna.wakes, anna.sleeps, anna.order, anna.daily_word) == ("06:30", "22:15", 1, "07:15")
    assert (ben.wakes, ben.sleeps, ben.order, ben.daily_word, ben.urls) == ("07:00", "22:00", 2, None, [])
    assert load(written(tmp_path, LEAST)).persons == []


def test_files_that_cannot_be_read(tmp_path):
    for path, line in (
        (tmp_path / "none.toml", "no such site file"),
        (tmp_path, "is a folder"),
    ):
        with pytest.raises(SiteError, match=line):
            load(path)
    (tmp_path / "latin.toml").write_bytes("# caf\xe9".encode("latin-1"))
    with pytest.raises(SiteError, match="byte 5 is no UTF-8"):
        load(tmp_path / "latin.toml")
    with pytest.raises(SiteError, match="nested|no TOML"):
        load(written(tmp_path, "a = " + "[" * 100_000))


def test_the_sun_over_london_and_svalbard():
    # London, 21 June 2024: sunrise 04:43 and sunset 21:21 British Summer Time, as almanacs print it (from memory).
    sun = Sun(51.5074, -0.1278, "Europe/London")
    dawn_s, dusk_s = sun.dawn_dusk("2024-06-21")
    expected = [datetime.datetime(2024, 6, 21, h, m, tzinfo=datetime.UTC).timestamp() for h, m in ((3, 43), (20, 21))]
    assert [dawn_s, dusk_s] == pytest.approx(expected, abs=90)
    assert sun.local_date(expected[1] + 3 * 3600) == "2024-06-22"
    svalbard = Sun(78.22, 15.65, "Arctic/Longyearbyen")
    assert svalbard.dawn_dusk("2024-06-21") == (None, None), "the sun does not set there from April to August"
    assert svalbard.dawn_dusk("2024-12-21") == (None, None)
