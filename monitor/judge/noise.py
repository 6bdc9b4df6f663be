"""How much a reading scatters around the water's temperature, learned from the run itself.

Agitation of a boil is correlated over seconds, and coarse converters add steps; a threshold set for white
noise would then cry wolf every few minutes. The scatter is modelled as white noise (variance w, which holds
the steps too) plus a first-order autoregressive part (variance c, correlation r from sample to sample).

It is learned from second differences over several lags, E[(y_i - 2 y_{i-l} + y_{i-2l})²] =
6 w + 2 c (1 - r^l)(3 - r^l), because those do not see a level, a drift or a steady rise or fall: so nothing
has to be known beforehand, and a fall in progress does not spoil its own detection.
"""

from __future__ import annotations

from math import sqrt

LAGS = (1, 2, 4, 8, 16)
#: Candidate correlations from one sample to the next.
CORRELATIONS = (0.0, 0.3, 0.5, 0.62, 0.72, 0.8, 0.85, 0.89, 0.92, 0.945)
#: Refit after this many new samples; forget half of what was learned beyond the memory.
REFIT_EVERY = 24
MEMORY = 2400
#: What the come-up teaches counts as this many samples, its scatter this much widened: a boil agitates more.
COME_UP_WEIGHT = 60.0
COME_UP_WIDENING = 1.4
#: Longest window for which ramp variances are tabled. [samples]
LONGEST = 400


class Noise:
    """The scatter model. ``step_K`` is the resolution of the reading."""

    def __init__(self, step_K: float) -> None:
        self.step_K = step_K
        self._boil = [0.0] * len(LAGS)
        self._boil_n = 0.0
        self._rise = [0.0] * len(LAGS)
        self._rise_n = 0.0
        self._since_fit = 0
        #: Whether the model rests on this run's readings yet.
        self.is_learned = False
        # Before anything is learned: as noisy as a poor kitchen probe, so that nothing is claimed.
        self._w, self._c, self._r = max(0.05**2, step_K**2 / 12.0), 0.05**2, 0.8
        self._tables()

    def learn(self, y: list[float], on_plateau: bool) -> bool:
        """Take in the newest sample of ``y``. Returns whether the model was refitted."""
        n = len(y)
        if n <= 2 * LAGS[-1]:
            return False
        sums = self._boil if on_plateau else self._rise
        last = y[-1]
        for place, lag in enumerate(LAGS):
            second = last - 2.0 * y[n - 1 - lag] + y[n - 1 - 2 * lag]
            sums[place] += second * second
        if on_plateau:
            self._boil_n += 1.0
            if self._boil_n > MEMORY:
                self._boil_n *= 0.5
                self._boil = [value * 0.5 for value in self._boil]
        else:
            self._rise_n += 1.0
            if self._rise_n > 240.0:
                self._rise_n *= 0.5
                self._rise = [value * 0.5 for value in self._rise]
        self._since_fit += 1
        if self._since_fit < REFIT_EVERY:
            return False
        self._since_fit = 0
        self._fit()
        return True

    @property
    def learned(self) -> float:
        """How many plateau samples the model rests on."""
        return self._boil_n

    @property
    def sd_K(self) -> float:
        """Standard deviation of one reading. [K]"""
        return sqrt(self._w + self._c)

    @property
    def long_run_variance(self) -> float:
        """Variance of a mean of n readings, times n, for large n. [K²]"""
        return self._w + self._c * (1.0 + self._r) / (1.0 - self._r)

    @property
    def is_quiet(self) -> bool:
        """Whether the scatter is too small to dither the steps, so that changes hide inside one."""
        return self.step_K > 0.02 and self.sd_K <= 0.3 * self.step_K

    def _fit(self) -> None:
        prior_n = min(self._rise_n, COME_UP_WEIGHT) if self._boil_n < MEMORY / 4 else 0.0
        total = self._boil_n + prior_n
        if total < 20.0:
            return
        widen = COME_UP_WIDENING**2 * (prior_n / self._rise_n if self._rise_n else 0.0)
        observed = [(boil + widen * rise) / total for boil, rise in zip(self._boil, self._rise, strict=True)]
        self._w, self._c, self._r = _best_model(observed)
        self.is_learned = True
        # A silent coarse plateau has no scatter at all; the step itself is then the uncertainty.
        self._w = max(self._w, self.step_K**2 / 12.0 - self._c, 1e-8)
        self._tables()

    def _tables(self) -> None:
        """Variances of the sum and of the ramp sum over n = 1..LONGEST newest samples (spacing one)."""
        w, c, r = self._w, self._c, self._r
        self.ramp_variance = [0.0] * (LONGEST + 1)
        self.sum_variance = [0.0] * (LONGEST + 1)
        ramp = flat = ramp_tail = flat_tail = 0.0
        for n in range(1, LONGEST + 1):
            ramp_tail = r * (ramp_tail + (n - 1))
            flat_tail = r * (flat_tail + (1.0 if n > 1 else 0.0))
            ramp += n * n * (w + c) + 2.0 * c * n * ramp_tail
            flat += (w + c) + 2.0 * c * flat_tail
            self.ramp_variance[n] = ramp
            self.sum_variance[n] = flat

    def mean_variance(self, n: int) -> float:
        """Variance of the mean of n readings in a row. [K²]"""
        if n <= LONGEST:
            return self.sum_variance[n] / (n * n)
        return self.long_run_variance / n

    def slope_sd(self, n: int, spacing_s: float) -> float:
        """Standard deviation of a fitted slope over n readings. [K/s]"""
        return sqrt(12.0 * self.long_run_variance / n**3) / spacing_s


def _best_model(observed: list[float]) -> tuple[float, float, float]:
    """(w, c, r) that fit the mean squared second differences best, each lag weighed by its own size."""
    best = (0.0, 0.0, 0.0)
    least = float("inf")
    weights = [1.0 / (value * value + 1e-16) for value in observed]
    for r in CORRELATIONS:
        shape = [2.0 * (1.0 - r**lag) * (3.0 - r**lag) for lag in LAGS]
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
        # The candidates begin with white noise; a correlation must earn its place.
        if misfit < 0.9 * least - 1e-4:
            least, best = misfit, (w, c, r)
    return best
