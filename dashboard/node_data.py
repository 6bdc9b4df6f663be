"""What the page of the nodes reads from the store."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import streamlit as st

from dashboard import data, settings
from dashboard.nodes_model import Reading
from monitor.store import newest, reader

#: A barometer may speak less often than the probe: what it said within this is its newest. [s on the viewer's clock]
BAROMETER_S = 600.0


def newest_pressure(
    conn: sqlite3.Connection, node: int, house_s: float | None, rate: float
) -> tuple[float | None, float | None]:
    """(the newest pressure of a node's last minutes in kPa, its age in s on the viewer's clock); None where none is.

    Without a clock the minutes count back from the node's newest sample, and the age is not known.
    """
    found = newest.newest_pressure(conn, node, house_s, BAROMETER_S * rate)
    if found is None:
        return None, None
    pressure_kPa, at_s = found
    return pressure_kPa, None if house_s is None else max(0.0, (house_s - at_s) / rate)


def last_pressure(
    conn: sqlite3.Connection, node: int, house_s: float | None, rate: float
) -> tuple[float | None, float | None]:
    """As :func:`newest_pressure`, of a node's own last minutes, however long ago those were."""
    pressure_kPa, at_s = newest.newest_pressure(conn, node, None, BAROMETER_S * rate) or (None, None)
    return pressure_kPa, None if house_s is None or at_s is None else max(0.0, (house_s - at_s) / rate)


@st.cache_resource(ttl=2.0, max_entries=2, show_spinner=False)
def _readings(data_dir: Path) -> dict[str, Reading]:
    with data.store_in(data_dir) as conn:
        house_s, rate = data.clock_of(conn)
        found = newest.newest_readings(conn)
        pressures = {one.node: last_pressure(conn, one.node, house_s, rate) for one in found}
    return {
        one.name: Reading(
            None if house_s is None else max(0.0, (house_s - one.at_s) / rate),
            one.water_C,
            one.water_fault,
            *pressures[one.node],
        )
        for one in found
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
