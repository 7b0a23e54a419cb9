"""The battery's voltage as evidence about the pump: work done by it, and steps when its load comes or goes.

Theory. A small DC pump turns faster on a higher voltage, so the water it lifts in a while follows ∫V dt better than
time: intervals measured in *work* (volt-seconds) stop breathing with the day. By night nothing charges, and the
voltage under a steady load falls slowly; a load that goes lifts it at once by I·R, and further while the battery
relaxes. So a step is a mean that lies above the mean just before by more than the noise seen on this very meter: of a
minute where it stands out at once, of some minutes where it is small. What is larger than any load could make is a
source's (charger.py). At dusk the day's charge fades: a lamp that is put on then stands out against the curve of that
hour only, which is looked at once it is over.

It assumes that by night the pump is by far the largest load that switches. It cannot see a step by day while cloud
moves the voltage more than the pump does, nor where a charge controller holds it. By night the error of a step, five
minutes after it and with a reading each five seconds, is a fifth of one reading's noise; five times that is wanted to
be sure.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from collections.abc import Iterator
from itertools import pairwise
from math import log
from operator import mul
from typing import NamedTuple

REFERENCE_V = 12.6  # the voltage at which a second of work is a second
BIN_S = 20.0
BEFORE_BINS, AFTER_BINS = 8, 4
LONG_BEFORE_BINS, LONG_AFTER_BINS = 15, 10  # for steps that are small beside the meter's noise
SETTLED_BINS = 180  # an hour of dark: before that the day's charge fades too fast for small steps
KEPT_BINS = 540  # three hours
CONTRAST_LEAST_S, CONTRAST_MOST_S = 300.0, 600.0
LONGEST_SPAN_S = 900.0  # bins further apart than this are not compared
QUIET_STEP_V = 0.006  # no step smaller than this is believed, however quiet the meter
JUMP_V = 0.5 * QUIET_STEP_V  # between the means next to a step
LEAST_Z, SURE_Z = 5.0, 6.0
VISITS = 2  # of a load, after which it is expected again
AS_SURE = 0.9  # of its own z: a step is taken back by no less
STEP_ERROR = (1 / BEFORE_BINS + 1 / AFTER_BINS) ** 0.5  # of a step, in standard errors of one mean
LONG_STEP_ERROR = (1 / LONG_BEFORE_BINS + 1 / LONG_AFTER_BINS) ** 0.5
MOST_DRIFT = 0.3  # of a small step: what was under way before it is no step
DUSK_S, DUSK_OVER_S = 4800.0, 1200.0  # before dark; after it began
LINE_BINS, LEAST_LINE_BINS = 15, 6  # of the lines before and after a step
MOST_MARKS = 4096


class Step(NamedTuple):
    """A sudden change of the mean voltage, up from `base_v` when a load went; `z` in standard errors of the noise."""

    time_s: float
    volts: float
    z: float
    base_v: float


class Jump(NamedTuple):
    """The likeliest step within a span: its moment and size, its log odds against none, and its standard error."""

    time_s: float
    volts: float
    odds: float
    sure_v: float


class VoltageTrace:
    """The stream of voltage readings, in order of sampling."""

    def __init__(self, most_step_v: float = float("inf"), held_least_v: float = 0.0) -> None:
        """most_step_v: no load lifts the voltage by more when it goes; held_least_v: no charger holds a lower one."""
        self.most_step_v, self._held_least_v = most_step_v, held_least_v
        self.volts: float | None = None
        self.time_s = 0.0
        self.steps: deque[Step] = deque(maxlen=24)
        self.noise_v = 0.004  # standard deviation of one bin's mean
        self._lows: deque[tuple[float, float]] = deque([(0.0, 99.0)], maxlen=40)  # lowest of each quarter of an hour
        self.highest_v = REFERENCE_V  # so far; the reference stands in where none is known
        self._work = 0.0
        self._mark_times: list[float] = []
        self._mark_works: list[float] = []
        self._bins: list[tuple[float, bool]] = []  # start, and whether nothing charged …
        self._means: list[float] = []  # … and the mean of each
        self._small: Step | None = None  # the newest that was found from longer means
        self._dusk_s: float | None = None  # when it became dark, while that hour has not been looked at
        self._bin_start_s = float("-inf")
        self._bin_sum = 0.0
        self._bin_n = 0

    def add(self, time_s: float, volts: float, dark: bool) -> None:
        """Take one reading. dark: nothing charges for sure."""
        dt_s, before_v = time_s - self.time_s, self.volts
        if dt_s <= 0:
            return
        if before_v is not None:
            self._work += dt_s * (0.5 * (volts + before_v) if dt_s < LONGEST_SPAN_S else REFERENCE_V)
        self.time_s, self.volts = time_s, volts
        if volts > self.highest_v:
            self.highest_v = volts
        times = self._mark_times
        if not times or time_s - times[-1] >= 10:
            times.append(time_s)
            self._mark_works.append(self._work)
            if len(times) > MOST_MARKS:
                del times[: MOST_MARKS // 4], self._mark_works[: MOST_MARKS // 4]
        low_s, low_v = self._lows[-1]
        if time_s - low_s > 900:
            self._lows.append((time_s, volts))
        elif volts < low_v:
            self._lows[-1] = (low_s, volts)
        if time_s - self._bin_start_s >= BIN_S:
            if self._bin_n:
                self._close_bin(dark)
            self._bin_start_s = time_s
        self._bin_sum += volts
        self._bin_n += 1

    def rewind(self) -> None:
        """The station's clock was set back: begin anew."""
        noise_v = self.noise_v
        self.__init__(self.most_step_v, self._held_least_v)
        self.noise_v = noise_v

    @property
    def mean_v(self) -> float | None:
        """The newest mean."""
        return self._means[-1] if self._means else None

    def work_s(self, from_s: float, to_s: float) -> float:
        """∫V dt over the span, as seconds at the reference voltage. Where no voltage is known: plain seconds."""
        return (self._work_at(to_s) - self._work_at(from_s)) / REFERENCE_V

    def step_up(self, from_s: float, to_s: float, least_z: float = 5.0) -> Step | None:
        """The largest upward step within the span that a load can have made."""
        if not self.steps or self.steps[-1].time_s < from_s:
            return None
        found = [
            step
            for step in self.steps
            if from_s <= step.time_s <= to_s and 0 < step.volts < self.most_step_v and step.z >= least_z
        ]
        return max(found, key=lambda step: step.volts, default=None)

    def step_down(self, from_s: float, to_s: float, least_z: float = 5.0) -> Step | None:
        """The largest downward step within the span."""
        found = [step for step in self.steps if from_s <= step.time_s <= to_s and step.volts < 0 and -step.z >= least_z]
        return min(found, key=lambda step: step.volts, default=None)

    def undoes(self, step: Step, since_s: float) -> bool:
        """Whether the step takes back one of the other sign since the dusk before: a lamp that was on, no pump; or
        whether a load of about its size has come and gone twice already, as a refrigerator does.

        since_s: since when it is dark.
        """
        if self._dusk_s is not None:
            self._find_at_dusk(self._dusk_s)  # as far as it is over
        open_steps: list[Step] = []
        visits = 0
        for each in self.steps:
            if each.time_s > step.time_s - 2 * BIN_S:
                break  # it may be seen twice
            if each.time_s < since_s - DUSK_S:
                continue
            if open_steps and open_steps[-1].volts * each.volts < 0 and _is_alike(open_steps[-1], each):
                open_steps.pop()
                visits += 0.5 < abs(each.volts / step.volts) < 2.0
            else:
                open_steps.append(each)
        least_z = min(SURE_Z, AS_SURE * abs(step.z))
        sure = [each for each in open_steps if abs(each.z) >= least_z and each.volts * step.volts < 0]
        return visits >= VISITS or any(_is_alike(each, step) and self._is_break(each, step.time_s) for each in sure)

    def _is_break(self, step: Step, until_s: float) -> bool:
        """Whether the lines before and after the step, up to `until_s`, do not meet there: a battery that is nearly
        empty falls so fast that it makes steps of its own. True where they are not known."""
        k = bisect_left(self._bins, (step.time_s,))
        n = min(LINE_BINS, bisect_left(self._bins, (until_s,)) - k)
        if k < LINE_BINS or n <= 0:
            return True
        if n < LEAST_LINE_BINS:  # too few for a line of their own: do they lie where the one before leads to?
            before_v, _ = _end_of_line(self._means[k - LINE_BINS : k], n / 2)
            after_v = sum(self._means[k : k + n]) / n
        else:
            (before_v, _), (after_v, _) = self._lines(k, n)
        return (after_v - before_v) / step.volts > 0.5

    def _lines(self, k: int, n: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where the lines through the means before the bin `k`, and through `n` from it on, lie there; their noise."""
        return _end_of_line(self._means[k - LINE_BINS : k]), _end_of_line(self._means[k : k + n][::-1])

    def lowest_v(self, since_s: float, until_s: float) -> float:
        """The lowest voltage within the span, to the quarter of an hour and back to ten hours."""
        return min((volts for time_s, volts in self._lows if since_s - 900 < time_s <= until_s), default=99.0)

    def is_free(self, from_s: float, to_s: float) -> bool:
        """Whether no charger has held the voltage in the span, so that by day, too, a load that goes would lift it."""
        means = [volts for (start_s, _), volts in self._kept() if from_s <= start_s <= to_s]
        return bool(means) and max(means) < self._held_least_v

    def contrast(self, step: Step) -> float:
        """The step seen from further off: means of minutes before and after it, in standard errors of the noise.

        The longer ago it was, the further off, up to what a battery's own drift allows.
        """
        span_s = min(max(self.time_s - step.time_s, CONTRAST_LEAST_S), CONTRAST_MOST_S)
        bins = [(start_s - step.time_s, volts) for (start_s, _), volts in self._kept()]
        before = [volts for start_s, volts in bins if -span_s <= start_s < -0.5 * BIN_S]
        after = [volts for start_s, volts in bins if -0.5 * BIN_S <= start_s < span_s]
        if not before or not after:
            return 0.0
        change_v = sum(after) / len(after) - sum(before) / len(before)
        return change_v / (self.noise_v * (1 / len(before) + 1 / len(after)) ** 0.5)

    def jump(self, from_s: float, until_s: float, known_s: float) -> Jump | None:
        """The likeliest moment in the span for a load to have come or gone, however small, by what is known up to
        `known_s`; None if that is too little.

        A step on top of a parabola, against the parabola alone, by least squares; `odds` is the natural logarithm of
        how much better the step explains the minutes' means, less what chance finds among so many moments.
        """
        minutes: dict[int, list[float]] = {}
        for (start_s, _), volts in self._kept():
            if from_s - 900 <= start_s <= known_s:
                minutes.setdefault(int(start_s // 60), []).append(volts)
        times, means = list(minutes), [sum(volts) / len(volts) for volts in minutes.values()]
        if len(times) < 12:
            return None
        basis = _orthonormal([[float(t - times[0]) ** power for t in times] for power in (0, 1, 2)])
        rest = _without(means, basis)
        sorted_rest = sorted(abs(value) for value in rest)
        noise_v = max(self.noise_v * (60 / BIN_S) ** -0.5, 1.48 * sorted_rest[len(rest) // 2] * 0.7)
        best, candidates = (0.0, 0.0, 0.0), 0
        for k in range(3, len(times) - 3):
            if not from_s <= 60 * times[k] <= until_s:
                continue
            candidates += 1
            shape = _without([0.0] * k + [1.0] * (len(times) - k), basis)
            norm = sum(value * value for value in shape)
            volts = sum(a * b for a, b in zip(shape, rest, strict=True)) / norm
            gain = 0.5 * volts * volts * norm / (noise_v * noise_v)
            if gain > best[0]:
                best = (gain, volts, 60.0 * times[k])
        if not candidates:
            return None
        sure_v = noise_v * (8 / len(times)) ** 0.5  # about the standard error of a step in the middle
        return Jump(best[2], best[1], best[0] - log(candidates) - 1.0, sure_v)

    def holds(self, step: Step) -> bool:
        """Whether the newest means still lie on the step's far side."""
        edge_v, way = step.base_v + 0.5 * step.volts, 1 if step.volts > 0 else -1
        beyond_v = [way * (mean_v - edge_v) for mean_v in self._means[-3:]]
        return sum(beyond_v) > 0 and beyond_v[-1] > -self.noise_v

    def _work_at(self, time_s: float) -> float:
        times, works = self._mark_times, self._mark_works
        if not times:
            return time_s * REFERENCE_V
        beyond_s = time_s - times[-1]
        if beyond_s > 0:
            return works[-1] + beyond_s * (self.volts if beyond_s < LONGEST_SPAN_S else REFERENCE_V)
        at = bisect_left(times, time_s)
        if at == 0:
            return works[0] - (times[0] - time_s) * REFERENCE_V
        from_s, from_work = times[at - 1], works[at - 1]
        return from_work + (time_s - from_s) / (times[at] - from_s) * (works[at] - from_work)

    def _close_bin(self, dark: bool) -> None:
        mean_v = self._bin_sum / self._bin_n
        bins, means = self._bins, self._means
        if bins and dark and bins[-1][1] and self._bin_start_s - bins[-1][0] < LONGEST_SPAN_S:
            # Mean absolute difference of neighbours: a load's single step hardly moves it, a noisy meter does.
            difference_v = min(abs(mean_v - means[-1]), 6 * self.noise_v)
            self.noise_v += 0.02 * (max(0.886 * difference_v, 0.001) - self.noise_v)
        bins.append((self._bin_start_s, dark))
        means.append(mean_v)
        self._bin_sum, self._bin_n = 0.0, 0
        if len(bins) > 2 * KEPT_BINS:
            del bins[:-KEPT_BINS], means[:-KEPT_BINS]
        if len(bins) >= BEFORE_BINS + AFTER_BINS and abs(means[-AFTER_BINS] - means[-AFTER_BINS - 1]) >= JUMP_V:
            self._find_step(dark)
        if dark and len(bins) > SETTLED_BINS and bins[-SETTLED_BINS][1]:
            self._find_small_step()
        if len(bins) > 1 and bins[-2][1] is not dark:
            self._dusk_s = self._bin_start_s if dark else None
        elif self._dusk_s is not None and self._bin_start_s - self._dusk_s >= DUSK_OVER_S:
            self._find_at_dusk(self._dusk_s)
            self._dusk_s = None

    def _kept(self) -> Iterator[tuple[tuple[float, bool], float]]:
        return zip(self._bins[-KEPT_BINS:], self._means[-KEPT_BINS:], strict=True)

    def _find_step(self, dark: bool) -> None:
        before, after = self._means[-BEFORE_BINS - AFTER_BINS : -AFTER_BINS], self._means[-AFTER_BINS:]
        before_v = sum(before) / BEFORE_BINS
        change_v = sum(after) / AFTER_BINS - before_v
        if abs(change_v) < QUIET_STEP_V:
            return
        z = change_v / (self.noise_v * STEP_ERROR)
        first_s, was_dark = self._bins[-BEFORE_BINS - AFTER_BINS]
        if abs(z) < LEAST_Z or self._bins[-1][0] - first_s > LONGEST_SPAN_S:
            return
        if not (dark and was_dark):
            # By day the sun moves the voltage: a step must stand out of what happened just before and after it.
            moves = [abs(b - a) for part in (before, after) for a, b in pairwise(part)]
            z = change_v / (max(self.noise_v, 3 * max(moves)) * STEP_ERROR)
        # Every mean after the step must lie on its far side: drift and single outliers do not.
        edge_v = before_v + 0.4 * change_v
        if abs(z) < LEAST_Z or any((v - edge_v) * change_v < 0 for v in after):
            return
        step = Step(self._bins[-AFTER_BINS][0], change_v, z, before_v)
        last = self.steps[-1] if self.steps else None
        # Bins may be longer than BIN_S, where the voltage is read more rarely.
        if last is not None and last.time_s > first_s - BIN_S and last.volts * step.volts > 0:
            if abs(step.volts) > abs(last.volts) and last.time_s >= self._bins[-AFTER_BINS - 2][0]:
                self.steps[-1] = step._replace(time_s=last.time_s)  # the same step, now wholly in view
            return
        self.steps.append(step)

    def _find_at_dusk(self, dark_s: float) -> None:
        """Steps on top of the charge that fades: where the lines before and after do not meet. dark_s: when it became
        dark."""
        found: list[Step] = []
        bins = self._bins
        for k in range(max(len(bins) - KEPT_BINS, 0) + LINE_BINS, len(bins) - LINE_BINS + 1):
            if bins[k][0] < dark_s - DUSK_S or bins[k + LINE_BINS - 1][0] - bins[k - LINE_BINS][0] > LONGEST_SPAN_S:
                continue
            (before_v, before_noise_v), (after_v, after_noise_v) = self._lines(k, LINE_BINS)
            change_v, noise_v = after_v - before_v, max(self.noise_v, before_noise_v, after_noise_v)
            z = change_v / (noise_v * (8 / LINE_BINS) ** 0.5)
            if abs(z) < SURE_Z or abs(change_v) < QUIET_STEP_V:
                continue
            if found and bins[k][0] - found[-1].time_s < LINE_BINS * BIN_S:
                if abs(z) < abs(found[-1].z):
                    continue
                found.pop()
            found.append(Step(bins[k][0], change_v, z, before_v))
        # What was found at once has the fading charge in it too.
        apart_s = BIN_S * (BEFORE_BINS + 1)
        old = [step for step in self.steps if all(abs(step.time_s - new.time_s) > apart_s for new in found)]
        self.steps = deque(sorted([*old, *found]), maxlen=self.steps.maxlen)

    def _find_small_step(self) -> None:
        """One too small to stand out at once does so after some minutes, from longer means; by night only."""
        before = self._means[-LONG_BEFORE_BINS - LONG_AFTER_BINS : -LONG_AFTER_BINS]
        after = self._means[-LONG_AFTER_BINS:]
        before_v = sum(before) / LONG_BEFORE_BINS
        change_v = sum(after) / LONG_AFTER_BINS - before_v
        if abs(change_v) < QUIET_STEP_V:
            return
        z = change_v / (self.noise_v * LONG_STEP_ERROR)
        if abs(z) < LEAST_Z:
            return
        recent = self._bins[-LONG_BEFORE_BINS - LONG_AFTER_BINS :]
        half = LONG_BEFORE_BINS // 2
        drift_v = sum(before[half:]) / (LONG_BEFORE_BINS - half) - sum(before[:half]) / half
        if drift_v / change_v > MOST_DRIFT or recent[-1][0] - recent[0][0] > LONGEST_SPAN_S:
            return
        split = _likeliest_split(before + after)
        if split > LONG_BEFORE_BINS + LONG_AFTER_BINS - 2 * AFTER_BINS:
            return  # it may stand out at once
        step = Step(recent[split][0], change_v, z, before_v)
        last = self.steps[-1] if self.steps else None
        if last is None or step.time_s - last.time_s > BIN_S * LONG_AFTER_BINS:
            self.steps.append(step)
        elif last == self._small and abs(z) > abs(last.z):
            self.steps[-1] = step  # the same, better in view
        else:
            return
        self._small = step


def _likeliest_split(volts: list[float]) -> int:
    """From which one on the mean differs most, for the numbers of both, from the mean of those before."""
    total_v, before_v, best = sum(volts), 0.0, (0.0, 0)
    for k in range(1, len(volts)):
        before_v += volts[k - 1]
        change_v = (total_v - before_v) / (len(volts) - k) - before_v / k
        best = max(best, (change_v * change_v * k * (len(volts) - k), k))
    return best[1]


def _end_of_line(values: list[float], beyond: float = 0.0) -> tuple[float, float]:
    """Where the straight line through the values, by least squares, lies half a place beyond the last, and so many
    more; their noise."""
    n, mean = len(values), sum(values) / len(values)
    places = [k - (n - 1) / 2 for k in range(n)]
    slope = sum(map(mul, places, values)) / (n * (n * n - 1) / 12)
    rest = sum([(value - mean - slope * place) ** 2 for place, value in zip(places, values, strict=True)])
    return mean + slope * (n / 2 + beyond), (rest / (n - 2)) ** 0.5


def _is_alike(one: Step, other: Step) -> bool:
    """Whether two steps are of about one size."""
    return 0.7 < abs(one.volts / other.volts) < 1.4


def _orthonormal(columns: list[list[float]]) -> list[list[float]]:
    """Gram and Schmidt's basis of the columns' span."""
    basis: list[list[float]] = []
    for column in columns:
        rest = _without(column, basis)
        norm = sum(value * value for value in rest) ** 0.5
        basis.append([value / norm for value in rest])
    return basis


def _without(values: list[float], basis: list[list[float]]) -> list[float]:
    """What is left of the values beside the basis."""
    for unit in basis:
        share = sum(a * b for a, b in zip(values, unit, strict=True))
        values = [value - share * part for value, part in zip(values, unit, strict=True)]
    return values
