"""What happens behind the pages: runs by the command line, a record taken in, what the store holds by then."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from sqlite3 import Connection
from tempfile import TemporaryDirectory
from time import monotonic, sleep
from typing import Any

from monitor.cli.main import main
from monitor.record import write_run
from monitor.simulate.node import DemoCanner
from monitor.store.reader import open_reader


def until(holds: Callable[[Connection], Any], folder: Path, what: str) -> Any:
    """Wait until a store is as wanted; what was found of it. ``what``: how it is said that it never was."""
    until_s = monotonic() + 90.0
    while monotonic() < until_s:
        with closing(open_reader(folder)) as conn:
            found = holds(conn)
        if found:
            return found
        sleep(0.2)
    raise AssertionError(what)


def runs(folder: Path, *words: str) -> None:
    """``boilwitness runs`` as a process of its own; returns when the store has it."""
    command = [sys.executable, "-m", "monitor", "runs", *words, "--data", str(folder)]
    subprocess.run(command, check=True, capture_output=True)


def samples_in(folder: Path, where: str = "true") -> int:
    """How many samples the store holds."""
    with closing(open_reader(folder)) as conn:
        return int(conn.execute(f"SELECT count(*) FROM samples WHERE {where}").fetchone()[0])


def take_in(folder: Path, shown: DemoCanner, *, hours_ago: float, **changes: Any) -> None:
    """An invented batch as a finished run of the store, begun ``hours_ago``, its header and marks changed."""
    run = replace(
        shown.header,
        started_at=datetime.now(UTC) - timedelta(hours=hours_ago),
        samples=shown.samples,
        **({"ended_at_s": shown.end_s} | changes),
    )
    with TemporaryDirectory() as record:
        write_run(run, Path(record))
        assert main(["import", record, "--data", str(folder)]) == 0
