"""Heater watts and mains presence, where the node has them: said at once, and never by itself the end of a boil."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.judge import words
from monitor.judge.eventlog import EventLog
from monitor.record.model import Sample

#: Below this nothing is taken for a heater. [W] Chosen, as the figures below.
HEATER_LEAST_W = 50.0
#: Less than this share of the most that was seen is off.
OFF_SHARE = 0.05
#: What the heater or the mains last said holds for so long. [s]
KNOWN_S = 30.0
#: A pause that begins so soon after the one before may be the next of a cycling heater. [s]
CLOSE_S = 60.0
#: A pause shorter than this is no thermostat's, and no reason to wait at the next. [s]
BLIP_S = 5.0
#: After so many pauses from which it came back by itself it cycles; then only a pause is told that is plainly longer
#: than any of them. A pause longer than the last is no cycle. [s]
CYCLES, LONGER, LONGER_S, LONGEST_CYCLE_S = 3, 1.25, 5.0, 300.0
#: Before it is known to cycle no outage waits longer: about then the readings would show it. [s]
WAIT_AT_MOST_S = 40.0

#: What was told of a pause: nothing yet; that the heater is off; that the power is gone, which is enough.
_NOTHING, _OFF, _ENOUGH = range(3)


def is_heating(sample: Sample, top_W: float) -> bool | None:
    """Whether the heater is on, by one sample.

    Parameters
    ----------
    top_W : float
        The most that this heater drew so far, the sample included. [W]

    Returns
    -------
    bool or None
        None where the sample does not tell.
    """
    if sample.mains is False:
        return False
    if sample.heater_W is not None and top_W > HEATER_LEAST_W:
        return sample.heater_W > OFF_SHARE * top_W
    return True if sample.mains else None


@dataclass(slots=True)
class _Pauses:
    """Pauses of one cause from which the heater came back by itself."""

    count: int = 0
    newest_s: float = 0.0
    longest_s: float = 0.0
    #: When the newest began.
    began_s: float = -1e18

    def add(self, began_s: float, until_s: float) -> None:
        self.count += 1
        self.began_s = began_s
        self.newest_s = until_s - began_s
        self.longest_s = max(self.longest_s, self.newest_s)

    def is_close(self, began_s: float) -> bool:
        """Whether a pause that begins then comes close behind the newest."""
        return began_s - self.began_s <= CLOSE_S


class HeaterWatch:
    """Raises ``heater_off`` while the jars are in and the heat is meant to be on."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        self._top_W = 0.0
        self._on: bool | None = None
        #: When that was last said.
        self._said_s = -1e18
        #: When the newest pause began, what was told of it, whether the jars were in, whether the power was gone in it.
        self._off_s = -1e18
        self._told = _ENOUGH
        self._was_owed = self._had_no_power = False
        #: The heater's own pauses; and those without power, a row of them that came close behind each other.
        self._cycle, self._cuts = _Pauses(), _Pauses()

    def is_on(self, now_s: float) -> bool | None:
        """Whether the heater is on now; None where nobody said so lately."""
        return self._on if now_s - self._said_s <= KNOWN_S else None

    def take(self, sample: Sample, in_process: bool) -> None:
        """Take in a sample with ``heater_W`` or ``mains``."""
        t = sample.t_s
        if sample.heater_W is not None:
            self._top_W = max(self._top_W, sample.heater_W)
        on = is_heating(sample, self._top_W)
        if on is None:
            return
        if on and self._on is False:
            self._comes_back(t)
        elif not on and self._on:
            # A pause that began while the heat need not be on teaches nothing, and nothing is told of it.
            self._was_owed, self._told = in_process, _NOTHING if in_process else _ENOUGH
            self._off_s, self._had_no_power = t, False
        self._on, self._said_s = on, t
        if not on and in_process:
            self._perhaps_tell(t, power_gone=sample.mains is False)

    def _comes_back(self, t: float) -> None:
        if not self._was_owed or t - self._off_s > LONGEST_CYCLE_S:
            return
        if self._had_no_power and not self._cuts.is_close(self._off_s):
            self._cuts = _Pauses()
        (self._cuts if self._had_no_power else self._cycle).add(self._off_s, t)

    def _perhaps_tell(self, t: float, *, power_gone: bool) -> None:
        """At once; where such pauses are usual, once this one is plainly longer."""
        self._had_no_power = self._had_no_power or power_gone
        due = _ENOUGH if power_gone else _OFF
        if self._told >= due or t - self._off_s < self._wait_s(power_gone=power_gone):
            return
        cycles = not power_gone and self._cycle.count >= CYCLES
        self._told = due
        self._log.add("heater_off", self._off_s, t, words.HEATER_OFF_LONGER if cycles else words.HEATER_OFF)

    def _wait_s(self, *, power_gone: bool) -> float:
        """How long the heater is off before it is told. [s]"""
        cycle, cuts = self._cycle, self._cuts
        if power_gone:
            is_usual = cuts.count >= CYCLES and cuts.is_close(self._off_s)
            return min(LONGER * cuts.longest_s + LONGER_S, WAIT_AT_MOST_S) if is_usual else 0.0
        if cycle.count >= CYCLES:
            return LONGER * cycle.longest_s + LONGER_S
        if cycle.newest_s >= BLIP_S and cycle.is_close(self._off_s):
            return min(LONGER * cycle.newest_s + LONGER_S, WAIT_AT_MOST_S)
        return 0.0
