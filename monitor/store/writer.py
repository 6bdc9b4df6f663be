"""The one writer: what the collector puts down, each batch in one durable transaction.

Everything that arrived together is stored together: samples, refusals, conflicts, receipts. Only after
:meth:`StoreWriter.commit` has returned may anything be acknowledged.
"""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from monitor.errors import StoreError
from monitor.store.database import damaged, is_damage, transaction
from monitor.store.handover import Batch, Loss, Outbox, Refusal
from monitor.store.samples import COLUMNS, SELECT, Row, said
from monitor.store.stamp import SYSTEM_TIME, utc_text
from monitor.timesource import TimeSource

#: Refused input kept to be looked at; older rows make room. The counts are never cut.
REFUSALS_KEPT = 1000
#: Of each, so many bytes. [bytes]
REFUSAL_BYTES = 2048

_INSERT = (
    f"INSERT INTO samples ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})"
    " ON CONFLICT (node, boot, seq) DO NOTHING"
)
#: In the journal: samples got a better place in time.
PLACED_ANEW = "samples_placed_anew"

#: So many rows go in by one statement: each statement costs a change of threads.
_TOGETHER = 100
_INSERT_TOGETHER = _INSERT.replace(
    f"({', '.join('?' * len(COLUMNS))})", ", ".join([f"({', '.join('?' * len(COLUMNS))})"] * _TOGETHER)
)
_ONE = f"{SELECT} WHERE node = ? AND boot = ? AND seq = ?"


class StoreWriter:
    """Owns the writing connection of the collector; not shared between threads."""

    def __init__(self, conn: sqlite3.Connection, time: TimeSource = SYSTEM_TIME) -> None:
        self.conn = conn
        self._time = time
        self._nodes: dict[str, int] = dict(conn.execute("SELECT name, node_id FROM nodes"))
        #: What was found damaged, in words: nothing is written over it any more.
        self.damage: str | None = None

    def node_id(self, name: str, source: str) -> int:
        """The number of a node; a name not seen before gets one, durably, in a transaction of its own."""
        known = self._nodes.get(name)
        if known is not None:
            return known
        with self._transaction():
            self.conn.execute(
                "INSERT INTO nodes (name, first_seen_utc, source) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
                (name, self._now(), source),
            )
            row = self.conn.execute("SELECT node_id FROM nodes WHERE name = ?", (name,)).fetchone()
        self._nodes[name] = int(row[0])
        return self._nodes[name]

    def condemn(self, found: StoreError) -> StoreError:
        """Write nothing any more: the store is damaged, and must stay as it is. Returns what is then to be said."""
        self.damage = f"{found} Nothing more is written to it."
        return StoreError(self.damage)

    def must_be_sound(self) -> None:
        """Raises the StoreError of a store that was found damaged."""
        if self.damage is not None:
            raise StoreError(self.damage)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        self.must_be_sound()
        try:
            with _as_store_error(), transaction(self.conn):
                yield
        except sqlite3.DatabaseError as trouble:
            if not is_damage(trouble):
                raise
            _, _, file = self.conn.execute("PRAGMA database_list").fetchone()
            raise self.condemn(damaged(Path(file), str(trouble))) from trouble

    def knows(self, name: str) -> bool:
        """Whether a node of this name was ever heard here."""
        return name in self._nodes

    def stored_row(self, row: Row) -> Row | None:
        """What is stored of the same instant of the same node, as far as that can be read."""
        try:
            found = self.conn.execute(_ONE, row[:3]).fetchone()
        except sqlite3.DatabaseError as trouble:
            if not is_damage(trouble):
                raise
            return None
        return None if found is None else tuple(found)

    def wait_for_others(self, wait_ms: int) -> None:
        """How long a transaction waits while another program holds the store. [ms]"""
        self.conn.execute(f"PRAGMA busy_timeout={wait_ms:d}")

    def commit(self, batch: Batch) -> list[Row]:
        """Store a batch durably and return the rows that were new, or new in what they say.

        Raises
        ------
        StoreError
            Disk full, read-only or broken: nothing of the batch is stored; the same batch may be tried again.
        """
        with self._transaction():
            fresh = self._insert(batch.rows)
            for node_id, count in Counter(row[0] for row in fresh).items():
                self.conn.execute(
                    "UPDATE nodes SET samples = samples + ? WHERE node_id = ?", (count, node_id)
                )
            self._refuse(batch.refusals)
            self._lose(batch.losses)
            self.conn.executemany(
                "INSERT INTO receipts (node, boot, upto) VALUES (?, ?, ?)"
                " ON CONFLICT (node, boot) DO UPDATE SET upto = max(upto, excluded.upto)",
                [(*key, upto) for key, upto in batch.receipts.items()],
            )
        return fresh

    def _insert(self, rows: list[Row]) -> list[Row]:
        """All at once when all are new, which they nearly always are; else one by one, compared."""
        if not rows:
            return rows
        self.conn.execute("SAVEPOINT together")
        if self._insert_together(rows) == len(rows):
            self.conn.execute("RELEASE together")
            return rows
        self.conn.execute("ROLLBACK TO together")
        self.conn.execute("RELEASE together")
        fresh = []
        for row in rows:
            if self.conn.execute(_INSERT, row).rowcount:
                fresh.append(row)
                continue
            stored = self.conn.execute(_ONE, row[:3]).fetchone()
            if said(stored) != said(row) and (came := self._conflict(stored, row)):
                fresh.append(came)
        return fresh

    def _insert_together(self, rows: list[Row]) -> int:
        """Insert what is not there yet; how many that were."""
        whole = len(rows) - len(rows) % _TOGETHER
        new = 0
        for first in range(0, whole, _TOGETHER):
            values = [value for row in rows[first : first + _TOGETHER] for value in row]
            new += self.conn.execute(_INSERT_TOGETHER, values).rowcount
        if whole < len(rows):
            new += self.conn.executemany(_INSERT, rows[whole:]).rowcount
        return new

    def _conflict(self, stored: Row, came: Row) -> Row | None:
        # The place in time is the stored one's: the key says that both are the same instant.
        came = (*came[:3], stored[3], *came[4:])
        known = self.conn.execute(
            "SELECT came FROM conflicts WHERE node = ? AND boot = ? AND seq = ?", came[:3]
        )
        if any(said(tuple(json.loads(text))) == said(came) for (text,) in known):
            return None
        self.conn.execute(
            "INSERT INTO conflicts (node, boot, seq, at_utc, at_s, stored, came)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (*came[:3], self._now(), stored[3], json.dumps(stored), json.dumps(came)),
        )
        return came

    def _refuse(self, refusals: list[Refusal]) -> None:
        if not refusals:
            return
        now = self._now()
        self.conn.executemany(
            "INSERT INTO refusals (at_utc, source, node_hint, why, size, payload) VALUES (?, ?, ?, ?, ?, ?)",
            [
                (now, one.source, one.node_hint, one.why, len(one.payload), one.payload[:REFUSAL_BYTES])
                for one in refusals[-REFUSALS_KEPT:]
            ],
        )
        for source, count in Counter(one.source for one in refusals).items():
            self.conn.execute(
                "INSERT INTO refusal_counts (source, count, last_utc) VALUES (?, ?, ?)"
                " ON CONFLICT (source) DO UPDATE"
                " SET count = count + excluded.count, last_utc = excluded.last_utc",
                (source, count, now),
            )
        self.conn.execute(
            "DELETE FROM refusals WHERE refusal_id <= (SELECT max(refusal_id) FROM refusals) - ?",
            (REFUSALS_KEPT,),
        )

    def _lose(self, losses: list[Loss]) -> None:
        self.conn.executemany(
            "INSERT INTO lost (node, boot, from_seq, count, why, at_utc) VALUES (?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (node, boot, from_seq) DO UPDATE SET count = max(count, excluded.count)",
            [(*loss, self._now()) for loss in losses],
        )

    def remap(
        self, node_id: int, boot: int, span_s: tuple[float, float], offset_s: float, late_s: float
    ) -> int:
        """Put samples of one start of a node where a better estimate of its clock says they belong.

        Only rows that arrived within ``span_s`` (house time; its end is when the estimate was made) and that
        lie later than any drift explains move: a network makes a message late, never early. Returns how many.
        """
        with self._transaction():
            moved = self.conn.execute(
                "UPDATE samples SET at_s = uptime_s + ?1, late = (arrival_s - uptime_s - ?1 > ?2)"
                " WHERE node = ?3 AND boot = ?4 AND arrival_s >= ?5 AND uptime_s IS NOT NULL"
                " AND at_s - uptime_s > ?1 + 0.5 + 2e-4 * max(0.0, ?6 - arrival_s)",
                (offset_s, late_s, node_id, boot, *span_s),
            ).rowcount
            if moved:
                # In the same transaction: whoever checks a sealed store later finds why times have changed.
                text = f"{moved} samples were placed earlier: their node's clock is understood better"
                body = {"node": node_id, "boot": boot, "moved": moved, "offset_s": offset_s}
                self.conn.execute(
                    "INSERT INTO journal (at_utc, kind, text, body) VALUES (?, ?, ?, ?)",
                    (self._now(), PLACED_ANEW, text, _json(body)),
                )
        return moved

    def write(self, outbox: Outbox) -> None:
        """Write down what the engine and the collector have to say, all in one transaction.

        Raises
        ------
        StoreError
            Nothing of it is written; the same outbox may be tried again.
        """
        now = self._now()
        with self._transaction():
            self._write_runs(outbox, now)
            self.conn.executemany(
                "INSERT INTO alarms (alarm_id, run_id, at_utc, kind, state, body) VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (alarm, run, now, kind, state, _json(body))
                    for alarm, run, kind, state, body in outbox.alarms
                ],
            )
            self.conn.executemany(
                "INSERT INTO journal (at_utc, kind, text, body) VALUES (?, ?, ?, ?)",
                [(now, kind, text, _json(body)) for kind, text, body in outbox.journal],
            )
            self.conn.executemany(
                "INSERT INTO meta (key, value) VALUES (?, ?)"
                " ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                outbox.meta.items(),
            )
        outbox.clear()

    def _write_runs(self, outbox: Outbox, now: str) -> None:
        self.conn.executemany(
            "INSERT INTO events (run_id, at_utc, kind, body) VALUES (?, ?, ?, ?)",
            [(run_id, now, str(event["kind"]), _json(event)) for run_id, event in outbox.events],
        )
        self.conn.executemany(
            "INSERT INTO live (run_id, canner, updated_utc, view, verdict) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (run_id) DO UPDATE SET canner = excluded.canner,"
            " updated_utc = excluded.updated_utc, view = excluded.view,"
            " verdict = coalesce(excluded.verdict, verdict)",
            [
                (run_id, canner, now, _json(view), None if verdict is None else _json(verdict))
                for run_id, (canner, view, verdict) in outbox.live.items()
            ],
        )
        for run_id, verdict in outbox.verdicts.items():
            added = self.conn.execute(
                "INSERT INTO verdicts (run_id, at_utc, verdict) VALUES (?, ?, ?)",
                (run_id, now, _json(verdict)),
            )
            self.conn.executemany(
                "INSERT INTO judged_with (verdict_id, node, low_s, high_s, offset_K) VALUES (?, ?, ?, ?, ?)",
                [(added.lastrowid, *part) for part in outbox.judged_with.get(run_id, ())],
            )
            self.conn.execute("DELETE FROM live WHERE run_id = ?", (run_id,))

    def _now(self) -> str:
        return utc_text(self._time.utc_now())


class _as_store_error:
    """Turns what SQLite says of a broken disk into one line with what to do."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, trouble: BaseException | None, trace: object) -> None:
        if isinstance(trouble, sqlite3.OperationalError):
            advice = "Samples are kept waiting and nothing is acknowledged until it can be written again."
            if "full" in str(trouble):
                advice = f"Free some space. {advice}"
            raise StoreError(f"the store cannot be written: {trouble}.", advice) from trouble


def _json(form: Mapping[str, Any]) -> str:
    return json.dumps(form, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
