"""A boil that was lost while nothing showed it: the first believable readings afterwards lie far below boiling.

A silence, a fault or a frozen reading ends what is proven, but is no loss by itself. Where the water is then read so
far below that no budget explains it, the boil was lost meanwhile: said at once, dated at the last moment that was
proven. What lies near the floor is left to the plateau that it settles on (:mod:`monitor.judge.boil`).

Figures below that name no source are ours.
"""

from __future__ import annotations

from math import inf

from monitor.judge import words
from monitor.judge.boil import Boil
from monitor.judge.budget import ALLOWANCE_SEEN_K
from monitor.judge.gap import COOLING_K_PER_S
from monitor.judge.state import State
from monitor.judge.sudden import PROBE_OUT_K, SuddenWatch
from monitor.judge.verdict import NOT_BOILING

#: So many readings in a row over so long, all of them far below, are the water's. [s] One alone may be a wild one;
#: agitation is correlated over 5 s (:mod:`monitor.judge.noise`), twice that is none.
LEAST, LEAST_S = 5, 10.0


class UnreadLoss:
    """Fed with every believable reading off the plateau, once the boil was told and not its loss."""

    def __init__(self, state: State, boil: Boil, sudden: SuddenWatch) -> None:
        self._state, self._boil, self._sudden = state, boil, sudden
        self._since_s = 0.0
        self._count = 0
        #: The plateau after which they came: a new one begins the count anew.
        self._plateau_s = 0.0

    def forget(self) -> None:
        """What follows is not joined to what was read before."""
        self._count = 0

    def take(self, t: float, y: float) -> None:
        """A reading at ``t`` of ``y`` °C."""
        state, hold, point = self._state, self._state.hold, self._state.point
        if not hold.counts or point.boil_C is None or point.expanded_K is None or point.unknown_why:
            self._count = 0
            return
        if self._sudden.is_away and y >= point.near_C:
            self._sudden.is_away = False
        scatter_K = 2.0 * state.noise.now.sd_K
        if y + point.expanded_K + scatter_K >= point.boil_C - ALLOWANCE_SEEN_K or self._sudden.is_away:
            self._count = 0
            return
        if not self._count or self._plateau_s != self._boil.start_s:
            self._since_s, self._count, self._plateau_s = t, 0, self._boil.start_s
        self._count += 1
        if self._count >= LEAST and t - self._since_s >= LEAST_S:
            self._count = 0
            self._found(t, y, point.boil_C)

    def _found(self, t: float, y: float, boil_C: float) -> None:
        state = self._state
        proven_s = min(state.ledger.boiled_until_s(self._since_s), self._since_s)
        cooled_K = max(COOLING_K_PER_S, state.kettle.steepest_cooling_K_per_s) * (t - proven_s)
        added = any(m.kind == "water_added" and proven_s <= m.t_s <= t for m in state.marks)
        if y < boil_C - cooled_K - PROBE_OUT_K and not added:
            # Lower than the water can be: it is the probe that is elsewhere.
            self._sudden.gone(self._since_s, boil_C, t)
            return
        # Why it was not read; the newest reason before the readings came back that is more than a dating.
        why = state.ledger.why_unknown(proven_s, self._since_s, words.DATING)
        state.ledger.relabel(self._since_s, inf, NOT_BOILING, NOT_BOILING, words.LOST)
        state.hold.lost(proven_s, proven_s, self._since_s, t, words.lost_unread(why))
