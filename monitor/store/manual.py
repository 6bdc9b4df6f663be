"""Readings that a person took with a thermometer and wrote down, when the logger was down or to compare.

They are entries, never samples: nothing here reaches the engine, so no series of them, however perfect, proves a
hold. It is shown as what it is, and a person must decide. (FDA's guide to inspections of low-acid canned food,
part 1: when the log failed, only several readings of the indicating thermometer give any assurance; the five
minutes are our own choice.)
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from itertools import pairwise

from monitor.errors import UsageError
from monitor.jars.rows import rows_of
from monitor.store.entries import append_entry, read_entries
from monitor.store.runs import read_house
from monitor.store.stamp import epoch_text, parse_utc

KIND = "manual_reading"
#: Further apart, readings by hand leave too much unseen. [s]
EVERY_S = 300.0
#: What a thermometer in a kettle can show. [°C]
LOWEST_C, HIGHEST_C = -20.0, 200.0


@dataclass(frozen=True, slots=True)
class ManualReading:
    """``t_s`` since the run's start, by the wall clock; ``made_late``: written down more than 5 min after."""

    t_s: float
    happened_utc: str
    water_C: float
    thermometer: str
    by: str
    made_late: bool


@dataclass(frozen=True, slots=True)
class ManualLog:
    """The readings of one run in time order."""

    readings: tuple[ManualReading, ...]

    @property
    def longest_pause_s(self) -> float:
        """Between two readings one after the other. [s]"""
        return max((b.t_s - a.t_s for a, b in pairwise(self.readings)), default=0.0)

    def in_words(self) -> str:
        """What it is, in one sentence; it never calls a hold proven."""
        people = ", ".join(dict.fromkeys(one.by for one in self.readings))
        with_what = ", ".join(dict.fromkeys(one.thermometer for one in self.readings))
        pause_s = self.longest_pause_s
        close = "" if pause_s <= EVERY_S else f", up to {pause_s / 60:.0f} min apart, which is too far"
        return (
            f"manual record: {len(self.readings)} readings by {people} with {with_what}{close}; "
            "it proves no hold by itself, a person must decide"
        )


def enter_reading(
    conn: sqlite3.Connection,
    run_id: str,
    water_C: float,
    thermometer: str,
    by: str,
    *,
    happened_utc: str | None = None,
    reason: str | None = None,
) -> int:
    """Put down one reading of a run; returns the entry's id.

    Raises
    ------
    UsageError
        No thermometer, no person, no such run, or a number no kettle shows.
    """
    if not LOWEST_C <= water_C <= HIGHEST_C:
        raise UsageError(f"{water_C:g} °C is outside {LOWEST_C:g} to {HIGHEST_C:g} °C.")
    if not thermometer.strip() or not by.strip():
        raise UsageError("a reading by hand needs the thermometer's name and the person's.")
    read_house(conn).run(run_id)
    body = {"water_C": water_C, "thermometer": thermometer}
    return append_entry(conn, KIND, body, run_id=run_id, by=by, happened_utc=happened_utc, reason=reason)


def manual_log(conn: sqlite3.Connection, run_id: str) -> ManualLog | None:
    """What was written down by hand for a run; None where nothing was."""
    facts = read_house(conn).runs.get(run_id)
    entries = {entry.id: entry for entry in read_entries(conn, run_id, [KIND])}
    if facts is None or not entries:
        return None
    start = parse_utc(epoch_text(facts.started_s))
    readings = [
        ManualReading(
            (row.at - start).total_seconds(),
            entries[row.id].happened_utc,
            float(row.body["water_C"]),
            str(row.body["thermometer"]),
            row.by or "",
            entries[row.id].made_late,
        )
        for row in rows_of(entries.values())
    ]
    return ManualLog(tuple(sorted(readings, key=lambda one: one.t_s)))
