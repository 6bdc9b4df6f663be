"""Until when a record is kept: three years, and a year after the last jar (21 CFR 114.100(e); the year is ours)."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from monitor.errors import UsageError
from monitor.store.entries import append_entry
from monitor.store.retention import keep_until, run_kept_until
from monitor.store.stamp import utc_text
from monitor.timesource import ManualTime

Begin = Callable[..., str]


@pytest.mark.parametrize(
    ("ended", "gone", "until"),
    [
        ("2026-08-14", "2026-12-24", "2029-08-14"),
        ("2026-08-14", "2028-08-14", "2029-08-14"),
        ("2026-08-14", "2028-08-15", "2029-08-15"),
        ("2024-02-29", "2024-03-01", "2027-02-28"),
    ],
)
def test_the_later_of_both(ended: str, gone: str, until: str) -> None:
    day = date.fromisoformat
    assert keep_until(day(ended), day(gone)) == day(until)


class Pantry:
    def __init__(self, conn: sqlite3.Connection, clock: ManualTime, run_id: str) -> None:
        self._conn, self._clock, self._run_id = conn, clock, run_id

    def say(self, kind: str, body: dict[str, Any], corrects: int | None = None) -> int:
        return append_entry(
            self._conn, kind, body, run_id=self._run_id, by="Ann", time=self._clock, corrects=corrects
        )

    def until(self) -> str | None:
        found = run_kept_until(self._conn, self._run_id)
        return found and found.isoformat()


def test_it_follows_the_jars(conn: sqlite3.Connection, begin: Begin, clock: ManualTime) -> None:
    run_id = begin("r1", batch={"jars": 2})
    pantry = Pantry(conn, clock, run_id)
    assert pantry.until() is None
    pantry.say("run_ended", {})
    ended = clock.utc_now()
    assert pantry.until() is None, "two jars are there"
    pantry.say("jar_recheck", {"jar": 1, "found": "used"})
    pantry.say("jar_recheck", {"jar": 2, "found": "good"})
    assert pantry.until() is None, "one jar is there"
    clock.advance(timedelta(days=900).total_seconds())
    thrown = pantry.say("jar_disposition", {"jar": 2, "to": "discard"})
    gone = clock.utc_now()
    assert pantry.until() == utc_text(gone.replace(year=gone.year + 1))[:10]
    assert gone.replace(year=gone.year + 1) > ended.replace(year=ended.year + 3)
    pantry.say("jar_disposition", {"jar": 2, "to": "refrigerate"}, corrects=thrown)
    assert pantry.until() is None, "it is back"


def test_how_many_jars_there_were_is_not_guessed(
    conn: sqlite3.Connection, begin: Begin, clock: ManualTime
) -> None:
    run_id = begin("r1")
    append_entry(conn, "run_ended", {}, run_id=run_id, time=clock)
    assert run_kept_until(conn, run_id) is None
    with pytest.raises(UsageError, match="no run 'r2'"):
        run_kept_until(conn, "r2")


@pytest.mark.parametrize(
    "table", ["samples", "entries", "verdicts", "events", "alarms", "journal", "seals", "clocks", "lost",
              "conflicts", "judged_with", "imported_runs", "imported_files"]
)  # fmt: skip
def test_the_store_refuses_every_deletion(conn: sqlite3.Connection, table: str) -> None:
    """Whatever the date: the rule says how long to keep, and no program of ours takes anything away."""
    said = conn.execute(
        "SELECT count(*) FROM sqlite_master WHERE type = 'trigger' AND tbl_name = ? AND sql LIKE"
        " '%BEFORE DELETE%RAISE(ABORT%'",
        (table,),
    ).fetchone()
    assert said == (1,)
