"""`barreltide oxygen`: what the water can hold, for how long the fish can do without the pump, ammonia, temperature.

With a site file, without one, or both: an option comes before the file. The water's temperature is the running
service's where nobody gives another.
"""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Iterator
from typing import Any

from .. import Failure
from ..core import limits, oxygen, turns
from ..site import Site
from .client import Client, ClientError

RANGES = {
    "temperature_c": (oxygen.COLDEST_C, oxygen.WARMEST_C), "altitude_m": (-450, 5500), "volume_l": (0.1, 1e6),
    "fish_kg": (0, 10_000), "measured_mg_per_l": (0, 30), "ph": (limits.LEAST_PH, limits.MOST_PH),
    "ammonia_mg_per_l": (0, 1000),
}  # fmt: skip

Answer = dict[str, Any]


class OxygenError(Failure):
    """What was given will not do, or something is missing; the text is one line."""


def run(site: Site | None, options: Namespace) -> int:
    """The command. Raises OxygenError with one line."""
    given = {name: getattr(options, name) for name in (*RANGES, "fish")}
    for name, (least, most) in RANGES.items():
        if given[name] is not None and not least <= given[name] <= most:
            option = f"--{name.replace('_', '-')}"
            raise OxygenError(f"{option}: found {given[name]:g}; {least:g} to {most:g} would do")
    if given["ammonia_mg_per_l"] is not None and given["ph"] is None:
        raise OxygenError("--ammonia-mg-per-l: how much of it harms depends on the pH; --ph with it would do")
    if given["temperature_c"] is None:
        given["temperature_c"] = _heard(site)
    answer = told(site, given)
    for line in [json.dumps(answer, ensure_ascii=False)] if options.json else in_words(answer):
        print(line)
    return 0


def _heard(site: Site | None) -> float:
    """The water's temperature as the service that runs has it."""
    why = "there is no site file whose service could tell it"
    try:
        if site is not None:
            water = Client.of_site(site).get("api/now").get("water")
            if water:
                return min(max(water["temperature_c"], oxygen.COLDEST_C), oxygen.WARMEST_C)
            why = "the service has heard none"
    except ClientError as error:
        why = str(error)
    raise OxygenError(f"the water's temperature is not known: {why}; --temperature-c, like 21, would do")


def told(site: Site | None, given: Answer) -> Answer:
    """Everything as plain values, units in the names."""
    sump = site.sump if site else None

    def first(name: str, of_site: Any) -> Any:
        return given[name] if given[name] is not None else of_site

    celsius = given["temperature_c"]
    altitude_m = first("altitude_m", site.altitude_m if site else 0.0)
    fish, mass_kg = first("fish", sump.fish if sump else None), first("fish_kg", sump.fish_mass_kg if sump else None)
    volume_l = first("volume_l", sump.volume_l if sump else None)
    floods = [turns.flood_l(bed) for bed in site.beds] if site and given["volume_l"] is None else [None]
    left_l = None if volume_l is None or None in floods else max(volume_l - sum(floods), 0.0)

    def lasts(litres: float | None) -> Answer | None:
        if None in (litres, fish, mass_kg):
            return None
        span = oxygen.hours(litres, fish, mass_kg, celsius, altitude_m, given["measured_mg_per_l"])
        return span and {"litres": round(litres, 1), "low_h": round(span.low_h, 2), "high_h": round(span.high_h, 2),
                         "words": oxygen.in_words(span)}  # fmt: skip

    kind = oxygen.fish_of(fish or "")
    return {
        "temperature_c": celsius, "altitude_m": altitude_m, "fish": fish, "fish_kg": mass_kg,
        "measured_mg_per_l": given["measured_mg_per_l"],
        "saturation_mg_per_l": round(oxygen.saturation(celsius, altitude_m), 2),
        "critical_mg_per_l": kind.critical,
        "at_rest_mg_per_kg_h": round(oxygen.routine_demand(oxygen.EACH_G.usual, celsius)
                                     * (kind.demand[0] * kind.demand[1]) ** 0.5, 1),
        "lasts": lasts(volume_l), "lasts_with_beds_full": lasts(left_l), "ammonia": _ammonia(given, celsius),
        "bands": [band._asdict() | {"is": _place(band, celsius)} for band in limits.bands(fish)],
    }  # fmt: skip


def _ammonia(given: Answer, celsius: float) -> Answer | None:
    if given["ph"] is None:
        return None
    share, total = limits.un_ionised_share(given["ph"], celsius), given["ammonia_mg_per_l"]
    return {"ph": given["ph"], "un_ionised_share": round(share, 5), "total_mg_per_l": total,
            "un_ionised_mg_per_l": None if total is None else round(share * total, 4),
            "harms_from_total_mg_per_l": round(limits.HARMS_MG_PER_L / share, 2)}  # fmt: skip


def _place(band: limits.Band, celsius: float) -> str:
    return "too cold" if celsius < band.low_c else "too warm" if celsius > band.high_c else "within"


def in_words(answer: Answer) -> Iterator[str]:
    """The same for a person, line by line."""
    yield (
        f"At {answer['temperature_c']:.1f} °C and {answer['altitude_m']:.0f} m above the sea fresh water holds"
        f" {answer['saturation_mg_per_l']:.2f} mg/L of oxygen (APHA 4500-O, after Benson and Krause 1984)."
    )
    yield from _of_measured(answer)
    yield from _of_fish(answer)
    yield from _of_ammonia(answer["ammonia"])
    yield "Who thrives between which temperatures:"
    for band in answer["bands"]:
        yield (f"  {band['who']:<20}{band['low_c']:>5g} to {band['high_c']:<5g}°C  {band['is']:<9} ({band['source']})")


def _of_measured(answer: Answer) -> Iterator[str]:
    measured = answer["measured_mg_per_l"]
    if measured is None:
        return
    low, high = answer["critical_mg_per_l"]
    words = f"Measured: {measured:g} mg/L, {100 * measured / answer['saturation_mg_per_l']:.0f} % of that."
    if measured < high:
        words += " That is too little: move water or air now."
    elif measured < 5:
        words += " Below 5 mg/L (FAO 589) it is time to find out why."
    yield words


def _of_fish(answer: Answer) -> Iterator[str]:
    fish, lasts, beds_full = answer["fish"], answer["lasts"], answer["lasts_with_beds_full"]
    if fish is not None and fish.strip().lower() == "none":
        yield "There are no fish."
        return
    if lasts is None and beds_full is None:
        yield "For how long the fish can do without the pump: --volume-l, --fish and --fish-kg, or [sump], would tell."
        return
    low, high = answer["critical_mg_per_l"]
    yield (
        f"{fish.capitalize()} of {oxygen.EACH_G.usual:.0f} g take about {answer['at_rest_mg_per_kg_h']:.0f} mg an hour"
        f" and kilogram at rest (after Yamanaka et al. 2013), once or twice as much when fed."
    )
    if lasts is not None:
        yield (
            f"With the pump off {answer['fish_kg']:g} kg of them have {lasts['words']} in {lasts['litres']:.0f} L until"
            f" it falls to where they suffer, {low:g} to {high:g} mg/L: an estimate; look early, and have an air pump."
        )
    if beds_full is not None:
        yield f"If the beds stand full then, {beds_full['litres']:.0f} L are left below: {beds_full['words']}."


def _of_ammonia(ammonia: Answer | None) -> Iterator[str]:
    if ammonia is None:
        return
    yield (
        f"Of total ammonia {100 * ammonia['un_ionised_share']:.2g} % is un-ionised at pH {ammonia['ph']:g} (Emerson et"
        f" al. 1975): from {ammonia['harms_from_total_mg_per_l']:.2g} mg/L of it on fish suffer"
        f" ({limits.HARMS_MG_PER_L:g} mg/L un-ionised: IFAS FA16)."
    )
    found, total = ammonia["un_ionised_mg_per_l"], ammonia["total_mg_per_l"]
    if found is None:
        return
    words = f"Yours: {total:g} mg/L, of which {found:.3f} mg/L un-ionised"
    if found >= limits.HARMS_MG_PER_L:
        yield (
            f"{words}: too much. Stop feeding, change a part of the water for some as warm that is free of chlorine,"
            f" and test again. Towards {limits.KILLS_MG_PER_L:g} mg/L fish die."
        )
    elif total > limits.MOST_TOTAL_MG_PER_L:
        yield f"{words}: it does no harm at this pH, but is over 1 mg/L (FAO 589): feed less until the bacteria follow."
    else:
        yield f"{words}: good."
