"""What rows that came late have changed: the answer with them against the answer without them.

The verdict holds one such event for all late rows together. Who follows a run live is told of each block of them
(what a node sends again after a silence) once, when it is in and has changed the answer.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from monitor.judge.gap import CEILING_S
from monitor.judge.rows import arrived_s
from monitor.judge.verdict import HELD, Event, Verdict
from monitor.judge.words import exact
from monitor.record.model import Sample

if TYPE_CHECKING:
    from monitor.judge.session import Session

#: A proven time that moved by less is the same answer. [s] Chosen, as the figures below.
SAME_S = 0.5
#: While the run is open and no word has changed, a proven time that moved by less is no news yet: it grows by
#: itself, and a begin or an end is dated a little otherwise with each row that comes. What a silence had broken
#: moves it by more than the longest gap that can count. [s]
SAME_WHILE_OPEN_S = CEILING_S
#: A block is in when no late row has come for so long. [s]
QUIET_S = 5.0
#: Of a block that keeps coming it is told after so long. [s]
PATIENCE_S = 60.0


@dataclass(slots=True)
class LateRows:
    """How many came late, the time of the first, and when the last of them arrived. [s since the run's start]"""

    count: int = 0
    first_s: float = float("inf")
    arrived_s: float = float("-inf")

    def add(self, sample: Sample) -> None:
        """One more."""
        self.count += 1
        self.first_s = min(self.first_s, sample.t_s)
        self.arrived_s = max(self.arrived_s, arrived_s(sample))


@dataclass(frozen=True, slots=True)
class LateRevision(Event):
    """``verdict_revised`` by late rows (the engine raises the same kind where it looks back)."""


def revision(rows: LateRows, before: Verdict, after: Verdict) -> LateRevision | None:
    """The event where late rows changed the answer: raised when the last of them arrived."""
    if not rows.count:
        return None
    if before.verdict == after.verdict and abs(before.proven_s - after.proven_s) < SAME_S:
        return None
    came = f"{rows.count} samples came late" if rows.count > 1 else "One sample came late"
    now, was = exact(after.proven_s), exact(before.proven_s)
    if before.verdict == after.verdict:
        so_far = " so far" if after.verdict is None else ""
        said = f"with them {now} are proven{so_far} instead of {was}."
    else:
        said = (
            f"with them the record says {after.verdict or 'open'} ({now} proven) instead of "
            f"{before.verdict or 'open'} ({was})."
        )
    return LateRevision("verdict_revised", rows.first_s, rows.arrived_s, f"{came}; {said}")


def is_news(before: Verdict, after: Verdict) -> bool:
    """Whether somebody who follows a run that is on should hear of it now."""
    if before.verdict != after.verdict:
        return True
    return after.verdict != HELD and abs(before.proven_s - after.proven_s) >= SAME_WHILE_OPEN_S


def with_revision(verdict: Verdict, event: LateRevision | None) -> Verdict:
    """The verdict with the event in its place."""
    if event is None:
        return verdict
    return replace(verdict, events=tuple(sorted([*verdict.events, event], key=lambda each: each.raised_s)))


@dataclass(slots=True)
class Block:
    """Late rows of which nobody was told yet, and a session that goes on without them.

    A block that changed nothing stays: what it changes may show later, and the next late rows join it.
    """

    without: Session
    began_s: float
    newest_s: float
    rows: LateRows = field(default_factory=LateRows)
    _looked_s: float = float("-inf")

    def take(self, late: Iterable[Sample], now_s: float) -> None:
        """More late rows."""
        if now_s - self.newest_s >= QUIET_S:
            self.began_s = now_s
        self.newest_s = now_s
        for sample in late:
            self.rows.add(sample)

    def settle(self) -> None:
        """No more is on its way: due at once."""
        self.newest_s = self._looked_s = float("-inf")

    def is_due(self, now_s: float) -> bool:
        """Whether to look now what the block has changed; each look counts."""
        is_in = now_s - self.newest_s >= QUIET_S or now_s - self.began_s >= PATIENCE_S
        if not is_in or now_s - self._looked_s < QUIET_S:
            return False
        self._looked_s = now_s
        return True
