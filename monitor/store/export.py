"""Everything the store holds as open files that need no program of ours, and an online copy of itself."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from monitor.errors import RecordError, StoreError
from monitor.record import write_run
from monitor.record.parquet import PARQUET_FILE, write_parquet
from monitor.record.taken_in import TAKEN_IN_FILE
from monitor.store.beside import REPROCESSINGS, taken_in_all
from monitor.store.database import STORE_NAME
from monitor.store.entries import read_entries, reprocessings
from monitor.store.open_files import TABLES, entry_form, line_of, table_lines, write_node
from monitor.store.reader import as_it_came, load_run
from monitor.store.runs import read_house

#: A folder's or file's name may have 255 bytes, and more is put before and after it. [bytes]
LONGEST_NAME = 200


def export_run(conn: sqlite3.Connection, run_id: str, folder: Path, *, parquet: bool = False) -> Path:
    """Write one run as the contract's folder, with its history of entries beside it.

    The same run gives the same bytes each time; a record that was imported leaves as it came. ``parquet``: the
    samples in that form as well.

    Raises
    ------
    ConfigError
        ``parquet``, and the library that writes it is not installed.
    UsageError
        There is no such run.
    StoreError
        The folder cannot be written, or holds another run: nothing of anybody's is written over.
    """
    came = as_it_came(conn, run_id)
    run = load_run(conn, run_id) if came is None else None
    entries = read_entries(conn, run_id)
    _must_not_hold_another(folder, run_id)
    with _Writing(folder):
        if run is not None:
            write_run(run, folder)
        elif came is not None:
            # As it came, also where nobody can read it any more.
            folder.mkdir(parents=True, exist_ok=True)
            for name, data in zip(("run.json", "samples.csv"), came, strict=True):
                (folder / name).write_bytes(data)
        if parquet:
            write_parquet((run or load_run(conn, run_id)).samples, folder / PARQUET_FILE)
        if (taken_in := taken_in_all(conn).get(run_id)) is not None:
            (folder / TAKEN_IN_FILE).write_bytes(taken_in.as_bytes())
        if entries:
            _write(folder / "entries.jsonl", (line_of(entry_form(entry)) for entry in entries))
        _write_reprocessings(conn, run_id, folder / REPROCESSINGS)
    return folder


def _write_reprocessings(conn: sqlite3.Connection, run_id: str, path: Path) -> None:
    """What was said of runs that process its jars again: without that they would seem to be still here.

    What only a header tells goes with that header's own record.
    """
    said = [entry for entry in reprocessings(conn, run_id) if entry.id > 0]
    if said:
        _write(path, (line_of(entry_form(entry)) for entry in said))


def export_all(conn: sqlite3.Connection, folder: Path, *, parquet: bool = False) -> tuple[int, int]:
    """Write every run, every sample of every node, every journal, and a copy of the store itself.

    One read transaction: what is written belongs to one moment. Returns (runs, nodes). A folder that holds a store
    which no export wrote is left alone: it may be the store itself.
    """
    if (folder / STORE_NAME).exists() and not (folder / "entries.jsonl").exists():
        raise StoreError(f"{folder} is a data directory; nothing was written.", "Choose another with --to.")
    with _Writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
        conn.execute("BEGIN")
        try:
            house = read_house(conn)
            for run_id, name in run_folder_names(house.runs, folder / "runs").items():
                # One that cannot be read holds up no backup: its entries are among those of the store.
                with suppress(RecordError):
                    export_run(conn, run_id, folder / "runs" / name, parquet=parquet)
            nodes = conn.execute("SELECT node_id, name FROM nodes ORDER BY name").fetchall()
            for node_id, name in nodes:
                write_node(conn, node_id, folder / "nodes" / name)
            for table in TABLES:
                _write(folder / f"{table}.jsonl", table_lines(conn, table))
            _write_imported(conn, folder / "imported")
        finally:
            conn.execute("COMMIT")
        _backup(conn, folder / STORE_NAME)
    return len(house.runs), len(nodes)


def run_folder_names(run_ids: Iterable[str], place: Path) -> dict[str, str]:
    """The folder of each run in an ``export --all``, under ``place``: its id as it is where a folder can have that
    name there, else something like it; what comes out alike is told apart by a number."""
    run_ids = list(run_ids)
    any_sign = _takes_any_sign(place)
    names = {run_id: run_id for run_id in run_ids if _as_it_is(run_id, any_sign=any_sign)}
    taken = set(names)
    for run_id in run_ids:
        if run_id not in names:
            name, number = safe_name(run_id), 2
            while name in taken:
                name, number = f"{safe_name(run_id)}.{number}", number + 1
            names[run_id] = name
            taken.add(name)
    return {run_id: names[run_id] for run_id in run_ids}


def _as_it_is(run_id: str, *, any_sign: bool) -> bool:
    """Whether a folder can have an id for its name, and a person can read it in a list."""
    if not any_sign:
        return safe_name(run_id) == run_id
    # First whether it can be printed: half of a sign cannot even be counted in bytes.
    readable = run_id.isprintable() and "/" not in run_id
    return readable and bool(run_id.strip(".")) and len(run_id.encode()) <= LONGEST_NAME


def _takes_any_sign(place: Path) -> bool:
    """Whether the disk takes any sign in a name: most memory sticks do not, and a backup goes there too."""
    place.mkdir(parents=True, exist_ok=True)
    trial = place / '.trial "*:<>?|\\'
    try:
        trial.mkdir(exist_ok=True)
        trial.rmdir()
    except OSError:
        return False
    return True


def _must_not_hold_another(folder: Path, run_id: str) -> None:
    """Raises ``StoreError`` where a record of another run would be written over."""
    here = folder / "run.json"
    try:
        found = json.loads(here.read_bytes())["run_id"] if here.exists() else run_id
    except (OSError, ValueError, LookupError, TypeError):
        found = None
    if found != run_id:
        raise StoreError(
            f"{folder} holds another record ({found or 'its run.json names no run'}); nothing was written.",
            "Choose another directory with --to.",
        )


def safe_name(run_id: str) -> str:
    """A run's id as the name of one folder, whatever it contains."""
    kept = "".join(sign if sign.isalnum() or sign in "-_." else "_" for sign in run_id)
    if len(kept.encode()) > LONGEST_NAME:
        told_apart = hashlib.sha256(run_id.encode()).hexdigest()[:8]
        kept = f"{kept.encode()[: LONGEST_NAME - 9].decode(errors='ignore')}-{told_apart}"
    return kept if kept.strip(".") else f"run_{kept}"


def _write_imported(conn: sqlite3.Connection, folder: Path) -> None:
    """Records from elsewhere, as they came: what people said of one here may have changed its place in ``runs``."""
    rows = conn.execute("SELECT run_id, run_json, samples_csv FROM imported_runs ORDER BY rowid").fetchall()
    for number, (run_id, header, samples) in enumerate(rows, start=1):
        place = folder / str(number)
        place.mkdir(parents=True, exist_ok=True)
        (place / "run.json").write_bytes(header)
        (place / "samples.csv").write_bytes(samples)
        for name, content in conn.execute(
            "SELECT name, content FROM imported_files WHERE run_id = ? ORDER BY name", (run_id,)
        ):
            (place / name).write_bytes(content)


def _write(path: Path, lines: Iterable[str]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.writelines(f"{line}\n" for line in lines)


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
