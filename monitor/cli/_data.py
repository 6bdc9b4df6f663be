"""The ``--data`` option that every verb touching the store shares."""

from __future__ import annotations

import argparse
import os
from contextlib import suppress
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


def folder_named(name: str) -> Path | None:
    """The folder of that name, where there is one: a run's id may be no name that a folder can have."""
    folder = Path(name)
    with suppress(OSError, ValueError):
        return folder if folder.is_dir() else None
    return None


def is_file(name: str) -> bool:
    """Whether there is a file of that name."""
    with suppress(OSError, ValueError):
        return Path(name).is_file()
    return False


def data_dir(args: argparse.Namespace) -> Path:
    """The store's directory: the option, else BOILWITNESS_DATA, else the XDG user data directory."""
    if args.data is not None:
        return Path(args.data)
    if from_environment := os.environ.get("BOILWITNESS_DATA"):
        return Path(from_environment)
    home = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return Path(home) / "boilwitness"
