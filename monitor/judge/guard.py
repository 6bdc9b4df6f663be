"""The guarded decision on a plateau: boiling, not boiling or unknown, by the readings' mean and ±U.

JCGM 106:2012, guarded acceptance: boiling where T - U ≥ floor, not boiling where T + U < floor, unknown between.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from bisect import bisect_left

from monitor.judge import words
from monitor.judge.boilpoint import TOO_HOT_K
from monitor.judge.creep import DRIFT_K_PER_S
from monitor.judge.gap import SPARSE_S
from monitor.judge.state import State
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN

#: The judged value is a mean over up to this long. [s]
MEAN_S = 30.0
#: On one plateau the level is pooled over up to this long. [s]
POOL_S = 300.0
#: A later plateau lower than an earlier one by more than this is steady, but not the boil seen before. [K]
LOWER_PLATEAU_K = 0.05
#: Cold junction and weather make up for no more than this of it. [K]
DRIFTED_K = 0.06


class Guard:
    """Decides on the plateaus of one run; remembers how high above the boiling point the best one lay."""

    def __init__(self, state: State) -> None:
        self._state = state
        self._best_level_K: float | None = None
        self._best_level_s = 0.0

    def short_C(self, start_s: float) -> float:
        """The short mean that is judged, of a plateau from ``start_s``. [°C]"""
        return self._mean_C(MEAN_S, start_s)

    def pooled_C(self, start_s: float) -> float:
        """The mean over the plateau's last minutes. [°C]

        While no departure is seen the plateau has one level, so a longer mean tells it better than one of
        30 s; without it a level near the guarded floor would flicker with the agitation.
        """
        return self._mean_C(POOL_S, start_s)

    def _mean_C(self, reach_s: float, start_s: float) -> float:
        trace = self._state.trace
        t = trace.t
        if not t:
            return self._state.valid_C
        n, since_s = len(t), t[-1] - reach_s
        mean_C = trace.mean(min(bisect_left(t, since_s if since_s > start_s else start_s), n - 1), n)
        return mean_C - self._state.second_lower_K

    def decide(self, start_s: float, seen: bool) -> tuple[str, str]:
        """(state, why) now, by the floor that is allowed, on a plateau from ``start_s``; ``seen``: a person saw it."""
        state, point = self._state, self._state.point
        if point.unknown_why:
            return UNKNOWN, point.unknown_why
        floor = point.floor_C
        assert point.boil_C is not None and point.expanded_K is not None and floor is not None
        short, pooled, wide = self.short_C(start_s), self.pooled_C(start_s), point.expanded_K
        scatter = 2.0 * state.noise.now.sd_of_30_K
        if short > point.boil_C + wide + TOO_HOT_K:
            return UNKNOWN, words.TOO_HOT
        if short + wide < floor:
            return NOT_BOILING, words.SIMMER
        if pooled - wide < floor or short - wide < floor - scatter:
            return UNKNOWN, words.between(wide, seen=seen)
        rhythm_s = state.continuity.spacing_s
        if rhythm_s > SPARSE_S and state.lowest_in_gap_C(pooled, pooled, rhythm_s) - wide < floor:
            return UNKNOWN, words.sparse(rhythm_s)
        if not state.seen_low:
            return UNKNOWN, words.NO_COME_UP
        if not seen and self._is_lower_than_before(pooled - point.boil_C):
            return UNKNOWN, words.LOWER_PLATEAU
        return BOILING, words.BOIL

    def _is_lower_than_before(self, level_K: float) -> bool:
        if self._best_level_K is None:
            return False
        drift_K = min(DRIFT_K_PER_S * (self._state.valid_s - self._best_level_s), DRIFTED_K)
        allowed = LOWER_PLATEAU_K + drift_K
        allowed += 2.0 * self._state.noise.now.sd_of_30_K
        return bool(level_K < self._best_level_K - allowed)

    def remember(self, level_C: float, t: float) -> None:
        """The mean of a minute that boiled."""
        if self._state.point.boil_C is None:
            return
        level_K = level_C - self._state.point.boil_C
        if self._best_level_K is None or level_K > self._best_level_K:
            self._best_level_K, self._best_level_s = level_K, t

    @property
    def best_level_C(self) -> float | None:
        """The level of the best plateau so far, at today's boiling point. [°C]"""
        boil_C = self._state.point.boil_C
        return None if self._best_level_K is None or boil_C is None else boil_C + self._best_level_K

    def is_far_below(self, y_C: float, by_K: float) -> bool:
        """Whether a reading lies so far below the best plateau."""
        boil_C = self._state.point.boil_C
        return (
            self._best_level_K is not None and boil_C is not None and y_C < boil_C + self._best_level_K - by_K
        )
