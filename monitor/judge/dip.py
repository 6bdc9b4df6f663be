"""The dip detector: a steady fall away from the plateau, found long before it reaches the floor.

A window-limited generalised likelihood ratio for a downward ramp of unknown slope and onset (Lai 1995;
Tartakovsky, Nikiforov and Basseville 2014, ch. 8): over windows of growing length the readings are projected
on a ramp that starts at the window's beginning, the level being learned from the plateau before it. The
largest standardised projection above a threshold is a fall; the window tells when it began.

The standardisation uses the run's own scatter, correlation and steps (:mod:`monitor.judge.noise`), so one
threshold serves a fine quiet probe and a coarse restless one.

That projection is the best one where the scatter is white. Where agitation lasts for seconds the readings tell more
when they are whitened: so where a fall is suspected, the likelihood ratio is that of generalised least squares, as
it is for dating a fall (:mod:`monitor.judge.onset`), and it decides. Steps so coarse that nothing dithers them cannot
be whitened: there the lows are counted besides (:mod:`monitor.judge.steps_down`), and both have to tell a fall. Where
coarse steps have shown lows one by one for minutes, the two are asked first.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import sqrt

from monitor.judge.noise import QUIET_STEP_K, Noise
from monitor.judge.onset import MARGIN_K_PER_S, SLOWEST_K_PER_S, Fall, date_fall, fall_scores
from monitor.judge.steps_down import StepsDown
from monitor.judge.trace import Trace

#: Lengths of the windows. [samples]
WINDOWS = (3, 4, 5, 6, 8, 10, 12, 15, 18, 22, 27, 33, 40, 49, 60, 73, 89, 108, 132, 161, 196, 239)
#: The same where a fall is suspected: nearly every one.
CLOSE_WINDOWS = tuple(sorted({round(2.0 * 1.1**k) for k in range(51)}))
#: The level is learned from at most this many samples before a window, and at least this many.
BASELINE = 300
BASELINE_LEAST = 12
#: Threshold in standard deviations; set by Monte Carlo for one false alarm in 1,000 h of boil or fewer
#: (tests/benchmarks/dip_detector.py).
THRESHOLD = 5.8
#: From this share of it on a fall is suspected and looked into; so many standard deviations of the whitened readings
#: are one. By Monte Carlo as above.
SUSPECT, CLOSE_THRESHOLD = 0.65, 5.55
#: Where readings are correlated, few tell of a fall shorter than the correlation reaches, and there are many more such
#: falls that chance may draw: this much more is asked of them, the less the longer they are, and a little less of all.
#: By Monte Carlo: fewer false alarms, for a second of delay at 1 K a minute and none at 0.3.
SHORT, LONG = 0.165, 0.97
#: In that look the level is learned from more samples before a window, and a slower fall is none: storms and a restless
#: boil drift by as much for minutes. [samples], [K/s]. By Monte Carlo, and by simulated boils.
CLOSE_BASELINE, CLOSE_SLOWEST_K_PER_S = 400, 0.1 / 60.0
#: The scatter model itself is learned from n samples: the threshold is wider by LEARNING × (reach of the
#: correlation) / n.
LEARNING = 2.0
#: The same for whitened readings, and since whitening needs the correlation itself, so much times the square.
CLOSE_LEARNING, CLOSE_LEARNING_SQUARED = 1.0, 40.0
#: Readings of this reach and more are correlated. How far a correlation reaches shows late, later where steps are
#: coarse: agitation is taken to reach so far [samples] until so many samples have shown otherwise. By Monte Carlo.
CORRELATED, REACH = 1.5, 10.0
REACH_WEIGHT, COARSE_REACH_WEIGHT = 120.0, 250.0
#: Steps much coarser than the scatter, or coarse and correlated, make its tails heavier than normal: wider by
#: these factors, the second pair for whitened readings. By Monte Carlo.
COARSE, COARSE_CORRELATED = 1.1, 1.07
CLOSE_COARSE, CLOSE_COARSE_CORRELATED = 1.06, 1.03
#: Where the lows tell a fall too, this share of the threshold is enough. By Monte Carlo: of a share of 0.7 drift and
#: agitation made nine times as many false alarms in simulated boils.
AGREED = 0.94
#: A plateau younger than so many readings may only seem so quiet: there more than the threshold is asked, and that the
#: whitened look, which counts on a long correlation until it has shown otherwise, nearly agrees.
YOUNG, YOUNG_AGREED, YOUNG_CLOSE = 300, 1.1, 0.9
#: Half of it is enough where a plateau of so many readings had shown lows in no larger share before, and they stand out
#: by so many thresholds: a drift over a step shows lows one by one first. The same half, and lows that stand out as
#: much, where they had come one by one and no drift accounts for them. By Monte Carlo too.
NEW_AGREED, NEW_AFTER, NEW_SHARE, NEW_STEPS = 0.5, 480, 0.01, 1.1
#: Where the mean departure is as many thresholds, this share of the lows' is enough. By Monte Carlo.
DEEP, DEEP_STEPS = 1.25, 0.7
#: A rise is no alarm, so it can wait for more evidence; on coarse probes a slow drift over one step may not
#: pass for one.
RISE, COARSE_RISE = 1.2, 1.5
#: A rise smaller than this is drift or a livelier boil, whatever its significance. [K]
RISE_LEAST_K = 0.06
#: A fall is refuted where the readings lie this many standard deviations above what it would have done.
REFUTED = 3.3


#: A window as the loop over them wants it, a plain tuple being fastest: its length m; where in the trace the sample
#: before it stands; where its baseline begins, and of how many samples that is; looked at every so many samples; the
#: mean departure that is an alarm. [samples], [K]
_Window = tuple[int, int, int, int, int, float]


class FallDetector:
    """Looks at the end of a trace after each sample. One a plateau; ``start`` is its first index."""

    def __init__(self, trace: Trace, noise: Noise, start: int) -> None:
        self._trace = trace
        self._noise = noise
        self.start = start
        self._count = 0
        self._steps_down = StepsDown(trace, noise.step_K, start) if noise.step_K > QUIET_STEP_K else None
        self.refit()

    def refit(self) -> None:
        """Take over a newly fitted scatter model."""
        noise = self._noise
        if self._steps_down is not None:
            self._steps_down.refit(self.start)
        now, learned = noise.now, max(noise.learned, 20.0)
        #: How far the correlation reaches [samples]; white: 1.
        self._reach = reach = now.long_run_variance / max(now.sd_K**2, 1e-12)
        unsure = reach / learned
        self.threshold = THRESHOLD * (1.0 + LEARNING * unsure)
        self._close_threshold = CLOSE_THRESHOLD * (
            1.0 + CLOSE_LEARNING * unsure + CLOSE_LEARNING_SQUARED * unsure**2
        )
        if reach > CORRELATED:
            self._close_threshold *= LONG * sqrt(self._believed(reach, learned) / reach)
            if now.is_coarse:
                self._close_threshold *= CLOSE_COARSE_CORRELATED
        self._rise_factor = COARSE_RISE if now.is_coarse else RISE
        if noise.step_K > 2.5 * now.sd_K:
            self.threshold *= COARSE
            self._close_threshold *= CLOSE_COARSE
        elif now.is_coarse and reach > CORRELATED:
            self.threshold *= COARSE_CORRELATED
        delay = (3.0**0.5 * self.threshold * sqrt(now.long_run_variance) / SLOWEST_K_PER_S) ** (2.0 / 3.0)
        self._longest = int(min(max(delay, 12.0), WINDOWS[-1]))
        if now.is_quiet:
            # A step hides up to q / slope seconds of a slow fall before anything shows.
            self._longest = int(min(self._longest + 0.5 * noise.step_K / MARGIN_K_PER_S, WINDOWS[-1]))
        self._windows: list[_Window] = [
            # Long windows change little from one sample to the next; each is looked at in its turn.
            (m, -m - 1, -m - 1 - BASELINE, BASELINE, m // 12 if m > 24 else 1, self._limit_K(m, BASELINE))
            for m in WINDOWS
            if m <= self._longest
        ]

    def _believed(self, reach: float, learned: float) -> float:
        """The reach of a correlation that looks like ``reach`` after so many samples. [samples]"""
        weight = COARSE_REACH_WEIGHT if self._noise.now.is_coarse else REACH_WEIGHT
        # Readings far apart cannot be correlated for so many samples.
        expected = min(REACH, self._noise.most_reach)
        return (learned * reach + weight * max(reach, expected)) / (learned + weight)

    def _limit_K(self, m: int, learned: int) -> float:
        """A fall's weighted mean over a window of m readings is this far below a level learned from so many. [K]"""
        now = self._noise.now
        return self.threshold * sqrt(
            now.ramp_variance(m) / (0.5 * m * (m + 1)) ** 2 + now.mean_variance(learned)
        )

    def look(self) -> float:
        """The most significant departure now, in thresholds: ≤ -1 a fall, ≥ +1 a rise, else neither."""
        self._count = count = self._count + 1
        is_quiet = self._noise.now.is_quiet
        steps = self._steps_down.look(self.start) if self._steps_down is not None else 0.0
        # The same as Trace.ramp for each window, written out: this runs at every sample of a boil.
        trace = self._trace
        t, t_ref = trace.t, trace.t_ref
        sum_t, sum_y, sum_ty = trace.sum_t, trace.sum_y, trace.sum_ty
        all_t, all_y, all_ty = sum_t[-1], sum_y[-1], sum_ty[-1]
        known = len(t) - self.start
        lowest = highest = 0.0
        for m, i, base, learned, every, limit_K in (
            self._windows if known >= self._longest + BASELINE else self._growing(known)
        ):
            if count % every:
                continue
            onset, y_i = t[i] - t_ref, sum_y[i]
            # The mean of the window's readings, each weighed by its time since the onset, less the level before.
            weighed = (all_ty - sum_ty[i] - onset * (all_y - y_i)) / (all_t - sum_t[i] - m * onset)
            score = (weighed - (y_i - sum_y[base]) / learned) / limit_K
            if score < lowest:
                lowest = score
            elif score > highest:
                highest = score
        if steps >= DEEP_STEPS and self._lows_tell(steps, lowest, known):
            return min(lowest, -1.0)
        if not is_quiet and lowest <= -SUSPECT:
            score = self._closely()
            if score >= 1.0:
                return -score
        rise = highest / self._rise_factor
        return 0.0 if rise >= 1.0 and self._risen_K() < RISE_LEAST_K else rise

    def _lows_tell(self, steps: float, lowest: float, known: int) -> bool:
        """Whether lows that score ``steps`` thresholds and a mean departure of ``lowest`` of its own tell a fall.

        Neither knows how readings scatter that nothing dithers: so both have to.
        """
        assert self._steps_down is not None
        stand_out = steps >= NEW_STEPS and lowest <= -NEW_AGREED
        if stand_out and self._steps_down.are_beyond_single_lows():
            return True
        if not self._noise.now.is_quiet:
            return False
        if known < YOUNG:
            return steps >= 1.0 and lowest <= -YOUNG_AGREED and self._closely() >= YOUNG_CLOSE
        if lowest <= -(AGREED if steps >= 1.0 else DEEP):
            return True
        readings, lows = self._steps_down.seen_before()
        return stand_out and readings >= NEW_AFTER and lows <= NEW_SHARE * readings

    def _closely(self) -> float:
        """The most significant fall in whitened readings, in thresholds of their own."""
        n = len(self._trace)
        longest = min(self._longest, n - self.start - BASELINE_LEAST)
        first = max(n - longest - CLOSE_BASELINE, self.start)
        scores = fall_scores(self._trace, self._noise.now, first, longest, CLOSE_WINDOWS)
        short = self._reach - 1.0
        steep = (
            score / (1.0 + SHORT * min(short / m, 1.0)) ** 2
            for score, m, slope in scores
            if slope >= CLOSE_SLOWEST_K_PER_S
        )
        return sqrt(max(steep, default=0.0)) / self._close_threshold

    def _growing(self, known: int) -> Iterator[_Window]:
        """The windows of a plateau of so many samples, while there is less to learn the level from. [samples]"""
        for window in self._windows:
            m, before, _, _, every, _ = window
            learned = known - m
            if learned < BASELINE_LEAST:
                return
            if learned < BASELINE:
                window = (m, before, self.start, learned, every, self._limit_K(m, learned))
            yield window

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
