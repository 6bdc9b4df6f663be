"""One run with its engine and its way into the alarms, and how what happens to it is told."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from typing import Any

from monitor.alarms import AlarmMachine, JournalRow, Moment, RunWatch
from monitor.judge import Event, LateRevision, Session
from monitor.record import Sample
from monitor.store.handover import Outbox
from monitor.store.merge import Merger, Span
from monitor.store.runs import RunFacts

#: What is remembered of an event that was told: kind, onset, raised. [s since the run's start]
Told = tuple[str, float, float]
#: The same event raised live and raised again when the run is judged anew lie at most so far apart. [s]
SAME_EVENT_S = 30.0
#: What late rows changed is known by when the last of them arrived, which the store keeps. [s]
SAME_ARRIVAL_S = 0.01


@dataclass(slots=True)
class LiveRun:
    """One run, the nodes that serve it, and what joins their rows."""

    facts: RunFacts
    session: Session
    watch: RunWatch
    spans: list[Span] = field(default_factory=list)
    merger: Merger = field(default_factory=Merger)
    last: Sample | None = None
    #: Every event told, by whichever life of the collector.
    told: list[Told] = field(default_factory=list)
    closed_for: int = 0
    changed: bool = True
    verdict_s: float = float("-inf")
    phase: str = ""


class Teller:
    """Tells a person, the journals and the other rooms; writes only into the outbox."""

    def __init__(
        self,
        conn: sqlite3.Connection,
        outbox: Outbox,
        machine: AlarmMachine,
        say: Callable[[RunFacts | None, str], None],
        moment: Callable[[], Moment],
    ) -> None:
        self.conn = conn
        self.outbox = outbox
        self.machine = machine
        self.say = say
        self.moment = moment
        #: Which scopes of alarms are runs.
        self.run_ids: Collection[str] = ()
        #: Rows of the journal made since last asked, for whoever tells the rest of the house.
        self.rung: list[JournalRow] = []

    def take_events(
        self, live: LiveRun, *, revised: bool = False, only: Collection[str] | None = None
    ) -> bool:
        """Tell what is new; whether anything was.

        After a revision the engine raises again what was told before: no news. ``only``: the kinds that still
        matter.
        """
        events = [event for event in live.session.take_events() if only is None or event.kind in only]
        if revised:
            left = list(live.told)
            events = [event for event in events if not _matched(event, left)]
        if events:
            self.tell(live, events)
        return bool(events)

    def tell(self, live: LiveRun, events: list[Event]) -> None:
        """Journal events, say them, and let the alarms know."""
        for event in events:
            live.told.append((event.kind, event.onset_s, event.raised_s))
            self.outbox.events.append((live.facts.run_id, event.as_json()))
            self.say(live.facts, f"{event.kind}: {event.text}")
        self.ring(live.watch.events(events, self.moment()))

    def told(self, run_id: str) -> list[Told]:
        """The events of a run that are in the journal, or about to be."""
        rows = self.conn.execute(
            "SELECT kind, json_extract(body, '$.onset_s'), json_extract(body, '$.raised_s') FROM events"
            " WHERE run_id = ?",
            (run_id,),
        )
        told = [(str(kind), float(onset_s), float(raised_s)) for kind, onset_s, raised_s in rows]
        waiting = [event for run, event in self.outbox.events if run == run_id]
        return told + [(str(e["kind"]), float(e["onset_s"]), float(e["raised_s"])) for e in waiting]

    def ring(self, rows: Iterable[JournalRow]) -> None:
        """Journal what the alarms did."""
        for row in rows:
            run_id = row.scope if row.scope in self.run_ids else None
            self.outbox.alarms.append((row.alarm_id, run_id, row.kind, row.to_state, row.as_json()))
            self.rung.append(row)

    def apply(self, kind: str, body: dict[str, Any], by: str | None, *, hold_owed: bool) -> None:
        """An acknowledgement, a silencing, a shelving."""
        self.ring(self.machine.apply_entry(kind, body, by, self.moment(), hold_owed=hold_owed))


def _matched(event: Event, told: list[Told]) -> bool:
    """Whether an event was told before; each telling stands for one event only."""
    for at, (kind, onset_s, raised_s) in enumerate(told):
        if isinstance(event, LateRevision):
            same = abs(raised_s - event.raised_s) <= SAME_ARRIVAL_S
        else:
            same = abs(onset_s - event.onset_s) <= SAME_EVENT_S
        if kind == event.kind and same:
            del told[at]
            return True
    return False
