"""Which samples of a node are safe, which are missing, and what to tell the node. Pure.

``stored`` goes up to the highest sequence number with no hole below it, for then the node may forget; a hole
is asked for again (``resend``) until it is filled or the node says that it no longer holds it (``gone``).
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field

#: ``stored`` is said at most so often, [s]
STORED_EVERY_S = 0.5
#: ... and said again so often even when nothing changed: the last one may have been lost. [s]
STORED_AGAIN_S = 10.0
#: A hole must stand so long before it is asked for: the network may only have changed the order. [s]
HOLE_AGE_S = 1.0
#: First pause between two requests; for the same hole it doubles up to the last. [s]
RESEND_FIRST_S = 2.0
RESEND_LAST_S = 60.0


@dataclass(slots=True)
class Receipts:
    """The sequence numbers of one start of one node: covered without a hole up to ``upto`` (-1: none)."""

    upto: int = -1
    #: Covered stretches beyond ``upto``, each (first, last), in order, never touching.
    islands: list[tuple[int, int]] = field(default_factory=list)
    _said: int = -1
    _said_s: float = float("-inf")
    _hole_s: float | None = None
    _asked: int | None = None
    _asked_s: float = float("-inf")
    _pause_s: float = RESEND_FIRST_S

    @property
    def highest(self) -> int:
        """The highest covered number, -1 when nothing is."""
        return self.islands[-1][1] if self.islands else self.upto

    def cover(self, first: int, last: int | None = None) -> None:
        """Numbers ``first`` to ``last`` are stored, or known never to come."""
        last = first if last is None else last
        if last <= self.upto:
            return
        if first <= self.upto + 1 and not self.islands:
            self.upto = last
            return
        if self.islands and self.islands[-1][1] + 1 == first:
            self.islands[-1] = (self.islands[-1][0], last)
            return
        self._merge(first, last)

    def _merge(self, first: int, last: int) -> None:
        stretches = self.islands
        at = bisect_right(stretches, (first, last))
        stretches.insert(at, (first, last))
        merged: list[tuple[int, int]] = []
        for low, high in stretches:
            if merged and low <= merged[-1][1] + 1:
                merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
            else:
                merged.append((low, high))
        while merged and merged[0][0] <= self.upto + 1:
            self.upto = max(self.upto, merged.pop(0)[1])
        self.islands = merged

    @property
    def first_hole(self) -> tuple[int, int] | None:
        """The lowest missing numbers (first, last), when something beyond them is here."""
        return (self.upto + 1, self.islands[0][0] - 1) if self.islands else None

    def holes(self) -> list[tuple[int, int]]:
        """Every missing stretch (first, last) below the highest number."""
        found, low = [], self.upto + 1
        for first, last in self.islands:
            found.append((low, first - 1))
            low = last + 1
        return found

    def gone(self, count: int, from_seq: int | None) -> list[tuple[int, int]]:
        """The node no longer holds ``count`` samples from where it was asked. Returns each (first, count).

        Only what is missing is lost: what is already here stays.
        """
        start = from_seq if from_seq is not None else self._asked
        if start is None or count <= 0:
            return []
        # Never beyond what has been seen to exist: a mad count must not cover the future.
        last = min(start + count - 1, self.highest)
        missing = [(max(low, start), min(high, last)) for low, high in self.holes()]
        missing = [(low, high) for low, high in missing if low <= high]
        for low, high in missing:
            self.cover(low, high)
        return [(low, high - low + 1) for low, high in missing]

    def to_say(self, now_s: float) -> tuple[int | None, int | None]:
        """(stored up to, resend from) that are due to be said now; None for what is not."""
        return self._stored_due(now_s), self._resend_due(now_s)

    def _stored_due(self, now_s: float) -> int | None:
        if self.upto < 0:
            return None
        since_s = now_s - self._said_s
        if since_s < STORED_EVERY_S or (self.upto == self._said and since_s < STORED_AGAIN_S):
            return None
        self._said, self._said_s = self.upto, now_s
        return self.upto

    def _resend_due(self, now_s: float) -> int | None:
        hole = self.first_hole
        if hole is None:
            self._hole_s, self._asked, self._pause_s = None, None, RESEND_FIRST_S
            return None
        if self._hole_s is None:
            self._hole_s = now_s
        if now_s - self._hole_s < HOLE_AGE_S:
            return None
        # A hole that is being filled begins somewhere else at each look: what was asked for is on its way.
        moved = self._asked != hole[0]
        pause_s = RESEND_FIRST_S if moved else self._pause_s
        if now_s - self._asked_s < pause_s:
            return None
        self._pause_s = RESEND_FIRST_S if moved else min(self._pause_s * 2.0, RESEND_LAST_S)
        self._asked, self._asked_s = hole[0], now_s
        return hole[0]
