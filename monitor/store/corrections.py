"""Corrections of what was said before: of a run's header, and what they made of its verdict."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from math import inf
from pathlib import Path

from monitor.errors import UsageError
from monitor.jars.header_changes import differences
from monitor.jars.revisions import Revision, revisions
from monitor.judge import judge
from monitor.judge.verdict import Verdict
from monitor.plan.correction import Said, correction
from monitor.record import header_from_json
from monitor.record.changes import laid_over
from monitor.record.model import Run
from monitor.store.database import open_writer, transaction
from monitor.store.entries import append_entry, read_entries
from monitor.store.reader import whole_run
from monitor.store.runs import House, read_house
from monitor.store.stamp import SYSTEM_TIME
from monitor.timesource import TimeSource


@dataclass(frozen=True, slots=True)
class Corrected:
    """The entry that was made, and what it changed: name, old and new value."""

    entry: int
    told: tuple[str, ...]


def correct_header(
    data_dir: Path, run_id: str, said: Said, *, by: str, reason: str, time: TimeSource = SYSTEM_TIME
) -> Corrected:
    """Append a correction of a run's header, whether the run is on or over.

    Raises
    ------
    UsageError
        Nobody is named, no reason is given, there is no such run, or what is said is not usable or nothing new.
    RecordError
        The header would not be in the contract's form any more.
    """
    by, reason = by.strip(), reason.strip()
    if not by:
        raise UsageError("a correction says who makes it.", "Nothing was written down.")
    if not reason:
        raise UsageError("a correction says why.", "Nothing was written down.")
    with closing(open_writer(data_dir)) as conn, transaction(conn):
        header = read_house(conn).run(run_id).header
        body = correction(header, said)
        after = laid_over(header, body)
        header_from_json(after, "the corrected header")
        entry = append_entry(conn, "header_changed", body, run_id=run_id, by=by, reason=reason, time=time)
    return Corrected(entry, tuple(differences(header, after)))


def revised(
    conn: sqlite3.Connection,
    house: House,
    run_id: str,
    *,
    run: Run | None = None,
    judged: Callable[[Run], Verdict] | None = None,
    every: bool = False,
) -> list[Revision]:
    """What corrections of a run's header made of its verdict; ``run`` is the record, where it is at hand.

    Raises UsageError where the store does not hold the run, RecordError for an unusable header.
    """
    facts = house.run(run_id)
    entries = read_entries(conn, run_id, ("run_started", "header_changed", "correction"))
    if not any(entry.kind != "run_started" for entry in entries):
        return []
    run = run or whole_run(conn, house, facts)
    on = facts.ended_s is None and not facts.imported
    until_s = (SYSTEM_TIME.utc_now() - run.started_at).total_seconds() if on else inf
    return revisions(run, entries, judged or (lambda one: judge(one, until_s=until_s)), every=every)


def runs_corrected(conn: sqlite3.Connection) -> frozenset[str]:
    """The runs whose header somebody said something else of; most stores have none."""
    rows = conn.execute(
        "SELECT run_id FROM entries WHERE kind = 'header_changed' AND run_id IS NOT NULL UNION"
        " SELECT old.run_id FROM entries AS said JOIN entries AS old ON old.id = said.corrects"
        " WHERE said.kind = 'correction' AND old.kind = 'run_started'"
    )
    return frozenset(str(row[0]) for row in rows)
