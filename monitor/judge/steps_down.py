"""A fall in readings whose steps are coarser than their scatter: lows that stay.

Such a probe reads one value for minutes. Water that cools shows in nothing until it comes near the next step; then
lows come among the usual readings, more and more, and stay. But agitation that lasts for seconds also brings lows
in bunches, and a probe that has shown none yet cannot tell how long its bunches are. So two accounts are compared:

*Boil*: a chain of states, low or not. Its chances to go low far from other lows, to come back low soon after, and to
stay low are learned from the plateau so far, each with a prior that is a few readings strong (Beta and binomial:
Gelman et al. 2013, Bayesian data analysis, ch. 2); so a first bunch may be a bunch, and one that is longer than
those seen before is the more telling.

*Fall*: from some low on, most readings are low.

Where lows have come one by one for minutes, the steps are dithered a little, and tell more than the chain believes. So
there the fall is also held against a boil in which each reading is low for itself, with a chance that drifts.

The logarithm of how much likelier the fall is, over all lows at which it may have begun, is the score; it has to
pass a limit, and to stand out from the bunches that this plateau has shown before. Priors and limits by Monte Carlo
(``tests/benchmarks/dip_detector.py``).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import accumulate, pairwise
from math import lgamma, log, sqrt
from typing import NamedTuple

from monitor.judge.trace import Trace

#: Priors (a, b) of the chances of the boil's chain. Far from lows one is rare: in most minutes of boil there is none.
FAR, NEAR, STAY = (0.03, 1.0), (0.2, 4.0), (1.5, 3.5)
#: Once low twice running, the chance to stay is that of staying the first time until it has shown itself: a prior
#: with so many readings' weight.
STAY_ON_WEIGHT = 6.0
#: A fall's share of lows.
FALLING = (4.0, 1.0)
#: So soon after a low the next one belongs to the same bunch. [samples]
NEAR_SAMPLES = 8
#: A fall begins at most so long ago: as long as the longest window of the detector. [samples]
LONGEST = 240
#: The least score of a fall; and where this plateau has shown bunches, this much of their highest, and so much more.
LEAST, SHARE_OF_BEFORE, BEYOND_BEFORE = 11.0, 0.7, 6.0
#: Bunches below this tell nothing about others.
TELLING = 4.0
#: Readings of a plateau before a usual value is known; the chain is learned from the newest so many. [samples]
KNOWN_AFTER, MEMORY = 24, 900
#: Water wanders: of the readings far from any low no more than so many count, whatever their share of lows. [samples]
FAR_MOST = 600.0
#: Lows come one by one where so many did not stay, and one after a low is no likelier than elsewhere by more than this.
SINGLE_LEAST, SINGLE_MORE = 10, 0.07
#: Such lows tell a fall where its logarithm of the odds is this, against the share of lows in so many readings just
#: before, widened by so many standard errors: a level that drifts over a step makes them more frequent too.
SINGLE_SCORE, RECENT, DRIFTED = 9.0, 150, 5.0


class _Seen(NamedTuple):
    """Steps of the chain so far: (into low, not) far from lows and near them, (stayed, left) at once and later."""

    far_in: int = 0
    far_not: int = 0
    near_in: int = 0
    near_not: int = 0
    stayed: int = 0
    left: int = 0
    stayed_on: int = 0
    left_later: int = 0

    @property
    def lows(self) -> int:
        """How many of the steps led to a low."""
        return self.far_in + self.near_in + self.stayed + self.stayed_on


class StepsDown:
    """Follows the end of a trace, reading by reading; ``start`` is the plateau's first index."""

    def __init__(self, trace: Trace, step_K: float, start: int) -> None:
        self._trace = trace
        self._step_K = step_K
        self._start = start
        #: When a bunch set the plateau's highest score, and that score. [s]
        self._tops: list[tuple[float, float]] = []
        self._learn()

    def _learn(self) -> None:
        """Go through the plateau so far; the most frequent value is the usual one."""
        readings = self._trace.y
        self._taken = len(readings)
        first = max(self._start, self._taken - MEMORY)
        # Counted in steps from a reading, not from zero: an offset may lie half a step off.
        self._zero_C = readings[first] if first < self._taken else 0.0
        self._values = Counter(map(self._steps, readings[first:]))
        self._usual = self._most_frequent()
        self._seen = [0] * 8
        self._run, self._since = 0, NEAR_SAMPLES + 1
        #: Each index at which a fall may have begun, and the steps of the chain before it.
        self._begins: list[tuple[int, _Seen]] = []
        for i in range(first, self._taken):
            self._take(i, readings[i])

    def _steps(self, y_C: float) -> int:
        return round((y_C - self._zero_C) / self._step_K)

    def _most_frequent(self) -> int | None:
        if self._values.total() < KNOWN_AFTER:
            return None
        # Of two as frequent the higher one, so that the answer does not hang on their order.
        return max(self._values, key=lambda value: (self._values[value], value))

    def refit(self, start: int) -> None:
        """The plateau begins at index ``start``; see whether its usual value is still the same."""
        self._start = start
        if self._most_frequent() != self._usual:
            self._learn()

    def look(self, start: int) -> float:
        """Take in the newest reading of the plateau from index ``start``.

        Returns the score of a fall now, in thresholds: 1 or more is one.
        """
        n = len(self._trace.y)
        if n != self._taken + 1:
            # The trace has forgotten its oldest readings.
            self._start = start
            self._learn()
        else:
            y_C = self._trace.y[-1]
            self._values[self._steps(y_C)] += 1
            self._take(n - 1, y_C)
            self._taken = n
        return self._score() if self._run else 0.0

    def seen_before(self) -> tuple[int, int]:
        """How many readings of the plateau were followed, and how many lows were among them before the newest ones."""
        seen = _Seen(*self._seen)
        return sum(seen), seen.lows - self._run

    def are_beyond_single_lows(self) -> bool:
        """Whether lows came one by one on this plateau, and are now so many that no drift makes them."""
        usual, now = self._usual, _Seen(*self._seen)
        first = max(self._start, self._taken - MEMORY)
        values = [self._steps(y_C) for y_C in self._trace.y[first:]]
        if usual is None or _twice_too_often([value > usual for value in values]) > 1.0:
            return False
        lows = [0, *accumulate(value < usual for value in values)]
        for i, before in reversed(self._begins):
            at = i - first
            if self._taken - i > LONGEST or at < RECENT:
                break
            odds = _drift_odds(lows[at] - lows[at - RECENT], now.lows - before.lows, self._taken - i)
            if odds < SINGLE_SCORE or before.left < SINGLE_LEAST:
                continue
            if _twice_too_often([value < usual for value in values[:at]]) <= -1.0:
                return True
        return False

    def _take(self, i: int, y_C: float) -> None:
        seen, run = self._seen, self._run
        is_low = self._usual is not None and self._steps(y_C) < self._usual
        if run:
            place = 4 if run == 1 else 6
        else:
            place = 2 if self._since <= NEAR_SAMPLES else 0
            if is_low:
                while self._begins and self._begins[0][0] < i - LONGEST:
                    self._begins.pop(0)
                self._begins.append((i, _Seen(*seen)))
        seen[place if is_low else place + 1] += 1
        self._run = run + 1 if is_low else 0
        self._since = 0 if is_low else self._since + 1

    def _score(self) -> float:
        times = self._trace.t
        now = _Seen(*self._seen)
        best = top = 0.0
        for i, before in reversed(self._begins):
            if self._taken - i > LONGEST:
                break
            score = _log_odds(before, now)
            shown = next((shown for t_s, shown in reversed(self._tops) if t_s < times[i]), 0.0)
            top = max(top, score)
            best = max(best, score / max(LEAST, SHARE_OF_BEFORE * shown + BEYOND_BEFORE))
        if top > TELLING and (not self._tops or top > self._tops[-1][1]):
            self._tops.append((times[-1], top))
        return best


def _twice_too_often(seen: Sequence[bool]) -> float:
    """By how many readings of one kind more came twice running than if one told next to nothing about the next."""
    most = (sum(seen) / len(seen) + SINGLE_MORE) * (sum(seen[:-1]) + 2.0)
    return sum(one and other for one, other in pairwise(seen)) - most


def _drift_odds(recent: int, lows: int, readings: int) -> float:
    """Logarithm of the odds of a fall, by so many lows in its readings, against a share of lows that drifts on from
    the ``recent`` ones."""
    share = (recent + 1.0) / (RECENT + 2.0)
    most = share + DRIFTED * sqrt(share * (1.0 - share) / RECENT)
    boil = min(most, lows / readings, 0.999)
    return (
        _log_chance(FALLING, 0, 0, lows, readings - lows)
        - lows * log(boil)
        - (readings - lows) * log(1.0 - boil)
    )


def _log_odds(before: _Seen, now: _Seen) -> float:
    """Logarithm of the odds of a fall that began at a low against a boil, by the steps since."""
    since = _Seen(*(b - a for a, b in zip(before, now, strict=True)))
    lows = since.lows
    others = since.far_not + since.near_not + since.left + since.left_later
    a, b = STAY
    stay = (a + before.stayed) / (a + b + before.stayed + before.left)
    stay_on = (STAY_ON_WEIGHT * stay, STAY_ON_WEIGHT * (1.0 - stay))
    far = min(1.0, FAR_MOST / max(before.far_in + before.far_not, 1))
    boil = (
        _log_chance(FAR, far * before.far_in, far * before.far_not, since.far_in, since.far_not)
        + _log_chance(NEAR, before.near_in, before.near_not, since.near_in, since.near_not)
        + _log_chance(STAY, before.stayed, before.left, since.stayed, since.left)
        + _log_chance(stay_on, before.stayed_on, before.left_later, since.stayed_on, since.left_later)
    )
    return _log_chance(FALLING, 0, 0, lows, others) - boil


def _log_chance(prior: tuple[float, float], yes: float, no: float, next_yes: int, next_no: int) -> float:
    """Logarithm of the chance of the next yes and no, in their order, after those seen."""
    a, b = prior[0] + yes, prior[1] + no
    return _log_beta(a + next_yes, b + next_no) - _log_beta(a, b)


def _log_beta(a: float, b: float) -> float:
    return lgamma(a) + lgamma(b) - lgamma(a + b)
