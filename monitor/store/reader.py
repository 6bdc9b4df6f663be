"""Named questions to the store, for whoever only reads: the dashboard, the command line, the proof."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from monitor.record import Run, Sample
from monitor.record.read import read_samples
from monitor.store.beside import ALARMS, came_along
from monitor.store.database import open_reader, store_path
from monitor.store.merge import Known, Merger, Rank, everything, heard_on_time, spans_of, stands_beside
from monitor.store.rows import AlarmRow, LiveRow, NodeRow, RefusalRow, RunRow
from monitor.store.runs import FOREVER_S, SHAPING, House, RunFacts, read_house
from monitor.store.samples import COLUMNS, SELECT, row_sample
from monitor.store.stamp import epoch_text
from monitor.store.verdicts import standing, verdict_of

__all__ = [
    "AlarmRow",
    "House",
    "LiveRow",
    "NodeRow",
    "RefusalRow",
    "RunRow",
    "alarms",
    "as_it_came",
    "conflicts",
    "data_version",
    "events",
    "journal",
    "list_runs",
    "live",
    "load_run",
    "nodes",
    "open_reader",
    "read_house",
    "recent_samples",
    "refusal_counts",
    "refusals",
    "verdict_of",
    "whole_run",
]


def house_in(data_dir: Path) -> House | None:
    """Runs and nodes of a store, or None before anything was stored."""
    if not store_path(data_dir).exists():
        return None
    with closing(open_reader(data_dir)) as conn:
        return read_house(conn)


def data_version(conn: sqlite3.Connection) -> int:
    """Changes whenever another connection has committed: ask this first, and often."""
    return int(conn.execute("PRAGMA data_version").fetchone()[0])


def list_runs(conn: sqlite3.Connection, house: House | None = None) -> list[RunRow]:
    """Every run, newest first, each with the verdict that was written down, as far as that still holds.

    ``house`` is what :func:`read_house` gave, where it was asked just before.
    """
    house = house or read_house(conn)
    told = standing(conn, house.runs)
    return [_run_row(facts, told.get(facts.run_id)) for facts in reversed(house.runs.values())]


def _run_row(facts: RunFacts, told: list[Any] | None) -> RunRow:
    batch = _object(facts.header, "batch")
    minutes = _object(facts.header, "required").get("minutes")
    verdict, proven_s, action = told or (None, None, None)
    return RunRow(
        run_id=facts.run_id,
        canner=facts.canner,
        started_utc=epoch_text(facts.started_s),
        ended_utc=None if facts.ended_s is None else epoch_text(facts.ended_s),
        zone=facts.header.get("zone"),
        food=batch.get("food"),
        pack=batch.get("pack"),
        jar=batch.get("jar"),
        jars=batch.get("jars"),
        required_s=minutes * 60.0 if isinstance(minutes, int | float) else None,
        verdict=verdict,
        proven_s=proven_s,
        advice_action=action,
        simulated=facts.simulated,
        imported=facts.imported,
        taken_in=facts.taken_in,
    )


def _object(header: dict[str, Any], key: str) -> dict[str, Any]:
    value = header.get(key)
    return value if isinstance(value, dict) else {}


def load_run(conn: sqlite3.Connection, run_id: str) -> Run:
    """A run with its samples and marks, ready for :func:`monitor.judge.judge`.

    Raises
    ------
    UsageError
        There is no such run.
    RecordError
        Its header is not in the contract's form.
    """
    house = read_house(conn)
    return whole_run(conn, house, house.run(run_id))


def whole_run(conn: sqlite3.Connection, house: House, facts: RunFacts) -> Run:
    """:func:`load_run` for whoever has the house at hand. Raises RecordError."""
    run = facts.as_run()
    if facts.imported:
        return replace(run, samples=_imported_samples(conn, facts.run_id))
    return replace(run, samples=tuple(run_samples(conn, house, facts)))


def run_samples(
    conn: sqlite3.Connection,
    house: House,
    facts: RunFacts,
    *,
    since_s: float | None = None,
    known: Known = everything,
    rank: Rank = heard_on_time,
) -> list[Sample]:
    """The samples of a run's nodes between its start and end, in time order, conflicting ones twice.

    ``since_s`` (seconds since the run's start) leaves out what came earlier; ``known``, what was not known then.
    ``rank`` says which of several nodes leads.
    """
    start_s = facts.started_s if since_s is None else facts.started_s + since_s
    end_s = FOREVER_S if facts.ended_s is None else facts.ended_s
    found: list[tuple[Sample, bool]] = []
    for span in spans_of(conn, house.serving(facts.canner, facts.started_s, end_s), known, rank):
        low_s = max(span.low_s, start_s)
        for sample in _span(conn, facts.started_s, (span.node, low_s, min(span.high_s, 1e12)), known):
            found.append((sample, span.auxiliary or stands_beside(sample)))
    found.sort(key=lambda item: (item[0].t_s, item[0].boot or 0, item[0].seq or 0))
    if not any(auxiliary for _, auxiliary in found):
        return [sample for sample, _ in found]
    merger = Merger()
    merged = [row for sample, auxiliary in found for row in merger.push(sample, auxiliary=auxiliary)]
    return [*merged, *merger.flush()]


def _span(
    conn: sqlite3.Connection, started_s: float, span: tuple[int, float, float], known: Known
) -> list[Sample]:
    rows = conn.execute(f"{SELECT} WHERE node = ? AND at_s BETWEEN ? AND ? ORDER BY at_s", span)
    samples = [row_sample(row, started_s) for row in rows if known(row, None)]
    twice = conn.execute(
        "SELECT conflict_id, came FROM conflicts WHERE node = ? AND at_s BETWEEN ? AND ?", span
    )
    came = ((number, tuple(json.loads(text))) for number, text in twice)
    samples += [row_sample(row, started_s) for number, row in came if known(row, number)]
    return samples


def _imported_samples(conn: sqlite3.Connection, run_id: str) -> tuple[Sample, ...]:
    (data,) = conn.execute("SELECT samples_csv FROM imported_runs WHERE run_id = ?", (run_id,)).fetchone()
    with tempfile.TemporaryDirectory(prefix="boilwitness-") as folder:
        table = Path(folder) / "samples.csv"
        table.write_bytes(data)
        return tuple(read_samples(table))


def as_it_came(conn: sqlite3.Connection, run_id: str) -> tuple[bytes, bytes] | None:
    """``run.json`` and ``samples.csv`` of a record from elsewhere, unless somebody changed here what they say."""
    row = conn.execute(
        "SELECT run_json, samples_csv FROM imported_runs WHERE run_id = ?1 AND NOT EXISTS (SELECT 1 FROM entries"
        f" WHERE run_id = ?1 AND kind IN ({', '.join('?' * len(SHAPING))}))",
        (run_id, *SHAPING),
    ).fetchone()
    return None if row is None else (bytes(row[0]), bytes(row[1]))


def recent_samples(
    conn: sqlite3.Connection, run_id: str, since_s: float, house: House | None = None
) -> list[Sample]:
    """Samples of a run from ``since_s`` (seconds since its start) on, in time order."""
    house = house or read_house(conn)
    facts = house.run(run_id)
    if facts.imported:
        return [sample for sample in _imported_samples(conn, run_id) if sample.t_s >= since_s]
    return run_samples(conn, house, facts, since_s=since_s)


def live(conn: sqlite3.Connection) -> list[LiveRow]:
    """Runs that are on, as the collector last wrote them down."""
    rows = conn.execute("SELECT run_id, canner, updated_utc, view, verdict FROM live ORDER BY run_id")
    return [
        LiveRow(run_id, canner, updated, json.loads(view), json.loads(verdict) if verdict else None)
        for run_id, canner, updated, view, verdict in rows
    ]


def nodes(conn: sqlite3.Connection, house: House | None = None) -> list[NodeRow]:
    """Every node ever heard, by name."""
    house = house or read_house(conn)
    rows = conn.execute(
        "SELECT name, first_seen_utc, source,"
        " (SELECT arrival_s FROM samples WHERE node = node_id ORDER BY at_s DESC LIMIT 1),"
        " samples,"
        " (SELECT coalesce(sum(count), 0) FROM lost WHERE node = node_id),"
        " (SELECT count(*) FROM conflicts WHERE node = node_id)"
        " FROM nodes ORDER BY name"
    ).fetchall()
    return [
        NodeRow(name, house.canner_of(name), first, arrival, count, lost, conflicting, source)
        for name, first, source, arrival, count, lost, conflicting in rows
    ]


def alarms(conn: sqlite3.Connection, run_id: str | None = None) -> list[AlarmRow]:
    """The alarm journal, of one run (also what came in with its record) or of all that rang here."""
    rows = conn.execute(
        "SELECT id, alarm_id, run_id, at_utc, kind, state, body FROM alarms"
        " WHERE ?1 IS NULL OR run_id = ?1 ORDER BY id",
        (run_id,),
    )
    came = [AlarmRow(*row) for row in came_along(conn, run_id, ALARMS)] if run_id is not None else []
    return [
        *came,
        *(
            AlarmRow(number, alarm_id, run, at_utc, kind, state, json.loads(body))
            for number, alarm_id, run, at_utc, kind, state, body in rows
        ),
    ]


def events(conn: sqlite3.Connection, run_id: str) -> list[dict[str, Any]]:
    """Events as they were raised live, in that order, each with ``at_utc``."""
    rows = conn.execute("SELECT at_utc, body FROM events WHERE run_id = ? ORDER BY event_id", (run_id,))
    return [{"at_utc": at_utc, **json.loads(body)} for at_utc, body in rows]


def refusals(conn: sqlite3.Connection, limit: int = 200) -> list[RefusalRow]:
    """The newest refused input, newest first."""
    rows = conn.execute(
        "SELECT at_utc, source, node_hint, why, size, payload FROM refusals ORDER BY refusal_id DESC LIMIT ?",
        (limit,),
    )
    return [RefusalRow(*row) for row in rows]


def refusal_counts(conn: sqlite3.Connection) -> dict[str, int]:
    """How much was ever refused, by source; the rows themselves are bounded, this is not."""
    return dict(conn.execute("SELECT source, count FROM refusal_counts ORDER BY source").fetchall())


def conflicts(conn: sqlite3.Connection) -> list[dict[str, Any]]:
    """Samples that came twice with different values: node, boot, seq, when, and both rows."""
    rows = conn.execute(
        "SELECT name, boot, seq, at_utc, stored, came FROM conflicts"
        " JOIN nodes ON node = node_id ORDER BY conflict_id"
    )
    return [
        {
            "node": name,
            "boot": boot,
            "seq": seq,
            "at_utc": at_utc,
            "stored": dict(zip(COLUMNS, json.loads(stored), strict=True)),
            "came": dict(zip(COLUMNS, json.loads(came), strict=True)),
        }
        for name, boot, seq, at_utc, stored, came in rows
    ]


def journal(conn: sqlite3.Connection, limit: int = 200) -> list[tuple[str, str, str]]:
    """(when, kind, text) of what happened to the collector itself, newest first."""
    return conn.execute(
        "SELECT at_utc, kind, text FROM journal ORDER BY id DESC LIMIT ?", (limit,)
    ).fetchall()
