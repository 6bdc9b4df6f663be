"""Batches after the heat is off, shared by all viewers for a moment."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, judging, settings
from monitor.errors import MonitorError
from monitor.jars import BatchState
from monitor.record import Run
from monitor.store.batches import Batch, load_batch, load_batches, sharing
from monitor.store.newest import newest_entry
from monitor.store.reader import load_run
from monitor.store.runs import read_house

__all__ = ["Batch", "all_placed", "forget", "kept", "load", "touched_too"]

#: A run's samples are read anew this often while somebody looks at its jars. [s]
KEPT_S = 60.0


def load(run_id: str, now: datetime) -> Batch | None:
    """A batch at ``now`` (aware); ``None`` when the store does not hold the run."""
    with data.store() as conn:
        if run_id not in read_house(conn).runs:
            return None
        newest = newest_entry(conn, run_id)
        run = _run(settings.current().data_dir, run_id, newest, _minute(now))
        return load_batch(conn, run_id, now, judged=_judged, run=run)


def newest_said(run_id: str) -> int:
    """The number of the newest entry about a run."""
    with data.store() as conn:
        return newest_entry(conn, run_id)


def all_placed(run_id: str, now: datetime) -> bool:
    """Whether every jar of a run already has its place. Pages ask each second: looked up once something was said."""
    with data.store() as conn:
        # Of any run: a jar has its place too once the run that processes it again is begun.
        newest = newest_entry(conn)
    return _all_placed(settings.current().data_dir, run_id, newest, _minute(now), now)


@st.cache_resource(ttl=2 * KEPT_S, show_spinner=False)
def _all_placed(data_dir: Path, run_id: str, newest: int, minute: int, _now: datetime) -> bool:
    try:
        batch = load(run_id, _now)
    except MonitorError:
        # Its own page says what is wrong; until then something may be left to do.
        return False
    return batch is not None and batch.state.all_placed


def _minute(now: datetime) -> int:
    return int(now.timestamp() // KEPT_S)


@st.cache_resource(max_entries=4, show_spinner=False)
def _run(data_dir: Path, run_id: str, newest: int, minute: int) -> Run:
    """A run with its samples, read anew once somebody said something of it, and each minute."""
    with data.store_in(data_dir) as conn:
        return load_run(conn, run_id)


def _judged(run_id: str, newest: int) -> Mapping[str, Any]:
    return judging.at_once(judging.Record(settings.current().data_dir, run_id, newest))


@st.cache_resource(ttl=5.0, show_spinner=False)
def _kept(data_dir: Path, _now: datetime) -> list[BatchState]:
    with data.store() as conn:
        return load_batches(conn, _now, judged=_judged)


def kept(now: datetime) -> list[BatchState]:
    """Every batch that is over, as it stood some seconds ago at the most."""
    folder = settings.current().data_dir
    data.runs(folder)
    if waiting := judging.unfinished(folder):
        with st.spinner(f"Records from elsewhere are being judged, {waiting:,} to go; this takes a while."):
            return _kept(folder, now)
    return _kept(folder, now)


def touched_too(run_id: str, now: datetime) -> list[str]:
    """Other runs that a fault of this run's probe may touch."""
    with data.store() as conn:
        return sharing(conn, run_id, now)


def forget() -> None:
    """Read anew what was just changed."""
    _kept.clear()
    data.forget()
