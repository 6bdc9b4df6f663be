"""What was not read: gaps, faults, silence. A gap is bridged where nothing it could hide would matter."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.boil import Boil
from monitor.judge.boilpoint import allowance_K
from monitor.judge.budget import ALLOWANCE_SEEN_K
from monitor.judge.gap import CEILING_S
from monitor.judge.state import State
from monitor.judge.verdict import BOILING, NOT_BOILING, UNKNOWN


class Breaks:
    """Judges the times without a believable reading."""

    def __init__(self, state: State, boil: Boil) -> None:
        self._state, self._boil = state, boil

    def gap(self, t: float, y: float, interval_s: float, broken_off: str, why: str) -> bool:
        """Nothing to be believed between ``valid_s`` and ``t``: bridge it, or call it unknown and return True."""
        state, boil = self._state, self._boil
        if interval_s <= CEILING_S and broken_off != words.CLOCK_GAP:
            if not boil.is_on:
                if broken_off or not self._is_bridged_unfound(y, interval_s):
                    self._lose_track(why)
                return False
            if self._is_bridged(y, interval_s):
                return False
        self._unknown_since_valid(why)
        if y < state.point.near_C:
            state.set(t, NOT_BOILING, state.not_up)
        return True

    def _is_bridged(self, y: float, interval_s: float) -> bool:
        """Whether even the deepest dip that this gap could hide stays above the guarded floor."""
        state, point = self._state, self._state.point
        if point.floor_C is None or point.expanded_K is None or state.ledger.state != BOILING:
            return False
        before = self._boil.guard.short_C(self._boil.start_s)
        # The judged value stands for the readings on both sides, unless the new one lies lower.
        after = min(y + 2.0 * state.noise.now.sd_K, before)
        return state.lowest_in_gap_C(before, after, interval_s) - point.expanded_K >= point.floor_C

    def _is_bridged_unfound(self, y: float, interval_s: float) -> bool:
        """The same before a plateau is found: it may turn out to have begun before the gap."""
        state, point = self._state, self._state.point
        n = len(state.trace)
        if n == 0 or point.boil_C is None or point.expanded_K is None:
            return False
        before = state.trace.mean(max(n - 5, 0), n)
        if not state.may_boil(before):
            # No boil yet: there is nothing to bridge.
            return True
        lowest_C = state.lowest_in_gap_C(before, min(y + 2.0 * state.noise.now.sd_K, before), interval_s)
        return lowest_C - point.expanded_K >= point.boil_C - allowance_K(bool(self._boil.early_marks_s))

    def _lose_track(self, why: str) -> None:
        """Nothing after may lean on the readings so far; what may have been a boil among them is unknown."""
        state, point = self._state, self._state.point
        trace = state.trace
        coming_up = not state.hold.lost_raised and state.ledger.why == words.COME_UP
        if coming_up and point.boil_C is not None and point.expanded_K is not None:
            least_C = point.boil_C - ALLOWANCE_SEEN_K - point.expanded_K
            n = len(trace)
            first = next((i + 1 for i in range(n - 1, -1, -1) if trace.y[i] < least_C), 0)
            if first < n:
                state.set(trace.t[first], UNKNOWN, why)
        trace.clear()

    def unknown_since_valid(self, why: str) -> None:
        """Too long without a believable reading."""
        state = self._state
        known = state.ledger.state is not None and state.ledger.state != UNKNOWN
        if self._boil.is_on or known:
            self._unknown_since_valid(why)

    def _unknown_since_valid(self, why: str) -> None:
        state, boil = self._state, self._boil
        if not boil.is_on:
            self._lose_track(words.DATING_START)
        boil.break_off(state.valid_s, UNKNOWN, why)
        state.trace.clear()
        if boil.blocked and boil.looked_s > state.valid_s:
            # What a person saw meanwhile stands.
            state.set(boil.looked_s, NOT_BOILING, words.NOT_SEEN)
