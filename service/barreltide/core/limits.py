"""What fish, plants and bacteria stand: temperature, and ammonia.

Theory. Of the ammonia that a test tells (total: NH3 and NH4+, as nitrogen) only the un-ionised part, NH3, harms fish.
Its share grows with pH and warmth: 1 / (1 + 10^(pKa - pH)), pKa = 0.09018 + 2729.92 / T with T in kelvin (Emerson,
Russo, Lund and Thurston 1975, J. Fish. Res. Board Can. 32:2379; fresh water).

It cannot know what these fish are used to, nor for how long: bands are where they thrive, not where they die.
"""

from __future__ import annotations

from typing import NamedTuple

HARMS_MG_PER_L = 0.05  # of NH3, as nitrogen: from here on gills suffer …
KILLS_MG_PER_L = 2.0  # … and towards this fish die (University of Florida, IFAS FA16)
MOST_TOTAL_MG_PER_L = 1.0  # of total ammonia, as nitrogen (FAO 589, section 7.3.1)
LEAST_PH, MOST_PH = 4.0, 11.0


class Band(NamedTuple):
    """Degrees Celsius within which somebody thrives."""

    who: str
    low_c: float
    high_c: float
    source: str


FAO = "FAO 589, table 3.1"
PLANTS = Band("plants", 16.0, 30.0, FAO)
BACTERIA = Band("nitrifying bacteria", 14.0, 34.0, FAO)
TOGETHER = Band("all together", 18.0, 30.0, "FAO 589, table 3.2")
WARM_WATER = Band("warm-water fish", 22.0, 32.0, FAO)
COLD_WATER = Band("cold-water fish", 10.0, 18.0, FAO)
# Nine tenths of what goldfish can do, used to 12 °C; those used to 28 °C have it from 26.9 to 30.5 °C.
GOLDFISH = Band("goldfish", 11.5, 30.3, "Ferreira, Anttila and Farrell 2014")
FISH = {
    "goldfish": (GOLDFISH,),
    "carp": (Band("carp", 4.0, 34.0, "lives: FAO 589, table 7.1, from memory"),),
    "tilapia": (Band("tilapia", 20.0, 35.0, "El-Sayed, Tilapia Culture; they die at 10 to 11 °C: SRAC 283"),),
    "trout": (COLD_WATER,),
}
FISH["koi"] = FISH["carp"]


def bands(fish: str | None) -> list[Band]:
    """Those of these fish, in their owner's words, of plants, of bacteria, and of all together. fish: None where nobody
    says which; "none" where there are none."""
    words = (fish or "").strip().lower()
    unknown = () if words == "none" else (WARM_WATER, COLD_WATER)
    return [*next((found for kind, found in FISH.items() if kind in words), unknown), PLANTS, BACTERIA, TOGETHER]


def un_ionised_share(ph: float, celsius: float) -> float:
    """The share of total ammonia that is NH3, 0 to 1, in fresh water."""
    return 1 / (1 + 10 ** (0.09018 + 2729.92 / (celsius + 273.15) - ph))
