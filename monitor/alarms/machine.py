"""The alarm machine, pure: the moment is an argument.

Sound is apart from state: a silence stops it for at most two minutes, shelving takes an alarm off the list
for at most ten, and no alarm of the highest class can be shelved while a hold is owed. Whatever is new sounds
again. A restart forgets silences and shelves, never alarms.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from math import inf, isnan
from typing import Any

from monitor.alarms.rules import RETURN_DEADBAND_S, Alarm, returned_by
from monitor.alarms.states import (
    ACTIVE,
    TRANSITIONS,
    UNACKNOWLEDGED,
    Input,
    JournalRow,
    Moment,
    Standing,
    State,
    journal_row,
)
from monitor.alarms.table import Priority, rule_of
from monitor.errors import RefusedError
from monitor.judge.words import minutes

SILENCE_LIMIT_S = 120.0
SHELF_LIMIT_S = 600.0


class AlarmMachine:
    """All alarms of a house. Every method that changes something returns the journal rows it made."""

    def __init__(self) -> None:
        self._standing: dict[tuple[str, str], Standing] = {}
        self._serial: dict[tuple[str, str], int] = {}
        self._seen: set[str] = set()
        #: By scope: when somebody was last called to the canner, and by an alarm of the highest class. [s of the run]
        self._called_s: dict[str, tuple[float, float]] = {}

    # -- what the engine and the collector say ---------------------------------------------------------

    def raise_alarm(self, alarm: Alarm, now: Moment) -> list[JournalRow]:
        """An event has happened. A replayed one (same ``event_key``) is passed over."""
        if alarm.raised_s is not None:
            if alarm.event_key in self._seen:
                return []
            self._seen.add(alarm.event_key)
        key = (alarm.scope, alarm.kind)
        number = self._serial[key] = self._serial.get(key, 0) + 1
        alarm_id = f"{alarm.scope}:{alarm.kind}:{number}"
        if alarm.priority is Priority.NOTICE:
            return [
                journal_row(alarm, alarm_id, "noted", State.NORMAL, State.NORMAL, now, alarm.what, whole=True)
            ]
        before = self._standing.get(key)
        if before and before.alarm.cause and before.alarm.priority.rank < alarm.priority.rank:
            # What its cause made more urgent waits for its answer: a plain one of the kind does not take its place.
            return [journal_row(alarm, alarm_id, "noted", before.state, before.state, now, alarm.what)]
        from_state = before.state if before else State.NORMAL
        to_state = TRANSITIONS[from_state, Input.RAISED]
        self._standing[key] = Standing(alarm_id, alarm, to_state, now)
        self._note_call(alarm)
        rows = [journal_row(alarm, alarm_id, Input.RAISED, from_state, to_state, now, alarm.what, whole=True)]
        rule = rule_of(alarm.kind, alarm.cause)
        if rule is None or rule.momentary:
            rows += self._move(key, Input.RETURNED, now, "it happened and is over")
        return rows

    def triggers(
        self, scope: str, kinds: Iterable[str], now: Moment, *, after_s: float | None = None
    ) -> list[JournalRow]:
        """Events, marks or conditions that end what stands in ``scope``. Each ends at once.

        ``after_s``: the run time of the trigger; an alarm raised later than it stays.
        """
        triggers = frozenset(kinds)
        rows = []
        for key in self._active(scope):
            raised_s = self._standing[key].alarm.raised_s
            if after_s is not None and raised_s is not None and raised_s > after_s:
                continue
            if returned_by(key[1], triggers, self._standing[key].alarm.cause):
                rows += self._move(key, Input.RETURNED, now, ", ".join(sorted(triggers)))
        return rows

    def conditions(self, scope: str, well: Iterable[str], now: Moment) -> list[JournalRow]:
        """Conditions seen well *now* (call about once a second): an alarm returns when its condition has
        been well for the deadband without a break."""
        triggers = frozenset(well)
        rows = []
        for key in self._active(scope):
            standing = self._standing[key]
            if not returned_by(key[1], triggers, standing.alarm.cause):
                standing.well_since_s = None
                continue
            if standing.well_since_s is None:
                standing.well_since_s = now.at_s
            if now.at_s - standing.well_since_s >= RETURN_DEADBAND_S:
                rows += self._move(key, Input.RETURNED, now, "well again")
        return rows

    def tick(self, now: Moment) -> list[JournalRow]:
        """Ends the shelving that is over."""
        rows = []
        for standing in self._standing.values():
            if standing.shelved_until_s is not None and now.at_s >= standing.shelved_until_s:
                standing.shelved_until_s = None
                rows.append(self._note(standing, "unshelved", now, "the shelving is over", None))
        return rows

    # -- what people say -------------------------------------------------------------------------------

    def acknowledge(self, alarm_id: str, by: str | None, now: Moment) -> list[JournalRow]:
        """A person has seen it. An id of an earlier raising acknowledges nothing newer."""
        key = self._key(alarm_id)
        if key is None:
            return []
        self._standing[key].acknowledged_by = by
        return self._move(key, Input.ACKNOWLEDGED, now, "acknowledged", by)

    def silence(
        self, by: str | None, now: Moment, *, seconds_s: float = SILENCE_LIMIT_S, alarm_id: str | None = None
    ) -> list[JournalRow]:
        """Stop the sound of what stands now, for two minutes at most; a new alarm sounds all the same."""
        quiet_s = _within(seconds_s, SILENCE_LIMIT_S)
        rows = []
        for standing in self._standing.values():
            if standing.state in UNACKNOWLEDGED and alarm_id in (None, standing.alarm_id):
                standing.silenced_until_s = now.at_s + quiet_s
                row = self._note(standing, "silenced", now, f"sound off for {minutes(quiet_s)}", by)
                rows.append(replace(row, quiet_s=quiet_s))
        return rows

    def shelve(
        self, alarm_id: str, by: str | None, now: Moment, *, seconds_s: float, hold_owed: bool
    ) -> list[JournalRow]:
        """Take an alarm off the list for ten minutes at most.

        Raises
        ------
        RefusedError
            For the highest class while a hold is owed (``hold_owed``), or if it was raised in one.
        """
        key = self._key(alarm_id)
        if key is None:
            return []
        standing = self._standing[key]
        if standing.alarm.priority is Priority.HIGH and (hold_owed or standing.alarm.in_hold):
            raise RefusedError(
                f"'{standing.alarm.headline}' cannot be put aside during a hold.", "Acknowledge it instead."
            )
        quiet_s = _within(seconds_s, SHELF_LIMIT_S)
        standing.shelved_until_s = now.at_s + quiet_s
        row = self._note(standing, "shelved", now, f"put aside for {minutes(quiet_s)}", by)
        return [replace(row, quiet_s=quiet_s)]

    def apply_entry(
        self, kind: str, body: Mapping[str, Any], by: str | None, now: Moment, *, hold_owed: bool = True
    ) -> list[JournalRow]:
        """An entry of the store: ``alarm_acknowledged``, ``alarm_silenced`` or ``alarm_shelved``.

        A refused shelving is a journal row, since nobody waits for the answer.
        """
        alarm_id = str(body.get("alarm_id") or "")
        if kind == "alarm_acknowledged":
            return self.acknowledge(alarm_id, by, now)
        if kind == "alarm_silenced":
            seconds_s = _within(body.get("seconds_s"), SILENCE_LIMIT_S)
            return self.silence(by, now, seconds_s=seconds_s, alarm_id=alarm_id or None)
        if kind == "alarm_shelved":
            try:
                seconds_s = _within(body.get("seconds_s"), SHELF_LIMIT_S)
                return self.shelve(alarm_id, by, now, seconds_s=seconds_s, hold_owed=hold_owed)
            except RefusedError as refusal:
                standing = self._standing[self._key(alarm_id) or ("", "")]
                return [self._note(standing, "refused", now, str(refusal), by)]
        return []

    # -- what the pages read ---------------------------------------------------------------------------

    def board(self, now: Moment) -> list[dict[str, Any]]:
        """Everything that stands, most urgent first, then newest; shelved ones last."""
        standing = sorted(
            self._standing.values(),
            key=lambda one: (
                bool(one.shelved_until_s and now.at_s < one.shelved_until_s),
                one.alarm.priority.rank,
                one.state is State.ACTIVE_ACKNOWLEDGED,
                -one.raised.at_s,
            ),
        )
        return [one.as_json(now) for one in standing]

    def state_of(self, scope: str, kind: str) -> State:
        """The state of one alarm."""
        standing = self._standing.get((scope, kind))
        return standing.state if standing else State.NORMAL

    def called_s(self, scope: str) -> tuple[float, float]:
        """When an alarm last called somebody to the canner, and one of the highest class; long ago where none did."""
        return self._called_s.get(scope, (-inf, -inf))

    def restore(self, rows: Iterable[Mapping[str, Any]], now: Moment) -> None:
        """Take up the journal of before a restart (rows as ``as_json`` made them, oldest first)."""
        for row in rows:
            key = (str(row["scope"]), str(row["kind"]))
            if row.get("alarm"):
                alarm = _alarm_from(row["alarm"])
                self._serial[key] = int(str(row["alarm_id"]).rsplit(":", 1)[1])
                self._seen.add(alarm.event_key)
                if row["change"] == Input.RAISED:
                    self._note_call(alarm)
                    raised = Moment(now.at_s, datetime.fromisoformat(str(row["at_utc"])))
                    self._standing[key] = Standing(
                        str(row["alarm_id"]), alarm, State(row["to_state"]), raised
                    )
            elif key in self._standing and row["to_state"] == State.NORMAL:
                del self._standing[key]
            elif key in self._standing:
                self._take_up(self._standing[key], row)

    @staticmethod
    def _take_up(standing: Standing, row: Mapping[str, Any]) -> None:
        standing.state = State(row["to_state"])
        if row["change"] == Input.ACKNOWLEDGED:
            standing.acknowledged_by = row.get("by")
        if row["change"] == Input.RETURNED:
            standing.returned_utc = datetime.fromisoformat(str(row["at_utc"]))

    # -- inside ----------------------------------------------------------------------------------------

    def _note_call(self, alarm: Alarm) -> None:
        if alarm.raised_s is None or not alarm.calls_to_canner:
            return
        any_s, high_s = self.called_s(alarm.scope)
        if alarm.priority is Priority.HIGH:
            high_s = max(high_s, alarm.raised_s)
        self._called_s[alarm.scope] = (max(any_s, alarm.raised_s), high_s)

    def _active(self, scope: str) -> list[tuple[str, str]]:
        return [key for key, one in self._standing.items() if key[0] == scope and one.state in ACTIVE]

    def _key(self, alarm_id: str) -> tuple[str, str] | None:
        return next((key for key, one in self._standing.items() if one.alarm_id == alarm_id), None)

    def _move(
        self, key: tuple[str, str], change: Input, now: Moment, text: str, by: str | None = None
    ) -> list[JournalRow]:
        standing = self._standing[key]
        from_state, to_state = standing.state, TRANSITIONS[standing.state, change]
        if to_state is from_state:
            return []
        standing.state = to_state
        if change is Input.RETURNED:
            standing.returned_utc = now.at_utc
        if to_state is State.NORMAL:
            del self._standing[key]
        return [journal_row(standing.alarm, standing.alarm_id, change, from_state, to_state, now, text, by)]

    def _note(self, standing: Standing, change: str, now: Moment, text: str, by: str | None) -> JournalRow:
        state = standing.state
        return journal_row(standing.alarm, standing.alarm_id, change, state, state, now, text, by)


def _within(seconds_s: object, limit_s: float) -> float:
    """A duration from an entry, never longer than the limit; what is no number counts as the limit."""
    if not isinstance(seconds_s, int | float) or isnan(seconds_s):
        return limit_s
    return min(max(float(seconds_s), 0.0), limit_s)


def _alarm_from(form: Mapping[str, Any]) -> Alarm:
    kept: dict[str, Any] = {name: form.get(name) for name in Alarm.__dataclass_fields__}
    kept["priority"] = Priority(str(form["priority"]))
    kept["guidance"] = tuple(form.get("guidance") or ())
    kept["cause"] = str(form.get("cause") or "")
    due = form.get("due_utc")
    kept["due_utc"] = datetime.fromisoformat(due) if due else None
    return Alarm(**kept)
