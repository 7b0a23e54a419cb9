"""The garden that `barreltide demo` shows: an invented yard with two barrel beds and one pump.

`build` gives its physics, `SITE` the site file its owner would write. The seed changes the weather and, by a few per
cent, what a hand-built garden leaves to chance.
"""

from __future__ import annotations

from random import Random

from .garden import Bed, Float, Garden, Pump, Sump, Warmth
from .power import Battery, Sky

LATITUDE, LONGITUDE, TIME_ZONE = 39.3, -8.9, "Europe/Lisbon"

SITE = f"""\
[site]
name = "quince-yard"
latitude = {LATITUDE}
longitude = {LONGITUDE}
time_zone = "{TIME_ZONE}"

[battery]
chemistry = "flooded"
capacity_ah = 100.0
lowest_state_of_charge = 0.5
cut_off_voltage_v = 11.4

[panel]
power_w = 250.0

[[pump]]
name = "pump"
current_a = 2.0
feeds = ["lettuce", "mint"]

[[bed]]
name = "lettuce"
area_m2 = 0.25
standpipe_height_m = 0.28
drain_height_m = 0.04
float_height_m = 0.19
media_void_fraction = 0.42

[[bed]]
name = "mint"
area_m2 = 0.25
standpipe_height_m = 0.25
drain_height_m = 0.04
float_height_m = 0.17
media_void_fraction = 0.42

[sump]
volume_l = 180.0
fish = "goldfish"
fish_mass_kg = 0.4
coldest_c = 8.0
warmest_c = 28.0

[[station]]
name = "barrels"
"""


def build(seed: int, start_s: float) -> Garden:
    """The yard at `start_s` (Unix seconds), beds drained, battery nearly full, nothing broken."""
    rng = Random(f"quince-yard {seed}")

    def about(value: float) -> float:
        return value * rng.uniform(0.95, 1.05)

    beds = [
        Bed(name, about(0.105), standpipe, 0.04, 0.2, 0.020, about(0.5), branch, about(1.5e-5), 6.0, 3.0,
            {"high": Float(height, 0.006)}, ripple_m=0.0015, ripple_s=0.8, level_m=0.04)
        for name, standpipe, height, branch in (("lettuce", 0.28, 0.19, 0.52), ("mint", 0.25, 0.17, 0.48))
    ]  # fmt: skip
    pump = Pump("pump", beds, about(1.2e-4), 0.9, 2.8, 1.6, 0.6, about(2.0), 1.2)
    battery = Battery(
        capacity_ah=about(95.0), charge=rng.uniform(0.88, 0.95), full_v=12.68, span_v=0.95, bow=0.15, ohm=0.009,
        fast_ohm=0.005, slow_ohm=0.006, fast_s=90.0, slow_s=7200.0, polar_v=3.3, polar_power=0.55, gas_a_per_ah=8e-4,
        efficiency=0.97, leak_per_s=2e-8, absorb_v=14.5, float_v=13.6, absorb_s=7200.0, compensation_v_per_c=-0.024,
        cut_v=11.4, reconnect_v=12.7,
    )  # fmt: skip
    return Garden(
        now_s=start_s,
        beds=beds,
        pumps=[pump],
        battery=battery,
        panel_a=13.0,
        sky=Sky(LATITUDE, LONGITUDE, 0.1, Random(rng.random())),
        warmth=Warmth(air_c=19.0, swing_c=6.0, water_c=19.0, water_swing_c=1.5),
        sump=Sump(volume_m3=0.18, area_m2=0.36, low_m=0.28, full_m=0.5, evaporates_m3_s=1.5e-8),
        electronics_a=0.08,
        rng=Random(rng.random()),
    )
