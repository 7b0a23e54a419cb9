"""Weighing causes against one another.

Theory. Several causes can explain what is seen; each observation makes some of them likelier and others less. An
observation's *weight* on a cause is the natural logarithm of how many times likelier the observation is if that cause
is true than if it is not; weights of independent observations add up (Bayes' rule in log odds; I. J. Good, *Probability
and the Weighing of Evidence*, 1950, from memory). The likeliest cause is the one named, and the others keep the share
that the sum leaves them: what evidence cannot decide stays visible.

It assumes that exactly one of the causes weighed is true, and knows nothing of causes that nobody listed.
"""

from __future__ import annotations

from math import exp
from typing import NamedTuple


class Account(NamedTuple):
    """One cause of a verdict: its share among those weighed (0 to 1), and what speaks for and against it, in words."""

    alarm: str
    subject: str
    share: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...]


class Verdict:
    """A handful of causes, each an (alarm, subject), and the observations weighed so far."""

    def __init__(self, priors: dict[tuple[str, str], float]) -> None:
        """priors: each cause's weight before anything was observed."""
        self._weights = dict(priors)
        self._observed: list[tuple[str, dict[tuple[str, str], float]]] = []

    @property
    def causes(self) -> list[tuple[str, str]]:
        return list(self._weights)

    def weigh(self, words: str, weights: dict[tuple[str, str], float]) -> None:
        """Take one observation. What it says of causes that are not weighed here is left out."""
        weights = {cause: weight for cause, weight in weights.items() if cause in self._weights}
        for cause, weight in weights.items():
            self._weights[cause] += weight
        self._observed.append((words, weights))

    def lead(self, cause: tuple[str, str]) -> float:
        """How far the cause is ahead of the likeliest other one; negative if behind."""
        return self._weights[cause] - max((w for other, w in self._weights.items() if other != cause), default=0.0)

    def accounts(self) -> tuple[Account, ...]:
        """All causes, the likeliest first."""
        top = max(self._weights.values())
        total = sum(exp(weight - top) for weight in self._weights.values())
        rows = []
        for cause, weight in sorted(self._weights.items(), key=lambda item: -item[1]):
            told = [(words, weights.get(cause, 0.0)) for words, weights in self._observed]
            speaks_for = tuple(words for words, value in told if value > 0)
            speaks_against = tuple(words for words, value in told if value < 0)
            rows.append(Account(*cause, round(exp(weight - top) / total, 3), speaks_for, speaks_against))
        return tuple(rows)
