"""`barreltide turns`: how the beds' floods fall together, as JSON and in sentences, for the command line and the pages.

Taken from the cycles in the store, whether or not the service runs; where it does not, as of the newest cycle.
"""

from __future__ import annotations

import json
from argparse import Namespace
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from ..core import turns
from ..core.event import CycleCounted
from ..core.turns import HORIZON_S, LEAST_PERIODS, USUAL_LAST, Meeting, Pair, Rhythm
from ..site import Site
from ..store import Store
from ..web.pages.words import Taste, listed
from .client import Client, ClientError

MOST_CYCLES = 500  # of a bed that are read: with the longest --last, two days of a fast one
MOST_LAST = 200
LEAST_TURNED = 0.01  # of a branch's flow: nobody turns a valve so finely
MOST_PAIRS = 6  # told in sentences: those that meet soonest
BUNCHED = (
    "Equal periods make it no rarer that beds are full together, they only keep them as they are for longer, well apart"
    " or not; and they still drift: leaves, fouling and the battery's voltage move them. They hold only where something"
    " couples the beds: one fed by the other's outflow, or a common timer."
)

Answer = dict[str, Any]


def run(site: Site, options: Namespace) -> int:
    """The command: as the running service tells it, or by the store. Raises ClientError or StoreError."""
    last = USUAL_LAST if options.last is None else options.last
    if not LEAST_PERIODS <= last <= MOST_LAST:
        raise ClientError(f"--last: found {last}; {LEAST_PERIODS} to {MOST_LAST} cycles would do")
    try:
        answer = Client.of_site(site).get("api/turns", last=last)
    except ClientError:
        answer = found(site, Store.existing(site.store_path), None, last)
    for line in [json.dumps(answer, ensure_ascii=False)] if options.json else answer["words"]:
        print(line)
    return 0


def found(site: Site, store: Store, now_s: float | None, last: int = USUAL_LAST, taste: Taste | None = None) -> Answer:
    """All that can be told, as plain values; `words`: the same in sentences. now_s: None for the newest cycle's; taste:
    of whoever reads the sentences."""
    cycles = {
        bed.name: [
            CycleCounted(*(row.get(name) for name in CycleCounted._fields))
            for row in store.events("cycle", bed.name, limit=MOST_CYCLES)[::-1]
        ]
        for bed in site.beds
    }
    known = turns.rhythms(cycles, last)
    at_s = now_s if now_s is not None else max((rhythm.fall_s for rhythm in known.values()), default=0.0)
    beds = turns.moving(known, at_s)
    twos = turns.pairs(beds, at_s)
    together = turns.meeting(beds, at_s) if len(beds) > 2 else twos[0].meeting if twos else None
    floods = {bed.name: turns.flood_l(bed) for bed in site.beds}
    water = None
    if site.sump and site.sump.volume_l and None not in floods.values():
        mass_kg = site.sump.fish_mass_kg if site.sump.fish.strip().lower() != "none" else 0.0
        water = turns.water(site.sump.volume_l, [*floods.values()], site.sump.area_m2, mass_kg)
    branches = {pump.name: _balance(pump.feeds, beds, twos, floods) for pump in site.pumps}
    taste = taste or Taste(ZoneInfo(site.time_zone))
    words = [_of_bed(rhythm) for rhythm in known.values()]
    words += _without(site, known, beds, at_s, taste)
    of_pairs = [line for pair in twos[:MOST_PAIRS] for line in _of_pair(pair, known, at_s, taste)]
    words += of_pairs
    words += [_of_all(together, at_s, taste)] if together and len(beds) > 2 else []
    words += _of_water(site, water, taste)
    words += [line for name, balance in branches.items() for line in _of_branches(name, balance, len(site.pumps))]
    words += [BUNCHED] if len(beds) > 1 else []
    return {
        "time": at_s,
        "beds": {name: _rounded(rhythm) | {"litres": floods[name], "moving": rhythm in beds}
                 for name, rhythm in known.items()},
        "pairs": [_rounded(pair) | {"meeting": _rounded(pair.meeting)} for pair in twos],
        "together": together and _rounded(together),
        "water": water and _rounded(water),
        "branches": {name: balance and {"period_s": round(balance[0], 1), "changes": [_rounded(b) for b in balance[1]]}
                     for name, balance in branches.items()},
        "words": words, "of_pairs": of_pairs,
    }  # fmt: skip


def _rounded(row: Any) -> Answer:
    """A named tuple as JSON; 0.1 s and five digits are more than any of it can mean."""
    line = {}
    for name, value in row._asdict().items():
        digits = 1 if name.endswith("_s") else 5
        line[name] = round(value, digits) if isinstance(value, float) else value
    return line


def _balance(feeds: list[str], beds: list[Rhythm], twos: list[Pair], floods: Answer) -> Any:
    fed = [rhythm for rhythm in beds if rhythm.bed in feeds]
    differ = any(pair.differs and pair.first in feeds and pair.second in feeds for pair in twos)
    return turns.balance(fed, floods) if differ else None


def _without(site: Site, known: dict[str, Rhythm], beds: list[Rhythm], at_s: float, taste: Taste) -> Iterator[str]:
    """Beds of which nothing can be told."""
    new = [bed.name for bed in site.beds if bed.name not in known]
    if new:
        yield f"{listed(new)}: fewer than {LEAST_PERIODS} whole cycles yet that agree; ask again later."
    for rhythm in known.values():
        if rhythm not in beds:
            since = _clock(rhythm.fall_s, at_s, taste)
            yield f"{rhythm.bed} has not drained since {since}: it takes no turns just now."
    if len(site.beds) < 2:
        yield "There is only one bed: it takes turns with nobody."


def _of_bed(rhythm: Rhythm) -> str:
    return (
        f"{rhythm.bed}: a cycle of {_span(rhythm.period_s)}, give or take {_span(rhythm.spread_s)}, full for"
        f" {_span(rhythm.full_s)} of it (the last {rhythm.periods} cycles)."
    )


def _of_pair(pair: Pair, known: dict[str, Rhythm], at_s: float, taste: Taste) -> Iterator[str]:
    after_s, share = pair.apart * known[pair.first].period_s, pair.apart
    words = (
        f"{pair.second} drains {_span(after_s)} after {pair.first} ({share:.2f} of a cycle; 0.50 is best, 0 the worst)"
    )
    if not pair.differs:
        words += f". Their periods are too alike to tell which is longer: it comes round in {_span(pair.beat_low_s)}"
        words += " or more, if ever."
    else:
        words += f", and {abs(pair.drift_per_h):.2f} of a cycle {'later' if pair.drift_per_h > 0 else 'earlier'} each"
        words += f" hour. It all comes round in about {_span(pair.beat_s)}"
        words += f" ({_span(pair.beat_low_s)} to {_span(pair.beat_high_s)})." if pair.beat_high_s else "."
        words += " That is days: they stay as they are for long." if pair.beat_s > HORIZON_S else ""
    yield words
    yield _of_meeting(pair.meeting, at_s, taste, f"{pair.first} and {pair.second}", pair.turns)


def _of_all(together: Meeting, at_s: float, taste: Taste) -> str:
    return _of_meeting(together, at_s, taste, f"All {len(together.beds)} beds", None)


def _of_meeting(meeting: Meeting, at_s: float, taste: Taste, who: str, running: float | None) -> str:
    share = f"{100 * meeting.share:.{0 if meeting.share > 0.02 else 1}f} % of the time in the long run"
    if meeting.next_s is None:
        soonest = f", at the soonest at {_clock(meeting.low_s, at_s, taste)}" if meeting.low_s else ""
        return f"{who} are hardly full at once in the next three days{soonest}; {share}."
    if meeting.next_s <= at_s:
        words = f"{who} are full at once just now, for {_span(meeting.lasts_s)} more"
    else:
        words = f"{who} are next full at once at about {_clock(meeting.next_s, at_s, taste)}"
        low, high = (at and _clock(at, at_s, taste) for at in (meeting.low_s, meeting.high_s))
        if low != high:
            words += f" (between {low} and {high})" if high else f" (from {low} on, if at all within three days)"
        words += f", for {_span(meeting.lasts_s)}"
    if running and running > 1.5:
        words += f"; about {running:.0f} turns running, up to {_span(meeting.longest_s)} in their middle"
    return f"{words}; {share}."


def _of_water(site: Site, water: turns.Water | None, taste: Taste) -> Iterator[str]:
    if water is None:
        lacks = [] if site.sump and site.sump.volume_l else ["volume_l of [sump]"]
        lacks += [f"heights or area_m2 of {bed.name}" for bed in site.beds if turns.flood_l(bed) is None]
        yield f"How low the water gets cannot be told: the site file lacks {listed(lacks)}."
        return
    words = f"With every bed full, {taste.litres(water.up_l)} of the sump's {taste.litres(water.sump_l)} are upstairs"
    words += f" and {taste.litres(water.left_l)} ({100 * water.left_l / water.sump_l:.0f} %) stay below"
    words += f", {1000 * water.drop_m:.0f} mm lower" if water.drop_m else ""
    rule = f"at least {100 * turns.LEAST_LEFT:.0f} % should stay (common practice)"
    if water.kg_per_m3 is not None:
        words += f"; {water.kg_per_m3:.1f} kg of fish a cubic metre then"
        rule += f", at most {turns.MOST_KG_PER_M3:.0f} kg of fish in a cubic metre (FAO 589)"
    if water.enough:
        yield f"{words}. That is enough: {rule}."
    else:
        yield (
            f"{words}. That is too little: {rule}. Add water or sump, lower a standpipe, or feed one bed by the other's"
            " outflow, so that they are never full together."
        )


def _of_branches(pump: str, balance: Any, pumps: int) -> Iterator[str]:
    if balance is None:
        return
    period_s, branches = balance
    strained = [b.bed for b in branches if max(abs(b.low), abs(b.high)) > turns.MOST_TURNED]
    if strained:
        yield (
            f"{listed([b.bed for b in branches])} differ too much for a valve: {listed(strained)} would have to"
            f" change by more than {100 * turns.MOST_TURNED:.0f} %. Another height of a standpipe would do."
        )
        return
    close = [f"{b.bed}'s by {_change(b)}" for b in branches if b.low + b.high < -2 * LEAST_TURNED]
    gain = [f"{b.bed} gets {_change(b)} more" for b in branches if b.low + b.high > 2 * LEAST_TURNED]
    of = f" of the pump '{pump}'" if pumps > 1 else ""
    if not close or not gain:
        yield f"The periods{of} are as near to one another as a valve can bring them: leave the branches as they are."
        return
    yield (
        f"To bring the periods{of} together (about {_span(period_s)}): close a branch a little, {listed(close)} of its"
        f" flow; {listed(gain)} by that, or open it instead. Turn a little, wait for five cycles, look again. If a"
        " cycle gets longer by opening, its siphon is near its limit: turn back."
    )


def _change(branch: turns.Branch) -> str:
    low, high = sorted(100 * abs(share) for share in (branch.low, branch.high))
    digits = 0 if high >= 2 else 1
    low, high = f"{low:.{digits}f}", f"{high:.{digits}f}"
    return f"about {low} %" if low == high else f"about {low} to {high} %"


def _span(seconds: float) -> str:
    """A duration, as exactly as it can be meant."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 1200:
        minutes, rest = divmod(round(seconds), 60)
        return f"{minutes} min {rest:.0f} s" if rest else f"{minutes} min"
    if seconds < 2 * 86_400:
        hours, minutes = divmod(round(seconds / 60), 60)
        return f"{hours} h {minutes} min" if hours and minutes else f"{hours} h" if hours else f"{minutes} min"
    return f"{seconds / 86_400:.0f} days"


def _clock(time_s: float, now_s: float, taste: Taste) -> str:
    """The hour; with its day where that is another."""
    other_day = taste.local(time_s).date() != taste.local(now_s).date()
    return taste.moment(time_s) if other_day else taste.clock(time_s)
