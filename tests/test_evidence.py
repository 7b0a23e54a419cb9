"""Causes weighed against each other: weights add up, shares are probabilities, and nothing observed is lost."""

from __future__ import annotations

from math import exp, isclose, log

from hypothesis import given
from hypothesis import strategies as st

from barreltide.core.evidence import Verdict

PUMP, SIPHON, BRANCH = ("pump-stopped", "pump"), ("siphon-not-starting", "bed-1"), ("bed-starved", "bed-1")
WEIGHTS = st.dictionaries(st.sampled_from([PUMP, SIPHON, BRANCH]), st.floats(-9, 9), max_size=3)


def test_two_independent_observations_multiply_the_odds_as_bayes_rule_says():
    # A test that is right nine times in ten, positive twice, on a one-in-a-hundred cause: 0.45 (arithmetic).
    verdict = Verdict({PUMP: log(0.01), SIPHON: log(0.99)})
    for words in ("first", "second"):
        verdict.weigh(words, {PUMP: log(0.9), SIPHON: log(0.1)})
    by_hand = 0.01 * 0.81 / (0.01 * 0.81 + 0.99 * 0.01)
    (pump,) = (account for account in verdict.accounts() if account.alarm == "pump-stopped")
    assert isclose(pump.share, by_hand, abs_tol=0.001)


@given(st.lists(WEIGHTS, max_size=6))
def test_shares_add_up_the_likeliest_comes_first_and_each_observation_is_told_where_it_weighs(observed):
    verdict = Verdict({PUMP: 0.5, SIPHON: 0.0})
    for number, weights in enumerate(observed):
        verdict.weigh(f"seen {number}", weights)
    accounts = verdict.accounts()
    assert isclose(sum(account.share for account in accounts), 1.0, abs_tol=0.002)
    assert [account.share for account in accounts] == sorted((account.share for account in accounts), reverse=True)
    first, second = accounts
    lead = verdict.lead((first.alarm, first.subject))
    assert lead >= 0 and isclose(first.share, 1 / (1 + exp(-lead)), abs_tol=0.001)
    for account in accounts:
        cause = (account.alarm, account.subject)
        told = [weights.get(cause, 0.0) for weights in observed]
        assert account.speaks_for == tuple(f"seen {k}" for k, weight in enumerate(told) if weight > 0)
        assert account.speaks_against == tuple(f"seen {k}" for k, weight in enumerate(told) if weight < 0)


def test_a_cause_that_is_not_weighed_is_left_out():
    verdict = Verdict({PUMP: 0.0})
    verdict.weigh("a neighbour quickened", {BRANCH: 3.0})
    assert [(account.alarm, account.share) for account in verdict.accounts()] == [("pump-stopped", 1.0)]
