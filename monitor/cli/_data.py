"""The ``--data`` option that every verb touching the store shares."""

from __future__ import annotations

import argparse
import os
from pathlib import Path


def add_data_argument(parser: argparse.ArgumentParser, default: object = None) -> None:
    """Add ``--data DIR``. ``default``: argparse.SUPPRESS where the verb above takes it too."""
    parser.add_argument(
        "--data",
        metavar="DIR",
        type=Path,
        default=default,
        help="where the store lives (default: $BOILWITNESS_DATA, else your user data directory)",
    )


def data_dir(args: argparse.Namespace) -> Path:
    """The store's directory: the option, else BOILWITNESS_DATA, else the XDG user data directory."""
    if args.data is not None:
        return Path(args.data)
    if from_environment := os.environ.get("BOILWITNESS_DATA"):
        return Path(from_environment)
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(home) / "boilwitness"
