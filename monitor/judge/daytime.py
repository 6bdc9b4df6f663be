"""Times of day in words: at the site, with the offset from UTC where the clocks change about then; and which time an
event is listed by."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import ceil, floor
from zoneinfo import ZoneInfo

from monitor.record.model import Run

#: Events from which on something counts, or is complete.
COUNTS_FROM = ("boil_reached", "boil_back", "hold_complete")

#: What was told so much later than it began is listed by when it was told, and says when it began. [s] Chosen.
LONG_BEFORE_S = 60.0


def local_time(run: Run, t_s: float) -> datetime:
    """Time of day at the site, ``t_s`` seconds into the run."""
    moment = run.started_at + timedelta(seconds=round(t_s))
    return moment if run.zone is None else moment.astimezone(ZoneInfo(run.zone))


def clock(run: Run, t_s: float, *, late: bool = False) -> str:
    """``09:37:22`` at the site; rounded down to the second, with ``late`` up."""
    whole = ceil(t_s - 1e-6) if late else floor(t_s + 1e-6)
    return f"{local_time(run, whole):%H:%M:%S}{_offset(run, whole)}"


def label(kind: str, onset_s: float, raised_s: float) -> tuple[int, int | None]:
    """Under what second of the run an event is listed, and, where it began long before it was told, when. [s]

    Listed by when it was told, it stands in the order of the telling. Credit is rounded in nobody's favour: what begins
    to count or is complete is listed by that moment, dated up to the next second.
    """
    if kind in COUNTS_FROM:
        return ceil(onset_s - 1e-6), None
    began_s = floor(onset_s + 1e-6)
    if raised_s - onset_s <= LONG_BEFORE_S:
        return began_s, None
    return ceil(raised_s - 1e-6), began_s


def date_and_time(run: Run, t_s: float) -> str:
    """``2026-08-14 11:35`` at the site, rounded down to the minute."""
    return f"{local_time(run, floor(t_s)):%Y-%m-%d %H:%M}{_offset(run, t_s)}"


def _offset(run: Run, t_s: float) -> str:
    """The offset from UTC where it changes within a day, so that an hour that comes twice is told apart."""
    days = [local_time(run, t_s + day * 86400.0) for day in (-1, 0, 1)]
    if len({moment.utcoffset() for moment in days}) == 1:
        return ""
    return f" {days[1].isoformat()[-6:]}"
