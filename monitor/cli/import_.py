"""``boilwitness import``: take run folders into the store, or put a whole store together again."""

from __future__ import annotations

import argparse
import sqlite3
from contextlib import closing
from pathlib import Path

from monitor.cli._data import add_data_argument, data_dir
from monitor.errors import RecordError
from monitor.proof.chain import last_chain, read_chain
from monitor.proof.verify import check_manifest
from monitor.proof.verify_store import verify_store
from monitor.store.database import open_writer
from monitor.store.restore import is_empty, is_whole_export, restore
from monitor.store.take_in import import_run, run_folders

EXIT_ALTERED = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "folder",
        metavar="DIR",
        type=Path,
        help="a run folder, or an 'export --all': into an empty store, everything in it; else its runs",
    )
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Take in each folder; the first that cannot be is the last that is looked at."""
    with closing(open_writer(data_dir(args))) as conn:
        if is_whole_export(args.folder) and is_empty(conn):
            return _restore(conn, args.folder)
        for folder in run_folders(args.folder):
            run_id, new = import_run(conn, folder)
            print(f"took in run {run_id}" if new else f"run {run_id} is here already, the same")
    return 0


def _restore(conn: sqlite3.Connection, folder: Path) -> int:
    """Everything back, and the check values of before and after side by side."""
    before, found = check_manifest(folder)
    if before.problems:
        raise RecordError(
            f"{folder}: {before.problems[0]}.",
            f"Nothing was taken in; 'boilwitness verify {folder}' says what else was changed.",
        )
    samples = restore(conn, folder)
    after = verify_store(conn, "restored")
    for text in after.problems:
        print(f"  ✖ {text}")
    stated, here = str(found.get("chain")), last_chain(read_chain(conn))
    print(f"put the store together again: {samples} samples, {len(after.problems)} problems")
    print(f"chain when it was exported: {stated}\nchain here and now:         {here}")
    return 0 if after.good and stated == here else EXIT_ALTERED
