"""A batch after the heat is off, as the pages read it from the store: run, verdict, entries, what follows."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, settings
from monitor.jars import BatchState, batch_state
from monitor.judge import judge
from monitor.record import Run
from monitor.store import reader
from monitor.store.entries import Entry, read_entries
from monitor.store.runs import read_house
from monitor.store.stamp import utc_text


@dataclass(frozen=True, slots=True)
class Batch:
    """A run, its verdict (JSON form), its entries, and the state of its jars at ``now``."""

    run: Run
    verdict: Mapping[str, Any]
    entries: list[Entry]
    state: BatchState
    now: datetime

    def refusal_of(self, kind: str, body: Mapping[str, Any], by: str | None) -> str:
        """Why an entry would be refused if it were appended now; empty when it would not."""
        trial = {
            "id": max((entry.id for entry in self.entries), default=0) + 1,
            "kind": kind,
            "body": body,
            "at_utc": utc_text(self.now),
            "happened_utc": utc_text(self.now),
            "by": by,
        }
        tried = batch_state(self.run, self.verdict, [*self.entries, trial], self.now)
        return tried.refused[-1] if len(tried.refused) > len(self.state.refused) else ""


def load(run_id: str, now: datetime) -> Batch | None:
    """A batch at ``now`` (aware); ``None`` when the store does not hold the run."""
    with data.store() as conn:
        if run_id not in read_house(conn).runs:
            return None
        run = reader.load_run(conn, run_id)
        verdict = reader.verdict_of(conn, run_id) or judge(run).as_json()
        entries = [*read_entries(conn, run_id), *_children(_starts(conn), run_id)]
    return Batch(run, verdict, entries, batch_state(run, verdict, entries, now), now)


@st.cache_resource(ttl=5.0, show_spinner=False)
def _kept(data_dir: Path, _now: datetime) -> list[BatchState]:
    states = []
    with data.store() as conn:
        by_run: dict[str | None, list[Entry]] = {}
        for entry in read_entries(conn):
            by_run.setdefault(entry.run_id, []).append(entry)
        starts = _starts(conn)
        for run_id, facts in read_house(conn).runs.items():
            if facts.ended_s is None:
                continue
            verdict = reader.verdict_of(conn, run_id) or judge(reader.load_run(conn, run_id)).as_json()
            entries = [*by_run.get(run_id, []), *_children(starts, run_id)]
            states.append(batch_state(facts.as_run(), verdict, entries, _now))
    return states


def kept(now: datetime) -> list[BatchState]:
    """Every batch that is over, as it stood some seconds ago at the most."""
    return _kept(settings.current().data_dir, now)


def forget() -> None:
    """Read anew what was just changed."""
    _kept.clear()
    data.forget()


def _starts(conn: sqlite3.Connection) -> list[Entry]:
    return read_entries(conn, None, ("run_started",))


def _children(starts: list[Entry], run_id: str) -> list[Entry]:
    return [entry for entry in starts if entry.body.get("reprocess_of") == run_id]
