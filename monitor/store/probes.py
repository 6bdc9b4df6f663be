"""What the store knows of probes: their checks, the runs they judged, and what a node's probe reads now."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from typing import Any

from monitor.plan.drift import DriftPoint, plateau_point
from monitor.plan.outcome import ProbePast
from monitor.plan.registration import ProbeRegistration
from monitor.record.model import Sample
from monitor.store.entries import read_entries
from monitor.store.reader import load_run, verdict_of
from monitor.store.runs import read_house
from monitor.store.samples import SELECT, row_sample


def probe_past(conn: sqlite3.Connection) -> ProbePast:
    """Every check, oldest first, and every run with the probe that its header names."""
    checks = tuple(entry.body for entry in read_entries(conn, kinds=["probe_checked"]))
    runs = tuple(
        (facts.run_id, datetime.fromtimestamp(facts.started_s, UTC), probe_of(facts.header))
        for facts in read_house(conn).runs.values()
    )
    return ProbePast(checks, runs)


def registered_probes(conn: sqlite3.Connection) -> list[ProbeRegistration]:
    """Every registered probe as it was registered last, the one registered last first."""
    found: dict[str, ProbeRegistration] = {}
    for entry in read_entries(conn, kinds=["probe_registered"]):
        probe = ProbeRegistration.from_json(entry.body)
        found.pop(probe.probe_id, None)
        found[probe.probe_id] = probe
    return list(reversed(found.values()))


def probe_of(header: dict[str, Any]) -> str | None:
    """The probe that a run's header names."""
    probe = header.get("probe")
    return probe.get("probe_id") if isinstance(probe, dict) else None


def plateau_points(conn: sqlite3.Connection, probe_id: str) -> list[DriftPoint]:
    """A point for each finished hold of a probe, from its stored verdict and samples."""
    found = []
    for facts in read_house(conn).runs.values():
        if facts.ended_s is None or probe_of(facts.header) != probe_id:
            continue
        verdict = verdict_of(conn, facts.run_id)
        point = None if verdict is None else plateau_point(load_run(conn, facts.run_id), verdict)
        if point is not None:
            found.append(point)
    return found


def newest_at_s(conn: sqlite3.Connection, node: int) -> float | None:
    """House time of a node's newest sample. [s]"""
    found = conn.execute("SELECT max(at_s) FROM samples WHERE node = ?", (node,)).fetchone()[0]
    return None if found is None else float(found)


def samples_after(conn: sqlite3.Connection, node: int, after_s: float) -> list[Sample]:
    """A node's samples later than ``after_s``, in time order; ``t_s`` is house time. [s]"""
    rows = conn.execute(f"{SELECT} WHERE node = ? AND at_s > ? ORDER BY at_s", (node, after_s)).fetchall()
    return [row_sample(row, 0.0) for row in rows]
