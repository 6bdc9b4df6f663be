"""Verdicts of records from elsewhere, kept beside the store: no collector writes them down, and judging takes a while.

Each is kept under a digest of all that it depends on: the record as it was taken in, what was said of it since, and the
rules. Where one of these changes nothing kept is found, and the run is judged. It is a file of its own, which anybody
who only looks may write, and which may be deleted at any time. Nothing that is sealed, proven or checked asks it.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zlib
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from monitor.judge import judge
from monitor.store.reader import whole_run
from monitor.store.runs import House, RunFacts

KEPT_NAME = "judged.sqlite"

#: Another who is just keeping one is waited for so long; it is not worth more. [s]
_PATIENCE_S = 2.0
_MAKE = "CREATE TABLE IF NOT EXISTS kept (key TEXT PRIMARY KEY, rules TEXT NOT NULL, verdict BLOB NOT NULL)"


class Judged:
    """The verdicts of a store's runs as ``rules`` (a stamp of all that decides one) give them, in their JSON form."""

    def __init__(self, data_dir: Path, rules: str) -> None:
        self._path = data_dir / KEPT_NAME
        self._rules = rules

    def verdict(self, conn: sqlite3.Connection, house: House, facts: RunFacts) -> dict[str, Any]:
        """What a run that is over is judged as; kept where it came from elsewhere. Raises RecordError."""
        if not facts.imported:
            return judge(whole_run(conn, house, facts)).as_json()
        key = self._key(conn, facts)
        found = self._kept(key)
        if found is None:
            found = json.loads(json.dumps(judge(whole_run(conn, house, facts)).as_json()))
            self._keep(key, found)
        return found

    def is_kept(self, conn: sqlite3.Connection, facts: RunFacts) -> bool:
        """Whether a run's verdict is at hand."""
        return facts.imported and self._kept(self._key(conn, facts)) is not None

    def _key(self, conn: sqlite3.Connection, facts: RunFacts) -> str:
        (digest,) = conn.execute(
            "SELECT sha256 FROM imported_runs WHERE run_id = ?", (facts.run_id,)
        ).fetchone()
        said = [facts.run_id, facts.header, repr(facts.marks), facts.started_s, facts.ended_s]
        text = json.dumps([self._rules, digest, said], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def _kept(self, key: str) -> dict[str, Any] | None:
        with suppress(sqlite3.Error, OSError, ValueError, zlib.error):
            uri = f"{self._path.resolve().as_uri()}?mode=ro"
            with closing(sqlite3.connect(uri, uri=True, timeout=_PATIENCE_S)) as kept:
                row = kept.execute("SELECT verdict FROM kept WHERE key = ?", (key,)).fetchone()
            found = json.loads(zlib.decompress(row[0])) if row is not None else None
            return found if isinstance(found, dict) else None
        return None

    def _keep(self, key: str, form: dict[str, Any]) -> None:
        """As far as the disk lets us: whoever only looks needs no place to write."""
        data = zlib.compress(json.dumps(form, ensure_ascii=False).encode("utf-8", "surrogatepass"))
        try:
            with closing(sqlite3.connect(self._path, timeout=_PATIENCE_S)) as kept, kept:
                kept.execute(_MAKE)
                kept.execute("DELETE FROM kept WHERE rules != ?", (self._rules,))
                kept.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?)", (key, self._rules, data))
        except (sqlite3.OperationalError, OSError):
            return
        except sqlite3.DatabaseError:
            # Damaged; the next that is judged begins it anew.
            with suppress(OSError):
                self._path.unlink()
