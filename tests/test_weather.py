"""The sky's clearness and the days' kinds, held against pvlib and an invented panel of another make."""

from __future__ import annotations

from math import radians, sin, sqrt
from random import Random

import pandas as pd
import pvlib
import pytest

from barreltide.core.daylight import Daylight
from barreltide.core.weather import BIN_S, Bin, clear_sky_w_m2, judge_day, shadow, sun_sine
from barreltide.sun import Sun

PLACES = [(38.5, -121.7, "America/Los_Angeles"), (51.2, -1.9, "Europe/London"), (-33.4, 149.6, "Australia/Sydney"),
          (14.2, 121.3, "Asia/Manila")]  # fmt: skip


def _day(place, date):
    dawn_s, dusk_s = Sun(*place).dawn_dusk(date)
    return dawn_s, dusk_s, pvlib.location.Location(*place[:2])


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place[2])
@pytest.mark.parametrize("date", ["2026-03-05", "2026-06-21", "2026-10-15"])
def test_sun_and_clear_sky_are_pvlibs(place, date):
    """pvlib's solar position (NREL SPA), and its own rendering of Haurwitz and of Ineichen and Perez."""
    dawn_s, dusk_s, where = _day(place, date)
    times = pd.DatetimeIndex([pd.Timestamp(t, unit="s", tz="UTC") for t in range(int(dawn_s) + 600, int(dusk_s), 600)])
    position = where.get_solarposition(times)
    ours = [sun_sine(t.timestamp(), 0.5 * (dawn_s + dusk_s), place[0]) for t in times]
    sines = [sin(radians(degrees)) for degrees in position["apparent_elevation"]]
    assert max(abs(a - b) for a, b in zip(ours, sines, strict=True)) < 0.03
    light = [clear_sky_w_m2(sine) for sine in ours]
    haurwitz = pvlib.clearsky.haurwitz(position["apparent_zenith"])["ghi"]
    assert max(abs(a - b) for a, b in zip(light, haurwitz, strict=True)) < 30
    ineichen = where.get_clearsky(times, model="ineichen", linke_turbidity=3.0)["ghi"]
    assert sum(light) == pytest.approx(ineichen.sum(), rel=0.12)


@pytest.mark.parametrize("place", [PLACES[1], PLACES[2]], ids=lambda place: place[2])
@pytest.mark.parametrize("date", ["2026-01-10", "2026-03-25", "2026-06-21", "2026-12-10"])
def test_the_suns_share_lies_between_a_level_panel_and_a_tilted_one(place, date):
    """pvlib's clear sky (Ineichen and Perez) on a level panel and on one tilted by its latitude; 1000 W/m² are one."""
    dawn_s, dusk_s, where = _day(place, date)
    noon_s, daylight = 0.5 * (dawn_s + dusk_s), Daylight(Sun(*place), place[0])
    at_s = [noon_s + share * (dusk_s - dawn_s) for share in (-0.2, 0.0, 0.2)]
    times = pd.DatetimeIndex([pd.Timestamp(t, unit="s", tz="UTC") for t in at_s])
    sun, sky = where.get_solarposition(times), where.get_clearsky(times, model="ineichen", linke_turbidity=3.0)
    tilted = pvlib.irradiance.get_total_irradiance(
        abs(place[0]), 180 if place[0] > 0 else 0, sun["apparent_zenith"], sun["azimuth"],
        sky["dni"], sky["ghi"], sky["dhi"],
    )["poa_global"]  # fmt: skip
    for t, level, facing in zip(at_s, sky["ghi"] / 1000, tilted / 1000, strict=True):
        assert daylight.noon_share(t) == pytest.approx(sqrt(level * facing), rel=0.25)


def _battery_v(amps: float) -> float:
    """What an invented 100 Ah battery shows at so many amperes into it, its controller holding 14.4 V."""
    return min(12.45 + 0.018 * amps + (0.32 * amps**0.7 if amps > 0 else 0.0), 14.4)


def _bins(place, date, cover, panel_a: float = 12.0, load_a: float = 2.0):
    """Ten-minute voltages by pvlib's clear sky times `cover` (from share of the day to share of light)."""
    dawn_s, dusk_s, where = _day(place, date)
    starts = [dawn_s - 5 * 3600 + BIN_S * k for k in range(int((dusk_s - dawn_s) / BIN_S) + 30)]
    times = pd.DatetimeIndex([pd.Timestamp(t + 300, unit="s", tz="UTC") for t in starts])
    light = where.get_clearsky(times, model="ineichen", linke_turbidity=3.0)["ghi"].to_numpy()
    shares = [cover((t - dawn_s) / (dusk_s - dawn_s)) for t in starts]
    bins = [Bin(t, _battery_v(panel_a * g / 1000 * s - load_a)) for t, g, s in zip(starts, light, shares, strict=True)]
    clearness = sum(g * s for g, s in zip(light, shares, strict=True)) / light.sum()
    return dawn_s, dusk_s, bins, clearness


def _judged(place, date, cover, panel_w: float | None = 250.0, **more):
    dawn_s, dusk_s, bins, clearness = _bins(place, date, cover, **more)
    return judge_day(date, dawn_s, dusk_s, place[0], bins, panel_w, 100.0, 2.0), clearness


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place[2])
def test_days_get_their_kind_from_the_charging_alone(place):
    """Truth: the clear-sky index by pvlib, above 0.8 clear, below 0.4 cloudy."""
    rng = Random(place[2])
    for date in ("2026-04-20", "2026-06-21", "2026-09-30") if place[0] > 0 else ("2026-01-20", "2026-10-30"):
        day, clearness = _judged(place, date, lambda share: 0.95 + rng.gauss(0, 0.03))
        assert clearness > 0.8 and day.kind == "clear", day
        day, clearness = _judged(place, date, lambda share: min(max(rng.gauss(0.22, 0.08), 0.08), 0.5))
        assert clearness < 0.4 and day.kind == "cloudy", day


def test_a_shadow_comes_at_the_same_hours_each_day():
    place = PLACES[0]
    shaded = [
        _judged(place, date, lambda share: 0.12 if share < 0.5 else 0.97)[0] for date in ("2026-06-20", "2026-06-21")
    ]
    assert shadow(shaded) == "morning" and shadow(shaded[:1]) is None, "one such day may have been a cloud's"
    cloudy = [_judged(place, "2026-06-20", lambda share: 0.2)[0], shaded[1]]
    assert shadow(cloudy) is None
    assert shadow([_judged(place, date, lambda share: 0.95)[0] for date in ("2026-06-20", "2026-06-21")]) is None


def test_what_is_not_known_is_not_named():
    place, date = PLACES[0], "2026-06-21"
    assert _judged(place, date, lambda share: 1.0, panel_w=None)[0].kind == "unknown"
    dawn_s, dusk_s, bins, _ = _bins(place, date, lambda share: 1.0)
    half = [b for b in bins if b.start_s < 0.5 * (dawn_s + dusk_s)]
    assert judge_day(date, dawn_s, dusk_s, place[0], half, 250.0, 100.0, 2.0).kind == "unknown"
    # Begun after dawn: no night to hold the voltages against, but a sensor on the panel does without.
    late = [b for b in bins if b.start_s > dawn_s]
    dim = [b._replace(volts=12.9) for b in late]
    assert judge_day(date, dawn_s, dusk_s, place[0], dim, 250.0, 100.0, 2.0).kind == "unknown"
    read = [b._replace(volts=12.9, panel_a=1.5) for b in late]
    assert judge_day(date, dawn_s, dusk_s, place[0], read, 250.0, 100.0, 2.0).kind == "cloudy"
    assert clear_sky_w_m2(-0.1) == 0.0
