"""``python -m monitor.simulate``: make the shipped records, or run the scenario suite by hand."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from monitor.record.write import write_run
from monitor.simulate.records import write_records
from monitor.simulate.scenarios import FAMILIES, family_pairs, tell
from monitor.simulate.suite import run_suite, suite_pairs
from monitor.simulate.suite_report import report


def main(words: list[str] | None = None) -> int:
    """Entry point; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m monitor.simulate", description=__doc__)
    verbs = parser.add_subparsers(dest="verb", required=True)
    records = verbs.add_parser("recorded_runs", help="write the records that ship with the project")
    records.add_argument("--to", type=Path, default=Path("recorded_runs"), help="folder to write into")
    suite = verbs.add_parser("suite", help="judge thousands of labelled runs and report what went wrong")
    suite.add_argument("--unsafe", type=int, default=2000, help="runs whose boil was lost, or proves nothing")
    suite.add_argument("--safe", type=int, default=500, help="runs whose boil held")
    suite.add_argument("--seed", type=int, default=1)
    suite.add_argument("--jobs", type=int, default=1, help="processes")
    suite.add_argument("--family", action="append", choices=sorted(FAMILIES), help="these alone; repeatable")
    suite.add_argument("--runs", type=int, default=100, help="with --family: runs of each")
    one = verbs.add_parser("one", help="write one run of a family as a record, to look into it")
    one.add_argument("family", choices=sorted(FAMILIES))
    one.add_argument("number", type=int, metavar="SEED")
    one.add_argument("--to", type=Path, required=True)
    args = parser.parse_args(words)
    if args.verb == "suite":
        if args.family:
            pairs = family_pairs(args.family, args.runs, args.seed)
        else:
            pairs = suite_pairs(args.unsafe, args.safe, args.seed)
        outcomes = run_suite(pairs, args.jobs)
        print(report(outcomes))
        return 1 if any(outcome.false_held or outcome.taken_back for outcome in outcomes) else 0
    if args.verb == "one":
        labelled = tell(args.family, args.number)
        print(f"boilwitness judge {write_run(labelled.run, args.to)}")
        print(f"true boil: {labelled.truth.stretches()}; safe: {labelled.safe}; {labelled.note}")
        return 0
    if args.verb == "recorded_runs":
        for place in write_records(args.to):
            print(place)
    return 0


if __name__ == "__main__":
    sys.exit(main())
