"""Entries are appended, never changed; a correction stands beside what it corrects."""

from __future__ import annotations

import sqlite3
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from monitor.errors import StoreError, UsageError
from monitor.store.entries import append_entry, read_entries
from monitor.timesource import ManualTime


def test_what_was_said_comes_back(data: Path) -> None:
    first = append_entry(data, "mark", {"kind": "jars_in", "text": "sieben Gläser"}, run_id="r1", by="Ana")
    conn = sqlite3.connect(data / "boilwitness.sqlite")
    (entry,) = read_entries(conn, "r1", ["mark"])
    conn.close()
    assert (entry.id, entry.kind, entry.by, entry.body["text"]) == (first, "mark", "Ana", "sieben Gläser")
    assert entry.at_utc == entry.happened_utc
    assert entry.at_utc.endswith("Z")


@pytest.mark.parametrize("statement", ["UPDATE entries SET by = 'somebody else'", "DELETE FROM entries"])
def test_nobody_changes_or_deletes(conn: sqlite3.Connection, statement: str) -> None:
    append_entry(conn, "settings", {})
    with pytest.raises(sqlite3.IntegrityError, match=r"never (changed|deleted)"):
        conn.execute(statement)


@pytest.mark.parametrize(
    "table, values",
    [
        ("alarms", "1, 'a', NULL, 't', 'k', 's', '{}'"),
        ("journal", "1, 't', 'k', 'x', '{}'"),
        ("seals", "1, 'r', 't', 'd', 'p', 'c', '', NULL, NULL"),
    ],
)
def test_the_journals_are_as_stubborn(conn: sqlite3.Connection, table: str, values: str) -> None:
    conn.execute(f"INSERT INTO {table} VALUES ({values})")
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        conn.execute(f"UPDATE {table} SET {'id' if table != 'seals' else 'seal_id'} = 9")


def test_both_times_are_kept_and_lateness_shows(conn: sqlite3.Connection, clock: ManualTime) -> None:
    """21 CFR 113.100(b): entries at the time observed; one made later shows both times."""
    happened = (clock.utc_now() - timedelta(minutes=6)).isoformat()
    append_entry(conn, "mark", {"kind": "note"}, happened_utc=happened, reason="hands full", time=clock)
    append_entry(conn, "mark", {"kind": "note"}, time=clock)
    late, prompt = read_entries(conn)
    assert (late.made_late, late.reason) == (True, "hands full")
    assert late.happened_utc == "2026-08-14T15:06:00.000Z"
    assert not prompt.made_late


def test_the_autumn_hour_that_comes_twice(conn: sqlite3.Connection) -> None:
    """01:30 happens twice on 1 November 2026 in Denver; the offset tells which."""
    for said in ("2026-11-01T01:30:00-06:00", "2026-11-01T01:30:00-07:00"):
        append_entry(conn, "mark", {"kind": "note"}, happened_utc=said)
    first, second = (datetime.fromisoformat(entry.happened_utc) for entry in read_entries(conn))
    assert second - first == timedelta(hours=1)


@pytest.mark.parametrize(
    "kind, body, more, words",
    [
        ("gossip", {}, {}, "no entry of kind 'gossip'"),
        ("mark", {"t": float("nan")}, {}, "not plain JSON"),
        ("mark", {"t": object()}, {}, "not plain JSON"),
        ("mark", {}, {"happened_utc": "2026-08-14T09:12:00"}, "offset from UTC"),
        ("mark", {}, {"happened_utc": "yesterday"}, "offset from UTC"),
        ("mark", {}, {"corrects": 99}, "99 is not there"),
    ],
)
def test_what_is_not_usable_is_refused(
    conn: sqlite3.Connection, kind: str, body: dict[str, object], more: dict[str, object], words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        append_entry(conn, kind, body, **more)  # type: ignore[arg-type]
    assert read_entries(conn) == []


def test_a_store_that_cannot_be_written(conn: sqlite3.Connection) -> None:
    conn.execute("PRAGMA query_only=ON")
    with pytest.raises(StoreError, match=r"could not be written.*try again"):
        append_entry(conn, "settings", {})
