"""How long a record must be kept. Nothing here deletes, and the store itself refuses every deletion.

Three years, as 21 CFR 113.100(e) and 114.100(e) ask of processing records; and, because jars outlive that in a
pantry, until a year after the last jar of the batch has gone (our own choice). While a jar is there, or nobody
has said where it went, there is no end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from datetime import datetime
from typing import Any

from monitor.errors import UsageError
from monitor.jars.rows import Row, rows_of
from monitor.store.entries import read_entries
from monitor.store.runs import RunFacts, read_house
from monitor.store.stamp import epoch_text, parse_utc

KEEP_YEARS = 3
YEARS_AFTER_LAST_JAR = 1

#: What a jar's re-check finds when it has left the pantry.
_LEFT = ("used", "given")


def keep_until(ended: datetime | None, last_jar_gone: datetime | None) -> datetime | None:
    """From when on a record need not be kept; None: not yet known, so it is kept.

    >>> from datetime import UTC
    >>> str(keep_until(datetime(2026, 8, 14, tzinfo=UTC), datetime(2028, 12, 1, tzinfo=UTC)))
    '2029-12-01 00:00:00+00:00'
    """
    if ended is None or last_jar_gone is None:
        return None
    return max(_years_later(ended, KEEP_YEARS), _years_later(last_jar_gone, YEARS_AFTER_LAST_JAR))


def run_kept_until(conn: sqlite3.Connection, run_id: str) -> datetime | None:
    """:func:`keep_until` of a run in the store.

    Raises
    ------
    UsageError
        There is no such run.
    """
    facts = read_house(conn).runs.get(run_id)
    if facts is None:
        raise UsageError(f"there is no run {run_id!r} in this store.", "'boilwitness runs' lists them.")
    if facts.ended_s is None:
        return None
    ended = parse_utc(epoch_text(facts.ended_s))
    return keep_until(ended, _last_jar_gone(facts, rows_of(read_entries(conn, run_id)), ended))


def _last_jar_gone(facts: RunFacts, rows: Iterable[Row], ended: datetime) -> datetime | None:
    """When the last jar left; None while one is there. A batch that says that it had none is over at once."""
    count = _jars(facts)
    if count is None:
        return None
    left: dict[int, datetime] = {}
    for row in rows:
        jar = row.body.get("jar")
        if not isinstance(jar, int):
            continue
        if row.kind == "jar_recheck" and row.body.get("found") in _LEFT:
            left[jar] = row.at
        elif row.kind == "jar_disposition":
            # The last word on a jar counts: one that was thrown away by mistake may be back on the shelf.
            left.pop(jar, None)
            if row.body.get("to") == "discard":
                left[jar] = row.at
    if len(left) < count:
        return None
    return max([*left.values(), ended])


def _jars(facts: RunFacts) -> int | None:
    batch: Any = facts.header.get("batch")
    count = batch.get("jars") if isinstance(batch, dict) else None
    return count if isinstance(count, int) and not isinstance(count, bool) else None


def _years_later(moment: datetime, years: int) -> datetime:
    try:
        return moment.replace(year=moment.year + years)
    except ValueError:  # 29 February
        return moment.replace(year=moment.year + years, month=3, day=1)
