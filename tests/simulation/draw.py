"""Draws gardens from seeds: everything that differs from garden to garden, wider than any setting of the service.

A `Plan` is what was built and what its owner wrote down of it (with an owner's errors); `Plan.build()` gives a fresh
`Garden`. The same seed always gives the same plan; `overrides` replace single draws by name, e.g.
`draw_garden(3, beds=2, pump_a=2.5)`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi, sqrt
from random import Random

from barreltide.demo.garden import GRAVITY, Bed, Float, Garden, Pump, Sump, Warmth
from barreltide.demo.power import Battery, Sky

PLACES = (  # latitude, longitude, zone; nobody's garden
    (38.5, -121.7, "America/Los_Angeles"),
    (51.2, -1.9, "Europe/London"),
    (47.6, 11.3, "Europe/Berlin"),
    (40.9, -4.1, "Europe/Madrid"),
    (14.2, 121.3, "Asia/Manila"),
    (-33.4, 149.6, "Australia/Sydney"),
    (-1.3, 36.7, "Africa/Nairobi"),
    (33.6, 130.6, "Asia/Tokyo"),
)
FIRST_DAY_S = 1_767_225_600  # 2026-01-01T00:00Z
BORES_M = (0.010, 0.0125, 0.015, 0.020, 0.025, 0.032, 0.040)


@dataclass
class StationPlan:
    """How the board measures and how well its packs travel."""

    name: str = "barrels"
    meter_gain: float = 1.0
    meter_offset_v: float = 0.0
    meter_noise_v: float = 0.005
    meter_step_v: float = 0.01
    hum_v: float = 0.02  # while the charge controller regulates
    patient: bool = True  # with its repetitions: waits while a float is undecided, then sends at once
    clock: bool = True
    clock_error_s: float = 0.0
    duplicates: float = 0.02
    late: float = 0.002
    jitter_s: float = 0.4
    low_float: bool = False
    level: bool = False
    sump_float: bool = False
    pump_current: bool = False
    panel_current: bool = False
    current_noise_a: float = 0.01


@dataclass
class Plan:
    seed: int
    start_s: float
    latitude: float
    longitude: float
    time_zone: str
    beds: list[dict]
    pumps: list[dict]
    battery: dict
    label: dict  # what stands on the battery and the panel, and in the owner's notes
    panel_a: float
    gloom: float
    shade: tuple[float, float, float]
    warmth: dict
    sump: dict
    electronics_a: float
    fouling_per_day: float
    station: StationPlan = field(default_factory=StationPlan)

    def build(self) -> Garden:
        """A fresh garden at `start_s`, each bed somewhere on its way up, nothing broken."""
        beds, borrowed_m3, rng = [], 0.0, Random(self.seed * 7 + 3)
        for bed in self.beds:
            floats = {"high": Float(bed["float_m"], bed["hysteresis_m"])}
            if self.station.low_float:
                floats["low"] = Float(bed["low_float_m"], bed["hysteresis_m"])
            keep = {
                k: v for k, v in bed.items() if k not in ("float_m", "low_float_m", "hysteresis_m", "label", "flow")
            }
            level_m = bed["break_m"] + rng.uniform(0, 0.95) * (bed["standpipe_m"] - bed["break_m"])
            borrowed_m3 += bed["area_m2"] * (level_m - bed["break_m"])
            for switch in floats.values():
                switch.wet = switch._rests_wet = level_m > switch.height_m
            beds.append(Bed(floats=floats, level_m=level_m, **keep))
        pumps = [Pump(feeds=[b for b in beds if b.name in p["feeds"]], **{k: v for k, v in p.items() if k != "feeds"})
                 for p in self.pumps]  # fmt: skip
        return Garden(
            now_s=self.start_s,
            beds=beds,
            pumps=pumps,
            battery=Battery(**self.battery),
            panel_a=self.panel_a,
            sky=Sky(self.latitude, self.longitude, self.gloom, Random(self.seed * 7 + 1), self.shade),
            warmth=Warmth(**self.warmth),
            sump=Sump(**self.sump | {"volume_m3": self.sump["volume_m3"] - borrowed_m3}),
            electronics_a=self.electronics_a,
            rng=Random(self.seed * 7 + 2),
            fouling_per_day=self.fouling_per_day,
        )

    def site_toml(self) -> str:
        """The site file its owner would write."""
        label = self.label
        lines = [
            "[site]", 'name = "garden"', f"latitude = {self.latitude}", f"longitude = {self.longitude}",
            f'time_zone = "{self.time_zone}"', "",
            "[battery]", f'chemistry = "{label["chemistry"]}"', "nominal_voltage_v = 12.0",
            f"capacity_ah = {label['capacity_ah']}", "in_parallel = 1",
            f"lowest_state_of_charge = {label['floor']}", f"cut_off_voltage_v = {label['cut_v']}",
        ]  # fmt: skip
        if label["rested"]:
            lines.append(f"rested_voltage_v = {label['rested']}")
        lines += ["", "[panel]", f"power_w = {label['panel_w']}"]
        for pump in self.pumps:
            lines += ["", "[[pump]]", f'name = "{pump["name"]}"']
            if label["current_a"]:
                lines.append(f"current_a = {label['current_a'][pump['name']]}")
            lines.append(f"feeds = {list(pump['feeds'])}".replace("'", '"'))
        for bed in self.beds:
            lines += ["", "[[bed]]", f'name = "{bed["name"]}"']
            lines += [f"{key} = {value}" for key, value in bed["label"].items()]
            if self.station.low_float:
                lines.append(f"low_float_height_m = {bed['low_float_m']:.2f}")
        lines += ["", "[sump]", f"volume_l = {label['sump_l']}", 'fish = "goldfish"', "fish_mass_kg = 0.4",
                  f"coldest_c = {label['coldest_c']}", f"warmest_c = {label['warmest_c']}",
                  "", "[[station]]", f'name = "{self.station.name}"', ""]  # fmt: skip
        return "\n".join(lines)


def draw_garden(seed: int, **overrides) -> Plan:
    """The garden of that seed. Overrides: beds, pumps, period_s, pump_a, capacity_ah, charge, chemistry, low_float,
    level, sump_float, pump_current, panel_current, clock, gloom, start_s, place."""
    rng = Random(f"garden {seed}")
    take = overrides.pop
    place = take("place", rng.choice(PLACES))
    start_s = take("start_s", None) or _draw_start(rng, place[0])
    count = take("beds", rng.choice((1, 2, 2, 2, 2, 3, 4)))
    pumps = take("pumps", 2 if count >= 3 and rng.random() < 0.6 else 1)
    beds = _draw_beds(rng, count, pumps, overrides)
    sensors = {
        "low_float": take("low_float", rng.random() < 0.3),
        "level": take("level", rng.random() < 0.1),
        "sump_float": take("sump_float", rng.random() < 0.5),
        "pump_current": take("pump_current", rng.random() < 0.15),
        "panel_current": take("panel_current", rng.random() < 0.1),
    }
    clock = take("clock", rng.random() < 0.9)
    station = StationPlan(
        meter_gain=1 + rng.gauss(0, 0.003), meter_offset_v=rng.gauss(0, 0.01), meter_noise_v=rng.uniform(0.002, 0.012),
        meter_step_v=rng.choice((0.001, 0.005, 0.01, 0.01)), hum_v=rng.uniform(0.005, 0.05), clock=clock,
        patient=rng.random() < 0.7,
        clock_error_s=rng.gauss(0, 0.5), duplicates=rng.uniform(0.005, 0.03), late=rng.uniform(0, 0.004),
        jitter_s=rng.uniform(0.05, 1.0), current_noise_a=rng.uniform(0.005, 0.03), **sensors,
    )  # fmt: skip
    pump_plans = _draw_pumps(rng, beds, pumps, overrides)
    power = _draw_power(rng, sum(p["current_a"] for p in pump_plans), _sun_hours(place, start_s), overrides)
    water_c = rng.uniform(13, 24)
    swing_c = rng.uniform(0.5, 3.0)
    power["label"] |= {"coldest_c": round(water_c - swing_c - 5, 0), "warmest_c": round(water_c + swing_c + 5, 0)}
    sump = _draw_sump(rng, beds)
    power["label"]["sump_l"] = round(sump["volume_m3"] * 1000, 0)
    power["label"]["current_a"] = (
        {p["name"]: round(p["current_a"] * rng.gauss(1, 0.05), 1) for p in pump_plans} if rng.random() < 0.8 else None
    )
    plan = Plan(
        seed, start_s, *place, beds, pump_plans,
        panel_a=power["panel_a"], battery=power["battery"], label=power["label"], gloom=power["gloom"],
        shade=_draw_shade(rng),
        warmth={"air_c": water_c + rng.uniform(-2, 2), "swing_c": rng.uniform(2, 8), "water_c": water_c,
                "water_swing_c": swing_c},
        sump=sump, electronics_a=rng.uniform(0.03, 0.15), fouling_per_day=rng.uniform(0, 0.004), station=station,
    )  # fmt: skip
    if overrides:
        raise ValueError(f"no such draw: {', '.join(overrides)}")
    return plan


def _draw_start(rng: Random, latitude: float) -> float:
    """Any day in two years; towards the poles nobody runs a solar pump in winter."""
    while True:
        day = rng.randrange(700)
        from_midsummer = abs((day - (172 if latitude > 0 else 355) + 182) % 365 - 182)
        if from_midsummer < (183 if abs(latitude) < 36 else 135 if abs(latitude) < 45 else 105):
            return FIRST_DAY_S + 86400.0 * day + rng.uniform(0, 86400)


def _draw_shade(rng: Random) -> tuple[float, float, float]:
    """A tree or a chimney stands before a third of all panels for an hour or two."""
    if rng.random() > 0.33:
        return (0.0, 0.0, 1.0)
    from_hour = rng.uniform(7, 16)
    return (from_hour, from_hour + rng.uniform(0.5, 2.0), rng.uniform(0.15, 0.6))


def _sun_hours(place: tuple, start_s: float) -> float:
    """Hours of full sun that a clear day gives there."""
    sky = Sky(place[0], place[1], 0.0, Random(0))
    return sum(max(sky.sun_sine(start_s + 600 * k), 0.0) ** 1.15 for k in range(144)) / 6


def _draw_beds(rng: Random, count: int, pumps: int, overrides: dict) -> list[dict]:
    """Beds that work: the siphon starts at the weakest inflow and breaks at the strongest (a third of margin each)."""
    wanted_s = overrides.pop("period_s", None) or 60 * 3 * (30 ** rng.random())
    beds = []
    while len(beds) < count:
        void = rng.choice((1.0, rng.uniform(0.35, 0.5)))
        plan_m2 = rng.uniform(0.12, 1.2)
        standpipe, broken = rng.uniform(0.18, 0.34), rng.uniform(0.02, 0.05)
        bore, discharge, below = rng.choice(BORES_M), rng.uniform(0.38, 0.62), rng.uniform(0.08, 0.4)
        litres = plan_m2 * void * (standpipe - broken) * 1000
        drain = discharge * pi * bore**2 / 4 * sqrt(2 * GRAVITY * (broken + below))
        flow = litres / 1000 / (wanted_s * rng.uniform(0.75, 1.35))
        choke = rng.uniform(0.25, 0.9) * 0.3 * pi / 4 * sqrt(GRAVITY) * bore**2.5
        if not 1.5 * choke < flow < 0.55 * drain or not 1.2e-5 < flow < 4e-4:
            continue
        span = standpipe - broken
        height = broken + span * rng.uniform(0.3, 0.9)
        low = broken + span * rng.uniform(0.12, 0.2)
        beds.append({
            "name": f"bed-{len(beds) + 1}", "area_m2": plan_m2 * void, "standpipe_m": standpipe, "break_m": broken,
            "outlet_below_m": below, "bore_m": bore, "discharge": discharge, "branch": 1.0, "choke_m3_s": choke,
            "prime_s": rng.uniform(2, 20), "break_s": rng.uniform(1, 6), "float_m": height, "low_float_m": low,
            "hysteresis_m": rng.uniform(0.002, 0.012), "ripple_m": rng.uniform(0.0003, 0.003),
            "ripple_s": rng.uniform(0.3, 3.0), "dribble_m": broken + rng.uniform(-0.5, 0.3) * broken, "flow": flow,
            "label": {"area_m2": round(plan_m2, 2), "standpipe_height_m": round(standpipe, 2),
                      "drain_height_m": round(broken, 2), "float_height_m": round(height, 2),
                      "media_void_fraction": 1.0 if void == 1.0 else round(void + rng.gauss(0, 0.03), 2)},
        })  # fmt: skip
    return beds


def _draw_pumps(rng: Random, beds: list[dict], count: int, overrides: dict) -> list[dict]:
    plans = []
    split = 1 if count == 1 else rng.randrange(1, len(beds))
    groups = [beds] if count == 1 else [beds[:split], beds[split:]]
    wanted_a = overrides.pop("pump_a", None)
    for number, group in enumerate(groups, 1):
        flow = sum(bed["flow"] for bed in group)
        for bed in group:
            bed["branch"] = bed["flow"] / flow
        shut_off = rng.uniform(1.5, 4.0)
        plans.append({
            "name": "pump" if count == 1 else f"pump-{number}", "feeds": [bed["name"] for bed in group],
            "flow_m3_s": flow, "lift_m": shut_off * rng.uniform(0.15, 0.5), "shut_off_m": shut_off,
            "volts_power": rng.uniform(1.2, 2.2), "inner_share": rng.uniform(0.3, 0.85),
            "current_a": wanted_a or min(max(0.7 + flow * 3.6e6 / 700 * rng.uniform(0.6, 1.5), 0.8), 4.0) / count**0.5,
            "current_power": rng.uniform(0.7, 1.7),
        })  # fmt: skip
    return plans


def _draw_power(rng: Random, load_a: float, sun_hours: float, overrides: dict) -> dict:
    """A battery and a panel that carry the load through ordinary weather."""
    chemistry = overrides.pop("chemistry", None) or ("agm" if rng.random() < 0.2 else "flooded")
    label_ah = overrides.pop("capacity_ah", None) or max(round(load_a * rng.uniform(40, 90) / 5) * 5, 20)
    true_ah = label_ah * rng.uniform(0.75, 1.05)
    blend = rng.uniform(-0.1, 1.1)  # between the published tables, and a little beyond them
    full_v, span_v, bow = 12.64 + 0.09 * blend, 0.76 + 0.46 * blend, 0.12 + 0.05 * blend
    if chemistry == "agm":
        full_v, span_v, bow = rng.uniform(12.78, 12.9), rng.uniform(0.95, 1.15), rng.uniform(0.0, 0.25)
    per = 100 / true_ah
    gloom = overrides.pop("gloom", None)
    gloom = rng.uniform(0.0, 0.4) if gloom is None else gloom
    cut_v = round(rng.uniform(11.0, 11.6), 1)
    panel_a = min(load_a * 24 * rng.uniform(1.35, 2.4) / sun_hours / (1 - 0.6 * gloom), 0.25 * label_ah)
    absorb_v = rng.uniform(14.2, 14.8)
    battery = {
        "capacity_ah": true_ah, "charge": overrides.pop("charge", rng.uniform(0.78, 1.0)), "full_v": full_v,
        "span_v": span_v, "bow": bow, "ohm": per * rng.uniform(0.005, 0.014),
        "fast_ohm": per * rng.uniform(0.002, 0.01),
        "slow_ohm": per * rng.uniform(0.003, 0.012), "fast_s": rng.uniform(30, 200), "slow_s": rng.uniform(3600, 14400),
        "polar_v": rng.uniform(2.7, 4.0), "polar_power": rng.uniform(0.45, 0.65),
        "gas_a_per_ah": rng.uniform(4e-4, 1.5e-3),
        "efficiency": rng.uniform(0.94, 0.99), "leak_per_s": rng.uniform(0.02, 0.12) / 30 / 86400,
        "absorb_v": absorb_v, "float_v": rng.choice((absorb_v, rng.uniform(13.4, 13.8))),
        "absorb_s": rng.uniform(1, 4) * 3600, "compensation_v_per_c": rng.choice((0.0, -0.018, -0.024, -0.030)),
        "cut_v": cut_v + rng.gauss(0, 0.03), "reconnect_v": rng.uniform(12.5, 13.0),
    }  # fmt: skip
    rested = None
    if rng.random() < 0.15:
        rested = [
            [s, round(full_v - span_v * ((1 - s) + bow * (1 - s) ** 2) / (1 + bow), 2)] for s in (0.25, 0.5, 0.75, 1.0)
        ]
    return {
        "battery": battery, "panel_a": panel_a, "gloom": gloom,
        "label": {"chemistry": chemistry, "capacity_ah": float(label_ah), "floor": 0.5, "cut_v": cut_v,
                  "panel_w": round(panel_a * 17.8 * rng.uniform(1.0, 1.3), -1), "rested": rested},
    }  # fmt: skip


def _draw_sump(rng: Random, beds: list[dict]) -> dict:
    """Holds more than all beds take; at the low mark the pump still has depth, and beds in step may just touch it."""
    swing = sum(bed["area_m2"] * bed["standpipe_m"] for bed in beds)
    volume = max(swing * rng.uniform(1.8, 4), 0.08)
    area = volume / rng.uniform(0.35, 0.7)
    full = volume / area
    return {
        "volume_m3": volume, "area_m2": area, "full_m": full, "low_m": full - swing / area * rng.uniform(0.98, 1.35),
        "evaporates_m3_s": rng.uniform(0.5, 2.0) * volume / 0.2 / 1000 / 86400 * 0.5,
    }  # fmt: skip
