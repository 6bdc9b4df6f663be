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


class HeaterWatch:
    """Raises ``heater_off`` while the jars are in and the heat is meant to be on."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._top_W = 0.0
        self._on: bool | None = None
        self._off_s = -1e18

    def take(self, sample: Sample, in_process: bool) -> None:
        """Take in a sample with ``heater_W`` or ``mains``."""
        on: bool | None = None
        if sample.heater_W is not None:
            self._top_W = max(self._top_W, sample.heater_W)
            if self._top_W > HEATER_LEAST_W:
                on = sample.heater_W > OFF_SHARE * self._top_W
        if sample.mains is False:
            on = False
        elif sample.mains is True and on is None:
            on = True
        if on is False and self._on and in_process:
            if sample.t_s - self._off_s > SAY_EVERY_S:
                self._log.add("heater_off", sample.t_s, sample.t_s, words.HEATER_OFF)
            self._off_s = sample.t_s
        if on is not None:
            self._on = on
