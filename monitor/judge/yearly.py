"""How long a check counts, of a probe and of a barometer alike."""

from __future__ import annotations

from datetime import datetime, timedelta

#: Yearly checks: 21 CFR 113.40 as common practice. To the second, not to the day.
CHECK_LASTS = timedelta(days=365)


def is_within_a_year(checked_at: datetime, now: datetime) -> bool:
    """Whether a check still counts at ``now``; one that is dated later does not. Both aware."""
    return timedelta(0) <= now - checked_at <= CHECK_LASTS
