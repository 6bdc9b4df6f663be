"""Corrections of what was said before: of a run's header, and what they made of its verdict; what is taken back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

from monitor.errors import RecordError, RefusedError, UsageError
from monitor.jars.header_changes import differences
from monitor.jars.revisions import Revision, revisions
from monitor.jars.rows import all_rows, rows_of
from monitor.judge import judge
from monitor.judge.verdict import Verdict
from monitor.plan.correction import Said, correction
from monitor.record import header_from_json
from monitor.record.changes import laid_over
from monitor.record.model import Mark, Run
from monitor.store.beside import ENTRIES, came_along
from monitor.store.database import open_writer, transaction
from monitor.store.entries import append_entry, as_taken_in, read_entries
from monitor.store.reader import whole_run
from monitor.store.runs import House, RunFacts, read_house
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
    """What corrections of a run's header or marks made of its verdict; ``run`` is the record, where it is at hand.

    Raises UsageError where the store does not hold the run, RecordError for an unusable header.
    """
    facts = house.run(run_id)
    entries = read_entries(conn, run_id, ("run_started", "header_changed", "mark", "correction"))
    if not any(entry.kind in ("header_changed", "correction") for entry in entries):
        return []
    if (began := as_taken_in(conn, run_id, entries)) is not None:
        entries = [began, *entries]
    run = run or whole_run(conn, house, facts)
    on = facts.ended_s is None and not facts.imported
    until_s = (SYSTEM_TIME.utc_now() - run.started_at).total_seconds() if on else inf
    return revisions(run, entries, judged or (lambda one: judge(one, until_s=until_s)), every=every)


def runs_corrected(conn: sqlite3.Connection) -> frozenset[str]:
    """The runs whose header or marks somebody said something else of, here or before; most stores have none."""
    rows = conn.execute(
        "SELECT run_id FROM entries WHERE kind = 'header_changed' AND run_id IS NOT NULL UNION"
        " SELECT old.run_id FROM entries AS said JOIN entries AS old ON old.id = said.corrects"
        " WHERE said.kind = 'correction' AND old.kind IN ('run_started', 'mark') AND old.run_id IS NOT NULL"
    )
    return frozenset(str(row[0]) for row in rows) | _corrected_before(conn)


def _corrected_before(conn: sqlite3.Connection) -> frozenset[str]:
    """The records from elsewhere with which a correction came along."""
    rows = conn.execute("SELECT run_id FROM imported_files WHERE name = ?", (ENTRIES,)).fetchall()
    kinds = {run_id: {row[2] for row in came_along(conn, run_id, ENTRIES)} for (run_id,) in rows}
    return frozenset(run_id for run_id, found in kinds.items() if found & {"header_changed", "correction"})


def gone_entry(entries: Iterable[Any], jar: int) -> int | None:
    """The entry by which a jar was last called used or given away, where that stands; else None."""
    looks = [row for row in rows_of(entries) if row.kind == "jar_recheck" and row.body.get("jar") == jar]
    return looks[-1].id if looks and looks[-1].body.get("found") in ("used", "given") else None


def calling_off_trouble(facts: RunFacts, entries: Iterable[Any]) -> str:
    """Why a run cannot be called off as a reprocessing begun in error; empty where it can.

    ``entries`` are the run's own, the corrected ones too: a mark that was moved was one.
    """
    if not facts.header.get("reprocess_of"):
        return f"run {facts.run_id} reprocesses no jars of another run"
    said = any(row.kind == "mark" and row.body.get("kind") == "jars_in" for row in all_rows(entries))
    if said or any(mark.kind == "jars_in" for mark in _marks(facts)):
        return f"jars went into run {facts.run_id}: it counts as their one reprocessing"
    if facts.ended_s is not None:
        return f"run {facts.run_id} is over without jars: it counts as none already"
    return ""


def _marks(facts: RunFacts) -> tuple[Mark, ...]:
    """Those that came with a record from elsewhere too; a header that cannot be read holds up no calling off."""
    try:
        return facts.as_run().marks
    except RecordError:
        return facts.marks


def call_off_reprocessing(
    data_dir: Path, run_id: str, *, by: str, reason: str, time: TimeSource = SYSTEM_TIME
) -> str:
    """End a run that was begun in error to reprocess jars, and into which none went; returns the run they are from.

    Raises
    ------
    UsageError
        There is no such run, nobody is named, or no reason is given.
    RefusedError
        It reprocesses nothing, jars went in, or it is over.
    """
    by, reason = by.strip(), reason.strip()
    if not by or not reason:
        raise UsageError("say who calls it off, and why.", "Nothing was written down.")
    with closing(open_writer(data_dir)) as conn, transaction(conn):
        facts = read_house(conn).run(run_id)
        if trouble := calling_off_trouble(facts, read_entries(conn, run_id)):
            raise RefusedError(f"{trouble}.", "Nothing was written down.")
        append_entry(conn, "run_ended", {"called_off": True}, run_id=run_id, by=by, reason=reason, time=time)
    return str(facts.header["reprocess_of"])
