"""What one press says, in one or several entries: all of it or none, and once, however often the button was hit.

A second click of the same finger comes milliseconds later, by another thread that knows nothing of the first yet: only
within the transaction that writes can it be told that all of it was said a moment ago.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.errors import StoreError
from monitor.store.database import open_writer, transaction
from monitor.store.entries import Entry, append_entry
from monitor.store.stamp import SYSTEM_TIME, epoch_s, machine_boot, utc_text
from monitor.timesource import TimeSource

#: The same by the same person within this is one press. [s] Chosen: a page on a slow machine takes seconds to answer,
#: and is pressed again.
ONE_PRESS_S = 10.0
#: So many of the newest entries are looked at for a press that was just written: a batch of jars and more.
_LOOKED_AT = 200


@dataclass(frozen=True, slots=True)
class Saying:
    """One entry to be. ``happened`` (aware) is when it was, if not now."""

    kind: str
    body: Mapping[str, Any]
    run_id: str | None = None
    happened: datetime | None = None
    corrects: int | None = None
    reason: str | None = None


def append_together(
    data_dir: Path, sayings: Sequence[Saying], *, by: str | None, time: TimeSource = SYSTEM_TIME
) -> list[int]:
    """Append what one press says, and return the entries' ids; those of the first press for its repetition.

    Raises
    ------
    UsageError
        As :func:`monitor.store.entries.append_entry`, of any of them; nothing is written.
    StoreError
        The store cannot be written; nothing is written either.
    """
    try:
        with closing(open_writer(data_dir)) as conn, transaction(conn):
            return _pressed_already(conn, sayings, by, time) or append_all(conn, sayings, by=by, time=time)
    except sqlite3.Error as trouble:
        raise StoreError(
            f"what was said could not be written: {trouble}.", "Nothing was recorded; try again."
        ) from trouble


def append_all(
    conn: sqlite3.Connection, sayings: Iterable[Saying], *, by: str | None, time: TimeSource = SYSTEM_TIME
) -> list[int]:
    """Append each of them, in a transaction that is open."""
    return [
        append_entry(
            conn,
            one.kind,
            one.body,
            run_id=one.run_id,
            by=by,
            happened_utc=utc_text(one.happened) if one.happened else None,
            corrects=one.corrects,
            reason=one.reason,
            time=time,
        )
        for one in sayings
    ]


def copies(entries: Iterable[Entry], number: int) -> list[int]:
    """An entry's id and those of its like: the same once more by the same person, within one press.

    Whoever takes one of them back means all: else a copy of it would count on.
    """
    known = list(entries)
    gone = {entry.corrects for entry in known}
    first = next((entry for entry in known if entry.id == number), None)
    if first is None:
        return [number]
    like = [
        entry.id
        for entry in known
        if (entry.run_id, entry.kind, entry.body, entry.by)
        == (first.run_id, first.kind, first.body, first.by)
        and entry.machine_boot == first.machine_boot
        and abs(entry.mono_s - first.mono_s) <= ONE_PRESS_S
        and entry.id not in gone
    ]
    return sorted({number, *like})


def _pressed_already(
    conn: sqlite3.Connection, sayings: Sequence[Saying], by: str | None, time: TimeSource
) -> list[int]:
    """The ids of what was said just now, where it is the newest that this person said of it, and stands."""
    recent = _recent(conn, time)
    kinds = {(one.run_id, one.kind) for one in sayings}
    own = [entry for entry in recent if entry.by == by and (entry.run_id, entry.kind) in kinds]
    newest = own[len(own) - len(sayings) :] if sayings and len(own) >= len(sayings) else []
    gone = {entry.corrects for entry in recent}
    if any(entry.id in gone for entry in newest):
        return []
    if all(_is_same(entry, one, time) for entry, one in zip(newest, sayings, strict=False)):
        return [entry.id for entry in newest]
    return []


def _recent(conn: sqlite3.Connection, time: TimeSource) -> list[Entry]:
    """What was said within one press from now, in order."""
    rows = conn.execute(
        "SELECT id, run_id, kind, body, at_utc, happened_utc, by, corrects, reason, mono_s, machine_boot"
        " FROM entries ORDER BY id DESC LIMIT ?",
        (_LOOKED_AT,),
    )
    boot, since_s = machine_boot(), time.monotonic_s() - ONE_PRESS_S
    near = [row for row in rows if row[10] == boot and row[9] >= since_s]
    return [_entry(row) for row in near[::-1]]


def _entry(row: tuple[Any, ...]) -> Entry:
    values = list(row)
    values[3] = json.loads(values[3])
    return Entry(*values)


def _is_same(entry: Entry, one: Saying, time: TimeSource) -> bool:
    happened_s = (one.happened or time.utc_now()).timestamp()
    return (
        (entry.run_id, entry.kind, entry.corrects, entry.reason)
        == (one.run_id, one.kind, one.corrects, one.reason)
        and entry.body == _as_stored(one.body)
        and abs(epoch_s(entry.happened_utc) - happened_s) <= ONE_PRESS_S
    )


def _as_stored(body: Mapping[str, Any]) -> Any:
    """A body as it is read back; None for one that cannot be written."""
    try:
        return json.loads(json.dumps(dict(body)))
    except (TypeError, ValueError):
        return None
