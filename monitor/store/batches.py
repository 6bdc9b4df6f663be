"""Batches after the heat is off, from the store: run, verdict, entries, and what follows from them.

For whoever shows or changes them: the pages and the command line.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from monitor.errors import MonitorError, RecordError
from monitor.jars import BatchState, batch_state
from monitor.jars.again import Again
from monitor.jars.window import Before, before_of
from monitor.judge import judge
from monitor.plan.drift import batches_touched
from monitor.record.model import ENDS, Run
from monitor.store.clock_doubt import clock_doubt
from monitor.store.entries import Entry, read_entries, reprocessings
from monitor.store.probes import probe_of, probe_past
from monitor.store.reader import whole_run
from monitor.store.runs import House, RunFacts, read_house
from monitor.store.stamp import utc_text
from monitor.store.verdicts import verdict_of

#: Asked for a verdict (JSON form) that the store has not: the run's id and its newest entry.
Judged = Callable[[str, int], Mapping[str, Any]]


@dataclass(frozen=True, slots=True)
class Batch:
    """A run, its verdict (JSON form), its entries, and the state of its jars at ``now``."""

    run: Run
    verdict: Mapping[str, Any]
    entries: list[Entry]
    state: BatchState
    now: datetime
    header: Mapping[str, Any]
    known_ids: frozenset[str]
    #: By its id, what became of each run that reprocesses jars of this one.
    again: Mapping[str, Again] = field(default_factory=dict)
    #: What the run says that its jars come from, where they come from one.
    before: Before | None = None
    #: What is to be said of its times of day; empty where they are those of the clock that people go by.
    clock_doubt: str = ""

    def refusal_of(
        self, kind: str, body: Mapping[str, Any], by: str | None, at: datetime | None = None
    ) -> str:
        """Why an entry would be refused if it were appended now, about ``at``; empty when it would not."""
        moment = at or self.now
        trial = {
            "id": max((entry.id for entry in self.entries), default=0) + 1,
            "kind": kind,
            "body": body,
            "at_utc": utc_text(max(moment, self.now)),
            "happened_utc": utc_text(moment),
            "by": by,
        }
        at_most = max(moment, self.now)
        tried = batch_state(self.run, self.verdict, [*self.entries, trial], at_most, self.again, self.before)
        return tried.refused[-1] if len(tried.refused) > len(self.state.refused) else ""


def load_batch(
    conn: sqlite3.Connection,
    run_id: str,
    now: datetime,
    *,
    judged: Judged | None = None,
    run: Run | None = None,
) -> Batch:
    """A batch at ``now`` (aware).

    ``judged`` is asked only where the store's verdict is missing or stale; without it the run is judged here.
    ``run`` is what :func:`monitor.store.reader.load_run` gave, for whoever keeps it.

    Raises
    ------
    UsageError
        The store does not hold the run.
    RecordError
        Its header is not in the contract's form.
    """
    house = read_house(conn)
    facts = house.run(run_id)
    run = run or whole_run(conn, house, facts)
    own = read_entries(conn, run_id)
    verdict: Mapping[str, Any] | None = verdict_of(conn, run_id)
    if verdict is None:
        verdict = judged(run_id, _newest(own)) if judged is not None else judge(run).as_json()
    starts = reprocessings(conn, run_id)
    entries = [*own, *starts]
    again = again_of(conn, house, batch_state(run, verdict, entries, now), starts, now, judged)
    before = before_from(conn, house, facts, now, judged)
    state = batch_state(run, verdict, entries, now, again, before)
    began = next((entry for entry in own if entry.kind == "run_started"), None)
    doubt = "" if facts.imported else clock_doubt(conn, began, now)
    return Batch(run, verdict, entries, state, now, facts.header, frozenset(house.runs), again, before, doubt)


def load_batches(
    conn: sqlite3.Connection, now: datetime, *, judged: Judged | None = None
) -> list[BatchState]:
    """Every batch that is over or whose verdict is known, by its stored verdict; see :func:`load_batch`."""
    house = read_house(conn)
    by_run: dict[str | None, list[Entry]] = {}
    for entry in read_entries(conn):
        by_run.setdefault(entry.run_id, []).append(entry)

    def said(facts: RunFacts) -> list[Entry]:
        # With an imported record came what was said of it elsewhere.
        return read_entries(conn, facts.run_id) if facts.imported else by_run.get(facts.run_id, [])

    return [
        state
        for facts in house.runs.values()
        if (state := _state(conn, house, facts, said(facts), now, judged)) is not None
    ]


def _state(
    conn: sqlite3.Connection,
    house: House,
    facts: RunFacts,
    own: list[Entry],
    now: datetime,
    judged: Judged | None,
) -> BatchState | None:
    """A batch with the runs before and after it; None for one that is on, or whose header cannot be read."""
    found = _alone(conn, house, facts, own, now, judged)
    if found is None:
        return None
    run, verdict, entries, starts = found
    alone = batch_state(run, verdict, entries, now)
    again = again_of(conn, house, alone, starts, now, judged)
    return batch_state(run, verdict, entries, now, again, before_from(conn, house, facts, now, judged))


def _alone(
    conn: sqlite3.Connection,
    house: House,
    facts: RunFacts,
    own: list[Entry],
    now: datetime,
    judged: Judged | None,
) -> tuple[Run, Mapping[str, Any], list[Entry], list[Entry]] | None:
    """Run, verdict, its entries with those of the runs that reprocess it, and the latter by themselves."""
    verdict: Mapping[str, Any] | None = verdict_of(conn, facts.run_id)
    try:
        if verdict is None and not _over(facts):
            return None
        run = _run(conn, house, facts)
        if verdict is None:
            newest = _newest(own)
            verdict = (
                judged(facts.run_id, newest) if judged else judge(whole_run(conn, house, facts)).as_json()
            )
    except RecordError:
        return None  # its own page says what is wrong with it; the others are not held up
    starts = reprocessings(conn, facts.run_id) if _has_children(house, facts.run_id) else []
    return run, verdict, [*own, *starts], starts


def _has_children(house: House, run_id: str) -> bool:
    return any(facts.header.get("reprocess_of") == run_id for facts in house.runs.values())


def before_from(
    conn: sqlite3.Connection, house: House, facts: RunFacts, now: datetime, judged: Judged | None = None
) -> Before | None:
    """What the run says that this one's jars come from; None where they come from none."""
    parent_id = facts.header.get("reprocess_of")
    if not parent_id:
        return None
    parent = house.runs.get(str(parent_id))
    if parent is None or parent.run_id == facts.run_id:
        return Before()
    try:
        found = _alone(conn, house, parent, read_entries(conn, parent.run_id), now, judged)
    except MonitorError:
        return Before()
    return Before() if found is None else before_of(batch_state(*found[:3], now), facts.run_id)


def again_of(
    conn: sqlite3.Connection,
    house: House,
    parent: BatchState | None,
    starts: Iterable[Entry],
    now: datetime,
    judged: Judged | None = None,
) -> dict[str, Again]:
    """What became of the runs that these entries began, for ``parent``, which their jars come from.

    ``parent`` None: its state is not known yet. A reprocessing is reprocessed by none: no look further.
    """
    found: dict[str, Again] = {}
    for entry in starts:
        facts = house.runs.get(str(entry.body.get("run_id"))) if entry.kind == "run_started" else None
        if facts is None:
            continue
        try:
            over = _over(facts)
            child = (
                _alone(conn, house, facts, read_entries(conn, facts.run_id), now, judged) if over else None
            )
            before = before_of(parent, facts.run_id) if parent is not None else None
            state = batch_state(*child[:3], now, None, before) if child is not None else None
            found[facts.run_id] = Again(over, state, _went_in(facts))
        except MonitorError:
            continue  # not told, so no place for its jars
    return found


def _went_in(facts: RunFacts) -> datetime | None:
    """When the jars of a run went in, the last time where that was marked twice."""
    run = facts.as_run()
    marked = [mark.t_s for mark in run.marks if mark.kind == "jars_in"]
    return run.started_at + timedelta(seconds=max(marked)) if marked else None


def _over(facts: RunFacts) -> bool:
    """Whether there can be jars to follow: a run still on without a verdict has none yet."""
    return facts.ended_s is not None or any(m.kind in ENDS for m in facts.as_run().marks)


def _newest(own: Iterable[Entry]) -> int:
    return max((entry.id for entry in own), default=0)


def _run(conn: sqlite3.Connection, house: House, facts: RunFacts) -> Run:
    """The run, with its samples only where they may show what nobody marked."""
    run = facts.as_run()
    if set(ENDS) <= {mark.kind for mark in run.marks}:
        return run
    return whole_run(conn, house, facts)


def sharing(conn: sqlite3.Connection, run_id: str, now: datetime) -> list[str]:
    """Other runs that a fault of this run's probe may touch: those since the probe's last good check.

    A run that names no probe is put with every run of its canner and with those that name none either.
    """
    house = read_house(conn)
    facts = house.run(run_id)
    checked = facts.as_run().probe.calibration
    since = checked.at if checked is not None else None
    runs = probe_past(conn).runs
    probe = probe_of(facts.header)
    if probe is None:
        runs = tuple(run for run in runs if run[2] is None or house.runs[run[0]].canner == facts.canner)
        runs = tuple((found, at, None) for found, at, _ in runs)
    return [found for found in batches_touched(runs, probe or "", since, now) if found != run_id]
