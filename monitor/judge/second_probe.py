"""Two water probes: the lower one decides, and a difference is flagged."""

from __future__ import annotations

from math import exp

from monitor.judge import eventlog, words
from monitor.judge.eventlog import EventLog

#: Two water probes further apart than this are flagged. [K] Our rule; a pasteuriser's coldest place may differ from its
#: centre by as much (New York, 1 CRR 2.45(b)(1)).
APART_K = 0.5
#: Their difference is a mean over so long, and of no single reading more than this share, for one alone scatters. [s]
#: Chosen, as what follows.
MEAN_S, SHARE_MOST = 10.0, 0.3
#: A probe that speaks seldom stands for what it said until it has been silent for so long, or for so many of its own
#: intervals. [s]
LASTS_S, LASTS_INTERVALS = 120.0, 2.5
#: Near the boil two depths of one canner may differ for a while: told where it lasts so long. [s]
STAYS_S = 60.0


class SecondProbe:
    """Follows the second water probe, which may speak more seldom than the first."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._heard_s = -1e18
        self._every_s = 0.0
        #: By how much it reads lower than the first, in the mean. [K]
        self._lower_K = 0.0
        self._apart_since_s: float | None = None

    def lower(self, t: float, first_C: float, second_C: float | None, *, boils: bool, is_near: bool) -> float:
        """What the water is judged by. [°C]

        ``boils``: a boil is on; ``is_near``: by the first probe alone there could be one.
        """
        if second_C is None:
            is_lost = t - self._heard_s > max(LASTS_S, LASTS_INTERVALS * self._every_s)
            return first_C if is_lost else first_C - max(self._lower_K, 0.0)
        since_s = t - self._heard_s
        if since_s < 1e17:
            self._every_s = since_s
        self._heard_s = t
        share = min(1.0 - exp(-since_s / MEAN_S), SHARE_MOST)
        self._lower_K += share * (first_C - second_C - self._lower_K)
        self._flag(t, first_C, second_C, boils=boils, is_near=is_near)
        return min(first_C, second_C)

    def _flag(self, t: float, first_C: float, second_C: float, *, boils: bool, is_near: bool) -> None:
        if abs(self._lower_K) <= APART_K or not (boils or is_near):
            self._apart_since_s = None
            return
        if self._apart_since_s is None:
            self._apart_since_s = t
        if boils or t - self._apart_since_s >= STAYS_S:
            self._log.add_trouble(eventlog.TWO_PROBES, t, words.two_probes(first_C, second_C))
