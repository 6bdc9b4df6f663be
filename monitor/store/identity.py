"""What tells one store from every other: a name of its own, made by chance once and kept in it."""

from __future__ import annotations

import secrets
import sqlite3

from monitor.store.database import transaction

_KEY = "store_id"


def store_id(conn: sqlite3.Connection) -> str:
    """Eight hexadecimal digits that are this store's for good. ``conn`` must be able to write."""
    with transaction(conn):
        conn.execute(
            "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO NOTHING",
            (_KEY, secrets.token_hex(4)),
        )
        row = conn.execute("SELECT value FROM meta WHERE key = ?", (_KEY,)).fetchone()
    return str(row[0])
