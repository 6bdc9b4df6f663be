"""The only reader of real time in the package.

Two clocks, never mixed: ``monotonic_s`` is the only one that is ever subtracted; ``utc_now`` is for
people and files.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol
from zoneinfo import ZoneInfo

import tzlocal

#: A laptop may sleep in the middle of a hold: Linux's boot-time clock counts that, others do not.
_STEADY = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def machine_zone() -> str | None:
    """Name of the time zone this machine is set to, such as America/Denver; None where nobody can tell."""
    try:
        name = tzlocal.get_localzone_name()
        ZoneInfo(name)
    except (LookupError, OSError, ValueError):
        # ZoneInfoNotFoundError is a LookupError: a setting that is no zone is no answer.
        return None
    return str(name)


class TimeSource(Protocol):
    """What a room that needs the time is handed."""

    def monotonic_s(self) -> float: ...

    def utc_now(self) -> datetime: ...


class SystemTime:
    """Real time of this machine."""

    def monotonic_s(self) -> float:
        """Seconds of a clock that cannot be set, and that goes on while the machine sleeps. [s]"""
        return time.clock_gettime(_STEADY)

    def utc_now(self) -> datetime:
        """Now, in UTC, aware."""
        return datetime.now(UTC)


class ScaledTime:
    """Faster than life, for demonstrations: the steady clock runs ``rate`` times as fast as the real one."""

    def __init__(self, rate: float) -> None:
        if rate <= 0:
            raise ValueError("time does not run backwards")
        self.rate = rate

    def monotonic_s(self) -> float:
        return time.clock_gettime(_STEADY) * self.rate

    def utc_now(self) -> datetime:
        return datetime.now(UTC)


class ManualTime:
    """A hand-driven clock for tests: hours pass in microseconds. Refuses to go backwards."""

    def __init__(self, start_utc: datetime, start_s: float = 0.0) -> None:
        self._at_s = start_s
        self._start_s = start_s
        self._start_utc = start_utc

    def monotonic_s(self) -> float:
        return self._at_s

    def utc_now(self) -> datetime:
        from datetime import timedelta

        return self._start_utc + timedelta(seconds=self._at_s - self._start_s)

    def advance(self, seconds_s: float) -> None:
        """Let time pass. [s]"""
        if seconds_s < 0:
            raise ValueError("time does not run backwards")
        self._at_s += seconds_s
