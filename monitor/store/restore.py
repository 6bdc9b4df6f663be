"""A whole store put together again from the open files of an ``export --all``."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from monitor.errors import RecordError, UsageError
from monitor.store.beside import keep_beside
from monitor.store.database import transaction
from monitor.store.open_files import LATER, TABLES, node_rows, table_rows
from monitor.store.samples import COLUMNS


def is_whole_export(folder: Path) -> bool:
    """Whether everything that a store holds lies here, and not only run folders."""
    return all((folder / f"{table}.jsonl").is_file() for table in TABLES if table not in LATER)


def is_empty(conn: sqlite3.Connection) -> bool:
    """Whether nothing was ever put into the store."""
    return not any(conn.execute(f"SELECT 1 FROM {table} LIMIT 1").fetchone() for table in TABLES)


def restore(conn: sqlite3.Connection, folder: Path) -> int:
    """Take in everything, all of it or nothing. Returns how many samples came.

    Raises
    ------
    UsageError
        The store is not empty.
    RecordError
        A file is damaged or missing: names it, and the line or row.
    """
    if not is_empty(conn):
        raise UsageError(
            "the store is not empty; a whole export goes into an empty one.", "Name another --data."
        )
    with transaction(conn):
        try:
            for table, names in TABLES.items():
                if table not in ("imported_runs", "imported_files"):
                    _fill(conn, folder, table, names)
            _imported(conn, folder)
            return sum(_node(conn, node_id, name, folder) for node_id, name in _nodes(conn))
        except (sqlite3.IntegrityError, sqlite3.ProgrammingError, sqlite3.DataError) as trouble:
            raise RecordError(f"{folder}: the files do not fit together ({trouble}).") from None


def _fill(conn: sqlite3.Connection, folder: Path, table: str, names: tuple[str, ...]) -> None:
    marks = ", ".join("?" * len(names))
    conn.executemany(
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})",
        table_rows(folder / f"{table}.jsonl", table),
    )


def _imported(conn: sqlite3.Connection, folder: Path) -> None:
    rows = table_rows(folder / "imported_runs.jsonl", "imported_runs")
    places = {}
    for number, (run_id, digest, at_utc) in enumerate(rows, start=1):
        place = places[run_id] = folder / "imported" / str(number)
        files = [_bytes(place / name) for name in ("run.json", "samples.csv")]
        conn.execute(
            "INSERT INTO imported_runs (run_id, run_json, samples_csv, sha256, at_utc) VALUES (?, ?, ?, ?, ?)",
            (run_id, *files, digest, at_utc),
        )
    for run_id, name, digest, upto, at_utc in table_rows(folder / "imported_files.jsonl", "imported_files"):
        keep_beside(
            conn, run_id, name, _bytes(places.get(run_id, folder) / Path(name).name), digest, upto, at_utc
        )


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None


def _nodes(conn: sqlite3.Connection) -> list[tuple[int, str]]:
    return [
        (int(row[0]), str(row[1])) for row in conn.execute("SELECT node_id, name FROM nodes ORDER BY node_id")
    ]


def _node(conn: sqlite3.Connection, node_id: int, name: str, folder: Path) -> int:
    rows = node_rows(folder / "nodes" / name / "samples.csv", node_id)
    marks = ", ".join("?" * len(COLUMNS))
    return conn.executemany(f"INSERT INTO samples ({', '.join(COLUMNS)}) VALUES ({marks})", rows).rowcount
