"""Everything a proof rests on, as bytes and plain data: the page is a function of this and of nothing else."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.errors import RecordError, UsageError
from monitor.judge import judge
from monitor.proof.canon import engine_form, page_stamp
from monitor.proof.chain import Seal, read_chain, seal_from_json
from monitor.record import Run, read_run
from monitor.record.taken_in import TAKEN_IN_FILE, TakenIn, taken_in_bytes
from monitor.record.write import header_text, samples_text
from monitor.store.entries import as_taken_in, read_entries, reprocessings
from monitor.store.reader import alarms, as_it_came, load_run, read_house

#: Files of an exported run folder. The first two are the record itself.
RECORD_FILES = ("run.json", "samples.csv")
ENTRIES_FILE = "entries.jsonl"
REPROCESSINGS_FILE = "reprocessings.jsonl"
ALARMS_FILE = "alarms.jsonl"
SEAL_FILE = "seal.json"


@dataclass(frozen=True, slots=True)
class Dossier:
    """``files`` are the record's bytes by name; ``verdict`` is what ``engine`` said of them.

    Beside the record's two files, where it came from elsewhere, is what says how it came.
    ``entries`` and ``alarms`` are rows as an export writes them, ``seals`` the chain's links of this run.
    """

    files: Mapping[str, bytes]
    entries: Sequence[Mapping[str, Any]]
    alarms: Sequence[Mapping[str, Any]]
    seals: Sequence[Seal]
    verdict: Mapping[str, Any]
    issued_utc: str
    engine: Mapping[str, Any] = field(default_factory=engine_form)
    page_sha256: str = field(default_factory=page_stamp)

    @property
    def taken_in(self) -> TakenIn | None:
        """Of a record from elsewhere, or from a folder: how it came. A file beside the record says it."""
        told = self.files.get(TAKEN_IN_FILE)
        return None if told is None else taken_in_bytes(told)

    def run(self) -> Run:
        """The record, read from its bytes. Raises RecordError."""
        return replace(run_of(self.files), taken_in=self.taken_in)


def run_of(files: Mapping[str, bytes], where: str = "") -> Run:
    """Read a record from its two files' bytes. Raises RecordError that names ``where`` rather than a copy."""
    with tempfile.TemporaryDirectory(prefix="boilwitness-") as name:
        folder = Path(name)
        for file in RECORD_FILES:
            if file not in files:
                raise RecordError(f"{where or 'the record'}: {file} is missing.")
            (folder / file).write_bytes(files[file])
        try:
            return read_run(folder)
        except RecordError as trouble:
            raise RecordError(str(trouble).replace(f"{folder}/", f"{where}/" if where else "")) from None


def verdict_form(run: Run) -> dict[str, Any]:
    """The verdict as JSON gives it back."""
    form: dict[str, Any] = json.loads(json.dumps(judge(run).as_json()))
    return form


def record_bytes(conn: sqlite3.Connection, run_id: str) -> dict[str, bytes]:
    """A run's two files as an export writes them. Raises UsageError, RecordError."""
    if (came := as_it_came(conn, run_id)) is not None:
        return dict(zip(RECORD_FILES, came, strict=True))
    run = load_run(conn, run_id)
    texts = (header_text(run), samples_text(run.samples))
    return dict(zip(RECORD_FILES, (text.encode("utf-8") for text in texts), strict=True))


def from_store(conn: sqlite3.Connection, run_id: str, issued: datetime) -> Dossier:
    """Gather a run of the store. Raises UsageError for no such run or one that is not over, RecordError."""
    facts = read_house(conn).run(run_id)
    own = read_entries(conn, run_id)
    began = as_taken_in(conn, run_id, own) if any(one.kind == "header_changed" for one in own) else None
    said = [*own, *reprocessings(conn, run_id)]
    entries = [entry_form(entry) for entry in ([began, *said] if began else said)]
    rows = [{name: getattr(row, name) for name in row.__dataclass_fields__} for row in alarms(conn, run_id)]
    seals = [seal for seal in read_chain(conn) if seal.run_id == run_id]
    found = _finished(record_bytes(conn, run_id), entries, rows, seals, issued)
    return _with_origin(found, facts.taken_in)


def from_folder(folder: Path, issued: datetime, taken_in: TakenIn | None = None) -> Dossier:
    """Gather a run folder, with the history and the seal beside it where it has them. Raises RecordError.

    ``taken_in``: what was found of its seal.
    """
    files = {}
    for name in RECORD_FILES:
        try:
            files[name] = (folder / name).read_bytes()
        except OSError as trouble:
            raise RecordError(f"{folder / name}: cannot be read ({trouble.strerror}).") from None
    seals = seals_of(folder) if (folder / SEAL_FILE).exists() else []
    entries = [*lines_of(folder / ENTRIES_FILE), *lines_of(folder / REPROCESSINGS_FILE)]
    found = _finished(files, entries, lines_of(folder / ALARMS_FILE), seals, issued, str(folder))
    return _with_origin(found, taken_in)


def _with_origin(found: Dossier, taken_in: TakenIn | None) -> Dossier:
    if taken_in is None:
        return found
    return replace(found, files={**found.files, TAKEN_IN_FILE: taken_in.as_bytes()})


def lines_of(path: Path) -> list[dict[str, Any]]:
    """The rows of a JSON-lines file; none where there is no file. Raises RecordError."""
    if not path.exists():
        return []
    try:
        rows = [json.loads(line) for line in path.read_bytes().split(b"\n") if line]
    except (OSError, ValueError) as trouble:
        raise RecordError(f"{path}: expected one JSON object a line ({trouble}).") from None
    if not all(isinstance(row, dict) for row in rows):
        raise RecordError(f"{path}: expected one JSON object a line.")
    return rows


def seals_of(folder: Path) -> list[Seal]:
    """The chain's links that a folder's seal carries. Raises RecordError."""
    try:
        form = json.loads((folder / SEAL_FILE).read_bytes())
        return [seal_from_json(item) for item in form["seals"]]
    except (OSError, ValueError, KeyError, TypeError) as trouble:
        raise RecordError(f"{folder / SEAL_FILE}: expected a seal ({trouble}).") from None


def entry_form(entry: Any) -> dict[str, Any]:
    """An entry as an export writes it."""
    return {name: getattr(entry, name) for name in entry.__dataclass_fields__}


def _finished(
    files: Mapping[str, bytes],
    entries: Sequence[Mapping[str, Any]],
    rows: Sequence[Mapping[str, Any]],
    seals: Sequence[Seal],
    issued: datetime,
    where: str = "",
) -> Dossier:
    verdict = verdict_form(run_of(files, where))
    if verdict["verdict"] is None:
        raise UsageError(
            f"run {verdict['run_id']} is not over: a proof is of a finished run.",
            "Mark the heat off first ('boilwitness runs mark'), or end the run ('boilwitness runs end').",
        )
    # As finely as entries are dated: what was entered a moment before counts.
    issued_utc = issued.isoformat(timespec="milliseconds")
    return Dossier(files, entries, rows, seals, verdict, issued_utc)
