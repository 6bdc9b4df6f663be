"""``boilwitness export``: a run as a folder anyone can read, or everything the store holds."""

from __future__ import annotations

import argparse
from contextlib import closing
from pathlib import Path

from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._output import in_one_line
from monitor.errors import UsageError
from monitor.proof.folder import seal_everything, seal_export
from monitor.proof.signing import standing_key
from monitor.store import reader
from monitor.store.export import export_all, export_run, run_folder_names
from monitor.store.runs import header_trouble


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run", nargs="?", metavar="RUN", help="a run's id")
    parser.add_argument(
        "--all", action="store_true", help="every run, every node's samples, and a copy of the store"
    )
    parser.add_argument(
        "--parquet",
        action="store_true",
        help="each run's samples as samples.parquet as well (needs the 'parquet' extra)",
    )
    parser.add_argument("--to", metavar="DIR", type=Path, required=True, help="where to write")
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Write the folder; the collector may go on meanwhile."""
    if bool(args.run) == args.all:
        raise UsageError("name one RUN, or say --all.")
    store = data_dir(args)
    key = standing_key(store)
    with closing(reader.open_reader(store)) as conn:
        if args.all:
            runs, nodes = export_all(conn, args.to, parquet=args.parquet)
            seal_everything(conn, args.to, key)
            print(f"wrote {runs} runs, the samples of {nodes} nodes and a copy of the store to {args.to}")
            house = reader.read_house(conn)
            for run_id, name in run_folder_names(house.runs, args.to / "runs").items():
                if name != run_id:
                    print(in_one_line(f"run {run_id} is in runs/{name}"))
            for facts in house.runs.values():
                if trouble := header_trouble(facts):
                    print(
                        in_one_line(
                            f"! {facts.run_id} cannot be read and is there as it was stored: {trouble}"
                        )
                    )
        else:
            export_run(conn, args.run, args.to, parquet=args.parquet)
            seal_export(conn, args.run, args.to, key)
            print(in_one_line(f"wrote run {args.run} to {args.to}"))
    return 0
