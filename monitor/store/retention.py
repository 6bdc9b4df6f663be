"""How long a record must be kept. Nothing here deletes, and the store itself refuses every deletion.

Three years, as 21 CFR 113.100(e) and 114.100(e) ask of processing records (a yardstick: no rule binds a home
kitchen); and, because jars outlive that in a pantry, until a year after the last jar of the batch has gone (this
project's choice).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from monitor.jars.rows import Row, local_date, months_after, rows_of
from monitor.store.entries import read_entries
from monitor.store.runs import RunFacts, read_house
from monitor.store.stamp import epoch_text, parse_utc

KEEP_MONTHS, KEEP_AFTER_LAST_MONTHS = 36, 12

#: What a jar's re-check finds when it has left the pantry.
_LEFT = ("used", "given")


def keep_until(made: date, last_jar: date | None) -> date:
    """The first day on which a record need no longer be kept. ``last_jar``: when it went, or will have gone.

    >>> str(keep_until(date(2026, 8, 14), date(2028, 12, 1)))
    '2029-12-01'
    """
    whole = months_after(made, KEEP_MONTHS)
    return whole if last_jar is None else max(whole, months_after(last_jar, KEEP_AFTER_LAST_MONTHS))


def run_kept_until(conn: sqlite3.Connection, run_id: str) -> date | None:
    """:func:`keep_until` of a run in the store; None while a jar is there, or nobody has said where it went.

    Raises
    ------
    UsageError
        There is no such run.
    """
    facts = read_house(conn).run(run_id)
    if facts.ended_s is None:
        return None
    ended = parse_utc(epoch_text(facts.ended_s))
    gone = _last_jar_gone(facts, rows_of(read_entries(conn, run_id)), ended)
    zone = facts.header.get("zone")
    return keep_until(local_date(ended, zone), local_date(gone, zone)) if gone else None


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
