"""What the page of the nodes reads from the store."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from dashboard import data, settings
from dashboard.nodes_model import Reading
from monitor.store import reader


@st.cache_resource(ttl=2.0, max_entries=2, show_spinner=False)
def _readings(data_dir: Path) -> dict[str, Reading]:
    with data.store_in(data_dir) as conn:
        house_s, rate = data.clock_of(conn)
        rows = conn.execute(
            "SELECT name, at_s, water_C, water_fault, room_C, pressure_kPa FROM nodes JOIN samples"
            " ON node = node_id AND at_s = (SELECT max(at_s) FROM samples WHERE node = node_id)"
        ).fetchall()
    return {
        name: Reading(None if house_s is None else max(0.0, (house_s - at_s) / rate), *values)
        for name, at_s, *values in rows
    }


def readings_now() -> dict[str, Reading]:
    """Every node's newest sample, by the node's name."""
    return _readings(settings.current().data_dir)


def refused(limit: int) -> tuple[dict[str, int], list[reader.RefusalRow]]:
    """(how much was ever refused by source, the newest pieces)."""
    with data.store() as conn:
        return reader.refusal_counts(conn), reader.refusals(conn, limit)


def collector_journal(limit: int) -> list[tuple[str, str, str]]:
    """(when, kind, text) of what happened to the collector, newest first."""
    with data.store() as conn:
        return reader.journal(conn, limit)
