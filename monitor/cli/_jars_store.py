"""From the store to a batch: what the verb ``jars`` reads."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.errors import StoreError
from monitor.jars import BatchState, batch_state
from monitor.jars.times import times_of
from monitor.judge import judge
from monitor.record.model import Run
from monitor.store.entries import Entry, read_entries
from monitor.store.reader import load_run, open_reader, verdict_of
from monitor.store.runs import read_house
from monitor.store.stamp import utc_text


@dataclass(frozen=True, slots=True)
class Batch:
    """A run with its verdict, its entries, and what follows from them."""

    run: Run
    verdict: Mapping[str, Any]
    entries: list[Entry]
    state: BatchState
    header: Mapping[str, Any]
    known_ids: frozenset[str]

    @property
    def two_hours(self) -> datetime | None:
        """When the 2 h clock closes; None where it does not run."""
        return times_of(self.run, self.verdict).two_hours

    def refusal_of(self, kind: str, body: Mapping[str, Any], at: datetime, by: str | None) -> str:
        """Why an entry would be refused if it were appended now; empty when it would not."""
        trial = {
            "id": max((entry.id for entry in self.entries), default=0) + 1,
            "kind": kind,
            "body": body,
            "at_utc": utc_text(at),
            "happened_utc": utc_text(at),
            "by": by,
        }
        tried = batch_state(self.run, self.verdict, [*self.entries, trial], at)
        return tried.refused[-1] if len(tried.refused) > len(self.state.refused) else ""

    def child_header(
        self, extra: Mapping[str, Any], minutes: float, source: str, now: datetime
    ) -> dict[str, Any]:
        """The header of the run that reprocesses some of these jars."""
        number = 1
        while (run_id := f"{self.run.run_id}-again{number}") in self.known_ids:
            number += 1
        header = dict(self.header)
        for key in ("marks", "ended_at", "deviations"):
            header.pop(key, None)
        header["batch"] = dict(header.get("batch") or {}) | {
            "pack": "hot",
            "jars": len(extra["reprocess_jars"]),
        }
        header |= {"run_id": run_id, "started_at": now.isoformat()}
        header["required"] = {"minutes": minutes, "source": source}
        return header | dict(extra)


def load_batch(folder: Path, run_id: str, now: datetime) -> Batch:
    """A batch of the store. Raises UsageError for an unknown run, StoreError without a store."""
    _there(folder)
    with closing(open_reader(folder)) as conn:
        run = load_run(conn, run_id)
        house = read_house(conn)
        entries = [
            *read_entries(conn, run_id),
            *_children(read_entries(conn, None, ("run_started",)), run_id),
        ]
    verdict = judge(run).as_json()
    state = batch_state(run, verdict, entries, now)
    return Batch(run, verdict, entries, state, house.runs[run_id].header, frozenset(house.runs))


def load_pantry(folder: Path, now: datetime) -> list[BatchState]:
    """Every batch that is over, by its stored verdict (judged anew only where none was written down)."""
    _there(folder)
    states = []
    with closing(open_reader(folder)) as conn:
        starts = read_entries(conn, None, ("run_started",))
        by_run: dict[str | None, list[Entry]] = {}
        for entry in read_entries(conn):
            by_run.setdefault(entry.run_id, []).append(entry)
        for run_id, facts in read_house(conn).runs.items():
            verdict = verdict_of(conn, run_id) or judge(load_run(conn, run_id)).as_json()
            entries = [*by_run.get(run_id, []), *_children(starts, run_id)]
            states.append(batch_state(facts.as_run(), verdict, entries, now))
    return states


def _children(starts: list[Entry], run_id: str) -> list[Entry]:
    return [entry for entry in starts if entry.body.get("reprocess_of") == run_id]


def _there(folder: Path) -> None:
    if not (folder / "boilwitness.sqlite").exists():
        raise StoreError(f"there is no store in {folder}.", "Name it with --data DIR.")
