"""Heater watts and mains presence, where the node has them: said at once, and never by itself the end of a boil."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.eventlog import EventLog
from monitor.record.model import Sample

#: Below this nothing is taken for a heater. [W] Chosen, as the figures below.
HEATER_LEAST_W = 50.0
#: Less than this share of the most that was seen is off.
OFF_SHARE = 0.05
#: A cycling heater is normal: one event for pauses that follow each other so closely. [s]
SAY_EVERY_S = 60.0
#: After so many pauses from which it came back by itself it cycles; then only a pause is told that is plainly longer
#: than any of them. A pause longer than the last is no cycle. [s]
CYCLES, LONGER, LONGER_S, LONGEST_CYCLE_S = 3, 1.25, 5.0, 300.0


class HeaterWatch:
    """Raises ``heater_off`` while the jars are in and the heat is meant to be on."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._top_W = 0.0
        self._on: bool | None = None
        self._off_s = -1e18
        #: Whether this pause was told, or need not be.
        self._is_told = True
        self._cycles = 0
        self._longest_s = 0.0

    def take(self, sample: Sample, in_process: bool) -> None:
        """Take in a sample with ``heater_W`` or ``mains``."""
        t = sample.t_s
        on: bool | None = None
        if sample.heater_W is not None:
            self._top_W = max(self._top_W, sample.heater_W)
            if self._top_W > HEATER_LEAST_W:
                on = sample.heater_W > OFF_SHARE * self._top_W
        if sample.mains is False:
            on = False
        elif sample.mains is True and on is None:
            on = True
        if on is None:
            return
        if not on and self._on and in_process:
            self._is_told = t - self._off_s <= SAY_EVERY_S
            self._off_s = t
        elif on and self._on is False:
            self._came_back(t - self._off_s)
        self._on = on
        if not on and not self._is_told and in_process:
            self._tell(t, power_gone=sample.mains is False)

    def _came_back(self, off_s: float) -> None:
        if off_s <= LONGEST_CYCLE_S:
            self._cycles += 1
            self._longest_s = max(self._longest_s, off_s)

    def _tell(self, t: float, *, power_gone: bool) -> None:
        """At once; where it cycles and the mains are there, once the pause is longer than its cycles."""
        text = words.HEATER_OFF
        if self._cycles >= CYCLES and not power_gone:
            if t - self._off_s <= LONGER * self._longest_s + LONGER_S:
                return
            text = words.HEATER_OFF_LONGER
        self._is_told = True
        self._log.add("heater_off", self._off_s, t, text)
