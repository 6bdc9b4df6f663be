"""What of the boil that is on counts: proven up to a margin, less what sagged, and at last the whole time complete.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.judge import words
from monitor.judge.hold import ROUNDING_S
from monitor.judge.lookback import LookBack
from monitor.judge.sag import Sag
from monitor.judge.state import State
from monitor.judge.verdict import BOILING, UNKNOWN

if TYPE_CHECKING:
    from monitor.judge.boil import Boil
    from monitor.judge.dip import FallDetector

#: So long after a sag the level shows whether it came back. [s]
CAME_BACK_S = 30.0
#: Where something is nearly found, a hold that would be complete waits so long at most, and looks so often. [s]
WAIT_S, WAIT_EVERY_S = 240.0, 40.0


class Credit:
    """Follows the plateaus of one run, each from its beginning to its end."""

    def __init__(self, state: State, boil: Boil) -> None:
        self._state, self._boil = state, boil
        self._past: LookBack | None = None
        self._due_s: float | None = None  # since when the whole time would be over
        self._wait_until_s = 0.0

    def begin(self, index: int, start_s: float) -> None:
        """A plateau was found: it begins at ``index`` of the trace and counts from ``start_s`` on."""
        self._past = LookBack(self._state, index, start_s, self._boil.guard.best_level_C)
        self._due_s = None

    def end(self) -> None:
        """The plateau is over."""
        self._past = None

    def dropped(self, count: int) -> None:
        """The trace forgot its oldest samples."""
        if self._past is not None:
            self._past.dropped(count)

    # --- what is proven -----------------------------------------------------------------------------------

    @property
    def start_s(self) -> float | None:
        """Where the stretch that is on now began, or None."""
        return self._state.ledger.boiling_since_s

    @property
    def margin_s(self) -> float:
        """The last so many seconds of a plateau that a fall just begun could still take back. [s]"""
        detector = self._boil.detector
        if detector is None:
            return 0.0
        state = self._state
        # A reading that stands still counts only up to the converter's last sign of life.
        alive_s = max(state.still.since_s, state.still.chip_moved_s)
        return max(self.refuted_after_s(detector), state.valid_s - alive_s)

    def refuted_after_s(self, detector: FallDetector) -> float:
        """A fall that began longer ago than this would show. [s]"""
        return detector.margin_s(self._state.continuity.spacing_s) + self._state.probe.response_s

    def held_s(self, t: float) -> float:
        """What the stretch that is on now proves by ``t``, margin taken off. [s]"""
        start_s = self.start_s
        return 0.0 if start_s is None else self._state.hold.counted_s(start_s, t - self.margin_s)

    def follow(self, t: float) -> None:
        """After each sample: is the whole time proven?"""
        hold = self._state.hold
        if hold.completed_s is not None or not hold.counts:
            return
        start_s = self.start_s
        if start_s is None or not hold.is_due(start_s, t):
            return
        if self.held_s(t) < hold.required_s + ROUNDING_S:
            self._due_s = None
            return
        if self._due_s is None:
            self._due_s = t
        assert self._past is not None
        if t < self._wait_until_s:
            return
        sag = self._past.before_complete(t)
        if sag is not None:
            self._sagged(sag, t)
        elif t < self._due_s + WAIT_S and self._past.nearly(t):
            self._wait_until_s = t + WAIT_EVERY_S
        else:
            hold.complete(start_s, t)

    def ended(self, end_s: float, t: float) -> None:
        """A fall was seen at ``t`` that began no sooner than ``end_s``: was the whole time over by then?"""
        hold, start_s = self._state.hold, self.start_s
        if start_s is None or hold.completed_s is not None or not hold.counts:
            return
        if hold.counted_s(start_s, end_s) >= hold.required_s + ROUNDING_S:
            hold.complete(start_s, t)

    # --- what sagged --------------------------------------------------------------------------------------

    def leave_out_sags(self, t: float) -> None:
        """After each sample: did it sag, and come back?"""
        assert self._past is not None
        sag = self._past.follow(t)
        if sag is not None:
            self._sagged(sag, t)

    def look_back(self, until_s: float, t: float, *, ended: bool = True) -> None:
        """The plateau, or the hold, is over: what is there to be seen of it now? ``ended``: by a fall, or so."""
        hold = self._state.hold
        if self._past is None or hold.told_until_s >= until_s:
            return
        promised = hold.completed_s is not None or self._due_s is not None
        sag = self._past.sag_until(until_s, ended=ended, promised=promised)
        if sag is not None:
            self._sagged(sag, t)
        sag = self._past.wander(until_s)
        if sag is not None:
            self._sagged(sag, t)

    def _sagged(self, sag: Sag, t: float) -> None:
        """The water may have stopped boiling for a while: that while is not counted."""
        state, hold, boil = self._state, self._state.hold, self._boil
        assert self._past is not None
        self._past.leave_out(sag)
        early_s = max(sag.early_s - state.probe.response_s, boil.early_s, hold.told_until_s)
        if sag.late_s <= early_s:
            return
        state.ledger.relabel(early_s, sag.late_s, BOILING, UNKNOWN, words.SAGGED)
        if sag.late_s > t - CAME_BACK_S:
            # It did not come back, or only just: what a person saw was the level before.
            boil.look_ends(sag.late_s)
            boil.start_s = max(boil.start_s, sag.late_s)
        if hold.boil_told and hold.heat_off_s is None:
            state.log.add("verdict_revised", early_s, t, words.sagged(sag.late_s - early_s))
