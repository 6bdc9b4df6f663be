"""A store to write into, and hands to write with."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.store.database import open_writer
from monitor.store.entries import append_entry
from monitor.store.handover import Batch
from monitor.store.samples import Row
from monitor.store.stamp import epoch_s
from monitor.store.writer import StoreWriter
from monitor.timesource import ManualTime

START = "2026-08-14T09:12:00-06:00"


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


@pytest.fixture
def conn(data: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(data)
    yield connection
    connection.close()


@pytest.fixture
def writer(conn: sqlite3.Connection) -> StoreWriter:
    return StoreWriter(conn)


@pytest.fixture
def clock() -> ManualTime:
    """A hand-driven clock that begins at the run's start."""
    return ManualTime(datetime.fromisoformat(START), 500.0)


@pytest.fixture
def make_row(writer: StoreWriter) -> Callable[..., Row]:
    """A sample row; ``t_s`` counts from START."""

    def make(seq: int, t_s: float = 0.0, *, node: str = "n1", boot: int = 7, **changes: Any) -> Row:
        at_s = epoch_s(START) + t_s
        values = {
            "node": writer.node_id(node, "test"),
            "boot": boot,
            "seq": seq,
            "at_s": at_s,
            "arrival_s": at_s + 0.02,
            "uptime_s": 100.0 + t_s,
            "late": 0,
            "water_C": 90.0 + seq / 100,
            "water_fault": None,
            "room_C": None,
            "pressure_kPa": None,
            "heater_W": None,
            "mains": None,
            "chip_C": None,
            "water_2_C": None,
            "jars": None,
            "lids": None,
        } | changes
        return tuple(values.values())

    return make


@pytest.fixture
def store_rows(writer: StoreWriter) -> Callable[[list[Row]], list[Row]]:
    def store(rows: list[Row]) -> list[Row]:
        return writer.commit(Batch(rows=rows))

    return store


def a_header(run_id: str = "r1", **changes: Any) -> dict[str, Any]:
    return {
        "format": "boilwitness-run/1",
        "run_id": run_id,
        "canner": "c1",
        "started_at": START,
        "zone": "America/Denver",
        "site": {"altitude_m": 1650.0, "altitude_uncertainty_m": 10.0, "pressure_source": "altitude"},
        "batch": {"food": "pear halves", "pack": "hot", "jar": "pint", "jars": 7},
        "required": {"minutes": 30, "source": "a guide"},
    } | changes


@pytest.fixture
def header() -> Callable[..., dict[str, Any]]:
    return a_header


@pytest.fixture
def begin(conn: sqlite3.Connection, clock: ManualTime) -> Callable[..., str]:
    """Assign a node and start a run at START."""

    def start(run_id: str = "r1", *, node: str | None = "n1", **changes: Any) -> str:
        form = a_header(run_id, **changes)
        started = form["started_at"]
        if node:
            append_entry(
                conn,
                "node_assigned",
                {"node": node, "canner": form["canner"]},
                happened_utc=started,
                time=clock,
            )
        append_entry(conn, "run_started", form, run_id=run_id, happened_utc=started, time=clock)
        return run_id

    return start
