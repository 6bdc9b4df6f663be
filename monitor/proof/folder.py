"""Exported folders: a seal beside a run's files, a manifest over a whole export, and the check of both."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from monitor.errors import RecordError, StoreError
from monitor.proof.canon import engine_form, sha256
from monitor.proof.chain import (
    SEAL_FORMAT,
    Seal,
    check_one,
    check_unsigned,
    last_chain,
    read_chain,
    seal_from_json,
)
from monitor.proof.closed import closed_bytes, open_closed
from monitor.proof.compare import compare_verdicts
from monitor.proof.dossier import (
    ALARMS_FILE,
    ENTRIES_FILE,
    RECORD_FILES,
    SEAL_FILE,
    lines_of,
    run_of,
    verdict_form,
)
from monitor.proof.report import Report
from monitor.proof.signing import Key
from monitor.record.parquet import PARQUET_FILE, read_parquet
from monitor.record.taken_in import (
    INTACT,
    NEVER,
    REMOVED,
    TAKEN_IN_FILE,
    UNKNOWN,
    TakenIn,
    taken_in_bytes,
)
from monitor.record.write import samples_text
from monitor.store.export import run_folder_names
from monitor.store.reader import alarms, read_house

MANIFEST_FILE = "manifest.json"
MANIFEST_FORMAT = "boilwitness-manifest/1"

#: Only an export puts these beside a record, and it always seals them.
_ONLY_EXPORTED = (ENTRIES_FILE, ALARMS_FILE, TAKEN_IN_FILE)
SEAL_GONE = f"{SEAL_FILE} is missing: this folder was exported, and its seal has been removed"


def seal_export(conn: sqlite3.Connection, run_id: str, folder: Path, key: Key | None = None) -> Path:
    """Add the alarms and the seal to a run folder that was just exported. Returns the seal's file.

    Raises
    ------
    RecordError
        The record in the folder is damaged.
    StoreError
        The folder cannot be written.
    """
    rows = [{name: getattr(row, name) for name in row.__dataclass_fields__} for row in alarms(conn, run_id)]
    seals = [seal for seal in read_chain(conn) if seal.run_id == run_id]
    try:
        if rows:
            lines = (json.dumps(row, ensure_ascii=False, separators=(",", ":")) + "\n" for row in rows)
            (folder / ALARMS_FILE).write_text("".join(lines), encoding="utf-8", newline="\n")
        return seal_folder(folder, seals, key)
    except OSError as trouble:
        raise StoreError(f"cannot write {trouble.filename or folder}: {trouble.strerror}.") from trouble


def seal_folder(folder: Path, seals: Sequence[Seal] = (), key: Key | None = None) -> Path:
    """Write ``seal.json`` over every other file of a run folder."""
    files = {path.name: path.read_bytes() for path in _files(folder) if path.name != SEAL_FILE}
    run = run_of(files, str(folder))
    form = {
        "format": SEAL_FORMAT,
        "run_id": run.run_id,
        "engine": engine_form(),
        "files": _stated(files),
        "verdict": verdict_form(run),
        "seals": [seal.as_json() for seal in seals],
    }
    path = folder / SEAL_FILE
    path.write_bytes(closed_bytes(form, key))
    return path


def seal_everything(conn: sqlite3.Connection, folder: Path, key: Key | None = None) -> Path:
    """Seal every run folder of an ``export --all``, and write ``manifest.json`` over every file in it.

    A run whose header cannot be read has no verdict to seal; the manifest alone covers it. Raises StoreError.
    """
    for run_id, name in run_folder_names(read_house(conn).runs, folder / "runs").items():
        run_folder = folder / "runs" / name
        if run_folder.is_dir():
            with suppress(RecordError):
                seal_export(conn, run_id, run_folder, key)
    try:
        files = {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in _files(folder)
            if path != folder / MANIFEST_FILE
        }
        # The chain as it was written out: the collector may have gone on since.
        chain = [seal_from_json(form) for form in lines_of(folder / "seals.jsonl")]
        form = {
            "format": MANIFEST_FORMAT,
            "seals": len(chain),
            "chain": last_chain(chain),
            "files": _stated(files),
        }
        path = folder / MANIFEST_FILE
        path.write_bytes(closed_bytes(form, key))
    except OSError as trouble:
        raise StoreError(f"cannot write {trouble.filename or folder}: {trouble.strerror}.") from trouble
    return path


def _files(folder: Path) -> Iterator[Path]:
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def _stated(files: Mapping[str, bytes]) -> dict[str, dict[str, Any]]:
    return {name: {"bytes": len(data), "sha256": sha256(data)} for name, data in sorted(files.items())}


# --- the check --------------------------------------------------------------------------------------------


def verify_folder(folder: Path, key: str | None = None) -> Report:
    """Check a run folder against its seal, and its verdict against its samples.

    Raises
    ------
    RecordError
        A folder without a seal holds no record that can be read.
    """
    report = Report(f"run folder {folder}")
    files = {path.relative_to(folder).as_posix(): path.read_bytes() for path in _files(folder)}
    seal = files.pop(SEAL_FILE, None)
    if seal is None:
        return _unsealed(folder, files, report, key)
    form = open_closed(seal, SEAL_FORMAT, SEAL_FILE, report, key)
    if form is None:
        return report
    check_files(files, form.get("files"), report)
    try:
        run = run_of(files)
        again = verdict_form(run)
    except RecordError as trouble:
        report.problem(f"the record can no longer be read: {trouble}")
        return report
    if form.get("run_id") != run.run_id:
        report.problem(f"the seal is of run {form.get('run_id')!r}, the record of {run.run_id!r}")
    verdict, engine = form.get("verdict"), form.get("engine")
    if isinstance(verdict, Mapping) and isinstance(engine, Mapping):
        compare_verdicts(verdict, again, engine, report)
    else:
        report.problem("the seal holds no verdict")
    _check_links(form, files, run.run_id, report, key)
    if TAKEN_IN_FILE in files:
        report.came(taken_in_bytes(files[TAKEN_IN_FILE]))
    return report


def check_bytes(folder: Path) -> Report | None:
    """A run folder's files against its seal, and nothing more; None where there is no seal.

    Where the samples came as Parquet alone, the table that says the same must be the sealed one.
    """
    path = folder / SEAL_FILE
    if not path.exists():
        return None
    report = Report(f"run folder {folder}")
    form = open_closed(path.read_bytes(), SEAL_FORMAT, SEAL_FILE, report)
    if form is not None:
        files = {
            one.relative_to(folder).as_posix(): one.read_bytes() for one in _files(folder) if one != path
        }
        table = RECORD_FILES[1]
        if PARQUET_FILE in files and table not in files:
            files[table] = samples_text(read_parquet(folder / PARQUET_FILE)).encode()
        check_files(files, form.get("files"), report)
    return report


def seal_trouble(folder: Path) -> str:
    """Why a run folder is not what was exported, in one line; empty where it is, or never was under a seal."""
    seal = check_bytes(folder)
    if seal is not None:
        return seal.problems[0] if seal.problems else ""
    return SEAL_GONE if any((folder / name).exists() for name in _ONLY_EXPORTED) else ""


def how_it_came(folder: Path) -> TakenIn:
    """What is known of a folder's seal, and of that which it came with where another store took it in before."""
    if not (folder / SEAL_FILE).exists():
        return TakenIn(REMOVED if seal_trouble(folder) else NEVER)
    if seal_trouble(folder):
        return TakenIn(UNKNOWN)
    before = folder / TAKEN_IN_FILE
    return taken_in_bytes(before.read_bytes()) if before.exists() else TakenIn(INTACT)


def must_be_as_sealed(folder: Path, done: str, *, seal_may_be_gone: bool = False) -> None:
    """Nothing is made of a folder that does not fit its seal; ``done``: what was not. Raises RecordError."""
    trouble = seal_trouble(folder)
    if trouble and not (seal_may_be_gone and trouble == SEAL_GONE):
        raise RecordError(
            f"{folder}: {trouble}.", f"{done}; 'boilwitness verify {folder}' says what else was changed."
        )


def _unsealed(folder: Path, files: Mapping[str, bytes], report: Report, key: str | None) -> Report:
    report.sealed = False
    again = verdict_form(run_of(files, str(folder)))
    if any(name in files for name in _ONLY_EXPORTED):
        report.problem(SEAL_GONE)
    if key:
        report.problem("there is no seal that the named key could have signed")
    report.remark("NOT SEALED: nothing here can show whether this record was changed")
    report.remark(
        f"verdict computed from the samples: {again['verdict']}, {again['proven_s']} s proven of "
        f"{again['required_s']} s"
    )
    return report


def check_files(files: Mapping[str, bytes], stated: Any, report: Report) -> None:
    """Each file against what was stated of it; files too many and too few."""
    if not isinstance(stated, Mapping):
        report.problem("no list of files is stated")
        return
    for name in stated:
        if name not in files:
            report.problem(f"{name} is missing")
    intact = 0
    for name, data in files.items():
        if name not in stated:
            report.problem(f"{name} was added")
        elif len(data) != stated[name].get("bytes"):
            report.problem(
                f"{name} was changed: {stated[name].get('bytes')} bytes were sealed, {len(data)} are there"
            )
        elif sha256(data) != stated[name].get("sha256"):
            report.problem(f"{name} was changed: its SHA-256 is no longer the one that was sealed")
        else:
            intact += 1
    report.remark(f"{intact} of {len(stated)} files are byte for byte as they were sealed")


def _check_links(
    form: Mapping[str, Any], files: Mapping[str, bytes], run_id: str, report: Report, key: str | None
) -> None:
    """The chain's links that came along, each against itself, the last against the record."""
    try:
        seals = [seal_from_json(item) for item in form["seals"]]
    except (KeyError, TypeError):
        report.problem("the chain's links in the seal cannot be read")
        return
    signed = "the folder's seal" if key and form.get("signed_by") == key else ""
    check_run_seals(seals, files, run_id, report, key, signed)


def check_run_seals(
    seals: Sequence[Seal],
    files: Mapping[str, bytes],
    run_id: str,
    report: Report,
    key: str | None = None,
    signed_whole: str = "",
) -> None:
    """Links of one run without the rest of the chain: in themselves, and the newest against the record.

    ``signed_whole``: what they came in, where the key that was named has signed that.
    """
    if not seals:
        report.remark("this run had no place in the store's chain of seals when it was written out")
        return
    for seal in seals:
        check_one(seal, report, key)
        if seal.run_id != run_id:
            report.problem(f"seal {seal.seal_id} is of another run ({seal.run_id!r})")
    check_unsigned(seals, report, key, signed_whole)
    said = seals[-1].said.get("record", {})
    changed = [
        name for name in RECORD_FILES if said.get(name, {}).get("sha256") != sha256(files.get(name, b""))
    ]
    if changed:
        report.remark(
            f"{' and '.join(changed)} went on after seal {seals[-1].seal_id} of {seals[-1].sealed_utc}"
            " and were not sealed again"
        )
    else:
        report.remark(f"the record is the one of seal {seals[-1].seal_id}, chain {seals[-1].chain}")
