"""Trials: how notes cut the cycles, and whether two differ by more than chance, held against scipy."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest
from scipy.stats import mannwhitneyu, permutation_test, rankdata

from barreltide.core import trials
from barreltide.core.trials import chance, verdict


def test_the_share_of_deals_is_that_of_an_exact_test():
    rng = Random(1)
    for _ in range(60):
        one = [rng.gauss(0, 1) for _ in range(rng.randint(1, 12))]
        other = [rng.gauss(rng.choice((0, 1)), 1) for _ in range(rng.randint(1, 12))]
        assert chance(one, other) == pytest.approx(mannwhitneyu(one, other, method="exact").pvalue, abs=1e-12)


def test_with_ties_too():
    rng = Random(2)
    for _ in range(40):
        one, other = ([float(rng.randint(0, 3)) for _ in range(n)] for n in (5, 4))
        ranks = rankdata([*one, *other])
        exact = permutation_test(
            (ranks[:5], ranks[5:]), lambda a, b, axis: np.sum(a, axis=axis), vectorized=True, n_resamples=np.inf,
            alternative="two-sided",
        )  # fmt: skip
        assert chance(one, other) == pytest.approx(exact.pvalue, abs=1e-12)
    assert chance([1.0] * 4, [1.0] * 4) == 1.0


def test_as_many_as_are_compared_still_count_exactly():
    rng = Random(3)
    one = [rng.gauss(0, 1) for _ in range(trials.MOST_COMPARED)]
    other = [rng.gauss(0.7, 1) for _ in range(trials.MOST_COMPARED)]
    assert chance(one, other) == pytest.approx(mannwhitneyu(one, other, method="exact").pvalue, rel=1e-9)


def test_without_a_difference_few_trials_look_like_one():
    """Of a thousand pairs from one garden, no more than one in twenty may look changed at that level."""
    rng = Random(4)
    alike = [chance([rng.gauss(600, 9) for _ in range(8)], [rng.gauss(600, 9) for _ in range(8)]) for _ in range(1000)]
    assert sum(p < 0.05 for p in alike) <= 70 and sum(p < 0.01 for p in alike) <= 20


def cycle(time_s: float, bed: str = "bed-1", volts: float = 12.6, **more) -> dict:
    period_s = more.pop("period_s", 600.0)
    return {
        "event": "cycle", "time": time_s, "bed": bed, "number": 1, "period_s": period_s, "high_s": 0.4 * period_s,
        "low_s": 0.6 * period_s, "fill_s": None, "drain_s": None, "work_s": period_s * volts / 12.6, **more,
    }  # fmt: skip


def note(time_s: float, text: str, bed: str | None = "bed-1") -> dict:
    return {"event": "note", "time": time_s, "bed": bed, "text": text, "who": ""}


def test_a_note_cuts_and_its_own_cycle_belongs_to_neither():
    cycles = [cycle(600.0 * k) for k in range(1, 11)] + [cycle(900.0, "bed-2")]
    notes = [note(3300, "cut the tube 1 cm"), note(4000, "other bed", "bed-2"), note(4800, "cleaned the pump", None)]
    found = trials.trials(cycles[::-1], notes[::-1], "bed-1")
    assert [run.note for run in found] == ["", "cut the tube 1 cm", "cleaned the pump"]
    assert [[c["time"] for c in run.cycles] for run in found] == [
        [600.0 * k for k in range(1, 6)],  # that of 3000 to 3600 is cut
        [4200.0],
        [5400.0, 6000.0],  # one that begins with the note is the new trial's
    ]
    assert "has 2 of 4" in verdict(found)


def test_whether_the_last_cut_was_better_and_more_than_chance():
    rng = Random(5)
    before = [cycle(600.0 * k, break_s=rng.gauss(41, 3), drain_s=rng.gauss(80, 2)) for k in range(1, 9)]
    after = [cycle(600.0 * k, break_s=rng.gauss(12, 3), drain_s=rng.gauss(80, 2)) for k in range(10, 18)]
    words = verdict(trials.trials(before + after, [note(5000, "cut")], "bed-1"))
    assert words.startswith("Better: wait until it breaks 4") and "chance 1 in 6,435" in words  # 2 of C(16, 8)
    assert "Worse" not in words and "may be chance" not in words
    turned = [line | {"time": 12_000 - line["time"]} for line in before + after]
    turned = verdict(trials.trials(turned, [note(6300, "cut back")], "bed-1"))
    assert turned.startswith("Worse: wait until it breaks 1")
    alike = [*before, cycle(5400, break_s=41.0, drain_s=80.0)]
    assert "no difference" in verdict(trials.trials(alike, [note(2500, "looked at it")], "bed-1"))
    assert "pin a note" in verdict(trials.trials(before, [], "bed-1"))


def test_the_battery_of_another_hour_is_no_difference():
    """The same pump at 12.3 and at 14.2 V: seconds differ by a seventh, the work does not."""
    rng = Random(6)
    night = [cycle(600.0 * k, volts=12.3, period_s=rng.gauss(600, 5) * 12.6 / 12.3) for k in range(1, 11)]
    noon = [cycle(9000 + 600.0 * k, volts=14.2, period_s=rng.gauss(600, 5) * 12.6 / 14.2) for k in range(1, 11)]
    found = trials.trials(night + noon, [note(7000, "nothing")], "bed-1")
    assert found[1].summaries["period_s"].median == pytest.approx(found[0].summaries["period_s"].median, rel=0.01)
    assert found[1].summaries["period_s"].chance > 0.05
    for line in night + noon:
        line["work_s"] = None  # no voltage: then seconds are all there is
    assert trials.trials(night + noon, [note(7000, "nothing")], "bed-1")[1].summaries["period_s"].chance < 1e-4
