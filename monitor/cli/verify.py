"""``boilwitness verify PATH``: is it still what was sealed, and do the samples still say what the verdict says."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from monitor.cli._data import add_data_argument, data_dir
from monitor.cli._output import in_one_line
from monitor.proof.report import Report
from monitor.proof.signing import read_public
from monitor.proof.verify import verify_path

EXIT_ALTERED = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "path",
        metavar="PATH",
        nargs="?",
        type=Path,
        help="a proof, an exported run, an 'export --all', or a data directory (default: the store)",
    )
    parser.add_argument(
        "--key", metavar="PUBLIC", help="the household's public key (hex or a file): it must have signed"
    )
    parser.add_argument(
        "--chain",
        metavar="HEX",
        help="a chain value noted earlier, from a proof or an export: the store's chain must lead through it",
    )
    parser.add_argument("--json", action="store_true", help="print the findings as a document")
    add_data_argument(parser)


def run(args: argparse.Namespace) -> int:
    """0: nothing is altered and all agrees. 12: altered or disagreeing, each finding on a line of its own."""
    path = args.path if args.path is not None else data_dir(args)
    report = verify_path(path, read_public(args.key) if args.key else None, args.chain)
    print(json.dumps(report.as_json(), indent=2, ensure_ascii=False) if args.json else in_words(report))
    return 0 if report.good else EXIT_ALTERED


def _since(report: Report) -> str:
    """That something in it is shown to be intact no longer than since it was taken in."""
    count = len(report.unsealed_before)
    if not count:
        return ""
    if report.what.startswith(("store", "export")):
        return (
            f", BUT OF {count} OF ITS RECORDS ONLY SINCE THEY CAME: they were taken in without a known seal"
        )
    return ", BUT ONLY SINCE ITS RECORD CAME: that was taken in without a known seal"


def in_words(report: Report) -> str:
    """For a person: the answer first."""
    if not report.good:
        head = f"ALTERED OR DISAGREEING: {report.what}"
    elif report.sealed:
        head = f"INTACT AND AGREEING: {report.what}{_since(report)}"
    else:
        head = f"NOT SEALED, NOTHING DISAGREES: {report.what}{_since(report)}"
    return "\n".join(
        in_one_line(text)
        for text in (
            head,
            *(f"  ✖ {text}" for text in report.problems),
            *(f"  · {text}" for text in report.remarks),
        )
    )
