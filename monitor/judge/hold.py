"""The hold: while the jars are in, how much of the required time is proven, and what the cook is told."""

from __future__ import annotations

from monitor.judge import causes, words
from monitor.judge.eventlog import DOUBTED, EventLog
from monitor.judge.heat import Heat
from monitor.judge.ledger import later_tenth

#: Start and end of a hold are rounded to the tenth against the canner: that much more must be there. [s]
ROUNDING_S = 0.2
#: So long after the whole time the heat is said to be still on. [s] Chosen.
OVERRUN_S = 300.0
#: Reminder to look at the water over the lids every so often (chosen), in processes longer than LONG_S, which ask for
#: 2 in of it (USDA Complete Guide to Home Canning, Guide 1). [s]
WATER_CHECK_S, LONG_S = 900.0, 1800.0


class Hold:
    """The window from jars in to heat off, and what was said of the boil in it. Times in s."""

    def __init__(self, required_s: float, log: EventLog) -> None:
        self.required_s = required_s
        self._log = log
        self._heat = Heat()
        self.jars_in_s: float | None = None
        self.heat_off_s: float | None = None
        self.window_end_s: float | None = None
        #: When hold_complete was said, and the start of the stretch that earned it.
        self.completed_s: float | None = None
        self.completed_start_s = 0.0
        #: ``boil_lost`` was said, ``boil_back`` not since; ``boil_reached`` or ``boil_back`` was, no loss since.
        self.lost_raised = False
        self.boil_told = False
        #: When ``boil_reached`` or ``boil_back`` was last said. [s]
        self.told_s = -1e18
        self._water_due_s = WATER_CHECK_S
        self._water_checked_s = -1e18
        self._is_overrun_told = False

    def jars_in(self, t: float) -> None:
        """The jars went in: the window opens."""
        self._heat.jars_in(t)
        self._take_over()
        self.completed_s = None
        self._is_overrun_told = False

    def ends(self, t: float, *, heat_off: bool) -> bool:
        """Heat off or jars lifted. Returns whether this closes the window."""
        was_open = self.counts
        self._heat.ends(t, "heat_off" if heat_off else "jars_lifted")
        self._take_over()
        return was_open

    def _take_over(self) -> None:
        """Asked for at every sample, so kept here."""
        heat = self._heat
        self.jars_in_s, self.heat_off_s = heat.jars_in_s, heat.heat_off_s
        #: When the window closed: the heat off or the jars out, whichever came first.
        self.window_end_s = None if heat.jars_in_s is None else heat.over_s

    def water_checked(self, t: float) -> None:
        """A person looked at the water over the lids: the reminder waits for the next time."""
        self._water_checked_s = t

    @property
    def told_until_s(self) -> float:
        """Until when hold_complete promised that the boil counts: no dating takes it back. [s]"""
        if self.completed_s is None:
            return -1e18
        return self.completed_start_s + self.required_s + ROUNDING_S

    def counted_s(self, start_s: float, end_s: float) -> float:
        """How much of the boil from ``start_s`` to ``end_s`` was with the jars in. [s]"""
        if self.jars_in_s is None:
            return 0.0
        if self.window_end_s is not None:
            end_s = min(end_s, self.window_end_s)
        return max(end_s - max(start_s, self.jars_in_s), 0.0)

    @property
    def is_heat_over(self) -> bool:
        """Whether the heat is off, or the jars are out: nothing depends on the node's every word any more."""
        return self.heat_off_s is not None or self.window_end_s is not None

    @property
    def counts(self) -> bool:
        """Whether a boil now would count."""
        return self.jars_in_s is not None and self.window_end_s is None

    @property
    def is_owed(self) -> bool:
        """Whether a boil was told that counts, and the whole time is still to come."""
        return self.boil_told and self.counts and self.completed_s is None and self.heat_off_s is None

    def is_due(self, start_s: float, t: float) -> bool:
        """Follow a boil that counts and is not complete yet; True where the whole time may be over."""
        assert self.jars_in_s is not None
        passed_s = t - max(start_s, self.jars_in_s)
        if self.required_s > LONG_S and self._water_due_s <= passed_s < self.required_s:
            checked_ago_s = t - self._water_checked_s
            if checked_ago_s >= WATER_CHECK_S:
                self._log.add("water_check_due", t, t, words.WATER_CHECK)
            self._water_due_s = (
                passed_s + WATER_CHECK_S - (checked_ago_s if checked_ago_s < WATER_CHECK_S else 0.0)
            )
        return passed_s >= self.required_s

    def complete(self, start_s: float, t: float) -> None:
        """The whole time is proven: tell the cook."""
        assert self.jars_in_s is not None
        self.completed_s = t
        self.completed_start_s = max(start_s, self.jars_in_s)
        # As the verdict credits it.
        done_s = later_tenth(self.completed_start_s) + self.required_s
        self._log.add("hold_complete", done_s, t, words.complete(self.required_s))

    def take_back(self) -> None:
        """No dating takes it back, but something else did, as a reading found frozen since before: it is owed again."""
        self.completed_s = None
        self._is_overrun_told = False

    def follow_overrun(self, t: float) -> None:
        """Say so where the heat stays on long after the whole time. A pot that plainly cools has no heat on."""
        if self._is_overrun_told or self.completed_s is None or self.is_heat_over or self.lost_raised:
            return
        if t - self.completed_s >= OVERRUN_S:
            self._is_overrun_told = True
            self._log.add("overrun", t, t, words.OVERRUN)

    def reached(
        self,
        start_s: float,
        early_s: float,
        t: float,
        *,
        seen: bool,
        after: str = "",
        again_early_s: float | None = None,
        unproven_s: float = -1e18,
    ) -> None:
        """The boil is there, or back. ``seen``: a person marked it.

        ``after``: what was not known before it; ``again_early_s``: the early bound where it counts anew after that;
        ``unproven_s``: until when it was proven before.
        """
        if self.heat_off_s is not None:
            return
        again = self.lost_raised or self._log.has("boil_reached")
        kind = "boil_back" if again else "boil_reached"
        done = self.completed_s is not None
        anew_after_s = None
        if again and not self.lost_raised:
            # No loss was seen, and none was told; but a boil that was not proven without a break counts anew.
            if done or not self.counts:
                return
            text = words.proven_again(self.required_s, after, seen=seen)
            early_s = early_s if again_early_s is None else again_early_s
            if after != words.JARS_JUST_IN:
                # Whoever put jars in knows that the time begins.
                anew_after_s = max(unproven_s, self.told_s)
        else:
            text = words.reached(kind, self.required_s, counts=self.counts, seen=seen, done=done)
        self.lost_raised = False
        self.boil_told, self.told_s = True, t
        self._log.is_over(DOUBTED)
        cause = "" if anew_after_s is None else causes.COUNTS_ANEW
        self._log.add(
            kind, start_s, t, text, early_s=early_s, late_s=start_s, cause=cause, unproven_s=anew_after_s
        )
        self._water_due_s = WATER_CHECK_S

    def lost(self, onset_s: float, early_s: float, late_s: float, t: float, text: str) -> None:
        """The boil is lost. Once the whole time has held, nothing begins again."""
        if self.completed_s is not None:
            text = text.replace(words.RESTART_RULE, words.DONE_RULE)
        self.lost_raised = True
        self.boil_told = False
        self._log.add("boil_lost", onset_s, t, text, early_s=early_s, late_s=late_s)
