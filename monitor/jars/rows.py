"""Entries as this room sees them, and the calendar. Pure.

This room may not know the store: it takes anything with an entry's columns, as attributes or as keys.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


@dataclass(frozen=True, slots=True)
class Row:
    """One entry. ``at`` is when it happened, ``entered`` when it was written down, both aware UTC."""

    id: int
    kind: str
    body: Mapping[str, Any]
    at: datetime
    entered: datetime
    by: str | None
    corrects: int | None
    reason: str | None


def rows_of(entries: Iterable[Any]) -> list[Row]:
    """Entries in the order they were made, without those that a later one corrects."""
    rows = all_rows(entries)
    corrected = {row.corrects for row in rows if row.corrects is not None}
    return [row for row in rows if row.id not in corrected]


def all_rows(entries: Iterable[Any]) -> list[Row]:
    """Entries in the order they were made, the corrected ones too."""
    return sorted((_row(entry) for entry in entries), key=lambda row: row.id)


def _row(entry: Any) -> Row:
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
