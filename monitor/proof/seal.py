"""Sealing in the store: a finished run gets a link in the chain, and so does whatever came to the store meanwhile.

A seal covers the record's bytes, the verdict with the rules that gave it, and everything that was appended since
the seal before (:mod:`monitor.proof.cover`). A run whose record changes afterwards for a reason the store knows (an
entry, samples that came late or were placed better) is sealed again; the old seal stays.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from traceback import format_exc
from typing import Any

from monitor.errors import RecordError, StoreError
from monitor.proof.canon import NOTHING_BEFORE, canonical, engine_form, sha256
from monitor.proof.chain import SEAL_COLUMNS, Seal, linked, signed_message
from monitor.proof.cover import TABLES, covered_by, newest, placed_since, rows_since, samples_since
from monitor.proof.dossier import record_bytes, run_of, verdict_form
from monitor.proof.signing import Key
from monitor.record import Run
from monitor.store.database import transaction
from monitor.store.runs import SHAPING, House, RunFacts, read_house
from monitor.store.stamp import SYSTEM_TIME, epoch_s, utc_text
from monitor.timesource import TimeSource

#: A node's ring holds its samples for minutes. What a broker held for longer than two days is looked for only
#: where the collector judged the run again. [s]
LATE_FOR_S = 2 * 86400.0

#: Samples alone are worth a seal no more often than this. [s]
SAMPLES_EVERY_S = 3600.0

#: The statement of a link of the chain. The first form covered runs, entries and alarms only.
STATEMENT_FORMAT = "boilwitness-seal/2"


def seal_due(
    conn: sqlite3.Connection,
    *,
    time: TimeSource = SYSTEM_TIME,
    key: Key | None = None,
    within_s: float = float("inf"),
    besides: Collection[str] = (),
    trouble: Callable[[str, str], None] | None = None,
) -> list[str]:
    """Seal every finished run that has no seal or has changed, and whatever was stored since the last seal.

    ``besides``: runs to leave alone, for they cannot be judged. ``trouble`` is told the run whose judging ended in an
    error that nobody foresaw, and the traceback: that run gets no seal, all else does; without it the error goes on.

    With a key the chain never ends in a seal without its signature. Cheap when nothing is due. Needs a connection
    that may write. Returns the ids of the runs that were sealed; no further run is begun after ``within_s``: ask
    again while some were.

    Raises
    ------
    StoreError, sqlite3.Error
        The store cannot be written.
    """
    house = read_house(conn)
    now_s = time.utc_now().timestamp()
    sealed = _last_seals(conn)
    runs = {run_id: facts for run_id, facts in house.runs.items() if run_id not in besides}
    due = [run_id for run_id, facts in runs.items() if _is_due(conn, house, facts, sealed, now_s)]
    until_s = time.monotonic_s() + within_s
    done: list[str] = []
    for run_id in due:
        try:
            if seal_run(conn, run_id, time=time, key=key) is not None:
                done.append(run_id)
        except (sqlite3.Error, StoreError):
            raise
        except Exception:
            if trouble is None:
                raise
            trouble(run_id, format_exc())
        if time.monotonic_s() >= until_s and run_id != due[-1]:
            return done
    last = _last(conn)
    said = any(newest(conn, table) > _upto(last, table) for table in TABLES)
    samples = _samples_due(conn, now_s)
    # The first signature after a key was made covers all that was sealed without one: each link holds the one before.
    unsigned = key is not None and last is not None and last.signature is None
    if said or samples or unsigned:
        _append(conn, "", {}, time, key, samples=samples)
    return done


def _samples_due(conn: sqlite3.Connection, now_s: float) -> bool:
    """Whether samples wait for a seal, and have waited long enough."""
    counted = _counted(conn)
    row = conn.execute(
        "SELECT sealed_utc, json_extract(statement, '$.samples.counted'), json_extract(statement, '$.samples.more')"
        " FROM seals WHERE json_extract(statement, '$.samples') IS NOT NULL ORDER BY seal_id DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return counted > 0
    if counted == row[1] and not row[2]:
        return False
    return bool(row[2]) or abs(now_s - epoch_s(row[0])) >= SAMPLES_EVERY_S


def _counted(conn: sqlite3.Connection) -> int:
    """The writer's own count of what it stored: it changes whenever a sample has come."""
    return int(conn.execute("SELECT coalesce(sum(samples), 0) FROM nodes").fetchone()[0])


def seal_run(
    conn: sqlite3.Connection, run_id: str, *, time: TimeSource = SYSTEM_TIME, key: Key | None = None
) -> Seal | None:
    """Seal one finished run as it stands. None where its header cannot be read."""
    try:
        files = record_bytes(conn, run_id)
        run = run_of(files)
    except RecordError:
        return None
    house = read_house(conn)
    rows = count_rows(conn, house, house.runs[run_id])
    return _append(conn, run_id, _covered(files, run, rows), time, key, samples=True)


def is_finished(facts: RunFacts) -> bool:
    """Whether nothing more is expected: an end was recorded, or the record came from elsewhere as it is."""
    return facts.imported or facts.ended_s is not None


@dataclass(frozen=True, slots=True)
class _Sealed:
    """What the newest seal of a run says, as far as it tells whether another is due."""

    first_utc: str
    last_utc: str
    entries_upto: int
    rows: int
    verdicts_upto: int


def _last_seals(conn: sqlite3.Connection) -> dict[str, _Sealed]:
    rows = conn.execute(
        "SELECT run_id, min(sealed_utc), max(sealed_utc), max(json_extract(statement, '$.entries.upto')),"
        " json_extract(statement, '$.record.rows'),"
        " coalesce(max(json_extract(statement, '$.verdicts.upto')), 0), max(seal_id)"
        " FROM seals WHERE run_id != '' GROUP BY run_id"
    )
    return {
        run_id: _Sealed(first, newest_utc, int(upto), int(count), int(verdicts))
        for run_id, first, newest_utc, upto, count, verdicts, _ in rows
    }


def _is_due(
    conn: sqlite3.Connection, house: House, facts: RunFacts, sealed: Mapping[str, _Sealed], now_s: float
) -> bool:
    if not is_finished(facts):
        return False
    last = sealed.get(facts.run_id)
    if last is None or shaping_since(conn, facts.run_id, last.entries_upto):
        return True
    if facts.imported:
        return False
    old = now_s - epoch_s(last.first_utc) > LATE_FOR_S
    if old and not _judged_since(conn, facts.run_id, last.verdicts_upto):
        return False
    return count_rows(conn, house, facts) != last.rows or placed_in(conn, house, facts, last.last_utc)


def _judged_since(conn: sqlite3.Connection, run_id: str, after_id: int) -> bool:
    """Whether a verdict was put down after one: the collector judges a run again when something came of it."""
    row = conn.execute(
        "SELECT 1 FROM verdicts WHERE run_id = ? AND verdict_id > ? LIMIT 1", (run_id, after_id)
    ).fetchone()
    return row is not None


def placed_in(conn: sqlite3.Connection, house: House, facts: RunFacts, sealed_utc: str) -> bool:
    """Whether samples of a run's nodes got a better place in time after a seal."""
    end_s = float("inf") if facts.ended_s is None else facts.ended_s
    numbers = dict(conn.execute("SELECT name, node_id FROM nodes"))
    nodes = {numbers.get(name) for name, _, _ in house.serving(facts.canner, facts.started_s, end_s)}
    return any(node is not None and placed_since(conn, sealed_utc, node) for node in nodes)


def shaping_since(conn: sqlite3.Connection, run_id: str, after_id: int) -> int:
    """How many entries that shape a run's record were made after one."""
    marks = ", ".join("?" * len(SHAPING))
    row = conn.execute(
        f"SELECT count(*) FROM entries WHERE id > ? AND (run_id = ? OR kind IN ('node_assigned', 'correction'))"
        f" AND kind IN ({marks})",
        (after_id, run_id, *SHAPING),
    ).fetchone()
    return int(row[0])


def count_rows(conn: sqlite3.Connection, house: House, facts: RunFacts) -> int:
    """How many rows of its nodes fall into a run, conflicting ones twice; none for a record from elsewhere."""
    if facts.imported:
        return 0
    total = 0
    end_s = float("inf") if facts.ended_s is None else facts.ended_s
    for node, low_s, high_s in house.serving(facts.canner, facts.started_s, end_s):
        for table in ("samples", "conflicts"):
            total += conn.execute(
                f"SELECT count(*) FROM {table} WHERE node = (SELECT node_id FROM nodes WHERE name = ?)"
                " AND at_s BETWEEN ? AND ?",
                (node, low_s, min(high_s, 1e12)),
            ).fetchone()[0]
    return total


def _covered(files: dict[str, bytes], run: Run, rows: int) -> dict[str, Any]:
    arrivals = [sample.arrival_s for sample in run.samples if sample.arrival_s is not None]
    record: dict[str, Any] = {
        name: {"bytes": len(data), "sha256": sha256(data)} for name, data in files.items()
    }
    record |= {"samples": len(run.samples), "rows": rows, "last_arrival_s": max(arrivals, default=None)}
    return {"record": record, "verdict": verdict_form(run), "engine": engine_form()}


def _append(
    conn: sqlite3.Connection,
    run_id: str,
    covered: dict[str, Any],
    time: TimeSource,
    key: Key | None,
    *,
    samples: bool,
) -> Seal:
    with _refusals_in_words(), transaction(conn):
        last = _last(conn)
        statement = {
            "format": STATEMENT_FORMAT,
            "run_id": run_id,
            "sealed_utc": utc_text(time.utc_now()),
            **{name: rows_since(conn, name, _upto(last, name)) for name in TABLES},
            **covered,
        }
        if samples:
            found = samples_since(conn, covered_by(conn))
            statement["samples"] = {"counted": _counted(conn), **found}
        text = canonical(statement)
        digest, previous = sha256(text), last.chain if last else NOTHING_BEFORE
        value = linked(previous, digest)
        seal = Seal(
            seal_id=last.seal_id + 1 if last else 1,
            run_id=run_id,
            sealed_utc=statement["sealed_utc"],
            digest=digest,
            previous=previous,
            chain=value,
            statement=text.decode("utf-8", "surrogatepass"),
            signature=key.sign(signed_message(value)) if key else None,
            signed_by=key.public if key else None,
        )
        names = ", ".join(SEAL_COLUMNS)
        values = tuple(seal.as_json().values())
        conn.execute(f"INSERT INTO seals ({names}) VALUES ({', '.join('?' * len(values))})", values)
    return seal


@contextmanager
def _refusals_in_words() -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as trouble:
        raise StoreError(
            f"the seal cannot be written: {trouble}.",
            "Make room, or give the directory its permissions back; or name a copy of it with --data.",
        ) from trouble


def _last(conn: sqlite3.Connection) -> Seal | None:
    row = conn.execute(
        f"SELECT {', '.join(SEAL_COLUMNS)} FROM seals ORDER BY seal_id DESC LIMIT 1"
    ).fetchone()
    return None if row is None else Seal(*row)


def _upto(last: Seal | None, table: str) -> int:
    """The last row of an append-only table that the chain covers; the first form had fewer tables."""
    return int(last.said.get(table, {"upto": 0})["upto"]) if last else 0
