"""Where ``calibrate`` gets its readings: a CSV file, or a node's newest samples in the store."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from math import inf, isfinite
from pathlib import Path

from monitor.errors import RecordError, UsageError
from monitor.record.files import sheet_of
from monitor.record.model import Sample
from monitor.store.probes import newest_sample, node_number, samples_after

POLL_S = 0.25
#: No sample for this long ends the waiting. [s]
SILENCE_S = 30.0


def readings_from_csv(path: Path, channel: str) -> list[tuple[float, float]]:
    """(t_s, reading_C) from a CSV file with ``t_s`` and ``<channel>_C`` columns, such as ``samples.csv``.

    Semicolons or tabs may stand for commas, and decimals then have a comma or a point, as in a record.

    Raises
    ------
    RecordError
        Names the file, row and column, and what was expected.
    """
    if not path.is_file():
        raise RecordError(f"{path}: cannot be read: no such file.")
    sheet, column = sheet_of(path), f"{channel}_C"
    if "t_s" not in sheet.names or column not in sheet.names:
        raise RecordError(f"{path}: row 1: expected the columns t_s and {column}.")
    places = [(name, sheet.names.index(name)) for name in ("t_s", column)]
    found = []
    for row, number in zip(*sheet.cells(), strict=True):
        cells = {name: row[place].strip() for name, place in places}
        if sheet.separator != ",":
            cells = {name: cell.replace(",", ".") for name, cell in cells.items()}
        if cells[column]:
            t_s, reading_C = (_number(path, number, name, cells[name]) for name, _ in places)
            found.append((t_s, reading_C))
    return sorted(found)


def _number(path: Path, row: int, column: str, text: str | None) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise RecordError(f"{path}: row {row}, column {column}: expected a number, found {text!r}.")
    return value


def node_id(conn: sqlite3.Connection, node: str) -> int:
    """The store's number of a node. Raises UsageError with the nodes it knows."""
    number = node_number(conn, node)
    if number is not None:
        return number
    known = [name for (name,) in conn.execute("SELECT name FROM nodes ORDER BY name")]
    heard = (
        f"It has heard: {', '.join(known)}." if known else "It has heard none: start 'boilwitness collect'."
    )
    raise UsageError(f"The store has never heard of a node {node!r}.", heard)


def newest_samples(conn: sqlite3.Connection, node: str) -> Iterator[Sample]:
    """Samples of a node as they reach the store, beginning with those that arrive from now on.

    ``t_s`` is the store's time. Ends with UsageError when the node is silent for 30 s.
    """
    number = node_id(conn, node)
    newest = newest_sample(conn, number)
    after_s = -inf if newest is None else newest.t_s
    heard_s = time.monotonic()
    while True:
        for sample in samples_after(conn, number, after_s):
            after_s, heard_s = sample.t_s, time.monotonic()
            yield sample
        if time.monotonic() - heard_s > SILENCE_S:
            raise UsageError(
                f"Node {node!r} has been silent for {SILENCE_S:.0f} s.", "Check its power and link."
            )
        time.sleep(POLL_S)
