"""The alarm journal as a banner: what stands now, most urgent first, and what it asks for. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from monitor.alarms.table import rule_of
from monitor.store.reader import AlarmRow
from monitor.store.stamp import parse_utc, utc_text

PRIORITIES = ("high", "medium", "low")
UNACKNOWLEDGED = ("active_unacknowledged", "returned_unacknowledged")
STANDING = (*UNACKNOWLEDGED, "active_acknowledged")


@dataclass(frozen=True, slots=True)
class Banner:
    """One alarm as it is shown. ``sounds``: its sound is wanted now; ``over``: it is no longer true.
    ``at_utc`` is when its state last changed.

    News (what late readings changed, a restart) has no end: it asks for what it asks for until it is seen.
    """

    alarm_id: str
    run_id: str | None
    kind: str
    priority: str
    headline: str
    what: str
    do: str
    due_utc: str | None
    raised_utc: str
    at_utc: str
    state: str
    silenced_until_utc: str | None
    canner: str | None
    cause: str = ""

    @property
    def unacknowledged(self) -> bool:
        return self.state in UNACKNOWLEDGED

    @property
    def news(self) -> bool:
        rule = rule_of(self.kind, self.cause)
        return rule is not None and rule.momentary

    @property
    def over(self) -> bool:
        return self.state == "returned_unacknowledged" and not self.news

    def sounds(self, now_utc: str) -> bool:
        """Whether it should be heard; times compare as text in one form of UTC."""
        silenced = self.silenced_until_utc is not None and self.silenced_until_utc > now_utc
        return self.unacknowledged and self.priority in PRIORITIES[:2] and not silenced


@dataclass(frozen=True, slots=True)
class Told:
    """One alarm of a run that is shown afterwards; ``steps`` are (UTC, what became of it)."""

    headline: str
    priority: str
    steps: tuple[tuple[str, str], ...]


def history(rows: Iterable[AlarmRow]) -> list[Told]:
    """Every alarm of a journal (oldest first) with all that became of it, notices left out."""
    found: dict[str, list[AlarmRow]] = {}
    for row in rows:
        found.setdefault(row.alarm_id, []).append(row)
    told = []
    for own in found.values():
        facts: dict[str, Any] = {}
        for row in own:
            facts |= _alarm(row.body)
        if facts.get("priority") in PRIORITIES:
            shown = _banner(own[-1], facts)
            told.append(Told(shown.headline, shown.priority, tuple((row.at_utc, _step(row)) for row in own)))
    return told


def _step(row: AlarmRow) -> str:
    """``acknowledged by Ada``; what was done is told in the journal's own word."""
    change = str(row.body.get("change") or row.state)
    by = f" by {row.body['by']}" if row.body.get("by") else ""
    text = f" ({row.body['text']})" if change in ("silenced", "refused") and row.body.get("text") else ""
    return f"{change.replace('_', ' ')}{by}{text}"


def standing(rows: Iterable[AlarmRow]) -> list[Banner]:
    """Alarms that stand, from the journal (oldest first): what is true first, most urgent first, then the newest."""
    facts: dict[str, dict[str, Any]] = {}
    last: dict[str, AlarmRow] = {}
    for row in rows:
        told = facts.setdefault(row.alarm_id, {"raised_utc": row.at_utc})
        told.update(_alarm(row.body))
        if row.body.get("change") == "silenced":
            told["silenced_until_utc"] = _silenced_until(row)
        elif row.body.get("change") == "raised":
            told["silenced_until_utc"] = None
        # What was only noted takes no place: an alarm of its kind goes on waiting.
        if row.body.get("change") != "noted":
            last[_place(row)] = row
    found = [_banner(row, facts[row.alarm_id]) for row in last.values() if row.state in STANDING]
    found.sort(key=lambda item: item.at_utc, reverse=True)
    return sorted(found, key=_rank)


def _place(row: AlarmRow) -> str:
    """Where an alarm stands on the board: raised anew, it takes the place of its earlier raising."""
    return row.alarm_id.rpartition(":")[0] or row.alarm_id


def _silenced_until(row: AlarmRow) -> str | None:
    """When the sound comes back; where the journal does not tell it, it never went."""
    quiet_s = row.body.get("quiet_s")
    if quiet_s is None:
        # Journals written before the field was told it in their sentence alone: "sound off for 120 s".
        told = re.search(r"(\d+) s\b", str(row.body.get("text") or ""))
        quiet_s = None if told is None else int(told[1])
    return None if quiet_s is None else utc_text(parse_utc(row.at_utc) + timedelta(seconds=quiet_s))


def _alarm(body: Mapping[str, Any]) -> dict[str, Any]:
    """The alarm inside a journal row, whether whole rows or bare alarms are kept."""
    inner = body.get("alarm")
    return dict(inner) if isinstance(inner, Mapping) else {k: v for k, v in body.items() if v is not None}


def _banner(row: AlarmRow, told: Mapping[str, Any]) -> Banner:
    return Banner(
        alarm_id=row.alarm_id,
        run_id=row.run_id,
        kind=row.kind,
        priority=str(told.get("priority") or "high"),
        headline=str(told.get("headline") or row.kind.replace("_", " ").capitalize()),
        what=str(told.get("what") or told.get("text") or ""),
        do=str(told.get("do") or ""),
        due_utc=told.get("due_utc"),
        raised_utc=str(told.get("raised_utc") or row.at_utc),
        at_utc=row.at_utc,
        state=row.state,
        silenced_until_utc=told.get("silenced_until_utc"),
        canner=told.get("canner"),
        cause=str(told.get("cause") or ""),
    )


def _rank(item: Banner) -> tuple[int, int, bool]:
    """Still true and unseen, then still true and seen, then what is over; within each the more urgent first."""
    order = PRIORITIES.index(item.priority) if item.priority in PRIORITIES else 0
    truth = 2 if item.over else 0 if item.unacknowledged else 1
    # A lost boil before whatever else is as urgent: it is what the rest may explain.
    return truth, order, item.kind != "boil_lost"


def across_the_room(banners: list[Banner]) -> list[Banner]:
    """What there is place for: the first, and where that was seen the one that waits to be seen, for its buttons."""
    first = banners[:1]
    waiting = [item for item in banners if item.unacknowledged]
    return first if not first or first[0].unacknowledged else [*first, *waiting[:1]]


def others(count: int) -> str:
    """``, and 2 more alarms`` behind a headline; empty where there is no other."""
    return f", and {count} more {'alarm' if count == 1 else 'alarms'}" if count > 0 else ""
