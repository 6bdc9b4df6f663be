"""A sag that came and went: looked for again once both of its sides are known.

The fall detector (:mod:`monitor.judge.dip`) must speak while a fall goes on, of readings whose level and
scatter it may have known for a minute only. Some time later the level after the sag is known as well, and the
scatter much better; the same readings then show what they could not show before. A window of readings is
compared with the level on both sides. It raises no alarm by itself: what sagged is not counted.

Scan statistic for a mean shift of unknown place and length in correlated noise; both-sided levels as in
Basseville and Nikiforov 1993 (off-line estimation of a change).

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log, sqrt

from monitor.judge.creep import DRIFT_K_PER_S
from monitor.judge.noise import LONGEST, Noise, Scatter
from monitor.judge.trace import Trace

#: Lengths of the windows. [samples]
WINDOWS = (10, 14, 19, 26, 35, 48, 65, 88, 120, 162, 220, 300)
#: Readings far apart show a sag of half a minute in three or four: there shorter ones besides. [samples]
SPARSE_WINDOWS = (3, 4, 6, *WINDOWS)
#: A window is looked into from here on: with the scatter of what lies outside it, which it cannot have raised.
CLOSER = 2.5
#: What the run as a whole shows may be raised by the sag itself: then sooner, but no sooner than this.
CLOSER_LEAST = 1.3
#: The level is learned from at most this many samples on either side.
SIDE = 240
#: Windows end on every so many samples, longer ones on a sixth of their length; each is looked at once, when so
#: much after it is known.
EVERY = 3
SCHEDULE = tuple((m, max(m // 6 // EVERY, 1) * EVERY, min(max(2 * m, 120), SIDE)) for m in WINDOWS)
#: A window lower than both sides by so many standard deviations sagged; the first is for the shortest windows,
#: of which a hold has many, the second for the longest, of which it has few. By Monte Carlo: together fewer than
#: one true hold in 200.
THRESHOLD, LONG_THRESHOLD = 5.5, 4.85
#: Coarse steps make heavier tails. By Monte Carlo.
COARSE = 1.15
#: The same where nobody was told that the hold is complete: nothing is taken back then by doubting sooner.
UNTOLD_THRESHOLD = 4.05
#: Each side alone must show at least this share of the drop, and so many standard deviations of it: a level
#: that steps down and stays there is a thriftier boil, no sag.
EACH_SIDE, EACH_SIDE_SD = 0.5, 2.0
#: A smaller mean drop is the boil's own liveliness, or weather, whatever its significance. [K]
LEAST_K = 0.06
#: With one side only a sag is told from a thriftier boil only beyond this, and from a drift only beyond what
#: that makes over the distance. [K]
ONE_SIDED_LEAST_K = 0.07
#: Fewer samples than this are no side.
SIDE_LEAST = 8
#: Fewer samples do not tell how neighbouring readings scatter.
SHORT_LEAST = 40
#: Windows that are this much less significant than the best one may still be the sag's true extent.
EXTENT = 3.0
#: A sag is taken to reach at least so much further to either side: to its end more, since a boil comes back gently.
#: [samples, of readings far apart seconds]
EDGE, LATE_EDGE = 16, 26


@dataclass(frozen=True, slots=True)
class Sag:
    """A sag found, from early to late; ``drop_K`` is its mean depth, ``score`` its significance."""

    early_s: float
    late_s: float
    drop_K: float
    score: float


class SagWatch:
    """Looks back over one plateau, which begins at index ``start`` of the trace.

    ``before_C``: the level of a boil before it, where one was lost; else None.
    """

    def __init__(self, trace: Trace, noise: Noise, start: int, before_C: float | None = None) -> None:
        self._trace = trace
        self._noise = noise
        self._before_C = before_C
        self.start = start
        self._count = 0

    def look(self) -> Sag | None:
        """After each sample: those windows whose after-side is long enough now."""
        self._count = count = self._count + 1
        if count % EVERY:
            return None
        n = len(self._trace)
        for m, stride, after in SCHEDULE:
            i = n - after - m
            if i < self.start:
                return None
            if count % stride == 0:
                sag = self._sag(i, i + m, n, THRESHOLD, CLOSER)
                if sag is not None:
                    return sag
        return None

    def look_everywhere(
        self, end_s: float | None = None, threshold: float = THRESHOLD, *, ended: bool = False
    ) -> Sag | None:
        """Every window up to ``end_s`` (by default now); where no fall ``ended`` it, without an after-side too."""
        n = len(self._trace) if end_s is None else self._trace.index_at(end_s)
        closer = self._closer(n)
        is_sparse = self._noise.is_sparse
        for m in SPARSE_WINDOWS if is_sparse else WINDOWS:
            last = n - m - 4 if ended else n - m + 1
            for i in range(last - 1, self.start - 1, -max(m // 6, 1 if is_sparse else 2)):
                sag = self._sag(i, i + m, n, threshold, closer)
                if sag is not None:
                    return sag
        return None

    def _closer(self, n: int) -> float:
        """CLOSER, less where neighbouring readings scatter less than the run as a whole."""
        if n - self.start < SHORT_LEAST:
            return CLOSER
        short = self._noise.short(self._trace, self.start, n)
        share = sqrt(short.long_run_variance / self._noise.now.long_run_variance)
        return CLOSER * min(max(share, CLOSER_LEAST / CLOSER), 1.0)

    def _sag(self, i: int, j: int, n: int, threshold: float, closer: float) -> Sag | None:
        if self._score(i, j, n, self._noise.now) < closer:
            return None
        around = (j - i) // 2
        scatter = self._noise.outside(self._trace, self.start, i - around, j + around)
        if scatter.is_coarse:
            threshold *= COARSE
        longer = max(log((j - i) / WINDOWS[0]) / log(WINDOWS[-1] / WINDOWS[0]), 0.0)
        if self._score(i, j, n, scatter) < threshold - longer * (THRESHOLD - LONG_THRESHOLD):
            return None
        return self._extent(i, j, n, scatter)

    def _score(self, i: int, j: int, n: int, scatter: Scatter) -> float:
        """By how many standard deviations samples [i, j) lie below both sides; 0 where it is no sag.

        Where fewer than a few samples up to ``n`` come after, the side before must tell alone.
        """
        trace = self._trace
        m = j - i
        flank = m // 4
        before, after = i - flank, j + flank
        left, right = max(self.start, before - SIDE), min(n, after + SIDE)
        inner = trace.mean(i, j)
        variance = scatter.mean_variance(m)
        weight = level = 0.0
        sides = []
        for a, b in ((left, before), (after, right)):
            if b - a >= SIDE_LEAST:
                side, side_variance = trace.mean(a, b), scatter.mean_variance(b - a)
                sides.append((side, side_variance))
                level += side / side_variance
                weight += 1.0 / side_variance
        if not sides:
            return 0.0
        drop = level / weight - inner
        if drop < LEAST_K or (len(sides) == 1 and drop < self._one_sided_least_K(left, n, i, inner)):
            return 0.0
        for side, side_variance in sides:
            alone = side - inner
            if alone < EACH_SIDE * drop or alone < EACH_SIDE_SD * sqrt(variance + side_variance):
                return 0.0
        return drop / sqrt(variance + 1.0 / weight)

    def _one_sided_least_K(self, left: int, n: int, i: int, inner_C: float) -> float:
        if i - self.start < SIDE_LEAST and self._before_C is not None and self._before_C - inner_C >= LEAST_K:
            # A boil that came back: the level before it was lost is the other side.
            return LEAST_K
        t = self._trace.t
        return ONE_SIDED_LEAST_K + 0.5 * DRIFT_K_PER_S * (t[n - 1] - t[left])

    def _extent(self, i: int, j: int, n: int, scatter: Scatter) -> Sag:
        """The sag around a window that stands out, wide enough to hold its true beginning and end."""
        m = j - i
        step = max(m // 8, 1)
        scored = [
            (self._score(a, b, n, scatter), a, b)
            for a in range(max(self.start, i - m), i + m // 2, step)
            for b in range(max(a + min(m, 6), j - m // 2), min(j + m, n), step)
            if b - a <= LONGEST
        ]
        best, first, last = max(scored, default=(0.0, i, j))
        near = [(a, b) for score, a, b in scored if score > best - EXTENT]
        early, late = min((a for a, _ in near), default=i), max((b for _, b in near), default=j)
        trace = self._trace
        # The best window of a slow ramp begins a third of the way down; its beginning must not be missed.
        apart = self._noise.spacing_s if self._noise.is_sparse else 1.0
        early = max(min(early, first - (last - first)) - max(m // 2, ceil(EDGE / apart)), self.start)
        late = min(late + max(m // 3, ceil(LATE_EDGE / apart)), n - 1)
        drop = trace.mean(max(self.start, early - SIDE), n) - trace.mean(first, last)
        return Sag(trace.t[early], trace.t[late], drop, best)
