"""Check whatever is at a path: a proof, an exported run, a whole export, or the store."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from monitor.errors import MonitorError, RecordError, UsageError
from monitor.proof.canon import page_stamp
from monitor.proof.closed import open_closed
from monitor.proof.compare import compare_verdicts
from monitor.proof.dossier import SEAL_FILE, verdict_form
from monitor.proof.envelope import LARGEST, open_proof
from monitor.proof.folder import MANIFEST_FILE, MANIFEST_FORMAT, check_files, check_run_seals, verify_folder
from monitor.proof.page import draw
from monitor.proof.report import Report
from monitor.proof.verify_store import verify_store
from monitor.store.database import STORE_NAME
from monitor.store.reader import open_reader


def verify_path(path: Path, key: str | None = None, chain: str | None = None) -> Report:
    """Check a path; ``key`` is a public key that must have signed it.

    ``chain``: a value that a store's chain had once; a store or whole export must still lead through it. Without
    one, a store that lost its newest seals and all they cover looks like one that was never so long.

    Raises
    ------
    MonitorError
        There is nothing here that could be checked.
    """
    if path.is_file() and path.name == STORE_NAME:
        return verify_store_at(path.parent, key, chain)
    if path.is_file():
        _only_a_store(chain)
        return verify_proof(path, key)
    if not path.is_dir():
        raise RecordError(
            f"{path}: no such file or folder.", "Name a proof, an exported folder or a data directory."
        )
    if (path / "run.json").exists() or (path / SEAL_FILE).exists():
        _only_a_store(chain)
        return verify_folder(path, key)
    if (path / MANIFEST_FILE).exists() or (path / "runs").is_dir():
        return verify_export(path, key, chain)
    if (path / STORE_NAME).exists():
        return verify_store_at(path, key, chain)
    raise RecordError(
        f"{path}: neither a run folder (run.json, samples.csv) nor an export (manifest.json) nor a store "
        f"({STORE_NAME})."
    )


def _only_a_store(chain: str | None) -> None:
    if chain is not None:
        raise UsageError("a chain value is looked for in a store or a whole export; this is neither.")


def verify_store_at(data_dir: Path, key: str | None = None, chain: str | None = None) -> Report:
    """Check the store of a data directory. Raises StoreError."""
    with closing(open_reader(data_dir)) as conn:
        return verify_store(conn, str(data_dir), key, chain=chain)


# --- a proof ----------------------------------------------------------------------------------------------


def verify_proof(path: Path, key: str | None = None) -> Report:
    """Check a proof's file. Raises RecordError when it is none."""
    try:
        if path.stat().st_size > LARGEST:
            raise RecordError(f"{path}: too large for a proof.")
        data = path.read_bytes()
    except OSError as trouble:
        raise RecordError(f"{path}: cannot be read ({trouble.strerror}).") from None
    return verify_proof_bytes(data, str(path), key)


def verify_proof_bytes(data: bytes, name: str = "proof", key: str | None = None) -> Report:
    """Check a proof: its hash, the record inside, the verdict, and that the page is drawn from just that."""
    report = Report(f"proof {name}")
    opened = open_proof(data, report, key)
    if opened is None:
        return report
    dossier = opened.dossier
    report.came(dossier.taken_in)
    try:
        again = verdict_form(dossier.run())
    except RecordError as trouble:
        report.problem(f"the record inside the page can no longer be read: {trouble}")
        return report
    compare_verdicts(dossier.verdict, again, dossier.engine, report)
    signed = "the proof" if key and opened.signed_by == key else ""
    check_run_seals(dossier.seals, dossier.files, str(again["run_id"]), report, key, signed)
    if dossier.page_sha256 != page_stamp():
        report.remark(
            "the page was drawn by another version, so its words were not drawn again; rely on the verdict above"
        )
        return report
    try:
        same = draw(dossier) == opened.page
    except (MonitorError, KeyError, TypeError, ValueError, AttributeError):
        # Whatever somebody wrote into the facts, it is not what a page was drawn from.
        same = False
    if same:
        report.remark("the page drawn again from the record inside it is the same, byte for byte")
    else:
        report.problem(
            "the page does not say what the record inside it says: its words or picture were changed"
        )
    return report


# --- a whole export ---------------------------------------------------------------------------------------


def verify_export(folder: Path, key: str | None = None, chain: str | None = None) -> Report:
    """Check an ``export --all``: every file against the manifest, every run against its seal and samples."""
    report, _ = check_manifest(folder, key)
    for run_folder in sorted((folder / "runs").glob("*")):
        if run_folder.is_dir():
            _take_run(run_folder, report, key)
    if (folder / STORE_NAME).exists():
        _take_store(folder, report, key, chain)
    return report


def check_manifest(folder: Path, key: str | None = None) -> tuple[Report, dict[str, Any]]:
    """Every file of an export against its manifest, and the manifest's own document (empty without one)."""
    report = Report(f"export {folder}")
    manifest = folder / MANIFEST_FILE
    if not manifest.exists():
        report.sealed = False
        report.problem(f"{MANIFEST_FILE} is missing: files and runs may have been added or removed")
        return report, {}
    form = open_closed(manifest.read_bytes(), MANIFEST_FORMAT, MANIFEST_FILE, report, key)
    files = {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path != manifest
    }
    if form is not None:
        check_files(files, form.get("files"), report)
        report.remark(
            f"when it was written the chain had {form.get('seals')} seals and ended in {form.get('chain')}"
        )
    return report, form or {}


def _take_run(run_folder: Path, report: Report, key: str | None) -> None:
    prefix = f"{run_folder.name}: "
    try:
        report.take(verify_folder(run_folder, key), prefix)
    except RecordError as trouble:
        report.problem(f"{prefix}{trouble}")


def _take_store(folder: Path, report: Report, key: str | None, chain: str | None) -> None:
    try:
        # Immutable: looking must not change a byte of the copy, nor leave a journal beside it.
        uri = f"{(folder / STORE_NAME).resolve().as_uri()}?mode=ro&immutable=1"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as conn:
            found = verify_store(conn, str(folder), key, judge_again=False, chain=chain)
            # Of each record its own folder said it.
            found.unsealed_before.clear()
            report.take(found, "copy of the store: ")
    except (MonitorError, sqlite3.Error) as trouble:
        report.problem(f"copy of the store: {trouble}")
