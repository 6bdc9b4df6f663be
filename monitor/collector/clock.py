"""The house's clock: the machine's steady clock, with the wall clock read once for people."""

from __future__ import annotations

import sqlite3

from monitor.store.clock import ClockRow, read_clocks, write_clock
from monitor.store.database import transaction
from monitor.store.stamp import machine_boot, utc_text
from monitor.timesource import ScaledTime, TimeSource

#: A wall clock that moves by more than this against the steady one was set, and that is noted. [s]
STEP_S = 2.0


class HouseClock:
    """House time for one life of the collector.

    While a run is on, the offset is kept: even across a restart of the collector, as long as the machine
    itself did not restart. Setting the wall clock then moves no sample and no mark.
    """

    def __init__(self, conn: sqlite3.Connection, time: TimeSource, *, run_open: bool) -> None:
        self._conn = conn
        self._time = time
        self.rate = time.rate if isinstance(time, ScaledTime) else 1.0
        before = read_clocks(conn)
        last = before[-1] if before else None
        kept = run_open and last and last.machine_boot == machine_boot() and last.rate == self.rate
        #: The estimates of the nodes' clocks from before still hold.
        self.continues = bool(kept)
        if kept and last:
            self.offset_s = last.offset_s
        else:
            self.offset_s = 0.0
            self._set("the collector started")
        self._drift_s = self._wall_ahead_s()

    def now_s(self) -> float:
        """House time. [s since the epoch]"""
        return self._time.monotonic_s() + self.offset_s

    def house_s(self, steady_s: float) -> float:
        """House time of a reading of the collector's own steady clock."""
        return steady_s + self.offset_s

    def check(self, *, run_open: bool) -> tuple[float, float]:
        """Look at the wall clock: (by how much it was set since last asked, by how much house time moved).

        House time follows a wall clock that was set only while no run is on.
        """
        if self.rate != 1.0:
            return 0.0, 0.0
        drift_s = self._wall_ahead_s()
        stepped_s = drift_s - self._drift_s
        self._drift_s = drift_s
        if abs(stepped_s) <= STEP_S:
            stepped_s = 0.0
        if run_open or abs(drift_s) <= STEP_S:
            return stepped_s, 0.0
        before_s = self.offset_s
        self._set("the machine's clock was set")
        self._drift_s = self._wall_ahead_s()
        return stepped_s, self.offset_s - before_s

    def _wall_ahead_s(self) -> float:
        return self._time.utc_now().timestamp() - self.now_s()

    def _set(self, why: str) -> None:
        now_utc, steady_s = self._time.utc_now(), self._time.monotonic_s()
        self.offset_s = now_utc.timestamp() - steady_s
        with transaction(self._conn):
            row = ClockRow(
                machine_boot(), steady_s / self.rate, self.rate, self.offset_s, utc_text(now_utc), why
            )
            write_clock(self._conn, row)
