"""The states of an alarm (ISA-18.2 / IEC 62682), the table between them, and the rows of the journal.

The law of this file is the table :data:`TRANSITIONS`; it is complete, and nothing else changes a state.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, NamedTuple

from monitor.alarms.rules import Alarm
from monitor.alarms.table import Priority


class State(StrEnum):
    NORMAL = "normal"
    ACTIVE_UNACKNOWLEDGED = "active_unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active_acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"


class Input(StrEnum):
    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"


#: Every state with every input. Raised again after an acknowledgement asks again: the engine raises on the
#: edge, so it is something new.
TRANSITIONS: dict[tuple[State, Input], State] = {
    (State.NORMAL, Input.RAISED): State.ACTIVE_UNACKNOWLEDGED,
    (State.NORMAL, Input.RETURNED): State.NORMAL,
    (State.NORMAL, Input.ACKNOWLEDGED): State.NORMAL,
    (State.ACTIVE_UNACKNOWLEDGED, Input.RAISED): State.ACTIVE_UNACKNOWLEDGED,
    (State.ACTIVE_UNACKNOWLEDGED, Input.RETURNED): State.RETURNED_UNACKNOWLEDGED,
    (State.ACTIVE_UNACKNOWLEDGED, Input.ACKNOWLEDGED): State.ACTIVE_ACKNOWLEDGED,
    (State.ACTIVE_ACKNOWLEDGED, Input.RAISED): State.ACTIVE_UNACKNOWLEDGED,
    (State.ACTIVE_ACKNOWLEDGED, Input.RETURNED): State.NORMAL,
    (State.ACTIVE_ACKNOWLEDGED, Input.ACKNOWLEDGED): State.ACTIVE_ACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Input.RAISED): State.ACTIVE_UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Input.RETURNED): State.RETURNED_UNACKNOWLEDGED,
    (State.RETURNED_UNACKNOWLEDGED, Input.ACKNOWLEDGED): State.NORMAL,
}

UNACKNOWLEDGED = (State.ACTIVE_UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)
ACTIVE = (State.ACTIVE_UNACKNOWLEDGED, State.ACTIVE_ACKNOWLEDGED)
_SOUNDS = {Priority.HIGH: "urgent", Priority.MEDIUM: "attention", Priority.LOW: "once"}


class Moment(NamedTuple):
    """Now: ``at_s`` of a clock that cannot be set (the only one subtracted), and UTC for people and files."""

    at_s: float
    at_utc: datetime


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One change, for the batch record. ``change`` is an input, or ``noted``, ``silenced``, ``shelved``,
    ``unshelved`` or ``refused``. ``quiet_s``: for how long a silence or a shelving keeps it quiet. [s]"""

    at_utc: datetime
    alarm_id: str
    kind: str
    scope: str
    change: str
    from_state: str
    to_state: str
    priority: str
    text: str
    by: str | None = None
    alarm: Mapping[str, Any] | None = None
    quiet_s: float | None = None

    def as_json(self) -> dict[str, Any]:
        form = {name: getattr(self, name) for name in self.__dataclass_fields__}
        form["at_utc"] = self.at_utc.isoformat()
        form["alarm"] = dict(self.alarm) if self.alarm else None
        return form


@dataclass(slots=True)
class Standing:
    """One alarm on the board."""

    alarm_id: str
    alarm: Alarm
    state: State
    raised: Moment
    well_since_s: float | None = None
    returned_utc: datetime | None = None
    acknowledged_by: str | None = None
    silenced_until_s: float | None = None
    shelved_until_s: float | None = None

    def sound(self, now_s: float) -> str | None:
        """``urgent``, ``attention``, ``once`` or None."""
        if self.state not in UNACKNOWLEDGED or self._pausing(now_s):
            return None
        if self.alarm.priority is Priority.LOW and self.state is not State.ACTIVE_UNACKNOWLEDGED:
            return None
        return _SOUNDS.get(self.alarm.priority)

    def _pausing(self, now_s: float) -> bool:
        return any(
            until is not None and now_s < until for until in (self.silenced_until_s, self.shelved_until_s)
        )

    def as_json(self, now: Moment) -> dict[str, Any]:
        form = self.alarm.as_json()
        form |= {
            "alarm_id": self.alarm_id,
            "state": self.state.value,
            "raised_utc": self.raised.at_utc.isoformat(),
            "returned_utc": self.returned_utc.isoformat() if self.returned_utc else None,
            "acknowledged_by": self.acknowledged_by,
            "silenced_until_utc": _utc(self.silenced_until_s, now),
            "shelved_until_utc": _utc(self.shelved_until_s, now),
            "sound": self.sound(now.at_s),
        }
        return form


def _utc(until_s: float | None, now: Moment) -> str | None:
    if until_s is None or until_s <= now.at_s:
        return None
    return (now.at_utc + timedelta(seconds=until_s - now.at_s)).isoformat()


def journal_row(
    alarm: Alarm,
    alarm_id: str,
    change: str,
    from_state: State,
    to_state: State,
    now: Moment,
    text: str,
    by: str | None = None,
    *,
    whole: bool = False,
) -> JournalRow:
    """One row; ``whole`` puts the alarm itself into it, so that a restart can take it up."""
    return JournalRow(
        at_utc=now.at_utc,
        alarm_id=alarm_id,
        kind=alarm.kind,
        scope=alarm.scope,
        change=str(change),
        from_state=from_state.value,
        to_state=to_state.value,
        priority=alarm.priority.value,
        text=text,
        by=by,
        alarm=alarm.as_json() if whole else None,
    )
