"""How much a reading scatters around the water's temperature, learned from the run itself.

Agitation of a boil is correlated over seconds, and coarse converters add steps; a threshold set for white
noise would then cry wolf every few minutes. The scatter is modelled as white noise (the steps are in it) plus
a first-order autoregressive part: variance σ², a share ρ of it correlated with a time constant τ.

It is learned from bends: m̄₁ - 2 m̄₂ + m̄₃ of three neighbouring means of m readings, m = 1, 2, 4 ... 32. Those
do not see a level, a drift or a steady rise or fall: so nothing has to be known beforehand, and a fall in
progress does not spoil its own detection. A short record cannot tell τ. Therefore no single model is picked:
all of a grid are kept, each weighed by its likelihood, and a variance is the average over them (Bayesian
model averaging: Hoeting et al. 1999, Statistical Science 14, 382). That is cautious while little is known
and sharpens as the plateau grows.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from math import exp, inf, log, sqrt
from typing import NamedTuple

from monitor.judge.gap import SPARSE_S
from monitor.judge.trace import Trace

#: Readings in each of the three means of a bend; so many of them are short.
SCALES = (1, 2, 4, 8, 16, 32)
SHORT_SCALES = 4
#: The grid of models: time constants [samples] and correlated shares. White noise alone comes besides, and
#: weighs as much before anything is known as four of the time constants. A coarser grid makes a long plateau settle
#: on the one or the other side of its correlation: a third too much variance, or too little.
TIME_CONSTANTS = tuple(0.6 * 1.25**k for k in range(15))
SHARES = (0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0)
WHITE_WEIGHT = 4.0
#: A boil's agitation is correlated over some 5 s; over three times that, neighbours further apart than SPARSE_S are
#: taken to be at the most. What holds for longer is the water: few readings a minute would take a dip for scatter. [s]
AGITATION_S = 15.0
#: Before anything is learned: as noisy as a poor kitchen probe, so that nothing is claimed. Half of it is correlated so
#: much from one second to the next. [K]
UNLEARNED_K, UNLEARNED_R = 0.05, 0.8
#: No boil scatters quite as a model says, and steps scatter in their own way: a mean square is believed to be off by
#: a tenth (the square of that), however many bends it rests on. By Monte Carlo.
MISFIT = 0.01
#: Bends over m readings overlap; so many readings, times m, carry one independent bend. By Monte Carlo.
APART = 1.25
#: Refit after this many new samples; forget half of what was learned beyond the memory.
REFIT_EVERY = 24
MEMORY = 2400
#: What the come-up teaches counts as this many samples, its scatter this much widened: a boil agitates more.
COME_UP_WEIGHT = 60.0
COME_UP_WIDENING = 1.4
COME_UP_MEMORY = 240.0
#: On the come-up only bends that reach back this far are used: the rise itself bends. [s]
RISE_REACH_S = 12.0
#: A single squared bend counts as at most this many times the mean.
CLIP = 5.0
#: Where steps swallow the scatter its correlation never shows; this long-run variance over variance is assumed.
QUIET_REACH = 3.5
#: Finer steps are dithered by any boil. [K]
QUIET_STEP_K = 0.02
#: What is left of a plateau without a window must be so long to tell the scatter by itself [samples], less where
#: samples are further apart than a second, up to this: they are the more independent. [s]
OUTSIDE_LEAST, SPARSEST_S = 160.0, 2.5
#: The same where they are so far apart that they are hardly correlated. [samples]
SPARSE_LEAST = 24.0
#: A model with less than this share of the likelihood is left out. Fewer models, faster sums.
NEGLIGIBLE = 0.002
#: Longest window for which variances are tabled. [samples]
LONGEST = 400


class Scatter:
    """One answer to how much the readings scatter: a white part, and a part of each correlation. [K²]"""

    def __init__(self, step_K: float, white: float, correlated: dict[float, float]) -> None:
        both = sum(correlated.values())
        # A silent coarse plateau has no scatter at all; the step itself is then the uncertainty.
        self._white = white = max(white, step_K**2 / 12.0 - both, 1e-8)
        self._parts = [(part, _shapes(r)) for r, part in correlated.items()]
        #: Standard deviation of one reading, and of the change from one reading to the next. [K]
        self.sd_K = sqrt(white + both)
        change = white + sum(part * (1.0 - r) for r, part in correlated.items())
        self.change_sd_K = sqrt(2.0 * change)
        #: How far one reading may lie from the mean of those before it. [K]
        self.one_reading_K = max(4.5 * self.sd_K, 1.1 * step_K) + 0.03
        #: Whether the steps are larger than the scatter.
        self.is_coarse = step_K > self.sd_K
        #: Whether the scatter is too small to dither the steps, so that changes hide inside one.
        self.is_quiet = step_K > QUIET_STEP_K and self.sd_K <= 0.3 * step_K
        long_run = white + sum(part * (1.0 + r) / (1.0 - r) for r, part in correlated.items())
        least = QUIET_REACH * self.sd_K**2 if self.is_quiet else 0.0
        self._widened = max(long_run, least) / long_run
        #: Variance of a mean of n readings, times n, for large n. [K²]
        self.long_run_variance = max(long_run, least)
        self._mean_variances: dict[int, float] = {}
        #: Standard deviation of a mean of 30 readings. [K]
        self.sd_of_30_K = sqrt(self.mean_variance(30))

    def ramp_variance(self, n: int) -> float:
        """Variance of Σ k y over n readings in a row, k = 1..n, n up to LONGEST. [K²]"""
        white = self._white * n * (n + 1) * (2 * n + 1) / 6.0
        return self._widened * (white + sum(part * shapes.ramp[n] for part, shapes in self._parts))

    def mean_variance(self, n: int) -> float:
        """Variance of the mean of n readings in a row. [K²]"""
        if n > LONGEST:
            return self.long_run_variance / n
        variance = self._mean_variances.get(n)
        if variance is None:
            total = self._white * n + sum(part * shapes.flat[n] for part, shapes in self._parts)
            variance = self._mean_variances[n] = self._widened * total / (n * n)
        return variance

    def whitening(self) -> tuple[float, float, float]:
        """(r, gain, variance in K²) of the filter whose innovations are independent, for use one fall at a time.

        The steady state of the Kalman filter for the white part plus one first-order autoregressive part that has
        the variance and the long-run variance of all of them.
        """
        both = sum(part for part, _ in self._parts)
        white = self._white
        if both <= 0.0:
            return 0.0, 0.0, self._widened * white
        ratio = (self.long_run_variance / self._widened - white) / both
        r = (ratio - 1.0) / (ratio + 1.0)
        ahead = both
        for _ in range(200):
            ahead = r * r * ahead * white / (ahead + white) + both * (1.0 - r * r)
        return r, ahead / (ahead + white), self._widened * (ahead + white)

    def slope_sd(self, n: int, spacing_s: float) -> float:
        """Standard deviation of a fitted slope over n readings. [K/s]"""
        return sqrt(12.0 * self.long_run_variance / n**3) / spacing_s


def whitened(values: Iterable[float], r: float, gain: float) -> list[float]:
    """The innovations of readings, or of a shape, by the filter of :meth:`Scatter.whitening`."""
    expected, fresh = 0.0, []
    for value in values:
        innovation = value - expected
        fresh.append(innovation)
        expected = r * (expected + gain * innovation)
    return fresh


class Noise:
    """Learns the scatter as the run goes on; ``now`` is what is known. ``step_K`` is the resolution."""

    def __init__(self, step_K: float) -> None:
        self.step_K = step_K
        self._boil = _Bends(MEMORY)
        self._rise = _Bends(COME_UP_MEMORY)
        self._since_fit = 0
        #: Samples of the plateau that the next refit takes in.
        self._waiting = 0
        #: Whether the model rests on this run's readings yet.
        self.is_learned = False
        #: Time from one reading to the next on the plateau. [s]
        self.spacing_s = 1.0
        #: The strongest correlation that neighbouring readings can have, and how far it reaches [samples].
        self._most_r, self.most_reach = 1.0, inf
        self.now = self._unlearned(1.0)

    def _unlearned(self, spacing_s: float) -> Scatter:
        white = max(UNLEARNED_K**2, self.step_K**2 / 12.0)
        return Scatter(self.step_K, white, {UNLEARNED_R**spacing_s: UNLEARNED_K**2})

    def _follow_rhythm(self, spacing_s: float) -> None:
        """Readings far apart are hardly correlated."""
        self.spacing_s = spacing_s
        if not self.is_sparse:
            self._most_r, self.most_reach = 1.0, inf
            return
        self._most_r = r = exp(-spacing_s / AGITATION_S)
        self.most_reach = (1.0 + r) / (1.0 - r)
        if not self.is_learned:
            self.now = self._unlearned(spacing_s)

    def moves_in(self, step_K: float) -> None:
        """The readings turn out to move in other steps than the converter's."""
        self.step_K = step_K
        if self.is_learned:
            self._fit()
        else:
            self.now = self._unlearned(self.spacing_s)

    def learn_rise(self, trace: Trace, spacing_s: float) -> bool:
        """Take in the newest sample of a come-up. Returns whether the model was refitted."""
        self._rise.take(trace, len(trace), RISE_REACH_S / spacing_s)
        self._waiting = 0
        self._since_fit += 1
        if self._since_fit < REFIT_EVERY:
            return False
        self._since_fit = 0
        self._fit()
        return True

    def learn_boil(self, trace: Trace, start: int, spacing_s: float = 1.0) -> bool:
        """The newest sample of a plateau that begins at ``start``. Returns as learn_rise; in between it waits."""
        self._waiting += 1
        self._since_fit += 1
        if self._since_fit < REFIT_EVERY:
            return False
        for n in range(max(len(trace) - self._waiting, start) + 1, len(trace) + 1):
            self._boil.take(trace, n, n - start)
        self._waiting = self._since_fit = 0
        self._follow_rhythm(spacing_s)
        self._fit()
        return True

    def learn_past(self, trace: Trace, start: int, spacing_s: float = 1.0) -> None:
        """Take in a plateau that was only now found to be one."""
        self._follow_rhythm(spacing_s)
        for n in range(start + 1, len(trace) + 1):
            self._boil.take(trace, n, n - start)
        self._waiting = 0
        self._fit()

    def outside(self, trace: Trace, start: int, i: int, j: int) -> Scatter:
        """The scatter of a plateau from ``start`` without samples [i, j), which may not be its own."""
        bends = _Bends(MEMORY)
        for first, last in ((start, i), (j, len(trace))):
            bends.take_all(trace, first, last)
        spacing_s = (trace.t[-1] - trace.t[start]) / max(len(trace) - 1 - start, 1)
        least = OUTSIDE_LEAST / min(max(spacing_s, 1.0), SPARSEST_S)
        if bends.counts[0] < (SPARSE_LEAST if self.is_sparse else least):
            return self.now
        return Scatter(self.step_K, *_averaged(_seen(bends, None), most_r=self._most_r))

    def short(self, trace: Trace, first: int, last: int) -> Scatter:
        """The scatter of samples [first, last) as neighbouring readings show it: slow wandering does not raise it."""
        bends = _Bends(MEMORY)
        bends.take_all(trace, first, last)
        return Scatter(self.step_K, *_averaged(_seen(bends, None)[:SHORT_SCALES], most_r=self._most_r))

    @property
    def is_sparse(self) -> bool:
        """Whether readings are so far apart that what agitates the boil is over before the next."""
        return self.spacing_s > SPARSE_S

    @property
    def learned(self) -> float:
        """How many plateau samples the model rests on."""
        return self._boil.counts[0]

    def _fit(self) -> None:
        seen = _seen(self._boil, self._rise)
        if len(seen) >= 2:
            self.is_learned = True
            self.now = Scatter(self.step_K, *_averaged(seen, MISFIT, self._most_r))


def _seen(boil: _Bends, rise: _Bends | None) -> list[tuple[int, float, float]]:
    """(the scale's place, its mean squared bend, so many independent bends) for each scale seen enough."""
    seen: list[tuple[int, float, float]] = []
    for place, m in enumerate(SCALES):
        count, total = boil.counts[place], boil.sums[place]
        if rise is not None and rise.counts[place] and count < 4.0 * COME_UP_WEIGHT:
            prior = min(rise.counts[place], COME_UP_WEIGHT)
            total += rise.sums[place] * COME_UP_WIDENING**2 * prior / rise.counts[place]
            count += prior
        if count >= max(12.0, 2.0 * m):
            seen.append((place, max(total / count, 1e-10), count / (m * APART)))
    return seen


class _Bends:
    """Mean squared bends for each scale, old ones fading. Counts are in samples."""

    def __init__(self, memory: float) -> None:
        self.sums = [0.0] * len(SCALES)
        self.counts = [0.0] * len(SCALES)
        self._memory = memory

    def take(self, trace: Trace, n: int, reach: float) -> None:
        """Add the bends that end at sample n - 1, for scales that lie within ``reach`` samples."""
        sum_y, sums, counts = trace.sum_y, self.sums, self.counts
        for place, m in enumerate(SCALES):
            if 3 * m > reach or 3 * m > n:
                return
            stride = m // 2 or 1
            if n % stride:
                continue
            bend = sum_y[n] - 3.0 * (sum_y[n - m] - sum_y[n - 2 * m]) - sum_y[n - 3 * m]
            square = bend * bend / (m * m)
            count = counts[place]
            if count >= 20.0 * m:
                # A knee, or the onset of a dip, is no scatter: it may not weigh more than a rare excess.
                square = min(square, CLIP * sums[place] / count + 1e-12)
            sums[place] += square * stride
            counts[place] = count + stride
            if count >= self._memory:
                counts[place] *= 0.5
                sums[place] *= 0.5

    def take_all(self, trace: Trace, first: int, last: int) -> None:
        """Add all bends within samples [first, last) at once."""
        sum_y = trace.sum_y
        for place, m in enumerate(SCALES):
            if last - first < 3 * m:
                return
            stride = m // 2 or 1
            ends = [sum_y[first + k * m : last + 1 - (3 - k) * m : stride] for k in range(4)]
            squares = [(d - 3.0 * (c - b) - a) ** 2 for a, b, c, d in zip(*ends, strict=True)]
            limit = CLIP * sum(squares) / len(squares)
            self.sums[place] += sum(min(square, limit) for square in squares) * stride / (m * m)
            self.counts[place] += len(squares) * stride


def _averaged(
    seen: list[tuple[int, float, float]], misfit: float = 0.0, most_r: float = 1.0
) -> tuple[float, dict[float, float]]:
    """The models' average for (scale's place, mean squared bend, independent bends) of each scale seen.

    ``most_r``: models of a stronger correlation from one reading to the next are left out.

    Returns the variance of the white part and that of the part of each correlation. [K²]
    """
    seen = [(place, square, n / (1.0 + misfit * n)) for place, square, n in seen]
    total = sum(n for _, _, n in seen)
    fits: list[tuple[float, float, float, float]] = []
    for r, share, log_weight, expected, logs in _models():
        if r > most_r:
            continue
        variance = shape = 0.0
        for place, square, n in seen:
            variance += n * square / expected[place]
            shape += n * logs[place]
        variance /= total
        fits.append((log_weight - 0.5 * (total * log(variance) + shape), variance, r, share))
    most = max(fit[0] for fit in fits)
    weighed = [(exp(fit[0] - most), *fit[1:]) for fit in fits]
    whole = sum(weight for weight, *_ in weighed)
    white, correlated = 0.0, dict[float, float]()
    for weight, variance, r, share in weighed:
        part = weight / whole * variance
        white += (1.0 - share) * part
        if share and weight > NEGLIGIBLE * whole:
            correlated[r] = correlated.get(r, 0.0) + share * part
        else:
            white += share * part
    return white, correlated


class _Model(NamedTuple):
    """A correlation r with its share, the logarithm of its weight beforehand, and the mean squared bend of
    each scale for σ = 1, with its logarithm."""

    r: float
    share: float
    log_weight: float
    expected: tuple[float, ...]
    logs: tuple[float, ...]


@cache
def _models() -> tuple[_Model, ...]:
    white = [6.0 / m for m in SCALES]
    models = [_Model(0.0, 0.0, log(WHITE_WEIGHT), tuple(white), tuple(map(log, white)))]
    for tau in TIME_CONSTANTS:
        r = exp(-1.0 / tau)
        bent = [_bend_variance(m, r) for m in SCALES]
        for share in SHARES:
            expected = tuple((1.0 - share) * w + share * b for w, b in zip(white, bent, strict=True))
            models.append(_Model(r, share, log(1.0 / len(SHARES)), expected, tuple(map(log, expected))))
    return tuple(models)


def _bend_variance(m: int, r: float) -> float:
    """Mean squared bend over three means of m readings, for unit variance and correlation r."""
    weights = [1.0] * m + [-2.0] * m + [1.0] * m
    total = sum(weight * weight for weight in weights)
    for lag in range(1, 3 * m):
        pairs = zip(weights, weights[lag:], strict=False)
        total += 2.0 * r**lag * sum(one * other for one, other in pairs)
    return total / (m * m)


class _Shapes(NamedTuple):
    """For n = 0..LONGEST readings of unit variance and one correlation: var Σ k y, var Σ y."""

    ramp: tuple[float, ...]
    flat: tuple[float, ...]


@cache
def _shapes(r: float) -> _Shapes:
    ramp, flat = [0.0], [0.0]
    ramp_tail = flat_tail = 0.0
    for n in range(1, LONGEST + 1):
        ramp_tail = r * (ramp_tail + (n - 1))
        flat_tail = r * (flat_tail + (1.0 if n > 1 else 0.0))
        ramp.append(ramp[-1] + n * n + 2.0 * n * ramp_tail)
        flat.append(flat[-1] + 1.0 + 2.0 * flat_tail)
    return _Shapes(tuple(ramp), tuple(flat))
