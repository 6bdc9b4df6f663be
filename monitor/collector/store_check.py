"""The store is read whole for damage at each start: first where that takes a moment, else beside the watch."""

from __future__ import annotations

import os
import sqlite3
import sys
import threading
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import StoreError
from monitor.store import database
from monitor.store.database import open_reader, store_path

#: A store up to this size is read before anything else is done: a second or two even from a slow card, and nothing is
#: ever written to a damaged one. A larger one would keep the collector from listening for minutes. [bytes]
READ_FIRST_BYTES = 16 * 2**20
#: How long the end waits for the reading to break off; it needs some milliseconds. [s]
BREAK_OFF_S = 5.0


def is_small(data_dir: Path) -> bool:
    """Whether the store is read in a moment."""
    path = store_path(data_dir)
    return not path.exists() or path.stat().st_size <= READ_FIRST_BYTES


@dataclass(frozen=True, slots=True)
class Finding:
    """What a check came to: damage, or why it is not known whether there is any."""

    damage: StoreError | None
    unknown: str = ""


class StoreCheck:
    """One reading, in a thread and on a connection of its own. Whoever begins it asks for what was found.

    While it lasts nothing of the log beside the store can be carried over into it: some tens of kilobytes a second.
    """

    def __init__(self, data_dir: Path) -> None:
        self._data_dir = data_dir
        self._finding: Finding | None = None
        self._conn: sqlite3.Connection | None = None
        self._ended = False
        self._thread = threading.Thread(target=self._read, name="store check", daemon=True)

    def begin(self) -> None:
        """Begin to read; returns at once."""
        self._thread.start()

    def take_finding(self) -> Finding | None:
        """What there is to be said, once; None while it is read, and where it is in order."""
        finding, self._finding = self._finding, None
        return finding

    def end(self) -> None:
        """Break off what is not read yet."""
        self._ended = True
        until_s = time.monotonic() + BREAK_OFF_S
        # Again and again: what has not quite begun cannot be broken off.
        while self._thread.is_alive() and time.monotonic() < until_s:
            if self._conn is not None:
                with suppress(sqlite3.Error):
                    self._conn.interrupt()
            self._thread.join(0.02)

    def _read(self) -> None:
        _give_way()
        path = store_path(self._data_dir)
        try:
            with closing(open_reader(self._data_dir)) as conn:
                self._conn = conn
                if not self._ended:
                    self._finding = _damage_in(conn, path)
        except (StoreError, sqlite3.Error) as trouble:
            if not self._ended:
                self._finding = Finding(None, str(trouble))


def _damage_in(conn: sqlite3.Connection, path: Path) -> Finding | None:
    try:
        database.check_integrity(conn, path)
    except StoreError as damage:
        return Finding(damage)
    return None


def _give_way() -> None:
    """The watch comes first, at the processor and (where the system goes by that) at the disk."""
    if sys.platform == "linux":
        # There a thread has a priority of its own.
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 19)
