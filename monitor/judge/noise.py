"""How much a reading scatters around the water's temperature, learned from the run itself.

Agitation of a boil is correlated over seconds, and coarse converters add steps; a threshold set for white
noise would then cry wolf every few minutes. The scatter is modelled as white noise (variance w, which holds
the steps too) plus a first-order autoregressive part (variance c, correlation r from sample to sample).

It is learned from second differences over several lags, E[(y_i - 2 y_{i-l} + y_{i-2l})²] =
6 w + 2 c (1 - r^l)(3 - r^l), because those do not see a level, a drift or a steady rise or fall: so nothing
has to be known beforehand, and a fall in progress does not spoil its own detection.
"""

from __future__ import annotations

from functools import cache
from math import inf, sqrt
from typing import NamedTuple

LAGS = (1, 2, 4, 8, 16)
#: Candidate correlations from one sample to the next.
CORRELATIONS = (0.0, 0.3, 0.5, 0.62, 0.72, 0.8, 0.85, 0.89, 0.92, 0.945)
#: Refit after this many new samples; forget half of what was learned beyond the memory.
REFIT_EVERY = 24
MEMORY = 2400
#: What the come-up teaches counts as this many samples, its scatter this much widened: a boil agitates more.
COME_UP_WEIGHT = 60.0
COME_UP_WIDENING = 1.4
COME_UP_MEMORY = 240.0
#: On the come-up only second differences that reach back this far are used. [s]
RISE_REACH_S = 12.0
#: A single squared second difference counts as at most this many times the mean.
CLIP = 5.0
#: Long-run variance over variance for the usual agitation (correlation time 5 s at 1 Hz), and how many
#: samples of a plateau outweigh that assumption. Our estimate; no measurement of a boil was found.
USUAL_REACH = 10.0
#: Where steps swallow the scatter its correlation never shows; this much is assumed for good.
QUIET_REACH = 3.5
DOUBT_SAMPLES = 150.0
#: Readings in a block whose means are compared.
BLOCK = 20
#: Longest window for which ramp variances are tabled. [samples]
LONGEST = 400


class Noise:
    """The scatter model. ``step_K`` is the resolution of the reading."""

    def __init__(self, step_K: float) -> None:
        self.step_K = step_K
        self._boil = _Squares(MEMORY)
        self._blocks = _Blocks()
        self._rise = _Squares(COME_UP_MEMORY)
        self._since_fit = 0
        #: Whether the model rests on this run's readings yet.
        self.is_learned = False
        # Before anything is learned: as noisy as a poor kitchen probe, so that nothing is claimed.
        self._w, self._c, self._r = max(0.05**2, step_K**2 / 12.0), 0.05**2, 0.8
        self._settle()

    def learn_rise(self, y: list[float], spacing_s: float) -> bool:
        """Take in the newest sample of a come-up. Returns whether the model was refitted.

        Only lags of a few seconds: a longer one would take the bends of the rise for scatter.
        """
        self._rise.take(y, len(y), RISE_REACH_S / spacing_s)
        return self._counted()

    def learn_boil(self, y: list[float], start: int) -> bool:
        """Take in the newest sample of a plateau that begins at ``start``. Returns as learn_rise."""
        self._boil.take(y, len(y), len(y) - start)
        self._blocks.take(y[-1])
        return self._counted()

    def learn_past(self, y: list[float], start: int) -> None:
        """Take in a plateau that was only now found to be one."""
        self._blocks.restart()
        for n in range(start + 1, len(y) + 1):
            self._boil.take(y, n, n - start)
            self._blocks.take(y[n - 1])
        self._fit()

    def _counted(self) -> bool:
        self._since_fit += 1
        if self._since_fit < REFIT_EVERY:
            return False
        self._since_fit = 0
        self._fit()
        return True

    @property
    def learned(self) -> float:
        """How many plateau samples the model rests on."""
        return self._boil.counts[0]

    def _fit(self) -> None:
        boil, rise = self._boil, self._rise
        observed, lags = [], []
        for place, lag in enumerate(LAGS):
            n = boil.counts[place]
            prior = min(rise.counts[place], COME_UP_WEIGHT) if n < 4.0 * COME_UP_WEIGHT else 0.0
            if n + prior < max(12.0, 2.0 * lag):
                continue
            total = boil.sums[place]
            if prior:
                total += rise.sums[place] * COME_UP_WIDENING**2 * prior / rise.counts[place]
            observed.append(total / (n + prior))
            lags.append(lag)
        if len(lags) < 2:
            return
        self._w, self._c, self._r = _best_model(observed, lags, self._blocks.highest)
        self.is_learned = True
        # A silent coarse plateau has no scatter at all; the step itself is then the uncertainty.
        self._w = max(self._w, self.step_K**2 / 12.0 - self._c, 1e-8)
        self._settle()

    def _settle(self) -> None:
        """What follows from the model, kept because it is asked for at every sample."""
        w, c, r = self._w, self._c, self._r
        #: Standard deviation of one reading, and of the change from one reading to the next. [K]
        self.sd_K = sqrt(w + c)
        self.change_sd_K = sqrt(2.0 * w + 2.0 * c * (1.0 - r))
        #: Whether the scatter is too small to dither the steps, so that changes hide inside one.
        self.is_quiet = self.step_K > 0.02 and self.sd_K <= 0.3 * self.step_K
        self._caution = self._unseen_correlation()
        #: Variance of a mean of n readings, times n, for large n. [K²]
        self.long_run_variance = self._caution * (w + c * (1.0 + r) / (1.0 - r))
        self._shapes = _shapes(r)

    def _unseen_correlation(self) -> float:
        """Factor on variances of sums, at least 1: agitation is correlated until the run has shown otherwise.

        A short record cannot tell correlated scatter from white; the usual correlation of a boil is assumed
        beside what was found, and fades fast as the plateau grows.
        """
        n = self._boil.counts[0] + 0.25 * self._rise.counts[0]
        usual = QUIET_REACH if self.is_quiet else 0.0
        usual = max(usual, self._blocks.lowest / (self._w + self._c))
        found = (self._w + self._c * (1.0 + self._r) / (1.0 - self._r)) / (self._w + self._c)
        doubt = (DOUBT_SAMPLES / max(n, 1.0)) ** 3
        missing = max(USUAL_REACH - found, 0.0)
        return max(found + missing * doubt / (1.0 + doubt), usual) / found

    def sum_variance(self, n: int) -> float:
        """Variance of the sum of n readings in a row, n up to LONGEST. [K²]"""
        return self._caution * (self._w * n + self._c * self._shapes.flat[n])

    def ramp_variance(self, n: int) -> float:
        """Variance of Σ k y over n readings in a row, k = 1..n, n up to LONGEST. [K²]"""
        shapes = self._shapes
        return self._caution * (self._w * shapes.squares[n] + self._c * shapes.ramp[n])

    def mean_variance(self, n: int) -> float:
        """Variance of the mean of n readings in a row. [K²]"""
        if n <= LONGEST:
            return self._caution * (self._w * n + self._c * self._shapes.flat[n]) / (n * n)
        return self.long_run_variance / n

    def slope_sd(self, n: int, spacing_s: float) -> float:
        """Standard deviation of a fitted slope over n readings. [K/s]"""
        return sqrt(12.0 * self.long_run_variance / n**3) / spacing_s


class _Shapes(NamedTuple):
    """For n = 0..LONGEST readings of unit variance and one correlation: Σ k², var Σ k y, var Σ y."""

    squares: tuple[float, ...]
    ramp: tuple[float, ...]
    flat: tuple[float, ...]


@cache
def _shapes(r: float) -> _Shapes:
    squares, ramp, flat = [0.0], [0.0], [0.0]
    ramp_tail = flat_tail = 0.0
    for n in range(1, LONGEST + 1):
        ramp_tail = r * (ramp_tail + (n - 1))
        flat_tail = r * (flat_tail + (1.0 if n > 1 else 0.0))
        squares.append(squares[-1] + n * n)
        ramp.append(ramp[-1] + n * n + 2.0 * n * ramp_tail)
        flat.append(flat[-1] + 1.0 + 2.0 * flat_tail)
    return _Shapes(tuple(squares), tuple(ramp), tuple(flat))


class _Blocks:
    """The long-run variance seen directly: means of blocks, compared with the block before.

    The model above has one correlation; a boil may wander more slowly besides, and this sees it.
    """

    def __init__(self) -> None:
        self._sum = self._squares = self._count = 0.0
        self._filled = 0
        self._before: float | None = None

    def restart(self) -> None:
        """A new plateau: its first block has none before it."""
        self._sum, self._filled, self._before = 0.0, 0, None

    def take(self, y_C: float) -> None:
        """Add one reading."""
        self._sum += y_C
        self._filled += 1
        if self._filled < BLOCK:
            return
        mean, self._sum, self._filled = self._sum / BLOCK, 0.0, 0
        if self._before is not None:
            square = (mean - self._before) ** 2
            if self._count >= 6.0:
                square = min(square, CLIP * self._squares / self._count + 1e-12)
            self._squares += square
            self._count += 1.0
            if self._count > MEMORY / BLOCK:
                self._squares *= 0.5
                self._count *= 0.5
        self._before = mean

    @property
    def lowest(self) -> float:
        """Lower end of the long-run variance by the blocks; 0 while they are too few. [K²]"""
        if self._count < 6.0:
            return 0.0
        return self._middle * (1.0 - 1.3 / sqrt(self._count))

    @property
    def highest(self) -> float:
        """Upper end of the long-run variance by the blocks; infinite while they are too few. [K²]"""
        if self._count < 8.0:
            return inf
        return self._middle * (1.0 + 3.5 / sqrt(self._count))

    @property
    def _middle(self) -> float:
        return 0.5 * BLOCK * self._squares / self._count


class _Squares:
    """Mean squared second differences for each lag, old ones fading."""

    def __init__(self, memory: float) -> None:
        self.sums = [0.0] * len(LAGS)
        self.counts = [0.0] * len(LAGS)
        self._memory = memory

    def take(self, y: list[float], n: int, reach: float) -> None:
        """Add the sample y[n - 1], for lags whose three readings lie within ``reach`` samples."""
        last = y[n - 1]
        sums, counts = self.sums, self.counts
        for place, lag in enumerate(LAGS):
            if 2 * lag >= reach or 2 * lag >= n:
                return
            second = last - 2.0 * y[n - 1 - lag] + y[n - 1 - 2 * lag]
            square = second * second
            count = counts[place]
            if count >= 20.0:
                # A bend (a knee, the onset of a dip) is no scatter: it may not weigh more than a rare excess.
                square = min(square, CLIP * sums[place] / count + 1e-12)
            sums[place] += square
            counts[place] = count + 1.0
            if count >= self._memory:
                counts[place] *= 0.5
                sums[place] *= 0.5


def _best_model(observed: list[float], lags: list[int], highest: float) -> tuple[float, float, float]:
    """(w, c, r) that fit the mean squared second differences best, each lag weighed by its own size.

    A correlation that would put the long-run variance above ``highest`` is not considered.
    """
    best = (0.0, 0.0, 0.0)
    least = float("inf")
    weights = [1.0 / (value * value + 1e-16) for value in observed]
    for r in CORRELATIONS:
        shape = [2.0 * (1.0 - r**lag) * (3.0 - r**lag) for lag in lags]
        # Weighted least squares for 6 w + shape c, both at least zero.
        s11 = sum(36.0 * weight for weight in weights)
        s12 = sum(6.0 * g * weight for g, weight in zip(shape, weights, strict=True))
        s22 = sum(g * g * weight for g, weight in zip(shape, weights, strict=True))
        b1 = sum(6.0 * value * weight for value, weight in zip(observed, weights, strict=True))
        b2 = sum(g * value * weight for g, value, weight in zip(shape, observed, weights, strict=True))
        determinant = s11 * s22 - s12 * s12
        if r == 0.0 or determinant <= 1e-12 * s11 * s22:
            w, c = b1 / s11, 0.0
        else:
            w = (b1 * s22 - b2 * s12) / determinant
            c = (b2 * s11 - b1 * s12) / determinant
            if w < 0.0:
                w, c = 0.0, b2 / s22
            elif c < 0.0:
                w, c = b1 / s11, 0.0
        misfit = sum(
            weight * (6.0 * w + g * c - value) ** 2
            for g, value, weight in zip(shape, observed, weights, strict=True)
        )
        if r and w + c * (1.0 + r) / (1.0 - r) > highest:
            break
        # The candidates begin with white noise; a correlation must earn its place.
        if misfit < 0.9 * least - 1e-4:
            least, best = misfit, (w, c, r)
    return best
