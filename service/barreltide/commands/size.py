"""`barreltide size`: the water's budget, and battery, panel, run time, fuse, wire and divider for the garden's load.

From the site file; what it lacks, and what is only planned, comes by options. Assumptions stand in the answer.
"""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Iterator
from typing import Any

from .. import Failure
from ..core import lead, sizing, turns
from ..site import Site

# Option: what is assumed where it is not given, the least and the most that would do.
OPTIONS: dict[str, tuple[float | None, float, float]] = {
    "pump-a": (None, 0.01, 1000), "flow-l-per-h": (None, 1, 1e6), "electronics-a": (0.1, 0, 100),
    "hours-a-day": (24, 0.1, 24), "days": (3, 0.1, 60), "battery-c": (5, -30, 50), "margin": (0.1, 0, 2),
    "sun-hours": (4, 0.1, 14), "wire-m": (None, 0.1, 1000), "wire-mm2": (None, 0.1, 400),
}  # fmt: skip
CAUTIONS = (
    "Sizes to begin from, not a design: local codes and licensed practice come before them.",
    "A battery drives thousands of amperes into a short circuit (12.6 V over 5 mΩ are 2.5 kA): fuse every wire as"
    " near to its plus as you can, by a fuse that is rated to break so much, for no more than the wire stands.",
    "Rings off, terminals covered, goggles and gloves, no flame or spark, and air: it gives off hydrogen.",
    "Keep mains and water apart; a mains charger belongs on a residual-current device.",
)

Answer = dict[str, Any]


class SizeError(Failure):
    """Something that is needed is not told, or cannot be; the text is one line."""


def run(site: Site, options: Namespace) -> int:
    """The command. Raises SizeError with one line."""
    given = {name: _given(name, vars(options)[name.replace("-", "_")]) for name in OPTIONS}
    answer = sized(site, given, options.adc)
    for line in [json.dumps(answer, ensure_ascii=False)] if options.json else in_words(answer):
        print(line)
    return 0


def _given(name: str, value: float | None) -> float | None:
    usual, least, most = OPTIONS[name]
    if value is not None and not least <= value <= most:
        raise SizeError(f"--{name}: found {value:g}; {least:g} to {most:g} would do")
    return usual if value is None else value


def sized(site: Site, given: dict[str, float | None], converter: str) -> Answer:
    """Everything as plain values, units in the names."""
    battery = site.battery
    pumps_a = [pump.current_a for pump in site.pumps]
    if given["pump-a"] is None and None in pumps_a:
        name = site.pumps[pumps_a.index(None)].name
        raise SizeError(f"current_a of the pump '{name}' is not in the site file; there, or by --pump-a, it would do")
    pump_a = given["pump-a"] or sum(pumps_a)
    load_a = pump_a * given["hours-a-day"] / 24 + given["electronics-a"]
    day_ah = 24 * load_a
    deepest = 1 - battery.lowest_state_of_charge
    have_ah = battery.capacity_ah * battery.in_parallel
    need_ah = sizing.battery_ah(day_ah, given["days"], deepest, given["battery-c"], given["margin"])
    running_a = pump_a + given["electronics-a"]
    empty_h = lead.run_time_h(have_ah, running_a, lead.PEUKERT[battery.chemistry])
    cold_worn = sizing.WORN / sizing.cold_factor(given["battery-c"])
    panel_w = sizing.panel_w(day_ah, given["sun-hours"], battery.nominal_voltage_v)
    return {
        "assumed": {name: value for name, value in given.items() if value is not None},
        "water": _water(site, given["flow-l-per-h"]),
        "load": {"pump_a": round(pump_a, 3), "mean_a": round(load_a, 3), "day_ah": round(day_ah, 2),
                 "day_wh": round(day_ah * battery.nominal_voltage_v, 1)},
        "battery": {
            "unadjusted_ah": round(day_ah * given["days"], 1), "deepest": deepest, "need_ah": round(need_ah, 1),
            "cold_factor": round(sizing.cold_factor(given["battery-c"]), 3), "have_ah": have_ah,
            "have_days": round(given["days"] * have_ah / need_ah, 2), "rate_h": round(need_ah / running_a, 1),
            "in_series": max(round(battery.nominal_voltage_v / 12), 1),
        },
        "run_time": {
            "exponent": lead.PEUKERT[battery.chemistry], "to_empty_h": round(empty_h, 2),
            "to_floor_h": round(deepest * empty_h, 2),
            "to_floor_cold_and_worn_h": round(deepest * empty_h * cold_worn, 2),
        },
        "panel": {"need_w": round(panel_w), "have_w": site.panel.power_w},
        "wire": _wire(pump_a, battery.nominal_voltage_v, given["wire-m"], given["wire-mm2"]),
        "divider": {"converter": converter}
        | {name: round(value, 6) for name, value in
           sizing.divider(converter, battery.chemistry, battery.nominal_voltage_v)._asdict().items()},
        "cautions": CAUTIONS,
    }  # fmt: skip


def _water(site: Site, flow_l_per_h: float | None) -> Answer:
    floods = {bed.name: turns.flood_l(bed) for bed in site.beds}
    flows = [pump.flow_l_per_h for pump in site.pumps]
    flow_l_per_h = flow_l_per_h or (None if None in flows else sum(flows))
    sump_l = site.sump.volume_l if site.sump else None
    known = sump_l is not None and None not in floods.values()
    mass_kg = site.sump.fish_mass_kg if site.sump and site.sump.fish.strip().lower() != "none" else 0.0
    left = turns.water(sump_l, [*floods.values()], site.sump.area_m2, mass_kg) if known else None
    return {
        "flood_l": {name: flood and round(flood, 1) for name, flood in floods.items()}, "sump_l": sump_l,
        "left_l": left and round(left.left_l, 1), "enough": left and left.enough, "flow_l_per_h": flow_l_per_h,
        "turnover_per_h": round(flow_l_per_h / sump_l, 2) if flow_l_per_h and sump_l else None,
    }  # fmt: skip


def _wire(current_a: float, volts: float, one_way_m: float | None, mm2: float | None) -> Answer:
    fuse_a = sizing.fuse_a(current_a)
    table = [
        {"mm2": wire.mm2, "most_a": wire.most_a, "longest_m": round(sizing.longest_m(current_a, wire, volts), 1)}
        for wire in sizing.WIRES if fuse_a is not None and wire.most_a >= fuse_a
    ]  # fmt: skip
    drop_v = None
    if one_way_m is not None and mm2 is not None:
        known = next((wire.ohm_per_m for wire in sizing.WIRES if wire.mm2 == mm2), None)
        # A size that is not in the table: copper's resistance and its stranding.
        drop_v = sizing.drop_v(current_a, one_way_m, known if known is not None else 0.0182 / mm2)
    return {"current_a": round(current_a, 3), "fuse_a": fuse_a, "sizes": table, "one_way_m": one_way_m, "mm2": mm2,
            "drop_v": drop_v and round(drop_v, 3), "drop": drop_v and round(drop_v / volts, 4)}  # fmt: skip


def in_words(answer: Answer) -> Iterator[str]:
    """The same for a person, line by line."""
    yield from _of_water(answer["water"])
    load, battery, assumed = answer["load"], answer["battery"], answer["assumed"]
    yield ""
    yield (
        f"Load: {load['pump_a']:g} A of pumps for {assumed['hours-a-day']:g} h a day and {assumed['electronics-a']:g} A"
        f" of electronics: {load['day_ah']:.0f} Ah or {load['day_wh']:.0f} Wh a day."
    )
    yield (
        f"Battery for {assumed['days']:g} days without sun: {battery['unadjusted_ah']:.0f} Ah, of which"
        f" {100 * battery['deepest']:.0f} % may be taken, × {battery['cold_factor']:.2f} at {assumed['battery-c']:g}"
        f" °C, × {1 + assumed['margin']:.2f} for margin: {battery['need_ah']:.0f} Ah."
    )
    yield f"You have {battery['have_ah']:.0f} Ah: by the same reckoning {battery['have_days']:.1f} days."
    yield (
        "(The steps of IEEE 1013. It names 5 to 7 days, and 7 to 14 for what must not fail; from memory. A day or two"
        " is common practice in gardens: then an alarm and an air pump of its own belong to it.)"
    )
    if battery["rate_h"] < lead.RATED_H:
        yield f"It is emptied in {battery['rate_h']:.0f} h: take its capacity at that rate, not the 20-hour one."
    if battery["in_series"] > 1:
        yield f"{battery['in_series']} batteries of 12 V in series, alike in make and age."
    yield from _of_run_time(answer)
    panel = answer["panel"]
    words = f"Panel: {panel['need_w']} W on the label, at {assumed['sun-hours']:g} h of full sun a day"
    words += f"; yours has {panel['have_w']:.0f} W." if panel["have_w"] else "."
    yield f"{words} (85 % of the charge comes back, 77 % of the label comes in: assumptions.)"
    yield ""
    yield from _of_wire(answer["wire"])
    yield ""
    yield from _of_divider(answer["divider"])
    yield ""
    yield from answer["cautions"]


def _of_water(water: Answer) -> Iterator[str]:
    told = [f"{name} {flood:.0f} L" if flood else f"{name} unknown" for name, flood in water["flood_l"].items()]
    yield f"One flood, area × (standpipe - drain) × void share: {', '.join(told)}."
    if None in water["flood_l"].values():
        yield "What is unknown lacks area_m2, standpipe_height_m or drain_height_m in the site file."
    if water["sump_l"] is None:
        yield "The sump is unknown: volume_l of [sump] would do."
    elif water["left_l"] is not None:
        share = 100 * water["left_l"] / water["sump_l"]
        word = "enough" if water["enough"] else "too little; see `barreltide turns`"
        yield f"Sump {water['sump_l']:.0f} L: with every bed full {water['left_l']:.0f} L stay ({share:.0f} %), {word}."
    if water["turnover_per_h"] is not None:
        yield (
            f"Turnover: {water['flow_l_per_h']:.0f} L/h are {water['turnover_per_h']:.1f} sumps an hour; 1 to 2 are"
            " usual with media beds (FAO 589, from memory)."
        )
    elif water["flow_l_per_h"] is None:
        yield "Turnover: the flow is unknown; --flow-l-per-h, by bucket and stopwatch, would do."


def _of_run_time(answer: Answer) -> Iterator[str]:
    found = answer["run_time"]
    yield (
        f"On one charge, pumps running: {found['to_floor_h']:.0f} h to your floor, {found['to_empty_h']:.0f} h to empty"
        f" (Peukert's law, exponent {found['exponent']:g}, never over 110 % of the label; new and at 25 °C);"
        f" cold and worn to 80 % {found['to_floor_cold_and_worn_h']:.0f} h to the floor."
    )


def _of_wire(wire: Answer) -> Iterator[str]:
    if wire["fuse_a"] is None:
        yield f"Fuse: {wire['current_a']:g} A × 1.25 is beyond blade fuses; ask a licensed electrician."
        return
    yield (
        f"Fuse: {wire['current_a']:g} A × 1.25 for what flows for hours: {wire['fuse_a']:g} A. A pump's start may take"
        " more: its sheet tells."
    )
    yield "Wire that stands that fuse, and how far away the pump may be for 3 % of the voltage, out and back:"
    yield f"  {'mm²':>5}  {'A':>4}  {'m, one way':>10}"
    for size in wire["sizes"]:
        yield f"  {size['mm2']:>5g}  {size['most_a']:>4g}  {size['longest_m']:>10.1f}"
    yield "(Copper, IEC 60228; currents after IEC 60364-5-52, PVC cable in conduit at 40 °C.)"
    if wire["drop_v"] is not None:
        word = "within 3 %" if wire["drop"] <= sizing.MOST_DROP else "more than 3 %: thicker or shorter would do"
        yield (
            f"{wire['one_way_m']:g} m of {wire['mm2']:g} mm² lose {wire['drop_v']:.2f} V, {100 * wire['drop']:.1f} %:"
            f" {word}."
        )


def _of_divider(found: Answer) -> Iterator[str]:
    yield (
        f"Divider for the {found['converter']}: {found['upper_ohm'] / 1000:g} kΩ over {found['lower_ohm'] / 1000:g} kΩ"
        f' with 100 nF across the lower: {found["most_v"]:.1f} V become {found["pin_v"]:.2f} V; "scale":'
        f" {found['scale']:.3f}. It drains {1e6 * found['drain_a']:.0f} µA."
    )
    yield (
        f"Two 1 % resistors may be {1000 * found['error_v']:.0f} mV off: calibrate against a multimeter. Fuse the wire"
        " that leads to it, too."
    )
