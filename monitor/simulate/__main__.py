"""``python -m monitor.simulate``: make the shipped records, or run the scenario suite by hand."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.simulate.records import write_records


def main(words: list[str] | None = None) -> int:
    """Entry point; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m monitor.simulate", description=__doc__)
    verbs = parser.add_subparsers(dest="verb", required=True)
    records = verbs.add_parser("recorded_runs", help="write the records that ship with the project")
    records.add_argument("--to", type=Path, default=Path("recorded_runs"), help="folder to write into")
    args = parser.parse_args(words)
    if args.verb == "recorded_runs":
        for place in write_records(args.to):
            print(place)
    return 0


if __name__ == "__main__":
    sys.exit(main())
