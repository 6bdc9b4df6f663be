"""``boilwitness import``: take run folders into the store."""

from __future__ import annotations

import argparse
from contextlib import closing
from pathlib import Path

from monitor.cli._data import add_data_argument, data_dir
from monitor.store.database import open_writer
from monitor.store.take_in import import_run, run_folders


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="DIR", type=Path, help="a run folder, or an 'export --all'")
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Take in each folder; the first that cannot be is the last that is looked at."""
    folders = run_folders(args.folder)
    with closing(open_writer(data_dir(args))) as conn:
        for folder in folders:
            run_id, new = import_run(conn, folder)
            print(f"took in run {run_id}" if new else f"run {run_id} is here already, the same")
    return 0
