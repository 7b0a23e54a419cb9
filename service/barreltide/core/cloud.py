"""A cloud of hypotheses about one battery: each a guess at all that nobody has measured, weighed by what it foretells.

Theory. What is unknown falls into two kinds. The charge itself, the usable capacity, the load, how much of the panel's
power arrives and how the battery takes charge bend everything that follows, so they are guessed: each hypothesis
carries one guess (a particle filter). Given its charge, the voltage is linear in the rest: where the battery lies
between its two published tables, what the meter and the battery are off together, and the resistance. These it does
not guess but knows as a normal distribution of its own, brought up to date reading by reading (Rao and Blackwell;
Doucet, de Freitas, Murphy and Russell 2000, from memory). So a few hundred hypotheses do what thousands would have
to. Most of them are needed on the first nights, when everything is unknown at once: with too few, chance decides which
are left. After that a part of them does (as many as what is left to believe is wide; Fox 2003, from memory).

Hypotheses that foretell badly lose weight, and are drawn anew from those that foretell well, with a kernel that keeps
mean and spread (Liu and West 2001, from memory); when all of them foretell badly, from further afield: the day has
then brought what none of them believed (after Lenser and Veloso 2000, from memory). What the voltages of a night told
of the charge is told just as well by a little more charge and a meter that reads a little less: so each hypothesis that
is drawn anew also tries a step along that line, and takes it as often as the meter's errors make it likely (a move that
leaves what the voltages told as it is; Gilks and Berzuini 2001, from memory). Without it the meter would in the end be
blamed for a charge that was wrong from the first day. What charging has told is slowly forgotten by it.

It assumes one battery: unequal ones in parallel are seen as one. Volts are those of a 12 V battery.

Sources: resistance, fast and slow together, 10 to 30 mΩ for 100 Ah with its wiring, half as much again at half charge
(a cell model; makers' sheets, from memory). Efficiency falls near full (Stevens and Corey 1996). The current that a
charging voltage drives grows faster than the voltage stands above rest, as in Tafel's law, and the fuller a battery,
the higher the same current lifts it: at a twentieth of the capacity some half a volt when half full, three times that
at the end (charging curves of makers' sheets, from memory; the figures chosen by judgement). A part of that lift is
surface charge, which fades in an hour or so after the current has gone: of the 2.1 V that a logged 35 Ah battery stood
above its rest, a third was left after an hour. What a load has pulled down comes back as slowly, so a sun that takes
over half of the load in the morning does not lift the voltage by half of the drop at once. Below the published tables
the voltage collapses to 10.5 V under load (the end of every capacity test).
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import accumulate, pairwise
from math import exp, log, sqrt
from operator import attrgetter, mul
from random import Random

from .lead import Table, rested_voltage

SIZE, SIZE_LOAD_UNKNOWN = 400, 600  # at first; each time they are drawn anew there are fewer, down to the least
LEAST_SIZE, THINNED = 128, 0.85
GRID = 100
KNEE_V, KNEE_SHARE = 0.7, 0.03  # how the rested voltage falls beside its table when nearly empty
TABLES_DIFFER = 0.35  # a battery's place between its tables: standard deviation, in their distance
METER_V = {"flooded": 0.04, "agm": 0.05, "gel": 0.05, "lifepo4": 0.06}  # what meter and table may be off together
METER_STRAYS_V_H = 0.002  # and how far that strays in an hour: warmth, a resistance that grows
OHM, OHM_UNSURE, LEAST_OHM = 0.022, 0.010, 0.002  # of 100 Ah, full
OHM_GROWS = 0.7  # the resistance when empty, above that when full
CHARGE_V, CHARGE_POWER = 5.0, 1.45  # the current is capacity times (volts above rest / CHARGE_V) ^ CHARGE_POWER, per h
CLIMBS_TO, CLIMBS_FROM = 1.1, 0.5  # CHARGE_V is that of a charge of 0.6; it grows as the root of 0.5 / (1.1 - charge)
SURFACE_SHARE = 0.35  # of a steady lift above rest that is surface charge
LEAST_SUN_H = 100.0  # less sun than would fill the battery in so long is none: any lift of the voltage contradicts it
MOST_GAIN = 1.1  # of the panel's power under the sun of daylight.noon_share: it may face a low sun better than that
GONE, BLOCKED_VARIES = 0.5, 0.4  # how likely a pump that stands draws nothing; else it draws up to so much otherwise
CLOUD_SHARE = 0.3  # how far the inferred charging current is off, at random, from step to step
STRAYS_H = 0.004  # how far a state of charge strays within an hour from what the model says
FLAT = 12**0.5  # width of a flat distribution, in standard deviations: its draws cost a tenth of a normal one's
INDEPENDENT_S = 2.5 * 3600.0  # voltages closer than this share their errors
ASTRAY = 4.0  # when all foretell a steady voltage so many standard errors too low or high, look further afield
REPLACED = 0.3  # of charge: what reads full by night and was believed so far from it is another battery
SHRINK = 0.985
STEP_ALONG = 0.03  # of charge, tried with each hypothesis drawn anew
# Never surer than this of anything, however long the nights agree: the model itself is not better (standard
# deviations).
LEAST_SPREAD = {"charge": 0.012, "capacity": 0.04, "load": 0.02, "gain": 0.06, "accept_h": 0.3, "charge_v": 0.3}


class Hypothesis:
    """One guess. charge, capacity (of the label's): shares. load, gain: factors of the load as written down, and of
    the clear sky's current. usual_load: the load's before a pump came to stand. accept_h: hours in which a battery
    would fill at the rate it accepts when empty. charge_v: see `CHARGE_V`. blend, offset_v, ohm: the means of what is
    linear; c…: their covariances; miss_v: what the last voltage of the night stood above what it foretells even so."""

    __slots__ = (
        "accept_h", "blend", "capacity", "cbb", "cbo", "cbr", "coo", "cor", "crr", "charge", "charge_v", "gain", "load",
        "log_weight", "miss_v", "offset_v", "ohm", "usual_load",
    )  # fmt: skip

    def copy(self) -> Hypothesis:
        twin = Hypothesis.__new__(Hypothesis)
        for name in Hypothesis.__slots__:
            setattr(twin, name, getattr(self, name))
        return twin


class Cloud:
    """All hypotheses about one battery. Amperes and ampere-hours are those of the whole bank."""

    def __init__(
        self, chemistry: str, tables: tuple[Table, Table], label_ah: float, load_spread: float, least_gain: float
    ) -> None:
        """tables: rested voltages, the same twice if they are the battery's own. load_spread: of the load, as the
        standard deviation of a logarithm; least_gain: the least share of the panel's power that may arrive."""
        self.label_ah = label_ah
        self.is_lithium = chemistry == "lifepo4"
        grids = [
            [rested_voltage(table, (i - 5) / GRID) - self._knee_v(i) for i in range(GRID + 11)] for table in tables
        ]
        between = [b - a for a, b in zip(*grids, strict=True)]
        # Of each hundredth of charge: the lower table there, and its rise to the next; how far the tables lie apart
        # there, and how that grows.
        self._grid = [
            (lower, next_lower - lower, apart, next_apart - apart)
            for (lower, next_lower), (apart, next_apart) in zip(pairwise(grids[0]), pairwise(between), strict=True)
        ]
        self._chance = chance = Random(7)
        size = SIZE if load_spread < 0.2 else SIZE_LOAD_UNKNOWN
        ohm = 100.0 / label_ah
        self._all: list[Hypothesis] = []
        for i in range(size):
            h = Hypothesis()
            h.charge = 0.15 + 0.85 * (i + chance.random()) / size
            h.capacity = min(max(chance.gauss(0.92, 0.09), 0.6), 1.15)
            h.load = h.usual_load = exp(chance.gauss(0, load_spread))
            h.gain = chance.uniform(least_gain, MOST_GAIN)
            h.accept_h = exp(chance.gauss(log(1.6), 0.4))
            h.charge_v = CHARGE_V * exp(chance.gauss(0, 0.2))
            h.blend, h.offset_v, h.ohm = 0.5, 0.0, OHM * ohm
            h.cbb = 0.0 if tables[0] == tables[1] else TABLES_DIFFER**2
            h.coo, h.crr = METER_V[chemistry] ** 2, (OHM_UNSURE * ohm) ** 2
            h.cbo = h.cbr = h.cor = 0.0
            h.log_weight = h.miss_v = 0.0
            self._all.append(h)
        self._meter_v2 = METER_V[chemistry] ** 2
        self._weights = [1 / size] * size
        self._span_v = tables[0][-1][1] - tables[0][0][1]
        self._doubted: list[float] = []  # shares of the load that may be gone
        self._is_weighed = False  # since the weights were last brought up to date
        self._astray = 0.0  # how far all are off together, in charge

    def _knee_v(self, i: int) -> float:
        return 0.0 if self.is_lithium else KNEE_V * exp(-max((i - 5) / GRID, 0.0) / KNEE_SHARE)

    # -- what is believed

    def mean(self, name: str) -> float:
        """The weighted mean of one of a hypothesis's values."""
        return sum(map(mul, self._weights, map(attrgetter(name), self._all)))

    def quantiles(self, low: float, high: float) -> tuple[float, float]:
        """Of the charge."""
        charges, weights = [h.charge for h in self._all], self._weights
        ranked = sorted(range(len(charges)), key=charges.__getitem__)
        totals = list(accumulate([weights[i] for i in ranked]))
        return tuple([charges[ranked[bisect_left(totals, share - 1e-9)]] for share in (low, high)])

    def rested_v(self) -> float:
        """What the meter would show at rest, at the charge that each hypothesis believes in."""
        grid, rested_v = self._grid, 0.0
        for h, weight in zip(self._all, self._weights, strict=True):
            place = (h.charge + 0.05) * GRID
            at = int(place)
            share = place - at
            lower, rise, apart, growth = grid[at]
            rested_v += weight * (lower + rise * share + h.blend * (apart + growth * share) + h.offset_v)
        return rested_v

    def charge_at(self, volts: float, amperes: float) -> float:
        """The charge at which the meter would show so many volts under that load, 0 to 1."""
        low, high, among = 0.0, 1.0, Hypothesis()  # at one charge, all lie about their mean: voltages are linear
        among.blend, offset_v, ohm = (self.mean(name) for name in ("blend", "offset_v", "ohm"))
        while high - low > 0.002:
            middle = (low + high) / 2
            shown_v = self._table_v(among, middle) + offset_v - ohm * amperes * (1 + OHM_GROWS * (1 - middle))
            low, high = (middle, high) if shown_v < volts else (low, middle)
        return (low + high) / 2

    def drop_v(self, charge: float, amperes: float) -> float:
        """By how much that load pulls the voltage down at that charge, once that has settled."""
        return self.mean("ohm") * amperes * (1 + OHM_GROWS * (1 - charge))

    def _table_v(self, h: Hypothesis, charge: float) -> float:
        place = (charge + 0.05) * GRID
        at = int(place)
        share = place - at
        lower, rise, apart, growth = self._grid[at]
        return lower + rise * share + h.blend * (apart + growth * share)

    # -- what happens to it

    def discharge(self, dt_s: float, known_a: float, guessed_a: float) -> None:
        """Draws the load: `known_a` as measured, `guessed_a` times each hypothesis's factor."""
        per_a = dt_s / 3600 / self.label_ah
        stray, chance = FLAT * STRAYS_H * (dt_s / 3600) ** 0.5, self._chance.random
        for h in self._all:
            charge = h.charge - (known_a + guessed_a * h.load) * per_a / h.capacity + stray * (chance() - 0.5)
            h.charge = 0.0 if charge < 0.0 else 1.0 if charge > 1.0 else charge

    def weigh_voltage(self, volts: float, sigma_v: float, dt_s: float, known_a: float, guessed_a: float) -> None:
        """A voltage that nothing charges, under that load; dt_s: since the last. It moves each hypothesis's normal
        distribution (Kalman's update), and its weight by how far off it was."""
        noise = sigma_v * sigma_v * INDEPENDENT_S / dt_s
        strays = METER_STRAYS_V_H**2 * dt_s / 3600
        grid, astray_v, self._is_weighed = self._grid, 0.0, True
        for h, weight in zip(self._all, self._weights, strict=True):
            place = (h.charge + 0.05) * GRID
            at = int(place)
            share = place - at
            lower, rise, apart, growth = grid[at]
            apart += growth * share
            amperes = (known_a + guessed_a * h.load) * (1 + OHM_GROWS * (1 - h.charge))
            coo = h.coo + strays
            pb = h.cbb * apart + h.cbo - h.cbr * amperes
            po = h.cbo * apart + coo - h.cor * amperes
            pr = h.cbr * apart + h.cor - h.crr * amperes
            variance = pb * apart + po - pr * amperes + noise
            miss = volts - (lower + rise * share) - h.blend * apart - h.offset_v + h.ohm * amperes
            astray_v += weight * miss
            kb, ko, kr = pb / variance, po / variance, pr / variance
            h.blend += kb * miss
            h.offset_v += ko * miss
            h.ohm += kr * miss
            h.miss_v = miss * noise / variance
            h.cbb -= kb * pb
            h.cbo -= kb * po
            h.cbr -= kb * pr
            h.coo = coo - ko * po
            h.cor -= ko * pr
            h.crr -= kr * pr
            h.log_weight -= 0.5 * miss * miss / variance + 0.5 * log(variance)
        charge = self.mean("charge")
        wanted = charge + astray_v / self._span_v
        is_within = 0.0 < wanted < 1.0 or (wanted >= 1.0 and charge < 1 - REPLACED)
        self._astray = abs(astray_v) / self._span_v if is_within and abs(astray_v) > ASTRAY * sigma_v else 0.0

    def weigh_ohm(self, ohm: float, sigma_ohm: float) -> None:
        """The resistance as a step of the load has shown it, when nothing else moved."""
        for h in self._all:
            variance = h.crr + sigma_ohm * sigma_ohm
            miss = ohm - h.ohm
            kb, ko, kr = h.cbr / variance, h.cor / variance, h.crr / variance
            h.blend, h.offset_v, h.ohm = h.blend + kb * miss, h.offset_v + ko * miss, h.ohm + kr * miss
            h.cbb, h.cbo, h.coo = h.cbb - kb * h.cbr, h.cbo - kb * h.cor, h.coo - ko * h.cor
            h.cbr, h.cor, h.crr = h.cbr - kb * h.crr, h.cor - ko * h.crr, h.crr - kr * h.crr

    def charge(
        self, volts: float, dt_s: float, known_a: float, guessed_a: float, most_a: float, is_held: bool, is_float: bool,
        surface_v: float | None = 0.0,
    ) -> None:  # fmt: skip
        """A span of light. surface_v: what the voltage owes to the charging of before, not of now; None while that is
        unknown: it is then taken to be as much as goes with a current that has long been the same. most_a: what the
        panel gives under a clear sky, of which each hypothesis sees its share. is_held: the charger stands at a
        set-point, so the battery accepts less than the sun would give; is_float: at its lower one, as they do when a
        battery is full."""
        label_ah, chance = self.label_ah, self._chance.random
        volts_now, least_a = volts - (surface_v or 0.0), label_ah / LEAST_SUN_H
        now_share = 1 - SURFACE_SHARE if surface_v is not None else 1.0
        independent, stray_a = dt_s / INDEPENDENT_S, STRAYS_H * label_ah / (dt_s / 3600) ** 0.5
        grid, gained_a, least_ohm = self._grid, [], LEAST_OHM * 100.0 / label_ah
        for h in self._all:
            charge, load_a = h.charge, known_a + guessed_a * h.load
            sun_a = most_a * h.gain - load_a
            place = (charge + 0.05) * GRID
            at = int(place)
            share = place - at
            lower, rise, apart, growth = grid[at]
            at_rest_v = lower + rise * share + h.blend * (apart + growth * share)
            above = (volts_now - at_rest_v - h.offset_v - h.miss_v) / now_share
            if above > 0:
                climb = sqrt((CLIMBS_TO - charge) / CLIMBS_FROM)
                net_a = label_ah * (above / h.charge_v * climb) ** CHARGE_POWER
            else:
                ohm = h.ohm if h.ohm > least_ohm else least_ohm  # a meter that reads high makes it less than nothing
                net_a = above / (ohm * (1 + OHM_GROWS * (1 - charge)))
            accept_a = label_ah * (1.02 - charge) / h.accept_h
            taken_a = net_a if net_a < accept_a else accept_a
            if is_held:
                if sun_a > 0 and volts > 13.9:
                    self._is_weighed = True
                    excess = (accept_a - sun_a) / (0.35 * sun_a + 0.02 * label_ah)
                    h.log_weight -= log(1 + exp(min(excess, 30.0))) * independent
            elif (seen_a := sun_a if sun_a > least_a else least_a) < taken_a:
                self._is_weighed = True
                h.log_weight -= min(0.5 * (log(net_a / seen_a) / 0.4) ** 2, 20.0) * independent
            if is_float:
                self._is_weighed = True
                h.log_weight -= min(((0.98 - charge) / 0.04) ** 2 / 2, 30.0) * dt_s / 3600
            if sun_a < taken_a:
                taken_a = sun_a
            if taken_a < -load_a:
                taken_a = -load_a
            unsure_a = CLOUD_SHARE * taken_a + stray_a if taken_a > 0 else stray_a
            gained_a.append(taken_a + FLAT * unsure_a * (chance() - 0.5))
        self._gain(gained_a, dt_s)

    def charge_measured(
        self, volts: float, dt_s: float, known_a: float, guessed_a: float, panel_a: float, is_held: bool
    ) -> None:
        """The same where a sensor reads the panel's current: nothing is inferred, and what a held battery still takes
        tells how full it is."""
        chance, gained_a = self._chance.random, []
        for h in self._all:
            net_a = panel_a - known_a - guessed_a * h.load
            if is_held and net_a > 0 and volts > 13.9:
                self._is_weighed = True
                accept_a = self.label_ah * (1.02 - h.charge) / h.accept_h
                miss = (net_a - accept_a) / (0.35 * net_a + 0.01 * self.label_ah)
                h.log_weight -= min(0.5 * miss * miss, 20.0) * dt_s / INDEPENDENT_S
            gained_a.append(net_a * (1 + FLAT * 0.03 * (chance() - 0.5)))
        self._gain(gained_a, dt_s)

    def _gain(self, gained_a: list[float], dt_s: float) -> None:
        """Puts in, or takes out, these currents, one for each hypothesis. Near full, part of them makes gas."""
        label_ah, gases = self.label_ah, not self.is_lithium
        for h, net_a in zip(self._all, gained_a, strict=True):
            if gases and net_a > 0:
                net_a *= 0.97 if h.charge < 0.8 else max(0.97 - 1.6 * (h.charge - 0.8), 0.5)
            charge = h.charge + net_a * dt_s / 3600 / (label_ah * h.capacity)
            h.charge = 0.0 if charge < 0.0 else 1.0 if charge > 1.0 else charge

    def doubt_loads(self, shares: list[float]) -> None:
        """Each of these shares of the load may be gone, or not: half of the hypotheses believe the one, half the other.
        The rest is what it usually is. What the voltage told of the shares that were in doubt before is given up: it
        does not say which of them it spoke of."""
        for h in self._all:
            usual_load = h.usual_load if self._doubted else h.load
            h.usual_load, h.load = usual_load, usual_load * (1 + sum([share * self._change() for share in shares]))
        self._doubted = shares

    def _change(self) -> float:
        """Of the current of a pump that lifts nothing: it is gone, or another."""
        return -1.0 if self._chance.random() < GONE else self._chance.uniform(-BLOCKED_VARIES, BLOCKED_VARIES)

    def gone_share(self) -> float | None:
        """How likely the share in doubt is gone, 0 to 1; None where none is, or more than one: their sum is all that
        the voltage tells."""
        if len(self._doubted) != 1:
            return None
        least = 1 - 0.5 * (1 + BLOCKED_VARIES) * self._doubted[0]  # between gone and the least of a blocked one
        return sum(
            [weight for weight, h in zip(self._weights, self._all, strict=True) if h.load < least * h.usual_load]
        )

    def drift(self, dt_s: float, known_a: float, guessed_a: float, is_dark: bool) -> None:
        """Nothing was heard for a while: the load went on, and the sun may have done anything."""
        spread = min(0.25, 0.04 * dt_s / 3600)
        for h in self._all:
            drawn = (known_a + guessed_a * h.load) * dt_s / 3600 / (self.label_ah * h.capacity)
            gained = 0.0 if is_dark else self._chance.uniform(0, 2 * drawn + spread)
            h.charge = min(max(h.charge - drawn + gained, 0.0), 1.0)

    # -- weights

    def normalise(self) -> None:
        """Bring the weights to sum 1, and draw the cloud anew when few hypotheses carry it."""
        if not self._is_weighed:
            return
        self._is_weighed = False
        top = max([h.log_weight for h in self._all])
        weights = [exp(h.log_weight - top) for h in self._all]
        level = sum(weights)
        self._weights = weights = [weight / level for weight in weights]
        if self._astray or 1 / sum([weight * weight for weight in weights]) < 0.5 * len(weights):
            self._redraw()
            self._astray = 0.0
        else:
            for h in self._all:
                h.log_weight -= top

    def _redraw(self) -> None:
        had = len(self._all)
        size, at, reached = max(min(had, LEAST_SIZE), int(THINNED * had)), 0, self._weights[0]
        start = self._chance.random() / size
        drawn: list[Hypothesis] = []
        for i in range(size):
            while reached < start + i / size and at < had - 1:
                at += 1
                reached += self._weights[at]
            drawn.append(self._all[at].copy())
        gauss = self._chance.gauss
        for name, least in LEAST_SPREAD.items():
            if name == "charge":
                least = max(least, self._astray)
            values = [getattr(h, name) for h in drawn]
            mean = sum(values) / size
            spread = (sum([(value - mean) ** 2 for value in values]) / size) ** 0.5
            jitter = (max(spread, least) ** 2 - (SHRINK * spread) ** 2) ** 0.5
            for h, value in zip(drawn, values, strict=True):
                setattr(h, name, SHRINK * value + (1 - SHRINK) * mean + jitter * gauss(0, 1))
        for h in drawn:
            h.charge = min(max(h.charge, 0.0), 1.0)
            h.capacity, h.load = min(max(h.capacity, 0.4), 1.2), max(h.load, 0.02)
            h.gain, h.accept_h, h.charge_v = max(h.gain, 0.05), max(h.accept_h, 0.3), max(h.charge_v, 2.0)
            h.log_weight = 0.0
            self._step_along(h)
        self._all, self._weights = drawn, [1 / size] * size

    def _step_along(self, h: Hypothesis) -> None:
        """Try a little more or less charge, with an offset of the meter that reads the same: taken, or not, by how much
        likelier the meter's error is then (Metropolis). All voltages so far tell both apart by that alone."""
        charge = h.charge + STEP_ALONG * self._chance.gauss(0, 1)
        if not 0.0 < charge < 1.0:
            return
        rise_v = self._table_v(h, charge) - self._table_v(h, h.charge)
        free = 1 - h.coo / self._meter_v2  # the share of the offset that the voltages have told
        gain = rise_v * (h.offset_v - rise_v * free / 2) / self._meter_v2
        if gain >= 0 or self._chance.random() < exp(gain):
            h.charge = charge
            h.offset_v -= rise_v * free
            h.blend += rise_v * h.cbo / self._meter_v2
            h.ohm += rise_v * h.cor / self._meter_v2
