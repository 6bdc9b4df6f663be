"""House time: one scale for samples and entries, which no one can set while a run is on.

House time counts seconds since 1970-01-01T00:00:00Z. It is the machine's steady clock plus an offset that
was read off the wall clock once; a wall clock that is put right (or wrong) afterwards changes no duration.
An entry carries the steady clock at which it was made, so it lands on the same scale.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from monitor.errors import StoreError
from monitor.store.database import transaction
from monitor.store.entries import Entry
from monitor.store.stamp import epoch_s


@dataclass(frozen=True, slots=True)
class ClockRow:
    """From ``from_mono_s`` of this start of the machine, house time = steady × ``rate`` + ``offset_s``."""

    machine_boot: str
    from_mono_s: float
    rate: float
    offset_s: float
    set_utc: str
    why: str

    def house_s(self, mono_s: float) -> float:
        """House time of a reading of the steady clock. [s since the epoch]"""
        return mono_s * self.rate + self.offset_s


def read_clocks(conn: sqlite3.Connection) -> list[ClockRow]:
    """Every offset, oldest first."""
    rows = conn.execute(
        "SELECT machine_boot, from_mono_s, rate, offset_s, set_utc, why FROM clocks ORDER BY clock_id"
    )
    return [ClockRow(*row) for row in rows]


def write_clock(conn: sqlite3.Connection, row: ClockRow) -> None:
    """Put down a new offset."""
    conn.execute(
        "INSERT INTO clocks (machine_boot, from_mono_s, rate, offset_s, set_utc, why)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (row.machine_boot, row.from_mono_s, row.rate, row.offset_s, row.set_utc, row.why),
    )


def put_down(conn: sqlite3.Connection, row: ClockRow) -> None:
    """Put down a new offset, durably. Raises StoreError when it cannot be written."""
    try:
        with transaction(conn):
            write_clock(conn, row)
    except sqlite3.OperationalError as trouble:
        raise StoreError(
            f"the store cannot be written: {trouble}.", "The house's clock stays as it was meanwhile."
        ) from trouble


def clock_in_force(clocks: list[ClockRow], machine_boot: str, mono_s: float) -> ClockRow | None:
    """The offset that held at a reading of the steady clock; None when no collector had set one."""
    for row in reversed(clocks):
        if row.machine_boot == machine_boot and row.from_mono_s <= mono_s:
            return row
    return None


def happened_s(clocks: list[ClockRow], entry: Entry, said_utc: str | None = None) -> float:
    """House time of what an entry tells. [s since the epoch]

    ``said_utc`` replaces ``happened_utc`` (a run's own ``started_at``). What was entered after the event is
    placed by how long before the entry it was, both read from the same wall clock.
    """
    happened_utc = said_utc or entry.happened_utc
    row = clock_in_force(clocks, entry.machine_boot, entry.mono_s)
    if row is None:
        return epoch_s(happened_utc)
    age_s = epoch_s(entry.at_utc) - epoch_s(happened_utc)
    return row.house_s(entry.mono_s) - age_s * row.rate
