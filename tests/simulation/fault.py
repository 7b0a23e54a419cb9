"""What can go wrong in a garden, how it is staged, and what a good watchman says of it.

Each kind of `KINDS` has an `apply` that breaks the garden at its onset, and a `bites` that tells when the condition is
truly there (a siphon that cannot start shows nothing until it should have started). `right` are the alarms that name
the cause; `follows` may stand beside or come before without being wrong. A kind without `right` is benign.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from barreltide.demo.garden import DRIBBLING, PRIMING, Bed, Garden, Pump

from .draw import Plan
from .station import Station


@dataclass
class Stage:
    """What a fault may lay hands on."""

    plan: Plan
    garden: Garden
    station: Station
    rng: Random
    pump: Pump
    bed: Bed
    later: list[tuple[float, Callable[[], None]]] = field(default_factory=list)

    def after(self, seconds: float, act: Callable[[], None]) -> None:
        self.later.append((self.garden.now_s + seconds, act))


@dataclass(frozen=True)
class Kind:
    apply: Callable[[Stage], None]
    right: tuple[tuple[str, str], ...] = ()  # alarm, and "pump", "bed", "any-pump" or a subject as it stands
    follows: tuple[str, ...] = ()  # alarms that may stand beside it, whatever their subject
    bites: Callable[[Stage], bool] = lambda stage: True
    overrides: dict = field(default_factory=dict)  # of the draw
    watch_s: float = 8 * 3600.0  # from the bite to the end of the run, at least
    patience_s: float = 36 * 3600.0  # from the onset to the bite, at most


def _set(path: str, name: str, value) -> Callable[[Stage], None]:
    def apply(stage: Stage) -> None:
        setattr(getattr(stage, path), name, value)

    return apply


def _block(stage: Stage) -> None:
    stage.pump.lifting, stage.pump.current_factor = 0.0, stage.rng.choice((0.6, 1.0, 1.6, 2.5))


def _hose_off(stage: Stage) -> None:
    stage.pump.lifting, stage.pump.current_factor = 0.0, stage.rng.uniform(0.8, 1.25)


def _flow_falls(stage: Stage) -> None:
    """Steady clogging to -30 to -50 % within three to six days."""
    days, end = stage.rng.uniform(3, 6), stage.rng.uniform(0.5, 0.7)
    steps = 400
    for step in range(steps):
        stage.after(step * days * 86400 / steps, lambda: _scale(stage.pump, "lifting", end ** (1 / steps)))


def _scale(thing, name: str, factor: float) -> None:
    setattr(thing, name, getattr(thing, name) * factor)


def _leak(stage: Stage) -> None:
    sump = stage.garden.sump
    sump.leaks_m3_s = (sump.volume_m3 - sump.low_m * sump.area_m2) / (stage.rng.uniform(1, 6) * 3600)


def _water(sign: int) -> Callable[[Stage], None]:
    def apply(stage: Stage) -> None:
        stage.garden.warmth.water_ramp_c_per_h = sign * stage.rng.uniform(0.5, 2.0)
        stage.after(600.0, lambda: end(stage))

    def end(stage: Stage) -> None:
        label = stage.plan.label
        beyond_c = stage.garden.water_c - label["warmest_c"] if sign > 0 else label["coldest_c"] - stage.garden.water_c
        if beyond_c > 2.0:
            stage.garden.warmth.water_ramp_c_per_h = 0.0
        else:
            stage.after(600.0, lambda: end(stage))

    return apply


def _silence(stage: Stage) -> None:
    stage.station.dead_s = stage.garden.now_s


def _wifi(seconds: float | None) -> Callable[[Stage], None]:
    def apply(stage: Stage) -> None:
        now_s = stage.garden.now_s
        stage.station.outages.append((now_s, float("inf") if seconds is None else now_s + seconds))

    return apply


def _stick(wet: bool) -> Callable[[Stage], None]:
    def apply(stage: Stage) -> None:
        switch = stage.station.switches[f"{stage.bed.name}/high"]
        if switch.told is wet:
            switch.stuck = True
        else:  # it sticks when it next gets there
            stage.after(5.0, lambda: apply(stage))

    return apply


def _chatter(stage: Stage) -> None:
    stage.station.chatters = f"{stage.bed.name}/high"


def _dark(stage: Stage) -> None:
    stage.garden.sky.covered.append((stage.garden.now_s, float("inf"), 0.08))


def _overcharge(stage: Stage) -> None:
    stage.garden.battery.absorb_v = stage.garden.battery.float_v = 16.2


def _mains_charger(stage: Stage) -> None:
    """The owner does what a notice of a failing battery tells him, and takes the charger off some hours later."""
    stage.garden.mains_a = stage.rng.uniform(0.05, 0.2) * stage.garden.battery.capacity_ah
    stage.after(stage.rng.uniform(2, 8) * 3600.0, lambda: setattr(stage.garden, "mains_a", 0.0))


def _valve(stage: Stage) -> None:
    for bed in stage.pump.feeds:
        bed.branch *= stage.rng.uniform(0.75, 1.3)


def _pause(stage: Stage) -> None:
    stage.pump.running = False
    stage.after(180.0, lambda: setattr(stage.pump, "running", True))


def _service_pump(stage: Stage) -> None:
    """The grower cleans it, and forgets the time now and then."""
    stage.pump.running = False
    stage.after(stage.rng.uniform(600.0, 2400.0), lambda: setattr(stage.pump, "running", True))


def _switch_bed_off(stage: Stage) -> None:
    bed, branch = stage.bed, stage.bed.branch
    bed.branch = 0.0
    stage.after(stage.rng.uniform(1, 3) * 3600.0, lambda: setattr(bed, "branch", branch))


def _turn_valve_and_back(stage: Stage) -> None:
    before = [(bed, bed.branch) for bed in stage.pump.feeds]
    _valve(stage)
    stage.after(6 * 3600.0, lambda: [setattr(bed, "branch", branch) for bed, branch in before])


def _unpowered_unheard(stage: Stage) -> None:
    now_s = stage.garden.now_s
    stage.station.outages.append((now_s - 600.0, now_s + 5400.0))
    stage.pump.running = False


def _nothing(stage: Stage) -> None:
    pass


PUMP = (("pump-stopped", "pump"),)
POWER = ("battery-low", "battery-will-not-last", "battery-not-charging")
TWO_BEDS = {"beds": 2, "pumps": 1}
THERMOMETER = (("sensor-fault", "water/temperature"),)
KINDS: dict[str, Kind] = {
    "pump-unpowered": Kind(_set("pump", "running", False), PUMP),
    "pump-blocked": Kind(_block, PUMP),
    "hose-off": Kind(_hose_off, PUMP),
    "pump-unpowered-unheard": Kind(_unpowered_unheard, PUMP, ("station-silent",)),
    "load-dropped": Kind(
        lambda stage: setattr(stage.garden, "panel_connected", False),
        (("pump-stopped", "any-pump"),),
        POWER,
        lambda stage: not stage.garden.battery.load_on,
        patience_s=5 * 86400.0,
    ),
    "branch-closed": Kind(_set("bed", "branch", 0.0), (("bed-starved", "bed"),), overrides=TWO_BEDS),
    "siphon-not-starting": Kind(
        _set("bed", "primes", False), (("siphon-not-starting", "bed"),), (), lambda stage: stage.bed.state == PRIMING
    ),
    "siphon-not-breaking": Kind(
        _set("bed", "breaks", False), (("siphon-not-breaking", "bed"),), (), lambda stage: stage.bed.state == DRIBBLING
    ),
    "flow-falling": Kind(
        _flow_falls,
        (("flow-falling", "pump"),),
        (),
        lambda stage: stage.pump.lifting < 0.85,
        watch_s=4 * 86400.0,
        patience_s=6 * 86400.0,
    ),
    "sump-leak": Kind(
        _leak,
        (("sump-low", "sump"),),
        ("pump-stopped",),
        lambda stage: not stage.garden.sump.low_wet,
        overrides={"sump_float": True},
    ),
    "water-too-warm": Kind(
        _water(1),
        (("water-too-warm", "sump"),),
        (),
        lambda stage: stage.garden.water_c > stage.plan.label["warmest_c"],
        watch_s=4 * 3600.0,
    ),
    "water-too-cold": Kind(
        _water(-1),
        (("water-too-cold", "sump"),),
        (),
        lambda stage: stage.garden.water_c < stage.plan.label["coldest_c"],
        watch_s=4 * 3600.0,
    ),
    "station-power-lost": Kind(_silence, (("station-silent", "station"),)),
    "wifi-lost": Kind(_wifi(None), (("station-silent", "station"),)),
    "thermometer-missing": Kind(_set("station", "thermometer", "missing"), THERMOMETER),
    "thermometer-85": Kind(_set("station", "thermometer", 85.0), THERMOMETER, ("water-too-warm",)),
    "thermometer-127": Kind(_set("station", "thermometer", -127.0), THERMOMETER, ("water-too-cold",)),
    "thermometer-frozen": Kind(_set("station", "thermometer", "frozen"), THERMOMETER, watch_s=30 * 3600.0),
    "float-stuck-wet": Kind(
        _stick(True), (("sensor-fault", "bed/high"), ("siphon-not-starting", "bed")), overrides=TWO_BEDS
    ),
    "float-stuck-dry": Kind(
        _stick(False), (("sensor-fault", "bed/high"), ("siphon-not-breaking", "bed")), overrides=TWO_BEDS
    ),
    "float-chattering": Kind(_chatter, (("sensor-fault", "bed/high"),)),
    "clouds-drain": Kind(
        _dark,
        (("battery-low", "battery"),),
        (*POWER, "pump-stopped"),
        lambda stage: stage.garden.battery.charge < stage.plan.label["floor"],
        patience_s=4 * 86400.0,
    ),
    "charge-fails": Kind(
        lambda stage: setattr(stage.garden, "panel_connected", False),
        (("battery-not-charging", "battery"),),
        (*POWER, "pump-stopped"),
        lambda stage: stage.garden.sky.sun_sine(stage.garden.now_s) > 0.4,
        watch_s=24 * 3600.0,
    ),
    "charge-voltage-high": Kind(
        _overcharge,
        (("charge-voltage-high", "battery"),),
        (),
        lambda stage: stage.garden.battery.volts > 15.2,
        patience_s=72 * 3600.0,
    ),
    "nothing": Kind(_nothing, watch_s=2 * 86400.0),
    "valve-adjusted": Kind(_valve, overrides=TWO_BEDS, watch_s=30 * 3600.0),
    "medium-added": Kind(lambda stage: _scale(stage.bed, "area_m2", 0.88), watch_s=30 * 3600.0),
    "pump-paused": Kind(_pause, watch_s=30 * 3600.0),
    "pump-serviced": Kind(_service_pump, (), ("pump-stopped",), watch_s=30 * 3600.0),
    "bed-switched-off": Kind(_switch_bed_off, (), ("bed-starved",), overrides=TWO_BEDS, watch_s=30 * 3600.0),
    "valve-turned-back": Kind(_turn_valve_and_back, overrides=TWO_BEDS, watch_s=30 * 3600.0),
    "outage": Kind(_wifi(5 * 3600.0), (), ("station-silent",), watch_s=24 * 3600.0),
    "service-restarted": Kind(_nothing, watch_s=12 * 3600.0),
    "summer-time-ends": Kind(
        _nothing,
        overrides={"place": (47.6, 11.3, "Europe/Berlin"), "start_s": 1_792_800_000.0},  # 2026-10-24, the day before
        watch_s=30 * 3600.0,
    ),
    "mains-charger": Kind(_mains_charger, watch_s=16 * 3600.0),
}
