"""Taking run records from elsewhere into the store, byte for byte but for a byte order mark."""

from __future__ import annotations

import codecs
import hashlib
import sqlite3
import unicodedata
import zipfile
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from monitor.errors import RecordError, UsageError
from monitor.record import read_run
from monitor.record.files import shown
from monitor.record.taken_in import TAKEN_IN_FILE, UNKNOWN, TakenIn
from monitor.record.write import header_text, samples_text
from monitor.store.beside import (
    ALARMS,
    ENTRIES,
    REPROCESSINGS,
    highest,
    keep_beside,
    kept_beside,
    read_beside,
    rows_in,
)
from monitor.store.database import transaction
from monitor.store.entries import read_entries, reprocessings
from monitor.store.named_here import THERE, name_here, renamed
from monitor.store.open_files import entry_form
from monitor.store.reader import alarms, load_run, read_house
from monitor.store.stamp import SYSTEM_TIME, utc_text
from monitor.timesource import TimeSource

#: What a record was sealed with where it was made; kept beside it as it came.
SEAL_FILE = "seal.json"

#: Of a run's id, so that it can be a folder's name, and with what is added to it a file's. [bytes]
LONGEST_ID = 200

#: Signs that turn the order of what is written (Unicode UAX 9).
BIDI = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def run_folders(folder: Path) -> list[Path]:
    """The run folders in ``folder``: itself, or those under its ``runs`` (an ``export --all``).

    Raises
    ------
    RecordError
        There is none.
    """
    if folder.is_file():
        raise RecordError(f"{folder}: a file; what is taken in is a run's folder.", _instead_of(folder))
    if (folder / "run.json").exists():
        return [folder]
    under = folder / "runs" if (folder / "runs").is_dir() else folder
    found = sorted(path.parent for path in under.glob("*/run.json"))
    if not found:
        raise RecordError(f"{folder}: no run folder here; expected one with run.json and samples.csv.")
    return found


def _instead_of(file: Path) -> str:
    """What to do where somebody named a file."""
    if zipfile.is_zipfile(file):
        return "It is an archive: unpack it, and name the folder in it that holds run.json and samples.csv."
    if file.suffix.lower() in (".html", ".htm"):
        return (
            "A proof is there to be checked: 'boilwitness verify'. Ask for what 'boilwitness export RUN' writes, or "
            "for Record (ZIP) of the run's page, unpacked."
        )
    return "Name the folder that holds run.json and samples.csv."


def import_run(
    conn: sqlite3.Connection,
    folder: Path,
    time: TimeSource = SYSTEM_TIME,
    came: TakenIn | None = None,
    house: str = "",
) -> tuple[str, bool]:
    """Take in one run folder, with what people said of it and its alarms. Returns (run_id, whether it was new).

    ``came`` is what was found of its seal; a time of an earlier taking in stands, and a seal that fits is kept.
    ``house`` stands before the names of its runs here; empty: they are called as they are there.

    Raises
    ------
    RecordError
        The record is damaged, or what lies beside it; nothing was taken in.
    UsageError
        A run of this id with other contents is here already.
    """
    run = read_run(folder)
    _must_be_a_name(run.run_id, folder)
    as_given = (folder / "run.json").read_bytes()
    header = as_given.removeprefix(codecs.BOM_UTF8)
    table = folder / "samples.csv"
    # Where the samples came as Parquet, the table that says the same is kept.
    samples = table.read_bytes() if table.exists() else samples_text(run.samples).encode()
    beside = read_beside(folder, run.run_id)
    here = read_house(conn).runs
    if _known(conn, here, run.run_id, (header, as_given), samples, beside):
        return run.run_id, False
    run_id, there = run.run_id, dict[str, bytes]()
    if house:
        there = {f"{THERE}{name}": content for name, content in beside.items()} | {
            f"{THERE}run.json": as_given
        }
        run_id = name_here(house, run.run_id)
        _must_be_a_name(run_id, folder)
        header = renamed("run.json", header, house)
        beside = {name: renamed(name, content, house) for name, content in beside.items()}
        came = replace(came or TakenIn(UNKNOWN), run_id_there=(came and came.run_id_there) or run.run_id)
        if _known(conn, here, run_id, (header,), samples, beside):
            return run_id, False
    if run_id in here:
        raise UsageError(
            f"a run {run_id!r} with other contents is in the store already; {folder} was not taken in.",
            f"Is it another house's? 'boilwitness import {folder} --as HOUSE' calls it HOUSE-{run_id} here, and leaves "
            "what was sealed as it is.",
        )
    now = utc_text(time.utc_now())
    with transaction(conn):
        conn.execute(
            "INSERT INTO imported_runs (run_id, run_json, samples_csv, sha256, at_utc)"
            " VALUES (?, ?, ?, ?, ?)",
            (run_id, header, samples, hashlib.sha256(header + b"\0" + samples).hexdigest(), now),
        )
        for name, content in beside.items():
            digest, upto = hashlib.sha256(content).hexdigest(), highest(content)
            keep_beside(conn, run_id, name, content, digest, upto, now)
        for name, content in {**there, **_how_it_came(folder, came, now)}.items():
            keep_beside(conn, run_id, name, content, hashlib.sha256(content).hexdigest(), 0, now)
    return run_id, True


def _known(
    conn: sqlite3.Connection,
    here: Collection[str],
    run_id: str,
    headers: tuple[bytes, ...],
    samples: bytes,
    beside: Mapping[str, bytes],
) -> bool:
    """Whether just this record is here already under that name. ``headers``: its header, and as it was given."""
    known = conn.execute("SELECT sha256 FROM imported_runs WHERE run_id = ?", (run_id,)).fetchone()
    digests = {hashlib.sha256(header + b"\0" + samples).hexdigest() for header in headers}
    if known is not None and known[0] in digests and kept_beside(conn, run_id) == beside:
        return True
    if run_id not in here or not _is_here(conn, run_id, headers[0], samples):
        return False
    # Of a record from elsewhere more may have been said here, and have been exported with it.
    return known is None or _is_said_here(conn, run_id, beside)


def _how_it_came(folder: Path, came: TakenIn | None, now: str) -> dict[str, bytes]:
    """What is kept of a record's seal, by the name it is kept under; nothing where nobody has looked."""
    if came is None:
        return {}
    told = {TAKEN_IN_FILE: replace(came, at_utc=came.at_utc or now).as_bytes()}
    if (folder / SEAL_FILE).exists():
        told[SEAL_FILE] = (folder / SEAL_FILE).read_bytes()
    return told


def _must_be_a_name(run_id: str, folder: Path) -> None:
    """A run is called by its id, also as a folder and as part of a file's name. Raises RecordError."""
    steers = any(unicodedata.category(sign) in ("Cc", "Zl", "Zp") or sign in BIDI for sign in run_id)
    if run_id in (".", "..") or len(run_id.encode()) > LONGEST_ID or steers:
        raise RecordError(
            f"{folder / 'run.json'}: run_id: expected a name of at most {LONGEST_ID} bytes, without control signs and "
            f"other than '.' and '..', found {shown(run_id)} ({len(run_id.encode())} bytes).",
            "Nothing of it was taken in; give it another run_id.",
        )


def _is_said_here(conn: sqlite3.Connection, run_id: str, beside: Mapping[str, bytes]) -> bool:
    """Whether just what lies beside a record is what an export would put there."""
    rows = alarms(conn, run_id)
    here = {
        ENTRIES: [entry_form(entry) for entry in read_entries(conn, run_id)],
        ALARMS: [{name: getattr(row, name) for name in row.__dataclass_fields__} for row in rows],
        REPROCESSINGS: [entry_form(entry) for entry in reprocessings(conn, run_id) if entry.id > 0],
    }
    return all(rows_in(beside.get(name, b"")) == said for name, said in here.items())


def _is_here(conn: sqlite3.Connection, run_id: str, header: bytes, samples: bytes) -> bool:
    """Whether a run that is in the store would be written out as just these bytes."""
    try:
        run = load_run(conn, run_id)
    except RecordError:
        return False
    return (header_text(run).encode(), samples_text(run.samples).encode()) == (header, samples)
