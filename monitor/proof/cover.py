"""What a seal covers of the store besides a run: the append-only tables by number, and every sample.

Samples come late and out of order, so they are covered by start of a node and sequence number: a *segment* is a
span of numbers with the holes it had, and what filled a hole later is covered by a later seal. Their place in time
may be understood better later (the collector notes that in its journal), so it has a digest of its own.

Not covered, because it is working state and proves nothing: the tables in :data:`WORKING`, and the counter in
``nodes``.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from typing import Any

from monitor.proof.canon import canonical, digest_lines
from monitor.store.writer import PLACED_ANEW

#: Append-only tables: the column that numbers the rows, and the columns in the order in which they are hashed.
TABLES = {
    "entries": (
        "id",
        "id, run_id, kind, body, at_utc, happened_utc, by, corrects, reason, mono_s, machine_boot",
    ),
    "alarms": ("id", "id, alarm_id, run_id, at_utc, kind, state, body"),
    "events": ("event_id", "event_id, run_id, at_utc, kind, body"),
    "verdicts": ("verdict_id", "verdict_id, run_id, at_utc, verdict"),
    "journal": ("id", "id, at_utc, kind, text, body"),
    "conflicts": ("conflict_id", "conflict_id, node, boot, seq, at_utc, at_s, stored, came"),
    "clocks": ("clock_id", "clock_id, machine_boot, from_mono_s, rate, offset_s, set_utc, why"),
    "nodes": ("node_id", "node_id, name, first_seen_utc, source"),
    "judged_with": ("verdict_id", "verdict_id, node, low_s, high_s, offset_K"),
    "imported_runs": ("rowid", "run_id, sha256, at_utc"),
    "imported_files": ("rowid", "run_id, name, sha256, upto, at_utc"),
}

#: Tables that no seal covers.
WORKING = frozenset({"live", "receipts", "refusals", "refusal_counts", "meta"})

#: What a node said, and what the collector made of its time.
_SAID = (
    "seq, arrival_s, uptime_s, water_C, water_fault, room_C, pressure_kPa, heater_W, mains, chip_C, water_2_C,"
    " jars, lids"
)
_PLACED = "at_s, late"

#: So many samples one seal covers at most: hashing them keeps the collector busy for a quarter of a second.
SAMPLES_AT_ONCE = 50_000

Holes = list[list[int]]
Start = tuple[int, int]


def table_rows(conn: sqlite3.Connection, table: str, after: int, until: int) -> Iterator[list[Any]]:
    """Rows of an append-only table as they are hashed: (after, until]."""
    number, columns = TABLES[table]
    for row in conn.execute(
        f"SELECT {columns} FROM {table} WHERE {number} > ? AND {number} <= ? ORDER BY {number}, {columns}",
        (after, until),
    ):
        yield list(row)


def newest(conn: sqlite3.Connection, table: str) -> int:
    """The highest number of an append-only table; 0 when it is empty."""
    return int(conn.execute(f"SELECT coalesce(max({TABLES[table][0]}), 0) FROM {table}").fetchone()[0])


def rows_since(conn: sqlite3.Connection, table: str, after: int) -> dict[str, Any]:
    """What a seal says of a table: the rows since the seal before."""
    until = newest(conn, table)
    count, digest = digest_lines(table_rows(conn, table, after, until))
    return {"after": after, "upto": until, "count": count, "sha256": digest}


# --- samples ----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Covered:
    """What a chain's seals cover of the samples so far.

    ``upto``: the highest number covered of each start of a node; ``holes``: spans below it that were not there.
    ``lost``: what was said to be lost, by (node, boot, from_seq). ``more``: the last seal could not take all.
    """

    upto: dict[Start, int] = field(default_factory=dict)
    holes: dict[Start, Holes] = field(default_factory=dict)
    lost: dict[tuple[int, int, int], list[Any]] = field(default_factory=dict)
    more: bool = False

    def take(self, said: Mapping[str, Any]) -> None:
        """Add what one seal says. Raises KeyError, TypeError, ValueError on another form."""
        for part in said["segments"]:
            start = (part["node"], part["boot"])
            self.upto[start] = part["upto"]
            self.holes.setdefault(start, []).extend([low, high] for low, high in part["missing"])
        for part in said["filled"]:
            start = (part["node"], part["boot"])
            self.holes[start] = without(self.holes.get(start, []), part["spans"])
        for row in said["lost"]:
            self.lost[(row[0], row[1], row[2])] = list(row)
        self.more = bool(said["more"])

    def has(self, node: int, boot: int, seq: int) -> bool:
        """Whether a sample of this number was there."""
        start = (node, boot)
        if seq > self.upto.get(start, -1):
            return False
        holes = self.holes.get(start, [])
        after = bisect_right(holes, seq, key=lambda span: span[0])
        return not (after and holes[after - 1][1] >= seq)


def covered_by(conn: sqlite3.Connection) -> Covered:
    """What the chain in the store covers."""
    covered = Covered()
    for (text,) in conn.execute(
        "SELECT json_extract(statement, '$.samples') FROM seals"
        " WHERE json_extract(statement, '$.samples') IS NOT NULL ORDER BY seal_id"
    ):
        covered.take(json.loads(text))
    return covered


def samples_since(conn: sqlite3.Connection, covered: Covered) -> dict[str, Any]:
    """What the next seal says of the samples that came since."""
    segments, filled, left = [], [], SAMPLES_AT_ONCE
    for start in _starts(conn):
        after = covered.upto.get(start, -1)
        if covered.holes.get(start):
            found = _filled(conn, start, covered.holes[start])
            filled += [found] if found else []
        if left > 0 and (part := _segment(conn, start, after, left)):
            segments.append(part)
            left -= part["count"]
    lost = [
        list(row)
        for row in conn.execute("SELECT node, boot, from_seq, count, why, at_utc FROM lost ORDER BY 1, 2, 3")
        if covered.lost.get(row[:3]) != list(row)
    ]
    return {"segments": segments, "filled": filled, "lost": lost, "more": left <= 0}


def _starts(conn: sqlite3.Connection) -> Iterator[Start]:
    """Every (node, boot) that has samples, by hops through the key rather than over each row."""
    last: Start | None = (-1, -1)
    while last is not None:
        row = conn.execute(
            "SELECT node, boot FROM samples WHERE (node, boot) > (?, ?) ORDER BY node, boot LIMIT 1", last
        ).fetchone()
        last = None if row is None else (int(row[0]), int(row[1]))
        if last is not None:
            yield last


def _segment(conn: sqlite3.Connection, start: Start, after: int, most: int) -> dict[str, Any] | None:
    missing: Holes = []
    said, placed = _Digest(), _Digest()
    expected = after + 1
    for row in _rows(conn, start, after + 1, None, most):
        if row[0] > expected:
            missing.append([expected, row[0] - 1])
        expected = row[0] + 1
        said.add(row[:-2])
        placed.add([row[0], *row[-2:]])
    if not said.count:
        return None
    return {
        "node": start[0],
        "boot": start[1],
        "after": after,
        "upto": expected - 1,
        "missing": missing,
        **_digests(said, placed),
    }


def _filled(conn: sqlite3.Connection, start: Start, holes: Holes) -> dict[str, Any] | None:
    """What has come since into holes that earlier seals told."""
    spans: Holes = []
    said, placed = _Digest(), _Digest()
    for low, high in holes:
        for row in _rows(conn, start, low, high):
            if spans and spans[-1][1] == row[0] - 1:
                spans[-1][1] = row[0]
            else:
                spans.append([row[0], row[0]])
            said.add(row[:-2])
            placed.add([row[0], *row[-2:]])
    if not spans:
        return None
    return {"node": start[0], "boot": start[1], "spans": spans, **_digests(said, placed)}


def digest_of(conn: sqlite3.Connection, part: Mapping[str, Any]) -> dict[str, Any]:
    """Count and digests of the samples that a segment or a filling covers, as they are now."""
    start = (part["node"], part["boot"])
    spans = (
        part["spans"] if "spans" in part else without([[part["after"] + 1, part["upto"]]], part["missing"])
    )
    said, placed = _Digest(), _Digest()
    for low, high in spans:
        for row in _rows(conn, start, low, high):
            said.add(row[:-2])
            placed.add([row[0], *row[-2:]])
    return _digests(said, placed)


def _rows(
    conn: sqlite3.Connection, start: Start, low: int, high: int | None, most: int = -1
) -> Iterable[tuple[Any, ...]]:
    return conn.execute(
        f"SELECT {_SAID}, {_PLACED} FROM samples WHERE node = ? AND boot = ? AND seq >= ? AND seq <= ?"
        " ORDER BY seq LIMIT ?",
        (*start, low, 2**62 if high is None else high, most),
    )


def placed_since(
    conn: sqlite3.Connection, sealed_utc: str, node: int | None = None, boot: int | None = None
) -> bool:
    """Whether the journal tells of samples that were placed anew after a seal."""
    row = conn.execute(
        "SELECT 1 FROM journal WHERE kind = ? AND at_utc > ?"
        " AND (?3 IS NULL OR json_extract(body, '$.node') = ?3)"
        " AND (?4 IS NULL OR json_extract(body, '$.boot') = ?4) LIMIT 1",
        (PLACED_ANEW, sealed_utc, node, boot),
    ).fetchone()
    return row is not None


class _Digest:
    """SHA-256 over the canonical form of each row with a newline after it."""

    def __init__(self) -> None:
        self.count = 0
        self._total = hashlib.sha256()

    def add(self, row: Sequence[Any]) -> None:
        self._total.update(canonical(list(row)) + b"\n")
        self.count += 1

    @property
    def hex(self) -> str:
        return self._total.hexdigest()


def _digests(said: _Digest, placed: _Digest) -> dict[str, Any]:
    return {"count": said.count, "sha256": said.hex, "placed_sha256": placed.hex}


def without(spans: Holes, taken: Sequence[Sequence[int]]) -> Holes:
    """``spans`` less ``taken``: spans of whole numbers, ends included, both in ascending order."""
    left: Holes = []
    first = 0
    for low, high in spans:
        while first < len(taken) and taken[first][1] < low:
            first += 1
        for a, b in islice(taken, first, None):
            if a > high:
                break
            if a > low:
                left.append([low, a - 1])
            low = max(low, b + 1)
        if low <= high:
            left.append([low, high])
    return left
