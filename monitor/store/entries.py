"""Entries: what people say, append-only, with who and when. A correction is a new row; the old one stays."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from monitor.errors import StoreError, UsageError
from monitor.record.files import half_in
from monitor.record.model import EARLIEST_MARK_S, LATEST_MARK_S
from monitor.store.beside import ALARMS, ENTRIES, REPROCESSINGS, came_along, kept_header
from monitor.store.database import open_writer, transaction
from monitor.store.stamp import SYSTEM_TIME, epoch_s, machine_boot, parse_utc, utc_text
from monitor.timesource import TimeSource

KINDS = frozenset(
    {
        "run_started",
        "mark",
        "manual_reading",
        "run_ended",
        "header_changed",
        "node_assigned",
        "alarm_acknowledged",
        "alarm_silenced",
        "alarm_shelved",
        "plan",
        "probe_registered",
        "probe_checked",
        "loading",
        "checklist",
        "jars_lifted_count",
        "jar_seal",
        "jar_disposition",
        "jar_recheck",
        "deviation_opened",
        "deviation_closed",
        "own_timing",
        "evaluation",
        "review",
        "correction",
        "settings",
    }
)

#: An entry made longer than this after its event must say why. [s] (21 CFR 113.100(b): "at the time".)
LATE_ENTRY_S = 300.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One row. ``at_utc``: when it was entered; ``happened_utc``: when it happened."""

    id: int
    run_id: str | None
    kind: str
    body: dict[str, Any]
    at_utc: str
    happened_utc: str
    by: str | None
    corrects: int | None
    reason: str | None
    mono_s: float
    machine_boot: str

    @property
    def made_late(self) -> bool:
        """Whether it was entered more than five minutes after the event."""
        late_s = (parse_utc(self.at_utc) - parse_utc(self.happened_utc)).total_seconds()
        return late_s > LATE_ENTRY_S


#: The number of what stands for a record from elsewhere, as it was taken in; no entry has it.
AS_TAKEN_IN = 0

_COLUMNS = "id, run_id, kind, body, at_utc, happened_utc, by, corrects, reason, mono_s, machine_boot"


def append_entry(
    store: Path | sqlite3.Connection,
    kind: str,
    body: Mapping[str, Any],
    *,
    run_id: str | None = None,
    by: str | None = None,
    happened_utc: str | None = None,
    corrects: int | None = None,
    reason: str | None = None,
    time: TimeSource = SYSTEM_TIME,
) -> int:
    """Append one entry in a short transaction of its own and return its id.

    Parameters
    ----------
    store : Path or sqlite3.Connection
        The data directory, or a connection that :func:`monitor.store.database.open_writer` gave.
    happened_utc : str, optional
        RFC 3339 time of the event; now when left out. More than five minutes ago wants a ``reason``.

    Raises
    ------
    UsageError
        An unknown kind, a time without offset, a body that is not JSON, a correction of nothing, a mark that
        lies days away from its run.
    StoreError
        The store cannot be written.
    """
    if isinstance(store, Path):
        conn = open_writer(store)
        try:
            return append_entry(
                conn,
                kind,
                body,
                run_id=run_id,
                by=by,
                happened_utc=happened_utc,
                corrects=corrects,
                reason=reason,
                time=time,
            )
        finally:
            conn.close()
    row = _row(kind, body, run_id, by, happened_utc, corrects, reason, time)
    if kind == "mark" and run_id is not None:
        _must_belong(store, run_id, happened_utc=row[4])
    if run_id and corrects and any(old[0] == corrects for old in came_along(store, run_id, ENTRIES)):
        raise UsageError(
            f"entry {corrects} came in with the record and stands as it is.",
            "Say what is right in an entry of its own.",
        )
    try:
        if store.in_transaction:
            return _insert(store, row)
        with transaction(store):
            return _insert(store, row)
    except sqlite3.IntegrityError as trouble:
        raise UsageError(f"entry {corrects} is not there to be corrected.") from trouble
    except sqlite3.Error as trouble:
        raise StoreError(
            f"the entry could not be written: {trouble}.", "Nothing was recorded; try again."
        ) from trouble


def read_entries(
    conn: sqlite3.Connection,
    run_id: str | None = None,
    kinds: Iterable[str] | None = None,
    *,
    after_id: int = 0,
) -> list[Entry]:
    """Entries in the order they were made; of one run and of some kinds when these are given.

    Of one run, also those that came in with its record: first, since they were made before.
    """
    where, values = ["id > ?"], list[Any]([after_id])
    if run_id is not None:
        where.append("run_id = ?")
        values.append(run_id)
    wanted = None if kinds is None else list(kinds)
    if wanted is not None:
        where.append(f"kind IN ({', '.join('?' * len(wanted))})")
        values += wanted
    rows = conn.execute(f"SELECT {_COLUMNS} FROM entries WHERE {' AND '.join(where)} ORDER BY id", values)
    along = came_along(conn, run_id, ENTRIES) if run_id is not None else []
    came = [Entry(*row) for row in along if row[0] > after_id and (wanted is None or row[2] in wanted)]
    return [*came, *(_entry(row) for row in rows)]


def newest_steady(conn: sqlite3.Connection) -> tuple[str, float] | None:
    """(start of the machine, its steady clock [s]) at which the newest entry was made; None before the first."""
    row = conn.execute("SELECT machine_boot, mono_s FROM entries ORDER BY id DESC LIMIT 1").fetchone()
    return None if row is None else (str(row[0]), float(row[1]))


#: What tells of a run that reprocesses jars: which these are, when they went in, that it is over.
OF_A_REPROCESSING = ("run_started", "header_changed", "mark", "run_ended", "correction")


def reprocessings(conn: sqlite3.Connection, run_id: str) -> list[Entry]:
    """What was said of the runs that process jars of this one again: their starts, and what tells when jars went in.

    Of one that is in this store, begun here or taken in, as it stands here; of any other what came with the record.
    """
    starts = read_entries(conn, None, ("run_started",))
    begun = [entry.run_id for entry in starts if entry.body.get("reprocess_of") == run_id]
    taken = _taken_in(conn, run_id)
    found: list[Entry] = []
    for child in dict.fromkeys([*begun, *taken]):
        if child is None or child == run_id:
            continue
        said = read_entries(conn, child, OF_A_REPROCESSING)
        if not any(entry.kind == "run_started" for entry in said):
            # Taken in without its history: its header tells.
            said = [*_as_header_tells(child, taken[child], -len(found)), *said]
        found += said
    here = {entry.run_id for entry in found}
    along = (Entry(*row) for row in came_along(conn, run_id, REPROCESSINGS))
    found += [entry for entry in along if entry.run_id not in here]
    return sorted((entry for entry in found if tells_of_reprocessing(entry)), key=lambda entry: entry.id)


def _taken_in(conn: sqlite3.Connection, run_id: str) -> dict[str, dict[str, Any]]:
    """By their ids, the headers of records from elsewhere that process jars of this run again."""
    # Read here and not by the database: one header that it cannot read would end the question for every run.
    rows = conn.execute("SELECT run_id, run_json FROM imported_runs ORDER BY run_id")
    headers = ((child, kept_header(data)) for child, data in rows)
    return {child: header for child, header in headers if header.get("reprocess_of") == run_id}


def as_taken_in(conn: sqlite3.Connection, run_id: str, said: Iterable[Entry]) -> Entry | None:
    """A record from elsewhere as it was before anybody said anything of it here, as the entry that began it.

    None for a run of this store, and where entries that came along tell how it began, or that it had been changed.
    """
    if any(entry.kind == "run_started" and entry.run_id == run_id for entry in said):
        return None
    if any(row[2] == "header_changed" for row in came_along(conn, run_id, ENTRIES)):
        return None
    row = conn.execute("SELECT run_json FROM imported_runs WHERE run_id = ?", (run_id,)).fetchone()
    header = kept_header(row[0]) if row else {}
    try:
        at = utc_text(parse_utc(header["started_at"]))
    except (LookupError, AttributeError, TypeError, ValueError):
        return None
    body = {key: value for key, value in header.items() if key not in ("marks", "ended_at")}
    return Entry(AS_TAKEN_IN, run_id, "run_started", body, at, at, None, None, None, 0.0, "")


def _as_header_tells(run_id: str, header: Mapping[str, Any], after: int) -> list[Entry]:
    """The start and the marks of a record, as entries under numbers that no entry has."""
    began = parse_utc(str(header["started_at"]))
    body = {key: value for key, value in header.items() if key != "marks"}
    told: list[tuple[str, dict[str, Any], float]] = [("run_started", body, 0.0)]
    for mark in header.get("marks") or ():
        told.append(("mark", {"kind": mark["kind"]}, float(mark["t_s"])))
    if header.get("ended_at"):
        told.append(("run_ended", {}, epoch_s(str(header["ended_at"])) - began.timestamp()))
    entries = []
    for number, (kind, said, t_s) in enumerate(told):
        at = utc_text(began + timedelta(seconds=t_s))
        entries.append(
            Entry(after - len(told) + number, run_id, kind, said, at, at, None, None, None, 0.0, "")
        )
    return entries


def tells_of_reprocessing(entry: Entry) -> bool:
    """Whether the run that its jars come from needs to know of this."""
    if entry.kind == "mark":
        return entry.body.get("kind") == "jars_in"
    if entry.kind == "header_changed":
        return "reprocess_jars" in entry.body
    return entry.kind in OF_A_REPROCESSING


def _row(
    kind: str,
    body: Mapping[str, Any],
    run_id: str | None,
    by: str | None,
    happened_utc: str | None,
    corrects: int | None,
    reason: str | None,
    time: TimeSource,
) -> tuple[Any, ...]:
    if kind not in KINDS:
        raise UsageError(f"there is no entry of kind {kind!r}; known: {', '.join(sorted(KINDS))}.")
    try:
        text = json.dumps(dict(body), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as trouble:
        raise UsageError(f"the body of the {kind} entry is not plain JSON: {trouble}.") from trouble
    if any(half_in(said) for said in (text, run_id, by, reason)):
        raise UsageError(
            f"the {kind} entry holds half of a sign, or bytes that are no UTF-8 text.",
            "Write it anew; nothing was written down.",
        )
    now = time.utc_now()
    try:
        happened = utc_text(parse_utc(happened_utc)) if happened_utc else utc_text(now)
    except ValueError as trouble:
        raise UsageError(
            f"{happened_utc!r} is not a time with its offset from UTC.", "Write 2026-08-14T09:12:00-06:00."
        ) from trouble
    mono_s = time.monotonic_s()
    return (run_id, kind, text, utc_text(now), happened, by, corrects, reason, mono_s, machine_boot())


def _must_belong(conn: sqlite3.Connection, run_id: str, happened_utc: str) -> None:
    """A mark days away from its run is a mistyped date, or another run's. Raises ``UsageError``."""
    row = conn.execute(
        "SELECT body FROM entries WHERE run_id = ?1 AND kind = 'run_started'"
        " UNION ALL SELECT run_json FROM imported_runs WHERE run_id = ?1",
        (run_id,),
    ).fetchone()
    try:
        after_s = epoch_s(happened_utc) - epoch_s(json.loads(row[0])["started_at"]) if row else 0.0
    except (AttributeError, LookupError, TypeError, ValueError):
        # A start that says no time is told where the record is read.
        return
    if EARLIEST_MARK_S <= after_s <= LATEST_MARK_S:
        return
    side = "before" if after_s < 0.0 else "after"
    raise UsageError(
        f"that is {abs(after_s) / 86400.0:,.0f} days {side} run {run_id} began; a mark belongs to it from a day "
        "before to ten days after.",
        "Check the date and the run; nothing was written down.",
    )


def _insert(conn: sqlite3.Connection, row: tuple[Any, ...]) -> int:
    # No number is given twice, not even one that came in with a record.
    cursor = conn.execute(
        "INSERT INTO entries (id, run_id, kind, body, at_utc, happened_utc, by, corrects, reason, mono_s,"
        " machine_boot) SELECT 1 + max(coalesce((SELECT max(id) FROM entries), 0), coalesce((SELECT max(upto)"
        " FROM imported_files WHERE name != ?), 0)), ?, ?, ?, ?, ?, ?, ?, ?, ?, ?",
        (ALARMS, *row),
    )
    return int(cursor.lastrowid or 0)


def _entry(row: tuple[Any, ...]) -> Entry:
    values = list(row)
    values[3] = json.loads(values[3])
    return Entry(*values)
