"""``boilwitness import``: take run folders into the store, or put a whole store together again."""

from __future__ import annotations

import argparse
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._output import in_one_line
from monitor.errors import MonitorError, RecordError, StoreError, UsageError
from monitor.proof.chain import last_chain, read_chain
from monitor.proof.dossier import SEAL_FILE
from monitor.proof.folder import how_it_came, must_be_as_sealed, seal_trouble
from monitor.proof.verify import check_manifest
from monitor.proof.verify_store import verify_store
from monitor.store import reader
from monitor.store.database import not_written, open_writer, store_path
from monitor.store.entries import read_entries
from monitor.store.journal import RESTORE_TRIED, put_down
from monitor.store.named_here import must_be_a_house
from monitor.store.restore import is_empty, is_whole_export, restore
from monitor.store.runs import read_house
from monitor.store.take_in import import_run, run_folders

EXIT_ALTERED = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder",
        metavar="DIR",
        type=Path,
        help="a run folder, or an 'export --all': into an empty store, everything in it; else its runs",
    )
    parser.add_argument(
        "--log",
        metavar="DATA",
        type=Path,
        help="the data directory that the 'export --all' came from: the trial is put down in its journal too",
    )
    parser.add_argument(
        "--as",
        dest="house",
        metavar="HOUSE",
        default="",
        help="another house's records, whose names are in use here: put HOUSE- before the name of each run",
    )
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Take in each folder that can be; the others are told of, each in a line, and end it with 2."""
    if args.house:
        must_be_a_house(args.house)
    with closing(open_writer(data_dir(args))) as conn:
        if is_whole_export(args.folder) and is_empty(conn) and not args.house:
            return _restore(conn, args.folder, args.log)
        if args.log is not None:
            raise UsageError(
                "--log puts down how a whole 'export --all' came back; this is none, or --data is not empty."
            )
        folders = run_folders(args.folder)
        left = [
            folder for folder in folders if not _took_in(conn, folder, args.house, alone=len(folders) == 1)
        ]
    if left:
        raise RecordError(
            f"{len(left)} of the {len(folders)} run folders in {args.folder} were not taken in; each says why above.",
            "The others are in the store. Named again, the folder brings only what is missing.",
        )
    return 0


def _took_in(conn: sqlite3.Connection, folder: Path, house: str, *, alone: bool) -> bool:
    """Take in one of several folders; one that cannot be holds up none of the others."""
    try:
        with _all_or_nothing_of(folder):
            _take_in(conn, folder, house)
    except StoreError:
        raise
    except MonitorError as trouble:
        if alone:
            raise
        print(f"boilwitness: {in_one_line(str(trouble))}", file=sys.stderr)
        return False
    return True


@contextmanager
def _all_or_nothing_of(folder: Path) -> Iterator[None]:
    """A disk that refuses, in one line: each record is taken in by one transaction."""
    try:
        yield
    except sqlite3.Error as trouble:
        raise not_written(trouble, f"Nothing of {folder} was taken in.") from trouble


def _take_in(conn: sqlite3.Connection, folder: Path, house: str) -> None:
    """One run folder, and what lies beside the record; refused when its seal says that it was changed."""
    must_be_as_sealed(folder, "Nothing of it was taken in", seal_may_be_gone=True)
    run_id, new = import_run(conn, folder, came=how_it_came(folder), house=house)
    if not new:
        how = read_house(conn).run(run_id).taken_in
        print(f"run {in_one_line(run_id)} is here already, the same" + (f". {how.words}" if how else ""))
        return
    along = [f"{len(found)} {name}" for name, found in _along(conn, run_id) if found]
    print(
        f"took in run {in_one_line(run_id)}"
        + (f" with {' and '.join(along)}" if along else "")
        + f"; {_sealed(folder)}"
    )


def _sealed(folder: Path) -> str:
    kept = "; that is kept with it and said with its verdict"
    if (folder / SEAL_FILE).exists():
        how = how_it_came(folder)
        return "its bytes are as they were sealed" + ("" if how.was_sealed else f". {how.words}")
    gone = seal_trouble(folder)
    told = f"{gone}, so nothing here can show whether it was changed" if gone else "it came without a seal"
    return told + kept


def _along(conn: sqlite3.Connection, run_id: str) -> list[tuple[str, list[Any]]]:
    return [("entries", [*read_entries(conn, run_id)]), ("alarm lines", [*reader.alarms(conn, run_id)])]


def _restore(conn: sqlite3.Connection, folder: Path, log: Path | None) -> int:
    """Everything back, and the check values of before and after side by side, here and in the journal."""
    before, found = check_manifest(folder)
    if before.problems:
        raise RecordError(
            f"{folder}: {before.problems[0]}.",
            f"Nothing was taken in; 'boilwitness verify {folder}' says what else was changed.",
        )
    stated = str(found.get("chain"))
    if log is not None:
        _must_be_its_store(log, stated)
    with _all_or_nothing_of(folder):
        samples = restore(conn, folder)
    after = verify_store(conn, "restored")
    for text in after.problems:
        print(f"  ✖ {in_one_line(text)}")
    here = last_chain(read_chain(conn))
    good = after.good and stated == here
    print(f"put the store together again: {samples} samples, {len(after.problems)} problems")
    print(f"chain when it was exported: {stated}\nchain here and now:         {here}")
    told = "every check value as it was" if good else "the check values do not fit"
    text = f"restored from an export: {samples} samples, {len(after.problems)} problems; {told}"
    body = {"samples": samples, "problems": after.problems, "chain_exported": stated, "chain_restored": here}
    put_down(conn, RESTORE_TRIED, text, body)
    if log is not None:
        with closing(open_writer(log)) as kept:
            put_down(kept, RESTORE_TRIED, text, body)
    print("put down in the journal; 'boilwitness runs journal' shows it")
    return 0 if good else EXIT_ALTERED


def _must_be_its_store(log: Path, chain: str) -> None:
    """The export must be of the store in whose journal its restore is put down."""
    if not store_path(log).exists():
        raise UsageError(f"--log {log}: there is no store.", "Name the one that the export came from.")
    with closing(reader.open_reader(log)) as conn:
        if all(seal.chain != chain for seal in read_chain(conn)):
            raise UsageError(f"the export is not of the store in {log}: its chain is not found there.")
