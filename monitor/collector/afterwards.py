"""What comes of a run when it is over, samples or words: it is judged again, and a changed answer is an event."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from monitor.alarms import Context, RunWatch
from monitor.alarms.states import ACTIVE
from monitor.collector.liverun import LiveRun, Teller
from monitor.collector.resting import Resting, say_over, write_verdict
from monitor.judge import Event, Session, Verdict
from monitor.judge.heat import Heat
from monitor.judge.words import exact
from monitor.store.runs import House, RunFacts
from monitor.store.samples import Row
from monitor.store.stamp import epoch_s
from monitor.store.verdicts import said_since

#: A proven time that moved by less is the same answer. [s]
SAME_S = 0.5
#: So far back a new collector looks for runs that got samples after their last verdict: longer than a broker
#: keeps what it could not deliver. [s]
LOOK_BACK_S = 14 * 86400.0
#: After the start, a run that nobody has judged yet waits so long: what brokers and nodes kept of it comes first. [s]
#: Chosen: a link is there within a second or two, and the jars have minutes.
FIRST_COME_S = 5.0


def any_unjudged(conn: sqlite3.Connection, house: House) -> bool:
    """Whether a run ended while no collector was there: its last samples may still be on their way."""
    judged = {row[0] for row in conn.execute("SELECT DISTINCT run_id FROM verdicts")}
    return any(
        run.ended_s is not None and not run.imported and run.run_id not in judged
        for run in house.runs.values()
    )


class Afterwards:
    """The runs that are over and that were not judged with all their samples yet."""

    def __init__(self, conn: sqlite3.Connection, teller: Teller, resting: Resting) -> None:
        self._conn = conn
        self._teller = teller
        self._resting = resting
        self._due: set[str] = set()
        self._began_s = float("-inf")

    def look_back(self, house: House, now_s: float) -> None:
        """What a collector before this one stored, or was told, and did not live to judge."""
        self._began_s = now_s
        for facts in house.runs.values():
            if facts.imported or facts.ended_s is None or now_s - facts.ended_s > LOOK_BACK_S:
                continue
            judged = self._conn.execute(
                "SELECT max(at_utc) FROM verdicts WHERE run_id = ?", (facts.run_id,)
            ).fetchone()[0]
            if (
                judged is None
                or said_since(self._conn, facts, judged)
                or self._came_since(house, facts, epoch_s(judged))
            ):
                self._due.add(facts.run_id)

    def _came_since(self, house: House, facts: RunFacts, judged_s: float) -> bool:
        end_s = facts.started_s if facts.ended_s is None else facts.ended_s
        return any(
            self._conn.execute(
                "SELECT 1 FROM samples JOIN nodes ON node = node_id"
                " WHERE name = ? AND at_s BETWEEN ? AND ? AND arrival_s > ? LIMIT 1",
                (*span, judged_s),
            ).fetchone()
            for span in house.serving(facts.canner, facts.started_s, end_s)
        )

    def said(self, before: House, house: House) -> None:
        """Entries were made; perhaps some change what is recorded of a run that is over."""
        for run_id, facts in house.runs.items():
            old = before.runs.get(run_id)
            ended_before = old is None or old.ended_s is not None
            if facts.ended_s is not None and not facts.imported and ended_before and facts != old:
                self._due.add(run_id)

    def came(self, house: House, rows: Iterable[Row]) -> None:
        """Rows were stored; perhaps some belong to a run that is over."""
        rows = list(rows)
        over = [run for run in house.runs.values() if run.ended_s is not None and not run.imported]
        newest_s = max((run.ended_s or 0.0 for run in over), default=float("-inf"))
        rows = [row for row in rows if row[3] <= newest_s]
        if not rows:
            return
        numbers = dict(self._conn.execute("SELECT name, node_id FROM nodes"))
        for facts in over:
            end_s = facts.started_s if facts.ended_s is None else facts.ended_s
            for node, low_s, high_s in house.serving(facts.canner, facts.started_s, end_s):
                if any(row[0] == numbers.get(node) and low_s <= row[3] <= high_s for row in rows):
                    self._due.add(facts.run_id)

    def moved(self, house: House, node: str, span_s: tuple[float, float]) -> None:
        """Rows of a node that arrived in that span were moved in time; perhaps some lie in a run that is over."""
        for facts in house.runs.values():
            if facts.imported or facts.ended_s is None or span_s[1] - facts.ended_s > LOOK_BACK_S:
                continue
            for name, low_s, high_s in house.serving(facts.canner, facts.started_s, facts.ended_s):
                inside = self._conn.execute(
                    "SELECT 1 FROM samples JOIN nodes ON node = node_id WHERE name = ?1 AND at_s BETWEEN ?2 AND ?3"
                    " AND arrival_s BETWEEN ?4 AND ?5 LIMIT 1",
                    (node, low_s, high_s, *span_s),
                )
                if name == node and inside.fetchone():
                    self._due.add(facts.run_id)

    @property
    def waits(self) -> bool:
        """Whether some run that is over is still to be judged."""
        return bool(self._due)

    def judge(self, house: House) -> None:
        """Judge what is due. Call when no backlog waits: each run once, with everything."""
        due, self._due = sorted(self._due), set()
        is_early = abs(self._teller.moment().at_s - self._began_s) < FIRST_COME_S
        for run_id in due:
            if is_early and self._last_verdict(run_id) is None:
                self._due.add(run_id)
                continue
            facts = house.runs.get(run_id)
            if facts is not None and facts.ended_s is not None:
                self._teller.survives(facts, partial(self._judge, house, facts))

    def _judge(self, house: House, facts: RunFacts) -> None:
        before = self._last_verdict(facts.run_id)
        verdict = write_verdict(self._conn, self._teller, house, facts)
        if verdict is None:
            return
        self._teller.watched(facts)
        self._resting.anew(house, facts)
        if before is None:
            say_over(self._teller, facts, verdict)
            self._close(facts, verdict)
        elif _changed(before, verdict):
            live = self._resting.live_of(facts.run_id) or self._stand_in(facts)
            self._teller.tell(live, [_revision(before, verdict)])

    def _close(self, facts: RunFacts, verdict: Verdict) -> None:
        """A run that ended while nobody collected rings as any other, unless it is long over or rings already."""
        live = self._resting.live_of(facts.run_id)
        if live is None or self._teller.machine.state_of(facts.run_id, "hold_not_held") in ACTIVE:
            return
        assert facts.ended_s is not None
        # Of the same moment as while it was on: what rang for that end rings no second time.
        # An end that is marked later is of the same hold.
        at_s = Heat.of(facts.marks).over_s
        at_s = round(facts.ended_s - facts.started_s, 3) if at_s is None else at_s
        self._teller.ring(live.watch.closed(verdict, at_s, self._teller.moment()))

    def _last_verdict(self, run_id: str) -> Mapping[str, Any] | None:
        """What was said of the run when it was over; what was said while it was on is no verdict yet."""
        waiting = self._teller.outbox.verdicts.get(run_id)
        if waiting is not None:
            return waiting
        row = self._conn.execute(
            "SELECT verdict FROM verdicts WHERE run_id = ? ORDER BY verdict_id DESC LIMIT 1", (run_id,)
        ).fetchone()
        return json.loads(row[0]) if row else None

    def _stand_in(self, facts: RunFacts) -> LiveRun:
        """A run so long over that nobody watches its jars any more; an alarm it can still raise."""
        run = facts.as_run()
        context = Context(scope=facts.run_id, canner=facts.canner, started_at=run.started_at)
        live = LiveRun(facts, Session(run), RunWatch(self._teller.machine, context.after("run_ended")))
        live.told = self._teller.told(facts.run_id)
        return live


def _changed(before: Mapping[str, Any], verdict: Verdict) -> bool:
    proven_s = float(before.get("proven_s") or 0.0)
    return before.get("verdict") != verdict.verdict or abs(proven_s - verdict.proven_s) >= SAME_S


def _revision(before: Mapping[str, Any], verdict: Verdict) -> Event:
    """The engine's own words where it has any that were not said before."""
    said = [event for event in before.get("events", ()) if event["kind"] == "verdict_revised"]
    own = [event for event in verdict.events if event.kind == "verdict_revised"]
    fresh = [event for event in own if event.as_json() not in said]
    if fresh:
        return fresh[-1]
    at_s = verdict.stretches[-1].end_s if verdict.stretches else 0.0
    text = (
        f"More was said of the run when it was over; with that the record says {verdict.verdict or 'open'} "
        f"({exact(verdict.proven_s)} proven) instead of {before.get('verdict') or 'open'} "
        f"({exact(float(before.get('proven_s') or 0.0))})."
    )
    return Event("verdict_revised", at_s, at_s, text)
