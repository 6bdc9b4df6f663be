"""Slow departures, beyond the windows of the fall detector: means of a minute, compared once a minute.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from monitor.judge.noise import Noise
from monitor.judge.onset import Fall
from monitor.judge.trace import Trace

#: A plateau may drift by this on top (cold junction, weather). [K/s] 0.3 K an hour.
DRIFT_K_PER_S = 0.3 / 3600.0
#: Means of a minute that differ by more than this are another level. [K]
FALL_K, RISE_K = 0.25, 0.12
BLOCK_S = 60.0
#: Fewer samples make no mean.
LEAST = 8


class Creep:
    """Follows one plateau from ``start_s``. ``level_C`` is the newest mean of a minute."""

    def __init__(self, start_s: float) -> None:
        self._next_s = start_s + BLOCK_S
        self._first: tuple[float, float] | None = None
        self._top: tuple[float, float] | None = None
        self.level_C: float | None = None
        self._fallen_C = self._error_K = 0.0

    def fall(self, t: float) -> Fall:
        """The fall that has crept down by ``t``: from before the highest minute, as far as scatter may mislead."""
        assert self._top is not None
        top_s, top_C = self._top
        slope = max(top_C - self._fallen_C, FALL_K) / max(t - top_s, BLOCK_S)
        early_s = top_s - BLOCK_S - self._error_K / slope
        return Fall(0.5 * (top_s + t), early_s, t, 0.0)

    def look(self, trace: Trace, noise: Noise, t: float) -> int:
        """-1 where the plateau has crept down, +1 where it is still rising, else 0. Looks once a minute."""
        if t < self._next_s:
            return 0
        self._next_s = t + BLOCK_S
        self.level_C = None
        i, n = trace.index_at(t - BLOCK_S), len(trace)
        if n - i < LEAST:
            return 0
        block = trace.mean(i, n)
        error = 3.0 * (2.0 * noise.now.mean_variance(n - i)) ** 0.5
        if noise.now.is_quiet:
            error = max(error, noise.step_K)
        if self._first is None or self._top is None:
            self._first = self._top = (t, block)
            return 0
        if block > self._first[1] + RISE_K + error + DRIFT_K_PER_S * (t - self._first[0]):
            return 1
        self._fallen_C, self._error_K = block, error
        if block < self._top[1] - FALL_K - error - DRIFT_K_PER_S * (t - self._top[0]):
            return -1
        if block > self._top[1]:
            self._top = (t, block)
        self.level_C = block
        return 0
