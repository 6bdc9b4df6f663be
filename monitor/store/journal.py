"""The store's own journal, beside what the collector puts there: restores that were tried, with their check values."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Any

from monitor.errors import StoreError
from monitor.store.stamp import SYSTEM_TIME, utc_text
from monitor.timesource import TimeSource

RESTORE_TRIED = "restore_tried"


def put_down(
    conn: sqlite3.Connection, kind: str, text: str, body: Mapping[str, Any], time: TimeSource = SYSTEM_TIME
) -> None:
    """One line. Raises StoreError when it cannot be written."""
    try:
        conn.execute(
            "INSERT INTO journal (at_utc, kind, text, body) VALUES (?, ?, ?, ?)",
            (
                utc_text(time.utc_now()),
                kind,
                text,
                json.dumps(body, ensure_ascii=False, separators=(",", ":")),
            ),
        )
    except sqlite3.Error as trouble:
        raise StoreError(f"the journal could not be written: {trouble}.") from trouble


def last_restore(conn: sqlite3.Connection) -> tuple[str, str] | None:
    """When a restore was tried last, and how it came out; None when none was."""
    row = conn.execute(
        "SELECT at_utc, text FROM journal WHERE kind = ? ORDER BY id DESC LIMIT 1", (RESTORE_TRIED,)
    ).fetchone()
    return None if row is None else (str(row[0]), str(row[1]))
