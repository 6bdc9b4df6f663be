"""Everything the store holds as open files that need no program of ours, and an online copy of itself."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from monitor.errors import StoreError
from monitor.record import write_run
from monitor.store.database import STORE_NAME
from monitor.store.entries import Entry, read_entries
from monitor.store.reader import load_run
from monitor.store.runs import read_house
from monitor.store.samples import SELECT, Row, row_sample
from monitor.store.stamp import epoch_text

_AFTER = ("pressure_kPa", "heater_W")
_LAST = ("chip_C", "water_2_C", "mains")


def export_run(conn: sqlite3.Connection, run_id: str, folder: Path) -> Path:
    """Write one run as the contract's folder, with its history of entries beside it.

    The same run gives the same bytes each time; a record that was imported leaves as it came.

    Raises
    ------
    UsageError
        There is no such run.
    StoreError
        The folder cannot be written.
    """
    run = load_run(conn, run_id)
    entries = read_entries(conn, run_id)
    with _Writing(folder):
        write_run(run, folder)
        if read_house(conn).runs[run_id].imported and not entries:
            header, samples = conn.execute(
                "SELECT run_json, samples_csv FROM imported_runs WHERE run_id = ?", (run_id,)
            ).fetchone()
            (folder / "run.json").write_bytes(header)
            (folder / "samples.csv").write_bytes(samples)
        if entries:
            _write_lines(folder / "entries.jsonl", (_entry_form(entry) for entry in entries))
    return folder


def export_all(conn: sqlite3.Connection, folder: Path) -> tuple[int, int]:
    """Write every run, every sample of every node, every journal, and a copy of the store itself.

    One read transaction: what is written belongs to one moment. Returns (runs, nodes).
    """
    with _Writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        conn.execute("BEGIN")
        try:
            house = read_house(conn)
            for run_id in house.runs:
                export_run(conn, run_id, folder / "runs" / safe_name(run_id))
            nodes = conn.execute("SELECT node_id, name FROM nodes ORDER BY name").fetchall()
            for node_id, name in nodes:
                _export_node(conn, node_id, folder / "nodes" / name)
            _write_lines(folder / "entries.jsonl", (_entry_form(entry) for entry in read_entries(conn)))
            for table in ("events", "alarms", "verdicts", "journal", "seals", "clocks"):
                _write_lines(folder / f"{table}.jsonl", _table(conn, table))
        finally:
            conn.execute("COMMIT")
        _backup(conn, folder / STORE_NAME)
    return len(house.runs), len(nodes)


def safe_name(run_id: str) -> str:
    """A run's id as the name of one folder, whatever it contains."""
    kept = "".join(sign if sign.isalnum() or sign in "-_." else "_" for sign in run_id)
    return kept if kept.strip(".") else f"run_{kept}"


def _export_node(conn: sqlite3.Connection, node_id: int, folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    _write_samples(conn, node_id, folder / "samples.csv")
    conflicts = conn.execute(
        "SELECT boot, seq, at_utc, stored, came FROM conflicts WHERE node = ? ORDER BY conflict_id",
        (node_id,),
    ).fetchall()
    if conflicts:
        names = ("boot", "seq", "at_utc", "stored", "came")
        _write_lines(folder / "conflicts.jsonl", (dict(zip(names, row, strict=True)) for row in conflicts))
    lost = conn.execute(
        "SELECT boot, from_seq, count, why, at_utc FROM lost WHERE node = ? ORDER BY boot, from_seq",
        (node_id,),
    ).fetchall()
    if lost:
        names = ("boot", "from_seq", "count", "why", "at_utc")
        _write_lines(folder / "lost.jsonl", (dict(zip(names, row, strict=True)) for row in lost))


def _write_samples(conn: sqlite3.Connection, node_id: int, path: Path) -> None:
    """``t_s`` counts from the node's first sample, whose time is in ``taken_utc`` like all others'."""
    jars, lids = _numbered(conn, node_id)
    header = ["t_s", "water_C", "water_fault", "room_C", *(f"jar_{n}_C" for n in jars), *_AFTER]
    header += [
        *(f"lid_{n}" for n in lids),
        "boot",
        "seq",
        *_LAST,
        "uptime_s",
        "arrival_s",
        "late",
        "taken_utc",
    ]
    first = conn.execute("SELECT min(at_s) FROM samples WHERE node = ?", (node_id,)).fetchone()[0] or 0.0
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(",".join(header) + "\n")
        for row in conn.execute(f"{SELECT} WHERE node = ? ORDER BY at_s, boot, seq", (node_id,)):
            file.write(_line(row, first, jars, lids) + "\n")


def _line(row: Row, first_s: float, jars: list[int], lids: list[int]) -> str:
    sample = row_sample(row, first_s)
    cells: list[Any] = [f"{sample.t_s:.3f}", sample.water_C, sample.water_fault, sample.room_C]
    cells += [sample.jars.get(number) for number in jars]
    cells += [getattr(sample, name) for name in _AFTER]
    cells += [sample.lids.get(number) for number in lids]
    cells += [sample.boot, sample.seq, *(getattr(sample, name) for name in _LAST)]
    cells += [None if row[5] is None else f"{row[5]:.3f}", f"{row[4] - first_s:.3f}", sample.late or None]
    cells.append(epoch_text(row[3]))
    return ",".join(_cell(cell) for cell in cells)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


def _numbered(conn: sqlite3.Connection, node_id: int) -> tuple[list[int], list[int]]:
    found = []
    for column in ("jars", "lids"):
        rows = conn.execute(
            f"SELECT DISTINCT key FROM samples, json_each(samples.{column})"
            f" WHERE node = ? AND {column} IS NOT NULL",
            (node_id,),
        )
        found.append(sorted(int(key) for (key,) in rows))
    return found[0], found[1]


def _table(conn: sqlite3.Connection, table: str) -> Iterator[dict[str, Any]]:
    cursor = conn.execute(f"SELECT * FROM {table} ORDER BY 1")
    names = [column[0] for column in cursor.description]
    for row in cursor:
        form = dict(zip(names, row, strict=True))
        for key in ("body", "verdict"):
            if isinstance(form.get(key), str):
                form[key] = json.loads(form[key])
        yield form


def _entry_form(entry: Entry) -> dict[str, Any]:
    return {name: getattr(entry, name) for name in entry.__dataclass_fields__}


def _write_lines(path: Path, forms: Iterable[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        for form in forms:
            file.write(json.dumps(form, ensure_ascii=False, separators=(",", ":")) + "\n")


def _backup(conn: sqlite3.Connection, path: Path) -> None:
    """A whole copy while the collector goes on writing; put in place only when it is complete."""
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    copy = sqlite3.connect(part)
    try:
        conn.backup(copy)
        found = copy.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise StoreError(f"the copy {part} is damaged: {found}.")
        copy.execute("PRAGMA journal_mode=DELETE")
    finally:
        copy.close()
    part.replace(path)


class _Writing:
    """Turns the system's refusals into one line."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, trouble: BaseException | None, trace: object) -> None:
        if isinstance(trouble, OSError):
            raise StoreError(
                f"cannot write {trouble.filename or self._folder}: {trouble.strerror}.",
                "Choose another directory with --to.",
            ) from trouble
        if isinstance(trouble, sqlite3.Error):
            raise StoreError(f"the store could not be read whole: {trouble}.") from trouble
