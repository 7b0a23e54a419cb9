"""What a bell siphon's pipe lets through, by published formulas: when it cannot start, and when it cannot break.

Theory. A pipe that carries little keeps an air core and only vents: below a Froude number of 0.3 it runs as a weir and
never as a siphon (P. D. Hills, "Designing piping for gravity flow", Chem. Eng. 1983; L. L. Simpson 1968, from memory).
So the least inflow that can start a siphon is 0.3 · π/4 · √g · D^2.5. Once it runs, a siphon carries
q(h) = Cd · A · √(2g(h + L)) (Torricelli), L being how far its outlet lies under the bed's floor, and the bed's level
follows A_bed · dh/dt = Q − q(h). An inflow of q at the level where air should come in is never drained further: the
siphon dribbles on. In between, a bed fills in A(h1 − h0)/Q and drains in the closed form of `drain_s`; as a strong pump
makes filling short but draining long, one period fits two inflows.

Assumed: an outlet in the open, one bed section, one inflow through a turn. The lower limit is necessary, no promise:
funnels, elbows and a back-pressured outlet shift it. Discharge coefficients of 0.35 to 0.55 cover most builds (0.54
from entrance, bell and exit losses and friction of a 25 mm pipe; 0.35 as a poor one: judgement). SI units."""

from __future__ import annotations

from math import log, pi, sqrt
from typing import NamedTuple

GRAVITY_M_S2 = 9.80665
SELF_VENTING = 0.3  # Froude number, Hills 1983
GOOD_DISCHARGE, POOR_DISCHARGE = 0.55, 0.35


class Siphon(NamedTuple):
    """area_m2: of the water (plan area by void share); top_m: where it starts, break_m: where air comes in, both above
    the bed's floor; outlet_m: of the outlet under that floor; bore_m: of the standpipe; discharge: Cd."""

    area_m2: float
    top_m: float
    break_m: float
    outlet_m: float
    bore_m: float
    discharge: float = GOOD_DISCHARGE

    def flow_m3_s(self, level_m: float) -> float:
        """What it carries with the water at that level."""
        bore_m2 = pi * self.bore_m**2 / 4
        return self.discharge * bore_m2 * sqrt(2 * GRAVITY_M_S2 * (level_m + self.outlet_m))

    @property
    def most_m3_s(self) -> float:
        """The inflow from which on it never breaks."""
        return self.flow_m3_s(self.break_m)

    def fill_s(self, inflow_m3_s: float) -> float:
        return self.area_m2 * (self.top_m - self.break_m) / inflow_m3_s

    def drain_s(self, inflow_m3_s: float) -> float:
        """From the crest to where it breaks, against the inflow. ValueError where it never breaks."""
        a = self.flow_m3_s(self.top_m) / sqrt(self.top_m + self.outlet_m)
        top, low = sqrt(self.top_m + self.outlet_m), sqrt(self.break_m + self.outlet_m)
        if inflow_m3_s >= a * low:
            raise ValueError(f"an inflow of {inflow_m3_s:g} m3/s: less than {a * low:g} would do, or it never breaks")
        against = inflow_m3_s / a * log((a * top - inflow_m3_s) / (a * low - inflow_m3_s))
        return 2 * self.area_m2 / a * (top - low + against)

    def period_s(self, inflow_m3_s: float) -> float:
        """Filling and draining, without the waits at the top and at the bottom."""
        return self.fill_s(inflow_m3_s) + self.drain_s(inflow_m3_s)

    def quickest_m3_s(self) -> float:
        """The inflow of the shortest period: less takes longer to fill, more takes longer to drain."""
        low, high = 1e-3 * self.most_m3_s, (1 - 1e-9) * self.most_m3_s
        for _ in range(100):  # the period has one hollow: thirds close in on it
            a, b = low + (high - low) / 3, high - (high - low) / 3
            low, high = (low, b) if self.period_s(a) < self.period_s(b) else (a, high)
        return low

    def inflows_m3_s(self, period_s: float) -> tuple[float, float] | None:
        """The two inflows, the smaller first, that give this period; None for one shorter than any."""
        hollow = self.quickest_m3_s()
        if self.period_s(hollow) > period_s:
            return None
        slow = _bisect(lambda q: self.period_s(q) - period_s, 1e-6 * self.most_m3_s, hollow)
        fast = _bisect(lambda q: period_s - self.period_s(q), hollow, (1 - 1e-12) * self.most_m3_s)
        return slow, fast


def least_m3_s(bore_m: float) -> float:
    """The inflow below which a standpipe of this bore only vents, and no siphon starts."""
    return SELF_VENTING * pi / 4 * sqrt(GRAVITY_M_S2) * bore_m**2.5


def froude(flow_m3_s: float, bore_m: float) -> float:
    """v/√(gD) of a full pipe."""
    return flow_m3_s / (pi * bore_m**2 / 4) / sqrt(GRAVITY_M_S2 * bore_m)


def _bisect(falls, low: float, high: float) -> float:
    """Where a function that falls from above zero at `low` comes to zero."""
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falls(middle) > 0 else (low, middle)
    return 0.5 * (low + high)


class Limits(NamedTuple):
    """Where a siphon's inflow stands, in m³/s. least: below it no siphon starts; most: above it one never breaks,
    with a good discharge and with a poor one; inflow: as far as known; how: "floats", "level", or "period" (then the
    smaller of the two that fit); share: of what its siphon carries where it should break, by its own flow ratio,
    where known."""

    least: float
    most: float | None
    most_poor: float | None
    inflow: float | None
    how: str
    other: float | None
    share: float | None


def limits(plan, seen: dict[str, float]) -> Limits | None:
    """plan: the bed's table of the site file; seen: medians of its cycles by their names (`fill_s`, `period_s`,
    `flow_ratio`). None where the site file gives no bore."""
    if plan.standpipe_bore_m is None:
        return None
    top_m, break_m, area_m2 = plan.standpipe_height_m, plan.drain_height_m, plan.area_m2
    least = least_m3_s(plan.standpipe_bore_m)
    if top_m is None or break_m is None:
        return Limits(least, None, None, None, "", None, None)
    good = Siphon(
        (area_m2 or 1.0) * plan.media_void_fraction, top_m, break_m, plan.outlet_below_m, plan.standpipe_bore_m
    )
    poor = good._replace(discharge=POOR_DISCHARGE)
    inflow = other = None
    how, low_m, high_m = "", plan.low_float_height_m, plan.float_height_m
    if area_m2 is not None and "fill_s" in seen:
        how, span_m = (
            ("floats", high_m - low_m) if low_m is not None and high_m is not None else ("level", top_m - break_m)
        )
        inflow = good.area_m2 * span_m / seen["fill_s"]
    elif area_m2 is not None and "period_s" in seen and (both := good.inflows_m3_s(seen["period_s"])):
        how, (inflow, other) = "period", both
    share = None
    if "flow_ratio" in seen:
        middle_m = 0.5 * (low_m + high_m) if low_m is not None and high_m is not None else 0.5 * (top_m + break_m)
        share = good.flow_m3_s(middle_m) / good.most_m3_s / seen["flow_ratio"]
    return Limits(least, good.most_m3_s, poor.most_m3_s, inflow, how, other, share)
