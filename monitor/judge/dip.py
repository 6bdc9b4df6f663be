"""The dip detector: a steady fall away from the plateau, found long before it reaches the floor.

A window-limited generalised likelihood ratio for a downward ramp of unknown slope and onset (Lai 1995;
Tartakovsky, Nikiforov and Basseville 2014, ch. 8): over windows of growing length the readings are projected
on a ramp that starts at the window's beginning, the level being learned from the plateau before it. The
largest standardised projection above a threshold is a fall; the window tells when it began.

The standardisation uses the run's own scatter, correlation and steps (:mod:`monitor.judge.noise`), so one
threshold serves a fine quiet probe and a coarse restless one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from monitor.judge.noise import LONGEST, Noise
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
#: Slopes worth finding: a slower fall is drift, left to the slow test of the engine. [K/s]
SLOWEST_K_PER_S = 0.08 / 60.0
#: The fall that a margin must be ready for: late in the hold, lid on, big kettle. [K/s] Energy balance of a
#: 20 to 33 L canner: 0.2 to 0.5 K/min.
MARGIN_K_PER_S = 0.2 / 60.0
#: A fall is refuted where the readings lie this many standard deviations above what it would have done.
REFUTED = 3.3
#: Onsets whose squared significance lies this close to the best one's are possible. 4 would make 95 % of white
#: scatter; agitation that wanders needs more, and the early side may hardly ever be missed. By Monte Carlo.
SURE = 14.0
#: The same once a person marked the heat off: the end is known, and the fall after it says little more.
SURE_MARKED = 8.0
#: Share of a coarse step that the water may have fallen before the reading shows it: dithered, and not.
HIDDEN, HIDDEN_QUIET = 0.5, 1.0

#: The steam stops before the temperature shows it: a fall is dated so much drop earlier, so long at most.
#: In the kettle model 0.03 to 0.05 K.
BEFORE_K, BEFORE_S = 0.04, 60.0


@dataclass(frozen=True, slots=True)
class Fall:
    """A fall (or rise) found. Times in s on the run's clock, slope in K/s (positive downward)."""

    onset_s: float
    early_s: float
    late_s: float
    slope_K_per_s: float


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

    def _significance(self, i: int) -> float:
        """Standardised projection on a ramp that begins at sample i - 1."""
        trace, noise = self._trace, self._noise
        m = len(trace) - i
        base = max(self.start, i - BASELINE)
        level = trace.mean(base, i)
        projection, sk, _ = trace.ramp(i, level)
        spacing = sk / (0.5 * m * (m + 1))
        variance = noise.now.ramp_variance(m) * spacing * spacing + sk * sk * noise.now.mean_variance(
            i - base
        )
        return projection / sqrt(variance)

    def locate(self, *, marked: bool = False) -> Fall:
        """When the fall now seen began, with bounds that hardly ever miss it. ``marked``: the heat is off."""
        trace, noise = self._trace, self._noise
        n = len(trace)
        longest = min(int(1.6 * self._longest) + 8, n - self.start - BASELINE_LEAST, LONGEST)
        scores = [(-self._significance(n - m), m) for m in range(2, longest + 1)]
        top, best = max(scores)
        sure = SURE_MARKED if marked else SURE
        near = [m for z, m in scores if z > 0.0 and z * z >= top * top - sure]
        base = max(self.start, n - best - BASELINE)
        projection, _, skk = trace.ramp(n - best, trace.mean(base, n - best))
        slope = max(-projection / skk, SLOWEST_K_PER_S)
        onset = trace.t[n - best - 1]
        if noise.now.is_quiet:
            onset -= 0.5 * noise.step_K / slope
        early = trace.t[n - max(near) - 1] - self._hidden_s(slope, marked)
        if not marked:
            early -= min(BEFORE_K / slope, BEFORE_S)
        early = min(early, onset)
        late = max(trace.t[n - min(near) - 1], onset)
        return Fall(onset, early, late, slope)

    def _hidden_s(self, slope_K_per_s: float, marked: bool) -> float:
        """For how long the steps may have hidden the beginning of a fall. [s]"""
        noise = self._noise
        if not noise.now.is_coarse:
            return 0.0
        if marked:
            return noise.step_K / slope_K_per_s if noise.now.is_quiet else 0.0
        # One step down looks steep, however slow the fall was.
        share = HIDDEN_QUIET if noise.now.is_quiet else HIDDEN
        return share * noise.step_K / min(slope_K_per_s, MARGIN_K_PER_S)

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
