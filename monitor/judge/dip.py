"""The dip detector: a steady fall away from the plateau, found long before it reaches the floor.

A window-limited generalised likelihood ratio for a downward ramp of unknown slope and onset (Lai 1995;
Tartakovsky, Nikiforov and Basseville 2014, ch. 8): over windows of growing length the readings are projected
on a ramp that starts at the window's beginning, the level being learned from the plateau before it. The
largest standardised projection above a threshold is a fall; the window tells when it began.

The standardisation uses the run's own scatter, correlation and steps (:mod:`monitor.judge.noise`), so one
threshold serves a fine quiet probe and a coarse restless one.
"""

from __future__ import annotations

from math import sqrt

from monitor.judge.noise import Noise
from monitor.judge.onset import MARGIN_K_PER_S, SLOWEST_K_PER_S, Fall, date_fall
from monitor.judge.trace import Trace

#: Lengths of the windows. [samples]
WINDOWS = (3, 4, 5, 6, 8, 10, 12, 15, 18, 22, 27, 33, 40, 49, 60, 73, 89, 108, 132, 161, 196, 239)
#: The level is learned from at most this many samples before a window, and at least this many.
BASELINE = 300
BASELINE_LEAST = 12
#: Threshold in standard deviations; set by Monte Carlo for one false alarm in 1,000 h of boil or fewer
#: (tests/benchmarks/dip_detector.py).
THRESHOLD = 5.8
#: The scatter model itself is learned from n samples: the threshold is wider by LEARNING × (reach of the
#: correlation) / n.
LEARNING = 2.0
#: Steps much coarser than the scatter, or coarse and correlated, make its tails heavier than normal: wider by
#: these factors. By Monte Carlo.
COARSE, COARSE_CORRELATED = 1.1, 1.07
#: A rise is no alarm, so it can wait for more evidence; on coarse probes a slow drift over one step may not
#: pass for one.
RISE, COARSE_RISE = 1.2, 1.5
#: A rise smaller than this is drift or a livelier boil, whatever its significance. [K]
RISE_LEAST_K = 0.06
#: A fall is refuted where the readings lie this many standard deviations above what it would have done.
REFUTED = 3.3


class FallDetector:
    """Looks at the end of a trace after each sample. One a plateau; ``start`` is its first index."""

    def __init__(self, trace: Trace, noise: Noise, start: int) -> None:
        self._trace = trace
        self._noise = noise
        self.start = start
        self._count = 0
        self.refit()

    def refit(self) -> None:
        """Take over a newly fitted scatter model."""
        noise = self._noise
        learned = max(noise.learned, 20.0)
        reach = noise.now.long_run_variance / max(noise.now.sd_K**2, 1e-12)
        self.threshold = THRESHOLD * (1.0 + LEARNING * reach / learned)
        self._rise_factor = COARSE_RISE if noise.now.is_coarse else RISE
        if noise.step_K > 2.5 * noise.now.sd_K:
            self.threshold *= COARSE
        elif noise.now.is_coarse and reach > 1.5:
            self.threshold *= COARSE_CORRELATED
        reach = (3.0**0.5 * self.threshold * sqrt(noise.now.long_run_variance) / SLOWEST_K_PER_S) ** (
            2.0 / 3.0
        )
        self._longest = int(min(max(reach, 12.0), WINDOWS[-1]))
        if noise.now.is_quiet:
            # A step hides up to q / slope seconds of a slow fall before anything shows.
            self._longest = int(min(self._longest + 0.5 * noise.step_K / MARGIN_K_PER_S, WINDOWS[-1]))
        self._windows = [(m, noise.now.ramp_variance(m)) for m in WINDOWS if m <= self._longest]
        self._level_variance = noise.now.mean_variance(BASELINE)

    def look(self) -> float:
        """The most significant departure now, in thresholds: ≤ -1 a fall, ≥ +1 a rise, else neither."""
        self._count = count = self._count + 1
        # The same as _significance for each window, written out: this runs at every sample of a boil.
        trace, start, level_variance = self._trace, self.start, self._level_variance
        t, t_ref = trace.t, trace.t_ref
        sum_t, sum_y, sum_ty = trace.sum_t, trace.sum_y, trace.sum_ty
        n = len(t)
        all_t, all_y, all_ty = sum_t[n], sum_y[n], sum_ty[n]
        room = n - start - BASELINE_LEAST
        lowest = highest = 0.0
        for m, ramp_variance in self._windows:
            if m > room:
                break
            # Long windows change little from one sample to the next; look at each in its turn.
            if m > 24 and count % (m // 12):
                continue
            i = n - m
            learned = i - start
            if learned >= BASELINE:
                learned, base, variance = BASELINE, i - BASELINE, level_variance
            else:
                base, variance = start, self._noise.now.mean_variance(learned)
            onset, y_i = t[i - 1] - t_ref, sum_y[i]
            sk = all_t - sum_t[i] - m * onset
            projection = all_ty - sum_ty[i] - onset * (all_y - y_i) - (y_i - sum_y[base]) / learned * sk
            spacing = sk / (0.5 * m * (m + 1))
            z = projection / sqrt(ramp_variance * spacing * spacing + sk * sk * variance)
            if z < lowest:
                lowest = z
            elif z > highest:
                highest = z
        if -lowest >= self.threshold:
            return lowest / self.threshold
        rise = highest / (self.threshold * self._rise_factor)
        return 0.0 if rise >= 1.0 and self._risen_K() < RISE_LEAST_K else rise

    def _risen_K(self) -> float:
        """How far the newest readings lie above the level before. [K]"""
        trace, n = self._trace, len(self._trace)
        newest = max(n - 8, self.start + BASELINE_LEAST)
        base = max(self.start, n - self._longest - BASELINE)
        return trace.mean(newest, n) - trace.mean(base, max(n - self._longest, base + BASELINE_LEAST))

    def locate(self, *, marked: bool = False) -> Fall:
        """When the fall now seen began. ``marked``: the heat is off."""
        room = len(self._trace) - self.start - BASELINE_LEAST
        longest = max(min(int(1.6 * self._longest) + 8, room), 2)
        return date_fall(self._trace, self._noise, self.start, longest, marked=marked)

    def margin_s(self, spacing_s: float) -> float:
        """How long a fall may have been going on already without contradicting the readings. [s]

        The last so many seconds of a plateau are not yet proven. A fall of at least MARGIN_K_PER_S that began
        earlier is refuted by the readings since.
        """
        trace, noise = self._trace, self._noise
        n = len(trace)
        hidden_s = 0.5 * noise.step_K / MARGIN_K_PER_S if noise.now.is_quiet else 0.0
        margin = float("inf")
        for m in reversed(WINDOWS):
            if m > n - self.start - BASELINE_LEAST:
                continue
            i = n - m
            base = max(self.start, i - BASELINE)
            projection, sk, skk = trace.ramp(i, trace.mean(base, i))
            spacing = sk / (0.5 * m * (m + 1))
            variance = noise.now.ramp_variance(m) * spacing * spacing + sk * sk * noise.now.mean_variance(
                i - base
            )
            if projection + MARGIN_K_PER_S * skk < REFUTED * sqrt(variance):
                break
            margin = m * spacing_s
        return margin + hidden_s
