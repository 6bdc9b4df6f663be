"""When a fall began, with an interval that hardly ever misses it.

The reading is a level, from some moment on less a steady fall, and the scatter that this run has shown
(:mod:`monitor.judge.noise`). Scatter that is correlated over seconds draws a fall along with it: fitted as if each
reading were a witness of its own, the onset comes out too late and too sure of itself. So the readings are
whitened first: the innovations of the steady-state Kalman filter for "white plus first-order autoregressive" are
independent (Harvey 1989, Forecasting, structural time series models, ch. 3), and the fit to them is by
generalised least squares. The interval is that of the likelihood ratio.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import accumulate
from operator import mul

from monitor.judge.noise import LONGEST, Noise, Scatter, whitened
from monitor.judge.trace import Trace

#: Slopes worth finding: a slower fall is drift, left to the slow test of the engine. [K/s]
SLOWEST_K_PER_S = 0.08 / 60.0
#: The fall that a margin must be ready for: late in the hold, lid on, big kettle. [K/s] Energy balance of a
#: 20 to 33 L canner: 0.2 to 0.5 K/min.
MARGIN_K_PER_S = 0.2 / 60.0
#: Onsets whose likelihood ratio, doubled, lies this close to the best one's are possible. 4 would make 95 % if the
#: scatter were known; it is learned, and the early side may hardly ever be missed. By Monte Carlo.
SURE = 10.0
#: The same once a person marked the heat off: the end is known, and the fall after it says little more.
SURE_MARKED = 4.0
#: Share of a coarse step that the water may have fallen before the reading shows it: dithered, and not.
HIDDEN, HIDDEN_QUIET = 0.5, 1.0
#: The level is learned from at most this many samples before the earliest onset looked at.
BASELINE = 300
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

    def depth_K(self, t: float) -> float:
        """How far it has come by ``t``. [K]"""
        return self.slope_K_per_s * (t - self.onset_s)


def date_fall(trace: Trace, noise: Noise, start: int, longest: int, *, marked: bool = False) -> Fall:
    """Date the fall at the end of a plateau from index ``start``, at most ``longest`` samples ago.

    ``marked``: a person turned the heat off.
    """
    n = len(trace)
    reach = min(longest, LONGEST)
    scores = fall_scores(trace, noise.now, max(n - longest - BASELINE, start), reach, range(2, reach + 1))
    top, best, slope = max(scores)
    sure = [m for score, m, _ in scores if score >= top - SURE]
    near = [m for score, m, _ in scores if score >= top - SURE_MARKED] if marked else sure
    slope = max(slope, SLOWEST_K_PER_S)
    onset = trace.t[n - best - 1]
    if noise.now.is_quiet:
        onset -= 0.5 * noise.step_K / slope
    early = trace.t[n - max(near) - 1] - _hidden_s(noise, slope, marked)
    if not marked:
        early -= min(BEFORE_K / slope, BEFORE_S)
    early = min(early, onset)
    # Whether it began before the mark is told by the wider interval: else one in twenty would seem to.
    # Readings far apart: it began somewhere up to the first low one.
    late = max(trace.t[n - min(sure) - (0 if noise.is_sparse else 1)], onset)
    return Fall(onset, early, late, slope)


def fall_scores(
    trace: Trace, scatter: Scatter, first: int, longest: int, lengths: Iterable[int]
) -> list[tuple[float, int, float]]:
    """(Doubled log-likelihood ratio, m, slope in K/s) of a fall over the last m samples, for each m up to ``longest``.

    The m come in rising order. The level is learned from sample ``first`` on; a rise has no likelihood.
    """
    n = len(trace)
    count = n - first
    spacing_s = (trace.t[n - 1] - trace.t[first]) / (count - 1)
    r, gain, variance = scatter.whitening()
    middle = trace.mean(first, n)
    # Innovations of the readings, and of a ramp that begins one sample before the first.
    innovations = whitened((y - middle for y in trace.y[first:]), r, gain)
    ramp = whitened((k * spacing_s for k in range(1, longest + 1)), r, gain)
    mean = sum(innovations) / count
    innovations = [value - mean for value in innovations]
    ramp_sums = list(accumulate(ramp))
    ramp_squares = list(accumulate(map(mul, ramp, ramp)))
    scores = []
    for m in lengths:
        if m > longest:
            break
        product = sum(map(mul, ramp, innovations[count - m :]))
        spread = ramp_squares[m - 1] - ramp_sums[m - 1] ** 2 / count
        slope = -product / spread
        scores.append((product * product / (spread * variance) if slope > 0.0 else 0.0, m, slope))
    return scores


def _hidden_s(noise: Noise, slope_K_per_s: float, marked: bool) -> float:
    """For how long the steps may have hidden the beginning of a fall. [s]"""
    if not noise.now.is_coarse:
        return 0.0
    if marked:
        return noise.step_K / slope_K_per_s if noise.now.is_quiet else 0.0
    # One step down looks steep, however slow the fall was.
    share = HIDDEN_QUIET if noise.now.is_quiet else HIDDEN
    return share * noise.step_K / min(slope_K_per_s, MARGIN_K_PER_S)
