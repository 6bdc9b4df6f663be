"""Stored times as a person at the site reads them."""

from __future__ import annotations

from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.store.stamp import parse_utc


def in_zone(utc: str, zone: str | None) -> str:
    """``2026-08-14 09:12:00 -0600``: a stored UTC time in a zone, or in this machine's own.

    The offset is written out, so that the hour that comes twice in autumn is no riddle.
    """
    moment = parse_utc(utc)
    try:
        local = moment.astimezone(ZoneInfo(zone) if zone else None)
    except (ZoneInfoNotFoundError, ValueError):
        local = moment
    return f"{local:%Y-%m-%d %H:%M:%S %z}"
