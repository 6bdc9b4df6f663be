"""Entries as this room sees them, and the calendar. Pure.

This room may not know the store: it takes anything with an entry's columns, as attributes or as keys.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


@dataclass(frozen=True, slots=True)
class Row:
    """One entry. ``at`` is when it happened, ``entered`` when it was written down, both aware UTC.

    ``run_id`` is the run it is about, None where nobody kept that.
    """

    id: int
    kind: str
    body: Mapping[str, Any]
    at: datetime
    entered: datetime
    by: str | None
    corrects: int | None
    reason: str | None
    run_id: str | None = None


def rows_of(entries: Iterable[Any]) -> list[Row]:
    """Entries in the order they were made, without those that a later one corrects."""
    return without_corrected(all_rows(entries))


def without_corrected(rows: Sequence[Row]) -> list[Row]:
    """These rows without those that a later one of them corrects."""
    corrected = {row.corrects for row in rows if row.corrects is not None}
    return [row for row in rows if row.id not in corrected]


def as_they_stand(rows: Iterable[Row]) -> list[Row]:
    """Entries with what later ones made of them: taken back, or standing with another body or another time."""
    standing: dict[int, Row] = {}
    for row in rows:
        old = standing.pop(row.corrects, None) if row.corrects is not None else None
        if row.kind != "correction":
            standing[row.id] = row
        elif old is not None and not row.body.get("withdrawn"):
            body = {**old.body, **{key: value for key, value in row.body.items() if key != "happened_utc"}}
            moved = row.body.get("happened_utc")
            at = instant(str(moved)) if moved else old.at
            standing[row.id] = replace(old, id=row.id, body=body, at=at)
    return [standing[number] for number in sorted(standing)]


def all_rows(entries: Iterable[Any]) -> list[Row]:
    """Entries in the order they were made, the corrected ones too."""
    return sorted((_row(entry) for entry in entries), key=lambda row: row.id)


def _row(entry: Any) -> Row:
    if isinstance(entry, Row):
        return entry

    def get(name: str) -> Any:
        return entry.get(name) if isinstance(entry, Mapping) else getattr(entry, name, None)

    entered = instant(str(get("at_utc")))
    body = get("body")
    return Row(
        id=int(get("id")),
        kind=str(get("kind")),
        body=body if isinstance(body, Mapping) else {},
        at=instant(str(get("happened_utc"))) if get("happened_utc") else entered,
        entered=entered,
        by=get("by"),
        corrects=get("corrects"),
        reason=get("reason"),
        run_id=get("run_id"),
    )


def instant(text: str) -> datetime:
    """An RFC 3339 time as aware UTC."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC")
    return moment.astimezone(UTC)


def zone_of(name: str | None) -> ZoneInfo:
    """The site's zone; UTC where it is missing or unknown."""
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")


def local_date(moment: datetime, zone: str | None) -> date:
    """The calendar day on which it happened, where it happened."""
    return moment.astimezone(zone_of(zone)).date()


def local_time(moment: datetime, zone: str | None) -> str:
    """For people: day and minute with the offset, so that the repeated autumn hour is unambiguous."""
    return moment.astimezone(zone_of(zone)).strftime("%Y-%m-%d %H:%M %z")


def months_after(day: date, months: int) -> date:
    """The same day ``months`` later, or the last day of that month where there is no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))


def days_after(day: date, days: int) -> date:
    """Calendar days later."""
    return day + timedelta(days=days)
