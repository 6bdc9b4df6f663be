"""Batches after the heat is off, from the store: run, verdict, entries, and what follows from them.

For whoever shows or changes them: the pages and the command line.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any

from monitor.errors import RecordError, UsageError
from monitor.jars import BatchState, batch_state, runs_sharing
from monitor.judge import judge
from monitor.record.model import Run
from monitor.store.entries import Entry, read_entries
from monitor.store.reader import load_run, run_samples, verdict_of
from monitor.store.runs import SHAPING, House, RunFacts, read_house
from monitor.store.stamp import parse_utc, utc_text

#: Asked for a verdict that the store has not: the run's id, its newest entry, and how to load it.
Judged = Callable[[str, int, Callable[[], Run]], Mapping[str, Any]]


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
        tried = batch_state(self.run, self.verdict, [*self.entries, trial], max(moment, self.now))
        return tried.refused[-1] if len(tried.refused) > len(self.state.refused) else ""


def judged_now(run_id: str, newest: int, load: Callable[[], Run]) -> Mapping[str, Any]:
    """The verdict on a run, in its JSON form; whoever asks often keeps it by ``run_id`` and ``newest``."""
    return judge(load()).as_json()


def load_batch(
    conn: sqlite3.Connection,
    run_id: str,
    now: datetime,
    *,
    judged: Judged = judged_now,
) -> Batch:
    """A batch at ``now`` (aware). ``judged`` is asked only where the store's verdict is missing or stale.

    Raises
    ------
    UsageError
        The store does not hold the run.
    RecordError
        Its header is not in the contract's form.
    """
    house = read_house(conn)
    facts = house.runs.get(run_id)
    if facts is None:
        raise UsageError(f"there is no run {run_id!r} in this store.", "'boilwitness runs' lists them.")
    run = load_run(conn, run_id)
    own = read_entries(conn, run_id)
    verdict = _stored(conn, run_id, own) or judged(run_id, _newest(own), lambda: run)
    entries = [*own, *_children(read_entries(conn, None, ("run_started",)), run_id)]
    state = batch_state(run, verdict, entries, now)
    return Batch(run, verdict, entries, state, now, facts.header, frozenset(house.runs))


def load_batches(conn: sqlite3.Connection, now: datetime, *, judged: Judged = judged_now) -> list[BatchState]:
    """Every batch that is over or whose verdict is known, by its stored verdict; see :func:`load_batch`."""
    house = read_house(conn)
    by_run: dict[str | None, list[Entry]] = {}
    for entry in read_entries(conn):
        by_run.setdefault(entry.run_id, []).append(entry)
    starts = [entry for entries in by_run.values() for entry in entries if entry.kind == "run_started"]
    return [
        state
        for facts in house.runs.values()
        if (state := _state(conn, house, facts, by_run.get(facts.run_id, []), starts, now, judged))
        is not None
    ]


def _state(
    conn: sqlite3.Connection,
    house: House,
    facts: RunFacts,
    own: list[Entry],
    starts: list[Entry],
    now: datetime,
    judged: Judged,
) -> BatchState | None:
    verdict = _stored(conn, facts.run_id, own)
    try:
        if verdict is None and not _over(facts):
            return None
        run = _run(conn, house, facts)
        if verdict is None:
            verdict = judged(facts.run_id, _newest(own), partial(load_run, conn, facts.run_id))
    except RecordError:
        return None  # its own page says what is wrong with it; the others are not held up
    return batch_state(run, verdict, [*own, *_children(starts, facts.run_id)], now)


def _over(facts: RunFacts) -> bool:
    """Whether there can be jars to follow: a run still on without a verdict has none yet."""
    return facts.ended_s is not None or any(
        m.kind in ("heat_off", "jars_lifted") for m in facts.as_run().marks
    )


def _newest(own: Iterable[Entry]) -> int:
    return max((entry.id for entry in own), default=0)


def _run(conn: sqlite3.Connection, house: House, facts: RunFacts) -> Run:
    """The run, with its samples only where they may show what nobody marked."""
    run = facts.as_run()
    if {"heat_off", "jars_lifted"} <= {mark.kind for mark in run.marks}:
        return run
    if facts.imported:
        return load_run(conn, facts.run_id)
    return replace(run, samples=tuple(run_samples(conn, house, facts)))


def _stored(conn: sqlite3.Connection, run_id: str, own: Iterable[Entry]) -> Mapping[str, Any] | None:
    """The stored verdict, unless something that shapes the run was said since: an entry takes effect when it is
    appended, collector running or not."""
    verdict = verdict_of(conn, run_id)
    if verdict is None:
        return None
    written = conn.execute(
        "SELECT max(at_utc) FROM (SELECT at_utc FROM verdicts WHERE run_id = ?1"
        " UNION ALL SELECT updated_utc FROM live WHERE run_id = ?1)",
        (run_id,),
    ).fetchone()[0]
    said = max((entry.at_utc for entry in own if entry.kind in SHAPING), default="")
    return verdict if parse_utc(written) >= parse_utc(said or written) else None


def _children(starts: Iterable[Entry], run_id: str) -> list[Entry]:
    return [entry for entry in starts if entry.body.get("reprocess_of") == run_id]


def sharing(conn: sqlite3.Connection, run_id: str, now: datetime) -> list[str]:
    """Other runs that a fault of this run's probe may touch: those since the probe's last good check.

    Without a check in the record, every run of the same probe, else of the same canner, so far.
    """
    house = read_house(conn)
    facts = house.runs.get(run_id)
    if facts is None:
        raise UsageError(f"there is no run {run_id!r} in this store.", "'boilwitness runs' lists them.")
    calibration = facts.as_run().probe.calibration
    alike = [(run.run_id, at) for run in _alike(house, _probe_of(facts)) if (at := _began(run)) is not None]
    since = calibration.at if calibration is not None and calibration.at is not None else None
    first = min((at for _, at in alike), default=now)
    return [found for found in runs_sharing(alike, since or first, now) if found != run_id]


def _began(facts: RunFacts) -> datetime | None:
    try:
        return facts.as_run().started_at
    except RecordError:
        return None  # there is no telling when


def _alike(house: House, mine: tuple[str | None, str | None]) -> list[RunFacts]:
    probe, canner = mine
    key = 0 if probe else 1
    wanted = probe or canner
    return [facts for facts in house.runs.values() if wanted is not None and _probe_of(facts)[key] == wanted]


def _probe_of(facts: RunFacts) -> tuple[str | None, str | None]:
    probe = facts.header.get("probe")
    number = probe.get("probe_id") if isinstance(probe, dict) else None
    return (number if isinstance(number, str) else None), facts.canner
