"""Whether a sample simply follows the one before: node restarts, clock steps, the node's rhythm."""

from __future__ import annotations

from monitor.judge import words
from monitor.judge.eventlog import RESTARTED, EventLog
from monitor.judge.gap import CEILING_S
from monitor.record.model import Sample

#: So many intervals make a rhythm. Chosen, as the figures below.
RHYTHM_OF = 20
#: How fast it is learned how many samples there are to one that is used: nearly all of it by the time of a rhythm.
LEARN_NUMBERS = 0.1
#: A node that has said nothing for this long is silent, a slower one after so many of its intervals, no later than a
#: gap is unknown in any case; one whose own rhythm is as slow as that, once its next word is plainly overdue. [s]
SILENT_S, SILENT_INTERVALS, OVERDUE_INTERVALS = 5.0, 2.5, 1.25
#: So many gaps in a row, alike within a fifth, are no gaps: the node has gone over to a slower rhythm.
GAPS_ALIKE, ALIKE = 5, 0.2
#: So many restarts within the time in which they are told once are no restarts. Chosen.
OFTEN = 5
#: Times of samples and the node's uptime may run apart by this at once, and besides by this share of the time
#: passed (a cheap crystal is good for a tenth of that, from memory). [s]
STEP_S, CREEP_SHARE = 2.0, 0.001
#: A clock that creeps, or two that interleave, is one trouble: told of once in so long (a person can answer an alarm in
#: ten minutes: EEMUA 191). A step of its own, after times have agreed for a while (chosen), is another. [s]
TROUBLE_S, AGREED_S = 600.0, 60.0


class Continuity:
    """Follows boot, sequence number, uptime and the time between samples."""

    def __init__(self, log: EventLog) -> None:
        self._log = log
        #: Usual time between two samples; where a node is faster than readings are used, between those used. [s]
        self.spacing_s = 1.0
        #: Readings passed over since the newest one used, and how many samples there are to one that is used: followed
        #: from the first one that is passed over.
        self._passed_over, self._to_one_used = 0, 1.0
        self._is_fast = False
        self._intervals = 0
        self._gaps_alike = 0
        self._last_gap_s = 0.0
        self._boot: int | None = None
        #: Restarts since one was told.
        self._restarts = 0
        #: Whether the newest restart that was told was one of many.
        self.restarts_often = False
        self._seq: int | None = None
        self._uptime_s: float | None = None
        #: Time of a sample less uptime, where both were last taken to agree; and when that was. [s]
        self._apart_s = 0.0
        self._agreed_s = 0.0
        #: When a clock was last found not to agree, and when that was told. [s]
        self._stepped_s = self._told_s = -1e18

    @property
    def has_rhythm(self) -> bool:
        """Whether there was an interval yet: the first one of all is the rhythm until others say otherwise."""
        return self._intervals > 0

    def silent_after_s(self, apart_s: float) -> float:
        """How long after it was last heard the node is silent. [s]

        Parameters
        ----------
        apart_s : float
            Time between the two newest signs of life: the rhythm, where no two readings have set one yet (as of a
            probe at fault from the start). Very long where there was but one. [s]
        """
        rhythm_s = self.spacing_s if self._intervals else apart_s
        by_rhythm_s = min(SILENT_INTERVALS * rhythm_s, CEILING_S)
        return max(SILENT_S, by_rhythm_s, OVERDUE_INTERVALS * self.spacing_s)

    def pass_over(self) -> None:
        """A reading that comes too soon after the one before to be used."""
        self._passed_over += 1
        self._is_fast = True

    def learn(self, interval_s: float) -> None:
        """An ordinary interval."""
        self._gaps_alike = 0
        if self._is_fast:
            self._to_one_used += LEARN_NUMBERS * (1.0 + self._passed_over - self._to_one_used)
            self._passed_over = 0
        if self._intervals < RHYTHM_OF:
            self._intervals += 1
            self.spacing_s += (interval_s - self.spacing_s) / self._intervals
        else:
            self.spacing_s += 0.02 * (interval_s - self.spacing_s)

    def learn_gap(self, interval_s: float) -> None:
        """An interval longer than the rhythm; it may be the new rhythm."""
        if abs(interval_s - self._last_gap_s) < ALIKE * interval_s:
            self._gaps_alike += 1
            if self._gaps_alike >= GAPS_ALIKE:
                self.spacing_s, self._gaps_alike = interval_s, 0
        self._last_gap_s = interval_s

    def follows(self, sample: Sample) -> bool:
        """Takes the next number of the same start, its times agreeing: by far the most common, and quick.

        Where not, nothing is taken: :meth:`break_before`, which takes any sample, says whether and why.
        """
        seq, uptime, arrival_s = sample.seq, sample.uptime_s, sample.arrival_s
        if self._seq is None or seq != self._seq + 1 or sample.boot != self._boot:
            return False
        t = sample.t_s
        if arrival_s is not None and arrival_s < t - STEP_S:
            return False
        if uptime is not None:
            if self._uptime_s is None or not -STEP_S <= t - uptime - self._apart_s <= STEP_S:
                return False
            self._uptime_s = uptime
        self._seq = seq
        return True

    def break_before(self, sample: Sample, last_s: float, *, heat_over: bool = False) -> str:
        """Why the sample does not simply follow the last, of ``last_s``, or "".

        ``heat_over``: no boil is at stake any more, so that a restart need not be told.
        """
        t, boot, seq, uptime = sample.t_s, sample.boot, sample.seq, sample.uptime_s
        early = sample.arrival_s is not None and sample.arrival_s < t - STEP_S
        reason = ""
        if boot is not None and self._boot is not None and boot != self._boot:
            if not heat_over:
                self._tell_restart(t, last_s)
            reason = words.RESTART_GAP
            self._uptime_s = None
        elif early or self._stepped(t, t - last_s, seq, uptime):
            # What arrives before it was taken has a wrong time: a link only ever makes a sample late.
            self._tell_step(t, t - last_s, uptime)
            reason = words.CLOCK_GAP
        if boot is not None:
            self._boot = boot
        if seq is not None:
            self._seq = seq
        if uptime is not None:
            if reason or self._uptime_s is None:
                self._apart_s, self._agreed_s = t - uptime, t
            self._uptime_s = uptime
        return reason

    def _tell_restart(self, t: float, last_s: float) -> None:
        self._restarts += 1
        often = self._restarts >= OFTEN
        if self._log.add_trouble(RESTARTED, t, words.RESTARTS_OFTEN if often else words.RESTARTED, last_s):
            self._restarts, self.restarts_often = 0, often

    def _tell_step(self, t: float, passed_s: float, uptime_s: float | None) -> None:
        """Raise the event, unless it is the trouble that was told of."""
        is_creep = (
            uptime_s is not None
            and self._uptime_s is not None
            and abs(passed_s - (uptime_s - self._uptime_s)) <= STEP_S
        )
        is_new = not is_creep and t - self._stepped_s > AGREED_S
        self._stepped_s = t
        if is_new or t - self._told_s >= TROUBLE_S:
            self._told_s = t
            self._log.add("clock_stepped", t, t, words.CLOCK_STEPPED)

    def _stepped(self, t: float, passed_s: float, seq: int | None, uptime_s: float | None) -> bool:
        """Whether time was lost or gained, by the node's uptime or by the numbers of its samples."""
        if passed_s > 1e17:
            return False
        if uptime_s is not None and self._uptime_s is not None:
            # Against the last agreement, not the last sample: a clock that creeps takes small steps.
            creep_s = abs(t - uptime_s - self._apart_s)
            return creep_s > STEP_S + CREEP_SHARE * abs(t - self._agreed_s)
        if seq is not None and self._seq is not None and self._intervals >= RHYTHM_OF:
            if seq <= self._seq:
                return True
            # More numbers than time can hold: time was lost, and what happened in it is not known.
            apart_s = self.spacing_s / self._to_one_used
            return (seq - self._seq) * apart_s > 1.5 * passed_s + 2.0 * apart_s + 2.0
        return False
