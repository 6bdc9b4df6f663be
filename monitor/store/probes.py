"""What the store knows of probes: their checks, the runs they judged, and what a node's probe reads now."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from monitor.judge import judge
from monitor.plan.drift import DriftPoint, plateau_point
from monitor.plan.history import ended
from monitor.plan.outcome import ProbePast
from monitor.plan.registration import ProbeRegistration
from monitor.record.model import Sample, Site
from monitor.store.clock import clock_in_force, read_clocks
from monitor.store.entries import Entry, read_entries
from monitor.store.reader import verdict_of, whole_run
from monitor.store.runs import header_trouble, read_house
from monitor.store.samples import SELECT, row_sample
from monitor.store.stamp import SYSTEM_TIME, machine_boot

#: A control chart of more holds than this says no more, and each costs reading its samples.
MOST_POINTS = 60


def probe_past(conn: sqlite3.Connection) -> ProbePast:
    """Every check, oldest first, with what ended one; every run with the probe that its header names."""
    checks, registered = _checks(read_entries(conn, kinds=["probe_registered", "probe_checked"]))
    runs = tuple(
        (facts.run_id, datetime.fromtimestamp(facts.started_s, UTC), probe_of(facts.header))
        for facts in read_house(conn).runs.values()
    )
    return ProbePast(checks, runs, registered)


def registered_probes(conn: sqlite3.Connection) -> list[ProbeRegistration]:
    """Every registered probe as it was registered last, the one registered last first."""
    return list(_checks(read_entries(conn, kinds=["probe_registered"]))[1])


def _checks(
    entries: Iterable[Entry],
) -> tuple[tuple[Mapping[str, Any], ...], tuple[ProbeRegistration, ...]]:
    """The checks, oldest first, with what ended one, and the probes as they are registered, the last one first."""
    checks: list[Mapping[str, Any]] = []
    registered: dict[str, ProbeRegistration] = {}
    for entry in entries:
        if entry.kind == "probe_checked":
            checks.append(entry.body)
            continue
        probe = ProbeRegistration.from_json(entry.body)
        before = registered.pop(probe.probe_id, None)
        registered[probe.probe_id] = probe
        if before is not None and (end := ended(before, probe, entry.at_utc[:10])):
            checks.append(end)
    return tuple(checks), tuple(reversed(registered.values()))


def probe_of(header: dict[str, Any]) -> str | None:
    """The probe that a run's header names."""
    probe = header.get("probe")
    return probe.get("probe_id") if isinstance(probe, dict) else None


def last_site(conn: sqlite3.Connection) -> Site | None:
    """The place of the newest run that was started here; None before the first."""
    own = [facts for facts in read_house(conn).runs.values() if not facts.imported and not facts.simulated]
    for facts in sorted(own, key=lambda facts: facts.started_s, reverse=True):
        if header_trouble(facts) is None:
            return facts.as_run().site
    return None


def barometer_compared_at(conn: sqlite3.Connection) -> datetime | None:
    """When the household last compared its node's barometer with an altimeter setting."""
    told = [entry.body.get("barometer_checked_at") for entry in read_entries(conn, kinds=["settings"])]
    kept = [text for text in told if isinstance(text, str)]
    return datetime.fromisoformat(kept[-1]) if kept else None


def plateau_points(conn: sqlite3.Connection, probe_id: str, most: int = MOST_POINTS) -> list[DriftPoint]:
    """A point for each of a probe's newest finished holds, from its stored verdict and samples.

    A run that came from elsewhere and was never judged here is judged now.
    """
    found: list[DriftPoint] = []
    house = read_house(conn)
    for facts in sorted(house.runs.values(), key=lambda facts: facts.started_s, reverse=True):
        if len(found) == most:
            break
        if probe_of(facts.header) != probe_id or (facts.ended_s is None and not facts.imported):
            continue
        run = whole_run(conn, house, facts)
        point = plateau_point(run, verdict_of(conn, facts.run_id) or judge(run).as_json())
        if point is not None:
            found.append(point)
    return found


def node_number(conn: sqlite3.Connection, name: str) -> int | None:
    """The store's number of a node; None where it never heard of it."""
    row = conn.execute("SELECT node_id FROM nodes WHERE name = ?", (name,)).fetchone()
    return None if row is None else int(row[0])


def newest_sample(conn: sqlite3.Connection, node: int) -> Sample | None:
    """A node's newest sample; ``t_s`` is house time. [s]"""
    row = conn.execute(f"{SELECT} WHERE node = ? ORDER BY at_s DESC LIMIT 1", (node,)).fetchone()
    return None if row is None else row_sample(row, 0.0)


def newest_reading(conn: sqlite3.Connection, name: str) -> tuple[float | None, float | None]:
    """(newest water reading in °C, its age in s on this machine's clock) of a node; None where there is none."""
    number = node_number(conn, name)
    newest = None if number is None else newest_sample(conn, number)
    steady_s = SYSTEM_TIME.monotonic_s()
    clock = clock_in_force(read_clocks(conn), machine_boot(), steady_s)
    if newest is None or clock is None:
        return None, None
    age_s = max(0.0, (clock.house_s(steady_s) - newest.t_s) / clock.rate)
    return (None if newest.water_fault else newest.water_C), age_s


def water_between(conn: sqlite3.Connection, name: str, low_s: float, high_s: float) -> list[float]:
    """A node's water readings between two house times, uncorrected. [°C]"""
    rows = conn.execute(
        "SELECT water_C FROM samples JOIN nodes ON node = node_id WHERE name = ? AND at_s BETWEEN ? AND ?"
        " AND water_C IS NOT NULL",
        (name, low_s, high_s),
    )
    return [value for (value,) in rows]


def samples_after(conn: sqlite3.Connection, node: int, after_s: float) -> list[Sample]:
    """A node's samples later than ``after_s``, in time order; ``t_s`` is house time. [s]"""
    rows = conn.execute(f"{SELECT} WHERE node = ? AND at_s > ? ORDER BY at_s", (node, after_s)).fetchall()
    return [row_sample(row, 0.0) for row in rows]
