"""The two clocks as the store writes them: UTC text for people, steady seconds for differences."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from monitor.timesource import SystemTime, TimeSource

SYSTEM_TIME: TimeSource = SystemTime()

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@cache
def machine_boot() -> str:
    """Names this start of the machine; steady clocks of two processes compare only within one."""
    try:
        return _BOOT_ID.read_text("ascii").strip()
    except OSError:
        # No such file on this system: the moment the machine started, to 10 s, names it well enough.
        return f"started-{round((time.time() - time.monotonic()) / 10)}"


def names_boots() -> bool:
    """Whether :func:`machine_boot` surely differs after a new start, and only then: without the system's own name for
    a start it also changes with a wall clock that is set."""
    return _BOOT_ID.exists()


def utc_text(moment: datetime) -> str:
    """``2026-08-14T15:12:00.250Z``: sortable as text.

    Raises
    ------
    ValueError
        The time has no UTC offset.
    """
    if moment.tzinfo is None:
        raise ValueError("a time without an offset from UTC names no moment")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_utc(text: str) -> datetime:
    """The inverse of :func:`utc_text`; any RFC 3339 offset is taken."""
    moment = datetime.fromisoformat(text.replace("Z", "+00:00"))
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} has no offset from UTC")
    return moment.astimezone(UTC)


def epoch_s(text: str) -> float:
    """Seconds since 1970-01-01T00:00:00Z of a stored time. [s]"""
    return parse_utc(text).timestamp()


def epoch_text(at_s: float) -> str:
    """Stored text of seconds since 1970-01-01T00:00:00Z."""
    return utc_text(datetime.fromtimestamp(at_s, UTC))
