"""Two water probes: the lower one decides, and a difference is flagged.

Where both are read together the lower reading is the water's. A second probe that speaks more seldom says nothing of
the seconds between its words: what it reads lower in the mean is taken off the level that is judged, and the first
alone is watched for a fall, so that the scatter of single words does not pass for one.
"""

from __future__ import annotations

from math import exp, sqrt

from monitor.judge import eventlog, words
from monitor.judge.eventlog import EventLog

#: Two water probes further apart than this are flagged. [K] Our rule; a pasteuriser's coldest place may differ from its
#: centre by as much (New York, 1 CRR 2.45(b)(1)).
APART_K = 0.5
#: Their difference is a mean over so long, and of no single reading more than this share, for one alone scatters. [s]
#: Chosen, as what follows.
MEAN_S, SHARE_MOST = 30.0, 0.5
#: A difference within so many of its own standard deviations is none. A single one scatters by so much before anything
#: is known, and counts for no more than the second of these. [K]
SURE, SCATTER_K, SCATTER_MOST_K = 2.0, 0.1, 0.5
#: A probe that speaks seldom stands for what it said until it has been silent for so long, or for so many of its own
#: intervals. [s]
LASTS_S, LASTS_INTERVALS = 120.0, 2.5
#: Near the boil two depths of one canner may differ for a while: told where it lasts so long. [s]
STAYS_S = 60.0


class SecondProbe:
    """Follows the second water probe."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._heard_s = -1e18
        self._every_s = 0.0
        #: Readings of the first alone since the second spoke; whether there were any between its last two words.
        self._alone = 0
        self._is_seldom = True
        #: By how much it reads lower than the first, in the mean. [K]
        self._lower_K = 0.0
        self._variance = SCATTER_K**2
        self._sure_K = 0.0
        self._apart_since_s: float | None = None

    def silent(self) -> None:
        """The first probe was read and the second was not."""
        self._alone += 1

    def lower(self, t: float, first_C: float, second_C: float, floor_C: float | None) -> float:
        """Both were read: what the water is. [°C] ``floor_C``: from where on it may boil."""
        since_s = t - self._heard_s
        if since_s < 1e17:
            self._every_s = since_s
        self._heard_s = t
        share = min(1.0 - exp(-since_s / MEAN_S), SHARE_MOST)
        off_K = first_C - second_C - self._lower_K
        self._lower_K += share * off_K
        self._variance += share * (min(off_K * off_K, SCATTER_MOST_K**2) - self._variance)
        self._sure_K = self._lower_K - SURE * sqrt(self._variance * share / (2.0 - share))
        if abs(self._lower_K) <= APART_K or floor_C is None or max(first_C, second_C) < floor_C:
            self._apart_since_s = None
        elif self._apart_since_s is None:
            self._apart_since_s = t
        elif t - self._apart_since_s >= STAYS_S:
            self._log.add_trouble(eventlog.TWO_PROBES, t, words.two_probes(first_C, second_C))
        self._is_seldom, self._alone = self._alone > 0, 0
        return first_C if self._is_seldom else min(first_C, second_C)

    def seldom_lower_K(self, t: float) -> float:
        """What a second probe that speaks seldom takes off the level of the first. [K]"""
        if not self._is_seldom and not self._alone:
            return 0.0
        is_lost = t - self._heard_s > max(LASTS_S, LASTS_INTERVALS * self._every_s)
        return 0.0 if is_lost else max(self._sure_K, 0.0)
