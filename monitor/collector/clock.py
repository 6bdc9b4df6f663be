"""The house's clock: the machine's steady clock, with the wall clock read once for people.

A machine without a battery clock comes back from a power cut with the time that it last saved, minutes to hours behind,
and nobody can tell how long it was away. So house time never goes back behind what the store holds, and after a new
start of the machine in a run it goes on well beyond that: the record shows a gap that nothing bridges. The gap is the
least that is known, not a length; what shows later that it was longer (a node that went on, a clock that is put right)
moves house time forward, and never back.
"""

from __future__ import annotations

import sqlite3

from monitor.collector.wallclock import wall_clock
from monitor.store.clock import ClockRow, put_down, read_clocks
from monitor.store.stamp import machine_boot, names_boots, utc_text
from monitor.timesource import ScaledTime, TimeSource

#: A wall clock that moves by more than this against the steady one was set, and that is noted. [s]
STEP_S = 2.0
#: After a new start of the machine in a run, house time goes on at least so far beyond the newest that is held. [s]
#: Chosen: four times the longest gap that is ever bridged, since a node may be up half a minute or a minute before the
#: machine's own clock begins to count, and what it kept since then must not come near the old readings.
AWAY_S = 120.0
#: For so long a machine that is up counts as away from its store, where its wall clock is not known to be right. [s]
#: Chosen: a store may have been brought here from another machine.
UP_MOST_S = 86400.0
#: In a run house time follows a wall clock only where that shows a gap which nothing bridges. [s]
FORWARD_S = 35.0
#: A wall clock that lies further behind what the store holds than this was wrong before, and is followed back. [s]
WRONG_S = 48 * 3600.0
#: So long after a run's end house time does not go back: the jars' clocks of 2 h and 24 h are counted in it, and would
#: ring too late. [s] Guidance G51, G57 to G59.
RESTS_S = 24 * 3600.0

STARTED, SET = "the collector started", "the machine's clock was set"
#: So begins the life of an offset that may be too small.
ANEW = "the machine started anew while a run was on"
LONGER = f"{ANEW}; a node shows that it was away for longer"


class HouseClock:
    """House time for one life of the collector.

    While a run is on, the offset is kept: even across a restart of the collector, as long as the machine
    itself did not restart. Setting the wall clock then moves no sample and no mark.

    Parameters
    ----------
    held_s : float, optional
        The newest house time that the store holds of its runs.
    """

    def __init__(
        self,
        conn: sqlite3.Connection,
        time: TimeSource,
        *,
        run_open: bool,
        held_s: float = float("-inf"),
    ) -> None:
        self._conn = conn
        self._time = time
        self.rate = time.rate if isinstance(time, ScaledTime) else 1.0
        before = read_clocks(conn)
        last = before[-1] if before else None
        started_anew = last is not None and last.machine_boot != machine_boot()
        same = last is not None and not started_anew and last.rate == self.rate
        kept = same and last is not None and (run_open or self._still_rests(last.offset_s, held_s))
        #: The estimates of the nodes' clocks from before still hold.
        self.continues = bool(kept)
        #: Whether the machine started anew in a run, and nothing has shown yet how long it was away.
        self.is_unsure = False
        self._from_mono_s = 0.0
        if kept and last:
            self.offset_s = last.offset_s
            self.is_unsure = last.why in (ANEW, LONGER)
            self._from_mono_s = last.from_mono_s
        else:
            self.offset_s = 0.0
            least_s = held_s + (self._up_s() if started_anew else 0.0)
            if run_open and started_anew:
                # For all of this start of the machine, also for what was said before the collector was there.
                self._put(self._offset_s(least_s + AWAY_S), 0.0, ANEW)
                self.is_unsure = True
            else:
                is_wrong = not run_open and self._wall_s() < held_s - WRONG_S
                self._put(self._offset_s(float("-inf") if is_wrong else least_s), self._mono_s(), STARTED)
        self._drift_s = self._wall_ahead_s()

    def now_s(self) -> float:
        """House time. [s since the epoch]"""
        return self._time.monotonic_s() + self.offset_s

    def house_s(self, steady_s: float) -> float:
        """House time of a reading of the collector's own steady clock."""
        return steady_s + self.offset_s

    def check(
        self, *, run_open: bool, in_hold: bool = False, held_s: float = float("-inf")
    ) -> tuple[float, float]:
        """Look at the wall clock: (by how much it was set since last asked, by how much house time moved).

        House time follows a wall clock that was set only while no run is on, and then not back behind ``held_s``. In a
        run it does where the machine started anew and the wall clock shows that it was away for longer than is
        recorded: but not ``in_hold``, which a step would break off.

        Raises
        ------
        StoreError
            The store cannot be written: nothing was moved, and the same is found when asked again.
        """
        if self.rate != 1.0:
            return 0.0, 0.0
        drift_s = self._wall_ahead_s()
        stepped_s = drift_s - self._drift_s
        if abs(stepped_s) <= STEP_S:
            stepped_s = 0.0
        moved_s = 0.0
        if self._is_to_follow(drift_s, run_open=run_open, in_hold=in_hold, held_s=held_s):
            before_s = self.offset_s
            self._put(self._offset_s(), self._mono_s(), SET)
            moved_s = self.offset_s - before_s
            self.is_unsure = False
        self._drift_s = self._wall_ahead_s()
        return stepped_s, moved_s

    @property
    def since_s(self) -> float:
        """House time from which on this offset holds."""
        return self._from_mono_s * self.rate + self.offset_s

    def go_forward(self, by_s: float, *, all_along: bool = True) -> None:
        """The machine was away for longer than was recorded.

        ``all_along``: what was said since the machine started moves along; else house time moves from now on.

        Raises
        ------
        StoreError
            The store cannot be written: nothing was moved.
        """
        self._put(self.offset_s + by_s, self._from_mono_s if all_along else self._mono_s(), LONGER)
        self._drift_s = self._wall_ahead_s()

    def _is_to_follow(self, drift_s: float, *, run_open: bool, in_hold: bool, held_s: float) -> bool:
        if run_open:
            return self.is_unsure and not in_hold and drift_s > FORWARD_S
        # Readings that come next must not be placed in a run that is over.
        falls_behind = drift_s < 0.0 and held_s - WRONG_S <= self._wall_s() < held_s
        return abs(drift_s) > STEP_S and not falls_behind and not self._still_rests(self.offset_s, held_s)

    def _still_rests(self, offset_s: float, held_s: float) -> bool:
        """Whether the wall clock would take house time back while jars of a run that is over may still have a clock."""
        now_s = self._time.monotonic_s() + offset_s
        return self.rate == 1.0 and self._wall_s() < now_s - STEP_S and now_s < held_s + RESTS_S

    def _up_s(self) -> float:
        """For how long at least nothing was added to the store, as this new start of the machine knows. [s]"""
        if self.rate != 1.0 or not names_boots() or wall_clock().synchronised:
            return 0.0
        return min(self._time.monotonic_s(), UP_MOST_S)

    def _wall_s(self) -> float:
        return self._time.utc_now().timestamp()

    def _wall_ahead_s(self) -> float:
        return self._wall_s() - self.now_s()

    def _mono_s(self) -> float:
        """The steady clock as it is written down. [s]"""
        return self._time.monotonic_s() / self.rate

    def _offset_s(self, least_s: float = float("-inf")) -> float:
        """The wall clock's, but now is not before ``least_s``."""
        return max(self._wall_s(), least_s) - self._time.monotonic_s()

    def _put(self, offset_s: float, from_mono_s: float, why: str) -> None:
        row = ClockRow(machine_boot(), from_mono_s, self.rate, offset_s, utc_text(self._time.utc_now()), why)
        put_down(self._conn, row)
        # Not before it is written down: entries are placed by what the store says.
        self.offset_s, self._from_mono_s = offset_s, from_mono_s
