"""Taking run records from elsewhere into the store, byte for byte."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

from monitor.errors import RecordError, UsageError
from monitor.record import read_run
from monitor.record.write import header_text, samples_text
from monitor.store.beside import highest, keep_beside, kept_beside, read_beside
from monitor.store.database import transaction
from monitor.store.reader import load_run, read_house
from monitor.store.stamp import SYSTEM_TIME, utc_text
from monitor.timesource import TimeSource


def run_folders(folder: Path) -> list[Path]:
    """The run folders in ``folder``: itself, or those under its ``runs`` (an ``export --all``).

    Raises
    ------
    RecordError
        There is none.
    """
    if (folder / "run.json").exists():
        return [folder]
    under = folder / "runs" if (folder / "runs").is_dir() else folder
    found = sorted(path.parent for path in under.glob("*/run.json"))
    if not found:
        raise RecordError(f"{folder}: no run folder here; expected one with run.json and samples.csv.")
    return found


def import_run(conn: sqlite3.Connection, folder: Path, time: TimeSource = SYSTEM_TIME) -> tuple[str, bool]:
    """Take in one run folder, with what people said of it and its alarms. Returns (run_id, whether it was new).

    Raises
    ------
    RecordError
        The record is damaged, or what lies beside it; nothing was taken in.
    UsageError
        A run of this id with other contents is here already.
    """
    run = read_run(folder)
    header = (folder / "run.json").read_bytes()
    table = folder / "samples.csv"
    # Where the samples came as Parquet, the table that says the same is kept.
    samples = table.read_bytes() if table.exists() else samples_text(run.samples).encode()
    beside = read_beside(folder, run.run_id)
    digest = hashlib.sha256(header + b"\0" + samples).hexdigest()
    known = conn.execute("SELECT sha256 FROM imported_runs WHERE run_id = ?", (run.run_id,)).fetchone()
    if known is not None and known[0] == digest and kept_beside(conn, run.run_id) == beside:
        return run.run_id, False
    if known is None and run.run_id in read_house(conn).runs and _is_here(conn, run.run_id, header, samples):
        return run.run_id, False
    if known is not None or run.run_id in read_house(conn).runs:
        raise UsageError(
            f"a run {run.run_id!r} with other contents is in the store already; {folder} was not taken in.",
            "Give it another run_id, or another --data.",
        )
    now = utc_text(time.utc_now())
    with transaction(conn):
        conn.execute(
            "INSERT INTO imported_runs (run_id, run_json, samples_csv, sha256, at_utc)"
            " VALUES (?, ?, ?, ?, ?)",
            (run.run_id, header, samples, digest, now),
        )
        for name, content in beside.items():
            digest, upto = hashlib.sha256(content).hexdigest(), highest(content)
            keep_beside(conn, run.run_id, name, content, digest, upto, now)
    return run.run_id, True


def _is_here(conn: sqlite3.Connection, run_id: str, header: bytes, samples: bytes) -> bool:
    """Whether a run of the store's own would be written out as just these bytes."""
    run = load_run(conn, run_id)
    return (header_text(run).encode(), samples_text(run.samples).encode()) == (header, samples)
