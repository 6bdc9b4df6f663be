"""One run with its engine and its way into the alarms, and how what happens to it is told."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from traceback import format_exc
from typing import Any

from monitor.alarms import AlarmMachine, Context, JournalRow, Moment, RunWatch, condition_alarm
from monitor.errors import StoreError
from monitor.judge import Event, LateRevision, Session
from monitor.record import Sample
from monitor.store.handover import Outbox
from monitor.store.merge import Merger, Ranks, Span
from monitor.store.runs import RunFacts

#: What is remembered of an event that was told: kind, onset, raised. [s since the run's start]
Told = tuple[str, float, float]
#: The same event raised live and raised again when the run is judged anew lie at most so far apart. [s]
SAME_EVENT_S = 30.0
#: What late rows changed is known by when the last of them arrived, which the store keeps. [s]
SAME_ARRIVAL_S = 0.01
#: Why a run is not watched any more: what a person must know of it, whatever went wrong.
UNWATCHED = (
    "An error in this program ended its judging at {at}. Whether it boils, and whether it has boiled since, is not "
    "known. Its readings are still stored."
)


@dataclass(slots=True)
class LiveRun:
    """One run, the nodes that serve it, and what joins their rows."""

    facts: RunFacts
    session: Session
    watch: RunWatch
    spans: list[Span] = field(default_factory=list)
    ranks: Ranks = field(default_factory=Ranks)
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
        #: Runs whose judging ended in an error, and which.
        self.unwatched: dict[str, str] = {}

    def survives(self, facts: RunFacts, work: Callable[[], None], context: Context | None = None) -> bool:
        """Work on one run; whether it came to its end.

        An error that nobody foresaw ends the watch of this run, and of no other; somebody is called. The disk's
        troubles are no run's, and go on to who waits them out.
        """
        try:
            work()
        except (sqlite3.Error, StoreError):
            raise
        except Exception:  # noqa: BLE001 (whatever it is; it is told with its traceback)
            self._lose(facts, context or Context(scope=facts.run_id, canner=facts.canner), format_exc())
            return False
        return True

    def _lose(self, facts: RunFacts, context: Context, trouble: str) -> None:
        """Said, journalled with the traceback, and rung once, however often it is tried again."""
        before = self.unwatched.get(facts.run_id)
        self.unwatched[facts.run_id] = trouble
        moment = self.moment()
        text = UNWATCHED.format(at=clock_of(moment.at_s - facts.started_s))
        if trouble != before:
            said = f"run {facts.run_id} is not watched any more. {text}"
            self.outbox.journal.append(("run_unwatched", said, {"traceback": trouble}))
            for line in (said, *trouble.splitlines()):
                self.say(facts, line)
        if before is None:
            self.ring(self.machine.raise_alarm(condition_alarm("run_unwatched", context, text), moment))

    def watched(self, facts: RunFacts) -> None:
        """All of a run was judged without an error; also what an earlier life of the collector rang for is over."""
        if self.unwatched.pop(facts.run_id, None) is not None:
            self.say(facts, f"run {facts.run_id} is watched again: all that is stored of it was judged anew")
        self.ring(self.machine.triggers(facts.run_id, ["run_watched"], self.moment()))

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


def clock_of(t_s: float) -> str:
    """``0:25:20`` since the run's start."""
    whole = round(abs(t_s))
    sign = "-" if t_s < 0 else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


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
