"""What is newest in the store: small questions that tell whether anything must be read again, and what nodes say."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from monitor.store.clock import clock_in_force, read_clocks
from monitor.store.entries import newest_steady
from monitor.store.runs import FOREVER_S, House, RunFacts


@dataclass(frozen=True, slots=True)
class Reading:
    """A node's newest sample. ``at_s`` is house time."""

    name: str
    node: int
    at_s: float
    water_C: float | None
    water_fault: str | None


# --- how much there is: nothing of it is ever changed, so what was read holds until one of these has grown ----


def newest_entry(conn: sqlite3.Connection, run_id: str | None = None) -> int:
    """The number of the newest entry, of one run where it is named; 0 before the first."""
    row = conn.execute(
        "SELECT coalesce(max(id), 0) FROM entries WHERE ?1 IS NULL OR run_id = ?1", (run_id,)
    ).fetchone()
    return int(row[0])


def newest_entries(conn: sqlite3.Connection) -> dict[str, int]:
    """By run, the number of its newest entry."""
    return dict(conn.execute("SELECT run_id, max(id) FROM entries WHERE run_id IS NOT NULL GROUP BY run_id"))


def newest_alarm(conn: sqlite3.Connection) -> int:
    """The number of the newest row of the alarm journal; 0 before the first."""
    return int(conn.execute("SELECT coalesce(max(id), 0) FROM alarms").fetchone()[0])


def house_mark(conn: sqlite3.Connection) -> tuple[int, ...]:
    """Differs once :func:`monitor.store.runs.read_house` would: entries, clocks, records from elsewhere."""
    row = conn.execute(
        "SELECT (SELECT coalesce(max(id), 0) FROM entries), (SELECT coalesce(max(clock_id), 0) FROM clocks),"
        " (SELECT count(*) FROM imported_runs)"
    ).fetchone()
    return tuple(row)


def run_mark(conn: sqlite3.Connection, run_id: str) -> tuple[int | str | None, ...]:
    """Differs once anything of a run does: what was said of any run, its verdict, alarms, what is live of it."""
    row = conn.execute(
        "SELECT (SELECT coalesce(max(id), 0) FROM entries), (SELECT coalesce(max(verdict_id), 0) FROM"
        " verdicts WHERE run_id = ?1), (SELECT count(*) FROM imported_runs), (SELECT max(id) FROM alarms),"
        " (SELECT updated_utc FROM live WHERE run_id = ?1)",
        (run_id,),
    ).fetchone()
    return tuple(row)


# --- what nodes say now -----------------------------------------------------------------------------------


def newest_readings(conn: sqlite3.Connection) -> list[Reading]:
    """Every node's newest sample."""
    rows = conn.execute(
        "SELECT name, node_id, at_s, water_C, water_fault FROM nodes JOIN samples"
        " ON node = node_id AND at_s = (SELECT max(at_s) FROM samples WHERE node = node_id)"
    )
    return [Reading(*row) for row in rows]


def newest_pressure(
    conn: sqlite3.Connection, node: int, until_s: float | None, within_s: float
) -> tuple[float, float] | None:
    """(the newest pressure of a node in kPa, its house time), or None.

    Not older than ``within_s`` before ``until_s`` (house time), or before the node's newest sample where that is None.
    """
    row = conn.execute(
        "SELECT pressure_kPa, at_s FROM samples WHERE node = ?1 AND pressure_kPa IS NOT NULL AND at_s >="
        " coalesce(?2, (SELECT max(at_s) FROM samples WHERE node = ?1)) - ?3 ORDER BY at_s DESC LIMIT 1",
        (node, until_s, within_s),
    ).fetchone()
    return None if row is None else (float(row[0]), float(row[1]))


# --- what time it surely was already ----------------------------------------------------------------------


def newest_held_s(conn: sqlite3.Connection, house: House) -> float:
    """The newest house time that the store holds of its runs; far in the past where it has none. [s]

    Of runs that are on: marks, samples, the newest moment that was judged, besides the newest entry and the clock's own
    journal. Of those that are over: their end.
    """
    own = [facts for facts in house.runs.values() if not facts.imported]
    held_s = max((facts.ended_s for facts in own if facts.ended_s is not None), default=float("-inf"))
    still_on = [facts for facts in own if facts.ended_s is None]
    for facts in still_on:
        held_s = max(held_s, _newest_of_run_s(conn, house, facts))
    if still_on:
        held_s = max(held_s, _newest_said_s(conn))
    return held_s


def _newest_of_run_s(conn: sqlite3.Connection, house: House, facts: RunFacts) -> float:
    times_s = [facts.started_s, *(facts.started_s + mark.t_s for mark in facts.marks)]
    for node, low_s, high_s in house.serving(facts.canner, facts.started_s, FOREVER_S):
        times_s += (
            conn.execute(
                "SELECT max(at_s, arrival_s) FROM samples JOIN nodes ON node = node_id"
                " WHERE name = ? AND at_s BETWEEN ? AND ? ORDER BY at_s DESC LIMIT 1",
                (node, low_s, high_s),
            ).fetchone()
            or ()
        )
    view = conn.execute(
        "SELECT json_extract(view, '$.at_s') FROM live WHERE run_id = ?", (facts.run_id,)
    ).fetchone()
    if view is not None and isinstance(view[0], int | float):
        times_s.append(facts.started_s + view[0])
    return max(times_s)


def _newest_said_s(conn: sqlite3.Connection) -> float:
    clocks = read_clocks(conn)
    held_s = clocks[-1].house_s(clocks[-1].from_mono_s) if clocks else float("-inf")
    said = newest_steady(conn)
    row = clock_in_force(clocks, *said) if said is not None else None
    return held_s if row is None or said is None else max(held_s, row.house_s(said[1]))


def came_since(conn: sqlite3.Connection, since_s: float, besides: str) -> bool:
    """Whether any other node has samples of that house time or later."""
    found = conn.execute(
        "SELECT 1 FROM nodes WHERE name != ? AND EXISTS"
        " (SELECT 1 FROM samples WHERE node = node_id AND at_s >= ?) LIMIT 1",
        (besides, since_s),
    ).fetchone()
    return found is not None
