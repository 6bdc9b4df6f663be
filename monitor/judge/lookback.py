"""What a plateau shows on looking back over it: sags that came and went, a level that wanders or swings.

The fall detector (:mod:`monitor.judge.dip`) speaks while a fall goes on. What it could not know then is looked for here
as the plateau grows, before its hold is called complete, and when it is over. What is found is not counted; where a
hold is about to be called complete and something is nearly found, it is worth waiting for.

Figures below that name no source are ours: chosen, and tried on many runs of the kettle model.
"""

from __future__ import annotations

from math import inf

from monitor.judge.low_step import find_low_step
from monitor.judge.sag import THRESHOLD, UNTOLD_THRESHOLD, Sag, SagWatch
from monitor.judge.state import State
from monitor.judge.swing import find_swing
from monitor.judge.wander import find_wander

#: A level that wanders is looked for before a hold is complete; besides so often, for twice the evidence. [s]
WANDER_EVERY_S, EVERY_SHARE = 600.0, 2.0
#: Once it has wandered, this share of the evidence is enough.
AGAIN_SHARE = 0.5
#: This share of a sag's threshold is worth waiting for, and this share of a wander's evidence, which is weighed by
#: squares.
NEARLY, NEARLY_WANDERS = 0.8, 0.55


class LookBack:
    """Looks back over one plateau, which begins at ``index`` of the trace and counts from ``start_s`` on."""

    def __init__(self, state: State, index: int, start_s: float, before_C: float | None) -> None:
        self._state = state
        self._sags = SagWatch(state.trace, state.noise, index, before_C)
        #: What did not sag, as (from, to), the newest last.
        self._level: list[tuple[float, float]] = [(start_s, inf)]
        self._looked_s = start_s
        self._wandered = False

    def dropped(self, count: int) -> None:
        """The trace forgot its oldest samples."""
        self._sags.start = max(self._sags.start - count, 0)

    def leave_out(self, sag: Sag) -> None:
        """What was found is not looked over again, and is no measure of the rest."""
        self._sags.start = max(self._sags.start, self._state.trace.index_at(sag.late_s) + 1)
        self._level = [
            piece
            for since_s, until_s in self._level
            for piece in ((since_s, min(until_s, sag.early_s)), (max(since_s, sag.late_s), until_s))
            if piece[0] < piece[1]
        ]

    def follow(self, t: float) -> Sag | None:
        """After each sample."""
        sag = self._sags.look()
        if sag is None and t - self._looked_s >= WANDER_EVERY_S:
            sag = self.wander(t, EVERY_SHARE)
        return sag

    def before_complete(self, t: float) -> Sag | None:
        """Everything up to now, before a hold is called complete."""
        return self._sags.look_everywhere() or self.wander(t)

    def nearly(self, t: float) -> bool:
        """Whether something is nearly found, so that more readings may find it."""
        return bool(
            self._sags.look_everywhere(threshold=NEARLY * THRESHOLD) or self.wander(t, NEARLY_WANDERS)
        )

    def sag_until(self, until_s: float, *, ended: bool, promised: bool) -> Sag | None:
        """A sag, the plateau being over.

        ``ended``: by a fall. ``promised``: its hold was called complete, or nearly was.
        """
        return self._sags.look_everywhere(until_s, THRESHOLD if promised else UNTOLD_THRESHOLD, ended=ended)

    def wander(self, until_s: float, share: float = 1.0) -> Sag | None:
        """Does the level wander between boil and simmer, up to ``until_s``? ``share`` of the evidence is enough."""
        trace, noise, spacing_s = self._state.trace, self._state.noise, self._state.continuity.spacing_s
        self._looked_s = until_s
        if self._wandered:
            share *= AGAIN_SHARE
        for since_s, end_s in reversed(self._level):
            i, j = trace.index_at(since_s), trace.index_at(min(end_s, until_s + 0.001))
            sag = (
                find_wander(trace, noise, i, j, spacing_s, share)
                or find_swing(trace, noise, i, j, spacing_s, share)
                or find_low_step(trace, noise, i, j, spacing_s)
            )
            if sag is not None:
                self._wandered |= share >= 1.0
                return sag
        return None
