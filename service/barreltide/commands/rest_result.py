"""What a rest of the pump has shown: resistance, where the voltage would come to rest, and the charge that this means.

A rest of an hour is no rest by the standards' word: they ask for six hours without charge or load, better a day. What
is told of a shorter one is an estimate, says so, and comes with an interval that is as wide as the tables disagree.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from ..core.lead import REST_S, TABLES, rested_estimate, state_of_charge
from ..core.voltage import Step
from ..site import Site

REFERENCE_V = 12.6  # at which the site file's current_a is told
Z90 = 1.645  # standard errors to either side, for nine times in ten
UNKNOWN_V = 0.03  # what a calibrated divider may be off, and a battery that is not as warm as the tables take it to be
MOST_MEANS = 500


@dataclass
class Seen:
    """What was seen. volts: (time, V) from before the rest on; off, on: the steps when the load went and came back;
    until_s: when the grower was told to switch on; load_a: what the pumps' sensors said before, None without."""

    volts: list[tuple[float, float]] = field(default_factory=list)
    off: Step | None = None
    on: Step | None = None
    until_s: float = 0.0
    load_a: float | None = None
    is_dark: bool = True


def result(site: Site, seen: Seen) -> list[str]:
    """The result as lines of text."""
    if seen.off is None:
        return ["The voltage has shown no step: the pump was not off, or the panel hid it. Nothing can be told."]
    return ["", "RESULT", *_resistance(site, seen), *_rest(site, seen)]


def _load_a(site: Site, seen: Seen, volts: float) -> float | None:
    """What all pumps draw at this voltage; None if nobody measured."""
    if seen.load_a is not None:
        return seen.load_a
    currents = [pump.current_a for pump in site.pumps]
    scale = 12.0 / site.battery.nominal_voltage_v
    return None if None in currents else sum(currents) * volts * scale / REFERENCE_V


def _resistance(site: Site, seen: Seen) -> list[str]:
    steps = [("when the load went", seen.off)] + ([("when it came back", seen.on)] if seen.on else [])
    load_a = _load_a(site, seen, seen.off.base_v)
    told = ", ".join(f"{1000 * abs(step.volts):.0f} mV {when}" for when, step in steps)
    if not load_a:
        return [
            f"The voltage stepped by {told}. With current_a of the pump in the site file that would be a resistance."
        ]
    milliohms = [1000 * abs(step.volts) / load_a for _, step in steps]
    mean = sum(milliohms) / len(milliohms)
    lines = [f"Battery and leads have a resistance of about {mean:.0f} mΩ: {told}, at {load_a:.1f} A."]
    if max(milliohms) > 1.5 * min(milliohms):
        lines.append("The two steps disagree: something else switched too, or the sun did. Do it again some night.")
    return lines


def _rest(site: Site, seen: Seen) -> list[str]:
    off_s = seen.off.time_s
    end_s = min(seen.on.time_s if seen.on else seen.until_s, seen.until_s) or seen.volts[-1][0]
    rest = [(time_s - off_s, volts) for time_s, volts in seen.volts if off_s < time_s <= end_s]
    newest = [volts for at_s, volts in rest if at_s > rest[-1][0] - 60] if rest else []
    if not newest:
        return ["Too little voltage was heard in the rest to say more."]
    minutes, volts = (end_s - off_s) / 60, sum(newest) / len(newest)
    lines = [f"After {_lasted(minutes)} without load the voltage stands at {volts:.2f} V."]
    if not seen.is_dark:
        return [*lines, "By day the panel may have had a hand in it: nothing is told of the charge."]
    scale = 12.0 / site.battery.nominal_voltage_v
    if minutes * 60 >= REST_S:
        lines.append("That is a rested voltage.")
        return [*lines, _charge(site, volts * scale, UNKNOWN_V)]
    times_s, means = _means(rest)
    estimate = rested_estimate(times_s, [mean * scale for mean in means])
    counts = f"A battery counts as rested after six hours without charge or load; this was {_lasted(minutes)}"
    if estimate is None:
        lines.append("Where it would come to rest cannot be told yet.")
        lines.append(f"{counts}.")
    else:
        rested_v, sigma_v = estimate
        give_v = Z90 * sigma_v / scale
        lines.append(f"It would come to rest at about {rested_v / scale:.2f} V, give or take {give_v:.2f} V.")
        lines.append(_charge(site, rested_v, Z90 * sigma_v + UNKNOWN_V))
        lines.append(f"{counts}: an estimate, no rested voltage.")
    lines.append("The service has heard the same voltages, and learns from them by itself.")
    return lines


def _means(rest: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    """The voltage in means of equal numbers of readings, at most MOST_MEANS of them, with their times."""
    size = max(1, -(-len(rest) // MOST_MEANS))
    parts = [rest[start : start + size] for start in range(0, len(rest), size)]
    return [part[-1][0] for part in parts], [sum(volts for _, volts in part) / len(part) for part in parts]


def _charge(site: Site, volts: float, give_v: float) -> str:
    """volts: of a 12 V battery at rest."""
    own = site.battery.rested_voltage_v
    scale = 12.0 / site.battery.nominal_voltage_v
    tables = [tuple((s, v * scale) for s, v in own)] if own else TABLES[site.battery.chemistry]
    low = min(state_of_charge(table, volts - give_v) for table in tables)
    high = max(state_of_charge(table, volts + give_v) for table in tables)
    whose = "By this battery's own table" if own else "By the published tables, which disagree,"
    return f"{whose} that is a charge between {100 * low:.0f} and {100 * high:.0f} %."


def _lasted(minutes: float) -> str:
    return f"{minutes:.0f} minutes" if minutes < 120 else f"{minutes / 60:.1f} hours"
