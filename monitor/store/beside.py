"""What lay beside a run record that came from elsewhere: what people said of it, and its alarms.

Kept byte for byte and read from there, under the numbers they had: a signature is bound to them. They shape
nothing here: the record already is what they made of it.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.errors import RecordError
from monitor.record.files import half_in, without_halves
from monitor.record.taken_in import TAKEN_IN_FILE, UNKNOWN, TakenIn, taken_in_bytes
from monitor.store.stamp import parse_utc

#: The last: what was said of runs that process the record's jars again, where they are not in its own entries.
ENTRIES, ALARMS, REPROCESSINGS = "entries.jsonl", "alarms.jsonl", "reprocessings.jsonl"

#: The beginning of a surrogate, as JSON escapes it.
_HALF = re.compile(rb"\\u[dD][89a-fA-F]")

_TEXT, _MAYBE = (str,), (str, type(None))
#: What a line of each file holds, in the order of its columns.
_ENTRY: Mapping[str, tuple[type, ...]] = {
    "id": (int,),
    "run_id": _TEXT,
    "kind": _TEXT,
    "body": (dict,),
    "at_utc": _TEXT,
    "happened_utc": _TEXT,
    "by": _MAYBE,
    "corrects": (int, type(None)),
    "reason": _MAYBE,
    "mono_s": (int, float),
    "machine_boot": _TEXT,
}
_FORMS: Mapping[str, Mapping[str, tuple[type, ...]]] = {
    ENTRIES: _ENTRY,
    REPROCESSINGS: _ENTRY,
    ALARMS: {
        "id": (int,),
        "alarm_id": _TEXT,
        "run_id": _TEXT,
        "at_utc": _TEXT,
        "kind": _TEXT,
        "state": _TEXT,
        "body": (dict,),
    },
}


def kept_header(data: bytes) -> dict[str, Any]:
    """The header of a record as it was taken in; empty where nobody can read it, so that no other run is held up."""
    try:
        form = _whole(json.loads(data), data)
    except (ValueError, RecursionError):
        return {}
    return form if isinstance(form, dict) else {}


def _whole(form: Any, data: bytes) -> Any:
    """What was read from these bytes, without what no text can hold; looked for only where it may be."""
    return without_halves(form) if _HALF.search(data) else form


def read_beside(folder: Path, run_id: str) -> dict[str, bytes]:
    """The files that lie beside a record, by name. Raises RecordError that names file and line."""
    found = {}
    for name in _FORMS:
        try:
            found[name] = (folder / name).read_bytes()
        except FileNotFoundError:
            continue
        except OSError as trouble:
            raise RecordError(f"{folder / name}: cannot be read ({trouble.strerror}).") from None
        _check(found[name], name, run_id, str(folder / name))
    return found


def highest(content: bytes) -> int:
    """The highest number in a file that was checked."""
    return max((int(row["id"]) for row in rows_in(content)), default=0)


def came_along(conn: sqlite3.Connection, run_id: str, name: str) -> list[tuple[Any, ...]]:
    """The rows of a file that came with a run, in its own order; none for a run of this store."""
    row = conn.execute(
        "SELECT content FROM imported_files WHERE run_id = ? AND name = ?", (run_id, name)
    ).fetchone()
    if row is None:
        return []
    return [tuple(form[column] for column in _FORMS[name]) for form in rows_in(bytes(row[0]))]


def keep_beside(
    conn: sqlite3.Connection, run_id: str, name: str, content: bytes, digest: str, upto: int, at_utc: str
) -> None:
    """Put one file down, within a transaction."""
    conn.execute(
        "INSERT INTO imported_files (run_id, name, content, sha256, upto, at_utc) VALUES (?, ?, ?, ?, ?, ?)",
        (run_id, name, content, digest, upto, at_utc),
    )


def kept_beside(conn: sqlite3.Connection, run_id: str) -> dict[str, bytes]:
    """What was said of a run, as it came with it; empty for what came alone."""
    rows = conn.execute("SELECT name, content FROM imported_files WHERE run_id = ?", (run_id,))
    return {name: bytes(content) for name, content in rows if name in _FORMS}


def taken_in_all(conn: sqlite3.Connection) -> dict[str, TakenIn]:
    """By run, how each record from elsewhere came; of one that an earlier version took in nothing was kept."""
    found = {
        run_id: TakenIn(UNKNOWN, at_utc)
        for run_id, at_utc in conn.execute("SELECT run_id, at_utc FROM imported_runs")
    }
    if conn.execute("SELECT 1 FROM sqlite_schema WHERE name = 'imported_files'").fetchone() is None:
        return found  # a copy of a store of an older form
    rows = conn.execute("SELECT run_id, content FROM imported_files WHERE name = ?", (TAKEN_IN_FILE,))
    for run_id, content in rows:
        told = taken_in_bytes(bytes(content))
        found[run_id] = told if told.at_utc else found[run_id]
    return found


def rows_in(content: bytes) -> list[dict[str, Any]]:
    """The lines of a file that was checked, in order."""
    return [_whole(json.loads(line), line) for line in content.split(b"\n") if line]


def _check(content: bytes, name: str, run_id: str, where: str) -> None:
    before = 0
    for number, line in enumerate(content.split(b"\n"), start=1):
        if not line:
            continue
        try:
            before = _number(json.loads(line), name, run_id, before)
        except (ValueError, KeyError, TypeError, RecursionError) as trouble:
            raise RecordError(
                f"{where}: line {number}: expected a line as an export writes it ({trouble}).",
                "Nothing was taken in.",
            ) from None


def _number(form: dict[str, Any], name: str, run_id: str, before: int) -> int:
    """The number of a row that is as it should be. Raises ValueError, KeyError, TypeError."""
    for column, kinds in _FORMS[name].items():
        if not isinstance(form[column], kinds) or isinstance(form[column], bool):
            raise ValueError(f"{column} is {form[column]!r}")
    if (form["run_id"] == run_id) is (name == REPROCESSINGS):
        raise ValueError(f"it is of run {form['run_id']!r}")
    if not before < form["id"] < 2**62:
        raise ValueError(f"number {form['id']} does not follow number {before}")
    if (where := half_in(form)) is not None:
        raise ValueError(f"{where!a} holds half of a sign, a lone surrogate")
    for column in ("at_utc", "happened_utc"):
        if column in form:
            parse_utc(form[column])
    return int(form["id"])
