"""What fish stand, against published tables; and the command that tells of oxygen, ammonia and temperature."""

from __future__ import annotations

import json
import subprocess
import sys
from argparse import Namespace
from math import log10

import pytest

from barreltide.commands import oxygen as command
from barreltide.core import limits, oxygen
from barreltide.site import load
from barreltide.web import app as web
from conftest import SITE, free_port

# University of Florida, IFAS FA16 (Francis-Floyd and others), from Emerson and others 1975: pH 7.0, 6 to 32 °C.
FA16_PH_7 = (0.0013, 0.0016, 0.0018, 0.0022, 0.0025, 0.0029, 0.0034, 0.0039, 0.0046, 0.0052, 0.0060, 0.0069, 0.0080,
             0.0093)  # fmt: skip


@pytest.mark.parametrize(("celsius", "share"), list(zip(range(6, 33, 2), FA16_PH_7, strict=True)))
def test_un_ionised_ammonia_is_the_published_table_s(celsius, share):
    assert limits.un_ionised_share(7.0, celsius) == pytest.approx(share, abs=0.0002)


def test_un_ionised_ammonia_at_other_ph():
    assert limits.un_ionised_share(8.0, 24.0) == pytest.approx(0.0502, abs=0.0002)  # FA16
    # pKa 9.2464 at 25 °C, worked by hand from 0.09018 + 2729.92 / 298.15; one public code has 2727.92, which is 9.2397.
    share = limits.un_ionised_share(9.0, 25.0)
    assert 9.0 + log10(1 / share - 1) == pytest.approx(9.2464, abs=0.0005)
    assert limits.un_ionised_share(9.2464, 25.0) == pytest.approx(0.5, abs=1e-4)


def test_bands_are_the_owner_s_fish_s_and_everybody_else_s():
    assert [band.who for band in limits.bands("Koi and friends")] == [
        "carp",
        "plants",
        "nitrifying bacteria",
        "all together",
    ]
    assert [band.who for band in limits.bands("none")] == ["plants", "nitrifying bacteria", "all together"]
    assert limits.bands("perch")[:2] == limits.bands(None)[:2] == [limits.WARM_WATER, limits.COLD_WATER]
    together = limits.TOGETHER  # FAO 589, table 3.2: 18 to 30 °C
    assert (together.low_c, together.high_c) == (18.0, 30.0)
    for other in (limits.PLANTS, limits.BACTERIA):
        assert other.low_c <= together.low_c and together.high_c <= other.high_c
    for kind in oxygen.KINDS:
        assert limits.bands(kind)[0] is not limits.WARM_WATER, f"{kind} is known for its oxygen"


NOTHING = dict.fromkeys((*command.RANGES, "fish"))
POND = (
    SITE.replace(
        'name = "bed-1"',
        'name = "bed-1"\narea_m2 = 0.5\nstandpipe_height_m = 0.25\ndrain_height_m = 0.05\nmedia_void_fraction = 1.0',
    )
    + '[sump]\nvolume_l = 500.0\nfish = "goldfish"\nfish_mass_kg = 5.0\n'
)


def of(folder, text: str = POND):
    (folder / "site.toml").write_text(text)
    return load(folder / "site.toml")


def test_what_is_told_of_a_garden(tmp_path):
    """500 L and 5 kg at 20 °C: a closed tank from 80 % to 2 mg/L lasts 6.18 h, which lies within."""
    answer = command.told(of(tmp_path), NOTHING | {"temperature_c": 20.0, "ph": 8.5, "ammonia_mg_per_l": 1.0})
    assert answer["saturation_mg_per_l"] == 9.09
    assert answer["lasts"]["low_h"] < 6.18 < answer["lasts"]["high_h"]
    assert answer["lasts_with_beds_full"]["litres"] == 400.0  # a bed of 0.5 m² holds 100 L
    assert answer["lasts_with_beds_full"]["low_h"] < answer["lasts"]["low_h"]
    # Worked by hand from pKa 9.4025 at 20 °C: 11.12 % at pH 8.5, so that 0.05 mg/L is reached from 0.45 mg/L on.
    assert answer["ammonia"]["un_ionised_mg_per_l"] == pytest.approx(0.1112, abs=2e-4)
    assert answer["ammonia"]["harms_from_total_mg_per_l"] == 0.45
    text = "\n".join(command.in_words(answer))
    for words in ("holds 9.09 mg/L", "5 kg of them have about", "400 L are left below", "11 % is un-ionised",
                  "too much", "goldfish             11.5 to 30.3 °C  within"):  # fmt: skip
        assert words in text, text
    kinder = {"temperature_c": 12.0, "ph": 7.0, "ammonia_mg_per_l": 1.5, "measured_mg_per_l": 4.2}
    text = "\n".join(command.in_words(command.told(of(tmp_path), NOTHING | kinder)))
    for words in ("it does no harm at this pH, but is over 1 mg/L", "Measured: 4.2 mg/L, 39 % of that. Below 5 mg/L",
                  "16 to 30   °C  too cold"):  # fmt: skip
        assert words in text, text
    low = NOTHING | {"temperature_c": 12.0, "measured_mg_per_l": 2.5, "ph": 7.0, "ammonia_mg_per_l": 0.2}
    text = "\n".join(command.in_words(command.told(of(tmp_path), low)))
    assert "too little: move water or air now" in text and text.count("good.") == 1


def test_a_meter_makes_the_range_narrower_and_lower_oxygen_makes_it_shorter():
    def lasts(measured: float | None) -> oxygen.Span:
        return oxygen.hours(500, "goldfish", 5, 20, measured_mg_per_l=measured)

    usual, metered, low = lasts(None), lasts(0.85 * oxygen.saturation(20)), lasts(4.0)
    assert usual.low_h < metered.low_h < metered.high_h < usual.high_h
    assert low.high_h < metered.high_h and low.low_h < metered.low_h and lasts(1.5).high_h < 0.1


def test_without_a_site_file_options_tell_all():
    given = NOTHING | {"temperature_c": 25.0, "altitude_m": 1500.0}
    bare = command.told(None, given)
    assert bare["saturation_mg_per_l"] == 6.85 and bare["lasts"] is None and bare["ammonia"] is None
    assert "--volume-l, --fish and --fish-kg, or [sump], would tell" in "\n".join(command.in_words(bare))
    told = command.told(None, given | {"volume_l": 300.0, "fish": "tilapia", "fish_kg": 2.0})
    span = oxygen.hours(300, "tilapia", 2, 25, 1500)
    assert told["lasts"]["low_h"] == pytest.approx(span.low_h, abs=0.01) and told["lasts_with_beds_full"] is None
    none = command.told(None, given | {"volume_l": 300.0, "fish": "none", "fish_kg": 0.0})
    assert "There are no fish." in "\n".join(command.in_words(none))


@pytest.mark.parametrize(
    ("given", "line"),
    [
        ({"ph": 3.0}, "--ph: found 3; 4 to 11 would do"),
        ({"temperature_c": float("nan")}, "--temperature-c: found nan; 0 to 40 would do"),
        (
            {"temperature_c": 20.0, "ammonia_mg_per_l": 1.0},
            "--ammonia-mg-per-l: how much of it harms depends on the pH;",
        ),
        ({}, "the water's temperature is not known: there is no site file"),
    ],
)
def test_what_will_not_do_gets_one_line(given, line):
    with pytest.raises(command.OxygenError) as failure:
        command.run(None, Namespace(**NOTHING | given, json=False))
    assert str(failure.value).startswith(line) and "\n" not in str(failure.value)


class Idle:
    """A service of which only the pages run."""

    water: dict | None = {"temperature_c": 24.0, "time": 1.0}

    def picture(self) -> dict:
        return {"water": self.water}

    def health(self) -> dict:
        return {}


def test_the_command_takes_the_temperature_from_the_running_service(tmp_path):
    site, idle = of(tmp_path, POND + f"[web]\nport = {free_port()}\n"), Idle()
    server = web.serve(site, site.store_path, idle, lambda: 2.0)
    server.start()
    try:
        arguments = [sys.executable, "-m", "barreltide", "oxygen", "--site", tmp_path / "site.toml", "--json"]
        done = subprocess.run(arguments, capture_output=True, text=True, timeout=60)
        assert json.loads(done.stdout)["temperature_c"] == 24.0
        idle.water = None
        with pytest.raises(command.OxygenError, match="the service has heard none; --temperature-c, like 21, would do"):
            command.run(site, Namespace(**NOTHING, json=False))
    finally:
        server.stop()
    with pytest.raises(command.OxygenError, match="no service answers at"):
        command.run(site, Namespace(**NOTHING, json=False))
