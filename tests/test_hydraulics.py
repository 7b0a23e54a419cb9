"""The pipe's formulas against published figures, against a quadrature, and against the rest of the service."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import minimize_scalar

from barreltide.core.hydraulics import Siphon, froude, least_m3_s, limits

L_MIN = 1 / 60_000
# One barrel bed: 0.25 m² at 40 % voids, standpipe 25 cm, broken at 3 cm, outlet 15 cm below the floor, 25 mm, Cd 0.55.
BED = Siphon(0.10, 0.25, 0.03, 0.15, 0.025)


def test_the_closed_form_of_draining_is_the_integral():
    # A dh/dt = Q − Cd·A·√(2g(h + L)), integrated by scipy; the figures by hand from the same law.
    for inflow, by_hand_s in ((0.0, 34.8245), (3, 37.8646), (6, 41.49738), (20, 76.2503), (30, 283.943)):

        def rate(h, q=inflow * L_MIN):
            return BED.area_m2 / (BED.flow_m3_s(h) - q)

        assert BED.drain_s(inflow * L_MIN) == pytest.approx(quad(rate, BED.break_m, BED.top_m)[0], abs=1e-6)
        assert BED.drain_s(inflow * L_MIN) == pytest.approx(by_hand_s, abs=1e-3)


def test_more_than_the_siphon_carries_at_its_low_end_is_never_drained():
    assert BED.most_m3_s / L_MIN == pytest.approx(30.43655, abs=1e-4)  # the same law by hand
    with pytest.raises(ValueError, match="never breaks"):
        BED.drain_s(30.44 * L_MIN)
    # An independent solver, without the closed form: the level comes to rest above where air would come in.
    level = solve_ivp(lambda _, h: (30.6 * L_MIN - BED.flow_m3_s(h[0])) / BED.area_m2, (0, 2e5), [BED.top_m], rtol=1e-9)
    assert level.y[0][-1] > BED.break_m


def test_one_period_fits_two_inflows_but_the_shortest():
    quickest = minimize_scalar(lambda q: BED.period_s(q * L_MIN), bounds=(5, 29), method="bounded")
    assert BED.quickest_m3_s() / L_MIN == pytest.approx(quickest.x, abs=0.02)
    assert BED.quickest_m3_s() / L_MIN == pytest.approx(18.45, abs=0.02)  # by hand, with 141.179 s
    assert BED.period_s(BED.quickest_m3_s()) == pytest.approx(141.179, abs=1e-3)
    slow, fast = BED.inflows_m3_s(210.206)
    assert fast / L_MIN == pytest.approx(28, abs=0.01)  # the table's row: 210.21 s
    assert slow < 18.45 * L_MIN and BED.period_s(slow) == pytest.approx(BED.period_s(fast), abs=1e-6)
    assert BED.inflows_m3_s(141.0) is None


def test_below_a_froude_number_of_three_tenths_a_pipe_only_vents():
    # P. D. Hills 1983: 36 m³/h in 180 mm is Fr 0.296. Litres an hour for bores of 15 to 50 mm: the same by hand.
    assert froude(36 / 3600, 0.180) == pytest.approx(0.296, abs=0.002)
    for bore_mm, l_per_h in ((15, 73), (20, 150), (25, 262), (32, 487), (40, 850), (50, 1485)):
        assert least_m3_s(bore_mm / 1000) * 3.6e6 == pytest.approx(l_per_h, abs=1)
        assert froude(least_m3_s(bore_mm / 1000), bore_mm / 1000) == pytest.approx(0.3)


def _plan(**more):
    plan = {
        "standpipe_bore_m": 0.025, "standpipe_height_m": 0.25, "drain_height_m": 0.03, "outlet_below_m": 0.15,
        "area_m2": 0.25, "media_void_fraction": 0.40, "float_height_m": 0.20, "low_float_height_m": None,
    }  # fmt: skip
    return SimpleNamespace(**plan | more)


def test_where_a_siphon_stands_between_its_limits():
    assert limits(_plan(standpipe_bore_m=None), {}) is None
    found = limits(_plan(), {"period_s": BED.period_s(6 * L_MIN)})
    assert (found.how, found.inflow / L_MIN) == ("period", pytest.approx(6, abs=1e-6))
    assert found.other > 20 * L_MIN and found.most == BED.most_m3_s and found.most_poor < found.most
    # Two floats at 8 and 20 cm: 12 cm of 0.1 m² in 120 s are 6 l/min; 1 + 120/22.2241 of it leaves on the mean.
    found = limits(_plan(low_float_height_m=0.08), {"fill_s": 120.0, "flow_ratio": 6.3995})
    assert (found.how, found.inflow / L_MIN, found.other) == ("floats", pytest.approx(6), None)
    assert found.share == pytest.approx(6 / 30.4366, rel=0.01)
