"""One run as its page reads it from the store."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard import data, judging, settings
from dashboard.trace import Trace, trace
from monitor.jars import batch_state
from monitor.jars.again import Again
from monitor.jars.window import Before
from monitor.record import Run
from monitor.store import reader
from monitor.store.batches import again_of, before_from
from monitor.store.entries import Entry, read_entries, reprocessings
from monitor.store.manual import ManualLog, manual_log
from monitor.store.newest import run_mark
from monitor.store.runs import read_house


@dataclass(frozen=True, slots=True)
class OneRun:
    """A run as its page shows it. ``verdict`` is the JSON form, ``None`` where the store holds none: then
    :func:`verdict_of` judges it, which may take seconds. ``entries`` are its own and those of runs that
    process its jars again.
    """

    row: reader.RunRow
    run: Run
    whole: Trace
    verdict: dict[str, Any] | None
    entries: list[Entry]
    journal: list[reader.AlarmRow]
    by_hand: ManualLog | None
    #: By its id, what became of each run that processes its jars again.
    again: dict[str, Again]
    #: What the run says that its jars come from, where they come from one.
    before: Before | None


def one_run(data_dir: Path, run_id: str) -> OneRun | None:
    """Everything about a run; ``None`` when the store does not hold it. Read anew only when it has changed."""
    with data.store_in(data_dir) as conn:
        mark = run_mark(conn, run_id)
    return _one_run(data_dir, run_id, mark)


@st.cache_resource(max_entries=4, show_spinner=False)
def _one_run(data_dir: Path, run_id: str, mark: tuple[int | str | None, ...]) -> OneRun | None:
    with data.store_in(data_dir) as conn:
        listed = reader.list_runs(conn, data.told(conn, data_dir))
        row = next((item for item in listed if item.run_id == run_id), None)
        if row is None:
            return None
        run = reader.load_run(conn, run_id)
        again = reprocessings(conn, run_id)
        entries = [*read_entries(conn, run_id), *again]
        verdict, house, now = reader.verdict_of(conn, run_id), read_house(conn), datetime.now(UTC)
        alone = batch_state(run, verdict, entries, now) if verdict is not None else None
        calibration = run.probe.calibration
        return OneRun(
            row,
            run,
            trace(run.samples, calibration.offset_K if calibration else 0.0),
            verdict,
            entries,
            reader.alarms(conn, run_id),
            manual_log(conn, run_id),
            again_of(conn, house, alone, again, now),
            before_from(conn, house, house.run(run_id), now),
        )


def verdict_of(found: OneRun) -> dict[str, Any]:
    """The verdict in its JSON form, judged now when the store holds none."""
    if found.verdict is not None:
        return found.verdict
    own = [entry.id for entry in found.entries if entry.run_id == found.row.run_id]
    return judging.at_once(judging.Record(settings.current().data_dir, found.row.run_id, max(own, default=0)))
