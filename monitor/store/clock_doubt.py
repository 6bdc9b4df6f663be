"""Whether the times of day of a run are those of the clock that people go by now.

A run keeps the time of day that the machine believed when it began: no duration may change by a clock that is set. But
whoever reads a deadline off a clock that was set since reads it wrongly, and too late is the grave way.
"""

from __future__ import annotations

import sqlite3
from datetime import datetime

from monitor.store.clock import clock_in_force, read_clocks
from monitor.store.entries import Entry
from monitor.store.stamp import SYSTEM_TIME, machine_boot
from monitor.timesource import TimeSource

#: Less than this misleads nobody about hours. [s] Chosen.
LEAST_S = 60.0


def clock_doubt(
    conn: sqlite3.Connection, began: Entry | None, now: datetime, time: TimeSource = SYSTEM_TIME
) -> str:
    """What is to be said of the times of day of the run that ``began`` with that entry; "" where they are right.

    ``now`` is the wall clock's (aware). Nothing can be told of a run that began before the machine was started anew and
    had no collector afterwards.
    """
    clocks = read_clocks(conn)
    then = None if began is None else clock_in_force(clocks, began.machine_boot, began.mono_s)
    if then is None or then.rate != 1.0:
        return ""
    offset_s = now.timestamp() - time.monotonic_s()
    if then.machine_boot != machine_boot():
        offset_s = next(row.offset_s for row in reversed(clocks) if row.machine_boot == then.machine_boot)
    ahead_s = then.offset_s - offset_s
    if abs(ahead_s) < LEAST_S:
        return ""
    lie = "ahead of" if ahead_s > 0.0 else "behind"
    return (
        f"This machine's clock was set after this run began: all times of day here, deadlines too, are "
        f"{_long(abs(ahead_s))} {lie} it. Count the hours from the end of the heat by your own clock."
    )


def _long(seconds_s: float) -> str:
    minutes = round(seconds_s / 60.0)
    days, hours, minutes = minutes // 1440, minutes % 1440 // 60, minutes % 60
    parts = ((days, "day" if days == 1 else "days"), (hours, "h"), (minutes, "min"))
    return " ".join(f"{count} {unit}" for count, unit in parts if count)
