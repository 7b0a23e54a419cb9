"""How long the fish have once no water moves: the oxygen in the sump, and how fast it goes.

Theory. Water holds less oxygen the warmer it is and the higher the garden lies; fish need more the warmer they are, and
per kilogram the smaller they are. With the pump off, what is dissolved above the critical level is all they have, but
for what comes in through the surface: towards the level at which both are equal, the oxygen falls as an exponential.

How full of oxygen the water was, whether the fish were fed, their size, the level at which they suffer and the surface
are not known. Each has a usual value and a bound to either side; the hours are worked out with each at its bounds, and
the differences added as independent ones are, as the root of their squares.

It cannot know what bacteria and rotting feed take, fish that are ill, nor water that is not mixed: an estimate, to act
on early. A sump with an air pump of its own keeps its fish for longer.

Sources: saturation: APHA Standard Methods 4500-O, after Benson & Krause 1984. Pressure: the standard atmosphere.
Demand of goldfish: Yamanaka et al. 2013, J. Appl. Ichthyol. 29:891 (small fish, 15-30 °C, carried on to 150 g). Tilapia
at 26-30 °C need 1.5 to 2.1 times that (an equation of a recirculation model). Trout, carp, fed fish (1.5 to 2.5 times
as at rest), surface exchange 0.005-0.05 m/h: from memory. Levels: FAO 589 §3.3, §7.3; judgement between these and the
critical pressure of goldfish (1.3 mg/L at 20 °C, Regan et al. 2017).
"""

from __future__ import annotations

from math import exp, hypot, inf, log
from typing import NamedTuple

LONGEST_H = 96.0  # what lasts longer is "for days": no estimate reaches further
COLDEST_C, WARMEST_C = 0.0, 40.0  # where the saturation's formula holds


class Fish(NamedTuple):
    """demand: times what goldfish take at rest, from least to most; critical: mg/L at which they suffer, likewise."""

    demand: tuple[float, float]
    critical: tuple[float, float]


KINDS = {
    "goldfish": Fish((1.0, 1.0), (2.0, 3.0)),
    "carp": Fish((1.0, 1.2), (2.0, 3.0)),
    "koi": Fish((1.0, 1.2), (2.0, 3.0)),
    "tilapia": Fish((1.4, 2.1), (2.0, 3.0)),
    "trout": Fish((2.0, 3.5), (4.0, 5.0)),
}
OTHER = Fish((1.0, 2.1), (3.0, 4.0))  # a fish unknown here is taken for a needy one


class Unknown(NamedTuple):
    """What nobody measured: its least, usual and most."""

    least: float
    usual: float
    most: float


FILLED = Unknown(0.70, 0.85, 1.00)  # share of saturation when the pump stops
FED = Unknown(1.0, 1.4, 2.0)  # times as at rest
EACH_G = Unknown(20.0, 50.0, 150.0)  # mass of one fish
EXCHANGE_PER_H = Unknown(0.0, 0.02, 0.06)  # kL·A/V: 0, 0.01 and 0.025 m/h through the surface of water 0.5 m deep


class Span(NamedTuple):
    """Hours, about nine times in ten; LONGEST_H stands for that and any more."""

    low_h: float
    high_h: float


def pressure_atm(altitude_m: float) -> float:
    """The usual pressure of the air, in atmospheres."""
    return (1 - 2.25577e-5 * altitude_m) ** 5.25588


def saturation(celsius: float, altitude_m: float = 0.0) -> float:
    """Oxygen in fresh water under open air, mg/L."""
    celsius = min(max(celsius, COLDEST_C), WARMEST_C)
    kelvin = celsius + 273.15
    at_sea = exp(
        -139.34411 + 1.575701e5 / kelvin - 6.642308e7 / kelvin**2 + 1.243800e10 / kelvin**3 - 8.621949e11 / kelvin**4
    )
    air, vapour = pressure_atm(altitude_m), exp(11.8571 - 3840.70 / kelvin - 216961 / kelvin**2)
    theta = 0.000975 - 1.426e-5 * celsius + 6.436e-8 * celsius**2  # of degrees Celsius, not of kelvin
    return at_sea * air * (1 - vapour / air) * (1 - theta * air) / ((1 - vapour) * (1 - theta))


def routine_demand(each_g: float, celsius: float) -> float:
    """What goldfish of this mass take at rest, in mg of oxygen an hour and kilogram of fish."""
    return 1e6 * 0.0674e-3 * each_g**-0.193 * exp(0.0562 * celsius)


def hours_until(level: float, start: float, saturated: float, demand: float, exchange_per_h: float = 0.0) -> float:
    """Hours until the oxygen has fallen from `start` to `level` (mg/L); infinite where the surface keeps it above.

    demand: mg an hour and litre of water; exchange_per_h: share of the missing oxygen that the surface gives an hour.
    """
    if start <= level:
        return 0.0
    if exchange_per_h <= 0:
        return (start - level) / demand if demand > 0 else inf
    settles = saturated - demand / exchange_per_h
    return inf if settles >= level else log((start - settles) / (level - settles)) / exchange_per_h


def fish_of(name: str) -> Fish:
    """What is known of the fish of this name, which is the owner's own word for it."""
    words = name.lower()
    return next((fish for kind, fish in KINDS.items() if kind in words), OTHER)


def hours(
    volume_l: float, fish: str, fish_mass_kg: float, celsius: float, altitude_m: float = 0.0,
    measured_mg_per_l: float | None = None,
) -> Span | None:  # fmt: skip
    """For how long all of these fish can live off the oxygen of this much water; None without fish or water.

    measured_mg_per_l: what a meter says of the water when the pump stops, taken to be 5 % off at most.
    """
    if fish.strip().lower() in ("none", "") or fish_mass_kg <= 0 or volume_l <= 0:
        return None
    kind, celsius = fish_of(fish), min(max(celsius, COLDEST_C), WARMEST_C)
    saturated = saturation(celsius, altitude_m)
    start = FILLED
    if measured_mg_per_l is not None:
        start = Unknown(*(off * measured_mg_per_l / saturated for off in (0.95, 1.0, 1.05)))

    def lasts(
        filled: float = start.usual, fed: float = FED.usual, each_g: float = EACH_G.usual,
        exchange_per_h: float = EXCHANGE_PER_H.usual, need: float = (kind.demand[0] * kind.demand[1]) ** 0.5,
        level: float = sum(kind.critical) / 2,
    ) -> float:  # fmt: skip
        demand = routine_demand(each_g, celsius) * fed * need * fish_mass_kg / volume_l
        return min(max(hours_until(level, filled * saturated, saturated, demand, exchange_per_h), 0.01), LONGEST_H)

    usual_h = lasts()
    shorter = (
        lasts(filled=start.least), lasts(fed=FED.most), lasts(each_g=EACH_G.least), lasts(need=kind.demand[1]),
        lasts(exchange_per_h=EXCHANGE_PER_H.least), lasts(level=kind.critical[1]),
    )  # fmt: skip
    longer = (
        lasts(filled=start.most), lasts(fed=FED.least), lasts(each_g=EACH_G.most), lasts(need=kind.demand[0]),
        lasts(exchange_per_h=EXCHANGE_PER_H.most), lasts(level=kind.critical[0]),
    )  # fmt: skip
    low_h = usual_h * exp(-hypot(*(log(usual_h / each_h) for each_h in shorter)))
    high_h = usual_h * exp(hypot(*(log(each_h / usual_h) for each_h in longer)))
    return Span(low_h, min(high_h, LONGEST_H))


def in_words(span: Span) -> str:
    """How long, for a sentence: "about 3 to 7 hours", "at least 13 hours", "for a day or more". The low end is rounded
    down: who acts on it shall not be late."""
    if span.low_h >= 24:
        return "for a day or more"
    if span.high_h >= 48:
        return f"at least {_hours(span.low_h)}"
    if span.high_h < 2:
        low, high = max(5 * int(12 * span.low_h), 5), max(5 * round(12 * span.high_h), 5)
        return f"about {low} to {high} minutes" if low < high else f"about {low} minutes"
    low = f"{int(span.low_h)}" if span.low_h >= 1 else "half an hour" if span.low_h >= 0.5 else "a quarter of an hour"
    return f"about {low} to {span.high_h:.0f} hours"


def _hours(hours_: float) -> str:
    return f"{int(hours_)} hours" if hours_ >= 2 else "an hour" if hours_ >= 1 else "half an hour"
