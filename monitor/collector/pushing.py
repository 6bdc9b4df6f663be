"""Alarms on their way to the phone: each is tried until the service has it, or nobody waits for it any more."""

from __future__ import annotations

import json
import sqlite3
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from queue import Empty, SimpleQueue
from typing import Any

from monitor.alarms import Message, Moment, PathWatch, Priority, PushQueue, State, message_for
from monitor.alarms.channels import Channel
from monitor.alarms.states import UNACKNOWLEDGED
from monitor.alarms.table import rule_of

#: A message that was not delivered is tried again after so long, each time after twice as long, up to the second of
#: these. [s]
AGAIN_S, AGAIN_MOST_S = 10.0, 600.0
#: And for so long in all: the longest window to save a jar. [s]
FOR_S = 86_400.0
#: After a start, what is over by then is still told where it was raised at most so long ago.
RECENT = timedelta(hours=2)

#: Under this name the store keeps which alarms the phone has.
PUSHED = "alarms_pushed"
#: The name of the way.
PUSH = "the push service"

#: The zone of an alarm's scope, as a way to write times of day.
ZoneTime = Callable[[str], Callable[[datetime], str]]
Row = Mapping[str, Any]


@dataclass(slots=True)
class _Owed:
    since_s: float
    tries: int = 0
    tried_s: float = 0.0
    wait_s: float = 0.0

    def due(self, now_s: float) -> bool:
        return abs(now_s - self.tried_s) >= self.wait_s


class Pushing:
    """One message at a time is with the service, so that each answer is that message's.

    ``pushed``: alarms whose message was confirmed in an earlier life of the collector (:attr:`pushed`).
    """

    def __init__(self, channel: Channel, pushed: Iterable[str], zone_time: ZoneTime) -> None:
        self._reports: SimpleQueue[tuple[bool, str]] = SimpleQueue()
        self._queue = PushQueue(channel, lambda ok, why: self._reports.put((ok, why)))
        self.path = PathWatch(PUSH)
        self._zone_time = zone_time
        self._pushed = set(pushed)
        self._owed: dict[str, _Owed] = {}
        self._on_its_way: deque[str] = deque()
        self._wanted: dict[str, Row] = {}

    @property
    def pushed(self) -> str:
        """The alarms that stand and were confirmed, for the next life of the collector."""
        return json.dumps(sorted(self._pushed))

    @property
    def busy(self) -> bool:
        """Whether something waits to be sent or confirmed."""
        return bool(self._owed or self._on_its_way)

    def owe(self, alarm_id: str, now_s: float) -> None:
        """To be told, unless it was."""
        if alarm_id not in self._pushed:
            self._owed.setdefault(alarm_id, _Owed(now_s))

    def recall(self, standing: Sequence[Row], now: Moment) -> None:
        """At a start: what stands and was never confirmed."""
        for row in standing:
            recent = now.at_utc - datetime.fromisoformat(str(row["raised_utc"])) <= RECENT
            if _waits(row) and (row["state"] == State.ACTIVE_UNACKNOWLEDGED.value or recent):
                self.owe(str(row["alarm_id"]), now.at_s)

    def look(self, now_s: float) -> None:
        """Hear what became of what was sent."""
        while True:
            try:
                ok, why = self._reports.get_nowait()
            except Empty:
                return
            alarm_id = self._on_its_way.popleft() if self._on_its_way else ""
            owed = self._owed.get(alarm_id)
            if ok:
                self.path.confirmed(now_s)
                self._confirmed(alarm_id)
            else:
                self.path.failed(why)
                if owed is not None:
                    owed.wait_s = min(max(AGAIN_S, 2.0 * owed.wait_s), AGAIN_MOST_S)

    def _confirmed(self, alarm_id: str) -> None:
        self._owed.pop(alarm_id, None)
        self._pushed.add(alarm_id)
        for other in self._owed.values():
            # The service is there: nothing need wait longer.
            other.wait_s = min(other.wait_s, AGAIN_S)

    def send(self, standing: Sequence[Row], now_s: float) -> None:
        """Hand over the next one; ``standing``: the board of alarms, most urgent first."""
        self._pushed.intersection_update(str(row["alarm_id"]) for row in standing)
        self._wanted = {str(row["alarm_id"]): row for row in standing if _waits(row)}
        for alarm_id in [*self._owed]:
            if alarm_id not in self._wanted or abs(now_s - self._owed[alarm_id].since_s) > FOR_S:
                del self._owed[alarm_id]
        if self._on_its_way:
            return
        due = [one for one in self._wanted if one in self._owed and self._owed[one].due(now_s)]
        if due:
            self._hand_over(min(due, key=lambda one: self._owed[one].tries), now_s)

    def _hand_over(self, alarm_id: str, now_s: float) -> None:
        owed = self._owed[alarm_id]
        owed.tries, owed.tried_s = owed.tries + 1, now_s
        self._on_its_way.append(alarm_id)
        self.path.sent(now_s)
        self._queue.put(self._message(self._wanted[alarm_id]))

    def _message(self, row: Row) -> Message:
        zone_time = self._zone_time(str(row["scope"]))
        if is_over(row):
            raised = zone_time(datetime.fromisoformat(str(row["raised_utc"])))
            row = {
                **row,
                "headline": f"Over by now: {row['headline']}",
                "what": f"Raised at {raised}; it is over, and nobody has acknowledged it. It was: {row['what']}",
                "do": "Look at the canner or at its page.",
                "due_utc": None,
            }
        return message_for(row, zone_time)

    def close(self, now_s: float) -> None:
        """Send what was never tried, within a few seconds."""
        for alarm_id in [one for one, owed in self._owed.items() if not owed.tries and one in self._wanted]:
            self._hand_over(alarm_id, now_s)
        self._queue.close()
        self.look(now_s)


def confirmed_pushes(conn: sqlite3.Connection) -> list[str]:
    """The alarms that an earlier life of the collector saw confirmed."""
    row = conn.execute("SELECT value FROM meta WHERE key = ?", (PUSHED,)).fetchone()
    return [str(one) for one in json.loads(row[0])] if row else []


def is_over(row: Row) -> bool:
    """Whether what an alarm tells of is no longer so; news stays news until it is seen."""
    rule = rule_of(str(row["kind"]), str(row.get("cause") or ""))
    return row["state"] == State.RETURNED_UNACKNOWLEDGED.value and not (rule is not None and rule.momentary)


def _waits(row: Row) -> bool:
    """Whether somebody is to be told of it, and has not answered."""
    return row["state"] in UNACKNOWLEDGED and row["priority"] != Priority.NOTICE.value
