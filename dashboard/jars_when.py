"""When something happened: now, or earlier by the kitchen's clock, with the reason why it is said late."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import streamlit as st

from dashboard import figures, jars_model
from monitor.store.entries import LATE_ENTRY_S

#: Why what the record shows is written down only later.
CONFIRMED = "seen in the record, and confirmed later"
_NOW, _EARLIER, _SEEN = "Just now", "Earlier", "As the record shows"


@dataclass(frozen=True, slots=True)
class When:
    """``happened`` None: now. ``trouble`` is what keeps it from being written down."""

    happened: datetime | None
    reason: str | None
    trouble: str = ""


def ask(key: str, zone: str | None, now: datetime, seen: datetime | None = None) -> When:
    """Ask when it was; ``seen`` is the latest that the record shows, offered first."""
    choices = ([_SEEN] if seen is not None else []) + [_NOW, _EARLIER]
    words = {_SEEN: f"{_SEEN}, at the latest: {figures.local_day(seen, zone)}" if seen is not None else ""}
    chosen = st.radio(
        "When was that?", choices, format_func=lambda one: words.get(one) or one, key=f"{key}_when"
    )
    if chosen == _NOW:
        return When(None, None)
    if chosen == _SEEN:
        return When(seen, CONFIRMED)
    happened, trouble = moment(f"{key}_at", "It was at", zone, now)
    reason = st.text_input("Why it is said only now", key=f"{key}_reason", max_chars=200).strip()
    if trouble or happened is None:
        return When(None, None, trouble)
    if happened > now:
        return When(None, None, "That time is still to come.")
    if (now - happened).total_seconds() > LATE_ENTRY_S and not reason:
        return When(None, None, "Say why it is said only now.")
    return When(happened, reason or None)


def moment(key: str, label: str, zone: str | None, start: datetime) -> tuple[datetime | None, str]:
    """A moment by the kitchen's clock, or what is wrong with it. ``start`` is offered first."""
    there = start.astimezone(figures.zone(zone)).replace(second=0, microsecond=0)
    left, right = st.columns(2)
    day = left.date_input(f"{label}, day", there.date(), key=f"{key}_day")
    clock = right.time_input(f"{label}, time", there.time(), key=f"{key}_time", step=60)
    found = jars_model.instants(day, clock, zone)
    if not found:
        return None, "The clocks skipped that time; give another."
    if len(found) == 1:
        return found[0], ""
    names = [f"the {name} time round" for name in ("first", "second")]
    said = st.radio("The clocks showed that twice", names, key=f"{key}_fold")
    return found[names.index(said)], ""
