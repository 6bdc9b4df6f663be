"""When the collector itself could not have heard anything: the machine was stalled, stopped or asleep.

A node is silent only while somebody listens. What a node said meanwhile waits in a cable's buffer or at a broker and
comes all at once; that it is old then is this machine's doing, and not the node's.
"""

from __future__ import annotations

from collections import deque

from monitor.judge.continuity import SILENT_S
from monitor.store.stamp import SYSTEM_TIME
from monitor.timesource import TimeSource

#: A round of the collector that takes longer than this was held up. [s of this machine]
ROUND_S = 0.25
#: Being held up for so long is worth a line in the journal. [s of this machine]
WORTH_SAYING_S = 5.0
#: So many of the newest are kept; nobody asks about older ones.
KEPT = 100


class Awake:
    """Looked at once a round. Stalls are measured by the machine's own clock, which also counts its sleep.

    Parameters
    ----------
    rate : float
        Seconds of the house in one second of this machine.
    time : TimeSource
        The machine's real clock, also where the house's is another.
    """

    def __init__(self, rate: float = 1.0, time: TimeSource = SYSTEM_TIME) -> None:
        self._rate = rate
        self._time = time
        self._looked_s = time.monotonic_s()
        #: From, to. [s of house time]
        self._deaf: deque[tuple[float, float]] = deque(maxlen=KEPT)

    def look(self, now_s: float) -> float:
        """A round begins at ``now_s`` [s of house time]. How long the collector was held up. [s of this machine]"""
        looked_s = self._time.monotonic_s()
        held_up_s = looked_s - self._looked_s - ROUND_S
        self._looked_s = looked_s
        if held_up_s <= 0.0:
            return 0.0
        self._deaf.append((now_s - held_up_s * self._rate, now_s))
        return held_up_s

    def deaf_s(self, since_s: float, until_s: float) -> float:
        """How much of that time nothing could be heard. [s of house time]"""
        return sum(max(0.0, min(end_s, until_s) - max(start_s, since_s)) for start_s, end_s in self._deaf)

    def listened_s(self, heard_s: float, now_s: float) -> float:
        """For how long nothing has come since ``heard_s`` though it could have been heard. [s of house time]

        In a house that runs faster than life a cable and a machine hurry no more than in any other: what makes a
        node silent there lasts as long, by people's seconds.
        """
        silent_s = now_s - heard_s - self.deaf_s(heard_s, now_s)
        return silent_s - SILENT_S * (self._rate - 1.0)

    def delay_s(self, taken_s: float, arrived_s: float) -> float:
        """How long something was on its way, by people's seconds and without what was our own doing. [s]"""
        return (arrived_s - taken_s - self.deaf_s(taken_s, arrived_s)) / self._rate

    def shift(self, by_s: float) -> None:
        """House time itself was moved."""
        moved = [(start_s + by_s, end_s + by_s) for start_s, end_s in self._deaf]
        self._deaf = deque(moved, maxlen=KEPT)
